"""Exports as three contractors really write them, small: wide CSV, a workbook, nested forms with gauge logs.

Written here in the shape of each, since the full samples are not part of the project; their mappings are in
tests/mappings. Expected figures are counted by hand from the rows below.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
from pathlib import Path

import pytest
import xlsxwriter

from pipelines.mapping import read_mapping
from tests.pipelines.loaded_files import Fleet, counts

MAPPINGS = Path(__file__).parents[1] / "mappings"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def states(fleet: Fleet, job_id: str) -> dict[str, str]:
    return dict(fleet.ask(f"select step, state from step_grade where job_id = '{job_id}'"))


# a heat pump with everything measured, one with nothing recorded
FULL = {
    "Work Order": "J1", "Serial No.": "SN1", "Lead": "T1", "Completed": "7/13/2024", "Job Type": "Replace", "Equip": "HP split",
    "Refrig.": "R410A", "Tons": "3.0", "Metering": "TXV", "Line set (ft)": "41'", "Brazed?": "Yes",
    "N2 flow while brazing": "Y", "Flow psi": "1.5", "Pressure test": "Y", "Gas": "N2", "PT start psi": "436.0",
    "PT end psi": "432.9", "PT start °F": "77.0", "PT end °F": "73.0", "PT hold min": "30.0", "N2 released": "Y",
    "Vacuum pulled": "Y", "Pump min": "65.0", "Microns": "1,309", "Rise test": "N", "Rise from": "", "Rise to": "",
    "Rise min": "", "Charge weighed": "Y", "Factory lb": "9.0", "Adder lb": "1.0", "Weighed lb": "10.0", "Airflow set": "Y",
    "Return SP": "-0.14", "Supply SP": "0.19", "Charge checked": "N", "Suction psi": "", "Suction line °F": "",
    "Liquid psi": "", "Liquid line °F": "", "Target SC": "", "Target SH": "", "Outdoor °F": "", "Amps checked": "Y",
    "RLA": "13.3", "Comp. amps": "11.7", "On agreement": "x", "Last seen": "9/30/2026", "Out of service": "", "Why": "",
}  # fmt: skip
BARE = dict.fromkeys(FULL, "") | {
    "Work Order": "J2", "Serial No.": "SN2", "Lead": "T2", "Completed": "3/4/2024", "Job Type": "New", "Equip": "Mini",
    "Refrig.": "R32", "Tons": "1.5", "Metering": "EEV", "Brazed?": "Flare", "Gas": "-", "Last seen": "1/22/2025",
    "Out of service": "1/22/2025", "Why": "compressor",
}  # fmt: skip


def wide_csv(rows: list[dict[str, str]]) -> bytes:
    import io

    out = io.StringIO()
    out.write("Install log export, all branches\r\n")
    writer = csv.DictWriter(out, list(FULL), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    out.write(f"Total,{len(rows)}\r\n")
    return out.getvalue().encode("cp1252")


def test_wide_rows_in_two_overlapping_files(fleet):
    fleet.write("installs_part1.csv", wide_csv([FULL, BARE]))
    fleet.write(
        "installs_part2.csv", wide_csv([BARE, FULL | {"Work Order": "J3", "Serial No.": "SN3", "Microns": "OL"}])
    )
    fleet.write("people.csv", "Emp ID,Crew,Start date\nT1,crew 0,1/1/2014\n")
    fleet.write(
        "service_calls.csv",
        'Call #,Serial No.,Opened,Kind,Found,Cost to us,Tech\nC0,SN1,10/19/2026,Repair,Comp - burnout,"$2,706.77",T1\n',
    )
    mapping = read_mapping(MAPPINGS / "contractor_a.toml")
    by_name = {file.source_file: counts(file) for file in fleet.load(mapping=mapping).files}
    assert by_name["installs_part1.csv"] == {"read": 4, "new": 2, "passed_over": 2}
    assert by_name["installs_part2.csv"] == {
        "read": 4,
        "new": 1,
        "unchanged": 1,
        "passed_over": 2,
        "values_rejected": 1,
    }
    assert fleet.ask("select line_set_ft, finished_on from staged_job where job_id = 'J1'") == [
        (41.0, dt.date(2024, 7, 13))
    ]
    # 3/4/2024 alone could be either; the mapping says month first
    assert fleet.ask("select finished_on from staged_job where job_id = 'J2'") == [(dt.date(2024, 3, 4),)]
    assert fleet.ask("select value, original_value from staged_reading where quantity = 'vacuum'") == [
        (1309.0, "1,309")
    ]
    assert fleet.ask("select cost, finding from staged_call") == [(2706.77, "compressor_burnout")]
    assert fleet.ask("select agreement, retired_because from staged_system order by 1, 2") == [
        (False, "compressor"), (True, None), (True, None),
    ]  # fmt: skip
    assert states(fleet, "J1")["evacuation"] == "failed"
    assert states(fleet, "J1")["vacuum_rise"] == "not_done"
    assert states(fleet, "J2")["evacuation"] == "no_record"
    assert states(fleet, "J2")["nitrogen_flow"] == "not_applicable"
    assert states(fleet, "J3")["evacuation"] == "cannot_tell"
    again = {file.source_file: counts(file) for file in fleet.load(mapping=mapping).files}
    assert again["installs_part1.csv"] == {"read": 4, "unchanged": 2, "passed_over": 2}
    assert again["installs_part2.csv"] == {"read": 4, "unchanged": 2, "passed_over": 2, "values_rejected": 1}


def test_a_metric_workbook_whose_jobs_find_their_joints_in_the_register(fleet):
    headings = [
        "Job", "Unit", "Fitter", "Date", "Kind", "Nitrogen flow", "Flow kPa(g)", "Strength test", "Test gas", "Start bar(g)",
        "End bar(g)", "Start degC", "End degC", "Held min", "Blown down", "Evacuated", "Pump min", "Vacuum Pa",
        "Standing test", "From Pa", "To Pa", "Minutes", "Weighed in", "Factory kg", "Added for pipe kg", "Charged kg",
        "Air set", "Return Pa", "Supply Pa", "Charge checked", "Suction kPa(g)", "Suction pipe degC", "Liquid kPa(g)",
        "Liquid pipe degC", "Target SC K", "Target SH K", "Outdoor degC", "Amps checked", "Rated A", "Measured A",
    ]  # fmt: skip
    row = dict.fromkeys(headings) | {
        "Job": "J1", "Unit": "SN1", "Fitter": "T1", "Kind": "changeout", "Nitrogen flow": "yes", "Flow kPa(g)": 9.65,
        "Strength test": "yes", "Test gas": "nitrogen", "Start bar(g)": 29.372, "End bar(g)": 29.179, "Start degC": 25,
        "End degC": 23, "Held min": 60, "Evacuated": "yes", "Vacuum Pa": 44.93, "Charge checked": "yes", "Suction kPa(g)": 857.71,
        "Suction pipe degC": 12.56, "Liquid kPa(g)": 2269.75, "Liquid pipe degC": 33.78, "Target SC K": 5.556, "Outdoor degC": 30.56,
    }  # fmt: skip
    with xlsxwriter.Workbook(fleet.exports / "commissioning_book.xlsx") as book:
        day = book.add_format({"num_format": "dd/mm/yyyy"})

        def sheet(name, title, headings, rows, dates=()):
            page = book.add_worksheet(name)
            page.write(0, 0, title)
            page.write_row(2, 0, headings)
            for number, cells in enumerate(rows, start=3):
                page.write_row(number, 0, cells)
                for place, date in dates:
                    page.write_datetime(number, place, date, day)
            return page

        when = dt.datetime(2024, 3, 4)
        sheet("Commissioning", "Commissioning sheets", headings, [list(row.values())], [(3, when)])
        units = [
            "Unit",
            "Site",
            "District",
            "Type",
            "Gas",
            "Tons",
            "Expansion",
            "Joints",
            "Pipe m",
            "Contract",
            "Last visit",
            "Removed",
            "Reason",
        ]
        sheet(
            "Units",
            "Asset register",
            units,
            [["SN1", "P1", "8701", "split_ac", "R-410A", 4, "txv", "pressed", 16.8, True]],
            [(10, when)],
        )
        sheet(
            "Visits",
            "Later visits",
            ["Ref", "Unit", "Date", "Kind", "Finding", "Cost", "Fitter"],
            [["C0", "SN1", None, "callback", "compressor_mechanical", 3195.7, "T1"]],
            [(2, when)],
        )
        sheet("People", "Team list", ["Fitter", "Team", "Joined"], [["T1", "crew 0"]], [(2, when)])
        sheet(
            "Courses",
            "Courses held",
            ["Fitter", "Subject", "Date", "Hours"],
            [["T1", "evacuation", None, 4]],
            [(2, when)],
        )
        book.add_worksheet("Notes")
        book.add_worksheet("old").hide()
    found = fleet.load(mapping=read_mapping(MAPPINGS / "contractor_b.toml")).files[0]
    assert counts(found) == {"read": 15, "new": 5, "passed_over": 10}
    assert fleet.ask("select joints, round(line_set_ft, 2), finished_on from staged_job") == [
        ("pressed", 55.12, dt.date(2024, 3, 4))
    ]
    figures = dict(fleet.ask("select quantity::varchar, round(value, 1) from staged_reading"))
    # 1.4 psig, 426 psig, 337 micron, 124.4 psig, 54.6 degF, 10 degF of subcooling: SI by hand
    assert figures | {} == figures
    assert figures["flow_pressure"] == 1.4
    assert figures["start_pressure"] == 426.0
    assert figures["vacuum"] == 337.0
    assert figures["suction_pressure"] == 124.4
    assert figures["suction_temperature"] == 54.6
    assert figures["target_subcooling"] == 10.0
    assert fleet.ask("select agreement, nominal_tons, last_contact_on from staged_system") == [
        (True, 4.0, dt.date(2024, 3, 4))
    ]
    assert fleet.ask("select technician_id, step, held_on, hours from staged_training") == [
        ("T1", "evacuation", dt.date(2024, 3, 4), 4.0)
    ]
    assert states(fleet, "J1")["nitrogen_flow"] == "not_applicable"


def test_nested_forms_decimal_commas_and_a_gauge_log_for_each_job(fleet):
    form = {
        "form": "commissioning", "id": "J1", "completed": "2024-01-05", "type": "new_install", "joints": "brazed", "lineset_ft": 30.0,
        "asset": {"serial": "SN1", "kind": "split_ac", "refrigerant": "r-410a", "tons": 5.0, "metering": "txv",
                  "last_contact": "2025-09-12", "retired": None, "retired_why": None, "postcode": "8701", "agreement": True},
        "by": {"lead": "T2", "helpers": ["T3", "T4"]},
        "checks": [
            {"step": "evacuation", "answer": True, "from": "2024-01-05T10:22:00", "to": "2024-01-05T10:48:00",
             "readings": [{"what": "vacuum", "value": 60.0, "unit": "Pa"}]},
            {"step": "pressure_test", "answer": True, "from": "2024-01-05T08:49:00", "to": "2024-01-05T09:19:00",
             "readings": [{"what": "test_gas", "value": "nitrogen", "unit": ""}, {"what": "start_pressure", "value": 2895.8, "unit": "kPa"}]},
            {"step": "airflow", "answer": False, "from": None, "to": None, "readings": []},
        ],
    }  # fmt: skip
    fleet.write("forms.jsonl", json.dumps(form) + "\n{broken\n")
    fleet.write(
        "visits.csv",
        "ref;serial;date;kind;finding;cost\nC0;SN1;2024-08-16;repair;compressor_burnout;1611,28\nC1;SN9;2024-08-16;repair;thermostat;1.611,28\n",
    )
    log = "# gauge log\n# serial of gauge: G3\nTime,Vacuum (micron)\n"
    log += "".join(f"2024-01-05 11:{3 + n // 6:02d}:{10 * (n % 6) + 7:02d},{450 + n}\n" for n in range(60))
    fleet.write("gauge_logs/J1.csv", log)
    fleet.write("gauge_logs/J7.csv", log)
    by_name = {
        file.source_file: counts(file)
        for file in fleet.load(mapping=read_mapping(MAPPINGS / "contractor_c.toml")).files
    }
    assert by_name == {
        "forms.jsonl": {"read": 2, "new": 1, "rejected": 1},
        "visits.csv": {"read": 2, "new": 1, "rejected": 1},
        "gauge_logs/J1.csv": {"read": 62, "new": 60, "passed_over": 2},
        "gauge_logs/J7.csv": {"read": 62, "rejected": 60, "passed_over": 2},  # a job that nobody knows
    }
    assert fleet.ask("select helper_ids, technician_id from staged_job") == [("T3;T4", "T2")]
    assert fleet.ask(
        "select quantity::varchar, round(value), value_text, original_unit from staged_reading order by 1"
    ) == [
        ("start_pressure", 420.0, None, "kPa"),
        ("test_gas", None, "nitrogen", None),
        ("vacuum", 450.0, None, "Pa"),
    ]
    assert fleet.ask("select cost from staged_call") == [(1611.28,)]
    assert fleet.ask("select step, attempt, max(elapsed_s), min(source_line) from staged_trace group by all") == [
        ("vacuum_rise", 1, 590.0, 4)
    ]
    assert fleet.ask("select started_at::varchar from staged_step where step = 'evacuation'") == [
        ("2024-01-05 10:22:00",)
    ]


@pytest.mark.parametrize("name", ["contractor_a", "contractor_b", "contractor_c"])
def test_the_mappings_are_whole(name):
    assert read_mapping(MAPPINGS / f"{name}.toml").source
