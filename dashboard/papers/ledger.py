"""What the papers ask of the store: one generation, held open while one paper is made; no Streamlit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import polars as pl

from dashboard import data_people, words
from pipelines.contract import STEPS
from pipelines.entries import Entries
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules
from pipelines.store import Pointer, Reader, Store

if TYPE_CHECKING:
    import duckdb

INVENTED_FLEET_MARK = "invented-fleet.txt"


def in_order_of_steps(column: str = "step") -> str:
    """The place of a step in the trade's order, as SQL to order by."""
    return f"list_position({list(STEPS)!r}, {column}::varchar)"


class Ledger:
    """The questions that several papers share, to one generation of one store."""

    def __init__(self, store: Store, pointer: Pointer, con: duckdb.DuckDBPyConnection) -> None:
        self.store = store
        self.pointer = pointer
        self._con = con
        self.rules = Entries(store.entries_file).house_rules()
        self.tables = set(
            self.ask("select table_name as name from duckdb_tables() union select view_name from duckdb_views()")[
                "name"
            ]
        )

    def ask(self, sql: str, **parameters: Any) -> pl.DataFrame:
        cursor = self._con.cursor()
        try:
            if not self.rules.names_shown:
                data_people.ids_for_names(cursor)
            found = cursor.sql(sql, params=parameters or None).pl()
            return found.with_columns(pl.selectors.decimal().cast(pl.Float64))
        finally:
            cursor.close()

    def ask_table(self, table: str, sql: str, **parameters: Any) -> pl.DataFrame:
        """The answer, or an empty frame where the table is not there yet (before the first fit)."""
        return self.ask(sql, **parameters) if table in self.tables else pl.DataFrame()

    def need(self, table: str) -> None:
        """Raises InputError where the figures have not been worked out."""
        if table not in self.tables:
            raise InputError("The figures for this paper have not been worked out yet: run `slowfuse fit` first.")

    def house_rules(self) -> HouseRules:
        return self.rules

    def as_of(self) -> dt.date | None:
        """The last day the figures speak for; before a fit the newest finished job's."""
        if "fit_run" in self.tables:
            found = self.ask("select max(as_of)::date as day from fit_run")["day"][0]
            if found is not None:
                return found
        jobs = self.ask("select max(finished_on) as day from staged_job where finished_on <= today()")
        return jobs["day"][0]

    def stamp(self) -> str:
        """The age of the figures, as it stands at the head of a paper."""
        load = self.ask_table(
            "load_run",
            "select load_id from load_run where undone_at is null order by ended_at desc nulls last limit 1",
        )
        parts = [f"data to {words.date(self.as_of())}"]
        if load.height:
            parts.append(f"load {load['load_id'][0]}")
        parts.append(f"generation {self.pointer.generation}")
        if (self.store.folder / INVENTED_FLEET_MARK).exists():
            parts.append("invented fleet")
        return " · ".join(parts)


@contextmanager
def opened(store: Store) -> Iterator[Ledger]:
    """The current generation; raises StoreMissingError before the first load."""
    pointer, con = Reader(store).connection()
    try:
        yield Ledger(store, pointer, con)
    finally:
        con.close()


def by_key(frame: pl.DataFrame, *keys: str) -> dict[Any, list[dict[str, Any]]]:
    """The rows of a frame by one or more of its columns, each group in the frame's order."""
    found: dict[Any, list[dict[str, Any]]] = {}
    for row in frame.iter_rows(named=True):
        key = row[keys[0]] if len(keys) == 1 else tuple(row[name] for name in keys)
        found.setdefault(key, []).append(row)
    return found
