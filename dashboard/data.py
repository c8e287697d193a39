"""What the pages ask of the store: the only place with SQL and with caches.

Every answer is an aggregate or at most 500 rows. Answers are kept by generation, so a page never mixes two; a new load
or fit is seen on the next run of the page. Each call takes a cursor of its own, since one DuckDB connection refuses
concurrent calls. Nothing here reads the sites' addresses, contacts or telephone numbers.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from dashboard import data_people, shown
from dashboard.kept_answers import KeptAnswers
from pipelines.contract import STATES, STEPS, UNPLANNED_CALL_KINDS
from pipelines.entries import Entries
from pipelines.house_rules import HouseRules
from pipelines.store import Pointer, Reader, Store

if TYPE_CHECKING:
    import duckdb

ROWS_AT_MOST = 500
MARKS_AT_MOST = 2000
CURVE_AT_MOST = 5 * ROWS_AT_MOST
# a gauge log is drawn as a line and as points to hover over
SAMPLES_DRAWN = ROWS_AT_MOST
PAGE_OF_JOBS = 100

# Wilson's interval for a share, for the few shares that a page adds up from counts
_WILSON = """
    case when {known} > 0 then
        ({good} / {known} + 1.9208 / {known} {sign}
         1.96 * sqrt({good} / {known} * (1 - {good} / {known}) / {known} + 0.9604 / ({known} * {known})))
        / (1 + 3.8416 / {known})
    end
"""


def wilson(good: str, known: str, sign: str) -> str:
    return _WILSON.format(good=f"({good})::double", known=f"({known})::double", sign=sign)


# --- the store and its generation


def store() -> Store:
    return Store.locate()


@lru_cache(maxsize=4)
def _reader(folder: str) -> Reader:
    return Reader(Store(folder))


@dataclass(frozen=True)
class Stamp:
    """What the reader must know of the figures' age: the data's last day, the last load, the generation."""

    generation: int
    made_at: str
    as_of: dt.date | None
    last_load: str | None
    loaded_at: dt.datetime | None
    jobs: int
    fitted: bool


def connection() -> tuple[Pointer, duckdb.DuckDBPyConnection]:
    """The current generation; raises StoreMissingError before the first load."""
    return _reader(os.path.abspath(store().folder)).connection()


def _names_shown() -> bool:
    """Outside a whole run of a page (a part drawn anew by itself) nobody has said it: ask the rules, never guess."""
    return (shown.chosen() or house_rules()).names_shown


def fetch(sql: str, parameters: dict[str, Any], con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The one place where a page's query runs."""
    cursor = con.cursor()
    try:
        if not _names_shown():
            data_people.ids_for_names(cursor)
        return cursor.sql(sql, params=parameters or None).pl()
    finally:
        cursor.close()


_KEPT = KeptAnswers(entries_at_most=2000, bytes_at_most=64 * 2**20)


def forget_answers() -> None:
    """Ask everything anew from here on, as a server does that has just been started."""
    _KEPT.forget()


def ask(sql: str, **parameters: Any) -> pl.DataFrame:
    pointer, con = connection()
    asked = (
        os.path.abspath(store().folder), pointer.generation, pointer.made_at, _names_shown(), dt.date.today(), sql,
        repr(parameters),
    )  # fmt: skip
    return _KEPT.answer(asked, lambda: fetch(sql, parameters, con))


def tables() -> set[str]:
    """The tables of the current generation: what has been fitted can be asked, what has not is told so."""
    names = ask("select table_name as name from duckdb_tables() union select view_name from duckdb_views()")
    return set(names["name"].to_list())


def columns(table: str) -> set[str]:
    return set(ask("select column_name as name from duckdb_columns() where table_name = $table", table=table)["name"])


def ask_table(table: str, sql: str, **parameters: Any) -> pl.DataFrame:
    """The answer, or an empty frame where the table is not there yet (before the first fit)."""
    return ask(sql, **parameters) if table in tables() else pl.DataFrame()


def stamp() -> Stamp:
    pointer, _ = connection()
    known = tables()
    as_of = None
    if "fit_run" in known and "as_of" in columns("fit_run"):
        found = ask("select max(as_of)::date as as_of from fit_run")
        as_of = found["as_of"][0] if found.height else None
    fitted = as_of is not None
    if as_of is None and "staged_job" in known:
        as_of = ask(
            "select max(d) as as_of from (select max(finished_on) as d from staged_job where finished_on <= today() "
            "union all select max(opened_on) from staged_call where opened_on <= today())"
        )["as_of"][0]
    load = ask_table(
        "load_run",
        "select load_id, ended_at from load_run where undone_at is null order by ended_at desc nulls last limit 1",
    )
    jobs = ask_table("staged_job", "select count(*) as jobs from staged_job")
    return Stamp(
        generation=pointer.generation,
        made_at=pointer.made_at,
        as_of=as_of,
        last_load=load["load_id"][0] if load.height else None,
        loaded_at=load["ended_at"][0] if load.height else None,
        jobs=int(jobs["jobs"][0]) if jobs.height else 0,
        fitted=fitted,
    )


def entries() -> Entries:
    return Entries(store().entries_file)


def house_rules() -> HouseRules:
    """The house rules as entered: what a page shows as settings; the figures stand on those of their generation."""
    return entries().house_rules()


# --- steps, groups, people


def fleet_by_step() -> pl.DataFrame:
    """One row for each step: counts over all technicians, the share good with its interval and bounds, the target."""
    return ask_table(
        "technician_step",
        f"""
        with summed as (
            select step, sum(applicable)::bigint as applicable, sum(known)::bigint as known, sum(good)::bigint as good,
                sum(failed)::bigint as failed, sum(ticked_only)::bigint as ticked_only,
                sum(not_done)::bigint as not_done, sum(unknown)::bigint as unknown,
                sum(disputed)::bigint as disputed, max(target) as target, count(*) as technicians
            from technician_step group by step
        )
        select *, good / nullif(known, 0) as rate,
            {wilson("good", "known", "-")} as low, {wilson("good", "known", "+")} as high,
            good / nullif(known + unknown, 0) as rate_if_unknown_bad,
            (good + unknown) / nullif(known + unknown, 0) as rate_if_unknown_good
        from summed
        """,
    )


def group_kinds() -> list[str]:
    found = ask_table("group_step", 'select distinct group_kind from group_step where "group" is not null')
    return found["group_kind"].to_list() if found.height else []


# what stands on the page where a record names no group; of a firm it means the contractor's own people
NO_GROUP = "not recorded"
OWN_PEOPLE = "own people"


def group_step(kind: str, step: str | None = None) -> pl.DataFrame:
    """The groups of a kind with the most known jobs, of one step or (then at most 45 groups) of all of them.

    groups_known : how many groups of that step have a known job; more than there are rows in a very large house.
    """
    return ask_table(
        "group_step",
        f"""
        with of_kind as (
            select * replace (coalesce(nullif("group", ''), $none) as "group") from group_step
            where group_kind = $kind and ($step is null or step = $step)
        ), busiest as (
            select "group" from of_kind group by 1 order by sum(known) desc nulls last, 1
            limit if($step is null, {ROWS_AT_MOST // (len(STEPS) + 2)}, {ROWS_AT_MOST})
        )
        select of_kind.*, (select count(*) from of_kind as other where other.step = of_kind.step and known > 0) as groups_known
        from of_kind where "group" in (from busiest) order by "group", step
        """,
        kind=kind,
        step=step,
        none=OWN_PEOPLE if kind == "firm" else NO_GROUP,
    )


def group_of_step(kind: str, step: str, group: str) -> dict[str, Any]:
    """The counts of one group at one step; empty where there is none."""
    found = ask_table(
        "group_step",
        "select * from group_step where group_kind = $kind and step = $step and coalesce(\"group\", '') = $group",
        kind=kind,
        step=step,
        group="" if group in (NO_GROUP, OWN_PEOPLE) else group,
    )
    return found.row(0, named=True) if found.height else {}


def group_names(kind: str) -> list[str]:
    """The groups of a kind to choose from, by name: those with the most known jobs, at most 500."""
    found = ask_table(
        "group_step",
        f"""
        select "group" from (
            select coalesce(nullif("group", ''), $none) as "group", sum(known) as known from group_step
            where group_kind = $kind group by 1 order by 2 desc, 1 limit {ROWS_AT_MOST}
        ) order by "group" = $none, "group"
        """,
        kind=kind,
        none=OWN_PEOPLE if kind == "firm" else NO_GROUP,
    )
    return found["group"].to_list() if found.height else []


def crews(also: str | None = None) -> list[str]:
    """The crews to choose from, by name: those with the most known jobs, at most 500, and the one of a link beyond them."""
    found = ask_table(
        "technician_step",
        f"""
        select crew from (
            select coalesce(nullif(crew, ''), $none) as crew, sum(known) as known from technician_step
            group by 1 order by 2 desc, 1 limit {ROWS_AT_MOST}
        ) order by crew = $none, crew
        """,
        none=NO_GROUP,
    )
    known = found["crew"].to_list() if found.height else []
    return [*known, also] if also and len(known) == ROWS_AT_MOST and also not in known else known


def technicians(crew: str | None = None, also: str | None = None) -> dict[str, str]:
    """Each technician's name, or the id where no name was given: the first 500 by name, of all or of a crew.

    also : one who is wanted beyond them, such as the one of a link.
    """
    found = ask_table(
        "technician_step",
        f"""
        select distinct ts.technician_id, coalesce(nullif(t.name, ''), ts.technician_id) as name
        from technician_step ts left join staged_technician t using (technician_id)
        where ts.technician_id is not null and ($crew is null or coalesce(ts.crew, '') = $crew)
        order by name, 1 limit {ROWS_AT_MOST}
        """,
        crew="" if crew == NO_GROUP else crew,
    )
    people = dict(found.iter_rows()) if found.height else {}
    if also and also not in people and (name := technician_name(also)):
        people[also] = name
    return people


def technician_name(technician_id: str) -> str | None:
    """The name of one technician with graded jobs, or the id where no name was given; None where there is none."""
    found = ask_table(
        "technician_step",
        "select coalesce(any_value(nullif(t.name, '')), any_value(ts.technician_id)) as name from technician_step ts "
        "left join staged_technician t using (technician_id) where ts.technician_id = $who having count(*) > 0",
        who=technician_id,
    )
    return found["name"][0] if found.height else None


def technician_count() -> int:
    """How many people have a graded job."""
    found = ask_table("technician_step", "select count(distinct technician_id) as n from technician_step")
    return int(found["n"][0]) if found.height else 0


def technician_step(step: str, crew: str | None = None) -> pl.DataFrame:
    """One row for each technician of one step, in the order of crew and name: never an order of merit."""
    return ask_table(
        "technician_step",
        f"select ts.*, coalesce(nullif(t.name, ''), ts.technician_id) as name, t.left_on "
        f"from technician_step ts left join staged_technician t using (technician_id) "
        f"where ts.step = $step and ($crew is null or coalesce(ts.crew, '') = $crew) and ts.applicable > 0 "
        f"order by ts.crew nulls last, name limit {ROWS_AT_MOST}",
        step=step,
        crew="" if crew == NO_GROUP else crew,
    )


def technicians_by_flag(step: str | None = None, crew: str | None = None) -> dict[str, int]:
    """How many of those with a known job of the step bear each flag; the others are compared with nobody."""
    found = ask_table(
        "technician_step",
        "select flag, count(*) as n from technician_step where step not in ('all', 'whole_job') "
        "and known > 0 and ($step is null or step = $step) and ($crew is null or coalesce(crew, '') = $crew) group by flag",
        step=step,
        crew="" if crew == NO_GROUP else crew,
    )
    return dict(found.iter_rows()) if found.height else {}


def month_step(step: str, crew: str | None = None) -> pl.DataFrame:
    """The months of one step for the fleet or one crew, at most the last 48."""
    names = columns("month_step") if "month_step" in tables() else set()
    if not names:
        return pl.DataFrame()
    crew_column = "crew" if "crew" in names else '"group"'
    whole_fleet = f"({crew_column} is null or {crew_column} in ('', 'fleet', 'all'))"
    return ask(
        f"select * from (select * from month_step where step = $step and "
        f"(case when $crew is null then {whole_fleet} else {crew_column} = $crew end) order by month desc limit 48) "
        "order by month",
        step=step,
        crew=crew,
    )


def moves(step: str, crew: str | None = None) -> pl.DataFrame:
    """The last 12 months in which a chart of the fleet or of one crew rang: month, change."""
    trend = month_step(step, crew)
    if trend.is_empty() or "change" not in trend.columns:
        return pl.DataFrame()
    return trend.tail(12).filter(pl.col("change") != "").select("month", "change")


def step_spread(step: str) -> pl.DataFrame:
    """How far people differ at a step, and how much of it goes with crew, branch or firm."""
    return ask_table(
        "step_spread",
        "select * from step_spread where step = $step order by list_position(['crew', 'branch', 'firm'], group_kind)",
        step=step,
    )


def proof(step: str | None = None) -> dict[str, Any]:
    """Steps measured again by somebody else: checked, agrees, low, high of the share; ticked and ticked_good."""
    found = ask_table(
        "inspection_check",
        f"""
        with counted as (
            select count(agrees) as checked, count(*) filter (agrees) as agrees,
                count(*) filter (state = 'ticked_only') as ticked,
                count(*) filter (state = 'ticked_only' and is_within) as ticked_good
            from inspection_check where $step is null or step = $step
        )
        select *, {wilson("agrees", "checked", "-")} as low, {wilson("agrees", "checked", "+")} as high from counted
        """,
        step=step,
    )
    return found.row(0, named=True) if found.height else {}


def measured_again(step: str | None = None) -> pl.DataFrame:
    """What was measured again and does not agree, or was only ticked, first; then the rest, the newest first."""
    return ask_table(
        "inspection_check",
        "select i.*, coalesce(nullif(t.name, ''), i.technician_id) as name, "
        "coalesce(nullif(again.name, ''), i.inspector_id) as by_name from inspection_check i "
        "left join staged_technician t using (technician_id) left join staged_technician again "
        "on again.technician_id = i.inspector_id where $step is null or i.step = $step "
        "order by case when not agrees then 0 when agrees is null and not is_within then 1 else 2 end, "
        f"inspected_on desc nulls last, job_id limit {ROWS_AT_MOST}",
        step=step,
    )


def drawn_to_measure_again() -> pl.DataFrame:
    """Jobs drawn in the two newest months; waiting: how many of all of them are still to be measured again."""
    return ask_table(
        "inspection_draw",
        "select d.*, coalesce(nullif(t.name, ''), d.technician_id) as name, "
        "count(*) filter (not d.is_measured_again) over () as waiting from inspection_draw d "
        "left join staged_technician t using (technician_id) "
        "where month >= (select max(month) from inspection_draw) - interval 1 month "
        f"order by is_measured_again, month desc, name, job_id limit {ROWS_AT_MOST}",
    )


# --- jobs behind a number


@dataclass(frozen=True)
class JobFilter:
    """Which job steps are meant. A value of None does not narrow; the same filter opens the same list from a link."""

    step: str | None = None
    states: tuple[str, ...] = ()
    crew: str | None = None
    technician: str | None = None
    group_kind: str | None = None
    group: str | None = None
    search: str | None = None

    def parameters(self) -> dict[str, Any]:
        """The values that `where` names."""
        asked = {
            "step": self.step,
            "states": list(self.states),
            "crew": "" if self.crew == NO_GROUP else self.crew,
            "technician": self.technician,
            "group": "" if self.group in (NO_GROUP, OWN_PEOPLE) else self.group,
            "search": _like(self.search),
            "not_before": _jobs_after_the_figures(),
        }
        where = self.where()
        return {name: value for name, value in asked.items() if re.search(rf"\${name}\b", where)}

    def where(self) -> str:
        """The condition on `g` (listed_step), and on `j` (listed_job) and `t` (staged_technician) where `source` has them."""
        # the figures stop at their own day, and so must the list; a job without a day comes last and is in both
        conditions = ["g.place > $not_before", "g.state <> 'not_applicable'" if not self.states else ""]
        conditions += ["list_contains($states, g.state)" if self.states else ""]
        conditions += ["g.step = $step" if self.step is not None else ""]
        conditions += ["g.technician_id = $technician" if self.technician is not None else ""]
        if self.crew is not None:
            conditions.append(_OF_NO_CREW if self.crew in (NO_GROUP, "") else _OF_CREW)
        if self.search:
            conditions.append("(j.job_id ilike $search escape '!' or j.system_id ilike $search escape '!')")
        if self.group is not None and self.group_kind == "instrument":
            conditions.append(_of_instrument(self.group in (NO_GROUP, ""), self.step))
        elif self.group is not None and (expression := self._group_expression()):
            conditions.append(f"coalesce({expression}, '') = $group")
        return " and ".join(condition for condition in conditions if condition)

    def source(self) -> str:
        """The FROM clause that `where` needs: listed_step, and as little else as the choices ask for."""
        expression = (self._group_expression() or "") if self.group is not None else ""
        job = "join listed_job j on j.place = g.place" if self.search or re.search(r"\bj\.", expression) else ""
        is_by_person = re.search(r"\bt\.", expression)
        person = "left join staged_technician t on t.technician_id = g.technician_id" if is_by_person else ""
        return f"from listed_step g {job} {person}"

    def _group_expression(self) -> str | None:
        return GROUP_OF_JOB.get(self.group_kind or "")

    @property
    def narrows(self) -> bool:
        """Whether it leaves out any job at all that has a grade."""
        return bool(self.step or self.states or self.crew or self.technician or self.group or self.search)


_OF_CREW = "g.technician_id in (select technician_id from staged_technician where crew = $crew)"
_OF_NO_CREW = "coalesce(g.technician_id not in (select technician_id from staged_technician where crew <> ''), true)"
# how a job step belongs to a group; the same rule as group_step's, so that the counts agree
GROUP_OF_JOB = {
    "crew": "t.crew",
    "branch": "coalesce(nullif(j.branch, ''), t.branch)",
    "firm": "t.firm",
    "form": "j.form",
    "equipment": "j.equipment",
    "season": """case when month(j.finished_on) in (12, 1, 2) then 'winter'
        when month(j.finished_on) in (3, 4, 5) then 'spring' when month(j.finished_on) in (6, 7, 8) then 'summer'
        when month(j.finished_on) in (9, 10, 11) then 'autumn' end""",
}


def _of_instrument(is_none: bool, step: str | None) -> str:
    """The steps of which the latest reading that names an instrument names this one; or of which no reading names any."""
    of_step = " and step = $step" if step is not None else ""
    if is_none:
        return f"(g.step, g.place) not in (select (step, place) from listed_instrument where true{of_step})"
    return f"(g.step, g.place) in (select (step, place) from listed_instrument where instrument_id = $group{of_step})"


def _jobs_after_the_figures() -> int:
    """How many jobs are younger than the figures: they stand first in every list, and are left out of it."""
    as_of = stamp().as_of
    if as_of is None:
        return 0
    found = ask_table("listed_job", "select count(*) as n from listed_job where finished_on > $as_of", as_of=as_of)
    return int(found["n"][0]) if found.height else 0


def _like(text: str | None) -> str | None:
    if not text:
        return None
    for sign in "!%_":
        text = text.replace(sign, "!" + sign)
    return f"%{text.strip()}%"


_EVERY_JOB = "select place from listed_job where known is not null and place > $not_before"
_EVERY_MATCH = (
    "select place from listed_job j where job_id ilike $search escape '!' or system_id ilike $search escape '!'"
)


def job_states(which: JobFilter) -> dict[str, int]:
    """How many job steps the filter holds in each state, the state itself left open."""
    of_all = replace(which, states=())
    found = ask_table(
        "listed_step",
        f"select g.state, count(*) as n {of_all.source()} where {of_all.where()} group by 1",
        **of_all.parameters(),
    )
    counts = dict(found.iter_rows()) if found.height else {}
    return {state: counts[state] for state in STATES if state in counts}


def job_steps(which: JobFilter, page: int = 1) -> pl.DataFrame:
    """One page of the job steps behind a number, the newest first."""
    found = ask_table(
        "listed_step",
        f"""
        with listed as (
            select g.place, g.step, g.state, g.technician_id {which.source()} where {which.where()}
            order by g.place, g.step limit {PAGE_OF_JOBS} offset $skip
        )
        select j.job_id, listed.step, listed.state, j.finished_on,
            coalesce(nullif(t.name, ''), listed.technician_id) as name, t.crew, j.equipment
        from listed join listed_job j using (place)
        left join staged_technician t on t.technician_id = listed.technician_id
        order by listed.place, listed.step
        """,
        skip=(page - 1) * PAGE_OF_JOBS,
        **which.parameters(),
    )
    if found.is_empty():
        return found
    # what was measured and why is put into words for these rows alone
    said = ask(
        "select job_id, step::varchar as step, measured, limit_value, unit, why from step_grade "
        "where list_contains($jobs, job_id) and list_contains($rows, job_id || chr(9) || step::varchar)",
        jobs=found["job_id"].unique(maintain_order=True).to_list(),
        rows=(found["job_id"] + "\t" + found["step"]).to_list(),
    )
    return found.join(said, on=["job_id", "step"], how="left", maintain_order="left")


def neighbours(which: JobFilter, job_id: str) -> dict[str, Any]:
    """Where a job stands in the filter's list of jobs, newest first: its place, how many there are, who is beside it."""
    if which.narrows:
        once, values = "" if which.step else "distinct", which.parameters()
        listed = f"select {once} g.place {which.source()} where {which.where()}"
    else:
        listed, values = _EVERY_JOB, {"not_before": _jobs_after_the_figures()}
    found = ask_table(
        "listed_job",
        f"""
        with here as (select max(place) as place from listed_job where job_id = $job),
        beside as (
            select count(*) as jobs, count(*) filter (listed.place <= here.place) as place,
                coalesce(bool_or(listed.place = here.place), false) as is_in,
                max(listed.place) filter (listed.place < here.place) as newer,
                min(listed.place) filter (listed.place > here.place) as older, min(listed.place) as first
            from ({listed}) as listed, here
        )
        select if(is_in, place, null) as place, jobs,
            (select job_id from listed_job where is_in and listed_job.place = beside.newer) as newer,
            (select job_id from listed_job where listed_job.place = if(is_in, beside.older, beside.first)) as older
        from beside
        """,
        job=job_id,
        **values,
    )
    return found.row(0, named=True) if found.height else {"place": None, "jobs": 0, "newer": None, "older": None}


def matching_jobs(which: JobFilter, at_most: int = 50) -> pl.DataFrame:
    """The jobs of a filter, newest first, for the search on Job folder.

    A search that nothing else narrows finds every job on record, also one with no step of ours (put in by others).
    """
    if which.search and which == JobFilter(search=which.search):
        listed, values = _EVERY_MATCH, {"search": _like(which.search)}
    elif which.narrows:
        once, values = "" if which.step else "distinct", which.parameters()
        listed = f"select {once} g.place {which.source()} where {which.where()}"
    else:
        listed, values = _EVERY_JOB, {"not_before": _jobs_after_the_figures()}
    return ask_table(
        "listed_job",
        f"""
        with listed as ({listed} order by place limit {int(at_most)})
        select j.job_id, j.system_id, j.job_kind, j.equipment, j.finished_on, j.by_others,
            coalesce(j.good, 0) as good, coalesce(j.known, 0) as known
        from listed join listed_job j using (place) order by j.place
        """,
        **values,
    )


# --- one job


def job(job_id: str) -> dict[str, Any] | None:
    found = ask_table(
        "staged_job",
        """
        select j.*, s.equipment, s.refrigerant, s.nominal_tons, s.metering, s.model, s.ducted, s.air_handler,
            s.warranty_until, s.agreement, s.retired_on, s.retired_because, t.crew, t.firm,
            coalesce(nullif(t.name, ''), j.technician_id) as name, coalesce(nullif(j.branch, ''), t.branch) as at_branch
        from staged_job j left join staged_system s on s.system_id = j.system_id
        left join staged_technician t on t.technician_id = j.technician_id
        where j.job_id = $job limit 1
        """,
        job=job_id,
    )
    return found.row(0, named=True) if found.height else None


def grades_of_job(job_id: str) -> pl.DataFrame:
    has_limit = "limit_used" in tables()
    limit_columns = (
        "l.quantity, l.at_least, l.at_most, l.bound, l.source, l.clause, l.status, l.profile"
        if has_limit
        else "null as quantity, null as at_least, null as at_most, null as bound, null as source, null as clause, "
        "null as status, null as profile"
    )
    join = "left join limit_used l using (limit_id)" if has_limit else ""
    return ask_table(
        "step_grade",
        f"select g.*, {limit_columns}, coalesce(nullif(t.name, ''), g.technician_id) as name, "
        f"st.ticked, st.started_at, st.ended_at "
        f"from step_grade g {join} left join staged_technician t on t.technician_id = g.technician_id "
        f"left join staged_step st on st.job_id = g.job_id and st.step::varchar = g.step::varchar "
        f"where g.job_id = $job order by list_position($steps, g.step::varchar)",
        job=job_id,
        steps=list(STEPS),
    )


def readings_of_job(job_id: str) -> pl.DataFrame:
    """Everything that was read on the job, as taken in and as written, in the order of the trade's steps and time."""
    due = "due.due_on" if "late_calibration" in tables() else "null::date"
    late = (
        "left join (select job_id, step, quantity, reading_no, due_on from late_calibration where job_id = $job) as due "
        "on due.step = r.step::varchar and due.quantity = r.quantity::varchar and due.reading_no = r.reading_no "
        if "late_calibration" in tables()
        else ""
    )
    return ask_table(
        "staged_reading",
        f"""
        select taken_at, r.step::varchar as step, r.quantity::varchar as quantity, value, unit::varchar as unit, value_text,
            original_value, original_unit, instrument_id, source_file, source_line, load_id, reading_order,
            reading_order = max(reading_order) over (partition by r.step, r.quantity) as counts, {due} as calibration_due_on
        from staged_reading as r {late} where r.job_id = $job
        order by list_position($steps, r.step::varchar), taken_at nulls last, reading_order limit {ROWS_AT_MOST}
        """,
        job=job_id,
        steps=list(STEPS),
    )


def rejected_of_job(job_id: str) -> pl.DataFrame:
    return ask_table(
        "rejected_reading",
        "select step::varchar as step, quantity::varchar as quantity, value, reason from rejected_reading "
        "where job_id = $job limit 100",
        job=job_id,
    )


def history_of_job(job_id: str) -> pl.DataFrame:
    """Earlier versions of the job's own rows: what a later load replaced."""
    names = columns("row_history") if "row_history" in tables() else set()
    if not {"table_name", "row_key", "superseded_at"} <= names:
        return pl.DataFrame()
    return ask(
        "select table_name, row_key, row_as_json, load_id, superseded_by, superseded_at from row_history "
        "where table_name in ('jobs', 'steps', 'readings', 'staged_job', 'staged_step', 'staged_reading') "
        "and contains(row_key::varchar, $job) order by superseded_at desc limit 100",
        job=job_id,
    )


def gauge_logs_of_job(job_id: str) -> pl.DataFrame:
    """Which gauge logs the job has: step, attempt, quantity, samples, minutes."""
    return ask_table(
        "staged_trace",
        "select step::varchar as step, coalesce(attempt, 1) as attempt, quantity::varchar as quantity, "
        "any_value(unit)::varchar as unit, count(*) as samples, max(elapsed_s) / 60 as minutes, "
        "any_value(source_file) as source_file, any_value(instrument_id) as instrument_id "
        "from staged_trace where job_id = $job group by 1, 2, 3 order by 1, 2, 3 limit 60",
        job=job_id,
    )


def gauge_log(job_id: str, step: str, attempt: int, quantity: str) -> pl.DataFrame:
    """One gauge log, thinned to what a chart can hold; the lowest and highest sample of each stretch are kept."""
    return ask_table(
        "staged_trace",
        f"""
        with log as (
            select elapsed_s, value from staged_trace
            where job_id = $job and step::varchar = $step and coalesce(attempt, 1) = $attempt
                and quantity::varchar = $quantity
        ), cut as (
            select *, ntile({SAMPLES_DRAWN // 2}) over (order by elapsed_s) as stretch, count(*) over () as samples
            from log
        )
        select elapsed_s, value from cut where samples <= {SAMPLES_DRAWN}
        union all
        select unnest([arg_min(elapsed_s, value), arg_max(elapsed_s, value)]), unnest([min(value), max(value)])
        from cut where samples > {SAMPLES_DRAWN} group by stretch
        order by elapsed_s
        """,
        job=job_id,
        step=step,
        attempt=attempt,
        quantity=quantity,
    )


def trace_verdicts(job_id: str) -> pl.DataFrame:
    return ask_table("trace_verdict", "select * from trace_verdict where job_id = $job limit 60", job=job_id)


def pull_downs(job_id: str) -> pl.DataFrame:
    """What the logs of the evacuation say, one row for each attempt."""
    return ask_table("pull_down", "select * from pull_down where job_id = $job limit 60", job=job_id)


def pressure_logs(job_id: str) -> pl.DataFrame:
    """What the logs of the pressure test say, one row for each attempt."""
    return ask_table("pressure_log", "select * from pressure_log where job_id = $job limit 60", job=job_id)


def later_calls(system_id: str, after: dt.date | None) -> pl.DataFrame:
    return ask_table(
        "staged_call",
        "select call_id, opened_on, call_kind::varchar as call_kind, finding::varchar as finding, put_right, cost, "
        "source_file, source_line from staged_call where system_id = $system and ($after is null or opened_on >= $after) "
        "order by opened_on limit 200",
        system=system_id,
        after=after,
    )


def jobs_of_system(system_id: str) -> pl.DataFrame:
    return ask_table(
        "staged_job",
        "select job_id, job_kind::varchar as job_kind, finished_on from staged_job where system_id = $system "
        "order by finished_on nulls last, job_id limit 50",
        system=system_id,
    )


# --- what goes with a step that is not good


def effect_outcomes() -> list[str]:
    found = ask_table("step_effect", "select outcome, sum(events) as n from step_effect group by 1 order by 2 desc")
    return found["outcome"].to_list() if found.height else []


def effect_contrasts(outcome: str) -> list[str]:
    found = ask_table(
        "step_effect", "select distinct contrast from step_effect where outcome = $outcome", outcome=outcome
    )
    return found["contrast"].to_list() if found.height else []


def step_effect(outcome: str, contrast: str = "not_good") -> pl.DataFrame:
    return ask_table(
        "step_effect",
        "select * from step_effect where outcome = $outcome and contrast = $contrast "
        "order by list_position($steps, step::varchar), age_band",
        outcome=outcome,
        contrast=contrast,
        steps=list(STEPS),
    )


def sensitivity(outcome: str) -> pl.DataFrame:
    """The ratios of one outcome under each other choice, where there were events enough."""
    return ask_table(
        "step_effect_sensitivity",
        "select * from step_effect_sensitivity where outcome = $outcome and hazard_ratio is not null "
        "order by list_position($steps, step::varchar), variant, age_band",
        outcome=outcome,
        steps=list(STEPS),
    )


def years_in_service(step: str) -> pl.DataFrame:
    return ask_table("years_in_service", "select * from years_in_service where step = $step order by arm", step=step)


def evidence_needed_for(outcome: str, step: str) -> pl.DataFrame:
    """What is still open on one step and outcome, and how much more it takes."""
    return ask_table(
        "evidence_needed",
        "select * from evidence_needed where topic = 'step_effect' and outcome = $outcome and step = $step "
        "order by age_band",
        outcome=outcome,
        step=step,
    )


def incidence(outcome: str, step: str) -> pl.DataFrame:
    return ask_table(
        "incidence",
        f"select * from incidence where outcome = $outcome and step = $step order by arm, age_months "
        f"limit {MARKS_AT_MOST // 2}",
        outcome=outcome,
        step=step,
    )


def incidence_outcomes(step: str) -> list[str]:
    found = ask_table("incidence", "select distinct outcome from incidence where step = $step", step=step)
    return found["outcome"].to_list() if found.height else []


def step_cost() -> pl.DataFrame:
    return ask_table(
        "step_cost",
        "select * from step_cost order by list_position($steps, step::varchar)",
        steps=[*STEPS, "all"],
    )


def fit_notes(*topics: str) -> pl.DataFrame:
    return ask_table(
        "fit_note",
        "select topic, step, text from fit_note where ($any or list_contains($topics, topic)) limit 200",
        any=not topics,
        topics=list(topics) or [""],
    )


def fit_run() -> dict[str, Any]:
    found = ask_table("fit_run", "select * from fit_run limit 1")
    return found.row(0, named=True) if found.height else {}


# --- slow fuses


def risk_areas() -> list[str]:
    found = ask_table(
        "install_risk",
        "select distinct area from install_risk where area is not null and area <> '' order by 1 limit 300",
    )
    return found["area"].to_list() if found.height else []


def risk_horizons() -> list[int]:
    found = ask_table("install_risk", "select distinct horizon_months from install_risk order by 1")
    return [int(months) for months in found["horizon_months"]] if found.height else []


# the share of the failure's cost that a visit takes away, as chance: benefit = avoided x cost of a failure - visit's cost
RISK = """
    with priced as (
        select r.*, case when probability > 0 and expected_loss > 0 then
            greatest(0, least(probability, (visit_benefit + $visit_cost) * probability / expected_loss)) else 0 end
            as avoided
        from install_risk r
        where horizon_months = $horizon and ($area is null or area = $area)
            and ($warranty_months is null or (warranty_until >= as_of
                and warranty_until < as_of + to_months($warranty_months::int)))
    )
"""


def _risk_parameters(horizon: int, area: str | None, warranty_months: int | None, visit_cost: float) -> dict[str, Any]:
    return {"horizon": horizon, "area": area, "warranty_months": warranty_months, "visit_cost": visit_cost}


def risk_list(
    horizon: int, area: str | None, warranty_months: int | None, visit_cost: float, at_most: int
) -> pl.DataFrame:
    """The systems to visit first: by the benefit of a visit at 12 months, with chances at the horizon asked for."""
    return ask_table(
        "install_risk",
        f"{RISK}, first as (select * from priced order by rank, system_id limit {min(int(at_most), ROWS_AT_MOST)}) "
        f"select p.system_id, p.job_id, p.area, p.as_of, p.last_seen_on, p.warranty_until, p.probability, p.low, "
        f"p.high, p.probability_if_good, p.if_good_low, p.if_good_high, p.expected_loss, p.visit_benefit, p.rank, p.reasons, "
        f"p.reason_shares, p.check_on_visit, p.avoided, s.equipment, s.refrigerant, s.nominal_tons, j.finished_on, j.job_kind "
        f"from first p left join staged_system s on s.system_id = p.system_id "
        f"left join staged_job j on j.job_id = p.job_id order by p.rank, p.system_id",
        **_risk_parameters(horizon, area, warranty_months, visit_cost),
    )


def risk_ranges(horizon: int, area: str | None, warranty_months: int | None) -> pl.DataFrame:
    """Ends of the sums' ranges, as parts of the sums, for the first so many of a list and (last) for all of it.

    Where an area and a warranty are both asked for, those of the area's list stand in.
    """
    return ask_table(
        "risk_total",
        """
        select systems::double as visits, low / expected as expected_low, high / expected as expected_high,
            case when avoided > 0 then avoided_low / avoided end as avoided_low,
            case when avoided > 0 then avoided_high / avoided end as avoided_high
        from risk_total
        where horizon_months = $horizon and area is not distinct from $area and expected > 0
            and warranty_months is not distinct from $warranty_months
        order by systems, first = 0
        """,
        horizon=horizon,
        area=area,
        warranty_months=None if area else warranty_months,
    )


_RANGE_PARTS = ("expected_low", "expected_high", "avoided_low", "avoided_high")


def _with_range_parts(curve: pl.DataFrame, ranges: pl.DataFrame) -> pl.DataFrame:
    """The parts beside each number of visits: between two rungs of the ladder drawn straight, empty where none is known."""
    if ranges.is_empty():
        return curve.with_columns(pl.lit(None, pl.Float64).alias(name) for name in _RANGE_PARTS)
    both = pl.concat([curve.with_columns(pl.col("visits").cast(pl.Float64)), ranges], how="diagonal").sort("visits")
    parts = [pl.col(name).interpolate_by("visits").forward_fill().backward_fill() for name in _RANGE_PARTS]
    return both.with_columns(parts).drop_nulls("systems").with_columns(pl.col("visits").cast(pl.Int64))


def risk_totals(
    horizon: int, area: str | None, warranty_months: int | None, visit_cost: float, visits: int
) -> dict[str, Any]:
    """What the first so many visits hold: failures expected and avoided with their ranges, against the whole list."""
    found = ask_table(
        "install_risk",
        f"""
        {RISK}, first as (
            select probability, avoided, expected_loss, visit_benefit,
                warranty_until between as_of and as_of + interval 6 month as is_soon
            from priced order by rank, system_id limit $visits
        ), whole as (
            select count(*) as systems, sum(probability) as expected, count(*) filter (visit_benefit > 0) as worth_it,
                count(*) filter (0.5 * (visit_benefit + $visit_cost) - $visit_cost > 0) as worth_it_at_half,
                count(*) filter (2 * (visit_benefit + $visit_cost) - $visit_cost > 0) as worth_it_at_double,
                count(*) filter (warranty_until between as_of and as_of + interval 6 month) as warranty_soon,
                max(as_of) as as_of
            from priced
        )
        select whole.*, head.* from whole, (
            select count(*) as visits, sum(probability) as expected_in, sum(avoided) as avoided_in,
                sum(expected_loss) as loss_in, sum(visit_benefit) as benefit_in,
                count(*) filter (is_soon) as warranty_soon_in
            from first
        ) as head
        """,
        visits=visits,
        **_risk_parameters(horizon, area, warranty_months, visit_cost),
    )
    if not found.height or not found["systems"][0]:
        return found.row(0, named=True) if found.height else {}
    totals = found.row(0, named=True)
    ranges = risk_ranges(horizon, area, warranty_months)
    asked = pl.DataFrame({"visits": [totals["visits"], totals["systems"]], "systems": [totals["systems"]] * 2})
    first, whole = _with_range_parts(asked, ranges).rows(named=True)

    def end(value: float, part: float | None) -> float | None:
        return None if part is None else value * part

    return totals | {
        "expected_in_low": end(totals["expected_in"], first["expected_low"]),
        "expected_in_high": end(totals["expected_in"], first["expected_high"]),
        "avoided_low": end(totals["avoided_in"], first["avoided_low"]),
        "avoided_high": end(totals["avoided_in"], first["avoided_high"]),
        "expected_low": end(totals["expected"], whole["expected_low"]),
        "expected_high": end(totals["expected"], whole["expected_high"]),
    }


def risk_curve(horizon: int, area: str | None, warranty_months: int | None, visit_cost: float) -> pl.DataFrame:
    """Failures avoided as visits are added in the list's order, with the sum's range, and in no order: 300 points.

    As far as a picture of ROWS_AT_MOST visits needs it (CURVE_AT_MOST), not to the end of a long list.
    """
    curve = ask_table(
        "install_risk",
        f"""
        {RISK}, first as (
            select rank, system_id, avoided from priced order by rank, system_id limit {CURVE_AT_MOST}
        ), placed as (
            select row_number() over w as visits, sum(avoided) over w as avoided, count(*) over () as shown
            from first window w as (order by rank, system_id)
        ), whole as (select count(*) as systems, avg(avoided) as mean_avoided from priced)
        select visits, avoided, visits * mean_avoided as at_random, systems from placed, whole
        where visits <= 40 or visits % greatest(1, shown // 250) = 0 or visits = shown order by visits
        """,
        **_risk_parameters(horizon, area, warranty_months, visit_cost),
    )
    if curve.is_empty():
        return curve
    return _with_range_parts(curve, risk_ranges(horizon, area, warranty_months)).select(
        "visits",
        "avoided",
        "at_random",
        "systems",
        low=pl.col("avoided") * pl.col("avoided_low"),
        high=pl.col("avoided") * pl.col("avoided_high"),
    )


def calibration() -> pl.DataFrame:
    return ask_table("calibration", 'select * from calibration order by cutoff desc, horizon_months, "group" limit 400')


def model_card() -> pl.DataFrame:
    return ask_table("model_card", "select * from model_card order by cutoff desc, horizon_months limit 60")


# --- training


def training_need(step: str | None = None, technician: str | None = None, priority: str | None = None) -> pl.DataFrame:
    """Who could use a class in what, by when, step, crew and name: the first 500; needs: how many there are in all."""
    return ask_table(
        "training_need",
        f"select n.*, coalesce(nullif(t.name, ''), n.technician_id) as name, count(*) over () as needs "
        f"from training_need n left join staged_technician t using (technician_id) "
        f"where ($step is null or n.step = $step) and ($who is null or n.technician_id = $who) "
        f"and ($priority is null or n.priority = $priority) "
        f"order by list_position(['first', 'next', 'later'], n.priority), list_position($steps, n.step::varchar), "
        f"n.crew nulls last, name limit {ROWS_AT_MOST}",
        step=step,
        who=technician,
        priority=priority,
        steps=list(STEPS),
    )


def training_by_priority() -> pl.DataFrame:
    """For each step and priority: people, what closing their gaps would save (with its range) and jobs short of the target."""
    return ask_table(
        "training_need",
        """
        select step, priority, count(*) as people, sum(saving_per_year) as saving_per_year, sum(low) as low,
            sum(high) as high, sum(gap_cannot * jobs_per_year) as jobs_short
        from training_need group by step, priority order by step, priority
        """,
    )


def people_in_need() -> dict[str, str]:
    """The names of those with a need, by name: the first 500."""
    found = ask_table(
        "training_need",
        "select distinct n.technician_id, coalesce(nullif(t.name, ''), n.technician_id) as name from training_need n "
        f"left join staged_technician t using (technician_id) order by name, 1 limit {ROWS_AT_MOST}",
    )
    return dict(found.iter_rows()) if found.height else {}


def training_by_step() -> pl.DataFrame:
    """For each step: how the gap to the target splits, over all people, and what closing it would save."""
    return ask_table(
        "training_need",
        """
        select step, count(*) as technicians, count(*) filter (priority = 'first') as first,
            sum(gap_cannot * jobs_per_year) as cannot, sum(gap_not_recorded * jobs_per_year) as not_recorded,
            sum(gap_no_tool * jobs_per_year) as no_tool, sum(jobs_per_year) as jobs_per_year,
            sum(saving_per_year) as saving, sum(low) as low, sum(high) as high
        from training_need group by step order by list_position($steps, step::varchar)
        """,
        steps=list(STEPS),
    )


def training_effect() -> pl.DataFrame:
    return ask_table(
        "training_effect",
        "select * from training_effect order by list_position($steps, step::varchar)",
        steps=list(STEPS),
    )


def training_path(step: str) -> pl.DataFrame:
    """The half years around a step's courses: the trained against the others."""
    return ask_table("training_path", "select * from training_path where step = $step order by from_month", step=step)


def course_effect() -> pl.DataFrame:
    return ask_table(
        "course_effect", f"select * from course_effect order by held_on desc, course, step limit {ROWS_AT_MOST}"
    )


# --- loads


def loads() -> pl.DataFrame:
    """Each load and file, the newest first."""
    return ask_table("load_run", f"select * from load_run order by started_at desc, source_file limit {ROWS_AT_MOST}")


def load_totals() -> pl.DataFrame:
    """One row for each load: its files and the sums of its counts, the newest first."""
    return ask_table(
        "load_run",
        """
        select load_id, min(started_at) as started_at, max(ended_at) as ended_at, count(*) as files,
            sum(rows_read)::bigint as rows_read, sum(rows_new)::bigint as rows_new,
            sum(rows_changed)::bigint as rows_changed, sum(rows_unchanged)::bigint as rows_unchanged,
            sum(rows_rejected)::bigint as rows_rejected, sum(rows_passed_over)::bigint as rows_passed_over,
            sum(values_rejected)::bigint as values_rejected, max(undone_at) as undone_at
        from load_run group by load_id order by min(started_at) desc, load_id desc limit 100
        """,
    )


def reject_reasons(load_id: str | None) -> pl.DataFrame:
    return ask_table(
        "rejected_row",
        "select table_name, column_name, scope, reason, count(*) as rows, any_value(value) as example "
        "from rejected_row where ($load is null or load_id = $load) "
        "group by 1, 2, 3, 4 order by rows desc limit 200",
        load=load_id,
    )


def rejected_rows(load_id: str | None, scope: str | None, text: str | None, page: int = 1) -> pl.DataFrame:
    return ask_table(
        "rejected_row",
        f"select load_id, source_file, source_line, scope, table_name, column_name, value, reason, row_as_text "
        f"from rejected_row where ($load is null or load_id = $load) and ($scope is null or scope = $scope) "
        f"and ($text is null or reason ilike $text escape '!' or source_file ilike $text escape '!' "
        f"or column_name ilike $text escape '!') "
        f"order by load_id desc, source_file, source_line limit {PAGE_OF_JOBS} offset $skip",
        load=load_id,
        scope=scope,
        text=_like(text),
        skip=(page - 1) * PAGE_OF_JOBS,
    )


def rejected_count(load_id: str | None, scope: str | None, text: str | None) -> int:
    found = ask_table(
        "rejected_row",
        "select count(*) as n from rejected_row where ($load is null or load_id = $load) "
        "and ($scope is null or scope = $scope) and ($text is null or reason ilike $text escape '!' "
        "or source_file ilike $text escape '!' or column_name ilike $text escape '!')",
        load=load_id,
        scope=scope,
        text=_like(text),
    )
    return int(found["n"][0]) if found.height else 0


def proof_by_step() -> pl.DataFrame:
    """For each step and state: how many job steps; what the records can answer at all."""
    return ask_table(
        "listed_step",
        "select step, state, count(*) as n from listed_step where state <> 'not_applicable' group by 1, 2",
    )


def evidence_needed() -> pl.DataFrame:
    """The open questions and how much more each takes; those of single technicians are left to the export."""
    return ask_table(
        "evidence_needed",
        f"select * from evidence_needed where topic <> 'technician_step' limit {ROWS_AT_MOST}",
    )


def staged_counts() -> dict[str, int]:
    """How many rows each contract table holds; absent tables count nothing."""
    from pipelines.contract import TABLES

    known = tables()
    parts = [
        f"select '{table.name}' as name, count(*) as n from {table.staged}" for table in TABLES if table.staged in known
    ]
    return dict(ask(" union all ".join(parts)).iter_rows()) if parts else {}


def unplanned_calls() -> int:
    found = ask_table(
        "staged_call",
        "select count(*) as n from staged_call where list_contains($kinds, call_kind::varchar)",
        kinds=list(UNPLANNED_CALL_KINDS),
    )
    return int(found["n"][0]) if found.height else 0


# --- limits and house rules


def limits_in_force() -> pl.DataFrame:
    return ask_table(
        "limit_used",
        "select * from limit_used order by list_position($steps, step::varchar), quantity, limit_id limit 500",
        steps=list(STEPS),
    )


def rules_of_generation() -> dict[str, tuple[str, bool]]:
    """The settings that the figures of this generation stand on: name -> (value, is a guess)."""
    found = ask_table("house_rule", "select name, value, is_guess from house_rule")
    return {name: (value, bool(guess)) for name, value, guess in found.iter_rows()} if found.height else {}


def folder() -> Path:
    return store().folder
