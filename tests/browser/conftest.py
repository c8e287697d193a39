"""One invented fleet, made and served by the real commands, and a Chromium before it, for all browser tests."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, sync_playwright

from pipelines.store import Store
from tests.browser import served_pages

INSTALLS = 1_500


@dataclass
class Served:
    """A store and the address at which its pages stand."""

    store: Store
    address: str


@dataclass
class Watched:
    """What a reader's browser asked for and complained of while the tests went through the pages."""

    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def watch(self, page: Page) -> None:
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(f"{page.url}: {error}"))
        page.on("console", lambda said: self._hear(page, said))

    def _hear(self, page: Page, said: ConsoleMessage) -> None:
        # Streamlit looks for its own server below the page's address before it looks at the root
        own_search = re.search(r"/_stcore/(health|host-config)$", said.location["url"])
        if said.type == "error" and not own_search:
            self.complaints.append(f"{page.url}: {said.text} {said.location['url']}")


def run_command(*arguments: str) -> str:
    """A run of the real command; its words, or a failed test with them."""
    done = subprocess.run(
        [sys.executable, "-m", "dashboard.command_line", *arguments],
        cwd=served_pages.ROOT,
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("demo")
    run_command("demo", "--installs", str(INSTALLS), "--no-dashboard", "--store", str(folder / "fleet"))
    with served_pages.served(folder / "fleet", folder / "pages.txt") as address:
        yield Served(Store(folder / "fleet"), address)


@pytest.fixture
def own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Pages over a folder in which nothing stands yet."""
    folder = tmp_path_factory.mktemp("own")
    with served_pages.served(folder / "fleet", folder / "pages.txt") as address:
        yield Served(Store(folder / "fleet"), address)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    if served_pages.find_chromium() is None:
        pytest.skip(f"no Chromium is installed; looked for {', '.join(served_pages.CHROMIUM_NAMES)}")
    with sync_playwright() as playwright:
        browser = served_pages.launch(playwright)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def reader(chromium: Browser) -> Iterator[BrowserContext]:
    """A reader at a desk, who keeps the browser open: what the pages are made of is fetched once."""
    context = served_pages.new_reader(chromium)
    yield context
    context.close()


@pytest.fixture
def page(reader: BrowserContext) -> Iterator[Page]:
    """A window of its own for each test: the server knows each one as another visit."""
    page = reader.new_page()
    yield page
    page.close()


@pytest.fixture
def messy_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A contractor's own export, other headings and other words, as the invented fleet writes it."""
    folder = tmp_path_factory.mktemp("messy")
    done = subprocess.run(
        [sys.executable, "-m", "synthetic_data", "--installs", "150", "--style", "wide", "--to", str(folder), "--seed", "5"],
        cwd=served_pages.ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return folder
