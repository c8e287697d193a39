"""Visit cards: for each stop what to take, what to look at first, the cautions, and what to write down.

A customer may see a card, or its file's name and properties: nothing here says why the house was put on the list in a
way that would frighten him, and none of the words of the pages stands on it. Names and telephone numbers of customers are
never read; an address only where it is asked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dashboard import shown, words
from dashboard.papers.ledger import Ledger, by_key
from pipelines.errors import InputError

TITLE = "Early visit"
STOPS_AT_MOST = 500
ALWAYS_TAKE = (
    "two thermometers and a humidity reading",
    "a clamp meter",
    "a manometer",
    "safety glasses and gloves",
)
LOOK_FIRST = (
    "Without gauges: temperatures of return, supply, both lines and outdoors; current and voltage; static pressure.",
    "Filter, coil, blower setting and condensate drain.",
)
FLAMMABLE = ("R-32", "R-454B")
CAUTIONS = {
    "gauges": (
        "Open a port only for a reason, with short hoses: gauges can lose or foul a small charge. Never run or megger a "
        "compressor under vacuum."
    ),
    "pressure": (
        "Dry nitrogen only, never oxygen, acetylene, compressed air or a mixture; through a regulator and a relief or "
        "limiting device, in steps, no higher than the nameplate allows. Stand clear of an open end; let it out outdoors "
        "or well ventilated."
    ),
    "refrigerant": (
        "Recover refrigerant, never vent it; certified staff only (40 CFR 82). It displaces air: ventilate. Gloves and "
        "goggles where oil may come out."
    ),
    "flammable": (
        "A2L refrigerant: no flame or halide torch near it; recover, evacuate and purge with inert gas before a flame; "
        "pump outlet away from ignition; ventilate."
    ),
    "electricity": "Lock out power before electrical work; live readings by qualified staff.",
}
FIRST = "The maker's instructions, the local code and licensed practice come first, whatever this card says."

_STOPS = """
    select r.system_id, r.job_id, r.area, r.warranty_until, r.last_seen_on, r.check_on_visit,
        s.equipment::varchar as equipment, s.refrigerant::varchar as refrigerant, s.nominal_tons,
        s.metering::varchar as metering, s.model, j.finished_on, j.line_set_ft, site.label, site.address
    from install_risk r
    left join staged_system s on s.system_id = r.system_id
    left join staged_job j on j.job_id = r.job_id
    left join staged_site site on site.site_id = r.site_id
    where r.horizon_months = (select min(horizon_months) from install_risk) and {which}
    order by r.rank, r.system_id limit {at_most}
"""
WRITE_DOWN = (
    ("Outdoor", "degF"), ("Return dry bulb", "degF"), ("Return wet bulb", "degF"), ("Supply", "degF"),
    ("Suction line", "degF"), ("Liquid line", "degF"), ("Return static", "inwc"), ("Supply static", "inwc"),
    ("Blower setting", ""), ("Current", "A"), ("Plate's rating", "A"), ("Voltage", "V"), ("Suction", "psig"),
    ("Liquid", "psig"), ("Gauges put on because", ""),
)  # fmt: skip
# what a reading of today is worth comparing with
COMPARED = (
    "return_static", "supply_static", "airflow", "charge_weight", "suction_pressure", "suction_temperature",
    "liquid_pressure", "liquid_temperature", "compressor_current", "outdoor_dry_bulb",
)  # fmt: skip
_MEASURED = """
    select r.job_id, r.quantity::varchar as quantity, list_position($compared::varchar[], r.quantity::varchar) as place, r.unit::varchar as unit,
        arg_max(r.value, r.reading_order) as value
    from staged_reading r join (select unnest($jobs::varchar[]) as job_id) shown using (job_id)
    where r.value is not null and list_contains($compared::varchar[], r.quantity::varchar)
    group by all
"""


@dataclass(frozen=True)
class Stop:
    """One stop of a plan: the system, and day and time as they shall stand on the card (both may be empty)."""

    system_id: str
    day: str = ""
    slot: str = ""


def content(
    ledger: Ledger,
    visits: int = 12,
    area: str | None = None,
    stops: list[Stop] | None = None,
    *,
    with_address: bool = False,
    gathered: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Everything that the template prints.

    visits, area : how many cards, in the order of the benefit of a visit, and of which area.
    stops : the stops of a plan instead, in their own order.
    with_address : print each site's address; else a line to write it on.

    Raises
    ------
    InputError : the list has not been worked out, or nothing fits the choice.
    """
    ledger.need("install_risk")
    rows = _rows(ledger, visits, area, stops)
    if not rows:
        raise InputError("No system in service fits this choice, so there is no card to print.")
    jobs = list({row["job_id"] for row, _ in rows if row["job_id"]})
    measured = by_key(ledger.ask(_MEASURED, jobs=jobs, compared=list(COMPARED)).sort("place"), "job_id")
    cards = []
    for place, (row, stop) in enumerate(rows, start=1):
        cards.append(_card(row, stop, measured.get(row["job_id"], []), with_address))
        if gathered:
            gathered(place, len(rows))
    return {
        "head": TITLE,
        "stamp": f"as of {words.date(ledger.as_of())}",
        "foot": FIRST,
        "cards": cards,
        "write_down": _write_down(),
    }


def _write_down() -> list[str]:
    """The fields of a card, each with the unit that is shown now."""
    return [f"{what} {words.unit(shown.shown_unit(unit))}".strip() for what, unit in WRITE_DOWN]


def _rows(
    ledger: Ledger, visits: int, area: str | None, stops: list[Stop] | None
) -> list[tuple[dict[str, Any], Stop | None]]:
    if stops is None:
        sql = _STOPS.format(which="($area is null or r.area = $area)", at_most=min(max(int(visits), 1), STOPS_AT_MOST))
        return [(row, None) for row in ledger.ask(sql, area=area).iter_rows(named=True)]
    sql = _STOPS.format(which="list_contains($systems::varchar[], r.system_id)", at_most=STOPS_AT_MOST)
    found = by_key(ledger.ask(sql, systems=[stop.system_id for stop in stops]), "system_id")
    return [(found[stop.system_id][0], stop) for stop in stops if stop.system_id in found]


def _card(row: dict[str, Any], stop: Stop | None, measured: list[dict[str, Any]], with_address: bool) -> dict[str, Any]:
    look, take = looked_at_and_taken(row["check_on_visit"])
    refrigerant = row["refrigerant"]
    names = ["electricity", "gauges", "refrigerant", *(["flammable"] if refrigerant in FLAMMABLE else []), "pressure"]
    return {
        "title": row["label"] or f"System {row['system_id']}",
        "when": " ".join(part for part in (stop.day, stop.slot) if part) if stop else "",
        "address": (row["address"] or "") if with_address else "",
        "facts": _facts(row),
        "take": list(dict.fromkeys([*ALWAYS_TAKE, *take])),
        "look": [*LOOK_FIRST, *look],
        "on_file": [
            f"{words.quantity(found['quantity'])} {words.measured(found['value'], found['unit'], figures=3)}"
            for found in measured
        ],
        "cautions": [CAUTIONS[name] for name in names],
        "first": FIRST,
    }


def _facts(row: dict[str, Any]) -> list[list[str]]:
    tons = f"{words.number(row['nominal_tons'])} tons" if row["nominal_tons"] is not None else None
    line = f"{words.number(row['line_set_ft'], 0)} ft" if row["line_set_ft"] is not None else None
    pairs = [
        ("System", row["system_id"]),
        ("Area", row["area"]),
        ("Equipment", ", ".join(filter(None, (words.EQUIPMENT.get(row["equipment"] or ""), tons, row["model"])))),
        ("Refrigerant", row["refrigerant"] or "not recorded: read the nameplate"),
        ("Metering", words.metering(row["metering"]) if row["metering"] else None),
        ("Line set", line),
        ("Put in", words.date(row["finished_on"]) if row["finished_on"] else None),
        ("Last seen", words.date(row["last_seen_on"]) if row["last_seen_on"] else None),
        ("Maker's warranty until", words.date(row["warranty_until"]) if row["warranty_until"] else None),
        ("Job on file", row["job_id"]),
    ]
    return [[name, value] for name, value in pairs if value]


def looked_at_and_taken(check_on_visit: str | None) -> tuple[list[str], list[str]]:
    """What to look at and what to take, each once, from the list's own text ("look; take; look; take")."""
    look: list[str] = []
    take: list[str] = []
    for part in (part.strip() for part in (check_on_visit or "").split(";")):
        if part.startswith("take "):
            # "a scale and the plate's charge" are two things, "an acid and moisture test kit" is one
            take += re.split(r", | and (?=an? |the )", part[5:])
        elif part:
            look.append(part)
    return list(dict.fromkeys(look)), list(dict.fromkeys(take))
