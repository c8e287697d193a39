"""How fast the pages are before a reader: in a real Chromium, against the real server, on any store.

    .venv/bin/python -m tests.bench.pages --store DIR [--rounds 4] [--people 1 5] [--starts 3] [--only crew-week ...]

Cold start: from the command `slowfuse dashboard` to the first page's first number on the screen. Then readers go through
the pages as people do: from page to page by the way about, and on each page every list and every row of choices once,
with an option drawn at random. A click is timed inside the browser: from the click to the last change of the page before
it stands (the server has ended its run, every chart is drawn, nothing moves). What it takes to find the button is not in
it. Last, every page is run once without a browser and without what was kept, to count what each query fetches.

Linux only: the server's peak memory is read from /proc.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from playwright.async_api import Browser, Error, Locator, Page, async_playwright

from pipelines.store import FOLDER_VARIABLE
from tests.browser import served_pages as pages

LIMIT_START_S = 3.0
LIMIT_MS = {1: 500, 5: 1500}
LIMIT_MEMORY_MB = 1536
LIMIT_ROWS = 500
# a list that is opened must have its options on the screen before one is chosen
OPTIONS_TRIED = 8

# The moment of the last click or Enter, and of the last change of what is seen. Tooltips stand outside of it; so does what
# a grid tells a screen reader inside its canvas, which it always writes some 250 ms after it is drawn.
_CLOCK = """
(() => {
  window.__acted_at = 0; window.__read_changed_at = 0; let before = null;
  const acted = event => { if (event.type !== 'keydown' || event.key === 'Enter') window.__acted_at = performance.now(); };
  for (const kind of ['click', 'keydown']) window.addEventListener(kind, acted, {capture: true});
  new MutationObserver(found => {
    const app = document.querySelector('[data-testid="stApp"]');
    const state = app && app.getAttribute('data-test-script-state');
    const main = document.querySelector('[data-testid="stMain"]');
    const seen = one => main.contains(one.target) && (one.type === 'attributes' || !one.target.parentElement?.closest('canvas')
      && one.target.nodeName !== 'CANVAS');
    if (state !== before || (main && found.some(seen))) {
      window.__read_changed_at = performance.now();
    }
    before = state;
  }).observe(document, {subtree: true, childList: true, characterData: true, attributes: true,
    attributeFilter: ['data-test-script-state', 'd', 'width', 'height', 'aria-label']});
})();
"""
_FIRST_NUMBER = r"""
() => [...document.querySelectorAll('[data-testid="stMain"] h1')].some(head => /\d/.test(head.textContent))
"""
PATIENCE_MS = 60_000
FIRST_TIME = "open, first time"
ANSWER_WITHIN_MS = 8_000


@dataclass
class Clicks:
    """What was timed: milliseconds of each click, by page and by what was clicked."""

    ms: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    unanswered: list[str] = field(default_factory=list)

    def all_ms(self, *, first_time: bool = True) -> list[float]:
        """Of all clicks; without those that open a page for the first time in that browser, if they are not wanted."""
        wanted = {key: values for key, values in self.ms.items() if first_time or key[1] != FIRST_TIME}
        return [value for values in wanted.values() for value in values]


# --- the server


@dataclass
class Server:
    address: str
    process: subprocess.Popen
    started_at: float

    def peak_mb(self) -> float:
        """The highest resident memory so far of the process that serves: the largest of the command and its children."""
        return max((_high_water_mb(pid) for pid in _with_children(self.process.pid)), default=0.0)


def _high_water_mb(pid: int) -> float:
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024
    return 0.0


def _with_children(pid: int) -> list[int]:
    found = [pid]
    with suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                found += _with_children(int(child))
    return found


@contextmanager
def started(store: Path, log: Path) -> Iterator[Server]:
    """The real command, just started; nobody has waited for it yet."""
    port = pages.free_port()
    command = [sys.executable, "-m", "dashboard.command_line", "dashboard", "--store", str(store), "--port", str(port)]
    with log.open("w") as said:
        began = time.perf_counter()
        process = subprocess.Popen(
            command,
            cwd=pages.ROOT,
            env={**os.environ, "STREAMLIT_SERVER_HEADLESS": "true"},
            stdout=said,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            yield Server(f"http://127.0.0.1:{port}", process, began)
        finally:
            pages._end(process)


async def _until_it_answers(server: Server) -> None:
    """Ask as a browser does that is told to open the page: again and again until somebody answers."""

    def ask() -> bool:
        with (
            suppress(urllib.error.URLError, OSError),
            urllib.request.urlopen(f"{server.address}/_stcore/health") as said,
        ):
            return said.status == 200
        return False

    while not await asyncio.to_thread(ask):
        if server.process.poll() is not None:
            raise RuntimeError("the pages ended before they answered")
        await asyncio.sleep(0.02)


# --- a reader


async def new_reader(browser: Browser) -> Page:
    context = await browser.new_context(
        viewport={"width": 1440, "height": 900}, reduced_motion="reduce", locale="en-US", accept_downloads=False
    )
    context.set_default_timeout(PATIENCE_MS)
    await context.add_init_script(pages._OBSERVER)
    await context.add_init_script(_CLOCK)
    return await context.new_page()


async def at_rest(page: Page, runs_ended: int = 1) -> None:
    await page.wait_for_function(pages._AT_REST, arg=runs_ended, polling=50)


async def timed(page: Page, target: Locator) -> float | None:
    """Milliseconds from the click on `target` to the last change of the page before it stands; None: nothing came."""
    ended = await page.evaluate("window.__runs_ended")
    try:
        await target.click(timeout=5000)
        await page.wait_for_function(pages._AT_REST, arg=ended + 1, polling=50, timeout=ANSWER_WITHIN_MS)
    except Error:
        return None
    return await page.evaluate("window.__read_changed_at - window.__acted_at")


@dataclass
class Reader:
    page: Page
    clicks: Clicks
    draw: random.Random
    pause_s: float
    been_to: set[str] = field(default_factory=set)

    async def think(self) -> None:
        if self.pause_s:
            await asyncio.sleep(self.draw.uniform(0.5, 1.5) * self.pause_s)

    async def click(self, place: str, what: str, target: Locator) -> None:
        await self.think()
        spent = await timed(self.page, target)
        if spent is None or spent <= 0:
            self.clicks.unanswered.append(f"{place}: {what}")
            await self.page.keyboard.press("Escape")
        else:
            self.clicks.ms[place, what].append(spent)

    async def turn_to(self, name: str) -> None:
        link = self.page.get_by_test_id("stSidebarNav").get_by_role("link", name=name, exact=True)
        await self.click(name, "open" if name in self.been_to else FIRST_TIME, link)
        self.been_to.add(name)

    async def every_choice(self, name: str) -> None:
        """Each row of choices and each list of the page, once."""
        main = self.page.get_by_test_id("stMain")
        for label in await self._labels(main.get_by_role("radiogroup")):
            group = main.get_by_role("radiogroup", name=label, exact=True)
            options = group.get_by_role("radio")
            free = [n for n in range(await options.count()) if not await self._is_on(options.nth(n))]
            if free:
                await self.click(name, label, options.nth(self.draw.choice(free)))
        for label in await self._labels(main.get_by_role("combobox")):
            # a choice made before can have taken this list away
            with suppress(Error):
                await self._choose(name, label, main.get_by_role("combobox", name=label, exact=True).first)

    async def _labels(self, parts: Locator) -> list[str]:
        named = await parts.evaluate_all(
            # what stands in a form waits for its button
            "parts => parts.filter(p => p.checkVisibility({visibilityProperty: true}) && !p.closest('[data-testid=stForm]'))"
            ".map(p => p.getAttribute('aria-label') || p.labels?.[0]?.innerText || '')"
        )
        return [label for label in dict.fromkeys(named) if label]

    async def _is_on(self, option: Locator) -> bool:
        return await option.get_attribute("aria-checked") == "true" or await option.is_disabled()

    async def _choose(self, name: str, label: str, box: Locator) -> None:
        await box.scroll_into_view_if_needed(timeout=2000)
        await at_rest(self.page)
        await box.click(timeout=2000)
        options = self.page.get_by_role("option")
        try:
            await options.first.wait_for(timeout=3000)
        except Error:
            await self.page.keyboard.press("Escape")
            return
        free = [
            n for n in range(min(OPTIONS_TRIED, await options.count())) if not await self._is_chosen(options.nth(n))
        ]
        if not free:
            await self.page.keyboard.press("Escape")
            return
        await self.click(name, label, options.nth(self.draw.choice(free)))
        if await options.count():  # a list of which several can be chosen stays open, and lies over the page
            await self.page.keyboard.press("Escape")

    async def _is_chosen(self, option: Locator) -> bool:
        return await option.get_attribute("aria-selected") == "true"

    async def walk(self, names: list[str], rounds: int) -> None:
        for _ in range(rounds):
            for name in self.draw.sample(names, len(names)):
                await self.turn_to(name)
                await self.every_choice(name)


# --- what is measured


async def cold_start(browser: Browser, store: Path, log: Path) -> tuple[float, float]:
    """Seconds from the command to the first number on the screen and to a page that stands."""
    with started(store, log) as server:
        page = await new_reader(browser)
        await _until_it_answers(server)
        await page.goto(server.address)
        await page.wait_for_function(_FIRST_NUMBER, polling=20)
        first = time.perf_counter() - server.started_at
        await at_rest(page)
        stands = time.perf_counter() - server.started_at
        await page.context.close()
    return first, stands


async def people_at_once(browser: Browser, server: Server, people: int, asked: argparse.Namespace) -> Clicks:
    clicks = Clicks()
    names = [pages.PAGES[code] for code in asked.only or pages.PAGES]
    readers = []
    for number in range(people):
        page = await new_reader(browser)
        await page.goto(server.address)
        await at_rest(page)
        readers.append(Reader(page, clicks, random.Random(asked.seed + number), asked.pause))
    await asyncio.gather(*(reader.walk(names, asked.rounds) for reader in readers))
    for reader in readers:
        await reader.page.context.close()
    return clicks


def queries(store: Path, only: list[str]) -> list[tuple[str, str, int, float]]:
    """(page, function, rows, milliseconds) of every query of every page, opened with nothing kept."""
    os.environ[FOLDER_VARIABLE] = str(store)
    from streamlit.testing.v1 import AppTest

    from tests.dashboard.rows_fetched import watched

    found = []
    for code in only or pages.PAGES:
        file = code.replace("-", "_")
        app = AppTest.from_file(str(pages.ROOT / "dashboard" / "app.py"), default_timeout=300)
        app.run()
        with watched() as fetched:
            app.switch_page(f"app_pages/{file}.py").run()
        found += [(pages.PAGES[code], one.function, one.rows, one.ms) for one in fetched]
    return found


# --- telling it


def quantile(values: list[float], share: float) -> float:
    """By linear interpolation between the ordered values."""
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)


def tell(clicks: Clicks, people: int) -> None:
    limit = LIMIT_MS.get(people)
    print(f"\n{people} {'person' if people == 1 else 'at once'}: milliseconds from click to a page that stands")
    print(f"{'page':22}{'what':26}{'clicks':>7}{'p50':>8}{'p95':>8}{'most':>8}")
    for (name, what), values in sorted(clicks.ms.items()):
        print(
            f"{name:22}{what[:25]:26}{len(values):7}{statistics.median(values):8.0f}{quantile(values, 0.95):8.0f}"
            f"{max(values):8.0f}"
        )
    every = clicks.all_ms()
    if every:
        p95 = quantile(every, 0.95)
        beside = f"; limit p95 {limit}: {'met' if p95 <= limit else 'NOT met'}" if limit else ""
        print(
            f"all {len(every)} clicks: p50 {statistics.median(every):.0f}, p95 {p95:.0f}, most {max(every):.0f}{beside}"
        )
        again = clicks.all_ms(first_time=False)
        if limit and again:
            print(
                f"without the first opening of each page, {len(again)} clicks: p50 {statistics.median(again):.0f}, "
                f"p95 {quantile(again, 0.95):.0f}; {sum(ms <= limit for ms in again) / len(again):.0%} within {limit}"
            )
    if clicks.unanswered:
        print("no answer to:", ", ".join(sorted(set(clicks.unanswered))))


def tell_queries(found: list[tuple[str, str, int, float]], slow_ms: float) -> None:
    print(f"\nQueries with nothing kept (shown: {slow_ms:.0f} ms and more, or more than {LIMIT_ROWS // 2} rows)")
    print(f"{'page':22}{'function':34}{'rows':>6}{'ms':>9}")
    for name, function, rows, ms in sorted(found, key=lambda one: -one[3]):
        if ms >= slow_ms or rows > LIMIT_ROWS // 2:
            print(f"{name:22}{function:34}{rows:6}{ms:9.0f}")
    most = max((rows for _, _, rows, _ in found), default=0)
    print(
        f"{len(found)} queries; most rows of one: {most} (limit {LIMIT_ROWS}: {'met' if most <= LIMIT_ROWS else 'NOT met'})"
    )


async def in_the_browser(asked: argparse.Namespace, scratch: Path) -> None:
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=pages.find_chromium(), args=list(pages.CHROMIUM_ARGUMENTS)
        )
        starts = [await cold_start(browser, asked.store, scratch / "start.txt") for _ in range(asked.starts)]
        if starts:
            first = statistics.median(first for first, _ in starts)
            stands = statistics.median(stands for _, stands in starts)
            print(
                f"cold start, {len(starts)} times: first number {first:.1f} s (median; {min(starts)[0]:.1f} to "
                f"{max(starts)[0]:.1f}), page stands {stands:.1f} s; limit {LIMIT_START_S:.0f} s: "
                f"{'met' if first <= LIMIT_START_S else 'NOT met'}"
            )
        if asked.people:
            with started(asked.store, scratch / "pages.txt") as server:
                await _until_it_answers(server)
                for people in asked.people:
                    tell(await people_at_once(browser, server, people, asked), people)
                peak = server.peak_mb()
            print(
                f"server's peak memory {peak:,.0f} MB; limit {LIMIT_MEMORY_MB:,} MB: "
                f"{'met' if peak <= LIMIT_MEMORY_MB else 'NOT met'}"
            )
        await browser.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=4, help="How often each reader goes through all pages [4].")
    parser.add_argument("--people", type=int, nargs="*", default=[1, 5], help="How many read at once [1 5].")
    parser.add_argument(
        "--pause", type=float, default=0.0, help="Seconds a reader thinks before a click, on average [0]."
    )
    parser.add_argument("--starts", type=int, default=3, help="How often a cold start is timed [3].")
    parser.add_argument("--only", nargs="*", default=[], choices=list(pages.PAGES))
    parser.add_argument("--no-queries", action="store_true", help="Leave out the count of what each query fetches.")
    parser.add_argument(
        "--slow-ms", type=float, default=20, help="Queries from so many milliseconds on are shown [20]."
    )
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if pages.find_chromium() is None:
        print(f"No Chromium is installed; looked for {', '.join(pages.CHROMIUM_NAMES)}.", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory(prefix="slowfuse-pages-") as scratch:
        asyncio.run(in_the_browser(asked, Path(scratch)))
    if not asked.no_queries:
        tell_queries(queries(asked.store, asked.only), asked.slow_ms)
    return 0


if __name__ == "__main__":
    sys.exit(main())
