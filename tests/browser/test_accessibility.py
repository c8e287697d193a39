"""axe-core over every page, light and dark, wide and narrow: nothing but what Streamlit itself does wrong."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.browser import served_pages
from tests.browser.conftest import Served
from tests.browser.served_pages import PAGES, go, new_reader, wait_at_rest

pytestmark = pytest.mark.browser

WIDTHS = (1440, 390)
COLOURS = ["color-contrast", "link-in-text-block"]
# (rule of axe-core, the part of the page) -> why it stands; each is found on bare pages of Streamlit too
OF_STREAMLIT = {
    ("list", "stSidebarNavItems"): "the way about is a list whose sections are divs, once pages stand in sections",
    ("listitem", "stSidebarNavItems"): "the same: its entries lie in those divs and not in the list itself",
    ("presentation-role-conflict", "stFileUploaderDropzone"): "the place to drop files has a label and role none",
}
_PARTS = """
    nodes => nodes.map(target => {
        const part = document.querySelector(target[target.length - 1]);
        const named = part && part.closest('[data-testid]');
        return named ? named.dataset.testid : String(target);
    })
"""


@pytest.fixture(scope="module")
def window(chromium: Browser) -> Iterator[Page]:
    """One window for all pages: what they are made of is fetched once."""
    context = new_reader(chromium)
    yield context.new_page()
    context.close()


def violations(page: Page, rules: list[str] | None = None) -> dict[tuple[str, str], str]:
    """What axe-core finds: (rule, part of the page) -> what to mend, with the part's beginning."""
    options: dict[str, object] = {"resultTypes": ["violations"]}
    if rules:
        options["runOnly"] = {"type": "rule", "values": rules}
    found: dict[tuple[str, str], str] = {}
    for violation in Axe().run(page, options=options).response["violations"]:
        parts = page.evaluate(_PARTS, [node["target"] for node in violation["nodes"]])
        for node, part in zip(violation["nodes"], parts, strict=True):
            found[violation["id"], part] = f"{violation['help']}: {node['html'][:200]} {node['failureSummary']}"
    return found


def show_all_of_it(page: Page, width: int) -> None:
    """A window as high as the page: what is scrolled out of sight has no colours to be judged."""
    page.set_viewport_size({"width": width, "height": 900})
    wait_at_rest(page)
    height = page.evaluate("() => document.querySelector('[data-testid=stMain]').scrollHeight")
    page.set_viewport_size({"width": width, "height": min(max(height, 900), 12_000)})
    wait_at_rest(page)


def everywhere(page: Page) -> dict[tuple[str, str], str]:
    """The same page wide and narrow, light and dark; dark changes colours alone, so only those are looked at again."""
    found: dict[tuple[str, str], str] = {}
    grounds = set()
    for width in WIDTHS:
        show_all_of_it(page, width)
        for look, rules in (("light", None), ("dark", COLOURS)):
            page.emulate_media(color_scheme=look)
            wait_at_rest(page)
            found |= {key: f"{look}, {width} px: {said}" for key, said in violations(page, rules).items()}
            grounds.add(
                page.evaluate("getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor")
            )
        page.emulate_media(color_scheme="light")
    assert len(grounds) == 2, "the page did not change from light to dark"
    page.set_viewport_size({"width": WIDTHS[0], "height": 900})
    return found


@pytest.mark.parametrize("address", PAGES)
def test_axe_finds_nothing_of_ours(address: str, demo: Served, window: Page) -> None:
    go(window, f"{demo.address}/{address}")
    found = everywhere(window)
    assert {key: said for key, said in found.items() if key not in OF_STREAMLIT} == {}


def test_axe_finds_nothing_in_the_search_with_its_hits(demo: Served, window: Page) -> None:
    go(window, f"{demo.address}/crew-week?find=1")
    window.get_by_role("dialog").get_by_text("Jobs", exact=True).first.wait_for()
    found = everywhere(window)
    assert {key: said for key, said in found.items() if key not in OF_STREAMLIT} == {}


def test_what_is_left_is_wrong_on_bare_pages_of_streamlit_too(
    window: Page, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with served_pages.bare(tmp_path_factory.mktemp("bare") / "pages.txt") as address:
        go(window, address)
        assert set(violations(window, sorted({rule for rule, _ in OF_STREAMLIT}))) >= set(OF_STREAMLIT)


def test_axe_would_find_what_is_wrong(demo: Served, window: Page) -> None:
    go(window, f"{demo.address}/owners-page")
    window.evaluate(
        """() => document.querySelector('[data-testid=stMain] [data-testid=stVerticalBlock]').insertAdjacentHTML('beforeend',
            '<p style="color:#bbb;background:#ccc">faint</p><button></button><img src="data:,">')"""
    )
    show_all_of_it(window, WIDTHS[0])
    assert {"color-contrast", "button-name", "image-alt"} <= {rule for rule, _ in violations(window)}
