"""Whom teaching would help with which step, what that would save, and where the gap is one of paper or tools instead."""

from __future__ import annotations

from datetime import date

import duckdb
import polars as pl

from pipelines.contract import STEPS

# a crew counts as having no tool for a step when nobody in it has one reading on so many jobs
CREW_JOBS_AT_LEAST = 10
# nitrogen_release has nothing to measure
STEPS_WITH_READINGS = tuple(step for step in STEPS if step != "nitrogen_release")
SMALL_GAP = 0.05


def training_need_table(
    con: duckdb.DuckDBPyConnection, technician_step: pl.DataFrame, step_cost: pl.DataFrame, as_of: date
) -> pl.DataFrame:
    """The table `training_need`: one row for each technician and step whose adjusted rate lies below its target.

    gap = gap_cannot (measured and outside, or recorded as not done) + gap_not_recorded (ticked, nothing measured)
    + gap_no_tool (the whole crew has no reading of the kind), in the proportions of the technician's own jobs.
    Only the first is a training need, so only it carries a saving and a priority above `later`.
    """
    if technician_step.is_empty():
        return pl.DataFrame()
    rate_of_jobs = con.sql(
        """
        select technician_id, step::varchar as step,
            count(*)::double as jobs_per_year
        from fit_job_step
        where state <> 'not_applicable' and finished_on > $as_of::date - interval 12 month
            and technician_id is not null and step <> 'whole_job'
        group by all
        """,
        params={"as_of": as_of},
    ).pl()
    without_tool = con.sql(
        """
        select crew, step::varchar as step
        from fit_job_step
        where crew <> '' and state <> 'not_applicable' and step <> 'whole_job'
        group by all
        having count(*) filter (state in ('passed', 'failed', 'cannot_tell')) = 0 and count(*) >= $few
        """,
        params={"few": CREW_JOBS_AT_LEAST},
    ).pl().filter(pl.col("step").is_in(STEPS_WITH_READINGS)).with_columns(has_no_tool=pl.lit(True))  # fmt: skip
    price = step_cost.select(
        "step",
        # what one job that is not good costs, in the long run: the stock's yearly cost over the yearly flow into it
        *(
            (pl.col(name) / pl.when(pl.col("not_good_jobs_per_year") > 0).then(pl.col("not_good_jobs_per_year"))).alias(
                to
            )
            for name, to in (("extra_cost_per_year", "price"), ("low", "price_low"), ("high", "price_high"))
        ),
    )
    not_good = pl.col("failed") + pl.col("ticked_only") + pl.col("not_done")
    frame = (
        technician_step.filter(
            pl.col("step").is_in(STEPS) & (pl.col("rate_adjusted") < pl.col("target")) & (not_good > 0)
        )
        .join(rate_of_jobs, on=["technician_id", "step"], how="left")
        .join(without_tool, on=["crew", "step"], how="left")
        .join(price, on="step", how="left")
        .with_columns(
            jobs_per_year=pl.col("jobs_per_year").fill_null(0.0),
            has_no_tool=pl.col("has_no_tool").fill_null(False),
            gap=pl.col("target") - pl.col("rate_adjusted"),
        )
        .with_columns(
            gap_no_tool=pl.when("has_no_tool").then(pl.col("gap")).otherwise(0.0),
            gap_not_done=pl.when("has_no_tool").then(0.0).otherwise(pl.col("gap") * pl.col("not_done") / not_good),
            gap_cannot=pl.when("has_no_tool")
            .then(0.0)
            .otherwise(pl.col("gap") * (pl.col("failed") + pl.col("not_done")) / not_good),
            gap_not_recorded=pl.when("has_no_tool")
            .then(0.0)
            .otherwise(pl.col("gap") * pl.col("ticked_only") / not_good),
        )
        .with_columns(
            saving_per_year=pl.col("gap_cannot") * pl.col("jobs_per_year") * pl.col("price"),
            # the gap's own doubt is in the flag; a saving below nothing is not promised
            low=pl.col("gap_cannot") * pl.col("jobs_per_year") * pl.max_horizontal(pl.col("price_low"), pl.lit(0.0)),
            high=pl.col("gap_cannot") * pl.col("jobs_per_year") * pl.col("price_high"),
        )
    )
    is_sure = pl.col("flag") == "below"
    is_training = pl.col("gap_cannot") >= pl.col("gap") / 2
    return frame.with_columns(
        low=pl.when(pl.col("price").is_not_null()).then(pl.col("low")),
        priority=pl.when(is_sure & is_training & pl.col("price").is_not_null())
        .then(pl.lit("first"))
        .when(
            (is_sure | (pl.col("gap_cannot") >= SMALL_GAP)) & (pl.col("flag") != "too_few") & (pl.col("gap_cannot") > 0)
        )
        .then(pl.lit("next"))
        .otherwise(pl.lit("later")),
    ).sort("technician_id", "step")
