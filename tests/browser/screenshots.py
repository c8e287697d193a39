"""Pictures of every page for a designer's eye: three widths, light and dark, and the states without records.

    .venv/bin/python tests/browser/screenshots.py --store DIR --to FOLDER [--only crew-week ...]
    .venv/bin/python tests/browser/screenshots.py --readme

Whole pages, not what fits a window, so that nothing below the fold goes unseen. With --readme the few pictures that
README.md shows are made anew from a fresh invented fleet: what fits a window, light and dark, in dashboard/pictures/.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Error, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipelines.store import Store
from tests.browser import served_pages as pages

WIDTHS = {1440: 900, 820: 1180, 390: 844}


def whole_height(page: Page, least: int) -> int:
    """How high a window must be to show all of the page, which scrolls inside its own frame."""
    return page.evaluate("least => Math.max(least, document.querySelector('[data-testid=stMain]').scrollHeight)", least)


def take(page: Page, address: str, width: int, to: Path) -> None:
    page.set_viewport_size({"width": width, "height": WIDTHS[width]})
    pages.go(page, address)
    height = min(whole_height(page, WIDTHS[width]), 12_000)
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_timeout(400)
    pages.wait_at_rest(page)
    page.screenshot(path=to)
    print(to)


@contextmanager
def reader(browser: Browser, width: int, *, dark: bool) -> Iterator[Page]:
    context = pages.new_reader(browser, width=width, height=WIDTHS[width], dark=dark)
    try:
        yield context.new_page()
    finally:
        context.close()


def every_page(browser: Browser, address: str, to: Path, only: list[str], widths: list[int], looks: list[str]) -> None:
    for look in looks:
        for width in widths:
            with reader(browser, width, dark=look == "dark") as page:
                for name in only or pages.PAGES:
                    take(page, f"{address}/{name}", width, to / f"{name}_{width}_{look}.png")


def states_without_records(browser: Browser, store: Path, to: Path) -> None:
    """No store; a store that holds nothing that fits; an unknown job; a store of a newer version."""
    with tempfile.TemporaryDirectory(prefix="slowfuse-shots-") as scratch:
        with pages.served(Path(scratch) / "nothing", Path(scratch) / "nothing.txt") as address:
            for width in (1440, 390):
                with reader(browser, width, dark=False) as page:
                    for name in ("crew-week", "loading-dock", "house-rules"):
                        take(page, f"{address}/{name}", width, to / f"first-run_{name}_{width}.png")
        with pages.served(store, Path(scratch) / "store.txt") as address, reader(browser, 1440, dark=False) as page:
            take(page, f"{address}/job-folder?job=no-such-job", 1440, to / "no-such-job_1440.png")
            take(page, f"{address}/job-folder?job=J0000", 1440, to / "several-jobs_1440.png")
            take(page, f"{address}/slow-fuses?area=none&warranty=3&visits=1", 1440, to / "one-visit_1440.png")
        newer = Path(scratch) / "newer"
        shutil.copytree(store, newer)
        pointer = newer / "current.json"
        pointer.write_text(json.dumps(json.loads(pointer.read_text()) | {"store_version": 99}))
        with pages.served(newer, Path(scratch) / "newer.txt") as address, reader(browser, 1440, dark=False) as page:
            take(page, f"{address}/crew-week", 1440, to / "newer-version_1440.png")


PICTURES = pages.ROOT / "dashboard" / "pictures"
README_WINDOW = {"width": 1280, "height": 800}
README_SHARPNESS = 1.5
PICTURE_BYTES_AT_MOST = 200_000
# name of the picture -> (address, words that are brought to the top of the window; none: the page's own top)
README_PICTURES = {
    "last-night": ("last-night", None),
    "crew-week": ("crew-week?step=evacuation", "Evacuation: the crew, the branch, the tool or the form?"),
    "slow-fuses": ("slow-fuses", "How is the chance counted?"),
    "job-folder": ("job-folder?job={job}", "Gauge logs"),
}


def job_with_a_curve(store: Path) -> str:
    """The newest job of which a gauge log shows a leak."""
    con = Store(store).read()
    try:
        return con.sql(
            "select job_id from trace_verdict join staged_job using (job_id) where verdict::varchar like '%leak%' "
            "order by finished_on desc, job_id limit 1"
        ).fetchall()[0][0]
    finally:
        con.close()


def as_small_png(picture: bytes) -> bytes:
    """The picture in as few colours as keep it small enough to lie beside the code."""
    image = Image.open(BytesIO(picture)).convert("RGB")
    for colours in (256, 128, 64, 32):
        out = BytesIO()
        image.quantize(colours, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(
            out, "PNG", optimize=True
        )
        if out.tell() < PICTURE_BYTES_AT_MOST:
            break
    return out.getvalue()


def readme_pictures(browser: Browser, address: str, job: str) -> None:
    PICTURES.mkdir(exist_ok=True)
    for look in ("light", "dark"):
        context = pages.new_reader(
            browser, width=README_WINDOW["width"], height=README_WINDOW["height"], dark=look == "dark",
            sharpness=README_SHARPNESS,
        )  # fmt: skip
        page = context.new_page()
        for name, (place, words) in README_PICTURES.items():
            pages.go(page, f"{address}/{place.format(job=job)}")
            if words:
                page.get_by_text(words, exact=True).first.evaluate(
                    # clear of the bar at the head of the window
                    "part => { part.style.scrollMarginTop = '70px'; part.scrollIntoView(); }"
                )
                pages.wait_at_rest(page)
            if page.get_by_test_id("stException").count():
                raise RuntimeError(f"{page.url} could not be drawn; no picture was taken of it")
            file = PICTURES / f"{name}-{look}.png"
            file.write_bytes(as_small_png(page.screenshot()))
            print(f"{file.relative_to(pages.ROOT)}: {file.stat().st_size / 1000:.0f} kB")
        context.close()


def make_readme_pictures(browser: Browser, scratch: Path) -> None:
    fleet = scratch / "fleet"
    command = [sys.executable, "-m", "dashboard.command_line", "demo", "--no-dashboard", "--store", str(fleet)]
    subprocess.run(command, cwd=pages.ROOT, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    with pages.served(fleet, scratch / "pages.txt") as address:
        readme_pictures(browser, address, job_with_a_curve(fleet))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readme", action="store_true", help="Make the pictures of README.md anew, and nothing else.")
    parser.add_argument("--store", type=Path)
    parser.add_argument("--to", type=Path, metavar="FOLDER")
    parser.add_argument("--only", nargs="*", default=[], choices=list(pages.PAGES))
    parser.add_argument("--widths", nargs="*", type=int, default=list(WIDTHS), choices=list(WIDTHS))
    parser.add_argument("--looks", nargs="*", default=["light", "dark"], choices=["light", "dark"])
    parser.add_argument("--no-states", action="store_true", help="leave out the states without records")
    asked = parser.parse_args()
    if pages.find_chromium() is None:
        print(f"No Chromium is installed; looked for {', '.join(pages.CHROMIUM_NAMES)}.", file=sys.stderr)
        return 1
    if not asked.readme and (asked.store is None or asked.to is None):
        parser.error("--store and --to are needed, or --readme")
    try:
        with sync_playwright() as playwright, tempfile.TemporaryDirectory(prefix="slowfuse-shots-") as scratch:
            browser = pages.launch(playwright)
            if asked.readme:
                make_readme_pictures(browser, Path(scratch))
                return 0
            asked.to.mkdir(parents=True, exist_ok=True)
            with pages.served(asked.store, Path(scratch) / "pages.txt") as address:
                every_page(browser, address, asked.to, asked.only, asked.widths, asked.looks)
            if not asked.no_states:
                states_without_records(browser, asked.store, asked.to)
            browser.close()
    except Error as error:
        print(f"The pictures could not be taken: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
