"""What figures are shown in, for one run of a page or one paper: the reader's units, else the house's; dates; names.

Nothing here changes a figure of the store or of an export. Whoever draws a page or makes a paper says it once
(`use`, `using`); `dashboard/words.py` asks for it wherever a figure is written. Where nobody has said it, figures stand in
the contract's units.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache

from pipelines.house_rules import HouseRules
from pipelines.units import Conversion, conversion


@dataclass(frozen=True)
class Shown:
    """The choices of House rules that change how something is written, and nothing else; the defaults are its own.

    The codes are those of the fields of the same name in `pipelines.house_rules.HouseRules`.
    """

    temperature_unit: str = "degF"
    pressure_unit: str = "psi"
    static_unit: str = "inH2O"
    vacuum_unit: str = "micron"
    date_order: str = "day_month_year"
    names_shown: bool = True


UNIT_CHOICES = {
    "temperature_unit": ("degF", "degC"),
    "pressure_unit": ("psi", "kPa"),
    "static_unit": ("inH2O", "Pa"),
    "vacuum_unit": ("micron", "Pa"),
}

# contract's unit -> (the choice it follows, what is chosen, unit it is then shown in, kind of quantity). Gauge pressures
# stay above the local atmosphere, and differences of temperatures and pressures stay differences.
FOLLOWS = {
    "degF": ("temperature_unit", "degC", "degC", "temperature"),
    "delta_degF": ("temperature_unit", "degC", "delta_degC", "temperature difference"),
    "psig": ("pressure_unit", "kPa", "kPag", "pressure gauge"),
    "psi": ("pressure_unit", "kPa", "kPa", "pressure"),
    "inwc": ("static_unit", "Pa", "Pa", "pressure"),
    "micron": ("vacuum_unit", "Pa", "Pa", "pressure absolute"),
}

_CHOSEN: ContextVar[Shown | None] = ContextVar("shown", default=None)


def of_house(rules: HouseRules) -> Shown:
    """As the house has it."""
    return Shown(**{name: getattr(rules, name) for name in Shown.__dataclass_fields__})


def chosen() -> Shown | None:
    """What was said for this run or paper; None where nobody has said anything."""
    return _CHOSEN.get()


def now() -> Shown:
    return _CHOSEN.get() or Shown()


def use(how: Shown) -> None:
    """From here on in this run of a page."""
    _CHOSEN.set(how)


@contextmanager
def using(how: Shown) -> Iterator[None]:
    """Inside this block: for a paper, or for a table that is taken away in the contract's units."""
    before = _CHOSEN.set(how)
    try:
        yield
    finally:
        _CHOSEN.reset(before)


def shown_unit(unit: str | None) -> str:
    """The unit in which a figure of the contract's unit is shown now; its own where nothing was chosen for it."""
    rule = FOLLOWS.get(unit or "")
    return rule[2] if rule and getattr(now(), rule[0]) == rule[1] else unit or ""


def change_of(unit: str | None) -> Conversion | None:
    """How a figure in the contract's unit becomes the one that is shown now; None where it stays as it is."""
    to = shown_unit(unit)
    return _change(unit or "", to) if to != (unit or "") else None


@cache
def _change(unit: str, to: str) -> Conversion:
    return conversion(unit, to, FOLLOWS[unit][3])
