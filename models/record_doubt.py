"""Reasons to look twice at a technician's records: never a finding, and in no rate, flag or training need.

Each kind holds a person's jobs against what honest work on the same forms makes of them. A doubt is told only where that
is so unlikely that in a house of honest people one such sentence in a hundred houses would be wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from models.repeats import Favourite, favourites, repeats

KINDS = ("same_reading_again", "too_fast", "out_of_order", "ticked_together", "too_smooth")
MONTHS = 36
JOBS_AT_LEAST = 20
FALSE_ALARMS = 0.01  # in a whole house of honest people
EXAMPLES = 5
# Others' share of a kind, and how much honest people differ in it: as if seen on so many jobs (beta-binomial).
OTHERS_JOBS, HONEST_SIZE = 20.0, 10.0
OTHERS_AT_LEAST, OTHERS_JOBS_AT_LEAST = 3, 60
# a form on which more than half of the jobs are like that stamps no step by itself
HALF = 0.5
TOGETHER_MIN = 3.0  # all steps of a job ticked within
SHORTER_MIN, SHORTER_SHARE = 3.0, 0.7
# A log is too smooth where most steps from sample to sample are just alike though the level moves; no gauge does that.
SAMPLES_AT_LEAST, ALIKE = 20, 0.8

# What is measured anew on each job, by the step that the doubt is told for. The three levels of a vacuum are one set.
MEASURED = {
    "pressure_test": ("start_pressure", "end_pressure", "start_temperature", "end_temperature"),
    "vacuum_rise": ("vacuum", "rise_start", "rise_end"),
    "airflow": ("return_static", "supply_static", "airflow", "fan_power"),
    "charge_check": (
        "suction_pressure", "suction_temperature", "liquid_pressure", "liquid_temperature", "outdoor_dry_bulb",
        "return_dry_bulb", "return_wet_bulb", "supply_dry_bulb", "supply_wet_bulb",
    ),
    "electrical": ("compressor_current", "voltage", "voltage_ab", "voltage_bc", "voltage_ca", "input_power"),
}  # fmt: skip
# A reading by itself: its finest step in the contract's units. Not what the weather or a regulator sets for a whole week.
ALONE = {
    "vacuum": 1.0, "rise_start": 1.0, "rise_end": 1.0, "suction_pressure": 1.0, "suction_temperature": 1.0,
    "liquid_pressure": 1.0, "liquid_temperature": 1.0, "compressor_current": 0.1, "return_static": 0.01,
    "supply_static": 0.01,
}  # fmt: skip
# written as the first plus a little: told apart as the little, else both come back as one
AS_DIFFERENCE = {"end_pressure": "start_pressure", "end_temperature": "start_temperature", "rise_start": "vacuum"}
SCHEMA = {
    "technician_id": pl.String, "step": pl.String, "kind": pl.String, "jobs": pl.Int64, "of_jobs": pl.Int64,
    "expected_jobs": pl.Float64, "probability": pl.Float64, "example_job_ids": pl.String, "quantity": pl.String,
    "value": pl.Float64,
}  # fmt: skip

_RECENT = f"job_step.finished_on > $as_of::date - interval {MONTHS} month and job_step.technician_id is not null"

_READINGS = f"""
with latest as (
    select job_id, quantity::varchar as quantity, arg_max(value, reading_order) as value
    from staged_reading where value is not null and list_contains($quantities::varchar[], quantity::varchar)
    group by all
)
select job_step.technician_id, job_step.finished_on, job_step.job_id,
    coalesce(system.site_id, job.system_id, job_step.job_id) as site, {{columns}}
from fit_job_step as job_step
join staged_job as job on job.job_id = job_step.job_id
left join staged_system as system on system.system_id = job.system_id
join latest on latest.job_id = job_step.job_id
where job_step.step::varchar = $step and {_RECENT}
group by all
order by technician_id, finished_on, job_id
"""

_STAMPED = f"""
select job_step.technician_id, job_step.form, job_step.step::varchar as step, job_step.finished_on, job_step.job_id,
    list_position($steps::varchar[], job_step.step::varchar) as place, step.started_at, step.ended_at, claimed.claimed_min
from fit_job_step as job_step
join staged_step as step on step.job_id = job_step.job_id and step.step::varchar = job_step.step::varchar
left join (
    select job_id, step::varchar as step, arg_max(value, reading_order) as claimed_min from staged_reading
    where quantity::varchar in ('hold_time', 'pump_time', 'rise_time') and unit::varchar = 'min' group by all
) as claimed on claimed.job_id = job_step.job_id and claimed.step = job_step.step::varchar
where coalesce(step.started_at, step.ended_at) is not null
    and {_RECENT}
order by technician_id, finished_on, job_id, place
"""

_LOGS = f"""
with sample as (
    select job_id, coalesce(step::varchar, 'vacuum_rise') as step, coalesce(attempt, 1) as attempt, elapsed_s, value,
        value - lag(value) over log as moved
    from staged_trace where quantity::varchar = 'vacuum' and elapsed_s >= 45 and value is not null
    window log as (partition by job_id, coalesce(step::varchar, 'vacuum_rise'), coalesce(attempt, 1) order by elapsed_s)
), twice as (
    select *, moved - lag(moved) over log as bent from sample
    window log as (partition by job_id, step, attempt order by elapsed_s)
), told as (
    select job_id, step, attempt, count(*) as samples,
        count(*) filter (moved <> 0 and bent = 0) / count(bent) as alike,
        hash(list(value order by elapsed_s)) as whole
    from twice group by job_id, step, attempt having samples >= {SAMPLES_AT_LEAST} and count(bent) > 0
)
select job_step.technician_id, job_step.form, job_step.step::varchar as step, job_step.finished_on, job_step.job_id,
    bool_or(alike > {ALIKE}) as is_told
from told join fit_job_step as job_step on job_step.job_id = told.job_id and job_step.step::varchar = told.step
where {_RECENT}
group by all order by technician_id, finished_on, job_id
"""


@dataclass(frozen=True)
class _Asked:
    """One question put to a person's records; probability of so many such jobs by honest work.

    quantity, value : of a single reading that comes back; None where all readings of a step come back together.
    """

    technician_id: str
    step: str
    kind: str
    jobs: int
    of_jobs: int
    expected: float
    probability: float
    examples: list[str]
    quantity: str | None = None
    value: float | None = None


def record_doubt_table(con: duckdb.DuckDBPyConnection, as_of: date) -> pl.DataFrame:
    """The table `record_doubt`: what remains after the false alarms of all questions together are held at 1 %.

    con : with the temporary tables of `compliance.prepare`.
    """
    asked = list(_questions(con, as_of))
    told = [one for one in asked if one.probability < FALSE_ALARMS / max(len(asked), 1)]
    rows = [
        (one.technician_id, one.step, one.kind, one.jobs, one.of_jobs, one.expected, one.probability,
         ";".join(one.examples), one.quantity, one.value)
        for one in sorted(told, key=lambda one: (one.technician_id, one.step, KINDS.index(one.kind)))
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _questions(con: duckdb.DuckDBPyConnection, as_of: date) -> Iterator[_Asked]:
    for step, quantities in MEASURED.items():
        yield from _same_again(con, as_of, step, quantities)
    stamped = con.sql(_STAMPED, params={"as_of": as_of, "steps": list(_STEPS)}).pl()
    yield from _beside_others(_too_fast(stamped), "too_fast")
    yield from _beside_others(_out_of_order(stamped), "out_of_order")
    yield from _beside_others(_ticked_together(stamped), "ticked_together")
    if con.sql("select 1 from information_schema.tables where table_name = 'staged_trace'").fetchall():
        yield from _beside_others(con.sql(_LOGS, params={"as_of": as_of}).pl(), "too_smooth")


_STEPS = (
    "nitrogen_flow", "pressure_test", "nitrogen_release", "evacuation", "vacuum_rise", "charge", "airflow",
    "charge_check", "electrical",
)  # fmt: skip
# the order that the trade leaves no choice in
_IN_ORDER = ("pressure_test", "nitrogen_release", "evacuation", "vacuum_rise", "charge", "charge_check")


def _same_again(
    con: duckdb.DuckDBPyConnection, as_of: date, step: str, quantities: tuple[str, ...]
) -> Iterator[_Asked]:
    columns = ", ".join(f"any_value(value) filter (quantity = '{name}') as {name}" for name in quantities)
    jobs = con.sql(
        _READINGS.format(columns=columns), params={"as_of": as_of, "step": step, "quantities": list(quantities)}
    ).pl()
    if jobs.is_empty():
        return
    sets = _sets_again(jobs, quantities)
    alone = _alone_again(jobs, quantities, _limits(con))
    for technician_id in dict.fromkeys([*sets, *alone]):
        answers = sets.get(technician_id, []) + alone.get(technician_id, [])
        # one question on a person's step, however many ways it was looked at
        least = min(answers, key=lambda one: one.probability)
        yield replace(least, step=step, probability=min(1.0, len(answers) * least.probability))


def _limits(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[float, ...]]:
    """For each quantity the limits in force: work is rightly stopped there, so that they may come back often."""
    if not con.sql("select 1 from duckdb_tables() where table_name = 'limit_used'").fetchall():
        return {}
    found = con.sql(
        """
        select quantity::varchar, list_distinct(list(at_least) || list(at_most)) from limit_used group by 1
        """
    ).fetchall()
    return {quantity: tuple(one for one in bounds if one is not None) for quantity, bounds in found}


def _sets_again(jobs: pl.DataFrame, quantities: tuple[str, ...]) -> dict[str, list[_Asked]]:
    """Of each person: all readings of a step together, for each set of readings that his jobs recorded."""
    values = jobs.select(
        (pl.col(name) - pl.col(AS_DIFFERENCE[name]).fill_null(0.0)).round(6) if name in AS_DIFFERENCE else pl.col(name)
        for name in quantities
    ).cast(pl.Float64).to_numpy()  # fmt: skip
    recorded = (~np.isnan(values)) @ (1 << np.arange(len(quantities)))
    jobs = jobs.with_columns(recorded=pl.Series(recorded), row=pl.int_range(pl.len()))
    jobs = jobs.with_columns(unit=pl.struct("technician_id", "recorded").rank("dense") - 1).sort("unit", "row")
    unit = jobs["unit"].to_numpy().astype(np.int64)
    visit = jobs.select(pl.struct("site", "finished_on").rank("dense")).to_series().to_numpy().astype(np.int64)
    found = repeats(unit, values[jobs["row"].to_numpy()], visit)
    people, job_ids = jobs["technician_id"].to_list(), jobs["job_id"].to_numpy()
    asked: dict[str, list[_Asked]] = {}
    for number, begin in enumerate(np.searchsorted(unit, np.arange(len(found.jobs)))):
        if found.jobs[number] < JOBS_AT_LEAST or np.isnan(found.expected[number]):
            continue
        own = slice(begin, begin + found.jobs[number])
        examples = job_ids[own][found.is_again[own]]
        asked.setdefault(people[begin], []).append(
            _Asked(
                people[begin], "", "same_reading_again", int(found.again[number]), int(found.jobs[number]),
                float(found.expected[number]), float(found.probability[number]), _newest(examples),
            )
        )  # fmt: skip
    return asked


def _alone_again(
    jobs: pl.DataFrame, quantities: tuple[str, ...], limits: dict[str, tuple[float, ...]]
) -> dict[str, list[_Asked]]:
    """Of each person: a value of one reading that comes back far more often than those beside it."""
    asked: dict[str, list[_Asked]] = {}
    for quantity in (name for name in quantities if name in ALONE):
        own = jobs.select("technician_id", "job_id", value=quantity).drop_nulls("value")
        own = own.filter(pl.len().over("technician_id") >= JOBS_AT_LEAST)
        if own.is_empty():
            continue
        unit = (own["technician_id"].rank("dense") - 1).to_numpy().astype(np.int64)
        found = favourites(unit, own["value"].to_numpy(), ALONE[quantity], limits.get(quantity, ()))
        people = own["technician_id"].unique().sort().to_list()
        counts = np.bincount(unit)
        for technician_id, number, one in zip(people, counts, found, strict=True):
            asked.setdefault(technician_id, []).append(_of_value(technician_id, int(number), one, quantity, own))
    return asked


def _of_value(technician_id: str, number: int, found: Favourite, quantity: str, own: pl.DataFrame) -> _Asked:
    if found.jobs == 0:
        return _Asked(technician_id, "", "same_reading_again", 0, number, 0.0, 1.0, [], quantity)
    examples = own.filter(
        (pl.col("technician_id") == technician_id) & ((pl.col("value") - found.value).abs() < ALONE[quantity] / 2)
    )["job_id"].to_numpy() if found.probability < FALSE_ALARMS else np.array([], dtype=object)  # fmt: skip
    return _Asked(
        technician_id, "", "same_reading_again", found.jobs, number, found.expected, found.probability,
        _newest(examples), quantity, found.value,
    )  # fmt: skip


def _newest(job_ids: np.ndarray) -> list[str]:
    return [str(one) for one in job_ids[-EXAMPLES:][::-1]]


def _too_fast(stamped: pl.DataFrame) -> pl.DataFrame:
    took = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds() / 60
    return stamped.drop_nulls(["started_at", "ended_at", "claimed_min"]).with_columns(
        is_told=(took < pl.col("claimed_min") - SHORTER_MIN) & (took < SHORTER_SHARE * pl.col("claimed_min"))
    )


def _out_of_order(stamped: pl.DataFrame) -> pl.DataFrame:
    """A step that began before one that must go before it had begun."""
    begun = stamped.filter(pl.col("step").is_in(_IN_ORDER)).drop_nulls("started_at")
    before = pl.col("started_at").cum_max().shift(1).over("job_id", order_by="place")
    return begun.with_columns(is_told=(pl.col("started_at") < before).fill_null(value=False)).filter(
        pl.len().over("job_id") > 1
    )


def _ticked_together(stamped: pl.DataFrame) -> pl.DataFrame:
    ended = stamped.drop_nulls("ended_at")
    spread = (pl.col("ended_at").max() - pl.col("ended_at").min()).dt.total_seconds() / 60
    return (
        ended.group_by("technician_id", "form", "finished_on", "job_id", maintain_order=True)
        .agg(is_told=spread <= TOGETHER_MIN, steps=pl.len())
        .filter(pl.col("steps") >= 3)
        .with_columns(step=pl.lit("all"))
    )


def _beside_others(jobs: pl.DataFrame, kind: str) -> Iterator[_Asked]:
    """Each person's jobs of a kind beside those of the others on the same forms.

    jobs : technician_id, form, step, finished_on, job_id, is_told; one row each.
    """
    if jobs.is_empty():
        return
    share = pl.col("is_told").mean().over("form", "step")
    jobs = jobs.filter(share <= HALF)
    of_form = jobs.group_by("step", "form").agg(all_told=pl.col("is_told").sum(), all_jobs=pl.len(),
                                                people=pl.col("technician_id").n_unique())  # fmt: skip
    own = (
        jobs.group_by("technician_id", "step", "form", maintain_order=True)
        .agg(told=pl.col("is_told").sum(), jobs=pl.len(), examples=pl.col("job_id").filter("is_told").tail(EXAMPLES))
        .join(of_form, on=["step", "form"], nulls_equal=True)
        .filter((pl.col("people") > OTHERS_AT_LEAST) & (pl.col("all_jobs") - pl.col("jobs") >= OTHERS_JOBS_AT_LEAST))
        .with_columns(
            others=(pl.col("all_told").cast(pl.Float64) - pl.col("told") + 1)
            / (pl.col("all_jobs") - pl.col("jobs") + OTHERS_JOBS)
        )
    )
    for (technician_id, step), part in own.group_by("technician_id", "step", maintain_order=True):
        number, told = int(part["jobs"].sum()), int(part["told"].sum())
        if number < JOBS_AT_LEAST:
            continue
        expected = float((part["others"] * part["jobs"]).sum())
        others = min(expected / number, 1 - 1e-9)
        chance = stats.betabinom.sf(told - 1, number, HONEST_SIZE * others, HONEST_SIZE * (1 - others))
        examples = [job for row in part["examples"].to_list() for job in row][-EXAMPLES:][::-1]
        yield _Asked(str(technician_id), str(step), kind, told, number, expected, float(chance), examples)
