"""Which systems to visit on which day: the most good for the slots there are, and a known part of it left to the lot.

Most slots go to the systems where a visit is worth most, put together by an integer program so that a day's visits lie
near each other. The last fifth is drawn by lot, with a known chance, from those that stand next: only so can it be told
later whether visits do any good. Nobody known to be unsafe is left to the lot.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from scipy import optimize, sparse

SHARE_BY_LOT = 0.2
POOL_A_SLOT = 3  # the lot draws from so many systems for each slot of the plan
CANDIDATES_A_SLOT = 3  # the integer program chooses from so many for each sure slot
DAYS_AT_ONCE = 5  # a week: longer stretches take the integer program minutes and change hardly a visit
SECONDS_AT_MOST = 5.0
MILES_A_DEGREE = 69.0
GAP = 1e-3


@dataclass(frozen=True)
class Plan:
    """visits : the table `visit_plan` but for its id. pool : system_id, was_drawn, chance of all that the lot could fall on.

    left_out : why a plan has fewer visits than slots, or an empty text.
    """

    visits: pl.DataFrame
    pool: pl.DataFrame
    left_out: str


@dataclass(frozen=True)
class Wishes:
    """What there is to give.

    days : working days, each with `slots_a_day` visits. at_most : visits in all; None for every slot.
    areas : only systems of these; empty for all. own_choice, unsafe : systems that are taken whatever their rank and area,
    the unsafe on the first days. home : latitude and longitude where the day begins.
    trip_cost : money for going to an area on a day; cost_a_mile : money for each mile from home and back, where places are known.
    """

    days: tuple[date, ...]
    slots_a_day: int
    at_most: int | None = None
    areas: tuple[str, ...] = ()
    own_choice: tuple[str, ...] = ()
    unsafe: tuple[str, ...] = ()
    home: tuple[float, float] | None = None
    trip_cost: float = 40.0
    cost_a_mile: float = 0.7
    share_by_lot: float = SHARE_BY_LOT


def plan_visits(systems: pl.DataFrame, wishes: Wishes, seed: int) -> Plan:
    """A plan.

    Parameters
    ----------
    systems : system_id, area, latitude, longitude, visit_benefit [money], probability, rank; one row each, those that are
        visited already left out.
    seed : of the lot; kept with the plan, so that the draw can be repeated.

    Returns
    -------
    Plan. A system that a visit is not worth (benefit 0 or below) is taken neither by rank nor by lot; where slots stay free
    for want of systems worth the way, no lot is drawn.
    """
    slots = _slots(wishes)
    if slots < 1 or systems.is_empty():
        return Plan(_no_visits(), _no_pool(), "There is no slot, or no system to visit.")
    named = set(wishes.own_choice) | set(wishes.unsafe)
    is_named = pl.col("system_id").is_in(list(named))
    here = pl.col("area").is_in(list(wishes.areas)) if wishes.areas else pl.lit(True)
    worth = systems.filter(is_named | (here & (pl.col("visit_benefit") > 0))).sort(~is_named, "rank", "system_id")
    by_lot = int(np.floor(slots * wishes.share_by_lot)) if worth.height > slots else 0

    taken = _taken(worth, wishes, slots - by_lot)
    # those behind the sure ones, in rank; who was passed over for the way there may still be drawn
    rest = worth.join(taken.select("system_id"), on="system_id", how="anti").filter(~is_named)
    pool = rest.head(POOL_A_SLOT * slots)
    if taken.height < slots - by_lot:
        pool = pool.clear()  # slots stay free: the others are not worth the way, and a lot must not send anybody there
    by_lot = min(by_lot, pool.height)
    rng = np.random.default_rng(seed)
    drawn = np.zeros(pool.height, dtype=bool)
    drawn[rng.choice(pool.height, by_lot, replace=False)] = True
    chance = by_lot / pool.height if pool.height else 0.0
    visits = _on_days(taken, pool.filter(pl.Series(drawn)), wishes, chance)
    missing = slots - visits.height
    left_out = (
        ""
        if not missing
        else f"{missing} of {slots} slots stay free: no more systems are worth a visit and the way there."
    )
    return Plan(
        visits,
        pool.select("system_id").with_columns(
            was_drawn=pl.Series(drawn, dtype=pl.Boolean), chance=pl.lit(chance, dtype=pl.Float64)
        ),
        left_out,
    )


def _slots(wishes: Wishes) -> int:
    slots = len(wishes.days) * wishes.slots_a_day
    return slots if wishes.at_most is None else min(slots, wishes.at_most)


def _taken(worth: pl.DataFrame, wishes: Wishes, sure: int) -> pl.DataFrame:
    """The systems that are visited for sure, with day_no: the unsafe on the first days, then week by week the best ones."""
    free = np.full(len(wishes.days), wishes.slots_a_day)
    chosen = np.full(worth.height, -1)
    is_unsafe = worth["system_id"].is_in(list(wishes.unsafe)).to_numpy()
    # near each other, but first of all soon
    urgent = np.flatnonzero(is_unsafe)[:sure]
    in_areas = sorted(urgent, key=lambda row: (worth["area"][int(row)] or "", row))
    for place, row in enumerate(in_areas):
        chosen[row] = place // wishes.slots_a_day
        free[chosen[row]] -= 1
    left = sure - len(urgent)
    is_own = worth["system_id"].is_in(list(wishes.own_choice)).to_numpy()
    for first in range(0, len(wishes.days), DAYS_AT_ONCE):
        part = slice(first, first + DAYS_AT_ONCE)
        # a week leaves the lot its share, so that a drawn one finds a day too
        room = int(min(left, np.ceil(free[part].sum() * sure / max(_slots(wishes), 1))))
        open_rows = np.flatnonzero((chosen < 0) & ~is_unsafe)
        own = open_rows[is_own[open_rows]][:room]
        others = open_rows[~is_own[open_rows]][: CANDIDATES_A_SLOT * room]
        rows = np.sort(np.concatenate([own, others]))
        if not room or not len(rows):
            continue
        days = _assigned(worth[rows], wishes, free[part], room, is_own[rows])
        chosen[rows] = np.where(days >= 0, days + first, -1)
        for day in days[days >= 0]:
            free[first + day] -= 1
        left -= int((days >= 0).sum())
    return worth.with_columns(day_no=pl.Series(chosen)).filter(pl.col("day_no") >= 0)


def _assigned(
    systems: pl.DataFrame, wishes: Wishes, free: np.ndarray, at_most: int, is_taken: np.ndarray
) -> np.ndarray:
    """[systems] number of the day, or -1: the largest benefit less the cost of the ways.

    free : [days] slots that are open. at_most : visits in all. is_taken : [systems] those that go whatever they bring.
    """
    days, number = len(free), systems.height
    areas, area_of = np.unique(systems["area"].fill_null("").to_numpy().astype(str), return_inverse=True)
    trip = _trip_cost(systems, area_of, len(areas), wishes)
    benefit = systems["visit_benefit"].fill_null(0.0).to_numpy()
    # x[system, day] then y[area, day]
    cost = np.concatenate([-np.repeat(benefit, days), np.repeat(trip, days)])
    x = number * days
    rows, columns, values, upper, lower = [], [], [], [], []

    def add(row_columns: np.ndarray, row_values: np.ndarray, most: float, least: float = -np.inf) -> None:
        rows.append(np.full(len(row_columns), len(upper)))
        columns.append(row_columns)
        values.append(row_values)
        upper.append(most)
        lower.append(least)

    every = np.arange(x).reshape(number, days)
    for system in range(number):
        add(every[system], np.ones(days), 1, 1 if is_taken[system] else -np.inf)
    for day in range(days):
        add(every[:, day], np.ones(number), free[day])
        for system in range(number):
            # nobody is visited where nobody goes
            add(np.array([every[system, day], x + area_of[system] * days + day]), np.array([1.0, -1.0]), 0)
        for area in range(len(areas)):
            # and together as many as there are slots: either alone would do, both keep the program's relaxation tight
            members = np.flatnonzero(area_of == area)
            add(
                np.append(every[members, day], x + area * days + day),
                np.append(np.ones(len(members)), -float(min(wishes.slots_a_day, len(members)))), 0,
            )  # fmt: skip
    add(np.arange(x), np.ones(x), at_most)
    matrix = sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(len(upper), len(cost))
    )
    least, most = np.array(lower, dtype=float), np.array(upper, dtype=float)
    found = optimize.milp(
        cost, integrality=np.ones(len(cost)), bounds=optimize.Bounds(0, 1),
        constraints=optimize.LinearConstraint(matrix, lb=least, ub=most),  # pyright: ignore[reportArgumentType]
        options={"time_limit": SECONDS_AT_MOST, "mip_rel_gap": GAP},
    )  # fmt: skip
    if found.x is None:
        return _first_come(free, at_most, is_taken)
    given = found.x[:x].reshape(number, days) > 0.5
    return np.where(given.any(axis=1), given.argmax(axis=1), -1)


def _first_come(free: np.ndarray, at_most: int, is_taken: np.ndarray) -> np.ndarray:
    """Those that must go, then in order of rank, day after day: what is left when the program finds nothing in time."""
    slots = np.repeat(np.arange(len(free)), free)[:at_most]
    order = np.argsort(~is_taken, kind="stable")[: len(slots)]
    days = np.full(len(is_taken), -1)
    days[order] = slots[: len(order)]
    return days


def _trip_cost(systems: pl.DataFrame, area_of: np.ndarray, areas: int, wishes: Wishes) -> np.ndarray:
    """[areas] money for a day's way to each; by distance from home where both places are known."""
    cost = np.full(areas, wishes.trip_cost, dtype=float)
    if wishes.home is None:
        return cost
    latitude, longitude = (
        systems[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in ("latitude", "longitude")
    )
    for area in range(areas):
        members = (area_of == area) & ~np.isnan(latitude) & ~np.isnan(longitude)
        if members.any():
            north = float(latitude[members].mean()) - wishes.home[0]
            east = (float(longitude[members].mean()) - wishes.home[1]) * np.cos(np.radians(wishes.home[0]))
            cost[area] += 2 * MILES_A_DEGREE * float(np.hypot(north, east)) * wishes.cost_a_mile
    return cost


def _on_days(taken: pl.DataFrame, drawn: pl.DataFrame, wishes: Wishes, chance: float) -> pl.DataFrame:
    """Visits with their day and slot; drawn ones go where their area is visited anyway, else on the first day with room."""
    free = np.full(len(wishes.days), wishes.slots_a_day)
    areas_of: list[set[str]] = [set() for _ in wishes.days]
    rows = []
    chosen = set(wishes.own_choice)
    for row in taken.iter_rows(named=True):
        day = int(row["day_no"])
        free[day] -= 1
        areas_of[day].add(row["area"] or "")
        rows.append((day, row, "own_choice" if row["system_id"] in chosen else "rank", 1.0))
    for row in drawn.iter_rows(named=True):
        near = [day for day in np.flatnonzero(free > 0) if (row["area"] or "") in areas_of[day]]
        day = int(near[0] if near else np.flatnonzero(free > 0)[0])
        free[day] -= 1
        rows.append((day, row, "lot", chance))
    rows.sort(key=lambda one: (one[0], one[1]["area"] or "", one[1]["rank"]))
    slot_of: dict[int, int] = {}
    listed = []
    for day, row, by, own_chance in rows:
        slot_of[day] = slot_of.get(day, 0) + 1
        listed.append({
            "day": wishes.days[day], "slot": slot_of[day], "system_id": row["system_id"], "chosen_by": by,
            "chance": own_chance, "rank_then": row["rank"], "probability_then": row["probability"],
        })  # fmt: skip
    return pl.DataFrame(listed, schema=_VISIT) if listed else _no_visits()


_VISIT = {
    "day": pl.Date, "slot": pl.Int32, "system_id": pl.String, "chosen_by": pl.String, "chance": pl.Float64,
    "rank_then": pl.Int64, "probability_then": pl.Float64,
}  # fmt: skip


def _no_visits() -> pl.DataFrame:
    return pl.DataFrame(schema=_VISIT)


def _no_pool() -> pl.DataFrame:
    return pl.DataFrame(schema={"system_id": pl.String, "was_drawn": pl.Boolean, "chance": pl.Float64})
