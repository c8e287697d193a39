"""Shop class: did the courses work, and who needs what next."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import charts, components, course_charts, course_words, data, links, looks, words
from dashboard.data import JobFilter
from dashboard.papers_button import papers_button
from pipelines.contract import STEPS

HOW_GAP = (
    "The gap is the target less the person's adjusted share good; times his jobs a year. It is split by his own jobs. "
    "**Training**: measured outside the limit, or recorded as not done. **Recording**: ticked with nothing measured, or no "
    "record that can be judged; the form or the habit of writing down, not the hand. **A tool**: nobody in the crew has a "
    "reading of the kind in two years, or only the few of a borrowed one. Only the first is a training need, so only it "
    "carries a saving: gap x jobs a year x what a job that is not good costs. *First*: below the target by more than "
    "chance explains, mostly for want of training, and the step's cost is known. Who was on a course in the step within "
    "a year, or has got better to the target, stands under *later*."
)
HOW_EFFECT = (
    "The change of the share good after the course among those trained, less the change over the same months among those "
    "not trained, or not yet. *Good* is measured and within the limit, among known jobs; a tick proves nothing. It "
    "compares the two years after with the time from two years to half a year before. The **half year before** is left "
    "out: people sent because of a low spell get better by themselves, and the course would get the credit. The grey "
    "diamond is the same people on **a step that was not taught**: where it moves too, something else is at work. The "
    "range is by technician; with fewer than 15 people trained or compared it comes from drawing anew who was trained. "
    "*Clear* also allows for the number of steps looked at, and asks that neither the step not taught nor the time before "
    "moved. Each person's own level, and what changed for everybody, are taken out first."
)
LATEST_NOTES = 8


def page() -> None:
    needs = data.training_by_step()
    effects = data.training_effect()
    nothing_known = not sum(data.technicians_by_flag().values())
    if needs.is_empty() and (effects.is_empty() or nothing_known):
        _nothing()
        return
    currency = data.house_rules().currency
    next_class, first = course_words.what_next(data.training_by_priority(), data.technician_count(), currency)
    worked = course_words.did_they_work(effects, data.staged_counts().get("training", 0))
    components.answer(f"{worked}; {next_class}.")
    papers_button("training", "Print for the trainer")
    _courses(effects)
    components.heading("Who needs what next?")
    if needs.is_empty():
        components.note("Nobody is short of a target by more than chance explains, so there is no class to hold.")
    else:
        st.altair_chart(
            charts.gap_by_step(needs, looks.current()),
            alt="Jobs a year short of the target by step: what training, recording and tools can close",
        )
        components.how_counted(HOW_GAP, "gap")
    step, technician = _needs(needs, currency)
    step = step or first
    _jobs(step, technician)
    components.about_people()
    components.cautions(words.STEP_CAUTIONS.get(step or "", ()))


def _nothing() -> None:
    """Neither needs nor courses: not worked out yet, nothing known, or nothing lacking."""
    if "training_need" not in data.tables():
        components.not_fitted("Whom to train in what")
    elif not sum(data.technicians_by_flag().values()):
        jobs = words.counted(data.stamp().jobs, "job")
        components.answer(f"Nothing can be said yet: none of {jobs} says both whose work it was and how it was done.")
    else:
        people = words.counted(data.technician_count(), "person", "people")
        components.answer(
            f"Of {people} nobody is short of a target by more than chance explains, so there is no class to hold; "
            "no course is on record, so whether courses work cannot be told."
        )


# --- did they work


def _courses(effects: pl.DataFrame) -> None:
    components.heading("Did the courses work?")
    if effects.is_empty():
        st.info(
            "Load the table `training` (who, which step, which day). A first answer takes 4 people trained in a step, 4 "
            "others who were not, and their jobs from half a year before to after the course."
        )
        return
    courses = data.course_effect()
    rows = courses if not courses.is_empty() else effects.with_columns(course=pl.lit(""))
    told = courses.filter(pl.col("evidence") != "too_few") if not courses.is_empty() else courses
    if not told.is_empty():
        st.altair_chart(
            course_charts.course_changes(told, looks.current()),
            alt="Change of the share good after each course against those not trained, with 95 % intervals; beside it a "
            "step that was not taught",
        )
        if told.height > course_charts.COURSES_AT_MOST:
            components.note(f"Shown: the latest {course_charts.COURSES_AT_MOST} of {told.height} courses.")
    components.how_counted(HOW_EFFECT, "effect")
    _course_table(rows)
    _course_notes(rows)
    _half_years(effects)


def _course_table(rows: pl.DataFrame) -> None:
    def part(name: str) -> list[str]:
        columns = (f"change_{name}", f"{name}_low", f"{name}_high")
        return [course_words.change_with_range(*values) for values in rows.select(columns).iter_rows()]

    table = pl.DataFrame(
        {
            "Course": [course_words.course(name, step) for name, step in rows.select("course", "step").iter_rows()],
            "Change (95 %)": [
                course_words.change_with_range(*values)
                for values in rows.select("change_in_rate", "low", "high").iter_rows()
            ],
            "Evidence": [course_words.evidence(code) for code in rows["evidence"]],
            **({"Held": rows["held_on"]} if "held_on" in rows.columns else {}),
            "Step": [words.step(code) for code in rows["step"]],
            "Sent": rows["people_sent"],
            "Trained": rows["technicians_trained"],
            "Compared with": rows["technicians_compared"],
            "Known jobs before": rows["known_before"],
            "Known jobs after": rows["known_after"],
            "First 6 months": part("first_6_months"),
            "Later": part("after_6_months"),
            "Step not taught": [
                f"{words.step(step)} {course_words.change_with_range(value, low, high)}" if step else "–"
                for step, value, low, high in rows.select(
                    "placebo_step", "placebo_change", "placebo_low", "placebo_high"
                ).iter_rows()
            ],
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * table.height, 420),
        column_config={
            "Course": st.column_config.TextColumn(pinned=True),
            "Held": st.column_config.DateColumn(format=words.day_column()),
        },
        alt="Each course with its effect, its range, how many were trained and compared, and the step not taught",
    )


def _course_notes(rows: pl.DataFrame) -> None:
    """What to know of each course, and what is lacking where nothing can be told."""
    noted = rows.filter(pl.col("note").fill_null("") != "").head(LATEST_NOTES)
    lines = []
    for row in noted.iter_rows(named=True):
        held = f", {words.date(row['held_on'])}" if row.get("held_on") else ""
        name = words.escaped(course_words.course(row["course"], row["step"]))
        lines.append(f"- **{name}{held}:** {row['note']}")
    if lines:
        components.note("\n".join(lines))


def _half_years(effects: pl.DataFrame) -> None:
    """The half years before and after, step by step: did the trained move alike before, and does it last?"""
    told = effects.filter(pl.col("evidence") != "too_few")
    if told.is_empty():
        return
    steps = told["step"].to_list()
    first = told.sort("technicians_trained", "step", descending=[True, False])["step"][0]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        step = (
            links.select("Before and after, by half years", steps, "course_step", default=first, format_func=words.step, width=280)
            or first
        )  # fmt: skip
    path = data.training_path(step)
    if path.is_empty() or path["change_in_rate"].null_count() == path.height:
        return
    st.altair_chart(
        course_charts.half_years(path, looks.current()),
        alt="Share good of those trained against the others, half year by half year around the courses, with 95 % intervals",
    )
    components.note(course_words.before_the_course(told.filter(pl.col("step") == step).row(0, named=True)))


# --- who needs what


def _needs(needs: pl.DataFrame, currency: str) -> tuple[str | None, str | None]:
    """The table of needs; returns the step and the person that were chosen above it."""
    if needs.is_empty():
        return None, None
    names = data.people_in_need()
    with st.container(horizontal=True, vertical_alignment="top"):
        step = links.select(
            "Step",
            [step for step in STEPS if step in set(needs["step"].to_list())],
            "class_step",
            placeholder="All steps",
            format_func=words.step,
            width=240,
        )
        technician = links.select(
            "Technician",
            list(names),
            "technician",
            placeholder="Everybody",
            format_func=lambda who: names.get(who, who),
            width=240,
        )
        priority = links.segmented(
            "When", ["first", "next", "later"], "when", format_func=lambda code: words.PRIORITY[code]
        )
    rows = data.training_need(step, technician, priority)
    if rows.is_empty():
        st.info("Nobody fits these choices.")
        return step, technician
    shown = f"; the first {words.count(rows.height)} are shown" if rows["needs"][0] > rows.height else ""
    components.note(f"{words.counted(rows['needs'][0], 'need')}, in the order of when, step, crew and name{shown}.")
    st.dataframe(
        _need_table(rows, currency),
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * rows.height, 420),
        column_config={
            "Technician": st.column_config.TextColumn(pinned=True),
            "Last course": st.column_config.DateColumn(format=words.month_column()),
        },
        alt="Who could use a class in which step, with the parts of the gap and what closing it would save",
    )
    return step, technician


def _need_table(rows: pl.DataFrame, currency: str) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "Technician": rows["name"],
            "When": [words.PRIORITY.get(code, code) for code in rows["priority"]],
            "Step": [words.step(code) for code in rows["step"]],
            "Crew": rows["crew"],
            "Good, adjusted (95 %)": [
                f"{words.share(rate)} ({words.share_range(low, high)})"
                for rate, low, high in rows.select("rate_adjusted", "rate_low", "rate_high").iter_rows()
            ],
            "Known jobs": rows["known"],
            "Target": [words.share(value) for value in rows["target"]],
            "Gap": [words.gap(value) for value in rows["gap"]],
            "of it: training": [words.gap(value) for value in rows["gap_cannot"]],
            "recording": [words.gap(value) for value in rows["gap_not_recorded"]],
            "a tool": [words.gap(value) for value in rows["gap_no_tool"]],
            "Jobs a year": [words.count(value) for value in rows["jobs_per_year"]],
            "Saves a year": [words.money(value, currency) for value in rows["saving_per_year"]],
            "95 % range": [
                words.money_range(low, high, currency) for low, high in rows.select("low", "high").iter_rows()
            ],
            "Outside": rows["failed"],
            "Not done": rows["not_done"],
            "Ticked only": rows["ticked_only"],
            "Unknown": rows["unknown"],
            "Last course": rows["last_taught_on"],
        }
    )


def _jobs(step: str | None, technician: str | None) -> None:
    known = step if step in STEPS else None
    of_whom = ""
    if technician and (name := data.technician_name(technician)):
        of_whom = f" by {words.escaped(name)}"
    about = f"of {words.step(known).lower()}{of_whom}" if known else of_whom.strip()
    components.jobs_behind(JobFilter(step=known, technician=technician), "class", about)


if __name__ == "__main__":
    page()
