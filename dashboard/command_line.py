"""The command `slowfuse`: asks the pipelines and the models, prints what a person needs to know, works nothing out.

Exit codes: 0 done; 1 the input's fault (one clear message, no traceback); 2 wrong usage; 3 `load --strict` rejected
something. Anything else is ours and keeps its traceback.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.errors import InputError, StoreBusyError
from pipelines.store import FOLDER_VARIABLE, Store

if TYPE_CHECKING:
    from rich.console import Console

    from pipelines.backup import Contents

DEMO_INSTALLS = 8_000
DEMO_SEED = 104
DEFAULT_PORT = 8501

app = typer.Typer(
    name="slowfuse",
    help="Judges every commissioning step from what was measured, and names the installs to visit before they fail.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


class ReportKind(StrEnum):
    crew = "crew"
    training = "training"
    owner = "owner"
    visits = "visits"
    job = "job"


class PageSize(StrEnum):
    letter = "letter"
    a4 = "a4"


StoreOption = Annotated[
    Path | None, typer.Option("--store", help=f"Folder of the store. Default: ${FOLDER_VARIABLE}, then ./fleet.")
]
PortOption = Annotated[int, typer.Option("--port", min=1, max=65535, help="Port of the pages.")]


@app.command()
def demo(
    store: StoreOption = None,
    installs: Annotated[
        int, typer.Option("--installs", min=1, max=2_000_000, help="Installs to invent.")
    ] = DEMO_INSTALLS,
    no_dashboard: Annotated[bool, typer.Option("--no-dashboard", help="Do not open the pages at the end.")] = False,
    port: PortOption = DEFAULT_PORT,
) -> None:
    """Make an invented fleet, load it, fit, and open the pages."""
    import tempfile

    place = Store.locate(store)
    _refuse_a_store_of_own_records(place)
    with tempfile.TemporaryDirectory(prefix="slowfuse-demo-") as folder:
        with _step(f"Inventing {installs:,} installs"):
            from synthetic_data import fleet, write

            made = fleet.make_fleet(installs=installs, seed=DEMO_SEED, as_of=date.today())
            write.write_contract(made, Path(folder))
        _load(place, [Path(folder)], None, strict=False, dry_run=False)
    _fit(place, None)
    (place.folder / DEMO_MARK).write_text("This store holds an invented fleet. `slowfuse demo` may replace it.\n")
    if not no_dashboard:
        _open_pages(place, port)


@app.command()
def load(
    paths: Annotated[list[Path] | None, typer.Argument(help="Files or folders to load.", metavar="PATH...")] = None,
    mapping: Annotated[Path | None, typer.Option("--mapping", help="Mapping file (TOML).")] = None,
    store: StoreOption = None,
    no_fit: Annotated[bool, typer.Option("--no-fit", help="Leave the statistics as they were.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit 3 if anything was rejected.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would happen and change nothing.")] = False,
    undo: Annotated[str | None, typer.Option("--undo", metavar="LOAD_ID", help="Take a load back.")] = None,
) -> None:
    """Load exports; may be run again and again with overlapping files. --undo takes a load back."""
    place = Store.locate(store)
    if undo is not None:
        if paths or mapping is not None or dry_run:
            raise typer.BadParameter("--undo stands alone: it takes no files, no mapping and no --dry-run")
        from pipelines import undo as undoing

        place.current_file()
        report = undoing.undo(place, undo, _entries(place).house_rules(), say=_say)
        _print(report.render())
        rejected_any = False
    else:
        if not paths:
            raise typer.BadParameter("name the files or folders to load, or --undo LOAD_ID")
        rejected_any = _load(place, paths, mapping, strict=strict, dry_run=dry_run)
    if not no_fit and not dry_run:
        _fit(place, None)
    if strict and rejected_any:
        raise typer.Exit(3)


@app.command("map")
def map_(
    paths: Annotated[list[Path], typer.Argument(help="Files or folders to look at.", metavar="PATH...")],
    to: Annotated[Path, typer.Option("--to", help="Mapping file to write (TOML).")],
) -> None:
    """Propose a mapping for an export that is not in the contract's headings; read it before you load with it."""
    from pipelines import proposal

    proposed = proposal.propose(paths)
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_text(proposed.to_toml(), encoding="utf-8")
    _print(proposed.render())
    _print(f"\nWritten to {to}. Read it, answer what it asks, then: slowfuse load {_shown(paths)} --mapping {to}")


@app.command()
def fit(
    store: StoreOption = None,
    as_of: Annotated[
        str | None, typer.Option("--as-of", metavar="DATE", help="Use only what was known on that day.")
    ] = None,
    with_cells: Annotated[
        list[Path] | None,
        typer.Option(
            "--with-cells",
            metavar="FILE...",
            help="Cells of other contractors, as `slowfuse export shared_cell` writes them: their evidence on what goes "
            "with a step is pooled with ours.",
        ),
    ] = None,
    more_cells: Annotated[list[Path] | None, typer.Argument(hidden=True)] = None,
) -> None:
    """Work out compliance, step effects, risk, costs and training needs from the store's records."""
    if more_cells and not with_cells:
        raise typer.BadParameter(f"{_shown(more_cells)} is not expected here; files of cells come after --with-cells")
    day = _day(as_of) if as_of else None
    place = Store.locate(store)
    place.current_file()
    _fit(place, day, [*(with_cells or []), *(more_cells or [])])


@app.command()
def export(
    table: Annotated[str | None, typer.Argument(help="Table to write.")] = None,
    to: Annotated[Path | None, typer.Option("--to", help="File ending in .parquet, .csv, .xlsx or .jsonl.")] = None,
    store: StoreOption = None,
    where: Annotated[
        str | None, typer.Option("--where", metavar="SQL", help="Condition on the table's columns.")
    ] = None,
    list_: Annotated[bool, typer.Option("--list", help="Name the tables, columns, units and meanings.")] = False,
) -> None:
    """Write a table to a file."""
    from pipelines import export as exporting

    if list_:
        for name in exporting.table_names():
            _print(f"\n{name}")
            for row in (meaning for meaning in exporting.meanings() if meaning.table == name):
                unit = f" [{row.unit}]" if row.unit else ""
                _print(f"  {row.column}{unit}: {row.meaning}")
        return
    if table is None or to is None:
        raise typer.BadParameter("name a table and --to FILE, or ask for --list")
    rows = exporting.export(Store.locate(store).read(), table, to, where)
    _print(f"{to}: {rows:,} rows of {table}")


@app.command()
def report(
    kind: Annotated[ReportKind, typer.Argument(help="Which report.", case_sensitive=False)],
    to: Annotated[Path, typer.Option("--to", help="File ending in .pdf.")],
    store: StoreOption = None,
    technician: Annotated[str | None, typer.Option("--technician", metavar="ID", help="crew: only his sheet.")] = None,
    crew: Annotated[str | None, typer.Option("--crew", metavar="NAME", help="crew: only this crew's sheets.")] = None,
    month: Annotated[
        str | None, typer.Option("--month", metavar="YYYY-MM", help="owner: which month. Default: the last whole one.")
    ] = None,
    visits: Annotated[int | None, typer.Option("--visits", min=1, max=500, help="visits: how many cards [12].")] = None,
    area: Annotated[str | None, typer.Option("--area", help="visits: only this area.")] = None,
    with_address: Annotated[bool, typer.Option("--with-address", help="visits: print each site's address.")] = False,
    job: Annotated[str | None, typer.Option("--job", metavar="ID", help="job: which one. Default: the newest.")] = None,
    page_size: Annotated[PageSize, typer.Option("--page-size", help="Paper to print on.")] = PageSize.letter,
) -> None:
    """Print a report as PDF: crew sheets, training needs, the owner's month, visit cards or a job's folder."""
    from dashboard.papers import reports

    if to.suffix.lower() != ".pdf":
        raise InputError(f"{to}: a report is a PDF; let the file's name end in .pdf.")
    asked = {
        "technician": technician, "crew": crew, "month": _day(f"{month}-01") if month else None, "visits": visits,
        "area": area, "with_address": with_address or None, "job": job,
    }  # fmt: skip
    given = {name: value for name, value in asked.items() if value is not None}
    strange = [f"--{name.replace('_', '-')}" for name in given if name not in reports.REPORTS[kind.value].choices]
    if strange:
        raise typer.BadParameter(f"{', '.join(strange)} does not belong to the report {kind.value}")
    started = time.perf_counter()
    with _progress() as tell:
        choice = reports.Choice(page_size=page_size.value, **given)
        reports.write(kind.value, Store.locate(store), to, choice, tell)
    _print(f"{to}: {reports.REPORTS[kind.value].title}, {time.perf_counter() - started:.1f} s")


@app.command()
def plan(
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="File ending in .csv, .xlsx, .ics or .pdf (cards).")],
    slots: Annotated[int, typer.Option("--slots", min=1, max=24, help="Visits a day.")],
    days: Annotated[str | None, typer.Option("--days", metavar="FROM..UNTIL", help="Stretch of days.")] = None,
    first: Annotated[str | None, typer.Option("--from", metavar="DATE", help="First day, in place of --days.")] = None,
    last: Annotated[str | None, typer.Option("--until", metavar="DATE", help="Last day, in place of --days.")] = None,
    visits: Annotated[int | None, typer.Option("--visits", min=1, max=500, help="Visits in all, at most.")] = None,
    area: Annotated[list[str] | None, typer.Option("--area", help="Only this area; may be said again.")] = None,
    own: Annotated[list[str] | None, typer.Option("--own", metavar="SYSTEM", help="Taken whatever its rank.")] = None,
    home: Annotated[str | None, typer.Option("--home", metavar="LAT,LON", help="Where the days begin.")] = None,
    warranty: Annotated[
        int | None,
        typer.Option("--warranty", min=1, metavar="MONTHS", help="Only where it ends within so many months."),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the plan, so that it can be told what came of it.")
    ] = False,
    store: StoreOption = None,
) -> None:
    """Plan early visits: the best ones by rank, a known part by lot, as CSV, XLSX, calendar or cards."""
    from dashboard import planned_visits

    between = _stretch(days, first, last)
    asked = planned_visits.asked(between, slots, visits, area or [], own or [], home, warranty)
    with _step("Planning"):
        said = planned_visits.write(Store.locate(store), asked, to, keep=keep)
    _print("\n".join(said))


@app.command()
def sheet(
    to: Annotated[Path, typer.Option("--to", help="File ending in .xlsx or .pdf.")],
    store: StoreOption = None,
    paper: Annotated[str, typer.Option("--paper", help="letter or a4, for .pdf.")] = "letter",
) -> None:
    """A blank commissioning sheet with limits and cautions; filled in, the workbook loads back with no mapping."""
    from dashboard import blank_sheet
    from pipelines.house_rules import HouseRules

    place = Store.locate(store)
    rules = _entries(place).house_rules() if place.exists() else HouseRules()
    ending = to.suffix.lower()
    if ending not in (".xlsx", ".pdf"):
        raise InputError(f"{to}: the ending {ending or '(none)'} is not known. Use .xlsx or .pdf.")
    if paper not in ("letter", "a4"):
        raise typer.BadParameter("the paper is letter or a4")
    to.parent.mkdir(parents=True, exist_ok=True)
    if ending == ".xlsx":
        blank_sheet.write_xlsx(to, rules)
    else:
        to.write_bytes(blank_sheet.to_pdf(rules, paper))
    _print(f"{to}: a blank commissioning sheet, {len(blank_sheet.lines(rules))} readings over nine steps")


@app.command()
def dashboard(
    store: StoreOption = None,
    port: PortOption = DEFAULT_PORT,
    address: Annotated[str, typer.Option("--address", help="Address to serve on.")] = "127.0.0.1",
) -> None:
    """Open the pages."""
    _open_pages(Store.locate(store), port, address)


@app.command()
def check(store: StoreOption = None) -> None:
    """Is the store whole, and are its versions right?"""
    from pipelines import wholeness

    findings = wholeness.check(Store.locate(store))
    for finding in findings:
        _print(finding.sentence)
    if any(not finding.is_right for finding in findings):
        raise typer.Exit(1)


@app.command()
def brief(
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Jobs finished since that day. Default: 90 days.")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", help="File ending in .html or .txt; else it is printed.")] = None,
    html: Annotated[bool, typer.Option("--html", help="Print HTML, to be mailed.")] = False,
    store: StoreOption = None,
) -> None:
    """The morning in at most ten lines: what must be gone back to, what landed, what did not arrive."""
    from dashboard import brief as briefing

    ending = to.suffix.lower() if to else ""
    if to and ending not in (".html", ".txt"):
        raise InputError(f"{to}: the ending {ending or '(none)'} is not known. Use .html or .txt.")
    lines = briefing.lines(Store.locate(store), _day(since) if since else None)
    said = briefing.to_html(lines) if html or ending == ".html" else briefing.to_text(lines)
    if to is None:
        _print(said)
        return
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_text(said, encoding="utf-8")
    _print(f"{to}: the morning in {len(lines)} lines")


@app.command()
def backup(
    to: Annotated[Path, typer.Option("--to", help="File to write (.zip).")],
    store: StoreOption = None,
) -> None:
    """Write the store and all that people have entered to one file."""
    from pipelines import backup as backing

    place = Store.locate(store)
    with _step("Backing up"):
        contents = backing.back_up(place, to)
    _print(f"{to}: {_held(contents)}")


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="A backup.", metavar="FILE")],
    store: StoreOption = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Move aside a store that is not empty, and put the backup there.")
    ] = False,
) -> None:
    """Put a backup in the store's place, after every part of it was held against its SHA-256."""
    from pipelines import backup as backing

    place = Store.locate(store)
    with _step("Restoring"):
        contents, aside = backing.restore(file, place, replace=replace)
    _print(f"{place.folder}: {_held(contents)}, backed up {contents.made_at}")
    if aside is not None:
        _print(f"The store that was there is now {aside}.")


def main() -> None:
    """Run the command; an input's fault ends with one message and exit code 1."""
    try:
        app(standalone_mode=True)
    except InputError as error:
        command = sys.argv[1] if len(sys.argv) > 1 else ""
        print(f"slowfuse {command}: {error}", file=sys.stderr)
        sys.exit(1)


# --- what the commands share

DEMO_MARK = "invented-fleet.txt"


def _refuse_a_store_of_own_records(place: Store) -> None:
    """The demo replaces only a store that a demo made: it must never mix an invented fleet into real records."""
    import shutil

    if not place.exists():
        return
    if not (place.folder / DEMO_MARK).exists():
        raise InputError(
            f"{place.folder} already holds records that no demo made. Name another folder with --store for the demo."
        )
    shutil.rmtree(place.folder)


def _load(place: Store, paths: list[Path], mapping_file: Path | None, *, strict: bool, dry_run: bool) -> bool:
    """Load and print the counts; True if anything was rejected."""
    from pipelines import loading
    from pipelines import mapping as mappings

    try:
        missing = [path for path in paths if not path.exists()]
        if missing:
            raise InputError(f"{_shown(missing)}: no such file or folder.")
        chosen = mappings.read_mapping(mapping_file) if mapping_file else None
        with _step("Loading and grading"):
            report = loading.load(
                place, paths, chosen, _entries(place).house_rules(), strict=strict, dry_run=dry_run, say=_say
            )
    except StoreBusyError:
        raise  # somebody else's load is running, and will end as it ends
    except InputError as error:
        if not dry_run:  # nobody may be watching a nightly load: the pages say that it failed
            place.note_failure("load", str(error))
        raise
    _print(report.render())
    if report.is_useless:
        if not dry_run:
            place.note_failure("load", "Every row was rejected, or no file could be used.")
        raise typer.Exit(1)
    return report.rejected_any


def _fit(place: Store, as_of: date | None, cell_files: Sequence[Path] = ()) -> None:
    from models import fit as fitting
    from pipelines import cells, entries, regrading, shared_cells

    with _step("Fitting"), place.write("fit") as con:
        own = _entries(place)
        rules = own.house_rules()
        if regrading.is_needed(con, own, rules):
            regrading.regrade(con, place, rules)
        entries.join_into(con, own, rules)
        cells.make_cells(con, rules, as_of)
        others = shared_cells.read(cell_files, con) if cell_files else []
        shared = [(other.exposure, other.events) for other in others]
        fitting.fit(con, rules, as_of=as_of, say=_say, shared=shared)


def _open_pages(place: Store, port: int, address: str = "127.0.0.1") -> None:
    """Serve the pages until they are stopped."""
    page = Path(__file__).parent / "app.py"
    environment = {**os.environ, FOLDER_VARIABLE: str(place.folder.resolve())}
    command = [
        sys.executable, "-m", "dashboard.serving", str(page),
        "--server.port", str(port), "--server.address", address,
        "--browser.gatherUsageStats", "false",
    ]  # fmt: skip
    _print(f"The pages open at http://{address}:{port} (stop with Ctrl-C).")
    try:
        code = subprocess.run(command, env=environment, check=False, cwd=Path(__file__).parent.parent).returncode
    except KeyboardInterrupt:
        code = 0
    if code not in (0, -2, 130):
        raise InputError(f"The pages could not be served on {address}:{port}; try another --port.")


def _entries(place: Store):
    from pipelines.entries import Entries

    return Entries(place.entries_file)


def _held(contents: Contents) -> str:
    """What a backup holds, in words."""
    generation = f"generation {contents.pointer.generation}" if contents.pointer else "no generation yet"
    return (
        f"{generation}, {contents.entries:,} entries of people, {len(contents.parts)} files, "
        f"{contents.bytes / 1e6:,.1f} MB"
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no date; write it as 2025-12-31") from error


def _stretch(days: str | None, first: str | None, last: str | None) -> tuple[date, date]:
    """The first and last day, said as FROM..UNTIL or apart."""
    if days is not None:
        if first or last:
            raise typer.BadParameter("name the days as --days FROM..UNTIL or as --from and --until, not both")
        first, _, last = days.partition("..")
    if not first or not last:
        raise typer.BadParameter("name the days: --days 2026-04-06..2026-04-17, or --from and --until")
    return _day(first), _day(last)


def _shown(paths: list[Path]) -> str:
    return " ".join(str(path) for path in paths)


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """A bar on stderr that is told what is being done, how much of it is done and of how much (0: not known).

    Where stderr is no terminal (a log, another program) each new doing is said in a line instead.
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn

    if not _console(stderr=True).is_terminal:
        said: list[str] = []

        def say_once(words: str, done: int, of: int) -> None:
            if words not in said:
                said.append(words)
                _say(f"{words} ...")

        yield say_once
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=_console(stderr=True), transient=True) as bar:
        task = bar.add_task("")

        def tell(words: str, done: int, of: int) -> None:
            bar.update(task, description=words, completed=done, total=of or None)

        yield tell


class _step:
    """Say what is being done, and how long it took, on stderr: stdout stays for results."""

    def __init__(self, words: str) -> None:
        self.words = words

    def __enter__(self) -> None:
        self.started = time.perf_counter()
        _say(f"{self.words} ...")

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if kind is None:
            _say(f"{self.words}: done in {time.perf_counter() - self.started:.1f} s")


def _say(words: str) -> None:
    _console(stderr=True).print(words, markup=False, highlight=False, soft_wrap=True)


def _print(words: str) -> None:
    _console(stderr=False).print(words, markup=False, highlight=False, soft_wrap=True)


_consoles: dict[bool, Console] = {}


def _console(*, stderr: bool) -> Console:
    if stderr not in _consoles:
        from rich.console import Console

        _consoles[stderr] = Console(stderr=stderr)
    return _consoles[stderr]


if __name__ == "__main__":
    main()
