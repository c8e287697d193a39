"""What the cells of one column say about what it means: figures or dates, codes of the trade, the range, the unit."""

from __future__ import annotations

import csv
import random
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from functools import cache, lru_cache
from importlib import resources

from pipelines import cell_text, heading_match, units
from pipelines.cell_text import Ambiguous, Unreadable, is_blank
from pipelines.contract import QUANTITY_UNIT, STEPS
from pipelines.heading_match import Place

CELLS_WEIGHED = 600  # enough to tell what a column is; date order and decimal mark are looked for in all that was read

# The units in which each kind of quantity is written in the trade, the contract's own first
USUAL_UNITS: dict[str, tuple[str, ...]] = {
    "pressure gauge": ("psig", "kPag", "barg"),
    "pressure absolute": ("micron", "Pa", "mbar", "Torr"),
    "pressure": ("inwc", "Pa"),
    "temperature": ("degF", "degC"),
    "temperature difference": ("delta_degF", "delta_degC"),
    "flow": ("cfm", "L/s", "m3/h", "scfh", "L/min"),
    "mass": ("lb", "kg", "oz", "g"),
    "time": ("min", "h", "s"),
    "length": ("ft", "m"),
    "current": ("A",),
    "voltage": ("V",),
    "power": ("W", "kW"),
    "capacity": ("ton", "kBtu/h", "Btu/h"),
    "months": ("month", "year"),
    "angle": ("deg",),
    "money": ("money",),
}
METRIC = frozenset(("kPa", "kPag", "kPaa", "bar", "barg", "bara", "mbar", "hPa", "Pa", "degC", "delta_degC", "K", "L/s",
                    "m3/h", "L/min", "kg", "g", "m"))  # fmt: skip
IMPERIAL = frozenset(
    ("psi", "psig", "psia", "inwc", "inHg", "degF", "delta_degF", "cfm", "scfh", "lb", "oz", "ft", "ton")
)
_DIFFERENCE = {
    "degF": "delta_degF",
    "degC": "delta_degC",
    "K": "K",
    "delta_degF": "delta_degF",
    "delta_degC": "delta_degC",
}


@dataclass
class Profile:
    """What the cells of one column look like, whatever its heading says."""

    texts: list[str]  # all that are not blank
    n_cells: int
    figures: list[cell_text.Figure] = field(default_factory=list)
    figure_share: float = 0.0
    date_share: float = 0.0
    clock_share: float = 0.0
    with_clock_share: float = 0.0  # dates with a time of the day beside them
    compact_dates: bool = False
    flag_share: float = 0.0
    suffix: str = ""
    suffix_share: float = 0.0
    counts: Counter[str] = field(default_factory=Counter)

    @property
    def filled(self) -> int:
        return len(self.texts)

    @property
    def different(self) -> int:
        return len(self.counts)

    @property
    def unique_share(self) -> float:
        return self.different / self.filled if self.filled else 0.0

    @property
    def values(self) -> list[float]:
        return [figure.value for figure in self.figures]

    def samples(self, n: int = 3) -> list[str]:
        """Some different cells, the commonest first where they are few."""
        return [text for text, _ in self.counts.most_common(n)]


def profile_of(cells: list[str | None], decimal_mark: str | None) -> Profile:
    texts = [text for text in cells if not is_blank(text) and text is not None]
    profile = Profile(texts, len(cells), counts=Counter(texts))
    weighed = texts if len(texts) <= CELLS_WEIGHED else random.Random(7).sample(texts, CELLS_WEIGHED)
    if not weighed:
        return profile
    dates = clocks = with_clock = compact = flags = n_figures = 0
    suffixes: Counter[str] = Counter()
    for text in weighed:
        figure = _figure(text, decimal_mark)
        if figure is not None:
            n_figures += 1
            profile.figures.append(figure)
            if figure.unit:
                suffixes[figure.unit] += 1
        elif text.lower() in cell_text.OVER_RANGE_WORDS or text.startswith("#"):
            n_figures += 1  # an instrument's or a workbook's error stands where a figure stands
        if (kind := date_like(text)) is not None:
            dates += 1
            with_clock += kind == "time"
            compact += text.isdigit()
        elif re.fullmatch(r"\d{1,2}:\d\d(:\d\d(\.\d+)?)?\s*([AaPp]\.?[Mm]\.?)?", text):
            clocks += 1
        flags += _is_flag(text)
    n = len(weighed)
    profile.figure_share, profile.date_share, profile.clock_share = n_figures / n, dates / n, clocks / n
    profile.with_clock_share, profile.flag_share = with_clock / n, flags / n
    profile.compact_dates = compact == dates > 0
    if suffixes:
        profile.suffix, times = suffixes.most_common(1)[0]
        profile.suffix_share = times / max(1, len(profile.figures))
    return profile


def _figure(text: str, decimal_mark: str | None) -> cell_text.Figure | None:
    try:
        figure = cell_text.read_figure(text, decimal_mark)
    except Ambiguous:
        figure = cell_text.read_figure(text, ".")
    except Unreadable:
        return None
    return figure if not figure.unit or units.unit_named(figure.unit) is not None else None


@lru_cache(maxsize=16384)
def date_like(text: str) -> str | None:
    """ "date", "time" (a date with a time of the day) or None, whatever the order of day and month."""
    for order in (None, "dmy", "mdy"):
        try:
            found = cell_text.read_time(text, order)
        except Ambiguous:
            continue
        except Unreadable:
            continue
        return "time" if found.hour or found.minute or found.second or ":" in text else "date"
    return None


def _is_flag(text: str) -> bool:
    try:
        cell_text.read_flag(text)
        return True
    except Unreadable:
        return False


# --- marks of a whole file


@dataclass(frozen=True)
class Mark:
    """A mark or order that holds for a file: what was found, or that the file leaves it open.

    found : the value, None where open; is_open : cells with two readings stand in the file and nothing decides;
    examples : such a cell; proof : a cell that decides.
    """

    found: str | None
    is_open: bool = False
    is_mixed: bool = False
    example: str = ""
    proof: str = ""


def decimal_mark_of(texts: Iterable[str]) -> Mark:
    """The decimal mark that a column's figures show."""
    return _decided(texts, cell_text.mark_shown, cell_text.read_figure, doubtful=",")


def date_order_of(texts: Iterable[str]) -> Mark:
    """The order of day, month and year that a column's dates show."""
    return _decided(texts, cell_text.order_shown, cell_text.read_time, doubtful="mdy")


def _decided(
    texts: Iterable[str], shown_by: Callable[[str], str | None], read: Callable[[str, None], object], doubtful: str
) -> Mark:
    """What the texts prove together, or a text that can be read in two ways where they prove nothing or both."""
    shown: dict[str, str] = {}
    example = ""
    for text in texts:
        found = shown_by(text)
        if found is not None:
            shown.setdefault(found, text)
        elif not example:
            try:
                read(text, None)
            except Ambiguous:
                example = text
            except Unreadable:
                pass
    if len(shown) == 1:
        found, proof = next(iter(shown.items()))
        return Mark(found, proof=proof)
    is_mixed = len(shown) > 1
    return Mark(None, is_open=bool(example) or is_mixed, is_mixed=is_mixed, example=example or shown.get(doubtful, ""))


# --- words that mean codes


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9✓✔☑✗✘☐]", "", text.lower())


@cache
def _code_words() -> dict[str, dict[str, str]]:
    """For each code column: a word in bare letters -> code."""
    known: dict[str, dict[str, str]] = {}
    text = resources.files("pipelines").joinpath("data", "code_words.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        words = known.setdefault(row["column"], {})
        words.setdefault(_bare(row["code"]), row["code"])
        for word in row["words"].split("|"):
            words.setdefault(_bare(word), row["code"])
    places = heading_match.all_places()
    steps = known.setdefault("step", {})
    quantities = known.setdefault("quantity", {})
    for step in STEPS:
        steps[_bare(step)] = step
        for phrase in (*places[f"{step}.ticked"].strong, *places[f"{step}.ticked"].weak):
            steps.setdefault(_bare(" ".join(phrase)), step)
        for quantity in QUANTITY_UNIT[step]:
            quantities[_bare(quantity)] = quantity
            for phrase in places[f"{step}.{quantity}"].strong:
                quantities.setdefault(_bare(" ".join(phrase)), quantity)
    for quantity in ("vacuum", "test_pressure", "test_temperature"):
        quantities.setdefault(_bare(quantity), quantity)
    return known


STEP_OF_QUANTITY = {quantity: step for step in STEPS for quantity in QUANTITY_UNIT[step]}


def code_column(place: Place) -> str:
    """Which list of code words speaks for a place."""
    if place.kind == "tick" or place.name == "steps.ticked":
        return "ticked"
    if place.kind == "flag":
        return "flag"
    return "step" if place.column == "step" else "quantity" if place.column == "quantity" else place.column


@lru_cache(maxsize=65536)
def code_of(text: str, column: str, codes: tuple[str, ...]) -> str | None:
    """The code that a word of the trade means in a column; None where it is not known for sure."""
    known = _code_words().get(column, {})
    bare = _bare(text)
    if not bare:
        return None
    direct = {_bare(code): code for code in codes}
    if bare in direct:
        return direct[bare]
    if bare in known:
        return known[bare]
    if column in ("step", "quantity"):
        heading = heading_match.heading_of(text)
        for words in (heading.words, heading.words_with_unit):
            if (plain := _bare(" ".join(words))) in known:
                return known[plain]
    if len(bare) >= 7 and column not in ("ticked", "flag"):
        near = {code for word, code in known.items() if abs(len(word) - len(bare)) <= 2 and len(word) >= 7
                and SequenceMatcher(None, bare, word, autojunk=False).ratio() >= 0.88}  # fmt: skip
        if len(near) == 1:
            return near.pop()
    return None


def translated(profile: Profile, place: Place) -> tuple[dict[str, str], list[str], float]:
    """(word -> code, words not known, share of the cells whose word is known)."""
    column = code_column(place)
    words: dict[str, str] = {}
    unknown: list[str] = []
    met = 0
    if profile.different > 200 or (profile.date_share >= 0.8 and not profile.compact_dates):
        return {}, profile.samples(12), 0.0  # numbers, names or dates, not codes
    for text, times in profile.counts.most_common(400):
        code = code_of(text, column, place.codes)
        if code is not None and (not place.codes or code in place.codes):
            words[text] = code
            met += times
        else:
            unknown.append(text)
    return words, unknown, met / profile.filled if profile.filled else 0.0


# --- units and ranges


@dataclass(frozen=True)
class UnitChoice:
    """The unit of a column of figures: how it is known, or the units between which the figures do not decide."""

    unit: str | None
    how: str = ""  # "heading", "cells", "figures", "neighbours", "only"
    open_between: tuple[str, ...] = ()
    suits: bool = True


def as_written_for(unit: str, kind: str) -> str:
    """degF in the heading of a difference of temperatures means the difference."""
    return _DIFFERENCE.get(unit, unit) if kind == "temperature difference" else unit


def in_usual_range(place: Place, values: list[float], unit: str) -> float | None:
    """Share of the figures that lie in the range usually met, read in `unit`; None where no range is known."""
    if place.usual is None or not values:
        return None
    low, high = place.usual
    return _share_between(place, values, unit, low, high)


def in_possible_range(place: Place, values: list[float], unit: str) -> float:
    low, high = place.possible
    if not values or (low is None and high is None):
        return 1.0
    return _share_between(place, values, unit, low if low is not None else -1e18, high if high is not None else 1e18)


def _share_between(place: Place, values: list[float], unit: str, low: float, high: float) -> float:
    if place.unit and unit in units.all_units():
        try:
            conversion = units.conversion(unit, place.unit, place.unit_kind or None)
        except units.UnitError:
            return 0.0
        values = [conversion.apply(value, 14.696) for value in values]
    if place.column in ("return_static", "supply_static") and place.usual is not None and low == place.usual[0]:
        values = [abs(value) for value in values]  # written with either sign
    slack = 1e-9 * max(abs(low), abs(high))
    return sum(low - slack <= value <= high + slack for value in values) / len(values)


def unit_of_column(
    place: Place, heading_unit: str | None, profile: Profile, neighbours: frozenset[str], system: str | None
) -> UnitChoice:
    """In which unit the figures of a column stand.

    neighbours : units that other headings of the same file name; system : "metric" or "imperial" where these are all
    of one kind.
    """
    kind = place.unit_kind
    if not kind or kind == "money":
        return UnitChoice(place.unit or None, "only")
    if heading_unit is not None:
        unit = as_written_for(heading_unit, kind)
        return UnitChoice(unit, "heading", suits=units.suits(unit, place.unit, kind))
    if profile.suffix_share >= 0.5 and (named := units.unit_named(profile.suffix)) is not None:
        unit = as_written_for(named.name, kind)
        return UnitChoice(unit, "cells", suits=units.suits(unit, place.unit, kind))
    candidates = [unit for unit in USUAL_UNITS.get(kind, (place.unit,)) if units.suits(unit, place.unit, kind)]
    if kind == "flow":
        candidates = ["scfh", "L/min"] if place.unit == "scfh" else ["cfm", "L/s", "m3/h"]
    if len(candidates) == 1:
        return UnitChoice(candidates[0], "only")
    if not profile.values:
        return UnitChoice(None)
    fitting = [unit for unit in candidates if in_possible_range(place, profile.values, unit) >= 0.95
               and (in_usual_range(place, profile.values, unit) or 0.0) >= 0.85]  # fmt: skip
    if place.usual is None:
        fitting = [unit for unit in candidates if in_possible_range(place, profile.values, unit) >= 0.95]
    if len(fitting) == 1:
        return UnitChoice(fitting[0], "figures")
    if not fitting:
        return UnitChoice(None)
    same = [
        unit
        for unit in fitting
        if unit in neighbours or (kind == "temperature difference" and _base(unit) in neighbours)
    ]
    if len(same) == 1:
        return UnitChoice(same[0], "neighbours")
    if system is not None:
        of_system = [unit for unit in fitting if unit not in (IMPERIAL if system == "metric" else METRIC)]
        if len(of_system) == 1:
            return UnitChoice(of_system[0], "neighbours")
    return UnitChoice(None, open_between=tuple(fitting))


def _base(unit: str) -> str:
    return {"delta_degF": "degF", "delta_degC": "degC"}.get(unit, unit)


def system_of_units(named: Iterable[str]) -> str | None:
    """ "metric" or "imperial" where the units that headings name are of one kind, else None."""
    found = set(named)
    metric, imperial = len(found & METRIC), len(found & (IMPERIAL - {"ton"}))
    if metric and not imperial:
        return "metric"
    return "imperial" if imperial and not metric else None
