"""What the page Last night asks of the store: returns, what did not arrive, what the last load brought."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard import data, words

# how a return stands: open and past its day, open, waiting for a warm week, settled
STANDS = ("overdue", "due", "waiting", "settled")


@dataclass(frozen=True)
class LastLoad:
    """The newest load that stands: what it brought, and whether it was the first (then everything is new)."""

    load_id: str
    loaded_at: dt.datetime | None
    is_first: bool
    files: int
    rows: dict[str, int]
    rejected: int


def last_load() -> LastLoad | None:
    """The newest load that was not taken back, with the new rows of each table."""
    found = data.ask_table(
        "load_run",
        """
        select load_id, max(ended_at) as ended_at, count(*) as files,
            sum(rows_rejected + values_rejected)::bigint as rejected,
            count(*) over () = 1 as is_first
        from load_run where undone_at is null group by load_id
        order by substring(load_id, 2)::integer desc limit 1
        """,
    )
    if found.is_empty():
        return None
    row = found.row(0, named=True)
    rows = data.ask_table(
        "load_table",
        "select table_name, sum(rows_new + rows_changed)::bigint as rows from load_table where load_id = $load "
        "group by 1 having rows > 0",
        load=row["load_id"],
    )
    return LastLoad(
        row["load_id"], row["ended_at"], bool(row["is_first"]), int(row["files"]),
        dict(rows.iter_rows()) if rows.height else {}, int(row["rejected"] or 0),
    )  # fmt: skip


@dataclass(frozen=True)
class ReturnFilter:
    """Which returns are meant: of jobs finished from a day on (or brought by the last load), one area; None: all."""

    from_on: dt.date | None = None
    area: str | None = None
    new_load: str | None = None

    def parameters(self) -> dict[str, Any]:
        said = data.entries().returns_seen_to()
        return {
            "as_of": data.stamp().as_of,
            "from_on": self.from_on,
            "area": self.area,
            "new_load": self.new_load,
            # what was said since this generation was made counts at once
            "said_keys": [f"{job}\t{step}" for job, step, *_ in said] or [""],
            "said_on": [day for _, _, day, *_ in said] or [None],
        }


LISTED = """
    with said as (
        select unnest($said_keys::varchar[]) as said_key, unnest($said_on::date[]) as said_on
    ), listed as (
        select due.* exclude (settled_on, settled_by),
            if(settled_by = 'said', null, settled_on) as by_record,
            coalesce(by_record, said_on) as settled_on,
            if(by_record is null and said_on is not null, 'said', if(by_record is null, null, settled_by)) as settled_by,
            case when coalesce(by_record, said_on) is not null then 'settled' when due_from_on > $as_of then 'waiting'
                when due_on < $as_of then 'overdue' else 'due' end as stand,
            coalesce(load_id = $new_load, false) as is_new,
            coalesce(finished_on >= $from_on or load_id = $new_load, $from_on is null) as is_within
        from return_due as due left join said on said_key = due.job_id || chr(9) || due.step
        where coalesce(finished_on <= $as_of, true) and ($area is null or area = $area)
    )
"""

MOST_URGENT_FIRST = """
    listed.is_safety desc, stand = 'settled', is_new desc, stand = 'waiting', listed.place > 4, due_on,
    listed.place, finished_on desc, job_id
"""


def return_counts(which: ReturnFilter) -> pl.DataFrame:
    """How many returns stand how, by reason; is_within: within the stretch asked for, else older."""
    return data.ask_table(
        "return_due",
        f"""
        {LISTED}
        select reason, is_safety, stand, is_within, count(*) as returns, count(distinct system_id) as systems,
            count(*) filter (is_new) as new
        from listed group by all order by min(place), stand
        """,
        **which.parameters(),
    )


def returns(which: ReturnFilter, stands: tuple[str, ...], reason: str | None, *, at_most: int = data.ROWS_AT_MOST):
    """The returns within the stretch, most urgent first: safety, then what is new, then by their day."""
    return data.ask_table(
        "return_due",
        f"""
        {LISTED}
        select listed.*, reason.sentence, system.equipment
        from listed
        join return_reason as reason using (reason)
        left join staged_system as system on system.system_id = listed.system_id
        where is_within and list_contains($stands, stand) and ($reason is null or reason = $reason)
        order by {MOST_URGENT_FIRST}
        limit {min(at_most, data.ROWS_AT_MOST)}
        """,
        stands=list(stands),
        reason=reason,
        **which.parameters(),
    )


def days_to_go_back() -> dict[str, int]:
    """Days within which somebody must go back, by reason, as the returns shown were worked out with."""
    found = data.ask_table("return_reason", "select reason, due_days from return_reason")
    return dict(found.iter_rows()) if found.height else {}


def reasons_why(returns: pl.DataFrame) -> dict[tuple[str, str], str]:
    """For each job and step of the rows what its grade says, figures included."""
    if returns.is_empty():
        return {}
    found = data.ask_table(
        "step_grade",
        "select job_id, step::varchar as step, why from step_grade where list_contains($jobs, job_id) "
        "and list_contains($rows, job_id || chr(9) || step::varchar)",
        jobs=returns["job_id"].unique().sort().to_list(),
        rows=(returns["job_id"] + "\t" + returns["step"].cast(pl.String)).unique().sort().to_list(),
    )
    return {(job, step): words.sentence(why) for job, step, why in found.iter_rows()}


def return_areas() -> list[str]:
    found = data.ask_table(
        "return_due", "select distinct area from return_due where area is not null order by 1 limit 300"
    )
    return found["area"].to_list() if found.height else []


def jobs_between(from_on: dt.date | None) -> int:
    """Jobs of ours finished from that day on, to the data's last day."""
    found = data.ask_table(
        "staged_job",
        "select count(*) as n from staged_job where installed_by::varchar is distinct from 'someone_else' "
        "and ($from_on is null or finished_on between $from_on and $as_of)",
        from_on=from_on,
        as_of=data.stamp().as_of,
    )
    return int(found["n"][0]) if found.height else 0


def not_arrived(from_on: dt.date | None) -> pl.DataFrame:
    """What did not come: files and crews first, then the newest jobs; job_id where it is a job."""
    return data.ask_table(
        "not_arrived",
        f"""
        select *, if(kind = 'job_sheet', name, null) as job_id from not_arrived
        where $from_on is null or expected_on >= $from_on or kind <> 'job_sheet'
        order by list_position(['file', 'crew', 'job_sheet'], kind), expected_on desc, name limit {data.ROWS_AT_MOST}
        """,
        from_on=from_on,
    )


def not_arrived_counts(from_on: dt.date | None) -> dict[str, int]:
    """Counts by kind within the stretch; `older` counts the jobs before it."""
    found = data.ask_table(
        "not_arrived",
        "select if(kind = 'job_sheet' and $from_on is not null and expected_on < $from_on, 'older', kind) as kind, "
        "count(*) as n from not_arrived group by 1",
        from_on=from_on,
    )
    return dict(found.iter_rows()) if found.height else {}


def new_jobs(load_id: str) -> pl.DataFrame:
    """The jobs that a load brought, newest first, with how many of their known steps are good: at most 100."""
    return data.ask_table(
        "step_grade",
        """
        with new_job as (
            select job_id, system_id, finished_on, installed_by from staged_job where load_id = $load
            order by finished_on desc nulls last, job_id limit 100
        )
        select job.job_id, any_value(job.system_id) as system_id, any_value(job.finished_on) as finished_on,
            count(*) filter (grade.state = 'passed') as good,
            count(*) filter (grade.state in ('passed', 'failed', 'ticked_only', 'not_done')) as known,
            count(*) filter (grade.state in ('no_record', 'cannot_tell')) as unknown
        from new_job as job left join step_grade as grade on grade.job_id = job.job_id
        group by job.job_id order by finished_on desc nulls last, job.job_id
        """,
        load=load_id,
    )


def warm_week_chosen_by() -> str | None:
    """How the first week warm enough for a charge check was chosen, last; None where nothing waits for one."""
    found = data.ask_table(
        "return_due",
        "select due_chosen_by, min(due_from_on) as day from return_due where reason = 'too_cold_to_judge' "
        "group by 1 order by 2 desc limit 1",
    )
    return found["due_chosen_by"][0] if found.height else None
