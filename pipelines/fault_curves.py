"""What a fault of charge, airflow or gas in the circuit costs in capacity and energy, at the rating point.

The curves are rows of data/fault_curves.csv, each with its source: fits of laboratory measurements, as open models of
building energy carry them. They speak of the rating point (80/67 degF indoors and 95 outdoors; heating 70 and 47), not of a
year: no annual form could be read, so none is told. Energy is what the compressor and the outdoor fan take for the same
cooling or heating; the indoor blower is not in it.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

Mode = Literal["cooling", "heating"]

INDOOR_DEGC: dict[Mode, float] = {"cooling": (80 - 32) / 1.8, "heating": (70 - 32) / 1.8}
OUTDOOR_DEGC: dict[Mode, float] = {"cooling": (95 - 32) / 1.8, "heating": (47 - 32) / 1.8}
# the second fits depend on the rated coefficient of performance of the machine; between these it was fitted
RATED_COP = (3.74, 4.69)
FREEZING_K = 273.15
WET_BULB_DEGC = (67 - 32) / 1.8
PERCENT = 100
# steps of the looked-up levels, in per cent of charge, of rated airflow and of the gas that the circuit holds
LEVEL_STEP_PERCENT = 0.5


@dataclass(frozen=True)
class Curve:
    """One fitted ratio to the machine without the fault: its coefficients, and from which to which level it was fitted."""

    form: str
    coefficients: tuple[float, ...]
    level_from: float
    level_to: float
    source: str


@dataclass(frozen=True)
class Effect:
    """What a fault does at the rating point.

    capacity, energy : ratios to the machine without it, energy for the same cooling or heating.
    low, high : range of the energy ratio over the fits that exist and over how well the level is known.
    is_edge : the level lies beyond what was measured; the figures are those of the last level that was.
    """

    capacity: float
    energy: float
    low: float
    high: float
    is_edge: bool


def _rows(name: str) -> list[dict[str, str]]:
    text = resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def curves() -> dict[tuple[str, str, str], Curve]:
    """The curves by (curve, mode, what): what is capacity, power or energy_input."""
    return {
        (row["curve"], row["mode"], row["what"]): Curve(
            row["form"],
            tuple(float(row[name]) for name in ("c1", "c2", "c3", "c4", "c5", "c6") if row[name]),
            float(row["level_from"]),
            float(row["level_to"]),
            row["source"],
        )
        for row in _rows("fault_curves.csv")
    }


@cache
def fact(name: str) -> float:
    """A figure of data/physics.csv, in its own unit.

    Raises
    ------
    KeyError : there is none of that name.
    """
    return {row["name"]: float(row["value"]) for row in _rows("physics.csv")}[name]


def charge_ratio(
    deviation: float, what: Literal["capacity", "power"], mode: Mode, indoor_degc: float, outdoor_degc: float
) -> float:
    """Capacity or power of a machine with a wrong charge, over that of the same machine with the right one.

    Parameters
    ----------
    deviation : share of the charge, -0.3 (30 % too little) to 0.3.
    indoor_degc, outdoor_degc : dry bulbs [degC]; heating does not depend on the first.

    Source: NIST TN 1848 (Domanski, Henderson, Payne 2014): 1 + (c1 + c2 Tin + c3 Tout + c4 F) F.
    """
    curve = curves()["undercharge" if deviation <= 0 else "overcharge", mode, what]
    c1, c2, c3, c4 = curve.coefficients
    return 1 + (c1 + c2 * indoor_degc + c3 * outdoor_degc + c4 * deviation) * deviation


def airflow_ratio(
    share: float, what: Literal["capacity", "energy_input"], mode: Mode, curve: str = "low_airflow"
) -> float:
    """Capacity, or energy for the same output, at a share of the rated airflow (0.5 to 1.2).

    Source: Cutler and others 2013, NREL/TP-5500-56354 (`low_airflow`); the usual curve of the EnergyPlus examples
    (`low_airflow_second`, cooling only).
    """
    c1, c2, c3 = curves()[curve, mode, what].coefficients
    return c1 + c2 * share + c3 * share * share


def level_ratio(level: float, what: Literal["capacity", "energy_input"], curve: str, rated_cop: float) -> float:
    """Capacity, or energy for the same cooling, at a level of a fault, at 67 degF wet bulb and 95 degF outdoors.

    Source: the fault measures of OpenStudio: 1 + F (c1 + c2 w + c3 o + c4 F + c5 F2 + c6 COP), w and o being wet bulb and
    outdoor temperature in K over 273.15.
    """
    c1, c2, c3, c4, c5, c6 = curves()[curve, "cooling", what].coefficients
    wet, outdoor = WET_BULB_DEGC / FREEZING_K + 1, OUTDOOR_DEGC["cooling"] / FREEZING_K + 1
    return 1 + level * (c1 + c2 * wet + c3 * outdoor + c4 * level + c5 * level * level + c6 * rated_cop)


def capacity_at(wet_bulb_degf: float, outdoor_degf: float) -> float:
    """Capacity at an indoor wet bulb and an outdoor temperature over that at the rating point (67 and 95 degF).

    Source: Cutler and others 2013, NREL/TP-5500-56354; it gives 0.992 at the rating point itself and is divided by it.
    """
    return _biquadratic(wet_bulb_degf, outdoor_degf) / _biquadratic(67, 95)


def _biquadratic(x: float, y: float) -> float:
    c1, c2, c3, c4, c5, c6 = curves()["conditions", "cooling", "capacity"].coefficients
    return c1 + c2 * x + c3 * x * x + c4 * y + c5 * y * y + c6 * x * y


def charge_effect(deviation: float, mode: Mode) -> Effect:
    """What a charge that is off by a share (0.1 is 10 % too much) does at the rating point."""
    inside = min(max(deviation, -0.3), 0.3)
    error = fact("weighed_charge_error") / PERCENT
    levels = {min(max(inside + shift, -0.3), 0.3) for shift in (-error, 0.0, error)}
    ratios = [_charge_energy(level, mode) for level in levels]
    if inside < 0 and mode == "cooling":
        # a second laboratory's fit, over the efficiencies it was made for
        ratios += [level_ratio(-inside, "energy_input", "undercharge_second", cop) for cop in RATED_COP]
    return Effect(
        _charge(inside, "capacity", mode), _charge_energy(inside, mode), min(ratios), max(ratios), deviation != inside
    )


def _charge(deviation: float, what: Literal["capacity", "power"], mode: Mode) -> float:
    return charge_ratio(deviation, what, mode, INDOOR_DEGC[mode], OUTDOOR_DEGC[mode])


def _charge_energy(deviation: float, mode: Mode) -> float:
    return _charge(deviation, "power", mode) / _charge(deviation, "capacity", mode)


def airflow_effect(share: float, mode: Mode, share_low: float | None = None, share_high: float | None = None) -> Effect:
    """What a share of the rated airflow does at the rating point; shares that are known only roughly widen its range."""
    inside = min(max(share, 0.5), 1.2)
    shares = {inside, *(min(max(at, 0.5), 1.2) for at in (share_low, share_high) if at is not None)}
    ratios = [airflow_ratio(at, "energy_input", mode) for at in shares]
    if mode == "cooling":
        ratios += [airflow_ratio(at, "energy_input", mode, "low_airflow_second") for at in shares]
    return Effect(
        airflow_ratio(inside, "capacity", mode),
        airflow_ratio(inside, "energy_input", mode),
        min(ratios),
        max(ratios),
        share != inside,
    )


def gas_effect(level: float) -> Effect:
    """What gas that does not condense does to cooling at the rating point.

    level : mass of the gas over what the circuit holds of it at one atmosphere, 0 to 0.8.
    """
    inside = min(max(level, 0.0), 0.8)
    middle = sum(RATED_COP) / 2
    ratios = [level_ratio(inside, "energy_input", "non_condensables", cop) for cop in RATED_COP]
    return Effect(
        level_ratio(inside, "capacity", "non_condensables", middle),
        level_ratio(inside, "energy_input", "non_condensables", middle),
        min(ratios),
        max(ratios),
        level != inside,
    )


def charge_and_airflow_energy(deviation: float, share: float, mode: Mode) -> float:
    """Energy for the same output with a wrong charge and a share of the rated airflow together.

    Source: the way OpenStudio-HPXML combines the two: the charge is turned into an airflow that would cost as much
    capacity, and the airflow's curve is taken at the product of both.
    """
    as_airflow = 1 / _charge(deviation, "capacity", mode)
    efficiency = _charge(deviation, "capacity", mode) / _charge(deviation, "power", mode)
    return airflow_ratio(as_airflow * share, "energy_input", mode) / (
        efficiency * airflow_ratio(as_airflow, "energy_input", mode)
    )


@cache
def effect_rows() -> list[dict[str, float | int | str | bool]]:
    """Every level of every fault with its effect, for a join on (fault, mode, level_no).

    level_no counts steps of half a per cent: of the charge (-60 to 60), of the rated airflow (100 to 240), of the gas that
    the circuit holds at one atmosphere (0 to 160).
    """
    rows: list[dict[str, float | int | str | bool]] = []

    def add(fault: str, mode: Mode, number: int, effect: Effect) -> None:
        rows.append(
            {
                "fault": fault, "mode": mode, "level_no": number, "capacity": effect.capacity, "energy": effect.energy,
                "low": effect.low, "high": effect.high,
            }
        )  # fmt: skip

    def level(number: int) -> float:
        return number * LEVEL_STEP_PERCENT / PERCENT

    modes: tuple[Mode, Mode] = ("cooling", "heating")
    for mode in modes:
        for number in range(-60, 61):
            add("undercharge" if number <= 0 else "overcharge", mode, number, charge_effect(level(number), mode))
        for number in range(100, 241):
            add("low_airflow", mode, number, airflow_effect(level(number), mode))
    for number in range(161):
        add("non_condensables", "cooling", number, gas_effect(level(number)))
    return rows
