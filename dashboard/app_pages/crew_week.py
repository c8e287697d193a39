"""Crew week: who needs help with which step; is it the person, the branch, the tool or the form; is it fair."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, components, data, links, looks, words
from dashboard.data import JobFilter
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
    "97.5 %. People stand in the order of crew and name; there are no ranks: with few jobs the order is mostly chance."
)
HOW_FUNNEL = (
    "Each sign is one person: how many jobs, and what share was good, with no correction. If everybody worked equally "
    "well, 95 in 100 would lie between the dashed lines and nearly all in the shaded area. It pictures chance; nobody "
    "is judged by it."
)

# the columns of counts in the tables, and the state whose jobs each one counts
STATE_OF_COUNT = {
    "Good jobs": "passed",
    "Outside its limit": "failed",
    "Ticked, nothing measured": "ticked_only",
    "Not done": "not_done",
    "Disputed": "disputed",
}


def page() -> None:
    fleet = data.fleet_by_step()
    if fleet.is_empty():
        if data.stamp().fitted:
            jobs = words.counted(data.stamp().jobs, "job")
            components.answer(f"Nothing can be said yet: none of {jobs} says whose work it was.")
        else:
            components.not_fitted("How good each step is")
        return
    worst = _answer(fleet)
    components.how_counted(HOW_GOOD, "good")
    kind = _heat()
    cell_slot = st.container()
    _fleet_table(fleet)

    slot = st.container()
    step, crew, group = _choices(kind, worst)
    with slot:
        components.heading(f"{words.step(step)}: is it the person?")
    with cell_slot:
        _cell_in_words(kind, step, crew if kind == "crew" else group)
    people = data.technician_step(step, crew)
    _people(people, step, crew)
    technician = components.pick_technician(crew, step)
    if technician:
        _one_person(people, technician)
    _trend(step, crew)
    which = JobFilter(
        step=step,
        crew=crew,
        technician=technician,
        group_kind=None if kind == "crew" else kind,
        group=None if kind == "crew" else group,
    )
    components.jobs_behind(which, "crew_week")
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
            f", and {words.count(below) if below else 'none'} of {people} people "
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


def _heat() -> str:
    kinds = [kind for kind in words.GROUP_KIND if kind in data.group_kinds()] or ["crew"]
    kind = (
        links.segmented("Look at it by", kinds, "by", default=kinds[0], format_func=lambda code: words.GROUP_KIND[code])
        or kinds[0]
    )
    groups = data.group_step(kind)
    if not groups.is_empty():
        groups = groups.filter(pl.col("step").is_in(list(STEPS)) & pl.col("group").is_not_null())
    if groups.is_empty() or not groups["known"].sum():
        st.info(f"No {words.GROUP_KIND[kind].lower()} has a step that can be judged yet.")
        return kind
    names = sorted(groups["group"].unique().to_list())
    if len(names) > 14:
        busiest = groups.group_by("group").agg(pl.col("known").sum()).sort("known", descending=True).head(14)
        groups = groups.filter(pl.col("group").is_in(busiest["group"].to_list()))
        components.note(
            f"Shown: the 14 with the most jobs, by name, of {len(names)}. Choose any other in the list below."
        )
    place = f"heat_{kind}"
    st.altair_chart(
        charts.heat_of_steps(groups, words.GROUP_KIND[kind], looks.current()),
        key=place,
        on_select=partial(_cell_chosen, place, kind),
        alt=f"Share of jobs on which each step was good, by {words.GROUP_KIND[kind].lower()}, with the number of jobs",
    )
    components.note(
        "Choose a cell to open its people and jobs below. Dashed: fewer than 20 known jobs, too few to say."
    )
    return kind


def _cell_in_words(kind: str, step: str, group: str | None) -> None:
    """The chosen cell right below the picture, with the way to its jobs."""
    if not group:
        return
    groups = data.group_step(kind)
    rows = groups.filter((pl.col("group") == group) & (pl.col("step") == step)) if not groups.is_empty() else groups
    if rows.is_empty():
        return
    row = rows.row(0, named=True)
    components.note(
        f"**{words.escaped(group)}, {words.step(step).lower()}:** "
        f"{words.share_with_range(row['rate'], row['low'], row['high'])} good of "
        f"{words.counted(row['known'], 'known job')}; [its {words.counted(row['applicable'], 'job')} stand below](#jobs)."
    )


def _fleet_table(fleet: pl.DataFrame) -> None:
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
    with st.expander(
        "The whole fleet as a table; choose a count to open its jobs", icon=":material/table:", key="fleet_table"
    ):
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


def _choices(kind: str, first: str | None) -> tuple[str, str | None, str | None]:
    group = None
    with st.container(horizontal=True, vertical_alignment="bottom"):
        step = components.pick_step(first)
        crew = components.pick_crew()
        if kind != "crew":
            groups = data.group_step(kind)
            names = sorted(groups["group"].drop_nulls().unique().to_list()) if not groups.is_empty() else []
            group = links.select(words.GROUP_KIND[kind], names, "group", placeholder="All")
    return step, crew, group


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
    flags = known["flag"].value_counts()
    counts = dict(flags.iter_rows())
    said = [f"{counts[flag]} {words.FLAG[flag]}" for flag in ("below", "above", "usual", "too_few") if counts.get(flag)]
    components.note(f"Of {known.height} people: {words.joined(said)}.")
    # side by side where both have room, else one below the other
    side_by_side = st.grid(2, min_column_width=420, gap="large")
    with side_by_side.cell():
        if known.height > 45:
            shown = known.head(45)
            components.note(
                f"The picture shows the first 45 by crew and name of {known.height}; choose a crew to see its own."
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
        components.how_counted(HOW_FUNNEL, "funnel")
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
            "Lately": [words.CHANGE.get(change, change) for change in known["change"]],
        }
    )
    with st.expander(
        "These people as a table, by crew and name; choose a count to open its jobs",
        icon=":material/table:",
        key="people_table",
    ):
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
            column_config={"Technician": st.column_config.TextColumn(pinned=True)},
            alt="Each person's counts and share good with its range",
        )
    if known["proof_missing"].any():
        few = known.filter(pl.col("proof_missing")).height
        components.note(
            f"For {words.counted(few, 'person', 'people')} more than half of the gap is *ticked, nothing measured*: the "
            "form or a missing gauge is likelier than the hand. Ask before you train."
        )


def _one_person(people: pl.DataFrame, technician: str) -> None:
    rows = people.filter(pl.col("technician_id") == technician)
    if rows.is_empty():
        return
    row = rows.row(0, named=True)
    changed = f" (seen on {words.date(row['changed_on'])})" if row.get("changed_on") else ""
    components.note(
        f"**{words.escaped(row['name'])}**: {words.share(row['rate'])} good of {words.counted(row['known'], 'known job')}, "
        f"{words.share(row['rate_adjusted'])} adjusted ({words.share_range(row['rate_low'], row['rate_high'])}); "
        f"lately {words.CHANGE.get(row['change'], row['change'])}"
        f"{changed}."
    )


def _trend(step: str, crew: str | None) -> None:
    trend = data.month_step(step, crew)
    if trend.is_empty() or trend.filter(pl.col("known") > 0).height < 3:
        return
    components.heading(f"{words.step(step)} by month, {crew or 'the whole fleet'}")
    st.altair_chart(
        charts.months(trend, looks.current()),
        alt=f"{words.step(step)}: share good by month, with control limits",
    )
    components.note("Shaded: where a month would lie if nothing had changed. A single month outside it is no finding.")


if __name__ == "__main__":
    page()
