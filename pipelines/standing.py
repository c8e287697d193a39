"""Files that were loaded before, byte for byte, and of which everything still stands: they need not be read again.

A nightly drop holds last year's files again and again. Such a file counts as unchanged, and its rows are witnessed: if
the load that first brought them is taken back, they stay.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import duckdb

from pipelines import interpreting, merging
from pipelines.contract import TABLE_BY_NAME
from pipelines.load_report import FileCount
from pipelines.mapping import Mapping
from pipelines.readers import InputFile

# Raised whenever the same file would be read otherwise than before: then it is read again
READING_VERSION = 1


class StandingFiles:
    """What earlier loads brought, asked once for each load.

    meaning : what the same bytes mean the same under, the mapping and the altitude; None where other files have a say.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, load_id: str, mapping: Mapping | None, rules: Any) -> None:
        self.con, self.load_id = con, load_id
        self.meaning = _meaning(mapping, rules)
        self._runs: dict[tuple[str, int], list[tuple[str, str, int, int]]] | None = None
        self._brought: dict[str, dict[str, list[tuple[str, int, int]]]] = {}
        self._stands: dict[tuple[str, str], dict[str, int]] = {}
        self._witnessed: dict[tuple[str, str], list[str]] = {}

    def look(self, file: InputFile, touched: set[str], sha256_of: Callable[[InputFile], str]) -> FileCount | None:
        """The counts of a file that still stands as a whole; None where it must be read.

        touched : tables that an earlier file of this load feeds; what follows it must be held against it.
        """
        for load_id, sha256, rows_read, passed_over in self._runs_of(file)[:3]:
            if sha256 != sha256_of(file):
                continue
            brought = self._brought_by(load_id).get(file.shown, [])
            if touched & {table for table, *_ in brought} or any(other for *_, other in brought):
                continue
            if any(self._standing_of(load_id, table).get(file.shown, 0) != new for table, new, _ in brought):
                continue
            count = FileCount(
                file.shown, file.size, read=rows_read, unchanged=rows_read - passed_over, stands_since=load_id
            )
            for table, new, _ in brought:
                count.tables[table] = merging.Counts(unchanged=new)
                self._witnessed.setdefault((table, load_id), []).append(file.shown)
            return count
        return None

    def witness(self) -> None:
        """Note for every row of the files found standing that this load brought it as well."""
        for (table, before), files in self._witnessed.items():
            staged = TABLE_BY_NAME[table].staged
            self.con.execute(
                f"insert into witness select $table, {merging.key_hash(TABLE_BY_NAME[table], 'staged')}, $now "
                f"from {staged} as staged where load_id = $before and source_file in (select unnest($files))",
                {"table": table, "now": self.load_id, "before": before, "files": files},
            )
        self._witnessed.clear()

    def _runs_of(self, file: InputFile) -> list[tuple[str, str, int, int]]:
        """(load, sha256, rows read, rows passed over) of loads that took this file as a whole, the latest first."""
        if self.meaning is None:
            return []
        if self._runs is None:
            self._runs = {}
            for name, size, *run in self.con.execute(
                "select source_file, bytes, load_id, sha256, rows_read, rows_passed_over from load_run "
                "where meaning = $meaning and undone_at is null and rows_new > 0 "
                "and rows_changed + rows_unchanged + rows_rejected + values_rejected = 0 "
                "order by substring(load_id, 2)::integer desc",
                {"meaning": self.meaning},
            ).fetchall():
                self._runs.setdefault((name, size), []).append((run[0], run[1], run[2], run[3]))
        return self._runs.get((file.shown, file.size), [])

    def _brought_by(self, load_id: str) -> dict[str, list[tuple[str, int, int]]]:
        """For each file of a load: (table, rows new, rows otherwise)."""
        if load_id not in self._brought:
            found: dict[str, list[tuple[str, int, int]]] = {}
            for name, table, new, other in self.con.execute(
                "select source_file, table_name, rows_new, rows_changed + rows_unchanged + rows_rejected from load_table "
                "where load_id = $load",
                {"load": load_id},
            ).fetchall():
                found.setdefault(name, []).append((table, new, other))
            self._brought[load_id] = found
        return self._brought[load_id]

    def _standing_of(self, load_id: str, table: str) -> dict[str, int]:
        """For each file, how many rows of a table this load's version of it still holds."""
        key = (load_id, table)
        if key not in self._stands:
            self._stands[key] = dict(
                self.con.execute(
                    f"select source_file, count(*) from {TABLE_BY_NAME[table].staged} where load_id = $load group by all",
                    {"load": load_id},
                ).fetchall()
            )
        return self._stands[key]


def _meaning(mapping: Mapping | None, rules: Any) -> str | None:
    text = ""
    if mapping is not None:
        cells = [cell for source in mapping.source for feed in interpreting.feeds_of(source) for cell in feed.cells]
        if any(cell.look_up is not None for cell in cells):
            return None
        text = mapping.model_dump_json()
    return hashlib.sha256(f"{READING_VERSION} {rules.altitude_ft} {text}".encode()).hexdigest()
