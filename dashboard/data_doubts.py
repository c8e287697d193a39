"""What is asked about records worth a second look."""

from __future__ import annotations

import datetime as dt

import polars as pl

from dashboard import data
from pipelines.entries import Entries


def doubts() -> pl.DataFrame | None:
    """The table `record_doubt`, the least likely first; None where it has not been worked out."""
    if "record_doubt" not in data.tables():
        return None
    return data.ask("select * from record_doubt order by probability, technician_id, step, kind limit 200")


def answers() -> dict[tuple[str, str, str], tuple[str, dt.date]]:
    """What was said to each reason: (technician_id, step, kind) to the words and the day."""
    entries: Entries = data.entries()
    return {subject: (said, dt.date.fromisoformat(day)) for subject, (said, day) in entries.doubts_answered().items()}


def name_of(technician_id: str) -> str:
    found = data.ask(
        "select coalesce(nullif(any_value(name), ''), $technician) as name from staged_technician "
        "where technician_id = $technician",
        technician=technician_id,
    )
    return str(found["name"][0] or technician_id)
