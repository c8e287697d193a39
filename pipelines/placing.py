"""Which heading of an export is which column: words, units, figures and neighbours weighed together.

A file is tried as each kind of record that the contract knows (job sheets, a register of units, calls, a team list,
gauge logs ...), and is taken for the kind that explains most of its headings. A heading whose evidence is thin is left
without a place: it is kept aside on loading, and a wrong place would be worse.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from pipelines import units
from pipelines.column_evidence import (
    Mark,
    Profile,
    UnitChoice,
    date_order_of,
    decimal_mark_of,
    in_possible_range,
    in_usual_range,
    profile_of,
    system_of_units,
    translated,
    unit_of_column,
)
from pipelines.contract import STEPS
from pipelines.heading_match import Heading, Place, WordFit, all_places, heading_of, word_fit
from pipelines.sampling import Look

SURE, LIKELY, ENOUGH = 0.92, 0.74, 0.62
_NAMES_OR_NUMBERS = frozenset(
    ("area", "phone", "model", "form", "crew", "branch", "blower_setting", "setting", "helper_ids")
)
_CLOSE = 0.03  # two meanings nearer than this cannot be told apart

# Columns whose words are of the trade and of nothing else: they tell the column even under a heading nobody knows
_TELLING = frozenset(
    ("refrigerant", "equipment", "metering", "finding", "call_kind", "job_kind", "air_handler", "quantity", "step")
)
_OF_THE_TRADE = frozenset(
    ("systems.equipment", "systems.refrigerant", "systems.nominal_tons", "systems.metering", "systems.agreement",
     "systems.retired_on", "jobs.job_kind", "jobs.joints", "jobs.line_set_ft", "jobs.brazed_joints")
)  # fmt: skip
# Of a job, though a register of units often holds it
_OF_THE_JOB = ("joints", "brazed_joints", "line_set_ft", "line_set_reused", "ducts_kept", "installed_by", "branch")


@dataclass(frozen=True)
class Shape:
    """One kind of record: the tables it fills, the column that tells its rows apart, and what it must hold."""

    name: str
    tables: tuple[str, ...]
    key: str = ""
    needs: tuple[str, ...] = ()
    needs_any: tuple[str, ...] = ()
    any_count: int = 1
    also: tuple[str, ...] = ()

    def holds(self, place: Place) -> bool:
        return place.table in self.tables or place.name in self.also or place.kind == "none"


_STEP_PLACES = tuple(name for name in all_places() if all_places()[name].step)
SHAPES: tuple[Shape, ...] = (
    Shape(
        "jobs", ("jobs", "systems", "sites", *STEPS), "jobs.job_id", (),
        ("jobs.finished_on", "jobs.job_kind", "jobs.technician_id", "jobs.joints", "jobs.line_set_ft", *_STEP_PLACES), 2,
    ),
    Shape(
        "systems", ("systems", "sites"), "systems.system_id", (),
        ("systems.equipment", "systems.refrigerant", "systems.nominal_tons", "systems.metering", "systems.model",
         "systems.agreement", "systems.last_contact_on", "systems.site_id", "systems.retired_on", "systems.warranty_until"),
        also=tuple(f"jobs.{name}" for name in _OF_THE_JOB),
    ),
    Shape("sites", ("sites",), "sites.site_id", (),
          ("sites.label", "sites.address", "sites.latitude", "sites.altitude_ft", "sites.area", "sites.phone")),
    Shape("calls", ("calls",), "calls.call_id", ("calls.system_id",),
          ("calls.finding", "calls.call_kind", "calls.opened_on", "calls.cost"), 2),
    Shape("technicians", ("technicians",), "technicians.technician_id", (),
          ("technicians.name", "technicians.crew", "technicians.branch", "technicians.firm", "technicians.hired_on",
           "technicians.left_on")),
    Shape("training", ("training",), "", ("training.technician_id", "training.held_on"),
          ("training.step", "training.course")),
    Shape("steps", ("steps",), "", ("steps.job_id", "steps.step"), ("steps.ticked", "steps.started_at", "steps.ended_at")),
    Shape("readings", ("readings",), "", ("readings.job_id", "readings.quantity", "readings.value")),
    Shape("traces", ("traces",), "", ("traces.elapsed_s",),
          ("traces.vacuum", "traces.test_pressure", "traces.test_temperature", "traces.value")),
    Shape("instruments", ("instruments",), "instruments.instrument_id", (),
          ("instruments.kind", "instruments.calibrated_on", "instruments.due_on")),
    Shape("inspections", ("inspections",), "",
          ("inspections.job_id", "inspections.quantity", "inspections.value"),
          ("inspections.inspected_on", "inspections.inspector_id")),
    Shape("equipment_limits", ("equipment_limits",), "",
          ("equipment_limits.model", "equipment_limits.quantity"),
          ("equipment_limits.at_least", "equipment_limits.at_most")),
    Shape("blower_table", ("blower_table",), "",
          ("blower_table.model", "blower_table.setting", "blower_table.total_static_inwc"), ("blower_table.airflow_cfm",)),
)  # fmt: skip
_INHERITED = ("job_id", "system_id", "step", "technician_id")


@dataclass(frozen=True)
class Placed:
    """One heading at its place, and why."""

    heading: str
    place: Place
    score: float
    unit: UnitChoice
    why: tuple[str, ...]
    words: dict[str, str] = field(default_factory=dict)
    untranslated: tuple[str, ...] = ()
    with_date_of: str = ""  # heading of the date that a time of the day needs
    rival: str = ""

    @property
    def sureness(self) -> str:
        if self.rival or self.score < LIKELY:
            return "look at it"
        # a unit that nobody wrote is never sure, however well the figures suit it
        return "sure" if self.score >= SURE and self.unit.how not in ("figures", "neighbours") else "likely"


@dataclass
class Layout:
    """A look with what it was taken for.

    inherited : key columns that a nested list takes from what holds it, by name -> heading.
    aside : headings that are known but have no place, with the reason; guesses : the best place of headings left out.
    """

    look: Look
    shape: Shape | None
    placed: dict[str, Placed] = field(default_factory=dict)
    inherited: dict[str, str] = field(default_factory=dict)
    aside: dict[str, str] = field(default_factory=dict)
    guesses: dict[str, str] = field(default_factory=dict)
    decimal: Mark = field(default_factory=lambda: Mark(None))
    date_order: Mark = field(default_factory=lambda: Mark(None))
    total: float = 0.0
    decimal_by: dict[str, Mark] = field(default_factory=dict)
    date_order_by: dict[str, Mark] = field(default_factory=dict)

    def heading_at(self, place: str) -> str | None:
        return self.placed[place].heading if place in self.placed else None

    @property
    def left_out(self) -> list[str]:
        taken = {placed.heading for placed in self.placed.values()} | {p.with_date_of for p in self.placed.values()}
        return [heading for heading in self.look.headings if heading not in taken]


@dataclass
class KnownIds:
    """Numbers met in columns that surely hold them: they tell the same column in other files."""

    job_id: set[str] = field(default_factory=set)
    system_id: set[str] = field(default_factory=set)
    technician_id: set[str] = field(default_factory=set)
    site_id: set[str] = field(default_factory=set)

    def of(self, column: str) -> set[str]:
        return getattr(self, column, set())


# --- one heading against one place


@dataclass
class _Column:
    heading: Heading
    profile: Profile
    parents: int
    section: frozenset[str] = frozenset()
    other_profile: Profile | None = None


@dataclass(frozen=True)
class _Candidate:
    heading: str
    place: Place
    score: float
    unit: UnitChoice
    why: tuple[str, ...]
    order: int


class Weighing:
    """All headings of one look against all places, and the choice among them."""

    def __init__(self, look: Look, known: KnownIds) -> None:
        self.look, self.known = look, known
        self.inherited: dict[str, str] = {}
        self.marks = marks_of(look)
        self.decimal, self.date_order = self.marks.decimal, self.marks.date_order
        self.columns: list[_Column] = []
        for heading, cells in zip(look.headings, look.columns, strict=True):
            plain = heading_of(_spoken(heading))
            if heading in look.heading_units and (unit := units.unit_named(look.heading_units[heading])) is not None:
                plain = Heading(heading, plain.words, plain.words_with_unit, unit.name, look.heading_units[heading])
            mark = "." if look.typed else self.decimal.found or self.marks.decimal_by.get(heading, Mark(None)).found
            column = _Column(plain, profile_of(cells, mark), _parents(look, heading))
            if mark is None and self.decimal.is_open and heading in self.marks.decimal_by:
                column.other_profile = profile_of(cells, ",")  # the file leaves it open: either reading may fit
            self.columns.append(column)
        named = {column.heading.unit for column in self.columns if column.heading.unit}
        self.named_units = frozenset(named)
        self.system = system_of_units(named)
        self._fits: dict[tuple[int, str], tuple[float, UnitChoice, tuple[str, ...]] | None] = {}
        self._sections()

    def know(self, known: KnownIds, inherited: dict[str, str]) -> None:
        """Weigh anew with numbers met in other files, and with what the holder of a nested list gives it."""
        self.known, self.inherited = known, inherited
        self._fits = {key: fit for key, fit in self._fits.items() if not key[1].endswith("_id")}

    @property
    def found_marks(self) -> dict[str, Any]:
        marks = self.marks
        return {
            "decimal": marks.decimal,
            "date_order": marks.date_order,
            "decimal_by": marks.decimal_by,
            "date_order_by": marks.date_order_by,
        }

    # the steps that headings stand beside

    def _sections(self) -> None:
        """A heading stands beside the step of the headings next to it: "from", "to" after "standing test"."""
        own: list[str | None] = []
        strong_elsewhere: list[bool] = []
        for n, column in enumerate(self.columns):
            best, best_elsewhere = (0.0, ""), 0.0
            for place in all_places().values():
                if place.kind == "none" or not (place.step or place.table in ("jobs", "systems", "sites")):
                    continue
                words = word_fit(column.heading, place, frozenset(), column.parents)
                if words.score < 0.7 or self._values(n, place) is None:
                    continue
                if place.step and words.score > best[0]:
                    best = (words.score, place.step)
                elif not place.step:
                    best_elsewhere = max(best_elsewhere, words.score)
            own.append(best[1] if best[0] >= 0.8 and best[0] >= best_elsewhere else None)
            strong_elsewhere.append(best_elsewhere >= 0.85 and best_elsewhere > best[0])
        left: str | None = None
        for n, column in enumerate(self.columns):
            beside = {left} if left else set()
            step = own[n]
            if step is not None:
                left = step
                beside.add(step)
            elif strong_elsewhere[n]:
                left = None
            following = own[n + 1] if n + 1 < len(own) else None
            if following and not own[n]:
                beside.add(following)
            column.section = frozenset(step for step in beside if step)

    # weighing

    def candidates(self, shape: Shape) -> list[_Candidate]:
        found = []
        for n in range(len(self.columns)):
            for place in all_places().values():
                if not shape.holds(place):
                    continue
                fit = self._fit(n, place)
                if fit is not None and fit[0] >= 0.4:
                    found.append(_Candidate(self.look.headings[n], place, fit[0], fit[1], fit[2], n))
        return sorted(found, key=lambda c: (-c.score, c.order))

    def _fit(self, n: int, place: Place) -> tuple[float, UnitChoice, tuple[str, ...]] | None:
        key = (n, place.name)
        if key not in self._fits:
            self._fits[key] = self._weigh(n, place)
        return self._fits[key]

    def _weigh(self, n: int, place: Place) -> tuple[float, UnitChoice, tuple[str, ...]] | None:
        column = self.columns[n]
        words = word_fit(column.heading, place, column.section, column.parents)
        telling = (place.column in _TELLING and place.table != "instruments") or place.name in (
            "readings.unit",
            "inspections.unit",
        )
        by_ids = (
            place.column in _INHERITED
            and bool(self.known.of(place.column))
            and place.table not in ("systems", "technicians")
        )
        if words.score < 0.3 and not telling and not by_ids:
            return None
        values = self._values(n, place)
        if values is None:
            return None
        change, unit, why = values
        score = words.score + change
        if words.score >= 0.3:
            why = (_said(words), *why)
        if words.score < 0.5 and place.column == "unit":
            share = sum(t for text, t in column.profile.counts.items() if units.unit_named(text)) / max(
                1, column.profile.filled
            )
            if share >= 0.95 and column.profile.different >= 2:
                score = max(score, 0.68)
        elif words.score < 0.5 and telling:
            translation, _, share = translated(column.profile, place)
            if (
                share >= 0.9
                and not all(text.isdigit() for text in translation)
                and (len(set(translation.values())) >= 2 or place.column == "refrigerant")
                and not (place.column == "quantity" and len(set(translation.values())) < 3)
            ):
                score = max(score, 0.68)
        if place.column in ("job_id", "system_id", "technician_id", "site_id"):
            overlap = self._overlap(column.profile, place.column)
            if overlap is not None:
                if overlap >= 0.6:
                    score = max(score + 0.1, 0.7 if overlap >= 0.9 and column.profile.different >= 5 else 0.0)
                    why = (*why, f"its numbers are those of the {_PLAIN_ID[place.column]} in the other files")
                elif overlap < 0.05 and len(self.known.of(place.column)) >= 20:
                    score -= 0.2
        return score, unit, why

    def _overlap(self, profile: Profile, column: str) -> float | None:
        known = self.known.of(column)
        if not known or not profile.different:
            return None
        return sum(text in known for text in profile.counts) / profile.different

    def _values(self, n: int, place: Place) -> tuple[float, UnitChoice, tuple[str, ...]] | None:
        """(change of the score, unit, reasons) from the cells and the unit in the heading; None where they forbid it."""
        column = self.columns[n]
        profile, heading = column.profile, column.heading
        none = UnitChoice(None, "only")
        if place.kind == "none":
            is_dates = profile.date_share >= 0.8 and not profile.compact_dates
            return None if is_dates != (place.name == "-.booked") and profile.filled else (0.0, none, ())
        is_value = place.column == "value"
        if place.kind not in ("number", "integer") and heading.unit is not None:
            if len(heading.unit_as_written) > 1 and heading.words and place.kind != "text":
                return None
            if place.kind != "text" and not heading.words:
                return None
        if not profile.filled:
            if place.unit_kind and heading.unit:
                unit = unit_of_column(place, heading.unit, profile, self.named_units, self.system)
                return (-0.1, unit, ("no cell is filled",)) if unit.suits else None
            if place.kind == "number" and place.unit_kind and place.unit_kind != "money" and place.step:
                return None
            return -0.12, none, ("no cell is filled",)
        match place.kind:
            case "number" | "integer":
                if place.name == "traces.elapsed_s" and profile.date_share >= 0.8 and profile.with_clock_share >= 0.5:
                    return 0.05, UnitChoice(None, "since"), ("times of the day",)
                found = self._figures(n, place, is_value, profile)
                if column.other_profile is not None:
                    other = self._figures(n, place, is_value, column.other_profile)
                    if other is not None and (found is None or other[0] > found[0]):
                        return other
                return found
            case "date":
                if profile.date_share < 0.8 or (profile.compact_dates and "date" not in heading.words):
                    return None
                return (0.0 if profile.with_clock_share < 0.5 else -0.05), none, ("dates",)
            case "time":
                if profile.clock_share >= 0.8:
                    return -0.05, none, ("times of the day",)
                if profile.date_share < 0.8:
                    return None
                return (0.0 if profile.with_clock_share >= 0.2 else -0.25), none, ("times",)
            case "tick" | "flag":
                return self._codes(profile, place, 0.8)
            case "code":
                if place.column == "unit":
                    share = sum(t for text, t in profile.counts.items() if units.unit_named(text)) / profile.filled
                    return (0.1, none, ("units",)) if share >= 0.5 else None
                if profile.date_share >= 0.8 and not profile.compact_dates:
                    return None
                return self._codes(profile, place, 0.25)
        return self._text(profile, place, none)

    def _figures(
        self, n: int, place: Place, is_value: bool, profile: Profile
    ) -> tuple[float, UnitChoice, tuple[str, ...]] | None:
        column = self.columns[n]
        if profile.figure_share < (0.4 if is_value else 0.8) or not profile.values:
            return None
        if place.kind == "integer" and any(value != int(value) for value in profile.values):
            return None
        if is_value:
            return (
                (0.05 if profile.figure_share >= 0.8 else 0.0),
                UnitChoice(column.heading.unit, "heading"),
                ("figures",),
            )
        if place.name.startswith("equipment_limits.at_"):
            return 0.0, UnitChoice(None, "only"), ("figures",)
        unit = unit_of_column(place, column.heading.unit, profile, self.named_units, self.system)
        if not unit.suits:
            return None
        why: list[str] = []
        change = 0.0
        if unit.unit and unit.how == "heading":
            change += 0.05
            why.append(f"unit {column.heading.unit_as_written} in the heading")
        elif unit.unit and unit.how == "cells":
            change += 0.05
            why.append(f"unit {profile.suffix} in the cells")
        elif unit.unit and unit.how == "figures":
            change -= 0.05
            why.append(f"no unit is written; only {unit.unit} suits the figures")
        elif unit.unit and unit.how == "neighbours":
            change -= 0.08
            why.append(f"no unit is written; {unit.unit} as in its neighbours suits the figures")
        elif unit.unit:
            pass  # only one unit is ever used for it
        elif unit.open_between:
            change -= 0.05
            why.append(f"no unit is written; the figures suit {' and '.join(unit.open_between)}")
        elif place.unit_kind and place.unit_kind != "money":
            if place.step or place.table == "traces":
                return None  # a reading without a unit is no reading
            change -= 0.3
            unit = UnitChoice(place.unit, "contract")
        if unit.unit and place.unit:
            if in_possible_range(place, profile.values, unit.unit) < 0.7:
                return None
            usual = in_usual_range(place, profile.values, unit.unit)
            if usual is not None:
                low, high = min(profile.values), max(profile.values)
                if usual >= 0.8:
                    change += 0.05
                    why.append(f"figures {low:g} to {high:g} are usual for it")
                elif usual < 0.3:
                    change -= 0.3
                    why.append(f"figures {low:g} to {high:g} are unusual for it")
        if set(profile.values) <= {0.0, 1.0} and profile.different <= 2 and profile.filled > 20:
            change -= 0.3
        return change, unit, tuple(why)

    @staticmethod
    def _codes(profile: Profile, place: Place, least: float) -> tuple[float, UnitChoice, tuple[str, ...]] | None:
        none = UnitChoice(None, "only")
        words, _, share = translated(profile, place)
        if share < least or (place.kind in ("tick", "flag") and profile.different > 12):
            return None
        shown = ", ".join(f"{word} = {code}" for word, code in list(words.items())[:2] if word.lower() != code.lower())
        why = (f"words of the trade{f' ({shown})' if shown else ''}",)
        if place.kind in ("tick", "flag"):
            return 0.03, none, why
        if share >= 0.8:
            # one word alone, such as "no", tells less than several
            return (0.12 if len(set(words.values())) > 1 else 0.06), none, why
        return (0.03 if share >= 0.5 else -0.15), none, (*why, f"{1 - share:.0%} of the cells hold words not known")

    @staticmethod
    def _text(profile: Profile, place: Place, none: UnitChoice) -> tuple[float, UnitChoice, tuple[str, ...]] | None:
        if profile.date_share >= 0.8 and not profile.compact_dates:
            return None
        fractions = sum(value != int(value) for value in profile.values if abs(value) < 1e15)
        if place.column.endswith("_id"):
            if fractions > 0.2 * max(1, len(profile.values)) and profile.figure_share >= 0.8:
                return None
            if profile.flag_share >= 0.95 and profile.different <= 2 and profile.filled > 5:
                return None
            long = sum(len(text.split()) > 4 for text in profile.counts) / max(1, profile.different)
            return (-0.3 if long > 0.5 else 0.0), none, ()
        if place.column in ("name", "label", "address", "contact", "firm", "course"):
            return (-0.3 if profile.figure_share >= 0.9 else 0.0), none, ()
        if (
            place.column in _NAMES_OR_NUMBERS
            and fractions > 0.5 * max(1, len(profile.values))
            and profile.figure_share >= 0.9
        ):
            return None
        return 0.0, none, ()

    # choosing

    def as_shape(self, shape: Shape) -> Layout | None:
        """The look taken for one kind of record; None where what that kind must hold is not there."""
        layout = Layout(self.look, shape, inherited=dict(self.inherited), **self.found_marks)
        taken: set[str] = set()
        candidates = self.candidates(shape)
        profiles = dict(zip(self.look.headings, (column.profile for column in self.columns), strict=True))
        names_quantity = any(c.place.name == "traces.quantity" and c.score >= ENOUGH for c in candidates)
        for candidate in candidates:
            heading, place = candidate.heading, candidate.place
            if heading in taken or place.name in layout.placed:
                continue
            if candidate.score < ENOUGH:
                layout.guesses.setdefault(heading, place.name)
                continue
            if place.name == "traces.value" and not names_quantity:
                continue  # a log without a column of quantities holds one quantity in each column
            if place.name == shape.key and not self._tells_rows_apart(profiles[heading]):
                continue
            if place.kind == "none":
                taken.add(heading)
                layout.aside[heading] = place.note
                continue
            if self._same_as(place, layout, heading):
                continue
            rival = self._rival(candidate, candidates, layout, taken)
            if (
                rival is not None
                and rival.score >= candidate.score - _CLOSE
                and rival.place.kind == place.kind
                and place.step
            ):
                # two readings equally likely: neither is taken
                layout.guesses.setdefault(heading, f"{place.name} or {rival.place.name}")
                taken.add(heading)
                continue
            taken.add(heading)
            layout.placed[place.name] = self._placed(candidate, profiles[heading], layout)
        self._key_by_cells(layout, shape, taken, profiles)
        self._only_figures(layout, shape, taken, profiles)
        layout.guesses = {
            heading: guess for heading, guess in layout.guesses.items() if heading not in taken or "or" in guess
        }
        self._times_of_day(layout)
        return layout if self._is_whole(layout, shape) else None

    def _key_by_cells(self, layout: Layout, shape: Shape, taken: set[str], profiles: dict[str, Profile]) -> None:
        """Where no heading names the key: the first column that numbers the rows, if the rest is that kind of record."""
        if not shape.key or shape.key in layout.placed or self.look.list_path:
            return
        explained = [name for name in layout.placed if name in shape.needs_any]
        if len(explained) < max(2, shape.any_count) or shape.name not in ("jobs", "systems", "calls", "technicians"):
            return
        place = all_places()[shape.key]
        n_rows = max((profile.filled for profile in profiles.values()), default=0)
        for heading, profile in profiles.items():
            is_number = not profile.date_share >= 0.8 and not any(
                value != int(value) for value in profile.values if abs(value) < 1e15
            )
            if (
                heading not in taken
                and n_rows >= 5
                and profile.filled >= 0.98 * n_rows
                and profile.unique_share >= 0.98
                and is_number
                and all(len(text) <= 24 and len(text.split()) <= 2 for text in profile.texts[:200])
            ):
                taken.add(heading)
                why = ("no heading names it; it is the first column whose cells are different in every row",)
                layout.placed[place.name] = Placed(heading, place, 0.66, UnitChoice(None, "only"), why)
                return

    def _only_figures(self, layout: Layout, shape: Shape, taken: set[str], profiles: dict[str, Profile]) -> None:
        """Long readings whose value stands under a heading nobody knows: the one column of figures that is left."""
        name = f"{shape.name}.value"
        if (
            shape.name not in ("readings", "inspections")
            or name in layout.placed
            or f"{shape.name}.quantity" not in layout.placed
        ):
            return
        left = [
            heading for heading, profile in profiles.items() if heading not in taken and profile.figure_share >= 0.6
        ]
        if len(left) == 1:
            taken.add(left[0])
            why = ("it is the only column of figures",)
            layout.placed[name] = Placed(left[0], all_places()[name], 0.7, UnitChoice(None, "only"), why)

    def _tells_rows_apart(self, profile: Profile) -> bool:
        return bool(profile.filled) and profile.filled >= 0.7 * profile.n_cells and profile.unique_share >= 0.75

    @staticmethod
    def _same_as(place: Place, layout: Layout, heading: str) -> bool:
        """A column that is given by its twin already: the unit of a job is the unit of the register's row."""
        twin = {"systems.system_id": "jobs.system_id", "jobs.system_id": "systems.system_id", "sites.site_id": "systems.site_id",
                "systems.site_id": "sites.site_id", "sites.area": "systems.area", "systems.area": "sites.area"}.get(place.name)  # fmt: skip
        return twin is not None and twin in layout.placed

    @staticmethod
    def _rival(chosen: _Candidate, candidates: list[_Candidate], layout: Layout, taken: set[str]) -> _Candidate | None:
        """Another place, still free, that fits the same heading about as well, and that no other heading fits better."""
        for other in candidates:
            if other.heading != chosen.heading or other.place.name == chosen.place.name or other.place.kind == "none":
                continue
            if other.place.name in layout.placed or other.score < chosen.score - _CLOSE:
                continue
            better = any(
                c.place.name == other.place.name
                and c.heading != chosen.heading
                and c.heading not in taken
                and c.score >= other.score - 0.01
                for c in candidates
            )
            if not better:
                return other
        return None

    def _placed(self, candidate: _Candidate, profile: Profile, layout: Layout) -> Placed:
        place = candidate.place
        words, untranslated = {}, []
        if place.kind in ("code", "tick", "flag") and place.column != "unit":
            words, untranslated, _ = translated(profile, place)
        score = candidate.score
        if untranslated and profile.filled:
            score -= min(0.2, len(untranslated) / max(1, profile.different))
        return Placed(candidate.heading, place, score, candidate.unit, candidate.why, words, tuple(untranslated))

    def _times_of_day(self, layout: Layout) -> None:
        """A time of the day is a time only with its date: that of the row, where the row has one."""
        profiles = dict(zip(self.look.headings, (column.profile for column in self.columns), strict=True))
        date = next(
            (layout.heading_at(name) for name in ("jobs.finished_on", "readings.taken_at") if layout.heading_at(name)),
            None,
        )
        if date is None:
            date = next((h for h, p in profiles.items() if p.date_share >= 0.8 and p.with_clock_share < 0.5
                         and h not in {placed.heading for placed in layout.placed.values()}), None)  # fmt: skip
        for name, placed in list(layout.placed.items()):
            if placed.place.kind == "time" and profiles[placed.heading].clock_share >= 0.8:
                if date is None or profiles[date].with_clock_share >= 0.5 or date == placed.heading:
                    del layout.placed[name]
                    layout.aside[placed.heading] = "a time of the day, and no heading gives the date that it belongs to"
                else:
                    layout.placed[name] = Placed(**{**vars(placed), "with_date_of": date})

    def _is_whole(self, layout: Layout, shape: Shape) -> bool:
        has = set(layout.placed)
        own = set(has)
        for column in self.inherited:
            has |= {f"{table}.{column}" for table in shape.tables}
        if self.look.list_path and not own:
            return False
        if not set(shape.needs) <= has:
            return False
        if len(own & set(shape.needs_any)) < (shape.any_count if shape.needs_any else 0):
            return False
        names_unit = bool({"systems.system_id", "jobs.system_id"} & has)
        # without the unit's number, only the trade's own columns tell a job of ours from any list of work
        if shape.name == "jobs" and not names_unit and not any(all_places()[n].step or n in _OF_THE_TRADE for n in own):
            return False
        if shape.name == "systems" and not own & _OF_THE_TRADE and len(own & set(shape.needs_any)) < 2:
            return False
        if shape.name == "traces":
            value = layout.placed.get("traces.value")
            if (
                value is not None
                and "traces.quantity" not in has
                and not (own & {"traces.vacuum", "traces.test_pressure"})
            ):
                return False
        if shape.key and shape.key not in has:
            return shape.name in ("jobs", "calls") and self._has_other_key(layout, shape)
        return True

    def _has_other_key(self, layout: Layout, shape: Shape) -> bool:
        """Rows without a number of their own are told apart by their unit and day."""
        parts = [
            layout.heading_at(name)
            for name in (
                (f"{shape.name}.system_id"),
                ("jobs.finished_on" if shape.name == "jobs" else "calls.opened_on"),
            )
        ]
        if None in parts:
            return False
        columns = [self.look.cells(part) for part in parts if part]
        rows = [row for row in zip(*columns, strict=True) if all(row)]
        return bool(rows) and len(set(rows)) >= 0.9 * len(rows) and len(rows) >= 0.7 * len(columns[0])


def _spoken(heading: str) -> str:
    return re.sub(r"^column \d+$", "", heading)


def _parents(look: Look, heading: str) -> int:
    """How many words of a JSON heading name what holds the field."""
    if look.kind != "jsonl" or "." not in heading:
        return 0
    return len(heading_of(heading.rpartition(".")[0]).words_with_unit)


_PLAIN_ID = {"job_id": "jobs", "system_id": "units", "technician_id": "technicians", "site_id": "sites"}


def _said(words: WordFit) -> str:
    return f'the heading says "{words.phrase}"'


@dataclass(frozen=True)
class FileMarks:
    """Decimal mark and date order of a file, and of its columns where these differ."""

    decimal: Mark
    date_order: Mark
    decimal_by: dict[str, Mark]
    date_order_by: dict[str, Mark]


def marks_of(look: Look) -> FileMarks:
    """What the cells of a look prove or leave open."""
    figures: dict[str, list[str]] = {}
    dates: dict[str, list[str]] = {}
    for heading, cells in zip(look.headings, look.columns, strict=True):
        texts = list(dict.fromkeys(text for text in cells if text))
        some = texts[:: max(1, len(texts) // 60)]
        if not some:
            continue
        n_dates = sum(bool(re.match(r"\d{1,2}([./-])\d{1,2}\1(\d{4}|\d{2})\b", text)) for text in some)
        n_figures = sum(bool(re.match(r"[<>$€£(+\-\s]*[\d.,]", text)) for text in some)
        if n_dates >= 0.6 * len(some):
            dates[heading] = texts
        elif n_figures >= 0.6 * len(some) and not look.typed:
            figures[heading] = texts
    decimal_by = {heading: decimal_mark_of(texts) for heading, texts in figures.items()}
    order_by = {heading: date_order_of(texts) for heading, texts in dates.items()}
    return FileMarks(_together(decimal_by), _together(order_by), decimal_by, order_by)


def _together(by_heading: dict[str, Mark]) -> Mark:
    """The mark of the file: one that all its columns agree on, else open only where a column itself is."""
    found = {mark.found: mark for mark in by_heading.values() if mark.found}
    if len(found) == 1 and not any(mark.is_mixed for mark in by_heading.values()):
        return next(iter(found.values()))
    mixed = next((mark for mark in by_heading.values() if mark.is_mixed), None)
    unsure = mixed or next((mark for mark in by_heading.values() if mark.is_open), None)
    return unsure or Mark(None)


# --- all looks together


def lay_out(looks: list[Look]) -> list[Layout]:
    """What each look was taken for, each heading weighed with what the other files say."""
    weighings = [Weighing(look, KnownIds()) for look in looks]
    layouts = _pass(weighings, KnownIds())
    # numbers of jobs, units and technicians that one file surely holds tell the same columns in the others
    return _pass(weighings, _ids_of(layouts))


def _pass(weighings: list[Weighing], known: KnownIds) -> list[Layout]:
    by_look: dict[int, Layout] = {}
    for weighing in weighings:
        look = weighing.look
        weighing.know(known, _inherited(by_look.get(id(look.parent))) if look.parent is not None else {})
        by_look[id(look)] = best_layout(weighing)
    return [by_look[id(weighing.look)] for weighing in weighings]


def best_layout(weighing: Weighing) -> Layout:
    """The kind of record that explains most of the headings; a layout without one where none does."""
    best: Layout | None = None
    for shape in SHAPES:
        if weighing.inherited and shape.name in ("jobs", "technicians", "sites", "instruments", "training"):
            continue
        layout = weighing.as_shape(shape)
        if layout is None:
            continue
        layout.total = _explained(layout)
        if best is None or layout.total > best.total + 1e-9:
            best = layout
    if best is None:
        best = Layout(weighing.look, None, **weighing.found_marks)
        for shape in SHAPES:
            for candidate in weighing.candidates(shape):
                if candidate.score >= 0.55 and candidate.place.kind != "none":
                    best.guesses.setdefault(candidate.heading, candidate.place.name)
    return best


def _explained(layout: Layout) -> float:
    """How much of a file a kind of record explains: the evidence of all that was placed."""
    total = sum(min(placed.score, 1.1) for placed in layout.placed.values())
    shape = layout.shape
    if shape is not None and shape.key and shape.key in layout.placed:
        total += 0.3
    if shape is not None and shape.name in ("steps", "readings", "traces", "inspections"):
        total += 0.3  # few columns, all of them telling
    # columns that a job only borrows from its register tell nothing about what the sheet is
    total -= 0.6 * sum(1 for name in layout.placed if shape is not None and name in shape.also)
    return total + 0.02 * len(layout.aside)


def _inherited(parent: Layout | None) -> dict[str, str]:
    if parent is None:
        return {}
    found = dict(parent.inherited)
    for name, placed in parent.placed.items():
        table, _, column = name.partition(".")
        if column in _INHERITED and table in ("jobs", "systems", "steps", "calls") and column not in found:
            found[column] = placed.heading
    return found


def _ids_of(layouts: list[Layout]) -> KnownIds:
    known = KnownIds()
    for layout in layouts:
        if layout.shape is None:
            continue
        for name, placed in layout.placed.items():
            column = placed.place.column
            defining = name == layout.shape.key or (
                layout.shape.name == "jobs" and name in ("jobs.system_id", "systems.system_id", "jobs.technician_id")
            )
            if column in ("job_id", "system_id", "technician_id", "site_id") and defining:
                known.of(column).update(text for text in layout.look.cells(placed.heading) if text)
    return known
