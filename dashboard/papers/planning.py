"""A plan of early visits from what somebody asks for, the same for the pages and for `slowfuse plan`.

It gathers the systems that a visit is worth, leaves out those that were visited or stand in a kept plan, takes first
whoever has a return for safety open, has the plan made (`models.visit_plan`), and turns it into rows, files and entries.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from dashboard import take_away, words
from dashboard.papers.ledger import Ledger
from dashboard.papers.visits import Stop
from models.visit_plan import Plan, Wishes, plan_visits
from pipelines import visit_entries
from pipelines.arrivals import WEEKDAYS
from pipelines.entries import Entries
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules
from pipelines.visit_entries import KeptPlan

VISITED_WITHIN_DAYS = 365
DAYS_AT_MOST = 400
SLOTS_A_DAY_AT_MOST = 24
VISITS_AT_MOST = 500
# a warranty that ends so soon stands out: a failure before its end is the maker's to pay
WARRANTY_SOON_DAYS = 183
FIRST_AT = dt.time(8, 0)
WORKING_MIN = 9 * 60
VISIT_MIN_AT_MOST = 120
QUARTER_MIN = 15
FILE_NAME = "early-visits"
SEASONS = {"first_heat": "before the first heat", "first_frost": "before the first frost"}

_RECENT = (
    "select distinct system_id from staged_call where call_kind::varchar = 'proactive' "
    "and opened_on > $first - $within::integer and opened_on <= $first"
)
# the best ones by rank, and those that are taken whatever their rank; the plan looks at no more
_CANDIDATES = f"""
    with named as (select unnest($named::varchar[]) as system_id),
    left_out as (select unnest($already::varchar[]) as system_id union {_RECENT})
    select r.system_id, r.job_id, r.area, site.latitude, site.longitude, r.visit_benefit, r.probability, r.rank,
        r.warranty_until, r.last_seen_on, r.reasons, r.check_on_visit, s.equipment::varchar as equipment,
        count(*) filter (r.visit_benefit > 0) over () as worth
    from install_risk r
    left join staged_site site on site.site_id = r.site_id
    left join staged_system s on s.system_id = r.system_id
    where r.horizon_months = (select min(horizon_months) from install_risk)
        and (r.system_id in (from named) or (r.visit_benefit > 0 and r.system_id not in (from left_out)
            and ($any_area or list_contains($areas::varchar[], r.area))
            and ($warranty_months is null or (r.warranty_until >= r.as_of
                and r.warranty_until < r.as_of + to_months($warranty_months::integer)))))
    order by r.system_id in (from named) desc, r.rank, r.system_id
    limit $most
"""


@dataclass(frozen=True)
class Asked:
    """What somebody asks for.

    first, last : the stretch of days, both counted; working days of House rules are planned. slots_a_day : visits a day.
    at_most : visits in all; None for every slot. areas : only these; empty for all. own_choice : systems that are taken
    whatever their rank. home : latitude and longitude; None takes that of House rules. warranty_months : only systems whose
    maker's warranty ends within so many months; None for all.
    """

    first: dt.date
    last: dt.date
    slots_a_day: int = 4
    at_most: int | None = None
    areas: tuple[str, ...] = ()
    own_choice: tuple[str, ...] = ()
    home: tuple[float, float] | None = None
    warranty_months: int | None = None


@dataclass(frozen=True)
class Made:
    """A plan and what it rests on.

    visits : rows of `visit_plan` with area, latitude, longitude, warranty_until, reasons, check_on_visit, job_id, equipment.
    worth : systems that a visit is worth and that nobody has visited or planned, the unsafe among them.
    unsafe : systems with a return for safety open on the list; unsafe_left : of these found no slot.
    elsewhere : unsafe systems that stand on no list. saving : money that a visit can put right, for each candidate.
    plan_id : of a kept plan; a plan that was just made has the id that it would be kept under.
    """

    asked: Asked
    made_on: dt.date
    seed: int
    plan: Plan
    visits: pl.DataFrame
    candidates: pl.DataFrame
    worth: int
    unsafe: int
    unsafe_left: int
    elsewhere: int
    slots: int
    saving: dict[str, float]
    plan_id: str = ""

    @property
    def by_lot(self) -> int:
        return self.visits.filter(pl.col("chosen_by") == "lot").height

    @property
    def lot_chance(self) -> float | None:
        return float(self.plan.pool["chance"][0]) if self.by_lot else None


# --- days


def working_days(first: dt.date, last: dt.date, rules: HouseRules) -> tuple[dt.date, ...]:
    """The house's working days from first to last, both counted, at most DAYS_AT_MOST of them."""
    works = {WEEKDAYS.index(day) for day in rules.working_days}
    days = (first + dt.timedelta(days=n) for n in range(max(0, (last - first).days + 1)))
    return tuple(day for day in days if day.weekday() in works)[:DAYS_AT_MOST]


def seasons(rules: HouseRules, today: dt.date) -> list[tuple[str, dt.date]]:
    """(`first_heat` or `first_frost`, its next day after today), the next one first."""
    found = []
    for name in SEASONS:
        month_day = getattr(rules, name)
        found.append((name, next(day for day in _years(month_day, today.year) if day > today)))
    return sorted(found, key=lambda pair: pair[1])


def _years(month_day: str, year: int) -> list[dt.date]:
    month, day = (int(part) for part in month_day.split("-"))
    # 29 February of a year that has none is the 28th
    return [dt.date(at, month, min(day, 28) if (month, day) == (2, 29) else day) for at in range(year, year + 3)]


def slot_starts(slots_a_day: int) -> list[dt.time]:
    """When each slot of a day begins: from eight on, spread over the day, on the quarter hour."""
    step = WORKING_MIN // slots_a_day // QUARTER_MIN * QUARTER_MIN
    begin = FIRST_AT.hour * 60 + FIRST_AT.minute
    return [dt.time(*divmod(begin + step * slot, 60)) for slot in range(slots_a_day)]


def visit_min(slots_a_day: int) -> int:
    """How long a slot is: until the next one, two hours at most."""
    return min(VISIT_MIN_AT_MOST, WORKING_MIN // slots_a_day // QUARTER_MIN * QUARTER_MIN)


# --- the plan


def make(ledger: Ledger, asked: Asked, today: dt.date | None = None) -> Made:
    """The plan that is asked for.

    The seed of the lot follows from what is asked and from the generation: who asks again is given the same draw, so
    that nobody draws until he likes the outcome.

    Raises
    ------
    InputError : the list has not been worked out; no working day lies in the stretch; too many slots; an own choice
        stands on no list.
    """
    ledger.need("install_risk")
    today = today or dt.date.today()
    rules = ledger.house_rules()
    days = _days(asked, rules)
    slots = len(days) * asked.slots_a_day
    at_most = min(slots, asked.at_most or VISITS_AT_MOST, VISITS_AT_MOST)
    days = days[: -(-at_most // asked.slots_a_day)]
    entries = Entries(ledger.store.entries_file)
    planned = _planned(entries, asked.first)
    unsafe = [system for system in unsafe_systems(ledger, entries) if system not in planned]
    named = [*asked.own_choice, *unsafe]
    found = ledger.ask(
        _CANDIDATES, named=named or [""], already=sorted(planned) or [""], first=asked.first,
        within=VISITED_WITHIN_DAYS, any_area=not asked.areas, areas=list(asked.areas) or [""],
        warranty_months=asked.warranty_months, most=8 * at_most + len(named),
    )  # fmt: skip
    on_list = set(found["system_id"])
    strange = [system for system in asked.own_choice if system not in on_list]
    if strange:
        raise InputError(f"{', '.join(strange)}: no such system in service on the list, so it cannot be planned.")
    unsafe_here = tuple(system for system in unsafe if system in on_list)
    wishes = Wishes(
        days=days, slots_a_day=asked.slots_a_day, at_most=at_most, areas=asked.areas, own_choice=asked.own_choice,
        unsafe=unsafe_here, home=asked.home or rules.home,
    )  # fmt: skip
    seed = _seed(ledger, asked)
    plan = plan_visits(found, wishes, seed)
    visits = plan.visits.join(
        found.select("system_id", "job_id", "area", "latitude", "longitude", "warranty_until", "reasons",
                     "check_on_visit", "equipment", "visit_benefit"),
        on="system_id", how="left", maintain_order="left",
    ).with_columns(is_unsafe=pl.col("system_id").is_in(list(unsafe_here)))  # fmt: skip
    taken = set(visits["system_id"])
    made = Made(
        asked, today, seed, plan, visits, found,
        worth=(int(found["worth"][0]) if found.height else 0)
        + found.filter(pl.col("system_id").is_in(list(unsafe_here)) & (pl.col("visit_benefit") <= 0)).height,
        unsafe=len(unsafe_here), unsafe_left=len(set(unsafe_here) - taken), elsewhere=len(unsafe) - len(unsafe_here),
        slots=at_most, saving=_saving(found, rules),
    )  # fmt: skip
    return replace(made, plan_id=as_kept(made).plan_id)


_NOW = """
    with kept as (select unnest($systems::varchar[]) as system_id)
    select kept.system_id, r.job_id, coalesce(r.area, site.area, s.area) as area, site.latitude, site.longitude,
        s.warranty_until, r.check_on_visit, s.equipment::varchar as equipment
    from kept left join staged_system s on s.system_id = kept.system_id
    left join staged_site site on site.site_id = s.site_id
    left join install_risk r on r.system_id = kept.system_id
        and r.horizon_months = (select min(horizon_months) from install_risk)
"""


def of_kept(ledger: Ledger, kept: KeptPlan) -> Made:
    """A plan that was kept, with what the records say of its systems now."""
    ledger.need("install_risk")
    wishes = kept.wishes
    home = wishes.get("home")
    asked = Asked(
        dt.date.fromisoformat(wishes["first"]), dt.date.fromisoformat(wishes["last"]), int(wishes["slots_a_day"]),
        wishes.get("at_most"), tuple(wishes.get("areas") or ()), tuple(wishes.get("own_choice") or ()),
        (float(home[0]), float(home[1])) if home else None, wishes.get("warranty_months"),
    )  # fmt: skip
    visits = pl.DataFrame([dict(visit) for visit in kept.visits]).with_columns(
        pl.col("day").str.to_date(), pl.col("slot").cast(pl.Int32), reasons=pl.col("reasons_then").cast(pl.String)
    )
    now = ledger.ask(_NOW, systems=visits["system_id"].to_list())
    visits = visits.join(now, on="system_id", how="left", maintain_order="left").sort("day", "slot")
    pool = pl.DataFrame(
        [dict(one) for one in kept.pool],
        schema={"system_id": pl.String, "was_drawn": pl.Boolean, "chance": pl.Float64, "probability_then": pl.Float64},
    )
    return Made(
        asked, dt.date.fromisoformat(kept.made_on), kept.seed, Plan(visits, pool, ""), visits, now, worth=0,
        unsafe=visits.filter("is_unsafe").height, unsafe_left=0, elsewhere=0, slots=visits.height, saving={},
        plan_id=kept.plan_id,
    )  # fmt: skip


# --- said in sentences


def season_sentence(rules: HouseRules, season: str, on: dt.date, first: dt.date, slots_a_day: int) -> str:
    """How many working days, and visits at so many a day, are left until a season."""
    days = len(working_days(first, on - dt.timedelta(days=1), rules))
    what = SEASONS[season]
    return (
        f"{what[0].upper()}{what[1:]} ({words.date(on)}) {words.counted(days, 'working day')} "
        f"{'is' if days == 1 else 'are'} left: {words.counted(days * slots_a_day, 'visit')} at {slots_a_day} a day."
    )


def summary(made: Made) -> list[str]:
    """The plan in sentences: how many visits and how they came in, why a lot, what of warranties, what found no place."""
    visits = made.visits
    if visits.is_empty():
        return ["No visit: " + (made.plan.left_out or "no system is worth one there.")]
    on = sorted(set(visits["day"]))
    safety = visits.filter("is_unsafe").height
    counts = dict(visits.filter(~pl.col("is_unsafe"))["chosen_by"].value_counts().iter_rows())
    parts = [
        f"{words.count(safety)} for safety first" if safety else "",
        f"{words.count(counts['rank'])} by rank" if counts.get("rank") else "",
        f"{words.count(counts['own_choice'])} by own choice" if counts.get("own_choice") else "",
        f"{words.count(counts['lot'])} by lot" if counts.get("lot") else "",
    ]
    said = [
        f"{words.counted(visits.height, 'visit')} on {words.counted(len(on), 'day')}, {words.date(on[0])} to "
        f"{words.date(on[-1])}: {words.joined(parts)}."
    ]
    said.append(_lot_sentence(made))
    soon = [day for day in visits["warranty_until"] if day and 0 <= (day - made.made_on).days <= WARRANTY_SOON_DAYS]
    if soon:
        said.append(
            f"⚠ {words.count(len(soon))} of them {'goes' if len(soon) == 1 else 'go'} out of the maker's warranty within "
            "6 months: a failure before that day costs the maker, one after it the owner."
        )
    return said + _without_a_place(made)


def _lot_sentence(made: Made) -> str:
    if not made.by_lot:
        return "No lot was drawn: there is a slot for every system that is worth a visit."
    pool = made.plan.pool.height
    return (
        f"{words.count(made.by_lot)} of the {words.count(pool)} that stand next were drawn by lot, each with a chance of "
        f"{words.share(made.lot_chance)}: only so can it be told later whether visits do any good. Nobody known to be "
        "unsafe is left to the lot."
    )


def _without_a_place(made: Made) -> list[str]:
    said = [made.plan.left_out] if made.plan.left_out else []
    if made.unsafe_left:
        said.append(
            f"{words.counted(made.unsafe_left, 'system')} with a return for safety open found no slot: go there at once, "
            "whatever the plan."
        )
    if made.elsewhere:
        said.append(
            f"{words.counted(made.elsewhere, 'system')} with a return for safety open {'is' if made.elsewhere == 1 else 'are'} "
            "not on this list: see the returns that are due."
        )
    return said


def _days(asked: Asked, rules: HouseRules) -> tuple[dt.date, ...]:
    if asked.last < asked.first:
        raise InputError(f"The plan ends on {asked.last}, before it begins on {asked.first}.")
    if not 1 <= asked.slots_a_day <= SLOTS_A_DAY_AT_MOST:
        raise InputError(f"A day holds 1 to {SLOTS_A_DAY_AT_MOST} visits, not {asked.slots_a_day}.")
    days = working_days(asked.first, asked.last, rules)
    if not days:
        raise InputError(
            f"No working day lies between {asked.first} and {asked.last}; the house works on "
            f"{words.joined(rules.working_days)} (House rules)."
        )
    return days


def _seed(ledger: Ledger, asked: Asked) -> int:
    text = json.dumps([ledger.pointer.generation, ledger.pointer.made_at, wishes_as_json(asked)], sort_keys=True)
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4])


def _saving(found: pl.DataFrame, rules: HouseRules) -> dict[str, float]:
    """For each system what a visit can put right, in money: its benefit before the visit is paid for."""
    worth = (found["visit_benefit"] + rules.visit_cost).to_list()
    return {
        system: round(value, 2) for system, value in zip(found["system_id"], worth, strict=True) if value is not None
    }


def unsafe_systems(ledger: Ledger, entries: Entries) -> list[str]:
    """Systems with a return for safety that is open: by the records, and by what people have said since."""
    due = ledger.ask_table(
        "return_due",
        "select distinct job_id, step, system_id from return_due where is_safety and settled_on is null order by 3, 1, 2",
    )
    said = {(job, step) for job, step, *_ in entries.returns_seen_to()}
    rows = due.iter_rows() if due.height else ()
    return list(dict.fromkeys(system for job, step, system in rows if system and (job, step) not in said))


def _planned(entries: Entries, first: dt.date) -> set[str]:
    """Systems that stand in a kept plan of the last twelve months or of days to come; who was not met may be asked again."""
    outcomes = visit_entries.outcomes(entries)
    since = first - dt.timedelta(days=VISITED_WITHIN_DAYS)
    found = set()
    for plan in visit_entries.plans(entries):
        for visit in plan.visits:
            outcome = outcomes.get((plan.plan_id, visit["system_id"]))
            state = outcome.state if outcome else "booked"
            if state == "no_answer" or (plan.withdrawn_on is not None and state != "visited"):
                continue
            if dt.date.fromisoformat(str(visit["day"])) > since:
                found.add(str(visit["system_id"]))
    return found


# --- kept, and as files


def wishes_as_json(asked: Asked) -> dict[str, Any]:
    return {
        "first": asked.first.isoformat(), "last": asked.last.isoformat(), "slots_a_day": asked.slots_a_day,
        "at_most": asked.at_most, "areas": list(asked.areas), "own_choice": list(asked.own_choice),
        "home": list(asked.home) if asked.home else None, "warranty_months": asked.warranty_months,
    }  # fmt: skip


def as_kept(made: Made) -> KeptPlan:
    """The plan as it is entered, with its id."""
    chance_of = dict(made.candidates.select("system_id", "probability").iter_rows())
    visits = [
        {
            "day": row["day"].isoformat(), "slot": row["slot"], "system_id": row["system_id"],
            "chosen_by": row["chosen_by"], "chance": row["chance"], "rank_then": row["rank_then"],
            "probability_then": row["probability_then"], "reasons_then": row["reasons"],
            "saving_then": made.saving.get(row["system_id"]), "is_unsafe": row["is_unsafe"],
        }
        for row in made.visits.iter_rows(named=True)
    ]  # fmt: skip
    # where no lot was drawn nobody was left to it
    pool = [
        {"system_id": system, "was_drawn": was, "chance": chance, "probability_then": chance_of.get(system)}
        for system, was, chance in (made.plan.pool.iter_rows() if made.by_lot else ())
    ]
    wishes, day = wishes_as_json(made.asked), made.made_on.isoformat()
    return KeptPlan(visit_entries.plan_id_of(day, made.seed, wishes, visits), day, made.seed, wishes, visits, pool)


def warranty_note(until: dt.date | None, today: dt.date) -> str:
    """What the maker's warranty does: "ends in 40 days", "ended 3 Mar 2025", the day, or "not known"."""
    if until is None:
        return "not known"
    left = (until - today).days
    if left < 0:
        return f"ended {words.date(until)}"
    return f"⚠ ends in {words.counted(left, 'day')}" if left <= WARRANTY_SOON_DAYS else words.date(until)


def chosen_words(row: dict[str, Any]) -> str:
    """How a visit came into the plan."""
    if row["is_unsafe"]:
        return "▲ safety first"
    if row["chosen_by"] == "lot":
        return f"◇ by lot, chance {words.share(row['chance'])}"
    return "● by rank" if row["chosen_by"] == "rank" else "■ own choice"


def as_table(made: Made) -> pl.DataFrame:
    """The plan as a person reads it: a row for each visit, in the order of its days."""
    rows = list(made.visits.iter_rows(named=True))
    starts = slot_starts(made.asked.slots_a_day)
    return pl.DataFrame(
        {
            "Day": [row["day"] for row in rows],
            "Weekday": [f"{row['day']:%a}" for row in rows],
            "At": [f"{starts[row['slot'] - 1]:%H:%M}" for row in rows],
            "System": [row["system_id"] for row in rows],
            "Area": [row["area"] for row in rows],
            "Chosen": [chosen_words(row) for row in rows],
            "Maker's warranty": [warranty_note(row["warranty_until"], made.made_on) for row in rows],
            "Place on the list": [row["rank_then"] for row in rows],
            "Take and look at": [row["check_on_visit"] for row in rows],
            "Job": [row["job_id"] for row in rows],
        },
        schema_overrides={"Area": pl.String, "Job": pl.String, "Place on the list": pl.Int64, "Day": pl.Date},
    )


def about(made: Made, house_name: str) -> list[tuple[str, str]]:
    """What a file says of itself: nothing of the program, since it may be handed on."""
    asked = made.asked
    return [
        ("what", "early visits"),
        *([("house", house_name)] if house_name else []),
        ("made on", made.made_on.isoformat()),
        ("days", f"{asked.first} to {asked.last}"),
        ("visits a day", str(asked.slots_a_day)),
        ("areas", ", ".join(asked.areas) or "all"),
        *([("maker's warranty ends within", f"{asked.warranty_months} months")] if asked.warranty_months else []),
        ("visits", str(made.visits.height)),
    ]


def stops(made: Made) -> tuple[Stop, ...]:
    """The stops as visit cards take them."""
    starts = slot_starts(made.asked.slots_a_day)
    return tuple(
        Stop(row["system_id"], words.date(row["day"]), f"{starts[row['slot'] - 1]:%H:%M}")
        for row in made.visits.iter_rows(named=True)
    )


def as_sheet(made: Made, house_name: str, ending: str) -> bytes:
    """The plan as CSV or XLSX; what a spreadsheet would run is text."""
    return take_away.as_file(as_table(made), FILE_NAME, about(made, house_name), ending)
