"""What a fit says: what it did, what it could not estimate and why, as a service manager reads it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import polars as pl

from models import back_test, compliance, step_effect
from pipelines.contract import STEPS

MUCH_UNKNOWN = 0.10


class Notes:
    """What could not be estimated and why, and who was left out: said at once and kept in `fit_note`."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.say = say
        self.rows: list[dict[str, Any]] = []

    def add(
        self, topic: str, text: str, step: str | None = None, jobs: int | None = None, *, aloud: bool = True
    ) -> None:
        self.rows.append({"topic": topic, "step": step, "text": text, "jobs": jobs})
        if aloud:
            self.say(f"{step}: {text}" if step else text)

    def frame(self) -> pl.DataFrame:
        return pl.DataFrame(
            self.rows, schema={"topic": pl.String, "step": pl.String, "text": pl.String, "jobs": pl.Int64}
        )


def say_follow_up(totals: dict[str, Any], notes: Notes) -> None:
    def shown(rate: float | None) -> str:
        return "not known" if rate is None else f"{100 * rate:.2f} in 100 systems a year"

    notes.add(
        "follow_up",
        f"{totals['systems']:,} systems followed for {totals['system_years']:,.0f} years of service; "
        f"{totals['compressor_failures']:,} compressor failures and {totals['callbacks']:,} first callbacks counted, "
        f"{totals['failures_outside_follow_up']:,} and {totals['callbacks_outside_follow_up']:,} more came when nobody "
        "could be relied on to tell us and are listed, not counted.",
    )
    notes.add(
        "follow_up",
        f"Compressor failures: {shown(totals['failure_rate_per_year'])}; had every system been followed to the last "
        f"day, {shown(totals['failure_rate_to_as_of'])}. Callbacks: {shown(totals['callback_rate_per_year'])} and "
        f"{shown(totals['callback_rate_to_as_of'])}. The truth lies near the first or between the two.",
    )


def say_left_out(con: duckdb.DuckDBPyConnection, notes: Notes) -> None:
    """Jobs that no step effect counts, each under the first reason that holds, and what is unknown by step."""
    reasons = con.sql(
        """
        with known as (
            select job_id, bool_or(state in ('passed', 'failed', 'ticked_only', 'not_done')) as has_known
            from step_grade group by job_id
        ), followed as (
            select job_id, bool_or(not is_visited) as is_followed from follow_up group by job_id
        ), reason as (
            select case
                when job.finished_on is null then 'no date'
                when job.finished_on > (select as_of from cell_run) then 'after the day that the fit stands on'
                when job.installed_by::varchar = 'someone_else' then 'put in by someone else, no records of ours'
                when segment.job_id is null then
                    'the age of the compressor is not known: no installation or changeout before it'
                when not coalesce(known.has_known, false) then 'no step of it is known'
                when followed.job_id is null then 'no time followed after it'
                when not followed.is_followed then 'only after a visit that put something right'
            end as reason
            from staged_job as job
            left join segment on segment.job_id = job.job_id
            left join known on known.job_id = job.job_id
            left join followed on followed.job_id = job.job_id
        )
        select reason, count(*) from reason where reason is not null group by 1 order by 2 desc
        """
    ).fetchall()
    for reason, jobs in reasons:
        notes.add("left_out", f"{_jobs(jobs)} left out of the step effects: {reason}.", jobs=jobs)
    unknown = con.sql(
        """
        with counted as (
            select step::varchar as step, state::varchar as state, count(*) as jobs
            from step_grade where state <> 'not_applicable' group by 1, 2
        )
        select step, state, jobs, jobs / sum(jobs) over (partition by step) as share from counted
        """
    ).fetchall()
    unknown.sort(key=lambda row: (STEPS.index(row[0]), row[1]))
    of_step: dict[str, float] = {}
    words = {"no_record": "nothing was recorded", "cannot_tell": "the reading cannot be judged", "disputed": "disputed"}
    for step, state, jobs, share in unknown:
        if state not in words:
            continue
        of_step[step] = of_step.get(step, 0.0) + share
        notes.add("left_out", f"{_jobs(jobs)} unknown ({words[state]}, {share:.0%}).", step, jobs, aloud=False)
    for step, share in of_step.items():
        if share > MUCH_UNKNOWN:
            notes.add(
                "unknown",
                f"{share:.0%} of the jobs are unknown here. They stand in the model as a level of their own; if what "
                "goes unrecorded differs from what is recorded, the ratio may be off.",
                step,
            )


def _jobs(number: int) -> str:
    return "1 job" if number == 1 else f"{number:,} jobs"


def say_compliance(technician_step: pl.DataFrame, notes: Notes) -> None:
    people = technician_step["technician_id"].n_unique() if technician_step.height else 0
    if not people:
        notes.add("compliance", "No graded job names a technician yet.")
        return
    own = technician_step.filter(pl.col("step").is_in(STEPS))
    few = own.filter(pl.col("flag") == "too_few").height
    notes.add(
        "compliance",
        f"{people:,} technicians, {own.height:,} rates of technician and step; {few:,} of these rest on fewer than "
        f"{compliance.FEW_JOBS} known jobs and carry no flag.",
    )


def say_effects(table: pl.DataFrame, controls: dict, control: str, notes: Notes) -> None:
    if table.is_empty():
        notes.add(
            "step_effect", "No event has been counted yet: what goes with a step that is not good cannot be told."
        )
        return
    main = table.filter(
        (pl.col("contrast") == "not_good")
        & (pl.col("age_band") != "all")
        & pl.col("outcome").is_in(step_effect.MAIN_OUTCOMES)
    )
    words = dict(main.group_by("evidence").len().iter_rows())
    notes.add(
        "step_effect",
        f"Of {main.height} effects on compressor failures and callbacks {words.get('clear', 0)} are clear, "
        f"{words.get('leaning', 0)} leaning, {words.get('unclear', 0)} unclear, and {words.get('too_few', 0)} have too "
        "few events to say.",
    )
    for outcome, step, band, bad, good in main.filter(pl.col("evidence") == "too_few").select(
        "outcome", "step", "age_band", "events_skipped", "events_good"
    ).iter_rows():  # fmt: skip
        notes.add(
            "too_few",
            f"{outcome}, {band}: {bad} events where it was not good and {good} where it was good; "
            f"{step_effect.evidence.FEW_EVENTS} of each are needed. Not enough failures yet to say.",
            step,
            aloud=False,
        )
    for row in main.filter(
        (pl.col("evidence") == "too_few")
        & (pl.col("events_skipped") >= step_effect.evidence.FEW_EVENTS)
        & (pl.col("events_good") >= step_effect.evidence.FEW_EVENTS)
    ).iter_rows(named=True):
        notes.add(
            "step_effect",
            f"{row['outcome']}, {row['age_band']}: cannot be told apart from another step that goes along with it.",
            row["step"],
        )
    found = controls.get("not_good")
    if found is None or not found.degrees:
        notes.add("control", f"Too few events of {control}, which no step can cause, to test the fit with it.")
    elif found.rejects:
        notes.add(
            "control",
            f"{control}, which no step can cause, looks caused (joint test p {found.p_value:.3g}, mean p {found.mean_p_value:.3g}): careless jobs differ in other "
            "ways too. Effects are shown calibrated by it. If what differs touches it only half as much, half of the "
            "error stays.",
        )
    else:
        notes.add("control", f"{control}, which no step can cause, does not look caused (p {found.p_value:.2f}).")


def say_back_test(tried: back_test.BackTest, notes: Notes) -> None:
    if tried.model_card.is_empty():
        notes.add("back_test", "The chances could not be tried against an earlier year yet: too few failures.")
        return
    for row in tried.calibration.filter(pl.col("group").str.starts_with("highest")).iter_rows(named=True):
        notes.add(
            "back_test",
            f"Of the {row['systems']} that stood highest on {row['cutoff']} and were not visited, {row['seen']:.0%} "
            f"failed within {row['horizon_months']} months; said was {row['said']:.0%} "
            f"({row['said_low']:.0%} to {row['said_high']:.0%}).",
        )
    if tried.extra_spread > 0:
        notes.add(
            "back_test",
            f"Years differ from what was said by about {np.expm1(tried.extra_spread):.0%} beyond chance; the ranges "
            "are widened by that.",
            aloud=False,
        )


def say_fates(con: duckdb.DuckDBPyConnection, notes: Notes) -> None:
    for fate, systems in con.sql(
        "select fate, count(*) from system_now where fate in ('fate_unknown', 'failed') group by 1 order by 1"
    ).fetchall():
        if fate == "fate_unknown":
            notes.add(
                "fate_unknown",
                f"{systems:,} systems had a compressor failure and neither a changeout nor a retirement within 90 "
                "days: their fate is unknown, and they are on no list of visits.",
                jobs=systems,
            )
        else:
            notes.add("failed", f"{systems:,} systems failed within the last 90 days and wait for what comes next.")
