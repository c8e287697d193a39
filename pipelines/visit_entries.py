"""Plans of early visits that were kept and what came of each visit: entries, and the tables of a generation made of them.

A plan is never changed: it is kept whole, with its wishes, the seed of its lot and all systems that the lot could have
fallen on, and may be withdrawn, which marks it. Of one system in one plan the last outcome entered holds.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from pipelines.contract import FINDINGS
from pipelines.errors import InputError

if TYPE_CHECKING:
    from pipelines.entries import Entries, Entry

STATES = ("booked", "declined", "no_answer", "visited")
CHOSEN_BY = ("rank", "lot", "own_choice")
CONFIRMED = ("yes", "no", "not_looked_at")

TABLES: dict[str, dict[str, str]] = {
    "visit_plan_kept": {
        "plan_id": "varchar", "made_on": "date", "first_day": "date", "last_day": "date", "slots_a_day": "integer",
        "visits": "integer", "by_lot": "integer", "pool": "integer", "seed": "bigint", "wishes": "varchar",
        "kept_by": "varchar", "kept_at": "timestamp", "withdrawn_on": "date", "withdrawn_why": "varchar",
    },
    "visit_plan": {
        "plan_id": "varchar", "day": "date", "slot": "integer", "system_id": "varchar", "chosen_by": "varchar",
        "chance": "double", "rank_then": "bigint", "probability_then": "double", "reasons_then": "varchar",
        "saving_then": "double", "is_unsafe": "boolean", "made_on": "date", "withdrawn_on": "date",
    },
    "visit_pool": {
        "plan_id": "varchar", "system_id": "varchar", "was_drawn": "boolean", "chance": "double",
        "probability_then": "double", "made_on": "date", "withdrawn_on": "date",
    },
    "visit_outcome": {
        "system_id": "varchar", "plan_id": "varchar", "state": "varchar", "visited_on": "date", "chosen_by": "varchar",
        "chance": "double", "rank_then": "bigint", "probability_then": "double", "finding": "varchar",
        "put_right": "boolean", "reason_confirmed": "varchar", "cost": "double", "words": "varchar",
        "reasons_then": "varchar", "saving_then": "double", "entered_by": "varchar", "entered_at": "timestamp",
    },
}  # fmt: skip


@dataclass(frozen=True)
class KeptPlan:
    """A plan as it was kept.

    visits : rows of the table `visit_plan` but for plan_id, made_on, withdrawn_on; days as ISO text. pool : rows of
    `visit_pool` likewise. wishes : what was asked for, as JSON values.
    """

    plan_id: str
    made_on: str
    seed: int
    wishes: Mapping[str, Any]
    visits: Sequence[Mapping[str, Any]]
    pool: Sequence[Mapping[str, Any]]
    kept_by: str = ""
    kept_at: str = ""
    withdrawn_on: str | None = None
    withdrawn_why: str = ""

    def of_system(self, system_id: str) -> Mapping[str, Any] | None:
        return next((visit for visit in self.visits if visit["system_id"] == system_id), None)


@dataclass(frozen=True)
class Outcome:
    """What came of one visit. visited_on : ISO day. cost : money. reason_confirmed : of CONFIRMED."""

    plan_id: str
    system_id: str
    state: str
    visited_on: str | None = None
    finding: str | None = None
    put_right: bool | None = None
    reason_confirmed: str | None = None
    cost: float | None = None
    words: str = ""
    entered_by: str = field(default="", compare=False)
    entered_at: str = field(default="", compare=False)


def plan_id_of(made_on: str, seed: int, wishes: Mapping[str, Any], visits: Sequence[Mapping[str, Any]]) -> str:
    """The same plan of the same day has the same id, so that keeping it twice keeps it once."""
    text = json.dumps([made_on, seed, wishes, list(visits)], sort_keys=True)
    return f"V{made_on.replace('-', '')}-{hashlib.sha256(text.encode()).hexdigest()[:6]}"


def keep(entries: Entries, plan: KeptPlan, by: str = "") -> KeptPlan:
    """Enter a plan; one that is kept already is left as it stands.

    Raises
    ------
    InputError : it holds no visit, or a visit has no known way of having been chosen.
    """
    if not plan.visits:
        raise InputError("The plan holds no visit, so there is nothing to keep.")
    strange = {str(visit["chosen_by"]) for visit in plan.visits} - set(CHOSEN_BY)
    if strange:
        raise InputError(f"{', '.join(sorted(strange))}: a visit is chosen by {', '.join(CHOSEN_BY)}.")
    known = {kept.plan_id: kept for kept in plans(entries)}
    if plan.plan_id in known and known[plan.plan_id].withdrawn_on is None:
        return known[plan.plan_id]
    content = {
        "made_on": plan.made_on, "seed": plan.seed, "wishes": dict(plan.wishes),
        "visits": [dict(visit) for visit in plan.visits], "pool": [dict(one) for one in plan.pool],
    }  # fmt: skip
    entry = entries.add("visit_plan", plan.plan_id, content, by)
    return _kept(entry)


def withdraw(entries: Entries, plan_id: str, on: str, why: str = "", by: str = "") -> None:
    """Mark a plan as withdrawn; it stays in the entries and in the tables.

    Raises
    ------
    InputError : there is no such plan.
    """
    _plan(entries, plan_id)
    entries.add("visit_plan_withdrawn", plan_id, {"on": on, "why": why}, by)


def add_outcome(entries: Entries, outcome: Outcome, by: str = "") -> None:
    """Enter what came of a planned visit; the last one entered for a system and plan holds.

    Raises
    ------
    InputError : the plan or the system in it is not known, a word is none of its code's, a visit has no day or one that
        is no date, or the cost is below 0.
    """
    _checked(entries, outcome)
    content = {
        "state": outcome.state, "visited_on": outcome.visited_on, "finding": outcome.finding,
        "put_right": outcome.put_right, "reason_confirmed": outcome.reason_confirmed, "cost": outcome.cost,
        "words": outcome.words,
    }  # fmt: skip
    entries.add("visit_outcome", f"{outcome.plan_id}\t{outcome.system_id}", content, by)


def plans(entries: Entries) -> list[KeptPlan]:
    """Every plan that was kept, the oldest first, withdrawn ones marked."""
    found: dict[str, KeptPlan] = {}
    for entry in _of_kinds(entries, "visit_plan", "visit_plan_withdrawn"):
        if entry.kind == "visit_plan":
            found[entry.subject] = _kept(entry)
        elif entry.subject in found:
            kept = found[entry.subject]
            found[entry.subject] = KeptPlan(
                **{**kept.__dict__, "withdrawn_on": entry.content["on"], "withdrawn_why": entry.content.get("why", "")}
            )
    return list(found.values())


def outcomes(entries: Entries) -> dict[tuple[str, str], Outcome]:
    """(plan_id, system_id) and the last outcome entered for it."""
    found = {}
    for entry in entries.all("visit_outcome"):
        plan_id, system_id = entry.subject.split("\t")
        found[plan_id, system_id] = Outcome(
            plan_id, system_id, **entry.content, entered_by=entry.entered_by, entered_at=entry.entered_at
        )
    return found


def rows(entries: Entries) -> dict[str, list[tuple[Any, ...]]]:
    """For each of TABLES its rows, in the order of its columns."""
    kept = plans(entries)
    said = outcomes(entries)
    made: dict[str, list[dict[str, Any]]] = {name: [] for name in TABLES}
    by_id = {plan.plan_id: plan for plan in kept}
    for plan in kept:
        own = {"plan_id": plan.plan_id, "made_on": plan.made_on, "withdrawn_on": plan.withdrawn_on}
        days = [str(visit["day"]) for visit in plan.visits]
        made["visit_plan_kept"].append({
            **own, "first_day": min(days), "last_day": max(days), "slots_a_day": plan.wishes.get("slots_a_day"),
            "visits": len(days), "by_lot": sum(visit["chosen_by"] == "lot" for visit in plan.visits),
            "pool": len(plan.pool), "seed": plan.seed, "wishes": json.dumps(dict(plan.wishes), sort_keys=True),
            "kept_by": plan.kept_by, "kept_at": _local(plan.kept_at), "withdrawn_why": plan.withdrawn_why or None,
        })  # fmt: skip
        made["visit_plan"] += [{**visit, **own} for visit in plan.visits]
        made["visit_pool"] += [{**one, **own} for one in plan.pool]
    for (plan_id, system_id), outcome in said.items():
        plan = by_id.get(plan_id)
        visit = plan.of_system(system_id) if plan else None
        made["visit_outcome"].append(
            {
                **(visit or {}),
                **outcome.__dict__,
                "entered_at": _local(outcome.entered_at),
                "words": outcome.words or None,
            }
        )
    return {
        name: [tuple(row.get(column) for column in columns) for row in made[name]] for name, columns in TABLES.items()
    }


def join_into(con: Any, entries: Entries) -> None:
    """Write TABLES anew into a generation being built. con : DuckDB connection of `Store.write`."""
    found = rows(entries)
    for name, columns in TABLES.items():
        con.execute(f"create or replace table {name} ({_listed(columns)})")
        if found[name]:
            marks = ", ".join("?" for _ in columns)
            con.executemany(f"insert into {name} values ({marks})", found[name])


def make_missing_outcomes(con: Any) -> None:
    """An empty `visit_outcome` where a store was made before visits could be entered."""
    con.execute(f"create table if not exists visit_outcome ({_listed(TABLES['visit_outcome'])})")


def _listed(columns: Mapping[str, str]) -> str:
    return ", ".join(f"{column} {kind}" for column, kind in columns.items())


def _of_kinds(entries: Entries, *kinds: str) -> list[Entry]:
    found = [entry for kind in kinds for entry in entries.all(kind)]
    return sorted(found, key=lambda entry: entry.entry_no)


def _kept(entry: Entry) -> KeptPlan:
    content = entry.content
    return KeptPlan(
        entry.subject, content["made_on"], int(content["seed"]), content["wishes"], tuple(content["visits"]),
        tuple(content["pool"]), entry.entered_by, entry.entered_at,
    )  # fmt: skip


def _plan(entries: Entries, plan_id: str) -> KeptPlan:
    found = next((plan for plan in plans(entries) if plan.plan_id == plan_id), None)
    if found is None:
        raise InputError(f"There is no kept plan {plan_id}.")
    return found


def _checked(entries: Entries, outcome: Outcome) -> None:
    if _plan(entries, outcome.plan_id).of_system(outcome.system_id) is None:
        raise InputError(f"System {outcome.system_id} is not in plan {outcome.plan_id}.")
    for name, value, codes in (
        ("state", outcome.state, STATES), ("finding", outcome.finding, (None, *FINDINGS)),
        ("reason confirmed", outcome.reason_confirmed, (None, *CONFIRMED)),
    ):  # fmt: skip
        if value not in codes:
            raise InputError(f"The {name} {value!r} is not known; use one of {', '.join(filter(None, codes))}.")
    if outcome.state == "visited" and not outcome.visited_on:
        raise InputError("A visit that was made needs its day.")
    if outcome.visited_on:
        try:
            date.fromisoformat(outcome.visited_on)
        except ValueError as error:
            raise InputError(f"{outcome.visited_on!r} is no date; write it as 2026-04-06.") from error
    if outcome.cost is not None and not outcome.cost >= 0:
        raise InputError("The cost of a visit is 0 or more.")


def _local(moment: str) -> str | None:
    """Local time without its zone, as the store's other times are."""
    return moment[:19] or None
