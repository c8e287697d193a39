"""pipelines/arrivals.py, sql/295 and 296: what must be gone back to, by when, what settles it; what did not arrive."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb
import pytest
from typer.testing import CliRunner

from dashboard.command_line import app
from pipelines import arrivals, regrading
from pipelines.arrivals import first_warm_week, make_arrivals, warm_season
from pipelines.entries import Entries
from pipelines.errors import InputError
from pipelines.grades import grade
from pipelines.house_rules import HouseRules, checked
from tests.pipelines.grading_rows import add_job, empty_tables, insert
from tests.pipelines.loaded_files import Fleet

TODAY = dt.date(2025, 6, 30)  # a Monday
HELD = {
    "start_pressure": 400,
    "end_pressure": 400,
    "hold_time": 30,
    "start_temperature": 75,
    "end_temperature": 75,
    "test_gas": "nitrogen",
    "design_pressure_high": 450,
}
LEAKED = {**HELD, "end_pressure": 370}
WITH_AIR = {**HELD, "test_gas": "air"}
TOO_HIGH = {**HELD, "start_pressure": 520, "end_pressure": 520}
RISE_GOOD = {"rise_start": 300, "rise_end": 600, "rise_time": 10}
RISE_BAD = {"rise_start": 300, "rise_end": 1400, "rise_time": 10}
STATIC_BAD = {"return_static": -0.5, "supply_static": 0.5}
COLD_CHECK = {
    "liquid_pressure": 317,
    "liquid_temperature": 90,
    "target_subcooling": 10,
    "outdoor_dry_bulb": 41,
}


def made(con: duckdb.DuckDBPyConnection, rules: HouseRules | None = None, today: dt.date = TODAY) -> None:
    grade(con, rules or HouseRules())
    make_arrivals(con, rules or HouseRules(), today)


def job(con: duckdb.DuckDBPyConnection, name: str, step: str, figures: Any, on: str, **more: Any) -> None:
    about = {"finished_on": dt.date.fromisoformat(on), "load_id": "L0001"}
    if "of_system" in more:
        about["system_id"] = more.pop("of_system")
    about |= more.pop("job", {})
    add_job(con, name, step, figures, job=about, **more)


def due(con: duckdb.DuckDBPyConnection, columns: str = "job_id, reason, due_on, settled_on, settled_by") -> list[Any]:
    return con.execute(f"select {columns} from return_due order by job_id, step").fetchall()


@pytest.mark.parametrize(
    ("step", "figures", "reason", "due_on", "is_safety"),
    [
        ("pressure_test", WITH_AIR, "gas_not_nitrogen", dt.date(2025, 6, 2), True),
        ("pressure_test", TOO_HIGH, "over_pressure", dt.date(2025, 6, 2), True),
        ("pressure_test", LEAKED, "pressure_test_failed", dt.date(2025, 6, 9), False),
        ("pressure_test", {**HELD, "start_pressure": 100, "end_pressure": 100}, "pressure_test_failed", dt.date(2025, 6, 9), False),
        ("vacuum_rise", RISE_BAD, "rise_failed", dt.date(2025, 6, 9), False),
        ("airflow", STATIC_BAD, "airflow_failed", dt.date(2025, 7, 2), False),
    ],
)  # fmt: skip
def test_each_reason_has_its_day(step, figures, reason, due_on, is_safety):
    con = empty_tables()
    job(con, "J1", step, figures, "2025-06-02")
    made(con)
    assert due(con, "job_id, step, reason, due_on, settled_on, is_safety, due_chosen_by, load_id") == [
        ("J1", step, reason, due_on, None, is_safety, "guess", "L0001")
    ]


@pytest.mark.parametrize(
    ("step", "figures", "more"),
    [
        ("pressure_test", HELD, {}),
        ("vacuum_rise", RISE_GOOD, {}),
        ("vacuum_rise", {}, {"ticked": "not_done"}),  # not done is a matter for the crew, not a call back by itself
        ("vacuum_rise", {}, {}),
        ("pressure_test", LEAKED, {"disputed": True}),
        ("evacuation", {"vacuum": 900}, {}),  # the rise that follows decides
        ("vacuum_rise", RISE_BAD, {"job": {"installed_by": "someone_else"}}),
    ],
)
def test_what_calls_nobody_back(step, figures, more):
    con = empty_tables()
    job(con, "J1", step, figures, "2025-06-02", **more)
    made(con)
    assert due(con) == []


def test_a_later_pass_on_the_system_settles_it_and_another_failure_does_not():
    con = empty_tables()
    job(con, "J1", "pressure_test", LEAKED, "2025-05-02")
    job(con, "J2", "pressure_test", LEAKED, "2025-05-20", of_system="U-J1", **{"job": {"job_kind": "circuit_repair"}})
    made(con)
    assert due(con) == [
        ("J1", "pressure_test_failed", dt.date(2025, 5, 9), None, None),
        ("J2", "pressure_test_failed", dt.date(2025, 5, 27), None, None),
    ]
    job(con, "J3", "pressure_test", HELD, "2025-06-04", of_system="U-J1", **{"job": {"job_kind": "circuit_repair"}})
    made(con)
    assert due(con, "job_id, settled_on, settled_by, settled_job_id") == [
        ("J1", dt.date(2025, 6, 4), "later_job", "J3"),
        ("J2", dt.date(2025, 6, 4), "later_job", "J3"),
    ]


def test_a_pass_before_it_on_the_same_day_or_of_another_step_or_system_settles_nothing():
    con = empty_tables()
    repair = {"job_kind": "circuit_repair"}
    job(con, "J2", "pressure_test", LEAKED, "2025-05-20")
    job(con, "J1", "pressure_test", HELD, "2025-05-02", of_system="U-J2", job=repair)
    job(con, "J3", "pressure_test", HELD, "2025-05-20", of_system="U-J2", job=repair)
    job(con, "J4", "vacuum_rise", RISE_GOOD, "2025-05-25", of_system="U-J2", job=repair)
    job(con, "J5", "pressure_test", HELD, "2025-05-25")
    made(con)
    assert due(con, "job_id, settled_on") == [("J2", None)]


def test_a_later_attempt_of_the_same_job_settles_a_rise():
    def rise(attempt: int, level: float, until_s: int = 660) -> list[dict[str, Any]]:
        return [
            {"step": "vacuum_rise", "attempt": attempt, "elapsed_s": s, "value": 300 + level * s / 600}
            for s in range(0, until_s + 1, 10)
        ]

    con = empty_tables()
    # the written figures are those of the first attempt; the log has both, the second stopped after 8 min
    job(con, "J1", "vacuum_rise", RISE_BAD, "2025-06-02", trace=rise(1, 1100) + rise(2, 40, 480))
    job(con, "J2", "vacuum_rise", RISE_BAD, "2025-06-02", trace=rise(1, 1100) + rise(2, 1100))
    # where the log of the last attempt is whole it decides, and there is nothing to go back for
    job(con, "J3", "vacuum_rise", RISE_BAD, "2025-06-02", trace=rise(1, 1100) + rise(2, 40))
    made(con)
    assert due(con, "job_id, settled_on, settled_by") == [
        ("J1", dt.date(2025, 6, 2), "later_attempt"),
        ("J2", None, None),
    ]


def test_replaced_retired_and_put_right_on_a_call():
    con = empty_tables()
    job(con, "J1", "vacuum_rise", RISE_BAD, "2025-01-02")
    job(con, "J2", "electrical", {}, "2025-03-02", of_system="U-J1")  # a changeout
    job(con, "J3", "vacuum_rise", RISE_BAD, "2025-01-02", system={"retired_on": dt.date(2025, 4, 1)})
    job(con, "J4", "airflow", STATIC_BAD, "2025-01-02")
    job(con, "J5", "vacuum_rise", RISE_BAD, "2025-01-02")
    for number, (name, finding) in enumerate((("J4", "low_airflow"), ("J5", "refrigerant_leak"))):
        insert(con, "staged_call", [{"call_id": f"C{number}", "system_id": f"U-{name}", "finding": finding,
                                     "opened_on": dt.date(2025, 5, 1), "put_right": True}])  # fmt: skip
    made(con)
    assert due(con, "job_id, settled_on, settled_by") == [
        ("J1", dt.date(2025, 3, 2), "replaced"),
        ("J3", dt.date(2025, 4, 1), "retired"),
        ("J4", dt.date(2025, 5, 1), "call"),
        ("J5", None, None),  # a leak put right is no rise that passed
    ]


def test_the_load_that_brought_the_reading_counts_not_that_of_the_job():
    con = empty_tables()
    job(con, "J1", "vacuum_rise", RISE_BAD, "2025-06-02")
    con.execute("update staged_reading set load_id = 'L0012'")
    made(con)
    assert due(con, "job_id, load_id") == [("J1", "L0012")]


# --- the first warm week


@pytest.mark.parametrize(
    ("finished_on", "from_on", "due_on"),
    [
        ("2024-12-10", "2025-04-01", "2025-04-07"),  # waits for spring
        ("2025-02-10", "2025-04-01", "2025-04-07"),
        ("2025-05-10", "2025-05-11", "2025-05-17"),  # a cold day within the season: the week after
        ("2024-10-28", "2025-04-01", "2025-04-07"),  # 1 April and 30 weeks end on 27 October
    ],
)
def test_too_cold_waits_for_the_first_warm_week(finished_on, from_on, due_on):
    con = empty_tables()
    job(con, "J1", "charge_check", COLD_CHECK, finished_on)
    made(con)
    assert due(con, "reason, due_from_on, due_on, due_chosen_by") == [
        ("too_cold_to_judge", dt.date.fromisoformat(from_on), dt.date.fromisoformat(due_on), "guess")
    ]


def test_the_house_may_say_when_its_spring_begins():
    con = empty_tables()
    job(con, "J1", "charge_check", COLD_CHECK, "2025-01-10")
    made(con, HouseRules(charge_check_from="05-20"))
    assert due(con, "due_from_on, due_chosen_by") == [(dt.date(2025, 5, 20), "house_rule")]


def test_any_later_judgement_settles_a_check_that_was_too_cold():
    con = empty_tables()
    job(con, "J1", "charge_check", COLD_CHECK, "2025-01-10")
    far_off = {**COLD_CHECK, "outdoor_dry_bulb": 80, "target_subcooling": 20}
    job(con, "J2", "charge_check", far_off, "2025-05-10", of_system="U-J1", job={"job_kind": "circuit_repair"})
    made(con)
    assert due(con, "job_id, settled_on") == [("J1", dt.date(2025, 5, 10))]


def weeks(warm_from: int, warm_to: int, readings: int = 4) -> list[tuple[int, int, int]]:
    """Every reading of the weeks from..to (over the turn of the year where to is less) warm enough, none of the others."""
    inside = {(week - 1) % 52 + 1 for week in range(warm_from, warm_to + (53 if warm_to < warm_from else 1))}
    return [(week, readings, readings if week in inside else 0) for week in range(1, 53)]


def test_own_readings_tell_the_first_warm_week_on_both_halves_of_the_earth():
    # weeks are pooled by threes: three of four must be warm, so a pool with one cold week of three is not yet warm
    assert first_warm_week(weeks(15, 42)) == (16, 26)
    assert first_warm_week(weeks(41, 16)) == (42, 26)


@pytest.mark.parametrize("seen", [[], weeks(15, 42)[:40], weeks(15, 42, readings=2), weeks(1, 52)])
def test_where_readings_do_not_tell_there_is_no_first_week(seen):
    assert first_warm_week(seen) is None


def test_the_season_of_a_store_comes_from_its_own_outdoor_readings():
    con = empty_tables()
    for week in range(52):
        day = dt.date(2024, 1, 1) + dt.timedelta(days=7 * week)
        for place in range(4):
            degf = 75 if 15 <= week + 1 <= 42 else 30
            job(con, f"J{week}-{place}", "charge_check", {**COLD_CHECK, "outdoor_dry_bulb": degf}, day.isoformat())
    grade(con, HouseRules())
    found = warm_season(con, None)
    assert (found.first_day, found.weeks, found.chosen_by) == ((4, 16), 26, "own_readings")  # day 106 of a plain year
    assert warm_season(con, "05-20").chosen_by == "house_rule"
    assert warm_season(con, "02-29").of_year(2025)[0] == dt.date(2025, 2, 28)


def test_a_day_that_no_year_has_is_refused_in_words():
    with pytest.raises(InputError, match=r"charge_check_from.*month-day"):
        checked({"charge_check_from": "02-30"})


# --- what did not arrive


def ran(con: duckdb.DuckDBPyConnection, file: str, day: str, sha256: str | None = None, undone: bool = False) -> None:
    at = dt.datetime.fromisoformat(day + "T06:00:00")
    insert(con, "load_run", [{"load_id": "L0001", "started_at": at, "source_file": file, "sha256": sha256 or file + day,
                              "undone_at": at if undone else None}])  # fmt: skip


def not_arrived(con: duckdb.DuckDBPyConnection, columns: str = "kind, name, expected_on, last_seen_on") -> list[Any]:
    return con.execute(f"select {columns} from not_arrived order by kind, name").fetchall()


LAST_WEEK = ("2025-06-23", "2025-06-24", "2025-06-25", "2025-06-26", "2025-06-27")


def test_a_file_that_came_every_working_day_and_not_today():
    con = empty_tables()
    for day in LAST_WEEK:
        ran(con, f"jobs_{day}.csv", day)
    made(con)
    assert not_arrived(con) == [("file", "jobs_#-#-#.csv", TODAY, dt.date(2025, 6, 27))]
    ran(con, "jobs_2025-06-30.csv", "2025-06-30")
    made(con)
    assert not_arrived(con) == []


@pytest.mark.parametrize(
    ("days", "expected_on"),
    [
        (LAST_WEEK[:1] + LAST_WEEK[2:], TODAY),  # four of five
        (LAST_WEEK[:3], None),  # three of five
        (("2025-06-20", *LAST_WEEK[:4]), dt.date(2025, 6, 27)),
        (LAST_WEEK[-1:], None),
    ],
)
def test_four_of_the_five_working_days_before_make_a_habit(days, expected_on):
    con = empty_tables()
    for day in days:
        ran(con, f"calls {day}.xlsx", day)
    made(con)
    assert [row[2] for row in not_arrived(con)] == ([expected_on] if expected_on else [])


def test_it_stays_missing_until_it_comes_and_weekends_are_not_counted():
    con = empty_tables()
    for day in LAST_WEEK:
        ran(con, f"jobs_{day}.csv", day)
    for today, missing in (("2025-06-28", 0), ("2025-06-29", 0), ("2025-06-30", 1), ("2025-07-03", 1)):
        made(con, today=dt.date.fromisoformat(today))
        assert len(not_arrived(con)) == missing, today
    ran(con, "jobs_2025-07-03.csv", "2025-07-03")
    made(con, today=dt.date(2025, 7, 3))
    assert not_arrived(con) == []


def test_the_house_has_its_own_working_days():
    con = empty_tables()
    for day in LAST_WEEK:
        ran(con, f"jobs_{day}.csv", day)
    six_days = HouseRules(working_days=("Mon", "Tue", "Wed", "Thu", "Fri", "Sat"))
    made(con, six_days, today=dt.date(2025, 6, 28))
    assert not_arrived(con) == [("file", "jobs_#-#-#.csv", dt.date(2025, 6, 28), dt.date(2025, 6, 27))]


def test_the_same_bytes_again_are_no_new_file_and_an_undone_load_brought_nothing():
    con = empty_tables()
    for day in LAST_WEEK:
        ran(con, f"jobs_{day}.csv", day)
    ran(con, "jobs_2025-06-27.csv", "2025-06-30", sha256="jobs_2025-06-27.csv2025-06-27")
    ran(con, "jobs_2025-06-30.csv", "2025-06-30", undone=True)
    made(con)
    assert [row[1] for row in not_arrived(con)] == ["jobs_#-#-#.csv"]


def test_a_job_without_a_sheet_two_days_after_it_was_finished():
    con = empty_tables()
    job(con, "J0", "electrical", {}, "2025-06-01")  # ticked: sheets do come
    job(con, "J1", "electrical", {}, "2025-06-10", ticked=None)
    job(con, "J2", "electrical", {"compressor_current": 9}, "2025-06-10", ticked=None)  # its readings came
    job(con, "J3", "electrical", {}, "2025-06-10", ticked=None, job={"installed_by": "someone_else"})
    job(con, "J4", "electrical", {}, "2025-05-10", ticked=None)  # before the first sheet ever came
    job(con, "J5", "electrical", {}, "2025-06-28", ticked=None)
    job(con, "J6", "electrical", {}, "2025-06-29", ticked=None)
    # the data's last day is 30 June: 28 June is two days before it, 29 June is not
    job(con, "J7", "electrical", {}, "2025-06-30")
    made(con, today=dt.date(2026, 1, 1))
    assert not_arrived(con) == [
        ("job_sheet", "J1", dt.date(2025, 6, 12), dt.date(2025, 6, 10)),
        ("job_sheet", "J5", dt.date(2025, 6, 30), dt.date(2025, 6, 28)),
    ]


@pytest.mark.parametrize(
    ("last_job", "call_on", "is_missing"),
    [
        ("2025-06-20", "2025-06-25", True),  # ten days
        ("2025-06-21", "2025-06-25", False),  # nine
        ("2025-06-10", "2025-06-20", False),  # no call in the last ten days either: the crew is away
        ("2025-06-10", "2025-06-21", True),
        ("2025-02-10", "2025-06-25", False),  # has not installed for a season
    ],
)
def test_a_crew_with_calls_and_no_jobs_for_ten_days(last_job, call_on, is_missing):
    con = empty_tables()
    insert(con, "staged_technician", [{"technician_id": "T1", "crew": "Ash"}, {"technician_id": "T2", "crew": "Elm"}])
    job(con, "J1", "electrical", {}, last_job)
    job(con, "J2", "electrical", {}, "2025-06-30", job={"technician_id": "T2"})
    insert(con, "staged_call", [{"call_id": "C1", "system_id": "U-J1", "technician_id": "T1",
                                 "opened_on": dt.date.fromisoformat(call_on)}])  # fmt: skip
    made(con)
    expected = [("crew", "Ash", dt.date.fromisoformat(last_job) + dt.timedelta(10), dt.date.fromisoformat(last_job))]
    assert not_arrived(con) == (expected if is_missing else [])


def test_a_store_without_anything_makes_empty_tables():
    con = empty_tables()
    made(con)
    assert due(con) == []
    assert not_arrived(con) == []


# --- with a real load


def test_a_load_ends_with_both_tables_and_taking_it_back_takes_its_returns_back(tmp_path):
    fleet = Fleet(tmp_path).with_jobs()
    assert fleet.ask("select * from return_due") == []
    fleet.write("readings.csv", "job_id,step,quantity,value,unit\nJ1,pressure_test,test_gas,air,\n")
    second = fleet.load().load_id
    assert fleet.ask("select job_id, reason, due_on, load_id from return_due") == [
        ("J1", "gas_not_nitrogen", dt.date(2024, 7, 3), second)
    ]
    fleet.undo(second)
    assert fleet.ask("select * from return_due") == []


def test_each_reason_has_a_sentence_and_an_order():
    con = empty_tables()
    made(con)
    rows = con.execute("select reason, place, sentence from return_reason order by place").fetchall()
    assert [place for _, place, _ in rows] == list(range(1, len(rows) + 1))
    assert all(sentence.endswith(".") for *_, sentence in rows)
    assert arrivals.GUESSED_WEEKS < 52


def test_the_houses_own_days_hold_and_those_of_safety_stay():
    con = empty_tables()
    job(con, "J1", "pressure_test", LEAKED, "2025-06-02")
    job(con, "J2", "vacuum_rise", RISE_BAD, "2025-06-02")
    job(con, "J3", "pressure_test", WITH_AIR, "2025-06-02")
    made(con, checked({"return_due_days": {"pressure_test_failed": 3, "airflow_failed": 10}}))
    assert due(con, "job_id, due_on") == [
        ("J1", dt.date(2025, 6, 5)),  # 3 days and not the shipped 7
        ("J2", dt.date(2025, 6, 9)),  # not said: as shipped
        ("J3", dt.date(2025, 6, 2)),  # at once
    ]


@pytest.mark.parametrize("reason", ["gas_not_nitrogen", "too_cold_to_judge", "no_such_reason"])
def test_no_days_can_be_set_for_safety_for_the_season_or_for_what_is_no_reason(reason):
    with pytest.raises(InputError, match=f"{reason} has no days of the house's own"):
        checked({"return_due_days": {reason: 5}})


def test_a_fit_takes_days_and_profile_changed_since_the_load(tmp_path):
    fleet = Fleet(tmp_path).with_jobs()
    fleet.write(
        "readings.csv",
        "job_id,step,quantity,value,unit\nJ1,vacuum_rise,rise_start,300,micron\nJ1,vacuum_rise,rise_end,1400,micron\n"
        "J1,vacuum_rise,rise_time,10,min\nJ1,evacuation,vacuum,400,micron\n",
    )
    fleet.load()
    asked = "select due_on - finished_on from return_due"
    state = "select state from step_grade where job_id = 'J1' and step = 'evacuation'"
    assert (fleet.ask(asked), fleet.ask(state)) == ([(7,)], [("passed",)])
    own = Entries(fleet.store.entries_file)
    con = fleet.store.read()
    assert not regrading.is_needed(con, own, own.house_rules())
    own.change_setting("return_due_days", {"rise_failed": 2})
    assert regrading.is_needed(con, own, own.house_rules())
    con.close()
    # the strict profile asks for 300 micron (UFGS 15182, limits.csv)
    own.change_setting("profile", "strict")
    done = CliRunner().invoke(app, ["fit", "--store", str(fleet.store.folder)])
    assert done.exit_code == 0, done.output
    assert (fleet.ask(asked), fleet.ask(state)) == ([(2,)], [("failed",)])
    own.change_setting("temperature_unit", "degC")
    con = fleet.store.read()
    assert not regrading.is_needed(con, own, own.house_rules())
    con.close()


def test_what_somebody_says_was_done_settles_it_with_the_next_load_until_it_is_taken_back(tmp_path):
    fleet = Fleet(tmp_path).with_jobs()
    fleet.write("readings.csv", "job_id,step,quantity,value,unit\nJ1,pressure_test,test_gas,air,\n")
    own = Entries(fleet.store.entries_file)
    own.seen_to("J1", "pressure_test", "Purged, tested with nitrogen", "2024-07-05", "Somebody")
    fleet.load()
    asked = "select settled_on, settled_by from return_due"
    assert fleet.ask(asked) == [(dt.date(2024, 7, 5), "said")]
    own.not_seen_to("J1", "pressure_test")
    fleet.load()
    assert fleet.ask(asked) == [(None, None)]
    assert own.broken_at() is None
