"""Shop class: whom to train in what, and did the last course work."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import charts, components, data, links, looks, words
from dashboard.data import JobFilter
from pipelines.contract import STEPS

HOW_GAP = (
    "The gap is the target less the person's adjusted share good; times his jobs a year. It is split in three. "
    "**Measured outside, or not done**: training can close it. **Not recorded**: ticked with nothing measured, or no "
    "record; the form or the habit of writing down, not the hand. **Nobody in the crew measures it**: a tool is missing. "
    "Only the first is a training need."
)
HOW_EFFECT = (
    "The change of the share good after the course, among those trained, less the change over the same months among "
    "those not (or not yet) trained. Judged from readings, not ticks. The cross is a step that the course did not teach: "
    "where it moves too, something else than the course is at work. People sent because of a bad quarter get better by "
    "themselves; the quarter that led to the choice is left out as a check."
)


def page() -> None:
    needs = data.training_by_step()
    if needs.is_empty() and data.training_effect().is_empty():
        if "training_need" not in data.tables():
            components.not_fitted("Whom to train in what")
        elif not sum(data.technicians_by_flag().values()):
            jobs = words.counted(data.stamp().jobs, "job")
            components.answer(
                f"Nothing can be said yet: none of {jobs} says both whose work it was and how it was done."
            )
        else:
            components.answer(
                f"Of {words.counted(len(data.technicians()), 'person', 'people')} nobody is short of a target by more than "
                "chance explains, so there is no class to hold."
            )
        return
    rules = data.house_rules()
    effects = data.training_effect()
    people = data.training_need()
    first = _answer(needs, people, effects, rules.currency)
    components.how_counted(HOW_GAP, "gap")
    if not needs.is_empty():
        st.altair_chart(
            charts.gap_by_step(needs, looks.current()),
            alt="Jobs a year short of the target by step: what training, recording and tools can close",
        )
        _needs(people, rules.currency)
    components.heading("Did the last course work?")
    _courses(effects)
    step = st.session_state.get("class_step") or first
    components.jobs_behind(
        JobFilter(step=step if step in STEPS else None), "class", f"of {words.step(step).lower()}" if step else ""
    )
    components.about_people()
    components.cautions(words.STEP_CAUTIONS.get(step or "", ()))


def _answer(needs: pl.DataFrame, people: pl.DataFrame, effects: pl.DataFrame, currency: str) -> str | None:
    """Say it in a sentence; returns the step whose class comes first, where one does."""
    step = None
    first = people.filter(pl.col("priority") == "first") if not people.is_empty() else people
    after = people.filter(pl.col("priority") == "next") if not people.is_empty() else people
    if first.is_empty() and after.is_empty():
        sentence = (
            f"No class comes first: of {words.counted(len(data.technicians()), 'person', 'people')} none has a gap that "
            "training could close and that is larger than chance explains"
        )
    elif first.is_empty():
        short = after.with_columns(jobs_short=pl.col("gap_cannot") * pl.col("jobs_per_year"))
        widest = short.group_by("step").agg(pl.col("jobs_short").sum(), pl.len()).sort("jobs_short", "step").row(-1)
        sentence = (
            "No class comes first yet, since no gap that training could close lies on a step whose cost is known; the "
            f"most jobs short of the target lie in {words.step(widest[0]).lower()}, with "
            f"{words.counted(widest[2], 'person', 'people')}"
        )
    else:
        step = (
            first.group_by("step")
            .agg(pl.col("saving_per_year").sum())
            .sort("saving_per_year", descending=True)["step"][0]
        )
        these = first.filter(pl.col("step") == step)
        sentence = (
            f"A class on {words.step(step).lower()} comes first, for {words.counted(these.height, 'person', 'people')}; "
            f"closing their gap would save about {words.money(these['saving_per_year'].sum(), currency)} a year "
            f"({words.money_range(these['low'].sum(), these['high'].sum(), currency)})"
        )
    told = effects.filter(pl.col("evidence") != "too_few") if not effects.is_empty() else effects
    if not told.is_empty():
        row = told.sort("technicians_trained", descending=True).row(0, named=True)
        sentence += (
            f"; courses on {words.step(row['step']).lower()} changed the share good by "
            f"{words.points(row['change_in_rate'])} ({words.points_range(row['low'], row['high'])}; "
            f"{row['technicians_trained']} trained)"
        )
    components.answer(sentence + ".")
    return step


def _needs(people: pl.DataFrame, currency: str) -> None:
    with st.container(horizontal=True, vertical_alignment="top"):
        step = links.select(
            "Step",
            [step for step in STEPS if step in set(people["step"].to_list())],
            "class_step",
            placeholder="All steps",
            format_func=words.step,
            width=260,
        )
        priority = links.segmented(
            "When", ["first", "next", "later"], "when", format_func=lambda code: words.PRIORITY[code]
        )
    rows = people
    if step:
        rows = rows.filter(pl.col("step") == step)
    if priority:
        rows = rows.filter(pl.col("priority") == priority)
    if rows.is_empty():
        st.info("Nobody fits these choices.")
        return
    table = pl.DataFrame(
        {
            "When": [words.PRIORITY.get(code, code) for code in rows["priority"]],
            "Step": [words.step(code) for code in rows["step"]],
            "Technician": rows["name"],
            "Crew": rows["crew"],
            "Good, adjusted (95 %)": [
                f"{words.share(rate)} ({words.share_range(low, high)})"
                for rate, low, high in zip(rows["rate_adjusted"], rows["rate_low"], rows["rate_high"], strict=True)
            ],
            "Known jobs": rows["known"],
            "Gap": [words.gap(value) for value in rows["gap"]],
            "of it: training": [words.gap(v) for v in rows["gap_cannot"]],
            "of it: recording": [words.gap(v) for v in rows["gap_not_recorded"]],
            "of it: a tool": [words.gap(v) for v in rows["gap_no_tool"]],
            "Jobs a year": [words.count(v) for v in rows["jobs_per_year"]],
            "Saves a year": [words.money(v, currency) for v in rows["saving_per_year"]],
            "95 % range": [
                words.money_range(lo, hi, currency) for lo, hi in zip(rows["low"], rows["high"], strict=True)
            ],
        }
    )
    components.note(f"{words.counted(rows.height, 'need')}, in the order of when, step, crew and name.")
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * rows.height, 420),
        column_config={"Technician": st.column_config.TextColumn(pinned=True)},
        alt="Who could use a class in which step, with the parts of the gap and what closing it would save",
    )


def _courses(effects: pl.DataFrame) -> None:
    if effects.is_empty():
        held = data.staged_counts().get("training", 0)
        if held:
            st.info(
                f"{words.counted(held, 'attendance', 'attendances')} on record, too few or too recent to compare those "
                "trained with those not. That is not the same as no effect."
            )
        else:
            st.info("No course is in the records yet. Load the table `training` to see whether courses work.")
        return
    told = effects.filter(pl.col("evidence") != "too_few")
    few = [words.step(step).lower() for step in effects.filter(pl.col("evidence") == "too_few")["step"]]
    if not told.is_empty():
        st.altair_chart(
            charts.training_effects(told, looks.current()),
            alt="Change of the share good after training against those not trained, by step, with 95 % intervals",
        )
    components.how_counted(HOW_EFFECT, "effect")
    if few:
        components.note(
            f"Too few people trained to say anything: {words.joined(few)}. That is not the same as no effect."
        )
    courses = data.course_effect()
    table_of = courses if not courses.is_empty() else effects
    table = pl.DataFrame(
        {
            **({"Course": courses["course"], "Held": courses["held_on"]} if not courses.is_empty() else {}),
            "Step": [words.step(code) for code in table_of["step"]],
            "Change": [words.points(v) for v in table_of["change_in_rate"]],
            "95 % range": [
                words.points_range(lo, hi) for lo, hi in zip(table_of["low"], table_of["high"], strict=True)
            ],
            "Trained": table_of["technicians_trained"],
            "Compared with": table_of["technicians_compared"],
            "Evidence": [words.EVIDENCE.get(code, code) for code in table_of["evidence"]],
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * table.height, 420),
        column_config={"Held": st.column_config.DateColumn(format="D MMM YYYY")},
        alt="Each course or step with its effect, its range and how many were trained",
    )


if __name__ == "__main__":
    page()
