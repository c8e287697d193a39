"""Crew week: who needs help with which step; is it the person, the branch, the tool or the form; is it fair.

The fleet comes first, then the steps, then crews, branches and forms, and people last: most of what looks like a person's
doing is not.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, components, data, doubt_section, links, looks, people_charts, people_words, words
from dashboard.data import JobFilter
from dashboard.data_ways import JobList
from dashboard.papers_button import papers_button
from pipelines.contract import STEPS

HOW_GOOD = (
    "*Good* is a step that was measured and lies within its limit (a step with nothing to measure: ticked). *Known* is "
    "good, outside its limit, ticked with nothing measured, or not done. The share is **good / known**. Steps with no "
    "record, or with a reading that cannot be judged, are left out of both and shown as *unknown*; disputed ones too. "
    "The range is a 95 % interval."
)
HOW_PEOPLE = (
    "The dot is the share good after two corrections: each person's mix of jobs (equipment, joints, season) is taken "
    "into account, and few jobs are drawn toward the fleet. The line is its 95 % interval. The dashed line is the "
    "target. A person is marked ▼ only when the chance that he is truly more than 5 points below target is above "
    "97.5 %. For that mark his own jobs speak: the fleet's rate weighs no more than eight jobs. Of average people "
    "fewer than 4 in 1,000 are marked. Somebody 15 points below is found about 1 time in 5 with 43 jobs, 6 in 10 with "
    "100 and 9 in 10 with 300: no mark does not mean that all is well. A helper's step counts to the helper where the "
    "record names him, else to the job's lead. People stand in the order of crew and name; there are no ranks: with few "
    "jobs the order is mostly chance."
)
HOW_STEPS = (
    "The dot is the share good over the whole fleet, the thick line its 95 % interval, the thin line how far the unknown "
    "jobs could move it: all of them not good, or all good."
)
HOW_GROUPS = (
    "The dot is the group's share good, the thick line its 95 % interval, the dashed line the fleet. The diamond is what "
    "to compare with. For forms, instruments, seasons, equipment and branches it is what the same people would reach "
    "elsewhere, by their other jobs of the same year. For crews and firms it is what people on average reach on the same "
    "equipment, joints and seasons. Where dot and diamond lie together, "
    "the group itself makes no difference. For crew, branch and firm the sentences say how much of the spread between "
    "people lies between the groups, and how much would by drawing the groups by lot."
)
HOW_CHANGED = (
    "Each person's jobs of the last 12 months are set against his own before, job by job, after what the fleet reached "
    "on such jobs, on such a form, in the same quarter. It takes a lot to say that somebody changed: of people whose work "
    "is steady, fewer than 1 in 100 a year are told to be worse by any of nine steps and the whole job. So it comes late. A "
    "fall from 90 to 73 % is seen within a year for 4 in 10 of those with 100 jobs a year and for 3 in 4 of those with 200, "
    "after some 60 to 100 jobs. A fall to 55 % is seen nearly always, after some 40."
)
HOW_PROOF = (
    "A record agrees when the record and the second reading, taken by somebody else, fall on the same side of the limit. "
    "Each month one job in twenty of everybody, at least one, is drawn by lot to be measured again: nobody can choose "
    "which, so the share that agrees speaks for all."
)
HOW_FUNNEL = (
    "Each sign is one person: how many jobs, and what share was good, with no correction. If everybody worked equally "
    "well, 95 in 100 would lie between the dashed lines and nearly all in the shaded area. It pictures chance; nobody "
    "is judged by it."
)

HOW_MONTHS = (
    "Each dot is the share good of a month's known jobs of this step. The shaded area is where 95 of 100 months would lie "
    "if nothing had changed, on each month's own kinds of jobs. A marked month is one "
    "where the months together had moved too far for chance: about one false mark in 1,000 months."
)

GROUPS_AT_MOST = 14
CHANGES_AT_MOST = 12

# the columns of counts in the tables, and the state whose jobs each one counts
STATE_OF_COUNT = {
    "Known": "known",
    "Unknown": "unknown",
    "Good jobs": "passed",
    "Outside its limit": "failed",
    "Ticked, nothing measured": "ticked_only",
    "Not done": "not_done",
    "Disputed": "disputed",
}


# a table of crews and steps needs so many pixels for its figures: steps' names, each group, the way about beside the page;
# on a narrower screen it stays away, and the lines above it say the same step by step
NAMES_PX, GROUP_PX, BESIDE_PX = 170, 42, 380


def page() -> None:
    fleet = data.fleet_by_step()
    if fleet.is_empty():
        components.not_fitted("How good each step is")
        return
    worst = _answer(fleet)
    components.how_counted(HOW_GOOD, "good")
    _fleet(fleet)
    step = components.pick_step(worst)
    kind, crew, group = _groups(step)
    components.heading(f"{words.step(step)}: is it the person?")
    people = data.technician_step(step, crew)
    _people(people, step, crew)
    technician = components.pick_technician(crew, step)
    if technician:
        _one_person(people, technician)
    papers_button("crew", "Print the review", crew=None if technician else crew, technician=technician)
    _trend(step, crew)
    which = JobFilter(
        step=step,
        crew=crew,
        technician=technician,
        group_kind=None if kind == "crew" else kind,
        group=None if kind == "crew" else group,
    )
    components.jobs_behind(which, "crew_week")
    doubt_section.show()
    components.about_people()


def _answer(fleet: pl.DataFrame) -> str | None:
    """Say it in a sentence; returns the step that most needs help, where one can be named."""
    single = fleet.filter(pl.col("step").is_in(list(STEPS)))
    known, good = int(single["known"].sum()), int(single["good"].sum())
    unknown = int(single["unknown"].sum())
    if not known:
        components.answer(
            f"Nothing can be said yet: of {words.counted(unknown, 'step')} that belong to the jobs, none has a reading or "
            "a tick that can be judged."
        )
        return None
    every = fleet.filter(pl.col("step") == "all")
    low, high = (every["low"][0], every["high"][0]) if every.height else (None, None)
    sentence = (
        f"Of {words.counted(known, 'step')} we know about, {words.share_with_range(good / known, low, high)} were good"
    )
    own_target = data.house_rules().target
    judged = single.filter(pl.col("known") >= charts.TOO_FEW).with_columns(
        short=pl.struct("step", "rate").map_elements(
            lambda r: own_target.get(r["step"], 1.0) - (r["rate"] or 0.0), return_dtype=pl.Float64
        )
    )
    if judged.is_empty():
        components.answer(f"{sentence}; no single step has the {charts.TOO_FEW} jobs it takes to say more.")
        return None
    worst = judged.sort("short", descending=True).row(0, named=True)
    if worst["good"] == worst["known"]:
        components.answer(f"{sentence}; no step stands out as needing help.")
        return str(worst["step"])
    flags = data.technicians_by_flag(worst["step"])
    people = sum(flags.values())
    sentence += (
        f"; {words.step(worst['step']).lower()} most needs help, with "
        f"{words.share_with_range(worst['rate'], worst['low'], worst['high'])} good on "
        f"{words.counted(worst['known'], 'job')}"
    )
    if people == 1:
        sentence += ", all of them one person's."
    else:
        below = flags.get("below", 0)
        sentence += (
            f", and {words.count(below) if below else 'none'} of {words.count(people)} people "
            f"{'is' if below == 1 else 'are'} below target there by more than chance."
        )
    components.answer(sentence)
    return str(worst["step"])


def _chosen(place: str, name: str) -> dict[str, Any]:
    """What a click on a chart chose, empty when it was let go."""
    event = st.session_state.get(place) or {}
    points = event.get("selection", {}).get(name) or []
    return dict(points[0]) if points else {}


def _cell_chosen(place: str, kind: str) -> None:
    """A click on a cell chooses its step and group everywhere below."""
    cell = _chosen(place, "cell")
    if cell.get("step") not in STEPS:
        return
    st.session_state["step"] = cell["step"]
    st.session_state["crew" if kind == "crew" else "group"] = cell.get("group")
    st.session_state["technician"] = None
    st.session_state["state"] = None


def _person_chosen(place: str) -> None:
    """A click on a person's line chooses him for the jobs below."""
    who = _chosen(place, "who").get("technician_id")
    if who:
        st.session_state["technician"] = who


def _count_chosen(place: str, counted: list[dict[str, str | None]]) -> None:
    """A click on a count in a table opens the jobs it counts. counted: for each row, what the row stands for."""
    cells = (st.session_state.get(place) or {}).get("selection", {}).get("cells") or []
    if not cells:
        return
    row, column = cells[0]
    if not 0 <= row < len(counted):
        return
    for key, value in counted[row].items():
        st.session_state[key] = value
    st.session_state["state"] = STATE_OF_COUNT.get(column)


def _line_chosen(place: str, key: str) -> None:
    """A click on a line chooses its step, crew or group everywhere below."""
    value = _chosen(place, "line").get("step" if key == "step" else "group")
    if value is None:
        return
    st.session_state[key] = value
    st.session_state["technician"] = None
    st.session_state["state"] = None


def _fleet(fleet: pl.DataFrame) -> None:
    """The steps over the whole fleet, the counts behind them, and whether the records are true."""
    steps = fleet.filter(pl.col("step").is_in(list(STEPS)) & (pl.col("known") > 0))
    side_by_side = st.grid(2, min_column_width=420, gap="large")
    if not steps.is_empty():
        with side_by_side.cell():
            components.heading("The steps, whole fleet")
            st.altair_chart(
                people_charts.steps_with_interval(steps, looks.current()),
                key="fleet_lines",
                on_select=partial(_line_chosen, "fleet_lines", "step"),
                alt="Share of jobs on which each step was good over the whole fleet, with its 95 % interval and count",
            )
            components.note("Choose a line for its crews, people and jobs.")
            components.how_counted(HOW_STEPS, "steps")
    with side_by_side.cell():
        _proof_words()
    _fleet_table(fleet)
    _proof_tables()


def _proof_words() -> None:
    """Are the records true: second readings by somebody else."""
    if data.drawn_to_measure_again().is_empty() and data.measured_again().is_empty():
        return
    components.heading("Are the records true?")
    components.note(people_words.proof_sentence(data.proof()))
    components.how_counted(HOW_PROOF, "proof")


def _proof_tables() -> None:
    """What was measured again, and the jobs drawn by lot for the next second readings."""
    drawn, checks = data.drawn_to_measure_again(), data.measured_again()
    if not checks.is_empty():
        box = components.folded("What was measured again, disagreements first", "measured_again", ":material/rule:")
        if box:
            with box:
                _measured_again(checks)
    waiting = drawn.filter(~pl.col("is_measured_again")) if not drawn.is_empty() else drawn
    if not waiting.is_empty():
        named = words.joined(words.month(month) for month in sorted(set(waiting["month"].to_list())))
        box = components.folded(
            f"Drawn by lot to be measured again: {words.counted(waiting['waiting'][0], 'job')} of {named}",
            "drawn",
            ":material/casino:",
        )
        if box:
            with box:
                _drawn(waiting)


def _measured_again(checks: pl.DataFrame) -> None:
    _open_table(
        "measured_again_jobs",
        checks["job_id"].to_list(),
        {
            "Job": checks["job_id"],
            "Step": [words.step(step) for step in checks["step"]],
            "Record": [words.state_with_sign(state) for state in checks["state"]],
            "Second reading": [
                words.measured(value, unit) for value, unit in checks.select("value", "unit").iter_rows()
            ],
            "Within the limit": ["yes" if within else "no" for within in checks["is_within"]],
            "Agrees": [{True: "yes", False: "no", None: "–"}[agrees] for agrees in checks["agrees"]],
            "Measured again on": checks["inspected_on"],
            "By": checks["by_name"],
            "Technician": checks["name"],
        },
        "Steps measured again by somebody else, and whether the record agrees",
    )


def _drawn(waiting: pl.DataFrame) -> None:
    _open_table(
        "drawn_jobs",
        waiting["job_id"].to_list(),
        {
            "Job": waiting["job_id"],
            "Finished in": [words.month(month) for month in waiting["month"]],
            "Technician": waiting["name"],
            "Jobs drawn from": waiting["jobs"],
            "Chance": [words.share(chance) for chance in waiting["chance"]],
        },
        "Jobs drawn by lot to be measured again",
    )


def _open_table(place: str, ids: list[str], columns: dict[str, Any], alt: str) -> None:
    """A table whose rows open their job's folder."""
    jobs = JobList("again" if place.startswith("measured_again") else "drawn")
    place = f"{place}_{abs(hash(tuple(ids))) % 10**8}"
    st.dataframe(
        pl.DataFrame({"Open": ["Open"] * len(ids), **columns}),
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(ids), 320),
        column_config={
            "Open": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=place, on_click=components.open_chosen, args=(ids, place, jobs)
            ),
            "Measured again on": st.column_config.DateColumn(format=words.day_column()),
        },
        alt=alt,
    )
    components.open_first(ids, place, jobs=jobs)


def _groups(step: str) -> tuple[str, str | None, str | None]:
    """Is it the crew, the branch, the tool or the form? Returns the kind of group, the crew and the group chosen."""
    components.heading(f"{words.step(step)}: the crew, the branch, the tool or the form?")
    said = people_words.spread_sentences(data.step_spread(step))
    said += [
        sentence
        for kind in ("form", "instrument")
        if (sentence := people_words.same_people_sentence(data.group_step(kind, step), kind))
    ]
    said += [sentence] if (sentence := people_words.without_proof_sentence(data.group_step("crew", step))) else []
    kinds = [kind for kind in words.GROUP_KIND if kind in data.group_kinds()] or ["crew"]
    if said:
        components.note("\n".join(f"- {sentence}" for sentence in said))
    kind = (
        links.segmented("Look at it by", kinds, "by", default=kinds[0], format_func=lambda code: words.GROUP_KIND[code])
        or kinds[0]
    )
    side_by_side = st.grid(2, min_column_width=420, gap="large")
    with side_by_side.cell():
        _group_lines(kind, step)
    with side_by_side.cell():
        crew, group = _choices(kind)
        _cell_in_words(kind, step, crew if kind == "crew" else group)
        components.how_counted(HOW_GROUPS, "groups")
    with st.container(key="groups_and_steps"):
        _heat(kind)
    return kind, crew, group


def _group_lines(kind: str, step: str) -> None:
    groups = data.group_step(kind, step)
    groups = groups if groups.is_empty() else groups.filter((pl.col("known") > 0) & pl.col("group").is_not_null())
    if groups.is_empty():
        st.info(f"No {words.GROUP_KIND[kind].lower()} has a known job of this step.")
        return
    if groups.height > GROUPS_AT_MOST:
        in_all = words.count(groups["groups_known"][0])
        components.note(f"Shown: the {GROUPS_AT_MOST} with the most jobs, by name, of {in_all}.")
        groups = groups.sort("known", descending=True).head(GROUPS_AT_MOST)
    other = "same_people" if kind in ("form", "instrument", "season", "equipment", "branch") else "expected"
    has_other = f"{other}_rate" in groups.columns
    groups = groups.with_columns(other_rate=pl.col(f"{other}_rate") if has_other else pl.lit(None, pl.Float64))
    place = f"lines_{kind}_{step}"
    st.altair_chart(
        people_charts.groups_with_interval(groups, words.GROUP_KIND[kind], looks.current()),
        key=place,
        on_select=partial(_line_chosen, place, "crew" if kind == "crew" else "group"),
        alt=f"{words.step(step)} by {words.GROUP_KIND[kind].lower()}: share good with its 95 % interval and count",
    )
    said = ["Dashed: the fleet."]
    if groups["other_rate"].is_not_null().any():
        said.append(
            "◇ What the same people would reach elsewhere, by their other jobs of the same year."
            if other == "same_people"
            else "◇ What people on average reach on the same kinds of job."
        )
    if kind == "instrument":
        said.append("A step without a reading names no instrument, and mostly is not good for want of that reading.")
    components.note(" ".join(said))


def _heat(kind: str) -> None:
    """All steps by all groups at one look, where the screen has room for the figures."""
    groups = data.group_step(kind)
    if not groups.is_empty():
        groups = groups.filter(pl.col("step").is_in(list(STEPS)) & pl.col("group").is_not_null())
    if groups.is_empty() or not groups["known"].sum():
        return
    names = sorted(groups["group"].unique().to_list())
    if len(names) > GROUPS_AT_MOST:
        busiest = (
            groups.group_by("group").agg(pl.col("known").sum()).sort("known", descending=True).head(GROUPS_AT_MOST)
        )
        groups = groups.filter(pl.col("group").is_in(busiest["group"].to_list()))
    needed = NAMES_PX + GROUP_PX * groups["group"].n_unique() + BESIDE_PX
    st.html(f"<style>@media (max-width: {needed}px) {{.st-key-groups_and_steps {{display: none}}}}</style>")
    place = f"heat_{kind}"
    st.altair_chart(
        charts.heat_of_steps(groups, words.GROUP_KIND[kind], looks.current()),
        key=place,
        on_select=partial(_cell_chosen, place, kind),
        alt=f"Share of jobs on which each step was good, by {words.GROUP_KIND[kind].lower()}, with the number of jobs",
    )
    components.note(
        "All steps at once: choose a cell to open its people and jobs below. Dashed: fewer than 20 known jobs, too few to say."
    )


def _cell_in_words(kind: str, step: str, group: str | None) -> None:
    """The chosen cell right below the picture, with the way to its jobs."""
    if not group:
        return
    row = data.group_of_step(kind, step, group)
    if not row:
        return
    components.note(
        f"**{words.escaped(group)}, {words.step(step).lower()}:** "
        f"{words.share_with_range(row['rate'], row['low'], row['high'])} good of "
        f"{words.counted(row['known'], 'known job')}; [its {words.counted(row['applicable'], 'job')} stand below](#jobs)."
    )


def _fleet_table(fleet: pl.DataFrame) -> None:
    box = components.folded(
        "The whole fleet as a table; choose a count to open its jobs", "fleet_table", ":material/table:"
    )
    if box is None:
        return
    own_target = data.house_rules().target
    rows = fleet.filter(pl.col("step").is_in(list(STEPS)))
    order = {step: place for place, step in enumerate(STEPS)}
    rows = rows.with_columns(place=pl.col("step").replace_strict(order, return_dtype=pl.Int64)).sort("place")
    table = pl.DataFrame(
        {
            "Step": [words.step(step) for step in rows["step"]],
            "Good": [words.share(rate) for rate in rows["rate"]],
            "95 % range": [words.share_range(low, high) for low, high in zip(rows["low"], rows["high"], strict=True)],
            "If all unknown were not good, or good": [
                words.share_range(low, high)
                for low, high in zip(rows["rate_if_unknown_bad"], rows["rate_if_unknown_good"], strict=True)
            ],
            "Own target": [words.share(own_target.get(step)) for step in rows["step"]],
            "Known": rows["known"],
            "Good jobs": rows["good"],
            "Outside its limit": rows["failed"],
            "Ticked, nothing measured": rows["ticked_only"],
            "Not done": rows["not_done"],
            "Unknown": rows["unknown"],
            "Disputed": rows["disputed"],
        }
    )
    with box:
        place = "fleet_counts"
        st.dataframe(
            table,
            hide_index=True,
            placeholder="–",
            height="content",
            key=place,
            on_select=partial(
                _count_chosen,
                place,
                [{"step": step, "crew": None, "group": None, "technician": None} for step in rows["step"]],
            ),
            selection_mode="single-cell",
            column_config={"Step": st.column_config.TextColumn(pinned=True)},
            alt="Each step over the whole fleet: share good with its range, and the counts of every state",
        )


def _choices(kind: str) -> tuple[str | None, str | None]:
    group = None
    with st.container(horizontal=True, vertical_alignment="bottom"):
        crew = components.pick_crew()
        if kind != "crew":
            group = links.select(words.GROUP_KIND[kind], data.group_names(kind), "group", placeholder="All")
    return crew, group


def _people(people: pl.DataFrame, step: str, crew: str | None) -> None:
    known = people.filter(pl.col("known") > 0) if not people.is_empty() else people
    if known.is_empty():
        st.info(f"Nobody{f' in {crew}' if crew else ''} has a known job of this step: nothing to compare.")
        return
    if known.height == 1:
        only = known.row(0, named=True)
        components.note(
            f"Only one person has done this step: {words.share(only['rate'])} good of "
            f"{words.counted(only['known'], 'known job')}. There is nobody to compare with, so nothing is said about him."
        )
        return
    counts = data.technicians_by_flag(step, crew)
    people_known = sum(counts.values())
    said = [
        f"{words.count(counts[flag])} {words.FLAG[flag]}"
        for flag in ("below", "above", "usual", "too_few")
        if counts.get(flag)
    ]
    components.note(f"Of {words.count(people_known)} people: {words.joined(said)}.")
    if people_known > known.height:
        components.note(
            f"Below are the first {words.count(known.height)} of them by crew and name; choose a crew to see its own."
        )
    _marked_together(known, step)
    _changes(known)
    # side by side where both have room, else one below the other
    side_by_side = st.grid(2, min_column_width=420, gap="large")
    with side_by_side.cell():
        if known.height > 45:
            shown = known.head(45)
            components.note(
                f"The picture shows the first 45 by crew and name of {words.count(people_known)}; choose a crew to see its own."
            )
        else:
            shown = known
        st.altair_chart(
            charts.people_with_interval(shown, looks.current()),
            key=(place := f"people_{step}_{abs(hash(tuple(shown['technician_id']))) % 10**8}"),
            on_select=partial(_person_chosen, place),
            alt=f"{words.step(step)}: each person's adjusted share good with its 95 % interval, by crew and name",
        )
        components.how_counted(HOW_PEOPLE, "people")
    with side_by_side.cell():
        st.altair_chart(
            charts.funnel(known, looks.current()),
            alt=f"{words.step(step)}: shares against the number of jobs, inside what chance alone would give",
        )
        components.note("A picture of chance: were all people alike, nearly all would lie in the shaded area.")
        components.how_counted(HOW_FUNNEL, "funnel")
    box = components.folded(
        "These people as a table, by crew and name; choose a count to open its jobs", "people_table", ":material/table:"
    )
    if box:
        with box:
            _people_table(known, step)
    if known["proof_missing"].any():
        few = known.filter(pl.col("proof_missing")).height
        components.note(
            f"For {words.counted(few, 'person', 'people')} more than half of the gap is *ticked, nothing measured*: the "
            "form or a missing gauge is likelier than the hand. Ask before you train."
        )


def _people_table(known: pl.DataFrame, step: str) -> None:
    table = pl.DataFrame(
        {
            "Technician": known["name"],
            "Crew": known["crew"],
            "Good, adjusted": [words.share(rate) for rate in known["rate_adjusted"]],
            "95 % range": [
                words.share_range(low, high) for low, high in zip(known["rate_low"], known["rate_high"], strict=True)
            ],
            "As counted": [words.share(rate) for rate in known["rate"]],
            "Known": known["known"],
            "Good jobs": known["good"],
            "Outside its limit": known["failed"],
            "Ticked, nothing measured": known["ticked_only"],
            "Not done": known["not_done"],
            "Unknown": known["unknown"],
            "Against target": [words.FLAG.get(flag, flag) for flag in known["flag"]],
            "Last 12 months": [_recent(row) for row in known.iter_rows(named=True)],
            "Changed": [words.CHANGE.get(change, change) for change in known["change"]],
            "Since about": known["changed_on"],
            "Measured again, agree": [_agree(row) for row in known.iter_rows(named=True)],
        }
    )
    ids = known["technician_id"].to_list()
    # the key follows the people shown: a grid with a fixed key keeps a row's number when other rows come
    place = f"people_counts_{step}_{abs(hash(tuple(ids))) % 10**8}"
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        key=place,
        on_select=partial(_count_chosen, place, [{"technician": who} for who in ids]),
        selection_mode="single-cell",
        column_config={
            "Technician": st.column_config.TextColumn(pinned=True),
            "Since about": st.column_config.DateColumn(format=words.day_column()),
        },
        alt="Each person's counts and share good with its range",
    )


def _recent(row: dict[str, Any]) -> str:
    """The plain share of the last 12 months with its range and count."""
    known = row.get("recent_known")
    if not known or row["recent_rate"] is None:
        return "–"
    return (
        f"{words.share_with_range(row['recent_rate'], row['recent_low'], row['recent_high'])} of {words.count(known)}"
    )


def _agree(row: dict[str, Any]) -> str:
    checked = row.get("proof_checked")
    return f"{words.count(row['proof_agrees'])} of {words.count(checked)}" if checked else "–"


def _marked_together(known: pl.DataFrame, step: str) -> None:
    """Where those marked are mostly of one crew: that is to be looked at before the persons."""
    below = known.filter((pl.col("flag") == "below") & (pl.col("crew") != ""))
    if below.height < 2:
        return
    crew, number = below["crew"].value_counts(sort=True).row(0)
    all_of_it = known.filter(pl.col("crew") == crew).height
    if number * 3 >= below.height * 2 and number * 3 >= all_of_it * 2:
        components.note(
            f"**{'All' if number == below.height else f'{words.count(number)} of the'} {words.count(below.height)} marked ▼ "
            f"are of {words.escaped(crew)}**, which has "
            f"{words.counted(all_of_it, 'person', 'people')} here: look at its tools and forms for "
            f"{words.step(step).lower()} before the persons."
        )


def _changes(known: pl.DataFrame) -> None:
    """Whose work changed within the last 12 months, by name; with its delay, and what else changed."""
    changed = known.filter(pl.col("change").is_in(["worse", "better"])).sort("crew", "name", nulls_last=True)
    said = [people_words.changed_sentence(row) for row in changed.head(CHANGES_AT_MOST).iter_rows(named=True)]
    if changed.height > CHANGES_AT_MOST:
        said.append(f"{words.count(changed.height - CHANGES_AT_MOST)} more stand in the table below, under *Changed*.")
    if said:
        components.note("Changed within the last 12 months:\n\n" + "\n".join(f"- {sentence}" for sentence in said))
    watched = known.filter(pl.col("change") != "too_few").height
    if not said and watched:
        components.note(f"Nobody's work here is seen to have changed within the last 12 months ({watched} watched).")
    form = people_words.new_form_sentence(known)
    if form:
        components.note(form)
    components.how_counted(HOW_CHANGED, "changed", "How is a change told?")


def _one_person(people: pl.DataFrame, technician: str) -> None:
    rows = people.filter(pl.col("technician_id") == technician)
    if rows.is_empty():
        return
    row = rows.row(0, named=True)
    said = [
        f"**{words.escaped(row['name'])}**: {words.share(row['rate'])} good of "
        f"{words.counted(row['known'], 'known job')}, {words.share(row['rate_adjusted'])} adjusted "
        f"({words.share_range(row['rate_low'], row['rate_high'])})",
        f"last 12 months {_recent(row)}" if row.get("recent_known") else "no known job in the last 12 months",
    ]
    if row.get("expected_rate") is not None:
        said.append(f"people on average reach {words.share(row['expected_rate'])} on the same kinds of job")
    if row.get("proof_checked"):
        said.append(
            f"of {words.counted(row['proof_checked'], 'record')} measured again {words.count(row['proof_agrees'])} agree "
            f"({words.share_range(row['proof_low'], row['proof_high'])})"
        )
    if row.get("credited_by_step"):
        said.append(f"{words.count(row['credited_by_step'])} credited because the record names him for the step")
    components.note("; ".join(said) + ".")
    if row["change"] in ("worse", "better"):
        components.note(people_words.changed_sentence(row))
    else:
        components.note(f"Against his own earlier jobs: {words.CHANGE.get(row['change'], row['change'])}.")


def _trend(step: str, crew: str | None) -> None:
    trend = data.month_step(step, crew)
    if trend.is_empty() or trend.filter(pl.col("known") > 0).height < 3:
        return
    components.heading(f"{words.step(step)} by month, {crew or 'the whole fleet'}")
    st.altair_chart(
        charts.months(trend, looks.current()),
        alt=f"{words.step(step)}: share good by month, with control limits",
    )
    components.note(
        "Shaded: where a month would lie on its own mix of jobs if nothing had changed. A single month outside it is no "
        "finding."
    )
    components.how_counted(HOW_MONTHS, "months")
    moved = people_words.moved_sentence(data.moves(step, crew), crew or "The whole fleet")
    if moved:
        components.note(moved)


if __name__ == "__main__":
    page()
