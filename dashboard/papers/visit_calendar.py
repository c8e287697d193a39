"""A plan of early visits as a calendar after RFC 5545, to be taken into any calendar program.

A customer may come to see an entry: it carries the house's own name or none, and says "Early visit", nothing else of why.
Times are local without a zone ("floating", RFC 5545 3.3.5): eight o'clock is eight o'clock where the visit is.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re

from icalendar import Calendar, Event

from dashboard.papers import planning
from dashboard.papers.planning import Made

TITLE = "Early visit"
MIME = "text/calendar"


def as_calendar(made: Made, house_name: str = "") -> bytes:
    """The plan, one event for each visit, as the bytes of an .ics file."""
    calendar = Calendar()
    name = " ".join(house_name.split())
    calendar.add("prodid", f"-//{name}//Early visits//EN" if name else "-//Early visits//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    starts = planning.slot_starts(made.asked.slots_a_day)
    length = dt.timedelta(minutes=planning.visit_min(made.asked.slots_a_day))
    written_at = dt.datetime.now(dt.UTC).replace(microsecond=0)
    for row in made.visits.iter_rows(named=True):
        event = Event()
        begins = dt.datetime.combine(row["day"], starts[row["slot"] - 1])
        event.add("uid", _uid(made.plan_id, row["system_id"], name))
        event.add("dtstamp", written_at)
        event.add("dtstart", begins)
        event.add("dtend", begins + length)
        event.add("summary", TITLE)
        if row["area"]:
            event.add("location", f"Area {row['area']}")
        event.add("description", "\n".join(_description(row)))
        calendar.add_component(event)
    return calendar.to_ical()


def _uid(plan_id: str, system_id: str, name: str) -> str:
    """The same visit of the same plan keeps its id, so that a calendar taken in twice holds it once."""
    own = hashlib.sha256(f"{plan_id}\t{system_id}".encode()).hexdigest()[:32]
    place = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
    return f"{own}@{place}" if place else own


def _description(row: dict) -> list[str]:
    job = [f"Job on file {row['job_id']}"] if row["job_id"] else []
    return [f"System {row['system_id']}", *job]
