"""How many of the first 20 years a compressor stays in service, where a step was good and where it was not.

The area under the share still running (Kaplan-Meier, late entry): a system that is retired for another reason, or
lost from sight, leaves without having failed. Told as far as enough systems have been followed, and no further.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from models.incidence import ARMS, AT_RISK_AT_LEAST, DAYS_A_MONTH, Curve, Pieces, aalen_johansen, read_pieces
from models.rate_cells import DAYS_A_YEAR, decode
from pipelines.contract import STEPS

HORIZON_YEARS = 20
MONTHS_A_YEAR = 12
# under half a year everything still runs, and the figure would only repeat the horizon
SHORTEST_HORIZON_MONTHS = 6
Z95 = float(stats.norm.ppf(0.975))
ARM_WORDS = {"good": "good", "not_good": "not good"}


def restricted_mean(curve: Curve, horizon: float) -> tuple[float, float]:
    """Mean time before the outcome, counted up to a horizon, and its variance.

    Parameters
    ----------
    curve : of `aalen_johansen` with nothing that competes. horizon : in the curve's unit of time.

    Returns
    -------
    Area under 1 - incidence from 0 to the horizon, and the sum over event times of (area after it)^2 d / (n (n - d)).

    Source: Klein and Moeschberger 2003, section 4.5 (memory); equal to R's survfit.
    """
    inside = curve.time < horizon
    time, d, n = curve.time[inside], curve.events[inside], curve.at_risk[inside]
    survival = np.concatenate([[1.0], 1.0 - curve.incidence[inside]])
    area = survival * np.diff(np.concatenate([[0.0], time, [horizon]]))
    after = area[::-1].cumsum()[::-1][1:]
    part = np.where(n > d, d / (n * np.maximum(n - d, 1e-9)), 0.0)
    return float(area.sum()), float(np.sum(after**2 * part))


@dataclass(frozen=True)
class Service:
    """One arm: years in service up to the horizon with a 95 % interval; NaN where it is too early to say."""

    years: float
    low: float
    high: float
    systems: int
    events: int


def service(pieces: Pieces, horizon_days: float, systems: int) -> Service:
    """Years in service up to the horizon, and the events up to it; `systems` is passed on.

    The interval lies on the logarithm of the years lost, so that it stays within the horizon. Without any failure it
    begins at what the highest rate that goes with none (3.7 over the time followed) would give.
    """
    events = round(float(pieces.weight[(pieces.kind == 1) & (pieces.leave <= horizon_days)].sum()))
    if horizon_days < SHORTEST_HORIZON_MONTHS * DAYS_A_MONTH:
        return Service(np.nan, np.nan, np.nan, systems, events)
    failed = (pieces.kind == 1).astype(int)
    value, variance = restricted_mean(aalen_johansen(pieces.entry, pieces.leave, failed, pieces.weight), horizon_days)
    lost = horizon_days - value
    if lost <= 0:
        followed = np.clip(np.minimum(pieces.leave, horizon_days) - pieces.entry, 0.0, None) @ pieces.weight
        rate = stats.chi2.ppf(0.975, 2) / 2 / followed
        low, high = float((1 - np.exp(-rate * horizon_days)) / rate), horizon_days
    else:
        factor = float(np.exp(Z95 * np.sqrt(variance) / lost))
        low, high = max(horizon_days - lost * factor, 0.0), horizon_days - lost / factor
    return Service(value / DAYS_A_YEAR, low / DAYS_A_YEAR, high / DAYS_A_YEAR, systems, events)


def difference(good: Service, not_good: Service) -> tuple[float, float, float]:
    """Years in service that go with a step being good: good less not good, with its interval.

    Source: Zou and Donner 2008, from the ends of the two intervals (memory).
    """
    value = good.years - not_good.years
    low = value - np.hypot(good.years - good.low, not_good.high - not_good.years)
    high = value + np.hypot(good.high - good.years, not_good.years - not_good.low)
    return value, low, high


def reach_months(pieces: Pieces) -> int:
    """The last whole month of age, up to 20 years, to which enough systems were followed all the way."""
    months = np.arange(HORIZON_YEARS * MONTHS_A_YEAR + 1)
    # at the last edge those count whose follow-up ends there
    few = np.flatnonzero(pieces.at_risk(np.maximum(months * DAYS_A_MONTH - 0.5, 0.0)) < AT_RISK_AT_LEAST)
    return int(months[-1]) if not len(few) else max(int(few[0]) - 1, 0)


def years_in_service_table(con: duckdb.DuckDBPyConnection, day: date) -> pl.DataFrame:
    """The table `years_in_service`: each step's arms up to one common horizon, and their difference."""
    pieces = read_pieces(con, "compressor_failure")
    systems = _systems(con)
    rows = []
    for step in STEPS:
        arms = {arm: pieces.of_arm(step, arm) for arm in ARMS}
        arms = {arm: chosen for arm, chosen in arms.items() if len(chosen.entry)}
        if arms:
            rows += _of_step(step, arms, systems, day)
    return pl.DataFrame(rows, infer_schema_length=None)


def _systems(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], int]:
    """How many lives of systems stand behind each step's arm: one that changed from one arm to the other is in both."""
    each = con.sql(
        """
        with pattern_of as (
            select distinct system_id, life_no, pattern from follow_up where not is_visited
        ), numbered as (
            select pattern, count(*) over life as patterns, dense_rank() over (order by system_id, life_no) as life
            from pattern_of window life as (partition by system_id, life_no)
        )
        -- nearly all have one pattern for life: those are counted here, the few others one by one
        select pattern, case when patterns > 1 then life end as life, count(*) as lives
        from numbered group by all order by all
        """
    ).pl()
    levels, lives = decode(each["pattern"].to_numpy()), each["lives"].to_numpy()
    several = each["life"].fill_null(-1).to_numpy()
    counts = {}
    for number, step in enumerate(STEPS):
        for arm, wanted in ARMS.items():
            chosen = np.isin(levels[:, number], wanted)
            several_here = several[chosen & (several >= 0)]
            counts[step, arm] = int(lives[chosen & (several < 0)].sum()) + len(np.unique(several_here))
    return counts


def _of_step(step: str, arms: dict[str, Pieces], systems: dict[tuple[str, str], int], day: date) -> list[dict]:
    reach = {arm: reach_months(chosen) for arm, chosen in arms.items()}
    # the two are compared over the same years; one that has no systems to speak of does not hold the other back
    months = min([reached for reached in reach.values() if reached >= SHORTEST_HORIZON_MONTHS], default=0)
    rows = []
    found: dict[str, Service] = {}
    for arm, chosen in arms.items():
        until = min(months, reach[arm])
        one = found[arm] = service(chosen, until * DAYS_A_MONTH, systems[step, arm])
        reaches_20 = reach[arm] == HORIZON_YEARS * MONTHS_A_YEAR
        rows.append({
            "step": step, "arm": arm, "horizon_years": until / MONTHS_A_YEAR, "years": one.years, "low": one.low,
            "high": one.high, "systems": one.systems, "events": one.events, "reaches_20": reaches_20,
            "text": _sentence(arm, one, until, reaches_20, day),
        })  # fmt: skip
    gap = difference(found["good"], found["not_good"]) if len(found) == len(ARMS) else (np.nan,) * 3
    if not np.isnan(gap[0]):
        rows[-1]["text"] += (
            f" Good less not good: {gap[0]:.2f} years ({gap[1]:.2f} to {gap[2]:.2f}), whatever else these jobs differ in "
            "included."
        )
    return [row | dict(zip(("difference", "difference_low", "difference_high"), gap, strict=True)) for row in rows]


def _sentence(arm: str, one: Service, months: int, reaches_20: bool, day: date) -> str:
    systems = f"{one.systems:,} system{'' if one.systems == 1 else 's'}"
    if np.isnan(one.years):
        return (
            f"Where it was {ARM_WORDS[arm]}: too early to say. {systems} so far; at least {AT_RISK_AT_LEAST} must have "
            "been followed for half a year."
        )
    horizon = months / MONTHS_A_YEAR
    said = (
        f"Where it was {ARM_WORDS[arm]}: {one.years:.2f} of the first {horizon:.3g} years in service ({one.low:.2f} to "
        f"{one.high:.2f}); {systems}, {one.events:,} compressor failure{'' if one.events == 1 else 's'}."
    )
    if reaches_20:
        return said
    return (
        f"{said} Too early to say for {HORIZON_YEARS}: not before {day.year + int(np.ceil(HORIZON_YEARS - horizon))}."
    )
