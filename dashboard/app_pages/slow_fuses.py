"""Slow fuses: with so many visits to give, whom first and why; what to check there; what goes out of warranty soon."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, components, data, links, looks, plan_section, words
from dashboard.papers import planning
from dashboard.papers.visits import Stop
from dashboard.papers_button import papers_button
from pipelines.contract import STEPS

HOW_CHANCE = (
    "The chance of a compressor failure within the horizon, given that the system runs today: from its age, equipment, "
    "the steps of its last job, early visits, and the technician. Fitted on this fleet's own history. Where few failures "
    "tell, a step is drawn toward what steps usually do and a technician toward those whose work is like his. A step that "
    "is not known counts as his own share of not good makes it; the range holds both what it may have been. Where "
    "systems grow older than any that were followed, ranges grow too. **It is the range of the chance, not of the "
    "outcome; causes we do not see are not in it.** Systems that have not been seen for long stay on the list: ask first "
    "whether they still run."
)
HOW_SHARES = (
    "*What raises it* shares out what the chance has above the one had every step been good. *Not known*: nothing was "
    "recorded or the reading cannot be judged; that is not the same as not good."
)
HOW_BENEFIT = (
    "What a visit can still put right (the mendable share of each step, on *House rules*) × the chance × the cost of a "
    "failure − the cost of the visit. Where an early visit has already put something right, another one can only mend "
    "what that left. The mendable shares and the costs are the house's guesses until you change them; the range of "
    "*avoided* does not doubt them. It adds up failures, not money, and it is the range of the sum: what is in doubt is "
    "in doubt for all systems together."
)


def page() -> None:
    horizons = data.risk_horizons()
    if not horizons:
        if data.stamp().fitted:
            components.not_told_yet("Which installs to visit first", "install_risk")
        else:
            components.not_fitted("Which installs to visit first")
        return
    slot = st.container()
    with st.container(horizontal=True, vertical_alignment="top"):
        visits = links.number(
            "Visits to give", "visits", default=40, least=1, most=data.ROWS_AT_MOST, step=5, width=150
        )
        horizon = links.segmented(
            "Within", horizons, "horizon", default=horizons[0], format_func=lambda months: f"{months} months"
        )
        areas = data.risk_areas()
        area = links.select("Area", areas, "area", placeholder="All areas", width=190) if areas else None
        warranty = links.select(
            "Warranty ends within",
            [3, 6, 12],
            "warranty",
            placeholder="Any",
            format_func=lambda months: f"{months} months",
            width=190,
        )
    horizon = int(horizon or horizons[0])
    rules = data.house_rules()
    chosen = (horizon, area, warranty, rules.visit_cost)
    totals = data.risk_totals(*chosen, int(visits))
    with slot:
        _answer(totals, horizon, area, warranty)
        with st.container(horizontal=True):
            components.how_counted(f"{HOW_CHANCE}\n\n{HOW_SHARES}", "chance", "How is the chance counted?")
            components.how_counted(HOW_BENEFIT, "benefit", "How is the worth of a visit counted?")
    _warranty_soon(totals, warranty)
    if not totals.get("systems"):
        st.info("No system in service fits these choices. Widen the area or the warranty.")
        return
    st.altair_chart(
        charts.visits_and_failures_avoided(data.risk_curve(*chosen), int(visits), looks.current()),
        alt="Compressor failures avoided as visits are added in the order of the list, against no order at all",
    )
    _doubt(totals, horizon)
    _calibration_sentence(horizon)
    listed = data.risk_list(*chosen, int(visits))
    _list(listed, horizon, rules.currency)
    papers_button("visits", "Print visit cards", stops=tuple(Stop(system) for system in listed["system_id"]))
    _guesses(totals, rules.currency)
    plan_section.section(rules, int(visits), area, listed["system_id"].to_list(), warranty)
    components.cautions(("visit", "electrical", "flammable"))
    _how_good(horizon)


def _answer(totals: dict[str, Any], horizon: int, area: str | None, warranty: int | None) -> None:
    if not totals.get("systems"):
        components.answer("No system in service fits these choices.")
        return
    where = f" in {area}" if area else ""
    ending = f" whose warranty ends within {warranty} months" if warranty else ""
    one = totals["visits"] == 1
    first = "system" if one else words.counted(totals["visits"], "system")
    sentence = (
        f"The first {first} to visit{where}{ending} {'holds' if one else 'hold'} "
        f"{words.tenths(totals['expected_in'])} of the {words.tenths(totals['expected'])} compressor failures expected "
        f"within {horizon} months among {words.counted(totals['systems'], 'system')}; visiting {'it' if one else 'them'} would avoid about "
        f"{words.tenths(totals['avoided_in'])}{_range(totals['avoided_low'], totals['avoided_high'])}"
    )
    if not warranty and totals.get("warranty_soon"):
        sentence += (
            f", and {words.count(totals['warranty_soon'])} systems on the list go out of warranty within 6 months"
        )
    components.answer(sentence + ".")


def _warranty_soon(totals: dict[str, Any], warranty: int | None) -> None:
    """How many of these, and of all, go out of the maker's warranty soon; one click shows them alone."""
    if warranty or not totals.get("warranty_soon"):
        return
    first = "the first one" if totals["visits"] == 1 else f"the first {words.count(totals['visits'])}"
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(
            f"**⚠ Out of warranty within 6 months: {words.count(totals['warranty_soon_in'])} of {first}, "
            f"{words.count(totals['warranty_soon'])} of all {words.count(totals['systems'])}.** A failure before that day "
            "costs the maker, one after it the owner."
        )
        st.button("Show only these", icon=":material/filter_alt:", type="tertiary", on_click=_only_warranty)


def _only_warranty() -> None:
    st.query_params["warranty"] = "6"


def _range(low: float | None, high: float | None) -> str:
    """ " (4.0 to 6.5)", or nothing where no range is known."""
    return "" if low is None or high is None else f" ({words.tenths(low)} to {words.tenths(high)})"


def _doubt(totals: dict[str, Any], horizon: int) -> None:
    """What the sums rest on and how far they are in doubt."""
    behind = data.fit_run()
    rests = ""
    if behind.get("compressor_failures") is not None and behind.get("system_years") is not None:
        failures, years = words.counted(behind["compressor_failures"], "failure"), words.count(behind["system_years"])
        rests = f"The chances rest on {failures} in {years} years of service. "
    expected = ""
    if totals.get("expected_low") is not None:
        these = "the one" if totals["visits"] == 1 else f"these {words.count(totals['visits'])}"
        expected = (
            f"Expected within {horizon} months: {words.tenths(totals['expected_in'])}"
            f"{_range(totals['expected_in_low'], totals['expected_in_high'])} among {these} and "
            f"{words.tenths(totals['expected'])}{_range(totals['expected_low'], totals['expected_high'])} among all "
            f"{words.count(totals['systems'])}. "
        )
    components.note(
        f"{rests}{expected}These are ranges of the chance, not of the outcome: what comes differs from it by luck as well, "
        "and causes we do not see are not in it."
    )


def _back_tests(horizon: int) -> pl.DataFrame:
    """All back-tests of this horizon, the newest first; those of the shortest there is where this one has none."""
    groups = data.calibration()
    if groups.is_empty() or "horizon_months" not in groups.columns:
        return groups
    known = groups["horizon_months"].unique().to_list()
    chosen = horizon if horizon in known else min(known)
    return groups.filter(pl.col("horizon_months") == chosen).sort("cutoff", descending=True, maintain_order=True)


def _back_test(horizon: int) -> pl.DataFrame:
    """The newest back-test of this horizon, else of the shortest there is."""
    groups = _back_tests(horizon)
    return groups if groups.is_empty() else groups.filter(pl.col("cutoff") == groups["cutoff"].max())


def _calibration_sentence(horizon: int) -> None:
    """What the list said at an earlier date and what then happened, in words."""
    latest = _back_test(horizon)
    if latest.is_empty():
        components.note(
            "How well the list would have done in earlier years cannot be told yet: too few failures lie behind it."
        )
        return
    top = latest.sort("said", descending=True).row(0, named=True)
    months = top.get("horizon_months", 12)
    said_range = ""
    if top.get("said_low") is not None:
        said_range = f" ({words.share_range(top['said_low'], top['said_high'], 1)})"
    components.note(
        f"**Did it hold?** Of the {words.counted(top['systems'], 'system')} that stood highest on "
        f"{words.date(top['cutoff'])} and were not visited, {words.share(top['seen'], 1)} failed within {months} months "
        f"({words.share_range(top['low'], top['high'], 1)}); we had said {words.share(top['said'], 1)}{said_range}."
    )


def as_list(value: Any) -> list[str]:
    """The parts of a text column that may hold a list, a JSON list, or parts between semicolons."""
    if value is None:
        return []
    if isinstance(value, pl.Series):
        return [str(part) for part in value.to_list()]
    if isinstance(value, (list, tuple)):
        return [str(part) for part in value]
    text = str(value).strip()
    if text.startswith("["):
        try:
            return [str(part) for part in json.loads(text)]
        except ValueError:
            pass
    parts = [part.strip() for part in text.split(",")]
    if all(part in STEPS for part in parts):
        return parts
    return [part.strip() for part in text.split(";") if part.strip()]


def reasons_in_words(value: Any, shown: int = 3) -> str:
    """The largest reasons by their steps' names, and how many more there are."""
    return _first_of([words.step(part) if part in STEPS else part for part in as_list(value)], shown)


def shares_in_words(value: Any, shown: int = 3) -> str:
    """ "Evacuation 61 %, airflow 24 %, charge by weight (not known) 15 %" from the column reason_shares."""
    parts = []
    for part in str(value or "").split(", "):
        name, _, share = part.rpartition(" ")
        if not name:
            continue
        code = name.removesuffix(" (not known)")
        parts.append(f"{words.step(code)}{name[len(code) :]} {words.share(float(share))}")
    return _first_of(parts, shown)


def _first_of(parts: list[str], shown: int) -> str:
    more = len(parts) - shown
    text = ", ".join(part if n == 0 else part[0].lower() + part[1:] for n, part in enumerate(parts[:shown]) if part)
    return f"{text} and {more} more" if more > 0 else text or "age and equipment alone"


def in_words(value: Any) -> str:
    """Parts as a person reads them; a bare code of a step becomes the step's name."""
    parts = []
    for part in as_list(value):
        code, _, rest = part.partition(":")
        parts.append(words.step(code) + (f": {rest.strip()}" if rest else "") if code in STEPS else part)
    return "; ".join(parts)


def _list(risks: pl.DataFrame, horizon: int, currency: str) -> None:
    components.heading("Whom first, and why")
    ids = risks["job_id"].to_list()
    as_of = risks["as_of"][0]

    def seen(day: Any) -> str:
        if day is None:
            return "not known"
        return f"? {words.date(day)}" if as_of is not None and (as_of - day).days > 365 else words.date(day)

    table = pl.DataFrame(
        {
            "Job": ["Open"] * len(ids),
            "System": risks["system_id"],
            "Chance": [words.share(p, 1) for p in risks["probability"]],
            "Its range": [words.share_range(lo, hi, 1) for lo, hi in zip(risks["low"], risks["high"], strict=True)],
            "Maker's warranty": [planning.warranty_note(day, as_of) for day in risks["warranty_until"]],
            "Had every step been good": [
                f"{words.share(p, 1)} ({words.share_range(lo, hi, 1)})"
                for p, lo, hi in zip(
                    risks["probability_if_good"], risks["if_good_low"], risks["if_good_high"], strict=True
                )
            ],
            "What raises it": [
                shares_in_words(shares) if shares is not None else reasons_in_words(reasons)
                for shares, reasons in zip(risks["reason_shares"], risks["reasons"], strict=True)
            ],
            "Take and look at": [in_words(value) for value in risks["check_on_visit"]],
            "Last seen": [seen(day) for day in risks["last_seen_on"]],
            "Worth": [words.money(v, currency) for v in risks["visit_benefit"]],
            "Area": risks["area"],
            "Equipment": [words.EQUIPMENT.get(str(e), str(e or "not known")) for e in risks["equipment"]],
            "Refrigerant": risks["refrigerant"].cast(pl.String),
            "Installed": risks["finished_on"],
        }
    )
    # as in job_table: the key follows the rows
    key = f"risk_open_{abs(hash(tuple(map(str, ids)))) % 10**8}"
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(ids), 520),
        column_config={
            "Job": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=key, on_click=components.open_chosen, args=(ids, key)
            ),
            "System": st.column_config.TextColumn(pinned=True),
            "Chance": st.column_config.TextColumn(help=f"Of a compressor failure within {horizon} months"),
            "Maker's warranty": st.column_config.TextColumn(
                width=150,
                help="⚠ ends within 6 months: a failure before that day costs the maker, one after it the owner",
            ),
            "What raises it": st.column_config.TextColumn(
                width=450, help="Each step's share of what the chance has above the one had every step been good"
            ),
            "Had every step been good": st.column_config.TextColumn(help="The same chance, with its range"),
            "Take and look at": st.column_config.TextColumn(width=360),
            "Installed": st.column_config.DateColumn(format=words.day_column()),
            "Worth": st.column_config.TextColumn(help="What the visit can save, less its cost"),
        },
        alt="The systems to visit first, with their chance, the reasons and what to look at",
    )
    components.open_first(ids, key)
    components.note(
        f"{words.counted(risks.height, 'system')}, in the order of what a visit is worth at 12 months. "
        "⚠ warranty ends within 6 months; ? not seen for a year."
    )


def _guesses(totals: dict[str, Any], currency: str) -> None:
    guessed = [name for name, (_, guess) in data.rules_of_generation().items() if guess]
    mark = " These rest on the **house's guesses, change them** on *House rules*." if guessed else ""
    components.note(
        f"A visit pays for itself on {words.counted(totals['worth_it'], 'system')}; if a visit put right half as much "
        f"(or a failure cost half), on {words.count(totals['worth_it_at_half'])}; if double, on "
        f"{words.count(totals['worth_it_at_double'])}. The order of the list stays the same in all three.{mark}"
    )


CARD_MEANING = {
    "Told apart (AUC)": "of one system that failed and one that did not, how often the list had set the one that failed "
    "higher; 0.50 is a coin, 1.00 always",
    "Calibration slope": "1.00 where the chances lie as far apart as what came; below it they were said too boldly, above it "
    "too timidly",
    "Caught in the top 2 %": "how many of all failures were among the first 2 in 100 of the list",
    "Caught in the top 5 %": "the same, among the first 5 in 100",
    "Brier score": "how far the chances lay from what came, squared and averaged; the lower the better",
    "of the plain rate": "the same, had every system been given the fleet's own rate; the list must lie below it",
}


def _how_good(horizon: int) -> None:
    card = data.model_card()
    groups = _back_test(horizon)
    if card.is_empty() and groups.is_empty():
        return
    with st.expander("How good is this list on years it had not seen?", icon=":material/fact_check:", key="model_card"):
        if not groups.is_empty():
            # the first group stands on its own, apart from the tenths
            tenths = groups.filter(~pl.col("group").cast(pl.String).str.starts_with("highest"))
            st.altair_chart(
                charts.said_and_seen(tenths, looks.current()),
                alt="Share of systems said to fail against the share that did, by group, with the range of what was seen",
            )
            components.note("On the dashed line, what was said is what came. Systems that were visited are left out.")
            _years_table(_back_tests(horizon))
        if not card.is_empty():
            table = _card_table(card)
            st.dataframe(
                table,
                hide_index=True,
                placeholder="–",
                height="content",
                column_config={
                    "Asked on": st.column_config.DateColumn(format=words.day_column()),
                    "Systems": st.column_config.NumberColumn(format="localized"),
                    **{name: st.column_config.TextColumn(help=meaning) for name, meaning in CARD_MEANING.items()},
                },
                alt="How the list did on earlier dates",
            )
            components.note("\n".join(f"- *{name}*: {meaning}." for name, meaning in CARD_MEANING.items()))


def _years_table(groups: pl.DataFrame) -> None:
    """What was said of the highest on each earlier day, and what came."""
    highest = groups.filter(pl.col("group").cast(pl.String).str.starts_with("highest"))
    if highest.height < 2:
        return
    months = highest["horizon_months"][0]
    table = pl.DataFrame(
        {
            "Asked on": highest["cutoff"],
            "Highest": highest["systems"],
            "We had said": [
                f"{words.share(said, 1)} ({words.share_range(low, high, 1)})"
                for said, low, high in highest.select("said", "said_low", "said_high").iter_rows()
            ],
            "Failed": [
                f"{words.share(seen, 1)} ({words.share_range(low, high, 1)})"
                for seen, low, high in highest.select("seen", "low", "high").iter_rows()
            ],
        }
    )
    components.note(f"The highest of the list on each earlier day, not visited, and what came within {months} months:")
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height="content",
        column_config={"Asked on": st.column_config.DateColumn(format=words.day_column())},
        alt="What was said of the highest systems on earlier days and the share that failed",
    )


def _hundredths(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _card_table(card: pl.DataFrame) -> pl.DataFrame:
    """The model card as a person reads it."""
    return pl.DataFrame(
        {
            "Asked on": card["cutoff"],
            "Horizon": [f"{m} months" for m in card["horizon_months"]],
            "Systems": card["systems"],
            "Failures": card["events"],
            "Said": [words.share(v, 2) for v in card["said"]],
            "Seen": [words.share(v, 2) for v in card["seen"]],
            "Told apart (AUC)": [
                f"{_hundredths(a)} ({_hundredths(lo)} to {_hundredths(hi)})"
                for a, lo, hi in zip(card["auc"], card["auc_low"], card["auc_high"], strict=True)
            ],
            "Calibration slope": [_hundredths(v) for v in card["calibration_slope"]],
            "Caught in the top 2 %": [words.share(v) for v in card["captured_top_2pct"]],
            "Caught in the top 5 %": [words.share(v) for v in card["captured_top_5pct"]],
            "Brier score": [words.number(v, 4) for v in card["brier"]],
            "of the plain rate": [words.number(v, 4) for v in card["brier_of_base_rate"]],
        }
    )


if __name__ == "__main__":
    page()
