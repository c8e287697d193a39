"""Records worth a second look, on Crew week: told without a name until the person has been asked."""

from __future__ import annotations

import datetime as dt
from typing import Any

import streamlit as st

from dashboard import components, data, data_doubts, doubt_words, words


def _subject(row: dict[str, Any]) -> tuple[str, str, str]:
    return row["technician_id"], row["step"], row["kind"]


def show() -> None:
    components.heading("Records worth a second look")
    doubts = data_doubts.doubts()
    if doubts is None or doubts.is_empty():
        components.note(
            "Not worked out yet: `slowfuse fit` does it."
            if doubts is None
            else "No record stands out from what is usual for such work."
        )
        components.how_counted(doubt_words.HOW, "doubt")
        return
    people = doubts["technician_id"].n_unique()
    components.note(
        f"**{words.counted(doubts.height, 'reason')} to look**, in the records of "
        f"{words.counted(people, 'person', 'people')}. Ask before you conclude: a name stands here only after the person "
        "has seen the jobs and answered."
    )
    components.how_counted(doubt_words.HOW, "doubt")
    answered = data_doubts.answers()
    for number, row in enumerate(doubts.iter_rows(named=True)):
        _one(number, row, answered.get(_subject(row)))


def _one(number: int, row: dict[str, Any], answer: tuple[str, dt.date] | None) -> None:
    jobs = [job for job in str(row["example_job_ids"] or "").split(";") if job]
    with st.container(border=True, key=f"doubt_{number}"):
        st.markdown(f"{words.escaped(doubt_words.seen(row))} {doubt_words.MAY_BE[row['kind']]}")
        if answer:
            name = words.escaped(data_doubts.name_of(row["technician_id"]))
            st.markdown(f":material/chat: **{name}** ({words.date(answer[1])}): {words.escaped(answer[0])}")
        with st.container(horizontal=True):
            for job in jobs[:3]:
                st.button(
                    words.escaped(job), key=f"doubt_{number}_{job}", icon=":material/folder_open:", type="tertiary",
                    on_click=components.open_job, args=(job,), help="Open this job's folder",
                )  # fmt: skip
            with st.popover("What does he say?", icon=":material/chat:"), st.form(f"doubt_form_{number}", border=False):
                text = st.text_area("His answer, in his words", key=f"doubt_words_{number}", max_chars=500)
                if st.form_submit_button("Keep the answer", icon=":material/check:"):
                    if text.strip():
                        data.entries().answer_doubt(*_subject(row), text.strip())
                        st.rerun()
                    st.error("Write down what he says first.", icon=":material/error:")
