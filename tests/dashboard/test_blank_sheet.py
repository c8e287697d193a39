"""The blank sheet: filled in, it loads with no mapping; left blank, nothing is made of it; every limit stands on it."""

import subprocess
import sys

import fastexcel
import pytest

from dashboard import blank_sheet
from pipelines import loading
from pipelines.contract import QUANTITY_UNIT, STEPS
from pipelines.house_rules import HouseRules
from pipelines.store import Store

FILLED = {
    "jobs.job_id": "J77", "jobs.system_id": "SN9", "jobs.technician_id": "T1", "jobs.job_kind": "new_install",
    "jobs.joints": "brazed", "jobs.installed_by": "own_crew", "jobs.finished_on": "2025-07-03",
    "systems.equipment": "split_ac", "systems.refrigerant": "R-410A", "systems.nominal_tons": 3,
    "systems.metering": "txv", "nitrogen_release.ticked": "done", "evacuation.ticked": "done",
    "airflow.ticked": "not_done", "nitrogen_flow.flow_pressure": 2, "evacuation.vacuum": 420,
    "vacuum_rise.rise_start": 430, "vacuum_rise.rise_end": 1610, "vacuum_rise.rise_time": 10,
    "electrical.compressor_current": 12.5, "electrical.rated_load_current": 14,
}  # fmt: skip


def _loaded(file, folder):
    place = Store(folder)
    report = loading.load(place, [file], None, HouseRules())
    return report, dict(place.read().sql("select step::varchar, state::varchar from step_grade").fetchall())


def test_a_filled_sheet_loads_with_no_mapping_and_is_graded(tmp_path):
    file = tmp_path / "job 77.xlsx"
    blank_sheet.write_xlsx(file, HouseRules(), FILLED)
    report, states = _loaded(file, tmp_path / "store")
    assert not report.rejected_any
    assert states == {
        "nitrogen_flow": "passed", "pressure_test": "no_record", "nitrogen_release": "passed", "evacuation": "passed",
        "vacuum_rise": "failed", "charge": "no_record", "airflow": "not_done", "charge_check": "no_record",
        "electrical": "passed",
    }  # fmt: skip


def test_what_the_sheet_says_of_a_figure_is_what_grading_says(tmp_path):
    file = tmp_path / "sheet.xlsx"
    blank_sheet.write_xlsx(file, HouseRules(), FILLED)
    frame = fastexcel.read_excel(str(file)).load_sheet("readings", header_row=blank_sheet.FIRST_LINE - 1).to_polars()
    said = {row["quantity"]: row["Check"] for row in frame.iter_rows(named=True) if row["quantity"]}
    assert said["vacuum"] == "within the limit"
    assert said["rise_time"] == "within the limit"
    assert said["rise_start"] == "judged when loaded"
    assert not any(row["Check"] for row in frame.iter_rows(named=True) if not row["quantity"])


@pytest.mark.parametrize(
    ("value", "said"), [(499, "within the limit"), (500, "within the limit"), (501, "OUTSIDE THE LIMIT")]
)
def test_the_check_turns_at_the_limit_itself(value, said):
    line = next(line for line in blank_sheet.lines(HouseRules()) if line.quantity == "vacuum")
    assert blank_sheet._checked(line, value) == said
    assert "500" in blank_sheet._check(line, 9)


def test_every_step_and_quantity_of_the_contract_is_on_it_with_its_limit():
    found = blank_sheet.lines(HouseRules())
    assert {(line.step, line.quantity) for line in found} == {
        (step, quantity) for step in STEPS for quantity in QUANTITY_UNIT[step]
    }
    by_name = {line.quantity: line for line in found}
    assert by_name["vacuum"].limit.startswith("at most 500\u00a0micron")
    assert "nitrogen only" in by_name["test_gas"].limit
    assert "kPa" in blank_sheet.suiting_units(by_name["start_pressure"])
    assert "degC" in blank_sheet.suiting_units(by_name["outdoor_dry_bulb"])
    strict = {line.quantity: line.limit for line in blank_sheet.lines(HouseRules(profile="strict"))}
    assert strict["vacuum"] != by_name["vacuum"].limit


def test_the_command_writes_both_and_refuses_another_ending(tmp_path):
    def run(name):
        return subprocess.run(
            [sys.executable, "-m", "dashboard.command_line", "sheet", "--to", tmp_path / name, "--store", tmp_path / "no"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    assert run("sheet.xlsx").returncode == 0
    done = run("sheet.pdf")
    assert done.returncode == 0, done.stderr
    pdf = (tmp_path / "sheet.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert b"/StructTreeRoot" in pdf
    wrong = run("sheet.docx")
    assert wrong.returncode == 1
    assert "Use .xlsx or .pdf" in wrong.stderr
    assert "Traceback" not in wrong.stderr
