"""The morning in at most ten lines, as text or HTML: the lines of the page Last night, for a mail or a terminal."""

from __future__ import annotations

import datetime as dt
import html
import logging
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager

from dashboard import shown
from pipelines.entries import Entries
from pipelines.store import FOLDER_VARIABLE, Store

LINES_AT_MOST = 10
DAYS_BACK = 90


def lines(store: Store, since: dt.date | None = None) -> list[str]:
    """At most ten sentences, the answer first, then the most urgent returns, what landed and what is missing.

    Parameters
    ----------
    since : jobs finished since that day; None takes the days that Last night shows unless told otherwise.

    Raises
    ------
    StoreMissingError : nothing has been loaded.
    """
    store.current_file()
    rules = Entries(store.entries_file).house_rules()
    with _asking(store), shown.using(shown.of_house(rules)):
        return _lines(since)


def to_text(said: list[str]) -> str:
    return "\n".join(said)


def to_html(said: list[str]) -> str:
    """A page of its own with nothing to fetch: the first line as its heading, the rest as a list."""
    first, *rest = [html.escape(line) for line in said]
    items = "\n".join(f"<li>{line}</li>" for line in rest)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>This morning</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"></head>\n'
        '<body style="font: 16px/1.5 system-ui, sans-serif; max-width: 44em; margin: 1.5em auto; padding: 0 1em">\n'
        f'<h1 style="font-size: 1.3em">{first}</h1>\n<ul style="padding-left: 1.2em">\n{items}\n</ul>\n</body></html>\n'
    )


@contextmanager
def _asking(store: Store) -> Iterator[None]:
    """The pages' own questions, asked of this store and outside a browser."""
    before = os.environ.get(FOLDER_VARIABLE)
    os.environ[FOLDER_VARIABLE] = str(store.folder.resolve())
    # it warns that nobody looks at a page, which is meant
    logging.getLogger("streamlit").setLevel(logging.ERROR)
    logging.disable(logging.WARNING)
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)
        if before is None:
            os.environ.pop(FOLDER_VARIABLE, None)
        else:
            os.environ[FOLDER_VARIABLE] = before


def _lines(since: dt.date | None) -> list[str]:
    from dashboard import band, data, data_night, words
    from dashboard.app_pages import last_night as night

    if not {"return_due", "not_arrived"} <= data.tables():
        return ["What must be gone back to has not been worked out for these records yet: load the files again."]
    as_of = data.stamp().as_of
    from_on = since or (as_of - dt.timedelta(days=DAYS_BACK) if as_of else None)
    load = data_night.last_load()
    which = data_night.ReturnFilter(from_on, None, load.load_id if load and not load.is_first else None)
    missing = data_night.not_arrived_counts(from_on)
    within = f" finished since {words.date(since)}" if since else night.within_words(DAYS_BACK)
    said = [
        night.answer_sentence(data_night.return_counts(which), missing, within, None, data_night.jobs_between(from_on))
    ]
    last = [f"{condition.title}: {condition.words}" for condition in band.conditions()[:1]]
    last += [night.landed_words(load)] if load else []
    last += [f"Did not arrive: {gone}."] if (gone := night.missing_words(missing)) else []
    first = data_night.returns(which, night.OPEN, None, at_most=LINES_AT_MOST - len(said) - len(last))
    whys = data_night.reasons_why(first) if first.height else {}
    said += [
        f"{night.REASON[row['reason']]}, {night.when(row)}. {night.where_and_why(row, whys)} Job {row['job_id']}."
        for row in first.iter_rows(named=True)
    ]
    return [_plain(line) for line in [*said, *last]]


def _plain(markdown: str) -> str:
    """A page's sentence without its marks."""
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", markdown.replace("**", "").replace("\u00a0", " "))
    text = re.sub(r"(?<![\w\\])[*`]([^*`]+)[*`]", r"\1", text)
    return re.sub(r"\\([\\`*_{}\[\]()#+!|<>$~:.-])", r"\1", text).strip()
