"""How often each step was good, by technician, group and month: counts, rates, their doubt and whether they changed.

Good means measured and within the limit. Unknown is counted apart and bounds the rate; it never counts as not good.
"""

from __future__ import annotations

from datetime import date

import duckdb
import numpy as np
import polars as pl

from models import funnel, inspections, month_limits, own_trend, step_spread
from models.adjusted_rates import ALL_STEPS, IS_GOOD, IS_KNOWN, WHOLE_JOB, JobMixes, Targets, with_adjusted
from pipelines.contract import GOOD_STATES, KNOWN_STATES, SKIPPED_STATES, STEPS, UNKNOWN_STATES

FLAG_MARGIN = 0.05
FLAG_CHANCE = 0.975
FEW_JOBS = 20

# one row for each job and step, and for each job as a whole, with what it can be grouped by
_JOB_STEP = """
create or replace temp table fit_job_step_plain as
with instrument as (
    select job_id, step::varchar as step,
        arg_max(instrument_id, coalesce(taken_at, timestamp '1970-01-01')) as instrument_id
    from staged_reading
    where instrument_id is not null
    group by all
), whole_job as (
    -- a job is good when every known step that belongs is good; else it is what it is most
    select grade.job_id, any_value(job.technician_id) as technician_id,
        case
            when count(*) filter (state in ('passed', 'failed', 'ticked_only', 'not_done')) = 0 then
                case
                    when count(*) filter (state = 'disputed') > 0 then 'disputed'
                    when count(*) filter (state in ('no_record', 'cannot_tell')) > 0 then 'no_record'
                    else 'not_applicable'
                end
            when count(*) filter (state = 'failed') > 0 then 'failed'
            when count(*) filter (state = 'not_done') > 0 then 'not_done'
            when count(*) filter (state = 'ticked_only') > 0 then 'ticked_only'
            else 'passed'
        end as state
    from step_grade as grade
    left join staged_job as job using (job_id)
    group by grade.job_id
), graded as (
    select job_id, technician_id, step::varchar as step, state::varchar as state,
        coalesce(credited_by::varchar = 'step', false) as is_named
    from step_grade
    union all
    select job_id, technician_id, 'whole_job', state, false from whole_job
)
select graded.job_id, graded.technician_id, graded.step::fit_step as step, graded.state::fit_state as state,
    graded.is_named, job.finished_on,
    coalesce(technician.crew, '') as crew,
    coalesce(nullif(job.branch, ''), technician.branch, '') as branch,
    coalesce(technician.firm, '') as firm,
    coalesce(job.form, '') as form,
    coalesce(instrument.instrument_id, '') as instrument,
    case month(job.finished_on)
        when 12 then 'winter' when 1 then 'winter' when 2 then 'winter'
        when 3 then 'spring' when 4 then 'spring' when 5 then 'spring'
        when 6 then 'summer' when 7 then 'summer' when 8 then 'summer'
        when 9 then 'autumn' when 10 then 'autumn' when 11 then 'autumn'
        else ''
    end as season,
    coalesce(sys.equipment::varchar, '') as equipment,
    coalesce(job.joints::varchar, '') as joints
from graded
left join staged_job as job on job.job_id = graded.job_id
left join staged_system as sys on sys.system_id = job.system_id
left join staged_technician as technician on technician.technician_id = graded.technician_id
left join instrument on instrument.job_id = graded.job_id and instrument.step = graded.step
-- a job without a date is counted: nothing says that it came later
where coalesce(job.finished_on <= $as_of, true)
"""

_KINDS = """
create or replace temp table fit_kind as
select (row_number() over (order by equipment, joints, season) - 1)::integer as kind, equipment, joints, season
from (select distinct equipment, joints, season from fit_job_step_plain)
"""
_WITH_KIND = """
create or replace temp table fit_job_step as
select job_step.*, kind from fit_job_step_plain as job_step join fit_kind using (equipment, joints, season)
"""

_GROUP_KINDS = ("crew", "branch", "firm", "form", "instrument", "season", "equipment")


def prepare(con: duckdb.DuckDBPyConnection, as_of: date) -> None:
    """Make the temporary tables that the functions below count."""
    steps = ", ".join(f"'{step}'" for step in (*STEPS, WHOLE_JOB))
    clear(con)
    con.execute(f"create temp type fit_step as enum ({steps})")
    con.execute(
        "create temp type fit_state as enum ('passed', 'failed', 'ticked_only', 'not_done', 'no_record', "
        "'cannot_tell', 'not_applicable', 'disputed')"
    )
    con.execute(_JOB_STEP, {"as_of": as_of})
    con.execute(_KINDS)
    con.execute(_WITH_KIND)
    con.execute("drop table fit_job_step_plain")
    inspections.prepare(con, as_of)


def clear(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what `prepare` made."""
    inspections.clear(con)
    con.execute("drop table if exists fit_job_step")
    con.execute("drop table if exists fit_job_step_plain")
    con.execute("drop table if exists fit_kind")
    con.execute("drop type if exists fit_step")
    con.execute("drop type if exists fit_state")


def _counted(con: duckdb.DuckDBPyConnection, keys: str, where: str = "true") -> pl.DataFrame:
    """Counts by some keys and step, with step `all` over the nine steps."""
    by_state = con.sql(
        f"""
        select {keys}, step::varchar as step, state::varchar as state, count(*) as jobs,
            count(*) filter (is_named) as named
        from fit_job_step where {where} group by all
        """
    ).pl()
    names = [name for name in by_state.columns if name not in ("step", "state", "jobs", "named")]
    every = by_state.filter(pl.col("step") != WHOLE_JOB).with_columns(step=pl.lit(ALL_STEPS))

    def jobs(*states: str, of: str = "jobs") -> pl.Expr:
        return pl.col(of).filter(pl.col("state").is_in(states)).sum().cast(pl.Int64)

    return (
        pl.concat([by_state, every])
        .group_by(*names, "step")
        .agg(
            applicable=pl.col("jobs").filter(pl.col("state") != "not_applicable").sum().cast(pl.Int64),
            known=jobs(*KNOWN_STATES),
            good=jobs(*GOOD_STATES),
            failed=jobs("failed"),
            ticked_only=jobs("ticked_only"),
            not_done=jobs("not_done"),
            skipped=jobs(*SKIPPED_STATES),
            unknown=jobs(*UNKNOWN_STATES),
            disputed=jobs("disputed"),
            credited_by_step=jobs(*KNOWN_STATES, of="named"),
        )
        .sort(*names, "step", nulls_last=True)
    )


def _by_kind(con: duckdb.DuckDBPyConnection, keys: str, where: str = "true") -> pl.DataFrame:
    """Known jobs by the same keys, step and kind of job."""
    return con.sql(
        f"""
        select {keys}, step::varchar as step, kind, count(*) as known
        from fit_job_step where {IS_KNOWN} and {where} group by all order by all
        """
    ).pl()


def _with_rates(frame: pl.DataFrame) -> pl.DataFrame:
    good, known, unknown = pl.col("good"), pl.col("known"), pl.col("unknown")
    there = known + unknown
    return frame.with_columns(
        rate=pl.when(known > 0).then(good / known),
        rate_if_unknown_bad=pl.when(there > 0).then(good / there),
        rate_if_unknown_good=pl.when(there > 0).then((good + unknown) / there),
    )


def _fleet_rates(con: duckdb.DuckDBPyConnection) -> dict[str, float]:
    fleet = _with_rates(_counted(con, "1 as one"))
    return {step: rate for step, rate in fleet.select("step", "rate").iter_rows() if rate is not None}


def _steps_hang_together(con: duckdb.DuckDBPyConnection) -> float:
    """How many job steps say as much as one that stood alone: steps of one job go well or badly together.

    The variance of a job's number of good steps over what it would be if its steps were independent at their technician's
    own rates; 1 and above.
    """
    ((ratio,),) = con.sql(
        f"""
        with fleet as (
            select step, avg(({IS_GOOD})::int) as rate from fit_job_step
            where {IS_KNOWN} and step <> '{WHOLE_JOB}' group by step
        ), own as (
            select technician_id, step, (count(*) filter ({IS_GOOD}) + 2 * any_value(fleet.rate)) / (count(*) + 2) as rate
            from fit_job_step join fleet using (step) where {IS_KNOWN} group by technician_id, step
        ), job as (
            -- whole numbers, since sums of fractions depend on the order of the threads
            select job_id, sum(round(1e6 * (({IS_GOOD})::int - own.rate))::bigint) as apart,
                sum(round(1e6 * own.rate * (1 - own.rate))::bigint) as alone
            from fit_job_step as job_step
            join own on own.technician_id is not distinct from job_step.technician_id and own.step = job_step.step
            where {IS_KNOWN}
            group by job_id
        )
        select sum((apart * apart)::hugeint)::double / nullif(1e6 * sum(alone)::double, 0) from job
        """
    ).fetchall()
    return max(1.0, float(ratio or 1.0))


def technician_step(
    con: duckdb.DuckDBPyConnection, as_of: date, targets: dict[str, float], mixes: JobMixes | None = None
) -> pl.DataFrame:
    """The table `technician_step`. targets : the house's own, by step; the fleet's rate stands where there is none."""
    mixes = mixes or JobMixes(con)
    is_named = "technician_id is not null"
    frame = _with_rates(_counted(con, "technician_id", is_named)).sort("technician_id", "step")
    fleet_rates, together = _fleet_rates(con), _steps_hang_together(con)
    by_kind = _by_kind(con, "technician_id", is_named)
    judged_by = Targets(fleet_rates | targets, FLAG_MARGIN)
    frame = with_adjusted(frame, mixes.standards(frame, by_kind), {ALL_STEPS: together}, judged_by)
    people = con.sql("select technician_id, any_value(crew) as crew, any_value(branch) as branch "
                     "from staged_technician group by technician_id").pl()  # fmt: skip
    frame = (
        frame.join(people, on="technician_id", how="left")
        .join(_recent(con, as_of, together), on=["technician_id", "step"], how="left")
        .join(own_trend.changes(con, as_of), on=["technician_id", "step"], how="left")
        .join(inspections.by(con, "technician_id"), on=["technician_id", "step"], how="left")
        .with_columns(
            fleet_rate=pl.col("step").replace_strict(fleet_rates, default=None, return_dtype=pl.Float64),
            target=pl.col("step").replace_strict(judged_by.of_step, default=None, return_dtype=pl.Float64),
            change=pl.col("change").fill_null("too_few"),
            recent_known=pl.col("recent_known").fill_null(0),
            proof_checked=pl.col("proof_checked").fill_null(0),
            proof_agrees=pl.col("proof_agrees").fill_null(0),
        )
    )
    target, known = frame["target"].fill_null(np.nan).to_numpy(), frame["known"].to_numpy()
    limits = {}
    for level, name in ((0.95, "95"), (0.998, "998")):
        limits[f"limit_low_{name}"], limits[f"limit_high_{name}"] = funnel.binomial_limits(target, known, level)
    few = pl.col("known") < FEW_JOBS
    return frame.with_columns(
        **{name: pl.Series(values) for name, values in limits.items()},
        flag=pl.when(few | pl.col("chance_below").is_null())
        .then(pl.lit("too_few"))
        .when(pl.col("chance_below") > FLAG_CHANCE)
        .then(pl.lit("below"))
        .when(pl.col("chance_above") > FLAG_CHANCE)
        .then(pl.lit("above"))
        .otherwise(pl.lit("usual")),
        proof_missing=(pl.col("ticked_only") * 2 > pl.col("known") - pl.col("good")) & (pl.col("ticked_only") > 0),
    )


def _recent(con: duckdb.DuckDBPyConnection, as_of: date, together: float) -> pl.DataFrame:
    """Plain rates of the last 12 months with their intervals."""
    frame = _counted(
        con, "technician_id", f"technician_id is not null and finished_on > date '{as_of}' - interval 12 month"
    ).filter(pl.col("known") > 0)
    less = np.where(frame["step"].to_numpy() == ALL_STEPS, together, 1.0)
    good, known = frame["good"].to_numpy(), frame["known"].to_numpy()
    low, high = funnel.exact_interval(good / less, known / less)
    return frame.select(
        "technician_id",
        "step",
        recent_known="known",
        recent_rate=pl.col("good") / pl.col("known"),
        recent_low=pl.Series(low),
        recent_high=pl.Series(high),
    )


def group_step(con: duckdb.DuckDBPyConnection, mixes: JobMixes | None = None) -> pl.DataFrame:
    """The table `group_step`. A group without a name holds what was not recorded (firm: the house's own people)."""
    fleet_rates, together, mixes = _fleet_rates(con), _steps_hang_together(con), mixes or JobMixes(con)
    parts = []
    for kind in _GROUP_KINDS:
        keys, where = f'{kind} as "group"', "step <> 'whole_job'" if kind == "instrument" else "true"
        frame = _with_rates(_counted(con, keys, where))
        standards = mixes.standards(frame, _by_kind(con, keys, where))
        if kind in ("season", "equipment"):
            # what is compared must not be adjusted away
            standards = {step: (at, one.unadjusted(fleet_rates[step])) for step, (at, one) in standards.items()}
        frame = with_adjusted(frame, standards, {ALL_STEPS: together})
        proof, of_jobs = inspections.by(con, kind).rename({kind: "group"}), kind in step_spread.KINDS_OF_JOBS
        others = step_spread.same_people_elsewhere(con, kind if of_jobs else "null::varchar")
        parts.append(
            frame.join(proof, on=["group", "step"], how="left")
            .join(others, on=["group", "step"], how="left")
            .with_columns(group_kind=pl.lit(kind))
        )
    frame = pl.concat(parts, how="vertical_relaxed").sort("group_kind", "group", "step")
    less = np.where(frame["step"].to_numpy() == ALL_STEPS, together, 1.0)
    low, high = funnel.exact_interval(frame["good"].to_numpy() / less, frame["known"].to_numpy() / less)
    return frame.with_columns(
        low=pl.Series(low),
        high=pl.Series(high),
        fleet_rate=pl.col("step").replace_strict(fleet_rates, default=None, return_dtype=pl.Float64),
        proof_checked=pl.col("proof_checked").fill_null(0),
        proof_agrees=pl.col("proof_agrees").fill_null(0),
    )


def month_step(con: duckdb.DuckDBPyConnection, mixes: JobMixes | None = None) -> pl.DataFrame:
    """The table `month_step`: the fleet (crew empty) and each crew, with control limits around its own long rate."""
    month, parts = "date_trunc('month', finished_on)::date as month", []
    mixes, together = mixes or JobMixes(con), _steps_hang_together(con)
    for crew, where in (("null::varchar as crew", "finished_on is not null"),
                        ("crew", "finished_on is not null and crew <> ''")):  # fmt: skip
        frame = _with_rates(_counted(con, f"{month}, {crew}", where))
        parts.append(_with_month_limits(frame, mixes, _by_kind(con, f"{month}, {crew}", where), together))
    return pl.concat(parts, how="vertical_relaxed").sort("crew", "step", "month", nulls_last=False)


def _with_month_limits(frame: pl.DataFrame, mixes: JobMixes, by_kind: pl.DataFrame, together: float) -> pl.DataFrame:
    expected = np.full(frame.height, np.nan)
    for at, standard in mixes.standards(frame, by_kind).values():
        expected[at] = standard.expected
    frame = frame.with_row_index("row").with_columns(expected_rate=pl.Series(expected).fill_nan(None))
    centre, scatter, words = np.full(frame.height, np.nan), np.ones(frame.height), [""] * frame.height
    for part in frame.filter(pl.col("known") > 0).sort("month").partition_by("crew", "step", maintain_order=True):
        less = together if part["step"][0] == ALL_STEPS else 1.0
        good, known, at = part["good"].to_numpy() / less, part["known"].to_numpy() / less, part["row"].to_numpy()
        found = month_limits.months(good, known, part["expected_rate"].to_numpy())
        centre[at], scatter[at] = found.centre, found.scatter * less
        for row, word in zip(at, found.change, strict=True):
            words[row] = word
    columns = {"centre": centre}
    for level, name in ((0.95, "95"), (0.998, "998")):
        columns[f"limit_low_{name}"], columns[f"limit_high_{name}"] = month_limits.limits(
            centre, frame["known"].to_numpy(), scatter, level
        )
    less = np.where(frame["step"].to_numpy() == ALL_STEPS, together, 1.0)
    columns["low"], columns["high"] = funnel.exact_interval(
        frame["good"].to_numpy() / less, frame["known"].to_numpy() / less
    )
    return frame.drop("row").with_columns(
        **{name: pl.Series(values).fill_nan(None) for name, values in columns.items()}, change=pl.Series(words)
    )
