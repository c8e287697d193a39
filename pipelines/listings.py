"""The jobs in the order in which the pages list them, for the pages alone: three tables, made with each load."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

SQL_FILE = Path(__file__).parent / "sql" / "297_listed_step.sql"


def make_listings(con: duckdb.DuckDBPyConnection) -> None:
    """Make `listed_job`, `listed_step` and `listed_instrument` from the staged jobs and readings and the grades.

    con : a writable generation with staged_job, staged_system, staged_reading and step_grade.
    """
    for statement in con.extract_statements(SQL_FILE.read_text(encoding="utf-8")):
        con.execute(statement)
