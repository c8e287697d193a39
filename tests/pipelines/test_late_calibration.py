"""sql/292: readings taken after an instrument's calibration had run out are marked, and nothing else is."""

from datetime import date, datetime

from pipelines.grades import grade
from pipelines.house_rules import HouseRules
from tests.pipelines.grading_rows import empty_tables, insert


def marked(readings, instruments, finished_on=date(2025, 6, 1)):
    con = empty_tables()
    insert(con, "staged_job", [{"job_id": "J1", "finished_on": finished_on}])
    insert(con, "staged_instrument", instruments)
    usual = {
        "job_id": "J1",
        "step": "evacuation",
        "quantity": "vacuum",
        "value": 400.0,
        "unit": "micron",
        "reading_no": 1,
    }
    insert(con, "staged_reading", [usual | reading for reading in readings])
    grade(con, HouseRules())
    return con.sql("select instrument_id, taken_on, days_late from late_calibration").fetchall()


def test_a_reading_after_the_date_is_marked_with_how_late_it_was():
    gauge = {"instrument_id": "G1", "calibrated_on": date(2024, 5, 20), "due_on": date(2025, 5, 20)}
    assert marked([{"instrument_id": "G1"}], [gauge]) == [("G1", date(2025, 6, 1), 12)]
    # its own time goes before the day the job was finished
    assert marked([{"instrument_id": "G1", "taken_at": datetime(2025, 5, 20, 9)}], [gauge]) == []


def test_without_a_date_or_an_instrument_or_when_calibrated_again_nothing_is_marked():
    assert marked([{"instrument_id": "G1"}], [{"instrument_id": "G1"}]) == []
    assert marked([{}], [{"instrument_id": "G1", "due_on": date(2025, 1, 1)}]) == []
    again = {"instrument_id": "G1", "calibrated_on": date(2025, 5, 25), "due_on": date(2025, 5, 20)}
    assert marked([{"instrument_id": "G1"}], [again]) == []


def test_what_is_read_off_a_plate_is_not_marked():
    gauge = {"instrument_id": "G1", "due_on": date(2025, 5, 20)}
    plate = {"instrument_id": "G1", "step": "electrical", "quantity": "rated_load_current", "unit": "A"}
    assert marked([plate], [gauge]) == []
