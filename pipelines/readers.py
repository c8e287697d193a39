"""What stands in a file: its headings, its rows with the line where each begins, and the lines that are no rows.

CSV of any delimiter and encoding, workbooks, Parquet and JSON Lines. Nothing is interpreted here; every cell is handed
on as it was written (text), or as the file itself types it (numbers and dates of workbooks, Parquet and JSON).
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import json
import logging
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.cell_text import is_blank
from pipelines.errors import InputError

KIND_OF_SUFFIX = {
    ".csv": "csv", ".tsv": "csv", ".txt": "csv", ".xlsx": "xlsx", ".xlsm": "xlsx",
    ".parquet": "parquet", ".pq": "parquet", ".jsonl": "jsonl", ".ndjson": "jsonl",
}  # fmt: skip
DELIMITERS = (",", ";", "\t", "|")
# A cell that holds line breaks rarely holds more lines than this; beyond it the quote was a stray one
LINES_IN_ONE_CELL = 200
csv.field_size_limit(1 << 30)


@dataclass(frozen=True)
class InputFile:
    """One file to load. shown: its name for messages and records, from the folder that was named."""

    path: Path
    root: Path
    shown: str
    kind: str
    named: bool  # named by the user, not only found in a folder

    @property
    def size(self) -> int:
        return self.path.stat().st_size


@dataclass(frozen=True)
class RowFault:
    """A row that cannot be taken because of how it is written."""

    line: int
    reason: str
    text: str


@dataclass
class RawRows:
    """The rows of one file, sheet or nested list.

    columns : heading -> one cell for each row; lines : where each row begins; n_read : rows and lines that are no
    heading (rows taken, faults, and those passed over); notes : what was decided about the file, for the report.
    """

    headings: list[str]
    columns: dict[str, list[Any]]
    lines: list[int]
    n_read: int = 0
    faults: list[RowFault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def height(self) -> int:
        return len(self.lines)

    def row_text(self, index: int) -> str:
        """The row as text, for the record of what was rejected."""
        return ",".join("" if column[index] is None else str(column[index]) for column in self.columns.values())


def find_files(paths: list[Path]) -> tuple[list[InputFile], list[str]]:
    """The files under the paths named, in order of name, and a sentence for each that is of no kind known here."""
    found: list[InputFile] = []
    notes: list[str] = []
    seen: set[Path] = set()
    names: set[str] = set()
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: no such file or folder.")
        members = [p for p in path.rglob("*") if p.is_file()] if path.is_dir() else [path]
        # the later file wins: files in the order they were named, those of a folder in the order of their names
        for member in sorted(members, key=lambda member: _natural(member.as_posix())):
            relative = member.relative_to(path) if path.is_dir() else Path(member.name)
            if any(part.startswith((".", "~$")) for part in relative.parts) or member.resolve() in seen:
                continue
            seen.add(member.resolve())
            kind = KIND_OF_SUFFIX.get(member.suffix.lower())
            shown = relative.as_posix()
            if shown in names:
                shown = member.as_posix()
            names.add(shown)
            if kind is None:
                notes.append(f"{shown}: passed over, {member.suffix or 'a file without an ending'} is not read here.")
                continue
            root = path if path.is_dir() else path.parent
            found.append(InputFile(member, root, shown, kind, named=not path.is_dir()))
    return found, notes


def _natural(name: str) -> list[Any]:
    """Order of names in which part 10 comes after part 9, since the later file wins."""
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", name.lower())]


def sha256_of(path: Path) -> str:
    with open(path, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


# --- text


@dataclass(frozen=True)
class Encoding:
    """How a file's bytes become text; note says so where it is not plain UTF-8."""

    name: str
    bom: int = 0
    note: str = ""


def encoding_of(data: bytes, stated: str | None, shown: str) -> Encoding:
    """The encoding of a file: its byte order mark, else what the mapping states, else UTF-8 if it is that.

    Raises
    ------
    InputError : the stated encoding is unknown, or does not fit the file.
    """
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if data.startswith(mark):
            return Encoding(name, len(mark))
    if stated is not None:
        try:
            known = codecs.lookup(stated).name
        except LookupError:
            raise InputError(
                f'{shown}: "{stated}" is not an encoding known here. Try utf-8, cp1252 or utf-16.'
            ) from None
        return Encoding(known)
    sample = data[:65536]
    zeros_at_odd, zeros_at_even = sample[1::2].count(0), sample[0::2].count(0)
    if len(sample) >= 4 and max(zeros_at_odd, zeros_at_even) > len(sample) // 8:
        name = "utf-16-le" if zeros_at_odd > zeros_at_even else "utf-16-be"
        return Encoding(name, note=f"read as {name}, since every other byte is empty")
    if data.isascii():
        return Encoding("utf-8")
    try:
        data.decode("utf-8")
        return Encoding("utf-8")
    except UnicodeDecodeError:
        pass
    try:
        data.decode("cp1252")
        return Encoding(
            "cp1252", note="not UTF-8: read as cp1252 (Windows, western); state encoding in the mapping if wrong"
        )
    except UnicodeDecodeError:
        from charset_normalizer import from_bytes

        best = from_bytes(data[:262144]).best()
        if best is None:
            raise InputError(
                f"{shown}: no encoding fits its bytes. State encoding in the mapping, or save it as UTF-8."
            ) from None
        return Encoding(
            best.encoding, note=f"not UTF-8: read as {best.encoding}; state encoding in the mapping if wrong"
        )


def encoding_of_file(path: Path, shown: str) -> tuple[str, str]:
    """(encoding of a file, told by its bytes; what to say of it)."""
    with open(path, "rb") as handle:
        data = handle.read()
    found = encoding_of(data, None, shown)
    return "utf-8-sig" if found.name == "utf-8" else found.name, found.note


def text_of(data: bytes, encoding: Encoding, shown: str) -> str:
    try:
        text = data[encoding.bom :].decode(encoding.name)
    except UnicodeDecodeError as error:
        raise InputError(
            f"{shown}: byte {error.start + encoding.bom} cannot be read as {encoding.name}. "
            "State its true encoding in the mapping, or save it as UTF-8."
        ) from None
    return text.removeprefix("\ufeff")


def lines_of(text: str) -> list[str]:
    """Physical lines; a line break at the very end begins no further line."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if lines and lines[-1] == "":
        lines.pop()
    return lines


def delimiter_of(lines: list[str]) -> str:
    """The delimiter that splits the first lines into the most cells, evenly; a comma where none does."""
    sample = [line for line in lines[:30] if line.strip()]
    best, best_score = ",", 0.0
    for delimiter in DELIMITERS:
        counts = [len(_split(line, delimiter)) - 1 for line in sample]
        widest = max(counts, default=0)
        if widest > 0:
            even = sum(count == widest for count in counts) / len(counts)
            score = even + min(widest, 50) / 1000
            if score > best_score:
                best, best_score = delimiter, score
    return best


def _split(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def tidy_headings(cells: list[Any]) -> list[str]:
    """Headings as they are spoken of: trimmed, an empty one by its place, the same one twice told apart."""
    headings: list[str] = []
    for place, cell in enumerate(cells, start=1):
        heading = " ".join(str(cell).split()) if cell is not None and str(cell).strip() else f"column {place}"
        again = sum(known == heading or known.startswith(f"{heading} (") for known in headings)
        headings.append(f"{heading} ({again + 1})" if again and heading in headings else heading)
    return headings


def is_total(cells: list[Any], totals: tuple[str, ...]) -> bool:
    """Whether the row is a line of totals: its first filled cell is one of the words, alone or with a count."""
    first = next((str(cell) for cell in cells if not is_blank(cell)), "")
    word = re.sub(r"[\s:=]*[\d.,]*\s*$", "", first.strip().lower())
    return bool(word) and word in totals


# --- CSV


@dataclass(frozen=True)
class CsvLayout:
    """How a text file is laid out, as its mapping states it or its first lines show it."""

    delimiter: str | None = None
    lines_above: int = 0
    lines_below: int = 0
    comment: str | None = None
    headings: tuple[str, ...] = ()
    totals: tuple[str, ...] = ()


def read_csv(text: str, layout: CsvLayout, shown: str) -> RawRows:
    """Rows of a CSV text with the exact line where each begins.

    A quoted cell may hold line breaks. A stray quote spoils its own line alone: that line is a fault, and reading goes
    on with the next one.

    Raises
    ------
    InputError : there is no line of headings.
    """
    lines = lines_of(text)
    end = len(lines)
    left = layout.lines_below
    while left and end > 0:
        end -= 1
        left -= bool(lines[end].strip())
    passed = len(lines) - end
    at = min(layout.lines_above, end)
    passed += at
    delimiter = layout.delimiter or delimiter_of(lines[at:end])
    headings = list(layout.headings)
    while not headings and at < end:
        record, used = _record(lines, at, end, delimiter, None)
        if not lines[at].strip() or (layout.comment and lines[at].startswith(layout.comment)):
            passed, at = passed + 1, at + 1
        elif record is None:
            raise InputError(
                f"{shown}, line {at + 1}: a quote is not closed in the line of headings. Correct the line."
            )
        else:
            headings, at = record, at + used
    if not headings:
        raise InputError(f"{shown}: there is no line of headings. Is the file empty, or lines_above too large?")
    while len(headings) > 1 and not headings[-1].strip():
        headings.pop()
    headings = tidy_headings(headings)
    width = len(headings)
    rows: list[list[str]] = []
    starts: list[int] = []
    faults: list[RowFault] = []
    while at < end:
        line = lines[at]
        if not line.strip() or (layout.comment and line.startswith(layout.comment)):
            passed, at = passed + 1, at + 1
            continue
        record, used = _record(lines, at, end, delimiter, width)
        if record is None:
            faults.append(RowFault(at + 1, "a quote in this line is not closed, or stands where none may stand", line))
        elif all(is_blank(cell) for cell in record) or is_total(record, layout.totals):
            passed += 1
        elif len(record) < width or any(cell.strip() for cell in record[width:]):
            faults.append(RowFault(at + 1, f"has {len(record)} of {width} cells", line))
        else:
            rows.append(record[:width])
            starts.append(at + 1)
        at += used
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    return RawRows(
        headings,
        {heading: list(column) for heading, column in zip(headings, columns, strict=True)},
        starts,
        passed + len(rows) + len(faults),
        faults,
    )


def _record(lines: list[str], at: int, end: int, delimiter: str, width: int | None) -> tuple[list[str] | None, int]:
    """The record that begins in line `at` and how many lines it takes; None where a quote spoils the line."""
    line = lines[at]
    if '"' not in line:
        return line.split(delimiter), 1
    if line.count('"') % 2 == 0:
        try:
            return next(csv.reader([line], delimiter=delimiter, strict=True)), 1
        except csv.Error:
            pass
        # quotes within a bare cell (5" pipe, 6" pipe) are part of it
        record = next(csv.reader([line], delimiter=delimiter), [])
        return (record, 1) if width is None or len(record) == width else (None, 1)
    joined = line
    for used in range(1, min(LINES_IN_ONE_CELL, end - at) + 1):
        if used > 1:
            joined += "\n" + lines[at + used - 1]
        if joined.count('"') % 2 and used < 2 and not re.search(rf'(^|{re.escape(delimiter)})\s*"', line):
            # the odd quote stands inside a bare cell (41" pipe): it opens nothing
            return line.split(delimiter), 1
        if joined.count('"') % 2:
            continue
        try:
            record = next(csv.reader([joined], delimiter=delimiter, strict=True))
        except csv.Error:
            break
        if width is None or len(record) == width:
            return record, used
        break
    return None, 1


# --- JSON Lines


def read_json_lines(text: str) -> RawRows:
    """One row for each line, the objects under the heading "" (see `rows_of_list`); bad lines are faults."""
    objects: list[Any] = []
    starts: list[int] = []
    faults: list[RowFault] = []
    lines = lines_of(text)
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            row = json.loads(line, parse_constant=_no_constant)
        except (ValueError, RecursionError) as error:
            reason = str(error).split(":")[0].lower() if isinstance(error, ValueError) else "nested too deeply"
            faults.append(RowFault(number, f"is not JSON ({reason})", line))
            continue
        if not isinstance(row, dict):
            faults.append(RowFault(number, "holds no object of headings and cells", line))
            continue
        objects.append(row)
        starts.append(number)
    return RawRows([""], {"": objects}, starts, len(lines), faults)


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no figure of JSON")


def rows_of_list(raw: RawRows, path: str) -> RawRows:
    """Rows of the whole objects (path empty), or of the items of a nested list, under headings with dots.

    Each item carries the cells of all that holds it: `id`, `checks.step`, `checks.readings.value`.
    """
    rows: list[dict[str, Any]] = []
    starts: list[int] = []
    for line, whole in zip(raw.lines, raw.columns[""], strict=True):
        for row in _items(whole, path.split(".") if path else []):
            rows.append(row)
            starts.append(line)
    headings: dict[str, None] = {}
    for row in rows:
        headings.update(dict.fromkeys(row))
    return RawRows(
        list(headings), {heading: [row.get(heading) for row in rows] for heading in headings}, starts, raw.n_read
    )


def _items(whole: dict[str, Any], path: list[str]) -> Iterator[dict[str, Any]]:
    own: dict[str, Any] = {}
    _flatten(whole, "", own)
    if not path:
        yield own
        return
    yield from _walk(whole, path, "", own)


def _walk(here: Any, path: list[str], prefix: str, above: dict[str, Any]) -> Iterator[dict[str, Any]]:
    name, rest = path[0], path[1:]
    inner = here.get(name) if isinstance(here, dict) else None
    shown = f"{prefix}{name}"
    for item in inner if isinstance(inner, list) else [inner] if isinstance(inner, dict) else []:
        own = {heading: cell for heading, cell in above.items() if heading != shown}
        if isinstance(item, dict):
            _flatten(item, f"{shown}.", own)
        else:
            own[shown] = item
        if rest:
            yield from _walk(item, rest, f"{shown}.", own)
        else:
            yield own


def _flatten(value: dict[str, Any], prefix: str, into: dict[str, Any]) -> None:
    for name, cell in value.items():
        if isinstance(cell, dict):
            _flatten(cell, f"{prefix}{name}.", into)
        elif isinstance(cell, list) and any(isinstance(part, dict | list) for part in cell):
            into[f"{prefix}{name}"] = _Nested(cell)
        elif isinstance(cell, list):
            into[f"{prefix}{name}"] = ";".join(str(part) for part in cell if part is not None) or None
        else:
            into[f"{prefix}{name}"] = cell


class _Nested(list):
    """A nested list that stays aside until a mapping asks for its items."""


def is_nested(cell: Any) -> bool:
    return isinstance(cell, _Nested)


# --- workbooks


class Workbook:
    """An XLSX workbook: its sheets by name, which of them are hidden, and their rows."""

    def __init__(self, path: Path, shown: str) -> None:
        import fastexcel

        # every cell is read as text on purpose: that a column has no one type is no news
        logging.getLogger("fastexcel").setLevel(logging.ERROR)
        self.path, self.shown = path, shown
        try:
            self._reader = fastexcel.read_excel(str(path))
            self.sheets: list[str] = list(self._reader.sheet_names)
        except Exception as error:  # the reader has its own kinds of errors for a damaged or locked workbook
            raise InputError(f"{shown}: the workbook cannot be read ({str(error).splitlines()[0]}).") from None

    def is_visible(self, sheet: str) -> bool:
        return self._reader.load_sheet(sheet, header_row=None, n_rows=0).visible == "visible"

    def grid(self, sheet: str) -> tuple[list[list[Any]], int]:
        """Cells of a sheet row by row, and the number of the sheet's row in which they begin.

        A cell that shows a formula's error carries the error's text. Numbers, dates and truths keep their kind where
        their whole column (below a heading) is of one kind.
        """
        import polars as pl

        frame = self._reader.load_sheet(sheet, header_row=None, dtypes="string").to_polars()
        if not frame.height or not frame.width:
            return [], 1
        grid = [list(row) for row in frame.rows()]
        first_row, errors = self._errors(sheet)
        for row, column, text in errors:
            if 0 <= row < len(grid) and 0 <= column < len(grid[row]):
                grid[row][column] = text
        for skip in range(1, min(len(grid), 12)):
            # the columns' kinds show only below titles and headings, wherever these end
            if all(cell is None for cell in grid[skip - 1]):
                continue
            kinds = self._reader.load_sheet(sheet, header_row=None, skip_rows=first_row - 1 + skip).to_polars()
            if kinds.height != len(grid) - skip or kinds.width != frame.width:
                continue
            for place, (_, kind) in enumerate(kinds.schema.items()):
                if kind.is_numeric() or kind in (pl.Boolean, pl.Date) or kind == pl.Datetime:
                    for index, cell in enumerate(kinds.to_series(place).to_list(), start=skip):
                        if cell is not None and not (
                            isinstance(grid[index][place], str) and grid[index][place][:1] == "#"
                        ):
                            grid[index][place] = cell
        return grid, first_row

    def _errors(self, sheet: str) -> tuple[int, list[tuple[int, int, str]]]:
        """The first row of the sheet that holds anything, and each cell that shows an error (row and column from 0)."""
        try:
            with zipfile.ZipFile(self.path) as archive:
                data = archive.read(self._member(archive, sheet))
        except (KeyError, OSError, zipfile.BadZipFile):
            return 1, []
        filled = re.compile(rb'<c r="([A-Z]+)(\d+)"[^>]*?(?<!/)>')
        first = filled.search(data)
        if first is None:
            return 1, []
        first_row = int(first[2])
        if b't="e"' not in data:
            return first_row, []
        left = min(_column_number(match[1]) for match in filled.finditer(data))
        errors = []
        for match in re.finditer(rb'<c r="([A-Z]+)(\d+)"[^>]*?\bt="e"[^>]*>(.*?)</c>', data, re.DOTALL):
            text = re.search(rb"<v>(.*?)</v>", match[3])
            errors.append(
                (int(match[2]) - first_row, _column_number(match[1]) - left, text[1].decode() if text else "#ERROR")
            )
        return first_row, errors

    @staticmethod
    def _member(archive: zipfile.ZipFile, sheet: str) -> str:
        from xml.etree import ElementTree

        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        target = {link.get("Id"): link.get("Target", "") for link in links}
        for entry in book.iter():
            if entry.tag.endswith("}sheet") and entry.get("name") == sheet:
                link = next((value for key, value in entry.attrib.items() if key.endswith("}id")), "")
                found = target.get(link, "")
                return found.lstrip("/") if found.startswith("/") else f"xl/{found}"
        raise KeyError(sheet)


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def read_grid(grid: list[list[Any]], first_row: int, layout: CsvLayout, shown: str) -> RawRows:
    """Rows of a sheet; lines are the sheet's own row numbers. Raises InputError without a row of headings."""
    n_above = max(layout.lines_above - (first_row - 1), 0)
    end = len(grid)
    left = layout.lines_below
    while left and end > 0:
        end -= 1
        left -= any(not is_blank(cell) for cell in grid[end])
    # rows above the first filled one hold nothing, but they are rows of the sheet
    passed = (first_row - 1) + min(n_above, end) + len(grid) - end
    at = min(n_above, end)
    headings = list(layout.headings)
    while not headings and at < end:
        if all(is_blank(cell) for cell in grid[at]):
            passed += 1
        else:
            headings = grid[at]
        at += 1
    if not headings:
        raise InputError(f"{shown}: there is no row of headings. Is the sheet empty, or lines_above too large?")
    headings = tidy_headings(headings)
    width = len(headings)
    kept: list[list[Any]] = []
    starts: list[int] = []
    for index in range(at, end):
        row = grid[index]
        if all(is_blank(cell) for cell in row) or is_total(row, layout.totals):
            passed += 1
            continue
        kept.append((row + [None] * width)[:width])
        starts.append(first_row + index)
    columns = list(zip(*kept, strict=True)) if kept else [()] * width
    return RawRows(
        headings,
        {heading: list(column) for heading, column in zip(headings, columns, strict=True)},
        starts,
        passed + len(kept),
    )


# --- Parquet


def read_parquet(path: Path, shown: str) -> RawRows:
    """Rows of a Parquet file, numbered from 1. Raises InputError where it cannot be read."""
    import polars as pl

    try:
        frame = pl.read_parquet(path, glob=False)
    except Exception as error:  # a damaged file raises whatever its damaged part is
        raise InputError(f"{shown}: the Parquet file cannot be read ({str(error).splitlines()[0]}).") from None
    headings = tidy_headings(frame.columns)
    columns = {heading: frame.to_series(place).to_list() for place, heading in enumerate(headings)}
    return RawRows(headings, columns, list(range(1, frame.height + 1)), frame.height)
