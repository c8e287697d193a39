"""The form of House rules for energy: hours at full load, price and usual power, without which no money is told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from dashboard import components
from pipelines.house_rules import HouseRules


def energy_form(rules: HouseRules, save: Callable[[dict[str, Any], HouseRules], None]) -> None:
    """Four figures of the place and its machines; an empty one is not known, and then no money is told from it."""
    components.note(
        "What a wrong charge or too little air takes in energy is told as a share. With these figures it is told in money "
        "too, on *Owner's page* and in the *Job folder*. Leave empty what you do not know: nothing is guessed."
    )
    with st.form("energy_form", border=False):
        with st.grid(2, min_column_width=260):
            cooling = st.number_input(
                "Hours of cooling a year, at full load", value=rules.cooling_hours, min_value=0.0, max_value=8784.0,
                step=50.0, format="%.0f", placeholder="not known", key="set_cooling_hours",
            )  # fmt: skip
            heating = st.number_input(
                "Hours of heating a year, at full load", value=rules.heating_hours, min_value=0.0, max_value=8784.0,
                step=50.0, format="%.0f", placeholder="not known", key="set_heating_hours",
            )  # fmt: skip
            price = st.number_input(
                f"Price of a kWh, {rules.currency}", value=rules.electricity_price, min_value=0.0, max_value=1000.0,
                step=0.01, format="%.3f", placeholder="not known", key="set_electricity_price",
            )  # fmt: skip
            power = st.number_input(
                "Usual power for each ton, W", value=rules.nominal_power_w_per_ton, min_value=1.0, max_value=10000.0,
                step=50.0, format="%.0f", placeholder="not known", key="set_nominal_power_w_per_ton",
                help="Of a sound machine, where a job does not record its input power.",
            )  # fmt: skip
        if st.form_submit_button("Save", key="save_energy"):
            save(
                {
                    "cooling_hours": cooling,
                    "heating_hours": heating,
                    "electricity_price": price,
                    "nominal_power_w_per_ton": power,
                },
                rules,
            )
