"""What `slowfuse plan` does: reads what was asked for, writes the plan as the file's ending says, and keeps it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

from dashboard import shown, words
from dashboard.papers import planning, reports
from dashboard.papers.ledger import opened
from dashboard.papers.planning import Asked, Made
from pipelines import visit_entries
from pipelines.entries import Entries
from pipelines.errors import InputError
from pipelines.store import Store

ENDINGS = (".csv", ".xlsx", ".ics", ".pdf")


def asked(
    between: tuple[dt.date, dt.date],
    slots: int,
    visits: int | None,
    areas: Sequence[str],
    own: Sequence[str],
    home: str | None,
    warranty_months: int | None = None,
) -> Asked:
    """What the words of a command ask for. home : "38.7, -97.1"."""
    return Asked(*between, slots, visits, tuple(areas), tuple(own), place(home), warranty_months)


def place(text: str | None) -> tuple[float, float] | None:
    """Latitude and longitude from "38.7, -97.1"; None for an empty text.

    Raises
    ------
    InputError : it is no such pair.
    """
    if not (text or "").strip():
        return None
    try:
        latitude, longitude = (float(part) for part in str(text).split(","))
    except ValueError as error:
        raise InputError(f"{text!r} is no place; write latitude and longitude as 38.7, -97.1.") from error
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise InputError(f"{text!r} is no place on earth: latitude -90 to 90, longitude -180 to 180.")
    return latitude, longitude


def write(store: Store, wanted: Asked, to: Path, *, keep: bool) -> list[str]:
    """Write the plan to a file that is there whole or not at all, and give back what is to be said of it."""
    ending = to.suffix.lower()
    if ending not in ENDINGS:
        raise InputError(f"{to}: the ending {ending or '(none)'} is not known. Use one of {', '.join(ENDINGS)}.")
    with opened(store) as ledger, shown.using(shown.of_house(ledger.rules)):
        made = planning.make(ledger, wanted)
        said = planning.summary(made)
        if made.visits.is_empty():
            raise InputError(said[0])
        content = as_bytes(store, made, ledger.rules.house_name, ending)
    to.parent.mkdir(parents=True, exist_ok=True)
    unfinished = to.with_name(f".{to.name}.part")
    unfinished.write_bytes(content)
    unfinished.replace(to)
    if keep:
        kept = visit_entries.keep(Entries(store.entries_file), planning.as_kept(made))
        said.append(f"Kept as {kept.plan_id}: on the pages at once, in exports from the next load or fit on.")
    return [*said, f"{to}: {words.counted(made.visits.height, 'visit')}"]


def as_bytes(store: Store, made: Made, house_name: str, ending: str) -> bytes:
    """The plan as the bytes of a file. ending : of ENDINGS; .pdf holds a card for each visit."""
    if ending == ".ics":
        from dashboard.papers import visit_calendar

        return visit_calendar.as_calendar(made, house_name)
    if ending == ".pdf":
        return reports.make("visits", store, reports.Choice(stops=planning.stops(made)))
    return planning.as_sheet(made, house_name, ending[1:])
