"""What people have entered: settings, disputes, notes. Kept apart from the generations, so that no load can lose it.

Entries are only ever added. Each carries the hash of the one before it, so a changed or missing entry is found. SQLite
in write-ahead mode with full synchronisation: an entry that was acknowledged survives a power cut.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pipelines import house_rules, visit_entries
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules

_TABLE = """
create table if not exists entry (
    entry_no integer primary key autoincrement,
    kind text not null,
    subject text not null,
    content text not null,
    entered_by text not null,
    entered_at text not null,
    hash_before text not null,
    hash text not null unique
) strict
"""
_FIRST_HASH = "0" * 64


@dataclass(frozen=True)
class Entry:
    """One entry: its kind (`setting`, `dispute`, ...), what it is about, and what was said, as JSON values."""

    entry_no: int
    kind: str
    subject: str
    content: Any
    entered_by: str
    entered_at: str
    hash_before: str
    hash: str


class Entries:
    """The entries of one store, in the file that `Store.entries_file` names."""

    def __init__(self, file: Path) -> None:
        self.file = file

    def add(self, kind: str, subject: str, content: Any, entered_by: str = "") -> Entry:
        """Add one entry; it is on disk when this returns."""
        entered_at = datetime.now().astimezone().isoformat(timespec="seconds")
        text = json.dumps(content, sort_keys=True)
        with self._open() as con:
            con.execute("begin immediate")
            row = con.execute("select hash from entry order by entry_no desc limit 1").fetchone()
            before = row[0] if row else _FIRST_HASH
            own = _hash(before, kind, subject, text, entered_by, entered_at)
            cursor = con.execute(
                "insert into entry (kind, subject, content, entered_by, entered_at, hash_before, hash) "
                "values (?, ?, ?, ?, ?, ?, ?)",
                (kind, subject, text, entered_by, entered_at, before, own),
            )
            number = int(cursor.lastrowid or 0)
            con.execute("commit")
        return Entry(number, kind, subject, content, entered_by, entered_at, before, own)

    def all(self, kind: str | None = None) -> list[Entry]:
        """The entries of a kind, oldest first; none where nothing has been entered yet."""
        if not self.file.exists():
            return []
        with self._open() as con:
            rows = con.execute(
                "select entry_no, kind, subject, content, entered_by, entered_at, hash_before, hash from entry "
                "where ? is null or kind = ? order by entry_no",
                (kind, kind),
            ).fetchall()
        return [Entry(row[0], row[1], row[2], json.loads(row[3]), *row[4:]) for row in rows]

    def broken_at(self) -> int | None:
        """The number of the first entry whose hash does not follow from the one before it, or None."""
        before = _FIRST_HASH
        for entry in self.all():
            text = json.dumps(entry.content, sort_keys=True)
            own = _hash(before, entry.kind, entry.subject, text, entry.entered_by, entry.entered_at)
            if entry.hash_before != before or entry.hash != own:
                return entry.entry_no
            before = entry.hash
        return None

    # --- settings

    def settings(self) -> dict[str, Any]:
        """The last value entered for each setting."""
        return {name: entry.content for name, entry in self._last_settings().items()}

    def settings_changed_on(self) -> dict[str, str]:
        """For each setting that differs from its default by an entry, the day it was entered."""
        return {name: entry.entered_at[:10] for name, entry in self._last_settings().items()}

    def _last_settings(self) -> dict[str, Entry]:
        last = {entry.subject: entry for entry in self.all("setting")}
        # an entry of nothing went back to the default
        return {name: entry for name, entry in last.items() if entry.content is not None}

    def house_rules(self) -> HouseRules:
        """The house rules in force: what was entered, else the defaults."""
        return house_rules.checked(self.settings())

    def change_setting(self, name: str, value: Any, entered_by: str = "") -> HouseRules:
        """Enter a setting after checking it together with the others; None goes back to the default.

        Raises
        ------
        InputError : the setting is unknown or out of its range; nothing is entered then.
        """
        settings = self.settings()
        settings.pop(name, None)
        if name not in HouseRules.model_fields:
            raise InputError(
                f"House rules: {name} is no setting. The settings are {', '.join(HouseRules.model_fields)}."
            )
        if value is not None:
            settings[name] = value
        rules = house_rules.checked(settings)
        self.add("setting", name, value, entered_by)
        return rules

    # --- disputes

    def dispute(self, job_id: str, step: str, words: str, entered_by: str = "") -> Entry:
        """Say that a record is wrong: the step leaves every count until the dispute is settled."""
        return self.add("dispute", f"{job_id}\t{step}", {"words": words}, entered_by)

    def settle(self, job_id: str, step: str, answer: str, entered_by: str = "") -> Entry:
        return self.add("dispute_settled", f"{job_id}\t{step}", {"answer": answer}, entered_by)

    def open_disputes(self) -> list[tuple[str, str]]:
        """(job_id, step) of each dispute that has not been settled since it was raised."""
        is_open: dict[str, bool] = {}
        for entry in self.all():
            if entry.kind in ("dispute", "dispute_settled"):
                is_open[entry.subject] = entry.kind == "dispute"
        return [(subject.split("\t")[0], subject.split("\t")[1]) for subject, value in is_open.items() if value]

    # --- records worth a second look

    def answer_doubt(self, technician_id: str, step: str, kind: str, words: str, entered_by: str = "") -> Entry:
        """Keep what a person says to a reason to look at his records; his name is shown beside it from then on."""
        return self.add("doubt_answer", f"{technician_id}\t{step}\t{kind}", {"words": words}, entered_by)

    def doubts_answered(self) -> dict[tuple[str, str, str], tuple[str, str]]:
        """For each (technician_id, step, kind) the last words and their day, ISO 8601."""
        found: dict[tuple[str, str, str], tuple[str, str]] = {}
        for entry in self.all("doubt_answer"):
            technician_id, step, kind = entry.subject.split("\t")
            found[technician_id, step, kind] = str(entry.content["words"]), entry.entered_at[:10]
        return found

    # --- returns

    def seen_to(self, job_id: str, step: str, words: str, on: str, entered_by: str = "") -> Entry:
        """Say that somebody went back and what he did there, where no later record shows it. on : the day, ISO 8601."""
        return self.add("return_seen_to", f"{job_id}\t{step}", {"words": words, "on": on}, entered_by)

    def not_seen_to(self, job_id: str, step: str, entered_by: str = "") -> Entry:
        """Take that back: the return is open again."""
        return self.add("return_open_again", f"{job_id}\t{step}", {}, entered_by)

    def returns_seen_to(self) -> list[tuple[str, str, str, str, str]]:
        """(job_id, step, day, words, entered_by) of each return that was said to be done and not opened again since."""
        last: dict[str, Entry] = {}
        for entry in self.all():
            if entry.kind in ("return_seen_to", "return_open_again"):
                last[entry.subject] = entry
        said = []
        for subject, entry in last.items():
            if entry.kind == "return_seen_to":
                job_id, step = subject.split("\t")
                said.append((job_id, step, str(entry.content["on"]), str(entry.content["words"]), entry.entered_by))
        return said

    @contextlib.contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        self.file.parent.mkdir(parents=True, exist_ok=True)
        con = sqlite3.connect(self.file, isolation_level=None, timeout=10)
        try:
            con.execute("pragma journal_mode = wal")
            con.execute("pragma synchronous = full")
            con.execute(_TABLE)
            yield con
        finally:
            con.close()


def join_into(con: Any, entries: Entries, rules: HouseRules) -> None:
    """Write what people entered into a generation being built: `house_rule`, `open_dispute`, `return_seen_to`, plans and
    outcomes of visits (`pipelines.visit_entries`).

    con : DuckDB connection of `Store.write`.
    """
    con.execute("create or replace table house_rule (name varchar, value varchar, is_guess boolean, changed_on date)")
    rows = house_rules.as_rows(rules, entries.settings_changed_on())
    con.executemany("insert into house_rule values (?, ?, ?, ?)", rows)
    con.execute("create or replace table open_dispute (job_id varchar, step varchar)")
    disputes = entries.open_disputes()
    if disputes:
        con.executemany("insert into open_dispute values (?, ?)", disputes)
    con.execute("create or replace table return_seen_to (job_id varchar, step varchar, seen_on date, words varchar)")
    seen_to = [row[:4] for row in entries.returns_seen_to()]
    if seen_to:
        con.executemany("insert into return_seen_to values (?, ?, ?, ?)", seen_to)
    visit_entries.join_into(con, entries)


def _hash(*parts: str) -> str:
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()
