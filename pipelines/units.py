"""Which unit a figure is written in, and how it becomes the unit in which it is staged.

A fixed table of exact factors (data/units.csv) and the physically possible range of each quantity
(data/quantities.csv). Gauge and absolute pressure are kept apart, and so are a temperature and a difference of
temperatures: a figure whose unit is of the wrong kind is refused, never converted.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib import resources

# What a quantity of each kind may be written in.
_ACCEPTED: dict[str, tuple[str, ...]] = {
    "pressure gauge": ("pressure gauge", "pressure not absolute", "pressure", "pressure absolute"),
    "pressure absolute": ("vacuum", "pressure absolute", "pressure"),
    "pressure": ("pressure", "pressure not absolute", "pressure gauge"),
    "temperature": ("temperature", "temperature or difference"),
    "temperature difference": ("temperature difference", "temperature or difference"),
}
_WHY_NOT: dict[tuple[str, str], str] = {
    ("pressure gauge", "vacuum"): "is a unit of vacuum, and this is a pressure above the atmosphere",
    ("pressure absolute", "pressure gauge"): "counts from the local atmosphere, and a vacuum counts from zero",
    ("pressure absolute", "pressure not absolute"): "counts from the local atmosphere, and a vacuum counts from zero",
    ("pressure", "pressure absolute"): "counts from zero, and this is a difference of pressures",
    ("pressure", "vacuum"): "counts from zero, and this is a difference of pressures",
    ("temperature difference", "temperature"): "is a temperature, and this is a difference (delta_degF, delta_degC, K)",
    ("temperature", "temperature difference"): "is a difference, and this is a temperature (degF, degC, K)",
}


class UnitError(ValueError):
    """The unit is unknown, or does not suit what is measured; the text says which and what would."""


@dataclass(frozen=True)
class Unit:
    """One unit: (figure + shift) * factor gives the figure in the SI unit of its kind."""

    name: str
    kind: str
    factor: Fraction
    shift: Fraction
    also_written: tuple[str, ...]
    source: str
    note: str


@dataclass(frozen=True)
class Conversion:
    """staged = written * factor + shift, less the local atmosphere [psi] where `less_atmosphere`."""

    factor: float
    shift: float
    less_atmosphere: bool = False

    def apply(self, value: float, atmosphere_psia: float | None = None) -> float:
        """Figure in the staged unit. atmosphere_psia is needed only where `less_atmosphere` (staged in psig)."""
        staged = value * self.factor + self.shift
        if self.less_atmosphere:
            if atmosphere_psia is None:
                raise UnitError("an absolute pressure becomes a gauge pressure only with the local atmosphere")
            staged -= atmosphere_psia
        return staged


@dataclass(frozen=True)
class Quantity:
    """What is measured in one step: its staged unit, and the range outside which no such reading can exist."""

    step: str
    name: str
    unit: str
    kind: str
    at_least: float | None
    at_most: float | None
    texts: tuple[str, ...]
    bound_taken: str
    note: str


def _fraction(text: str) -> Fraction:
    """Exact value of a factor as written: a decimal, or decimals joined by * and /."""
    total = Fraction(1)
    for sign, part in re.findall(r"(^|[*/])([^*/]+)", text):
        total = total / Fraction(part) if sign == "/" else total * Fraction(part)
    return total


def _rows(name: str) -> list[dict[str, str]]:
    text = resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def all_units() -> dict[str, Unit]:
    """Every unit by its name in the contract's spelling."""
    return {
        row["unit"]: Unit(
            row["unit"],
            row["kind"],
            _fraction(row["factor"]),
            Fraction(row["shift"]),
            tuple(word for word in row["also_written"].split("|") if word),
            row["source"],
            row["note"],
        )
        for row in _rows("units.csv")
    }


@cache
def all_quantities() -> dict[tuple[str, str], Quantity]:
    """Every quantity by (step, quantity); step is empty for the samples of a gauge log."""
    return {
        (row["step"], row["quantity"]): Quantity(
            row["step"],
            row["quantity"],
            row["unit"],
            row["kind"],
            float(row["at_least"]) if row["at_least"] else None,
            float(row["at_most"]) if row["at_most"] else None,
            tuple(word for word in row["text_allowed"].split("|") if word),
            row["bound_taken"],
            row["note"],
        )
        for row in _rows("quantities.csv")
    }


@cache
def _spellings() -> dict[str, str]:
    """Other ways of writing a unit, in lower case with single spaces, to the unit's name."""
    found: dict[str, str] = {}
    for unit in all_units().values():
        for word in unit.also_written:
            found.setdefault(word.lower(), unit.name)
    for unit in all_units().values():
        # `m` and `M`, `a` and `A` fall together in lower case: a clear name beats another's second spelling
        found.setdefault(unit.name.lower(), unit.name)
    return found


@cache
def unit_named(text: str) -> Unit | None:
    """The unit that a text names, in the contract's spelling or another that the trade writes; None if unknown."""
    units = all_units()
    word = " ".join(text.split())
    if word in units:
        return units[word]
    name = _spellings().get(word.lower()) or _spellings().get(word.lower().rstrip("."))
    return units[name] if name else None


def kind_of(staged_unit: str) -> str:
    """The kind of quantity that a staged unit stands for: psig a gauge pressure, micron an absolute one."""
    if staged_unit in ("micron", "mTorr", "Torr"):
        return "pressure absolute"
    return all_units()[staged_unit].kind


@cache
def conversion(written_unit: str, staged_unit: str, kind: str | None = None) -> Conversion:
    """How a figure in `written_unit` becomes one in `staged_unit`.

    Parameters
    ----------
    written_unit : str, any spelling that `unit_named` knows
    staged_unit : str, contract's spelling
    kind : str, the kind of the quantity (data/quantities.csv); by default that of the staged unit

    Raises
    ------
    UnitError : the unit is unknown, or of a kind that does not suit (gauge for a vacuum, degF for a difference).
    """
    written = unit_named(written_unit)
    if written is None:
        raise UnitError(f'"{written_unit}" is not a unit known here. Expected one that can become {staged_unit}')
    staged = all_units()[staged_unit]
    kind = kind or kind_of(staged_unit)
    if written.kind not in _ACCEPTED.get(kind, (kind,)):
        why = _WHY_NOT.get((kind, written.kind), f"is a unit of {written.kind}, and this is {kind}")
        raise UnitError(f'"{written.name}" {why}')
    less_atmosphere = kind == "pressure gauge" and written.kind == "pressure absolute"
    factor = written.factor / staged.factor
    shift = written.shift * factor - staged.shift if kind == "temperature" else Fraction(0)
    return Conversion(float(factor), float(shift), less_atmosphere)


def suits(written_unit: str, staged_unit: str, kind: str | None = None) -> bool:
    """Whether a figure written in one unit can be staged in the other."""
    try:
        conversion(written_unit, staged_unit, kind)
    except UnitError:
        return False
    return True


def atmosphere_psia(altitude_ft: float) -> float:
    """Standard pressure of the air [psia] at an altitude [ft]: 14.696 at sea level, about 12.2 at 5,000 ft.

    Source: the standard atmosphere, ISO 2533 (formula from memory): 101325 Pa * (1 - 6.8756e-6 h)^5.2559.
    """
    return 14.695948775513 * (1 - 6.8755856e-6 * altitude_ft) ** 5.25588
