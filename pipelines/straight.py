"""Files that DuckDB may read by itself: plain CSV and Parquet in the contract's own headings.

Plain means that nothing in the file needs care: UTF-8, no line breaks within cells, no title, comment or stray quote,
each line as wide as the headings, and a decimal mark that the file proves. Everything else goes through `readers`.
"""

from __future__ import annotations

import mmap
import re
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipelines import cell_text, readers
from pipelines.contract import TABLE_BY_NAME
from pipelines.mapping import Source
from pipelines.readers import InputFile
from pipelines.staging import STRAIGHT_TABLES
from pipelines.store import quoted

SAMPLE_BYTES = 1 << 18


@dataclass(frozen=True)
class StraightFile:
    """relation : table expression of text cells under the contract's names; first_line : line of the first row.

    rows : how many there must be, if each line holds one row; if DuckDB finds another number, the file is not plain.
    """

    relation: str
    headings: list[str]
    rows: int
    first_line: int
    decimal_mark: str | None
    is_plain: bool = True


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
    """The CSV file for DuckDB, or None where it is not plain."""
    if file.size == 0 or source.lines_above or source.table[0].table not in STRAIGHT_TABLES:
        return None
    with open(file.path, "rb") as handle, mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ) as data:
        if data[:3] == b"\xef\xbb\xbf" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return None
        sample = data[:SAMPLE_BYTES]
        if b"\x00" in sample or b"\r" in sample.replace(b"\r\n", b""):
            return None
        has_quotes = data.find(b'"') >= 0
        lines = _count_lines(data)
    try:
        text = sample.decode("utf-8", errors="strict" if len(sample) < SAMPLE_BYTES else "ignore")
    except UnicodeDecodeError:
        return None
    sampled = readers.lines_of(text)
    delimiter = source.delimiter or readers.delimiter_of(sampled)
    headings = [heading.lower() for heading in readers.tidy_headings(readers._split(sampled[0], delimiter))]
    table = TABLE_BY_NAME[source.table[0].table]
    if len(set(headings)) < len(headings) or any(heading not in table.by_name for heading in headings):
        return None  # extra columns are kept aside by the careful way
    columns = ", ".join(f"'{heading}': 'VARCHAR'" for heading in headings)
    quote = "'\"'" if has_quotes else "''"
    relation = (
        f"read_csv({quoted(_safe_name(file, scratch))}, header = true, auto_detect = false, delim = {quoted(delimiter)}, "
        f"quote = {quote}, escape = {quote}, strict_mode = true, null_padding = false, max_line_size = 4000000, "
        f"columns = {{{columns}}})"
    )
    last = readers._split(sampled[-1], delimiter) if len(sample) < SAMPLE_BYTES else _last_line(file, delimiter)
    if readers.is_total(last, tuple(word.lower() for word in source.totals)):
        return None
    mark = _mark_shown(con, sampled[1:], headings, table.name, delimiter, relation, is_whole=len(sample) < SAMPLE_BYTES)
    if mark == ",":
        return None
    return StraightFile(relation, headings, lines - 1, 2, mark)


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
    table: str,
    delimiter: str,
    relation: str,
    *,
    is_whole: bool,
) -> str | None:
    """The decimal mark that the file proves: "." also where no figure has a mark at all; "," where it is in doubt."""
    kinds = TABLE_BY_NAME[table].by_name
    places = [place for place, heading in enumerate(headings) if kinds[heading].kind in ("number", "integer")]
    if not places:
        return "."
    shown = set()
    for line in sampled:
        cells = readers._split(line, delimiter)
        shown |= {mark for place in places if place < len(cells) and (mark := cell_text.mark_shown(cells[place]))}
    if shown == {"."}:
        return "."
    marked = " or ".join(f"contains({headings[place]}, '.') or contains({headings[place]}, ',')" for place in places)
    try:
        row = con.execute(f"select 1 from {relation} where {marked} limit 1").fetchone()
    except duckdb.Error:
        return ","
    return "." if row is None else ","


def open_parquet(con: duckdb.DuckDBPyConnection, file: InputFile, scratch: Path) -> StraightFile:
    """A Parquet file for DuckDB; is_plain is False where it holds columns that are kept aside or are no single cells.

    Raises
    ------
    InputError : it cannot be read.
    """
    from pipelines.errors import InputError

    place = f"read_parquet({quoted(_safe_name(file, scratch))})"
    try:
        described = con.execute(f"describe select * from {place}").fetchall()
        row = con.execute(f"select count(*) from {place}").fetchone()
    except duckdb.Error as error:
        raise InputError(f"{file.shown}: the Parquet file cannot be read ({str(error).splitlines()[0]}).") from None
    headings = [name.strip().lower() for name, *_ in described]
    known = {name for table in TABLE_BY_NAME.values() for name in table.column_names}
    simple = re.compile(
        r"^(VARCHAR|U?(TINY|SMALL|BIG|HUGE)?INT(EGER)?|DOUBLE|FLOAT|DATE|TIMESTAMP|BOOLEAN|ENUM\(.*\))$"
    )
    is_plain = (
        all(heading in known for heading in headings)
        and len(set(headings)) == len(headings)
        and all(simple.match(kind) for _, kind, *_ in described)
        and _marks_are_points(con, place, described)
    )
    cells = ", ".join(_parquet_cell(name, kind) for name, kind, *_ in described)
    return StraightFile(f"(select {cells} from {place})", headings, row[0] if row else 0, 1, ".", is_plain)


def _marks_are_points(con: duckdb.DuckDBPyConnection, place: str, described: list[tuple[str, ...]]) -> bool:
    """Whether figures that a Parquet file holds as text have a point as their decimal mark, beyond doubt."""
    figures = {
        column.name
        for table in TABLE_BY_NAME.values()
        for column in table.columns
        if column.kind in ("number", "integer")
    }
    for name, kind, *_ in described:
        if kind != "VARCHAR" or name.strip().lower() not in figures:
            continue
        column = '"' + name.replace('"', '""') + '"'
        row = con.execute(
            f"select bool_or(contains({column}, ',')), bool_or(contains({column}, '.')), "
            f"bool_or(regexp_matches({column}, '^-?([0-9]*[.]([0-9]{{1,2}}|[0-9]{{4,}})|0[.][0-9]+)$')) from {place}"
        ).fetchone()
        has_comma, has_point, is_proved = row or (False, False, False)
        if has_comma or (has_point and not is_proved):
            return False
    return True


def _parquet_cell(name: str, kind: str) -> str:
    column = '"' + name.replace('"', '""') + '"'
    alias = name.strip().lower()
    if kind == "TIMESTAMP":
        # a table program writes a date as its midnight
        is_date = any(
            alias in table.by_name and table.by_name[alias].kind == "date" for table in TABLE_BY_NAME.values()
        )
        return f"strftime({column}, '{'%Y-%m-%d' if is_date else '%Y-%m-%d %H:%M:%S'}') as {alias}"
    return f"{column}::varchar as {alias}"
