"""Has somebody's work changed: a running sum of evidence, job by job, that rings when it is too much for chance.

What was usual before is never known, only believed from the jobs so far. So there is one running sum for each rate that
may have been usual, and they are weighed by how well each rate explains all jobs: with 60 jobs behind it a chart needs far
more evidence than with 600. What average hands reach on each job (its equipment, joints, season, form and the fleet's own
level at that time) comes in as an offset, so that harder jobs, a new form or a year in which everybody slipped are no
change of the person.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

FALL_LOG_ODDS = 1.2
# In units of log likelihood ratio, for a chart with up to 50 jobs a year; more jobs are more chances of a false alarm.
# Nine steps and the whole job together then ring falsely for less than one technician in a hundred in a year.
ALARM_AT, ALARM_JOBS = 8.5, 50.0
BASELINE_JOBS_AT_LEAST = 50
BASELINE_JOBS_AT_MOST = 600
# a step that is nearly always good is judged for worse against 2 % not good (and nearly never: for better against 2 % good),
# so that a few jobs never ring
LEAST_CHANCE = 0.02
# rates that may have been usual: how far people differ is never taken for less than this, one in ten may differ by more
SPREAD_AT_LEAST, WIDER, WIDER_SHARE = 0.4, 2.5, 0.1
_PLACES = np.linspace(-4.5, 4.5, 31)


def scores(chance: np.ndarray, happened: np.ndarray, odds_ratio: float) -> np.ndarray:
    """Log likelihood ratio of each job: odds multiplied by `odds_ratio` against odds as before.

    Parameters
    ----------
    chance : [jobs, ...] chance of the bad outcome as before. happened : same shape or [jobs, 1], truth values.

    Source: Steiner and others 2000 (risk-adjusted CUSUM).
    """
    return np.where(happened, np.log(odds_ratio), 0.0) - np.log1p(chance * (odds_ratio - 1))


def running_sum(score: np.ndarray) -> np.ndarray:
    """The CUSUM, down the first axis: what has gathered since it last stood at nought."""
    total = np.cumsum(score, axis=0)
    return total - np.minimum(np.minimum.accumulate(total, axis=0), 0.0)


def alarm_at(jobs_a_year: float) -> float:
    """Where a chart rings, so that the chance of a false alarm in a year is the same for few jobs and for many."""
    return ALARM_AT + float(np.log(max(jobs_a_year / ALARM_JOBS, 1.0)))


@dataclass(frozen=True)
class Change:
    """word: `worse`, `better`, `steady` or `too_few`. began, seen : numbers of the job with which the change began, and
    of the job at which the chart rang; before : number of the first job that it was compared with. None without one.
    """

    word: str
    began: int | None = None
    seen: int | None = None
    before: int | None = None


def _log_of_sum(logs: np.ndarray) -> np.ndarray:
    """[rows] logarithm of the sum over the second axis of what the logarithms stand for."""
    largest = logs.max(axis=1)
    return largest + np.log(np.exp(logs - largest[:, None]).sum(axis=1))


class Chart:
    """The running sums of one technician and step, over the rates that may have been usual.

    chance : [jobs, rates] of a step that is not good. weight : [jobs, rates] log weight of each rate after each job.
    """

    def __init__(self, is_good: np.ndarray, usual_log_odds: np.ndarray, spread: float) -> None:
        spread = max(spread, SPREAD_AT_LEAST)
        own = _PLACES * spread
        belief = (1 - WIDER_SHARE) * np.exp(-0.5 * (own / spread) ** 2) + WIDER_SHARE / WIDER * np.exp(
            -0.5 * (own / (WIDER * spread)) ** 2
        )
        self.is_bad = ~np.asarray(is_good, dtype=bool)[:, None]
        self.chance = np.clip(special.expit(-(usual_log_odds[:, None] + own)), 1e-5, 1 - 1e-5)
        likelihood = np.cumsum(np.log(np.where(self.is_bad, self.chance, 1 - self.chance)), axis=0) + np.log(belief)
        self.weight = likelihood - _log_of_sum(likelihood)[:, None]

    def evidence(self, shift: float) -> tuple[np.ndarray, np.ndarray]:
        """How strongly the jobs so far speak for a change, against none, and when it will have begun.

        Parameters
        ----------
        shift : of the log odds of a step that is not good: above 0 for worse, below 0 for better.

        Returns
        -------
        evidence : [jobs after the first 50] log likelihood ratio, of the change that is likeliest for each usual rate,
        averaged over the rates that may have been usual. began : same shape, number of the job (from 0) with which that
        change began.

        Source: CUSUM (Page 1954) averaged over a prior of the unknown rate, as Pollak 1987 does with Shiryaev-Roberts; from
        memory.
        """
        first = BASELINE_JOBS_AT_LEAST
        chance = np.maximum(self.chance, LEAST_CHANCE) if shift > 0 else np.minimum(self.chance, 1 - LEAST_CHANCE)
        path = running_sum(scores(chance[first:], self.is_bad[first:], np.exp(shift)))
        together = self.weight[first:] + path
        of_likeliest = together.argmax(axis=1)[:, None]
        number = np.arange(len(path))[:, None]
        last_nought = np.maximum.accumulate(np.where(path <= 0, number, -1), axis=0)
        began = first + 1 + np.take_along_axis(last_nought, of_likeliest, axis=1)[:, 0]
        return _log_of_sum(together), began


def last_change(
    is_good: np.ndarray,
    usual_log_odds: np.ndarray | None = None,
    spread: float = 1.0,
    begin: int = 0,
    jobs_a_year: float | None = None,
) -> Change:
    """The newest change of a technician's work on one step.

    Parameters
    ----------
    is_good : [jobs] truth values of known jobs, oldest first. usual_log_odds : [jobs] of good in average hands; without
        them all jobs count alike. spread : of people's log odds. begin : alarms before this job number are old news; the
        chart begins anew after each. jobs_a_year : None takes those from `begin` on.

    Returns
    -------
    Change. The first 50 jobs, and all later ones up to a change, tell what was usual.
    """
    jobs = len(is_good)
    start = max(0, begin - BASELINE_JOBS_AT_MOST)
    if jobs - start < BASELINE_JOBS_AT_LEAST + 10:
        return Change("too_few")
    if begin >= jobs:
        return Change("steady")
    if usual_log_odds is None:
        usual_log_odds = np.full(jobs, special.logit((np.sum(is_good) + 1.0) / (jobs + 2.0)))
    rings_at = alarm_at(jobs - begin if jobs_a_year is None else jobs_a_year)
    found = Change("steady")
    while jobs - start > BASELINE_JOBS_AT_LEAST:
        chart, rings = Chart(is_good[start:], usual_log_odds[start:], spread), []
        for word, shift in (("worse", FALL_LOG_ODDS), ("better", -FALL_LOG_ODDS)):
            evidence, began = chart.evidence(shift)
            over = np.flatnonzero(evidence >= rings_at)
            if len(over):
                seen = int(over[0])
                rings.append((BASELINE_JOBS_AT_LEAST + seen, word, min(int(began[seen]), jobs - start - 1)))
        if not rings:
            break
        seen, word, began = min(rings)
        if start + seen >= begin:
            found = Change(word, start + began, start + seen, start)
        # the chart begins anew at the change, so that the new way of working becomes what is usual
        start += began
    return found
