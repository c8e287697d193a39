"""The mapping file: what it can say, and what is said of one that cannot be used."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.contract import TABLES
from pipelines.errors import InputError
from pipelines.mapping import parse_mapping, read_mapping
from tests.pipelines.loaded_files import Fleet, counts

WHOLE = """
[[source]]
name = "log"
files = ["log*.csv"]
[[source.table]]
table = "jobs"
columns = { job_id = "Job", system_id = "Unit" }
"""


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path).with_jobs()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("name = \"log\"", "name = 'log"), "not valid TOML"),
        (("files = [", "fils = ["), "fils: there is no such key"),
        (('files = ["log*.csv"]', ""), "files: this key must be given"),
        (('table = "jobs"', 'table = "job"'), 'table "job": there is no such table'),
        (('job_id = "Job"', 'jobid = "Job"'), 'there is no column "jobid"'),
        (('job_id = "Job", ', ""), 'the column "job_id" must be given'),
        (('"Unit" }', '"Unit", job_kind = { heading = "K", words = { New = "brandnew" } } }'), '"brandnew" is not a code'),
        (('"Unit" }', '"Unit", line_set_ft = { heading = "L", unit = "psig" } }'), "psig"),
        (('"Unit" }', '"Unit", form = { heading = "F", constant = "x" } }'), "exactly one of heading"),
        (('"Unit" }', '"Unit", form = { heading = "F", pattern = "(" } }'), "is not a pattern"),
        (('"Unit" }', '"Unit", form = { file_name = "form" } }'), "file_name_pattern"),
        (('"Unit" }', '"Unit", form = { heading = "F", look_up = { source = "x", key = "k", by = "b" } } }'), 'names the source "x"'),
        (('name = "log"', 'name = "log"\nlines_above = "2"'), "lines_above"),
        (('name = "log"', 'name = "log"\ndate_order = "american"'), "date_order"),
        (('name = "log"', 'name = "log"\ndecimal_mark = "comma"'), "decimal_mark"),
        ((WHOLE, ""), "source"),
    ],
)  # fmt: skip
def test_a_mapping_that_cannot_be_used_names_the_file_and_the_key(change, said):
    assert change[0] in WHOLE
    with pytest.raises(InputError) as found:
        parse_mapping(WHOLE.replace(*change), "ours.toml")
    assert "ours.toml" in str(found.value)
    assert said in str(found.value)


def test_all_faults_are_said_at_once():
    text = WHOLE.replace('"Unit" }', '"Unit", joint = "J", branchs = "B" }')
    with pytest.raises(InputError) as found:
        parse_mapping(text, "ours.toml")
    assert str(found.value).count("there is no column") == 2


def test_a_reading_without_a_unit_is_refused():
    text = WHOLE + '[[source.step]]\nstep = "evacuation"\nreadings.vacuum = "um"\nreadings.flow_pressure = "x"\n'
    with pytest.raises(InputError) as found:
        parse_mapping(text, "ours.toml")
    assert 'say in which unit it is written (unit = "micron"' in str(found.value)
    assert "this step has no such reading" in str(found.value)


def test_a_missing_file_and_one_that_is_no_text(tmp_path):
    with pytest.raises(InputError, match="there is no such mapping file"):
        read_mapping(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(InputError, match="UTF-8"):
        read_mapping(tmp_path / "bad.toml")


@given(st.text(max_size=60))
def test_any_text_is_a_mapping_or_an_input_error(text):
    with contextlib.suppress(InputError):
        parse_mapping(text)


CELLS = st.recursive(
    st.one_of(st.integers(), st.booleans(), st.text(max_size=8)),
    lambda inner: st.dictionaries(st.sampled_from(["heading", "unit", "words", "constant", "look_up", "since"]), inner),
    max_leaves=4,
)


@given(
    st.sampled_from([table.name for table in TABLES]),
    st.dictionaries(st.sampled_from(["job_id", "unit", "value"]), CELLS),
)
def test_any_columns_are_taken_or_refused_as_the_inputs_fault(table, columns):
    def toml(value) -> str:
        if isinstance(value, dict):
            return "{ " + ", ".join(f"{name} = {toml(part)}" for name, part in value.items()) + " }"
        return json.dumps(value)

    text = f'[[source]]\nname = "s"\nfiles = ["f"]\n[[source.table]]\ntable = "{table}"\ncolumns = {toml(columns)}'
    with contextlib.suppress(InputError):
        assert parse_mapping(text).source[0].table[0].table == table


def test_a_missing_key_heading_names_the_headings_that_are_there(fleet):
    with pytest.raises(InputError, match=r'the heading "Job" .* The headings are Number, Unit'):
        fleet.load(fleet.write("log.csv", "Number,Unit\nJ5,S1\n"), mapping=WHOLE)


def test_a_missing_heading_that_is_no_key_is_said_and_stays_empty(fleet):
    mapping = WHOLE.replace('"Unit" }', '"Unit", form = "Form" }')
    report = fleet.load(fleet.write("log.csv", "Job,Unit\nJ5,S1\n"), mapping=mapping)
    assert counts(report.files[0]) == {"read": 1, "new": 1}
    assert "Form" in report.files[0].notes[0]


def test_units_words_units_in_another_column_constants_and_parts_of_names(fleet):
    mapping = """
[[source]]
name = "gauges"
files = ["gauge_*.csv"]
file_name_pattern = 'gauge_(?P<who>[A-Z]\\d+)'
blanks = ["none taken"]
[[source.table]]
table = "readings"
[source.table.columns]
job_id = { heading = "Order", pattern = '(J\\d+)$' }
step = { constant = "evacuation" }
quantity = { heading = "What", words = { deep = "vacuum", pump = "pump_time" } }
value = "Figure"
unit = { heading = "In", unit_words = { mic = "micron", mn = "min" } }
taken_at = { headings = ["Day", "Clock"], date_order = "dmy" }
instrument_id = { file_name = "who" }
"""
    text = "Order,What,Figure,In,Day,Clock\nWO-J1,deep,400,mic,3/7/2024,14:05\nWO-J1,pump,45,mn,,\nWO-J2,deep,none taken,mic,,\nWO-J2,deep,60,Pa,4/7/2024,09:00\n"
    found = fleet.load(fleet.write("gauge_G7.csv", text), mapping=mapping).files[0]
    assert counts(found) == {"read": 4, "new": 3, "passed_over": 1}
    assert fleet.ask(
        "select job_id, quantity::varchar, round(value, 1), taken_at::varchar, instrument_id from staged_reading order by 1, 2 desc"
    ) == [
        ("J1", "vacuum", 400.0, "2024-07-03 14:05:00", "G7"),
        ("J1", "pump_time", 45.0, None, "G7"),
        ("J2", "vacuum", 450.0, "2024-07-04 09:00:00", "G7"),
    ]


def test_rows_of_two_kinds_in_one_file_go_to_their_tables(fleet):
    mapping = """
[[source]]
name = "all visits"
files = ["visits.csv"]
[[source.table]]
table = "jobs"
only_if = { heading = "Type", is = ["Install"] }
columns = { job_id = "No", system_id = "Unit", finished_on = "Day" }
[[source.table]]
table = "calls"
only_if = { heading = "Type", is_not = ["Install", "Quote"] }
columns = { call_id = "No", system_id = "Unit", opened_on = "Day", finding = { heading = "Found", words = { Leak = "refrigerant_leak" }, other_words = "other" } }
"""
    text = "No,Type,Unit,Day,Found\n1,Install,S1,2024-07-03,\n2,Repair,S1,2024-08-03,Leak\n3,Quote,S2,2024-08-04,\n4,Repair,S2,2024-08-05,mice\n"
    found = fleet.load(fleet.write("visits.csv", text), mapping=mapping).files[0]
    assert counts(found) == {"read": 4, "new": 3, "passed_over": 1}
    assert fleet.ask("select call_id, finding from staged_call order by 1") == [
        ("2", "refrigerant_leak"),
        ("4", "other"),
    ]


def test_a_file_without_headings_and_lines_below(fleet):
    mapping = """
[[source]]
name = "bare"
files = ["bare.txt"]
headings = ["who", "crew"]
lines_above = 1
lines_below = 2
comment = "#"
leave_out = ["crew"]
[[source.table]]
table = "technicians"
columns.technician_id = "who"
"""
    text = "list of today\nT1,a\n# T9 left\nT2,b\nprinted 3/4/2024\npage 1\n"
    found = fleet.load(fleet.write("bare.txt", text), mapping=mapping).files[0]
    assert counts(found) == {"read": 6, "new": 2, "passed_over": 4}
    assert fleet.ask("select technician_id, source_line, extra from staged_technician order by 1") == [
        ("T1", 2, None),
        ("T2", 4, None),
    ]


def test_the_sign_of_return_static_is_told_by_the_mapping_where_a_file_mixes_it(fleet):
    text = "job_id,step,quantity,value,unit\nJ1,airflow,return_static,-0.2,inwc\nJ1,airflow,supply_static,0.2,inwc\nJ2,airflow,return_static,0.2,inwc\nJ2,airflow,supply_static,0.2,inwc\n"
    path = fleet.write("readings.csv", text)
    fleet.load(path)
    states = "select state from step_grade where step = 'airflow' order by job_id"
    assert fleet.ask(states) == [("cannot_tell",), ("cannot_tell",)]
    told = """
[[source]]
name = "readings"
files = ["readings.csv"]
return_static = "size_only"
[[source.table]]
table = "readings"
columns = { job_id = "job_id", step = "step", quantity = "quantity", value = "value", unit = "unit" }
"""
    fleet.load(path, mapping=told)
    assert fleet.ask(states) == [("passed",), ("passed",)]
    assert fleet.ask(
        "select value, original_value from staged_reading where quantity = 'return_static' order by job_id"
    ) == [(-0.2, None), (-0.2, "0.2")]
    fleet.load(path, mapping=told.replace("size_only", "suction_is_negative"))
    assert fleet.rejected()[-1][:2] == ("readings.csv", 4)


def test_nested_forms_a_list_within_a_list_and_elapsed_time_from_a_clock(fleet):
    mapping = """
[[source]]
name = "forms"
files = ["forms.jsonl"]
[[source.table]]
table = "steps"
list = "checks"
columns = { job_id = "id", step = "checks.step", ticked = { heading = "checks.done", words = { true = "done", false = "not_done" } } }
[[source.table]]
table = "readings"
list = "checks.values"
columns = { job_id = "id", step = "checks.step", quantity = "checks.values.what", value = "checks.values.figure", unit = "checks.values.unit" }
[[source]]
name = "logs"
files = ["logs/*.csv"]
file_name_pattern = '^(?P<job>J\\d+)_(?P<attempt>\\d)'
[[source.table]]
table = "traces"
columns = { job_id = { file_name = "job" }, attempt = { file_name = "attempt" }, quantity = { constant = "vacuum" }, unit = { constant = "Pa" }, elapsed_s = { heading = "t", since = "first_row" }, value = "p" }
"""
    fleet.write(
        "forms.jsonl",
        '{"id": "J1", "checks": [{"step": "evacuation", "done": true, "values": [{"what": "vacuum", "figure": 60, "unit": "Pa"}, {"what": "pump_time", "figure": null, "unit": "min"}]}, {"step": "charge", "done": false, "values": []}]}\n{"id": "J2", "checks": []}\n',
    )
    fleet.write("logs/J1_2.csv", "t,p\n2024-07-03 23:59:50,60\n2024-07-04 00:00:10,61\n2024-07-04 00:00:30,OL\n")
    by_name = {file.source_file: counts(file) for file in fleet.load(mapping=mapping).files}
    assert by_name["forms.jsonl"] == {"read": 2, "new": 1, "passed_over": 1}
    assert by_name["logs/J1_2.csv"] == {"read": 3, "new": 2, "rejected": 1}
    assert fleet.ask("select attempt, elapsed_s, round(value) from staged_trace order by elapsed_s") == [
        (2, 0.0, 450.0),
        (2, 20.0, 458.0),
    ]
    assert fleet.ask("select step::varchar, ticked::varchar from staged_step order by 1") == [
        ("charge", "not_done"),
        ("evacuation", "done"),
    ]


def test_a_sheet_that_is_not_there_names_the_sheets(fleet):
    import xlsxwriter

    with xlsxwriter.Workbook(fleet.exports / "book.xlsx") as book:
        book.add_worksheet("Jobs").write_row(0, 0, ["Job", "Unit"])
    mapping = WHOLE.replace('"log*.csv"', '"book.xlsx"').replace('name = "log"', 'name = "log"\nsheet = "Work"')
    with pytest.raises(InputError, match=r'no sheet "Work".*Its sheets are Jobs'):
        fleet.load(fleet.exports / "book.xlsx", mapping=mapping)
