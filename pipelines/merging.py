"""What becomes of each row that a load brings: new, changed, unchanged or rejected.

The rows of one contract table lie on its bench (staging.py). They are held against each other and against the staged
table: the same key with the same content is unchanged; with other content the later row wins, but only among rows that
passed every check, and the earlier one is kept as history; a row whose parent is missing is rejected.
"""

from __future__ import annotations

from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, field
from typing import Any

import duckdb

from pipelines import staging
from pipelines.contract import TABLE_BY_NAME, Column, Table

ROW_STANDS = "a value of this row was rejected, and a row of the same key that passed every check stands"


@dataclass
class Counts:
    """Rows of one table out of one file, by what became of them."""

    new: int = 0
    changed: int = 0
    unchanged: int = 0
    rejected: int = 0

    def add(self, fate: str, count: int) -> None:
        setattr(self, fate, getattr(self, fate) + count)


@dataclass
class Batch:
    """Rows on the bench of one table.

    file_names : file number -> name, in order of arrival; offsets : (file number, line of its first row on the bench
    less that row's place there) for files that came straight; spoken : file number -> contract columns that it speaks
    of, since a column that a file does not speak of stays as it was; arrivals_before : readings that arrived in earlier batches and loads, for their order.
    """

    table: Table
    load_id: str
    now: Any
    file_names: AnyMapping[int, str]
    offsets: list[tuple[int, int]]
    spoken: AnyMapping[int, tuple[str, ...]]
    arrivals_before: int = 0
    keeps_fates: bool = False  # each row's fate is wanted, since a source row feeds several tables
    target: str = ""
    counts: dict[int, Counts] = field(default_factory=dict)
    changed_jobs: bool = False
    supplied: tuple[str, ...] = ()
    partly: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self.target = self.target or self.table.staged
        self.counts = {number: Counts() for number in self.file_names}
        said = set().union(*self.spoken.values())
        self.supplied = tuple(name for name in self.table.column_names if name in said)
        # columns of which only some of the files speak
        self.partly = tuple(name for name in self.supplied if any(name not in own for own in self.spoken.values()))

    def speaks(self, alias: str, column: str) -> str:
        """SQL for whether a bench row speaks of a column of `partly`."""
        files = ", ".join(str(number) for number, own in self.spoken.items() if column in own)
        return f"(case when {alias}._spoken is null then {alias}._file in ({files}) else {alias}._spoken & {self.bit(column)} > 0 end)"

    def bit(self, column: str) -> int:
        return 1 << self.supplied.index(column)


def merge(con: duckdb.DuckDBPyConnection, batch: Batch) -> dict[int, Counts]:
    """Merge the bench of one table into its staged table; returns the counts of each file (by its number)."""
    _make_arrived(con, batch, numbers=False)
    is_first = con.execute(f"select 1 from {batch.target} limit 1").fetchone() is None
    has_twins = _has_twins(con, batch)
    parents = [column for column in batch.table.columns if column.parent_needed and column.name in batch.supplied]
    # a row whose key is staged already has its parent, where that is part of the key: then only the others are asked
    late = [column for column in parents if column.name in batch.table.key and not has_twins and not is_first]
    _reject_orphans(con, batch, [column for column in parents if column not in late])
    if has_twins:
        _number_twins(con, batch)
        _set_losers_aside(con, batch)
    if is_first:
        _insert(con, batch, "")
        _count(con, batch, "new", "arrived")
        if has_twins:
            _give_first_file_its_due(con, batch, "new", "select place from arrived")
    else:
        _match(con, batch, has_twins, late)
    return batch.counts


# --- pieces of SQL


def _key(table: Table) -> list[str]:
    return list(table.key)


def key_text(table: Table, alias: str) -> str:
    """SQL for a row's key as one text, as row_history names it."""
    return "concat_ws('|', " + ", ".join(f"coalesce({alias}.{name}::varchar, '')" for name in _key(table)) + ")"


def key_hash(table: Table, alias: str) -> str:
    """SQL for a row's key as one number, as witness names it."""
    return "hash(" + ", ".join(f"{alias}.{name}" for name in _key(table)) + ")"


def _content(batch: Batch) -> list[str]:
    """Columns by which two rows of one key are told apart: those that the file speaks of."""
    columns = [name for name in batch.supplied if name not in batch.table.key]
    if batch.table.name == "readings":
        columns.append("value_text")
    return columns


def _same(batch: Batch, one: str, other: str) -> str:
    """SQL for whether two rows of one key say the same, of what both speak of; a staged row speaks of everything."""
    conditions = []
    for name in _content(batch):
        equal = f"{one}.{name} is not distinct from {other}.{name}"
        if name in batch.partly:
            silent = [f"not {batch.speaks(alias, name)}" for alias in (one, other) if alias != "staged"]
            equal = f"({' or '.join([*silent, equal])})"
        conditions.append(equal)
    return " and ".join(conditions) or "true"


def _file_name(batch: Batch, alias: str) -> str:
    names = {number: name.replace("'", "''") for number, name in batch.file_names.items()}
    if len(names) == 1:
        return f"'{next(iter(names.values()))}'"
    if len(names) <= 8:
        return (
            f"case {alias}._file " + " ".join(f"when {number} then '{name}'" for number, name in names.items()) + " end"
        )
    listed = ", ".join(f"{number}: '{name}'" for number, name in names.items())
    return f"(map {{{listed}}})[{alias}._file]"


def _make_arrived(con: duckdb.DuckDBPyConnection, batch: Batch, *, numbers: bool) -> None:
    """View `arrived`: bench rows that are typed, with their line; readings with their number."""
    bench = staging.bench_name(batch.table)
    number, joined, aside = "", "", ""
    if batch.table.name == "readings":
        number = ", coalesce(twin.reading_no, 1)::integer as reading_no" if numbers else ", 1::integer as reading_no"
        joined = " left join twin_number as twin on twin.place = bench.rowid" if numbers else ""
    if numbers:
        aside = " and bench.rowid not in (select place from set_aside)"
    con.execute(
        f"create or replace temp view arrived as select bench.*, bench.rowid as place, "
        f"{staging.line_expression(batch.offsets)} as line, {staging.arrival_expression(batch.offsets)} as arrival{number} "
        f"from {bench} as bench{joined} where bench._raw is null{aside}"
    )


def _count(con: duckdb.DuckDBPyConnection, batch: Batch, fate: str, relation: str) -> int:
    """Count the rows of a relation (with place, _file and line) by file under one fate."""
    total = 0
    for number, count in con.execute(f"select _file, count(*) from {relation} group by _file").fetchall():
        batch.counts[number].add(fate, count)
        total += count
    if total and batch.keeps_fates:
        con.execute(f"insert into row_fate select distinct _file, line, '{fate}', '{batch.table.name}' from {relation}")
    return total


# --- rejected


def _reject_orphans(con: duckdb.DuckDBPyConnection, batch: Batch, columns: list[Column], among: str = "true") -> None:
    """Reject the rows, of those that the condition `among` takes, whose parent is not staged."""
    bench = staging.bench_name(batch.table)
    for column in columns:
        parent = TABLE_BY_NAME[column.refers_to]
        name, key = column.name, parent.key[0]
        orphan = (
            f"{among} and arrived.{name} is not null and not exists "
            f"(select 1 from {parent.staged} as parent where parent.{key} = arrived.{name})"
        )
        row = con.execute(f"select count(*) from arrived where {orphan}").fetchone()
        if not row or not row[0]:
            continue
        con.execute(f"create or replace temp table orphan as select * from arrived where {orphan}")
        thing = parent.grain.removeprefix("one row for each ").split(" ")[0]
        reason = f"names a {'job' if parent.name == 'jobs' else 'system' if parent.name == 'systems' else thing} that is not there"
        con.execute(
            f"insert into rejected_row select $load, {_file_name(batch, 'orphan')}, line, 'row', $table, $column, {name}, "
            f"$reason, {_as_text(batch, 'orphan')} from orphan order by _file, line",
            {"load": batch.load_id, "table": batch.table.name, "column": name, "reason": reason},
        )
        _count(con, batch, "rejected", "orphan")
        con.execute(f"delete from {bench} where rowid in (select place from orphan)")
        con.execute("drop table orphan")


def _as_text(batch: Batch, alias: str) -> str:
    return "concat_ws(',', " + ", ".join(f"coalesce({alias}.{name}::varchar, '')" for name in batch.supplied) + ")"


# --- the same key more than once in one load


def _has_twins(con: duckdb.DuckDBPyConnection, batch: Batch) -> bool:
    """Whether any key stands more than once on the bench."""
    hashed = f"hash({', '.join(name for name in batch.table.key if name != 'reading_no')})"
    con.execute(
        f"create or replace temp table twin_key as select key_hash from (select {hashed} as key_hash from arrived) "
        "group by key_hash having count(*) > 1"
    )
    return con.execute("select 1 from twin_key limit 1").fetchone() is not None


def _number_twins(con: duckdb.DuckDBPyConnection, batch: Batch) -> None:
    """Different readings of one time get their numbers, in the order of the file."""
    table = batch.table
    key = [name for name in table.key if name != "reading_no"]
    hashed = f"hash({', '.join(key)})"
    con.execute("create or replace temp table set_aside (place bigint)")
    if table.name == "readings":
        same_reading = ", ".join(["_file", *key, "value", "value_text"])
        con.execute(
            f"""
            create or replace temp table twin_number as
            with first_seen as (
                select place, _file, {", ".join(key)}, min(line) over (partition by {same_reading}) as first_line
                from arrived where {hashed} in (select key_hash from twin_key)
            )
            select place, dense_rank() over (partition by _file, {", ".join(key)} order by first_line) as reading_no
            from first_seen
            """
        )
    _make_arrived(con, batch, numbers=True)


def _set_losers_aside(con: duckdb.DuckDBPyConnection, batch: Batch) -> None:
    """Of rows with one key the last that passed every check goes on; the others are counted and kept as history."""
    table = batch.table
    key = _key(table)
    hashed = f"hash({', '.join(name for name in key if name != 'reading_no')})"
    con.execute(
        f"create or replace temp table twin as select *, row_number() over (partition by {', '.join(key)} "
        f"order by _flawed, _file desc, line desc) as rank from arrived where {hashed} in (select key_hash from twin_key)"
    )
    if batch.partly:
        _fill_winners(con, batch)
    on_key = " and ".join(f"winner.{name} is not distinct from loser.{name}" for name in key)
    con.execute(
        f"""
        create or replace temp table loser as
        select loser.*, {key_text(table, "loser")} as row_key, {_content_hash(table, "loser")} as content_hash,
            {_same(batch, "winner", "loser")} as is_same, winner._flawed as winner_flawed,
            winner.place as winner_place, winner._file as winner_file, winner.line as winner_line
        from twin as loser join twin as winner on winner.rank = 1 and loser.rank > 1 and {on_key}
        """
    )
    con.execute("insert into set_aside select place from loser")
    _count(con, batch, "unchanged", "(select * from loser where is_same) as loser")
    stands = "(select * from loser where not is_same and _flawed and not winner_flawed) as loser"
    _reject_standing(con, batch, stands)
    other = "not is_same and (not _flawed or winner_flawed)"
    # a load that is run again finds its losers in the history already
    known = (
        "exists (select 1 from row_history as h where h.table_name = $table and h.content_hash = loser.content_hash)"
    )
    parameters = {"table": table.name}
    con.execute(
        f"create or replace temp table beaten as select *, {known} as is_known from loser where {other}", parameters
    )
    _count(con, batch, "unchanged", "(select * from beaten where is_known) as beaten")
    _count(con, batch, "changed", "(select * from beaten where not is_known) as beaten")
    con.execute(
        f"insert into row_history select $table, row_key, {_json(batch, 'beaten', arrived=True)}, $load, $load, $now, "
        "content_hash from beaten where not is_known",
        {"table": table.name, "load": batch.load_id, "now": batch.now},
    )
    con.execute(
        """
        create or replace temp table crossed as
        select winner_place, winner_file, winner_line, _file as loser_file, line as loser_line, is_same from (
            select winner_place, winner_file, winner_line, _file, line, is_same from loser where is_same
            union all
            select winner_place, winner_file, winner_line, _file, line, is_same from beaten where not is_known)
        where _file < winner_file
        qualify row_number() over (partition by winner_place order by _file, line) = 1
        """
    )
    for name in ("twin", "loser", "beaten"):
        con.execute(f"drop table {name}")


def _fill_winners(con: duckdb.DuckDBPyConnection, batch: Batch) -> None:
    """What the last row of a key does not speak of, an earlier row of the same load may have said."""
    key = ", ".join(_key(batch.table))
    mask = " + ".join(
        f"max(({batch.speaks('twin', name)})::integer) * {batch.bit(name)}"
        if name in batch.partly
        else str(batch.bit(name))
        for name in batch.supplied
    )
    said = ", ".join(
        f"first({name} order by rank) filter (where {batch.speaks('twin', name)}) as {name}" for name in batch.partly
    )
    con.execute(
        f"create or replace temp table filled as select arg_min(place, rank) as winner_place, {said}, {mask} as spoken_of "
        f"from twin where not _flawed or rank = 1 group by {key}"
    )
    values = ", ".join(f"{name} = filled.{name}" for name in batch.partly)
    for relation, place in (
        ("twin", "twin.place"),
        (staging.bench_name(batch.table), f"{staging.bench_name(batch.table)}.rowid"),
    ):
        con.execute(
            f"update {relation} set {values}, _spoken = filled.spoken_of from filled where filled.winner_place = {place}"
        )
    con.execute("drop table filled")


def _give_first_file_its_due(con: duckdb.DuckDBPyConnection, batch: Batch, fate: str, places: str) -> None:
    """Of files that overlap the first brought the row, and the later one found it there.

    The winner out of a later file got `fate`; it goes to the first file's row, and the later row is unchanged where
    both say the same, else changed.
    """
    same = "and is_same" if fate == "changed" else ""
    swapped = con.execute(
        f"select loser_file, winner_file, is_same, count(*) from crossed where winner_place in ({places}) {same} group by all"
    ).fetchall()
    for loser_file, winner_file, is_same, count in swapped:
        found = "unchanged" if is_same else "changed"
        batch.counts[loser_file].add(fate, count)
        batch.counts[loser_file].add(found, -count)
        batch.counts[winner_file].add(fate, -count)
        batch.counts[winner_file].add(found, count)
    if swapped and batch.keeps_fates:
        con.execute(
            f"create or replace temp table due as select * from crossed where winner_place in ({places}) {same}"
        )
        table = batch.table.name
        con.execute(
            f"delete from row_fate where table_name = '{table}' and fate = '{fate}' and exists (select 1 from due "
            "where due.winner_file = row_fate._file and due.winner_line = row_fate.line) and not exists "
            f"(select 1 from arrived where arrived._file = row_fate._file and arrived.line = row_fate.line "
            f"and arrived.place in ({places}) and arrived.place not in (select winner_place from due))"
        )
        con.execute(
            f"insert into row_fate select winner_file, winner_line, if(is_same, 'unchanged', 'changed'), '{table}' from due "
            f"union all select loser_file, loser_line, '{fate}', '{table}' from due"
        )
        con.execute("drop table due")


def _reject_standing(con: duckdb.DuckDBPyConnection, batch: Batch, relation: str) -> None:
    if _count(con, batch, "rejected", relation):
        alias = relation.rsplit(" ", 1)[1]
        con.execute(
            f"insert into rejected_row select $load, {_file_name(batch, alias)}, line, 'row', $table, '', '', $reason, "
            f"{_as_text(batch, alias)} from {relation}",
            {"load": batch.load_id, "table": batch.table.name, "reason": ROW_STANDS},
        )


def _content_hash(table: Table, alias: str) -> str:
    names = [name for name in staging.content_columns(table) if name not in ("original_value", "original_unit")]
    return "hash(" + ", ".join(f"{alias}.{name}::varchar" for name in names) + ")"


def _json(batch: Batch, alias: str, *, arrived: bool) -> str:
    """A whole staged row as JSON text, so that it can stand again."""
    columns = staging.staged_columns(batch.table)
    parts = []
    for name in columns:
        origin = f"{alias}.{name}"
        if arrived:
            origin = {
                "load_id": f"'{batch.load_id}'",
                "source_file": _file_name(batch, alias),
                "source_line": f"{alias}.line",
                "reading_order": _order(batch, alias),
            }.get(name, origin)
        parts.append(f"{name} := {origin}")
    return f"to_json(struct_pack({', '.join(parts)}))"


def _order(batch: Batch, alias: str) -> str:
    """Rises with the time of the reading, then with its arrival."""
    return (
        f"(greatest(coalesce(epoch({alias}.taken_at)::bigint, 0), 0) << {staging.ARRIVAL_BITS}) "
        f"+ {batch.arrivals_before} + {alias}.arrival"
    )


# --- against the staged table


def _values(batch: Batch, alias: str, before: str = "") -> str:
    """Staged columns from an arrived row; columns its file does not speak of from the row before, if there is one."""
    out = []
    for name in staging.staged_columns(batch.table):
        match name:
            case "load_id":
                out.append(f"'{batch.load_id}'")
            case "source_file":
                out.append(_file_name(batch, alias))
            case "source_line":
                out.append(f"{alias}.line")
            case "reading_order":
                out.append(_order(batch, alias))
            case _ if before and name in batch.table.column_names and name not in batch.supplied:
                out.append(f"{before}.{name}")
            case _ if before and name in batch.partly:
                out.append(f"case when {batch.speaks(alias, name)} then {alias}.{name} else {before}.{name} end")
            case _:
                out.append(f"{alias}.{name}")
    return ", ".join(out)


def _insert(con: duckdb.DuckDBPyConnection, batch: Batch, condition: str) -> None:
    con.execute(f"insert into {batch.target} select {_values(batch, 'arrived')} from arrived {condition}")


def _match(con: duckdb.DuckDBPyConnection, batch: Batch, has_twins: bool, late: list[Column]) -> None:
    table = batch.table
    on_key = " and ".join(
        f"{'staged.' + name} is not distinct from arrived.{name}"
        if _may_be_null(table, name)
        else f"staged.{name} = arrived.{name}"
        for name in _key(table)
    )
    con.execute(
        f"""
        create or replace temp table matched as
        select arrived.place, arrived._file, arrived.line, arrived._flawed, staged.rowid as staged_row,
            staged.load_id as before_load, staged.source_file as before_file, staged.source_line as before_line,
            {_same(batch, "arrived", "staged")} as is_same, {key_hash(table, "arrived")} as row_key
        from arrived join {batch.target} as staged on {on_key}
        """
    )
    # a row that lost a value beats only a row that had lost one as well
    flawed = "not is_same and _flawed"
    if con.execute(f"select 1 from matched where {flawed} limit 1").fetchone() is not None:
        con.execute(
            """
            create or replace temp table standing as
            select matched.*, arrived.* exclude (place, _file, line, _flawed) from matched join arrived using (place)
            where not matched.is_same and matched._flawed and not exists (
                select 1 from rejected_row as r where r.scope = 'value' and r.table_name = $table
                    and r.load_id = matched.before_load and r.source_file = matched.before_file
                    and r.source_line = matched.before_line)
            """,
            {"table": table.name},
        )
        _reject_standing(con, batch, "(select * from standing) as standing")
        con.execute("delete from matched where place in (select place from standing)")
        con.execute(f"delete from {staging.bench_name(table)} where rowid in (select place from standing)")
        con.execute("drop table standing")
    _count(con, batch, "unchanged", "(select * from matched where is_same) as matched")
    con.execute(
        "insert into witness select $table, row_key, $load from matched where is_same and before_load <> $load",
        {"table": table.name, "load": batch.load_id},
    )
    n_changed = _count(con, batch, "changed", "(select * from matched where not is_same) as matched")
    n_arrived, n_matched = (height(con, relation) for relation in ("arrived", "matched"))
    fresh = "select place, _file, line from arrived anti join matched using (place)"
    con.execute(f"create or replace temp table fresh as {fresh if n_matched < n_arrived else fresh + ' limit 0'}")
    if late and n_matched < n_arrived:
        _reject_orphans(con, batch, late, "arrived.place in (select place from fresh)")
        con.execute("delete from fresh where place not in (select place from arrived)")
    n_new = _count(con, batch, "new", "fresh")
    if has_twins:
        _give_first_file_its_due(con, batch, "new", "select place from fresh")
        _give_first_file_its_due(con, batch, "changed", "select place from matched where not is_same")
    if n_changed:
        batch.changed_jobs = True
        con.execute(
            f"insert into row_history select $table, {key_text(table, 'staged')}, {_json(batch, 'staged', arrived=False)}, "
            f"staged.load_id, $load, $now, {_content_hash(table, 'staged')} from {batch.target} as staged "
            "where staged.rowid in (select staged_row from matched where not is_same)",
            {"table": table.name, "load": batch.load_id, "now": batch.now},
        )
        con.execute(
            f"create or replace temp table replacing as select {_values(batch, 'arrived', 'staged')} from arrived "
            f"join matched on matched.place = arrived.place and not matched.is_same "
            f"join {batch.target} as staged on staged.rowid = matched.staged_row"
        )
        con.execute(f"delete from {batch.target} where rowid in (select staged_row from matched where not is_same)")
        con.execute(f"insert into {batch.target} select * from replacing")
        con.execute("drop table replacing")
    if n_new:
        _insert(con, batch, "where place in (select place from fresh)")
    con.execute("drop table matched")
    con.execute("drop table fresh")


def height(con: duckdb.DuckDBPyConnection, relation: str, parameters: dict[str, Any] | None = None) -> int:
    """How many rows a relation has."""
    row = con.execute(f"select count(*) from {relation}", parameters).fetchone()
    return row[0] if row else 0


def thin_witnesses(con: duckdb.DuckDBPyConnection) -> None:
    """Keep the notes of who brought a row unchanged from growing with every night: two of each row will do.

    The oldest and the latest are kept. Where both are taken back, the row goes with its own load.
    """
    for table in TABLE_BY_NAME.values():
        notes = height(con, "witness where table_name = $table", {"table": table.name})
        if notes > 100_000 and notes > 4 * height(con, table.staged):
            con.execute(
                f"""
                create or replace temp table thinned as
                select row_key, arg_min(load_id, {_LOAD_NUMBER}) as load_id from witness where table_name = $table group by 1
                union
                select row_key, arg_max(load_id, {_LOAD_NUMBER}) from witness where table_name = $table group by 1
                """,
                {"table": table.name},
            )
            con.execute("delete from witness where table_name = $table", {"table": table.name})
            con.execute("insert into witness select $table, row_key, load_id from thinned", {"table": table.name})
            con.execute("drop table thinned")


_LOAD_NUMBER = "substring(load_id, 2)::integer"


def _may_be_null(table: Table, name: str) -> bool:
    return (table.name, name) in {
        ("readings", "taken_at"),
        ("training", "step"),
        ("training", "course"),
        ("training", "held_on"),
        ("inspections", "inspected_on"),
    }


# --- gauge logs


def merge_traces(con: duckdb.DuckDBPyConnection, batch: Batch, store: Any) -> dict[int, Counts]:
    """Merge samples of gauge logs; what is new or changed goes into a Parquet part of this load.

    Parts never change: one that holds samples which are replaced is written again without them, under a new name.
    """
    bench = staging.bench_name(batch.table)
    con.execute(
        f"create or replace temp table trace_target as select * from staged_trace "
        f"where job_id in (select distinct job_id from {bench})"
    )
    batch.target = "trace_target"
    merge(con, batch)
    replaced = "select distinct job_id from trace_target where false"
    if batch.changed_jobs:
        replaced = f"select distinct job_id from trace_target where load_id = '{batch.load_id}'"
    rewrite_parts(con, store, batch.load_id, replaced, f"load_id = '{batch.load_id}'", "trace_target")
    con.execute("drop table trace_target")
    return batch.counts


def rewrite_parts(
    con: duckdb.DuckDBPyConnection, store: Any, load_id: str, replaced: str, added: str, target: str
) -> None:
    """Write one part of the rows of `target` that are `added`, and of all that stood in parts of `replaced` jobs.

    replaced : select of job_ids whose samples in `target` stand for all that the parts hold of them.
    """
    con.execute(f"create or replace temp table replaced_job as {replaced}")
    folder = store.gauge_log_folder.resolve()
    old_parts = []
    if con.execute("select 1 from replaced_job limit 1").fetchone() is not None:
        for (name,) in con.execute("select part_file from gauge_log_part order by part_file").fetchall():
            held = con.execute(
                "select 1 from read_parquet($part) where job_id in (select job_id from replaced_job) limit 1",
                {"part": str(folder / name)},
            ).fetchone()
            if held is not None:
                old_parts.append(name)
    selects = [f"select * from {target} where {added} or job_id in (select job_id from replaced_job)"]
    selects += [
        f"select * from read_parquet('{folder / name}') where job_id not in (select job_id from replaced_job)"
        for name in old_parts
    ]
    part = store.next_part_file(con)
    rows = con.execute(
        f"copy (from ({' union all by name '.join(selects)}) order by job_id, step, attempt, quantity, elapsed_s) "
        f"to '{part}' (format parquet, compression zstd)"
    ).fetchone()
    for name in old_parts:
        con.execute("delete from gauge_log_part where part_file = $part", {"part": name})
    if rows and rows[0]:
        con.execute(
            "insert into gauge_log_part select $part, $load, count(*), count(distinct job_id) from read_parquet($path)",
            {"part": part.name, "load": load_id, "path": str(part)},
        )
    else:
        part.unlink(missing_ok=True)
    con.execute("drop table replaced_job")
    store.refresh_trace_view(con)
