"""What is said of courses: a small cut of the study of invented contractors, and the words where little is known."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models import compliance, results, training_effect
from models.course_stacks import JobDays
from tests.bench import courses
from tests.models.invented_fleet import LAST_DAY, empty_store, put

HELD = date(2022, 6, 15)


@pytest.fixture(scope="module")
def studied():
    kept = {}

    def of(name: str, draws: int):
        if name not in kept:
            kept[name] = courses.study(courses.WORLDS[name], draws)
        return kept[name]

    return of


def within(found: dict, name: str, most: float) -> bool:
    """Whether a mean lies within `most` of nought, as far as so few draws can tell."""
    mean, error = found[name]
    return abs(mean) <= most + 3 * error


@pytest.mark.parametrize("world", ["effect", "trained_5", "weakest_and_drift"])
def test_planted_changes_are_found_with_their_intervals(studied, world):
    found = studied(world, 12)
    assert within(found, "error, points", 3.0)
    assert found["error, points"][1] < 2.5
    assert found["cover, points"][0] >= 0.75
    assert found["a change is told"][0] >= 0.7


def test_people_sent_for_a_bad_quarter_do_not_make_a_course_look_good(studied):
    found = studied("bad_quarter_few_jobs", 16)
    # with the half year in which they were chosen counted in, a course that does nothing seems to
    assert found["error with choosing months, log odds"][0] > 0.12
    assert within(found, "error, log odds", 0.03)
    assert found["clear"][0] <= 0.2
    # and the half years before show why
    assert found["leads reject"][0] > 0.6
    assert found["kept leads reject"][0] <= 0.25


def test_shares_subtracted_mislead_where_the_weakest_are_sent_and_everybody_gets_better(studied):
    found = studied("weakest_and_drift", 12)
    assert found["error of shares, points"][0] > 2 * abs(found["error, points"][0])
    assert found["error of shares, points"][0] > 1.5


def test_what_fades_is_told_apart_from_what_stays(studied):
    found = studied("fading", 8)
    assert within(found, "first 6 months, log odds error", 0.05)
    assert within(found, "later, log odds error", 0.05)


# --- tables and words


def contractor(trained: int, others: int, *, change: float, seed: int = 1, jobs: int = 40, after: int = 40):
    """Records of people with `jobs` jobs before and `after` after a course in `evacuation`, and of a step not taught."""
    rng = np.random.default_rng(seed)
    people = [f"T{number:02d}" for number in range(trained + others)]
    rows = {"evacuation": [], "airflow": []}
    for number, who in enumerate(people):
        for step, kept in rows.items():
            for day in [*rng.integers(-700, 0, jobs), *rng.integers(1, 700, after)]:
                gain = change if step == "evacuation" and number < trained and day > 0 else 0.0
                good = rng.random() < 1 / (1 + np.exp(-0.3 - gain))
                kept.append((who, HELD + timedelta(days=int(day)), int(good), 1))
    names = ["technician_id", "finished_on", "good", "known"]
    days = {step: JobDays.of(pl.DataFrame(kept, schema=names, orient="row")) for step, kept in rows.items()}
    none = JobDays.of(pl.DataFrame(rows["airflow"], schema=names, orient="row").head(0))
    held = pl.DataFrame({
        "technician_id": people[:trained], "step": "evacuation", "course": "Deep vacuum", "held_on": HELD,
    })  # fmt: skip
    return training_effect.Records(held, lambda step: days.get(step, none))


def only_row(tables: training_effect.TrainingTables) -> dict:
    assert tables.effect.height == 1
    return tables.effect.row(0, named=True)


def test_a_course_that_worked_is_clear_and_carries_what_is_behind_it():
    tables = training_effect.tables_of(contractor(8, 12, change=1.8, seed=2), seed=1)
    row = only_row(tables)
    assert row["evidence"] == "clear"
    assert 0 < row["low"] < row["change_in_rate"] < row["high"]
    assert row["log_odds_low"] < row["change_in_log_odds"] < row["log_odds_high"]
    assert (row["technicians_trained"], row["technicians_compared"], row["people_sent"]) == (8, 12, 8)
    assert row["interval_method"] == "lots"
    assert row["placebo_step"] == "airflow"
    assert row["placebo_low"] < 0 < row["placebo_high"]
    assert row["known_after"] == 8 * 40
    assert 0.25 < row["good_after"] / row["known_after"] - row["good_before"] / row["known_before"] < 0.5
    # the one course is the step's
    course = tables.course.row(0, named=True)
    assert (course["course"], course["held_on"]) == ("Deep vacuum", HELD)
    assert course["change_in_rate"] == row["change_in_rate"]
    path = tables.path
    assert path["from_month"].to_list() == [-24, -18, -12, -6, 0, 6, 12, 18]
    assert path.filter(kind="after")["low"].min() > 0
    assert path.filter(kind="before")["change_in_rate"].abs().max() < 0.2
    assert tables.sentences[0][0] == "evacuation"
    assert "8 trained with 320 known jobs after, 12 compared): clear." in tables.sentences[0][1]


def test_many_trained_have_an_interval_by_clusters():
    row = only_row(training_effect.tables_of(contractor(16, 16, change=0.0, jobs=15, after=15), seed=1))
    assert row["interval_method"] == "clusters"
    assert row["low"] < 0 < row["high"]
    assert row["evidence"] == "unclear"
    assert row["trained_needed"] > 0


@pytest.mark.parametrize(
    ("trained", "others", "told"),
    [
        (3, 10, "3 of the 3 sent have known jobs both after the course and more than half a year before it: 1 more is "
         "needed, 4 people trained at least."),
        (6, 2, "2 people not trained, or not yet, can be compared with: 2 more are needed, 4 people at least."),
        (6, 0, "hold the course in two rounds"),
    ],
)  # fmt: skip
def test_too_few_says_how_many_more_are_needed(trained, others, told):
    tables = training_effect.tables_of(contractor(trained, others, change=1.0), seed=1)
    row = only_row(tables)
    assert row["evidence"] == "too_few"
    assert np.isnan(row["change_in_rate"])
    assert told in row["note"]
    assert "not the same as no effect" in row["note"]
    assert tables.sentences == [("evacuation", row["note"])]


def test_too_recent_a_course_says_how_many_jobs_are_lacking():
    row = only_row(training_effect.tables_of(contractor(5, 10, change=1.0, after=2), seed=1))
    assert row["evidence"] == "too_few"
    assert "The trained have 10 known jobs after the course: 10 more are needed, 20 jobs at least." in row["note"]


def answer_like(**changes) -> training_effect.Answer:
    told = training_effect.Change(
        20, 30, 100, 200, 150, 200, 0.8, 0.3, 1.3, 0.15, 0.05, 0.25, 0.002, 0.15, method="clusters"
    )
    flat = training_effect.Change(
        20, 30, 90, 100, 90, 100, 0.0, -0.3, 0.3, 0.0, -0.05, 0.05, 0.9, 0.0, method="clusters"
    )
    usual = {
        "step": "evacuation", "people_sent": 20, "taught_before": 0, "main": told, "first_half_year": told, "later": told,
        "with_choosing": told, "dip": flat, "placebo_step": "airflow", "placebo": flat, "pre_trend_p": 0.5,
        "pre_trend_p_kept": 0.5, "last_held_on": HELD,
    }  # fmt: skip
    return training_effect.Answer(**(usual | changes))


def test_clear_asks_that_nothing_else_moved():
    usual = answer_like()
    moved = training_effect.Change(
        20, 30, 90, 100, 99, 100, 0.9, 0.4, 1.4, 0.09, 0.04, 0.14, 0.001, 0.09, method="lots"
    )
    assert training_effect.word(usual, 0.01) == "clear"
    assert training_effect.word(usual, 0.06) == "leaning"
    assert training_effect.word(answer_like(pre_trend_p_kept=0.01), 0.01) == "leaning"
    assert training_effect.word(answer_like(placebo=moved), 0.01) == "leaning"
    # a bad half year in which people were chosen is left out, so it does not count against a course
    assert training_effect.word(answer_like(pre_trend_p=0.001), 0.01) == "clear"
    assert training_effect.word(answer_like(main=answer_like().dip), 0.9) == "unclear"
    few = training_effect.Change(3, 30, 10, 20, 10, 20)
    assert training_effect.word(answer_like(main=few), float("nan")) == "too_few"


def test_notes_say_what_to_be_careful_with():
    moved = training_effect.Change(
        20, 30, 90, 100, 99, 100, 0.9, 0.4, 1.4, 0.09, 0.04, 0.14, 0.001, 0.09, method="lots"
    )
    fallen = training_effect.Change(
        20, 30, 90, 100, 60, 100, -1, -1.4, -0.6, -0.16, -0.28, -0.04, 0.001, -0.1, method="lots"
    )
    note = training_effect.training_words.note
    assert "Airflow, which was not taught, changed too: +9 points (+4 to +14)" in note(
        answer_like(placebo=moved), "leaning"
    )
    assert "moved otherwise than the others already (p 0.010)" in note(answer_like(pre_trend_p_kept=0.01), "leaning")
    assert "did worse than before (−16 points, −28 to −4)" in note(answer_like(dip=fallen), "clear")
    assert "With it in, the change would read +15 points." in note(answer_like(dip=fallen), "clear")
    assert "First 6 months +15 points (+5 to +25), later" in note(answer_like(), "clear")


def test_people_taught_a_second_time_are_not_told_as_newly_trained():
    records = contractor(10, 12, change=1.2)
    again = records.courses.with_columns(held_on=HELD + timedelta(days=200), course=pl.lit("Again")).head(6)
    records.courses = pl.concat([records.courses, again])
    rows = training_effect.tables_of(records, seed=1).course.rows_by_key("course", named=True, unique=True)
    assert rows["Deep vacuum"]["technicians_trained"] == 10
    assert rows["Again"]["evidence"] == "too_few"
    assert "6 people had been on an earlier course in this step." in rows["Again"]["note"]


def test_the_store_s_jobs_and_courses_give_the_tables_and_tables_are_kept_whole():
    rng = np.random.default_rng(2)
    con = empty_store()
    jobs = [
        (f"J{number}", f"T{number % 12:02d}", HELD + timedelta(days=int(day)))
        for number, day in enumerate(rng.integers(-700, 700, 1200))
    ]
    put(con, "staged_technician", [{"technician_id": f"T{n:02d}", "crew": "one"} for n in range(12)])
    put(con, "staged_system", [{"system_id": job} for job, _, _ in jobs])
    put(con, "staged_job", [
        {"job_id": job, "system_id": job, "technician_id": who, "job_kind": "new_install", "finished_on": day}
        for job, who, day in jobs
    ])  # fmt: skip
    states = rng.choice(["passed", "failed", "ticked_only", "no_record"], 1200, p=[0.5, 0.2, 0.2, 0.1])
    put(con, "step_grade", [
        {"job_id": job, "technician_id": who, "step": "airflow", "state": state}
        for (job, who, _), state in zip(jobs, states, strict=True)
    ])  # fmt: skip
    put(con, "staged_training", [
        {"technician_id": f"T{n:02d}", "step": "airflow", "course": None, "held_on": HELD} for n in range(5)
    ] + [{"technician_id": "T09", "step": "airflow", "course": "Later", "held_on": LAST_DAY + timedelta(days=5)}])  # fmt: skip
    compliance.prepare(con, LAST_DAY)
    tables = training_effect.training_tables(con, LAST_DAY, seed=1)
    for name, frame in (
        ("training_effect", tables.effect), ("course_effect", tables.course), ("training_path", tables.path)
    ):  # fmt: skip
        results.write(con, name, frame)
        assert con.sql(f"select count(*) from {name}").fetchall()[0][0] == frame.height > 0
    row = tables.effect.row(0, named=True)
    # a course that lies after the day is not known of; unknown jobs are in no count
    assert (row["technicians_trained"], row["technicians_compared"], row["people_sent"]) == (5, 7, 5)
    counted = sum(
        state != "no_record" and who < "T05" and 0 < (day - HELD).days <= 730
        for (_, who, day), state in zip(jobs, states, strict=True)
    )
    assert row["known_after"] == counted
    assert row["placebo_change"] is None


def test_without_courses_the_tables_are_empty():
    con = empty_store()
    compliance.prepare(con, LAST_DAY)
    tables = training_effect.training_tables(con, LAST_DAY, seed=1)
    assert tables.effect.is_empty()
    assert tables.course.is_empty()
    assert tables.path.is_empty()
    assert tables.sentences == []
