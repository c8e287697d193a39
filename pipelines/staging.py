"""The staged tables, and the bench beside them on which the rows of one load are laid out before they are merged.

A bench table holds typed rows of one contract table with their file and line. Rows come onto it by two ways that must
agree: from `interpreting` (any mapping, any cell), or straight from a CSV or Parquet file in the contract's own
headings, where DuckDB casts every cell that is plainly written and hands the few other rows to `interpreting`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb

from pipelines import units
from pipelines.cell_text import BLANK_WORDS
from pipelines.contract import DUCKDB_TYPE, QUANTITY_UNIT, STEPS, TABLE_BY_NAME, TABLES, UNIT_CODES, Column, Table

if TYPE_CHECKING:
    from pipelines.interpreting import TypedRows

# Codes that stand in millions of rows are kept as numbers with names
_ENUMS = {
    "step_code": STEPS,
    "quantity_code": tuple(sorted({name for known in QUANTITY_UNIT.values() for name in known})),
    "unit_code": UNIT_CODES,
    "tick_code": ("done", "not_done"),
}
_ENUM_OF = {
    ("steps", "step"): "step_code",
    ("steps", "ticked"): "tick_code",
    ("readings", "step"): "step_code",
    ("readings", "quantity"): "quantity_code",
    ("readings", "unit"): "unit_code",
}
# A sample of a gauge log without a step is of the one that its quantity belongs to
STEP_OF_TRACE = {"vacuum": "vacuum_rise", "test_pressure": "pressure_test", "test_temperature": "pressure_test"}
# reading_order: the time in seconds above, the order of arrival below
ARRIVAL_BITS = 30
READING_COLUMNS = {"value_text": "VARCHAR", "original_value": "VARCHAR", "original_unit": "VARCHAR"}


def column_type(table: Table, column: Column) -> str:
    return _ENUM_OF.get((table.name, column.name), DUCKDB_TYPE[column.kind])


def content_columns(table: Table) -> dict[str, str]:
    """Contract columns of a staged table, and the text columns of a reading, with their DuckDB types."""
    columns = {column.name: column_type(table, column) for column in table.columns}
    return columns | READING_COLUMNS if table.name == "readings" else columns


def staged_columns(table: Table) -> dict[str, str]:
    """Every column of a staged table with its DuckDB type."""
    order = {"reading_no": "INTEGER", "reading_order": "BIGINT"} if table.name == "readings" else {}
    return content_columns(table) | order | {
        "load_id": "VARCHAR", "source_file": "VARCHAR", "source_line": "BIGINT", "extra": "VARCHAR",
    }  # fmt: skip


def _listed(columns: dict[str, str]) -> str:
    return ", ".join(f"{name} {kind}" for name, kind in columns.items())


def create_empty_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Everything that a new store holds before its first load."""
    for name, codes in _ENUMS.items():
        con.execute(f"create type {name} as enum ({', '.join(repr(code) for code in codes)})")
    for table in TABLES:
        if table.name != "traces":  # gauge logs live in Parquet parts, the store makes their view
            con.execute(f"create table {table.staged} ({_listed(staged_columns(table))})")
    con.execute(
        "create table rejected_row (load_id varchar, source_file varchar, source_line bigint, scope varchar, "
        "table_name varchar, column_name varchar, value varchar, reason varchar, row_as_text varchar)"
    )
    con.execute(
        "create table load_run (load_id varchar, started_at timestamp, ended_at timestamp, source_file varchar, "
        "bytes bigint, sha256 varchar, mapping varchar, rows_read bigint, rows_new bigint, rows_changed bigint, "
        "rows_unchanged bigint, rows_rejected bigint, rows_passed_over bigint, values_rejected bigint, "
        "undone_at timestamp, meaning varchar)"
    )
    con.execute(
        "create table load_table (load_id varchar, source_file varchar, table_name varchar, rows_new bigint, "
        "rows_changed bigint, rows_unchanged bigint, rows_rejected bigint, values_rejected bigint)"
    )
    con.execute(
        "create table row_history (table_name varchar, row_key varchar, row_as_json varchar, load_id varchar, "
        "superseded_by varchar, superseded_at timestamp, content_hash ubigint)"
    )
    # one row for each row that a later load brought unchanged; row_key is a hash, since there can be millions
    con.execute("create table witness (table_name varchar, row_key ubigint, load_id varchar)")
    con.execute("create table gauge_log_part (part_file varchar, load_id varchar, rows bigint, jobs bigint)")
    con.execute(
        "create table unread_reading (job_id varchar, step varchar, quantity varchar, value varchar, reason varchar, "
        "load_id varchar, source_file varchar, source_line bigint)"
    )
    con.execute(
        "create table rejected_reading (job_id varchar, step varchar, quantity varchar, value varchar, reason varchar)"
    )


def add_new_codes(con: duckdb.DuckDBPyConnection) -> None:
    """A store that was made before the contract had a code learns it; its rows stay what they are."""
    for name, codes in _ENUMS.items():
        row = con.execute(f"select enum_range(null::{name})").fetchone()
        if row is None or set(codes) <= set(row[0]):
            continue
        places = [(TABLE_BY_NAME[table].staged, column) for (table, column), code in _ENUM_OF.items() if code == name]
        for table, column in places:
            con.execute(f"alter table {table} alter column {column} set data type varchar")
        con.execute(f"drop type {name}")
        con.execute(f"create type {name} as enum ({', '.join(repr(code) for code in codes)})")
        for table, column in places:
            con.execute(f"alter table {table} alter column {column} set data type {name}")


def empty_trace_select() -> str:
    """A select with the columns of `staged_trace` and no rows."""
    columns = ", ".join(f"null::{kind} as {name}" for name, kind in staged_columns(TABLE_BY_NAME["traces"]).items())
    return f"select {columns} where false"


# --- the bench


def bench_name(table: Table) -> str:
    return f"bench_{table.staged.removeprefix('staged_')}"


def bench_columns(table: Table) -> dict[str, str]:
    """_line is empty for rows that came straight from a file: their place on the bench tells it. _spoken tells which
    columns a row speaks of, where that is more than its own file does (merging.py)."""
    return content_columns(table) | {
        "extra": "VARCHAR", "_file": "INTEGER", "_line": "BIGINT", "_flawed": "BOOLEAN", "_raw": "VARCHAR",
        "_spoken": "BIGINT",
    }  # fmt: skip


def clear_bench(con: duckdb.DuckDBPyConnection, table: Table) -> None:
    con.execute(f"create or replace temp table {bench_name(table)} ({_listed(bench_columns(table))})")


_POLARS_NAME = {
    "DOUBLE": "Float64", "INTEGER": "Int64", "BIGINT": "Int64", "DATE": "Date", "BOOLEAN": "Boolean",
}  # fmt: skip


def _insert_columns(con: duckdb.DuckDBPyConnection, target: str, columns: dict[str, tuple[str, list[Any]]]) -> None:
    """Insert whole columns: name -> (DuckDB type, cells). Row by row DuckDB takes a thousand times as long."""
    import polars as pl

    series = []
    for name, (kind, cells) in columns.items():
        dtype = pl.Datetime("us") if kind == "TIMESTAMP" else getattr(pl, _POLARS_NAME.get(kind, "String"))
        series.append(pl.Series(name, cells, dtype=dtype, strict=False))
    con.register("rows_to_insert", pl.DataFrame(series).to_arrow())
    try:
        con.execute(f"insert into {target} by name select * from rows_to_insert")
    finally:
        con.unregister("rows_to_insert")


def insert_rows(con: duckdb.DuckDBPyConnection, target: str, rows: list[tuple[Any, ...]]) -> None:
    """Insert rows that have a cell for each column of a table, in its order."""
    if not rows:
        return
    kinds = con.execute(
        "select column_name, data_type from duckdb_columns() where table_name = $table order by column_index",
        {"table": target},
    ).fetchall()
    columns = zip(*rows, strict=True)
    _insert_columns(
        con, target, {name: (kind, list(cells)) for (name, kind), cells in zip(kinds, columns, strict=True)}
    )


def lay_out(con: duckdb.DuckDBPyConnection, laid: list[tuple[int, TypedRows]]) -> None:
    """Put interpreted rows of one table on the bench. laid : (file number, its rows), in order of arrival."""
    laid = [(file_no, rows) for file_no, rows in laid if rows.lines]
    if not laid:
        return
    table = laid[0][1].table
    columns: dict[str, tuple[str, list[Any]]] = {}
    for name, kind in content_columns(table).items():
        cells: list[Any] = []
        for _, rows in laid:
            cells += rows.columns.get(name) or [None] * len(rows.lines)
        columns[name] = (kind, cells)
    columns["extra"] = ("VARCHAR", [cell for _, rows in laid for cell in rows.extra])
    columns["_file"] = ("INTEGER", [file_no for file_no, rows in laid for _ in rows.lines])
    columns["_line"] = ("BIGINT", [line for _, rows in laid for line in rows.lines])
    columns["_flawed"] = ("BOOLEAN", [flawed for _, rows in laid for flawed in rows.flawed])
    _insert_columns(con, bench_name(table), columns)


# --- straight from a file

# Tables that may come straight: in the others a figure's unit follows from its step and quantity
STRAIGHT_TABLES = (
    "technicians", "sites", "systems", "jobs", "steps", "readings", "traces", "calls", "instruments", "training",
    "blower_table",
)  # fmt: skip


def make_reading_kinds(con: duckdb.DuckDBPyConnection) -> None:
    """Temp table `reading_kind`: each step, quantity and unit as plainly written, with its factor and its range."""
    con.execute(
        "create temp table if not exists reading_kind (step_text varchar, quantity_text varchar, unit_text varchar, "
        "step step_code, quantity quantity_code, unit unit_code, factor double, shift double, at_least double, "
        "at_most double, texts varchar[], as_written boolean)"
    )
    if con.execute("select count(*) from reading_kind").fetchone() != (0,):
        return
    rows: list[tuple[Any, ...]] = []
    for (step, name), about in units.all_quantities().items():
        if not step:
            continue
        if about.kind == "text":
            rows.append((step, name, "", step, name, None, None, None, None, None, list(about.texts), True))
            continue
        for unit in UNIT_CODES:
            if not units.suits(unit, about.unit, about.kind):
                continue
            how = units.conversion(unit, about.unit, about.kind)
            if not how.less_atmosphere:  # that needs the job's altitude
                rows.append(
                    (step, name, unit, step, name, about.unit, how.factor, how.shift, about.at_least, about.at_most,
                     None, unit == about.unit)
                )  # fmt: skip
    con.executemany(f"insert into reading_kind values ({', '.join('?' * 12)})", rows)


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


_BLANKS = ", ".join(_literal(word) for word in sorted(BLANK_WORDS))


def _is_odd_text(cell: str, is_key: bool) -> str:
    """Whether a text is one that `interpreting` must look at: blanks around it, or a word for "nothing recorded"."""
    odd = f"{cell} <> trim({cell})"
    # a key that means nothing finds no parent and is looked at then
    return odd if is_key else f"({odd} or lower({cell}) in ({_BLANKS}))"


@dataclass(frozen=True)
class StraightCells:
    """The text cells of a file in the contract's own headings, as DuckDB reads them.

    relation : table expression with a column for each heading; headings : contract columns under their own names,
    others as they are written; decimal_mark : the file's, "." or ",".
    """

    relation: str
    headings: list[str]
    decimal_mark: str

    def has(self, name: str) -> bool:
        return name in self.headings

    def cell(self, name: str) -> str:
        return 'cells."' + name.replace('"', '""') + '"'

    def figure(self, name: str) -> str:
        """SQL for a figure; null where it is not plainly written with the file's decimal mark."""
        cell = self.cell(name)
        if self.decimal_mark == ".":
            return f"try_cast({cell} as double)"
        return f"(case when not contains({cell}, '.') then try_cast(replace({cell}, ',', '.') as double) end)"

    @property
    def raw(self) -> str:
        """SQL for all cells of a row as a JSON list."""
        return f"to_json([{', '.join(self.cell(name) for name in self.headings)}])"

    def extra(self, table: Table) -> str:
        """SQL for the cells under headings that are no column of the table, as JSON text; null where all are empty."""
        aside = [name for name in self.headings if name not in table.by_name]
        if not aside:
            return "null"
        filled = [
            f"{self.cell(name)} is not null and lower(trim({self.cell(name)})) not in ({_BLANKS})" for name in aside
        ]
        pairs = ", ".join(
            f"{{'key': {_literal(name)}, 'value': case when {is_filled} then trim({self.cell(name)}) end}}"
            for name, is_filled in zip(aside, filled, strict=True)
        )
        return (
            f"case when {' or '.join(f'({is_filled})' for is_filled in filled)} then "
            f"to_json(map_from_entries(list_filter([{pairs}], lambda pair: pair.value is not null)))::varchar end"
        )


def _cast(table: Table, column: Column, cells: StraightCells) -> tuple[str, str]:
    """(typed expression, condition under which the cell is not plainly written)."""
    cell = cells.cell(column.name)
    match column.kind:
        case "text":
            return cell, _is_odd_text(cell, column.name in table.key and column.parent_needed)
        case "code" if column.codes:
            enum = _ENUM_OF.get((table.name, column.name))
            typed = (
                f"try_cast({cell} as {enum})"
                if enum
                else f"case when {cell} in ({', '.join(_literal(code) for code in column.codes)}) then {cell} end"
            )
        case "code":
            return cell, _is_odd_text(cell, column.name in table.key and column.parent_needed)
        case "flag":
            typed = f"case {cell} when 'true' then true when 'false' then false end"
        case "date":
            typed = f"case when length({cell}) = 10 then try_cast({cell} as date) end"
            return (
                typed,
                f"{cell} is not null and ({typed} between date '1950-01-01' and date '2100-01-01') is not true",
            )
        case "time":
            typed = f"case when length({cell}) in (16, 19) then try_cast({cell} as timestamp) end"
            return typed, (
                f"{cell} is not null and ({typed} between timestamp '1950-01-01' and timestamp '2100-01-01') is not true"
            )
        case _:
            number = cells.figure(column.name)
            low = column.at_least if column.at_least is not None else -1.7e308
            high = column.at_most if column.at_most is not None else 1.7e308
            good = f"{number} between {low!r} and {high!r}"
            if column.kind == "integer":
                good += f" and {number} = floor({number})"
            typed = f"case when {good} then {number}{'::integer' if column.kind == 'integer' else ''} end"
    return typed, f"{cell} is not null and {typed} is null"


def lay_out_straight(con: duckdb.DuckDBPyConnection, table: Table, cells: StraightCells, file_no: int) -> None:
    """Put the rows of a file in the contract's own headings on the bench, in the file's order.

    Rows with a cell that is not plainly written carry all their cells as a JSON list in _raw, in the order of the
    headings, and are typed later.
    """
    if table.name == "readings":
        _lay_out_readings(con, cells, file_no)
        return
    if table.name == "traces":
        _lay_out_traces(con, cells, file_no)
        return
    columns, odd = [], []
    for column in table.columns:
        if cells.has(column.name):
            typed, condition = _cast(table, column, cells)
            columns.append(f"{typed} as {column.name}")
            odd.append(condition)
        else:
            columns.append(f"null::{column_type(table, column)} as {column.name}")
    odd += [f"{cells.cell(name)} is null" for name in table.key if cells.has(name)]
    if table.name != "steps":  # a step's job tells a line of totals from a row
        first = cells.cell(cells.headings[0])
        odd.append(f"regexp_matches({first}, '(?i)^(total|sum|count|grand|sub|end of)')")
    con.execute(
        f"insert into {bench_name(table)} select {', '.join(columns)}, {cells.extra(table)}, {file_no}, null, false, "
        f"case when {' or '.join(odd)} then {cells.raw} end, null from {cells.relation} as cells"
    )


def _cast_or(table: Table, name: str, cells: StraightCells, otherwise: str) -> tuple[str, str]:
    return _cast(table, table.by_name[name], cells) if cells.has(name) else (otherwise, "false")


def _in_file_order(con: duckdb.DuckDBPyConnection, statement: str) -> None:
    """Run an insert that joins a file to a small table with the file as the probing side: only so its rows keep order."""
    con.execute("set disabled_optimizers = 'join_order,build_side_probe_side'")
    try:
        con.execute(statement)
    finally:
        con.execute("reset disabled_optimizers")


def _lay_out_readings(con: duckdb.DuckDBPyConnection, cells: StraightCells, file_no: int) -> None:
    make_reading_kinds(con)
    table = TABLE_BY_NAME["readings"]
    taken, taken_odd = _cast_or(table, "taken_at", cells, "null::timestamp")
    instrument, instrument_odd = _cast_or(table, "instrument_id", cells, "null::varchar")
    job_id, value = cells.cell("job_id"), cells.cell("value")
    unit = cells.cell("unit") if cells.has("unit") else "null::varchar"
    figure = f"{cells.figure('value')} * kind.factor + kind.shift"
    possible = f"{figure} between kind.at_least and kind.at_most"
    odd = (
        f"{taken_odd} or ({instrument_odd}) or {job_id} is null or {job_id} <> trim({job_id}) "
        f"or case when kind.texts is null then ({possible}) is not true "
        f"else {value} is null or {_is_odd_text(value, False)} "
        f"or (len(kind.texts) > 0 and not list_contains(kind.texts, {value})) end"
    )
    # a decimal comma is not how the staged figure would be written: what was written is kept beside it
    as_written = "kind.as_written" + ("" if cells.decimal_mark == "." else f" and not contains({value}, ',')")
    as_written = f"({as_written} or kind.texts is not null)"
    _in_file_order(
        con,
        f"""
        insert into bench_reading
        select
            {job_id}, kind.step, kind.quantity, case when {possible} then {figure} end, kind.unit,
            {taken}, {instrument},
            case when kind.texts is not null then {value} end,
            case when not {as_written} then trim({value}) end, case when not {as_written} then {unit} end,
            {cells.extra(table)}, {file_no}, null, false,
            case when {odd} then {cells.raw} end, null
        from {cells.relation} as cells
        left join reading_kind as kind
            on kind.step_text = {cells.cell("step")} and kind.quantity_text = {cells.cell("quantity")}
            and kind.unit_text = coalesce({unit}, '')
        """,
    )


def make_trace_kinds(con: duckdb.DuckDBPyConnection) -> None:
    """Temp table `trace_kind`: each quantity of a gauge log and unit as plainly written, with factor and range."""
    con.execute(
        "create temp table if not exists trace_kind (quantity_text varchar, unit_text varchar, unit varchar, "
        "factor double, shift double, at_least double, at_most double, usual_step varchar)"
    )
    if con.execute("select count(*) from trace_kind").fetchone() != (0,):
        return
    rows = []
    for (step, name), about in units.all_quantities().items():
        for unit in UNIT_CODES if not step else ():
            if units.suits(unit, about.unit, about.kind):
                how = units.conversion(unit, about.unit, about.kind)
                if not how.less_atmosphere:
                    usual = STEP_OF_TRACE[name]
                    rows.append((name, unit, about.unit, how.factor, how.shift, about.at_least, about.at_most, usual))
    con.executemany("insert into trace_kind values (?, ?, ?, ?, ?, ?, ?, ?)", rows)


def _lay_out_traces(con: duckdb.DuckDBPyConnection, cells: StraightCells, file_no: int) -> None:
    make_trace_kinds(con)
    table = TABLE_BY_NAME["traces"]
    step, step_odd = _cast_or(table, "step", cells, "null::varchar")
    attempt, attempt_odd = _cast_or(table, "attempt", cells, "null::integer")
    elapsed, elapsed_odd = _cast_or(table, "elapsed_s", cells, "null::double")
    raw, start = cells.raw, ""
    if _hold_clocks(con, cells):
        start = _first_times(con, cells)
        seconds = f"epoch(try_cast({cells.cell('elapsed_s')} as timestamp)) - start.first_s"
        elapsed = f"coalesce({elapsed}, {seconds})"
        elapsed_odd = f"({elapsed}) is null"
        # a row that is looked at by itself does not see where its log began
        others = ", ".join(
            f"coalesce(({seconds})::varchar, {cells.cell(name)})" if name == "elapsed_s" else cells.cell(name)
            for name in cells.headings
        )
        raw = f"to_json([{others}])"
    instrument, instrument_odd = _cast_or(table, "instrument_id", cells, "null::varchar")
    job_id = cells.cell("job_id")
    figure = f"{cells.figure('value')} * kind.factor + kind.shift"
    possible = f"{figure} between kind.at_least and kind.at_most"
    odd = (
        f"({step_odd}) or ({attempt_odd}) or ({elapsed_odd}) or ({instrument_odd}) or {cells.cell('elapsed_s')} is null "
        f"or {job_id} is null or {job_id} <> trim({job_id}) or ({possible}) is not true"
    )
    _in_file_order(
        con,
        f"""
        insert into bench_trace
        select {job_id}, coalesce({step}, kind.usual_step), coalesce({attempt}, 1), {cells.cell("quantity")}, kind.unit,
            {elapsed}, case when {possible} then {figure} end, {instrument}, {cells.extra(table)}, {file_no}, null, false,
            case when {odd} then {raw} end, null
        from {cells.relation} as cells {start}
        left join trace_kind as kind
            on kind.quantity_text = {cells.cell("quantity")}
            and kind.unit_text = {cells.cell("unit") if cells.has("unit") else "''"}
        """,
    )


def _hold_clocks(con: duckdb.DuckDBPyConnection, cells: StraightCells) -> bool:
    """Whether `elapsed_s` holds days and times instead of seconds, by the first rows of the file."""
    if not cells.has("elapsed_s"):
        return False
    found = con.execute(
        f"select 1 from (select * from {cells.relation} limit 100) as cells where {cells.figure('elapsed_s')} is null "
        f"and try_cast({cells.cell('elapsed_s')} as timestamp) is not null limit 1"
    ).fetchone()
    return found is not None


def _first_times(con: duckdb.DuckDBPyConnection, cells: StraightCells) -> str:
    """Temp table `clock_start`, when each log of the file began; gives the join that brings it to the file's rows."""
    parts = [name for name in ("job_id", "step", "attempt") if cells.has(name)]
    listed = ", ".join(f"{cells.cell(name)} as {name}" for name in parts)
    con.execute(
        f"create or replace temp table clock_start as select {listed}, "
        f"min(epoch(try_cast({cells.cell('elapsed_s')} as timestamp))) as first_s "
        f"from {cells.relation} as cells group by {', '.join(cells.cell(name) for name in parts)}"
    )
    same = " and ".join(f"start.{name} is not distinct from {cells.cell(name)}" for name in parts)
    return f"left join clock_start as start on {same}"


def odd_rows(
    con: duckdb.DuckDBPyConnection, table: Table, file_no: int, first_rowid: int
) -> list[tuple[int, list[Any]]]:
    """(place in the file from 0, cells) of the rows that are not plainly written."""
    found = con.execute(
        f"select rowid - $first, _raw from {bench_name(table)} "
        "where rowid >= $first and _raw is not null and _file = $file order by rowid",
        {"first": first_rowid, "file": file_no},
    ).fetchall()
    return [(place, json.loads(raw)) for place, raw in found]


def clear_file(con: duckdb.DuckDBPyConnection, table: Table, file_no: int) -> None:
    """Take the rows of one file off the bench; those before it keep their places."""
    con.execute(f"delete from {bench_name(table)} where _file = $file", {"file": file_no})


def bench_height(con: duckdb.DuckDBPyConnection, table: Table) -> int:
    """The next free place on the bench."""
    row = con.execute(f"select coalesce(max(rowid), -1) + 1 from {bench_name(table)}").fetchone()
    return row[0] if row else 0


def line_expression(offsets: Iterable[tuple[int, int]]) -> str:
    """SQL for the line of a bench row. offsets : (file number, line of its first row less that row's rowid)."""
    pairs = list(offsets)
    if not pairs:
        return "bench._line"
    return f"coalesce(bench._line, bench.rowid + {_of_file(pairs)})"


def arrival_expression(offsets: Iterable[tuple[int, int]]) -> str:
    """SQL for a bench row's place in the order of arrival: rows typed later stand where their line stood."""
    pairs = list(offsets)
    if not pairs:
        return "bench.rowid"
    return f"coalesce(bench._line - {_of_file(pairs)}, bench.rowid)"


def _of_file(pairs: list[tuple[int, int]]) -> str:
    cases = " ".join(f"when {file_no} then {offset}" for file_no, offset in pairs)
    return f"case bench._file {cases} end"
