"""What the Job folder and the Owner's page say of the machine, on a few jobs that were really loaded and graded."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import machine_section
from pipelines.entries import Entries
from pipelines.store import FOLDER_VARIABLE, Store
from tests.dashboard.screen import as_read, open_page, words_on
from tests.pipelines.loaded_files import Fleet

SYSTEMS = """system_id,equipment,refrigerant,nominal_tons,metering,model
S1,split_heat_pump,R-410A,3,fixed_orifice,B-36
S2,split_ac,R-410A,3,txv,
S3,split_ac,R-410A,3,txv,
"""
JOBS = """job_id,system_id,job_kind,joints,finished_on
J1,S1,changeout,brazed,2024-07-03
J2,S2,changeout,brazed,2024-07-04
J3,S3,changeout,brazed,2024-07-05
"""
READINGS = """job_id,step,quantity,value,unit
J1,airflow,return_static,-0.2,inwc
J1,airflow,supply_static,0.2,inwc
J1,airflow,blower_setting,medium,
J1,airflow,airflow,900,cfm
J1,charge,charge_weight,6,lb
J1,charge,factory_charge,7.5,lb
J1,charge,line_set_adder,0,lb
J1,charge_check,return_dry_bulb,80,degF
J1,charge_check,return_wet_bulb,67,degF
J1,charge_check,supply_dry_bulb,58,degF
J1,charge_check,supply_wet_bulb,56,degF
J1,charge_check,outdoor_dry_bulb,95,degF
J1,charge_check,standing_pressure,330,psig
J2,airflow,return_static,-0.4,inwc
J2,airflow,supply_static,0.4,inwc
J2,airflow,airflow,1000,cfm
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    fleet = Fleet(tmp_path_factory.mktemp("machine"))
    fleet.write("systems.csv", SYSTEMS)
    fleet.write("jobs.csv", JOBS)
    fleet.write("readings.csv", READINGS)
    points = [f"B-36,medium,{static},{1000 - 400 * static:.0f},300" for static in (0.1, 0.3, 0.5, 0.7)]
    fleet.write("blower_table.csv", "model,setting,total_static_inwc,airflow_cfm,fan_power_w\n" + "\n".join(points))
    fleet.rules = fleet.rules.model_copy(
        update={"cooling_hours": 1000.0, "electricity_price": 0.2, "nominal_power_w_per_ton": 1000.0}
    )
    fleet.load()
    return fleet.store


def test_the_job_folder_says_what_the_readings_tell_of_the_machine(store, monkeypatch):
    said = words_on(open_page(monkeypatch, store, "job_folder", job="J1"))
    assert "What the readings say of the machine" in said
    assert "By the blower's table: **840 cfm**" in said
    assert "agrees with the measured 900 cfm" in said
    assert "Pressure at rest** &nbsp; a gas that does not condense" in said
    assert "The charge is 20 % below what it should be" in said
    assert "at the rating point, for the same heating" in said
    # 3 kW x 1,000 h x 0.20: the share of 600 that is more; no hours of heating are known, so none of it
    assert "a year (" in as_read(said)
    assert "for cooling, at the house's hours and price" in said


def test_restrictions_stand_with_their_caution_and_what_they_are(store, monkeypatch):
    said = words_on(open_page(monkeypatch, store, "job_folder", job="J1"))
    assert "Computed, not measured" in said
    assert "Closing registers raises the pressure" in said
    assert "each figure has its two ends" not in said  # the blower's own table was used
    said = words_on(open_page(monkeypatch, store, "job_folder", job="J2"))
    assert "each figure has its two ends" in said
    assert "By the fan laws" in said


def test_a_job_without_such_readings_has_no_such_section(store, monkeypatch):
    said = words_on(open_page(monkeypatch, store, "job_folder", job="J3"))
    assert "What the readings say of the machine" not in said


def test_the_owner_reads_how_many_jobs_and_whose_money(store, monkeypatch):
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))

    def lines() -> None:
        from dashboard import machine_section

        machine_section.owner_lines()

    app = AppTest.from_function(lines).run(timeout=60)
    said = " ".join(as_read(element.value) for element in app.markdown)
    # J1 (charge, airflow, gas) and J2 (333 cfm a ton)
    assert "On 2 of 3 jobs of the last 12 months" in said
    assert "the customers' money ($" in said


def test_the_claim_on_the_page_is_what_the_curves_say():
    # HOW_ENERGY writes these figures out; tests/pipelines/test_machine.py works them out
    for words in (
        "charge 30 % low takes 21 % more (12 to 22)",
        "(30 %)",
        "(about 35 %)",
        "takes 31 %",
        "takes 29 %",
        "half 40 %",
    ):
        assert words in machine_section.HOW_ENERGY.replace("\n", " ")


def test_the_houses_hours_and_price_are_kept_and_taken_away_again(store, monkeypatch, tmp_path: Path):
    shutil.copytree(store.folder, tmp_path / "own")
    own = Store(tmp_path / "own")
    app = open_page(monkeypatch, own, "house_rules")
    app.number_input(key="set_cooling_hours").set_value(1200.0)
    app.number_input(key="set_electricity_price").set_value(0.25)
    next(button for button in app.button if button.key and "save_energy" in button.key).click()
    app.run()
    rules = Entries(own.entries_file).house_rules()
    assert (rules.cooling_hours, rules.electricity_price, rules.heating_hours) == (1200, 0.25, None)
