"""Did a course work? The change of the share good after it, beside those not trained over the same months.

Difference-in-differences, stacked by the day of the course; graded by readings, since *good* is measured and within the
limit. The half year before a course, in which people were chosen, is left out: whoever is sent because of a bad quarter
gets better by himself. What the answer would be with it in stands beside, and so do the half years before, a step that
was not taught, and the change in the first half year and later.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from math import ceil
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from models import course_leads, evidence, training_words
from models.course_stacks import CHOOSING_QUARTERS, JobDays, Stacked, first_courses, quarters, stacked
from models.training_change import Change, change
from pipelines.contract import STEPS

LEVEL = 0.05
MONTHS_A_QUARTER = 3
# what a class should be able to show: this change, with 80 % certainty at 95 %
CHANGE_TO_SHOW = 0.10
POWER = float(stats.norm.ppf(0.975) + stats.norm.ppf(0.8))
# steps done with the same tools in the same hour may profit from each other's course: the placebo is of another kind
KIND = {"airflow": "air", "electrical": "electrical"}
# ticked only, so that a habit of ticking would move it
NO_PLACEBO = ("nitrogen_release",)


@dataclass(frozen=True)
class TrainingTables:
    """The tables `training_effect`, `course_effect` and `training_path`, and sentences: (step, text)."""

    effect: pl.DataFrame
    course: pl.DataFrame
    path: pl.DataFrame
    sentences: list[tuple[str, str]]


@dataclass
class Records:
    """Courses held and known jobs by step, asked for once.

    courses : technician_id, step, course, held_on. jobs_of : step -> its known jobs.
    """

    courses: pl.DataFrame
    jobs_of: Callable[[str], JobDays]
    _kept: dict[str, JobDays] = field(default_factory=dict)

    def jobs(self, step: str) -> JobDays:
        if step not in self._kept:
            self._kept[step] = self.jobs_of(step)
        return self._kept[step]

    def taught(self, step: str) -> dict[str, date]:
        """technician -> day of the first course in the step."""
        return first_courses(self.courses.filter(pl.col("step") == step))


@dataclass(frozen=True)
class Answer:
    """All that is worked out of one step, or of one course in it."""

    step: str
    people_sent: int
    taught_before: int
    main: Change
    first_half_year: Change
    later: Change
    with_choosing: Change
    dip: Change
    placebo_step: str | None
    placebo: Change | None
    pre_trend_p: float
    pre_trend_p_kept: float
    last_held_on: date | None

    @property
    def others_moved_too(self) -> bool:
        """Whether a step that was not taught changed, or the time before the course already."""
        return bool(self.pre_trend_p_kept < LEVEL) or (self.placebo is not None and self.placebo.excludes_nought)

    @property
    def trained_needed(self) -> int | None:
        """How many trained people would show a change of 10 points."""
        if not self.main.is_told:
            return None
        error = (self.main.high - self.main.low) / (2 * evidence.Z95)
        return ceil(self.main.trained * (POWER * error / CHANGE_TO_SHOW) ** 2)


def training_tables(con: duckdb.DuckDBPyConnection, as_of: date, seed: int) -> TrainingTables:
    """What the courses held up to `as_of` changed. `models.compliance.prepare` has made fit_job_step."""
    courses = con.sql(
        "select technician_id, step::varchar as step, coalesce(course, '') as course, held_on from staged_training "
        "where held_on <= $as_of and step is not null and technician_id is not null",
        params={"as_of": as_of},
    ).pl()

    def jobs_of(step: str) -> JobDays:
        return JobDays.of(
            con.sql(
                """
                select technician_id, finished_on, count(*) filter (state = 'passed') as good, count(*) as known
                from fit_job_step
                where step = $step and state in ('passed', 'failed', 'ticked_only', 'not_done')
                    and technician_id is not null and finished_on is not null
                group by all
                """,
                params={"step": step},
            ).pl()
        )

    return tables_of(Records(courses, jobs_of), seed)


def tables_of(records: Records, seed: int) -> TrainingTables:
    """The three tables from courses and jobs."""
    courses = records.courses
    taught_steps = [step for step in STEPS if step in set(courses["step"].to_list())]
    of_step = {step: answer(records, step, seed) for step in taught_steps}
    held = courses.select("course", "held_on", "step").unique().sort("held_on", "course", "step")
    by_course, heads = [], []
    for course, day, step in held.iter_rows():
        here = courses.filter((pl.col("course") == course) & (pl.col("held_on") == day) & (pl.col("step") == step))
        attended = set(here["technician_id"].to_list())
        is_all = attended == set(records.taught(step)) and set(records.taught(step).values()) == {day}
        by_course.append(of_step[step] if is_all else answer(records, step, seed, attended, day))
        heads.append({"course": course, "held_on": day})
    rows = _rows(list(of_step.values()))
    sentences = [
        (row["step"], training_words.sentence(of_step[row["step"]], str(row["evidence"]))) for row in rows
    ]  # fmt: skip
    paths = [row for step in taught_steps for row in _path(records, step, seed)]
    return TrainingTables(
        _frame(rows),
        _frame([head | row for head, row in zip(heads, _rows(by_course), strict=True)]),
        _frame(paths),
        sentences,
    )


def _frame(rows: list[dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame(rows, infer_schema_length=None)


def answer(
    records: Records, step: str, seed: int, attended: set[str] | None = None, held_on: date | None = None
) -> Answer:
    """Everything about a step's courses, or about the course that `attended` took on `held_on` as their first in it."""
    taught = records.taught(step)
    only = None if attended is None else {name for name in attended if taught[name] == held_on}
    around = stacked(records.jobs(step), taught, only)
    before, choosing, after = quarters("before"), quarters("choosing"), quarters("after")
    soon = after & (np.cumsum(after) <= CHOOSING_QUARTERS)
    main = change(around, before, after, seed)
    side: dict[str, Change] = {
        "first_half_year": change(around, before, soon, seed),
        "later": change(around, before, after & ~soon, seed),
        "with_choosing": change(around, before | choosing, after, seed),
        "dip": change(around, before, choosing, seed),
    }
    placebo_step, placebo = _placebo(records, step, taught, only, seed)
    return Answer(
        step=step,
        people_sent=len(taught) if attended is None else len(attended),
        taught_before=0 if attended is None else len(attended) - len(only or ()),
        main=main,
        **side,
        placebo_step=placebo_step,
        placebo=placebo,
        pre_trend_p=course_leads.pre_trend_p(around, seed, with_choosing=True),
        pre_trend_p_kept=course_leads.pre_trend_p(around, seed, with_choosing=False),
        last_held_on=held_on or max(taught.values(), default=None),
    )


def _placebo(
    records: Records, step: str, taught: dict[str, date], only: set[str] | None, seed: int
) -> tuple[str | None, Change | None]:
    """The same people and days on a step of another kind that they were not taught: the one with the most known jobs."""
    best: tuple[int, str, Stacked] | None = None
    for other in STEPS:
        if other in NO_PLACEBO or KIND.get(other, "circuit") == KIND.get(step, "circuit"):
            continue
        around = stacked(records.jobs(other).without(records.taught(other)), taught, only)
        part = around.between(quarters("before"), quarters("after"))
        jobs = int(part.known[part.is_trained].sum())
        if jobs and (best is None or jobs > best[0]):
            best = (jobs, other, around)
    if best is None:
        return None, None
    found = change(best[2], quarters("before"), quarters("after"), seed)
    return (best[1], found) if found.is_told else (None, None)


def _rows(answers: list[Answer]) -> list[dict[str, Any]]:
    q_values = evidence.benjamini_hochberg(np.array([found.main.p_value for found in answers]))
    return [_row(found, float(q)) for found, q in zip(answers, q_values, strict=True)]


def word(found: Answer, q_value: float) -> str:
    """`clear`: a change, up or down, also after the many looks, and nothing else that moved; `leaning`: one of these fails."""
    if not found.main.is_told:
        return "too_few"
    if not found.main.excludes_nought:
        return "unclear"
    return "clear" if q_value < LEVEL and not found.others_moved_too else "leaning"


def _row(found: Answer, q_value: float) -> dict[str, Any]:
    main, placebo = found.main, found.placebo
    return {
        "step": found.step,
        "technicians_trained": main.trained,
        "technicians_compared": main.compared,
        "change_in_rate": main.change,
        "low": main.low,
        "high": main.high,
        "change_in_log_odds": main.log_odds,
        "log_odds_low": main.low_log_odds,
        "log_odds_high": main.high_log_odds,
        "placebo_change": None if placebo is None else placebo.change,
        "placebo_low": None if placebo is None else placebo.low,
        "placebo_high": None if placebo is None else placebo.high,
        "placebo_step": found.placebo_step,
        "pre_trend_p": found.pre_trend_p,
        "pre_trend_p_kept": found.pre_trend_p_kept,
        "evidence": word(found, q_value),
        "p_value": main.p_value,
        "q_value": q_value,
        "interval_method": main.method or None,
        "people_sent": found.people_sent,
        "good_before": main.good_before,
        "known_before": main.known_before,
        "good_after": main.good_after,
        "known_after": main.known_after,
        **_named("first_6_months", found.first_half_year),
        **_named("after_6_months", found.later),
        **_named("with_choosing_months", found.with_choosing),
        **_named("choosing_months", found.dip),
        "change_linear": main.linear,
        "trained_needed": found.trained_needed,
        "note": training_words.note(found, word(found, q_value)),
    }


def _named(name: str, part: Change) -> dict[str, float]:
    return {f"change_{name}": part.change, f"{name}_low": part.low, f"{name}_high": part.high}


def _path(records: Records, step: str, seed: int) -> list[dict[str, Any]]:
    """Each half year around the course against the time before that an answer rests on."""
    around = stacked(records.jobs(step), records.taught(step))
    before = quarters("before")
    rows = []
    for kind in ("before", "choosing", "after"):
        for half in course_leads.half_years(quarters(kind)):
            found = change(around, before & ~half, half, seed)
            months = (np.flatnonzero(half) - np.flatnonzero(quarters("after"))[0]) * MONTHS_A_QUARTER
            rows.append({
                "step": step, "from_month": int(months[0]), "to_month": int(months[-1]) + MONTHS_A_QUARTER, "kind": kind,
                "change_in_rate": found.change, "low": found.low, "high": found.high,
                "technicians_trained": found.trained, "technicians_compared": found.compared,
                "good": found.good_after, "known": found.known_after,
            })  # fmt: skip
    return rows
