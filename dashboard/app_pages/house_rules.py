"""House rules: the limits with their sources, the words for each state, targets and costs; guesses are marked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboard import components, data, data_ways, energy_form, house_forms, limit_words, links, running, words
from pipelines.arrivals import WEEKDAYS
from pipelines.contract import FINDINGS, STATES, STEPS
from pipelines.errors import InputError, StoreMissingError
from pipelines.house_rules import CALLBACK_COST_GUESS, FAILURE_COST_GUESS, GUESSED, HouseRules

GUESS = ":yellow-badge[house's guess, change it]"


def page() -> None:
    rules = data.house_rules()
    changed_on = data.entries().settings_changed_on()
    try:
        limits = data.limits_in_force()
    except StoreMissingError:
        limits = pl.DataFrame()
    guesses = [name for name in GUESSED if name not in changed_on]
    _answer(rules, limits, guesses)
    _pending(rules)
    components.heading("Limits in force")
    _limits(limits, rules)
    components.heading("Targets")
    _targets(rules)
    components.heading("Costs, and what a visit can mend")
    _costs(rules, changed_on)
    components.heading("Follow-up and judging")
    _judging(rules, changed_on)
    components.heading("What energy costs here")
    energy_form.energy_form(rules, _save)
    components.heading("Days within which somebody must go back")
    house_forms.days_to_go_back(rules, _save)
    components.heading("How figures are shown")
    house_forms.how_shown(rules, _save)
    components.heading("The house, its year and its home base")
    house_forms.the_house(rules, _save)
    components.heading("The words for each state")
    _states()
    _changes()
    components.heading("The usual cautions")
    components.cautions(name for name in words.CAUTION if name not in ("records", "people"))
    components.about_people()


def _answer(rules: HouseRules, limits: pl.DataFrame, guesses: list[str]) -> None:
    if limits.is_empty():
        sentence = f"The profile is “{rules.profile}”; its limits show here after the first load"
    else:
        memory = limits.filter(pl.col("status") == "memory").height
        sentence = (
            f"{words.counted(limits.height, 'limit')} are in force under the profile “{rules.profile}”, "
            f"{words.count(memory) if memory else 'none'} of them from memory"
            f"{', to check in your edition' if memory else ''}"
        )
    if guesses:
        sentence += (
            f"; {words.counted(len(guesses), 'cost or share', 'costs and shares')} are still the house's guesses"
        )
    components.answer(sentence + ".")


def _pending(rules: HouseRules) -> None:
    """Say when the figures do not stand on the rules shown yet, and offer to work them out again."""
    try:
        differ = data_ways.rules_changed(rules)
    except StoreMissingError:
        return
    if differ:
        names = words.joined(differ)
        st.warning(
            f"{names} changed since: the pages still stand on the earlier rules.",
            title="Not worked out with these rules yet",
            icon=":material/pending_actions:",
        )
    if (differ or not data.stamp().fitted) and st.button(
        "Work the figures out again", key="fit_again", icon=":material/calculate:"
    ):
        with st.status("Working the figures out …", expanded=True) as status:
            slot = st.empty()
            last = running.Command()
            for last in running.run(["fit"], data.store()):
                if last.said.strip():
                    slot.code(last.said[-4000:], language=None, wrap_lines=True)
            if last.code == 0:
                status.update(label="The figures are new", state="complete")
            else:
                status.update(label="Not done; the earlier figures stand", state="error")
        if last.code == 0:
            st.rerun()


def _save(changes: dict[str, Any], rules: HouseRules, also: Sequence[str] = ()) -> None:
    """Enter what differs from the rules in force, and what is said to be the house's own though it does not differ."""
    by = str(st.session_state.get("entered_by") or "").strip()
    entered = []
    try:
        for name, value in changes.items():
            if value != getattr(rules, name) or (name in also and value is not None):
                data.entries().change_setting(name, value, by)
                entered.append(name.replace("_", " "))
    except InputError as error:
        st.error(words.escaped(str(error)), icon=":material/error:", title="Not saved")
        return
    st.session_state["saved"] = (
        f"Saved: {words.joined(entered)}." if entered else "Nothing was different: nothing saved."
    )
    st.rerun()


def _limits(limits: pl.DataFrame, rules: HouseRules) -> None:
    if st.session_state.get("saved"):
        st.success(st.session_state.pop("saved"), icon=":material/check:")
    with st.form("profile_form", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        profiles = list(dict.fromkeys(["usual", "strict", rules.profile]))
        profile = st.selectbox("Profile", profiles, index=profiles.index(rules.profile), key="set_profile", width=180)
        altitude = st.number_input(
            "Altitude where a site gives none, ft", value=rules.altitude_ft, min_value=-1500.0, max_value=20000.0,
            step=100.0, format="%.0f", key="set_altitude_ft", width=280,
        )  # fmt: skip
        if st.form_submit_button("Save", key="save_profile"):
            _save({"profile": profile, "altitude_ft": altitude}, rules)
    if limits.is_empty():
        st.info("The limits are listed after the first load.")
        return
    step = links.select("Step", STEPS, "limit_step", placeholder="All steps", format_func=words.step, width=260)
    rows = limits.filter(pl.col("step") == step) if step else limits
    has = set(rows.columns)

    def text(column: str) -> list[str]:
        return (
            [str(value) if value is not None else "" for value in rows[column]] if column in has else [""] * rows.height
        )

    table = pl.DataFrame(
        {
            "Step": [words.step(str(code)) for code in rows["step"]],
            "What": [words.quantity(str(code)) for code in rows["quantity"]],
            "At least": [limit_words.as_in_source(v, u) for v, u in zip(rows["at_least"], rows["unit"], strict=True)],
            "At most": [
                ("below " if bound == "excl" and v is not None else "") + limit_words.as_in_source(v, u)
                for v, u, bound in zip(rows["at_most"], rows["unit"], text("bound"), strict=True)
            ],
            "Holds for": [words.applies_to(condition) for condition in text("applies_to")],
            "Source": text("source"),
            "Clause": text("clause"),
            "How sure": [words.SOURCE_STATUS.get(status, status) for status in text("status")],
            "Note": text("note"),
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * table.height, 480),
        column_config={"What": st.column_config.TextColumn(pinned=True)},
        alt="The limits in force with their source and how sure it is",
    )
    components.note(
        f"{words.counted(rows.height, 'limit')}. The maker's own limit (table `equipment_limits`) beats all of them, and "
        "your local code comes before both."
    )


def _number_or_nothing(label: str, value: float | None, *, key: str, **how: Any) -> float | None:
    """A number that can be taken away again: a field that starts from a number of its own goes back to it when emptied."""
    if key not in st.session_state:
        st.session_state[key] = value
    return st.number_input(label, value=None, key=key, **how)


def _targets(rules: HouseRules) -> None:
    components.note(
        "The share of jobs on which a step should be good. A step without a target of your own is held against the "
        "fleet's own share. Empty: no target of your own."
    )
    with st.form("target_form", border=False):
        values: dict[str, float | None] = {}
        with st.grid(3):
            for step in STEPS:
                own = rules.target.get(step)
                values[step] = _number_or_nothing(
                    f"{words.step(step)}, %",
                    None if own is None else 100 * own,
                    min_value=0.0,
                    max_value=100.0,
                    step=1.0,
                    format="%.0f",
                    placeholder="the fleet's own",
                    key=f"set_target_{step}",
                )
        if st.form_submit_button("Save targets", key="save_targets"):
            _save({"target": {step: round(v / 100, 4) for step, v in values.items() if v is not None}}, rules)


def _costs(rules: HouseRules, changed_on: dict[str, str]) -> None:
    def mark(name: str) -> str:
        return "" if name in changed_on else " (house's guess)"

    components.note(
        "What a failure costs comes from your own records where `calls` carries costs (its median); a figure entered here "
        "comes before it. " + (GUESS if any(name not in changed_on for name in GUESSED) else "")
    )
    with st.form("cost_form", border=False):
        with st.grid(4):
            visit = st.number_input(
                f"A visit{mark('visit_cost')}", value=rules.visit_cost, min_value=0.0, step=10.0, format="%.0f",
                key="set_visit_cost",
            )  # fmt: skip
            failure = _number_or_nothing(
                f"A compressor failure{mark('failure_cost')}", rules.failure_cost, min_value=0.0, step=50.0, format="%.0f",
                placeholder=f"own median, else {FAILURE_COST_GUESS:,.0f}", key="set_failure_cost",
            )  # fmt: skip
            callback = _number_or_nothing(
                f"A callback{mark('callback_cost')}", rules.callback_cost, min_value=0.0, step=10.0, format="%.0f",
                placeholder=f"own median, else {CALLBACK_COST_GUESS:,.0f}", key="set_callback_cost",
            )  # fmt: skip
            currency = st.text_input("Currency", value=rules.currency, max_chars=3, key="set_currency")
        st.markdown(f"**What a visit can still mend**, % of the step's extra risk{mark('mendable_share')}")
        shares: dict[str, float] = {}
        with st.grid(3):
            for step in STEPS:
                shares[step] = st.number_input(
                    f"{words.step(step)}, %",
                    value=100 * rules.mendable_share.get(step, 0.0),
                    min_value=0.0,
                    max_value=100.0,
                    step=5.0,
                    format="%.0f",
                    key=f"set_mendable_{step}",
                )
        ours = st.checkbox("These figures are our own, no longer guesses", key="costs_are_ours")
        if st.form_submit_button("Save costs", key="save_costs"):
            _save(
                {
                    "visit_cost": visit,
                    "failure_cost": failure,
                    "callback_cost": callback,
                    "currency": (currency or "").strip().upper(),
                    "mendable_share": {step: round((value or 0) / 100, 4) for step, value in shares.items()},
                },
                rules,
                also=[name for name in GUESSED if ours and name not in changed_on],
            )


def _judging(rules: HouseRules, changed_on: dict[str, str]) -> None:
    with st.form("judging_form", border=False):
        with st.grid(3):
            interval = st.number_input(
                "Months between agreement visits", value=rules.visit_interval_months, min_value=0.5, max_value=120.0,
                step=1.0, format="%.1f", key="set_visit_interval_months",
                help="Where a system's own interval is empty: how long after a planned visit we still know it runs.",
            )  # fmt: skip
            heard = st.number_input(
                "Months a system counts as known after contact", value=rules.heard_back_months, min_value=0.5,
                max_value=120.0, step=1.0, format="%.1f", key="set_heard_back_months",
                help="Off agreement: after this long without contact we no longer know whether it runs.",
            )  # fmt: skip
            controls = [finding for finding in FINDINGS if finding != "drain"]
            control = st.selectbox(
                "The outcome that no step can cause", controls, index=controls.index(rules.negative_control),
                format_func=words.outcome, key="set_negative_control",
            )  # fmt: skip
            warm_from = st.text_input(
                "Warm enough for charge checks from (month-day)", value=rules.charge_check_from or "", max_chars=5,
                placeholder="told from own readings", key="set_charge_check_from",
                help="Such as 04-15. Charge checks that were too cold are due in the first week after it.",
            )  # fmt: skip
        working_days = st.pills(
            "Days on which files come", WEEKDAYS, selection_mode="multi", default=list(rules.working_days),
            key="set_working_days",
        )  # fmt: skip
        uncompensated = st.checkbox(
            "Accept a pressure test without temperatures (the grade then says “not compensated”)",
            value=rules.accept_uncompensated_pressure_test,
            key="set_accept_uncompensated",
        )
        if st.form_submit_button("Save", key="save_judging"):
            _save(
                {
                    "visit_interval_months": interval,
                    "heard_back_months": heard,
                    "negative_control": control,
                    "accept_uncompensated_pressure_test": uncompensated,
                    "charge_check_from": warm_from.strip() or None,
                    "working_days": tuple(day for day in WEEKDAYS if day in working_days),
                },
                rules,
            )
    st.text_input(
        "Your name, kept with each change (may stay empty)", key="entered_by", persist_state="session", width=340
    )


def _states() -> None:
    st.table(
        {f"{words.STATE_SIGN[state]} {words.STATE[state]}": words.STATE_MEANING[state] for state in STATES},
        border="horizontal",
        width="content",
    )


def _changes() -> None:
    changes = data.entries().all("setting")
    if not changes:
        return
    with st.expander(f"Every change of the rules ({len(changes)})", icon=":material/history:", key="rule_changes"):
        st.dataframe(
            pl.DataFrame(
                {
                    "Day": [entry.entered_at[:16].replace("T", " ") for entry in reversed(changes)],
                    "Rule": [entry.subject.replace("_", " ") for entry in reversed(changes)],
                    "Became": ["the default" if e.content is None else str(e.content) for e in reversed(changes)],
                    "By": [entry.entered_by or "not said" for entry in reversed(changes)],
                }
            ),
            hide_index=True,
            placeholder="–",
            alt="Every change of the house rules, newest first",
        )


if __name__ == "__main__":
    page()
