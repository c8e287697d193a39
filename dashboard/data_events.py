"""The failures and callbacks behind a ratio: the first events counted, with the job under whose work each came."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard import data
from pipelines.contract import SKIPPED_STATES

# as the fit counts them: while we would have heard, and before an early visit put something right
EVENTS = """
    with listed as (
        select s.job_id, s.system_id, s.happened_on, s.age / 365.25 as age_years, s.age_band, s.state::varchar as state,
            s.call_id,
            case
                when s.state::varchar = 'passed' then 'good'
                when s.state::varchar = 'failed' or list_contains($skipped::varchar[], s.state::varchar) then 'not_good'
                when s.state::varchar in ('no_record', 'cannot_tell') then 'unknown'
                else 'apart'
            end as arm
        from outcome_step as s
        join outcome_event as event
            on event.outcome = s.outcome and event.system_id = s.system_id and event.life_no = s.life_no
        where s.outcome = $outcome and s.step::varchar = $step and event.in_follow_up and not s.is_visited
    )
"""
IN_ORDER = "happened_on desc nulls last, system_id, job_id"
ARMS = ("not_good", "good", "unknown")


def parameters(outcome: str, step: str) -> dict[str, Any]:
    return {"outcome": outcome, "step": step, "skipped": list(SKIPPED_STATES)}


def counts(outcome: str, step: str) -> pl.DataFrame:
    """age_band, arm and events of one outcome and step."""
    return data.ask_table(
        "outcome_event",
        f"{EVENTS} select age_band, arm, count(*) as events from listed group by all order by all",
        **parameters(outcome, step),
    )


def events(outcome: str, step: str, arm: str | None, band: str | None, page: int) -> pl.DataFrame:
    """One page of the events, the newest first, with what the call about it found."""
    return data.ask_table(
        "outcome_event",
        f"""
        {EVENTS} select listed.*, call.finding::varchar as finding
        from (
            select * from listed where arm <> 'apart' and ($arm is null or arm = $arm) and ($band is null or age_band = $band)
            order by {IN_ORDER} limit {data.PAGE_OF_JOBS} offset $first
        ) as listed
        left join staged_call as call on call.call_id = listed.call_id
        order by {IN_ORDER}
        """,
        arm=arm,
        band=band,
        first=(page - 1) * data.PAGE_OF_JOBS,
        **parameters(outcome, step),
    )
