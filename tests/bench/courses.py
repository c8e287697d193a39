"""Does the study of courses find what was put into invented technicians' jobs, and nothing else? Run by hand:

    python -m tests.bench.courses --draws 600
    python -m tests.bench.courses --draws 100 --world trained_5 bad_quarter --table

Every figure is a mean over invented contractors with its Monte-Carlo standard error. All effects are invented.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from models import course_leads, training_effect
from models.course_stacks import JobDays, quarters, stacked
from models.training_change import Change, change

FIRST_SEED = 1000
FIRST_DAY = date(2015, 1, 1)
YEARS = 6
DAYS = round(365.25 * YEARS)
DAYS_A_QUARTER = 91
NEVER = 10**7
AFTER_DAYS = 730  # the time after a course that an answer speaks for
TAUGHT, NOT_TAUGHT = "evacuation", "airflow"
GOALS = {
    "error, points": "within 3", "error, log odds": "within 0.03", "cover, points": "0.93 to 0.97",
    "cover, log odds": "0.93 to 0.97", "placebo alarms": "at most 0.05",
}  # fmt: skip


@dataclass(frozen=True)
class World:
    """What holds for one kind of contractor.

    technicians, trained, courses : how many; the trained go to the courses in equal parts.
    change : of the log odds of a good job; fades_to : what is left of it after 6 months.
    jobs_a_year : of a technician, known ones; volume_spread : standard deviation of their logarithm between people.
    drift_a_year : by which everybody's log odds rise. sent : by `lot`, for a `bad_quarter`, or the `weakest`.
    bad_spell : by which the log odds of those sent lie lower in the 150 days before, on every step.
    noise : standard deviation of each technician's quarters; memory : how much of a quarter's noise goes into the next.
    """

    name: str
    technicians: int = 80
    trained: int = 30
    courses: int = 2
    change: float = 0.8
    fades_to: float = 1.0
    jobs_a_year: float = 30.0
    volume_spread: float = 0.3
    drift_a_year: float = 0.0
    sent: str = "lot"
    bad_spell: float = 0.0
    noise: float = 0.0
    memory: float = 0.0


WORLDS = {
    world.name: world
    for world in (
        World("effect"),
        World("no_effect", change=0.0),
        World("fading", fades_to=0.25),
        World("bad_quarter", sent="bad_quarter", change=0.0),
        World("bad_quarter_effect", sent="bad_quarter"),
        World("bad_quarter_few_jobs", sent="bad_quarter", change=0.0, jobs_a_year=12.0),
        World("bad_spell", bad_spell=1.2, change=0.0),
        World("weakest_and_drift", sent="weakest", drift_a_year=0.25),
        World("drift", drift_a_year=0.25),
        World("uneven_volumes", volume_spread=1.0),
        World("uneven_volumes_10", volume_spread=1.0, trained=10, technicians=40),
        World("few_jobs", jobs_a_year=8.0),
        World("restless", noise=0.4),
        World("rounds", technicians=60, trained=60, courses=3),
        World("trained_5", trained=5, courses=1, technicians=30),
        World("trained_5_no_effect", trained=5, courses=1, technicians=30, change=0.0),
        World("trained_10", trained=10, technicians=40),
        World("trained_10_no_effect", trained=10, technicians=40, change=0.0),
        World("trained_20", trained=20, technicians=60),
        World("trained_60", trained=60, technicians=160),
        World("small_house", trained=4, courses=1, technicians=10),
        World("slow_dips", noise=0.5, memory=0.7, sent="bad_quarter", change=0.0),
    )
}


@dataclass(frozen=True)
class Made:
    """Jobs of both steps, who was taught when, and the change over the trained's jobs in the two years after."""

    jobs: dict[str, JobDays]
    courses: pl.DataFrame
    change: float
    log_odds: float


class _Maker:
    def __init__(self, world: World, seed: int) -> None:
        self.world, self.rng = world, np.random.default_rng(seed)
        self.level = self.rng.normal(0.6, 0.7, world.technicians)
        volume = world.jobs_a_year * YEARS * np.exp(self.rng.normal(0, world.volume_spread, world.technicians))
        self.who = np.repeat(np.arange(world.technicians), self.rng.poisson(volume))
        self.day = self.rng.integers(0, DAYS, len(self.who))

    def make(self) -> Made:
        world, who, day = self.world, self.who, self.day
        usual, lot = self._usual(self.level), self.rng.random(len(who))
        held = self._course_days()
        own = self._sent(held, usual, lot)
        since = day - own[who]
        spell = -world.bad_spell * ((since < 0) & (since >= -150))
        effect = np.where(since > 182, world.change * world.fades_to, world.change) * (since > 0)
        untaught, taught = _chance(usual + spell), _chance(usual + spell + effect)
        other = self._usual(self.rng.normal(0.6, 0.7, world.technicians)) + spell
        counted = (since > 0) & (since <= AFTER_DAYS)
        return Made(
            {
                TAUGHT: self._jobs(lot < taught),
                NOT_TAUGHT: self._jobs(self.rng.random(len(who)) < _chance(other)),
            },
            pl.DataFrame(
                [
                    (f"T{place:03d}", TAUGHT, "class", FIRST_DAY + timedelta(days=int(own[place])))
                    for place in np.flatnonzero(own < NEVER)
                ],
                schema=["technician_id", "step", "course", "held_on"],
                orient="row",
            ),
            float((taught - untaught)[counted].mean()),
            float(effect[counted].mean()),
        )

    def _usual(self, level: np.ndarray) -> np.ndarray:
        """Log odds of each job before any course: the person, the season, everybody's drift, his quarter."""
        world, year = self.world, self.day / 365.25
        quarters_in_all = DAYS // DAYS_A_QUARTER + 1
        wave = self.rng.normal(0, world.noise, (world.technicians, quarters_in_all))
        for quarter in range(1, quarters_in_all):
            fresh = np.sqrt(1 - world.memory**2) * wave[:, quarter]
            wave[:, quarter] = world.memory * wave[:, quarter - 1] + fresh
        return (
            level[self.who] + world.drift_a_year * (year - YEARS / 2) + 0.2 * np.sin(2 * np.pi * year)
            + wave[self.who, self.day // DAYS_A_QUARTER]
        )  # fmt: skip

    def _course_days(self) -> np.ndarray:
        parts = [0.5] if self.world.courses == 1 else np.linspace(0.42, 0.62, self.world.courses)
        return np.round(np.array(parts) * DAYS).astype(int)

    def _sent(self, held: np.ndarray, usual: np.ndarray, lot: np.ndarray) -> np.ndarray:
        """[technicians] the day of each one's course; NEVER for the others."""
        world = self.world
        own = np.full(world.technicians, NEVER)
        for number, day in enumerate(held):
            size = world.trained // len(held) + (number < world.trained % len(held))
            free = np.flatnonzero(own == NEVER)
            score = self._score(int(day), lot < _chance(usual))
            own[free[np.argsort(score[free])[:size]]] = day
        return own

    def _score(self, day: int, is_good: np.ndarray) -> np.ndarray:
        """The lowest are sent: by lot, by the quarter seen three weeks before, or by what they are known to be."""
        people = self.world.technicians
        if self.world.sent == "lot":
            return self.rng.random(people)
        if self.world.sent == "weakest":
            return self.level + self.rng.normal(0, 0.3, people)
        seen = (self.day < day - 21) & (self.day >= day - 21 - DAYS_A_QUARTER)
        good = np.bincount(self.who[seen], is_good[seen], people)
        return (good + 0.5) / (np.bincount(self.who[seen], minlength=people) + 1) + 1e-6 * self.rng.random(people)

    def _jobs(self, is_good: np.ndarray) -> JobDays:
        order = np.lexsort((self.who, self.day))
        first = (FIRST_DAY - date(1970, 1, 1)).days
        names = tuple(f"T{place:03d}" for place in range(self.world.technicians))
        ones = np.ones(len(order))
        return JobDays(self.who[order], self.day[order] + first, is_good[order].astype(float), ones, names)


def _chance(log_odds: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-log_odds))


def make(world: World, seed: int) -> Made:
    """One invented contractor; the same seed gives the same one."""
    return _Maker(world, seed).make()


def one_contractor(world: World, seed: int) -> dict[str, float]:
    """What the study says of one contractor, beside the truth."""
    made = make(world, seed)
    records = training_effect.Records(made.courses, made.jobs.__getitem__)
    taught = records.taught(TAUGHT)
    around = stacked(made.jobs[TAUGHT], taught)
    before, choosing, after = quarters("before"), quarters("choosing"), quarters("after")
    main = change(around, before, after, seed)
    placebo = change(stacked(made.jobs[NOT_TAUGHT], taught), before, after, seed)
    with_choosing = change(around, before | choosing, after, seed)
    soon = after & (np.cumsum(after) <= 2)
    kept_p = course_leads.pre_trend_p(around, seed, with_choosing=False)
    leads_p = course_leads.pre_trend_p(around, seed, with_choosing=True)
    answer = training_effect.Answer(
        TAUGHT, world.trained, 0, main, main, main, with_choosing, main, NOT_TAUGHT, placebo, leads_p, kept_p, None
    )
    word = training_effect.word(answer, main.p_value)
    found = {
        "error, points": 100 * (main.change - made.change),
        "error, log odds": main.log_odds - made.log_odds,
        "cover, points": main.low <= made.change <= main.high,
        "cover, log odds": main.low_log_odds <= made.log_odds <= main.high_log_odds,
        "half width, points": 50 * (main.high - main.low),
        "a change is told": main.excludes_nought,
        "clear": word == "clear",
        "placebo alarms": placebo.excludes_nought if placebo.is_told else np.nan,
        "leads reject": leads_p < 0.05,
        "kept leads reject": kept_p < 0.05,
        "error with choosing months, points": 100 * (with_choosing.change - made.change),
        "error with choosing months, log odds": with_choosing.log_odds - made.log_odds,
        "error of shares, points": 100 * (main.linear - made.change),
        "told": main.is_told,
    }
    if world.fades_to < 1:
        found |= _fading(change(around, before, soon, seed), change(around, before, after & ~soon, seed), world)
    return {name: float(value) for name, value in found.items()}


def _fading(first: Change, later: Change, world: World) -> dict[str, float]:
    return {
        "first 6 months, log odds error": first.log_odds - world.change,
        "later, log odds error": later.log_odds - world.change * world.fades_to,
    }


def study(world: World, draws: int) -> dict[str, tuple[float, float]]:
    """(mean, Monte-Carlo standard error) of each figure over the contractors of which something is told."""
    rows = pl.DataFrame([one_contractor(world, FIRST_SEED + draw) for draw in range(draws)])
    found = {"told": (float(rows["told"].mean() or 0), 0.0)}
    told = rows.filter(pl.col("told") == 1)
    for name in (column for column in rows.columns if column != "told"):
        values = told[name].drop_nans().to_numpy()
        if len(values) > 1:
            found[name] = (float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values))))
    return found


TABLE_COLUMNS = (
    "error, points", "error, log odds", "cover, points", "cover, log odds", "half width, points", "a change is told",
    "clear", "placebo alarms", "kept leads reject", "leads reject", "error with choosing months, points",
    "error of shares, points",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--world", nargs="+", default=list(WORLDS), choices=list(WORLDS))
    parser.add_argument("--table", action="store_true", help="one line a world, as a table for a paper")
    asked = parser.parse_args()
    if asked.table:
        print("| world | " + " | ".join(TABLE_COLUMNS) + " |")
        print("|---" * (len(TABLE_COLUMNS) + 1) + "|", flush=True)
    for name in asked.world:
        began = time.perf_counter()
        found = study(WORLDS[name], asked.draws)
        if asked.table:
            cells = [f"{found[key][0]:.3f} ({found[key][1]:.3f})" if key in found else "" for key in TABLE_COLUMNS]
            print(f"| {name} | " + " | ".join(cells) + " |", flush=True)
            continue
        print(f"{name}: {asked.draws} contractors, {time.perf_counter() - began:.0f} s")
        for key, (value, error) in found.items():
            print(f"  {key:38s} {value:8.4f} +- {error:.4f}   {GOALS.get(key, '')}", flush=True)


if __name__ == "__main__":
    main()
