"""Shop class: whether the courses worked and who needs what next, in sentences, pictures, tables and jobs."""

from __future__ import annotations

import datetime as dt
import re

import polars as pl
import pytest

from dashboard import course_charts, course_words, looks
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import first_line, open_page, whole, words_on
from tests.dashboard.test_charts import drawn

LOOK = looks.LIGHT


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("fleet"), jobs=300, technicians=8)


def changed(folder, *statements: str, jobs: int = 300) -> Store:
    """A small store in which some of what was worked out reads otherwise."""
    store = small_store.make(folder, jobs=jobs, technicians=8)
    with store.write("fit") as con:
        for statement in statements:
            con.execute(statement)
    return store


def effect(step: str, evidence: str, change: float | None = None) -> dict:
    return {
        "step": step, "evidence": evidence, "change_in_rate": change, "low": None if change is None else change - 0.1,
        "high": None if change is None else change + 0.1, "technicians_trained": 12, "technicians_compared": 30,
    }  # fmt: skip


def said(*rows: dict) -> str:
    return course_words.did_they_work(pl.DataFrame(rows, infer_schema_length=None), 20)


# --- sentences


def test_the_sentence_says_what_worked_with_its_range_and_counts() -> None:
    assert said(effect("evacuation", "clear", 0.14)) == (
        "Courses on evacuation worked: +14 points good (+4 to +24; 12 trained, 30 compared)"
    )
    assert said(effect("evacuation", "clear", -0.14)).startswith(
        "Courses on evacuation were followed by worse work: −14"
    )


def test_the_sentence_keeps_the_unsure_apart_from_the_unknown() -> None:
    whole_sentence = said(
        effect("evacuation", "clear", 0.2), effect("airflow", "leaning", 0.12), effect("electrical", "unclear", 0.02),
        effect("charge", "too_few"),
    )  # fmt: skip
    assert whole_sentence.index("evacuation worked") < whole_sentence.index("airflow seem to have worked, not settled")
    assert "on electrical a change cannot be told from chance" in whole_sentence
    assert whole_sentence.endswith("on charge by weight too few were trained, or too recently, to say")
    assert "no effect" not in whole_sentence


def test_each_kind_of_sentence_begins_like_one() -> None:
    assert said(effect("charge", "too_few")).startswith("On charge by weight too few")
    assert said(effect("airflow", "unclear", 0.0)).startswith("On airflow a change")
    assert said(effect("airflow", "leaning", 0.1)).startswith("Courses on airflow seem to have worked")
    assert course_words.did_they_work(pl.DataFrame(), 0).startswith("No course is on record yet")
    assert "No attendance on record names its step" in course_words.did_they_work(pl.DataFrame(), 5)


def need(step: str, priority: str, saving: float | None, people: int = 1, jobs_short: float = 4.0) -> dict:
    return {
        "step": step, "priority": priority, "people": people, "saving_per_year": saving,
        "low": None if saving is None else saving / 2, "high": None if saving is None else saving * 2,
        "jobs_short": jobs_short,
    }  # fmt: skip


def test_the_class_that_saves_most_comes_next() -> None:
    rows = [need("airflow", "first", 800.0, 2), need("charge", "first", 700.0), need("charge", "next", 900.0)]
    sentence, step = course_words.what_next(pl.DataFrame(rows), 9, "USD")
    assert step == "airflow"
    assert "a class on airflow for 2 people, which would save about $800 a year ($400 to $1,600)" in sentence


def test_without_a_sure_need_no_class_is_urged() -> None:
    rows = [
        need("airflow", "next", None, jobs_short=2.0), need("charge", "next", None, jobs_short=8.0),
        need("charge", "later", None, jobs_short=36.0),
    ]  # fmt: skip
    sentence, step = course_words.what_next(pl.DataFrame(rows, infer_schema_length=None), 9, "USD")
    assert step == "charge"
    assert "no class comes first yet" in sentence
    assert "1 person" in sentence
    sentence, step = course_words.what_next(pl.DataFrame(), 9, "USD")
    assert step is None
    assert "of 9 people none" in sentence


@pytest.mark.parametrize(
    ("kept", "whole_p", "told"),
    [
        (0.4, 0.3, "moved as the others did (chance alone would bring as large a difference in 40 of 100 cases)."),
        (0.4, 0.001, "that half year is left out"),
        (0.01, 0.001, "the change may not be the course's"),
        (None, None, "Too little is known of the time before"),
    ],
)
def test_the_time_before_is_told_in_words(kept, whole_p, told) -> None:
    assert told in course_words.before_the_course({"pre_trend_p_kept": kept, "pre_trend_p": whole_p})


# --- pictures


def test_each_course_stands_beside_the_step_it_did_not_teach(fleet: Store) -> None:
    courses = fleet.read().sql("select * from course_effect where evidence <> 'too_few'").pl()
    spec = drawn(course_charts.course_changes(courses, LOOK))
    table = max(spec["datasets"].values(), key=len)
    by_kind = {row["kind"]: row for row in table}
    assert by_kind[course_charts.TAUGHT]["change"] == pytest.approx(14)
    assert by_kind[course_charts.NOT_TAUGHT]["change"] == pytest.approx(1)
    assert by_kind[course_charts.NOT_TAUGHT]["about"] == "Airflow"
    assert by_kind[course_charts.TAUGHT]["label"] == "Deep vacuum|Mar 2024"
    point = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "point")
    # told apart by sign and word, not by colour alone
    assert point["encoding"]["shape"]["scale"]["range"] == ["circle", "diamond"]
    assert point["encoding"]["shape"]["legend"] is not None


def test_many_courses_show_the_latest() -> None:
    rows = [
        effect("airflow", "clear", 0.1) | {
            "course": f"class {number}", "held_on": dt.date(2024, 1, 1) + dt.timedelta(days=20 * number),
            "placebo_step": None, "placebo_change": None, "placebo_low": None, "placebo_high": None, "known_after": 90,
        }
        for number in range(30)
    ]  # fmt: skip
    frame = pl.DataFrame(rows, infer_schema_length=None, schema_overrides={"placebo_step": pl.String})
    long = course_charts.changes_long(frame)
    assert long.height == course_charts.COURSES_AT_MOST
    assert long["label"][0].startswith("class 29")


@pytest.mark.parametrize("look", [looks.LIGHT, looks.DARK], ids=lambda look: look.name)
def test_half_years_show_what_was_left_out(fleet: Store, look: looks.Look) -> None:
    path = fleet.read().sql("select * from training_path where step = 'evacuation'").pl()
    spec = drawn(course_charts.half_years(path, look))
    table = max(spec["datasets"].values(), key=len)
    assert [row["period"] for row in table].count(course_charts.PERIOD["choosing"]) == 1
    assert max(row["change"] for row in table if row["period"] == "before") == 0


# --- the page


def test_the_page_answers_both_questions_first(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "shop_class")
    whole(app)
    title = first_line(app)
    assert "Courses on evacuation worked: +14 points good (+8 to +20; 18 trained, 40 compared)" in title
    assert "on airflow too few were trained" in title
    assert re.search(r"a class on [a-z ]+ for \d+ (people|person)", title)
    seen = words_on(app)
    assert "2 of the 3 sent have known jobs on both sides: 2 more are needed" in seen
    assert "Airflow +1 points (−4 to +6)" in seen
    assert "too few or too recent" not in seen
    assert "too few failures" not in seen


def test_needs_open_the_jobs_of_the_step_and_the_person(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    ((who, step, known, unknown),) = fleet.read().sql(
        "select technician_id, step, known, unknown from training_need order by priority, technician_id limit 1"
    ).fetchall()  # fmt: skip
    app = open_page(monkeypatch, fleet, "shop_class", class_step=step, technician=who)
    whole(app)
    found = re.search(r"\*\*([\d,]+) jobs?\*\*", words_on(app))
    assert found
    assert int(found[1].replace(",", "")) == known + unknown
    shown = next(table.value for table in app.dataframe if "of it: training" in table.value.columns)
    assert set(shown["Known jobs"]) == {known}


def test_no_course_on_record_says_what_to_load(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = changed(
        tmp_path, "delete from training_effect", "delete from course_effect", "delete from training_path",
        "delete from staged_training",
    )  # fmt: skip
    app = open_page(monkeypatch, store, "shop_class")
    whole(app)
    assert first_line(app).startswith("No course is on record yet, so whether courses work cannot be told; ")
    assert "4 people trained in a step" in words_on(app)


def test_only_too_few_is_no_error_and_draws_nothing(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    few = "evidence <> 'too_few'"
    store = changed(tmp_path, f"delete from training_effect where {few}", f"delete from course_effect where {few}")
    app = open_page(monkeypatch, store, "shop_class")
    whole(app)
    assert first_line(app).startswith("On airflow too few were trained")
    assert "Before and after, by half years" not in words_on(app)


def test_nobody_in_need_still_tells_of_the_courses(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, changed(tmp_path, "delete from training_need"), "shop_class")
    whole(app)
    assert "no class comes next" in first_line(app)
    assert "Nobody is short of a target" in words_on(app)
