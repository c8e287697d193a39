"""Of systems whose step was good, and of those where it was not, how many have had the outcome by each age.

Aalen-Johansen: a retirement or a dead compressor takes a system out for good, so what it can no longer have is not
pretended to come later. Systems enter when we begin to follow them and leave when we lose touch.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from models.rate_cells import GOOD, NOT_GOOD, decode
from pipelines.contract import STEPS

OUTCOMES = ("compressor_failure", "callback")
ARMS = {"good": (GOOD,), "not_good": NOT_GOOD}
DAYS_A_MONTH = 365.25 / 12
MONTHS_AT_MOST = 240
# with fewer systems still followed the curve says more about those few than about the fleet
AT_RISK_AT_LEAST = 10


@dataclass(frozen=True)
class Curve:
    """At each distinct time of an event: [times]."""

    time: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    incidence: np.ndarray
    variance: np.ndarray


def aalen_johansen(entry: np.ndarray, leave: np.ndarray, kind: np.ndarray, weight: np.ndarray | None = None) -> Curve:
    """Cumulative incidence of kind 1 where kind 2 competes, with late entry.

    Parameters
    ----------
    entry, leave : [pieces] ages, entry < leave. kind : [pieces] 0 nothing, 1 the outcome, 2 what competes.
    weight : [pieces] how many times each counts.

    Returns
    -------
    Curve over the times at which either kind came, with the delta-method variance of the incidence.
    """
    weight = np.ones(len(entry)) if weight is None else weight.astype(float)
    times = np.unique(leave[kind > 0])
    if not len(times):
        empty = np.empty(0)
        return Curve(empty, empty, empty, empty, empty)
    entered = np.concatenate([[0.0], np.cumsum(weight[np.argsort(entry, kind="stable")])])
    left = np.concatenate([[0.0], np.cumsum(weight[np.argsort(leave, kind="stable")])])
    # at risk at t: entered before t and not left before t
    at_risk = (
        entered[np.searchsorted(np.sort(entry), times, side="left")]
        - left[np.searchsorted(np.sort(leave), times, side="left")]
    )
    place = np.searchsorted(times, leave[kind > 0])
    of_kind = kind[kind > 0]
    outcome = np.bincount(place[of_kind == 1], weight[kind > 0][of_kind == 1], minlength=len(times))
    either = np.bincount(place, weight[kind > 0], minlength=len(times))
    survival_before = np.concatenate([[1.0], np.cumprod(1 - either / at_risk)[:-1]])
    step = survival_before * outcome / at_risk
    incidence = np.cumsum(step)
    # sum over s <= t of (F(t) - F(s))^2 A + S^2 B - 2 (F(t) - F(s)) S C, opened up into running sums
    a = either / (at_risk * np.maximum(at_risk - either, 1e-9))
    a = np.where(at_risk > either, a, 0.0)
    b = survival_before**2 * outcome * (at_risk - outcome) / at_risk**3
    c = survival_before * outcome / at_risk**2
    variance = (
        incidence**2 * np.cumsum(a)
        - 2 * incidence * np.cumsum(incidence * a)
        + np.cumsum(incidence**2 * a)
        + np.cumsum(b)
        - 2 * (incidence * np.cumsum(c) - np.cumsum(incidence * c))
    )
    return Curve(times, at_risk, outcome, incidence, np.maximum(variance, 0.0))


def interval(incidence: np.ndarray, variance: np.ndarray, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Interval on the log(-log) scale, so that it stays between 0 and 1."""
    z = stats.norm.ppf(0.5 + level / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.log(1 - incidence)
        error = np.sqrt(variance) / ((1 - incidence) * np.abs(log))
        low = 1 - np.exp(log * np.exp(-z * error))
        high = 1 - np.exp(log * np.exp(z * error))
    none = (incidence <= 0) | (incidence >= 1)
    return np.where(none, np.nan, low), np.where(none, np.nan, high)


@dataclass(frozen=True)
class Pieces:
    """Follow-up before any visit that put something right, up to one outcome: equal pieces counted together.

    levels : [pieces, steps] as in rate_cells. entry, leave : [pieces] ages in days. kind : [pieces] 0 nothing, 1 the
    outcome, 2 gone for good by something else. weight : [pieces] how many.
    """

    levels: np.ndarray
    entry: np.ndarray
    leave: np.ndarray
    kind: np.ndarray
    weight: np.ndarray

    def of_arm(self, step: str, arm: str) -> Pieces:
        """Those whose step was `good`, or `not_good`."""
        chosen = np.isin(self.levels[:, STEPS.index(step)], ARMS[arm])
        return Pieces(self.levels[chosen], *(part[chosen] for part in (self.entry, self.leave, self.kind, self.weight)))

    def at_risk(self, ages: np.ndarray) -> np.ndarray:
        """How many are followed just after each age [days]."""
        by_entry, by_leave = np.argsort(self.entry, kind="stable"), np.argsort(self.leave, kind="stable")
        entered = np.concatenate([[0.0], np.cumsum(self.weight[by_entry])])
        left = np.concatenate([[0.0], np.cumsum(self.weight[by_leave])])
        return (
            entered[np.searchsorted(self.entry[by_entry], ages, side="right")]
            - left[np.searchsorted(self.leave[by_leave], ages, side="right")]
        )


def read_pieces(con: duckdb.DuckDBPyConnection, outcome: str) -> Pieces:
    """The follow-up of one outcome; without any, no pieces."""
    pieces = con.sql(
        """
        select piece.pattern, piece.from_age,
            least(piece.to_age, coalesce(event.age, piece.to_age)) as to_age,
            case
                when event.age <= piece.to_age and event.age > piece.from_age then 1
                when piece.end_kind = 'retired' then 2
                when piece.end_kind = 'compressor_failure' then 2
                else 0
            end as kind,
            count(*) as weight
        from follow_up as piece
        left join outcome_event as event
            on event.system_id = piece.system_id and event.life_no = piece.life_no and event.outcome = $outcome
        where not piece.is_visited and (event.age is null or event.age > piece.from_age)
        group by all
        order by all
        """,
        params={"outcome": outcome},
    ).pl()
    patterns, place = np.unique(pieces["pattern"].to_numpy(), return_inverse=True)
    columns = (pieces[name].to_numpy() for name in ("from_age", "to_age", "kind", "weight"))
    return Pieces(decode(patterns)[place], *columns)


def incidence_table(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The table `incidence`: good against not good, for each step, by month of age as far as the data reach."""
    parts = []
    for outcome in OUTCOMES:
        pieces = read_pieces(con, outcome)
        for step in STEPS:
            for arm in ARMS:
                chosen = pieces.of_arm(step, arm)
                if len(chosen.entry):
                    parts.append(
                        _monthly(chosen).with_columns(outcome=pl.lit(outcome), step=pl.lit(step), arm=pl.lit(arm))
                    )
    return pl.concat(parts) if parts else pl.DataFrame()


def _monthly(pieces: Pieces) -> pl.DataFrame:
    curve = aalen_johansen(pieces.entry, pieces.leave, pieces.kind, pieces.weight)
    months = np.arange(0, min(int(pieces.leave.max() / DAYS_A_MONTH), MONTHS_AT_MOST) + 1)
    ages = months * DAYS_A_MONTH
    at_risk = pieces.at_risk(ages)
    last = np.searchsorted(curve.time, ages, side="right")
    value = np.concatenate([[0.0], curve.incidence])[last]
    variance = np.concatenate([[0.0], curve.variance])[last]
    low, high = interval(value, variance)
    # the curve ends where too few are left to carry it
    enough = np.flatnonzero(at_risk >= AT_RISK_AT_LEAST)
    until = int(enough[-1]) + 1 if len(enough) else 0
    return pl.DataFrame({
        "age_months": months[:until].astype(np.int32),
        "at_risk": np.round(at_risk[:until]).astype(np.int64),
        "events": np.round(np.concatenate([[0.0], np.cumsum(curve.events)])[last][:until]).astype(np.int64),
        "incidence": value[:until],
        "low": low[:until],
        "high": high[:until],
    })  # fmt: skip
