"""Whom teaching would help with which step, what that would save, and where the gap is one of paper or tools instead."""

from __future__ import annotations

from datetime import date

import duckdb
import numpy as np
import polars as pl

from models.evidence import Z95
from pipelines.contract import STEPS

# a crew is judged by its readings only when it had so many jobs in the months looked at
CREW_JOBS_AT_LEAST = 10
TOOL_MONTHS = 24
# fewer readings than this are those of a borrowed tool, where the other crews have readings on most jobs
BORROWED_SHARE, USUAL_SHARE = 0.2, 0.5
# nitrogen_release has nothing to measure
STEPS_WITH_READINGS = tuple(step for step in STEPS if step != "nitrogen_release")
SMALL_GAP = 0.05
# below, the gap reads as nought
NO_GAP = 0.005
# after a course the jobs since must first show what it did
WAIT_MONTHS = 12
DRAWS = 2000

_JOBS_A_YEAR = """
    select technician_id, step::varchar as step, count(*)::double as jobs_per_year
    from fit_job_step
    where state <> 'not_applicable' and finished_on > $as_of::date - interval 12 month
        and technician_id is not null and step <> 'whole_job'
    group by all
"""
_WITHOUT_TOOL = """
    with crew_step as (
        select crew, step::varchar as step, count(*) as jobs,
            count(*) filter (state in ('passed', 'failed', 'cannot_tell')) as measured
        from fit_job_step
        where crew <> '' and state <> 'not_applicable' and step <> 'whole_job'
            and finished_on > $as_of::date - to_months($months)
        group by all
    ), beside as (
        select *, (sum(measured) over of_step - measured) / nullif(sum(jobs) over of_step - jobs, 0) as share_of_others
        from crew_step
        window of_step as (partition by step)
    )
    select crew, step, true as has_no_tool
    from beside
    where jobs >= $few and (measured = 0 or (measured < $borrowed * jobs and share_of_others > $usual))
"""
_LEFT = "select distinct technician_id from staged_technician where left_on <= $as_of"
_LAST_TAUGHT = """
    select technician_id, step::varchar as step, max(held_on) as last_taught_on
    from staged_training
    where held_on <= $as_of and step is not null
    group by all
"""


def training_need_table(
    con: duckdb.DuckDBPyConnection, technician_step: pl.DataFrame, step_cost: pl.DataFrame, as_of: date, seed: int = 1
) -> pl.DataFrame:
    """The table `training_need`: one row for each technician still there and step whose adjusted rate is below its target.

    gap = gap_cannot (measured and outside, or recorded as not done) + gap_not_recorded (ticked and nothing measured; his
    jobs without a record that can be judged) + gap_no_tool (the crew has no reading of the kind, or a borrowed tool's
    few), in the proportions of his own jobs. Only the first is a training need, so only it carries a saving and a
    priority above `later`. The saving's interval is drawn: the rate's doubt, that of the proportions and the price's.
    """
    if technician_step.is_empty():
        return pl.DataFrame()
    when = {"as_of": as_of}
    without_tool = con.sql(
        _WITHOUT_TOOL,
        params={
            **when, "few": CREW_JOBS_AT_LEAST, "months": TOOL_MONTHS, "borrowed": BORROWED_SHARE, "usual": USUAL_SHARE
        },
    ).pl().filter(pl.col("step").is_in(STEPS_WITH_READINGS))  # fmt: skip
    frame = (
        technician_step.filter(pl.col("step").is_in(STEPS) & (pl.col("rate_adjusted") < pl.col("target")))
        .join(con.sql(_LEFT, params=when).pl(), on="technician_id", how="anti")
        .join(con.sql(_JOBS_A_YEAR, params=when).pl(), on=["technician_id", "step"], how="left")
        .join(con.sql(_LAST_TAUGHT, params=when).pl(), on=["technician_id", "step"], how="left")
        .join(without_tool, on=["crew", "step"], how="left")
        .join(_prices(step_cost), on="step", how="left")
        .with_columns(pl.col("jobs_per_year").fill_null(0.0), pl.col("has_no_tool").fill_null(False))
        .filter(pl.col("failed") + pl.col("ticked_only") + pl.col("not_done") > 0)
        .sort("technician_id", "step")
    )
    frame = _with_savings(_with_parts(frame), seed)
    return _with_priority(frame, as_of).filter((pl.col("priority") != "later") | (pl.col("gap") >= NO_GAP))


def _prices(step_cost: pl.DataFrame) -> pl.DataFrame:
    """What one job that is not good costs in the long run: the stock's yearly cost over the yearly flow into it."""
    flow = pl.when(pl.col("not_good_jobs_per_year") > 0).then(pl.col("not_good_jobs_per_year"))
    names = (("extra_cost_per_year", "price"), ("low", "price_low"), ("high", "price_high"))
    return step_cost.select("step", *((pl.col(name) / flow).alias(to) for name, to in names))


def _with_parts(frame: pl.DataFrame) -> pl.DataFrame:
    """The gap and its parts; they add up."""
    not_good = pl.col("failed") + pl.col("ticked_only") + pl.col("not_done")
    on_record = pl.col("known") / (pl.col("known") + pl.col("unknown"))
    has_tool = ~pl.col("has_no_tool")

    def part(jobs: pl.Expr) -> pl.Expr:
        return pl.when(has_tool).then(pl.col("gap") * on_record * jobs / not_good).otherwise(0.0)

    return frame.with_columns(gap=pl.col("target") - pl.col("rate_adjusted")).with_columns(
        gap_cannot=part(pl.col("failed") + pl.col("not_done")),
        gap_not_done=part(pl.col("not_done")),
        gap_not_recorded=part(pl.col("ticked_only"))
        + pl.when(has_tool).then(pl.col("gap") * (1 - on_record)).otherwise(0.0),
        gap_no_tool=pl.when(has_tool).then(0.0).otherwise(pl.col("gap")),
    )


def _with_savings(frame: pl.DataFrame, seed: int) -> pl.DataFrame:
    """What closing the first part would save in a year, with its 95 % interval; a loss is not promised as a saving."""
    rng = np.random.default_rng(seed)
    column = {
        name: frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in ("target", "rate_adjusted", "rate_low", "rate_high", "known", "unknown", "failed", "ticked_only",
                     "not_done", "jobs_per_year", "price", "price_low", "price_high", "gap_cannot")
    }  # fmt: skip
    saving = column["gap_cannot"] * column["jobs_per_year"] * column["price"]
    low, high = np.full(frame.height, np.nan), np.full(frame.height, np.nan)
    # one price for everybody: its doubt does not average out between people
    price_z = rng.standard_normal(DRAWS)
    for place in np.flatnonzero(np.isfinite(saving)):
        own = {name: values[place] for name, values in column.items()}
        drawn = _gap_cannot_drawn(rng, own) if own["gap_cannot"] > 0 else np.zeros(DRAWS)
        drawn = drawn * own["jobs_per_year"] * _price_drawn(price_z, own)
        low[place], high[place] = np.quantile(drawn, [0.025, 0.975])
    return frame.with_columns(
        **{
            name: pl.Series(values, dtype=pl.Float64).fill_nan(None)
            for name, values in (("saving_per_year", saving), ("low", low), ("high", high))
        }
    )


def _gap_cannot_drawn(rng: np.random.Generator, own: dict[str, float]) -> np.ndarray:
    """[draws] the first part of the gap: the rate from a beta of its mean and width, the proportion from the counts."""
    mean = own["rate_adjusted"]
    spread = max((own["rate_high"] - own["rate_low"]) / (2 * Z95), 1e-6)
    size = max(mean * (1 - mean) / spread**2 - 1, 2.0)
    rate = rng.beta(mean * size, (1 - mean) * size, DRAWS)
    share = rng.beta(own["failed"] + own["not_done"] + 0.5, own["ticked_only"] + 0.5, DRAWS)
    on_record = own["known"] / (own["known"] + own["unknown"])
    return np.maximum(own["target"] - rate, 0.0) * on_record * share


def _price_drawn(z: np.ndarray, own: dict[str, float]) -> np.ndarray:
    """[draws] price of a job that is not good: each half of a bell as wide as the interval on its side, not below nought."""
    width = np.where(z > 0, own["price_high"] - own["price"], own["price"] - own["price_low"]) / Z95
    return np.maximum(own["price"] + z * width, 0.0)


def _with_priority(frame: pl.DataFrame, as_of: date) -> pl.DataFrame:
    is_sure = pl.col("flag") == "below"
    is_training = pl.col("gap_cannot") >= pl.col("gap") / 2
    waits = pl.lit(as_of).dt.offset_by(f"-{WAIT_MONTHS}mo") < pl.col("last_taught_on")
    has_grown = (pl.col("change") == "better").fill_null(False) & (pl.col("recent_rate") >= pl.col("target"))
    stands_back = waits.fill_null(False) | has_grown.fill_null(False)
    return frame.with_columns(
        priority=pl.when(stands_back)
        .then(pl.lit("later"))
        .when(is_sure & is_training & pl.col("saving_per_year").is_not_null())
        .then(pl.lit("first"))
        .when(
            (is_sure | (pl.col("gap_cannot") >= SMALL_GAP)) & (pl.col("flag") != "too_few") & (pl.col("gap_cannot") > 0)
        )
        .then(pl.lit("next"))
        .otherwise(pl.lit("later"))
    )
