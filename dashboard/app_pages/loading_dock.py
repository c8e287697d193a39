"""Loading dock: will it take my file; what was left out and why; what can my records answer."""

from __future__ import annotations

import shutil
import tempfile
import textwrap
from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, components, data, links, looks, running, words
from pipelines.contract import KNOWN_STATES, STEPS
from pipelines.errors import InputError, StoreMissingError

ENDINGS = ["csv", "tsv", "txt", "xlsx", "parquet", "jsonl", "ndjson"]
_ROUND = "dock_round"
HOW_ROWS = (
    "For each file: **read = new + changed + unchanged + rejected + passed over**, always. *Changed*: the same key came "
    "with other content; the earlier row is kept as history. *Passed over*: titles, totals and blank lines. A row is "
    "rejected only if nothing of it was taken; a single unreadable value is left out and counted apart, and the rest of "
    "its row is kept."
)
HOW_PROOF = (
    "Of the jobs to which a step belongs: how many have its proof (good, or outside its limit), how many were measured "
    "but cannot be judged, ticked with nothing measured, recorded as not done, or have no record. What has no proof "
    "cannot be judged by anybody; better forms and gauges change that from the day they are used."
)

HOW_FROM_WHEN = (
    "A question counts as answered once it is *clear* or *leaning*. For the others it is from when on a ratio of 1.5 would "
    "show in 4 of 5 cases. That holds if as many installs come as in the last 12 months, are followed as long as those so "
    "far and fail as often, and the steps go together as they do now. Where 1.5 would have shown by now, what there is is likely below it, "
    "and a smaller ratio is named. *Clear* allows for many questions asked at once and takes somewhat longer."
)
LARGEST_TARGET = 1.5
NOTHING_TO_COMPARE = {
    "records": "no record of it",
    "good_jobs": "never good: nothing to compare",
    "not_good_jobs": "always good: nothing to compare",
    "separation": "goes along with another step",
}


def page() -> None:
    try:
        totals = data.load_totals()
    except StoreMissingError:
        totals = pl.DataFrame()
    _answer(totals)
    if not totals.is_empty():
        components.how_counted(HOW_ROWS, "rows")
    _put_in()
    if totals.is_empty():
        return
    _what_can_be_answered()
    _from_when()
    _loads(totals)
    _left_out(totals)


def _answer(totals: pl.DataFrame) -> None:
    standing = totals.filter(pl.col("undone_at").is_null()) if not totals.is_empty() else totals
    if standing.is_empty():
        components.answer("Nothing has been loaded yet: put your export files here, in whatever form they are.")
        return
    last = standing.row(0, named=True)
    took = (last["rows_new"] or 0) + (last["rows_changed"] or 0) + (last["rows_unchanged"] or 0)
    read = last["rows_read"] or 0
    judged = read - (last["rows_passed_over"] or 0)
    sentence = (
        f"The last load ({words.escaped(last['load_id'])}, {words.date(last['started_at'])}) took "
        f"{words.count(took)} of {words.counted(judged, 'row')} from {words.counted(last['files'], 'file')}"
    )
    rejected, values = last["rows_rejected"] or 0, last["values_rejected"] or 0
    if rejected or values:
        left_out = words.joined(
            part
            for part in (
                words.counted(rejected, "row") if rejected else "",
                words.counted(values, "single value") if values else "",
            )
        )
        sentence += f"; {left_out} could not be taken in, {'each ' if rejected + values > 1 else ''}listed below with its reason"
    else:
        sentence += "; nothing was left out"
    components.answer(sentence + ".")


# --- putting files in


def _put_in() -> None:
    components.heading("Put files in")
    files = st.file_uploader(
        "Export files: CSV, Excel, Parquet or JSON Lines. They are read here and stay on this machine.",
        type=ENDINGS,
        accept_multiple_files=True,
        key=f"files_{st.session_state.setdefault(_ROUND, 0)}",
    )
    if not files:
        return
    folder = _kept(files)
    paths = sorted(path for path in folder.iterdir() if path.is_file() and path.name != "mapping.toml")
    toml = _how_it_would_be_read(paths)
    mapping_file = folder / "mapping.toml"
    arguments = ["load", *map(str, paths)]
    if toml:
        mapping_file.write_text(toml, encoding="utf-8")
        arguments += ["--mapping", str(mapping_file)]
    with st.container(horizontal=True):
        try_it = st.button("Try it, keep nothing", icon=":material/science:", key="try_load")
        do_it = st.button("Load and work out", icon=":material/download_done:", key="do_load")
    if try_it:
        _run([*arguments, "--dry-run"], "Trying the files; nothing is kept")
    if do_it and _run(arguments, "Loading, grading and working out the figures"):
        # the files are in the store now: neither the page nor the folder of this session keeps them
        st.session_state[_ROUND] += 1
        shutil.rmtree(folder, ignore_errors=True)
        st.rerun()


def _kept(files: list[Any]) -> Path:
    """The uploaded files in a folder of this session, under their own names."""
    if "upload_folder" not in st.session_state:
        st.session_state["upload_folder"] = tempfile.mkdtemp(prefix="slowfuse-upload-")
    folder = Path(st.session_state["upload_folder"])
    folder.mkdir(exist_ok=True)
    wanted = {Path(file.name).name: file for file in files}
    for old in folder.iterdir():
        if old.name not in wanted:
            old.unlink()
    for name, file in wanted.items():
        place = folder / name
        if not place.exists() or place.stat().st_size != file.size:
            place.write_bytes(file.getbuffer())
    return folder


def _how_it_would_be_read(paths: list[Path]) -> str | None:
    """The proposed mapping with samples before and after, open to change; None where the files need none."""
    mark = tuple((path.name, path.stat().st_size) for path in paths)
    if st.session_state.get("proposed_for") != mark:
        with st.spinner("Looking at the files"):
            st.session_state["proposal"] = None if _bears_contract_headings(paths) else _proposed(paths)
        st.session_state["proposed_for"] = mark
        st.session_state.pop("mapping_text", None)
        st.session_state.pop("mapping_answers", None)
    proposed = st.session_state["proposal"]
    st.subheader("How they would be read", anchor=False)
    if proposed is None:
        components.note("These files bear the headings that are known here: they need no mapping.")
        return None
    if isinstance(proposed, str):
        st.error(proposed, title="These files cannot be read", icon=":material/error:")
        return None
    answers = _answers(proposed.questions)
    if st.session_state.get("mapping_answers") != answers or "mapping_text" not in st.session_state:
        st.session_state["mapping_answers"] = answers
        st.session_state["mapping_text"] = proposed.to_toml(answers)
    samples = pl.DataFrame([_sample_row(sample) for sample in proposed.samples], infer_schema_length=None)
    if not samples.is_empty():
        components.note(f"{words.counted(samples.height, 'heading')} found their place:")
        st.dataframe(
            samples,
            hide_index=True,
            placeholder="–",
            height=min(38 + 35 * samples.height, 420),
            column_config={"Heading": st.column_config.TextColumn(pinned=True)},
            alt="Each heading with its place, and cells before and after reading",
        )
    aside = [*map(str, proposed.unplaced), *map(str, proposed.untranslated)]
    if aside:
        more = f"\n- and {len(aside) - 30} more" if len(aside) > 30 else ""
        st.warning(
            "\n".join(f"- {words.escaped(part)}" for part in aside[:30]) + more,
            title=f"{words.counted(len(aside), 'heading or word', 'headings or words')} found no place",
            icon=":material/help_center:",
        )
    with st.expander("The mapping itself, to change by hand", icon=":material/edit_note:", key="mapping_open"):
        st.text_area("Mapping (TOML)", key="mapping_text", height=340, persist_state="page")
    return st.session_state.get("mapping_text")


def _bears_contract_headings(paths: list[Path]) -> bool:
    from pipelines import recognising, sampling

    looks, _ = sampling.look_at(paths)
    return bool(looks) and all(
        recognising.contract_source(look.sheet or "", look.path, [list(look.headings)]) is not None for look in looks
    )


def _proposed(paths: list[Path]) -> Any:
    """A proposal, or in words why there is none."""
    from pipelines import proposal

    try:
        proposed = proposal.propose(paths)
        proposed.to_toml()
    except InputError as error:
        return words.escaped(str(error))
    return proposed


def _answers(questions: list[Any]) -> dict[str, str]:
    """What the files cannot say by themselves: asked here, one of the options each."""
    answers: dict[str, str] = {}
    if questions:
        st.info(
            "A file cannot say by itself whether 03/04 is in March or in April. Nothing is guessed: choose, else those "
            "cells are not taken in.",
            title=words.counted(len(questions), "question") + " before it can be loaded",
            icon=":material/contact_support:",
        )
    for place, question in enumerate(questions):
        meanings = dict(question.options)
        chosen = st.radio(
            words.escaped(question.text),
            list(meanings),
            index=None,
            format_func=lambda line, meanings=meanings: words.escaped(f"{meanings[line]}  ({line})"),
            key=f"question_{place}_{abs(hash(question.key)) % 10**6}",
        )
        if chosen is not None:
            answers[question.key] = chosen
    return answers


def _sample_row(sample: Any) -> dict[str, str]:
    return {
        "File": sample.file,
        "Heading": sample.heading,
        "Becomes": sample.column,
        "Unit": sample.unit,
        "As written": sample.before,
        "As held": sample.after,
        "How sure": sample.how_sure,
        "Why": sample.why,
    }


def _folded(said: str) -> str:
    """Sentences of the command folded to the page; its tables, told by their runs of blanks, stay as they are."""
    return "\n".join(line if "  " in line.strip() else textwrap.fill(line, 88) for line in said.splitlines())


def _run(arguments: list[str], title: str) -> bool:
    """Run the command line and show what it says; True if it ended well."""
    with st.status(f"{title} …", expanded=True) as status:
        slot = st.empty()
        last = running.Command()
        for last in running.run(arguments, data.store()):
            if last.said.strip():
                slot.code(_folded(last.said[-6000:]), language=None)
        if last.code == 0:
            status.update(label=f"{title}: done", state="complete", expanded=True)
        else:
            status.update(label=f"{title}: not done; nothing of the store was changed", state="error", expanded=True)
    return last.code == 0


# --- what the records can answer


def _what_can_be_answered() -> None:
    proof = data.proof_by_step()
    if proof.is_empty():
        return
    components.heading("What your records can answer")
    belongs = proof.filter(pl.col("state") != "disputed")
    measured = belongs.group_by("step").agg(
        jobs=pl.col("n").sum(),
        measured=pl.col("n").filter(pl.col("state").is_in(["passed", "failed"])).sum(),
        known=pl.col("n").filter(pl.col("state").is_in(list(KNOWN_STATES))).sum(),
    )
    rows = {row["step"]: row for row in measured.iter_rows(named=True)}
    weakest = min(
        (s for s in STEPS if s in rows), key=lambda s: rows[s]["measured"] / max(1, rows[s]["jobs"]), default=None
    )
    if weakest:
        row = rows[weakest]
        components.note(
            f"Proof is scarcest for **{words.step(weakest).lower()}**: {words.share(row['measured'] / max(1, row['jobs']))} of "
            f"{words.counted(row['jobs'], 'job')} have a reading that can be judged."
        )
    st.altair_chart(
        charts.proof(belongs, looks.current()),
        alt="For each step, the share of jobs with proof, ticked only, not done, without record or not to be judged",
    )
    with st.container(horizontal=True, vertical_alignment="center"):
        components.how_counted(HOW_PROOF, "proof")
        if weakest and data.stamp().fitted:
            st.page_link(
                "app_pages/crew_week.py", label=f"The jobs behind {words.step(weakest).lower()}",
                icon=":material/groups:", query_params={"step": weakest},
            )  # fmt: skip
    counts = data.staged_counts()
    _questions(counts, rows)


def _questions(counts: dict[str, int], steps: dict[str, dict[str, int]]) -> None:
    """Which questions the records can answer now, and what is missing for the others."""
    jobs, calls = counts.get("jobs", 0), counts.get("calls", 0)
    known = sum(row["known"] for row in steps.values())
    training, logs = counts.get("training", 0), counts.get("traces", 0)
    unplanned = data.unplanned_calls()
    asked = [
        (
            "Which steps are good, by crew and person",
            known > 0,
            f"{words.counted(known, 'known job step')}",
            "no step has a reading or a tick yet: load `steps` and `readings`",
        ),
        (
            "What goes with later failures",
            jobs > 0 and unplanned >= 30,
            f"{words.counted(unplanned, 'unplanned call')} on {words.counted(jobs, 'job')}",
            f"{words.counted(unplanned, 'unplanned call')} so far; load `calls`, some dozens at least",
        ),
        (
            "Which installs to visit first",
            jobs > 0 and unplanned >= 30,
            f"{words.counted(jobs, 'job')}, {words.counted(calls, 'call')}",
            "needs the later calls to the systems: load `calls`",
        ),
        (
            "Whether a course worked",
            training > 0,
            f"{words.counted(training, 'attendance', 'attendances')}",
            "no course is on record: load `training`",
        ),
        (
            "Leak or moisture, from the curve",
            logs > 0,
            f"{words.counted(logs, 'gauge sample')}",
            "no gauge log: load `traces`",
        ),
    ]
    lines = [
        f"{'●' if can else '○'} &nbsp; **{question}**: {'yes' if can else 'not yet'}; {basis if can else missing}."
        for question, can, basis, missing in asked
    ]
    components.note("  \n".join(lines))


# --- from when on


def _from_when() -> None:
    needed = data.evidence_needed()
    if needed.is_empty():
        return
    components.heading("From when on a question can be answered")
    effects = needed.filter(pl.col("topic") == "step_effect")
    asked = effects.filter(pl.col("step").is_not_null())
    if asked.is_empty():
        for text in effects["text"]:
            components.note(words.escaped(text))
    else:
        answers = {
            (row["step"], row["outcome"], row["age_band"]): _day_told(row) for row in asked.iter_rows(named=True)
        }
        columns = [(outcome, band) for outcome in ("compressor_failure", "callback") for band in ("early", "late")]
        questions = len(STEPS) * len(columns)
        in_time = asked["from_on"].count()
        components.note(
            f"What goes with a step that is not good: of **{questions}** questions {questions - asked.height} are answered, "
            f"{in_time} can be from the year shown, {asked.height - in_time} cannot be seen from here."
        )
        table = pl.DataFrame(
            {
                "Step": [words.step(step) for step in STEPS],
                **{
                    f"{words.outcome(outcome)}: {words.AGE_BAND[band].lower()}": [
                        answers.get((step, outcome, band), "● answered") for step in STEPS
                    ]
                    for outcome, band in columns
                },
            }
        )
        st.dataframe(
            table,
            hide_index=True,
            column_config={"Step": st.column_config.TextColumn(pinned=True)},
            alt="For each step and outcome, the year from which on its link can be told",
        )
        components.how_counted(HOW_FROM_WHEN, "from_when")
    with st.expander("Each open question in words", icon=":material/hourglass_empty:", key="needed_table"):
        st.dataframe(
            needed.select(pl.col("text").alias("What is open"), pl.col("have").alias("There"), pl.col("need").alias("Needed"),
                          pl.col("counted").alias("Of what"), pl.col("from_on").alias("From about")),
            hide_index=True,
            placeholder="–",
            height=min(38 + 35 * needed.height, 420),
            column_config={
                "What is open": st.column_config.TextColumn(width="large", pinned=True),
                "From about": st.column_config.DateColumn(format=words.month_column()),
            },
            alt="Each open question with what is there, what is needed and from when on it can be answered",
        )  # fmt: skip


def _day_told(row: dict[str, Any]) -> str:
    """`○ about 2031`, `○ likely below 1.5; 1.25 about 2044`, or why no time will tell."""
    why = NOTHING_TO_COMPARE.get(row["lacks"])
    if why is not None:
        return f"– {why}"
    when = f"about {row['from_on'].year}" if row["from_on"] is not None else "not within 50 years"
    if row["target_ratio"] is not None and row["target_ratio"] < LARGEST_TARGET:
        return f"○ likely below {LARGEST_TARGET:g}; {row['target_ratio']:g} {when}"
    return f"{'○' if row['from_on'] is not None else '–'} {when}"


# --- loads and what they left out


def _loads(totals: pl.DataFrame) -> None:
    components.heading("Loads")
    table = pl.DataFrame(
        {
            "Load": totals["load_id"],
            "Started": totals["started_at"],
            "Files": totals["files"],
            "Read": totals["rows_read"],
            "= New": totals["rows_new"],
            "+ Changed": totals["rows_changed"],
            "+ Unchanged": totals["rows_unchanged"],
            "+ Rejected": totals["rows_rejected"],
            "+ Passed over": totals["rows_passed_over"],
            "Adds up": [
                "● yes" if row["rows_read"] == sum(row[c] or 0 for c in _PARTS) else "▲ no: tell us"
                for row in totals.iter_rows(named=True)
            ],
            "Single values left out": totals["values_rejected"],
            "Taken back": [words.moment(at) for at in totals["undone_at"]],
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * table.height, 320),
        column_config={
            "Load": st.column_config.TextColumn(pinned=True),
            "Started": st.column_config.DatetimeColumn(format=words.moment_column()),
            **{
                name: st.column_config.NumberColumn(format="localized")
                for name, kind in table.schema.items()
                if kind.is_integer()
            },
        },
        alt="Each load with the counts of its rows",
    )
    with st.expander("File by file", icon=":material/description:", key="files_table"):
        files = data.loads()
        shown = [
            "load_id", "source_file", "mapping", "rows_read", "rows_new", "rows_changed", "rows_unchanged",
            "rows_rejected", "rows_passed_over", "values_rejected", "bytes",
        ]  # fmt: skip
        st.dataframe(
            files.select([column for column in shown if column in files.columns]).rename(
                {c: c.replace("_", " ").capitalize() for c in shown if c in files.columns}
            ),
            hide_index=True,
            placeholder="–",
            alt="Each file of each load with the counts of its rows",
        )
    standing = totals.filter(pl.col("undone_at").is_null())["load_id"].to_list()
    if standing:
        with st.popover("Take a load back", icon=":material/undo:", key="undo_open"):
            load_id = st.selectbox("Load", standing, key="undo_load")
            components.note(
                "What this load brought is taken out again and what it changed goes back to what stood before. Rows "
                "that a later load brought again unchanged stay."
            )
            sure = st.checkbox("Yes, take it back", key="undo_sure")
            if st.button("Take it back", key="undo_do", disabled=not sure) and _run(
                ["load", "--undo", str(load_id)], f"Taking back {load_id}"
            ):
                st.rerun()


_PARTS = ("rows_new", "rows_changed", "rows_unchanged", "rows_rejected", "rows_passed_over")


def _left_out(totals: pl.DataFrame) -> None:
    components.heading("What was left out, and why")
    with st.container(horizontal=True, vertical_alignment="top"):
        load_id = links.select("Load", totals["load_id"].to_list(), "load", placeholder="All loads", width=180)
        scope = links.segmented(
            "What",
            ["row", "value"],
            "scope",
            format_func=lambda code: {"row": "Whole rows", "value": "Single values"}[code],
        )
        text = links.text("Holding", "reason", placeholder="reason, file or column", width=240)
    rows = data.rejected_count(load_id, scope, text)
    if not rows:
        st.info("Nothing was left out that fits these choices.")
        return
    reasons = data.reject_reasons(load_id)
    if scope and reasons.height:
        reasons = reasons.filter(pl.col("scope") == scope)
    if reasons.height:
        with st.expander("By reason", icon=":material/list:", key="reasons_table"):
            st.dataframe(
                reasons.rename({c: c.replace("_", " ").capitalize() for c in reasons.columns}),
                hide_index=True,
                placeholder="–",
                alt="How many rows and values were left out for each reason",
            )
    pages = max(1, -(-rows // data.PAGE_OF_JOBS))
    slot = st.container()
    page_no = links.page_number(pages, "rejects_page", of=(load_id, scope, text))
    shown = data.rejected_rows(load_id, scope, text, page_no)
    first = (page_no - 1) * data.PAGE_OF_JOBS + 1
    with slot:
        part = f"; shown: {words.count(first)} to {words.count(first + shown.height - 1)}" if pages > 1 else ""
        components.note(f"**{words.counted(rows, 'entry', 'entries')}**{part}.")
        st.dataframe(
            shown.rename(
                {
                    "load_id": "Load", "source_file": "File", "source_line": "Line", "scope": "What",
                    "table_name": "Table", "column_name": "Column", "value": "Found", "reason": "Why",
                    "row_as_text": "The row as written",
                }
            ).select("File", "Line", "Column", "Found", "Why", "What", "Table", "Load", "The row as written"),
            hide_index=True,
            placeholder="–",
            height=min(38 + 35 * shown.height, 480),
            column_config={"Why": st.column_config.TextColumn(width="large")},
            alt="What was left out, with file, line, column, what was found and why",
        )  # fmt: skip


if __name__ == "__main__":
    page()
