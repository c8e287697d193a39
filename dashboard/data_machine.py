"""What is asked of the store about the machine itself: its airflow, capacity, charge at rest, and what faults cost in energy."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard import data
from pipelines import duct_curve
from pipelines.duct_curve import Outcome, Restriction

METHODS = ["measured", "fan_table", "temperature_split", "fan_laws"]


def airflow_told(job_id: str) -> pl.DataFrame:
    """Each way in which the job's airflow is told, the surest first."""
    return data.ask_table(
        "airflow_told",
        "select * from airflow_told where job_id = $job order by list_position($methods, method) limit 10",
        job=job_id,
        methods=METHODS,
    )


def capacity_check(job_id: str) -> dict[str, Any]:
    found = data.ask_table("capacity_check", "select * from capacity_check where job_id = $job limit 1", job=job_id)
    return found.row(0, named=True) if found.height else {}


def standing_check(job_id: str) -> dict[str, Any]:
    found = data.ask_table("standing_check", "select * from standing_check where job_id = $job limit 1", job=job_id)
    return found.row(0, named=True) if found.height else {}


def energy_penalty(job_id: str) -> pl.DataFrame:
    """The job's faults by mode, cooling first, and of each mode the row that holds all of it last."""
    return data.ask_table(
        "energy_penalty",
        "select * from energy_penalty where job_id = $job order by mode, is_total, fault limit 20",
        job=job_id,
    )


def energy_of_the_year() -> dict[str, Any]:
    """Jobs of the last 12 months with a fault that costs energy: how many, of how many, the middle share and the sums.

    percent_* : more electricity for the same cooling at the rating point, the middle job and the ends between which 8 of 10
    lie. cost_* : a year's sums over cooling and heating; None without the house's hours, price and power.
    """
    found = data.ask_table(
        "energy_penalty",
        """
        with job as (
            select job_id from staged_job
            where finished_on > $as_of::date - interval 1 year and finished_on <= $as_of::date
                and installed_by::varchar is distinct from 'someone_else'
        )
        select count(distinct penalty.job_id) as jobs, (select count(*) from job) as of_jobs,
            median(percent) filter (where mode = 'cooling') as percent,
            quantile_cont(percent, 0.1) filter (where mode = 'cooling') as percent_low,
            quantile_cont(percent, 0.9) filter (where mode = 'cooling') as percent_high,
            sum(cost_per_year) as cost, sum(cost_low) as cost_low, sum(cost_high) as cost_high,
            count(distinct penalty.job_id) filter (where cost_per_year is not null) as jobs_priced
        from energy_penalty as penalty join job on job.job_id = penalty.job_id
        where penalty.is_total
        """,
        as_of=data.stamp().as_of,
    )
    return found.row(0, named=True) if found.height and found["jobs"][0] else {}


def restrictions_of_job(job_id: str) -> list[tuple[Restriction, Outcome]]:
    """What filters and registers would do to this job's machine; empty where static, airflow or tons are not known."""
    found = data.ask_table(
        "airflow_told",
        """
        with last_reading as (
            select quantity::varchar as quantity, arg_max(value, reading_order) as value,
                arg_max(coalesce(value_text, value::varchar), reading_order) as words
            from staged_reading where job_id = $job and step::varchar = 'airflow' group by all
        ), told as (
            select arg_min(airflow_cfm, list_position($methods, method)) as cfm
            from airflow_told where job_id = $job and airflow_cfm is not null and method in ('measured', 'fan_table')
        )
        select told.cfm, system.nominal_tons, system.model,
            (select abs(value) from last_reading where quantity = 'return_static')
                + (select abs(value) from last_reading where quantity = 'supply_static') as static_inwc,
            (select lower(trim(words)) from last_reading where quantity = 'blower_setting') as setting
        from told, staged_job as job join staged_system as system on system.system_id = job.system_id
        where job.job_id = $job limit 1
        """,
        job=job_id,
        methods=METHODS,
    )
    row = found.row(0, named=True) if found.height else {}
    if not row or not all((row["cfm"], row["nominal_tons"], row["static_inwc"])):
        return []
    points = _blower_points(row["model"], row["setting"])
    share = row["cfm"] / (duct_curve.rated_airflow_per_ton() * row["nominal_tons"])
    return [
        (restriction, duct_curve.outcome(restriction, row["static_inwc"], share, points))
        for restriction in duct_curve.restrictions()
    ]


def _blower_points(model: str | None, setting: str | None) -> list[tuple[float, float]]:
    found = data.ask_table(
        "staged_blower_table",
        "select total_static_inwc, avg(airflow_cfm) as airflow_cfm from staged_blower_table where model = $model "
        "and lower(trim(setting)) = $setting and airflow_cfm is not null and total_static_inwc is not null "
        "group by 1 order by 1 limit 200",
        model=model,
        setting=setting,
    )
    return list(found.iter_rows()) if found.height else []
