"""Colours that can be read, a palette that holds for the colour-blind, and nothing fetched from anywhere."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path

import pytest

from dashboard import looks

DASHBOARD = Path(looks.__file__).parent
CONFIG = tomllib.loads((DASHBOARD / ".streamlit" / "config.toml").read_text())


def channels(colour: str) -> list[float]:
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    # sRGB to linear light, as WCAG 2.2 defines relative luminance
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def contrast(first: str, second: str) -> float:
    levels = sorted(
        sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), channels(x), strict=True)) for x in (first, second)
    )
    return (levels[1] + 0.05) / (levels[0] + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)  # WCAG 2.2, definition of contrast ratio


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_texts_of_the_pages_can_be_read(mode: str) -> None:
    theme = CONFIG["theme"][mode]
    pairs = {
        "text": (theme["textColor"], theme["backgroundColor"]),
        "text on widgets": (theme["textColor"], theme["secondaryBackgroundColor"]),
        "links": (theme["linkColor"], theme["backgroundColor"]),
        "chosen option": (theme["primaryColor"], theme["backgroundColor"]),
        "table heading": (theme["dataframeHeaderTextColor"], theme["dataframeHeaderBackgroundColor"]),
        "quiet text": (theme["grayColor"], theme["backgroundColor"]),
        "sidebar": (theme["sidebar"]["textColor"], theme["sidebar"]["backgroundColor"]),
    }
    for name in ("red", "orange", "yellow", "green", "blue", "violet", "gray"):
        pairs[f"{name} badge"] = (theme[f"{name}TextColor"], theme[f"{name}BackgroundColor"])
    assert {name: round(contrast(*pair), 2) for name, pair in pairs.items() if contrast(*pair) < 4.5} == {}


@pytest.mark.parametrize("look", [looks.LIGHT, looks.DARK], ids=lambda look: look.name)
def test_marks_and_words_of_charts_stand_out_from_the_page(look: looks.Look) -> None:
    for words in (look.ink, look.soft_ink):
        assert contrast(words, look.paper) >= 4.5
    for mark in (look.good, look.not_good, look.quiet, look.second, look.third):
        assert contrast(mark, look.paper) >= 3


@pytest.mark.parametrize("look", [looks.LIGHT, looks.DARK], ids=lambda look: look.name)
def test_numbers_can_be_read_in_every_cell_of_the_heat_table(look: looks.Look) -> None:
    classes = look.low_to_high
    for place, colour in enumerate(classes):
        ink = look.ink_on_ends if place in (0, len(classes) - 1) else look.ink
        assert contrast(ink, colour) >= 4.5, (place, colour, contrast(ink, colour))


def as_seen(colour: str, matrix: list[list[float]]) -> list[float]:
    light = channels(colour)
    return [sum(m * c for m, c in zip(row, light, strict=True)) for row in matrix]


# Machado, Oliveira and Fernandes 2009, severity 1.0 (linear RGB)
COLOUR_BLINDNESS = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("kind", COLOUR_BLINDNESS)
@pytest.mark.parametrize("look", [looks.LIGHT, looks.DARK], ids=lambda look: look.name)
def test_good_and_not_good_differ_for_every_eye(look: looks.Look, kind: str) -> None:
    good, not_good = (as_seen(colour, COLOUR_BLINDNESS[kind]) for colour in (look.good, look.not_good))
    assert math.dist(good, not_good) > 0.12


def test_nothing_is_fetched_and_nothing_is_reported() -> None:
    assert CONFIG["browser"]["gatherUsageStats"] is False
    text = (DASHBOARD / ".streamlit" / "config.toml").read_text()
    assert not re.search(r"https?://|fontFaces|googleapis", text)
    for file in [*DASHBOARD.glob("*.svg"), *DASHBOARD.rglob("*.py")]:
        found = re.findall(r"https?://[\w./]+", file.read_text())
        # the one name that is no address to fetch, and what the command line prints of itself
        assert [u for u in found if "www.w3.org" not in u and "http://127" not in u and u != "http://"] == [], file
