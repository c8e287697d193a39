"""Loading: files in, staged and graded records out, and what became of every row.

All files of one load are laid out table by table, parents first, merged into a private copy of the store, graded, and
published at once. A file that cannot be used is said and left; the others still load.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from pipelines import interpreting, merging, readers, settling, staging, straight
from pipelines.cell_text import as_text, is_blank
from pipelines.contract import TABLES, Table
from pipelines.errors import InputError
from pipelines.interpreting import Feed, FileContext, Marks, Rejected, TypedRows, UnreadReading
from pipelines.load_report import FATES, FileCount, LoadReport
from pipelines.mapping import Mapping, Source
from pipelines.readers import CsvLayout, InputFile, RawRows, RowFault
from pipelines.recognising import contract_source
from pipelines.standing import StandingFiles
from pipelines.store import Store

# Cells held in memory at once; a file beyond that is read again for each table that it feeds
CELLS_HELD = 12_000_000
ROWS_WAITING = 200_000


# --- what is to be loaded


@dataclass(eq=False)
class Part:
    """One grid of one file (the file itself, or a sheet): number, sources that read it, and its rows once read."""

    number: int
    file: InputFile
    sheet: str
    sources: list[Source]
    by_mapping: bool
    straight: straight.StraightFile | None = None
    raw: RawRows | None = None
    lists: dict[str, RawRows] = field(default_factory=dict)
    marks: dict[str, Marks] = field(default_factory=dict)
    taken_lines: set[int] | None = None
    n_read: int = 0
    n_faults: int = 0
    fed_lines_rejected: int = 0
    said: set[tuple[int, str, str]] = field(default_factory=set)  # rejected rows already on record

    @property
    def feeds(self) -> list[tuple[Source, Feed]]:
        return [(source, feed) for source in self.sources for feed in interpreting.feeds_of(source)]

    @property
    def is_multiple(self) -> bool:
        """Whether one row of it may make several rows of the contract."""
        feeds = self.feeds
        return len(feeds) != 1 or any(feed.list or feed.readings for _, feed in feeds)


def load(
    store: Store,
    paths: list[Path],
    mapping: Mapping | None,
    rules: Any,
    *,
    strict: bool = False,
    dry_run: bool = False,
    say: Callable[[str], None] = lambda message: None,
) -> LoadReport:
    """Load files and folders into the store, grade, and publish both at once.

    Parameters
    ----------
    mapping : what the files mean; None where they bear the contract's own headings.
    rules : the house rules in force (for the grades, and for the altitude of sites that give none).
    strict : the caller refuses a load with anything rejected (it decides; here it changes nothing).
    dry_run : everything is done on the private copy, which is then thrown away.
    say : told what is being done.

    Raises
    ------
    InputError : no file can be used. StoreBusyError : the store is being changed by somebody else.
    """
    files, notes = readers.find_files([Path(path) for path in paths])
    if not files:
        raise InputError(
            "; ".join(notes)
            or f"{', '.join(str(path) for path in paths)}: there is no file to load. "
            "Expected CSV, XLSX, Parquet or JSON Lines."
        )
    with store.write("load", publish=not dry_run) as con:
        run = _Run(store, con, mapping, rules, say)
        run.report.messages += notes
        run.report.dry_run = dry_run
        try:
            run.take(files)
            if not run.report.files:
                reasons = [*run.report.failed.values(), *run.report.messages]
                raise InputError(
                    "\n".join(["Nothing could be loaded.", *reasons[:20]])
                    + "\nPropose a mapping with `slowfuse map`, and load with --mapping."
                )
        finally:
            run.close()
        # always: the house rules and what people entered may have changed since, too
        say("Grading")
        regrade(con, store, rules)
    return run.report


def regrade(con: duckdb.DuckDBPyConnection, store: Store, rules: Any) -> None:
    """Fresh grades, and what they call for, from what is staged now and from what people have entered."""
    from pipelines import arrivals, grades, listings
    from pipelines.entries import Entries, join_into

    con.execute(
        # a reading that could not be taken no longer counts once a later load brought it in a form that could
        """
        create or replace table rejected_reading as
        select distinct unread.job_id, unread.step, unread.quantity, unread.value, unread.reason
        from unread_reading as unread
        where exists (select 1 from staged_job as job where job.job_id = unread.job_id)
            and not exists (
                select 1 from staged_reading as reading
                where reading.job_id = unread.job_id and reading.step::varchar = unread.step
                    and reading.quantity::varchar = unread.quantity
                    and substring(reading.load_id, 2)::integer > substring(unread.load_id, 2)::integer)
        """
    )
    join_into(con, Entries(store.entries_file), rules)
    grades.grade(con, rules)
    arrivals.make_arrivals(con, rules)
    listings.make_listings(con)


class _Run:
    """One load while it runs."""

    def __init__(
        self,
        store: Store,
        con: duckdb.DuckDBPyConnection,
        mapping: Mapping | None,
        rules: Any,
        say: Callable[[str], None],
    ) -> None:
        self.store, self.con, self.mapping, self.rules, self.say = store, con, mapping, rules, say
        staging.add_new_codes(con)
        self.now = datetime.now().replace(microsecond=0)
        row = con.execute("select coalesce(max(substring(load_id, 2)::integer), 0) + 1 from load_run").fetchone()
        self.load_id = f"L{row[0]:04d}" if row else "L0001"
        self.report = LoadReport(self.load_id)
        self.parts: list[Part] = []
        self.counts: dict[str, FileCount] = {}
        self.rejected: list[tuple[str, Rejected]] = []
        self.unread: list[tuple[str, UnreadReading]] = []
        self.fates_waiting: list[tuple[Any, ...]] = []
        # beside the store, where there is room for it; the store clears it away, whatever happens
        self.scratch = store.folder / "spill" / f"load-{self.load_id}"
        self.scratch.mkdir(parents=True, exist_ok=True)
        self.workbooks: dict[Path, readers.Workbook] = {}
        self.digests: dict[str, Future[str]] = {}
        self.pool = ThreadPoolExecutor(1)
        self.first_rowid = 0
        self.cells_held = 0
        self.held: set[int] = set()
        row = con.execute(
            f"select coalesce(max(reading_order & {(1 << staging.ARRIVAL_BITS) - 1}), -1) + 1 from staged_reading"
        ).fetchone()
        self.arrivals = row[0] if row else 0
        self.standing = StandingFiles(con, self.load_id, mapping, rules)

    def close(self) -> None:
        self.pool.shutdown(wait=True)
        shutil.rmtree(self.scratch, ignore_errors=True)

    # --- the files

    def take(self, files: list[InputFile]) -> None:
        con = self.con
        con.execute(
            "create or replace temp table row_fate (_file integer, line bigint, fate varchar, table_name varchar)"
        )
        touched: set[str] = set()
        for file in files:
            try:
                count = self.standing.look(file, touched, self._sha256)
                if count is not None:
                    self.counts[file.shown] = count
                    self.report.files.append(count)
                    continue
                before = len(self.parts)
                self._plan(file)
                touched |= {feed.table.name for part in self.parts[before:] for _, feed in part.feeds}
            except InputError as error:
                self.report.failed[file.shown] = str(error)
        self.standing.witness()
        for part in self.parts:
            self._digest(part.file)
        for part in self.parts:
            if part.raw is not None:
                self._take_faults(part, part.raw.faults)
            elif part.straight is not None:
                self._take_faults(part, part.straight.faults)
        for table in TABLES:
            feeding = [part for part in self.parts if any(feed.table is table for _, feed in part.feeds)]
            if feeding:
                self.say(f"{table.name}: {len(feeding)} file{'s' if len(feeding) > 1 else ''}")
                self._take_table(table, [part for part in feeding if part.file.shown in self.counts])
        staging.insert_rows(con, "row_fate", self.fates_waiting)
        self._write_rejected()
        merging.thin_witnesses(self.con)
        self._count_parts()
        self._write_runs()

    def _sha256(self, file: InputFile) -> str:
        return self._digest(file).result()

    def _digest(self, file: InputFile) -> Future[str]:
        if file.shown not in self.digests:
            self.digests[file.shown] = self.pool.submit(readers.sha256_of, file.path)
        return self.digests[file.shown]

    def _plan(self, file: InputFile) -> None:
        """Decide which sources read the file (or its sheets); raises InputError where none does."""
        stated = self.mapping.sources_for(file.path, file.root) if self.mapping else []
        count = FileCount(file.shown, file.size)
        planned: list[Part] = []
        if file.kind == "xlsx":
            book = self._workbook(file)
            for sheet in book.sheets:
                part = self._plan_sheet(file, book, sheet, [s for s in stated if s.sheet in (None, sheet)], count)
                if part:
                    planned.append(part)
            for source in stated:
                if source.sheet is not None and source.sheet not in book.sheets:
                    raise InputError(
                        f'{file.shown}: there is no sheet "{source.sheet}" (source "{source.name}" of the mapping). '
                        f"Its sheets are {', '.join(book.sheets)}."
                    )
        elif stated:
            part = self._new_part(file, "", stated, by_mapping=True)
            planned.append(part)
            self._open(part, count)
        else:
            planned += self._plan_unmapped(file, count)
        if not planned:
            text = f"{file.shown}: {'no source of the mapping speaks of it, and ' if self.mapping else ''}" + (
                "its headings are not those of the contract. "
                "Propose a mapping with `slowfuse map`, and load it with --mapping."
            )
            if file.named:
                raise InputError(text)
            self.report.messages.append(f"{file.shown}: passed over, its headings are not those of the contract.")
            return
        self.parts += planned
        self.counts[file.shown] = count
        self.report.files.append(count)

    def _new_part(self, file: InputFile, sheet: str, sources: list[Source], *, by_mapping: bool) -> Part:
        self.number = getattr(self, "number", 0) + 1
        return Part(self.number, file, sheet, sources, by_mapping)

    def _workbook(self, file: InputFile) -> readers.Workbook:
        if file.path not in self.workbooks:
            self.workbooks[file.path] = readers.Workbook(file.path, file.shown)
        return self.workbooks[file.path]

    def _plan_sheet(
        self, file: InputFile, book: readers.Workbook, sheet: str, stated: list[Source], count: FileCount
    ) -> Part | None:
        named = [source for source in stated if source.sheet == sheet]
        if stated and (named or book.is_visible(sheet)):
            part = self._new_part(file, sheet, named or stated, by_mapping=True)
            self._open(part, count)
            return part
        if self.mapping and self.mapping.sources_for(file.path, file.root):
            count.notes.append(f'sheet "{sheet}" was passed over: no source of the mapping names it.')
            return None
        if not book.is_visible(sheet):
            count.notes.append(f'sheet "{sheet}" is hidden and was passed over.')
            return None
        grid, first_row = book.grid(sheet)
        found = contract_source(sheet, file.path, grid[:20]) if grid else None
        if found is None:
            if grid:
                count.notes.append(f'sheet "{sheet}" was passed over: its headings are not those of the contract.')
            return None
        source = found.model_copy(update={"lines_above": found.lines_above + first_row - 1})
        part = self._new_part(file, sheet, [source], by_mapping=False)
        part.raw = readers.read_grid(grid, first_row, _layout(source), f"{file.shown}, sheet {sheet}")
        part.n_read = part.raw.n_read
        return part

    def _plan_unmapped(self, file: InputFile, count: FileCount) -> list[Part]:
        """A file in the contract's own headings; straight where every cell may be cast by DuckDB."""
        if file.kind == "jsonl":
            base = readers.read_json_lines(self._text(file, None, count))
            raw = readers.rows_of_list(base, "")
            source = contract_source("", file.path, [raw.headings]) if raw.headings else None
            if source is None and (raw.height or not base.faults):
                return []
            if source is None:
                raise InputError(f"{file.shown}, line {base.faults[0].line}: {base.faults[0].reason}.")
            part = self._new_part(file, "", [source], by_mapping=False)
            part.raw, part.lists[""], part.n_read = base, raw, base.n_read
            return [part]
        if file.kind == "parquet":
            opened = straight.open_parquet(self.con, file, self.scratch)
            source = contract_source("", file.path, [opened.headings])
            if source is None:
                return []
            part = self._new_part(file, "", [source], by_mapping=False)
            if opened.is_plain and source.table[0].table in staging.STRAIGHT_TABLES:
                part.straight, part.n_read = opened, opened.rows
            else:
                part.raw = readers.read_parquet(file.path, file.shown)
                part.n_read = part.raw.n_read
            return [part]
        first_lines = straight.first_lines(file)
        source = contract_source("", file.path, [readers.tidy_headings(cells) for cells in first_lines.cells])
        if source is None:
            return []
        source = source.model_copy(update={"delimiter": first_lines.delimiter})
        part = self._new_part(file, "", [source], by_mapping=False)
        part.straight = straight.open_csv(self.con, file, source, self.scratch)
        if part.straight is None:
            part.straight = straight.tidy_csv(self.con, file, source, self.scratch)
        if part.straight is not None:
            part.n_read = part.straight.n_read
            if part.straight.note:
                count.notes.append(part.straight.note)
        else:
            part.raw = readers.read_csv(self._text(file, None, count), _layout(source), file.shown)
            part.n_read = part.raw.n_read
        return [part]

    def _text(self, file: InputFile, encoding: str | None, count: FileCount | None = None) -> str:
        data = file.path.read_bytes()
        found = readers.encoding_of(data, encoding, file.shown)
        if found.note and count is not None and found.note not in count.notes:
            count.notes.append(found.note)
        return readers.text_of(data, found, file.shown)

    def _open(self, part: Part, count: FileCount | None = None) -> RawRows:
        """The rows of a part that its mapping reads; kept in memory while there is room."""
        if part.raw is not None:
            return part.raw
        file, source = part.file, part.sources[0]
        shown = f"{file.shown}, sheet {part.sheet}" if part.sheet else file.shown
        match file.kind:
            case "xlsx":
                grid, first_row = self._workbook(file).grid(part.sheet)
                raw = readers.read_grid(grid, first_row, _layout(source), shown)
            case "jsonl":
                raw = readers.read_json_lines(self._text(file, source.encoding, count))
            case "parquet":
                raw = readers.read_parquet(file.path, shown)
            case _:
                raw = readers.read_csv(self._text(file, source.encoding, count), _layout(source), shown)
        part.raw, part.n_read = raw, raw.n_read
        if count is not None:
            self._check_headings(part, count)
        return raw

    def _check_headings(self, part: Part, count: FileCount) -> None:
        for source in part.sources:
            missing = interpreting.missing_headings(source, lambda path: self._rows(part, path))
            if not missing:
                continue
            needed = {
                heading
                for feed in interpreting.feeds_of(source)
                for name in feed.table.key
                if name in feed.columns
                for heading in feed.columns[name].headings_read
            }
            raw = self._rows(part, "")
            if lost := [heading for heading in missing if heading in needed]:
                raise InputError(
                    f'{part.file.shown}: the heading "{lost[0]}" of source "{source.name}" is not there, and it is part '
                    f"of a key. The headings are {', '.join(raw.headings[:60])}. Correct the mapping (lines_above, "
                    "delimiter, heading)."
                )
            count.notes.append(
                f"headings that the mapping names are not there, their columns stay empty: {', '.join(missing)}."
            )

    def _rows(self, part: Part, path: str) -> RawRows:
        """Rows of the part, or of a nested list of its JSON."""
        raw = self._open(part)
        if part.file.kind != "jsonl":
            return raw
        if path not in part.lists:
            part.lists[path] = readers.rows_of_list(raw, path)
        return part.lists[path]

    def _let_go(self, part: Part) -> None:
        """Free a part's rows where much is held; they are read again when asked for."""
        if part.raw is None or part.straight is not None:
            return
        if part.number not in self.held:
            self.held.add(part.number)
            self.cells_held += part.raw.height * max(len(part.raw.headings), 10)
        if self.cells_held > CELLS_HELD and (part.by_mapping or not part.is_multiple):
            self.held.discard(part.number)
            self.cells_held -= part.raw.height * max(len(part.raw.headings), 10)
            part.raw = None
            part.lists.clear()

    def _take_faults(self, part: Part, faults: list[RowFault]) -> None:
        part.n_faults = len(faults)
        table = ""
        tables = {feed.table.name for _, feed in part.feeds}
        if len(tables) == 1:
            table = tables.pop()
        for fault in faults:
            self.rejected.append(
                (part.file.shown, Rejected(fault.line, "row", table, "", "", fault.reason, fault.text[:4000]))
            )

    # --- one table

    def _take_table(self, table: Table, parts: list[Part]) -> None:
        """Lay the table's rows out, file by file, and merge them."""
        laid_parts: list[Part] = []
        offsets: list[tuple[int, int]] = []
        spoken: dict[int, tuple[str, ...]] = {}
        waiting: list[tuple[int, TypedRows]] = []  # rows of many small files are laid out together
        staging.clear_bench(self.con, table)
        for part in parts:
            if part.straight is not None or sum(len(rows.lines) for _, rows in waiting) > ROWS_WAITING:
                staging.lay_out(self.con, waiting)
                waiting = []
            try:
                offset = self._lay_out_straight(part, table) if part.straight is not None else None
                if offset is not None and part.straight is not None:
                    offsets.append((part.number, offset))
                    spoken[part.number] = tuple(name for name in table.column_names if name in part.straight.headings)
                else:
                    laid = self._interpret(part, table)
                    spoken[part.number] = tuple(
                        name for name in table.column_names if any(name in rows.supplied for rows in laid)
                    )
                    for rows in laid:
                        self._note(part, rows)
                        waiting.append((part.number, rows))
            except InputError as error:
                staging.clear_file(self.con, table, part.number)
                waiting = [(number, rows) for number, rows in waiting if number != part.number]
                self._give_up(part, str(error))
                continue
            laid_parts.append(part)
            self._let_go(part)
        staging.lay_out(self.con, waiting)
        if laid_parts:
            self._merge(table, laid_parts, offsets, spoken)
        self.con.execute(f"drop table if exists {staging.bench_name(table)}")

    def _give_up(self, part: Part, reason: str) -> None:
        """Leave a file that turned out to be unusable."""
        self.report.failed[part.file.shown] = reason
        self.parts = [each for each in self.parts if each.file.shown != part.file.shown]
        self.report.files = [count for count in self.report.files if count.source_file != part.file.shown]
        self.counts.pop(part.file.shown, None)
        self.rejected = [(name, row) for name, row in self.rejected if name != part.file.shown]

    def _interpret(self, part: Part, table: Table) -> list[TypedRows]:
        laid = []
        keeps_extra = True
        for source in part.sources:
            feeds = interpreting.feeds_of(source)
            context = self._context(part, source)
            for feed in feeds:
                if feed.table is not table:
                    continue
                raw = self._rows(part, feed.list)
                if source.name not in part.marks:
                    part.marks[source.name] = interpreting.marks_of(
                        source, [(each, self._rows(part, each.list)) for each in feeds]
                    )
                first = not feed.list and feed is next((each for each in feeds if not each.list), None)
                rows = interpreting.interpret(
                    feed, source, raw, part.marks[source.name], context, keeps_extra=first and keeps_extra
                )
                if table.name in ("readings", "traces"):
                    settling.settle_readings(self.con, rows, source, float(self.rules.altitude_ft))
                laid.append(rows)
        return laid

    def _context(self, part: Part, source: Source) -> FileContext:
        return FileContext(
            part.file.shown,
            interpreting.name_parts(source, part.file.path.name),
            part.sheet,
            self._look_up,
        )

    def _look_up(self, source_name: str, key: str, wanted: str) -> dict[str, Any]:
        """Cells of another source by its key; the later file wins."""
        memory: dict[tuple[str, str, str], dict[str, Any]] = self.__dict__.setdefault("_looked_up", {})
        found = memory.get((source_name, key, wanted))
        if found is None:
            found = memory[source_name, key, wanted] = {}
            for part in self.parts:
                if not any(source.name == source_name for source in part.sources):
                    continue
                raw = self._rows(part, "")
                keys, cells = (interpreting._column(raw, heading) for heading in (key, wanted))
                found.update({as_text(one): cell for one, cell in zip(keys, cells, strict=True) if not is_blank(one)})
        return found

    def _note(self, part: Part, rows: TypedRows) -> None:
        """Count what was rejected of the rows of one table in a part, and keep it for the record."""
        shown = part.file.shown
        for rejected in rows.rejected:
            # a row without its key feeds several tables, but it is said once
            place = (rejected.line, rejected.column, rejected.row_text)
            if rejected.scope == "row" and part.is_multiple:
                if place in part.said:
                    continue
                part.said.add(place)
            self.rejected.append((shown, rejected))
        self.unread += [(shown, unread) for unread in rows.unread if unread.job_id]
        count = self.counts[shown]
        for rejected in rows.rejected:
            if rejected.scope == "value":
                count.values_by_table[rows.table.name] = count.values_by_table.get(rows.table.name, 0) + 1
        lines = [rejected.line for rejected in rows.rejected if rejected.scope == "row"]
        counts = count.tables.setdefault(rows.table.name, merging.Counts())
        counts.rejected += len(lines)
        if part.is_multiple:
            fates = [(part.number, line, "rejected", rows.table.name) for line in sorted(set(lines))]
            self.fates_waiting += fates
        else:
            part.fed_lines_rejected += len(lines)

    def _lay_out_straight(self, part: Part, table: Table) -> int | None:
        """Rows of a file that DuckDB reads; those with a cell that is not plainly written are interpreted one by one.

        Returns the line of the first row less its place on the bench; None where DuckDB cannot read the file even with
        its odd lines set apart: it must be read with care as a whole then.
        """
        if part.straight is not None and not self._cast_by_duckdb(part, table):
            if part.file.kind != "csv":
                raise InputError(f"{part.file.shown}: it cannot be read as {part.file.kind}, it may be damaged.")
            was_tidy = part.straight.odd is not None
            part.straight = None
            if not was_tidy:
                part.straight = straight.tidy_csv(self.con, part.file, part.sources[0], self.scratch)
            if part.straight is not None and not self._cast_by_duckdb(part, table):
                part.straight = None
            if part.straight is None:
                self._take_faults(part, self._open(part, self.counts[part.file.shown]).faults)
                return None
            part.n_read = part.straight.n_read
            self._take_faults(part, part.straight.faults)
        opened = part.straight
        assert opened is not None
        first_rowid = self.first_rowid
        raw = _odd_rows(opened, staging.odd_rows(self.con, table, part.number, first_rowid), part.sources[0])
        if raw.height:
            source = part.sources[0]
            feed = interpreting.feeds_of(source)[0]
            marks = interpreting.marks_of(source, [(feed, raw)])
            if opened.decimal_proved is not None:
                marks = Marks({}, marks.order, opened.decimal_proved, marks.order_of_file)
            rows = interpreting.interpret(feed, source, raw, marks, self._context(part, source), keeps_extra=True)
            if table.name in ("readings", "traces"):
                settling.settle_readings(self.con, rows, source, float(self.rules.altitude_ft))
            self._note(part, rows)
            staging.lay_out(self.con, [(part.number, rows)])
        return opened.first_line - first_rowid

    def _cast_by_duckdb(self, part: Part, table: Table) -> bool:
        """Whether DuckDB read the file as it was expected to; its rows are on the bench then, from `first_rowid` on."""
        assert part.straight is not None
        self.first_rowid = staging.bench_height(self.con, table)
        try:
            staging.lay_out_straight(self.con, table, part.straight.cells, part.number)
            if staging.bench_height(self.con, table) - self.first_rowid == part.straight.rows:
                return True
        except duckdb.Error:
            pass
        staging.clear_file(self.con, table, part.number)
        return False

    def _merge(
        self, table: Table, parts: list[Part], offsets: list[tuple[int, int]], spoken: dict[int, tuple[str, ...]]
    ) -> None:
        batch = merging.Batch(
            table,
            self.load_id,
            self.now,
            {part.number: part.file.shown for part in parts},
            offsets,
            spoken,
            self.arrivals,
            keeps_fates=any(part.is_multiple for part in parts),
        )
        if table.name == "traces":
            merging.merge_traces(self.con, batch, self.store)
        else:
            merging.merge(self.con, batch)
        if table.name == "readings":
            self.arrivals += staging.bench_height(self.con, table)
        for part in parts:
            own = batch.counts[part.number]
            into = self.counts[part.file.shown].tables.setdefault(table.name, merging.Counts())
            for fate in FATES:
                into.add(fate, getattr(own, fate))
            if not part.is_multiple:
                count = self.counts[part.file.shown]
                for fate in FATES:
                    setattr(count, fate, getattr(count, fate) + getattr(own, fate))

    # --- the counts

    def _count_parts(self) -> None:
        fates: dict[int, dict[str, int]] = {}
        rank = "case fate when 'new' then 4 when 'changed' then 3 when 'unchanged' then 2 else 1 end"
        for number, best, lines in self.con.execute(
            f"select _file, best, count(*) from (select _file, line, max({rank}) as best from row_fate group by all) "
            "group by all"
        ).fetchall():
            fates.setdefault(number, {})[("rejected", "unchanged", "changed", "new")[best - 1]] = lines
        for part in self.parts:
            count = self.counts[part.file.shown]
            count.read += part.n_read
            count.rejected += part.n_faults + part.fed_lines_rejected
            for fate, lines in fates.get(part.number, {}).items() if part.is_multiple else ():
                setattr(count, fate, getattr(count, fate) + lines)
        for count in self.report.files:
            count.values_rejected = sum(count.values_by_table.values())
            count.passed_over = count.read - count.new - count.changed - count.unchanged - count.rejected
        self.con.execute("drop table row_fate")

    def _write_rejected(self) -> None:
        staging.insert_rows(
            self.con,
            "rejected_row",
            [
                (self.load_id, shown, r.line, r.scope, r.table, r.column, r.value, r.reason, r.row_text)
                for shown, r in self.rejected
            ],
        )
        staging.insert_rows(
            self.con,
            "unread_reading",
            [
                (u.job_id, u.step, u.quantity, u.value, u.reason, self.load_id, shown, u.line)
                for shown, u in self.unread
            ],
        )
        for shown, line, column, value, reason, scope in self.con.execute(
            "select source_file, source_line, column_name, value, reason, scope from rejected_row where load_id = $load "
            "qualify row_number() over (partition by source_file, reason order by source_line) <= 2 "
            "order by source_file, source_line limit 12",
            {"load": self.load_id},
        ).fetchall():
            cell = f', column "{column}": "{value}" {reason}' if column else f": {reason}"
            kept = "The row is taken without it" if scope == "value" else "The row is kept in rejected_row"
            self.report.examples.append(f"{shown}, line {line}{cell}. {kept}; correct it and load the file again.")

    def _write_runs(self) -> None:
        ended = datetime.now().replace(microsecond=0)
        name = self.mapping.name if self.mapping else None
        for count in self.report.files:
            count.sha256 = self.digests[count.source_file].result()
        runs = [
            (self.load_id, self.now, ended, c.source_file, c.size, c.sha256, name, c.read, c.new, c.changed, c.unchanged,
             c.rejected, c.passed_over, c.values_rejected, None, self.standing.meaning)
            for c in self.report.files
        ]  # fmt: skip
        staging.insert_rows(self.con, "load_run", runs)
        staging.insert_rows(
            self.con,
            "load_table",
            [
                (
                    self.load_id,
                    c.source_file,
                    table,
                    n.new,
                    n.changed,
                    n.unchanged,
                    n.rejected,
                    c.values_by_table.get(table, 0),
                )
                for c in self.report.files
                for table, n in c.tables.items()
            ],
        )


def _odd_rows(opened: straight.StraightFile, found: list[tuple[int, list[Any]]], source: Source) -> RawRows:
    """The rows of a file that DuckDB left: cells that are not plainly written, and lines that were set apart."""
    cells_of = [
        (place + opened.first_line, cells)
        for place, cells in found
        if place + opened.first_line not in opened.stand_ins
        and not readers.is_total(cells, source.totals)
        and not all(is_blank(cell) for cell in cells)
    ]
    if opened.odd is not None:
        rows = [list(cells) for cells in zip(*opened.odd.columns.values(), strict=True)]
        cells_of += list(zip(opened.odd.lines, rows, strict=True))
    columns = zip(*(cells for _, cells in cells_of), strict=True) if cells_of else [()] * len(opened.headings)
    return RawRows(
        opened.headings,
        {heading: list(column) for heading, column in zip(opened.headings, columns, strict=True)},
        [line for line, _ in cells_of],
        len(cells_of),
    )


def _layout(source: Source) -> CsvLayout:
    return CsvLayout(
        source.delimiter, source.lines_above, source.lines_below, source.comment, source.headings,
        tuple(word.lower() for word in source.totals),
    )  # fmt: skip
