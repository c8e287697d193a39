"""Slow fuses' second half: a plan of visits for the slots there are, kept, taken away, and withdrawn again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import polars as pl
import streamlit as st

from dashboard import components, data, links, looks, planned_visits, visit_charts, words
from dashboard.data_ways import JobList
from dashboard.papers import planning
from dashboard.papers.ledger import opened
from dashboard.papers.planning import Asked, Made
from dashboard.papers_button import papers_button
from pipelines import visit_entries
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules
from pipelines.visit_entries import KeptPlan

LEDGER_PAGE = "app_pages/visit_ledger.py"
OWN_DAY = "own"
NEW = "new"
PLANS_SHOWN = 20
FILES = {"CSV": ".csv", "Excel (XLSX)": ".xlsx", "Calendar (.ics)": ".ics"}
MIMES = {
    ".csv": "text/csv",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".ics": "text/calendar",
}
HOW_PLANNED = (
    "First come the systems with a return for safety open, on the first days, whatever their place on the list. Then your "
    "own choices. The other slots go, week by week, to the systems where a visit is worth most, put together so that a "
    "day's visits lie near each other: going to an area on a day costs "
    "something, more where it is far from home base. Systems that were visited in the last 12 months, or stand in a kept "
    "plan, are left out; whoever was not met may be planned again.\n\n"
    "**Why a lot?** The last fifth of the slots is drawn by lot from the systems that stand next, each with a known "
    "chance. Only so can it be told later whether visits do any good: those drawn and those not drawn differ by chance "
    "alone. Nobody known to be unsafe is left to the lot. Asking again for the same gives the same draw, so that nobody "
    "draws until he likes the outcome.\n\n"
    "A system that a visit is not worth, on House rules' costs, is planned neither by rank nor by lot."
)


def section(
    rules: HouseRules, visits: int, area: str | None, offered: Sequence[str], warranty: int | None = None
) -> None:
    """The whole section. visits, area, warranty [months] : as chosen above. offered : systems to choose from."""
    st.header("Plan the visits", anchor="plan")
    kept = visit_entries.plans(data.entries())
    shown = NEW
    if kept:
        newest = {plan.plan_id: plan for plan in reversed(kept[-PLANS_SHOWN:])}
        shown = links.select(
            "Plan", [NEW, *newest], "plan", default=NEW, width=430,
            format_func=lambda one: "A new plan" if one == NEW else plan_words(newest[one]),
        ) or NEW  # fmt: skip
        if shown in newest:
            _kept_plan(newest[shown], rules)
            return
    try:
        _new_plan(rules, visits, area, offered, warranty)
    except InputError as error:
        st.error(words.escaped(str(error)), icon=":material/error:")


def plan_words(plan: KeptPlan) -> str:
    """A kept plan in a list: "kept 25 Nov 2026, 40 visits from 26 Nov 2026"."""
    first = min(str(visit["day"]) for visit in plan.visits)
    gone = ", withdrawn" if plan.withdrawn_on else ""
    return (
        f"Kept {words.date(dt.date.fromisoformat(plan.made_on))}: {words.counted(len(plan.visits), 'visit')} from "
        f"{words.date(dt.date.fromisoformat(first))}{gone}"
    )


# --- a new plan


def _new_plan(rules: HouseRules, visits: int, area: str | None, offered: Sequence[str], warranty: int | None) -> None:
    today = dt.date.today()
    slot = st.container()
    coming = planning.seasons(rules, today)
    with st.container(horizontal=True, vertical_alignment="top"):
        first = _day("From", "plan_from", today + dt.timedelta(days=1))
        until = links.segmented(
            "Until", [*(name for name, _ in coming), OWN_DAY], "plan_until", default=coming[0][0],
            format_func=lambda name: _until_words(name, dict(coming)),
        )  # fmt: skip
        last = dict(coming).get(str(until), today) - dt.timedelta(days=1)
        if until == OWN_DAY:
            last = _day("Last day", "plan_last", first + dt.timedelta(days=13))
        slots = links.number("Visits a day", "plan_slots", default=4, least=1, most=12, width=130)
    with st.container(horizontal=True, vertical_alignment="top"):
        areas = _many("Areas", data.risk_areas(), "plan_areas", "All areas", [area] if area else [])
        own = _many("Own choice", list(offered), "plan_own", "Systems to take whatever their rank", [], is_open=True)
        home_text = links.text(
            "Home base", "plan_home", width=210, placeholder=_home_words(rules.home),
            help="Latitude and longitude, such as 38.70, -97.10; left empty, that of House rules.",
        )  # fmt: skip
    with slot:
        _how_much_is_left(rules, str(until), dict(coming), first, last, slots, visits)
        components.how_counted(HOW_PLANNED, "plan", "How is the plan made?")
    if warranty:
        components.note(
            f"As chosen above, only systems whose maker's warranty ends within {warranty} months; safety goes first all the "
            "same. Where a visit is not worth its cost to you, take a system as *own choice*."
        )
    asked = Asked(first, last, slots, visits, tuple(areas), tuple(own), planned_visits.place(home_text), warranty)
    if st.query_params.get("made") != "1":
        st.button("Make the plan", icon=":material/event_available:", on_click=_ask_for_it)
        return
    with st.spinner("Putting the plan together ..."):
        made = made_plan(asked)
    for sentence in planning.summary(made)[:1]:
        components.note(f"**{sentence}**")
    components.note(" ".join(planning.summary(made)[1:]))
    if made.visits.is_empty():
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.button("Keep this plan", icon=":material/bookmark_add:", on_click=_keep, args=(made,))
        st.markdown("Kept, it can be taken away as calendar, sheet and cards, and its visits enter the *Visit ledger*.")
    _drawn(made, rules)


def _ask_for_it() -> None:
    st.query_params["made"] = "1"


def _keep(made: Made) -> None:
    kept = visit_entries.keep(data.entries(), planning.as_kept(made))
    st.query_params["plan"] = kept.plan_id
    if "made" in st.query_params:
        del st.query_params["made"]


def made_plan(asked: Asked) -> Made:
    """The plan of this generation and of what has been entered until now."""
    pointer, _ = data.connection()
    store = data.store()
    entries = len(data.entries().all())
    return _made(str(store.folder.resolve()), pointer.generation, pointer.made_at, entries, asked, dt.date.today())


@st.cache_data(max_entries=20, ttl="2h", show_spinner=False)
def _made(folder: str, generation: int, made_at: str, entries: int, asked: Asked, today: dt.date) -> Made:
    with opened(data.store()) as ledger:
        return planning.make(ledger, asked, today)


def _until_words(name: str, coming: dict[str, dt.date]) -> str:
    return "own day" if name == OWN_DAY else f"{planning.SEASONS[name]} ({words.date(coming[name])})"


def _home_words(home: tuple[float, float] | None) -> str:
    return "not set" if home is None else f"{home[0]:.4f}, {home[1]:.4f}"


def _how_much_is_left(
    rules: HouseRules, until: str, coming: dict[str, dt.date], first: dt.date, last: dt.date, slots: int, visits: int
) -> None:
    """How many days and slots there are until the day chosen, against the visits to give."""
    if until in coming:
        said = planning.season_sentence(rules, until, coming[until], first, slots)
    else:
        days = len(planning.working_days(first, last, rules))
        said = (
            f"From {words.date(first)} to {words.date(last)} there {'is' if days == 1 else 'are'} "
            f"{words.counted(days, 'working day')}: {words.counted(days * slots, 'visit')} at {slots} a day."
        )
    takes = -(-visits // slots)
    first_days = "the first day" if takes == 1 else f"the first {words.count(takes)} days"
    components.note(
        f"**{said}** You have {words.counted(visits, 'visit')} to give (above): "
        f"{'it takes' if visits == 1 else 'they take'} {first_days}."
    )


# --- a plan that was kept


def _kept_plan(kept: KeptPlan, rules: HouseRules) -> None:
    with opened(data.store()) as ledger:
        made = planning.of_kept(ledger, kept)
    said = planning.summary(made)
    if kept.withdrawn_on:
        why = f": {words.escaped(kept.withdrawn_why)}" if kept.withdrawn_why else ""
        st.warning(
            f"Withdrawn on {words.date(dt.date.fromisoformat(kept.withdrawn_on))}{why}. It stays here and in the exports.",
            icon=":material/event_busy:",
        )
    components.note(f"**{said[0]}**")
    components.note(" ".join(said[1:]))
    store, name = data.store(), rules.house_name
    with st.container(horizontal=True, vertical_alignment="center"):
        for label, ending in FILES.items():
            st.download_button(
                label, data=lambda ending=ending: planned_visits.as_bytes(store, made, name, ending),
                file_name=f"{planning.FILE_NAME}{ending}", mime=MIMES[ending], on_click="ignore",
                icon=":material/download:", key=f"plan_file_{ending}",
            )  # fmt: skip
        papers_button("visits", "Visit cards", key="plan_cards", stops=planning.stops(made))
        st.page_link(
            LEDGER_PAGE, label="What came of them", icon=":material/menu_book:", query_params={"of": kept.plan_id}
        )
        if not kept.withdrawn_on:
            _withdrawing(kept)
    _drawn(made, rules)


def _withdrawing(kept: KeptPlan) -> None:
    with st.popover("Withdraw", icon=":material/event_busy:", type="tertiary", key="withdraw"):
        st.markdown("The plan stays and is marked; its systems may be planned again.")
        why = st.text_input("Why", key="withdraw_why", max_chars=200)
        if st.button("Withdraw this plan", key="withdraw_now"):
            visit_entries.withdraw(data.entries(), kept.plan_id, dt.date.today().isoformat(), why.strip())
            st.rerun()


# --- drawn


def _drawn(made: Made, rules: HouseRules) -> None:
    """The plan day by day, then where it is."""
    table = planning.as_table(made)
    jobs = table["Job"].to_list()
    key = f"plan_open_{abs(hash((made.plan_id, *map(str, jobs)))) % 10**8}"
    st.dataframe(
        table.select(pl.lit("Open").alias("Open"), pl.exclude("Job")),
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(jobs), 520),
        column_config={
            "Open": st.column_config.ButtonColumn(
                "Folder",
                width=70,
                type="tertiary",
                key=key,
                on_click=_open_clicked,
                args=(jobs, table["System"].to_list(), key),
            ),
            "Day": st.column_config.DateColumn(format=words.day_column()),
            "Weekday": st.column_config.TextColumn(width=80),
            "Chosen": st.column_config.TextColumn(width=190, help="By rank, by lot with its chance, or for safety"),
            "Maker's warranty": st.column_config.TextColumn(
                width=150,
                help="⚠ ends within 6 months: a failure before that day costs the maker, one after it the owner",
            ),
            "Place on the list": st.column_config.NumberColumn(format="localized"),
            "Take and look at": st.column_config.TextColumn(width=420),
        },
        alt="The planned visits, day by day, with how each was chosen",
    )
    _where(made, rules)


def _where(made: Made, rules: HouseRules) -> None:
    starts = planning.slot_starts(made.asked.slots_a_day)
    stops = made.visits.with_columns(
        kind=pl.struct("is_unsafe", "chosen_by").map_elements(visit_charts.chosen, return_dtype=pl.String),
        # a list: Polars calls a function of ours in threads of its own, where nobody has said how dates are written
        when=pl.Series(
            [
                visit_charts.when(day, f"{starts[slot - 1]:%H:%M}")
                for day, slot in made.visits.select("day", "slot").iter_rows()
            ],
            dtype=pl.String,
        ),
    )
    known = stops.drop_nulls(["latitude", "longitude"])
    if 2 * known.height < stops.height:
        st.altair_chart(visit_charts.visits_by_area(stops, looks.current()), alt="How many visits lie in each area")
        return
    others = made.candidates.drop_nulls(["latitude", "longitude"]).join(stops, on="system_id", how="anti")
    home = made.asked.home or rules.home
    is_near = home is None or visit_charts.is_near(home, known)
    st.altair_chart(
        visit_charts.visit_map(known, others, home if is_near else None, looks.current()),
        alt="Where the planned visits are, each with a shape for how it was chosen, and the systems that stand next",
    )
    missing = stops.height - known.height
    more = f" Of {words.counted(missing, 'visit')} the place is not known." if missing else ""
    far = "" if is_near else " Home base lies too far off to be drawn with them: are its latitude and longitude right?"
    components.note(f"By latitude and longitude, north up; no map is fetched.{more}{far}")


def _open_clicked(ids: list[str | None], systems: list[str], key: str) -> None:
    click = st.session_state.get(key)
    if click is not None and 0 <= click["row"] < len(ids) and ids[click["row"]]:
        of_system = JobList("system", {"system": systems[click["row"]]})
        components.open_job(str(ids[click["row"]]), jobs=of_system)


# --- choices in the address


def _day(label: str, key: str, default: dt.date) -> dt.date:
    """A day, kept in the address."""

    def read(raw: str) -> dt.date | None:
        try:
            return dt.date.fromisoformat(raw)
        except ValueError:
            return None

    links._seed(key, read, default)
    value = st.date_input(label, key=key, format="YYYY-MM-DD", width=150)
    day = value if isinstance(value, dt.date) else default
    links._keep(key, day, default)
    return day


def _many(
    label: str, options: list[str], key: str, placeholder: str, default: list[str], *, is_open: bool = False
) -> list[str]:
    """Several of a list, or, where it is open, what else is typed; kept in the address."""

    def read(raw: str) -> list[str]:
        return [part for part in raw.split("|") if part and (is_open or part in options)]

    links._seed(key, read, default)
    chosen = list(st.session_state.get(key) or [])
    value = st.multiselect(
        label, list(dict.fromkeys([*options, *chosen])), key=key, placeholder=placeholder, accept_new_options=is_open,
        width=330,
    )  # fmt: skip
    links._keep(key, "|".join(value), "|".join(default))
    return list(value)
