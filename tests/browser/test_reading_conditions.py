"""Every page can be read: on a phone, in the dark, by keyboard; and nothing a reader does leaves the machine."""

from __future__ import annotations

from itertools import pairwise
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import Served, Watched
from tests.browser.measured_page import Measured, measure
from tests.browser.served_pages import PAGES, after, first_sentence, go, new_reader, wait_at_rest

pytestmark = pytest.mark.browser

# the window and the look: a phone at night, a desk by day
WINDOWS = {"phone, dark": (390, 844, True), "desk, light": (1440, 900, False)}


class Visits:
    """Every page seen once in each window, with what the browser asked for and complained of on the way."""

    def __init__(self) -> None:
        self.watched = Watched()
        self.measured: dict[tuple[str, str], Measured] = {}


@pytest.fixture(scope="module")
def visits(demo: Served, chromium: Browser) -> Visits:
    visits = Visits()
    for window, (width, height, dark) in WINDOWS.items():
        context = new_reader(chromium, width=width, height=height, dark=dark)
        page = context.new_page()
        visits.watched.watch(page)
        for address in PAGES:
            go(page, f"{demo.address}/{address}")
            visits.measured[window, address] = measure(page)
        context.close()
    return visits


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("address", PAGES)
def test_no_text_is_too_faint(address: str, window: str, visits: Visits) -> None:
    measured = visits.measured[window, address]
    assert measured.texts > 20
    assert measured.faint == []
    assert measured.faint_in_tables == []


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("address", PAGES)
def test_no_page_scrolls_sideways(address: str, window: str, visits: Visits) -> None:
    assert visits.measured[window, address].beside_the_window == []


@pytest.mark.parametrize("address", PAGES)
def test_phone_and_desk_are_told_the_same(address: str, visits: Visits) -> None:
    phone, desk = (visits.measured[window, address].sentence for window in WINDOWS)
    assert phone == desk


@pytest.mark.parametrize("address", PAGES)
def test_screen_reader_finds_names_and_an_order(address: str, visits: Visits) -> None:
    measured = visits.measured["desk, light", address]
    assert measured.nameless == []
    assert measured.headings.count(1) == 1
    assert measured.headings[0] == 1
    # a heading may close several levels, but opens one at a time
    assert all(after - before <= 1 for before, after in pairwise(measured.headings)), measured.headings


def test_no_request_leaves_the_machine(visits: Visits) -> None:
    asked = [urlsplit(url) for url in visits.watched.asked]
    assert len(asked) > 100
    assert {url.hostname for url in asked if url.scheme not in ("data", "blob")} == {"127.0.0.1"}


def test_browser_has_nothing_to_complain_of(visits: Visits) -> None:
    assert visits.watched.complaints == []


def focused(page: Page) -> str:
    return page.evaluate("() => (document.activeElement.innerText || document.activeElement.ariaLabel || '').trim()")


def test_every_page_is_reached_by_keyboard_and_the_focus_is_seen(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/house-rules")
    reached: list[str] = []
    for _ in range(30):
        page.keyboard.press("Tab")
        words = focused(page).splitlines()
        reached.append(words[-1] if words else "")
        if reached[-1] in PAGES.values():
            ring = page.evaluate(
                "() => { const s = getComputedStyle(document.activeElement);"
                " return s.boxShadow !== 'none' || (s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0); }"
            )
            assert ring, f"the focus on {reached[-1]} cannot be seen"
        if set(PAGES.values()) <= set(reached):
            break
    assert set(PAGES.values()) <= set(reached), reached
    while focused(page).splitlines()[-1] != "Slow fuses":
        page.keyboard.press("Shift+Tab")
    after(page, lambda: page.keyboard.press("Enter"))
    assert urlsplit(page.url).path == "/slow-fuses"


def test_phone_finds_the_way_about(demo: Served, chromium: Browser) -> None:
    context = new_reader(chromium, width=390, height=844)
    try:
        page = context.new_page()
        go(page, f"{demo.address}/crew-week")
        page.get_by_test_id("stExpandSidebarButton").click()
        link = page.get_by_test_id("stSidebarNav").get_by_role("link", name="Job folder")
        link.wait_for()
        after(page, link.click)
        wait_at_rest(page)
        assert urlsplit(page.url).path == "/job-folder"
        assert first_sentence(page).startswith("Job ")
    finally:
        context.close()
