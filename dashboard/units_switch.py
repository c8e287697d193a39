"""The switch between the units of the trade and metric ones, on every page: for one reader, in the address, nowhere else.

The house's units stand in House rules. A reader who reads others chooses them here; the choice stays for the session and
is written into the address, so that a link shows a colleague the same figures.
"""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from dashboard import links, shown, words
from pipelines.house_rules import HouseRules

# a choice of House rules -> its name in the address, and what is asked
ASKED = {
    "temperature_unit": ("temperature", "Temperatures"),
    "pressure_unit": ("pressure", "Pressures"),
    "static_unit": ("static", "Static pressure of air"),
    "vacuum_unit": ("vacuum", "Vacuum"),
}
WHOSE = (
    "The units for you, and for whoever opens your link. The house's own stand in House rules. Papers keep to those, and "
    "files to the units of the records."
)
_CHOSEN = "_units_chosen"  # in the session: what the reader chose otherwise than the house
_HOUSES = "_units_of_house"


def show(rules: HouseRules) -> None:
    """The switch in the sidebar; from here on in this run figures are written by it."""
    house = shown.of_house(rules)
    chosen: dict[str, str] = st.session_state.setdefault(_CHOSEN, {})
    before: dict[str, str] = st.session_state.setdefault(_HOUSES, {})
    picked = {}
    with st.sidebar.popover("Units", icon=":material/straighten:", type="tertiary", key="units"):
        for setting, (key, asked) in ASKED.items():
            houses = getattr(house, setting)
            _take_along(key, chosen.get(key), is_new=before.get(key, houses) != houses)
            unit = links.segmented(
                asked,
                shown.UNIT_CHOICES[setting],
                key,
                default=houses,
                format_func=lambda code: words.UNIT_CHOICE[code],
                help=WHOSE if key == "temperature" else None,  # on the first of them, for all
            )
            picked[setting] = before[key] = houses
            chosen.pop(key, None)
            if unit is not None and unit != houses:
                picked[setting] = chosen[key] = unit
    shown.use(replace(house, **picked))


def _take_along(key: str, chosen: str | None, *, is_new: bool) -> None:
    """The address of another page does not say the units yet: what the reader chose goes along to it.

    is_new : the house has changed its unit since; who had chosen nothing follows it.
    """
    if key in st.query_params:
        return
    if chosen is not None:
        st.query_params[key] = chosen
        st.session_state[key] = chosen
    elif is_new:
        st.session_state.pop(key, None)
