"""Units: exact factors, gauge and absolute apart, a temperature and a difference apart."""

from __future__ import annotations

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import units
from pipelines.contract import QUANTITY_UNIT, UNIT_CODES

FIGURE = st.floats(min_value=-1e6, max_value=1e6, allow_nan=False)


def suiting() -> list[tuple[str, str, str]]:
    """(written, staged, kind) of every pair that can be converted without an altitude."""
    found = []
    for about in units.all_quantities().values():
        for written in UNIT_CODES if about.unit else ():
            if units.suits(written, about.unit, about.kind):
                found.append((written, about.unit, about.kind))
    return sorted(set(found))


@pytest.mark.parametrize(
    ("written", "staged", "kind", "value", "expected"),
    [
        # 1 micron = 1 mTorr = 0.133322 Pa; 1 psi = 51,714.9 micron (from the SI definitions of the torr and the psi)
        ("Pa", "micron", "pressure absolute", 0.133322, 1.0),
        ("mTorr", "micron", "pressure absolute", 500, 500),
        ("Torr", "micron", "pressure absolute", 0.5, 500),
        ("psia", "micron", "pressure absolute", 1, 51714.9),
        ("kPag", "psig", "pressure gauge", 9.65, 1.3996),  # 6.894757 kPa = 1 psi (NIST SP 811)
        ("barg", "psig", "pressure gauge", 29.372, 426.005),  # 14.503774 psi = 1 bar (NIST SP 811)
        ("Pa", "inwc", "pressure", 124.544, 0.5),  # 249.0889 Pa = 1 inch of water, conventional (NIST SP 811)
        ("degC", "degF", "temperature", 100, 212),
        ("K", "degF", "temperature", 273.15, 32),
        ("K", "delta_degF", "temperature difference", 5, 9),
        ("delta_degC", "delta_degF", "temperature difference", 10, 18),
        ("L/min", "scfh", "flow", 5, 10.5944),  # 28.316847 L = 1 cubic foot, exact
        ("m3/h", "cfm", "flow", 1.699011, 1.0),
        ("L/s", "cfm", "flow", 0.4719474, 1.0),  # NIST SP 811
        ("oz", "lb", "mass", 16, 1),
        ("kg", "lb", "mass", 0.45359237, 1),
        ("g", "lb", "mass", 453.59237, 1),
        ("h", "min", "time", 1.5, 90),
        ("m", "ft", "length", 0.3048, 1),
        ("kW", "W", "power", 1.2, 1200),
        ("Btu/h", "ton", "capacity", 36000, 3),  # 1 ton = 12,000 Btu/h (contract)
    ],
)
def test_conversions_against_published_factors(written, staged, kind, value, expected):
    assert units.conversion(written, staged, kind).apply(value) == pytest.approx(expected, rel=2e-5)


def test_factors_agree_with_a_general_units_library_where_it_knows_the_unit():
    names = {
        "Torr": "torr", "mTorr": "millitorr", "Pa": "pascal", "kPa": "kilopascal", "mbar": "millibar", "hPa": "hectopascal",
        "bar": "bar", "psia": "psi", "kg": "kilogram", "g": "gram", "lb": "pound", "oz": "ounce", "ft": "foot", "m": "meter",
        "s": "second", "min": "minute", "h": "hour", "L/s": "liter/second", "m3/h": "meter**3/hour", "L/min": "liter/minute",
        "cfm": "foot**3/minute", "scfh": "foot**3/hour",
    }  # fmt: skip
    registry = pint.UnitRegistry()
    for name, other in names.items():
        assert float(units.all_units()[name].factor) == pytest.approx(
            registry.Quantity(1, other).to_base_units().magnitude, rel=1e-6
        ), name
    for name, other in {"inHg": "inch_Hg", "inwc": "inH2O"}.items():
        # conventional columns of mercury and water differ from those at a temperature by less than this
        assert float(units.all_units()[name].factor) == pytest.approx(
            registry.Quantity(1, other).to("pascal").magnitude, rel=1e-4
        ), name


@given(st.sampled_from(suiting()), FIGURE)
def test_there_and_back_is_the_same_figure(pair, value):
    written, staged, kind = pair
    there = units.conversion(written, staged, kind)
    if there.less_atmosphere:
        return
    back = (there.apply(value) - there.shift) / there.factor
    assert back == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(st.sampled_from(suiting()), FIGURE, FIGURE)
def test_a_greater_figure_stays_greater(pair, one, other):
    written, staged, kind = pair
    how = units.conversion(written, staged, kind)
    if one < other - 1e-3:
        assert how.apply(one, 14.7) < how.apply(other, 14.7)


@pytest.mark.parametrize(
    ("written", "staged", "kind"),
    [
        ("psig", "micron", "pressure absolute"),
        ("psi", "micron", "pressure absolute"),
        ("kPag", "micron", "pressure absolute"),
        ("micron", "psig", "pressure gauge"),
        ("Torr", "psig", "pressure gauge"),
        ("psia", "inwc", "pressure"),
        ("degF", "delta_degF", "temperature difference"),
        ("degC", "delta_degF", "temperature difference"),
        ("delta_degF", "degF", "temperature"),
        ("delta_degC", "degF", "temperature"),
        ("lb", "psig", "pressure gauge"),
        ("min", "micron", "pressure absolute"),
        ("furlong", "ft", "length"),
    ],
)
def test_a_unit_of_the_wrong_kind_is_refused_with_its_reason(written, staged, kind):
    with pytest.raises(units.UnitError, match=f'"{written}"'):
        units.conversion(written, staged, kind)


def test_an_absolute_pressure_needs_the_local_atmosphere():
    how = units.conversion("psia", "psig", "pressure gauge")
    assert how.less_atmosphere
    # about 12.2 psia at 5,000 ft (US Standard Atmosphere 1976); 14.696 at sea level
    assert units.atmosphere_psia(5000) == pytest.approx(12.23, abs=0.01)
    assert units.atmosphere_psia(0) == pytest.approx(14.696, abs=0.001)
    assert how.apply(134.696, units.atmosphere_psia(0)) == pytest.approx(120.0, abs=0.001)
    with pytest.raises(units.UnitError, match="local atmosphere"):
        how.apply(100)


@pytest.mark.parametrize(
    ("text", "name"),
    [("um", "micron"), ("µm", "micron"), ("Microns", "micron"), ("in. w.c.", "inwc"), ("°F", "degF"), ("mmHg", "Torr"),
     ("psi(g)", "psig"), ("kPa(g)", "kPag"), ("lbs", "lb"), ("'", "ft"), ("CFM", "cfm"), ("O2", None), ("", None)],
)  # fmt: skip
def test_spellings_of_the_trade(text, name):
    found = units.unit_named(text)
    assert (found.name if found else None) == name


def test_every_quantity_of_the_contract_has_its_unit_and_its_possible_range():
    for step, quantities in QUANTITY_UNIT.items():
        for name, unit in quantities.items():
            about = units.all_quantities()[step, name]
            assert about.unit == unit
            if unit:
                assert about.at_least is not None
                assert about.at_most is not None
                assert about.at_least < about.at_most
    assert set(UNIT_CODES) <= set(units.all_units())


def test_no_unit_stands_without_its_source():
    for unit in units.all_units().values():
        assert unit.source or unit.name == "money", unit.name
