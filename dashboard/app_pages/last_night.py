"""Last night: what landed, what must be gone back to, what did not arrive. For the manager at seven in the morning."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import streamlit as st

from dashboard import components, data, data_night, links, words
from dashboard.data_night import LastLoad, ReturnFilter
from dashboard.data_ways import JobList

LINES_AT_MOST = 10
STRETCH = {"30": 30, "90": 90, "365": 365, "all": None}
STRETCH_WORD = {"30": "30 days", "90": "90 days", "365": "a year", "all": "all"}
OPEN = ("overdue", "due")
STAND = {
    "open": "To do now",
    "overdue": "Past its day",
    "waiting": "Waits for warm weather",
    "settled": "Settled",
}
STAND_SIGN = {"overdue": "▲", "due": "●", "waiting": "◔", "settled": "✓"}
STAND_WORD = {
    "overdue": "past its day",
    "due": "to do",
    "waiting": "waits for warm weather",
    "settled": "settled",
}
REASON = {
    "gas_not_nitrogen": "Test gas not nitrogen",
    "over_pressure": "Over-pressure",
    "pressure_test_failed": "Pressure test failed",
    "rise_failed": "Vacuum rise failed",
    "airflow_failed": "Airflow outside its limit",
    "too_cold_to_judge": "Too cold for the charge check",
}
SETTLED_BY = {
    "later_job": "judged again on a later job",
    "later_attempt": "a later attempt of the same job was tight",
    "call": "put right on a call",
    "replaced": "the unit was replaced",
    "retired": "the unit was retired",
    "said": "said to be done",
}
KIND = {"file": "File", "crew": "Crew's jobs", "job_sheet": "Job's sheet"}
CHOSEN_BY = {
    "house_rule": "the day on *House rules*",
    "own_readings": "estimated from the outdoor temperatures of this house's own charge checks: the first week of the "
    "year in which three of four could have been judged",
    "guess": "a guess, 1 April: the records hold too few outdoor temperatures to tell, and *House rules* says no day",
}
HOW_RETURNS = (
    "One return is one step of one job that somebody must go back for:\n"
    "- a test gas that was not nitrogen, or a test above the permitted pressure: for safety, at once\n"
    "- a pressure test that failed and that no later one has passed: within {pressure_test_failed} days\n"
    "- a vacuum rise that failed and that no later one has passed: within {rise_failed} days\n"
    "- airflow outside its limit: within {airflow_failed} days\n"
    "- a charge check that was too cold to be judged: in the first week that is warm enough. Its first day is {season}.\n\n"
    "The numbers of days are those of *House rules*; as shipped they are guesses of common practice.\n\n"
    "A return is **settled** by a later record on the system: the step judged again on a later job (passed; for a cold "
    "charge check either way), a later attempt that was tight, or a unit replaced or retired. Airflow or charge put right "
    "on a call settles it too, and so does what somebody says below. A pass on the same day counts for nothing, since "
    "nobody can tell which came first.\n\n"
    "“Past its day” is held against the last day of the data, not against today. A disputed step waits for its answer "
    "and is not listed. A return says what the record shows: it does not say that the work was bad."
)
HOW_MISSING = (
    "**Files** are held against the day of the last load: a name (figures in it as #) that had come with new content on "
    "4 of the 5 working days before, and then did not. The same bytes again are no new file. The working days are those "
    "of *House rules*. **Jobs' sheets** and **crews** are held against the data's last day. A sheet is missing "
    "where neither a step nor a reading had come two days after a job of ours was finished, from the first day on which "
    "any sheet came. A crew is missing where its calls go on while it has had no job for 10 days, if it had one in the "
    "last 90. What did not come "
    "stays here until it does."
)


def page() -> None:
    if not {"return_due", "not_arrived"} <= data.tables():
        components.answer("What must be gone back to has not been worked out for these records yet.")
        st.markdown("It comes with the next load. Load the files again: what has not changed is not read twice.")
        st.page_link(components.DOCK_PAGE, label="Open the Loading dock", icon=":material/upload_file:")
        return
    load = data_night.last_load()
    slot = st.container()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        stretch = links.segmented(
            "Jobs finished within", list(STRETCH), "within", default="90", format_func=STRETCH_WORD.__getitem__
        )
        areas = data_night.return_areas()
        area = links.select("Area", areas, "area", placeholder="All areas", width=190) if areas else None
    stretch = stretch or "90"
    days = STRETCH[stretch]
    as_of = data.stamp().as_of
    from_on = as_of - dt.timedelta(days=days) if as_of and days else None
    new_load = load.load_id if load and not load.is_first else None
    which = ReturnFilter(from_on, area, new_load)
    counts = data_night.return_counts(which)
    missing = data_night.not_arrived_counts(from_on)
    within = within_words(days)
    with slot:
        finished = data_night.jobs_between(from_on)
        components.answer(answer_sentence(counts, missing, within, area, finished))
        with st.container(horizontal=True):
            components.how_counted(
                HOW_RETURNS.format(season=_season(), **data_night.days_to_go_back()),
                "returns",
                "How are returns counted?",
            )
            components.how_counted(HOW_MISSING, "missing", "When is something missing?")
            components.open_list(
                f"The {words.counted(finished, 'job')}, from the newest",
                JobList("finished", {"within": stretch}),
                "finished",
            )
        _landed_in_a_line(load)
    _first_ten(which, counts)
    _older(counts)
    _every_return(which, counts)
    _not_arrived(from_on, missing)
    _landed(load)


def within_words(days: int | None) -> str:
    return "" if not days else " of the last year" if days == 365 else f" of the last {words.counted(days, 'day')}"


def _season() -> str:
    chosen_by = data_night.warm_week_chosen_by()
    return CHOSEN_BY[chosen_by] if chosen_by else "told from the house's own readings"


def total(counts: pl.DataFrame, column: str = "returns", **equal: Any) -> int:
    """Sum of a column over the rows whose columns equal (or are among) the values given."""
    if counts.is_empty():
        return 0
    for name, value in equal.items():
        counts = counts.filter(pl.col(name).is_in(list(value) if isinstance(value, tuple) else [value]))
    return int(counts[column].sum())


def answer_sentence(counts: pl.DataFrame, missing: dict[str, int], within: str, area: str | None, jobs: int) -> str:
    """What must be gone back to, safety first, and how much did not arrive: the page's first line, and the brief's."""
    is_open = {"is_within": True, "stand": OPEN}
    returns = total(counts, **is_open)
    safety = total(counts, **is_open, is_safety=True)
    systems = total(counts, "systems", **is_open, is_safety=True)
    late = total(counts, is_within=True, stand="overdue", is_safety=False)
    new = total(counts, "new", **is_open)
    gone = sum(n for kind, n in missing.items() if kind != "older")
    where = f" in {words.escaped(area)}" if area else ""
    tail = f"; {words.counted(gone, 'thing')} did not arrive" if gone else "; nothing is missing"
    if not returns:
        return f"Nothing has to be gone back to{where}: none of the {words.counted(jobs, 'job')}{within} calls for it{tail}."
    inside = []
    if late:
        inside.append(f"{words.count(late)} past {'its' if late == 1 else 'their'} day")
    if new:
        inside.append(f"{words.count(new)} new with the last load")
    more = f" ({words.joined(inside)})" if inside else ""
    open_now = f"of {words.counted(jobs, 'job')}{within} somebody must still go back for {words.counted(returns, 'step')}{where}{more}"
    first = ""
    if safety:
        first = (
            f"{words.counted(systems, 'system')} {'needs' if systems == 1 else 'need'} somebody at once, for safety; "
        )
    sentence = f"{first}{open_now}{tail}."
    return sentence[0].upper() + sentence[1:]


def when(row: dict[str, Any]) -> str:
    """By when, in words: safety at once, the day, or what settled it."""
    if row["stand"] == "settled":
        return f"settled {words.date(row['settled_on'])}"
    if row["is_safety"]:
        return "at once"
    if row["due_on"] is None:
        return "no day: the job has none"
    if row["stand"] == "waiting":
        return f"from {words.date(row['due_from_on'])}"
    return f"{'was due' if row['stand'] == 'overdue' else 'by'} {words.date(row['due_on'])}"


def _first_ten(which: ReturnFilter, counts: pl.DataFrame) -> None:
    """The most urgent ones, each with its reason in a sentence."""
    first = data_night.returns(which, OPEN, None, at_most=LINES_AT_MOST)
    if first.is_empty():
        return
    all_open = total(counts, is_within=True, stand=OPEN)
    components.heading("First of all" if all_open > first.height else "To go back to")
    whys = data_night.reasons_why(first)
    for row in first.iter_rows(named=True):
        _line(row, whys)
    if first["is_safety"].any():
        components.cautions(("pressure", "release", "brazing"))


def _line(row: dict[str, Any], whys: dict[tuple[str, str], str]) -> None:
    sign = ":material/emergency_home:" if row["is_safety"] else STAND_SIGN[row["stand"]]
    colour = "orange" if row["is_safety"] or row["stand"] == "overdue" else "gray"
    badges = f":{colour}-badge[{sign} {when(row)}]"
    if row["is_new"]:
        badges += " :blue-badge[new with the last load]"
    key = f"{row['job_id']}_{row['step']}"
    with st.container(border=True, horizontal=True, vertical_alignment="center", gap="small", key=f"line_{key}"):
        with st.container(width="stretch", gap="xxsmall"):
            st.markdown(f"**{REASON[row['reason']]}** &nbsp; {badges}")
            st.markdown(where_and_why(row, whys))
        with st.container(width=330, horizontal=True, gap="small"):
            st.button(
                f"Job {words.escaped(row['job_id'])}", icon=":material/folder_open:", type="tertiary",
                key=f"open_{key}", on_click=_go, args=(row["job_id"],),
            )  # fmt: skip
            _say_done(row)


def where_and_why(row: dict[str, Any], whys: dict[tuple[str, str], str]) -> str:
    """Which system, since when, and what was read: one return in a sentence or two."""
    area = f", area {words.escaped(row['area'])}" if row["area"] else ""
    return (
        f"System {words.escaped(row['system_id'])}{area}, finished {words.date(row['finished_on'])}. "
        f"{words.escaped(_why(row, whys))}"
    )


def _why(row: dict[str, Any], whys: dict[tuple[str, str], str]) -> str:
    """What to do, then what was read: the sentence of the reason and that of the grade, without saying it twice."""
    said = whys.get((row["job_id"], row["step"]), "")
    if row["reason"] == "gas_not_nitrogen":  # its grade says less than the reason
        return row["sentence"]
    return f"{said} {row['sentence'] if row['reason'] == 'too_cold_to_judge' else ''}".strip() or row["sentence"]


def _go(job_id: str) -> None:
    # the most urgent ones stand above the choices of the table below: those do not narrow their list
    chosen = {key: st.query_params[key] for key in ("within", "area") if key in st.query_params}
    components.open_job(job_id, jobs=JobList("returns", chosen))


def _say_done(row: dict[str, Any]) -> None:
    """Somebody went back, and no record will ever show it: say so here, in words, with a name."""
    key = f"{row['job_id']}_{row['step']}"
    with (
        st.popover("It was seen to", icon=":material/check:", type="tertiary", key=f"done_{key}"),
        st.form(f"form_{key}", border=False),
    ):
        st.markdown(
            "A later record settles it by itself. If none will come, say here what was done; it is kept with its day "
            "and name and can be taken back."
        )
        what = st.text_input("What was found and done", key=f"what_{key}", max_chars=300)
        by = st.text_input("Your name", key=f"by_{key}", max_chars=80)
        on = st.date_input("On", value="today", max_value="today", key=f"on_{key}", format="YYYY-MM-DD")
        if st.form_submit_button("Keep"):
            if not what.strip() or not by.strip():
                st.error("Say what was done, and by whom it is said.", icon=":material/error:")
            elif isinstance(on, dt.date):
                data.entries().seen_to(row["job_id"], row["step"], what.strip(), on.isoformat(), by.strip())
                st.rerun()


def _older(counts: pl.DataFrame) -> None:
    older = total(counts, is_within=False, stand=OPEN)
    if not older:
        return
    safety = total(counts, is_within=False, stand=OPEN, is_safety=True)
    more = f", {words.count(safety)} of them for safety" if safety else ""
    components.note(
        f"From older jobs {words.counted(older, 'return')} more {'is' if older == 1 else 'are'} still open{more}: no "
        "later record settles them. Choose *all* above to see them."
    )


def _every_return(which: ReturnFilter, counts: pl.DataFrame) -> None:
    inside = counts.filter("is_within") if counts.height else counts
    if inside.is_empty():
        return
    st.header("Every return", anchor="returns")
    by_stand = {
        "open": total(inside, stand=OPEN),
        "overdue": total(inside, stand="overdue"),
        "waiting": total(inside, stand="waiting"),
        "settled": total(inside, stand="settled"),
    }
    stand = links.segmented(
        "How it stands", list(STAND), "stand", default="open",
        format_func=lambda code: f"{STAND[code]} · {words.count(by_stand[code])}",
    )  # fmt: skip
    stands = OPEN if stand in (None, "open") else (str(stand),)
    by_reason = {code: total(inside, stand=stands, reason=code) for code in REASON}
    reason = links.pills(
        "Why", list(REASON), "reason", format_func=lambda code: f"{REASON[code]} · {words.count(by_reason[code])}"
    )
    rows = by_reason[reason] if reason else sum(by_reason.values())
    found = data_night.returns(which, stands, reason)
    shown = f"; the first {words.count(found.height)} are shown" if rows > found.height else ""
    if not rows:
        components.note("**0 returns.** Nothing stands like this.")
        return
    components.note(f"**{words.counted(rows, 'return')}**, most urgent first{shown}.")
    _return_table(found)
    _said_since()


def _return_table(found: pl.DataFrame) -> None:
    rows = list(found.iter_rows(named=True))
    ids = found["job_id"].to_list()
    whys = data_night.reasons_why(found)
    table = pl.DataFrame(
        {
            "Job": ["Open"] * len(rows),
            "System": [row["system_id"] for row in rows],
            "Why": [REASON[row["reason"]] for row in rows],
            "By when": [f"{STAND_SIGN[row['stand']]} {when(row)}" for row in rows],
            "Area": [row["area"] for row in rows],
            "What was read": [whys.get((row["job_id"], row["step"]), "") for row in rows],
            "Settled by": [SETTLED_BY.get(row["settled_by"] or "") for row in rows],
            "Finished": [row["finished_on"] for row in rows],
            "Job number": ids,
            "Came": ["last load" if row["is_new"] else row["load_id"] for row in rows],
        },
        schema_overrides={"Area": pl.String, "Settled by": pl.String, "Came": pl.String, "Finished": pl.Date},
    )
    if not any(row["settled_by"] for row in rows):
        table = table.drop("Settled by")
    # as in job_table: the key follows the rows
    key = f"returns_open_{abs(hash(tuple((row['job_id'], row['step']) for row in rows))) % 10**8}"
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(rows), 460),
        column_config={
            "Job": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=key, on_click=_open_clicked, args=(ids, key)
            ),
            "Why": st.column_config.TextColumn(width=200),
            "By when": st.column_config.TextColumn(width=160),
            "What was read": st.column_config.TextColumn(width="large"),
            "Finished": st.column_config.DateColumn(format=words.day_column()),
        },
        alt="The returns, most urgent first, with their day, area and reason",
    )
    components.open_first(ids, key)


def _open_clicked(ids: list[str | None], key: str, jobs: JobList | None = None) -> None:
    click = st.session_state.get(key)
    if click is not None and 0 <= click["row"] < len(ids) and ids[click["row"]]:
        components.open_job(str(ids[click["row"]]), jobs=jobs)


def _said_since() -> None:
    said = data.entries().returns_seen_to()
    if not said:
        return
    with st.expander(f"Said to be done ({len(said)})", icon=":material/check:", key="said"):
        for job_id, step, day, what, by in said[-50:]:
            with st.container(horizontal=True, vertical_alignment="center"):
                components.note(
                    f"Job {words.escaped(job_id)}, {words.step(step).lower()}, {day}, {words.escaped(by)}: "
                    f"{words.escaped(what)}"
                )
                st.button(
                    "Take it back", key=f"undo_{job_id}_{step}", type="tertiary", icon=":material/undo:",
                    on_click=_take_back, args=(job_id, step),
                )  # fmt: skip


def _take_back(job_id: str, step: str) -> None:
    data.entries().not_seen_to(job_id, step)


def _not_arrived(from_on: dt.date | None, counts: dict[str, int]) -> None:
    st.header("What did not arrive", anchor="missing")
    found = data_night.not_arrived(from_on)
    older = counts.get("older", 0)
    if found.is_empty():
        components.note("Nothing is missing that comes by habit." + _older_sheets(older))
        return
    components.note(f"**{missing_words(counts)}.**{_older_sheets(older)}")
    ids = found["job_id"].to_list()
    table = pl.DataFrame(
        {
            "Job": ["Open" if job else None for job in ids],
            "What": [KIND.get(kind, kind) for kind in found["kind"]],
            "Name": found["name"],
            "Expected": found["expected_on"],
            "Last came": found["last_seen_on"],
            "Why it is missed": found["detail"],
        },
        schema_overrides={"Job": pl.String},
    )
    if not any(ids):
        table = table.drop("Job")
    key = f"missing_open_{abs(hash(tuple(found['name'].to_list()))) % 10**8}"
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * found.height, 320),
        column_config={
            "Job": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=key, on_click=_open_clicked, args=(ids, key, _missing_list())
            ),
            "Expected": st.column_config.DateColumn(format=words.day_column()),
            "Last came": st.column_config.DateColumn(format=words.day_column()),
            "Why it is missed": st.column_config.TextColumn(width="large"),
        },
        alt="What should have come and did not",
    )
    components.open_first(ids, key, jobs=_missing_list())


def _missing_list() -> JobList:
    within = st.query_params.get("within", "90")
    return JobList("missing", {"within": within})


def missing_words(counts: dict[str, int]) -> str:
    """What did not arrive, counted by kind; empty where nothing is missing."""
    kinds = (
        ("file", "file", "files"), ("crew", "crew without a job", "crews without a job"),
        ("job_sheet", "job without its sheet", "jobs without their sheet"),
    )  # fmt: skip
    return words.joined([words.counted(counts[kind], one, many) for kind, one, many in kinds if counts.get(kind)])


def _older_sheets(older: int) -> str:
    return f" Of {words.counted(older, 'older job')} too no sheet ever came." if older else ""


def landed_words(load: LastLoad) -> str:
    """What the last load brought, in half a line."""
    if load.is_first:
        jobs = f"the first one, {words.counted(load.rows.get('jobs', 0), 'job')} at once"
    elif load.rows.get("jobs"):
        jobs = f"{words.counted(load.rows['jobs'], 'new or changed job', 'new or changed jobs')}"
    else:
        jobs = "no new job"
    left_out = f"; {words.counted(load.rejected, 'row or value', 'rows and values')} left out" if load.rejected else ""
    return f"**Last load**, {words.moment(load.loaded_at)}: {jobs}, {words.counted(load.files, 'file')}{left_out}."


def _landed_in_a_line(load: LastLoad | None) -> None:
    """What the last load brought, before anything else: an empty night explains an empty list."""
    if load is not None:
        components.note(f"{landed_words(load)} [What landed](#landed) · [What did not arrive](#missing)")


def _landed(load: LastLoad | None) -> None:
    if load is None:
        return
    st.header("What landed", anchor="landed")
    rows = words.joined(
        f"{words.count(n)} {'new or changed ' if place == 0 else ''}{table.replace('_', ' ')}"
        for place, (table, n) in enumerate(sorted(load.rows.items(), key=lambda pair: -pair[1]))
    )
    brought = f" brought {rows}" if rows else " brought nothing new"
    left_out = (
        f"; {words.counted(load.rejected, 'row or value', 'rows and values')} could not be taken in"
        if load.rejected
        else ""
    )
    first = " It was the first one: everything is new." if load.is_first else ""
    components.note(
        f"Load {words.escaped(load.load_id)} of {words.moment(load.loaded_at)}, "
        f"{words.counted(load.files, 'file')},{brought}{left_out}.{first}"
    )
    if load.rejected:
        st.page_link(
            components.DOCK_PAGE, label="What was left out, and why", icon=":material/upload_file:",
            query_params={"load": load.load_id},
        )  # fmt: skip
    if not load.is_first:
        _new_jobs(load)


def _new_jobs(load: LastLoad) -> None:
    jobs = data_night.new_jobs(load.load_id)
    if jobs.is_empty():
        return
    more = " The newest 100 are shown." if jobs.height == 100 else ""
    components.note(f"**{words.counted(jobs.height, 'job')}** came with it or changed.{more}")
    ids = jobs["job_id"].to_list()
    came = JobList("landed", {"load": load.load_id})
    key = f"landed_open_{abs(hash(tuple(ids))) % 10**8}"
    st.dataframe(
        pl.DataFrame(
            {
                "Job": ["Open"] * len(ids),
                "Job number": ids,
                "System": jobs["system_id"],
                "Finished": jobs["finished_on"],
                "Good": [
                    f"{good} of {words.counted(known, 'known step')}" if known else "nothing known"
                    for good, known in zip(jobs["good"], jobs["known"], strict=True)
                ],
                "Steps not known": jobs["unknown"],
            }
        ),
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(ids), 320),
        column_config={
            "Job": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=key, on_click=_open_clicked, args=(ids, key, came)
            ),
            "Finished": st.column_config.DateColumn(format=words.day_column()),
        },
        alt="The jobs that the last load brought",
    )
    components.open_first(ids, key, jobs=came)


if __name__ == "__main__":
    page()
