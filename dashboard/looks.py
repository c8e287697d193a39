"""The colours and the type of the charts, for the light and the dark page.

The palette holds for the common kinds of colour blindness: good is a blue-green, not good an orange-brown, and the two
differ in lightness too. No mark means anything by its colour alone: each has a shape, a dash or a word beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import altair as alt

Picture = alt.Chart | alt.LayerChart | alt.FacetChart
FONT = '"Source Sans", "Source Sans Pro", "Helvetica Neue", Arial, sans-serif'


@dataclass(frozen=True)
class Look:
    """The colours of one appearance; the names say what a colour stands for."""

    name: str
    paper: str
    ink: str
    soft_ink: str
    line: str
    good: str
    not_good: str
    unknown: str
    quiet: str
    second: str
    third: str
    band: str
    low_to_high: tuple[str, ...]
    ink_on_ends: str


LIGHT = Look(
    name="light",
    paper="#FBFAF6",
    ink="#0E191B",
    soft_ink="#56615F",
    line="#DCD7C9",
    good="#0B5D66",
    not_good="#C2571A",
    unknown="#B9B4A4",
    quiet="#6F7A77",
    second="#5C4391",
    third="#8A6A10",
    band="#E6E9E2",
    low_to_high=("#B5571F", "#D99A6C", "#F0DCC5", "#EDEEE6", "#BCD7D7", "#6CA7AD", "#0B5D66"),
    ink_on_ends="#FFFFFF",
)

DARK = Look(
    name="dark",
    paper="#101819",
    ink="#E7ECE9",
    soft_ink="#A9B5B2",
    line="#344244",
    good="#5FBFC9",
    not_good="#F0935A",
    unknown="#667270",
    quiet="#9AA6A3",
    second="#B8A2EA",
    third="#D9B84A",
    band="#1F2C2E",
    low_to_high=("#D5763A", "#9A5730", "#563B2A", "#2A3435", "#27545A", "#2A7078", "#6CC9D2"),
    ink_on_ends="#0B1112",
)


def current() -> Look:
    """The look of the page as the reader has set it; light where the browser has not said yet."""
    import streamlit as st

    return DARK if st.context.theme.type == "dark" else LIGHT


def dressed(chart: Picture, look: Look) -> Picture:
    """The chart in the house's type and colours: quiet axes, light grid, no frame."""
    axis = {
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "labelColor": look.ink,
        "titleColor": look.soft_ink,
        "gridColor": look.line,
        "gridOpacity": 0.7,
        "domainColor": look.line,
        "tickColor": look.line,
        "labelPadding": 6,
        "labelFlush": False,
        "labelBound": False,
        "titlePadding": 10,
    }
    return chart.configure(
        background="transparent",
        font=FONT,
        view={"stroke": None},
        axis=axis,
        legend={
            "labelFont": FONT,
            "titleFont": FONT,
            "labelFontSize": 13,
            "titleFontSize": 13,
            "titleFontWeight": "normal",
            "labelColor": look.ink,
            "titleColor": look.soft_ink,
            "orient": "top",
            "direction": "horizontal",
            "labelLimit": 320,
            "titleLimit": 320,
            "symbolSize": 110,
            "columnPadding": 18,
            "padding": 0,
            "offset": 10,
        },
        header={"labelFont": FONT, "labelFontSize": 13, "labelColor": look.ink, "title": None},
        title={"font": FONT, "fontSize": 14, "color": look.ink, "anchor": "start", "fontWeight": 600, "offset": 10},
        text={"font": FONT, "color": look.ink, "fontSize": 12},
    )
