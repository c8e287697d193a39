"""Where the fleet's records live: a folder of generations, of which a small pointer names the current one.

A DuckDB file cannot be read by one process while another writes it, so nobody ever writes the file that is read. A
load or fit changes a private copy and publishes it by renaming the pointer; a killed one leaves a file that the next
one clears away, and the last good generation stays the current one. Gauge logs are Parquet parts that never change
once written; each generation lists the parts that belong to it, so a copy stays small.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import threading
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from pipelines.errors import InputError, StoreBusyError, StoreMissingError

if TYPE_CHECKING:
    from filelock import BaseFileLock

# Raised whenever the tables of a generation change their meaning; an older program refuses a newer store.
STORE_VERSION = 1
GENERATIONS_KEPT = 3
DEFAULT_FOLDER = "fleet"
FOLDER_VARIABLE = "SLOWFUSE_STORE"
MEMORY_VARIABLE = "SLOWFUSE_MEMORY"
DEFAULT_MEMORY = "2GB"
# the pages ask for sums and heads of lists: with more, the store only keeps more of itself in memory
PAGES_MEMORY = "640MB"

_GENERATION_FILE = re.compile(r"^fleet-(\d{6})\.duckdb(\.wal|\.tmp)?$")
_FAILURE_FILES = "failed-*.json"
_TRIAL = "trial "
_PART_FILE = re.compile(r"^part-(\d{6})-\d+\.parquet$")


@dataclass(frozen=True)
class Pointer:
    """Which generation is current, when and why it was made."""

    generation: int
    file: str
    made_at: str
    reason: str
    store_version: int = STORE_VERSION


@dataclass(frozen=True)
class Running:
    """What is changing the store now, or was when it died."""

    reason: str
    started_at: str
    process_id: int
    message: str
    is_alive: bool


@dataclass(frozen=True)
class Failure:
    """The last try to change the store that did not end well, and was not made good by a later one of its kind.

    reason : what was tried ("load", "fit", "undo"); was_killed : it died without a word; message : its own words.
    """

    reason: str
    started_at: str
    ended_at: str
    message: str
    was_killed: bool


def quoted(text: str | Path) -> str:
    """A text as an SQL literal, for the few statements that take no parameters."""
    return "'" + str(text).replace("'", "''") + "'"


class Store:
    """One contractor's store.

    Parameters
    ----------
    folder : where it lives; made at the first write, never by reading.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)

    @classmethod
    def locate(cls, folder: str | Path | None = None) -> Store:
        """The store asked for, else the one of $SLOWFUSE_STORE, else ./fleet."""
        return cls(folder or os.environ.get(FOLDER_VARIABLE) or DEFAULT_FOLDER)

    # --- what is there

    @property
    def gauge_log_folder(self) -> Path:
        return self.folder / "gauge_logs"

    @property
    def entries_file(self) -> Path:
        return self.folder / "entries.sqlite"

    @property
    def _pointer_file(self) -> Path:
        return self.folder / "current.json"

    @property
    def _running_file(self) -> Path:
        return self.folder / "running.json"

    def pointer(self) -> Pointer | None:
        """The current generation, or None where nothing has been published yet.

        Raises
        ------
        InputError : the pointer cannot be read, or a newer program made it.
        """
        try:
            text = self._pointer_file.read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        try:
            pointer = Pointer(**json.loads(text))
        except (ValueError, TypeError) as error:
            raise InputError(
                f"{self._pointer_file}: the pointer to the current generation cannot be read ({error}). "
                "Restore the folder from a backup, or load the exports into a new store."
            ) from error
        if pointer.store_version > STORE_VERSION:
            raise InputError(
                f"{self.folder}: this store was made by a newer slowfuse (store version {pointer.store_version}, "
                f"this program knows {STORE_VERSION}). Install the newer slowfuse, or name another folder with --store."
            )
        return pointer

    def pointer_mark(self) -> tuple[int, int, int] | None:
        """What tells one pointer's file from the next one without reading it; None where there is none."""
        try:
            found = self._pointer_file.stat()
        except FileNotFoundError:
            return None
        return found.st_mtime_ns, found.st_ino, found.st_size

    def exists(self) -> bool:
        return self.pointer() is not None

    def current_file(self) -> Path:
        """The current generation's file.

        Raises
        ------
        StoreMissingError : nothing has been published.
        """
        pointer = self.pointer()
        if pointer is None:
            raise StoreMissingError(
                f"There is no store in {self.folder}. Load exports with `slowfuse load`, or try `slowfuse demo`."
            )
        return self.folder / pointer.file

    def running(self) -> Running | None:
        """What is changing the store now; is_alive is False for what died and left its note."""
        note = self._running_note()
        return replace(note, is_alive=self._is_locked()) if note else None

    def failures(self) -> list[Failure]:
        """What was tried last, of each kind, and did not end well; the newest first. Also of a process that was killed."""
        found = []
        for file in self.folder.glob(_FAILURE_FILES):
            with contextlib.suppress(OSError, ValueError, TypeError):
                found.append(Failure(**json.loads(file.read_text(encoding="utf-8"))))
        died = self.running()
        if died is not None and not died.is_alive and not died.reason.startswith(_TRIAL):
            found = [failure for failure in found if failure.reason != died.reason]
            found.append(_killed(died))
        return sorted(found, key=lambda failure: failure.started_at, reverse=True)

    def note_failure(
        self, reason: str, message: str, *, started_at: str | None = None, was_killed: bool = False
    ) -> None:
        """Keep for everybody that a load or fit failed, until the next of its kind ends well or somebody puts it away."""
        if not self.folder.is_dir():
            return  # nothing was ever loaded here: there is no last good state to speak of
        failure = Failure(reason, started_at or _now(), _now(), message[:2000], was_killed)
        self._keep_failure(failure)

    def put_failure_away(self, reason: str) -> None:
        """Somebody has read it, or a later one of its kind ended well."""
        self._failure_file(reason).unlink(missing_ok=True)
        died = self.running()
        if died is not None and not died.is_alive and died.reason == reason:
            self._running_file.unlink(missing_ok=True)

    # --- reading

    def read(
        self, generation_file: Path | None = None, *, memory_limit: str | None = None
    ) -> duckdb.DuckDBPyConnection:
        """A connection that can read the current generation and its gauge logs, and nothing else on the machine.

        Every table of the generation is a view here, and `staged_trace` a view over its Parquet parts. Take a
        `cursor()` of it for each call: one connection refuses concurrent calls.

        Raises
        ------
        StoreMissingError : nothing has been published.
        """
        file = generation_file or self.current_file()
        if not file.exists():
            raise InputError(
                f"{file}: the current generation is missing. Restore the folder from a backup, or load again."
            )
        # views in a database of their own, since temporary ones are not seen by a cursor
        limit = memory_limit or _memory_limit()
        con = duckdb.connect(":memory:", config={"memory_limit": limit, "threads": os.cpu_count() or 1})
        try:
            con.execute(f"attach {quoted(file)} as generation (read_only)")
            names = con.execute(
                "select table_name from duckdb_tables() where database_name = 'generation' and schema_name = 'main' "
                "union select view_name from duckdb_views() where database_name = 'generation' "
                "and schema_name = 'main' and not internal"
            ).fetchall()
            for (name,) in names:
                con.execute(f'create view "{name}" as select * from generation.main."{name}"')
            self._make_trace_view(con, temporary=False)
            # in this order the Parquet parts stay readable, and nothing else
            con.execute(f"set allowed_directories = [{quoted(self.gauge_log_folder.resolve())}]")
            con.execute("set enable_external_access = false")
            con.execute("set lock_configuration = true")
        except BaseException:
            con.close()
            raise
        return con

    # --- writing

    @contextlib.contextmanager
    def write(self, reason: str, *, publish: bool = True) -> Iterator[duckdb.DuckDBPyConnection]:
        """A connection on a private copy of the current generation, published when the block ends without an error.

        Parameters
        ----------
        reason : what is done, for the pointer and the pages ("load", "fit").
        publish : False throws the copy away at the end (a dry run).

        Raises
        ------
        StoreBusyError : another process or thread is changing the store.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        self.gauge_log_folder.mkdir(exist_ok=True)
        with self.locked():
            pointer = self.pointer()
            self._clear_left_over(pointer)
            generation = (pointer.generation if pointer else 0) + 1
            file = self.folder / f"fleet-{generation:06d}.duckdb"
            died = self._running_note()
            if died is not None and not died.reason.startswith(_TRIAL):  # the lock is ours: whoever left it is dead
                self._keep_failure(_killed(died))
            started_at = _now()
            self.say_running(reason if publish else f"{_TRIAL}{reason}", started_at=started_at)
            try:
                if pointer is not None:
                    shutil.copyfile(self.folder / pointer.file, file)
                con = duckdb.connect(
                    str(file),
                    config={
                        "memory_limit": _memory_limit(),
                        "temp_directory": str(self.folder / "spill"),
                        "preserve_insertion_order": True,
                    },
                )
                try:
                    # a setting of the connection, not of the database: it prints to stdout otherwise
                    con.execute("set enable_progress_bar = false")
                    if pointer is None:
                        self.create_empty_tables(con)
                    self._make_trace_view(con, temporary=True)
                    yield con
                    con.execute("checkpoint")
                finally:
                    con.close()
                if publish:
                    _flush(file)
                    self._publish(Pointer(generation, file.name, _now(), reason))
                    self._failure_file(reason).unlink(missing_ok=True)
                else:
                    self._discard(generation)
            except BaseException as error:
                self._discard(generation)
                if publish and not isinstance(error, GeneratorExit):
                    self.note_failure(reason, _in_words(error), started_at=started_at)
                raise
            finally:
                shutil.rmtree(self.folder / "spill", ignore_errors=True)
                self._running_file.unlink(missing_ok=True)

    def say_running(self, reason: str, message: str = "", *, started_at: str | None = None) -> None:
        """Note for other processes what is being done to the store now."""
        note = {"reason": reason, "started_at": started_at or _now(), "process_id": os.getpid(), "message": message}
        temporary = self._running_file.with_suffix(".new")
        temporary.write_text(json.dumps(note), encoding="utf-8")
        temporary.replace(self._running_file)

    def create_empty_tables(self, con: duckdb.DuckDBPyConnection) -> None:
        """The staged tables without rows, as a new store begins."""
        from pipelines import staging

        staging.create_empty_tables(con)

    def next_part_file(self, con: duckdb.DuckDBPyConnection) -> Path:
        """A new name for a Parquet part of gauge logs, for the generation that `con` is writing."""
        pointer = self.pointer()
        generation = (pointer.generation if pointer else 0) + 1
        number = 1
        while (file := self.gauge_log_folder / f"part-{generation:06d}-{number}.parquet").exists():
            number += 1
        return file

    def refresh_trace_view(self, con: duckdb.DuckDBPyConnection) -> None:
        """Make `staged_trace` show the parts that `gauge_log_part` lists now."""
        self._make_trace_view(con, temporary=True)

    # --- inside

    def _failure_file(self, reason: str) -> Path:
        return self.folder / f"failed-{re.sub(r'[^a-z]', '', reason)}.json"

    def _keep_failure(self, failure: Failure) -> None:
        file = self._failure_file(failure.reason)
        temporary = file.with_suffix(".new")
        temporary.write_text(json.dumps(asdict(failure)), encoding="utf-8")
        temporary.replace(file)

    def _running_note(self) -> Running | None:
        try:
            return Running(**json.loads(self._running_file.read_text(encoding="utf-8")), is_alive=False)
        except (FileNotFoundError, ValueError, TypeError):
            return None

    def _make_trace_view(self, con: duckdb.DuckDBPyConnection, *, temporary: bool) -> None:
        from pipelines import staging

        parts = [
            self.gauge_log_folder.resolve() / name
            for (name,) in con.execute("select part_file from gauge_log_part order by part_file").fetchall()
        ]
        missing = [part.name for part in parts if not part.exists()]
        if missing:
            raise InputError(
                f"{self.gauge_log_folder}: the gauge logs {', '.join(missing[:5])} are missing. "
                "Restore the folder from a backup, or load the gauge logs again."
            )
        kind = "temp view" if temporary else "view"
        if parts:
            listed = ", ".join(quoted(part) for part in parts)
            con.execute(f"create or replace {kind} staged_trace as select * from read_parquet([{listed}])")
        else:
            con.execute(f"create or replace {kind} staged_trace as {staging.empty_trace_select()}")

    def _publish(self, pointer: Pointer) -> None:
        temporary = self._pointer_file.with_suffix(".new")
        temporary.write_text(json.dumps(asdict(pointer), indent=1), encoding="utf-8")
        _flush(temporary)
        temporary.replace(self._pointer_file)
        _flush_folder(self.folder)
        for file, generation in self._generation_files():
            if generation <= pointer.generation - GENERATIONS_KEPT:
                # a reader on Windows may still hold the file: the next load tries again
                with contextlib.suppress(OSError):
                    file.unlink(missing_ok=True)

    def _discard(self, generation: int) -> None:
        for file, number in self._generation_files():
            if number == generation:
                with contextlib.suppress(OSError):
                    file.unlink(missing_ok=True)
        for part in self.gauge_log_folder.glob("part-*.parquet"):
            match = _PART_FILE.match(part.name)
            if match and int(match[1]) >= generation:
                part.unlink(missing_ok=True)

    def _clear_left_over(self, pointer: Pointer | None) -> None:
        """Remove what a killed load or fit left: generations and parts later than the current one."""
        current = pointer.generation if pointer else 0
        for _, generation in self._generation_files():
            if generation > current:
                self._discard(generation)
        shutil.rmtree(self.folder / "spill", ignore_errors=True)

    def _generation_files(self) -> list[tuple[Path, int]]:
        found = []
        for file in self.folder.glob("fleet-*"):
            match = _GENERATION_FILE.match(file.name)
            if match:
                found.append((file, int(match[1])))
        return found

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Nobody else changes the store while the block runs; raises StoreBusyError where somebody does."""
        from filelock import Timeout

        lock = self._file_lock()
        try:
            lock.acquire(timeout=0)
        except Timeout as error:
            raise StoreBusyError(
                f"{self.folder}: another load or fit is changing this store. Wait until it has ended and try again."
            ) from error
        try:
            yield
        finally:
            lock.release()

    def _file_lock(self) -> BaseFileLock:
        from filelock import FileLock

        # not a singleton and not thread-local: two threads of one server must shut each other out as well
        return FileLock(str(self.folder / "lock"), thread_local=False)

    def _is_locked(self) -> bool:
        from filelock import Timeout

        lock = self._file_lock()
        try:
            lock.acquire(timeout=0)
        except Timeout:
            return True
        lock.release()
        return False


class Reader:
    """The current generation, opened once and opened again only after another has been published.

    A page asks `connection()` for each answer: as long as the pointer's file is the one seen last, that costs a glance.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._lock = threading.Lock()
        self._pointer: Pointer | None = None
        self._seen: tuple[int, int, int] | None = None
        self._con: duckdb.DuckDBPyConnection | None = None

    def connection(self) -> tuple[Pointer, duckdb.DuckDBPyConnection]:
        """The pointer and a connection on its generation; take a cursor of it for each call."""
        with self._lock:
            seen = self.store.pointer_mark()
            if seen is not None and seen == self._seen and self._pointer is not None and self._con is not None:
                return self._pointer, self._con
            pointer = self.store.pointer()
            if pointer is None:
                self.store.current_file()
                raise AssertionError("unreachable: a missing store raises")
            if self._con is None or pointer != self._pointer:
                # the old connection is left to those who still read from it and closed when they drop it
                self._con = self.store.read(memory_limit=os.environ.get(MEMORY_VARIABLE, PAGES_MEMORY))
                self._pointer = pointer
            self._seen = seen
            return pointer, self._con


def _killed(died: Running) -> Failure:
    return Failure(died.reason, died.started_at, died.started_at, died.message, was_killed=True)


def _in_words(error: BaseException) -> str:
    """What went wrong, as its own words or, where it has none, its kind."""
    if isinstance(error, KeyboardInterrupt):
        return "It was stopped by hand."
    return str(error).strip() or type(error).__name__


def _memory_limit() -> str:
    return os.environ.get(MEMORY_VARIABLE, DEFAULT_MEMORY)


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def _flush(file: Path) -> None:
    with open(file, "rb+") as handle:
        os.fsync(handle.fileno())


def _flush_folder(folder: Path) -> None:
    # Windows has no handle on a folder; there the rename itself is durable
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
