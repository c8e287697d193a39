"""By how much a share good changed after a course, against those not trained over the same months."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special, stats

from models import by_lot, two_way_fit
from models.course_stacks import Stacked
from models.two_way_fit import TwoWay, TwoWayFit

TRAINED_AT_LEAST, COMPARED_AT_LEAST = 4, 4
JOBS_AT_LEAST = 20
TRAINED_FOR_CLUSTERS = 15


@dataclass(frozen=True)
class Change:
    """One change with its doubt and what is behind it. Rates 0 to 1; NaN where not told.

    log_odds, low_log_odds, high_log_odds : change of the log odds. change, low, high : change of the share good, over the
    trained people's jobs after the course. p_value : that there is none. method : `clusters`, `lots` or `` .
    """

    trained: int
    compared: int
    good_before: int
    known_before: int
    good_after: int
    known_after: int
    log_odds: float = float("nan")
    low_log_odds: float = float("nan")
    high_log_odds: float = float("nan")
    change: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    p_value: float = float("nan")
    linear: float = float("nan")
    method: str = ""

    @property
    def is_told(self) -> bool:
        return bool(self.method)

    @property
    def excludes_nought(self) -> bool:
        return self.is_told and (self.low > 0 or self.high < 0)


def change(stacked: Stacked, before: np.ndarray, after: np.ndarray, seed: int) -> Change:
    """The change between the quarters `before` and `after`. before, after : [quarters] truth values."""
    part = stacked.between(before, after)
    own = part.is_trained
    counts = Change(
        part.trained(),
        part.compared(),
        good_before=int(part.good[own][:, before].sum()),
        known_before=int(part.known[own][:, before].sum()),
        good_after=int(part.good[own][:, after].sum()),
        known_after=int(part.known[own][:, after].sum()),
    )
    if not _is_enough(counts) or by_lot.possible_draws(part) < by_lot.DRAWS_POSSIBLE_AT_LEAST:
        return counts
    return _estimated(part, after, counts, seed)


def _is_enough(counts: Change) -> bool:
    return (
        counts.trained >= TRAINED_AT_LEAST
        and counts.compared >= COMPARED_AT_LEAST
        and min(counts.known_before, counts.known_after) >= JOBS_AT_LEAST
    )


def _estimated(part: Stacked, after: np.ndarray, counts: Change, seed: int) -> Change:
    given = part.is_trained[:, None] * after[None, :].astype(float)
    two_way = TwoWay(part.good, part.known, part.stack)
    fit = two_way.fit(given[:, :, None])
    if not fit.stacks or not np.all(np.isfinite(fit.coefficients)) or fit.information[0, 0] <= 0:
        return counts
    found = float(fit.coefficients[0])
    if min(counts.trained, counts.compared) >= TRAINED_FOR_CLUSTERS and fit.has_converged:
        error = float(np.sqrt(two_way_fit.jackknife_covariance(fit, part.technician)[0, 0]))
        spread = stats.t(min(counts.trained, counts.compared) - 1)
        low, high = found + error * np.array(spread.ppf([0.025, 0.975]))
        p_value, method = float(2 * spread.sf(abs(found) / error)), "clusters"
    else:
        lots = by_lot.draw_lots(part, np.random.default_rng(seed))
        test = by_lot.LotTest(part, two_way, after, lots)
        low, high = test.interval(found)
        p_value, method = test.p_value(), "lots"
    if not (np.isfinite(low) and np.isfinite(high)):
        return counts
    linear = TwoWay(part.good, part.known, part.stack, is_linear=True).fit(given[:, :, None])
    return replace(
        counts, log_odds=found, low_log_odds=float(low), high_log_odds=float(high),
        change=_in_points(part, fit, given, found),
        low=_in_points(part, _held_at(two_way, given, low, fit), given, low),
        high=_in_points(part, _held_at(two_way, given, high, fit), given, high),
        p_value=p_value, linear=float(linear.coefficients[0]), method=method,
    )  # fmt: skip


def _held_at(two_way: TwoWay, given: np.ndarray, log_odds: float, near: TwoWayFit) -> TwoWayFit:
    """The fit when the change is supposed to be `log_odds`."""
    return two_way.fit(np.zeros((*given.shape, 0)), float(log_odds) * given, near=near, close=by_lot.CLOSE_FIT)


def _in_points(part: Stacked, fit: TwoWayFit, given: np.ndarray, log_odds: float) -> float:
    """Mean over the trained people's known jobs after the course of the chance with less the chance without it.

    Who did every job well, or none, has no level of his own in the fit: nothing could change there, and it counts as nought.
    """
    jobs = part.known * given
    difference = special.expit(fit.linear) - special.expit(fit.linear - log_odds)
    return float(np.where(np.isnan(difference), 0.0, difference * jobs).sum() / jobs.sum())
