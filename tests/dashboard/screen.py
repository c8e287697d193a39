"""Opening the pages as a reader does, and reading what stands on them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from streamlit.testing.v1 import AppTest

from pipelines.store import FOLDER_VARIABLE, Store

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
PAGES = (
    "last_night",
    "owners_page",
    "crew_week",
    "what_skipping_does",
    "slow_fuses",
    "visit_ledger",
    "shop_class",
    "job_folder",
    "loading_dock",
    "house_rules",
)
TEXTS = ("title", "header", "subheader", "markdown", "caption", "info", "warning", "error", "success", "code")
LABELLED = ("button", "selectbox", "text_input", "number_input", "expander", "checkbox", "text_area", "page_link")


def open_page(monkeypatch: Any, store: Store, page: str, **query: str) -> AppTest:
    """The page as it stands on opening a link to it."""
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    app = AppTest.from_file(str(APP), default_timeout=60)
    _link(app, query)
    app.run()
    if page == PAGES[0]:
        return app  # the bare address leads there
    app.switch_page(f"app_pages/{page}.py")
    _link(app, query)
    return app.run()


def _link(app: AppTest, query: dict[str, str]) -> None:
    for name, value in query.items():
        app.query_params[name] = value


def as_read(text: str) -> str:
    """What a reader sees of it: a space is a space, and a sign that Markdown was told to leave alone is the sign."""
    return text.replace("\u00a0", " ").replace("\\$", "$")


def first_line(app: AppTest) -> str:
    return as_read(app.title[0].value)


def words_on(app: AppTest) -> str:
    """Everything a reader can read on the page, tables included."""
    found: list[str] = []
    for kind in TEXTS:
        found += [str(element.value) for element in app.get(kind)]
    for kind in LABELLED:
        found += [str(getattr(element, "label", "")) for element in app.get(kind)]
    for kind in ("info", "warning", "error", "success"):
        found += [str(getattr(element, "title", "") or "") for element in app.get(kind)]
    for table in app.dataframe:
        found += [str(column) for column in table.value.columns]
        found.append(table.value.to_csv())
    for group in app.get("pills") + app.get("segmented_control"):
        found += [str(option) for option in getattr(group, "options", [])]
    return as_read("\n".join(found))


def whole(app: AppTest) -> None:
    """The page was drawn to its end."""
    assert not app.exception, app.exception
    assert not [e.value for e in app.error]
