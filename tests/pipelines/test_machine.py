"""What the readings tell of the machine: airflow, capacity, pressure at rest, and what faults cost in energy."""

import math

import duckdb
import numpy as np
import psychrolib
import pytest

from pipelines import duct_curve, fault_curves, refrigerant, staging, units
from pipelines.grades import _sql, grade
from pipelines.house_rules import HouseRules
from tests.pipelines.grading_rows import add_job, empty_tables, insert

RATED_AIR = {
    "return_dry_bulb": 80, "return_wet_bulb": 67, "supply_dry_bulb": 58, "supply_wet_bulb": 56, "outdoor_dry_bulb": 95,
}  # fmt: skip


def blower(con, name, settings=(("low", 1000), ("medium", 1200), ("high", 1400))):
    """A table that falls by 100 cfm for each 0.1 inwc, from 0.1 to 0.7."""
    insert(
        con,
        "staged_blower_table",
        [
            {
                "model": f"M-{name}",
                "setting": setting,
                "total_static_inwc": inwc,
                "airflow_cfm": flow - 1000 * (inwc - 0.1),
            }
            for setting, flow in settings
            for inwc in (0.1, 0.3, 0.5, 0.7)
        ],
    )


def rows(con, table, job_id="J1"):
    found = con.execute(f"select * from {table} where job_id = ?", [job_id])
    names = [column[0] for column in found.description]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def told(con, method, job_id="J1"):
    (row,) = [row for row in rows(con, "airflow_told", job_id) if row["method"] == method]
    return row


def why(con, step, job_id="J1"):
    return con.execute("select why from step_grade where job_id = ? and step = ?", [job_id, step]).fetchall()[0][0]


# --- airflow


def test_the_table_is_read_between_its_points_with_its_error():
    con = empty_tables()
    add_job(con, "J1", "airflow", {"return_static": -0.2, "supply_static": 0.2, "blower_setting": " Medium "})
    blower(con, "J1")
    grade(con, HouseRules())
    row = told(con, "fan_table")
    # by hand: 1,200 at 0.1 inwc less 1,000 cfm for each inwc; 10 % of 900 and 0.02 inwc x 1,000 cfm/inwc, squared and added
    assert row["airflow_cfm"] == 900
    assert (row["low"], row["high"]) == (round(900 - math.hypot(90, 20)), round(900 + math.hypot(90, 20)))
    assert "the blower's table tells one for this static" in why(con, "airflow")
    # 900 cfm for 3 tons lies below 350 cfm a ton, whatever the static says
    assert "By the blower's table the airflow lies outside" in why(con, "airflow")


def test_thin_air_works_against_less_static_on_the_table():
    con = empty_tables()
    air = {"return_static": -0.2, "supply_static": 0.2, "blower_setting": "medium"}
    add_job(con, "J1", "airflow", air, site={"altitude_ft": 5000})
    blower(con, "J1")
    grade(con, HouseRules())
    # fan laws: 0.4 inwc of air that weighs 0.832 of standard air is 0.481 inwc of standard air
    inwc = 0.4 / (units.atmosphere_psia(5000) / units.atmosphere_psia(0))
    assert told(con, "fan_table")["airflow_cfm"] == pytest.approx(1200 - 1000 * (inwc - 0.1), abs=0.5)


def test_a_setting_between_two_numbers_lies_between_them():
    con = empty_tables()
    add_job(con, "J1", "airflow", {"return_static": -0.15, "supply_static": 0.15, "blower_setting": "2.5"})
    blower(con, "J1", (("1", 900), ("2", 1000), ("4", 1400)))
    grade(con, HouseRules())
    # a quarter of the way from 800 (setting 2 at 0.3 inwc) to 1,200 (setting 4)
    assert told(con, "fan_table")["airflow_cfm"] == 900


def test_without_a_known_setting_the_range_spans_all_settings():
    con = empty_tables()
    for name, setting in (("J1", {}), ("J2", {"blower_setting": "turbo"})):
        add_job(con, name, "airflow", {"return_static": -0.15, "supply_static": 0.15} | setting)
        blower(con, name)
    grade(con, HouseRules())
    for name in ("J1", "J2"):
        row = told(con, "fan_table", name)
        assert (row["low"], row["airflow_cfm"], row["high"]) == (720, 1000, 1320)
        assert "spans all settings" in row["why"]


def test_beyond_the_table_only_a_bound_is_told():
    con = empty_tables()
    add_job(con, "J1", "airflow", {"return_static": -0.5, "supply_static": 0.4, "blower_setting": "medium"})
    add_job(con, "J2", "airflow", {"return_static": -0.02, "supply_static": 0.03, "blower_setting": "medium"})
    blower(con, "J1")
    blower(con, "J2")
    grade(con, HouseRules())
    above, below = told(con, "fan_table"), told(con, "fan_table", "J2")
    assert (above["airflow_cfm"], above["low"], above["high"]) == (None, None, 660)
    assert (below["airflow_cfm"], below["low"], below["high"]) == (None, 1080, None)


def test_a_table_and_a_measured_airflow_are_held_together():
    con = empty_tables()
    cases = {
        "J1": (900, "the blower's table agrees"),
        "J2": (1080, "table agrees"),
        "J3": (1200, "disagree by more than"),
    }
    for name, (measured, _) in cases.items():
        air = {"return_static": -0.2, "supply_static": 0.2, "blower_setting": "medium", "airflow": measured}
        add_job(con, name, "airflow", air)
        blower(con, name)
    grade(con, HouseRules())
    # 900 by the table +- 92; 1,080 +- 162 lies 180 off, within 186 of both errors; 1,200 +- 180 lies 300 off, beyond 202
    for name, (measured, words) in cases.items():
        assert words in why(con, "airflow", name)
        assert ("disagrees" in told(con, "fan_table", name)["why"]) == (measured == 1200)
        assert told(con, "measured", name)["low"] == pytest.approx(0.85 * measured)


def test_statics_of_both_signs_and_half_a_static_read_no_table():
    con = empty_tables()
    mixed = [("return_static", -0.2), ("return_static", 0.2), ("supply_static", 0.2), ("blower_setting", "medium")]
    add_job(con, "J1", "airflow", mixed)
    add_job(con, "J2", "airflow", {"supply_static": 0.2, "blower_setting": "medium"})
    blower(con, "J1")
    blower(con, "J2")
    grade(con, HouseRules())
    assert con.execute("select count(*) from airflow_told").fetchall() == [(0,)]


def test_without_a_table_the_fan_laws_tell_a_share():
    con = empty_tables()
    add_job(con, "J1", "airflow", {"return_static": -0.4, "supply_static": 0.4, "airflow": 1000})
    add_job(con, "J2", "airflow", {"return_static": -0.4, "supply_static": 0.4})
    grade(con, HouseRules())
    row = told(con, "fan_laws")
    # the square root of 0.5 / 0.8, and its power 1 / 1.67
    assert row["high"] == round(1000 * math.sqrt(0.5 / 0.8))
    assert row["low"] == round(1000 * (0.5 / 0.8) ** (1 / 1.67))
    assert told(con, "fan_laws", "J2")["airflow_cfm"] is None
    assert "75 to 79 %" in told(con, "fan_laws", "J2")["why"]


def test_a_temperature_split_tells_a_rough_airflow_wet_or_dry():
    con = empty_tables()
    dry = {name: value for name, value in RATED_AIR.items() if "wet" not in name}
    add_job(con, "J1", "airflow", others={"charge_check": RATED_AIR})
    add_job(con, "J2", "airflow", others={"charge_check": dry})
    grade(con, HouseRules())
    wet_row, dry_row = told(con, "temperature_split"), told(con, "temperature_split", "J2")
    # 95 % of 36,000 Btu/h over 31.4472 - 23.7884 Btu/lb (psychrolib), at 13.84 ft3/lb (ASHRAE chart no. 1)
    assert wet_row["airflow_cfm"] == pytest.approx(0.95 * 36000 / 7.6588 * 13.84 / 60, rel=0.002)
    assert dry_row["low"] < wet_row["airflow_cfm"] < dry_row["high"]
    assert dry_row["high"] - dry_row["low"] > wet_row["high"] - wet_row["low"]
    # it takes the capacity as known, so it never judges it
    assert rows(con, "capacity_check") == []


# --- moist air and capacity


def test_the_states_of_moist_air_in_the_sql_are_those_of_the_library():
    psychrolib.SetUnitSystem(psychrolib.IP)
    con = duckdb.connect()
    con.execute(_sql(202))
    lot = np.random.default_rng(3)
    for _ in range(40):
        dry, psia = lot.uniform(45, 100), lot.uniform(10, 14.7)
        wet = lot.uniform(max(33, dry - 30), dry)
        ratio = psychrolib.GetHumRatioFromTWetBulb(dry, wet, psia)
        ours = con.execute(
            "select humidity($dry, $wet, $psia) as w, enthalpy($dry, w), air_volume($dry, w, $psia)",
            {"dry": dry, "wet": wet, "psia": psia},
        ).fetchall()[0]
        library = (
            ratio, psychrolib.GetMoistAirEnthalpy(dry, ratio), psychrolib.GetMoistAirVolume(dry, ratio, psia),
        )  # fmt: skip
        assert ours == pytest.approx(library, rel=2e-4, abs=2e-7)


def test_capacity_counts_the_weight_of_the_air():
    con = empty_tables()
    for name, altitude in (("J1", 0), ("J2", 5000)):
        add_job(
            con, name, "airflow", {"airflow": 1200}, others={"charge_check": RATED_AIR}, site={"altitude_ft": altitude}
        )
    grade(con, HouseRules())
    (sea,), (high,) = rows(con, "capacity_check"), rows(con, "capacity_check", "J2")
    # 60 x 1,200 / 13.84 ft3/lb x 7.6588 Btu/lb; at standard air (4.5) it would be 41,358
    assert sea["total_btu_h"] == pytest.approx(72000 / 13.84 * 7.6588, rel=0.001)
    assert sea["sensible_btu_h"] == pytest.approx(72000 / 13.84 * 0.2440 * 22, rel=0.003)
    assert sea["low"] < sea["total_btu_h"] < sea["high"]
    assert sea["share_of_nominal"] == pytest.approx(sea["total_btu_h"] / 36000, rel=1e-4)
    assert "not the rating conditions" not in sea["why"]
    # the same volume weighs less up there: the standard atmosphere's 0.832, against wet bulbs that hold more water
    assert high["sensible_btu_h"] / sea["sensible_btu_h"] == pytest.approx(0.832, abs=0.004)


def test_other_conditions_than_the_ratings_are_said_with_what_a_sound_machine_gives_there():
    con = empty_tables()
    mild = RATED_AIR | {"return_wet_bulb": 63, "supply_wet_bulb": 54, "outdoor_dry_bulb": 80}
    no_outdoor = {name: value for name, value in RATED_AIR.items() if name != "outdoor_dry_bulb"}
    add_job(con, "J1", "airflow", {"airflow": 1200}, others={"charge_check": mild})
    add_job(con, "J2", "airflow", {"airflow": 1200}, others={"charge_check": no_outdoor})
    add_job(con, "J3", "airflow", {"airflow": 1200}, others={"charge_check": RATED_AIR | {"supply_wet_bulb": 59}})
    half = {name: value for name, value in RATED_AIR.items() if name != "supply_wet_bulb"}
    add_job(con, "J4", "airflow", {"airflow": 1200}, others={"charge_check": half})
    grade(con, HouseRules())
    (row,) = rows(con, "capacity_check")
    assert row["expected_btu_h"] == pytest.approx(36000 * fault_curves.capacity_at(63, 80))
    assert "not the rating conditions" in row["why"]
    (row,) = rows(con, "capacity_check", "J2")
    assert row["expected_btu_h"] is None
    assert "the outdoor temperature is not recorded" in row["why"]
    # a wet bulb above its dry bulb, or missing, gives no capacity
    assert rows(con, "capacity_check", "J3") == rows(con, "capacity_check", "J4") == []


# --- pressure at rest


def test_what_stands_above_the_bubble_pressure_is_another_gas():
    # with a glide, the mixture alone may lie anywhere from dew (30 psi lower on R-407C) to bubble
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    con = empty_tables()
    cases = [
        ("R-410A", 15, "non_condensables"), ("R-410A", 4, "none_seen"), ("R-410A", -20, "below_saturation"),
        ("R-407C", 15, "non_condensables"), ("R-407C", -15, "none_seen"), ("R-407C", -45, "below_saturation"),
    ]  # fmt: skip
    bubbles = {
        fluid: coolprop.PropsSI("P", "T", (80 + 459.67) / 1.8, "Q", 0, fluid.replace("-", "")) / 6894.757293168361
        - 14.696
        for fluid in ("R-410A", "R-407C")
    }
    for number, (fluid, excess, _) in enumerate(cases):
        check = {"standing_pressure": bubbles[fluid] + excess, "outdoor_dry_bulb": 80}
        add_job(con, f"J{number}", "charge_check", check, system={"refrigerant": fluid})
    grade(con, HouseRules())
    for number, (fluid, excess, verdict) in enumerate(cases):
        (row,) = rows(con, "standing_check", f"J{number}")
        assert row["saturation_psig"] == pytest.approx(bubbles[fluid], abs=0.05)
        assert row["excess_psi"] == pytest.approx(excess, abs=0.05)
        assert row["verdict"] == verdict
    # a pressure at rest is no charge check
    reasons = con.execute("select distinct reason from step_grade where step = 'charge_check'").fetchall()
    assert reasons == [("ticked_only",)]


def test_a_pressure_at_rest_needs_refrigerant_and_temperature():
    con = empty_tables()
    add_job(con, "J1", "charge_check", {"standing_pressure": 200})
    add_job(con, "J2", "charge_check", {"standing_pressure": 200, "outdoor_dry_bulb": 80}, system={"refrigerant": None})
    grade(con, HouseRules())
    for name, words in (("J1", "outdoor temperature is not recorded"), ("J2", "refrigerant is not recorded")):
        (row,) = rows(con, "standing_check", name)
        assert row["verdict"] == "cannot_tell"
        assert words in row["why"]


# --- weigh-in


def test_a_blank_adder_is_worked_out_from_the_line_where_the_maker_says_it():
    con = empty_tables()
    maker = [
        {"step": "charge", "quantity": "line_set_adder_per_ft", "at_most": 0.6, "unit": "oz"},
        {"step": "charge", "quantity": "line_set_included_ft", "at_most": 15, "unit": "ft"},
    ]
    weights = {"charge_weight": 8.4375, "factory_charge": 7.5}
    add_job(con, "J1", "charge", weights, job={"line_set_ft": 40}, maker=maker)
    add_job(con, "J2", "charge", weights, maker=maker)
    add_job(con, "J3", "charge", weights | {"line_set_adder": 0.2}, job={"line_set_ft": 40}, maker=maker)
    grade(con, HouseRules())
    states = dict(con.execute("select job_id, reason from step_grade where step = 'charge'").fetchall())
    # 7.5 lb and 0.6 oz for each of 25 ft: 8.4375 lb
    assert states == {"J1": "charge_inside", "J2": "charge_nothing_to_hold_against", "J3": "charge_outside"}
    assert "worked out from its length" in why(con, "charge")
    assert "worked out" not in why(con, "charge", "J3")


# --- energy


def energy(con, fault, mode="cooling", job_id="J1"):
    found = [row for row in rows(con, "energy_penalty", job_id) if (row["fault"], row["mode"]) == (fault, mode)]
    return found[0] if found else None


def test_a_charge_30_percent_under_takes_21_percent_more():
    con = empty_tables()
    add_job(con, "J1", "charge", {"charge_weight": 5.25, "factory_charge": 7.5, "line_set_adder": 0})
    grade(con, HouseRules())
    row = energy(con, "undercharge")
    # NIST TN 1848: efficiency 0.829 of nominal
    assert 100 / (100 + row["percent"]) == pytest.approx(0.829, abs=0.0006)
    assert row["capacity_percent"] == pytest.approx(-20.2, abs=0.1)
    assert row["low"] < row["percent"] < row["high"]
    assert (row["basis"], row["is_total"], row["cost_per_year"]) == ("rating_point", True, None)
    assert energy(con, "undercharge", "heating") is None  # no heat pump


def test_a_corrected_charge_and_one_inside_its_limit_cost_nothing():
    con = empty_tables()
    passed = {"liquid_pressure": 317, "liquid_temperature": 90, "target_subcooling": 9.66, "outdoor_dry_bulb": 80}
    under = {"charge_weight": 6, "factory_charge": 7.5, "line_set_adder": 0}
    add_job(con, "J1", "charge", under, others={"charge_check": passed})
    add_job(con, "J2", "charge", under | {"charge_weight": 7.3})
    grade(con, HouseRules())
    assert con.execute("select count(*) from energy_penalty").fetchall() == [(0,)]


def test_beyond_what_was_measured_the_last_level_stands_and_says_so():
    con = empty_tables()
    add_job(con, "J1", "charge", {"charge_weight": 3, "factory_charge": 7.5, "line_set_adder": 0})
    grade(con, HouseRules())
    row = energy(con, "undercharge")
    assert row["percent"] == pytest.approx(100 * (fault_curves.charge_effect(-0.3, "cooling").energy - 1))
    assert "it may be more" in row["why"]


def faulty_heat_pump(con, rules):
    add_job(
        con, "J1", "airflow", {"airflow": 0.75 * 394.2 * 3}, system={"equipment": "split_heat_pump"},
        others={"charge": {"charge_weight": 6, "factory_charge": 7.5, "line_set_adder": 0}, "electrical": {"input_power": 3000}},
    )  # fmt: skip
    grade(con, rules)


def test_faults_together_are_combined_and_only_one_row_of_a_mode_holds_all():
    con = empty_tables()
    faulty_heat_pump(con, HouseRules())
    for mode in ("cooling", "heating"):
        row = energy(con, "together", mode)
        assert row["percent"] == pytest.approx(100 * (fault_curves.charge_and_airflow_energy(-0.2, 0.75, mode) - 1))
        assert [r["fault"] for r in rows(con, "energy_penalty") if r["mode"] == mode and r["is_total"]] == ["together"]
        assert row["low"] <= row["percent"] <= row["high"]
    assert energy(con, "low_airflow")["percent"] == pytest.approx(3.66, abs=0.05)


def test_money_needs_hours_price_and_power():
    con = empty_tables()
    faulty_heat_pump(con, HouseRules(cooling_hours=1000, electricity_price=0.20))
    row = energy(con, "together")
    # 3 kW x 1,000 h x 0.20 of which the share is more
    assert row["cost_per_year"] == pytest.approx(600 * row["percent"] / 100)
    assert row["cost_low"] == pytest.approx(600 * row["low"] / 100)
    assert energy(con, "together", "heating")["cost_per_year"] is None  # no hours of heating are known


def test_gas_that_does_not_condense_costs_by_its_pressure():
    con = empty_tables()
    add_job(con, "J1", "charge_check", {"standing_pressure": 236.5 + 14.7, "outdoor_dry_bulb": 80})
    grade(con, HouseRules())
    row = energy(con, "non_condensables")
    # one atmosphere of gas in 40 to 100 % of the circuit: about 0.7 of what it holds at one atmosphere
    assert row["percent"] == pytest.approx(100 * (fault_curves.gas_effect(0.7).energy - 1), abs=0.1)
    assert 0 <= row["low"] < row["percent"] < row["high"] < 11


def test_which_faults_reach_the_trades_30_to_40_percent():
    # the trade's common claim against the published curves; see DEVELOPERS.md, "What faults cost in energy"
    def percent(*ratios):
        return 100 * (math.prod(ratios) - 1)

    gas = fault_curves.gas_effect(0.4).energy
    together = fault_curves.charge_and_airflow_energy(-0.3, 0.6, "cooling")
    single = {
        "charge 30 % under": percent(fault_curves.charge_effect(-0.3, "cooling").high),
        "charge 30 % over": percent(fault_curves.charge_effect(0.3, "cooling").high),
        "half the airflow": percent(fault_curves.airflow_effect(0.5, "cooling").high),
        "gas": percent(fault_curves.gas_effect(0.8).high),
    }
    assert max(single.values()) < 23  # none alone, in cooling
    assert percent(together) == pytest.approx(30, abs=0.3)
    assert percent(together, gas) == pytest.approx(35, abs=0.3)
    assert percent(fault_curves.charge_effect(-0.3, "heating").energy) == pytest.approx(30.9, abs=0.1)
    assert percent(fault_curves.airflow_effect(0.6, "heating").energy) == pytest.approx(29.2, abs=0.1)
    assert percent(fault_curves.airflow_effect(0.5, "heating").energy) == pytest.approx(40.3, abs=0.1)
    # what most jobs of a fleet show: one fault, moderate
    assert percent(fault_curves.charge_and_airflow_energy(-0.1, 0.9, "cooling")) < 6


# --- a restriction of the ducts


def test_without_a_table_a_restriction_has_the_two_ends_of_the_fan_laws():
    found = duct_curve.outcome(duct_curve.Restriction("r", 0.44), 0.5, 1.0)
    # a blower that keeps its pressure loses 1 / sqrt(1.44) of its air; one that keeps its air meets 1.44 times the static
    assert (found.airflow_share.low, found.airflow_share.high) == pytest.approx((1 / 1.2, 1))
    assert (found.static_inwc.low, found.static_inwc.high) == pytest.approx((0.5, 0.72))
    assert (found.air_power_share.low, found.air_power_share.high) == pytest.approx((1 / 1.2, 1.44))
    assert not found.is_by_table


def test_a_table_gives_one_answer_between_the_two_ends_where_it_meets_the_ducts():
    points = [(0.1, 1200.0), (0.3, 1100.0), (0.5, 1000.0), (0.7, 880.0)]
    for restriction in duct_curve.restrictions():
        ends = duct_curve.outcome(restriction, 0.4, 0.9)
        found = duct_curve.outcome(restriction, 0.4, 0.9, points)
        assert found.is_by_table
        assert ends.airflow_share.low < found.airflow_share.low == found.airflow_share.high < 1
        flow = 1050 * found.airflow_share.low
        assert found.static_inwc.low == pytest.approx(np.interp(-flow, [-f for _, f in points], [s for s, _ in points]))
    # ducts too tight for the table: back to the two ends
    assert not duct_curve.outcome(duct_curve.Restriction("r", 9.0), 0.4, 0.9, points).is_by_table


def test_less_air_means_less_capacity_current_and_superheat_and_more_energy():
    found = duct_curve.outcome(duct_curve.Restriction("r", 0.78), 0.5, 1.0)
    # three quarters of the air: capacity 0.955, power 0.990, energy 3.7 % more (the published curve)
    assert found.airflow_share.low == pytest.approx(0.75, abs=0.001)
    assert found.capacity_share.low == pytest.approx(0.955, abs=0.001)
    assert found.current_share.low == pytest.approx(0.990, abs=0.001)
    assert found.energy_percent.high == pytest.approx(3.66, abs=0.05)
    # a capacity of 0.964 is that at a wet bulb of 64.6 degF, where the chart has 7.3 and not 12 degF of superheat
    less = duct_curve.outcome(duct_curve.Restriction("r", 0.6), 0.5, 1.0)
    assert less.superheat_delta_degf.low == pytest.approx(7.3 - 12, abs=0.4)
    assert found.superheat_delta_degf is None  # below what the chart goes down to
    assert duct_curve.outcome(duct_curve.Restriction("r", 4.0), 0.5, 1.0).is_edge


@pytest.mark.parametrize("static_and_share", [(0, 1), (0.5, 0), (-0.1, 1)])
def test_ducts_without_static_or_air_are_refused(static_and_share):
    with pytest.raises(ValueError, match="above zero"):
        duct_curve.outcome(duct_curve.restrictions()[0], *static_and_share)


# --- codes that a store did not know


def test_a_store_made_before_a_reading_was_known_learns_it_and_keeps_its_rows(monkeypatch):
    known = staging._ENUMS["quantity_code"]
    monkeypatch.setitem(staging._ENUMS, "quantity_code", tuple(code for code in known if code != "standing_pressure"))
    con = empty_tables()
    add_job(con, "J1", "airflow", {"airflow": 1100})
    with pytest.raises(duckdb.ConversionException):
        con.execute("insert into staged_reading (job_id, quantity) values ('J1', 'standing_pressure')")
    monkeypatch.undo()
    staging.add_new_codes(con)
    con.execute("insert into staged_reading (job_id, step, quantity, value, reading_order) "
                "values ('J1', 'charge_check', 'standing_pressure', 200, 9)")  # fmt: skip
    assert con.execute("select quantity::varchar, value from staged_reading order by value").fetchall() == [
        ("standing_pressure", 200.0), ("airflow", 1100.0),
    ]  # fmt: skip


def test_the_chart_of_superheat_reaches_where_the_restrictions_lead():
    assert refrigerant.target_superheat_delta_degf(67, 95) == 12


# --- electrical


def test_unbalanced_voltages_say_what_a_motor_may_carry():
    con = empty_tables()
    for name, voltages in (("J1", (460, 467, 445)), ("J2", (480, 430, 480)), ("J3", (460, 467, 453))):
        add_job(con, name, "electrical", dict(zip(("voltage_ab", "voltage_bc", "voltage_ca"), voltages, strict=True)))
    grade(con, HouseRules())
    states = dict(con.execute("select job_id, reason from step_grade where step = 'electrical'").fetchall())
    # NEMA MG 1: 2.70 %, 7.2 % and 1.52 % (a voltage alone proves nothing)
    assert states == {"J1": "unbalance_outside", "J2": "unbalance_far_outside", "J3": "ticked_only"}
    # between 0.93 at 2.5 % and 0.89 at 3 %
    assert "A motor may carry 91.43 % of its rating" in why(con, "electrical")
    assert "no motor should run" in why(con, "electrical", "J2")


# --- sources


def test_no_figure_of_physics_without_its_source():
    for name in ("physics.csv", "fault_curves.csv", "voltage_unbalance_derating.csv"):
        for row in fault_curves._rows(name):
            assert row["source"], row
            assert row["status"] in ("read", "computed", "common practice", "memory"), row
    for curve in fault_curves.curves().values():
        assert curve.level_from < curve.level_to


def test_every_curve_begins_where_nothing_is_wrong():
    for mode in ("cooling", "heating"):
        assert fault_curves.charge_effect(0.0, mode).energy == 1
        assert fault_curves.airflow_effect(1.0, mode).energy == pytest.approx(1, abs=1e-6)
        assert fault_curves.charge_and_airflow_energy(0.0, 1.0, mode) == pytest.approx(1, abs=1e-6)
    assert fault_curves.gas_effect(0.0).energy == 1
    assert fault_curves.capacity_at(67, 95) == 1
