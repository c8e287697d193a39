"""How often each step was good, by technician, group and month: counts, rates, their doubt and whether they changed.

Good means measured and within the limit. Unknown is counted apart and bounds the rate; it never counts as not good.
"""

from __future__ import annotations

from datetime import date

import duckdb
import numpy as np
import polars as pl

from models import beta_binomial, change, funnel
from pipelines.contract import GOOD_STATES, KNOWN_STATES, SKIPPED_STATES, STEPS, UNKNOWN_STATES

FLAG_MARGIN = 0.05
FLAG_CHANCE = 0.975
FEW_JOBS = 20
WHOLE_JOB, ALL_STEPS = "whole_job", "all"
# how many jobs of the fleet a rare combination of equipment, joints and season borrows
BORROWED_JOBS = 20.0

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
    select job_id, technician_id, step::varchar as step, state::varchar as state from step_grade
    union all
    select job_id, technician_id, 'whole_job', state from whole_job
)
select graded.job_id, graded.technician_id, graded.step::fit_step as step, graded.state::fit_state as state,
    job.finished_on,
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

# what the fleet reaches on each kind of job stands beside each job step: added up, it says what each one's own mix of jobs
# would reach in the fleet's hands. As whole numbers, since sums of fractions depend on the order of the threads.
_WITH_EXPECTED = f"""
create or replace temp table fit_job_step as
with step_rate as (
    select step, sum((state = 'passed')::double) / count(*) as rate
    from fit_job_step_plain
    where state in ('passed', 'failed', 'ticked_only', 'not_done')
    group by step
), stratum as (
    select step, equipment, joints, season,
        round(1e9 * (sum((state = 'passed')::double) + {BORROWED_JOBS} * any_value(step_rate.rate))
            / (count(*) + {BORROWED_JOBS}))::bigint as expected_e9
    from fit_job_step_plain
    join step_rate using (step)
    where state in ('passed', 'failed', 'ticked_only', 'not_done')
    group by step, equipment, joints, season
)
select fit_job_step_plain.*, coalesce(expected_e9, 0) as expected_e9
from fit_job_step_plain
left join stratum using (step, equipment, joints, season)
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
    con.execute(_WITH_EXPECTED)
    con.execute("drop table fit_job_step_plain")


def clear(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what `prepare` made."""
    con.execute("drop table if exists fit_job_step")
    con.execute("drop table if exists fit_job_step_plain")
    con.execute("drop type if exists fit_step")
    con.execute("drop type if exists fit_state")


def _counted(con: duckdb.DuckDBPyConnection, keys: str, where: str = "true") -> pl.DataFrame:
    """Counts and the expected rate by some keys and step, with step `all` over the nine steps."""
    by_state = con.sql(
        f"""
        select {keys}, step::varchar as step, state::varchar as state, count(*) as jobs,
            sum(expected_e9)::bigint as expected_e9
        from fit_job_step where {where} group by all
        """
    ).pl()
    names = [name for name in by_state.columns if name not in ("step", "state", "jobs", "expected_e9")]
    every = by_state.filter(pl.col("step") != WHOLE_JOB).with_columns(step=pl.lit(ALL_STEPS))

    def jobs(*states: str) -> pl.Expr:
        return pl.col("jobs").filter(pl.col("state").is_in(states)).sum().cast(pl.Int64)

    known = pl.col("state").is_in(KNOWN_STATES)
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
            # up to here whole numbers below 2 to the 63rd, so that their sum does not depend on its order
            expected=pl.col("expected_e9").filter(known).sum() / 1e9,
        )
        .with_columns(expected=pl.when(pl.col("known") > 0).then(pl.col("expected") / pl.col("known")))
        .sort(*names, "step", nulls_last=True)
    )


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


def _adjusted(frame: pl.DataFrame, fleet_rates: dict[str, float], targets: dict[str, float]) -> pl.DataFrame:
    """Shrunken, adjusted rates with intervals and the chances beside the target, step by step."""
    size = frame.height
    columns = {
        name: np.full(size, np.nan)
        for name in ("rate_adjusted", "rate_low", "rate_high", "chance_below", "chance_above")
    }
    steps = frame["step"].to_numpy()
    good, known = frame["good"].to_numpy().astype(float), frame["known"].to_numpy().astype(float)
    expected = frame["expected"].cast(pl.Float64).to_numpy()
    for step, fleet_rate in fleet_rates.items():
        place = np.flatnonzero((steps == step) & (known > 0))
        if not len(place):
            continue
        spread = beta_binomial.posterior(good[place], known[place], expected[place], fleet_rate)
        columns["rate_adjusted"][place] = spread.mean()
        columns["rate_low"][place], columns["rate_high"][place] = spread.interval()
        target = targets.get(step, fleet_rate)
        columns["chance_below"][place] = spread.chance_below(target - FLAG_MARGIN)
        columns["chance_above"][place] = 1 - spread.chance_below(target + FLAG_MARGIN)
    return frame.with_columns(**{name: pl.Series(values).fill_nan(None) for name, values in columns.items()})


def technician_step(con: duckdb.DuckDBPyConnection, as_of: date, targets: dict[str, float]) -> pl.DataFrame:
    """The table `technician_step`. targets : the house's own, by step; the fleet's rate stands where there is none."""
    frame = _with_rates(_counted(con, "technician_id", "technician_id is not null")).sort("technician_id", "step")
    fleet_rates = _fleet_rates(con)
    frame = _adjusted(frame, fleet_rates, targets)
    people = con.sql("select technician_id, any_value(crew) as crew, any_value(branch) as branch "
                     "from staged_technician group by technician_id").pl()  # fmt: skip
    recent = _recent(con, as_of)
    changes = _changes(con, as_of)
    frame = (
        frame.join(people, on="technician_id", how="left")
        .join(recent, on=["technician_id", "step"], how="left")
        .join(changes, on=["technician_id", "step"], how="left")
        .with_columns(
            fleet_rate=pl.col("step").replace_strict(fleet_rates, default=None, return_dtype=pl.Float64),
            target=pl.col("step").replace_strict(fleet_rates | targets, default=None, return_dtype=pl.Float64),
            change=pl.col("change").fill_null("too_few"),
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


def _recent(con: duckdb.DuckDBPyConnection, as_of: date) -> pl.DataFrame:
    select = """
        select technician_id, {step} as step,
            (count(*) filter (state = 'passed')) / count(*) as recent_rate
        from fit_job_step
        where state in ('passed', 'failed', 'ticked_only', 'not_done') and technician_id is not null
            and finished_on > $as_of::date - interval 12 month {more}
        group by all
    """
    return con.sql(
        select.format(step="step::varchar", more="")
        + " union all by name "
        + select.format(step="'all'", more="and step <> 'whole_job'"),
        params={"as_of": as_of},
    ).pl()


def _changes(con: duckdb.DuckDBPyConnection, as_of: date) -> pl.DataFrame:
    """Change of each technician's work on each step within the last 12 months."""
    frame = con.sql(
        """
        select technician_id, step::varchar as step, finished_on, state = 'passed' as is_good,
            finished_on > $as_of::date - interval 12 month as is_recent
        from fit_job_step
        where state in ('passed', 'failed', 'ticked_only', 'not_done') and technician_id is not null
            and finished_on is not null
        order by technician_id, step, finished_on, job_id
        """,
        params={"as_of": as_of},
    ).pl()
    ids, steps, words, days = [], [], [], []
    if frame.height:
        boundary = frame.select(
            new=(pl.col("technician_id") != pl.col("technician_id").shift(1))
            | (pl.col("step") != pl.col("step").shift(1))
        )["new"].fill_null(True)
        starts = np.flatnonzero(boundary.to_numpy())
        ends = np.append(starts[1:], frame.height)
        is_good, is_recent = frame["is_good"].to_numpy(), frame["is_recent"].to_numpy()
        finished = frame["finished_on"]
        of_people, of_steps = frame["technician_id"].gather(starts), frame["step"].gather(starts)
        for person, step, start, end in zip(of_people, of_steps, starts, ends, strict=True):
            begin = int(end - start) - int(is_recent[start:end].sum())
            found = change.last_change(is_good[start:end], begin=begin)
            ids.append(person)
            steps.append(step)
            words.append(found.word)
            days.append(None if found.at is None else finished[int(start) + min(found.at, int(end - start) - 1)])
    found = pl.DataFrame(
        {"technician_id": ids, "step": steps, "change": words, "changed_on": days},
        schema={"technician_id": pl.String, "step": pl.String, "change": pl.String, "changed_on": pl.Date},
    )
    # steps of one job hang together, so a chart of all of them would ring too often: `all` shows the chart of whole jobs
    return pl.concat([found, found.filter(pl.col("step") == WHOLE_JOB).with_columns(step=pl.lit(ALL_STEPS))])


def group_step(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The table `group_step`. A group without a name holds what was not recorded (firm: the house's own people)."""
    fleet_rates = _fleet_rates(con)
    parts = []
    for kind in _GROUP_KINDS:
        frame = _counted(con, f'{kind} as "group"', "step <> 'whole_job'" if kind == "instrument" else "true")
        if kind in ("season", "equipment"):
            # what is compared must not be adjusted away
            frame = frame.with_columns(
                expected=pl.col("step").replace_strict(fleet_rates, default=None, return_dtype=pl.Float64)
            )
        frame = _adjusted(_with_rates(frame), fleet_rates, {})
        parts.append(frame.with_columns(group_kind=pl.lit(kind)))
    frame = pl.concat(parts, how="vertical_relaxed").sort("group_kind", "group", "step")
    low, high = funnel.exact_interval(frame["good"].to_numpy(), frame["known"].to_numpy())
    return frame.with_columns(
        low=pl.Series(low),
        high=pl.Series(high),
        fleet_rate=pl.col("step").replace_strict(fleet_rates, default=None, return_dtype=pl.Float64),
    )


def month_step(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The table `month_step`: the fleet (crew empty) and each crew, with control limits around its own long rate."""
    month = "date_trunc('month', finished_on)::date as month"
    fleet = _counted(con, f"{month}, null::varchar as crew", "finished_on is not null")
    crews = _counted(con, f"{month}, crew", "finished_on is not null and crew <> ''")
    frame = _with_rates(pl.concat([fleet, crews], how="vertical_relaxed")).sort(
        "crew", "step", "month", nulls_last=False
    )
    long = frame.group_by("crew", "step", maintain_order=True).agg(
        centre=pl.when(pl.col("known").sum() > 0).then(pl.col("good").sum() / pl.col("known").sum())
    )
    frame = frame.join(long, on=["crew", "step"], how="left", nulls_equal=True)
    centre, known = frame["centre"].fill_null(np.nan).to_numpy(), frame["known"].to_numpy()
    limits = {}
    for level, name in ((0.95, "95"), (0.998, "998")):
        limits[f"limit_low_{name}"], limits[f"limit_high_{name}"] = funnel.binomial_limits(centre, known, level)
    limits["low"], limits["high"] = funnel.exact_interval(frame["good"].to_numpy(), known)
    return frame.with_columns(**{name: pl.Series(values) for name, values in limits.items()})
