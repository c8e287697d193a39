"""What every reader must know before he reads a figure: something failed, or the figures are older than the records.

A load or fit that is running is told by the page that frames all others, since it changes while one looks.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import streamlit as st

from dashboard import data, data_ways, words
from pipelines.house_rules import HouseRules

OLD_AFTER_WORKING_DAYS = 7
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
FIT_AGAIN = "Press *Work the figures out again* on *House rules*, or run `slowfuse fit`."
TRIED = {"load": "load", "fit": "fit", "undo": "taking back of a load"}


@dataclass(frozen=True)
class Condition:
    """One thing that is not as it should be: a title, what it means for the figures, and what to do.

    kind : `failed` or `stale`; reason : what failed, to put it away by, or "fit" where a fit mends it.
    """

    kind: str
    title: str
    words: str
    reason: str = ""


def conditions() -> list[Condition]:
    """What is not as it should be, the gravest first; none where the store is in order. In Markdown."""
    return [*_failed(), *_stale()]


def _failed() -> list[Condition]:
    pointer = data.store().pointer()
    shown = (
        f"The figures are those of generation {pointer.generation}, made {_time(pointer.made_at)}; nothing of them was lost."
        if pointer
        else "Nothing has been loaded before it."
    )
    found = []
    for failure in data.store().failures():
        tried = TRIED.get(failure.reason, failure.reason)
        if failure.was_killed:
            title = f"The {tried} of {_time(failure.started_at)} was broken off"
            said = "It ended without a word: the machine was shut down, ran out of memory, or somebody stopped it."
        else:
            title = f"The {tried} of {_time(failure.started_at)} failed"
            said = f"It said: {words.escaped(_short(failure.message))}"
        todo = {
            "fit": FIT_AGAIN,
            "undo": "Try it again; `slowfuse check` says whether the store is whole.",
        }.get(failure.reason, "Put that right and load the files again: what is already in is not read twice.")
        found.append(Condition("failed", title, f"{said} {shown} {todo}", failure.reason))
    return found


def _stale() -> list[Condition]:
    try:
        stamp = data.stamp()
    except data_ways.STORE_FAULTS:
        return []
    if not stamp.jobs:
        return []
    return [found for found in (_newer_records(stamp), _changed_rules(stamp), _old_records()) if found]


def _newer_records(stamp: data.Stamp) -> Condition | None:
    """Records came, or were taken back, after the statistics were worked out."""
    if not stamp.fitted:
        return None  # the pages say that themselves
    change = data_ways.changed_since_fit()
    if change["loads"]:
        return Condition(
            "stale",
            "The statistics are older than the records",
            f"{words.counted(change['loads'], 'load')} since {words.moment(change['fitted_at'])}: grades and jobs are new, "
            "rates, chances and costs are not.",
            "fit",
        )
    if change["newest_on"] and stamp.as_of and change["newest_on"] > stamp.as_of:
        return Condition(
            "stale",
            f"Worked out as of {words.date(stamp.as_of)}",
            f"the records go on to {words.date(change['newest_on'])}.",
            "fit",
        )
    return None


def _changed_rules(stamp: data.Stamp) -> Condition | None:
    differ = data_ways.rules_changed(data.house_rules())
    if not differ or not stamp.fitted:
        return None
    return Condition(
        "stale", "House rules changed since", f"the figures stand on the earlier {words.joined(differ)}.", "fit"
    )


def _old_records() -> Condition | None:
    newest = data_ways.changed_since_fit()["newest_on"]
    if newest is None:
        return None
    days = working_days_between(newest, dt.date.today(), data.house_rules())
    if days <= OLD_AFTER_WORKING_DAYS:
        return None
    return Condition(
        "stale",
        f"The newest record is {words.counted(days, 'working day')} old",
        f"it is of {words.date(newest)}. Load the newest exports, or look whether the nightly load still runs.",
    )


def working_days_between(after: dt.date, until: dt.date, rules: HouseRules) -> int:
    """Working days after one day, up to and with another."""
    weeks, rest = divmod(max(0, (until - after).days), 7)
    beyond = (after + dt.timedelta(days=7 * weeks + place + 1) for place in range(rest))
    return weeks * len(set(rules.working_days)) + sum(WEEKDAYS[day.weekday()] in rules.working_days for day in beyond)


def show() -> None:
    """The band on top of a page: each failure by itself, what is stale in one box of few lines."""
    found = conditions()
    for condition in (one for one in found if one.kind == "failed"):
        with st.container(horizontal=True, vertical_alignment="center", gap="small", key=f"failed_{condition.reason}"):
            st.error(f"**{condition.title}.** {condition.words}", icon=":material/error:")
            st.button(
                "I have read it", key=f"put_away_{condition.reason}", type="tertiary", icon=":material/check:",
                on_click=data.store().put_failure_away, args=(condition.reason,),
            )  # fmt: skip
    stale = [one for one in found if one.kind == "stale"]
    if stale:
        todo = f" {FIT_AGAIN}" if any(one.reason == "fit" for one in stale) else ""
        said = " ".join(f"**{one.title}**: {one.words}" for one in stale)
        st.warning(f"{said}{todo}", icon=":material/schedule:")


def _time(iso: str) -> str:
    """A moment that the store wrote, as the pages write moments, in the zone of this machine."""
    try:
        return words.moment(dt.datetime.fromisoformat(iso).astimezone().replace(tzinfo=None))
    except ValueError:
        return iso


def _short(message: str) -> str:
    first = message.strip().splitlines()
    text = " ".join(first[:2])
    return text if len(text) <= 300 else f"{text[:300]} …"
