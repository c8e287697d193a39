"""Everything can be reached and done with the keyboard alone, and one sees where one is."""

from __future__ import annotations

import re
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Served
from tests.browser.served_pages import after, first_sentence, go, main_text, wait_at_rest

pytestmark = pytest.mark.browser

TABS_AT_MOST = 80
# Not looked at: parts that scroll, at which the browser stops so that arrows move them (no control, they fill the window),
# and tables, which mark their cell inside their own drawing once an arrow has chosen one.
# What is named where the keyboard is; and of where it was before, whether it looked otherwise while it was there.
_WHERE = """
async () => {
  for (let n = 0; n < 8; n++) await new Promise(requestAnimationFrame);  // the page marks it some pictures later
  const painted = parts => parts.map(part => {
    const style = getComputedStyle(part);
    return ['backgroundColor', 'borderTopColor', 'boxShadow', 'outlineStyle', 'outlineColor', 'color', 'textDecoration']
        .map(name => style[name]).join();
  }).join(';');
  const before = window.__stop;
  const missed = before && before.parts[0].isConnected && before.painted === painted(before.parts) ? before.name : '';
  const here = document.activeElement;
  const parts = [here];
  while (parts.length < 7 && parts.at(-1).parentElement) parts.push(parts.at(-1).parentElement);
  const name = (here.getAttribute('aria-label') || here.innerText || here.getAttribute('placeholder') || '').trim();
  const counts = !['BODY', 'MAIN', 'SECTION'].includes(here.tagName) && !here.closest('canvas');
  window.__stop = counts ? {name: `${here.tagName} ${name.slice(0, 60)}`, parts, painted: painted(parts)} : null;
  return {name: name.slice(0, 120), missed};
}
"""


@pytest.fixture
def still(page: Page) -> Page:
    """A page on which colours change at once: what slowly fades out would pass for what is there."""
    page.add_init_script(
        "addEventListener('DOMContentLoaded', () => document.head.insertAdjacentHTML('beforeend',"
        "'<style>*, *::before, *::after {transition: none !important}</style>'))"
    )
    return page


def tab_to(page: Page, name: str) -> None:
    """Press Tab until the keyboard is on something of this name, looking at each stop whether one saw it."""
    page.evaluate("window.__stop = null")
    for _ in range(TABS_AT_MOST):
        page.keyboard.press("Tab")
        here = page.evaluate(_WHERE)
        assert not here["missed"], f"nobody saw that the keyboard was on {here['missed']}"
        if re.search(name, here["name"], re.MULTILINE):  # icons are words too, on lines of their own
            page.keyboard.press("Tab")
            assert not page.evaluate(_WHERE)["missed"], f"nobody saw that the keyboard was on {name}"
            page.keyboard.press("Shift+Tab")
            return
    raise AssertionError(f"{name} is not reached with {TABS_AT_MOST} tabs")


def query(page: Page) -> dict[str, str]:
    return {key: values[0] for key, values in parse_qs(urlsplit(page.url).query).items()}


def test_way_about_is_walked_with_tab_and_enter(demo: Served, still: Page) -> None:
    go(still, f"{demo.address}/last-night")
    tab_to(still, r"^Crew week$")
    after(still, lambda: still.keyboard.press("Enter"))
    assert urlsplit(still.url).path == "/crew-week"


def test_search_is_opened_typed_into_and_followed_by_keys(demo: Served, still: Page) -> None:
    go(still, f"{demo.address}/owners-page")
    still.keyboard.press("s")
    expect(still.get_by_role("dialog").get_by_role("searchbox")).to_be_focused()
    still.keyboard.type("J00012")
    still.keyboard.press("Enter")
    still.get_by_role("dialog").get_by_role("link", name=re.compile("^J00012")).wait_for()
    wait_at_rest(still)
    tab_to(still, r"J00012 ")
    after(still, lambda: still.keyboard.press("Enter"))
    assert (urlsplit(still.url).path, query(still)["job"]) == ("/job-folder", "J00012")
    assert first_sentence(still).startswith("Job J00012 ")


def test_filter_is_chosen_a_row_opened_and_its_list_walked_by_keys(demo: Served, still: Page) -> None:
    go(still, f"{demo.address}/last-night")
    # a choice among several: Tab goes to it, an arrow and the space bar choose
    tab_to(still, r"^30 days$")
    for _ in range(3):
        still.keyboard.press("ArrowRight")
    after(still, lambda: still.keyboard.press("Space"))
    assert query(still) == {"within": "all"}
    # the first of the open returns has a button with its job
    tab_to(still, r"^Job J\d+$")
    after(still, lambda: still.keyboard.press("Enter"))
    assert urlsplit(still.url).path == "/job-folder"
    first = query(still)["job"]
    after(still, lambda: still.keyboard.press("n"))
    second = query(still)["job"]
    assert second != first
    assert re.search(r"\b2 of [\d,]+ jobs", main_text(still))
    after(still, lambda: still.keyboard.press("p"))
    assert query(still)["job"] == first


def test_folders_of_a_table_are_opened_and_walked_by_keys(demo: Served, still: Page) -> None:
    go(still, f"{demo.address}/crew-week?step=evacuation&state=failed")
    still.get_by_role("radiogroup", name="State").get_by_role("radio").last.focus()
    tab_to(still, r"^Open the first, J\d+$")
    after(still, lambda: still.keyboard.press("Enter"))
    assert urlsplit(still.url).path == "/job-folder"
    assert query(still)["of_state"] == "failed"
    assert re.search(r"\b1 of [\d,]+ jobs", main_text(still))
    after(still, lambda: still.keyboard.press("n"))
    assert re.search(r"\b2 of [\d,]+ jobs", main_text(still))


def test_letters_typed_into_a_field_are_letters(demo: Served, still: Page) -> None:
    go(still, f"{demo.address}/job-folder?job=J00012")
    field = still.get_by_role("textbox", name="Job or system number")
    field.focus()
    still.keyboard.type("nsp")
    assert query(still)["job"] == "J00012"
    assert not still.get_by_role("dialog").is_visible()
