"""What one load says of itself: the counts of each file and table, what was left out and why, and what to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pipelines import merging
from pipelines.contract import TABLES

FATES = ("new", "changed", "unchanged", "rejected")


@dataclass
class FileCount:
    """What became of the rows of one file: read = new + changed + unchanged + rejected + passed_over."""

    source_file: str
    size: int = 0
    sha256: str = ""
    read: int = 0
    new: int = 0
    changed: int = 0
    unchanged: int = 0
    rejected: int = 0
    passed_over: int = 0
    values_rejected: int = 0
    tables: dict[str, merging.Counts] = field(default_factory=dict)
    values_by_table: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    stands_since: str = ""  # the load that brought this very file, where all of it still stands


@dataclass
class LoadReport:
    """The outcome of one load. failed : file -> why it could not be used."""

    load_id: str
    files: list[FileCount] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    messages: list[str] = field(default_factory=list)
    examples: list[str] = field(default_factory=list)
    dry_run: bool = False

    def total(self, name: str) -> int:
        return sum(getattr(file, name) for file in self.files)

    @property
    def tables(self) -> dict[str, merging.Counts]:
        """Rows by table over all files."""
        found: dict[str, merging.Counts] = {}
        for file in self.files:
            for name, counts in file.tables.items():
                into = found.setdefault(name, merging.Counts())
                for fate in FATES:
                    into.add(fate, getattr(counts, fate))
        return {table.name: found[table.name] for table in TABLES if table.name in found}

    @property
    def rejected_any(self) -> bool:
        return bool(self.total("rejected") or self.total("values_rejected") or self.failed)

    @property
    def is_useless(self) -> bool:
        """No file could be used, or every row was rejected."""
        if not self.files:
            return True
        return bool(self.total("rejected")) and not (
            self.total("new") + self.total("changed") + self.total("unchanged")
        )

    def render(self) -> str:
        """The report as text: counts for each file and table, then what was left out and why."""
        header = ("file", "read", "new", "changed", "unchanged", "rejected", "passed over", "values rejected")
        rows = [
            (f.source_file, f.read, f.new, f.changed, f.unchanged, f.rejected, f.passed_over, f.values_rejected)
            for f in self.files
        ]
        shown: list[tuple[Any, ...]] = (
            list(rows) if len(rows) <= 40 else [*rows[:20], (f"... {len(rows) - 30} more files",), *rows[-10:]]
        )
        if len(rows) > 1:
            names = ("read", "new", "changed", "unchanged", "rejected", "passed_over", "values_rejected")
            shown = [*shown, ("all files", *(self.total(name) for name in names))]
        lines = [f"Load {self.load_id}" + (" (dry run: nothing was changed)" if self.dry_run else "")]
        lines += _table_text(header, shown)
        tables = [(n, c.new, c.changed, c.unchanged, c.rejected) for n, c in self.tables.items()]
        if tables:
            lines += ["", *_table_text(("table", "new", "changed", "unchanged", "rejected"), tables)]
        notes = [f"{file.source_file}: {note}" for file in self.files for note in file.notes]
        standing = [file for file in self.files if file.stands_since]
        if standing:
            named = ", ".join(file.source_file for file in standing[:5]) + (", ..." if len(standing) > 5 else "")
            notes.append(
                f"The same as in an earlier load, and all of it still stands: {named} ({len(standing):,} in all)."
            )
        if notes or self.messages:
            lines += ["", *self.messages[:20], *notes[:20]]
            if len(notes) > 20:
                lines.append(f"... and {len(notes) - 20} more notes")
        if self.examples:
            lines += ["", *self.examples]
        for reason in self.failed.values():
            lines += ["", reason]
        return "\n".join(lines)


def _table_text(header: tuple[str, ...], rows: list[tuple[Any, ...]]) -> list[str]:
    cells = [[f"{cell:,}" if isinstance(cell, int) else str(cell) for cell in row] for row in (header, *rows)]
    widths = [max(len(row[place]) for row in cells if place < len(row)) for place in range(len(header))]
    return [
        "  ".join(
            cell.ljust(width) if place == 0 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=False))
        ).rstrip()
        for row in cells
    ]
