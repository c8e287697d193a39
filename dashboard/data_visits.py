"""What the Visit ledger asks of the store: early visits on record and entered since, what they found, what they are worth.

Plans and outcomes come from what people entered, so that they are seen at once; calls, grades, chances and failures come
from the generation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data
from models import visit_ledger
from pipelines import visit_entries
from pipelines.visit_entries import KeptPlan, Outcome

# a visit that was entered and a call of the kind are one where they lie so near
SAME_WITHIN_DAYS = 14
# a call belongs to a planned visit until so long after its day
LATE_DAYS = 90
NOT_PLANNED = "not_planned"
CHOSEN = ("rank", "lot", "own_choice", NOT_PLANNED)
# what a visit came to; each visit is one of them
FOUND = ("put_right", "left", "failing", "nothing", "not_recorded")
FAILING = ("compressor_burnout", "compressor_mechanical")
BAD_STATES = ("failed", "ticked_only", "not_done")


@dataclass(frozen=True)
class VisitFilter:
    """Which visits are meant; None: all. step : those whose last job before had this step not good."""

    found: str | None = None
    step: str | None = None
    chosen: str | None = None
    plan: str | None = None


@dataclass(frozen=True)
class Entered:
    """Everything entered about visits, read once for a run of the page."""

    plans: tuple[KeptPlan, ...]
    outcomes: dict[tuple[str, str], Outcome]

    @property
    def standing(self) -> list[KeptPlan]:
        return [plan for plan in self.plans if plan.withdrawn_on is None]


def entered() -> Entered:
    entries = data.entries()
    return Entered(tuple(visit_entries.plans(entries)), visit_entries.outcomes(entries))


def _parameters(said: Entered) -> dict[str, Any]:
    """Outcomes and plans as lists side by side; a single row of nothing stands for none, so that types are known."""
    visited = [one for one in said.outcomes.values() if one.state == "visited" and one.visited_on]
    planned = [(plan, visit) for plan in said.plans for visit in plan.visits if _counts(plan, said)]
    return {
        "said_plan": [one.plan_id for one in visited] or [None],
        "said_system": [one.system_id for one in visited] or [None],
        "said_on": [one.visited_on for one in visited] or [None],
        "said_finding": [one.finding for one in visited] or [None],
        "said_put_right": [one.put_right for one in visited] or [None],
        "said_confirmed": [one.reason_confirmed for one in visited] or [None],
        "said_cost": [one.cost for one in visited] or [None],
        "plan_of": [plan.plan_id for plan, _ in planned] or [None],
        "plan_system": [str(visit["system_id"]) for _, visit in planned] or [None],
        "plan_day": [str(visit["day"]) for _, visit in planned] or [None],
        "plan_made": [plan.made_on for plan, _ in planned] or [None],
        "plan_chosen": [str(visit["chosen_by"]) for _, visit in planned] or [None],
        "as_of": data.stamp().as_of,
    }


def _counts(plan: KeptPlan, said: Entered) -> bool:
    """A plan that stands, or was withdrawn after visits had been made by it."""
    return plan.withdrawn_on is None or any(
        one.state == "visited" for (plan_id, _), one in said.outcomes.items() if plan_id == plan.plan_id
    )


_VISITS = f"""
    with said as (
        select * from (select unnest($said_plan::varchar[]) as plan_id, unnest($said_system::varchar[]) as system_id,
            unnest($said_on::date[]) as visited_on, unnest($said_finding::varchar[]) as finding,
            unnest($said_put_right::boolean[]) as put_right, unnest($said_confirmed::varchar[]) as reason_confirmed,
            unnest($said_cost::double[]) as cost) where system_id is not null
    ), planned as (
        select * from (select unnest($plan_of::varchar[]) as plan_id, unnest($plan_system::varchar[]) as system_id,
            unnest($plan_day::date[]) as day, unnest($plan_made::date[]) as made_on,
            unnest($plan_chosen::varchar[]) as chosen_by) where system_id is not null
    ), call as (
        select call_id, system_id, opened_on, finding::varchar as finding, put_right, cost from staged_call
        where call_kind::varchar = 'proactive' and ($as_of is null or opened_on <= $as_of)
    ), pair as (
        select said.plan_id, said.system_id, said.reason_confirmed, call.call_id
        from said join call on call.system_id = said.system_id
            and abs(datediff('day', call.opened_on, said.visited_on)) <= {SAME_WITHIN_DAYS}
        qualify row_number() over (partition by said.plan_id, said.system_id
            order by abs(datediff('day', call.opened_on, said.visited_on)), call.call_id) = 1
            and row_number() over (partition by call.call_id order by said.visited_on desc, said.plan_id) = 1
    ), raw as (
        select call.system_id, call.opened_on as visited_on, call.finding, call.put_right, call.cost, pair.plan_id,
            pair.reason_confirmed, call.call_id
        from call left join pair using (call_id)
        union all
        select system_id, visited_on, finding, put_right, cost, plan_id, reason_confirmed, null
        from said where not exists (
            select 1 from pair where pair.plan_id = said.plan_id and pair.system_id = said.system_id)
    ), placed as (
        select raw.* exclude (plan_id), coalesce(raw.plan_id, planned.plan_id) as plan_id, planned.chosen_by,
            row_number() over (partition by raw.system_id, raw.visited_on, raw.call_id
                order by planned.plan_id is distinct from raw.plan_id, abs(datediff('day', raw.visited_on, planned.day)))
                as nearest
        from raw left join planned on planned.system_id = raw.system_id
            and (planned.plan_id = raw.plan_id or (raw.plan_id is null
                and raw.visited_on >= planned.made_on and raw.visited_on <= planned.day + {LATE_DAYS}))
    ), visit as (
        select system_id, visited_on, finding, put_right, cost, plan_id, reason_confirmed, call_id,
            coalesce(chosen_by, '{NOT_PLANNED}') as chosen_by,
            case when finding is null and put_right is null then 'not_recorded'
                when finding in {FAILING} then 'failing'
                when put_right then 'put_right'
                when finding = 'no_fault_found' then 'nothing' else 'left' end as found
        from placed where nearest = 1
    ), dated_job as (
        select job_id, system_id, finished_on from staged_job where finished_on is not null
            and system_id in (select system_id from visit)
    ), told as (
        select visit.*, job.job_id
        from visit asof left join dated_job as job
            on job.system_id = visit.system_id and visit.visited_on >= job.finished_on
    )
"""


def counts(said: Entered) -> pl.DataFrame:
    """chosen_by, plan_id, found, visits, cost (recorded), cost_known (visits with it): all visits."""
    return data.ask_table(
        "staged_call",
        f"{_VISITS} select chosen_by, plan_id, found, count(*) as visits, coalesce(sum(cost), 0)::double as cost, "
        "count(cost) as cost_known from told group by all order by all",
        **_parameters(said),
    )


def by_step(said: Entered) -> pl.DataFrame:
    """step, found, visits: each visit under every step that was not good on the system's last job before it."""
    return data.ask_table(
        "step_grade",
        f"""{_VISITS}
        select grade.step::varchar as step, found, count(*) as visits
        from told join step_grade as grade using (job_id)
        where list_contains($bad::varchar[], grade.state::varchar)
        group by all order by all
        """,
        bad=list(BAD_STATES),
        **_parameters(said),
    )


def listed(said: Entered, which: VisitFilter) -> pl.DataFrame:
    """The visits, the newest first, at most 500: with the job whose folder they open."""
    return data.ask_table(
        "step_grade",
        f"""{_VISITS}
        select told.*, sys.area, sys.equipment::varchar as equipment, count(*) over () as visits
        from told left join staged_system as sys on sys.system_id = told.system_id
        where ($found is null or found = $found) and ($chosen is null or chosen_by = $chosen)
            and ($plan is null or plan_id = $plan)
            and ($step is null or exists (select 1 from step_grade as grade where grade.job_id = told.job_id
                and grade.step::varchar = $step and list_contains($bad::varchar[], grade.state::varchar)))
        order by visited_on desc, told.system_id limit {data.ROWS_AT_MOST}
        """,
        found=which.found,
        chosen=which.chosen,
        plan=which.plan,
        step=which.step,
        bad=list(BAD_STATES),
        **_parameters(said),
    )


def worth(said: Entered, months: int) -> dict[str, Any]:
    """What was put right is worth over a horizon: value [money], avoided [failures], systems counted and in service no more.

    Each system counts once. Where the records know of the visit the chance is that without it (`visit_value`); where it
    was only entered, today's chance on the list.
    """
    if not {"visit_value", "install_risk"} <= data.tables():
        return {}
    found = data.ask(
        f"""{_VISITS}, mended as (select distinct system_id from visit where found = 'put_right')
        select count(*) as systems, count(coalesce(worth.value, risk.visit_benefit)) as counted,
            coalesce(sum(coalesce(worth.value, greatest(risk.visit_benefit + $visit_cost, 0))), 0)::double as value,
            coalesce(sum(coalesce(worth.avoided, greatest(risk.visit_benefit + $visit_cost, 0)
                * risk.probability / nullif(risk.expected_loss, 0))), 0)::double as avoided
        from mended
        left join visit_value as worth on worth.system_id = mended.system_id and worth.horizon_months = $months
        left join install_risk as risk on risk.system_id = mended.system_id and risk.horizon_months = $months
        """,
        months=months,
        visit_cost=data.house_rules().visit_cost,
        **_parameters(said),
    )
    return found.row(0, named=True) if found.height else {}


# --- drawn by lot


def pool(said: Entered) -> pl.DataFrame:
    """Every system that a lot could have fallen on: plan_id, system_id, was_drawn, chance, probability_then, made_on."""
    rows = [
        (plan.plan_id, one["system_id"], one["was_drawn"], one["chance"], one.get("probability_then"), plan.made_on)
        for plan in said.plans if _counts(plan, said)
        for one in plan.pool
    ]  # fmt: skip
    schema = {
        "plan_id": pl.String, "system_id": pl.String, "was_drawn": pl.Boolean, "chance": pl.Float64,
        "probability_then": pl.Float64, "made_on": pl.String,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(pl.col("made_on").str.to_date())


def lot_counts(said: Entered) -> pl.DataFrame:
    """For each plan and side: systems, failures and years since; empty before the first fit or lot."""
    drawn = pool(said)
    if drawn.is_empty() or not {"contact_window", "outcome_event", "cell_run"} <= data.tables():
        return pl.DataFrame()
    pointer, _ = data.connection()
    return _lot_counts(str(data.store().folder.resolve()), pointer.generation, pointer.made_at, drawn)


@st.cache_data(max_entries=20, ttl="2h", show_spinner=False)
def _lot_counts(folder: str, generation: int, made_at: str, drawn: pl.DataFrame) -> pl.DataFrame:
    _, con = data.connection()
    cursor = con.cursor()
    try:
        return visit_ledger.failures_since(cursor, drawn)
    finally:
        cursor.close()


def lot_systems(said: Entered) -> pl.DataFrame:
    """The systems that a lot could have fallen on, those that failed since first: at most 500.

    Columns plan_id, system_id, was_drawn, chance, made_on, failed_on, visited_on (first visit since), job_id.
    """
    drawn = pool(said)
    if drawn.is_empty():
        return drawn
    failures = (
        "select system_id, happened_on from outcome_event where outcome = 'compressor_failure'"
        if "outcome_event" in data.tables()
        else "select null::varchar as system_id, null::date as happened_on where false"
    )
    return data.ask_table(
        "staged_call",
        f"""{_VISITS}, pool as (
            select unnest($pool_plan::varchar[]) as plan_id, unnest($pool_system::varchar[]) as system_id,
                unnest($pool_drawn::boolean[]) as was_drawn, unnest($pool_chance::double[]) as chance,
                unnest($pool_made::date[]) as made_on
        ), failure as ({failures}), failed as (
            select pool.plan_id, pool.system_id, min(happened_on) as failed_on
            from pool join failure on failure.system_id = pool.system_id and happened_on > made_on group by all
        ), seen as (
            select pool.plan_id, pool.system_id, min(visited_on) as visited_on
            from pool join visit on visit.system_id = pool.system_id and visited_on >= made_on group by all
        )
        select pool.*, failed_on, visited_on, (select arg_max(job_id, finished_on) from staged_job as job
            where job.system_id = pool.system_id) as job_id
        from pool
        left join failed on failed.plan_id = pool.plan_id and failed.system_id = pool.system_id
        left join seen on seen.plan_id = pool.plan_id and seen.system_id = pool.system_id
        order by failed_on is null, not was_drawn, made_on desc, pool.system_id limit {data.ROWS_AT_MOST}
        """,
        pool_plan=drawn["plan_id"].to_list(),
        pool_system=drawn["system_id"].to_list(),
        pool_drawn=drawn["was_drawn"].to_list(),
        pool_chance=drawn["chance"].to_list(),
        pool_made=drawn["made_on"].to_list(),
        **_parameters(said),
    )


def visited_since(said: Entered) -> dict[bool, int]:
    """Of those drawn (True) and those not drawn: how many have had an early visit since their plan was made."""
    drawn = pool(said)
    if drawn.is_empty():
        return {}
    found = data.ask_table(
        "staged_call",
        f"""{_VISITS}, pool as (
            select unnest($pool_system::varchar[]) as system_id, unnest($pool_drawn::boolean[]) as was_drawn,
                unnest($pool_made::date[]) as made_on
        )
        select was_drawn, count(*) filter (exists (select 1 from visit where visit.system_id = pool.system_id
            and visit.visited_on >= pool.made_on)) as visited
        from pool group by 1
        """,
        pool_system=drawn["system_id"].to_list(),
        pool_drawn=drawn["was_drawn"].to_list(),
        pool_made=drawn["made_on"].to_list(),
        **_parameters(said),
    )
    return dict(found.iter_rows()) if found.height else {}


# --- planned visits and their outcomes


_PLANNED = f"""
    {_VISITS}, listed as (
        select unnest($all_plan::varchar[]) as plan_id, unnest($all_system::varchar[]) as system_id,
            unnest($all_day::date[]) as day, unnest($all_slot::integer[]) as slot,
            unnest($all_chosen::varchar[]) as chosen_by, unnest($all_reasons::varchar[]) as reasons_then,
            unnest($all_state::varchar[]) as entered_state
    ), recorded as (
        select distinct plan_id, system_id from visit where plan_id is not null
    ), stand as (
        select listed.* exclude (entered_state), if(recorded.plan_id is null, entered_state, 'visited') as state,
            state in ('booked', 'no_answer') as is_open
        from listed left join recorded on recorded.plan_id = listed.plan_id and recorded.system_id = listed.system_id
        where listed.plan_id is not null and ($of_plan is null or listed.plan_id = $of_plan)
    )
"""


def planned(said: Entered, plan_id: str | None = None) -> pl.DataFrame:
    """Visits of plans that stand, with what came of each: at most 500, those still open first, by their day.

    Columns plan_id, system_id, day, slot, chosen_by, reasons_then, state, is_open, job_id, area. Of a visit that nobody
    has entered, a call on record answers.
    """
    return data.ask_table(
        "staged_call",
        f"""{_PLANNED}
        select stand.*, sys.area, (select arg_max(job_id, finished_on) from staged_job as job
            where job.system_id = stand.system_id) as job_id
        from stand left join staged_system as sys on sys.system_id = stand.system_id
        order by not is_open, day, slot, stand.system_id limit {data.ROWS_AT_MOST}
        """,
        **_standing(said, plan_id),
    )


def planned_states(said: Entered, plan_id: str | None = None) -> dict[str, int]:
    """How many visits of plans that stand are in each state."""
    found = data.ask_table(
        "staged_call", f"{_PLANNED} select state, count(*) as visits from stand group by 1", **_standing(said, plan_id)
    )
    return dict(found.iter_rows()) if found.height else {}


def _standing(said: Entered, plan_id: str | None) -> dict[str, Any]:
    rows = [(plan, visit) for plan in said.standing for visit in plan.visits]
    return {
        "all_plan": [plan.plan_id for plan, _ in rows] or [None],
        "all_system": [str(visit["system_id"]) for _, visit in rows] or [None],
        "all_day": [str(visit["day"]) for _, visit in rows] or [None],
        "all_slot": [int(visit["slot"]) for _, visit in rows] or [None],
        "all_chosen": [str(visit["chosen_by"]) for _, visit in rows] or [None],
        "all_reasons": [visit.get("reasons_then") for _, visit in rows] or [None],
        "all_state": [_state(said, plan.plan_id, str(visit["system_id"])) for plan, visit in rows] or [None],
        "of_plan": plan_id,
        **_parameters(said),
    }


def _state(said: Entered, plan_id: str, system_id: str) -> str:
    outcome = said.outcomes.get((plan_id, system_id))
    return outcome.state if outcome else "booked"


def confirmed(said: Entered) -> pl.DataFrame:
    """step (the first reason of the plan), yes, no, not_looked_at: of the outcomes that were entered."""
    by_plan = {plan.plan_id: plan for plan in said.plans}
    rows = []
    for (plan_id, system_id), outcome in said.outcomes.items():
        visit = by_plan[plan_id].of_system(system_id) if plan_id in by_plan else None
        if outcome.state == "visited" and outcome.reason_confirmed and visit is not None:
            reason = str(visit.get("reasons_then") or "").split(",")[0].strip()
            rows.append((reason or "none", outcome.reason_confirmed))
    frame = pl.DataFrame(
        rows, schema=["step", "answer"], orient="row", schema_overrides={"step": pl.String, "answer": pl.String}
    )
    return frame.group_by("step").agg(
        yes=(pl.col("answer") == "yes").sum(),
        no=(pl.col("answer") == "no").sum(),
        not_looked_at=(pl.col("answer") == "not_looked_at").sum(),
    )
