"""Which contract table a file holds when no mapping speaks of it: told by its name and by the contract's headings."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pipelines.contract import TABLES, Table
from pipelines.mapping import MAY_BE_UNMAPPED, Cell, Source, TableFeed

# No contract table is wider than its headings, and titles above them are few
LINES_LOOKED_AT = 20


def contract_source(sheet: str, path: Path, first_rows: list[list[Any]]) -> Source | None:
    """How to read a file (or sheet) in the contract's own headings; None where it is not in them.

    first_rows : the first lines, among which the headings are looked for; lines above them are titles.
    """
    for above, row in enumerate(first_rows[:LINES_LOOKED_AT]):
        headings = [str(cell).strip() if cell is not None else "" for cell in row]
        table = _table_of(headings, sheet, path)
        if table is not None:
            columns = {name: Cell(heading=name) for name in table.column_names if name in _known(headings)}
            return Source(
                name=table.name,
                files=(path.name,),
                lines_above=above,
                table=(TableFeed(table=table.name, columns=columns),),
            )
    return None


def _known(headings: list[str]) -> set[str]:
    return {" ".join(heading.split()).lower() for heading in headings if heading}


def _table_of(headings: list[str], sheet: str, path: Path) -> Table | None:
    found = _known(headings)
    fitting = [table for table in TABLES if _needed(table) <= found]
    for table in fitting:
        if _is_named(table, sheet, path):
            return table
    # without a name every heading must be the contract's: another table's extract is not taken for this one
    exact = [table for table in fitting if found <= set(table.column_names) and len(found) > len(_needed(table))]
    return exact[0] if len(exact) == 1 else None


def _needed(table: Table) -> set[str]:
    free = MAY_BE_UNMAPPED.get(table.name, ())
    return {name for name in (*table.key, *table.required) if name not in free}


def _is_named(table: Table, sheet: str, path: Path) -> bool:
    """Whether the sheet, the file (jobs_2021.csv) or its folder (readings/part-1.parquet) bears the table's name."""
    if sheet and sheet.strip().lower() == table.name:
        return True
    if re.match(rf"{table.name}([^a-z].*)?$", path.stem.lower()):
        return True
    return path.parent.name.lower() == table.name
