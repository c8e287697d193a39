"""What a contractor's own export means: which file holds which tables, and which heading is which column.

A mapping is a TOML file. Its parts, in plain trade words (every key that may stand in it is a field below):

    name = "Install log of the old office program"

    [[source]]                        # one kind of file, sheet or log
    name = "installs"
    files = ["installs_*.csv"]        # patterns on the file's name, or on its path where they hold a "/"
    encoding = "cp1252"
    lines_above = 1                   # a title line stands above the headings
    date_order = "mdy"
    job_id = "Work Order"             # the job that the [[source.step]] entries speak of

    [[source.table]]                  # one row of the source makes one row of this table
    table = "jobs"
    columns.job_id = "Work Order"
    columns.job_kind = { heading = "Job Type", words = { New = "new_install", Replace = "changeout" } }
    columns.line_set_ft = { heading = "Pipe", unit = "m" }
    columns.form = { constant = "paper, 2021" }

    [[source.step]]                   # a wide row: one steps row, and a readings row for each cell that is filled
    step = "evacuation"
    ticked = { heading = "Vacuum pulled", words = { Y = "done", N = "not_done" } }
    readings.vacuum = { heading = "Microns", unit = "micron" }

In JSON Lines a heading is a path with dots (`asset.serial`), and a nested list is named by its path: with
`list = "checks.readings"` each reading makes a row, `checks.readings.value` is its value, `checks.step` is of the
check that holds it and `id` is of the whole form.
"""

from __future__ import annotations

import fnmatch
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from pipelines import units
from pipelines.contract import QUANTITY_UNIT, STEPS, TABLE_BY_NAME, Column, Table
from pipelines.errors import InputError

DateOrder = Literal["ymd", "mdy", "dmy"]
Mark = Literal[".", ",", " ", "'", ""]

DEFAULT_TOTALS = ("total", "totals", "grand total", "subtotal", "sub-total", "sum", "count", "end of report")
# Columns of a key that may be empty: they have a meaning of their own when they are
MAY_BE_UNMAPPED = {
    "readings": ("taken_at", "reading_no"),
    "traces": ("step", "attempt"),
    "training": ("step", "course", "held_on"),
    "inspections": ("inspected_on",),
}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class LookUp(_Strict):
    """Take the cell from another source of the same load: its row where `key` equals this row's `by`.

    Example: the pipe's joints stand in the asset register, so a job finds them by its unit's number.
    """

    source: str
    key: str
    by: str


class Cell(_Strict):
    """Where the content of one column comes from, and how its text is to be read. Exactly one origin."""

    heading: str | None = None
    headings: tuple[str, ...] = Field(default=(), strict=False)  # several cells joined, such as a date and a time
    constant: str | int | float | bool | None = None
    file_name: str | None = None  # a named part of the source's `file_name_pattern`
    sheet_name: bool = False

    between: str = " "
    look_up: LookUp | None = None
    pattern: str | None = None  # the first group (or the whole match) of this pattern in the cell is taken
    words: dict[str, str] = Field(default_factory=dict)  # as written -> code; "" means nothing recorded
    other_words: str | None = None  # the code for every word not listed
    unit: str | None = None
    unit_heading: str | None = None  # the unit is named in another cell of the row
    unit_words: dict[str, str] = Field(default_factory=dict)
    date_order: DateOrder | None = None
    decimal_mark: Literal[".", ","] | None = None
    since: str | None = None  # an absolute time becomes seconds since: "first_row", or the heading of a time

    @model_validator(mode="after")
    def _one_origin(self) -> Cell:
        origins = [
            self.heading is not None,
            bool(self.headings),
            self.constant is not None,
            self.file_name is not None,
            self.sheet_name,
        ]
        if sum(origins) != 1:
            raise ValueError(
                "exactly one of heading, headings, constant, file_name and sheet_name says where it is from"
            )
        if self.look_up is not None and self.heading is None:
            raise ValueError("look_up needs the heading of the other source")
        if self.unit is not None and self.unit_heading is not None:
            raise ValueError("unit and unit_heading cannot both be given")
        if self.pattern is not None:
            _checked_pattern(self.pattern)
        return self

    @property
    def headings_read(self) -> tuple[str, ...]:
        """Headings of the row itself that this cell is made from."""
        own = (self.heading,) if self.heading is not None and self.look_up is None else ()
        by = (self.look_up.by,) if self.look_up else ()
        unit = (self.unit_heading,) if self.unit_heading else ()
        since = (self.since,) if self.since and self.since != "first_row" else ()
        return tuple(name for name in (*own, *self.headings, *by, *unit, *since) if name)


def _cell(value: Any) -> Any:
    """A bare text is short for a heading."""
    return {"heading": value} if isinstance(value, str) else value


CellText = Annotated[Cell, BeforeValidator(_cell)]


class OnlyIf(_Strict):
    """Rows that a table or step takes: those whose cell is one of `is`, is not one of `is_not`, or is filled."""

    heading: str
    is_: tuple[str, ...] = Field(default=(), alias="is", strict=False)
    is_not: tuple[str, ...] = Field(default=(), strict=False)
    filled: bool | None = None

    @model_validator(mode="after")
    def _says_something(self) -> OnlyIf:
        if not self.is_ and not self.is_not and self.filled is None:
            raise ValueError('only_if needs "is", "is_not" or "filled"')
        return self


class TableFeed(_Strict):
    """One row of the source (or of a nested list) makes one row of `table`."""

    table: str
    columns: dict[str, CellText]
    list: str = ""  # JSON: the nested list whose items make the rows
    only_if: OnlyIf | None = None

    @property
    def contract(self) -> Table:
        return TABLE_BY_NAME[self.table]


class StepFeed(_Strict):
    """Cells of a wide row that speak of one step: its tick, its times, and one reading for each filled cell."""

    step: str
    ticked: CellText | None = None
    started_at: CellText | None = None
    ended_at: CellText | None = None
    technician_id: CellText | None = None
    taken_at: CellText | None = None
    instrument_id: CellText | None = None
    readings: dict[str, CellText] = Field(default_factory=dict)
    only_if: OnlyIf | None = None


class Source(_Strict):
    """One kind of file (or sheet of a workbook): how it is written, and what its rows hold."""

    name: str
    files: tuple[str, ...] = Field(strict=False)
    sheet: str | None = None
    encoding: str | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    lines_above: Annotated[int, Field(ge=0)] = 0  # lines to pass over above the headings
    lines_below: Annotated[int, Field(ge=0)] = 0  # lines to pass over at the end
    comment: str | None = None  # lines that begin with this are passed over
    headings: tuple[str, ...] = Field(default=(), strict=False)  # for a file without a line of headings
    totals: tuple[str, ...] = Field(default=DEFAULT_TOTALS, strict=False)  # first words of a line of totals
    blanks: tuple[str, ...] = Field(default=(), strict=False)  # further words for "nothing recorded"
    date_order: DateOrder | None = None
    decimal_mark: Literal[".", ","] | None = None
    thousands_mark: Mark | None = None
    file_name_pattern: str | None = None
    return_static: Literal["size_only", "suction_is_negative", "suction_is_positive"] | None = None
    leave_out: tuple[str, ...] = Field(default=(), strict=False)  # headings not even kept aside
    job_id: CellText | None = None  # of the wide steps
    table: tuple[TableFeed, ...] = Field(default=(), strict=False)
    step: tuple[StepFeed, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _holds_something(self) -> Source:
        if self.file_name_pattern is not None:
            _checked_pattern(self.file_name_pattern)
        if not self.files:
            raise ValueError("files must name at least one file or pattern")
        return self

    def takes(self, path: Path, root: Path | None = None) -> bool:
        """Whether this source speaks of the file (patterns: * and ? within a name, ** over folders)."""
        shown = path.relative_to(root).as_posix() if root is not None and path.is_relative_to(root) else path.as_posix()
        for pattern in self.files:
            if "/" in pattern:
                if fnmatch.fnmatchcase(shown.lower(), pattern.lower()) or fnmatch.fnmatchcase(
                    path.as_posix().lower(), "*/" + pattern.lower()
                ):
                    return True
            elif fnmatch.fnmatchcase(path.name.lower(), pattern.lower()) or path.name.lower() == pattern.lower():
                return True
        return False


class Mapping(_Strict):
    """A whole mapping file."""

    name: str = ""
    note: str = ""
    source: tuple[Source, ...] = Field(strict=False)

    @model_validator(mode="after")
    def _holds_a_source(self) -> Mapping:
        if not self.source:
            raise ValueError("a mapping needs at least one [[source]]")
        return self

    def sources_for(self, path: Path, root: Path | None = None) -> list[Source]:
        return [source for source in self.source if source.takes(path, root)]


def read_mapping(path: Path) -> Mapping:
    """The mapping in a TOML file, checked as a whole.

    Raises
    ------
    InputError : the file cannot be read, or a key, column, code, unit or pattern in it cannot be used. The text names
        the file and every such key.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such mapping file.") from None
    except OSError as error:
        raise InputError(f"{path}: the mapping file cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: a mapping file is written in UTF-8; byte {error.start} is not. Save it again."
        ) from None
    return parse_mapping(text, path.name)


def parse_mapping(text: str, name: str = "mapping") -> Mapping:
    """The mapping in a TOML text; `name` is the file's name for messages."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{name}: not valid TOML: {error}. A text with quotes or backslashes stands in '...'."
        ) from None
    try:
        mapping = Mapping.model_validate(raw)
    except ValidationError as error:
        raise InputError(_in_plain_words(error, raw, name)) from None
    faults = faults_of(mapping)
    if faults:
        raise InputError("\n".join(f"{name}, {fault}" for fault in faults))
    return mapping


def faults_of(mapping: Mapping) -> list[str]:
    """Everything in a mapping that names a table, column, code, unit or source which does not exist."""
    faults: list[str] = []
    names = [source.name for source in mapping.source]
    for name in sorted({name for name in names if names.count(name) > 1}):
        faults.append(f'source "{name}": two sources bear this name. Give each its own.')
    for source in mapping.source:
        groups = set(re.compile(source.file_name_pattern).groupindex) if source.file_name_pattern else set()
        for feed in source.table:
            place = f'source "{source.name}", table "{feed.table}"'
            faults += _table_faults(feed, place, names, groups)
        for feed in source.step:
            place = f'source "{source.name}", step "{feed.step}"'
            faults += _step_faults(feed, place, names, groups)
        if source.step and source.job_id is None and not any(feed.table == "jobs" for feed in source.table):
            faults.append(f'source "{source.name}": job_id must say which job the steps belong to.')
        if source.job_id is not None:
            column = TABLE_BY_NAME["jobs"].by_name["job_id"]
            faults += _cell_faults(source.job_id, column, f'source "{source.name}", key "job_id"', names, groups)
    return faults


def _table_faults(feed: TableFeed, place: str, names: list[str], groups: set[str]) -> list[str]:
    if feed.table not in TABLE_BY_NAME:
        return [f"{place}: there is no such table. Expected one of {', '.join(TABLE_BY_NAME)}."]
    table, faults = feed.contract, []
    for name, cell in feed.columns.items():
        column = table.by_name.get(name)
        if column is None:
            faults.append(f'{place}: there is no column "{name}". Expected one of {", ".join(table.column_names)}.')
        else:
            faults += _cell_faults(cell, column, f'{place}, column "{name}"', names, groups)
    for name in (*table.key, *table.required):
        if name not in feed.columns and name not in MAY_BE_UNMAPPED.get(table.name, ()):
            faults.append(f'{place}: the column "{name}" must be given, it is part of the key.')
    return faults


def _step_faults(feed: StepFeed, place: str, names: list[str], groups: set[str]) -> list[str]:
    if feed.step not in STEPS:
        return [f"{place}: there is no such step. Expected one of {', '.join(STEPS)}."]
    faults = []
    steps, readings = TABLE_BY_NAME["steps"].by_name, TABLE_BY_NAME["readings"].by_name
    for name, columns in (
        ("ticked", steps),
        ("started_at", steps),
        ("ended_at", steps),
        ("technician_id", steps),
        ("taken_at", readings),
        ("instrument_id", readings),
    ):
        cell = getattr(feed, name)
        if cell is not None:
            faults += _cell_faults(cell, columns[name], f'{place}, key "{name}"', names, groups)
    known = QUANTITY_UNIT[feed.step]
    for quantity, cell in feed.readings.items():
        where = f'{place}, reading "{quantity}"'
        if quantity not in known:
            expected = f"Expected one of {', '.join(known)}." if known else "This step has no readings, only a tick."
            faults.append(f"{where}: this step has no such reading. {expected}")
            continue
        about = units.all_quantities()[feed.step, quantity]
        column = Column(quantity, "number" if known[quantity] else "text", about.texts, known[quantity])
        faults += _cell_faults(cell, column, where, names, groups, about.kind)
        if known[quantity] and cell.unit is None and cell.unit_heading is None:
            faults.append(f'{where}: say in which unit it is written (unit = "{known[quantity]}", or unit_heading).')
    return faults


def _cell_faults(
    cell: Cell, column: Column, place: str, names: list[str], groups: set[str], kind: str | None = None
) -> list[str]:
    faults = []
    if column.codes:
        for word, code in (*cell.words.items(), *([("other_words", cell.other_words)] if cell.other_words else [])):
            if code and code not in column.codes:
                faults.append(
                    f'{place}, word "{word}": "{code}" is not a code. Expected one of {", ".join(column.codes)}.'
                )
        if isinstance(cell.constant, str) and cell.constant not in (*column.codes, ""):
            faults.append(f'{place}: "{cell.constant}" is not a code. Expected one of {", ".join(column.codes)}.')
    if cell.unit is not None:
        faults += _unit_faults(cell.unit, column, place, kind)
    for word, unit in cell.unit_words.items():
        if units.unit_named(unit) is None:
            faults.append(f'{place}, unit word "{word}": "{unit}" is not a unit known here.')
    if cell.file_name is not None and cell.file_name not in groups:
        faults.append(
            f'{place}: file_name = "{cell.file_name}" needs a part of that name in file_name_pattern, '
            f"such as '(?P<{cell.file_name}>[^.]+)'."
        )
    if cell.look_up is not None and cell.look_up.source not in names:
        faults.append(f'{place}: look_up names the source "{cell.look_up.source}", which is not in this mapping.')
    if cell.since is not None and column.name != "elapsed_s":
        faults.append(f"{place}: since belongs to elapsed_s alone.")
    return faults


def _unit_faults(unit: str, column: Column, place: str, kind: str | None) -> list[str]:
    if not column.unit:
        if units.unit_named(unit) is None:
            return [f'{place}: "{unit}" is not a unit known here.']
        return []
    try:
        units.conversion(unit, column.unit, kind)
    except units.UnitError as error:
        return [f"{place}: {error}."]
    return []


def _checked_pattern(pattern: str) -> None:
    try:
        re.compile(pattern)
    except re.error as error:
        raise ValueError(f"'{pattern}' is not a pattern that can be used ({error})") from None


def _in_plain_words(error: ValidationError, raw: dict[str, Any], name: str) -> str:
    """One line for each fault: the file, the source by its name, the key, what was found and what was expected."""
    lines = []
    for fault in error.errors(include_url=False):
        place: list[str] = []
        here: Any = raw
        for part in fault["loc"]:
            if isinstance(part, int):
                here = here[part] if isinstance(here, list) and part < len(here) else {}
                label = here.get("name") or here.get("table") or here.get("step") if isinstance(here, dict) else None
                place[-1] = f'{place[-1]} "{label}"' if label and place else f"{place[-1] if place else ''} {part + 1}"
            else:
                here = here.get(part, {}) if isinstance(here, dict) else {}
                place.append(str(part))
        message = fault["msg"].removeprefix("Value error, ")
        if fault["type"] == "extra_forbidden":
            message = "there is no such key in a mapping"
        elif fault["type"] == "missing":
            message = "this key must be given"
        else:
            message = f"{message}; found {fault.get('input')!r}" if fault["type"] != "value_error" else message
        where = ", ".join(place) if place else "the whole file"
        lines.append(f"{name}, {where}: {message}.")
    return "\n".join(lines)
