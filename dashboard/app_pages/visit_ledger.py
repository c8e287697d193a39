"""Visit ledger: what did early visits find, did they pay, and did those drawn by lot fail less than those not drawn?"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboard import components, data, data_visits, links, looks, plan_section, visit_charts, words
from dashboard.data_visits import CHOSEN, FOUND, NOT_PLANNED, Entered, VisitFilter
from dashboard.data_ways import JobList
from dashboard.take_away import take_away
from models import visit_ledger
from models.funnel import exact_interval
from pipelines import visit_entries
from pipelines.contract import FINDINGS, STEPS
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules
from pipelines.visit_entries import Outcome

FUSES_PAGE = "app_pages/slow_fuses.py"
FOUND_WORDS = {
    "put_right": "● found and put right",
    "left": "◐ found, not put right",
    "failing": "▲ already failing",
    "nothing": "○ nothing found",
    "not_recorded": "– not recorded",
}
CHOSEN_WORDS = {
    "rank": "by rank or for safety", "lot": "by lot", "own_choice": "own choice", NOT_PLANNED: "in no kept plan",
}  # fmt: skip
STATE_WORDS = {
    "booked": "○ booked", "no_answer": "? no answer", "declined": "– declined", "visited": "● visited",
}  # fmt: skip
CONFIRMED_WORDS = {"yes": "yes", "no": "no", "not_looked_at": "not looked at"}
HORIZONS = (12, 24, 36)
HOW_VISITS = (
    "Early visits are calls of the kind *proactive* in your records, and visits entered below. A visit that was entered "
    f"and a call on the same system within {data_visits.SAME_WITHIN_DAYS} days are one: the record's finding, cost and "
    "day hold. A call on a planned system counts as that visit, so nothing needs to be entered that comes with a load.\n\n"
    "*Found something* counts all visits but those with *no fault found* and those of which nothing is recorded. *Already "
    "failing* is a compressor found burnt out or broken. The range is a 95 % one (Jeffreys)."
)
HOW_PAY = (
    "**House's guess.** For each system where something was put right: the chance of a compressor failure had no visit "
    "been made × what of its steps can be mended × the cost of a failure. The shares and costs stand on *House rules*. "
    "Each system counts once, as if it were visited today; one that has failed or is gone since counts nothing. The "
    "cost is what the records say; where none is recorded the house's cost of a visit stands in.\n\n"
    "It is no proof that visits help: that can only be told by the lot, below."
)
HOW_LOT = (
    "When a plan is made, the last fifth of its slots is drawn by lot from the systems that stand next. Nothing but the "
    "lot tells the drawn from the others, so what differs since is the visits' doing, or chance. **By intention:** who was "
    "drawn counts as drawn even if nobody was at home, and who was not drawn counts as not drawn even if he was visited "
    "later; that makes the difference smaller, never larger. Each system counts with one over its chance of being on its "
    "side, so that plans with other chances add up rightly. Counted are compressor failures from the plan's day on, where "
    "we would have heard of them, in 100 systems a year.\n\n"
    "The ranges are mid-p gamma ranges (Fay and Feuer 1997), the difference's put together after Zou and Donner 2008. In "
    "2,000 simulated draws of each of four worlds they held the truth in 95 to 97 of 100. A plan that was withdrawn before "
    "any visit is left out."
)
HOW_CONFIRMED = (
    "Whether the visit found what the list had given as its first reason. Only visits where somebody looked count; the "
    "range is a 95 % one (Jeffreys: a Beta distribution)."
)


def page() -> None:
    said = data_visits.entered()
    rules = data.house_rules()
    counts = data_visits.counts(said)
    total = _sum(counts)
    still_open = _still_open(data_visits.planned_states(said))
    slot = st.container()
    if not total:
        with slot:
            _no_visit_yet(said, still_open)
        _lot(said)
        _planned(said, rules)
        return
    months = HORIZONS[-1]
    with slot:
        worth_of = data_visits.worth(said, months)
        components.answer(answer_of(counts, worth_of, months, rules))
        with st.container(horizontal=True):
            components.how_counted(HOW_VISITS, "visits", "How are visits counted?")
            components.how_counted(HOW_PAY, "pay", "How is their worth counted?")
            if said.standing:
                components.note(
                    f"[Still booked: {words.count(still_open)}](#booked) · [Enter what came of one](#enter)"
                )
    _found(said, counts)
    _pay(said, counts, rules)
    _lot(said)
    _confirmed(said)
    _list(said, rules)
    _planned(said, rules)


# --- the answer


def answer_of(counts: pl.DataFrame, worth_of: dict[str, Any], months: int, rules: HouseRules) -> str:
    """What they found, with range and count, and whether that was worth its cost, as the house guesses."""
    total = _sum(counts)
    found = _found_something(counts)
    mended = _sum(counts, "put_right")
    known = total - _sum(counts, "not_recorded")
    if total == 1:
        what = "found something" if found else "found nothing" if known else "left no record of what it found"
        first = f"The 1 early visit on record {what}{' and put it right' if mended else ''}"
    elif not known:
        first = f"{words.counted(total, 'early visit')} left no record of what they found"
    else:
        low, high = _range(found, known)
        first = (
            f"Early visits found something on {words.share(found / known)} ({words.share_range(low, high)}) of "
            f"{words.count(known)} and put {words.count(mended)} right"
        )
    if not worth_of or not mended:
        return f"{first}; what it cost is about {words.money(_cost(counts, rules), rules.currency)}."
    return (
        f"{first}; {'it' if total == 1 else 'they'} cost about {words.money(_cost(counts, rules), rules.currency)}, and what "
        f"was put right is worth about {words.money(worth_of['value'], rules.currency)} over {months} months by the house's guess."
    )


def _no_visit_yet(said: Entered, still_open: int) -> None:
    if said.standing:
        plans = words.counted(len(said.standing), "kept plan")
        components.answer(f"No early visit has been made yet; {words.count(still_open)} are booked in {plans}.")
        components.note("What they find stands here as soon as it is entered below or comes with a load.")
        return
    components.answer("No early visit is on record yet, and 0 are booked.")
    components.note(
        "Plan visits on *Slow fuses* and keep the plan: a known part of it is drawn by lot, so that here it can be told "
        "later what visits find, whether they pay, and whether systems that were drawn fail less than those that were not."
    )
    st.page_link(FUSES_PAGE, label="Plan the visits", icon=":material/event_available:")


def _sum(counts: pl.DataFrame, *found: str) -> int:
    if counts.is_empty():
        return 0
    rows = counts.filter(pl.col("found").is_in(found)) if found else counts
    return int(rows["visits"].sum())


def _found_something(counts: pl.DataFrame) -> int:
    return _sum(counts, "put_right", "left", "failing")


def _cost(counts: pl.DataFrame, rules: HouseRules) -> float:
    """Money spent: as recorded, and the house's cost of a visit where none is."""
    without = int(counts["visits"].sum()) - int(counts["cost_known"].sum())
    return float(counts["cost"].sum()) + without * float(rules.visit_cost)


def _range(good: int, of: int) -> tuple[float, float]:
    low, high = exact_interval(np.array([good]), np.array([of]))
    return float(low[0]), float(high[0])


# --- what they found


def _found(said: Entered, counts: pl.DataFrame) -> None:
    components.heading("What they found")
    steps = data_visits.by_step(said)
    rows = [row for row in (_step_row(steps, step) for step in STEPS) if row]
    if rows:
        st.altair_chart(
            visit_charts.shares_with_range(_drawn_rows(rows), "Visits that found something", looks.current()),
            alt="Share of visits that found something, by the step that was not good, with its range and count",
        )
        components.note(
            "A visit stands under each step that was not good on the system's last job before it, so the rows add up to "
            "more than all visits."
        )
    all_rows = _rows_of_table(counts, rows)
    table = _found_table(all_rows)
    key = f"found_show_{abs(hash(tuple(row['what'] for row in all_rows))) % 10**8}"
    st.dataframe(
        table.select(pl.lit("List").alias("List"), pl.all()),
        hide_index=True, placeholder="–", height="content",
        column_config={
            "List": st.column_config.ButtonColumn(
                "Visits", width=70, type="tertiary", key=key, on_click=_show_clicked, args=(all_rows, key)
            ),
            **{name: st.column_config.NumberColumn(format="localized") for name in ("How many", *FOUND_WORDS.values())},
            "Found something": st.column_config.TextColumn(width=150, help="Of those with a record of what was found; 95 % range"),
        },
        alt="What visits found, by how they were chosen and by the step that was not good",
    )  # fmt: skip
    components.note("*List* shows the visits of a row [below](#visits).")
    take_away(table, "what visits found", {}, key="visits_found")


def _step_row(steps: pl.DataFrame, step: str) -> dict[str, Any] | None:
    if steps.is_empty():
        return None
    own = dict(steps.filter(pl.col("step") == step).select("found", "visits").iter_rows())
    return {"what": words.step(step), "by": "step", "code": step, **own} if own else None


def _drawn_rows(rows: list[dict[str, Any]]) -> pl.DataFrame:
    drawn = []
    for row in rows:
        found, known = _found_of(row)
        if known:
            low, high = _range(found, known)
            drawn.append((row["what"], found / known, low, high, f"{words.count(found)} of {words.count(known)}"))
    return pl.DataFrame(drawn, schema=["label", "share", "low", "high", "count"], orient="row")


def _found_of(row: dict[str, Any]) -> tuple[int, int]:
    """(found something, visits with a record of what was found)."""
    found = sum(int(row.get(name) or 0) for name in ("put_right", "left", "failing"))
    return found, found + int(row.get("nothing") or 0)


def _show_clicked(rows: list[dict[str, Any]], key: str) -> None:
    """The visits that a row counts are listed below: the choices there become the row's."""
    click = st.session_state.get(key)
    if click is None or not 0 <= click["row"] < len(rows):
        return
    row = rows[click["row"]]
    for name in ("found", "step", "chosen"):
        if name in st.query_params:
            del st.query_params[name]
    if row["by"]:
        st.query_params[row["by"]] = row["code"]


def _found_table(rows: list[dict[str, Any]]) -> pl.DataFrame:
    told = []
    for row in rows:
        found, known = _found_of(row)
        told.append(words.share_with_range(found / known, *_range(found, known)) if known else "–")
    return pl.DataFrame(
        {
            "Which": [row["what"] if row["by"] != "step" else f"{row['what']} not good" for row in rows],
            "How many": [sum(int(row.get(name) or 0) for name in FOUND) for row in rows],
            "Found something": told,
            **{FOUND_WORDS[name]: [int(row.get(name) or 0) for row in rows] for name in FOUND},
        }
    )


def _rows_of_table(counts: pl.DataFrame, steps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """All visits, then by how they were chosen where that differs, then by step."""
    rows = [{"what": "All visits", "by": "", **_by(counts)}]
    kinds = [chosen for chosen in CHOSEN if chosen in set(counts["chosen_by"])]
    if len(kinds) > 1:
        rows += [
            {
                "what": CHOSEN_WORDS[kind],
                "by": "chosen",
                "code": kind,
                **_by(counts.filter(pl.col("chosen_by") == kind)),
            }
            for kind in kinds
        ]
    return rows + steps


def _by(counts: pl.DataFrame) -> dict[str, int]:
    return dict(counts.group_by("found").agg(pl.col("visits").sum()).iter_rows())


# --- did they pay


def _pay(said: Entered, counts: pl.DataFrame, rules: HouseRules) -> None:
    components.heading("Did they pay?")
    cost = _cost(counts, rules)
    rows = []
    for months in HORIZONS:
        found = data_visits.worth(said, months)
        if found:
            rows.append((months, found))
    if not rows:
        components.note(
            f"They cost about **{words.money(cost, rules.currency)}**. What the putting right is worth cannot be told before a "
            "fit: run `slowfuse fit`."
        )
        return
    known = int(counts["cost_known"].sum())
    total = _sum(counts)
    recorded = f"{words.count(known)} of {words.counted(total, 'visit')}"
    table = pl.DataFrame(
        {
            "Counted over": [f"{months} months" for months, _ in rows],
            "Cost": [words.money(cost, rules.currency)] * len(rows),
            "Worth of what was put right": [words.money(found["value"], rules.currency) for _, found in rows],
            "At half the guess": [words.money(found["value"] / 2, rules.currency) for _, found in rows],
            "At double the guess": [words.money(found["value"] * 2, rules.currency) for _, found in rows],
            "Failures avoided": [words.tenths(found["avoided"]) for _, found in rows],
        }
    )
    st.dataframe(
        table, hide_index=True, height="content", alt="Cost of the visits against the worth of what was put right"
    )
    last = rows[-1][1]
    mended, counted = int(last["systems"]), int(last["counted"])
    gone = mended - counted
    more = f"; {words.count(gone)} more have failed or are gone since and count nothing" if gone else ""
    components.note(
        f"The cost is on record for {recorded}. Something was put right on {words.counted(mended, 'system')}, "
        f"{words.count(counted)} of them in service{more}. **House's guess, change it** on *House rules*; whether visits "
        "truly help only the lot can tell."
    )


# --- drawn by lot


def _lot(said: Entered) -> None:
    drawn = data_visits.pool(said)
    if drawn.is_empty():
        if said.plans:
            components.heading("Drawn by lot against not drawn")
            components.note(
                "No lot was drawn yet: in the kept plans there was a slot for every system that was worth a visit. With "
                "fewer slots than such systems a known part is drawn, and then it can be told whether visits do any good."
            )
        return
    components.heading("Drawn by lot against not drawn")
    counts = data_visits.lot_counts(said)
    found = visit_ledger.compare(counts) if counts.height else None
    components.note(lot_sentence(drawn, found, data_visits.visited_since(said)))
    components.how_counted(HOW_LOT, "lot", "How is this compared?")
    if found is not None and found.difference is not None:
        sides = [("Drawn by lot", found.drawn), ("Not drawn", found.not_drawn)]
        st.altair_chart(
            visit_charts.two_sides(
                pl.DataFrame({
                    "side": [name for name, _ in sides], "rate": [side.rate for _, side in sides],
                    "low": [side.low for _, side in sides], "high": [side.high for _, side in sides],
                    "count": [
                        f"{words.counted(side.events, 'failure')} of {words.counted(side.systems, 'system')} in "
                        f"{words.tenths(side.years)} years" for _, side in sides
                    ],
                }),
                looks.current(),
            ),
            alt="Compressor failures in 100 systems a year, drawn by lot and not drawn, with ranges and counts",
        )  # fmt: skip
    _lot_systems(said, drawn.height)


def _lot_systems(said: Entered, how_many: int) -> None:
    """The systems behind the comparison, those that failed first."""
    with st.expander(f"The {words.count(how_many)} systems of the lot", icon=":material/casino:", key="pool"):
        rows = data_visits.lot_systems(said)
        ids = rows["job_id"].to_list()
        table = pl.DataFrame(
            {
                "Job": ["Open" if job else None for job in ids],
                "System": rows["system_id"],
                "Lot": ["◆ drawn" if was else "○ not drawn" for was in rows["was_drawn"]],
                "Failed": rows["failed_on"],
                "Visited": rows["visited_on"],
                "Chance of being drawn": [words.share(chance) for chance in rows["chance"]],
                "Plan made": rows["made_on"],
            },
            schema_overrides={"Job": pl.String},
        )
        components.note(
            "A failure that came when nobody could be relied on to tell us is listed here and not counted above."
        )
        if how_many > rows.height:
            components.note(f"The first {words.count(rows.height)}, those that failed before the others.")
        _job_table(table, ids, rows["system_id"].to_list(), "The systems that a lot could have fallen on")
        take_away(table.drop("Job"), "systems of the lot", {}, key="lot_pool")


def lot_sentence(drawn: pl.DataFrame, found: visit_ledger.Comparison | None, visited: dict[bool, int]) -> str:
    """What the lot tells until now, with counts and range; or how many more visits by lot it still takes."""
    lots = drawn.filter("was_drawn").height
    others = drawn.height - lots
    since = ""
    if visited:
        since = (
            f" Visited since: {words.count(visited.get(True, 0))} of the {words.count(lots)} drawn, "
            f"{words.count(visited.get(False, 0))} of the {words.count(others)} not drawn."
        )
    if found is None or found.difference is None:
        return (
            f"**{words.count(lots)} were drawn, {words.count(others)} were not; no time has passed since that a fit has "
            f"counted.**{since} {_needed(drawn, found, lots)}"
        )
    low, high = found.low or 0.0, found.high or 0.0
    told = {
        "fewer": "**Those drawn fail less**",
        "more": "**Those drawn fail more**",
        "unclear": "**It cannot be told yet whether those drawn fail less**",
        "too_few": "**Too few failures yet to tell whether those drawn fail less**",
    }[found.evidence]
    sides = (
        f"{words.counted(found.drawn.events, 'failure')} of {words.count(found.drawn.systems)} drawn, "
        f"{words.count(found.not_drawn.events)} of {words.count(found.not_drawn.systems)} not drawn"
    )
    difference = (
        f"a difference of {_signed(100 * found.difference)} ({_signed(100 * low)} to {_signed(100 * high)}) failures in "
        "100 systems a year"
    )
    more = "" if found.evidence in ("fewer", "more") else f" {_needed(drawn, found, lots)}"
    return f"{told}: {sides}; {difference}.{since}{more}"


def _needed(drawn: pl.DataFrame, found: visit_ledger.Comparison | None, lots: int) -> str:
    """How many visits by lot would show a halving, at the rate seen among those not drawn, else at the chances said then."""
    rate = found.not_drawn.rate if found is not None and found.not_drawn.events else None
    if rate is None:
        said = drawn["probability_then"].drop_nulls()
        rate = float(said.mean() or 0.0) if len(said) else 0.0  # type: ignore[arg-type]
    needed = visit_ledger.lots_needed(rate, lots / drawn.height)
    if needed is None:
        return ""
    if needed <= lots:
        return (
            "If visits halved failures, as many visits as these, followed two years each, would show it 4 times in 5."
        )
    return (
        f"If visits halved failures, it would show 4 times in 5 after {words.count(needed)} visits by lot, each followed "
        f"two years: {words.count(needed - lots)} more than until now."
    )


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", words.MINUS)


# --- was the reason confirmed


def _confirmed(said: Entered) -> None:
    answers = data_visits.confirmed(said)
    if answers.is_empty():
        return
    components.heading("Was the reason found?")
    rows = []
    place = {step: n for n, step in enumerate(STEPS)}
    for row in sorted(answers.iter_rows(named=True), key=lambda one: place.get(one["step"], 99)):
        looked = row["yes"] + row["no"]
        told = "nobody looked"
        if looked:
            told = words.share_with_range(row["yes"] / looked, *_range(row["yes"], looked))
        name = words.step(row["step"]) if row["step"] in STEPS else "Age and equipment alone"
        rows.append((name, told, row["yes"], row["no"], row["not_looked_at"]))
    yes, no = int(answers["yes"].sum()), int(answers["no"].sum())
    if yes + no:
        components.note(
            f"**The reason that the list gave was found on {words.share_with_range(yes / (yes + no), *_range(yes, yes + no))} "
            f"of {words.counted(yes + no, 'visit')} where somebody looked.**"
        )
    components.how_counted(HOW_CONFIRMED, "confirmed")
    st.dataframe(
        pl.DataFrame(rows, schema=["First reason", "Found", "Yes", "No", "Not looked at"], orient="row"),
        hide_index=True, height="content", alt="How often the first reason was found, by step",
    )  # fmt: skip


# --- the visits behind it


def _list(said: Entered, rules: HouseRules) -> None:
    st.header("The visits behind it", anchor="visits")
    with st.container(horizontal=True):
        found = links.pills("What they found", list(FOUND), "found", format_func=lambda code: FOUND_WORDS[code])
    with st.container(horizontal=True):
        step = links.select("Step not good", list(STEPS), "step", placeholder="Any", format_func=words.step, width=230)
        chosen = links.select(
            "Chosen", list(CHOSEN), "chosen", placeholder="Any", format_func=lambda code: CHOSEN_WORDS[code], width=230
        )
    rows = data_visits.listed(said, VisitFilter(found, step, chosen))
    if rows.is_empty():
        components.note("**0 visits.** None fits these choices.")
        return
    total = int(rows["visits"][0])
    shown = f"; the newest {words.count(rows.height)} are shown" if total > rows.height else ""
    components.note(f"**{words.counted(total, 'visit')}**, the newest first{shown}.")
    ids = rows["job_id"].to_list()
    table = pl.DataFrame(
        {
            "Job": ["Open" if job else None for job in ids],
            "System": rows["system_id"],
            "Visited": rows["visited_on"],
            "Came to": [FOUND_WORDS[code] for code in rows["found"]],
            "Finding": [words.outcome(code) if code else None for code in rows["finding"]],
            "Cost": [words.money(value, rules.currency) for value in rows["cost"]],
            "Chosen": [CHOSEN_WORDS[code] for code in rows["chosen_by"]],
            "Reason found": [CONFIRMED_WORDS.get(code or "") for code in rows["reason_confirmed"]],
            "Area": rows["area"],
            "From": ["record" if call else "entered" for call in rows["call_id"]],
        },
        schema_overrides={"Job": pl.String, "Finding": pl.String, "Reason found": pl.String, "Area": pl.String},
    )
    _job_table(table, ids, rows["system_id"].to_list(), "The visits, the newest first")
    take_away(
        table.drop("Job"), "early visits",
        {"found": FOUND_WORDS.get(found or ""), "step": words.step(step) if step else None, "chosen": CHOSEN_WORDS.get(chosen or "")},
        key="visits_listed",
    )  # fmt: skip


def _job_table(table: pl.DataFrame, ids: list[str | None], systems: list[str], alt: str) -> None:
    # as in job_table: the key follows the rows
    key = f"visit_open_{abs(hash((alt, *map(str, ids)))) % 10**8}"
    st.dataframe(
        table, hide_index=True, placeholder="–", height=min(38 + 35 * len(ids), 460),
        column_config={
            "Job": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=key, on_click=_open_clicked, args=(ids, systems, key)
            ),
            "Visited": st.column_config.DateColumn(format=words.day_column()),
            **{name: st.column_config.DateColumn(format=words.day_column()) for name in ("Day", "Failed", "Plan made")},
            "Came to": st.column_config.TextColumn(width=170),
        },
        alt=alt,
    )  # fmt: skip
    first = next((number for number, job in enumerate(ids) if job), None)
    if first is not None:
        components.open_first(ids, key, jobs=JobList("system", {"system": systems[first]}))


def _open_clicked(ids: list[str | None], systems: list[str], key: str) -> None:
    click = st.session_state.get(key)
    if click is not None and 0 <= click["row"] < len(ids) and ids[click["row"]]:
        of_system = JobList("system", {"system": systems[click["row"]]})
        components.open_job(str(ids[click["row"]]), jobs=of_system)


# --- planned visits: what is still booked, and what came of one


def _still_open(states: dict[str, int]) -> int:
    return states.get("booked", 0) + states.get("no_answer", 0)


def _planned(said: Entered, rules: HouseRules) -> None:
    if not said.standing:
        return
    st.header("Still booked", anchor="booked")
    plan_of = {plan.plan_id: plan for plan in reversed(said.standing)}
    plan = links.select(
        "Plan", list(plan_of), "of", placeholder="All kept plans", width=430,
        format_func=lambda one: plan_section.plan_words(plan_of[one]),
    )  # fmt: skip
    rows, states = data_visits.planned(said, plan), data_visits.planned_states(said, plan)
    open_rows = rows.filter("is_open")
    told = words.joined(
        f"{words.count(states[code])} {STATE_WORDS[code].split(' ', 1)[1]}" for code in STATE_WORDS if states.get(code)
    )
    components.note(
        f"**{words.counted(open_rows.height, 'visit')} still to make** of {words.count(rows.height)}: {told}."
    )
    if open_rows.height:
        ids = open_rows["job_id"].to_list()
        _job_table(
            pl.DataFrame({
                "Job": ["Open" if job else None for job in ids], "System": open_rows["system_id"], "Day": open_rows["day"],
                "Area": open_rows["area"], "Chosen": [CHOSEN_WORDS[code] for code in open_rows["chosen_by"]],
                "State": [STATE_WORDS[code] for code in open_rows["state"]],
                "First reason": [_first_reason(text) for text in open_rows["reasons_then"]],
            }, schema_overrides={"Job": pl.String, "Area": pl.String, "First reason": pl.String}),
            ids, open_rows["system_id"].to_list(), "The visits that are still to be made, by their day",
        )  # fmt: skip
    _enter(rows, rules)


def _first_reason(reasons: str | None) -> str:
    first = str(reasons or "").split(",")[0].strip()
    return words.step(first) if first in STEPS else "Age and equipment alone"


def _enter(rows: pl.DataFrame, rules: HouseRules) -> None:
    """The form: what came of one planned visit."""
    st.subheader("Enter what came of a visit", anchor="enter")
    label = {
        f"{row['plan_id']}~{row['system_id']}": (
            f"System {row['system_id']}, {words.date(row['day'])}, {STATE_WORDS[row['state']].split(' ', 1)[1]}"
        )
        for row in rows.iter_rows(named=True)
    }
    if not label:
        return
    one = links.select(
        "Planned visit", list(label), "visit", placeholder="Choose a visit", width=430, format_func=label.__getitem__
    )
    if one is None:
        components.note(
            "Choose the visit first. What comes with a load (a call of the kind *proactive*) need not be entered."
        )
        return
    plan_id, system_id = one.split("~", 1)
    day = rows.filter((pl.col("plan_id") == plan_id) & (pl.col("system_id") == system_id))["day"][0]
    with st.form(f"outcome_{one}", border=True):
        state = st.segmented_control(
            "State", list(visit_entries.STATES), default="visited", required=True,
            format_func=lambda code: STATE_WORDS[code].split(" ", 1)[1], key=f"state_{one}",
        )  # fmt: skip
        with st.container(horizontal=True):
            on = st.date_input(
                "Day of the visit", value=min(day, dt.date.today()), key=f"on_{one}", format="YYYY-MM-DD", width=170
            )
            finding = st.selectbox(
                "What was found", list(FINDINGS), index=None, placeholder="Not recorded", format_func=words.outcome,
                key=f"finding_{one}", width=260,
            )  # fmt: skip
            put_right = st.segmented_control(
                "Put right", [True, False], format_func=lambda value: "yes" if value else "no", key=f"right_{one}"
            )
        with st.container(horizontal=True):
            reason = st.segmented_control(
                f"Was the reason found ({_first_reason(_reason_of(rows, plan_id, system_id)).lower()})",
                list(visit_entries.CONFIRMED), format_func=lambda code: CONFIRMED_WORDS[code], key=f"confirmed_{one}",
            )  # fmt: skip
            cost = st.number_input(
                f"Cost, {rules.currency}",
                min_value=0.0,
                value=None,
                step=10.0,
                key=f"cost_{one}",
                width=150,
                placeholder="not known",
            )
        said = st.text_input("In words", key=f"words_{one}", max_chars=400)
        by = st.text_input("Your name", key=f"by_{one}", max_chars=80)
        if st.form_submit_button("Enter"):
            went = state == "visited"
            _entered(
                Outcome(
                    plan_id, system_id, str(state), on.isoformat() if went and isinstance(on, dt.date) else None,
                    finding if went else None, put_right if went else None, reason if went else None,
                    cost if went else None, said.strip(),
                ),
                by.strip(),
            )  # fmt: skip


def _reason_of(rows: pl.DataFrame, plan_id: str, system_id: str) -> str | None:
    return rows.filter((pl.col("plan_id") == plan_id) & (pl.col("system_id") == system_id))["reasons_then"][0]


def _entered(outcome: Outcome, by: str) -> None:
    if not by:
        st.error("Say by whom it is entered.", icon=":material/error:")
        return
    try:
        visit_entries.add_outcome(data.entries(), outcome, by)
    except InputError as error:
        st.error(words.escaped(str(error)), icon=":material/error:")
        return
    if "visit" in st.query_params:
        del st.query_params["visit"]
    st.toast("Entered.", icon=":material/check:")
    st.rerun()


if __name__ == "__main__":
    page()
