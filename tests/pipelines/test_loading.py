"""What becomes of every row: taken, changed, unchanged, rejected or passed over, with its line and its reason."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from pipelines.errors import InputError
from tests.pipelines.loaded_files import JOBS, SYSTEMS, Fleet, counts


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path).with_jobs()


def test_the_same_files_again_change_nothing(fleet):
    report = fleet.load()
    assert [counts(file) for file in report.files] == [{"read": 2, "unchanged": 2}, {"read": 2, "unchanged": 2}]
    assert fleet.ask("select load_id from staged_job") == [("L0001",), ("L0001",)]


def test_a_later_file_wins_and_the_earlier_row_is_history(fleet):
    found = fleet.load_text(
        "jobs_2.csv", "job_id,system_id,finished_on\nJ1,S1,2024-08-01\nJ2,S2,2024-07-04\nJ3,S1,2024-09-09\n"
    )
    assert counts(found) == {"read": 3, "new": 1, "changed": 1, "unchanged": 1}
    assert fleet.ask("select finished_on, technician_id, load_id from staged_job where job_id = 'J1'") == [
        (dt.date(2024, 8, 1), "T1", "L0002")  # a column that the later file does not speak of stays
    ]
    [(table, key, row, by)] = fleet.ask("select table_name, row_key, row_as_json, superseded_by from row_history")
    assert (table, key, by) == ("jobs", "J1", "L0002")
    assert json.loads(row)["finished_on"] == "2024-07-03"


def test_the_same_key_twice_in_one_file_the_later_row_wins_the_earlier_is_changed(fleet):
    text = "job_id,system_id,line_set_ft\nJ5,S1,10\nJ5,S1,20\nJ6,S1,5\nJ6,S1,5\n"
    assert counts(fleet.load_text("jobs_5.csv", text)) == {"read": 4, "new": 2, "changed": 1, "unchanged": 1}
    assert fleet.ask("select line_set_ft, source_line from staged_job where job_id = 'J5'") == [(20.0, 3)]
    assert counts(fleet.load_text("jobs_5.csv", text)) == {"read": 4, "unchanged": 4}


def test_files_that_overlap_in_one_load_count_the_row_where_it_came_first(fleet):
    first = fleet.write("jobs_10.csv", "job_id,system_id,line_set_ft\nJ7,S1,10\nJ8,S1,20\n")
    second = fleet.write("jobs_11.csv", "job_id,system_id,line_set_ft\nJ7,S1,10\nJ8,S1,21\nJ9,S2,30\n")
    report = fleet.load(first, second)
    assert [counts(file) for file in report.files] == [
        {"read": 2, "new": 2},
        {"read": 3, "new": 1, "changed": 1, "unchanged": 1},
    ]
    again = fleet.load(first, second)
    assert [counts(file) for file in again.files] == [{"read": 2, "unchanged": 2}, {"read": 3, "unchanged": 3}]


def test_a_row_with_an_unreadable_value_is_taken_without_it_but_beats_no_good_row(fleet):
    found = fleet.load_text(
        "jobs_3.csv", "job_id,system_id,line_set_ft,finished_on\nJ3,S1,forty,2024-07-09\nJ1,S1,12,2024-99-99\n"
    )
    assert counts(found) == {"read": 2, "new": 1, "rejected": 1, "values_rejected": 2}
    assert fleet.ask(
        "select job_id, line_set_ft, finished_on from staged_job where job_id in ('J1', 'J3') order by 1"
    ) == [
        ("J1", None, dt.date(2024, 7, 3)),
        ("J3", None, dt.date(2024, 7, 9)),
    ]
    assert fleet.rejected()[:3] == [
        ("jobs_3.csv", 2, "value", "line_set_ft", "forty"),
        ("jobs_3.csv", 3, "row", "", ""),
        ("jobs_3.csv", 3, "value", "finished_on", "2024-99-99"),
    ]


def test_within_one_file_an_unreadable_row_does_not_beat_the_good_one_before_it(fleet):
    found = fleet.load_text(
        "jobs_4.csv", "job_id,system_id,line_set_ft,finished_on\nJ4,S1,40,2024-07-09\nJ4,S1,50,soon\n"
    )
    assert counts(found) == {"read": 2, "new": 1, "rejected": 1, "values_rejected": 1}
    assert fleet.ask("select line_set_ft, finished_on from staged_job where job_id = 'J4'") == [
        (40.0, dt.date(2024, 7, 9))
    ]


def test_a_missing_parent_rejects_the_row_and_all_that_belongs_to_it(fleet):
    fleet.write("jobs.csv", "job_id,system_id\nJ9,S9\n")
    fleet.write("steps.csv", "job_id,step,ticked\nJ9,evacuation,done\nJ1,evacuation,done\n")
    fleet.write("readings.csv", "job_id,step,quantity,value,unit\nJ9,evacuation,vacuum,400,micron\n")
    fleet.write("traces.csv", "job_id,quantity,unit,elapsed_s,value\nJ9,vacuum,micron,10,400\n")
    by_name = {file.source_file: counts(file) for file in fleet.load().files}
    assert by_name["jobs.csv"] == {"read": 1, "rejected": 1}
    assert by_name["steps.csv"] == {"read": 2, "new": 1, "rejected": 1}
    assert by_name["readings.csv"] == {"read": 1, "rejected": 1}
    assert by_name["traces.csv"] == {"read": 1, "rejected": 1}
    assert {row[3:] for row in fleet.rejected()} == {("system_id", "S9"), ("job_id", "J9")}


def test_a_rejected_reading_never_rejects_its_job_and_leaves_it_cannot_tell(fleet):
    found = fleet.load_text(
        "readings.csv",
        "job_id,step,quantity,value,unit\nJ1,evacuation,vacuum,OL,micron\nJ2,evacuation,vacuum,-5,micron\n",
    )
    assert counts(found) == {"read": 2, "rejected": 2}
    assert fleet.ask("select job_id, value from rejected_reading order by 1") == [("J1", "OL"), ("J2", "-5")]
    assert fleet.ask("select job_id, state from step_grade where step = 'evacuation' order by 1") == [
        ("J1", "cannot_tell"),
        ("J2", "cannot_tell"),
    ]


def test_a_corrected_reading_takes_the_place_of_the_rejected_one(fleet):
    fleet.load_text("readings.csv", "job_id,step,quantity,value,unit\nJ1,evacuation,vacuum,OL,micron\n")
    fleet.load_text("readings.csv", "job_id,step,quantity,value,unit\nJ1,evacuation,vacuum,450,micron\n")
    assert fleet.ask("select * from rejected_reading") == []
    assert fleet.ask("select state from step_grade where step = 'evacuation' and job_id = 'J1'") == [("passed",)]


@pytest.mark.parametrize(
    ("quantity", "step", "value", "unit", "is_possible"),
    [
        ("vacuum", "evacuation", "-1", "micron", False),
        ("start_pressure", "pressure_test", "3000", "psig", False),
        ("start_pressure", "pressure_test", "900", "psig", True),
        ("suction_temperature", "charge_check", "900", "degF", False),
        ("suction_temperature", "charge_check", "54", "degF", True),
        ("vacuum", "evacuation", "0.5", "psig", False),  # counts from the atmosphere, a vacuum from zero
        ("target_subcooling", "charge_check", "10", "degF", False),  # a temperature, not a difference
        ("target_subcooling", "charge_check", "5", "K", True),
        ("start_pressure", "pressure_test", "420", "", False),  # no unit: nothing is guessed
    ],
)
def test_a_reading_that_cannot_exist_is_rejected_not_judged(fleet, quantity, step, value, unit, is_possible):
    found = fleet.load_text("readings.csv", f"job_id,step,quantity,value,unit\nJ1,{step},{quantity},{value},{unit}\n")
    assert counts(found) == {"read": 1, ("new" if is_possible else "rejected"): 1}


def test_cells_of_a_reading_keep_what_was_written(fleet):
    fleet.load_text(
        "readings.csv",
        "job_id,step,quantity,value,unit\n"
        'J1,pressure_test,start_pressure,"1,020.5",psig\nJ1,evacuation,vacuum,450 um,\nJ2,evacuation,vacuum,<500,micron\n'
        "J1,charge,charge_weight,152,oz\nJ1,evacuation,pump_time,45,min\nJ2,evacuation,pump_time,N/A,min\nJ2,vacuum_rise,rise_end,-,micron\n",
    )
    assert fleet.readings() == [
        ("J1", "start_pressure", 1020.5, "1,020.5", "psig", 2),
        ("J1", "vacuum", 450.0, "450 um", "um", 3),
        ("J2", "vacuum", 500.0, "<500", "micron", 4),
        ("J1", "charge_weight", 9.5, "152", "oz", 5),
        ("J1", "pump_time", 45.0, None, None, 6),
    ]
    assert fleet.ask("select rows_passed_over from load_run where source_file = 'readings.csv'") == [(2,)]


def test_the_last_reading_counts_by_time_else_by_its_place_in_the_file(fleet):
    # an odd cell in the middle must keep its place in the order
    fleet.load_text(
        "readings.csv",
        "job_id,step,quantity,value,unit\nJ1,evacuation,vacuum,900,micron\nJ1,evacuation,vacuum,300 um,micron\nJ1,evacuation,vacuum,450,micron\n",
    )
    assert fleet.ask("select arg_max(value, reading_order) from staged_reading where job_id = 'J1'") == [(450.0,)]
    fleet.load_text(
        "readings_2.csv",
        "job_id,step,quantity,value,unit,taken_at\nJ2,evacuation,vacuum,300,micron,2024-07-04T10:00:00\n"
        "J2,evacuation,vacuum,900,micron,2024-07-04T09:00:00\n",
    )
    assert fleet.ask("select arg_max(value, reading_order) from staged_reading where job_id = 'J2'") == [(300.0,)]


def test_an_absolute_pressure_becomes_gauge_at_the_altitude_of_its_site(tmp_path):
    fleet = Fleet(tmp_path)
    fleet.write("sites.csv", "site_id,altitude_ft\nP1,5000\n")
    fleet.write("systems.csv", "system_id,site_id\nS1,P1\nS2,\n")
    fleet.write("jobs.csv", JOBS)
    fleet.write(
        "readings.csv",
        "job_id,step,quantity,value,unit\nJ1,pressure_test,start_pressure,432.2,psia\nJ2,pressure_test,start_pressure,434.7,psia\n",
    )
    fleet.load()
    values = [value for _, _, value, *_ in fleet.readings()]
    # about 12.2 psia at 5,000 ft (US Standard Atmosphere 1976), 14.696 at sea level
    assert values == [pytest.approx(420.0, abs=0.05), pytest.approx(420.0, abs=0.01)]


def test_extra_columns_are_kept_aside(fleet):
    fleet.load_text("calls.csv", "call_id,system_id,opened_on,Weather\nC1,S1,2024-08-01,hot\nC2,S1,2024-08-02,\n")
    assert fleet.ask("select extra from staged_call order by call_id") == [('{"Weather":"hot"}',), (None,)]


def test_a_dry_run_says_the_same_and_changes_nothing(fleet):
    before = fleet.store.pointer()
    report = fleet.load(fleet.write("jobs_2.csv", "job_id,system_id\nJ5,S1\n"), dry_run=True)
    assert counts(report.files[0]) == {"read": 1, "new": 1}
    assert "dry run" in report.render()
    assert fleet.store.pointer() == before
    assert fleet.ask("select count(*) from staged_job") == [(2,)]


def test_an_unusable_file_is_said_and_the_others_load(fleet):
    good = fleet.write("jobs_2.csv", "job_id,system_id\nJ5,S1\n")
    bad = fleet.write("book.xlsx", b"this is no workbook")
    report = fleet.load(good, bad)
    assert counts(report.files[0]) == {"read": 1, "new": 1}
    assert "book.xlsx: the workbook cannot be read" in report.failed["book.xlsx"]
    assert not report.is_useless
    with pytest.raises(InputError, match="the workbook cannot be read"):
        fleet.load(bad)


def test_headings_of_nobody_are_refused_with_what_to_do(fleet):
    with pytest.raises(InputError, match="slowfuse map"):
        fleet.load(fleet.write("install log.csv", "Work Order,Lead\nJ1,T1\n"))


def test_a_folder_in_which_nothing_can_be_used_changes_nothing(fleet):
    folder = fleet.write("elsewhere/log.csv", "Work Order,Lead\nJ1,T1\n").parent
    before = fleet.store.pointer()
    with pytest.raises(InputError, match=r"log.csv: passed over(.|\n)*slowfuse map"):
        fleet.load(folder)
    assert fleet.store.pointer() == before


def test_a_load_of_which_every_row_is_rejected_is_useless(fleet):
    report = fleet.load(fleet.write("jobs_2.csv", "job_id,system_id\nJ5,S77\n"))
    assert report.is_useless
    assert report.rejected_any


def test_the_report_tells_file_line_column_value_and_what_to_do(fleet):
    text = fleet.load(fleet.write("calls.csv", "call_id,system_id,cost\nC1,S1,1O2\n")).render()
    assert 'calls.csv, line 2, column "cost": "1O2" is not a number; expected a figure' in text
    assert "load the file again" in text


def test_gauge_logs_are_parts_and_their_samples_are_merged_like_rows(fleet):
    head = "job_id,quantity,unit,elapsed_s,value\n"
    samples = "".join(f"J1,vacuum,micron,{10 * n},{400 + n}\n" for n in range(6))
    assert counts(fleet.load_text("traces.csv", head + samples)) == {"read": 6, "new": 6}
    assert counts(fleet.load_text("traces.csv", head + samples)) == {"read": 6, "unchanged": 6}
    changed = samples.replace(",405\n", ",409\n") + "J1,vacuum,mTorr,60,410\n"
    assert counts(fleet.load_text("traces.csv", head + changed)) == {"read": 7, "new": 1, "changed": 1, "unchanged": 5}
    assert fleet.ask("select step, attempt, count(*), max(value), sum(value) from staged_trace group by 1, 2") == [
        ("vacuum_rise", 1, 7, 410.0, 400 + 401 + 402 + 403 + 404 + 409 + 410)
    ]


def test_compressor_failures_are_counted_from_calls_and_retirement(fleet):
    fleet.load_text("calls.csv", "call_id,system_id,finding\nC1,S1,compressor_burnout\nC2,S1,Compressor Mechanical\n")
    assert fleet.ask("select finding from staged_call order by call_id") == [
        ("compressor_burnout",),
        ("compressor_mechanical",),
    ]


def test_a_job_whose_system_came_in_the_same_load_is_taken_whatever_the_names_order(tmp_path):
    fleet = Fleet(tmp_path)
    fleet.write("a_jobs/jobs.csv", JOBS)
    fleet.write("z_systems/systems.csv", SYSTEMS)
    assert fleet.load().total("rejected") == 0


def test_a_file_that_still_stands_is_not_read_again_but_counts_and_witnesses(fleet):
    path = fleet.write("jobs_2.csv", "job_id,system_id,line_set_ft\nK1,S1,10\nK2,S1,20\n")
    first = fleet.load(path).load_id
    again = fleet.load(path)
    assert counts(again.files[0]) == {"read": 2, "unchanged": 2}
    assert again.files[0].stands_since == first
    assert "still stands: jobs_2.csv (1 in all)" in again.render()
    fleet.undo(first)
    assert fleet.ask("select job_id, load_id from staged_job where job_id like 'K%' order by 1") == [
        ("K1", again.load_id),
        ("K2", again.load_id),
    ]


def test_a_file_that_was_overtaken_is_read_again_and_wins_as_the_later_one(fleet):
    old = fleet.write("jobs_2.csv", "job_id,system_id,line_set_ft\nK1,S1,10\n")
    new = fleet.write("jobs_3.csv", "job_id,system_id,line_set_ft\nK1,S1,11\n")
    fleet.load(old, new)
    line_set = "select line_set_ft from staged_job where job_id = 'K1'"
    assert [counts(file) for file in fleet.load(old, new).files] == [{"read": 1, "unchanged": 1}] * 2
    assert fleet.ask(line_set) == [(11.0,)]
    assert counts(fleet.load(old).files[0]) == {"read": 1, "changed": 1}
    assert fleet.ask(line_set) == [(10.0,)]
    assert counts(fleet.load(new).files[0]) == {"read": 1, "changed": 1}
    assert fleet.ask(line_set) == [(11.0,)]


def test_the_notes_of_witnesses_are_thinned_to_two_of_each_row(fleet):
    import duckdb

    from pipelines import merging, staging

    con = duckdb.connect()
    staging.create_empty_tables(con)
    con.execute("insert into staged_job (job_id) select 'J' || n from range(10) t(n)")
    con.execute(
        "insert into witness select 'jobs', n, format('L{:04d}', load) from range(10) a(n), range(2, 12000) b(load)"
    )
    merging.thin_witnesses(con)
    assert con.execute(
        "select row_key, list(load_id order by length(load_id), load_id) from witness where row_key = 3 group by 1"
    ).fetchall() == [(3, ["L0002", "L11999"])]
