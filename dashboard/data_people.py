"""People's ids where the house does not want their names shown: the one place through which pages and papers read names."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb


def ids_for_names(cursor: duckdb.DuckDBPyConnection) -> None:
    """From here on this cursor reads each technician's id as the name.

    A temporary view of the table's own name stands before the table for every question put through the cursor, so no
    question can forget it, and the names never leave the store.
    """
    known = cursor.execute(
        "select database_name, schema_name from duckdb_tables() where table_name = 'staged_technician' and not temporary"
    ).fetchone()
    if known is not None:
        cursor.execute(
            "create or replace temp view staged_technician as select * replace (technician_id as name) "
            f'from "{known[0]}"."{known[1]}".staged_technician'
        )
