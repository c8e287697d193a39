"""What a dirty filter or closed registers do to a machine, all at once: static, airflow, superheat, current, energy.

Computed, not measured: no published laboratory table that holds all of these could be read. A restriction raises the
resistance of the ducts; where the blower's table is known, the new airflow is where table and ducts meet. Without a table
the blower lies somewhere between the two ends that there are: one that keeps its pressure (the airflow falls by all of it)
and one that keeps its airflow (the static rises by all of it). From the airflow on, the published curves of
`fault_curves.py` and the makers' charging chart say the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipelines import fault_curves, refrigerant

CHART_WET_BULB_DEGF = 67.0
CHART_OUTDOOR_DEGF = 95.0
LEAST_AIRFLOW_SHARE = 0.5
# how many times its clean resistance a filter has, and which share of the supply registers is closed
FILTERS = ((2.0, "Filter at twice its resistance"), (4.0, "Filter at four times"))
REGISTERS = ((0.25, "One register in four closed"), (0.5, "Every second closed"))


@dataclass(frozen=True)
class Restriction:
    """A restriction in words, and by which share it raises the resistance of the whole duct system."""

    name: str
    added_share: float


@dataclass(frozen=True)
class Range:
    """The two ends of a figure."""

    low: float
    high: float


@dataclass(frozen=True)
class Outcome:
    """What a restriction does, each figure with its two ends; shares are of the value before.

    superheat_delta_degf : how a fixed orifice's superheat moves, as the charging chart asks for it; None off the chart.
    energy_percent : more electricity for the same cooling, blower left out.
    air_power_share : what the blower must give the air, static times airflow; its electricity follows.
    is_by_table : whether the blower's own table was used.
    is_edge : an airflow lies below half the rated one, where the curves end: what hangs on it is that of half.
    """

    static_inwc: Range
    airflow_share: Range
    capacity_share: Range
    current_share: Range
    energy_percent: Range
    air_power_share: Range
    superheat_delta_degf: Range | None
    is_by_table: bool
    is_edge: bool


def restrictions() -> tuple[Restriction, ...]:
    """Filters of twice and four times their clean resistance, a quarter and half of the supply registers closed.

    Registers lie side by side: with a share c of them closed the branches' resistance goes with 1 / (1 - c)^2. What filter
    and branches take of the static is common practice (data/physics.csv).
    """
    filter_share = fault_curves.fact("filter_share_of_static") / 100
    branch_share = fault_curves.fact("branch_share_of_static") / 100
    return (
        *(Restriction(name, filter_share * (times - 1)) for times, name in FILTERS),
        *(Restriction(name, branch_share * (1 / (1 - closed) ** 2 - 1)) for closed, name in REGISTERS),
    )


def airflow_on_table(points: Sequence[tuple[float, float]], static_inwc: float, airflow_cfm: float) -> float | None:
    """Where a blower's table and a duct system meet: the airflow [cfm].

    Parameters
    ----------
    points : static [inwc] and airflow [cfm] of one setting of the table.
    static_inwc, airflow_cfm : one point of the duct system's curve; its static goes with the airflow squared.

    Returns
    -------
    None where they do not meet within the table, or the table falls too oddly to say.

    Raises
    ------
    ValueError : static or airflow of the ducts is not above zero.

    Source: fan laws, pressure of a duct system with the square of the flow.
    """
    if static_inwc <= 0 or airflow_cfm <= 0:
        raise ValueError("static and airflow of the duct system must be above zero")
    resistance = static_inwc / airflow_cfm**2
    for (low_inwc, at_low), (high_inwc, at_high) in pairwise(sorted(points)):
        below, above = low_inwc - resistance * at_low**2, high_inwc - resistance * at_high**2
        if below <= 0 <= above and at_high <= at_low:
            return _meeting(low_inwc, at_low, high_inwc, at_high, resistance)
    return None


def _meeting(low_inwc: float, at_low: float, high_inwc: float, at_high: float, resistance: float) -> float:
    """Root of resistance q^2 = static on the straight line between two points of a table."""
    if at_high == at_low:
        return at_low
    slope = (high_inwc - low_inwc) / (at_high - at_low)
    # resistance q^2 - slope q - (low - slope at_low) = 0; the slope is negative, so one root is positive
    constant = low_inwc - slope * at_low
    return (slope + (slope * slope + 4 * resistance * constant) ** 0.5) / (2 * resistance)


def outcome(
    restriction: Restriction,
    static_inwc: float,
    airflow_share_of_rated: float,
    points: Sequence[tuple[float, float]] = (),
) -> Outcome:
    """What a restriction does to a machine.

    Parameters
    ----------
    static_inwc : total external static before [inwc].
    airflow_share_of_rated : airflow before over the rated one.
    points : the blower's table at the job's setting: static [inwc], airflow [cfm]; empty without one.

    Raises
    ------
    ValueError : the static or the share is not above zero.
    """
    if static_inwc <= 0 or airflow_share_of_rated <= 0:
        raise ValueError("static and airflow must be above zero")
    shares = _airflow_shares(restriction.added_share, static_inwc, points)
    is_by_table = len(shares) == 1
    statics = [static_inwc * (1 + restriction.added_share) * share**2 for share in shares]
    effects = [_of_airflow(airflow_share_of_rated, share) for share in shares]
    superheats = [_superheat_change(effect[0]) for effect in effects]
    known = [change for change in superheats if change is not None]
    return Outcome(
        static_inwc=_range(statics),
        airflow_share=_range(shares),
        capacity_share=_range([effect[0] for effect in effects]),
        current_share=_range([effect[1] for effect in effects]),
        energy_percent=_range([effect[2] for effect in effects]),
        air_power_share=_range([(1 + restriction.added_share) * share**3 for share in shares]),
        superheat_delta_degf=_range(known) if len(known) == len(superheats) else None,
        is_by_table=is_by_table,
        is_edge=airflow_share_of_rated * min(shares) < LEAST_AIRFLOW_SHARE,
    )


def _range(values: Sequence[float]) -> Range:
    return Range(min(values), max(values))


def _airflow_shares(added_share: float, static_inwc: float, points: Sequence[tuple[float, float]]) -> list[float]:
    """Airflow after over before: by the table, or the two ends between which every blower lies."""
    if len(points) > 1:
        ordered = sorted(points)
        before = _flow_at(ordered, static_inwc)
        after = airflow_on_table(ordered, static_inwc * (1 + added_share), before) if before else None
        if before and after:
            return [after / before]
    return [(1 + added_share) ** -0.5, 1.0]


def _flow_at(points: Sequence[tuple[float, float]], static_inwc: float) -> float | None:
    for (low, at_low), (high, at_high) in pairwise(points):
        if low <= static_inwc <= high:
            return at_low + (at_high - at_low) * (static_inwc - low) / (high - low)
    return None


def _of_airflow(share_before: float, share: float) -> tuple[float, float, float]:
    """Capacity and current after over before, and more electricity for the same cooling [%].

    At one voltage and power factor the current goes with the power: capacity times energy for each unit of it.
    """
    before, after = (min(max(at, LEAST_AIRFLOW_SHARE), 1.2) for at in (share_before, share_before * share))
    capacity = fault_curves.airflow_ratio(after, "capacity", "cooling") / fault_curves.airflow_ratio(
        before, "capacity", "cooling"
    )
    energy = fault_curves.airflow_ratio(after, "energy_input", "cooling") / fault_curves.airflow_ratio(
        before, "energy_input", "cooling"
    )
    return capacity, capacity * energy, 100 * (energy - 1)


def _superheat_change(capacity_share: float) -> float | None:
    """How the chart's superheat moves when the coil takes up less: as if the indoor air were drier by as much.

    Two published tables joined: the wet bulb at which a machine gives this capacity (NREL/TP-5500-56354), and the superheat
    that the makers' charging chart has for it, both at 95 degF outdoors.
    """
    wet_bulb, step = CHART_WET_BULB_DEGF, 0.05
    while fault_curves.capacity_at(wet_bulb, CHART_OUTDOOR_DEGF) > capacity_share and wet_bulb > 55:
        wet_bulb -= step
    now = refrigerant.target_superheat_delta_degf(CHART_WET_BULB_DEGF, CHART_OUTDOOR_DEGF)
    then = refrigerant.target_superheat_delta_degf(round(wet_bulb, 2), CHART_OUTDOOR_DEGF)
    return None if now is None or then is None else then - now


def rated_airflow_per_ton() -> float:
    """The airflow [cfm/ton] that the fault curves call 1."""
    return fault_curves.fact("rated_airflow_per_ton")
