"""Small exports written into a folder, loaded into a real store, and what the store then holds."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from pipelines import load_report, loading, undo
from pipelines.house_rules import HouseRules
from pipelines.mapping import Mapping, parse_mapping
from pipelines.store import Store

SYSTEMS = (
    "system_id,equipment,refrigerant,nominal_tons,metering\nS1,split_ac,R-410A,3,txv\nS2,split_ac,R-410A,2.5,txv\n"
)
JOBS = "job_id,system_id,technician_id,job_kind,joints,finished_on\nJ1,S1,T1,changeout,brazed,2024-07-03\nJ2,S2,T1,changeout,brazed,2024-07-04\n"


class Fleet:
    """A folder of exports and a store beside it."""

    def __init__(self, folder: Path) -> None:
        self.exports = folder / "exports"
        self.exports.mkdir(parents=True)
        self.store = Store(folder / "store")
        self.rules = HouseRules()

    def write(self, name: str, content: str | bytes) -> Path:
        path = self.exports / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def with_jobs(self) -> Fleet:
        """Two systems and two jobs, loaded (once for all tests, then copied)."""
        self.write("systems.csv", SYSTEMS)
        self.write("jobs.csv", JOBS)
        shutil.copytree(_loaded_once(), self.store.folder)
        return self

    def load(self, *paths: Path, mapping: str | Mapping | None = None, **how: Any) -> load_report.LoadReport:
        chosen = parse_mapping(mapping) if isinstance(mapping, str) else mapping
        report = loading.load(self.store, list(paths) or [self.exports], chosen, self.rules, **how)
        for file in report.files:
            counted = file.new + file.changed + file.unchanged + file.rejected + file.passed_over
            assert file.read == counted, file
            assert min(file.new, file.changed, file.unchanged, file.rejected, file.passed_over) >= 0, file
        return report

    def load_text(self, name: str, content: str | bytes, **how: Any) -> load_report.FileCount:
        report = self.load(self.write(name, content), **how)
        return next(file for file in report.files if file.source_file == name)

    def undo(self, load_id: str) -> undo.UndoReport:
        return undo.undo(self.store, load_id, self.rules)

    def ask(self, sql: str) -> list[tuple[Any, ...]]:
        con = self.store.read()
        try:
            return con.execute(sql).fetchall()
        finally:
            con.close()

    def rejected(self) -> list[tuple[Any, ...]]:
        """(file, line, scope, column, value) of what was not taken."""
        return self.ask(
            "select source_file, source_line, scope, column_name, value from rejected_row order by load_id, 1, 2, 4"
        )

    def readings(self) -> list[tuple[Any, ...]]:
        return self.ask(
            "select job_id, quantity::varchar, value, original_value, original_unit, source_line from staged_reading "
            "order by reading_order"
        )


@cache
def _loaded_once() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="loaded-once-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    fleet = Fleet(folder)
    fleet.load(fleet.write("systems.csv", SYSTEMS), fleet.write("jobs.csv", JOBS))
    return fleet.store.folder


def counts(file: load_report.FileCount) -> dict[str, int]:
    """The counts of a file that are not zero."""
    names = ("read", "new", "changed", "unchanged", "rejected", "passed_over", "values_rejected")
    return {name: getattr(file, name) for name in names if getattr(file, name)}
