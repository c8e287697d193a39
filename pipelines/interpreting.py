"""What the rows of a file say, by its mapping: typed rows of the contract's tables, and what could not be read.

This is the full meaning, cell by cell. Files in the contract's own headings whose cells are all plain take a shorter
way in staging.py, which must agree with this one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pipelines import cell_text, units
from pipelines.cell_text import Ambiguous, Unreadable, as_text, is_blank
from pipelines.contract import QUANTITY_UNIT, TABLE_BY_NAME, TRACE_QUANTITY_UNIT, Column, Table
from pipelines.errors import InputError
from pipelines.mapping import Cell, OnlyIf, Source, StepFeed, TableFeed
from pipelines.readers import RawRows, is_nested
from pipelines.staging import STEP_OF_TRACE

# A reading's text columns beside the contract's own
READING_EXTRAS = ("value_text", "original_value", "original_unit")
# Where a figure's unit and range follow from its step and quantity
MEASURED_TABLES = ("readings", "traces", "inspections")
# a day and a time of it, as a column of elapsed seconds may hold them
_CLOCK = re.compile(r"\d[-/.]\d{1,2}[-/.]\d+[ T,]+\d{1,2}:\d\d")


@dataclass(frozen=True)
class Rejected:
    """A cell (scope "value") or a row (scope "row") that was not taken, and why."""

    line: int
    scope: str
    table: str
    column: str
    value: str
    reason: str
    row_text: str


@dataclass(frozen=True)
class UnreadReading:
    """A reading that was written but could not be taken, of a job that may be known."""

    job_id: str
    step: str
    quantity: str
    value: str
    reason: str
    line: int


@dataclass
class TypedRows:
    """Rows of one contract table out of one file.

    columns : by contract name (and READING_EXTRAS), one cell for each row; flawed : rows of which a value was rejected;
    supplied : the columns that the file speaks of; above_zero : for each reading in an absolute pressure, its index,
    since it becomes a gauge pressure only once the altitude of its job is known.
    """

    table: Table
    columns: dict[str, list[Any]]
    lines: list[int]
    extra: list[str | None]
    flawed: list[bool]
    supplied: tuple[str, ...]
    rejected: list[Rejected] = field(default_factory=list)
    unread: list[UnreadReading] = field(default_factory=list)
    above_zero: list[int] = field(default_factory=list)
    passed_lines: set[int] = field(default_factory=set)


@dataclass
class FileContext:
    """What holds for the whole of one file: its name's parts, its marks and its other sources.

    look_up : (source name, key heading, wanted heading) -> {key's text: cell}, read when first asked for.
    """

    shown: str
    name_parts: dict[str, str] = field(default_factory=dict)
    sheet: str = ""
    look_up: Callable[[str, str, str], dict[str, Any]] | None = None
    notes: list[str] = field(default_factory=list)


@dataclass
class Feed:
    """One contract table as one source fills it; step is given where the feed is a wide step."""

    table: Table
    columns: dict[str, Cell]
    list: str = ""
    only_if: OnlyIf | None = None
    step: str = ""
    readings: dict[str, Cell] = field(default_factory=dict)

    @property
    def cells(self) -> list[Cell]:
        return [*self.columns.values(), *self.readings.values()]


def feeds_of(source: Source) -> list[Feed]:
    """Every table that one source fills, wide steps spread into steps and readings."""
    feeds = [_feed_of_table(feed) for feed in source.table]
    job_id = source.job_id
    for feed in source.table:
        if job_id is None and feed.table == "jobs":
            job_id = feed.columns["job_id"]
    for step in source.step:
        if job_id is not None:
            feeds += _feeds_of_step(step, job_id)
    return feeds


def _feed_of_table(feed: TableFeed) -> Feed:
    return Feed(feed.contract, dict(feed.columns), feed.list, feed.only_if)


def _feeds_of_step(step: StepFeed, job_id: Cell) -> list[Feed]:
    own: dict[str, Cell] = {"job_id": job_id, "step": Cell(constant=step.step)}
    feeds = []
    said = {
        name: cell
        for name in ("ticked", "started_at", "ended_at", "technician_id")
        if (cell := getattr(step, name)) is not None
    }
    if said:
        feeds.append(Feed(TABLE_BY_NAME["steps"], {**own, **said}, "", step.only_if, step.step))
    if step.readings:
        beside = {name: cell for name in ("taken_at", "instrument_id") if (cell := getattr(step, name)) is not None}
        feeds.append(
            Feed(TABLE_BY_NAME["readings"], {**own, **beside}, "", step.only_if, step.step, dict(step.readings))
        )
    return feeds


# --- headings


def _normal(heading: str) -> str:
    return " ".join(heading.split()).lower()


def find_heading(raw: RawRows, heading: str) -> str | None:
    """The heading as the file writes it: exactly, else whatever its case and spaces."""
    if heading in raw.columns:
        return heading
    wanted = _normal(heading)
    for known in raw.headings:
        if _normal(known) == wanted:
            return known
    return None


def missing_headings(source: Source, raw_of_list: Callable[[str], RawRows]) -> list[str]:
    """Headings that the mapping names and the file lacks."""
    missing: dict[str, None] = {}
    for feed in feeds_of(source):
        raw = raw_of_list(feed.list)
        if not raw.height:
            continue
        wanted = [heading for cell in feed.cells for heading in cell.headings_read]
        if feed.only_if:
            wanted.append(feed.only_if.heading)
        missing.update((heading, None) for heading in wanted if find_heading(raw, heading) is None)
    return list(missing)


# --- marks of a file


@dataclass
class Marks:
    """Decimal mark and date order by heading: the file's own where its cells prove one, else that of the column."""

    decimal: dict[str, str | None]
    order: dict[str, str | None]
    decimal_of_file: str | None
    order_of_file: str | None

    def decimal_mark(self, cell: Cell, source: Source) -> str | None:
        return cell.decimal_mark or source.decimal_mark or self._of(cell, self.decimal, self.decimal_of_file)

    def date_order(self, cell: Cell, source: Source) -> str | None:
        return cell.date_order or source.date_order or self._of(cell, self.order, self.order_of_file)

    @staticmethod
    def _of(cell: Cell, by_heading: dict[str, str | None], of_file: str | None) -> str | None:
        if of_file is not None:
            return of_file
        for heading in (cell.heading, *cell.headings):
            if heading is not None and by_heading.get(_normal(heading)):
                return by_heading[_normal(heading)]
        return None


def marks_of(source: Source, raws: list[tuple[Feed, RawRows]]) -> Marks:
    """What the cells of one file prove about its decimal mark and its date order."""
    decimals: dict[str, set[str]] = {}
    orders: dict[str, set[str]] = {}
    for feed, raw in raws:
        for name, cell in (*feed.columns.items(), *((f"reading {name}", cell) for name, cell in feed.readings.items())):
            column = feed.table.by_name.get(name)
            kind = column.kind if column else "number"
            for heading in (cell.heading, *cell.headings):
                found = find_heading(raw, heading) if heading and cell.look_up is None else None
                if found is None:
                    continue
                words = {text for text in raw.columns[found] if isinstance(text, str)}
                key = _normal(found)
                if name == "elapsed_s" and cell.since is None:
                    orders.setdefault(key, set()).update(o for text in words if (o := cell_text.order_shown(text)))
                if kind in ("number", "integer") and cell.since is None:
                    decimals.setdefault(key, set()).update(m for text in words if (m := cell_text.mark_shown(text)))
                elif kind in ("date", "time") or cell.since is not None:
                    orders.setdefault(key, set()).update(o for text in words if (o := cell_text.order_shown(text)))
    return Marks(
        {key: _only(shown) for key, shown in decimals.items()},
        {key: _only(shown) for key, shown in orders.items()},
        _only(set().union(*decimals.values())) if decimals else None,
        _only(set().union(*orders.values())) if orders else None,
    )


def _only(shown: set[str]) -> str | None:
    return next(iter(shown)) if len(shown) == 1 else None


# --- one cell


class Reader:
    """Reads the cells of one column: the same text is read once, however often it stands in the file."""

    def __init__(self, column: Column, cell: Cell, source: Source, marks: Marks) -> None:
        self.column, self.cell = column, cell
        self.blanks = frozenset(word.strip().lower() for word in source.blanks)
        self.mark = marks.decimal_mark(cell, source)
        self.order = marks.date_order(cell, source)
        self.words = {_normal(word): code for word, code in cell.words.items()}
        self.unit_words = {_normal(word): unit for word, unit in cell.unit_words.items()}
        self.pattern = re.compile(cell.pattern) if cell.pattern else None
        self._seen: dict[tuple[type, Any, Any], tuple[Any, str | None]] = {}

    def read(self, cell: Any, unit: Any = None) -> tuple[Any, str | None]:
        """(value, None), or (None, reason) where the cell cannot be read; (None, None) where nothing is recorded."""
        try:
            key = (cell.__class__, cell, unit)
            found = self._seen.get(key)
        except TypeError:  # a nested list of JSON
            return None, "holds a list, not one value"
        if found is None:
            found = self._seen[key] = self._read(cell, unit)
        return found

    def _read(self, cell: Any, unit: Any) -> tuple[Any, str | None]:
        try:
            cell = self.picked(cell)
            return (None, None) if cell is None else (self._typed(cell, unit), None)
        except Unreadable as reason:
            return None, said(reason, self.column.kind)

    def picked(self, cell: Any) -> Any:
        """The cell after the mapping's words and pattern; None where nothing is recorded."""
        if self.words:
            word = self.words.get(_normal(as_text(cell))) if cell is not None else self.words.get("")
            if word is not None:
                return word or None
        if is_blank(cell, self.blanks) and not (isinstance(cell, str) and cell.strip() in self.column.codes):
            return None
        if self.pattern is not None:
            match = self.pattern.search(as_text(cell))
            if match is None:
                raise Unreadable(f"does not follow the pattern '{self.pattern.pattern}'")
            cell = match[1] if self.pattern.groups else match[0]
            if is_blank(cell, self.blanks):
                return None
        return cell

    def _typed(self, cell: Any, unit: Any) -> Any:
        column = self.column
        match column.kind:
            case "text":
                return as_text(cell)
            case "code":
                if not column.codes:
                    return as_text(cell)
                try:
                    return cell_text.read_code(as_text(cell), column.codes)
                except Unreadable:
                    if self.cell.other_words is not None:
                        return self.cell.other_words or None
                    raise
            case "flag":
                return cell_text.read_flag(cell)
            case "date":
                return cell_text.read_date(cell, self.order)
            case "time":
                return cell_text.read_time(cell, self.order)
        figure = cell_text.read_figure(cell, self.mark)
        if figure.bound:
            raise Unreadable("is a bound, not a figure")
        written = figure.unit or self.unit_of(unit) or self.cell.unit
        value = figure.value
        if written and column.unit:
            value = _converted(value, written, column.unit, figure.unit)
        elif figure.unit:
            raise Unreadable(cell_text.NOT_A_NUMBER)
        if column.kind == "integer":
            if value != int(value):
                raise Unreadable("is not a whole number")
            value = int(value)
        low, high = column.at_least, column.at_most
        if (low is not None and value < low) or (high is not None and value > high):
            raise Unreadable(f"lies outside what is possible ({_span(low, high)} {column.unit})".replace(" )", ")"))
        return value

    def unit_of(self, unit: Any) -> str:
        """The unit that another cell names, after the mapping's words for units."""
        if is_blank(unit, self.blanks):
            return ""
        text = as_text(unit)
        return self.unit_words.get(_normal(text), text)


def said(reason: Unreadable, kind: str) -> str:
    """The reason, with what to do where the file itself cannot decide."""
    if isinstance(reason, Ambiguous):
        key = 'date_order = "mdy" or "dmy"' if kind in ("date", "time") else 'decimal_mark = "." or ","'
        return f"{reason}, and nothing in this file decides. State {key} in the mapping"
    return str(reason)


def _converted(value: float, written: str, staged: str, in_cell: str, kind: str | None = None) -> float:
    if in_cell and units.unit_named(in_cell) is None:
        raise Unreadable(cell_text.NOT_A_NUMBER)
    try:
        return units.conversion(written, staged, kind).apply(value)
    except units.UnitError as error:
        raise Unreadable(f"cannot be taken: {error}") from None


def _span(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:,g}"
    return f"at least {low:,g}" if high is None else f"{low:,g} to {high:,g}"


# --- one reading


@dataclass(frozen=True)
class Measured:
    """A reading in its staged unit; above_zero where an absolute pressure waits for its job's altitude."""

    value: float | None
    text: str | None
    unit: str | None
    original_value: str | None = None
    original_unit: str | None = None
    above_zero: bool = False


def read_measured(about: units.Quantity, cell: Any, unit: str, decimal_mark: str | None) -> Measured:
    """A reading of one quantity, from its cell and the unit that is stated for it.

    Raises
    ------
    Unreadable : no figure; no unit, or one that does not suit; a bound that does not stand for a figure; a figure
        outside what is physically possible.
    """
    if about.kind == "text":
        return Measured(None, cell_text.read_code(cell, about.texts) if about.texts else as_text(cell), None)
    try:
        figure = cell_text.read_figure(cell, decimal_mark)
        if figure.unit and units.unit_named(figure.unit) is None:
            raise Unreadable(cell_text.NOT_A_NUMBER)
    except Unreadable as reason:
        if str(reason) == cell_text.NOT_A_NUMBER and about.unit:
            raise Unreadable(f"is not a number; expected {about.unit}, such as 480 or 12.5") from None
        raise
    written = figure.unit or unit
    if not written:
        raise Unreadable(f"has no unit. State one that can become {about.unit}")
    try:
        conversion = units.conversion(written, about.unit, about.kind)
    except units.UnitError as error:
        raise Unreadable(f"cannot be taken: {error}") from None
    if figure.bound and figure.bound != about.bound_taken:
        raise Unreadable("is a bound, not a figure")
    if conversion.less_atmosphere:
        return Measured(figure.value * conversion.factor, None, about.unit, as_text(cell), written, above_zero=True)
    value = conversion.apply(figure.value)
    check_possible(about, value)
    known = units.unit_named(written)
    as_staged = known is not None and known.name == about.unit
    is_plain = as_staged and not figure.bound and not figure.unit and _is_plain(cell)
    return Measured(value, None, about.unit, *((None, None) if is_plain else (as_text(cell), written)))


def _is_plain(cell: Any) -> bool:
    return not isinstance(cell, str) or bool(re.fullmatch(r"\s*[-+]?\d*\.?\d*([eE][-+]?\d+)?\s*", cell))


def check_possible(about: units.Quantity, value: float) -> None:
    """Raises Unreadable where no such reading can exist."""
    low, high = about.at_least, about.at_most
    if value != value or (low is not None and value < low) or (high is not None and value > high):
        raise Unreadable(f"lies outside what is physically possible ({_span(low, high)} {about.unit})")


# --- the rows of one feed


def _origin(cell: Cell, raw: RawRows, context: FileContext) -> list[Any]:
    """One cell for each row from where the mapping says it comes."""
    height = raw.height
    if cell.constant is not None:
        return [cell.constant] * height
    if cell.file_name is not None:
        return [context.name_parts.get(cell.file_name)] * height
    if cell.sheet_name:
        return [context.sheet] * height
    if cell.headings:
        parts = [_column(raw, heading) for heading in cell.headings]
        return [
            cell.between.join(as_text(part) for part in row if not is_blank(part)) or None
            for row in zip(*parts, strict=True)
        ]
    assert cell.heading is not None
    if cell.look_up is not None:
        assert context.look_up is not None
        known = context.look_up(cell.look_up.source, cell.look_up.key, cell.heading)
        return [known.get(as_text(by)) if by is not None else None for by in _column(raw, cell.look_up.by)]
    return _column(raw, cell.heading)


def _column(raw: RawRows, heading: str) -> list[Any]:
    found = find_heading(raw, heading)
    return raw.columns[found] if found is not None else [None] * raw.height


def _taken(only_if: OnlyIf | None, raw: RawRows) -> list[bool] | None:
    """For each row whether the feed takes it; None where it takes all."""
    if only_if is None:
        return None
    among, not_among = ({_normal(word) for word in words} for words in (only_if.is_, only_if.is_not))
    taken = []
    for cell in _column(raw, only_if.heading):
        word = _normal(as_text(cell)) if cell is not None else ""
        taken.append(
            (not among or word in among)
            and (not not_among or word not in not_among)
            and (only_if.filled is None or (not is_blank(cell)) == only_if.filled)
        )
    return taken


def interpret(
    feed: Feed, source: Source, raw: RawRows, marks: Marks, context: FileContext, *, keeps_extra: bool
) -> TypedRows:
    """The rows of one contract table that one file holds.

    keeps_extra : headings that no column took are kept aside with these rows.
    """
    if feed.readings:
        return _wide_readings(feed, source, raw, marks, context)
    table = feed.table
    taken = _taken(feed.only_if, raw)
    indices = [index for index in range(raw.height) if taken is None or taken[index]]
    rows = TypedRows(table, {}, [], [], [], _supplied(feed, raw))
    reading_columns = {"value", "unit"} if table.name in MEASURED_TABLES else set()
    cells: dict[str, list[Any]] = {}
    faults: dict[int, list[tuple[str, str, str]]] = {}
    clocks: dict[str, Cell] = {}
    for name, cell in feed.columns.items():
        origin = _origin(cell, raw, context)
        if name in reading_columns:
            cells[name] = origin
            continue
        column = table.by_name[name]
        if cell.since is not None or (name == "elapsed_s" and _shows_clock(origin)):
            clocks[name] = cell
            cells[name] = [None] * raw.height
            continue
        reader = Reader(column, cell, source, marks)
        unit_cells = _column(raw, cell.unit_heading) if cell.unit_heading else None
        typed: list[Any] = [None] * raw.height
        for index in indices:
            value, reason = reader.read(origin[index], unit_cells[index] if unit_cells else None)
            typed[index] = value
            if reason is not None:
                faults.setdefault(index, []).append((name, as_text(origin[index]), reason))
        cells[name] = typed
    for name, cell in clocks.items():
        _elapsed(name, cell, cells, raw, source, marks, context, indices, faults)
    if table.name == "traces":
        _fill_trace(cells, indices)
    if table.name == "steps" and set(feed.columns) >= {"ticked"} and feed.step:
        # a wide row says nothing of a step where all its cells are blank
        said_of = [name for name in feed.columns if name not in ("job_id", "step")]
        indices = [
            index for index in indices if index in faults or any(cells[name][index] is not None for name in said_of)
        ]
    measure = _measurer(feed, source, marks, cells) if table.name in MEASURED_TABLES else None
    converter = _limit_converter(cells) if table.name == "equipment_limits" else None
    extra = _extra(feed, source, raw) if keeps_extra else None
    _assemble(rows, feed, raw, cells, faults, indices, measure, converter, extra)
    return rows


def _supplied(feed: Feed, raw: RawRows) -> tuple[str, ...]:
    """Contract columns that the file itself speaks of, whatever stands in them."""
    names = [
        name
        for name, cell in feed.columns.items()
        if not cell.headings_read or any(find_heading(raw, heading) is not None for heading in cell.headings_read)
    ]
    if feed.readings:
        names += ["quantity", "value", "unit"]
    return tuple(name for name in feed.table.column_names if name in names)


def _shows_clock(origin: list[Any]) -> bool:
    """Whether a column of seconds holds times of the day instead: then the first sample of a log is its zero."""
    first = next((cell for cell in origin if not is_blank(cell)), None)
    return isinstance(first, datetime) or (isinstance(first, str) and bool(_CLOCK.search(first)))


def _elapsed(
    name: str,
    cell: Cell,
    cells: dict[str, list[Any]],
    raw: RawRows,
    source: Source,
    marks: Marks,
    context: FileContext,
    indices: list[int],
    faults: dict[int, list[tuple[str, str, str]]],
) -> None:
    """Seconds since the first row of the same job, step and attempt, or since the time in another cell."""
    reader = Reader(Column(name, "time"), cell, source, marks)
    origin = _origin(cell, raw, context)
    times: dict[int, datetime] = {}
    for index in indices:
        value, reason = reader.read(origin[index])
        if reason is not None:
            faults.setdefault(index, []).append((name, as_text(origin[index]), reason))
        elif value is not None:
            times[index] = value
    log = [cells.get(part) for part in ("job_id", "step", "attempt")]
    first: dict[tuple[Any, ...], datetime] = {}
    for index, time in times.items():
        key = tuple(part[index] if part else None for part in log)
        first[key] = min(time, first.get(key, time))
    since = _column(raw, cell.since) if cell.since and cell.since != "first_row" else None
    for index, time in times.items():
        start: datetime | None = first[tuple(part[index] if part else None for part in log)]
        if since is not None:
            start, _ = reader.read(since[index])
        if start is not None:
            cells[name][index] = (time - start).total_seconds()


def _fill_trace(cells: dict[str, list[Any]], indices: list[int]) -> None:
    """A gauge log without a step is of the step that its quantity belongs to; without an attempt, of the first."""
    height = len(cells["quantity"])
    steps = cells.setdefault("step", [None] * height)
    attempts = cells.setdefault("attempt", [None] * height)
    for index in indices:
        if steps[index] is None:
            steps[index] = STEP_OF_TRACE.get(cells["quantity"][index] or "")
        if attempts[index] is None:
            attempts[index] = 1


def about_quantity(table: str, step: str | None, quantity: str | None) -> units.Quantity | None:
    """What is known of a quantity: by its step, or of a gauge log's sample by itself."""
    if quantity is None:
        return None
    return units.all_quantities().get(("", quantity) if table == "traces" else (step or "", quantity))


def quantities_of(table: str, step: str | None) -> tuple[str, ...]:
    if table == "traces":
        return tuple(TRACE_QUANTITY_UNIT)
    return tuple(QUANTITY_UNIT.get(step or "", {}))


def _measurer(
    feed: Feed, source: Source, marks: Marks, cells: dict[str, list[Any]]
) -> Callable[[int], tuple[Measured | None, str, str]]:
    """A function of a row's index: (measured, column at fault, reason); (None, "", "") where nothing is recorded."""
    value_cell = feed.columns["value"]
    unit_cell = feed.columns.get("unit")
    reader = Reader(Column("value", "text"), value_cell, source, marks)
    unit_reader = Reader(Column("unit", "text"), unit_cell or value_cell, source, marks)
    values, unit_texts = cells["value"], cells.get("unit")
    steps, quantities = cells.get("step"), cells["quantity"]
    seen: dict[tuple[Any, ...], tuple[Measured | None, str, str]] = {}

    def measured(index: int) -> tuple[Measured | None, str, str]:
        step, quantity = steps[index] if steps else None, quantities[index]
        value, unit = values[index], unit_texts[index] if unit_texts else None
        try:
            key = (step, quantity, value.__class__, value, unit)
            found = seen.get(key)
        except TypeError:
            return None, "value", "holds a list, not one value"
        if found is None:
            found = seen[key] = read(step, quantity, value, unit)
        return found

    def read(step: str | None, quantity: str | None, value: Any, unit: Any) -> tuple[Measured | None, str, str]:
        try:
            picked = reader.picked(value)
        except Unreadable as reason:
            return None, "value", str(reason)
        if picked is None:
            return None, "", ""
        if quantity is None:
            return None, "quantity", "is empty, and it is part of the key"
        known = about_quantity(feed.table.name, step, quantity)
        if known is None:
            expected = ", ".join(quantities_of(feed.table.name, step))
            return None, "quantity", f"is no quantity of {step}" + (f". Expected one of {expected}" if expected else "")
        written = unit_reader.picked(unit) if unit_cell is not None else None
        stated = unit_reader.unit_of(written) if written is not None else (value_cell.unit or "")
        if known.kind == "text" and isinstance(picked, str):
            stated = ""
        try:
            return read_measured(known, picked, stated, reader.mark), "", ""
        except Unreadable as reason:
            return None, "value", said(reason, "number")

    return measured


def _limit_converter(cells: dict[str, list[Any]]) -> Callable[[int], str | None]:
    """Brings a maker's limit into the staged unit of its quantity; returns a reason where the unit does not suit."""

    def convert(index: int) -> str | None:
        known = about_quantity("equipment_limits", cells["step"][index], cells["quantity"][index])
        unit = cells["unit"][index] if "unit" in cells else None
        if known is None or not known.unit or unit is None:
            return None
        try:
            conversion = units.conversion(unit, known.unit, known.kind)
        except units.UnitError as error:
            return f"cannot be taken: {error}"
        for bound in ("at_least", "at_most"):
            if bound in cells and cells[bound][index] is not None:
                cells[bound][index] = conversion.apply(cells[bound][index], units.atmosphere_psia(0))
        cells["unit"][index] = known.unit
        return None

    return convert


def _extra(feed: Feed, source: Source, raw: RawRows) -> Callable[[int], str | None] | None:
    """A function of a row's index: the cells under headings that nothing took, as JSON text."""
    used = {_normal(heading) for heading in source.leave_out}
    lists = {each.list for each in feeds_of(source) if each.list}
    for each in feeds_of(source):
        used |= {_normal(heading) for cell in each.cells for heading in cell.headings_read}
        if each.only_if:
            used.add(_normal(each.only_if.heading))
    left = [heading for heading in raw.headings if _normal(heading) not in used and heading not in lists]
    if not left:
        return None

    def extra(index: int) -> str | None:
        found = {
            heading: list(cell) if is_nested(cell) else cell if isinstance(cell, int | float | bool) else as_text(cell)
            for heading in left
            if not is_blank(cell := raw.columns[heading][index])
        }
        return json.dumps(found, ensure_ascii=False, separators=(",", ":")) if found else None

    return extra


def _assemble(
    rows: TypedRows,
    feed: Feed,
    raw: RawRows,
    cells: dict[str, list[Any]],
    faults: dict[int, list[tuple[str, str, str]]],
    indices: list[int],
    measure: Callable[[int], tuple[Measured | None, str, str]] | None,
    converter: Callable[[int], str | None] | None,
    extra: Callable[[int], str | None] | None,
) -> None:
    """Put together the rows that may be taken; those that lack a key or a value are rejected as a whole."""
    table = rows.table
    keys = [
        name for name in table.key if name not in ("reading_no",) and (name not in _MAY_BE_EMPTY.get(table.name, ()))
    ]
    names = [name for name in table.column_names if name not in ("value", "unit") or measure is None]
    out: dict[str, list[Any]] = {name: [] for name in table.column_names}
    if table.name == "readings":
        out |= {name: [] for name in READING_EXTRAS}
    rows.columns = out
    for index in indices:
        line, own = raw.lines[index], faults.get(index, [])
        measured, at_fault, reason = measure(index) if measure else (None, "", "")
        if measure and measured is None and not at_fault:
            rows.passed_lines.add(line)  # nothing was recorded
            continue
        if converter and (reason := converter(index) or ""):
            own = [*own, ("unit", str(cells["unit"][index]), reason)]
            for bound in ("at_least", "at_most", "unit"):
                if bound in cells:
                    cells[bound][index] = None
        empty = next((name for name in keys if name not in cells or cells[name][index] is None), None)
        if empty is not None or at_fault:
            text = raw.row_text(index)
            key_fault = next(((value, why) for name, value, why in own if name == empty), None)
            if empty is not None:
                value, why = key_fault or ("", f"is empty, and it is part of the key of {table.name}")
                name = empty
            else:
                name, why = at_fault, reason
                source_cell = cells["value"] if at_fault == "value" else cells.get(at_fault)
                value = as_text(source_cell[index]) if source_cell and source_cell[index] is not None else ""
            rows.rejected.append(Rejected(line, "row", table.name, name, value, why, text))
            if table.name == "readings" and at_fault == "value" and (empty is None or empty == "value"):
                rows.unread.append(
                    UnreadReading(
                        cells["job_id"][index], cells["step"][index], cells["quantity"][index], value, why, line
                    )
                )
            continue
        for name, value, why in own:
            rows.rejected.append(Rejected(line, "value", table.name, name, value, why, raw.row_text(index)))
        for name in names:
            out[name].append(cells[name][index] if name in cells else None)
        if measured is not None:
            if measured.above_zero:
                rows.above_zero.append(len(rows.lines))
            out["value"].append(measured.value)
            out["unit"].append(measured.unit)
            if table.name == "readings":
                out["value_text"].append(measured.text)
                out["original_value"].append(measured.original_value)
                out["original_unit"].append(measured.original_unit)
        rows.lines.append(line)
        rows.flawed.append(bool(own))
        rows.extra.append(extra(index) if extra else None)


# Parts of a key that may be empty, since an empty one has a meaning of its own
_MAY_BE_EMPTY = {
    "readings": ("taken_at",),
    "training": ("step", "course", "held_on"),
    "inspections": ("inspected_on",),
}


def _wide_readings(feed: Feed, source: Source, raw: RawRows, marks: Marks, context: FileContext) -> TypedRows:
    """One reading for each filled cell that a wide row holds of one step."""
    table = feed.table
    rows = TypedRows(
        table, {name: [] for name in (*table.column_names, *READING_EXTRAS)}, [], [], [], _supplied(feed, raw)
    )
    taken = _taken(feed.only_if, raw)
    indices = [index for index in range(raw.height) if taken is None or taken[index]]
    beside: dict[str, list[Any]] = {}
    faults: dict[int, list[tuple[str, str, str]]] = {}
    for name in ("job_id", "taken_at", "instrument_id"):
        if name in feed.columns:
            origin = _origin(feed.columns[name], raw, context)
            reader = Reader(table.by_name[name], feed.columns[name], source, marks)
            typed: list[Any] = [None] * raw.height
            for index in indices:
                typed[index], reason = reader.read(origin[index])
                if reason is not None:
                    faults.setdefault(index, []).append((name, as_text(origin[index]), reason))
            beside[name] = typed
    quantities = []
    for quantity, cell in feed.readings.items():
        about = units.all_quantities()[feed.step, quantity]
        reader = Reader(Column(quantity, "number" if about.unit else "text", about.texts), cell, source, marks)
        quantities.append(
            (
                about,
                cell,
                reader,
                _origin(cell, raw, context),
                _column(raw, cell.unit_heading) if cell.unit_heading else None,
                {},
            )
        )
    for index in indices:
        job_id = beside["job_id"][index]
        for about, cell, reader, origin, unit_cells, seen in quantities:
            written = origin[index]
            unit = unit_cells[index] if unit_cells else None
            key = (written.__class__, as_text(written) if isinstance(written, list) else written, unit)
            if key not in seen:
                seen[key] = _read_wide(about, cell, reader, written, unit)
            measured, reason = seen[key]
            if measured is None and reason is None:
                continue
            if job_id is None:
                written_id = next((value for name, value, _ in faults.get(index, []) if name == "job_id"), "")
                why = "is empty, and it is part of the key of readings"
                rows.rejected.append(
                    Rejected(raw.lines[index], "row", "readings", "job_id", written_id, why, raw.row_text(index))
                )
                break
            if measured is None:
                heading = cell.heading or about.name
                rows.rejected.append(
                    Rejected(
                        raw.lines[index], "value", "readings", heading, as_text(written), reason, raw.row_text(index)
                    )
                )
                rows.unread.append(
                    UnreadReading(job_id, feed.step, about.name, as_text(written), reason, raw.lines[index])
                )
                continue
            if measured.above_zero:
                rows.above_zero.append(len(rows.lines))
            for name, value in (
                ("job_id", job_id),
                ("step", feed.step),
                ("quantity", about.name),
                ("value", measured.value),
                ("unit", measured.unit),
                ("taken_at", beside["taken_at"][index] if "taken_at" in beside else None),
                ("instrument_id", beside["instrument_id"][index] if "instrument_id" in beside else None),
                ("value_text", measured.text),
                ("original_value", measured.original_value),
                ("original_unit", measured.original_unit),
            ):
                rows.columns[name].append(value)
            rows.lines.append(raw.lines[index])
            rows.flawed.append(False)
            rows.extra.append(None)
        for name, value, why in faults.get(index, []):
            if name != "job_id":
                rows.rejected.append(
                    Rejected(raw.lines[index], "value", "readings", name, value, why, raw.row_text(index))
                )
    return rows


def _read_wide(
    about: units.Quantity, cell: Cell, reader: Reader, written: Any, unit: Any
) -> tuple[Measured | None, str | None]:
    try:
        picked = reader.picked(written)
        if picked is None:
            return None, None
        return read_measured(about, picked, reader.unit_of(unit) or cell.unit or "", reader.mark), None
    except Unreadable as reason:
        return None, said(reason, "number")


def name_parts(source: Source, file_name: str) -> dict[str, str]:
    """The named parts of a file's name. Raises InputError where the name does not follow the pattern."""
    if source.file_name_pattern is None:
        return {}
    match = re.search(source.file_name_pattern, file_name)
    if match is None:
        raise InputError(
            f"{file_name}: the name does not follow file_name_pattern = '{source.file_name_pattern}' of the source "
            f'"{source.name}". Rename the file, or change the pattern.'
        )
    return {name: part for name, part in match.groupdict().items() if part is not None}
