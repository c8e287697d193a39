"""What a kind of job has to do with a step's being good, told apart from whose hands the jobs were in.

A plain rate of each kind of job misleads where the hard jobs go to the able people, or the easy ones to a few: the kind
takes the blame for the hands. So both are fitted at once: log odds of good = kinds of job + the technician, each drawn
toward nought as far as the counts leave it in doubt. How much of that doubt reaches a person's rate is carried along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

# Beliefs about log odds, as standard deviations: levels of one thing that jobs differ in, a pairing of several of them
# beyond the sum of its parts, a stretch of time, the fleet as a whole.
LEVEL_SPREAD, PAIRING_SPREAD, TIME_SPREAD, FLEET_SPREAD = 1.0, 0.25, 0.6, 3.0
# people differ by about so much until they show otherwise: a belief that counts as much as two of them
PEOPLE_SPREAD, BELIEVED_PEOPLE = 0.5, 2.0
NEWTON_STEPS = 12
LARGEST_STEP, SETTLED = 2.0, 0.003
_HANDS, _HANDS_WEIGHT = np.polynomial.hermite_e.hermegauss(9)
_HANDS_WEIGHT = _HANDS_WEIGHT / _HANDS_WEIGHT.sum()


@dataclass(frozen=True)
class Factor:
    """One thing that jobs differ in. level : [kinds] whole numbers from 0. spread : of its levels' log odds, believed."""

    level: np.ndarray
    levels: int
    spread: float = LEVEL_SPREAD


@dataclass(frozen=True)
class JobMix:
    """Log odds of each kind of job.

    coefficients : [columns] the fleet's, then the levels of each factor in turn. covariance : [columns, columns].
    people_spread : standard deviation of the technicians' log odds. columns : for the fleet and each factor [kinds] the
    column of its level. linear : [kinds] log odds in average hands.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    people_spread: float
    columns: list[np.ndarray]
    linear: np.ndarray

    def share_of(self, unit: np.ndarray, units: int, kind: np.ndarray, known: np.ndarray) -> Share:
        """What the jobs of each unit (a person, a group) would reach in the hands of the fleet's people.

        unit, kind : [rows] whole numbers from 0. known : [rows] jobs.
        """
        chance = special.expit(self.linear[:, None] + self.people_spread * _HANDS)
        mean, slope = chance @ _HANDS_WEIGHT, (chance * (1 - chance)) @ _HANDS_WEIGHT
        size = len(self.coefficients)
        gradient = np.zeros((units, size))
        for column in self.columns:
            gradient += _crossed(unit, units, column[kind], size, known * slope[kind])
        return Share(
            np.bincount(unit, known, minlength=units),
            np.bincount(unit, known * mean[kind], minlength=units),
            gradient,
            self.covariance,
        )


def _crossed(left: np.ndarray, lefts: int, right: np.ndarray, rights: int, weight: np.ndarray) -> np.ndarray:
    """[lefts, rights] sums of a weight by two codes at once."""
    return np.bincount(left.astype(np.int64) * rights + right, weight, minlength=lefts * rights).reshape(lefts, rights)


@dataclass(frozen=True)
class Share:
    """Jobs of each unit and how many of them the fleet's people would have good: [units]; gradient : [units, columns]."""

    jobs: np.ndarray
    good: np.ndarray
    gradient: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True)
class Standard:
    """What the jobs of each unit would reach in average hands, and all of the fleet's jobs in the same hands.

    expected : [units] 0 to 1. fleet : the same of all jobs. doubt : [units] standard deviation of the distance between
    the two on the log-odds scale. centre_doubt : [units] of `expected` alone.
    """

    expected: np.ndarray
    fleet: float
    doubt: np.ndarray
    centre_doubt: np.ndarray

    def unadjusted(self, fleet_rate: float) -> Standard:
        """The same units held against one rate for all jobs."""
        nothing = np.zeros(len(self.expected))
        return Standard(np.full(len(self.expected), fleet_rate), fleet_rate, nothing, nothing)


def standard(shares: Sequence[Share], of_fleet: Sequence[Share]) -> Standard:
    """Put together from one share for each step. of_fleet : the same shares with all jobs as one unit."""
    jobs, good = sum(share.jobs for share in shares), sum(share.good for share in shares)
    fleet = float(sum(share.good[0] for share in of_fleet) / sum(share.jobs[0] for share in of_fleet))
    fleet = float(np.clip(fleet, 1e-6, 1 - 1e-6))
    fleet_jobs = float(sum(share.jobs[0] for share in of_fleet))
    jobs = np.maximum(jobs, 1e-9)
    expected = np.clip(good / jobs, 1e-6, 1 - 1e-6)
    doubt, centre_doubt = np.zeros(len(expected)), np.zeros(len(expected))
    for share, whole in zip(shares, of_fleet, strict=True):
        own = share.gradient / (jobs * expected * (1 - expected))[:, None]
        apart = own - whole.gradient[0] / (fleet_jobs * fleet * (1 - fleet))
        doubt += np.sum((apart @ share.covariance) * apart, axis=1)
        centre_doubt += np.sum((own @ share.covariance) * own, axis=1)
    return Standard(expected, fleet, np.sqrt(np.maximum(doubt, 0)), np.sqrt(np.maximum(centre_doubt, 0)))


def fit_job_mix(
    person: np.ndarray, people: int, kind: np.ndarray, factors: Sequence[Factor], good: np.ndarray, known: np.ndarray
) -> JobMix:
    """Kinds of job and technicians at once.

    Parameters
    ----------
    person, kind : [rows] whole numbers from 0. factors : what makes the kinds, their levels by kind. good, known : [rows]
    counts of jobs.

    Returns
    -------
    JobMix. The mode of the penalised likelihood with the technicians profiled out of each Newton step; the spread of the
    technicians by the expectation-maximisation step of Laplace's approximation.

    Source: Breslow and Clayton 1993 (penalised quasi-likelihood); McCulloch and Searle 2001 (formulas from memory).
    """
    kinds = len(factors[0].level)
    columns, size = [np.zeros(kinds, dtype=np.int64)], 1
    spread = [np.array([FLEET_SPREAD])]
    for factor in factors:
        columns.append(factor.level.astype(np.int64) + size)
        spread.append(np.full(factor.levels, factor.spread))
        size += factor.levels
    precision = 1 / np.concatenate(spread) ** 2
    newton = _Newton(person, people, kind, columns, good.astype(float), known.astype(float), precision)
    variance = PEOPLE_SPREAD**2
    for _ in range(NEWTON_STEPS):
        before, variance = variance, newton.step(variance)
        if newton.last_move < SETTLED and abs(variance / before - 1) < SETTLED:
            break
    return JobMix(newton.coefficients, newton.covariance, float(np.sqrt(variance)), columns, newton.linear())


class _Newton:
    def __init__(
        self,
        person: np.ndarray,
        people: int,
        kind: np.ndarray,
        columns: list[np.ndarray],
        good: np.ndarray,
        known: np.ndarray,
        precision: np.ndarray,
    ) -> None:
        self.person, self.people, self.kind, self.columns = person, people, kind, columns
        self.good, self.known, self.precision = good, known, precision
        self.kinds, self.size = len(columns[0]), len(precision)
        self.centre = np.zeros(self.size)
        self.centre[0] = special.logit((good.sum() + 1) / (known.sum() + 2))
        self.coefficients, self.of_person = self.centre.copy(), np.zeros(people)
        self.covariance = np.diag(1 / precision)
        self.last_move = np.inf

    def linear(self) -> np.ndarray:
        return sum((self.coefficients[column] for column in self.columns), np.zeros(self.kinds))

    def step(self, variance: float) -> float:
        """One Newton step; returns the technicians' variance as it looks from there."""
        chance = special.expit(self.linear()[self.kind] + self.of_person[self.person])
        weight, residual = self.known * chance * (1 - chance), self.good - self.known * chance
        of_kind = np.bincount(self.kind, weight, minlength=self.kinds)
        slope_of_kind = np.bincount(self.kind, residual, minlength=self.kinds)
        of_people = np.bincount(self.person, weight, minlength=self.people) + 1 / variance
        information, slope = np.diag(self.precision), -self.precision * (self.coefficients - self.centre)
        crossed = np.zeros((self.people, self.size))
        for left in self.columns:
            slope = slope + np.bincount(left, slope_of_kind, minlength=self.size)
            crossed += _crossed(self.person, self.people, left[self.kind], self.size, weight)
            for right in self.columns:
                information = information + _crossed(left, self.size, right, self.size, of_kind)
        slope_of_people = np.bincount(self.person, residual, minlength=self.people) - self.of_person / variance
        share = crossed / of_people[:, None]
        self.covariance = np.linalg.inv(information - crossed.T @ share)
        move = self.covariance @ (slope - crossed.T @ (slope_of_people / of_people))
        move_of_people = (slope_of_people - crossed @ move) / of_people
        largest = max(float(np.abs(move).max()), float(np.abs(move_of_people).max(initial=0.0)), 1e-12)
        part = min(1.0, LARGEST_STEP / largest)
        self.last_move = largest
        self.coefficients = self.coefficients + part * move
        self.of_person = self.of_person + part * move_of_people
        left_in_doubt = 1 / of_people + np.sum((share @ self.covariance) * share, axis=1)
        told = float(np.sum(self.of_person**2 + left_in_doubt))
        return (told + BELIEVED_PEOPLE * PEOPLE_SPREAD**2) / (self.people + BELIEVED_PEOPLE)
