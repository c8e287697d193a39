"""How far a rate of so many jobs strays from a target by chance alone: a picture, never a verdict."""

from __future__ import annotations

import numpy as np
from scipy import stats


def binomial_limits(target: np.ndarray, jobs: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Exact limits of a rate, interpolated between whole counts.

    Parameters
    ----------
    target : rate expected, 0 to 1. jobs : how many, same shape. level : 0.95 or 0.998.

    Returns
    -------
    low, high : same shape, 0 to 1; NaN where there are no jobs.

    Source: Spiegelhalter 2005.
    """
    target, jobs = np.broadcast_arrays(np.asarray(target, dtype=float), np.asarray(jobs, dtype=float))
    limits = []
    for tail in ((1 - level) / 2, 1 - (1 - level) / 2):
        with np.errstate(divide="ignore", invalid="ignore"):
            count = stats.binom.ppf(tail, jobs, target)
            at, below = stats.binom.cdf(count, jobs, target), stats.binom.cdf(count - 1, jobs, target)
            part = np.where(at > below, (at - tail) / np.where(at > below, at - below, 1.0), 0.0)
            limits.append(np.where(jobs > 0, np.clip((count - part) / jobs, 0.0, 1.0), np.nan))
    return limits[0], limits[1]


def exact_interval(good: np.ndarray, jobs: np.ndarray, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Interval of a plain rate (Jeffreys), 0 to 1; NaN where there are no jobs."""
    good, jobs = np.asarray(good, dtype=float), np.asarray(jobs, dtype=float)
    tail = (1 - level) / 2
    low = stats.beta.ppf(tail, good + 0.5, jobs - good + 0.5)
    high = stats.beta.ppf(1 - tail, good + 0.5, jobs - good + 0.5)
    # with nothing good, or nothing else, the interval begins or ends at the edge
    low, high = np.where(good == 0, 0.0, low), np.where(good == jobs, 1.0, high)
    return np.where(jobs > 0, low, np.nan), np.where(jobs > 0, high, np.nan)
