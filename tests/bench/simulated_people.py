"""Invented technicians whose true rates are known: counts for many kinds of job, or job after job over years.

Every rate and spread here is made up, to see whether people are judged by what was put in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import special

EQUIPMENT = ("split_ac", "split_heat_pump", "ductless", "packaged")
JOINTS = ("brazed", "pressed", "flared")
SEASONS = ("winter", "spring", "summer", "autumn")
OF_EQUIPMENT, OF_JOINTS = np.array([0.0, 0.1, -0.7, 0.3]), np.array([0.0, 0.4, -0.4])
OF_SEASON = np.array([-0.3, 0.0, 0.2, 0.05])
SHARE_OF_EQUIPMENT, SHARE_OF_JOINTS = np.array([0.5, 0.25, 0.15, 0.1]), np.array([0.75, 0.15, 0.1])
# one place for each kind of job: equipment, joints, season
KIND_LEVELS = np.array([(i, j, k) for i in range(4) for j in range(3) for k in range(4)])
KIND_LOG_ODDS = OF_EQUIPMENT[KIND_LEVELS[:, 0]] + OF_JOINTS[KIND_LEVELS[:, 1]] + OF_SEASON[KIND_LEVELS[:, 2]]
KIND_SHARE = SHARE_OF_EQUIPMENT[KIND_LEVELS[:, 0]] * SHARE_OF_JOINTS[KIND_LEVELS[:, 1]] / 4
HARD = KIND_LOG_ODDS <= -0.3
DAYS_A_YEAR = 365.0
_PLACES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


def level_of(rate: float, spread: float) -> float:
    """Log odds of the plainest job at which people with this spread reach the rate on the usual mix of jobs."""
    low, high = -9.0, 9.0
    for _ in range(60):
        middle = (low + high) / 2
        reached = KIND_SHARE @ (special.expit(middle + KIND_LOG_ODDS[:, None] + spread * _PLACES) @ _WEIGHTS)
        low, high = (middle, high) if reached < rate else (low, middle)
    return middle


def skill_for(rate: float, level: float) -> float:
    """Log odds by which one must differ to reach the rate on the usual mix of jobs."""
    low, high = -9.0, 9.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if KIND_SHARE @ special.expit(level + KIND_LOG_ODDS + middle) < rate else (low, middle)
        )
    return middle


@dataclass(frozen=True)
class Counts:
    """good, known : [people, kinds]. truth : [people] rate on the fleet's own mix of jobs. jobs : [people]."""

    good: np.ndarray
    known: np.ndarray
    truth: np.ndarray
    jobs: np.ndarray


def counts(
    rng: np.random.Generator, jobs: np.ndarray, level: float, skill: np.ndarray, hard_for: str = "anybody"
) -> Counts:
    """Jobs of each person, spread unevenly over the kinds; one in seven gets only hard ones.

    hard_for : who gets them: `anybody`, `able` or `weak`.
    """
    people = len(jobs)
    if hard_for == "anybody":
        only_hard = rng.random(people) < 1 / 7
    else:
        order = np.argsort(skill if hard_for == "weak" else -skill)
        only_hard = np.isin(np.arange(people), order[: max(1, people // 7)])
    known = np.zeros((people, len(KIND_SHARE)), dtype=np.int64)
    for person in range(people):
        share = KIND_SHARE * rng.dirichlet(np.full(len(KIND_SHARE), 3.0)) * (HARD | ~only_hard[person])
        known[person] = rng.multinomial(jobs[person], share / share.sum())
    chance = special.expit(level + KIND_LOG_ODDS + skill[:, None])
    truth = chance @ (known.sum(axis=0) / known.sum())
    return Counts(rng.binomial(known, chance), known, truth, jobs)


@dataclass
class Work:
    """Jobs one by one, sorted by technician and day: [jobs] each; is_good : [jobs, steps + 1], the last of the whole job."""

    person: np.ndarray
    day: np.ndarray
    equipment: np.ndarray
    joints: np.ndarray
    form: np.ndarray
    is_good: np.ndarray
    skill: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def season(self) -> np.ndarray:
        return ((self.day % DAYS_A_YEAR) / (DAYS_A_YEAR / 4)).astype(int).clip(0, 3)


@dataclass(frozen=True)
class Habit:
    """How a fleet works. rates : of each step. All spreads are standard deviations of log odds.

    hurry : from job to job, shared by all steps. season : from season to season, own to each step. drift : of the whole
    fleet in a year. learning : how far a beginner is below himself, gone after some forty jobs; a third are beginners.
    month : of each person from month to month. volume : jobs a year of the least and the most busy.
    """

    rates: tuple[float, ...] = (0.97, 0.85, 0.9, 0.8, 0.7, 0.87, 0.75, 0.8, 0.93)
    people: int = 30
    years: float = 4.0
    spread: float = 0.5
    hurry: float = 0.5
    season: float = 0.4
    drift: float = 0.0
    learning: float = 0.0
    month: float = 0.0
    volume: tuple[float, float] = (40.0, 250.0)


# log odds to add: (work so far without is_good, number of the step) -> [jobs]
Extra = Callable[[Work, int], np.ndarray]


def work(rng: np.random.Generator, habit: Habit, extra: Extra | None = None, forms: Callable | None = None) -> Work:
    """Years of jobs. forms : (person, day) -> [jobs] whole numbers, the form each job was written on."""
    people, steps = habit.people, len(habit.rates)
    a_year = np.exp(rng.uniform(*np.log(habit.volume), people))
    person = np.repeat(np.arange(people), rng.poisson(a_year * habit.years))
    jobs = len(person)
    day = rng.uniform(0, habit.years * DAYS_A_YEAR, jobs)
    order = np.lexsort((day, person))
    person, day = person[order], day[order]
    mixes = rng.dirichlet(SHARE_OF_EQUIPMENT * 7, people)
    equipment = (rng.random(jobs)[:, None] > np.cumsum(mixes, axis=1)[person]).sum(axis=1).clip(0, 3)
    joints = (rng.random(jobs)[:, None] > np.cumsum(SHARE_OF_JOINTS)).sum(axis=1).clip(0, 2)
    form = forms(person, day) if forms else np.zeros(jobs, dtype=int)
    made = Work(person, day, equipment, joints, form, np.zeros((jobs, steps + 1), dtype=bool))
    number = np.arange(jobs) - np.searchsorted(person, person)
    made.skill = 0.7 * habit.spread * (rng.normal(size=(people, 1)) + rng.normal(size=(people, steps)))
    in_a_hurry = rng.normal(0, habit.hurry, jobs) if habit.hurry else np.zeros(jobs)
    for step in range(steps):
        log_odds = level_of(habit.rates[step], habit.spread) + OF_EQUIPMENT[equipment] + OF_JOINTS[joints]
        log_odds += rng.normal(0, habit.season, 4)[made.season] + made.skill[person, step] + in_a_hurry
        log_odds += habit.drift * (day / DAYS_A_YEAR - habit.years / 2)
        if habit.learning:
            log_odds -= habit.learning * (person % 3 == 0) * np.exp(-number / 40)
        if habit.month:
            log_odds += rng.normal(0, habit.month, (people, int(day.max() // 30.4) + 1))[
                person, (day // 30.4).astype(int)
            ]
        if extra:
            log_odds += extra(made, step)
        made.is_good[:, step] = rng.random(jobs) < special.expit(log_odds)
    made.is_good[:, steps] = made.is_good[:, :steps].all(axis=1)
    return made
