"""pipelines/limits.py: the rows of limits.csv, the house's own, the maker's, and which of them is in force."""

import re

import pytest

from pipelines import limits
from pipelines.contract import QUANTITY_UNIT, STEPS
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules

USUAL = [limit for limit in limits.shipped() if limit.profile == "usual"]


def test_every_shipped_limit_has_a_source_that_is_described_and_a_status_that_is_explained():
    assert len(limits.shipped()) > 25
    for limit in limits.shipped():
        assert limit.source in limits.sources(), limit.limit_id
        assert limit.status in limits.status_words(), limit.limit_id
        assert limits.sources()[limit.source]["citation"]
    assert len({limit.limit_id for limit in limits.shipped()}) == len(limits.shipped())


def test_a_figure_from_memory_never_looks_like_a_citation():
    for limit in limits.shipped():
        words = limits.citation(limit) + limits.status_words()[limit.status]
        assert ("check your edition" in words) == (limit.status == "memory")
    assert not any("http" in limits.citation(limit) for limit in limits.shipped())


def test_every_step_has_a_limit_and_every_limit_a_step_and_a_bound_that_says_what_its_edge_does():
    assert {limit.step for limit in USUAL} == set(STEPS)
    assert {limit.bound for limit in limits.shipped()} == {"incl", "excl"}
    assert [limit.limit_id for limit in limits.shipped() if limit.bound == "excl"] == ["rise-end", "rise-end-strict"]


# (quantity, usual at least, usual at most, strict at least, strict at most): the table of default limits
TABLE = [
    ("flow_pressure", 0.5, 5, 1, 3),
    ("flow_rate", 2, 20, 3, 10),
    ("hold_time", 15, None, 60, None),
    ("pressure_drop_compensated", None, 2, None, 2),
    ("pressure_drop_share", None, 1, None, 1),
    ("vacuum", None, 500, None, 300),
    ("rise_time", 10, None, 10, None),
    ("rise_end", None, 1000, None, 500),
    ("charge_deviation", -5, 5, -2, 2),
    ("total_external_static", None, 0.5, None, 0.5),
    ("airflow_per_ton", 350, 450, 350, 450),
    ("fan_power_per_cfm", None, 0.58, None, 0.58),
    ("outdoor_dry_bulb", 55, None, 55, None),
    ("voltage_deviation", -10, 10, -10, 10),
    ("voltage_unbalance", None, 2, None, 2),
]


@pytest.mark.parametrize(("quantity", "low", "high", "strict_low", "strict_high"), TABLE)
def test_the_two_shipped_profiles_hold_the_default_limits(quantity, low, high, strict_low, strict_high):
    for profile, bounds in (("usual", (low, high)), ("strict", (strict_low, strict_high))):
        found = limits.in_force(quantity, {}, limits.layers(HouseRules(profile=profile)))
        assert (found.at_least, found.at_most) == bounds


def test_a_limit_asks_about_the_job():
    layered = limits.layers(HouseRules())
    least = {name: limits.in_force("start_pressure", {"refrigerant": name}, layered).at_least
             for name in ("R-410A", "R-32", "R-454B", "R-22", "R-407C", "R-134a")}  # fmt: skip
    assert least == {"R-410A": 400, "R-32": 400, "R-454B": 400, "R-22": 250, "R-407C": 250, "R-134a": 150}
    assert limits.in_force("fan_power_per_cfm", {"air_handler": "gas_furnace"}, layered).at_most == 0.45
    assert limits.in_force("airflow_per_ton", {"ducts_kept": "true"}, layered).at_least == 300
    assert limits.in_force("subcooling_deviation", {"metering": "txv"}, layered).at_most == 3
    assert limits.in_force("superheat_deviation", {"metering": "fixed_orifice"}, layered).at_least == -5
    # what a job does not record fits no condition
    assert limits.in_force("start_pressure", {}, layered).at_least is None


# --- the house's own


def own(**row):
    ours = {"profile": "ours", "step": "evacuation", "quantity": "vacuum", "at_most": "400", "unit": "micron"}
    return HouseRules(
        profile="ours", own_limits=({name: text for name, text in (ours | row).items() if text is not None},)
    )


def test_an_own_limit_replaces_the_usual_one_and_carries_its_own_source():
    table = limits.limit_table(own(source="our shop rule of 2024"))
    row = table.filter((table["quantity"] == "vacuum") & (table["profile"] == "ours")).to_dicts()[0]
    assert (row["at_most"], row["bound"], row["status"], row["citation"]) == (
        400,
        "incl",
        "house",
        "our shop rule of 2024",
    )
    usual = table.filter((table["quantity"] == "vacuum") & (table["profile"] == "usual")).to_dicts()[0]
    assert usual["is_replaced_by"] == row["limit_id"]


def test_the_own_rise_end_excludes_its_figure_as_the_usual_one_does_unless_it_says_otherwise():
    rise = {"step": "vacuum_rise", "quantity": "rise_end", "at_most": "800"}
    for more, bound in (({}, "excl"), ({"bound": "incl"}, "incl")):
        by = limits.in_force("rise_end", {}, limits.layers(own(**rise, **more))).at_most_by
        assert (by.profile, by.bound) == ("ours", bound)


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ({"quantity": "vacum"}, "quantity", "expected one of"),
        ({"quantity": "test_gas", "step": "pressure_test", "unit": ""}, "quantity", "set by the plate or has no figure"),
        ({"step": "vacuum_rise"}, "step", "expected evacuation"),
        ({"step": None}, "step", "expected evacuation"),
        ({"unit": "Pa"}, "unit", "expected micron"),
        ({"at_most": "4oo"}, "at_most", "expected a number of micron"),
        ({"at_most": "nan"}, "at_most", "expected a number of micron"),
        ({"at_most": "inf"}, "at_most", "expected a number of micron"),
        ({"at_most": None}, "at_most", "expected a number of micron"),
        ({"at_least": "100"}, "at_least", "only the other bound is judged"),
        ({"bound": "open"}, "bound", "expected incl, excl"),
        ({"status": "sure"}, "status", "expected one of"),
        ({"applies_to": "colour=red"}, "applies_to", "colour"),
        ({"applies_to": "refrigerant=R-999"}, "applies_to", "R-999"),
        ({"applies_to": "refrigerant"}, "applies_to", "attribute=value"),
        ({"profile": None}, "profile", "expected the name"),
        ({"tolerance": "5"}, "tolerance", "no such column"),
        ({"step": "pressure_test", "quantity": "hold_time", "at_most": None, "at_least": "20", "unit": "min", "bound": "excl"},
         "bound", "exactly at a limit"),
        ({"step": "charge", "quantity": "charge_deviation", "at_least": "3", "at_most": "-3", "unit": "%"}, "at_most", "at least 3"),
        ({"step": "nitrogen_flow", "quantity": "flow_pressure", "at_most": "0.2", "unit": "psig"}, "at_most", "left to the usual"),
    ],
)  # fmt: skip
def test_an_own_limit_that_cannot_be_used_is_refused_by_row_and_column(row, column, words):
    with pytest.raises(InputError) as error:
        limits.layers(own(**row))
    assert re.search(rf'row 1, column "{column}"', str(error.value))
    assert words in str(error.value)


def test_the_same_own_limit_twice_is_refused():
    rows = own().own_limits * 2
    with pytest.raises(InputError, match=r'row 2, column "quantity".*the same as row 1'):
        limits.layers(HouseRules(profile="ours", own_limits=rows))


def test_an_own_limit_may_not_take_the_name_of_a_shipped_one():
    with pytest.raises(InputError, match='"vacuum" is used twice'):
        limits.layers(own(limit_id="vacuum"))


def test_an_own_file_is_read_and_its_headings_are_checked(tmp_path):
    file = tmp_path / "ours.csv"
    file.write_text("\ufeffprofile,step,quantity,at_most,unit\nours,evacuation,vacuum,400,micron\n", encoding="utf-8")
    rules = HouseRules(profile="ours", own_limits=tuple(limits.read_own_limits(str(file))))
    assert limits.in_force("vacuum", {}, limits.layers(rules)).at_most == 400
    file.write_text("profile,quantity,at_most\nours,vacuum,400\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 1: the heading lacks step, unit"):
        limits.read_own_limits(str(file))
    with pytest.raises(InputError, match="cannot be read"):
        limits.read_own_limits(str(tmp_path / "nowhere.csv"))


# --- the maker's own


def test_a_makers_figures_become_the_unit_in_which_they_are_judged():
    (limit,) = limits.makers_limits([("M1", "airflow", "maximum_static", None, 200.0, "Pa")])
    # 1 inwc = 249.08891 Pa (NIST SP 811, conventional)
    assert (limit.unit, limit.at_most) == ("inwc", pytest.approx(200 / 249.08891, abs=1e-5))
    (limit,) = limits.makers_limits([("M1", "charge_check", "target_subcooling", 4.0, 6.0, "delta_degC")])
    assert (limit.at_least, limit.at_most, limit.unit) == (pytest.approx(7.2), pytest.approx(10.8), "delta_degF")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (("M1", "evacuation", "vacuum", None, 3.0, "psig"), "not used"),
        (("M1", "evacuation", "pump_time", 30.0, None, "min"), "this quantity is not judged"),
        (("M1", "airflow", "vacuum", None, 300.0, "micron"), "belongs to evacuation"),
        (("M1", "evacuation", "vacuum", 500.0, 300.0, "micron"), "lies above"),
        (("M1", "airflow", "airflow_per_ton", 300.0, None, "cfm"), "not used"),
    ],
)
def test_a_makers_row_that_cannot_be_used_says_why(row, words):
    (limit,) = limits.makers_limits([row])
    assert words in limit.note
    assert (limit.at_least, limit.at_most) == (None, None)


def test_every_figure_of_a_plate_is_a_quantity_of_the_contract():
    for quantity, step in {**limits.PLATE_FIGURES, **limits.MAKERS_QUANTITIES}.items():
        assert quantity in QUANTITY_UNIT[step]
