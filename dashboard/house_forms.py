"""The forms of House rules that change no figure but how it is shown and when visits are due: name, year, home, units."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import streamlit as st

from dashboard import components, shown, words
from pipelines.arrivals import return_reasons
from pipelines.house_rules import HouseRules

Save = Callable[[dict[str, Any], HouseRules], None]
REASON = {
    "gas_not_nitrogen": "a test gas that was not nitrogen",
    "over_pressure": "a test above the permitted pressure",
    "pressure_test_failed": "A pressure test that failed",
    "rise_failed": "A vacuum rise that failed",
    "airflow_failed": "Airflow outside its limit",
}


def the_house(rules: HouseRules, save: Save) -> None:
    """Name on papers, the two dates before which visits should be over, and where a day's visits begin."""
    components.note(
        f"Visits that cooling needs should be over before {words.day_of_year(rules.first_heat)}, those that heating needs "
        f"before {words.day_of_year(rules.first_frost)}. The name below is the only one that papers and visit cards carry."
    )
    with st.form("house_form", border=False):
        name = st.text_input(
            "The house's own name", value=rules.house_name, max_chars=80, key="set_house_name",
            placeholder="none: papers carry no name", width=420,
        )  # fmt: skip
        with st.grid(3):
            heat = st.text_input(
                "Before the first heat (month-day)", value=rules.first_heat, max_chars=5, key="set_first_heat",
                help="Such as 06-01: visits to what cools should be over by then.",
            )  # fmt: skip
            frost = st.text_input(
                "Before the first frost (month-day)", value=rules.first_frost, max_chars=5, key="set_first_frost",
                help="Such as 10-15: visits to heat pumps should be over by then.",
            )  # fmt: skip
            home = st.text_input(
                "Home base: latitude, longitude", value="{}, {}".format(*rules.home) if rules.home else "", max_chars=60,
                placeholder="such as 41.25, -96.00", key="set_home",
                help="Where a day's visits begin and end, in degrees; south and west are below nought. Kept on this machine.",
            )  # fmt: skip
        if st.form_submit_button("Save", key="save_house"):
            place = re.findall(r"[-+]?\d+(?:\.\d+)?", (home or "").replace(words.MINUS, "-"))
            if len(place) not in (0, 2) or ((home or "").strip() and not place):
                st.error(
                    "A home base is two figures in degrees, latitude and longitude, such as 41.25, -96.00; or nothing.",
                    icon=":material/error:",
                    title="Not saved",
                )
                return
            save(
                {
                    "house_name": (name or "").strip(),
                    "first_heat": (heat or "").strip(),
                    "first_frost": (frost or "").strip(),
                    "home": (float(place[0]), float(place[1])) if place else None,
                },
                rules,
            )


def how_shown(rules: HouseRules, save: Save) -> None:
    """Units, the order of a date, and whether people's names stand on pages and papers. Acts at once."""
    components.note(
        "How pages and papers write figures, for everybody; no figure is worked out again. A reader can choose other units "
        "for himself under *Units* at the side. Limits, files and exports stay in the units of the records."
    )
    with st.form("shown_form", border=False):
        picked: dict[str, Any] = {}
        with st.grid(3):
            for setting, asked in (
                ("temperature_unit", "Temperatures"),
                ("pressure_unit", "Pressures"),
                ("static_unit", "Static pressure of air"),
                ("vacuum_unit", "Vacuum"),
            ):
                picked[setting] = _one_of(asked, shown.UNIT_CHOICES[setting], setting, rules, words.UNIT_CHOICE)
            picked["date_order"] = _one_of("Dates", tuple(words.DATE_ORDER), "date_order", rules, words.DATE_ORDER)
        picked["names_shown"] = st.checkbox(
            "Show people's names on pages and papers (off: their numbers stand in their place)",
            value=rules.names_shown,
            key="set_names_shown",
        )
        if st.form_submit_button("Save", key="save_shown"):
            save(picked, rules)


def _one_of(label: str, options: tuple[str, ...], setting: str, rules: HouseRules, said: dict[str, str]) -> str:
    return st.selectbox(
        label, options, index=options.index(getattr(rules, setting)), key=f"set_{setting}",
        format_func=lambda code: said[code],
    )  # fmt: skip


def days_to_go_back(rules: HouseRules, save: Save) -> None:
    """Within how many days somebody must go back, for each reason that a house may move."""
    reasons = return_reasons()
    at_once = words.joined(_named(reason.reason) for reason in reasons if reason.is_safety)
    components.note(
        f"Counted from the day the job was finished. At once, whatever is set here: {at_once}. A charge check that was too "
        "cold waits for the first warm week."
    )
    with st.form("days_form", border=False):
        days: dict[str, int] = {}
        with st.grid(3):
            for reason in reasons:
                if reason.is_movable and reason.due_days is not None:
                    days[reason.reason] = st.number_input(
                        f"{_named(reason.reason)}, days",
                        value=rules.return_due_days.get(reason.reason, reason.due_days),
                        min_value=0,
                        max_value=365,
                        step=1,
                        key=f"set_days_{reason.reason}",
                    )
        if st.form_submit_button("Save", key="save_days"):
            shipped = {reason.reason: reason.due_days for reason in reasons}
            save({"return_due_days": {name: n for name, n in days.items() if n != shipped[name]}}, rules)


def _named(reason: str) -> str:
    return REASON.get(reason, reason.replace("_", " ").capitalize())
