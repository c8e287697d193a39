"""The pages served by the real command, a real Chromium before them, and how to tell that a page has come to rest."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, Locator, Page, Playwright

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome")
CHROMIUM_ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
# address in the browser -> the page's name
PAGES = {
    "last-night": "Last night",
    "owners-page": "Owner's page",
    "crew-week": "Crew week",
    "shop-class": "Shop class",
    "slow-fuses": "Slow fuses",
    "visit-ledger": "Visit ledger",
    "what-skipping-does": "What skipping does",
    "job-folder": "Job folder",
    "loading-dock": "Loading dock",
    "house-rules": "House rules",
}
PATIENCE_MS = 15_000

# Counts the runs of a page that have ended, and remembers when the page last changed. It must stand before the click
# whose run is waited for: a run can be over before anybody asks whether it has begun.
_OBSERVER = """
(() => {
  window.__runs_ended = 0;
  window.__changed_at = performance.now();
  let before = null;
  const look = () => {
    const app = document.querySelector('[data-testid="stApp"]');
    const state = app && app.getAttribute('data-test-script-state');
    if (state !== before) {
      if (state === 'notRunning') window.__runs_ended += 1;
      before = state;
    }
    window.__changed_at = performance.now();
  };
  new MutationObserver(look).observe(document, {
    subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: ['data-test-script-state'],
  });
})();
"""
_AT_REST = """
(ended) => {
  const app = document.querySelector('[data-testid="stApp"]');
  if (!app || app.getAttribute('data-test-script-state') !== 'notRunning' || window.__runs_ended < ended) return false;
  if (document.querySelector('[data-testid="stSkeleton"], [data-testid="stSpinner"]')) return false;
  const charts = [...document.querySelectorAll('[data-testid="stVegaLiteChart"]')];
  if (charts.some(chart => !chart.querySelector('canvas, svg') && chart.getBoundingClientRect().height > 0)) return false;
  return performance.now() - window.__changed_at > 250;
}
"""


def find_chromium() -> str | None:
    """A Chromium that is installed, or None."""
    return next((found for found in map(shutil.which, CHROMIUM_NAMES) if found), None)


def launch(playwright: Playwright) -> Browser:
    return playwright.chromium.launch(executable_path=find_chromium(), args=list(CHROMIUM_ARGUMENTS))


def new_reader(
    browser: Browser, *, width: int = 1440, height: int = 900, dark: bool = False, sharpness: float = 1.0
) -> BrowserContext:
    """A browser of its own, as of somebody who has never been here: its own storage, its own connection."""
    context = browser.new_context(
        viewport={"width": width, "height": height},
        device_scale_factor=sharpness,
        color_scheme="dark" if dark else "light",
        reduced_motion="reduce",
        locale="en-US",
        accept_downloads=False,
    )
    context.set_default_timeout(PATIENCE_MS)
    context.add_init_script(_OBSERVER)
    return context


def wait_at_rest(page: Page, runs_ended: int = 1) -> None:
    """Until so many runs have ended, nothing runs, every chart is drawn, and nothing has changed for a moment."""
    page.wait_for_function(_AT_REST, arg=runs_ended, polling=60)


def go(page: Page, address: str) -> None:
    """Open an address and wait until the page stands."""
    page.goto(address)
    wait_at_rest(page)


def after(page: Page, act: Callable[[], object]) -> None:
    """Do something that makes the page run again, and wait until it stands."""
    ended = page.evaluate("window.__runs_ended")
    act()
    wait_at_rest(page, ended + 1)


def first_sentence(page: Page) -> str:
    return page.locator('[data-testid="stMain"] h1').first.inner_text().replace("\u00a0", " ")


def choose(page: Page, label: str, option: str) -> None:
    """Choose an option of a list by its words, as a reader does: open, type, take the one that is left."""
    box = page.get_by_role("combobox", name=label, exact=True)
    box.scroll_into_view_if_needed()  # a list that is open closes when the page moves under it
    wait_at_rest(page)
    box.click()
    box.press_sequentially(option[:12])
    after(page, lambda: page.get_by_role("option", name=option, exact=True).click())


def main_text(page: Page) -> str:
    """Everything a reader can read beside the way about; pictures and grids are no text."""
    words = page.get_by_test_id("stMainBlockContainer").inner_text()
    return words.replace("\u00a0", " ")


def open_fold(page: Page, words: str) -> None:
    """Open a folded part by the words on it, and wait until it no longer grows."""
    page.locator("summary").filter(has_text=words).first.click()
    wait_at_rest(page)


def grid_texts(grid: Locator) -> tuple[list[str], list[list[str]]]:
    """What a screen reader is told of a table drawn on a canvas: its headings and its rows, as far as it is in view."""
    grid.scroll_into_view_if_needed()
    grid.locator("canvas td").first.wait_for(state="attached")
    heads, rows = grid.evaluate(
        """grid => [
            [...grid.querySelectorAll('canvas th')].map(cell => cell.textContent),
            [...grid.querySelectorAll('canvas tbody tr')].map(
                row => [...row.querySelectorAll('td')].map(cell => cell.textContent)),
        ]"""
    )
    return heads, [[cell.replace("\u00a0", " ") for cell in row] for row in rows]


HEAD_AND_ROW_PX = 35


def grid_click(page: Page, grid: Locator, row: int, *, right: int = 0) -> None:
    """Choose a cell as a hand does, a canvas having no parts to click: the row's first cell, then so many to the right."""
    grid.scroll_into_view_if_needed()
    box = grid.bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + 30, box["y"] + HEAD_AND_ROW_PX * (row + 1.5))
    for _ in range(right):
        page.keyboard.press("ArrowRight")


def grid_button(page: Page, grid: Locator, row: int) -> None:
    """Press the button of a row: it lies where the pointer becomes a hand."""
    grid.scroll_into_view_if_needed()
    box = grid.bounding_box()
    assert box is not None
    y = box["y"] + HEAD_AND_ROW_PX * (row + 1.5)
    for x in range(20, 400, 15):
        page.mouse.move(box["x"] + x, y)
        page.wait_for_timeout(30)
        if grid.evaluate("grid => [...grid.querySelectorAll('*')].some(part => part.style.cursor === 'pointer')"):
            page.mouse.click(box["x"] + x, y)
            return
    raise AssertionError("no button in this row")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def served(store: Path, log: Path) -> Iterator[str]:
    """The address at which the real command serves the pages of this store."""
    port = free_port()
    command = ["-m", "dashboard.command_line", "dashboard", "--store", str(store), "--port", str(port)]
    with _running(command, port, log, ROOT) as address:
        yield address


@contextmanager
def bare(log: Path) -> Iterator[str]:
    """The address of pages with nothing of ours on them, and Streamlit's own looks."""
    port = free_port()
    page = Path(__file__).with_name("bare_pages.py")
    command = ["-m", "streamlit", "run", str(page), "--server.port", str(port), "--server.address", "127.0.0.1"]
    with _running([*command, "--browser.gatherUsageStats", "false"], port, log, log.parent) as address:
        yield address


@contextmanager
def _running(command: list[str], port: int, log: Path, folder: Path) -> Iterator[str]:
    with log.open("w") as said:
        process = subprocess.Popen(
            [sys.executable, *command],
            cwd=folder,
            env={**os.environ, "STREAMLIT_SERVER_HEADLESS": "true"},
            stdout=said,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            _wait_for_answer(f"http://127.0.0.1:{port}/_stcore/health", process, log)
            yield f"http://127.0.0.1:{port}"
        finally:
            _end(process)


def _wait_for_answer(address: str, process: subprocess.Popen, log: Path, patience_s: float = 60) -> None:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if process.poll() is not None:
            raise RuntimeError(f"the pages ended with {process.returncode}: {log.read_text()[-3000:]}")
        try:
            with urllib.request.urlopen(address, timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise TimeoutError(f"no answer within {patience_s:.0f} s: {log.read_text()[-3000:]}")


def _end(process: subprocess.Popen) -> None:
    """End the command and the server it started, and nothing else: they are a process group of their own."""
    if process.poll() is None:
        os.killpg(process.pid, 2)
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, 9)
            process.wait(timeout=10)
