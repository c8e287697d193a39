"""How long a system is followed and what counts: rows small enough to check by eye."""

from datetime import date, datetime

import pytest

from models import rate_cells
from pipelines import cells, visit_entries
from tests.models.invented_fleet import empty_store, house_rules, put

AS_OF = date(2024, 1, 1)


def store_with(systems=(), jobs=(), calls=(), grades=(), as_of=AS_OF, entered=(), **rules):
    """A store of a few rows, with its cells made."""
    con = empty_store()
    put(con, "staged_system", [{"system_id": "S1"} | row for row in systems])
    put(con, "staged_job", [
        {"job_id": f"J{n}", "system_id": "S1", "technician_id": "T1", "job_kind": "new_install"} | row
        for n, row in enumerate(jobs, 1)
    ])  # fmt: skip
    put(con, "staged_call", [
        {"call_id": f"C{n}", "system_id": "S1", "finding": None, "put_right": None} | row
        for n, row in enumerate(calls, 1)
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": job, "system_id": "S1", "technician_id": "T1", "step": step, "state": state}
        for job, step, state in grades
    ])  # fmt: skip
    visit_entries.make_missing_outcomes(con)
    put(con, "visit_outcome", [
        {"system_id": "S1", "plan_id": "P1", "state": "visited", "finding": None, "put_right": None} | row
        for row in entered
    ])  # fmt: skip
    cells.make_cells(con, house_rules(**rules), as_of)
    return con


def followed(con, where="true"):
    """(first day, days) of each piece, in order."""
    return con.sql(
        f"select from_on, (to_age - from_age)::int from follow_up where {where} order by from_on, is_visited"
    ).fetchall()


def events(con, outcome):
    return con.sql(
        f"select happened_on, in_follow_up from outcome_event where outcome = '{outcome}' order by 1"
    ).fetchall()


INSTALL = {"finished_on": date(2020, 1, 1)}


def test_last_contact_ends_follow_up_and_not_the_day_the_data_ends():
    con = store_with([{"last_contact_on": date(2021, 1, 1)}], [INSTALL])
    assert followed(con) == [(date(2020, 1, 1), 366)]


def test_an_unplanned_call_never_lengthens_follow_up_and_one_after_it_is_listed_not_counted():
    calls = [{"opened_on": date(2023, 5, 1), "call_kind": "repair", "finding": "compressor_burnout"}]
    con = store_with([{"agreement": False}], [INSTALL], calls)
    assert followed(con) == [(date(2020, 1, 1), 365)]
    assert events(con, "compressor_failure") == [(date(2023, 5, 1), False)]


def test_a_planned_visit_off_agreement_opens_a_window_of_its_own_and_the_gap_before_it_does_not_count():
    calls = [{"opened_on": date(2022, 6, 1), "call_kind": "maintenance"}]
    con = store_with([{"agreement": None}], [INSTALL], calls)
    assert followed(con) == [(date(2020, 1, 1), 365), (date(2022, 6, 1), 365)]


def test_on_an_agreement_follow_up_runs_to_the_last_planned_visit_and_its_interval():
    calls = [{"opened_on": date(2022, 6, 1), "call_kind": "maintenance"}]
    con = store_with([{"agreement": True, "visit_interval_months": 6.0}], [INSTALL], calls)
    assert followed(con) == [(date(2020, 1, 1), (date(2022, 6, 1) - date(2020, 1, 1)).days + 183)]


def test_follow_up_never_runs_beyond_the_day_asked_for():
    con = store_with([{"agreement": True}], [{"finished_on": date(2023, 10, 1)}])
    assert followed(con) == [(date(2023, 10, 1), 92)]


def test_what_came_after_the_day_asked_for_is_not_known():
    calls = [
        {"opened_on": date(2020, 6, 1), "call_kind": "callback", "finding": "low_charge"},
        {"opened_on": date(2020, 9, 1), "call_kind": "repair", "finding": "compressor_burnout"},
    ]
    systems = [{"last_contact_on": date(2023, 1, 1), "retired_on": date(2022, 1, 1), "retired_because": "compressor"}]
    con = store_with(systems, [INSTALL], calls, as_of=date(2020, 7, 1))
    assert followed(con) == [(date(2020, 1, 1), 182)]
    assert events(con, "compressor_failure") == []
    assert events(con, "callback") == [(date(2020, 6, 1), True)]
    assert con.sql("select fate from system_now").fetchall() == [("in_service",)]


def test_a_compressor_changeout_begins_a_new_life_with_its_own_step_states():
    jobs = [INSTALL, {"finished_on": date(2021, 1, 10), "job_kind": "compressor_changeout", "technician_id": "T2"}]
    calls = [{"opened_on": date(2021, 1, 5), "call_kind": "repair", "finding": "compressor_burnout"}]
    grades = [("J1", "evacuation", "not_done"), ("J2", "evacuation", "passed")]
    con = store_with([{"last_contact_on": AS_OF}], jobs, calls, grades)
    found = con.sql(
        "select life_no, technician_id, state, from_age::int, to_age::int from follow_up_step "
        "where step = 'evacuation' order by 1"
    ).fetchall()
    # the five days between failure and changeout are no time in service
    assert found == [(1, "T1", "not_done", 0, 370), (2, "T2", "passed", 0, 1086)]
    assert con.sql("select fate, life_no, job_id from system_now").fetchall() == [("in_service", 2, "J2")]


def test_a_circuit_repair_changes_the_states_from_then_on_and_keeps_what_it_does_not_touch():
    jobs = [INSTALL, {"finished_on": date(2021, 1, 1), "job_kind": "circuit_repair", "technician_id": "T2"}]
    grades = [
        ("J1", "evacuation", "not_done"), ("J1", "airflow", "failed"),
        ("J2", "evacuation", "passed"), ("J2", "airflow", "not_applicable"),
    ]  # fmt: skip
    con = store_with([{"last_contact_on": date(2022, 1, 1)}], jobs, grades=grades)
    found = con.sql(
        "select step, state, from_age::int, to_age::int, job_id from follow_up_step "
        "where step in ('airflow', 'evacuation') order by step, from_age"
    ).fetchall()
    assert found == [
        ("airflow", "failed", 0, 366, "J1"), ("airflow", "failed", 366, 731, "J2"),
        ("evacuation", "not_done", 0, 366, "J1"), ("evacuation", "passed", 366, 731, "J2"),
    ]  # fmt: skip


def test_an_upgrade_ends_follow_up_and_is_no_failure_but_a_retirement_for_the_compressor_is():
    upgrade = store_with(
        [{"last_contact_on": AS_OF, "retired_on": date(2021, 1, 1), "retired_because": "upgrade"}], [INSTALL]
    )
    assert followed(upgrade) == [(date(2020, 1, 1), 366)]
    assert events(upgrade, "compressor_failure") == []
    failed = store_with(
        [{"last_contact_on": AS_OF, "retired_on": date(2021, 1, 1), "retired_because": "compressor"}], [INSTALL]
    )
    assert events(failed, "compressor_failure") == [(date(2021, 1, 1), True)]


def test_a_visit_that_put_something_right_ends_the_time_before_it_and_begins_visited():
    calls = [
        {"opened_on": date(2021, 1, 1), "call_kind": "proactive", "put_right": True},
        {"opened_on": date(2021, 6, 1), "call_kind": "repair", "finding": "compressor_mechanical"},
    ]
    con = store_with([{"last_contact_on": AS_OF}], [INSTALL], calls)
    assert followed(con, "not is_visited") == [(date(2020, 1, 1), 366)]
    assert followed(con, "is_visited") == [(date(2021, 1, 1), 151)]
    assert con.sql("select is_visited from outcome_event where outcome = 'compressor_failure'").fetchall() == [(True,)]


def test_a_visit_that_was_only_entered_counts_until_its_call_comes():
    repair = {"opened_on": date(2021, 6, 1), "call_kind": "repair", "finding": "compressor_mechanical"}
    entered = {"visited_on": date(2021, 1, 1), "put_right": True, "finding": "low_charge"}
    only_entered = store_with([{"last_contact_on": AS_OF}], [INSTALL], [repair], entered=[entered])
    assert followed(only_entered, "is_visited") == [(date(2021, 1, 1), 151)]
    # the call of the same visit comes later, some days off: one visit, on the day of the call
    call = {"opened_on": date(2021, 1, 4), "call_kind": "proactive", "put_right": True}
    both = store_with([{"last_contact_on": AS_OF}], [INSTALL], [call, repair], entered=[entered])
    assert followed(both, "is_visited") == [(date(2021, 1, 4), 148)]
    # booked, declined and nobody at home are no visits
    for state in ("booked", "declined", "no_answer"):
        none = store_with([{"last_contact_on": AS_OF}], [INSTALL], [repair], entered=[entered | {"state": state}])
        assert followed(none, "is_visited") == []


def test_a_system_of_someone_else_enters_at_first_contact_which_is_itself_no_event():
    jobs = [{"finished_on": date(2015, 1, 1), "installed_by": "someone_else", "technician_id": None}]
    calls = [
        {"opened_on": date(2021, 1, 1), "call_kind": "repair", "finding": "low_charge"},
        {"opened_on": date(2021, 7, 1), "call_kind": "repair", "finding": "drain"},
    ]
    con = store_with([{"last_contact_on": date(2022, 1, 1)}], jobs, calls)
    assert followed(con) == [(date(2021, 1, 1), 365)]
    assert events(con, "low_charge") == []
    assert events(con, "drain") == [(date(2021, 7, 1), True)]
    assert con.sql("select distinct state from follow_up_step").fetchall() == [("unknown",)]


@pytest.mark.parametrize(("failed_on", "fate"), [(date(2023, 12, 1), "failed"), (date(2023, 9, 1), "fate_unknown")])
def test_a_failure_with_nothing_after_it_is_fate_unknown_after_90_days(failed_on, fate):
    calls = [{"opened_on": failed_on, "call_kind": "repair", "finding": "compressor_burnout"}]
    con = store_with([{"last_contact_on": AS_OF}], [INSTALL], calls)
    assert con.sql("select fate from system_now").fetchall() == [(fate,)]


def test_the_control_finding_is_no_callback_and_a_maintenance_visit_is_none_either():
    calls = [
        {"opened_on": date(2020, 2, 1), "call_kind": "callback", "finding": "thermostat"},
        {"opened_on": date(2020, 3, 1), "call_kind": "maintenance", "finding": "low_charge"},
        {"opened_on": date(2020, 4, 1), "call_kind": "warranty", "finding": None},
    ]
    con = store_with([{"last_contact_on": AS_OF}], [INSTALL], calls)
    assert events(con, "callback") == [(date(2020, 4, 1), True)]
    assert events(con, "low_charge") == [(date(2020, 3, 1), True)]


def test_a_failure_on_the_day_of_the_job_counts_with_half_a_day():
    calls = [{"opened_on": date(2020, 1, 1), "call_kind": "callback", "finding": "compressor_mechanical"}]
    con = store_with([{"last_contact_on": AS_OF}], [INSTALL], calls)
    assert events(con, "compressor_failure") == [(date(2020, 1, 1), True)]
    years, counted = rate_cells.read(con).of_outcome("compressor_failure")
    assert (years.sum() * 365.25, counted.sum()) == (pytest.approx(0.5), 1)


def test_cells_hold_the_same_time_and_events_as_the_pieces_they_were_counted_from():
    from tests.models.invented_fleet import LAST_DAY, invent, store_of

    con = store_of(invent(600, 8, seed=4))
    cells.make_cells(con, house_rules(), LAST_DAY)
    counted = rate_cells.read(con)
    for outcome in ("compressor_failure", "callback", "drain"):
        by_pieces = con.sql(
            """
            select band.band, sum(least(end_age, band.to_days) - greatest(from_age, band.from_days)) / 365.25,
                count(*) filter (is_event and end_age > band.from_days and end_age <= band.to_days)
            from (
                select piece.from_age, least(piece.to_age, coalesce(event.age, 1e9)) as end_age,
                    coalesce(event.age > piece.from_age and event.age <= piece.to_age, false) as is_event
                from follow_up as piece
                left join outcome_event as event on event.outcome = $outcome
                    and event.system_id = piece.system_id and event.life_no = piece.life_no
            )
            join age_band as band on end_age > band.from_days and from_age < band.to_days
            group by 1 order by 1
            """,
            params={"outcome": outcome},
        ).fetchall()
        years, happened = counted.of_outcome(outcome)
        for band, expected_years, expected_events in by_pieces:
            rows = counted.band == band
            assert years[rows].sum() == pytest.approx(expected_years, abs=1e-6)
            assert happened[rows].sum() == expected_events
        assert happened.sum() > 10


def test_the_newest_day_is_not_in_the_future_and_no_promise():
    con = empty_store()
    put(con, "staged_system", [{"system_id": "S1", "warranty_until": date(2023, 1, 1)}])
    put(con, "staged_job", [
        {"job_id": "J1", "system_id": "S1", "finished_on": date(2021, 3, 1)},
        {"job_id": "J2", "system_id": "S1", "finished_on": date(2031, 3, 1)},
    ])  # fmt: skip
    put(con, "staged_step", [{"job_id": "J1", "step": "charge", "ended_at": datetime(2021, 3, 2, 10, 0)}])
    assert cells.newest_day(con, today=date(2024, 1, 1)) == date(2021, 3, 2)


def test_a_store_without_rows_has_cells_without_rows():
    con = empty_store()
    cells.make_cells(con, house_rules())
    assert con.sql("select (select count(*) from follow_up), (select count(*) from system_now)").fetchall() == [(0, 0)]
    assert con.sql("select as_of from cell_run").fetchall() == [(None,)]
