"""Files as they really come: encodings, quotes, line breaks, titles and totals, damaged rows and damaged files."""

from __future__ import annotations

from datetime import datetime
from itertools import product
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipelines import interpreting, loading
from pipelines.errors import InputError
from tests.pipelines.loaded_files import Fleet, counts

HEAD = "call_id,system_id,opened_on,cost\n"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path).with_jobs()


def lines_of_calls(fleet: Fleet) -> dict[str, int]:
    return dict(fleet.ask("select call_id, source_line from staged_call order by 1"))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_every_encoding_line_end_and_delimiter_reads_the_same(fleet, encoding):
    paths, expected = [], []
    for n, (line_end, delimiter) in enumerate(product(["\n", "\r\n"], [",", ";", "\t", "|"])):
        rows = [("technician_id", "name", "crew"), (f"T{n}", "Zoë", "Nord é"), (f"U{n}", "Ann", "")]
        text = line_end.join(delimiter.join(row) for row in rows) + line_end
        paths.append(fleet.write(f"technicians_{n}.csv", text.encode(encoding)))
        expected += [(f"T{n}", "Zoë", "Nord é", 2), (f"U{n}", "Ann", None, 3)]
    assert [counts(file) for file in fleet.load(*paths).files] == [{"read": 2, "new": 2}] * 8
    found = fleet.ask("select technician_id, name, crew, source_line from staged_technician order by source_file, 4")
    assert found == expected


def test_a_quoted_line_break_does_not_shift_the_lines_after_it(fleet):
    text = 'technician_id,name,crew\nT1,"Ann\nof the north",a\nT2,Bo,b\n"T3","C ""the"" D",c\n'
    assert counts(fleet.load_text("technicians.csv", text)) == {"read": 3, "new": 3}
    assert fleet.ask("select technician_id, name, source_line from staged_technician order by 1") == [
        ("T1", "Ann\nof the north", 2),
        ("T2", "Bo", 4),
        ("T3", 'C "the" D', 5),
    ]


def test_a_stray_quote_spoils_its_own_line_alone(fleet):
    text = HEAD + 'C1,S1,2024-08-01,10\nC2,"S1,2024-08-02,20\nC3,S1,2024-08-03,30\nC4,S2,2024-08-04,40\n'
    found = fleet.load_text("calls.csv", text)
    assert counts(found) == {"read": 4, "new": 3, "rejected": 1}
    assert lines_of_calls(fleet) == {"C1": 2, "C3": 4, "C4": 5}
    assert [row[:3] for row in fleet.rejected()] == [("calls.csv", 3, "row")]


def test_inches_within_a_bare_cell_are_no_quotes(fleet):
    text = 'technician_id,name,crew\nT1,5" pipe,a\nT2,the 3/8" and 3/4" man,b\n'
    assert counts(fleet.load_text("technicians.csv", text)) == {"read": 2, "new": 2}
    assert fleet.ask("select name from staged_technician order by technician_id") == [
        ('5" pipe',),
        ('the 3/8" and 3/4" man',),
    ]


def test_rows_of_another_width_are_rejected_and_shift_no_line(fleet):
    text = HEAD + "C1,S1,2024-08-01,10\nC2,S1\nC3,S1,2024-08-03,30,extra\nC4,S1,2024-08-04,40,,\nC5,S2,2024-08-05,50\n"
    assert counts(fleet.load_text("calls.csv", text)) == {"read": 5, "new": 3, "rejected": 2}
    assert lines_of_calls(fleet) == {"C1": 2, "C4": 5, "C5": 6}
    assert [row[1] for row in fleet.rejected()] == [3, 4]


def test_titles_blanks_and_totals_are_passed_over_and_counted(fleet):
    text = "Calls of the year,,,\n\n" + HEAD + "C1,S1,2024-08-01,10\n,,,\n\nC2,S1,2024-08-02,20\nTotal,,,30\n"
    assert counts(fleet.load_text("calls.csv", text)) == {"read": 7, "new": 2, "passed_over": 5}
    assert lines_of_calls(fleet) == {"C1": 4, "C2": 7}


def test_a_name_with_brackets_is_a_name_not_a_pattern(fleet):
    assert counts(fleet.load_text("calls [1].csv", HEAD + "C1,S1,2024-08-01,10.5\n")) == {"read": 1, "new": 1}
    fleet.write("calls.parquet", b"")
    pl.DataFrame({"call_id": ["C2"], "system_id": ["S1"]}).write_parquet(fleet.exports / "calls [2].parquet")
    assert counts(fleet.load(fleet.exports / "calls [2].parquet").files[0]) == {"read": 1, "new": 1}


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["1.5", "1.200", "1,200"], [1.5, 1.2, 1200.0]),  # 1.5 proves the point
        (["1,5", "1.200", "1,200"], [1.5, 1200.0, 1.2]),  # 1,5 proves the comma
        (["12", "1.200", "1,200"], [12.0, None, None]),  # nothing proves either: never guessed
        (["$2,706.77", "1,200", "(3.50)"], [2706.77, 1200.0, -3.5]),
    ],
)
def test_the_decimal_mark_is_decided_by_the_file_or_not_at_all(fleet, cells, values):
    text = HEAD + "".join(f'C{n},S1,2024-08-01,"{cell}"\n' for n, cell in enumerate(cells))
    found = fleet.load_text("calls.csv", text)
    assert [cost for (cost,) in fleet.ask("select cost from staged_call order by call_id")] == values
    assert found.values_rejected == values.count(None)
    if None in values:
        assert "State decimal_mark" in fleet.ask("select reason from rejected_row")[0][0]


@pytest.mark.parametrize(
    ("cells", "days"),
    [
        (["7/13/2024", "7/3/2024"], ["2024-07-13", "2024-07-03"]),
        (["13/7/2024", "7/3/2024"], ["2024-07-13", "2024-03-07"]),
        (["7/3/2024", "5/5/2024"], [None, "2024-05-05"]),
        (["2024-07-13", "3 Jul 2024"], ["2024-07-13", "2024-07-03"]),
    ],
)
def test_the_date_order_is_decided_by_the_file_or_not_at_all(fleet, cells, days):
    fleet.load_text("calls.csv", HEAD + "".join(f"C{n},S1,{cell},1\n" for n, cell in enumerate(cells)))
    found = [day and day.isoformat() for (day,) in fleet.ask("select opened_on from staged_call order by call_id")]
    assert found == days


def test_bad_lines_of_json_are_rejected_with_their_line(fleet):
    text = '{"call_id": "C1", "system_id": "S1", "cost": 1.2}\n{"call_id": "C2", \n\n[1, 2]\n{"call_id": "C3", "system_id": "S2", "cost": NaN}\n{"call_id": "C4", "system_id": "S2", "cost": 7}\n'
    assert counts(fleet.load_text("calls.jsonl", text)) == {"read": 6, "new": 2, "rejected": 3, "passed_over": 1}
    assert lines_of_calls(fleet) == {"C1": 1, "C4": 6}
    assert [row[1] for row in fleet.rejected()] == [2, 4, 5]


def test_a_workbook_keeps_its_own_row_numbers_and_shows_its_errors(fleet):
    path = fleet.exports / "calls.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("calls")
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(2, 1, ["call_id", "system_id", "opened_on", "cost", "put_right"])
        sheet.write_row(3, 1, ["C1", "S1"])
        sheet.write_datetime(3, 3, datetime(2024, 8, 1), day)
        sheet.write_row(3, 4, [1.234, True])
        sheet.write_row(5, 1, ["C2", "S2"])
        sheet.write_formula(5, 4, "=1/0", None, "#DIV/0!")
        hidden = book.add_worksheet("old")
        hidden.write_row(0, 0, ["call_id", "system_id"])
        hidden.write_row(1, 0, ["C9", "S1"])
        hidden.hide()
        book.add_worksheet("empty")
    report = fleet.load(path)
    assert counts(report.files[0]) == {"read": 5, "new": 2, "passed_over": 3, "values_rejected": 1}
    assert fleet.ask(
        "select call_id, opened_on::varchar, cost, put_right, source_line from staged_call order by 1"
    ) == [
        ("C1", "2024-08-01", 1.234, True, 4),
        ("C2", None, None, None, 6),
    ]
    assert fleet.rejected() == [("calls.xlsx", 6, "value", "cost", "#DIV/0!")]
    assert any('sheet "old" is hidden' in note for note in report.files[0].notes)


def test_parquet_rows_are_numbered_from_one(fleet):
    frame = pl.DataFrame(
        {
            "job_id": ["J1", "J2", "J9"],
            "step": ["evacuation"] * 3,
            "quantity": ["vacuum"] * 3,
            "value": [450.0, None, 3.0],
            "unit": ["micron"] * 3,
        }
    )
    (fleet.exports / "readings").mkdir()
    frame.write_parquet(fleet.exports / "readings" / "part-1.parquet")
    report = fleet.load(fleet.exports / "readings")
    assert counts(report.files[0]) == {"read": 3, "new": 1, "rejected": 1, "passed_over": 1}
    assert fleet.readings() == [("J1", "vacuum", 450.0, None, None, 1)]
    assert fleet.rejected()[0][:2] == ("part-1.parquet", 3)


def test_parquet_of_text_and_of_midnights_reads_like_a_csv(fleet):
    frame = pl.DataFrame(
        {
            "call_id": ["C1", "C2"],
            "system_id": ["S1", "S2"],
            "opened_on": [datetime(2024, 8, 1), datetime(2024, 8, 2)],
            "cost": ["1.200", "1,5"],
        }
    )
    frame.write_parquet(fleet.exports / "calls.parquet")
    report = fleet.load(fleet.exports / "calls.parquet")
    assert counts(report.files[0]) == {"read": 2, "new": 2}
    # 1,5 proves the comma, so 1.200 is twelve hundred
    assert fleet.ask("select opened_on::varchar, cost from staged_call order by call_id") == [
        ("2024-08-01", 1200.0),
        ("2024-08-02", 1.5),
    ]


def test_a_wide_row_without_its_job_is_said_once_and_lost_never(fleet):
    mapping = """
[[source]]
name = "log"
files = ["log.csv"]
job_id = "job"
[[source.step]]
step = "evacuation"
ticked = { heading = "tick", words = { Y = "done" } }
readings.vacuum = { heading = "um", unit = "micron" }
readings.pump_time = { heading = "min", unit = "min" }
"""
    text = "job,tick,um,min\nJ1,Y,450,30\n,Y,460,30\n,,470,\n,,,\nJ2,,,\n"
    found = fleet.load(fleet.write("log.csv", text), mapping=mapping).files[0]
    assert counts(found) == {"read": 5, "new": 1, "rejected": 2, "passed_over": 2}
    assert fleet.rejected() == [("log.csv", 3, "row", "job_id", ""), ("log.csv", 4, "row", "job_id", "")]


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\x00\x01\x02", b"PAR1", "é".encode("utf-16")])
@pytest.mark.parametrize("name", ["calls.csv", "calls.parquet", "calls.xlsx", "calls.jsonl"])
def test_a_damaged_or_empty_file_is_an_input_error_and_no_traceback(fleet, name, content):
    with pytest.raises(InputError, match="calls"):
        fleet.load(fleet.write(name, content))


def test_a_file_of_headings_alone_holds_no_rows(fleet):
    assert counts(fleet.load_text("calls.csv", HEAD)) == {}


def test_a_row_of_two_hundred_thousand_characters_is_read(fleet):
    text = "technician_id,name,crew\nT1," + "x" * 200_000 + ",a\n"
    assert counts(fleet.load_text("technicians.csv", text)) == {"read": 1, "new": 1}


def careful_alone(monkeypatch) -> None:
    """No file goes straight through DuckDB: every cell is interpreted in Python."""
    monkeypatch.setattr("pipelines.straight.open_csv", lambda *_: None)
    monkeypatch.setattr("pipelines.straight.tidy_csv", lambda *_: None)


def test_both_ways_of_reading_agree_on_plain_and_odd_cells(fleet, monkeypatch):
    rows = ["job_id,step,quantity,value,unit,taken_at,instrument_id"]
    cells = ["450", " 450 ", "4.5e2", "450 um", "<500", "-1", "OL", "", "N/A", "1O2", "nan", "inf", "0.45"]
    units = ["micron", "Pa", "Torr", "psig", "um", "", "degF"]
    times = ["", "2024-07-03T14:05:00", "2024-07-03 14:05", "7/13/2024 2:05 PM", "soon", "1900-01-01T00:00:00"]
    for n, cell in enumerate(cells * len(units)):
        unit, time = units[n % len(units)], times[n % len(times)]
        rows.append(f"J{1 + n % 3},evacuation,vacuum,{cell},{unit},{time},{'G1' if n % 2 else ' - '}")
        rows.append(f"J1,pressure_test,test_gas,{('nitrogen', 'N2', 'Air', '')[n % 4]},,{time},")
        rows.append(
            f"J2,{('airflow', 'charge', 'nothing', '')[n % 4]},{('supply_static', 'charge_weight')[n % 2]},0.5,{('inwc', 'lb')[n % 2]},,"
        )
    text = "\n".join(rows) + "\n"
    straight = fleet.load_text("readings.csv", text)
    columns = "job_id, step, quantity, value, unit, taken_at, instrument_id, value_text, original_value, original_unit, reading_no, source_line"
    first = fleet.ask(f"select {columns} from staged_reading order by reading_order, reading_no")
    why = fleet.ask("select source_line, scope, column_name, value, reason from rejected_row order by all")
    other = Fleet(fleet.exports.parent / "other").with_jobs()
    careful_alone(monkeypatch)
    careful = other.load_text("readings.csv", text)
    for one, two in zip(
        first, other.ask(f"select {columns} from staged_reading order by reading_order, reading_no"), strict=True
    ):
        assert one == two
    assert other.ask("select source_line, scope, column_name, value, reason from rejected_row order by all") == why
    assert counts(straight) == counts(careful)
    assert len(first) > 15


def test_both_ways_of_reading_agree_on_jobs_and_calls(fleet, monkeypatch):
    jobs = (
        "job_id,system_id,brazed_joints,line_set_ft,line_set_reused,ducts_kept,joints,finished_on,branch\n"
        + "".join(
            f"K{n},S1,{('4', '4.0', '4.5', 'x', '')[n % 5]},{('30', '30 ft', '9.144 m', '-3', '1e1')[n % 5]},"
            f"{('true', 'Yes', 'maybe', '0')[n % 4]},{('false', 'N', '')[n % 3]},{('brazed', 'Brazed', 'glued', 'none')[n % 4]},"
            f"{('2024-07-03', '2024-7-3', '20240703', '2024-02-30')[n % 4]},{('north', ' north', 'N/A')[n % 3]}\n"
            for n in range(60)
        )
    )
    columns = (
        "job_id, brazed_joints, line_set_ft, line_set_reused, ducts_kept, joints, finished_on, branch, source_line"
    )
    first_counts = counts(fleet.load_text("jobs_k.csv", jobs))
    first = fleet.ask(f"select {columns} from staged_job order by all")
    other = Fleet(fleet.exports.parent / "other").with_jobs()
    careful_alone(monkeypatch)
    assert counts(other.load_text("jobs_k.csv", jobs)) == first_counts
    assert other.ask(f"select {columns} from staged_job order by all") == first


def test_large_sources_are_read_again_instead_of_held(fleet, monkeypatch):
    monkeypatch.setattr(loading, "CELLS_HELD", 1)
    mapping = """
[[source]]
name = "log"
files = ["log_*.csv"]
[[source.table]]
table = "systems"
columns.system_id = "unit"
[[source.table]]
table = "jobs"
columns = { job_id = "job", system_id = "unit" }
[[source.step]]
step = "evacuation"
readings.vacuum = { heading = "um", unit = "micron" }
"""
    for n in range(3):
        fleet.write(f"log_{n}.csv", f"job,unit,um\nA{n},U{n},450\nB{n},U{n},OL\n")
    report = fleet.load(mapping=mapping)
    assert report.tables["readings"].new == 3
    assert [counts(f) for f in report.files if f.source_file.startswith("log")] == [
        {"read": 2, "new": 2, "values_rejected": 1}
    ] * 3


def test_the_totals_word_is_no_trap_for_names():
    from pipelines.readers import is_total

    totals = interpreting.Source(name="x", files=("x",)).totals
    assert is_total(["Total", "320"], totals)
    assert is_total(["", "Grand total: 12"], totals)
    assert not is_total(["Total Comfort Ltd", "1"], totals)
