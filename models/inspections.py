"""Are the records true: steps that somebody else measured again, and which jobs to measure again next, drawn by lot.

A step measured again agrees when its record and the second reading fall on the same side of the limit. Only a record with
a reading behind it can agree; what a second reading says of a step that was ticked with nothing measured stands apart.
"""

from __future__ import annotations

from datetime import date

import duckdb
import polars as pl

from models import funnel

# each month and technician: one job in twenty is drawn, and never none
DRAWN_SHARE = 0.05
DRAWN_MONTHS = 12
# steps that can be measured again when the system runs
STEPS_TO_MEASURE_AGAIN = ("airflow", "charge_check", "electrical")

_CHECK = """
create or replace temp table fit_inspection as
with measured_again as (
    select inspection.job_id, inspection.step::varchar as step, inspection.quantity::varchar as quantity,
        arg_max(inspection.value, inspection.inspected_on) as value,
        max(inspection.inspected_on) as inspected_on,
        arg_max(inspection.inspector_id, inspection.inspected_on) as inspector_id
    from staged_inspection as inspection
    join step_grade as grade on grade.job_id = inspection.job_id and grade.step::varchar = inspection.step::varchar
    -- whoever did the step proves nothing by measuring it again
    where coalesce(inspection.inspected_on <= $as_of, true)
        and inspection.inspector_id is distinct from grade.technician_id
    group by all
), plate as (
    select job_id, quantity::varchar as quantity,
        arg_max(value, coalesce(taken_at, timestamp '1970-01-01')) as figure
    from staged_reading where quantity::varchar in ('rated_load_current', 'maximum_static') and value is not null
    group by all
), compared as (
    -- a reading in the terms of its limit
    select job_id, step, inspected_on, inspector_id,
        case quantity when 'airflow' then 'airflow_per_ton' else quantity end as quantity,
        case quantity when 'airflow' then value / nullif(sys.nominal_tons, 0) else value end as value
    from measured_again
    left join staged_job as job using (job_id)
    left join staged_system as sys on sys.system_id = job.system_id
    where quantity not in ('return_static', 'supply_static')
    union all
    select job_id, step, max(inspected_on), arg_max(inspector_id, inspected_on), 'total_external_static', sum(abs(value))
    from measured_again where quantity in ('return_static', 'supply_static')
    group by job_id, step having count(*) = 2
), candidate as (
    select compared.*, grade.technician_id, grade.state::varchar as state, lim.limit_id, lim.unit, lim.at_least,
        case
            when lim.quantity = 'compressor_current'
                then coalesce(lim.at_most, maker.at_most, rated.figure)
            when lim.quantity = 'total_external_static' and lim.applies_to = 'plate=known'
                then coalesce(lim.at_most, maker.at_most, highest.figure)
            else lim.at_most
        end as at_most,
        -- the limit that decided the record, then the maker's, then what holds for such jobs
        case
            when lim.limit_id = grade.limit_id then 1
            when lim.applies_to = 'model=' || sys.model then 2
            when lim.applies_to = 'ducts_kept=' || job.ducts_kept::varchar then 3
            when lim.applies_to = 'plate=known' then 4
            when lim.applies_to in ('', 'plate=unknown') or lim.applies_to is null then 5
        end as place
    from compared
    join step_grade as grade on grade.job_id = compared.job_id and grade.step::varchar = compared.step
    left join staged_job as job on job.job_id = compared.job_id
    left join staged_system as sys on sys.system_id = job.system_id
    join fit_limit as lim on lim.step = compared.step and lim.quantity = compared.quantity
    left join staged_equipment_limit as maker on maker.model = sys.model and maker.step::varchar = compared.step
        and maker.quantity::varchar =
            case compared.quantity when 'compressor_current' then 'rated_load_current' else 'maximum_static' end
    left join plate as rated on rated.job_id = compared.job_id and rated.quantity = 'rated_load_current'
    left join plate as highest on highest.job_id = compared.job_id and highest.quantity = 'maximum_static'
), judged as (
    select *, coalesce(value >= at_least - 1e-9, true) and coalesce(value <= at_most + 1e-9, true) as is_within
    from candidate
    where place is not null and value is not null and coalesce(at_least, at_most) is not null
    qualify row_number() over (partition by job_id, step, quantity order by place, limit_id) = 1
), of_step as (
    -- of several quantities the first outside its limit decides
    select * from judged
    qualify row_number() over (partition by job_id, step order by is_within, quantity) = 1
)
select job_id, step, technician_id, inspected_on, inspector_id, quantity, value, at_least, at_most, unit, limit_id,
    state, is_within,
    case state when 'passed' then is_within when 'failed' then not is_within end as agrees
from of_step
"""
_DRAW = f"""
with finished as (
    select job.job_id, job.technician_id, date_trunc('month', job.finished_on)::date as month,
        -- a fixed order that nobody can foresee or choose
        md5(job.job_id || '/' || $seed::varchar) as lot,
        row_number() over (partition by month, job.technician_id order by lot, job.job_id) as place,
        count(*) over (partition by month, job.technician_id) as jobs,
        greatest(1, ceil({DRAWN_SHARE} * jobs)) as drawn
    from staged_job as job
    where job.finished_on <= $as_of and job.technician_id is not null
        and job.finished_on > date_trunc('month', $as_of::date) - interval {DRAWN_MONTHS} month
        and exists (
            select 1 from step_grade as grade where grade.job_id = job.job_id
                and grade.step::varchar in {STEPS_TO_MEASURE_AGAIN} and grade.state::varchar <> 'not_applicable'
        )
)
select month, job_id, technician_id, jobs, drawn / jobs as chance,
    exists (select 1 from fit_inspection where fit_inspection.job_id = finished.job_id) as is_measured_again
from finished where place <= drawn order by month, technician_id, job_id
"""


def prepare(con: duckdb.DuckDBPyConnection, as_of: date) -> None:
    """Make `fit_inspection`: one row for each job and step measured again that can be held against a limit."""
    columns = "limit_id, step::varchar as step, quantity::varchar as quantity, at_least, at_most, unit, applies_to"
    there = con.sql("select 1 from duckdb_tables() where table_name = 'limit_used'").fetchall()
    con.execute(
        f"create or replace temp table fit_limit as select {columns} from limit_used"
        if there
        else "create or replace temp table fit_limit (limit_id varchar, step varchar, quantity varchar, "
        "at_least double, at_most double, unit varchar, applies_to varchar)"
    )
    con.execute(_CHECK, {"as_of": as_of})
    con.execute("drop table fit_limit")


def clear(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what `prepare` made."""
    con.execute("drop table if exists fit_inspection")


def by(con: duckdb.DuckDBPyConnection, key: str) -> pl.DataFrame:
    """Jobs measured again, by a column of `fit_job_step` and step, `all` among them.

    Returns
    -------
    key, step, proof_checked (with a reading on record), proof_agrees, proof_low, proof_high (95 % interval of the share).
    """
    of_steps = con.sql(
        f"""
        select job_step.{key}, inspection.step, count(*) as proof_checked, count(*) filter (agrees) as proof_agrees
        from fit_inspection as inspection
        join fit_job_step as job_step on job_step.job_id = inspection.job_id
            and job_step.step::varchar = inspection.step
        where agrees is not null and job_step.{key} is not null
        group by all
        """
    ).pl()
    counts = pl.col("proof_checked", "proof_agrees").sum()
    every = of_steps.group_by(key).agg(counts).select(key, pl.lit("all").alias("step"), "proof_checked", "proof_agrees")
    rows = pl.concat([of_steps, every])
    low, high = funnel.exact_interval(rows["proof_agrees"].to_numpy(), rows["proof_checked"].to_numpy())
    return rows.with_columns(proof_low=pl.Series(low), proof_high=pl.Series(high))


def inspection_check(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The table `inspection_check`: what was measured again, against which limit, and whether the record agrees."""
    return con.sql("select * from fit_inspection order by job_id, step").pl()


def inspection_draw(con: duckdb.DuckDBPyConnection, as_of: date, seed: int) -> pl.DataFrame:
    """The table `inspection_draw`: of the last months' jobs those to be measured again, by lot and with a known chance.

    Each technician has the same share of his jobs drawn, at least one a month. seed : the same seed and records give the
    same draw.
    """
    return con.sql(_DRAW, params={"as_of": as_of, "seed": seed}).pl()
