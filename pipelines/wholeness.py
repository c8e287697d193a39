"""Is a store whole: its pointer, its generation, its gauge logs, the entries of people, and counts that add up?"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from pipelines.contract import STEPS, TABLES
from pipelines.entries import Entries
from pipelines.errors import InputError
from pipelines.store import Store


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at, whether it is right, and the sentence that says so."""

    is_right: bool
    sentence: str


def check(store: Store) -> list[Finding]:
    """Look at everything that can be looked at without changing it.

    Raises
    ------
    StoreMissingError : there is no store.
    """
    store.current_file()
    findings = [entries_are_whole(store)]
    try:
        con = store.read()
    except (InputError, duckdb.Error) as error:
        return [*findings, Finding(False, f"wrong: the current generation cannot be opened: {error}")]
    try:
        pointer = store.pointer()
        assert pointer is not None
        findings.append(
            Finding(True, f"right: generation {pointer.generation}, made {pointer.made_at} by {pointer.reason}")
        )
        findings += [_tables_are_there(con), _files_add_up(con), _every_job_is_graded(con), _gauge_logs_are_whole(con)]
    except duckdb.Error as error:
        findings.append(Finding(False, f"wrong: the generation is damaged: {str(error).splitlines()[0]}"))
    finally:
        con.close()
    return findings


def entries_are_whole(store: Store) -> Finding:
    entries = Entries(store.entries_file)
    broken_at = entries.broken_at()
    if broken_at is not None:
        return Finding(False, f"wrong: entry {broken_at} of what people entered was changed after it was made")
    return Finding(True, f"right: {len(entries.all()):,} entries of people, each following from the one before")


def _tables_are_there(con: duckdb.DuckDBPyConnection) -> Finding:
    there = {name for (name,) in con.execute("select table_name from information_schema.tables").fetchall()}
    missing = [table.staged for table in TABLES if table.staged not in there]
    if missing:
        return Finding(False, f"wrong: the tables {', '.join(missing)} are missing")
    return Finding(True, f"right: all {len(TABLES)} staged tables are there")


def _files_add_up(con: duckdb.DuckDBPyConnection) -> Finding:
    wrong = con.execute(
        "select source_file from load_run where rows_read != "
        "rows_new + rows_changed + rows_unchanged + rows_rejected + rows_passed_over order by source_file"
    ).fetchall()
    if wrong:
        return Finding(False, f"wrong: the counts of {', '.join(name for (name,) in wrong[:5])} do not add up")
    files = con.execute("select count(*) from load_run").fetchone()
    return Finding(True, f"right: the counts of {files[0] if files else 0:,} files read add up")


def _every_job_is_graded(con: duckdb.DuckDBPyConnection) -> Finding:
    row = con.execute(
        "select (select count(*) from staged_job where installed_by is distinct from 'someone_else') * $steps, "
        "(select count(*) from step_grade), (select count(distinct (job_id, step)) from step_grade)",
        {"steps": len(STEPS)},
    ).fetchone()
    expected, graded, different = row or (0, 0, 0)
    if not expected == graded == different:
        return Finding(False, f"wrong: {expected:,} job-steps should have one grade each, {graded:,} grades are there")
    return Finding(True, f"right: {graded:,} job-steps have one grade each")


def _gauge_logs_are_whole(con: duckdb.DuckDBPyConnection) -> Finding:
    row = con.execute(
        "select (select coalesce(sum(rows), 0) from gauge_log_part), (select count(*) from staged_trace)"
    ).fetchone()
    listed, held = row or (0, 0)
    if listed != held:
        return Finding(False, f"wrong: {listed:,} gauge samples are listed, {held:,} can be read")
    return Finding(True, f"right: {held:,} gauge samples can be read")
