"""The button that prints what a page shows: the same PDF as `slowfuse report`, made when it is pressed."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard import data
from dashboard.papers.reports import REPORTS, Choice, make


def papers_button(kind: str, label: str = "Print", key: str | None = None, **choice: Any) -> None:
    """A button that gives the report `kind` with the page's choices (fields of `reports.Choice`) as a PDF.

    Nothing is gathered until it is pressed, so it costs a page nothing.
    """
    chosen = Choice(**choice)
    store = data.store()
    st.download_button(
        label,
        data=lambda: make(kind, store, chosen),
        file_name=REPORTS[kind].file_name,
        mime="application/pdf",
        icon=":material/print:",
        type="tertiary",
        on_click="ignore",
        key=key or f"print_{kind}",
        help=f"{REPORTS[kind].title} as a PDF to print",
    )
