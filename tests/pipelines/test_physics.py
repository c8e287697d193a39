"""nitrogen.py, vacuum.py, air.py, electrical.py, refrigerant.py: what they refuse, and that the SQL says the same."""

import numpy as np
import pytest

from pipelines import air, electrical, nitrogen, refrigerant, units, vacuum
from tests.pipelines.grading_rows import add_job, empty_tables, grade_of


def test_arrays_keep_their_shape():
    start = np.full((3, 2), 500.0)
    assert nitrogen.expected_pressure_psig(start, 80, 60).shape == (3, 2)
    assert refrigerant.saturation_temperature_degf("R-410A", start, "dew").shape == (3, 2)
    assert np.isnan(refrigerant.saturation_temperature_degf("R-410A", [0.0, -3.0, 5000.0], "dew")).all()


@pytest.mark.parametrize(
    "call",
    [
        lambda: nitrogen.expected_pressure_psig(500, -460, 60),
        lambda: nitrogen.slowest_leak_seen_psi_per_h(2, 0),
        lambda: vacuum.water_boils_at_degf(0),
        lambda: vacuum.leak_rate_mol_per_s(2, 1, 2, 293, 0),
        lambda: vacuum.rise_of_leak_micron_per_min(1e-6, 0, 293),
        lambda: air.static_on_one_duct_system_inwc(0.5, 0, 1200),
        lambda: air.enthalpy_btu_per_lb(60, 70),
        lambda: electrical.voltage_unbalance_percent(0, 0, 0),
    ],
)
def test_what_cannot_be_is_refused(call):
    with pytest.raises(ValueError, match=r"."):
        call()


def test_an_unknown_refrigerant_has_no_table():
    with pytest.raises(KeyError):
        refrigerant.saturation_temperature_degf("R-999", 100, "dew")


def test_a_leak_and_its_rise_are_each_others_inverse():
    # 2.96570e-4 mol/s into 2 L at 293.15 K raises 25.3 kPa in 70 s: 40 CFR 1065.644 (computed)
    micron = vacuum.rise_of_leak_micron_per_min(2.96570e-4, 2, 293.15) * 70 / 60
    assert micron * vacuum.PASCAL_PER_MICRON / 1000 == pytest.approx(25.3, rel=1e-5)


def test_the_chart_has_its_own_figures_at_its_points_and_none_in_its_corner():
    chart = refrigerant.target_superheat_chart()
    assert chart.shape == (13, 14)
    # a target below 5 degF is no target: California 2008 RA3.2.2 (read)
    assert np.nanmin(chart) == 5
    for row, outdoor in enumerate(range(55, 120, 5)):
        for column, wet_bulb in enumerate(range(50, 78, 2)):
            target = refrigerant.target_superheat_delta_degf(wet_bulb, outdoor)
            assert target == (None if np.isnan(chart[row, column]) else chart[row, column])
    # a wetter coil asks for more superheat, a hotter day for less
    assert (np.diff(chart, axis=1)[~np.isnan(np.diff(chart, axis=1))] > 0).all()
    assert (np.diff(chart, axis=0)[~np.isnan(np.diff(chart, axis=0))] < 0).all()
    assert [
        refrigerant.target_superheat_delta_degf(*at) for at in ((49.9, 85), (76.1, 85), (66, 54.9), (66, 115.1))
    ] == [None] * 4
    # between a figure and a blank there is none
    assert refrigerant.target_superheat_delta_degf(57, 80) is None
    assert refrigerant.target_superheat_delta_degf(58, 77.5) == 7


def test_the_grades_work_out_the_same_figures_as_the_modules():
    lot = np.random.default_rng(5)
    con = empty_tables()
    cases = []
    for number in range(40):
        name, altitude = f"J{number}", float(lot.choice([0, 1200, 5000, 8000]))
        fluid = str(lot.choice(["R-410A", "R-32", "R-454B", "R-22", "R-407C", "R-134a"]))
        start, warm, cold = lot.uniform(410, 490), lot.uniform(40, 100), lot.uniform(40, 100)
        end = start + lot.uniform(-2, 2) + (cold - warm) * 0.8
        suction, line = lot.uniform(20, 130), lot.uniform(20, 80)
        test = {
            "start_pressure": start,
            "end_pressure": end,
            "start_temperature": warm,
            "end_temperature": cold,
            "hold_time": 15,
        }
        check = {
            "suction_pressure": suction,
            "suction_temperature": line,
            "target_superheat": 10,
            "outdoor_dry_bulb": 80,
        }
        system = {"refrigerant": fluid, "metering": "fixed_orifice"}
        add_job(
            con,
            name,
            "pressure_test",
            test,
            others={"charge_check": check},
            system=system,
            site={"altitude_ft": altitude},
        )
        cases.append((name, altitude, fluid, start, end, warm, cold, suction, line))
    grade_of(con, "pressure_test", job_id="J0")
    found = {
        (job_id, step): (reason, measured)
        for job_id, step, reason, measured in con.execute(
            "select job_id, step, reason, measured from step_grade"
        ).fetchall()
    }
    compared = 0
    for name, altitude, fluid, start, end, warm, cold, suction, line in cases:
        atmosphere = units.atmosphere_psia(altitude)
        reason, measured = found[name, "pressure_test"]
        if reason in ("leak", "climbed", "held_tight"):
            compared += 1
            drop = float(nitrogen.compensated_drop_psi(start, end, warm, cold, atmosphere))
            assert measured == pytest.approx(drop, abs=2e-6)
        reached = float(refrigerant.superheat_delta_degf(fluid, suction, line, atmosphere))
        assert found[name, "charge_check"][1] == pytest.approx(reached - 10, abs=2e-5)
    assert compared > 20
