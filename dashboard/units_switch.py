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
_CHOSEN = "_units_chosen"


def show(rules: HouseRules) -> None:
    """The switch in the sidebar; from here on in this run figures are written by it."""
    house = shown.of_house(rules)
    kept: dict[str, str] = st.session_state.setdefault(_CHOSEN, {})
    with st.sidebar.popover("Units", icon=":material/straighten:", type="tertiary", key="units", width="stretch"):
        picked = {}
        for setting, (key, asked) in ASKED.items():
            _take_along(key, kept.get(key), getattr(house, setting))
            picked[setting] = links.segmented(
                asked,
                shown.UNIT_CHOICES[setting],
                key,
                default=getattr(house, setting),
                format_func=lambda code: words.UNIT_CHOICE[code],
            )
            kept[key] = str(picked[setting])
        st.markdown(
            "For you and for whoever opens your link. The house's own stand in *House rules*; files that are taken away "
            "and papers do not change with this switch."
        )
    shown.use(replace(house, **{setting: str(code) for setting, code in picked.items()}))


def _take_along(key: str, kept: str | None, houses: str) -> None:
    """Another page's address does not say the units yet: the reader's choice goes along to it."""
    if key not in st.query_params and kept is not None and kept != houses:
        st.query_params[key] = kept
        st.session_state[key] = kept
