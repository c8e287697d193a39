"""What the Owner's page asks of the store: money, the months of whole jobs, what the figures rest on. No person in it."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard import data
from pipelines.contract import STEPS

MONTHS_SHOWN = 24


def total_cost() -> dict[str, Any]:
    """The year's cost of all steps that were not good, with its range; empty where none could be told."""
    found = data.ask_table(
        "step_cost", "select * from step_cost where step = 'all' and extra_cost_per_year is not null limit 1"
    )
    return found.row(0, named=True) if found.height else {}


def cost_by_step() -> pl.DataFrame:
    """The steps that a cost could be told of, the largest first. They overlap: they do not add up to the total."""
    return data.ask_table(
        "step_cost",
        "select * from step_cost where step <> 'all' and extra_cost_per_year is not null "
        "order by extra_cost_per_year desc, list_position($steps, step::varchar)",
        steps=list(STEPS),
    )


def steps_without_cost() -> list[str]:
    found = data.ask_table(
        "step_cost",
        "select step from step_cost where step <> 'all' and extra_cost_per_year is null "
        "order by list_position($steps, step::varchar)",
        steps=list(STEPS),
    )
    return found["step"].to_list() if found.height else []


_WHOLE_JOB = """
    from month_step where step = 'whole_job' and coalesce(crew, '') in ('', 'fleet', 'all')
        and ($as_of is null or month <= $as_of)
"""


def whole_jobs_by_month() -> pl.DataFrame:
    """The last 24 months to the data's last day: jobs good in every known step, limits, changes; is_part: not ended yet."""
    names = data.columns("month_step")
    optional = ["centre", "limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998", "low", "high", "change"]
    listed = ", ".join(name if name in names else f"null as {name}" for name in optional)
    return data.ask_table(
        "month_step",
        f"""
        select month, known, good, unknown, rate, {listed},
            coalesce(month + interval 1 month > $as_of::date + 1, false) as is_part
        {_WHOLE_JOB} and month > date_trunc('month', $as_of::date) - to_months({MONTHS_SHOWN})
        order by month limit {MONTHS_SHOWN}
        """,
        as_of=data.stamp().as_of,
    )


def year_against_year() -> dict[str, Any]:
    """Whole jobs of the last 12 ended months against the 12 before: counts, shares, and the difference with its range.

    Difference by Newcombe's interval from the two Wilson ones (Newcombe 1998, method 10; from memory).
    """
    found = data.ask_table(
        "month_step",
        f"""
        with ended as (
            select case when month >= newest - to_months(11) then 'now' else 'before' end as year, good, known, newest
            from (
                select *, max(month) over () as newest {_WHOLE_JOB}
                    and month + interval 1 month <= $as_of::date + 1
            )
            where month > newest - to_months({MONTHS_SHOWN})
        ), summed as (
            select sum(good) filter (year = 'now')::bigint as good, sum(known) filter (year = 'now')::bigint as known,
                sum(good) filter (year = 'before')::bigint as good_before,
                sum(known) filter (year = 'before')::bigint as known_before, max(newest) as newest
            from ended
        ), ranged as (
            select *, good / nullif(known, 0) as rate, good_before / nullif(known_before, 0) as rate_before,
                {data.wilson("good", "known", "-")} as low, {data.wilson("good", "known", "+")} as high,
                {data.wilson("good_before", "known_before", "-")} as low_before,
                {data.wilson("good_before", "known_before", "+")} as high_before
            from summed
        )
        select *, rate - rate_before as difference,
            difference - sqrt(pow(rate - low, 2) + pow(high_before - rate_before, 2)) as difference_low,
            difference + sqrt(pow(high - rate, 2) + pow(rate_before - low_before, 2)) as difference_high
        from ranged
        """,
        as_of=data.stamp().as_of,
    )
    row = found.row(0, named=True) if found.height else {}
    return row if row.get("known") else {}


def evidence_counts() -> dict[str, int]:
    """Of the links between a step and callbacks or compressor failures: how many stand how firmly."""
    found = data.ask_table(
        "step_effect",
        "select evidence, count(*) as n from step_effect where contrast = 'not_good' and age_band in ('early', 'late') "
        "and outcome in ('compressor_failure', 'callback') group by 1",
    )
    return dict(found.iter_rows()) if found.height else {}


def courses_told() -> pl.DataFrame:
    """Steps of which it can be told whether teaching changed anything; counts of people, no names."""
    return data.ask_table(
        "training_effect",
        "select step, technicians_trained, technicians_compared, change_in_rate, low, high, evidence "
        "from training_effect where change_in_rate is not null and low is not null "
        "order by list_position($steps, step::varchar)",
        steps=list(STEPS),
    )


def early_visits() -> dict[str, Any]:
    """Calls made before anything failed: how many, and on how many something was put right, in the last 12 months."""
    found = data.ask_table(
        "staged_call",
        "select count(*) as visits, count(*) filter (put_right) as put_right from staged_call "
        "where call_kind::varchar = 'proactive' and opened_on > $as_of::date - interval 12 month and opened_on <= $as_of",
        as_of=data.stamp().as_of,
    )
    return found.row(0, named=True) if found.height else {}


def whole_list_risk() -> dict[str, Any]:
    """All systems in service: compressor failures expected within 12 months, with the range of that sum."""
    found = data.ask_table(
        "risk_total",
        "select systems, expected, low, high from risk_total where horizon_months = 12 and area is null "
        "and warranty_months is null and first = 0 and expected is not null limit 1",
    )
    return found.row(0, named=True) if found.height else {}
