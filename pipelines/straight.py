"""Files that DuckDB may read by itself: plain CSV and Parquet in the contract's own headings.

Plain means that nothing in the file needs care: UTF-8, no line breaks within cells, no title, comment or stray quote,
each line as wide as the headings, and a decimal mark that the file proves. Everything else goes through `readers`.
"""

from __future__ import annotations

import mmap
import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import duckdb

from pipelines import cell_text, readers
from pipelines.cell_text import is_blank
from pipelines.contract import TABLE_BY_NAME
from pipelines.errors import InputError
from pipelines.mapping import DEFAULT_TOTALS, Source
from pipelines.readers import InputFile, RawRows, RowFault
from pipelines.staging import STRAIGHT_TABLES, StraightCells
from pipelines.store import quoted

SAMPLE_BYTES = 1 << 18


@dataclass
class StraightFile:
    """cells : what DuckDB reads; rows : how many there must be, if each line holds one row (another number tells that
    the file is not plain); first_line : line of the first row; n_read : rows and lines that are no heading.

    odd : rows to be read with care instead; stand_ins : the lines that stand empty in their place, so that no line after
    them is shifted; faults : lines that cannot be taken.
    """

    cells: StraightCells
    rows: int
    first_line: int
    n_read: int
    is_plain: bool = True
    decimal_proved: str | None = "."  # None where no plain figure has a mark: then the odd ones must show it themselves
    odd: RawRows | None = None
    stand_ins: frozenset[int] = frozenset()
    note: str = ""

    @property
    def headings(self) -> list[str]:
        return self.cells.headings

    @property
    def faults(self) -> list[RowFault]:
        return self.odd.faults if self.odd else []


@dataclass(frozen=True)
class FirstLines:
    cells: list[list[str]]
    delimiter: str


def first_lines(file: InputFile) -> FirstLines:
    """The first lines of a text file, split into cells, to look for headings in."""
    with open(file.path, "rb") as handle:
        data = handle.read(SAMPLE_BYTES)
    # a sample may end within a character; the headings stand well before its end
    encoding = readers.encoding_of(data[: len(data) & ~1] if len(data) == SAMPLE_BYTES else data, None, file.shown)
    text = data[encoding.bom :].decode(encoding.name, errors="replace")
    lines = readers.lines_of(text)[:60]
    delimiter = readers.delimiter_of(lines)
    return FirstLines([readers._split(line, delimiter) for line in lines[:20]], delimiter)


def _safe_name(file: InputFile, scratch: Path) -> Path:
    """A name that DuckDB does not read as a pattern."""
    if not re.search(r"[*?\[\]{}]", str(file.path)):
        return file.path
    link = scratch / f"{abs(hash(str(file.path)))}{file.path.suffix}"
    if not link.exists():
        link.symlink_to(file.path.resolve())
    return link


def open_csv(con: duckdb.DuckDBPyConnection, file: InputFile, source: Source, scratch: Path) -> StraightFile | None:
    """The CSV file for DuckDB as it stands, or None where it is not plain."""
    if file.size == 0 or source.lines_above or source.table[0].table not in STRAIGHT_TABLES:
        return None
    with open(file.path, "rb") as handle, mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ) as data:
        if data[:3] == b"\xef\xbb\xbf" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return None
        sample = data[:SAMPLE_BYTES]
        if b"\x00" in sample or b"\r" in sample.replace(b"\r\n", b"\n").removesuffix(b"\r"):
            return None
        has_quotes = data.find(b'"') >= 0
        lines = _count_lines(data)
    is_whole = len(sample) < SAMPLE_BYTES
    try:
        text = sample.decode("utf-8", errors="strict" if is_whole else "ignore")
    except UnicodeDecodeError:
        return None
    sampled = readers.lines_of(text)
    delimiter = source.delimiter or readers.delimiter_of(sampled)
    headings = _headings(readers._split(sampled[0], delimiter), source)
    last = readers._split(sampled[-1], delimiter) if is_whole else _last_line(file, delimiter)
    if headings is None or readers.is_total(last, _totals(source)):
        return None
    relation = _relation(_safe_name(file, scratch), headings, delimiter, has_quotes)
    mark = _mark_shown(con, sampled[1:], headings, source, delimiter, relation)
    if mark is None:
        return None
    return StraightFile(
        StraightCells(relation, headings, mark or "."), lines - 1, 2, lines - 1, decimal_proved=mark or None
    )


def tidy_csv(con: duckdb.DuckDBPyConnection, file: InputFile, source: Source, scratch: Path) -> StraightFile | None:
    """A CSV file that is not plain, made so: a copy in which each line that needs care stands empty.

    The copy is UTF-8 and has the file's lines in their places. What was taken out is read with care: cells with line
    breaks, lines of another width, lines with a stray quote. None where even so DuckDB cannot read it: its decimal mark
    is in doubt.

    Raises
    ------
    InputError : the file is no text, or has no line of headings.
    """
    if source.table[0].table not in STRAIGHT_TABLES:
        return None
    encoding, note = readers.encoding_of_file(file.path, file.shown)
    copy = scratch / f"{abs(hash(file.shown))}-{file.path.stem[:40]}.csv"
    sampled: list[str] = []
    faults: list[RowFault] = []
    taken: list[list[str]] = []
    starts: list[int] = []
    stand_ins: set[int] = set()
    passed = rows = 0
    has_quotes = False
    totals = _totals(source)
    try:
        with (
            open(file.path, encoding=encoding, newline=None) as lines,
            open(copy, "w", encoding="utf-8", newline="\n") as out,
        ):
            ahead = _Ahead(lines)
            for _ in range(source.lines_above):
                passed += ahead.take() is not None
            line = ahead.take()
            while line is not None and not line.strip():
                passed, line = passed + 1, ahead.take()
            if line is None:
                raise InputError(f"{file.shown}: there is no line of headings. Is the file empty?")
            delimiter = source.delimiter or readers.delimiter_of([line])
            cells = readers._split(line.removeprefix("\ufeff"), delimiter)
            while len(cells) > 1 and not cells[-1].strip():
                cells.pop()
            headings = _headings(cells, source)
            if headings is None:
                return None
            width, first_line = len(headings), ahead.line + 1
            initials = (
                frozenset(word[0] for word in totals) | frozenset(word[0].upper() for word in totals) | {delimiter}
            )
            blank = delimiter * (width - 1) if width > 1 else '""'
            while (line := ahead.take()) is not None:
                rows += 1
                is_plain = (
                    line.count(delimiter) == width - 1 and '"' not in line and "\x00" not in line and line.strip()
                )
                if is_plain and not (line[:1] in initials and _may_be_total(line, delimiter)):
                    out.write(line + "\n")
                    if len(sampled) < 20000:
                        sampled.append(line)
                    continue
                at = ahead.line
                window = [line, *ahead.look(readers.LINES_IN_ONE_CELL)] if '"' in line else [line]
                record, used = readers._record(window, 0, len(window), delimiter, width)
                is_row = record is not None and len(record) == width and any(cell.strip() for cell in record)
                if (
                    record is not None
                    and is_row
                    and used == 1
                    and "\x00" not in line
                    and not readers.is_total(record, totals)
                ):
                    has_quotes = has_quotes or '"' in line
                    # written anew: what one reader takes for a quote another may not
                    out.write(delimiter.join(_quoted_cell(cell, delimiter) for cell in record) + "\n")
                    continue
                stand_ins.add(at)
                out.write(blank + "\n")
                if record is None:
                    faults.append(
                        RowFault(at, "a quote in this line is not closed, or stands where none may stand", line)
                    )
                elif all(is_blank(cell) for cell in record) or readers.is_total(record, totals):
                    passed += 1
                elif len(record) < width or any(cell.strip() for cell in record[width:]):
                    faults.append(RowFault(at, f"has {len(record)} of {width} cells", line))
                else:
                    taken.append(record[:width])
                    starts.append(at)
                for _ in range(used - 1):
                    ahead.take()
                    rows += 1
                    stand_ins.add(ahead.line)
                    out.write(blank + "\n")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{file.shown}: byte {error.start} of a part of it cannot be read as {encoding}. Save it as UTF-8."
        ) from None
    relation = _relation(copy, headings, delimiter, has_quotes or width == 1, header=False)
    mark = _mark_shown(con, sampled, headings, source, delimiter, relation)
    if mark is None:
        return None
    columns = list(zip(*taken, strict=True)) if taken else [()] * width
    odd = RawRows(
        headings, {name: [cell or None for cell in column] for name, column in zip(headings, columns, strict=True)},
        starts, 0, faults,
    )  # fmt: skip
    n_read = passed + len(faults) + len(taken) + rows - len(stand_ins)
    return StraightFile(
        StraightCells(relation, headings, mark or "."),
        rows,
        first_line,
        n_read,
        decimal_proved=mark or None,
        odd=odd,
        stand_ins=frozenset(stand_ins),
        note=note,
    )


def _may_be_total(line: str, delimiter: str) -> bool:
    return line.lstrip(delimiter + " ").lower().startswith(DEFAULT_TOTALS)


class _Ahead:
    """Lines of a file one after the other, with a look at those that follow. line : the number of the last one taken."""

    def __init__(self, lines: Iterator[str]) -> None:
        self._lines, self._waiting, self.line = lines, deque[str](), 0

    def take(self) -> str | None:
        line = self._waiting.popleft() if self._waiting else next(self._lines, None)
        if line is None:
            return None
        self.line += 1
        return line[:-1] if line.endswith("\n") else line

    def look(self, count: int) -> list[str]:
        while len(self._waiting) < count and (line := next(self._lines, None)) is not None:
            self._waiting.append(line)
        return [line[:-1] if line.endswith("\n") else line for line in islice(self._waiting, count)]


def _quoted_cell(cell: str, delimiter: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if '"' in cell or delimiter in cell else cell


def _totals(source: Source) -> tuple[str, ...]:
    return tuple(word.lower() for word in source.totals)


def _headings(cells: list[str], source: Source) -> list[str] | None:
    """Contract columns under their own names, others as written; None where two are the same but for their case."""
    known = TABLE_BY_NAME[source.table[0].table].by_name
    headings = [heading.lower() if heading.lower() in known else heading for heading in readers.tidy_headings(cells)]
    return headings if len({heading.lower() for heading in headings}) == len(headings) else None


def _relation(path: Path, headings: list[str], delimiter: str, has_quotes: bool, *, header: bool = True) -> str:
    columns = ", ".join(f"{quoted(heading)}: 'VARCHAR'" for heading in headings)
    quote = "'\"'" if has_quotes else "''"
    return (
        f"read_csv({quoted(path)}, header = {str(header).lower()}, auto_detect = false, delim = {quoted(delimiter)}, "
        f"quote = {quote}, escape = {quote}, strict_mode = true, null_padding = false, max_line_size = 4000000, "
        f"columns = {{{columns}}})"
    )


def _count_lines(data: mmap.mmap) -> int:
    count, at, step = 0, 0, 1 << 24
    while at < len(data):
        count += data[at : at + step].count(b"\n")
        at += step
    return count + (data[-1:] != b"\n")


def _last_line(file: InputFile, delimiter: str) -> list[str]:
    with open(file.path, "rb") as handle:
        handle.seek(max(file.size - 4096, 0))
        tail = handle.read().decode("utf-8", errors="ignore").rstrip("\r\n")
    return readers._split(tail.rsplit("\n", 1)[-1], delimiter)


def _mark_shown(
    con: duckdb.DuckDBPyConnection,
    sampled: list[str],
    headings: list[str],
    source: Source,
    delimiter: str,
    relation: str,
) -> str | None:
    """The decimal mark that the file proves, "" where no figure has a mark at all, None where it is in doubt."""
    known = TABLE_BY_NAME[source.table[0].table].by_name
    places = [
        place for place, name in enumerate(headings) if name in known and known[name].kind in ("number", "integer")
    ]
    shown = set()
    for line in sampled if places else ():
        cells = readers._split(line, delimiter)
        shown |= {mark for place in places if place < len(cells) and (mark := cell_text.mark_shown(cells[place]))}
    if len(shown) == 1 or not places:
        return shown.pop() if shown else ""
    if shown:
        return None
    # nothing among the first lines: all of the file is asked
    try:
        return _mark_of_columns(con, relation, ['"' + headings[place] + '"' for place in places])
    except duckdb.Error:
        return None


def _mark_of_columns(con: duckdb.DuckDBPyConnection, relation: str, columns: list[str]) -> str | None:
    proof = "'^-?([0-9]*{0}([0-9]{{1,2}}|[0-9]{{4,}})|0{0}[0-9]+)$'"
    asked = []
    for mark in (".", ","):
        asked.append(" or ".join(f"contains({column}, '{mark}')" for column in columns))
        asked.append(" or ".join(f"regexp_matches({column}, {proof.format(f'[{mark}]')})" for column in columns))
    row = con.execute(f"select {', '.join(f'bool_or({condition})' for condition in asked)} from {relation}").fetchone()
    has_point, proves_point, has_comma, proves_comma = row or (False, False, False, False)
    if not has_point and not has_comma:
        return ""
    if proves_point == proves_comma:
        return None
    return "." if proves_point else ","


def open_parquet(con: duckdb.DuckDBPyConnection, file: InputFile, scratch: Path) -> StraightFile:
    """A Parquet file for DuckDB; is_plain is False where it holds columns that are kept aside or are no single cells.

    Raises
    ------
    InputError : it cannot be read.
    """
    place = f"read_parquet({quoted(_safe_name(file, scratch))})"
    try:
        described = con.execute(f"describe select * from {place}").fetchall()
        row = con.execute(f"select count(*) from {place}").fetchone()
    except duckdb.Error as error:
        raise InputError(f"{file.shown}: the Parquet file cannot be read ({str(error).splitlines()[0]}).") from None
    headings = [name.strip().lower() for name, *_ in described]
    known = {name for table in TABLE_BY_NAME.values() for name in table.column_names}
    simple = re.compile(
        r"^(VARCHAR|U?(TINY|SMALL|BIG|HUGE)?INT(EGER)?|DOUBLE|FLOAT|DATE|TIMESTAMP(_S|_MS|_NS)?|BOOLEAN|ENUM\(.*\))$"
    )
    is_plain = (
        all(heading in known for heading in headings)
        and len(set(headings)) == len(headings)
        and all(simple.match(kind) for _, kind, *_ in described)
        and _marks_are_points(con, place, described)
    )
    cells = ", ".join(_parquet_cell(name, kind) for name, kind, *_ in described)
    rows = row[0] if row else 0
    return StraightFile(StraightCells(f"(select {cells} from {place})", headings, "."), rows, 1, rows, is_plain)


def _marks_are_points(con: duckdb.DuckDBPyConnection, place: str, described: list[tuple[str, ...]]) -> bool:
    """Whether figures that a Parquet file holds as text have a point as their decimal mark, beyond doubt."""
    figures = {
        column.name
        for table in TABLE_BY_NAME.values()
        for column in table.columns
        if column.kind in ("number", "integer")
    }
    columns = [
        '"' + name.replace('"', '""') + '"'
        for name, kind, *_ in described
        if kind == "VARCHAR" and name.strip().lower() in figures
    ]
    return not columns or _mark_of_columns(con, place, columns) in (".", "")


def _parquet_cell(name: str, kind: str) -> str:
    column = '"' + name.replace('"', '""') + '"'
    alias = name.strip().lower()
    if kind.startswith("TIMESTAMP") and "ZONE" not in kind:
        if alias == "elapsed_s":  # the samples of a gauge, to the fraction of a second
            return f"{column}::timestamp::varchar as {alias}"
        # a table program writes a date as its midnight
        is_date = any(
            alias in table.by_name and table.by_name[alias].kind == "date" for table in TABLE_BY_NAME.values()
        )
        return f"strftime({column}::timestamp, '{'%Y-%m-%d' if is_date else '%Y-%m-%d %H:%M:%S'}') as {alias}"
    return f"{column}::varchar as {alias}"
