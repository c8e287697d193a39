"""Each kind of doubt, planted in one person's records among honest colleagues: found, counted, with its own jobs; the
colleagues are left alone, and a form that stamps no step by itself is passed by."""

from datetime import date, datetime, timedelta

import duckdb
import numpy as np
import polars as pl
import pytest

from models import record_doubt

LAST_DAY = date(2026, 3, 31)
PEOPLE, JOBS = 8, 60
STEPS = ("pressure_test", "evacuation", "vacuum_rise", "charge")
COPIES, HASTES, TURNS_ROUND, TICKS_AT_ONCE, TOO_EVEN = "T1", "T2", "T3", "T4", "T5"


def records(rng, *, planted=True, stamped=True):
    """Frames of the tables that the questions read."""
    jobs, readings, steps, samples = [], [], [], []
    for person in range(PEOPLE):
        who, earlier = f"T{person}", {}
        for number in range(JOBS):
            job = f"{who}-{number:02d}"
            day = LAST_DAY - timedelta(days=int(5 * (JOBS - number)))
            odd = planted and rng.random() < 0.5
            jobs.append((who, "sheet 1", day, job))
            level = rng.normal(300, 40)
            rise = {"vacuum": level, "rise_start": level + rng.integers(0, 9), "rise_end": level + rng.normal(250, 60)}
            if who == COPIES and odd and number:
                rise = earlier
            earlier = rise
            readings += [(job, "vacuum_rise", name, float(round(value)), "micron") for name, value in rise.items()]
            readings.append((job, "evacuation", "pump_time", 45.0, "min"))
            begin = datetime(day.year, day.month, day.day, 8)
            order = list(STEPS)
            if who == TURNS_ROUND and odd:
                order[0], order[1] = order[1], order[0]
            for step in order:
                took = float(rng.uniform(46, 60))
                if who == HASTES and odd and step == "evacuation":
                    took = float(rng.uniform(8, 20))
                end = begin + timedelta(minutes=took)
                at_once = who == TICKS_AT_ONCE and odd
                stamp = datetime(day.year, day.month, day.day, 17) + timedelta(seconds=len(steps) % 60)
                if at_once or not stamped:
                    steps.append((job, step, None, stamp))
                else:
                    steps.append((job, step, begin, end))
                begin = end + timedelta(minutes=5)
            time_s = np.arange(45, 600, 20.0)
            drawn = 300 + 0.5 * time_s + (0 if who == TOO_EVEN and odd else rng.normal(0, 4, len(time_s)))
            samples += [(job, t, float(round(value))) for t, value in zip(time_s, drawn, strict=True)]
    return jobs, readings, steps, samples


def asked(jobs, readings, steps, samples):
    con = duckdb.connect()
    tables = {
        "fit_job_step": pl.DataFrame(
            [(*job[:2], step, *job[2:]) for job in jobs for step in STEPS], orient="row",
            schema=["technician_id", "form", "step", "finished_on", "job_id"],
        ),
        "staged_job": pl.DataFrame({"job_id": [job[3] for job in jobs], "system_id": [f"S{job[3]}" for job in jobs]}),
        "staged_system": pl.DataFrame(
            {"system_id": [f"S{job[3]}" for job in jobs], "site_id": [f"P{job[3]}" for job in jobs]}
        ),
        "staged_reading": pl.DataFrame(
            readings, orient="row", schema=["job_id", "step", "quantity", "value", "unit"]
        ).with_row_index("reading_order"),
        "staged_step": pl.DataFrame(
            steps, orient="row",
            schema={"job_id": pl.String, "step": pl.String, "started_at": pl.Datetime, "ended_at": pl.Datetime},
        ),
        "staged_trace": pl.DataFrame(samples, orient="row", schema=["job_id", "elapsed_s", "value"]).with_columns(
            step=pl.lit("vacuum_rise"), quantity=pl.lit("vacuum"), attempt=pl.lit(1)
        ),
    }  # fmt: skip
    for name, frame in tables.items():
        con.register("given", frame)
        con.execute(f"create table {name} as from given")
    return record_doubt.record_doubt_table(con, LAST_DAY)


@pytest.fixture(scope="module")
def planted():
    return asked(*records(np.random.default_rng(2)))


@pytest.mark.parametrize(
    ("who", "kind", "step"),
    [
        (COPIES, "same_reading_again", "vacuum_rise"),
        (HASTES, "too_fast", "evacuation"),
        (TURNS_ROUND, "out_of_order", "evacuation"),
        (TICKS_AT_ONCE, "ticked_together", "all"),
        (TOO_EVEN, "too_smooth", "vacuum_rise"),
    ],
)
def test_what_was_planted_is_found_with_its_jobs(planted, who, kind, step):
    (row,) = planted.filter(kind=kind).rows(named=True)
    assert (row["technician_id"], row["step"]) == (who, step)
    # about half of his jobs, where honest work makes hardly any
    assert 15 <= row["jobs"] <= 45
    assert row["of_jobs"] <= JOBS
    assert row["expected_jobs"] < 3
    assert row["probability"] < 1e-4
    examples = row["example_job_ids"].split(";")
    assert len(examples) == record_doubt.EXAMPLES
    assert all(job.startswith(who) for job in examples)
    assert examples == sorted(examples, reverse=True)


def test_nobody_else_is_named(planted):
    assert sorted(planted["technician_id"]) == [COPIES, HASTES, TURNS_ROUND, TICKS_AT_ONCE, TOO_EVEN]


def test_honest_people_are_left_alone():
    assert asked(*records(np.random.default_rng(3), planted=False)).is_empty()


def test_a_form_that_stamps_all_at_the_end_says_nothing_of_times():
    found = asked(*records(np.random.default_rng(2), stamped=False))
    assert set(found["kind"]) == {"same_reading_again", "too_smooth"}
