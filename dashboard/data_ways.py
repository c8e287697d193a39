"""What the ways through the pages ask of the store: searching, the job before and after, how old the figures are.

A site's label and address are searched and shown here and nowhere else on the pages: whoever types an address knows it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from dashboard import data, data_events, data_night
from dashboard.data import JobFilter
from pipelines.contract import KNOWN_STATES, UNKNOWN_STATES
from pipelines.errors import InputError, StoreMissingError
from pipelines.house_rules import HouseRules, as_rows

STORE_FAULTS = (StoreMissingError, InputError)
HITS_AT_MOST = 20
# states that tables count together, under one word in an address
STATES_TOGETHER = {"known": KNOWN_STATES, "unknown": UNKNOWN_STATES}
# rules that change how figures are shown, and no figure
ONLY_SHOWN = (
    "first_heat", "first_frost", "house_name", "names_shown", "home", "temperature_unit", "pressure_unit", "static_unit",
    "vacuum_unit", "date_order", "currency",
)  # fmt: skip


# --- how old the figures are


def changed_since_fit() -> dict[str, Any]:
    """loads: how many loads changed records since the fit; fitted_at; newest_on: the newest day of a job or a call."""
    is_fitted = "fit_run" in data.tables() and "made_at" in data.columns("fit_run")
    found = data.ask_table(
        "load_run",
        f"""
        with fit as ({"select max(made_at) as made_at from fit_run" if is_fitted else "select null::timestamp as made_at"})
        select fit.made_at as fitted_at,
            (select count(distinct load_id) from load_run where
                (ended_at > fit.made_at and undone_at is null and rows_new + rows_changed > 0)
                or (undone_at > fit.made_at and ended_at <= fit.made_at)) as loads,
            (select max(day) from (select max(finished_on) as day from staged_job where finished_on <= today()
                union all select max(opened_on) from staged_call where opened_on <= today())) as newest_on
        from fit
        """,
    )
    return found.row(0, named=True) if found.height else {"fitted_at": None, "loads": 0, "newest_on": None}


def rules_changed(rules: HouseRules) -> list[str]:
    """The settings in words that the figures of this generation do not stand on; those that change no figure are left."""
    stands_on = data.rules_of_generation()
    if not stands_on:
        return []
    now = {name: value for name, value, _, _ in as_rows(rules, {})}
    differ = [name for name, value in now.items() if name not in stands_on or stands_on[name][0] != value]
    by_step = ("target", "mendable_share", "return_due_days")
    differ += [name for name in stands_on if name.partition(".")[0] in by_step and name not in now]
    settings = dict.fromkeys(name.partition(".")[0] for name in differ)
    # a setting that is younger than the generation and stands as it came changes nothing
    plain = HouseRules().model_dump()
    held = {name.partition(".")[0] for name in stands_on}
    return [
        name.replace("_", " ")
        for name in settings
        if name not in ONLY_SHOWN and (name in held or getattr(rules, name) != plain.get(name))
    ]


# --- search


@dataclass(frozen=True)
class Hits:
    """What a search found of each kind, at most HITS_AT_MOST rows each; `more` names the kinds that hold more."""

    jobs: pl.DataFrame
    systems: pl.DataFrame
    people: pl.DataFrame
    places: pl.DataFrame
    more: tuple[str, ...] = ()

    @property
    def count(self) -> int:
        return self.jobs.height + self.systems.height + self.people.height + self.places.height


def search(text: str, *, names: bool) -> Hits:
    """Jobs, systems, people and sites of which a number, a name or an address is, begins with or holds the text.

    Parameters
    ----------
    names : whether people may be found and shown by name; else by id alone.
    """
    text = text.strip()
    if not text:
        return Hits(pl.DataFrame(), pl.DataFrame(), pl.DataFrame(), pl.DataFrame())
    found = {kind: _found(kind, text, "starts_with", names=names) for kind in _WHERE}
    is_named = any(rows.height and rows["nearness"][0] == 0 for rows in found.values())
    if not is_named:  # a number given in full means itself; else what holds the text anywhere may be meant
        for kind, rows in found.items():
            if rows.height <= HITS_AT_MOST:
                found[kind] = _found(kind, text, "contains", names=names)
    more = tuple(kind for kind, rows in found.items() if rows.height > HITS_AT_MOST)
    jobs, systems, people, places = (found[kind].head(HITS_AT_MOST) for kind in _WHERE)
    return Hits(jobs, systems, people, places, more)


# for each kind: the columns searched; the first is what a number or id stands in
_WHERE = {
    "jobs": ("staged_job", ("job_id",)),
    "systems": ("staged_system", ("system_id",)),
    "people": ("staged_technician", ("technician_id", "name")),
    "places": ("staged_site", ("site_id", "label", "address")),
}
_SHOWN = {
    "jobs": """
        select hit.job_id, hit.system_id, hit.job_kind::varchar as job_kind, hit.finished_on,
            system.equipment::varchar as equipment, nearness
        from hit left join staged_system as system on system.system_id = hit.system_id
        order by nearness, hit.job_id
    """,
    "systems": """
        select hit.system_id, hit.equipment::varchar as equipment, any_value(hit.area) as area,
            count(job.job_id) as jobs, max(job.finished_on) as last_on, nearness
        from hit left join staged_job as job on job.system_id = hit.system_id
        group by hit.system_id, hit.equipment, nearness order by nearness, hit.system_id
    """,
    "people": """
        select technician_id, if($names, coalesce(nullif(name, ''), technician_id), technician_id) as name, crew, left_on,
            nearness
        from hit order by nearness, name
    """,
    "places": """
        select hit.site_id, any_value(hit.label) as label, any_value(hit.address) as address,
            count(distinct system.system_id) as systems, count(job.job_id) as jobs, nearness
        from hit left join staged_system as system on system.site_id = hit.site_id
        left join staged_job as job on job.system_id = system.system_id
        group by hit.site_id, nearness order by nearness, hit.site_id
    """,
}


def _found(kind: str, text: str, test: str, *, names: bool) -> pl.DataFrame:
    """The nearest rows of one kind: equal to the text, beginning with it, holding it. test : starts_with or contains."""
    table, columns = _WHERE[kind]
    if kind == "people" and not names:
        columns = columns[:1]
    spellings = spelled(text)
    equal = " or ".join(f"lower({column}) = lower($text)" for column in columns)
    starts = " or ".join(f"starts_with({column}, $text_{n})" for column in columns for n in range(len(spellings)))
    holds = " or ".join(f"{column} ilike $holds escape '!'" for column in columns)
    sql = f"""
        with hit as (
            select *, case when {equal} then 0 when {starts} then 1 else 2 end as nearness
            from {table} where {starts if test == "starts_with" else holds}
            order by nearness, {columns[0]} limit {HITS_AT_MOST + 1}
        )
        {_SHOWN[kind]}
    """
    parameters: dict[str, Any] = {f"text_{n}": spelling for n, spelling in enumerate(spellings)} | {"text": text}
    if test == "contains":
        parameters["holds"] = f"%{_meant(text)}%"
    if kind == "people":
        parameters["names"] = names
    return data.ask_table(table, sql, **parameters)


def spelled(text: str) -> list[str]:
    """The text as typed, in capitals, in small letters, with capitals at the beginning of words.

    What begins with one of these is found in a few milliseconds among a million; without regard to case it takes ten times
    as long.
    """
    return list(dict.fromkeys((text, text.upper(), text.lower(), text.title())))


def _meant(text: str) -> str:
    """The text as a pattern that means itself."""
    for sign in "!%_":
        text = text.replace(sign, "!" + sign)
    return text


# --- the list that a job was opened from


def states_meant(word: str | None) -> tuple[str, ...]:
    """The states that a word of an address stands for: one, or several that are counted together."""
    return STATES_TOGETHER.get(word, (word,)) if word else ()


def word_of_states(states: tuple[str, ...]) -> str | None:
    """The word of an address for these states; None where there is none, or for all of them."""
    together = {meant: word for word, meant in STATES_TOGETHER.items()}
    return states[0] if len(states) == 1 else together.get(states)


@dataclass(frozen=True)
class JobList:
    """A list of jobs in a fixed order, told by a few words that fit into an address.

    kind : `steps` (the job steps behind a number), `returns`, `visits`, `landed`, `missing`, `again`, `drawn`, `events`,
        `finished`, `month`, `system` or `site`; choices : what narrows it, by the names of the address without their `of_`.
    """

    kind: str = "steps"
    choices: dict[str, str] = field(default_factory=dict)

    @property
    def filter(self) -> JobFilter:
        state = self.choices.get("state")
        return JobFilter(
            step=self.choices.get("step"),
            states=states_meant(state),
            crew=self.choices.get("crew"),
            technician=self.choices.get("technician"),
            group_kind=self.choices.get("by"),
            group=self.choices.get("group"),
        )


def neighbours(jobs: JobList, job_id: str) -> dict[str, Any]:
    """Where a job stands in its list: place, jobs (how many there are), before, after; place is None outside the list."""
    if jobs.kind == "steps":
        beside = data.neighbours(jobs.filter, job_id)
        return {"before": beside["newer"], "after": beside["older"], "place": beside["place"], "jobs": beside["jobs"]}
    found = _listed(jobs)
    if found is None:
        return {"place": None, "jobs": 0, "before": None, "after": None}
    table, sql, parameters = found
    rows = data.ask_table(
        table,
        f"""
        with listed as ({sql}), once as (
            select job_id, min(place) as place from listed where job_id is not null group by job_id
        ), placed as (
            select job_id, row_number() over w as place, lag(job_id) over w as before, lead(job_id) over w as after,
                count(*) over () as jobs
            from once window w as (order by place)
        )
        select * from placed where job_id = $job or place = 1 order by job_id = $job desc limit 1
        """,
        job=job_id,
        **parameters,
    )
    if rows.is_empty():
        return {"place": None, "jobs": 0, "before": None, "after": None}
    row = rows.row(0, named=True)
    if row["job_id"] != job_id:
        return {"place": None, "jobs": row["jobs"], "before": None, "after": row["job_id"]}
    return row


def _listed(jobs: JobList) -> tuple[str, str, dict[str, Any]] | None:
    """(table it needs, SQL that gives job_id and place, parameters) of a list but one of steps; None where not known."""
    chosen = jobs.choices
    if jobs.kind == "returns":
        return "return_due", *_returns(chosen)
    if jobs.kind == "visits":
        return "install_risk", *_visits(chosen)
    if jobs.kind == "events":
        return "outcome_event", *_events(chosen)
    if jobs.kind == "finished":
        return "staged_job", _FINISHED, {"from_on": days_back(chosen.get("within")), "as_of": data.stamp().as_of}
    if jobs.kind == "month":
        return "step_grade", _OF_MONTH, {"month": chosen.get("month"), "known": list(KNOWN_STATES)}
    if jobs.kind == "landed":
        return "staged_job", _LANDED, {"load": chosen.get("load")}
    if jobs.kind == "missing":
        return "not_arrived", _MISSING, {"from_on": days_back(chosen.get("within"))}
    if jobs.kind in _OF_PLACE:
        return "staged_job", _OF_PLACE[jobs.kind], {"of": chosen.get(jobs.kind)}
    return (_CHECKED[jobs.kind][0], _CHECKED[jobs.kind][1], {}) if jobs.kind in _CHECKED else None


_LANDED = """
    select job_id, row_number() over (order by finished_on desc nulls last, job_id) as place
    from staged_job where load_id = $load
"""
_FINISHED = """
    select job_id, row_number() over (order by finished_on desc nulls last, job_id) as place from staged_job
    where installed_by::varchar is distinct from 'someone_else'
        and ($from_on is null or finished_on between $from_on and $as_of)
"""
# as the months count them: with at least one known step
_OF_MONTH = """
    select job_id, row_number() over (order by finished_on desc, job_id) as place from staged_job as job
    where date_trunc('month', finished_on) = try_cast($month as date)
        and exists (select 1 from step_grade as grade
            where grade.job_id = job.job_id and list_contains($known::varchar[], grade.state::varchar))
"""
_MISSING = """
    select name as job_id, row_number() over (order by expected_on desc, name) as place from not_arrived
    where kind = 'job_sheet' and ($from_on is null or expected_on >= $from_on)
"""
_OF_PLACE = {
    "system": """
        select job_id, row_number() over (order by finished_on desc nulls last, job_id) as place
        from staged_job where system_id = $of
    """,
    "site": """
        select job.job_id, row_number() over (order by job.finished_on desc nulls last, job.job_id) as place
        from staged_job job join staged_system system using (system_id) where system.site_id = $of
    """,
}
_CHECKED = {
    "again": (
        "inspection_check",
        "select job_id, row_number() over (order by case when not agrees then 0 when agrees is null and not is_within "
        "then 1 else 2 end, inspected_on desc nulls last, job_id) as place from inspection_check",
    ),
    "drawn": (
        "inspection_draw",
        "select d.job_id, row_number() over (order by d.month desc, coalesce(nullif(t.name, ''), d.technician_id), "
        "d.job_id) as place from inspection_draw d left join staged_technician t using (technician_id) "
        "where not d.is_measured_again and d.month >= (select max(month) from inspection_draw) - interval 1 month",
    ),
}


def days_back(within: str | None) -> dt.date | None:
    """The first day of a stretch such as "90" that ends with the data's last day; None for all of it."""
    as_of = data.stamp().as_of
    return as_of - dt.timedelta(days=int(within)) if as_of and within and within.isdecimal() else None


def _returns(chosen: dict[str, str]) -> tuple[str, dict[str, Any]]:
    load = data_night.last_load()
    which = data_night.ReturnFilter(
        days_back(chosen.get("within", "90")), chosen.get("area"), load.load_id if load and not load.is_first else None
    )
    stand = chosen.get("stand", "open")
    stands = ["overdue", "due"] if stand == "open" else [stand]
    sql = f"""
        {data_night.LISTED} select job_id, row_number() over (order by {data_night.MOST_URGENT_FIRST}) as place
        from listed where is_within and list_contains($stands, stand) and ($reason is null or reason = $reason)
    """
    return sql, which.parameters() | {"stands": stands, "reason": chosen.get("reason")}


def _events(chosen: dict[str, str]) -> tuple[str, dict[str, Any]]:
    sql = f"""
        {data_events.EVENTS} select job_id, row_number() over (order by {data_events.IN_ORDER}) as place from listed
        where arm <> 'apart' and ($arm is null or arm = $arm) and ($band is null or age_band = $band)
    """
    return sql, data_events.parameters(chosen.get("outcome", ""), chosen.get("step", "")) | {
        "arm": chosen.get("arm") or None,
        "band": chosen.get("band") or None,
    }


def _visits(chosen: dict[str, str]) -> tuple[str, dict[str, Any]]:
    sql = f"""
        {data.RISK} select job_id, row_number() over (order by rank, system_id) as place from priced
        qualify place <= $visits
    """
    warranty, visits = chosen.get("warranty", ""), chosen.get("visits", "")
    horizon = chosen.get("horizon", "")
    return sql, {
        "horizon": int(horizon) if horizon.isdecimal() else 12,
        "area": chosen.get("area"),
        "warranty_months": int(warranty) if warranty.isdecimal() else None,
        "visit_cost": data.house_rules().visit_cost,
        "visits": min(int(visits), data.ROWS_AT_MOST) if visits.isdecimal() else 40,
    }


def jobs_of_list(jobs: JobList, at_most: int = 50) -> pl.DataFrame:
    """The first jobs of a list that is not one of steps: job_id, system_id, job_kind, equipment, finished_on, good, known."""
    found = _listed(jobs)
    if found is None:
        return pl.DataFrame()
    table, sql, parameters = found
    return data.ask_table(
        table,
        f"""
        with listed as ({sql}), once as (
            select job_id, min(place) as place from listed where job_id is not null group by job_id
            order by place limit {int(at_most)}
        )
        select j.job_id, any_value(j.system_id) as system_id, any_value(j.job_kind) as job_kind,
            any_value(s.equipment) as equipment, any_value(j.finished_on) as finished_on,
            any_value(j.installed_by::varchar = 'someone_else') as by_others,
            count(*) filter (g.state = 'passed') as good,
            count(*) filter (g.state in ('passed','failed','ticked_only','not_done')) as known
        from once join staged_job j using (job_id) left join staged_system s on s.system_id = j.system_id
        left join step_grade g using (job_id) group by j.job_id order by min(once.place)
        """,
        **parameters,
    )
