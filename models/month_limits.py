"""Month by month: where a rate would lie if nothing had changed, and whether a crew or the fleet has moved for good.

A month is held against the unit's own long rate on that month's jobs (more heat pumps, more winter), and months scatter
more than single jobs would make them: the limits are as much wider as the months have shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from models import change, funnel

# Normal CUSUM on standardised months for a move of one standard deviation. Were the rate before and the scatter of months
# known, it would ring falsely once in about 2,600 months each way; as they are estimated, once in about 1,000.
ALLOWANCE, ALARM_AT = 0.5, 6.0
RECENT_MONTHS, MONTHS_BEFORE_AT_LEAST, MONTHS_FOR_SCATTER = 12, 12, 12
MEAN_RANGE_OF_TWO = 1.128  # of two standard normal values; source: Shewhart 1931, memory


@dataclass(frozen=True)
class Months:
    """centre : [months] 0 to 1. scatter : variance of the months over that of single jobs, 1 and above. change : [months]
    `worse` or `better` in a month in which the chart rang.
    """

    centre: np.ndarray
    scatter: float
    change: list[str]


def months(good: np.ndarray, known: np.ndarray, expected: np.ndarray) -> Months:
    """Of one unit and step.

    Parameters
    ----------
    good, known : [months] counts, oldest first, known above 0. expected : [months] what average hands reach on each
    month's jobs, 0 to 1.

    Source: Laney 2002 (scatter beyond single jobs), Page 1954 (CUSUM); from memory.
    """
    good, known = np.asarray(good, dtype=float), np.asarray(known, dtype=float)
    centre = _centre(good, known, expected, np.ones(len(good), dtype=bool))
    return Months(centre, _scatter(_standardised(good, known, centre)), _moved(good, known, expected))


def limits(
    centre: np.ndarray, known: np.ndarray, scatter: np.ndarray | float, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """Control limits, same shape as `centre`: those of single jobs, as much wider as the months scatter more."""
    low, high = funnel.binomial_limits(centre, np.round(known), level)
    reach = np.sqrt(scatter)
    return np.clip(centre + reach * (low - centre), 0.0, 1.0), np.clip(centre + reach * (high - centre), 0.0, 1.0)


def _centre(good: np.ndarray, known: np.ndarray, expected: np.ndarray, of: np.ndarray) -> np.ndarray:
    """The unit's own rate over some months, on each month's jobs."""
    rate = (good[of].sum() + 0.5) / (known[of].sum() + 1.0)
    usual = np.average(expected[of], weights=known[of])
    return special.expit(special.logit(expected) - special.logit(usual) + special.logit(rate))


def _standardised(good: np.ndarray, known: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """Distance of each month from its centre in standard deviations, evened out for few jobs and rates near the edge.

    Source: Anscombe 1948 (arc sine with three eighths); from memory.
    """
    share = np.sqrt((good + 0.375) / (known + 0.75))
    return 2 * np.sqrt(known + 0.5) * (np.arcsin(share) - np.arcsin(np.sqrt(centre)))


def _scatter(standardised: np.ndarray) -> float:
    """Variance of the months beyond that of single jobs, from neighbouring months so that a lasting move does not count."""
    if len(standardised) < MONTHS_FOR_SCATTER:
        return 1.0
    return max(1.0, (float(np.abs(np.diff(standardised)).mean()) / MEAN_RANGE_OF_TWO) ** 2)


def _moved(good: np.ndarray, known: np.ndarray, expected: np.ndarray) -> list[str]:
    """For each month whether the running sum of the last 12, against all before, rang; it begins anew after each."""
    months = len(good)
    words = [""] * months
    first = months - RECENT_MONTHS
    if first < MONTHS_BEFORE_AT_LEAST:
        return words
    before = np.arange(months) < first
    centre = _centre(good, known, expected, before)
    standardised = _standardised(good, known, centre)
    standardised = standardised / np.sqrt(_scatter(standardised[before]))
    # the rate before is itself known only so well: its error enters every month that is held against it
    alone = known[first:].mean()
    widened = np.sqrt(1 + RECENT_MONTHS / 2 * alone / known[before].sum())
    for word, sign in (("worse", -1), ("better", 1)):
        start = first
        while start < months:
            path = change.running_sum(sign * standardised[start:] / widened - ALLOWANCE)
            over = np.flatnonzero(path >= ALARM_AT)
            if not len(over):
                break
            words[start + int(over[0])] = word
            start += int(over[0]) + 1
    return words
