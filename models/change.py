"""Has somebody's work changed: a running sum of evidence, job by job, that rings when it is too much for chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FALL_LOG_ODDS = 1.2
# In units of log likelihood ratio. At most one of a hundred technicians gets a false "worse" in a year over nine steps:
# about one in 90,000 jobs for each chart.
ALARM_AT = 8.5
# A rate from so few jobs is itself uncertain: it is moved a third of a standard error away from an alarm.
BASELINE_CAUTION = 0.3
BASELINE_JOBS_AT_LEAST = 50
BASELINE_JOBS_AT_MOST = 200


def scores(chance: np.ndarray, happened: np.ndarray, odds_ratio: float) -> np.ndarray:
    """Log likelihood ratio of each job: odds multiplied by `odds_ratio` against odds as before.

    Parameters
    ----------
    chance : [jobs] chance of the bad outcome as before. happened : [jobs] truth values.

    Source: Steiner and others 2000 (risk-adjusted CUSUM).
    """
    return np.where(happened, np.log(odds_ratio), 0.0) - np.log1p(chance * (odds_ratio - 1))


def running_sum(score: np.ndarray) -> np.ndarray:
    """The CUSUM: what has gathered since it last stood at zero."""
    total = np.cumsum(score)
    return total - np.minimum(np.minimum.accumulate(total), 0.0)


@dataclass(frozen=True)
class Change:
    """word: `worse`, `better`, `steady` or `too_few`. at : number of the job after which the change began, else None."""

    word: str
    at: int | None = None


def last_change(is_good: np.ndarray, alarm_at: float = ALARM_AT, begin: int = 0) -> Change:
    """The newest change of a technician's work on one step.

    Parameters
    ----------
    is_good : [jobs] truth values of known jobs, oldest first. begin : alarms before this job number are old news; the
        chart begins anew after each.

    Returns
    -------
    Change. The first jobs (50 to 200, half of what there is) set how it was before; a step that is nearly always good or
    nearly never is judged against 2 %, so that a single job never rings.
    """
    jobs = len(is_good)
    if jobs < BASELINE_JOBS_AT_LEAST + 10:
        return Change("too_few")
    start, found = 0, Change("steady")
    while jobs - start >= BASELINE_JOBS_AT_LEAST + 1:
        baseline = int(np.clip((jobs - start) // 2, BASELINE_JOBS_AT_LEAST, BASELINE_JOBS_AT_MOST))
        before = is_good[start : start + baseline]
        usual = ((~before).sum() + 2.0) / (baseline + 4.0)
        caution = BASELINE_CAUTION * np.sqrt(usual * (1 - usual) / baseline)
        bad = ~is_good[start + baseline :]
        rings = []
        for word, odds_ratio, chance in (
            ("worse", np.exp(FALL_LOG_ODDS), usual + caution),
            ("better", np.exp(-FALL_LOG_ODDS), usual - caution),
        ):
            score = scores(np.full(len(bad), np.clip(chance, 0.02, 0.98)), bad, odds_ratio)
            path = running_sum(score)
            over = np.flatnonzero(path >= alarm_at)
            if len(over):
                zero = np.flatnonzero(path[: over[0] + 1] <= 0)
                rings.append((int(over[0]), word, int(zero[-1]) + 1 if len(zero) else 0))
        if not rings:
            break
        when, word, began = min(rings)
        began_at = start + baseline + began
        if start + baseline + when >= begin:
            found = Change(word, began_at)
        # the chart begins anew at the change, so that the new way of working becomes what is usual
        start = began_at
    return found
