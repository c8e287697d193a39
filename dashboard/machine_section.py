"""What the readings of a job say of the machine itself: airflow, capacity, charge at rest, energy; and what would change it."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard import components, data, data_machine, words
from pipelines.duct_curve import Outcome, Range

METHOD = {
    "measured": "Measured",
    "fan_table": "By the blower's table",
    "temperature_split": "From the temperature split",
    "fan_laws": "By the fan laws",
}
VERDICT = {
    "non_condensables": "a gas that does not condense",
    "none_seen": "nothing seen",
    "below_saturation": "below saturation",
    "cannot_tell": "cannot be told",
}
HOW_ENERGY = (
    "From published fits of laboratory measurements (charge: NIST TN 1848; airflow: NREL/TP-5500-56354; gas that does not "
    "condense, and a second fit for too little charge: the fault measures of OpenStudio). They speak of the **rating point**, "
    "80 °F dry and 67 °F wet indoors and 95 °F outdoors, for heating 70 and 47 °F; a season is milder, and no published form "
    "for a year could be read, so none is told. The blower's own electricity is not in it. The range spans the fits there "
    "are and how well the fault itself is known.\n\n"
    "Charge counts where its weight is outside the limit and no charge check has passed since; airflow where a measured one "
    "or the blower's table lies below its limit. What a season costs takes the house's hours at full load, price and power "
    "from *House rules*, as if the whole season were like the rating point.\n\n"
    "The trade often says *30 to 40 % more energy*. By these fits one fault alone does not do that in cooling: charge 30 % low "
    "takes 21 % more (12 to 22), airflow at 60 % takes 6 %. It takes charge 30 % low **and** airflow at 60 % (30 %), or gas "
    "in the circuit on top (about 35 %). In heating it is nearer: charge 30 % low takes 31 %, airflow at 60 % takes 29 %, at "
    "half 40 %."
)
COMPUTED = (
    "**Computed, not measured**: from this job's static and airflow, the blower's table where there is one (else the two ends "
    "between which every blower lies), and published curves of what less air does. Taken as usual: a clean filter takes a "
    "fifth of the static, the supply branches two fifths. How far superheat falls holds for a fixed orifice only; a valve "
    "keeps it until it is fully shut."
)
CAUTION = (
    "Closing registers raises the pressure in ducts that leak, and can freeze the coil: laboratory work on closing registers "
    "(LBNL, 2003) found more energy used, not less. Look at the filter first; set the blower by its maker's instructions."
)


def show(job: dict[str, Any]) -> None:
    """Cards for what the readings tell of air, charge and energy; nothing where they tell nothing."""
    job_id = job["job_id"]
    airflow = data_machine.airflow_told(job_id)
    capacity = data_machine.capacity_check(job_id)
    standing = data_machine.standing_check(job_id)
    energy = data_machine.energy_penalty(job_id)
    if airflow.is_empty() and energy.is_empty() and not capacity and not standing:
        return
    components.heading("What the readings say of the machine")
    wall = st.grid(2, min_column_width=330, gap="small")
    if airflow.height:
        with wall.container(border=True, key="machine_airflow", gap="xxsmall", height="stretch"):
            st.markdown("**Airflow**")
            for row in airflow.iter_rows(named=True):
                st.markdown(f"{METHOD[row['method']]}: {_airflow(row)}  \n{_sentence(row['why'])}")
    if capacity:
        with wall.container(border=True, key="machine_capacity", gap="xxsmall", height="stretch"):
            st.markdown(f"**Cooling it gave** &nbsp; {_capacity(capacity)}")
            st.markdown(_sentence(capacity["why"]))
    if standing:
        with wall.container(border=True, key="machine_standing", gap="xxsmall", height="stretch"):
            st.markdown(f"**Pressure at rest** &nbsp; {VERDICT.get(standing['verdict'], standing['verdict'])}")
            st.markdown(_sentence(standing["why"]))
    if energy.height:
        with wall.container(border=True, key="machine_energy", gap="xxsmall", height="stretch"):
            _energy(energy)
    _restrictions(job_id)


def _sentence(text: str | None) -> str:
    return words.in_markdown(words.escaped(words.sentence(text)))


def _airflow(row: dict[str, Any]) -> str:
    low, high = row["low"], row["high"]
    if row["airflow_cfm"] is not None:
        return f"**{words.count(row['airflow_cfm'])} cfm** ({words.count(low)} to {words.count(high)})"
    if low is None and high is None:
        return "a share only"
    return f"**less than {words.count(high)} cfm**" if low is None else f"**more than {words.count(low)} cfm**"


def _capacity(row: dict[str, Any]) -> str:
    if row["share_of_expected"] is not None:
        return f"**{words.share(row['share_of_expected'])}** of what a sound machine gives at these temperatures"
    if row["share_of_nominal"] is not None:
        return f"**{words.share(row['share_of_nominal'])}** of nominal"
    return f"**{words.count(row['total_btu_h'])} Btu/h**"


def _energy(energy: pl.DataFrame) -> None:
    totals = energy.filter(pl.col("is_total"))
    st.markdown(
        "**Energy, at the rating point** &nbsp; "
        + " · ".join(f"**{_signed(row['percent'])} %** for {row['mode']}" for row in totals.iter_rows(named=True))
    )
    for row in energy.iter_rows(named=True):
        st.markdown(_sentence(row["why"]))
    costs = [row for row in totals.iter_rows(named=True) if row["cost_per_year"] is not None]
    if costs:
        currency = data.house_rules().currency
        total, low, high = (sum(row[name] for row in costs) for name in ("cost_per_year", "cost_low", "cost_high"))
        components.note(
            f"About {words.money(total, currency)} a year ({words.money_range(low, high, currency)}) for "
            f"{words.joined(row['mode'] for row in costs)}, at the house's hours and price, if the whole season were like the "
            "rating point."
        )
    components.how_counted(words.sentence(HOW_ENERGY), "energy")


def _restrictions(job_id: str) -> None:
    found = data_machine.restrictions_of_job(job_id)
    if not found:
        return
    with st.expander(
        "What a dirty filter or closed registers would do to this machine", icon=":material/filter_alt:", key="restrict"
    ):
        components.note(COMPUTED)
        if not found[0][1].is_by_table:
            components.note("No table of this blower and setting: each figure has its two ends.")
        columns = {restriction.name: _restriction_row(outcome) for restriction, outcome in found}
        names = list(_restriction_row(found[0][1]))
        st.dataframe(
            pl.DataFrame({"What it does": names} | {name: list(column.values()) for name, column in columns.items()}),
            hide_index=True,
            height="content",
            alt="What each restriction does to static, airflow, superheat, current, capacity and energy",
        )
        if any(outcome.is_edge for _, outcome in found):
            components.note(
                "Below half of the rated airflow the published curves end: current, capacity, energy and superheat are then "
                "those of half, and it may be worse. A coil with so little air can freeze."
            )
        st.warning(CAUTION, icon=":material/health_and_safety:", title="Before anybody closes a register")


def _restriction_row(outcome: Outcome) -> dict[str, str]:
    superheat = outcome.superheat_delta_degf
    return {
        "Static": _figures(outcome.static_inwc, "inwc"),
        "Airflow": _percents(_changes(outcome.airflow_share)),
        "Superheat": "below the chart" if superheat is None else _figures(superheat, "delta_degF"),
        "Compressor current": _percents(_changes(outcome.current_share)),
        "Capacity": _percents(_changes(outcome.capacity_share)),
        "Energy for the same cooling": _percents(outcome.energy_percent),
        "Power the blower gives the air": _percents(_changes(outcome.air_power_share)),
    }


def _changes(shares: Range) -> Range:
    return Range(100 * (shares.low - 1), 100 * (shares.high - 1))


def _figures(ends: Range, unit: str) -> str:
    low, high = round(ends.low, 2) + 0.0, round(ends.high, 2) + 0.0
    return words.measured(low, unit, figures=2) if low == high else words.span(low, high, unit)


def _percents(ends: Range) -> str:
    low, high = (_signed(value) for value in (ends.low, ends.high))
    return f"{low} %" if low == high else f"{low} to {high} %"


def _signed(percent: float) -> str:
    rounded = round(percent, 1) + 0.0
    return f"{'+' if rounded > 0 else ''}{words.number(rounded)}"


def owner_lines() -> None:
    """What faults of charge and airflow on the last 12 months' jobs take in energy: the customers' money, not ours."""
    year = data_machine.energy_of_the_year()
    if not year:
        return
    components.heading("What it costs the customers in energy")
    share = (
        f"; the middle one takes {words.number(year['percent'])} % more electricity for the same cooling "
        f"({words.number(year['percent_low'])} to {words.number(year['percent_high'])} % for 8 of 10), at the rating point"
        if year["percent"] is not None
        else ""
    )
    components.note(
        f"On {words.count(year['jobs'])} of {words.counted(year['of_jobs'], 'job')} of the last 12 months a wrong charge, too "
        f"little air or a gas that does not condense was measured and left{share}."
    )
    currency = data.house_rules().currency
    if year["cost"] is not None:
        components.note(
            f"That is about {words.money(year['cost'], currency)} a year of the customers' money "
            f"({words.money_range(year['cost_low'], year['cost_high'], currency)}) on {words.counted(year['jobs_priced'], 'job')}, "
            "at the house's hours and price, if the whole season were like the rating point. Not counted: what was not measured."
        )
    else:
        components.note(
            "With the local hours of cooling and heating, a price for electricity and the usual power for each ton on "
            "*House rules*, this page says it in money."
        )
    components.how_counted(HOW_ENERGY, "energy_year")
