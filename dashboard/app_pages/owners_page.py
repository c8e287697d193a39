"""Owner's page: what it costs us, whether it gets better or worse, and how sure that is. No person is named."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import streamlit as st

from dashboard import components, data, data_owner, links, looks, machine_section, owner_charts, words
from dashboard.data_ways import JobList
from dashboard.papers_button import papers_button

HOW_COST = (
    "Among the jobs still followed in the last 12 months, the callbacks and compressor failures beyond what the same "
    "jobs would have had with every step good, times what one costs. Only links that are *clear* or *leaning* enter "
    "(see *What skipping does*), so what cannot be told yet counts as nothing: the true cost may be higher. The range "
    "covers 95 of 100: it holds the doubt about the links, not the doubt about the price of one failure.\n\n"
    "The links come from comparing jobs of the same people, not from a trial; what we do not see may play a part."
)
HOW_MONTHS = (
    "A job counts as good when every step that belongs to it and is known was measured and within its limit, so one step "
    "that was only ticked makes the whole job not good. Jobs of which nothing is known are left out. The grey band is "
    "where 95 of 100 months would lie if nothing had changed, on each month's kinds of jobs; the dashed lines 998 of "
    "1,000. A month outside the band now and then is chance. A marked month is one where the months together had "
    "moved too far for chance: about one false mark in 1,000 months.\n\n"
    "The year's difference is held against the year before by counts alone: a change of equipment or form is in it."
)


def page() -> None:
    stamp = data.stamp()
    if not stamp.fitted:
        components.not_fitted("What it costs us")
        return
    rules = data.house_rules()
    cost = data_owner.total_cost()
    year = data_owner.year_against_year()
    _answer(cost, year, rules.currency)
    with st.container(horizontal=True):
        components.how_counted(HOW_COST, "cost", "How is the cost counted?")
        components.how_counted(HOW_MONTHS, "months", "How are the months counted?")
        papers_button("owner")
    _the_number(cost, year, rules.currency)
    _months(year)
    _how_sure(cost, rules.currency)
    _by_step(cost, rules.currency)
    machine_section.owner_lines()
    _so_far()
    _next()


def direction(year: dict[str, Any]) -> str | None:
    """`better`, `worse` or `same` against the year before; None where there is no year to compare with."""
    if not year or year.get("difference_low") is None:
        return None
    if year["difference_low"] > 0:
        return "better"
    return "worse" if year["difference_high"] < 0 else "same"


def _trend_words(year: dict[str, Any]) -> str:
    if not year:
        return "no month has ended yet whose jobs could be judged"
    now = f"{words.share(year['rate'])} of {words.counted(year['known'], 'job')} were good in every step in the last 12 months"
    which = direction(year)
    if which is None:
        return f"{now}, and there is no earlier year to compare with"
    before = f"{words.share(year['rate_before'])} of {words.count(year['known_before'])} the year before"
    return {
        "better": f"it gets better: {now}, against {before}",
        "worse": f"it gets worse: {now}, against {before}",
        "same": f"no clear change: {now}, against {before}",
    }[which]


def _answer(cost: dict[str, Any], year: dict[str, Any], currency: str) -> None:
    if cost:
        first = (
            f"Steps that were not good cost us about {words.money(cost['extra_cost_per_year'], currency)} a year "
            f"({words.money_range(cost['low'], cost['high'], currency)})"
        )
    else:
        first = (
            f"What steps that were not good cost us cannot be told yet from {words.counted(data.stamp().jobs, 'job')}"
        )
    components.answer(f"{first}; {_trend_words(year)}.")


def _the_number(cost: dict[str, Any], year: dict[str, Any], currency: str) -> None:
    """The figures of the sentence once more, large, each with its range: for who reads numbers before words."""
    with st.container(horizontal=True, key="owner_figures"):
        if cost:
            _figure("A year's cost", words.money(cost["extra_cost_per_year"], currency),
                    f"{words.money_range(cost['low'], cost['high'], currency)}")  # fmt: skip
        if year:
            _figure("Jobs good in every step", words.share(year["rate"]),
                    f"{words.share_range(year['low'], year['high'])}, of {words.counted(year['known'], 'job')}")  # fmt: skip
            if direction(year) is not None:
                _figure("Against the year before", f"{_points(year['difference'])} points", _points_range(year))


def _figure(name: str, value: str, beside: str) -> None:
    st.metric(
        name,
        words.in_markdown(value),
        delta=words.in_markdown(beside),
        delta_color="off",
        delta_arrow="off",
        border=True,
        width=232,
    )


def _points(value: float | None) -> str:
    """A difference of shares to a tenth of a point: the years often lie closer than the rounding would show."""
    return "–" if value is None else f"{100 * value:+.1f}".replace("-", words.MINUS)


def _points_range(year: dict[str, Any]) -> str:
    return f"{_points(year['difference_low'])} to {_points(year['difference_high'])} points"


def _months(year: dict[str, Any]) -> None:
    components.heading("Better or worse?")
    months = data_owner.whole_jobs_by_month()
    shown = months.filter(pl.col("known") > 0) if months.height else months
    if shown.is_empty():
        components.note("No month of the last two years has a job whose steps are known.")
        return
    st.altair_chart(
        owner_charts.control_chart(shown, looks.current()),
        alt="Share of jobs good in every known step, month by month over two years, with the band that chance would fill "
        "and each marked change",
    )
    marked = shown.filter(pl.col("change").fill_null("") != "")
    changes = [
        f"**{words.month(row['month'])}**: {'▲ better' if row['change'] == 'better' else '▼ worse'} by more than chance"
        for row in marked.iter_rows(named=True)
    ]
    outside = _outside(shown)
    note = (
        f"Marked: {words.joined(changes)}."
        if changes
        else "No month is marked: over these months nothing has moved by more than chance."
    )
    part = " The last month has not ended yet." if shown["is_part"][-1] else ""
    odd = (
        f" {words.counted(outside, 'single month')} of {words.count(shown.height)} lay outside the band."
        if outside
        else ""
    )
    components.note(f"{note}{odd}{part} {words.counted(int(shown['known'].sum()), 'job')} in all.")
    which = direction(year)
    if which is not None:
        end = {
            "better": "The year is better than the one before by more than chance.",
            "worse": "The year is worse than the one before by more than chance.",
            "same": "That could be chance either way.",
        }[which]
        components.note(f"Year against year: {_points(year['difference'])} points ({_points_range(year)}). {end}")
    with st.expander("The months as a table", icon=":material/table:", key="months"):
        st.dataframe(
            pl.DataFrame(
                {
                    "Month": shown["month"],
                    "Good": [words.share(rate) for rate in shown["rate"]],
                    "Its range": [
                        words.share_range(lo, hi) for lo, hi in zip(shown["low"], shown["high"], strict=True)
                    ],
                    "Jobs good": shown["good"],
                    "Jobs known": shown["known"],
                    "Band": [
                        words.share_range(lo, hi)
                        for lo, hi in zip(shown["limit_low_95"], shown["limit_high_95"], strict=True)
                    ],
                }
            ),
            hide_index=True,
            placeholder="–",
            height=min(38 + 35 * shown.height, 400),
            column_config={"Month": st.column_config.DateColumn(format=words.month_column())},
            alt="Each month's share of jobs good in every known step",
        )
        with_jobs = [month for month, known in shown.select("month", "known").iter_rows() if known][::-1]
        if with_jobs:
            with st.container(horizontal=True, vertical_alignment="bottom"):
                month = links.select(
                    "Open the jobs of", [f"{one:%Y-%m-%d}" for one in with_jobs], "month",
                    default=f"{with_jobs[0]:%Y-%m-%d}", width=190,
                    format_func=lambda text: words.month(dt.date.fromisoformat(text)),
                )  # fmt: skip
                known = dict(shown.select(pl.col("month").cast(pl.String), "known").iter_rows()).get(str(month), 0)
                components.open_list(
                    f"Its {words.counted(known, 'job')}, from the newest",
                    JobList("month", {"month": str(month)}),
                    "of_month",
                )
    st.page_link(
        "app_pages/crew_week.py", label="The steps and jobs behind it", icon=":material/groups:",
    )  # fmt: skip


def _outside(months: pl.DataFrame) -> int:
    return months.filter(
        (pl.col("rate") < pl.col("limit_low_95").cast(pl.Float64))
        | (pl.col("rate") > pl.col("limit_high_95").cast(pl.Float64))
    ).height


def _how_sure(cost: dict[str, Any], currency: str) -> None:
    components.heading("How sure is that?")
    run = data.fit_run()
    evidence = data_owner.evidence_counts()
    lines = []
    if run.get("compressor_failures") is not None:
        lines.append(
            f"It rests on {words.counted(run['compressor_failures'], 'compressor failure')} and "
            f"{words.counted(run['callbacks'], 'callback')} in {words.count(run['system_years'])} years of service of "
            f"{words.counted(run['systems'], 'system')}."
        )
    if evidence:
        firm, weak = evidence.get("clear", 0), evidence.get("leaning", 0)
        asked = sum(evidence.values())
        lines.append(
            f"Of {words.counted(asked, 'link')} asked about (a step, and callbacks or failures, early or late), "
            f"{words.count(firm)} are clear and {words.count(weak)} lean; for the other {words.count(asked - firm - weak)} "
            "there is not enough to say, which is not the same as no effect."
        )
    if cost and run.get("failure_cost") is not None:
        lines.append(
            f"A compressor failure is counted at {words.money(run['failure_cost'], currency)}"
            f"{_guess(run.get('failure_cost_is_guess'))}, a callback at "
            f"{words.money(run['callback_cost'], currency)}{_guess(run.get('callback_cost_is_guess'))}. "
            "Half the price is half the cost: change them on *House rules*."
        )
    if not cost:
        lines += _what_is_missing()
    for line in lines:
        components.note(f"- {line}")
    st.page_link(
        "app_pages/what_skipping_does.py", label="How strong each link is", icon=":material/stacked_line_chart:",
    )  # fmt: skip


def _guess(is_guess: Any) -> str:
    return " (**the house's guess**)" if is_guess else " (from the house's own records or rules)"


def _what_is_missing() -> list[str]:
    needed = data.evidence_needed()
    texts = needed.filter(pl.col("topic") == "step_effect")["text"].to_list() if needed.height else []
    head = "No link between a step and a callback or failure is clear or leans yet, so no money is named."
    if not texts:
        return [head]
    more = len(texts) - 3
    rest = [f"And {words.counted(more, 'question')} more: see *Loading dock*."] if more > 0 else []
    return [head, *(words.escaped(text) for text in texts[:3]), *rest]


def _by_step(cost: dict[str, Any], currency: str) -> None:
    steps = data_owner.cost_by_step()
    if steps.is_empty():
        return
    components.heading("Where it comes from")
    st.altair_chart(
        owner_charts.cost_by_step(steps, currency, looks.current()),
        alt="A year's cost of each step that was not good, with its range, the largest first",
    )
    left_out = data_owner.steps_without_cost()
    note = "The steps overlap, so they do not add up to the total." if cost else ""
    if left_out:
        names = words.joined(words.step(step).lower() for step in left_out)
        note += f" Nothing can be told yet of {names}: that is not the same as no cost."
    if note:
        components.note(note.strip())
    with st.expander("The steps as a table", icon=":material/table:", key="cost_steps"):
        st.dataframe(
            pl.DataFrame(
                {
                    "Step": [words.step(step) for step in steps["step"]],
                    "A year's cost": [words.money(value, currency) for value in steps["extra_cost_per_year"]],
                    "Its range": [
                        words.money_range(lo, hi, currency) for lo, hi in zip(steps["low"], steps["high"], strict=True)
                    ],
                    "Rests on": [_links(text) for text in steps["effects_used"]],
                    "Jobs a year not done, or ticked with nothing measured": [
                        words.count(value) for value in steps["skipped_jobs_per_year"]
                    ],
                }
            ),
            hide_index=True,
            placeholder="–",
            height="content",
            alt="A year's cost by step",
        )


def _links(text: str | None) -> str:
    """The links behind a cost, as step_cost names them ("callback early (clear), ..."), in words."""
    named = []
    for part in (text or "").split(", "):
        outcome, _, rest = part.partition(" ")
        named.append(f"{words.outcomes(outcome)} {rest}".strip() if rest else part)
    return ", ".join(named)


def _so_far() -> None:
    """What was tried and what came of it, as far as records hold it; nothing is made up."""
    courses = data_owner.courses_told()
    visits = data_owner.early_visits()
    lines = []
    for row in courses.iter_rows(named=True) if courses.height else ():
        clear = row["low"] > 0 or row["high"] < 0
        verdict = "" if clear else ": that could be chance"
        lines.append(
            f"{words.step(row['step'])} was taught to {words.counted(row['technicians_trained'], 'person', 'people')}: "
            f"{words.points(row['change_in_rate'])} ({words.points_range(row['low'], row['high'])}) against "
            f"{words.count(row['technicians_compared'])} who were not taught{verdict}."
        )
    if visits.get("visits"):
        lines.append(
            f"{words.counted(visits['visits'], 'early visit')} were made in the last 12 months; on "
            f"{words.count(visits['put_right'])} something was put right. Whether that avoided failures the records "
            "do not say by themselves."
        )
    if not lines:
        return
    components.heading("What was done so far")
    for line in lines:
        components.note(f"- {line}")
    if courses.height:
        st.page_link("app_pages/shop_class.py", label="What the courses changed", icon=":material/school:")


def _next() -> None:
    """The one question that follows: what can be done now."""
    risk = data_owner.whole_list_risk()
    if not risk or not risk.get("expected"):
        return
    components.heading("What can still be done")
    components.note(
        f"Of {words.counted(risk['systems'], 'system')} in service, {words.count(risk['expected'])} compressor failures "
        f"are expected within 12 months ({words.count(risk['low'])} to {words.count(risk['high'])}). "
        "Which to visit first, and what a visit is worth, stands on *Slow fuses*."
    )
    st.page_link("app_pages/slow_fuses.py", label="The installs to visit first", icon=":material/timer:")


if __name__ == "__main__":
    page()
