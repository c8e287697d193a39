"""The owner's month on one page: better or worse, what it costs, how sure, what was done; nobody is named."""

from __future__ import annotations

import calendar
import datetime as dt
from typing import Any

import polars as pl

from dashboard import words
from dashboard.papers.ledger import Ledger
from pipelines.errors import InputError

TITLE = "The month"
MONTHS_SHOWN = 24
HOW = (
    "A job is good when every step that belongs to it and can be told was measured within its limit. Inside the dark band "
    "a month's share moves as chance moves it (19 months in 20); beyond the outer lines (1 month in 500 by chance) something "
    "has changed. Steps without a record are in neither count."
)
HOW_COST = (
    "What callbacks and compressor failures cost beyond what the same jobs would have had with every step good, from this "
    "house's own records. It is what goes along with the steps, not a proof that they caused it; jobs from years ago still "
    "count."
)
FOOT = "Nobody is named on this page, and no share of it can be read as one person's."

_DONE = """
    select
        (select count(*) from staged_job where finished_on between $first and $last) as jobs,
        (select count(*) from step_grade g join staged_job j using (job_id)
            where j.finished_on between $first and $last and g.state not in ('not_applicable', 'disputed')) as steps,
        (select count(*) from step_grade g join staged_job j using (job_id)
            where j.finished_on between $first and $last and g.state in ('passed', 'failed', 'cannot_tell')
                and g.measured is not null) as measured,
        (select count(*) from staged_call where call_kind::varchar = 'proactive' and opened_on between $first and $last)
            as visits,
        (select count(*) from staged_call where call_kind::varchar = 'proactive' and put_right
            and opened_on between $first and $last) as put_right,
        (select count(*) from staged_call where call_kind::varchar in ('callback', 'repair', 'warranty')
            and opened_on between $first and $last) as unplanned,
        (select count(distinct (course, held_on)) from staged_training where held_on between $first and $last) as courses,
        (select count(distinct technician_id) from staged_training where held_on between $first and $last) as taught
"""


def content(ledger: Ledger, month: dt.date | None = None) -> dict[str, Any]:
    """Everything that the template prints.

    month : any day of it; without one, the last whole month of the data.

    Raises
    ------
    InputError : nothing has been fitted, or the month holds no job.
    """
    ledger.need("month_step")
    first = (month or last_whole_month(ledger.as_of())).replace(day=1)
    last = first.replace(day=calendar.monthrange(first.year, first.month)[1])
    months = ledger.ask(
        "select * from month_step where step = 'whole_job' and coalesce(crew, '') in ('', 'fleet', 'all') "
        "and month <= $first and month > $first::date - to_months($months) order by month",
        first=first,
        months=MONTHS_SHOWN,
    )
    this = months.filter(pl.col("month") == first)
    if this.is_empty() or not this["known"][0]:
        raise InputError(f"No job finished in {words.month(first)} can be told yet. Name another month with --month.")
    return {
        "head": TITLE,
        "stamp": ledger.stamp(),
        "foot": FOOT,
        "month": f"{words.month(first)}",
        "answer": _answer(this.row(0, named=True)),
        "number": _number(ledger),
        "chart": _chart(months),
        "how": HOW,
        "done": _done(ledger.ask(_DONE, first=first, last=last).row(0, named=True)),
        "cost": _cost_by_step(ledger),
    }


def last_whole_month(as_of: dt.date | None) -> dt.date:
    """A day of the last month that the data covers to its end."""
    if as_of is None:
        raise InputError("No dated job has been loaded yet.")
    if as_of.day == calendar.monthrange(as_of.year, as_of.month)[1]:
        return as_of
    return as_of.replace(day=1) - dt.timedelta(days=1)


def _answer(row: dict[str, Any]) -> str:
    share = words.share_with_range(row["rate"], row.get("low"), row.get("high"))
    least, most = row.get("limit_low_95"), row.get("limit_high_95")
    if least is None or most is None:
        beside = "too few months to say whether that is usual"
    elif row["rate"] < least:
        beside = f"worse than chance alone moves a month ({words.share_range(least, most)})"
    elif row["rate"] > most:
        beside = f"better than chance alone moves a month ({words.share_range(least, most)})"
    else:
        beside = f"neither better nor worse than chance moves a month ({words.share_range(least, most)})"
    return (
        f"In {words.month(row['month'])}, {words.count(row['good'])} of the {words.counted(row['known'], 'job')} that can be told "
        f"were good in every step, {share}: {beside}."
    )


def _number(ledger: Ledger) -> dict[str, str]:
    """The cost of a year with its range; where it cannot be told, say so and why not a figure."""
    currency = ledger.house_rules().currency
    cost = ledger.ask_table("step_cost", "select * from step_cost where step = 'all'")
    if cost.is_empty() or cost["extra_cost_per_year"][0] is None:
        return {
            "figure": "No figure yet",
            "range": "what it costs cannot be told from the failures on record so far; that is not the same as nothing",
            "about": HOW_COST,
        }
    row = cost.row(0, named=True)
    run = ledger.ask_table("fit_run", "select * from fit_run limit 1")
    behind = (
        f" Behind it: {words.counted(run['compressor_failures'][0], 'compressor failure')} and "
        f"{words.counted(run['callbacks'][0], 'callback')} on {words.counted(run['systems'][0], 'system')}."
        if run.height and "callbacks" in run.columns
        else ""
    )
    return {
        "figure": f"{words.money(row['extra_cost_per_year'], currency)} a year",
        "range": f"{words.money_range(row['low'], row['high'], currency)}, 95 % range, goes along with steps that were not good",
        "about": HOW_COST + behind,
    }


def _chart(months: pl.DataFrame) -> dict[str, Any]:
    names = ("rate", "centre", "limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998")
    points = [
        {
            "label": f"{words.month(row['month'], short=True)}",
            **{name: row.get(name) for name in names},
            "known": row["known"],
            "change": row.get("change") or "",
        }
        for row in months.iter_rows(named=True)
        if row["rate"] is not None
    ]
    marked = [point["label"] for point in points if _beyond(point)]
    told = f"Outside the band: {words.joined(marked)}." if marked else "No month lies outside the band."
    rates = [point["rate"] for point in points]
    alt = (
        f"Share of jobs good in every step, month by month, {points[0]['label']} to {points[-1]['label']}: from "
        f"{words.share(min(rates))} to {words.share(max(rates))}, last {words.share(rates[-1])}. {told}"
    )
    return {"points": points, "alt": alt, "told": told}


def _beyond(point: dict[str, Any]) -> bool:
    least, most = point["limit_low_95"], point["limit_high_95"]
    return least is not None and most is not None and not least <= point["rate"] <= most


def _done(row: dict[str, Any]) -> list[str]:
    courses = (
        f"{words.counted(row['courses'], 'course')} held, {words.counted(row['taught'], 'person', 'people')} taught."
        if row["courses"]
        else "No course on record."
    )
    visits = (
        f"{words.counted(row['visits'], 'early visit')}; on {words.count(row['put_right'])} something was put right."
        if row["visits"]
        else "No early visit on record."
    )
    return [
        f"{words.counted(row['jobs'], 'job')} finished, with {words.counted(row['steps'], 'step')}; "
        f"{words.count(row['measured'])} of them carry a reading.",
        f"{words.counted(row['unplanned'], 'unplanned call')} (callback, repair or warranty), on installs of any year.",
        visits,
        courses,
    ]


def _cost_by_step(ledger: Ledger) -> list[list[str]]:
    currency = ledger.house_rules().currency
    found = ledger.ask_table("step_cost", "select * from step_cost where step <> 'all'")
    if found.is_empty():
        return []
    found = found.filter(pl.col("extra_cost_per_year").is_not_null()).sort("extra_cost_per_year", descending=True)
    return [
        [
            words.step(row["step"]),
            words.money(row["extra_cost_per_year"], currency),
            words.money_range(row["low"], row["high"], currency),
        ]
        for row in found.head(4).iter_rows(named=True)
    ]
