"""The reports by name: which there are, what may be chosen for each, and how one is made."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dashboard import shown
from dashboard.papers import crew, job, owner, training, typesetting, visits
from dashboard.papers.ledger import Ledger, opened
from pipelines.store import Store

# told what is being done, how much of it has been done and how much there is (0: not known beforehand)
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Choice:
    """What the reader has chosen; what a report does not know is left as it is.

    technician, crew : whose sheets of the crew review.
    month : any day of the month, for the owner's page.
    visits, area, with_address : how many visit cards, of which area, with the site's address or a line for it.
    job : the job's number.
    page_size : "letter" or "a4".
    """

    technician: str | None = None
    crew: str | None = None
    month: dt.date | None = None
    visits: int = 12
    area: str | None = None
    stops: tuple[visits.Stop, ...] | None = None
    with_address: bool = False
    job: str | None = None
    page_size: str = "letter"


def _crew(ledger: Ledger, choice: Choice, gathered: Callable[[int, int], None]) -> dict[str, Any]:
    return crew.content(ledger, choice.technician, choice.crew, gathered)


def _training(ledger: Ledger, choice: Choice, gathered: Callable[[int, int], None]) -> dict[str, Any]:
    return training.content(ledger)


def _owner(ledger: Ledger, choice: Choice, gathered: Callable[[int, int], None]) -> dict[str, Any]:
    return owner.content(ledger, choice.month)


def _visits(ledger: Ledger, choice: Choice, gathered: Callable[[int, int], None]) -> dict[str, Any]:
    stops = None if choice.stops is None else list(choice.stops)
    return visits.content(
        ledger, choice.visits, choice.area, stops, with_address=choice.with_address, gathered=gathered
    )


def _job(ledger: Ledger, choice: Choice, gathered: Callable[[int, int], None]) -> dict[str, Any]:
    return job.content(ledger, choice.job)


@dataclass(frozen=True)
class Report:
    """One kind of report: its title, its file's name, what may be chosen, and what gathers its content."""

    title: str
    file_name: str
    choices: tuple[str, ...]
    content: Callable[[Ledger, Choice, Callable[[int, int], None]], dict[str, Any]]


# the names of the templates too; a visit card's file bears no word that a customer should not read
REPORTS = {
    "crew": Report(crew.TITLE, "crew-review.pdf", ("technician", "crew"), _crew),
    "training": Report(training.TITLE, "training-needs.pdf", (), _training),
    "owner": Report(owner.TITLE, "month.pdf", ("month",), _owner),
    "visits": Report(visits.TITLE, "early-visits.pdf", ("visits", "area", "with_address"), _visits),
    "job": Report(job.TITLE, "job-folder.pdf", ("job",), _job),
}


def make(kind: str, store: Store, choice: Choice | None = None, progress: Progress | None = None) -> bytes:
    """The report as a PDF, in the units, dates and names of House rules, under the house's own name.

    Raises
    ------
    InputError : the store is missing, nothing has been fitted, or the choice fits nothing.
    """
    report = REPORTS[kind]
    choice = choice or Choice()
    tell = progress or (lambda words, done, of: None)
    tell("Gathering", 0, 0)
    with opened(store) as ledger, shown.using(shown.of_house(ledger.rules)):
        house = ledger.rules.house_name
        content = report.content(ledger, choice, lambda done, of: tell("Writing sheets", done, of))
    tell("Setting the type", 0, 0)
    return typesetting.to_pdf(kind, {**content, "house": house}, title=report.title, page_size=choice.page_size)


def write(kind: str, store: Store, to: Path, choice: Choice | None = None, progress: Progress | None = None) -> None:
    """The report as a file that is there whole or not at all."""
    made = make(kind, store, choice, progress)
    to.parent.mkdir(parents=True, exist_ok=True)
    unfinished = to.with_name(f".{to.name}.part")
    unfinished.write_bytes(made)
    unfinished.replace(to)
