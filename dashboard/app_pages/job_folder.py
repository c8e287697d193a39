"""Job folder: prove what was measured on this job."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import polars as pl
import streamlit as st

from dashboard import charts, components, data, data_ways, limit_words, links, looks, machine_section, ways, words
from dashboard.data import JobFilter
from dashboard.data_ways import JobList
from dashboard.papers_button import papers_button
from dashboard.take_away import take_away
from pipelines.contract import KNOWN_STATES, STATES, STEPS

if TYPE_CHECKING:
    from streamlit.delta_generator import DeltaGenerator

HOW_GRADED = (
    "Each step is held against the limit named beside it: the maker's own where it is known, else the profile's on "
    "*House rules*. The worst reading of what was there decides. A tick alone proves nothing; a reading that is "
    "incomplete, too short or unreadable is *cannot tell*, whatever was ticked."
)
HOW_READ = (
    "Every reading as it stands in the file it came from, with the file's name and line, beside the figure it was taken "
    "as. Several readings of one quantity: the latest counts, the others are kept."
)
HOW_LOG = (
    "A gauge writes its log by itself, so where there is one it counts before a figure that was typed. "
    "The level ten minutes after the pump was shut off decides whether the rise is within its limit; the shape of the curve "
    "only says what it looks like: a straight rise like a leak, one that flattens like moisture. The first 45 seconds "
    "are left out. A log too short, with too few samples or too noisy to tell is *cannot tell*. Very long logs are thinned "
    "for the picture; the lowest and highest sample of each stretch stay. A pull-down that stands still where water boils "
    "at the temperature of the line shows water in it. A pressure test is read once the gas has come to rest, its "
    "pressure carried to one temperature, with the slowest leak that it could have seen."
)
LIMIT_ON_LOG = {
    "vacuum_rise": [("rise_end", "limit at 10 min")],
    "evacuation": [("vacuum", "limit")],
}


def page() -> None:
    slot = st.container()
    jobs = _list_filter()
    job_id = _search(jobs)
    job = data.job(job_id) if job_id else None
    with slot:
        ways.way_back(jobs, f"Job {job['job_id']}" if job else "No job")
    if job is None:
        _no_such_job(job_id, jobs, slot)
        return
    grades = data.grades_of_job(job["job_id"])
    with slot:
        _answer(job, grades)
        with st.container(horizontal=True):
            components.how_counted(HOW_GRADED, "graded")
            papers_button("job", job=job["job_id"])
    _facts(job)
    _steps(grades)
    machine_section.show(job)
    _gauge_logs(job["job_id"], grades)
    _readings(job["job_id"])
    _afterwards(job)
    _changes(job["job_id"])
    failing = grades.filter(pl.col("state").is_in(["failed", "not_done", "ticked_only"])) if grades.height else grades
    names = [
        name
        for step in (failing["step"].to_list() if failing.height else [])
        for name in words.STEP_CAUTIONS.get(step, ())
    ]
    if job.get("refrigerant") not in ("R-32", "R-454B"):
        names = [name for name in names if name != "flammable"]
    components.cautions(names)


def _list_filter() -> JobList:
    """The list that previous and next follow; it comes along in the link."""
    jobs = ways.asked_for()
    if jobs.kind != "steps":
        _list_named(ways.list_in_words(jobs), ("of", *(f"of_{key}" for key in jobs.choices)))
        return jobs
    with (
        st.expander("The list that previous and next follow", icon=":material/filter_list:", key="folder_list"),
        st.container(horizontal=True, vertical_alignment="bottom"),
    ):
        links.select("Step", STEPS, "of_step", placeholder="All steps", format_func=words.step, width=230)
        links.select(
            "State",
            [*STATES, *data_ways.STATES_TOGETHER],
            "of_state",
            placeholder="Any state",
            format_func=components.state_in_words,
            width=230,
        )
        crews = data.crews(also=st.query_params.get("of_crew"))
        crew = links.select("Crew", crews, "of_crew", placeholder="All crews", width=180)
        people = data.technicians(crew, also=st.query_params.get("of_technician"))
        links.select(
            "Technician", list(people), "of_technician", placeholder="Everybody",
            format_func=lambda who: people.get(who, who), width=220,
        )  # fmt: skip
    group = jobs.filter.group
    if group:
        kind = words.GROUP_KIND.get(jobs.filter.group_kind or "", "Group")
        _list_named(f"{kind} {words.escaped(group)}", ("of_by", "of_group"))
    return ways.asked_for()


def _list_named(name: str, keys: tuple[str, ...]) -> None:
    """What the list is, and the way out of it."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="list_named"):
        st.markdown(f"The list that previous and next follow: **{name}**", width="content")
        st.button(
            "All jobs instead", key="leave_list", type="tertiary", icon=":material/filter_list_off:",
            on_click=_leave_list, args=(keys,),
        )  # fmt: skip


def _leave_list(keys: tuple[str, ...]) -> None:
    for key in keys:
        st.query_params.pop(key, None)


def _go(job_id: str) -> None:
    st.session_state["job"] = job_id


def _candidates(jobs: JobList, asked: str | None) -> pl.DataFrame:
    """The jobs that may be meant: of a system named in full, else what holds the words, else the list's first."""
    if asked:
        of_system = data_ways.jobs_of_list(JobList("system", {"system": asked}))
        if of_system.height:
            return of_system
    if jobs.kind != "steps" and not asked:
        return data_ways.jobs_of_list(jobs)
    return data.matching_jobs(replace(jobs.filter if jobs.kind == "steps" else JobFilter(), search=asked or None), 50)


def _search(jobs: JobList) -> str | None:
    """The job asked for; without one, the first of the list."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        asked = links.text("Job or system number", "job", placeholder="all or part of it", width=260)
        exact = data.job(asked) if asked else None
        found = pl.DataFrame() if exact else _candidates(jobs, asked)
        ids = found["job_id"].to_list() if found.height else []
        job_id = asked if exact else (ids[0] if ids and (not asked or len(ids) == 1) else None)
        beside = data_ways.neighbours(jobs, job_id) if job_id else {}
        st.button(
            "Previous", icon=":material/arrow_back:", key="newer", disabled=not beside.get("before"),
            on_click=_go, args=(beside.get("before") or "",), shortcut=ways.BEFORE_KEY,
        )  # fmt: skip
        st.button(
            "Next", icon=":material/arrow_forward:", icon_position="right", key="older",
            disabled=not beside.get("after"), on_click=_go, args=(beside.get("after") or "",), shortcut=ways.AFTER_KEY,
        )  # fmt: skip
        if beside.get("place"):
            components.note(f"{words.count(beside['place'])} of {words.counted(beside['jobs'], 'job')}")
        elif beside:
            components.note(f"not in the list of {words.counted(beside['jobs'], 'job')}")
    return job_id or (asked or None)


def _no_such_job(asked: str | None, jobs: JobList, slot: DeltaGenerator) -> None:
    found = _candidates(jobs, asked)
    with slot:
        if found.is_empty():
            components.answer(
                f"No job or system holds “{words.escaped(asked)}” in this list." if asked else "No job fits this list."
            )
            return
        more = " or more" if found.height == 50 else ""
        holds = "are of system" if found["system_id"].eq(asked).all() else "hold"
        components.answer(f"{found.height}{more} jobs {holds} “{words.escaped(asked)}”: choose one.")
    for row in found.iter_rows(named=True):
        st.button(
            f"{words.escaped(row['job_id'])} · {words.equipment_in_sentence(row['equipment'])}, "
            f"{words.date(row['finished_on'])} · "
            + ("put in by others" if row["by_others"] else f"{row['good']} of {row['known']} known steps good"),
            key=f"choose_{row['job_id']}",
            type="tertiary",
            on_click=_go,
            args=(row["job_id"],),
        )


def _answer(job: dict[str, Any], grades: pl.DataFrame) -> None:
    equipment = words.equipment_in_sentence(job.get("equipment"))
    kind = words.JOB_KIND.get(str(job.get("job_kind")), "job")
    what = f"Job {words.escaped(job['job_id'])} ({equipment}, {kind}, {words.date(job.get('finished_on'))})"
    if job.get("installed_by") == "someone_else":
        components.answer(f"{what} was put in by somebody else: there are no steps of ours to judge.")
        return
    if grades.is_empty():
        components.answer(f"{what} has no grades yet.")
        return
    counts = {state: grades.filter(pl.col("state") == state).height for state in STATES}
    belong = grades.height - counts["not_applicable"]
    known = sum(counts[state] for state in KNOWN_STATES)
    if not known:
        components.answer(
            f"{what}: nothing can be said about its {words.counted(belong, 'step')}; no reading or tick can be judged."
        )
        return

    def named(state: str) -> str:
        names = [words.step(step).lower() for step in grades.filter(pl.col("state") == state)["step"]]
        return f"{counts[state]} {words.state(state)[0].lower()}{words.state(state)[1:]} ({words.joined(names)})"

    rest = [
        named(s) for s in ("failed", "not_done", "ticked_only", "cannot_tell", "no_record", "disputed") if counts[s]
    ]
    tail = f": {words.joined(rest)}" if rest else ""
    components.answer(
        f"{what}: {counts['passed']} of the {words.counted(belong, 'step')} that belong to it are good{tail}."
    )


def _facts(job: dict[str, Any]) -> None:
    def said(value: Any, unit: str = "") -> str:
        return "not recorded" if value in (None, "") else words.escaped(f"{value}{unit}")

    flags = {True: "yes", False: "no", None: "not recorded"}
    tons = "not recorded" if job.get("nominal_tons") is None else f"{words.number(job['nominal_tons'])} tons"
    line = "not recorded" if job.get("line_set_ft") is None else f"{words.number(job['line_set_ft'], 0)} ft"
    pairs = {
        "System": said(job.get("system_id")),
        "Lead": said(job.get("name")),
        "Crew, branch": f"{said(job.get('crew'))}, {said(job.get('at_branch'))}",
        "Refrigerant": said(job.get("refrigerant")),
        "Size": tons,
        "Metering": words.escaped(words.metering(job.get("metering"))),
        "Joints": said(job.get("joints")),
        "Line set": f"{line}, reused: {flags[job.get('line_set_reused')]}",
        "Form": said(job.get("form")),
        "Warranty until": words.date(job.get("warranty_until")),
        "From": f"{said(job.get('source_file'))}, line {said(job.get('source_line'))}, load {said(job.get('load_id'))}",
    }
    with st.container(horizontal=True, gap="small", key="job_facts"):
        for name, value in pairs.items():
            st.markdown(f":small[:gray[{name}]]  \n{value}", width="content")


def _steps(grades: pl.DataFrame) -> None:
    if grades.is_empty():
        return
    components.heading("Step by step")
    wall = st.grid(2, min_column_width=330, gap="small")
    for row in grades.filter(pl.col("state") != "not_applicable").iter_rows(named=True):
        with wall.container(border=True, key=f"grade_{row['step']}", gap="xxsmall", height="stretch"):
            measured = words.measured(row["measured"], row["unit"], figures=3)
            figure = f" &nbsp; **{measured}**" if measured != "–" else ""
            against = limit_words.bounds(row)
            limit = f", limit {against}" if against != "–" and row.get("limit_id") else ""
            st.markdown(f"**{words.step(row['step'])}** &nbsp; {components.state_badge(row['state'])}{figure}{limit}")
            st.markdown(words.escaped(words.sentence(row["why"])))
            by = f"Done by {row['name']}" if row.get("credited_by") == "step" else f"Counted to the lead, {row['name']}"
            ticked = {"done": "Ticked as done", "not_done": "Ticked as not done"}.get(str(row.get("ticked")), "No tick")
            st.markdown(f":small[{words.escaped('. '.join(p for p in (by, ticked, limit_words.source(row)) if p))}]")
    out = grades.filter(pl.col("state") == "not_applicable")["step"].to_list()
    if out:
        components.note(f"Does not belong to this job: {words.joined(words.step(step).lower() for step in out)}.")


def _gauge_logs(job_id: str, grades: pl.DataFrame) -> None:
    logs = data.gauge_logs_of_job(job_id)
    if logs.is_empty():
        return
    components.heading("Gauge logs")
    options = list(range(logs.height))

    def name(place: int) -> str:
        row = logs.row(place, named=True)
        again = f", attempt {row['attempt']}" if logs["attempt"].max() != 1 else ""
        return f"{words.step(row['step'])}: {words.quantity(row['quantity']).lower()}{again}"

    chosen = links.select("Log", options, "log", default=0, format_func=name, width=420) if len(options) > 1 else 0
    row = logs.row(int(chosen or 0), named=True)
    samples = data.gauge_log(job_id, row["step"], row["attempt"], row["quantity"])
    limits: list[tuple[str, float]] = []
    if row["quantity"] == "vacuum":
        for grade in grades.filter(pl.col("step") == row["step"]).iter_rows(named=True):
            value = grade.get("at_most") if grade.get("at_most") is not None else grade.get("limit_value")
            if value is not None and grade.get("unit") in ("micron", None):
                limits.append((f"limit {words.measured(value, 'micron')}", float(value)))
    said = _said_of_log(job_id, row)
    st.altair_chart(
        charts.gauge_log(
            samples,
            row["quantity"],
            limits,
            looks.current(),
            _marks_on_log(row, said),
            row["step"] == "vacuum_rise",
        ),
        alt=f"Gauge log of {words.step(row['step']).lower()}: {words.quantity(row['quantity']).lower()} over the minutes",
    )
    components.how_counted(HOW_LOG, "log")
    if said is not None:
        components.note(
            f"The curve says **{words.VERDICT.get(said['verdict'], said['verdict'])}**: "
            f"{words.escaped(words.sentence(said['why']))}"
        )
    shaded = (
        " Shaded: the first 45 seconds, when shutting the valve makes the gauge jump; they are left out."
        if row["step"] == "vacuum_rise"
        else ""
    )
    components.note(
        f"{words.counted(row['samples'], 'sample')} over {words.number(row['minutes'])} minutes, from "
        f"{words.escaped(row['source_file'])}.{shaded}"
    )


def _said_of_log(job_id: str, log: dict[str, Any]) -> dict[str, Any] | None:
    """What was read from a log: the row of its verdict."""
    ask = {"vacuum_rise": data.trace_verdicts, "evacuation": data.pull_downs, "pressure_test": data.pressure_logs}
    if log["step"] not in ask:
        return None
    found = ask[log["step"]](job_id)
    own = found.filter(pl.col("attempt") == log["attempt"]) if found.height else found
    return own.row(0, named=True) if own.height else None


def _marks_on_log(log: dict[str, Any], said: dict[str, Any] | None) -> list[tuple[str, float, float]]:
    """Levels that explain a log and are no limits: where water boils, how low a tight system may come."""
    if said is None:
        return []
    if log["step"] == "evacuation" and said["water_boils_at_micron"] is not None:
        return [(f"water boils at {words.measured(said['line_degf'], 'degF')}", said["water_boils_at_micron"], 0.0)]
    if log["quantity"] == "test_pressure" and said["end_degf"] is not None:
        # what a system that lost just the allowance would show at the last temperature
        lowest = said["end_psig"] + said["drop_psi"] - said["allowed_psi"]
        return [(f"least allowed at {words.measured(said['end_degf'], 'degF')}", lowest, 0.9)]
    return []


def _instrument(row: dict[str, Any]) -> str | None:
    if row["calibration_due_on"] is None:
        return row["instrument_id"]
    return f"⚠ {row['instrument_id']}, calibration ran out {words.date(row['calibration_due_on'])}"


def _readings(job_id: str) -> None:
    components.heading("Every reading, as written")
    readings = data.readings_of_job(job_id)
    rejected = data.rejected_of_job(job_id)
    table = to_keep = pl.DataFrame()
    if readings.is_empty():
        st.info("No reading was recorded on this job. That is not the same as nothing done.")
    else:
        rows = list(readings.iter_rows(named=True))
        table = pl.DataFrame(
            {
                "Step": [words.step(row["step"]) for row in rows],
                "Quantity": [words.quantity(row["quantity"]) for row in rows],
                "Taken as": [limit_words.taken_as(row) for row in rows],
                "As written": [limit_words.as_written(row) for row in rows],
                "Which counts": ["● this one" if row["counts"] else "○ earlier" for row in rows],
                "Taken at": [row["taken_at"] for row in rows],
                "Instrument": [_instrument(row) for row in rows],
                "File": [row["source_file"] for row in rows],
                "Line": [row["source_line"] for row in rows],
                "Load": [row["load_id"] for row in rows],
            },
            schema_overrides={"Taken at": pl.Datetime},
        )
        # a file that is kept stands in the units of the records, whatever the reader looks at
        own = [row["value_text"] or words.recorded(row["value"], row["unit"]) for row in rows]
        to_keep = table.with_columns(pl.Series("Taken as", own, pl.String))
        late = readings["calibration_due_on"].drop_nulls().len()
        marked = (
            f" ⚠ {words.counted(late, 'reading')} taken after the instrument's calibration had run out: they count, and a "
            "verdict that rests on them is worth a second look."
            if late
            else ""
        )
        components.note(f"{words.counted(readings.height, 'reading')}, in the order of the work.{marked}")
        st.dataframe(
            table,
            hide_index=True,
            placeholder="–",
            height=min(38 + 35 * table.height, 560),
            column_config={
                "Quantity": st.column_config.TextColumn(pinned=True),
                "Taken at": st.column_config.DatetimeColumn(format=words.moment_column()),
            },
            alt="Each reading of the job as taken in and as written, with its file and line",
        )
    with st.container(horizontal=True):
        components.how_counted(HOW_READ, "read")
        take_away(to_keep, f"readings of {job_id}", {"job": job_id}, key="readings")
    if not rejected.is_empty():
        components.note(f"**{words.counted(rejected.height, 'value')} could not be taken in:**")
        for row in rejected.iter_rows(named=True):
            components.note(
                f"- {words.step(row['step'])}, {words.quantity(row['quantity']).lower()}: "
                f"“{words.escaped(row['value'])}” {words.escaped(row['reason'])}"
            )


def _afterwards(job: dict[str, Any]) -> None:
    components.heading("What came afterwards")
    calls = data.later_calls(job["system_id"], job.get("finished_on"))
    if calls.is_empty():
        components.note("No later call to this system is on record.")
    else:
        table = pl.DataFrame(
            {
                "Day": calls["opened_on"],
                "Call": [words.CALL_KIND.get(str(kind), "not recorded") for kind in calls["call_kind"]],
                "Found": [words.outcome(finding) if finding else "not recorded" for finding in calls["finding"]],
                "Put right": [{True: "yes", False: "no"}.get(value, "not recorded") for value in calls["put_right"]],
                "File": calls["source_file"],
                "Line": calls["source_line"],
            }
        )
        st.dataframe(
            table,
            hide_index=True,
            placeholder="–",
            height=min(38 + 35 * table.height, 320),
            column_config={"Day": st.column_config.DateColumn(format=words.day_column())},
            alt="Later calls to the system",
        )
    others = data.jobs_of_system(job["system_id"])
    others = others.filter(pl.col("job_id") != job["job_id"]) if others.height else others
    for row in others.iter_rows(named=True):
        st.button(
            f"Other job on this system: {words.escaped(row['job_id'])}, {words.JOB_KIND.get(str(row['job_kind']), 'job')}, "
            f"{words.date(row['finished_on'])}",
            key=f"other_{row['job_id']}",
            type="tertiary",
            icon=":material/folder_open:",
            on_click=_go,
            args=(row["job_id"],),
        )


def _changes(job_id: str) -> None:
    history = data.history_of_job(job_id)
    if history.is_empty():
        return
    with st.expander(f"What later loads changed ({history.height})", icon=":material/history:", key="history"):
        st.dataframe(history, hide_index=True, alt="Earlier versions of the job's rows")


if __name__ == "__main__":
    page()
