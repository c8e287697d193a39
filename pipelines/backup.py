"""A store as one file, and back: the current generation, its gauge logs and everything that people have entered.

The file is a plain ZIP with a list of its parts (`parts.json`): name, bytes and SHA-256 of each. It is written beside its
name and put in place when it is whole. On the way back every part is held against the list, and the whole against
`wholeness`, before anything of the store is touched.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import IO

from pipelines import wholeness
from pipelines.errors import InputError
from pipelines.store import STORE_VERSION, Pointer, Store

LIST_NAME = "parts.json"
FORMAT = "store backup 1"
ENTRIES_NAME = "entries.sqlite"
POINTER_NAME = "current.json"
# what else may lie in a store's folder and belongs to it: a mark that the fleet is invented
MARKS = ("invented-fleet.txt",)
# a part is taken out only under a name that a store itself gives: no file can be led out of the folder
_PART_NAME = re.compile(
    r"(current\.json|entries\.sqlite|invented-fleet\.txt|fleet-\d{6}\.duckdb|gauge_logs/part-\d{6}-\d+\.parquet)"
)
_CHUNK = 1 << 20


@dataclass(frozen=True)
class Part:
    """One file inside a backup."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True)
class Contents:
    """What a backup holds: when it was made, the generation (None where nothing had been loaded), entries, parts."""

    made_at: str
    pointer: Pointer | None
    entries: int
    parts: tuple[Part, ...]

    @property
    def bytes(self) -> int:
        return sum(part.bytes for part in self.parts)


def back_up(store: Store, to: Path) -> Contents:
    """Write the store to a file; a load that runs meanwhile is not disturbed and not in it.

    Raises
    ------
    InputError : there is nothing to back up, or the store is damaged.
    """
    pointer = store.pointer()
    if pointer is None and not store.entries_file.exists():
        raise InputError(f"There is nothing in {store.folder} to back up: no load, and nothing that anybody entered.")
    to.parent.mkdir(parents=True, exist_ok=True)
    unfinished = to.with_name(f".{to.name}.part")
    try:
        with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
            contents = _pack(store, pointer, packed)
        with unfinished.open("rb+") as handle:
            os.fsync(handle.fileno())
        unfinished.replace(to)
    finally:
        unfinished.unlink(missing_ok=True)
    return contents


def read_contents(file: Path) -> Contents:
    """What a backup says it holds.

    Raises
    ------
    InputError : the file is no backup, is cut short, or a newer program made it.
    """
    with _opened(file) as packed:
        return _listed(packed, file)


def restore(file: Path, store: Store, *, replace: bool = False) -> tuple[Contents, Path | None]:
    """Put a backup in the store's place; returns what it held and the folder to which the former store was moved.

    Parameters
    ----------
    replace : put aside a store that is not empty; without it such a store is refused.

    Raises
    ------
    InputError : the backup is damaged, or the store is not empty; nothing has been changed then.
    StoreBusyError : a load or fit is running.
    """
    target = store.folder.resolve()
    if not replace and not _is_empty(store):
        raise InputError(
            f"{store.folder} is not empty: it holds a store. Name another folder with --store, or say --replace; the "
            "store that is there is then moved aside, not deleted."
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}-restoring-", dir=target.parent) as scratch:
        fresh = Path(scratch)
        with _opened(file) as packed:
            contents = _listed(packed, file)
            for part in contents.parts:
                _unpack(packed, part, fresh, file)
        _look_whether_whole(Store(fresh), contents, file)
        aside = _swap(fresh, Store(target))
    return contents, aside


# --- out


def _pack(store: Store, pointer: Pointer | None, packed: zipfile.ZipFile) -> Contents:
    parts: list[Part] = []
    if pointer is not None:
        con = store.read(store.folder / pointer.file)
        try:
            logs = [name for (name,) in con.execute("select part_file from gauge_log_part order by 1").fetchall()]
        finally:
            con.close()
        parts.append(_add(packed, store.folder / pointer.file, pointer.file))
        parts += [_add(packed, store.gauge_log_folder / name, f"gauge_logs/{name}") for name in logs]
        parts += [_add(packed, store.folder / name, name) for name in MARKS if (store.folder / name).exists()]
    entries = 0
    if store.entries_file.exists():
        with tempfile.TemporaryDirectory() as scratch:
            copy = Path(scratch) / ENTRIES_NAME
            entries = _copy_entries(store.entries_file, copy)
            parts.append(_add(packed, copy, ENTRIES_NAME))
    if pointer is not None:
        parts.append(_add_text(packed, json.dumps(asdict(pointer), indent=1), POINTER_NAME))
    made_at = datetime.now().astimezone().isoformat(timespec="seconds")
    contents = Contents(made_at, pointer, entries, tuple(parts))
    listed = {"format": FORMAT, "store_version": STORE_VERSION, **asdict(contents)}
    packed.writestr(LIST_NAME, json.dumps(listed, indent=1))
    return contents


def _copy_entries(source: Path, copy: Path) -> int:
    """A copy that is whole although somebody may be entering something: SQLite's own way of backing up."""
    with contextlib.closing(sqlite3.connect(source)) as there, contextlib.closing(sqlite3.connect(copy)) as here:
        there.backup(here)
        here.execute("pragma journal_mode = delete")  # one file, no log beside it
        return int(here.execute("select count(*) from entry").fetchone()[0])


def _add(packed: zipfile.ZipFile, file: Path, name: str) -> Part:
    digest, size = hashlib.sha256(), 0
    with file.open("rb") as source, packed.open(name, "w", force_zip64=True) as sink:
        while chunk := source.read(_CHUNK):
            digest.update(chunk)
            size += len(chunk)
            sink.write(chunk)
    return Part(name, size, digest.hexdigest())


def _add_text(packed: zipfile.ZipFile, text: str, name: str) -> Part:
    packed.writestr(name, text)
    return Part(name, len(text.encode()), hashlib.sha256(text.encode()).hexdigest())


# --- back


@contextlib.contextmanager
def _opened(file: Path) -> Iterator[zipfile.ZipFile]:
    if not file.is_file():
        raise InputError(f"{file}: no such file.")
    try:
        with zipfile.ZipFile(file) as packed:
            yield packed
    except (zipfile.BadZipFile, EOFError, OSError) as error:
        raise InputError(f"{file} cannot be read as a backup ({error}): it is damaged or cut short.") from error


def _listed(packed: zipfile.ZipFile, file: Path) -> Contents:
    try:
        found = json.loads(packed.read(LIST_NAME))
        if found["format"] != FORMAT:
            raise ValueError(f"it says {found['format']!r}, expected {FORMAT!r}")
        pointer = Pointer(**found["pointer"]) if found["pointer"] else None
        parts = tuple(Part(**part) for part in found["parts"])
        contents = Contents(str(found["made_at"]), pointer, int(found["entries"]), parts)
        version = int(found["store_version"])
    except (KeyError, ValueError, TypeError) as error:
        raise InputError(f"{file} is no backup of a store, or its list of parts is damaged ({error}).") from error
    if version > STORE_VERSION:
        raise InputError(
            f"{file} was made by a newer slowfuse (store version {version}, this program knows {STORE_VERSION}). "
            "Install the newer slowfuse."
        )
    strange = [part.name for part in contents.parts if not _PART_NAME.fullmatch(part.name)]
    if strange:
        raise InputError(f"{file} holds {strange[0]!r}, which is no part of a store. Nothing was changed.")
    return contents


def _unpack(packed: zipfile.ZipFile, part: Part, folder: Path, file: Path) -> None:
    to = folder / part.name
    to.parent.mkdir(exist_ok=True)
    try:
        with packed.open(part.name) as source, to.open("wb") as sink:
            digest, size = _copy(source, sink)
            os.fsync(sink.fileno())
    except KeyError as error:
        raise InputError(f"{file}: {part.name} stands in its list but is not in it. Nothing was changed.") from error
    except (zipfile.BadZipFile, EOFError, zlib.error) as error:
        raise InputError(f"{file}: {part.name} is damaged ({error}). Nothing was changed.") from error
    if (digest, size) != (part.sha256, part.bytes):
        raise InputError(
            f"{file}: {part.name} is not what was backed up (its SHA-256 differs from the list's). Nothing was changed."
        )


def _copy(source: IO[bytes], sink: IO[bytes]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := source.read(_CHUNK):
        digest.update(chunk)
        size += len(chunk)
        sink.write(chunk)
    return digest.hexdigest(), size


def _look_whether_whole(fresh: Store, contents: Contents, file: Path) -> None:
    findings = [wholeness.entries_are_whole(fresh)] if contents.pointer is None else wholeness.check(fresh)
    wrong = [finding.sentence for finding in findings if not finding.is_right]
    if wrong:
        raise InputError(f"{file} holds a store that is not whole ({'; '.join(wrong)}). Nothing was changed.")


def _is_empty(store: Store) -> bool:
    if not store.folder.exists():
        return True
    return not any(path.is_file() and path.name != "lock" for path in store.folder.rglob("*"))


def _swap(fresh: Path, store: Store) -> Path | None:
    """Move what is there aside and the new in; the pointer last, so that nobody reads half of it."""
    store.folder.mkdir(exist_ok=True)
    with store.locked():
        there = [path for path in store.folder.iterdir() if path.name != "lock"]
        aside = None
        if any(path.is_file() or any(path.iterdir()) for path in there):
            stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
            aside = store.folder.with_name(f"{store.folder.name}-before-{stamp}")
            aside.mkdir()
        # the pointer goes first and comes last
        for path in sorted(there, key=lambda path: path.name != POINTER_NAME):
            if aside is not None:
                path.rename(aside / path.name)
            else:
                path.rmdir()
        fresh_parts = [path for path in fresh.iterdir() if path.name not in ("lock", "spill")]
        for path in sorted(fresh_parts, key=lambda path: path.name == POINTER_NAME):
            shutil.move(path, store.folder / path.name)
    return aside
