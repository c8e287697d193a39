"""The morning in at most ten lines: those of Last night, in plain text or HTML."""

from __future__ import annotations

import datetime as dt
import re
from html.parser import HTMLParser

import pytest

from dashboard import brief
from pipelines.errors import InputError, StoreMissingError
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import first_line, open_page, words_on


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("fleet"), jobs=300, technicians=6)


def plain(text: str) -> str:
    return text.replace("\\", "").replace("*", "").replace("\u202f", " ")


def test_first_line_is_that_of_last_night_and_the_returns_follow_in_its_order(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = brief.lines(store)
    assert len(said) <= brief.LINES_AT_MOST
    app = open_page(monkeypatch, store, "last_night")
    assert said[0] == plain(first_line(app))
    jobs = [found[1] for line in said if (found := re.search(r"Job (J\d+)\.$", line))]
    on_page = [button.label.removeprefix("Job ") for button in app.button if button.label.startswith("Job ")]
    assert jobs == on_page[: len(jobs)] != []
    seen = plain(words_on(app))
    for line in said[1:]:
        sentence = re.search(r"System .*?\. (.*) Job J", line)
        assert sentence is None or sentence[1] in seen


def test_since_a_day_counts_only_the_jobs_finished_since(store: Store) -> None:
    since = dt.date(2025, 6, 1)
    con = store.read()
    ((jobs,),) = con.execute("select count(*) from staged_job where finished_on >= $since", {"since": since}).fetchall()
    con.close()
    first = brief.lines(store, since)[0]
    assert f"{jobs} jobs finished since 1 Jun 2025" in first.replace("\u202f", " ")


def test_no_mark_of_the_pages_is_left(store: Store) -> None:
    for line in brief.lines(store):
        assert not re.search(r"\\|\*\*|\]\(|:material", line), line


def test_failed_load_is_in_the_brief(tmp_path) -> None:
    store = small_store.make(tmp_path, jobs=30, technicians=2)
    with pytest.raises(InputError), store.write("load"):
        raise InputError("jobs.csv cannot be read")
    said = brief.lines(store)
    assert any("failed" in line and "jobs.csv cannot be read" in line for line in said)
    assert len(said) <= 10


def test_no_store_is_said_in_words(tmp_path) -> None:
    with pytest.raises(StoreMissingError, match="slowfuse load"):
        brief.lines(Store(tmp_path / "nothing"))


def test_html_holds_the_same_lines_and_asks_for_nothing(store: Store) -> None:
    said = [*brief.lines(store)[:2], "a < b & c"]
    made = brief.to_html(said)

    class Texts(HTMLParser):
        def __init__(self) -> None:
            super().__init__()
            self.found: list[str] = []
            self.asked: list[str] = []

        def handle_data(self, data: str) -> None:
            self.found.append(data.strip())

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            self.asked += [str(value) for name, value in attrs if name in ("src", "href")]

    texts = Texts()
    texts.feed(made)
    assert [text for text in texts.found if text][1:] == said
    assert texts.asked == []
    assert "slowfuse" not in made.lower()
