"""Do early visits do any good? Systems drawn by lot against those the lot could as well have fallen on, by intention.

Of the systems that stand next on the list a known share was drawn. Until then nothing told the two sides apart, so what
differs since is the visits' doing, or chance. Each system counts with one over its chance of being on its side, so that
plans with other chances add up rightly; whoever was drawn counts as drawn, visited or not.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from scipy import special, stats

from models.rate_cells import DAYS_A_YEAR

if TYPE_CHECKING:
    import duckdb

    from models.install_risk import RiskModel

LEVEL = 0.95
# fewer failures on both sides together tell nothing
EVENTS_AT_LEAST = 10
RATIO_ASKED = 0.5
POWER = 0.8
YEARS_FOLLOWED = 2.0
BISECTIONS = 60


@dataclass(frozen=True)
class Side:
    """One side of the lot: its systems, failures and years followed, and failures a system and year, weighted, with range."""

    systems: int
    events: int
    years: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True)
class Comparison:
    """Failures a system and year, drawn less not drawn, with its 95 % range; None where a side has no time yet.

    evidence : `too_few` under EVENTS_AT_LEAST failures or without time on both sides, `fewer` or `more` where the range
    leaves nought out, else `unclear`.
    """

    drawn: Side
    not_drawn: Side
    difference: float | None
    low: float | None
    high: float | None
    evidence: str


def compare(pools: pl.DataFrame) -> Comparison:
    """Drawn against not drawn over all plans.

    Parameters
    ----------
    pools : plan_id, was_drawn, chance [of being drawn, 0 to 1], systems, events, years; a row for each plan and side.
        Plans where everybody or nobody was drawn compare nothing and are left out.
    """
    of_lot = pools.filter(pl.col("chance").is_between(0, 1, closed="none")) if pools.height else pools
    sides = [_side(of_lot.filter(pl.col("was_drawn") == was)) if of_lot.height else _no_side() for was in (True, False)]
    drawn, rest = sides
    if not (drawn.years > 0 and rest.years > 0):
        return Comparison(drawn, rest, None, None, None, "too_few")
    difference = drawn.rate - rest.rate
    low, high = difference_range(drawn.rate, drawn.low, drawn.high, rest.rate, rest.low, rest.high)
    if drawn.events + rest.events < EVENTS_AT_LEAST:
        evidence = "too_few"
    else:
        evidence = "fewer" if high < 0 else "more" if low > 0 else "unclear"
    return Comparison(drawn, rest, difference, float(low), float(high), evidence)


def _side(rows: pl.DataFrame) -> Side:
    if rows.is_empty():
        return _no_side()
    chance = rows["chance"].to_numpy()
    weight = np.where(rows["was_drawn"].to_numpy(), 1 / chance, 1 / (1 - chance))
    events, years = rows["events"].to_numpy().astype(float), rows["years"].to_numpy().astype(float)
    rate, low, high = weighted_rate(events, years, weight)
    return Side(int(rows["systems"].sum()), int(events.sum()), float(years.sum()), float(rate), float(low), float(high))


def _no_side() -> Side:
    return Side(0, 0, 0.0, float("nan"), float("nan"), float("nan"))


def weighted_rate(
    events: np.ndarray, years: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Failures a system and year of all plans together, with its 95 % range; NaN without time.

    events, years : [..., plans]. weight : [plans] or like events, one over the chance of being on this side.

    The rate is the weighted failures over the weighted years. The range is the mid-p form of the gamma range for a
    weighted sum of Poisson counts: it holds nought failures too, and with one plan it is the mid-p range of a Poisson
    rate. Source: Fay and Feuer 1997 (Statistics in Medicine 16, 791); mid-p: Fay and Kim 2017 (formula from memory).
    """
    whole = (weight * years).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = weight / whole[..., None]
        rate = (own * events).sum(axis=-1)
        variance = (own**2 * events).sum(axis=-1)
        most = np.where(years > 0, own, 0.0).max(axis=-1)
    tail = (1 - LEVEL) / 2
    low, high = (_mid_p_quantile(rate, variance, most, level) for level in (tail, 1 - tail))
    return rate, low, high


def _mid_p_quantile(rate: np.ndarray, variance: np.ndarray, most: np.ndarray, level: float) -> np.ndarray:
    """Where the even mixture of the range's lower and upper gamma distribution reaches a level; by bisection."""
    upper_rate, upper_variance = rate + most, variance + most**2

    def reached(at: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore", invalid="ignore"):
            lower = np.where(
                rate > 0, special.gammainc(rate**2 / variance, at * rate / variance), 1.0
            )  # no failure: all of it lies at nought
            upper = special.gammainc(upper_rate**2 / upper_variance, at * upper_rate / upper_variance)
        return (lower + upper) / 2

    below = np.zeros_like(np.asarray(rate, dtype=float))
    above = upper_rate + 12 * np.sqrt(upper_variance)
    for _ in range(BISECTIONS):
        middle = (below + above) / 2
        is_under = reached(middle) < level
        below, above = np.where(is_under, middle, below), np.where(is_under, above, middle)
    return np.where(np.isfinite(rate), (below + above) / 2, np.nan)


def difference_range(
    rate: Any, low: Any, high: Any, rate_other: Any, low_other: Any, high_other: Any
) -> tuple[Any, Any]:
    """The 95 % range of a difference from the ranges of its two parts: each end by how far the parts' own ends lie.

    Source: Zou and Donner 2008 (Statistics in Medicine 27, 1693), the square-and-add way of Newcombe 1998.
    """
    difference = rate - rate_other
    return (
        difference - np.sqrt((rate - low) ** 2 + (high_other - rate_other) ** 2),
        difference + np.sqrt((high - rate) ** 2 + (rate_other - low_other) ** 2),
    )


def lots_needed(rate_per_year: float, chance: float, ratio: float = RATIO_ASKED) -> int | None:
    """Visits by lot, each followed YEARS_FOLLOWED, until a ratio of failures would show 4 times in 5; None if never.

    rate_per_year : failures a system and year of those not drawn. chance : of being drawn.

    Source: size of a comparison of two rates, errors pooled where nothing differs and apart where it does (Fleiss 1981,
    for counts; formula from memory).
    """
    if not (rate_per_year > 0 and 0 < chance < 1):
        return None
    z_level, z_power = stats.norm.isf((1 - LEVEL) / 2), stats.norm.ppf(POWER)
    others = chance / (1 - chance)  # a side's years are so much of the other's
    pooled = rate_per_year * (chance * ratio + 1 - chance)
    apart = rate_per_year * (ratio + others)
    both = z_level * sqrt(pooled * (1 + others)) + z_power * sqrt(apart)
    return ceil((both / (rate_per_year * (1 - ratio))) ** 2 / YEARS_FOLLOWED)


def visit_value_table(
    con: duckdb.DuckDBPyConnection, model: RiskModel, rules: Any, failure_cost: float
) -> pl.DataFrame:
    """The table `visit_value`: systems in service where an early visit put something right, and what that is worth.

    For each horizon of `install_risk`: the chance of a compressor failure had no visit been made, what the mendable share
    of its steps takes away of it, and that times the cost of a failure. So it is worked out as `visit_benefit` is, as if
    the visit came today, and rests on the same guesses.
    """
    from models.install_risk import HORIZONS
    from models.risk_chance import Chances, systems_of
    from pipelines.contract import STEPS

    frame = con.sql(
        "select system_id, technician_id, pattern, equipment_and_joints, age, false as is_visited from system_now "
        "where fate = 'in_service' and is_visited order by system_id"
    ).pl()
    if frame.is_empty():
        return pl.DataFrame()
    chances = Chances(model, systems_of(frame, model))
    after_visit = chances.best.after_visit(np.array([float(rules.mendable_share.get(step, 0.0)) for step in STEPS]))
    parts = []
    for months in HORIZONS:
        before, after = chances.expected(months), chances.expected(months, after_visit)
        avoided = np.exp(-after) - np.exp(-before)
        parts.append(
            frame.select("system_id").with_columns(
                horizon_months=pl.lit(months, dtype=pl.Int32),
                probability_without=pl.Series(-np.expm1(-before)),
                avoided=pl.Series(avoided),
                value=pl.Series(avoided * failure_cost),
            )
        )
    return pl.concat(parts)


# --- failures since each plan, from the records

_SINCE = """
    with pool as (
        select unnest($plan_ids::varchar[]) as plan_id, unnest($system_ids::varchar[]) as system_id,
            unnest($was_drawn::boolean[]) as was_drawn, unnest($chances::double[]) as chance,
            unnest($made_on::date[]) as made_on
    ), run as (select as_of from cell_run), failure as (
        select pool.plan_id, pool.system_id, min(event.happened_on) as failed_on
        from pool join outcome_event as event on event.system_id = pool.system_id
            and event.outcome = 'compressor_failure' and event.happened_on > pool.made_on
        group by all
    ), followed as (
        -- the stretches in which we would have heard, from the plan's day to the failure, the end of service or today
        select pool.plan_id, pool.system_id, any_value(failure.failed_on) as failed_on,
            sum(greatest(datediff('day', greatest(seen.from_on, pool.made_on),
                least(seen.to_on, coalesce(failure.failed_on, run.as_of), coalesce(sys.retired_on, run.as_of),
                    run.as_of)), 0)) / $days_a_year as years,
            bool_or(coalesce(failure.failed_on > seen.from_on and failure.failed_on <= seen.to_on, false)) as was_heard
        from pool cross join run
        join contact_window as seen on seen.system_id = pool.system_id
        left join failure on failure.plan_id = pool.plan_id and failure.system_id = pool.system_id
        left join staged_system as sys on sys.system_id = pool.system_id
        group by all
    )
    select pool.plan_id, pool.was_drawn, any_value(pool.chance) as chance, count(*) as systems,
        count(*) filter (followed.was_heard) as events, coalesce(sum(followed.years), 0)::double as years
    from pool left join followed on followed.plan_id = pool.plan_id and followed.system_id = pool.system_id
    group by pool.plan_id, pool.was_drawn
    order by pool.plan_id, pool.was_drawn
"""


def failures_since(con: Any, pool: pl.DataFrame) -> pl.DataFrame:
    """What `compare` takes: for each plan and side its systems, compressor failures and years followed since the plan.

    con : a fitted generation (contact_window, outcome_event, cell_run). pool : plan_id, system_id, was_drawn, chance,
    made_on; a row for each system that a lot could have fallen on.

    A failure counts where we would have heard of it (statistics of follow-up as elsewhere); a visit on which something
    was put right does not end it, since the comparison is by intention.
    """
    values = {
        "plan_ids": pool["plan_id"].to_list(), "system_ids": pool["system_id"].to_list(),
        "was_drawn": pool["was_drawn"].to_list(), "chances": pool["chance"].to_list(),
        "made_on": pool["made_on"].to_list(), "days_a_year": DAYS_A_YEAR,
    }  # fmt: skip
    return con.sql(_SINCE, params=values).pl()
