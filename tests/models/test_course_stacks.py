"""Who is compared with whom: rows small enough to check by eye."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.course_stacks import AFTER_QUARTERS, BEFORE_QUARTERS, JobDays, first_courses, quarters, stacked

HELD = date(2022, 6, 15)


def jobs_of(*rows: tuple[str, int, int, int]) -> JobDays:
    """rows : technician, days from the course, good, known."""
    return JobDays.of(
        pl.DataFrame(
            [(who, HELD + timedelta(days=days), good, known) for who, days, good, known in rows],
            schema=["technician_id", "finished_on", "good", "known"],
            orient="row",
        )
    )


def test_jobs_fall_into_quarters_before_and_after_and_not_on_the_day():
    around = stacked(
        jobs_of(("A", -1, 1, 2), ("A", -100, 1, 1), ("A", 0, 9, 9), ("A", 1, 3, 4), ("A", 95, 1, 1), ("B", -700, 0, 1),
                ("B", 800, 5, 5)),
        {"A": HELD},
    )  # fmt: skip
    known = dict(zip([("A", True), ("B", False)], around.known, strict=True))
    assert known["A", True][BEFORE_QUARTERS - 2 : BEFORE_QUARTERS + 2].tolist() == [1, 2, 4, 1]
    assert known["A", True].sum() == 8
    # 800 days after lies beyond the two years that an answer speaks for
    assert known["B", False].tolist() == [1.0] + [0.0] * (BEFORE_QUARTERS + AFTER_QUARTERS - 1)


def known_by_person(jobs: JobDays, taught: dict[str, date], only: set[str]) -> dict[str, float]:
    around = stacked(jobs, taught, only)
    assert [jobs.technicians[place] for place in around.technician[around.is_trained]] == sorted(only)
    return {
        jobs.technicians[place]: float(known.sum())
        for place, known in zip(around.technician, around.known, strict=True)
    }


def test_those_taught_before_never_compare_and_those_taught_later_do_until_their_course():
    taught = {"A": HELD, "B": HELD + timedelta(days=300), "C": HELD - timedelta(days=300)}
    people = ["A", "B", "C", *(f"D{number:02d}" for number in range(12))]
    jobs = jobs_of(*((who, days, 1, 1) for who in people for days in (-500, -10, 10, 299, 300, 310)))
    known = known_by_person(jobs, taught, {"A"})
    # one of thirteen is sent later: his bad months stay with everybody's
    assert known == {"A": 6, "B": 4} | {f"D{number:02d}": 6 for number in range(12)}


def test_the_months_in_which_many_were_chosen_later_count_for_nobody():
    taught = {"A": HELD, "B": HELD + timedelta(days=300)}
    days = (-500, 10, 110, 130, 299, 300, 310)
    jobs = jobs_of(*((who, day, 1, 1) for who in "ABD" for day in days))
    # B is half of those compared with: from 300 - 183 days to his course nobody's jobs count
    assert known_by_person(jobs, taught, {"A"}) == {"A": 4, "B": 3, "D": 4}
    # with courses all the time something must be left: no more than half of the two years goes
    taught = {"A": HELD} | {f"L{number}": HELD + timedelta(days=90 + 60 * (number // 2)) for number in range(10)}
    jobs = jobs_of(*((who, day, 1, 1) for who in ["D", *taught] for day in range(-400, 720, 10)))
    after = known_by_person(jobs, taught, {"A"})["A"] - 40
    assert 71 / 2 <= after < 71


def test_courses_within_a_month_are_one_stack_and_its_days_between_count_for_nobody():
    jobs = jobs_of(*((who, days, 1, 1) for who in "ABC" for days in (-400, 5, 40)))
    around = stacked(jobs, {"A": HELD, "B": HELD + timedelta(days=14)})
    assert len(around.first_day) == 1
    assert around.is_trained.tolist() == [True, True, False]
    assert around.known.sum(axis=1).tolist() == [2, 2, 2]
    apart = stacked(jobs, {"A": HELD, "B": HELD + timedelta(days=40)})
    assert len(apart.first_day) == 2


def test_only_people_with_jobs_on_both_sides_are_told_apart():
    jobs = jobs_of(
        ("A", -300, 1, 1), ("A", 30, 1, 1), ("B", -300, 1, 1), ("C", -300, 1, 1), ("C", 30, 0, 1), ("D", 30, 1, 1)
    )
    part = stacked(jobs, {"A": HELD, "B": HELD}).between(quarters("before"), quarters("after"))
    assert (part.trained(), part.compared(), part.known.sum()) == (1, 1, 4)
    # without anybody to compare with there is nothing left
    alone = stacked(jobs, {"A": HELD, "B": HELD, "C": HELD, "D": HELD}).between(quarters("before"), quarters("after"))
    assert (alone.trained(), alone.compared()) == (0, 0)


def test_the_half_year_before_stands_apart():
    assert np.flatnonzero(quarters("choosing")).tolist() == [6, 7]
    whole = quarters("before").astype(int) + quarters("choosing") + quarters("after")
    assert (whole == 1).all()
    with pytest.raises(ValueError, match="no quarters"):
        quarters("during")


def test_the_first_course_counts_and_rows_without_a_day_do_not():
    courses = pl.DataFrame({
        "technician_id": ["A", "A", "B"], "held_on": [HELD + timedelta(days=9), HELD, None],
    })  # fmt: skip
    assert first_courses(courses) == {"A": HELD}


def test_people_can_be_left_out_of_the_jobs():
    jobs = jobs_of(("A", -300, 1, 1), ("B", 30, 1, 1))
    assert jobs.without({"A"}).known.tolist() == [1.0]
    assert jobs.without(set()).known.sum() == 2


def test_no_jobs_and_no_courses_are_no_error():
    assert stacked(jobs_of(("A", 1, 1, 1)), {}).units == 0
    empty = pl.DataFrame(
        schema={"technician_id": pl.String, "finished_on": pl.Date, "good": pl.Int64, "known": pl.Int64}
    )
    assert stacked(JobDays.of(empty), {"A": HELD}).units == 0
