"""What skipping does: the failures that a ratio counts, one by one, on request."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import components, data, data_events, links, words
from dashboard.data_ways import JobList

ARM_WORDS = {"not_good": "○ step not good", "good": "● step good", "unknown": "– not known"}
HOW = (
    "The first event of each system's life, while we would have heard of it and before an early visit put something right: "
    "the same that the ratios above count. The step's state is that of the job under whose work the system stood on that "
    "day; disputed steps and steps that do not belong stand apart and are in no ratio."
)


def show(outcome: str, step: str) -> None:
    name = words.outcomes(outcome)
    if not links.toggle(f"List the {name} behind these figures, {words.step(step).lower()}", "events"):
        return
    found = data_events.counts(outcome, step)
    told = found.filter(pl.col("arm").is_in(list(data_events.ARMS))) if found.height else found
    if told.is_empty():
        components.note(f"There are no {name} to list for {words.step(step).lower()}.")
        return
    of_arm = dict(told.group_by("arm").agg(pl.col("events").sum()).iter_rows())
    with st.container(horizontal=True, vertical_alignment="bottom"):
        arm = links.pills(
            "Which", [one for one in data_events.ARMS if of_arm.get(one)], "arm",
            format_func=lambda one: f"{ARM_WORDS[one]} · {words.count(of_arm[one])}",
        )  # fmt: skip
        chosen = told.filter(pl.col("arm") == arm) if arm else told
        of_band = dict(chosen.group_by("age_band").agg(pl.col("events").sum()).iter_rows())
        band = links.pills(
            "When", [one for one in ("early", "late") if of_band.get(one)], "band",
            format_func=lambda one: f"{words.AGE_BAND[one]} · {words.count(of_band[one])}",
        )  # fmt: skip
    number = int(of_band.get(band, 0) if band else sum(of_band.values()))
    pages = -(-number // data.PAGE_OF_JOBS)
    page = links.page_number(pages, "event_page", (outcome, step, arm, band))
    rows = data_events.events(outcome, step, arm, band, page)
    components.note(f"**{words.counted(number, 'event')}**, the newest first.")
    _table(rows, JobList("events", {"outcome": outcome, "step": step, "arm": arm or "", "band": band or ""}))
    components.how_counted(HOW, "events")


def _table(rows: pl.DataFrame, jobs: JobList) -> None:
    ids = rows["job_id"].to_list()
    place = f"events_{abs(hash(tuple(map(str, ids)))) % 10**8}"
    table = pl.DataFrame(
        {
            "Folder": ["Open"] * len(ids),
            "Job": ids,
            "System": rows["system_id"],
            "Happened": rows["happened_on"],
            "Age then, years": rows["age_years"].round(1),
            "The step on that job": [f"{words.STATE_SIGN.get(s, '')} {words.state(s)}" for s in rows["state"]],
            "Found": [words.outcome(code) if code else None for code in rows["finding"]],
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(ids), 420),
        column_config={
            "Folder": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=place, on_click=components.open_chosen, args=(ids, place, jobs)
            ),
            "Happened": st.column_config.DateColumn(format=words.day_column()),
        },
        alt="The events behind the figures, newest first, with the state of the step on their job",
    )
    components.open_first(ids, place, jobs=jobs)
