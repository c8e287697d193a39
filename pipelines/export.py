"""Any table of the store as a file: CSV, XLSX, Parquet or JSON Lines, and what each table and column means."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipelines.contract import TABLE_BY_NAME
from pipelines.errors import InputError

MEANINGS_FILE = Path(__file__).parent / "data" / "meanings.csv"
ENDINGS = (".parquet", ".csv", ".xlsx", ".jsonl")
XLSX_ROWS_AT_MOST = 1_048_575
# a spreadsheet runs what begins like this as a formula
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Meaning:
    """One column that can be exported: its table, its unit (empty where it has none) and what it says."""

    table: str
    column: str
    unit: str
    meaning: str


def meanings() -> list[Meaning]:
    """Every table and column that can be exported, in the order of the flow, as meanings.csv says it."""
    with open(MEANINGS_FILE, encoding="utf-8", newline="") as handle:
        return [Meaning(**row) for row in csv.DictReader(handle)]


def table_names() -> list[str]:
    """The tables that `export` knows, in the order of the flow."""
    return list(dict.fromkeys(meaning.table for meaning in meanings()))


def export(
    con: duckdb.DuckDBPyConnection,
    table: str,
    to: Path,
    where: str | None = None,
) -> int:
    """Write a table, or the part of it that `where` keeps, and return the number of rows written.

    Parameters
    ----------
    con : of Store.read: it can read the store and nothing else of the machine.
    where : an SQL condition on the table's columns.

    Raises
    ------
    InputError : the table, the ending or the condition cannot be used, or the rows do not fit on one sheet.
    """
    if table not in table_names():
        raise InputError(f"There is no table {table}. `slowfuse export --list` names them all.")
    ending = to.suffix.lower()
    if ending not in ENDINGS:
        raise InputError(f"{to}: the ending {ending or '(none)'} is not known. Use one of {', '.join(ENDINGS)}.")
    cursor = con.cursor()
    try:
        select = _select(cursor, table, where)
    except duckdb.CatalogException as error:
        raise InputError(f"The table {table} is not in this store yet: run `slowfuse fit` first.") from error
    except duckdb.Error as error:
        raise InputError(f"--where {where!r} cannot be used on {table}: {_first_line(error)}") from error
    to.parent.mkdir(parents=True, exist_ok=True)
    temporary = to.with_name(f".{to.name}.part")
    try:
        batches = (
            select.to_arrow_reader(100_000)
            if hasattr(select, "to_arrow_reader")
            else select.fetch_arrow_reader(100_000)
        )
        rows = _WRITERS[ending](batches, temporary, table)
    except duckdb.Error as error:
        temporary.unlink(missing_ok=True)
        raise InputError(f"--where {where!r} cannot be used on {table}: {_first_line(error)}") from error
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    temporary.replace(to)
    return rows


def as_text_cell(value: object) -> object:
    """A text that a spreadsheet would run as a formula, made harmless; anything else as it is."""
    if isinstance(value, str) and value.startswith(FORMULA_STARTS) and not _is_number(value):
        return "'" + value
    return value


def _select(cursor: duckdb.DuckDBPyConnection, table: str, where: str | None) -> duckdb.DuckDBPyRelation:
    staged = TABLE_BY_NAME.get(table)
    source = staged.staged if staged else table
    columns = ", ".join(f'"{name}"' for name in staged.column_names) if staged else "*"
    if table == "readings":
        # text readings (the test gas, a blower setting) stand in their own column of the staged table
        columns = columns.replace('"value"', 'coalesce(value_text, value::varchar) as "value"')
    if where is None:
        return cursor.sql(f"select {columns} from {source}")
    if ";" in where:
        raise InputError(f"--where {where!r}: one condition only, without a semicolon.")
    # in brackets on lines of their own, so that a comment or a second statement cannot slip in behind it
    return cursor.sql(f"select {columns} from (select * from {source} where (\n{where}\n))")


def _write_parquet(batches: Iterable, to: Path, table: str) -> int:
    import pyarrow.parquet

    rows = 0
    with pyarrow.parquet.ParquetWriter(to, batches.schema, compression="zstd") as writer:  # type: ignore[attr-defined]
        for batch in batches:
            writer.write_batch(batch)
            rows += batch.num_rows
    return rows


def _write_csv(batches: Iterable, to: Path, table: str) -> int:
    rows = 0
    with open(to, "w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle)
        writer.writerow(batches.schema.names)  # type: ignore[attr-defined]
        for batch in batches:
            columns = [[_as_written(cell) for cell in column.to_pylist()] for column in batch.columns]
            writer.writerows(zip(*columns, strict=True))
            rows += batch.num_rows
    return rows


def _write_jsonl(batches: Iterable, to: Path, table: str) -> int:
    import json

    rows = 0
    with open(to, "w", encoding="utf-8") as handle:
        for batch in batches:
            for row in batch.to_pylist():
                handle.write(json.dumps(row, default=_as_iso, ensure_ascii=False) + "\n")
            rows += batch.num_rows
    return rows


def _write_xlsx(batches: Iterable, to: Path, table: str) -> int:
    import xlsxwriter

    rows = 0
    book = xlsxwriter.Workbook(
        str(to), {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    )
    try:
        sheet = book.add_worksheet(table[:31])
        heading = book.add_format({"bold": True, "bottom": 1})
        date_format = book.add_format({"num_format": "yyyy-mm-dd"})
        time_format = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        sheet.freeze_panes(1, 0)
        for number, name in enumerate(batches.schema.names):  # type: ignore[attr-defined]
            sheet.write_string(0, number, name, heading)
        for batch in batches:
            if rows + batch.num_rows > XLSX_ROWS_AT_MOST:
                raise InputError(
                    f"{to}: a sheet holds {XLSX_ROWS_AT_MOST:,} rows and {table} has more. "
                    "Narrow it with --where, or write .parquet or .csv."
                )
            for row in batch.to_pylist():
                rows += 1
                for number, cell in enumerate(row.values()):
                    _write_cell(sheet, rows, number, cell, date_format, time_format)
    finally:
        book.close()
    return rows


def _write_cell(sheet, row: int, column: int, cell: object, date_format, time_format) -> None:
    import datetime
    import math

    if cell is None:
        return
    if isinstance(cell, bool):
        sheet.write_boolean(row, column, cell)
    elif isinstance(cell, int | float):
        if math.isfinite(cell):
            sheet.write_number(row, column, cell)
        else:
            sheet.write_string(row, column, str(cell))
    elif isinstance(cell, datetime.datetime):
        sheet.write_datetime(row, column, cell.replace(tzinfo=None), time_format)
    elif isinstance(cell, datetime.date):
        sheet.write_datetime(row, column, cell, date_format)
    else:
        sheet.write_string(row, column, str(_as_written(cell)))


_WRITERS = {".parquet": _write_parquet, ".csv": _write_csv, ".jsonl": _write_jsonl, ".xlsx": _write_xlsx}


def _as_written(cell: object) -> object:
    import datetime

    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, datetime.datetime):
        return cell.isoformat(timespec="seconds")
    if isinstance(cell, list):
        return "; ".join(str(part) for part in cell)
    return as_text_cell(cell)


def _as_iso(value: object) -> str:
    return value.isoformat() if hasattr(value, "isoformat") else str(value)  # type: ignore[attr-defined]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]
