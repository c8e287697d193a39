"""Taking a load back: what it wrote goes, what it replaced stands again, and everything is graded anew.

A row that a later load brought as well, unchanged, is handed to that load. A row whose parent vanishes with the load
goes to rejected_row. Earlier versions keep their chain: where the load's own row was replaced by a later one, that
later row now follows the version before.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import duckdb

from pipelines import merging, staging
from pipelines.contract import TABLE_BY_NAME, TABLES, Table
from pipelines.errors import InputError
from pipelines.loading import regrade
from pipelines.store import Store


@dataclass
class Undone:
    """What became of the rows of one table."""

    removed: int = 0
    restored: int = 0
    handed_over: int = 0
    orphaned: int = 0


@dataclass
class UndoReport:
    """The outcome of taking one load back."""

    load_id: str
    files: list[str]
    tables: dict[str, Undone] = field(default_factory=dict)

    def render(self) -> str:
        lines = [
            f"Load {self.load_id} ({', '.join(self.files[:5])}{' ...' if len(self.files) > 5 else ''}) was taken back."
        ]
        for name, done in self.tables.items():
            if done == Undone():
                continue
            parts = [f"{done.removed:,} removed", f"{done.restored:,} earlier rows stand again"]
            if done.handed_over:
                parts.append(f"{done.handed_over:,} stay, since a later load brought them too")
            if done.orphaned:
                parts.append(f"{done.orphaned:,} went to rejected_row, since what they belong to is gone")
            lines.append(f"{name}: {', '.join(parts)}")
        return "\n".join(lines)


def undo(store: Store, load_id: str, rules: Any, say: Callable[[str], None] = lambda message: None) -> UndoReport:
    """Take a load back, grade anew, and publish both at once.

    Raises
    ------
    InputError : there is no such load, or it was taken back already.
    """
    with store.write("undo") as con:
        runs = con.execute(
            "select source_file, undone_at from load_run where load_id = $load order by source_file", {"load": load_id}
        ).fetchall()
        if not runs:
            known = con.execute("select distinct load_id from load_run where undone_at is null order by 1").fetchall()
            listed = ", ".join(name for (name,) in known[-10:]) or "none"
            raise InputError(f"{load_id}: there is no such load in this store. The last loads are {listed}.")
        if runs[0][1] is not None:
            raise InputError(f"{load_id}: this load was taken back already, on {runs[0][1]:%Y-%m-%d at %H:%M}.")
        report = UndoReport(load_id, [name for name, _ in runs])
        now = datetime.now().replace(microsecond=0)
        for table in TABLES:
            say(f"Taking back {table.name}")
            report.tables[table.name] = _undo_table(con, store, table, load_id)
        con.execute("delete from witness where load_id = $load", {"load": load_id})
        con.execute("delete from unread_reading where load_id = $load", {"load": load_id})
        con.execute("update load_run set undone_at = $now where load_id = $load", {"now": now, "load": load_id})
        say("Grading")
        regrade(con, store, rules)
    return report


def _undo_table(con: duckdb.DuckDBPyConnection, store: Store, table: Table, load_id: str) -> Undone:
    if table.name != "traces":
        done = _take_back(con, table, table.staged, load_id)
        done.orphaned = _remove_orphans(con, table, table.staged, load_id)
        return done
    con.execute(
        "create or replace temp table trace_job as select distinct job_id from staged_trace where load_id = $load "
        "or job_id not in (select job_id from staged_job) "
        "union select distinct row_as_json->>'$.job_id' from row_history where table_name = 'traces' "
        "and superseded_by = $load",
        {"load": load_id},
    )
    done = Undone()
    if con.execute("select 1 from trace_job limit 1").fetchone() is not None:
        con.execute(
            "create or replace temp table trace_target as select * from staged_trace "
            "where job_id in (select job_id from trace_job)"
        )
        done = _take_back(con, table, "trace_target", load_id)
        done.orphaned = _remove_orphans(con, table, "trace_target", load_id)
        merging.rewrite_parts(con, store, load_id, "select job_id from trace_job", "false", "trace_target")
        con.execute("drop table trace_target")
    con.execute("drop table trace_job")
    return done


def _number(column: str) -> str:
    return f"substring({column}, 2)::integer"


def _take_back(con: duckdb.DuckDBPyConnection, table: Table, target: str, load_id: str) -> Undone:
    done = Undone()
    named = {"table": table.name, "load": load_id}
    key_text, key_hash = merging.key_text(table, "staged"), merging.key_hash(table, "staged")
    con.execute(
        f"""
        create or replace temp table written as
        with later as (
            select row_key, arg_min(load_id, {_number("load_id")}) as load_id from witness
            where table_name = $table and {_number("load_id")} > {_number("$load")} group by row_key
        )
        select staged.rowid as place, {key_text} as row_key, later.load_id as witness
        from {target} as staged left join later on later.row_key = {key_hash}
        where staged.load_id = $load
        """,
        named,
    )
    con.execute(
        "create or replace temp table before as select * from row_history where table_name = $table "
        "and superseded_by = $load and load_id <> $load",
        named,
    )
    # rows of this load that a later load brought unchanged are now that load's
    con.execute(
        f"update {target} as staged set load_id = written.witness from written "
        "where staged.rowid = written.place and written.witness is not null"
    )
    con.execute(f"delete from {target} where rowid in (select place from written where witness is null)")
    done.handed_over = _count(con, "written where witness is not null")
    done.removed = _count(con, "written where witness is null")
    # what this load replaced stands again
    columns = ", ".join(f"(row_as_json->>'$.{name}')::{kind}" for name, kind in staging.staged_columns(table).items())
    standing = "row_key in (select row_key from written where witness is null)"
    con.execute(f"insert into {target} select {columns} from before where {standing}")
    done.restored = _count(con, f"before where {standing}")
    _relink(con, table, load_id)
    con.execute("drop table written")
    con.execute("drop table before")
    return done


def _relink(con: duckdb.DuckDBPyConnection, table: Table, load_id: str) -> None:
    """History without this load: its own versions go, and each earlier one is superseded by what came after."""
    named = {"table": table.name, "load": load_id}
    con.execute(
        "delete from row_history where table_name = $table and load_id = $load and superseded_by = $load", named
    )
    con.execute(
        "create or replace temp table own_version as select row_key, superseded_by, superseded_at from row_history "
        "where table_name = $table and load_id = $load",
        named,
    )
    con.execute("delete from row_history where table_name = $table and load_id = $load", named)
    con.execute(
        "delete from row_history where table_name = $table and superseded_by = $load "
        "and row_key in (select row_key from written where witness is null)",
        named,
    )
    for successor, extra in (("own_version", ""), ("written", "and successor.witness is not null")):
        by = "successor.superseded_by" if successor == "own_version" else "successor.witness"
        con.execute(
            f"update row_history as history set superseded_by = {by} from {successor} as successor "
            f"where history.table_name = $table and history.superseded_by = $load "
            f"and history.row_key = successor.row_key {extra}",
            named,
        )
    con.execute("drop table own_version")


def _remove_orphans(con: duckdb.DuckDBPyConnection, table: Table, target: str, load_id: str) -> int:
    """Move rows whose parent is gone to rejected_row."""
    total = 0
    for column in table.columns:
        if not column.parent_needed:
            continue
        parent = TABLE_BY_NAME[column.refers_to]
        gone = f"{column.name} is not null and {column.name} not in (select {parent.key[0]} from {parent.staged})"
        count = _count(con, f"{target} where {gone}")
        if not count:
            continue
        text = "concat_ws(',', " + ", ".join(f"coalesce({name}::varchar, '')" for name in table.column_names) + ")"
        thing = parent.name.removesuffix("s")
        con.execute(
            f"insert into rejected_row select $load, source_file, source_line, 'row', $table, $column, {column.name}, "
            f"$reason, {text} from {target} where {gone}",
            {
                "load": load_id,
                "table": table.name,
                "column": column.name,
                "reason": f"names a {thing} that went when load {load_id} was taken back",
            },
        )
        con.execute(f"delete from {target} where {gone}")
        total += count
    return total


def _count(con: duckdb.DuckDBPyConnection, relation: str) -> int:
    row = con.execute(f"select count(*) from {relation}").fetchone()
    return row[0] if row else 0
