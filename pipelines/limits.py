"""Which limit is in force for a job: the maker's own, else the house's, else those shipped in data/limits.csv.

Every limit is a row with its source. A row holds for all jobs, or for those that its `applies_to` names
(`refrigerant=R-22|R-407C;ducts_kept=true`); of several rows that fit, the one that says most wins. `plate=known` and
`plate=unknown` say in words which of two rows a plate decides; the grading itself looks at the plate.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Protocol

from pipelines.contract import (
    EQUIPMENT,
    JOB_KINDS,
    METERING,
    QUANTITY_UNIT,
    REFRIGERANTS,
    STEPS,
)
from pipelines.errors import InputError
from pipelines.units import UnitError, conversion

if TYPE_CHECKING:
    import polars as pl

COLUMNS = (
    "limit_id", "profile", "step", "quantity", "at_least", "at_most", "bound", "unit", "applies_to", "source",
    "clause", "status", "note",
)  # fmt: skip
STATUSES = ("read", "computed", "common practice", "memory", "maker", "house")
USUAL = "usual"

# What `applies_to` can ask of a job, and the values each can have.
ATTRIBUTES: dict[str, tuple[str, ...]] = {
    "equipment": EQUIPMENT,
    "refrigerant": REFRIGERANTS,
    "metering": METERING,
    "air_handler": ("gas_furnace", "fan_coil"),
    "ducts_kept": ("true", "false"),
    "job_kind": JOB_KINDS,
}
PLATE = {"known", "unknown"}

# Figures of the plate or of the data sheet that a maker's row can give beside his limits; the larger bound is taken.
PLATE_FIGURES: dict[str, str] = {
    "design_pressure_low": "pressure_test",
    "design_pressure_high": "pressure_test",
    "maximum_static": "airflow",
    "factory_charge": "charge",
    "target_subcooling": "charge_check",
    "target_superheat": "charge_check",
    "rated_load_current": "electrical",
    "rated_voltage": "electrical",
}
# Quantities for which only a maker gives a figure of his own, since it depends on the model alone.
MAKERS_QUANTITIES: dict[str, str] = {"airflow": "airflow", "voltage": "electrical"}

# Figures of a maker's data sheet that stand in no record: what his line set takes for each foot beyond the length that the
# factory charge covers (lines of another diameter are another model's row), and how many litres the whole circuit holds.
MAKERS_FIGURES: dict[str, tuple[str, str]] = {
    "line_set_adder_per_ft": ("charge", "lb"),
    "line_set_included_ft": ("charge", "ft"),
    "internal_volume_l": ("pressure_test", ""),
}

# Quantities whose limit can exclude its own figure (`bound` = `excl`).
CAN_EXCLUDE = frozenset(
    (
        "flow_pressure", "flow_rate", "vacuum", "rise_end", "charge_deviation", "airflow_per_ton", "fan_power_per_cfm",
        "subcooling_deviation", "superheat_deviation", "voltage_deviation", "voltage_unbalance",
    )
)  # fmt: skip

# How far apart two figures may be and still count as equal: a unit's conversion is not exact in binary.
DECIMALS = 6


class Rules(Protocol):
    """What grading asks of the House rules."""

    @property
    def profile(self) -> str: ...
    @property
    def own_limits(self) -> Iterable[Mapping[str, str]]: ...


@dataclass(frozen=True)
class Limit:
    """One row of limits.csv, or one of the house's or the maker's.

    at_least, at_most : in `unit`; None is no bound of that side.
    bound : `incl`, or `excl` where the bound itself is outside.
    conditions : what the row asks of a job, for each attribute the values that fit.
    """

    limit_id: str
    profile: str
    step: str
    quantity: str
    at_least: float | None
    at_most: float | None
    bound: str
    unit: str
    applies_to: str
    source: str
    clause: str
    status: str
    note: str
    conditions: tuple[tuple[str, frozenset[str]], ...] = field(default=(), repr=False)

    def fits(self, job: Mapping[str, str | None]) -> bool:
        """Whether the row holds for a job; an attribute that the job does not record fits no condition on it."""
        return all(job.get(name) in values for name, values in self.conditions)


def _data(name: str) -> str:
    return resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")


def _number(text: str | None) -> float | None:
    return float(text) if text not in (None, "") else None


def _conditions(applies_to: str) -> tuple[tuple[str, frozenset[str]], ...]:
    """The conditions of `applies_to`.

    Raises
    ------
    ValueError : an attribute or a value is unknown; says which and what was expected.
    """
    found = []
    for part in filter(None, (part.strip() for part in applies_to.split(";"))):
        name, equals, values = part.partition("=")
        if not equals:
            raise ValueError(f'"{part}" is not of the form attribute=value|value')
        allowed = PLATE if name == "plate" else ATTRIBUTES.get(name)
        if allowed is None:
            raise ValueError(f'"{name}" is not known; expected {", ".join(ATTRIBUTES)}')
        wanted = frozenset(value.strip() for value in values.split("|"))
        if unknown := sorted(wanted - set(allowed)):
            raise ValueError(f'{name} "{unknown[0]}" is not known; expected {", ".join(sorted(allowed))}')
        if name != "plate":
            found.append((name, wanted))
    return tuple(found)


@cache
def shipped() -> tuple[Limit, ...]:
    """The rows of data/limits.csv."""
    return tuple(
        Limit(
            **{name: row[name] for name in COLUMNS if name not in ("at_least", "at_most")},
            at_least=_number(row["at_least"]),
            at_most=_number(row["at_most"]),
            conditions=_conditions(row["applies_to"]),
        )
        for row in csv.DictReader(_data("limits.csv").splitlines())
    )


@cache
def sources() -> dict[str, dict[str, Any]]:
    """For each source that limits.csv names: title, year where known, citation."""
    return {name: entry for name, entry in tomllib.loads(_data("sources.toml")).items() if name != "status_words"}


@cache
def status_words() -> dict[str, str]:
    """What each status says of a figure, in words for a page."""
    return tomllib.loads(_data("sources.toml"))["status_words"]


@cache
def limit_quantities() -> dict[str, tuple[str, str]]:
    """For each quantity that has a limit: its step and the unit of its bounds."""
    return {limit.quantity: (limit.step, limit.unit) for limit in shipped()}


@cache
def settable_quantities() -> frozenset[str]:
    """Quantities for which a house can set figures of its own; the others follow the plate or are no figures."""
    return frozenset(
        limit.quantity
        for limit in shipped()
        if limit.profile == USUAL and (limit.at_least is not None or limit.at_most is not None)
    )


@cache
def _judged_sides(quantity: str) -> tuple[str, ...]:
    """Which bounds of a quantity are judged: those that the usual limits have."""
    rows = [limit for limit in shipped() if limit.quantity == quantity]
    return tuple(side for side in ("at_most", "at_least") if any(getattr(limit, side) is not None for limit in rows))


# --- the house's own


def read_own_limits(path: str) -> list[dict[str, str]]:
    """The rows of a house's own CSV of limits, unchecked: `own_limits` of the House rules.

    Raises
    ------
    InputError : the file cannot be read, or has no heading of the limits.
    """
    try:
        with open(path, encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle)
            missing = {"step", "quantity", "unit"} - set(reader.fieldnames or ())
            if missing:
                raise InputError(
                    f"{path}, line 1: the heading lacks {', '.join(sorted(missing))}. Expected {', '.join(COLUMNS)}."
                )
            return [{name: text or "" for name, text in row.items() if name is not None} for row in reader]
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: the house's own limits cannot be read ({error}).") from error


def own_limits(rules: Rules) -> tuple[Limit, ...]:
    """The house's own limits, checked strictly.

    Raises
    ------
    InputError : a row cannot be used; names the row (counted from 1), the column, what was found and expected.
    """
    limits: list[Limit] = []
    seen: dict[tuple[str, str, str], int] = {}
    for number, row in enumerate(rules.own_limits, start=1):
        limit = _own_limit(number, row)
        key = (limit.profile, limit.quantity, limit.applies_to)
        if key in seen:
            raise _own_error(number, "quantity", row, f"the same as row {seen[key]}: say each limit once")
        seen[key] = number
        limits.append(limit)
    return tuple(limits)


def _own_error(number: int, column: str, row: Mapping[str, str], expected: str) -> InputError:
    found = row.get(column) or ""
    return InputError(f'own limits, row {number}, column "{column}": found "{found}", {expected}.')


def _own_limit(number: int, row: Mapping[str, str]) -> Limit:
    unknown = sorted(set(row) - set(COLUMNS))
    if unknown:
        raise _own_error(number, unknown[0], row, f"but there is no such column; expected {', '.join(COLUMNS)}")
    text = {name: str(row.get(name) or "").strip() for name in COLUMNS}
    if not text["profile"]:
        raise _own_error(number, "profile", row, "expected the name of the house's own profile")
    quantity = text["quantity"]
    if quantity not in limit_quantities():
        raise _own_error(number, "quantity", row, f"expected one of {', '.join(sorted(settable_quantities()))}")
    if quantity not in settable_quantities():
        raise _own_error(number, "quantity", row, "but this one is set by the plate or has no figure")
    step, unit = limit_quantities()[quantity]
    if text["step"] != step:
        raise _own_error(number, "step", row, f"expected {step}, the step of {quantity}")
    if text["unit"] != unit:
        raise _own_error(number, "unit", row, f"expected {unit}, the unit of {quantity}")
    bounds: dict[str, float | None] = {}
    for column in ("at_least", "at_most"):
        try:
            bounds[column] = _number(text[column])
        except ValueError:
            raise _own_error(number, column, row, f"expected a number of {unit} or nothing") from None
        figure = bounds[column]
        if figure is not None and not abs(figure) < 1e9:
            raise _own_error(number, column, row, f"expected a number of {unit} or nothing")
        if figure is not None and column not in _judged_sides(quantity):
            raise _own_error(number, column, row, f"expected nothing: of {quantity} only the other bound is judged")
    at_least, at_most = bounds["at_least"], bounds["at_most"]
    if at_least is None and at_most is None:
        raise _own_error(number, _judged_sides(quantity)[0], row, f"expected a number of {unit}")
    if at_least is not None and at_most is not None and at_least > at_most:
        raise _own_error(number, "at_most", row, f"expected at least {at_least:g}, the figure of at_least")
    if text["bound"] not in ("", "incl", "excl"):
        raise _own_error(number, "bound", row, "expected incl, excl or nothing")
    if text["bound"] == "excl" and quantity not in CAN_EXCLUDE:
        raise _own_error(number, "bound", row, f"expected incl or nothing: exactly at a limit of {quantity} passes")
    if text["status"] not in ("", *STATUSES):
        raise _own_error(number, "status", row, f"expected one of {', '.join(STATUSES)} or nothing")
    try:
        conditions = _conditions(text["applies_to"])
    except ValueError as error:
        raise _own_error(number, "applies_to", row, f"but {error}") from error
    usual_bound = next(limit.bound for limit in shipped() if limit.quantity == quantity)
    return Limit(
        limit_id=text["limit_id"] or f"{text['profile']}-{number}-{quantity}",
        profile=text["profile"],
        step=step,
        quantity=quantity,
        at_least=at_least,
        at_most=at_most,
        bound=text["bound"] or usual_bound,
        unit=unit,
        applies_to=text["applies_to"],
        source=text["source"] or "house",
        clause=text["clause"],
        status=text["status"] or "house",
        note=text["note"],
        conditions=conditions,
    )


def layers(rules: Rules) -> list[tuple[Limit, ...]]:
    """The limits of the House rules' profile, first what counts first; the usual ones are always the last.

    Raises
    ------
    InputError : the profile is neither shipped nor among the house's own limits, or an own limit cannot be used, or
        an own limit contradicts the usual one that fills its empty bound.
    """
    own = own_limits(rules)
    names = {limit.profile for limit in (*shipped(), *own)}
    if rules.profile not in names:
        raise InputError(
            f'House rules: profile "{rules.profile}" has no limits. Expected one of {", ".join(sorted(names))}, '
            "or the house's own limits with that profile."
        )
    found = [tuple(limit for limit in own if limit.profile == rules.profile)]
    found += [
        tuple(limit for limit in shipped() if limit.profile == name) for name in dict.fromkeys((rules.profile, USUAL))
    ]
    found = [layer for layer in found if layer]
    identifiers: set[str] = set()
    for limit in (limit for layer in found for limit in layer):
        if limit.limit_id in identifiers:
            raise InputError(
                f'own limits: limit_id "{limit.limit_id}" is used twice. Give each limit a name of its own.'
            )
        identifiers.add(limit.limit_id)
    for number, limit in enumerate(own, start=1):
        if limit.profile != rules.profile:
            continue
        job = {name: sorted(values)[0] for name, values in limit.conditions}
        bounds = in_force(limit.quantity, job, found)
        if bounds.at_least is not None and bounds.at_most is not None and bounds.at_least > bounds.at_most:
            column, other = ("at_most", "at_least") if limit.at_most is not None else ("at_least", "at_most")
            raise InputError(
                f'own limits, row {number}, column "{column}": found "{getattr(limit, column):g}", but its {other} is '
                f"left to the usual limit, {getattr(bounds, other):g} {limit.unit}. Give both."
            )
    return found


# --- the maker's own


def makers_limits(
    rows: Iterable[tuple[str | None, str | None, str | None, float | None, float | None, str | None]],
) -> list[Limit]:
    """The maker's own limits, from rows of equipment_limits: model, step, quantity, at_least, at_most, unit.

    A row whose quantity grading does not know, or whose unit does not suit it, is given back as a limit without
    bounds whose note says so: it is shown, and nothing is judged by it.
    """
    limits = []
    for model, step, quantity, at_least, at_most, unit in rows:
        if not model or not quantity:
            continue
        known = limit_quantities().get(quantity)
        if known is None and quantity in PLATE_FIGURES:
            known = (PLATE_FIGURES[quantity], QUANTITY_UNIT[PLATE_FIGURES[quantity]][quantity])
        if known is None and quantity in MAKERS_QUANTITIES:
            known = (MAKERS_QUANTITIES[quantity], QUANTITY_UNIT[MAKERS_QUANTITIES[quantity]][quantity])
        if known is None:
            known = MAKERS_FIGURES.get(quantity)
        note = ""
        own_unit = unit or ""
        limit_id = f"maker {model} {quantity}"
        if known is None:
            note = "not used: this quantity is not judged"
        elif step and step != known[0]:
            note = f"not used: {quantity} belongs to {known[0]}"
            limit_id = f"maker {model} {step} {quantity}"
        elif at_least is not None and at_most is not None and at_least > at_most:
            note = f"not used: at_least {at_least:g} lies above at_most {at_most:g}"
        else:
            try:
                at_least, at_most = (_in_unit(figure, own_unit, known[1]) for figure in (at_least, at_most))
                own_unit = known[1]
            except UnitError as error:
                note = f"not used: {error}"
        limits.append(
            Limit(
                limit_id=limit_id,
                profile="maker",
                step=known[0] if known else step or "",
                quantity=quantity,
                at_least=None if note else at_least,
                at_most=None if note else at_most,
                bound=next((limit.bound for limit in shipped() if limit.quantity == quantity), "incl"),
                unit=own_unit,
                applies_to=f"model={model}",
                source="maker",
                clause="",
                status="maker",
                note=note,
            )
        )
    return limits


def _in_unit(figure: float | None, unit: str, wanted: str) -> float | None:
    if figure is None or unit in ("", wanted):
        return figure
    if wanted in ("%", "cfm/ton", "W/cfm", ""):
        raise UnitError(f'"{unit}" is not {wanted or "a unit of this"}')
    return round(conversion(unit, wanted).apply(figure), DECIMALS)


# --- what is in force


@dataclass(frozen=True)
class InForce:
    """Both bounds in force of one quantity for one kind of job, each with the limit that gives it."""

    at_least: float | None
    at_least_by: Limit | None
    at_most: float | None
    at_most_by: Limit | None


def _best(layer: Iterable[Limit], job: Mapping[str, str | None], side: str) -> Limit | None:
    fitting = [limit for limit in layer if getattr(limit, side) is not None and limit.fits(job)]
    return max(fitting, key=lambda limit: len(limit.conditions), default=None)


def in_force(quantity: str, job: Mapping[str, str | None], layered: list[tuple[Limit, ...]]) -> InForce:
    """The bounds of one quantity for a kind of job.

    Each bound is looked for by itself: a layer that leaves one empty takes it from the next.
    """
    found: dict[str, Limit | None] = {}
    for side in ("at_least", "at_most"):
        candidates = (_best((limit for limit in layer if limit.quantity == quantity), job, side) for layer in layered)
        found[side] = next((limit for limit in candidates if limit is not None), None)
    low, high = found["at_least"], found["at_most"]
    return InForce(low.at_least if low else None, low, high.at_most if high else None, high)


def least_and_greatest(
    quantity: str, attribute: str, job: Mapping[str, str | None], layered: list[tuple[Limit, ...]]
) -> tuple[Limit, Limit] | None:
    """The limits with the least and the greatest `at_least` of a quantity, over all values of an attribute that a job
    leaves empty: below the first surely fails, from the second on surely passes."""
    found = [
        bounds.at_least_by
        for value in ATTRIBUTES[attribute]
        if (bounds := in_force(quantity, {**job, attribute: value}, layered)).at_least_by is not None
    ]
    limits = sorted((limit for limit in found if limit is not None), key=lambda limit: limit.at_least or 0.0)
    return (limits[0], limits[-1]) if limits else None


def _replaced_by(limit: Limit, above: Iterable[Iterable[Limit]]) -> str | None:
    """The limit of a layer above that comes before this one for all jobs. A limit that is on the plate has no bounds of
    its own to be replaced."""
    if limit.at_least is None and limit.at_most is None:
        return None
    for layer in above:
        for earlier in layer:
            covers = all(
                getattr(earlier, side) is not None or getattr(limit, side) is None for side in ("at_least", "at_most")
            )
            if earlier.quantity == limit.quantity and not earlier.conditions and covers:
                return earlier.limit_id
    return None


def that_can_decide(layered: list[tuple[Limit, ...]]) -> list[Limit]:
    """The limits in force: those of all layers, without the ones that a layer above replaces for every job."""
    return [
        limit for depth, layer in enumerate(layered) for limit in layer if _replaced_by(limit, layered[:depth]) is None
    ]


def limit_table(rules: Rules) -> pl.DataFrame:
    """The limits in force under these House rules, for a page: one row for each limit, in the order of the steps.

    Returns
    -------
    The columns of limits.csv, then citation (title, year and clause in one sentence), status_words (what the status
    says of the figure) and is_replaced_by (the limit_id that comes before it for all jobs, else null).

    Raises
    ------
    InputError : the profile is unknown or an own limit cannot be used.
    """
    import polars as pl

    layered = layers(rules)
    rows = []
    for depth, layer in enumerate(layered):
        for limit in layer:
            replaced_by = _replaced_by(limit, layered[:depth])
            rows.append(
                {
                    **{name: getattr(limit, name) for name in COLUMNS},
                    "citation": citation(limit),
                    "status_words": status_words()[limit.status],
                    "is_replaced_by": replaced_by,
                }
            )
    rows.sort(key=lambda row: (STEPS.index(row["step"]), list(limit_quantities()).index(row["quantity"])))
    schema = dict.fromkeys(COLUMNS, pl.String) | {"at_least": pl.Float64, "at_most": pl.Float64}
    return pl.DataFrame(
        rows, schema=schema | {"citation": pl.String, "status_words": pl.String, "is_replaced_by": pl.String}
    )


def citation(limit: Limit) -> str:
    """The full wording of a limit's source: title, year, clause, and a warning where it was only recalled."""
    entry = sources().get(limit.source)
    words = entry["citation"] if entry else limit.source
    if limit.clause:
        words += f", {limit.clause}"
    if limit.status == "memory" and limit.source != "memory":
        words += " (from memory, check your edition)"
    return words
