"""Fleets whose systems' true chances are known, for the study of the list of slow fuses.

usual, hard, blurred   the demo's own fleet (synthetic_data), as records that were graded without error
plain, hurried         careless technicians; hurried jobs that harm beside the steps, which no record shows
many_technicians       as plain, with about thirty jobs for each technician
wear_out, bathtub      four years of records, and a rate that bends: asked for ages that nobody has seen
unseen_wear            the same with a bend that begins only where the records end
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from models.install_risk import HORIZONS
from models.rate_cells import DAYS_A_YEAR
from pipelines import cells
from synthetic_data.fleet import Fleet, make_fleet
from tests.models import invented_fleet

AS_OF = date(2026, 3, 31)
SEEN_YEARS = 4.0
JOBS_A_TECHNICIAN = 333
Base = Callable[[np.ndarray], np.ndarray]


@dataclass
class World:
    """A store made for the day it stands on, and what its systems truly have coming.

    truth : one row for each system: system_id, expected_12, expected_24, expected_36 (compressor failures).
    seen_years : the oldest age that the records reach, where it matters.
    """

    con: duckdb.DuckDBPyConnection
    day: date
    truth: pl.DataFrame
    seen_years: float = 100.0


def demo_world(installs: int, seed: int, world: str) -> World:
    """The demo's fleet, its grades as they were meant, so that only what was not recorded is missing."""
    fleet = make_fleet(installs, seed=seed, as_of=AS_OF, world=world, log_share=0.0)
    con = demo_store(fleet)
    cells.make_cells(con, invented_fleet.house_rules(), AS_OF)
    return World(con, AS_OF, fleet.truth.systems.select("system_id", *[f"expected_{months}" for months in HORIZONS]))


def demo_store(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    """Staged and graded tables of the demo's fleet: each step in the state that a right grade gives it."""
    con = invented_fleet.empty_store()
    tables = fleet.tables()
    for name in ("system", "job", "call", "technician", "site"):
        invented_fleet.put(con, f"staged_{name}", tables[f"{name}s"])
    of_system = fleet.jobs.select("job_id", "system_id")
    grades = fleet.truth.states.join(of_system, on="job_id").select(
        "job_id", "system_id", pl.col("step", "state").cast(pl.String), technician_id="doer_id"
    )
    invented_fleet.put(con, "step_grade", grades)
    return con


def plain_world(installs: int, seed: int, technicians: int, **options) -> World:
    """Rates that are constant up to two years of age and after."""
    fleet = invented_fleet.invent(installs, technicians, seed=seed, **options)
    con = invented_fleet.store_of(fleet)
    cells.make_cells(con, invented_fleet.house_rules(), invented_fleet.LAST_DAY)
    truth = _expected(fleet, fleet.rate[:, 0], fleet.rate[:, 1], np.ones_like)
    return World(con, invented_fleet.LAST_DAY, truth)


def bent_world(installs: int, seed: int, base: Base) -> World:
    """Four years of records, and a rate that runs with age as `base` says: the failures are drawn anew."""
    fleet = invented_fleet.invent(installs, people(installs), seed=seed, years=SEEN_YEARS, rate_factor=1.5)
    early, late = fleet.rate[:, 0], fleet.rate[:, 1]
    need = np.random.default_rng([seed, 7]).exponential(1.0, installs)
    grid, gathered = _gathered(base)
    two = np.interp(730 / DAYS_A_YEAR, grid, gathered)
    reached = np.where(need <= early * two, need / early, two + (need - early * two) / late)
    age_days = np.ceil(np.interp(reached, gathered, grid, right=100.0) * DAYS_A_YEAR).astype(int)
    failed_on = _days(fleet.jobs["finished_on"]) + age_days
    end = np.minimum(
        _days(fleet.systems["last_contact_on"]), _days(fleet.systems["retired_on"].fill_null(date(2100, 1, 1)))
    )
    place = np.flatnonzero(failed_on <= end)
    failures = pl.DataFrame(
        {
            "call_id": [f"F{i}" for i in place], "system_id": [f"S{i}" for i in place],
            "opened_on": failed_on[place], "call_kind": "repair", "finding": "compressor_burnout",
        }
    ).with_columns(pl.col("opened_on").cast(pl.Date))  # fmt: skip
    others = fleet.calls.filter(pl.col("finding") != "compressor_burnout")
    fleet.calls = pl.concat([others, failures], how="diagonal_relaxed")
    con = invented_fleet.store_of(fleet)
    cells.make_cells(con, invented_fleet.house_rules(), invented_fleet.LAST_DAY)
    return World(con, invented_fleet.LAST_DAY, _expected(fleet, early, late, base), seen_years=SEEN_YEARS)


def _days(dates: pl.Series) -> np.ndarray:
    return dates.to_numpy().astype("datetime64[D]")


def _gathered(base: Base) -> tuple[np.ndarray, np.ndarray]:
    """(ages in years, base rate added up to each)"""
    grid = np.linspace(0, 40, 40 * 200 + 1)
    rate = base(grid)
    return grid, np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 * np.diff(grid))])


def _expected(fleet: invented_fleet.Fleet, early: np.ndarray, late: np.ndarray, base: Base) -> pl.DataFrame:
    grid, gathered = _gathered(base)
    two = np.interp(730 / DAYS_A_YEAR, grid, gathered)
    age = (np.datetime64(invented_fleet.LAST_DAY) - _days(fleet.jobs["finished_on"])).astype(int) / DAYS_A_YEAR
    begin = np.interp(age, grid, gathered)
    columns = {}
    for months in HORIZONS:
        end = np.interp(age + months / 12, grid, gathered)
        young = np.minimum(end, two) - np.minimum(begin, two)
        columns[f"expected_{months}"] = young * early + (end - begin - young) * late
    return pl.DataFrame({"system_id": fleet.jobs["system_id"], **columns})


def wear_out(age: np.ndarray) -> np.ndarray:
    """Twice the young rate at five years, nine times at ten."""
    return 1 + (age / 5) ** 3


def bathtub(age: np.ndarray) -> np.ndarray:
    """Three times the quiet rate on the first day, and wear as above."""
    return wear_out(age) + 2 * np.exp(-age / 0.4)


def unseen_wear(age: np.ndarray) -> np.ndarray:
    """Quiet for four years, then twice as much every two."""
    return np.exp2(np.maximum(age - SEEN_YEARS, 0.0) / 2)


def people(installs: int) -> int:
    return max(installs // JOBS_A_TECHNICIAN, 8)


WORLDS: dict[str, Callable[[int, int], World]] = {
    "usual": lambda installs, seed: demo_world(installs, seed, "usual"),
    "hard": lambda installs, seed: demo_world(installs, seed, "hard"),
    "blurred": lambda installs, seed: demo_world(installs, seed, "blurred"),
    "plain": lambda installs, seed: plain_world(installs, seed, people(installs)),
    "hurried": lambda installs, seed: plain_world(installs, seed, people(installs), hurry_harm=0.25),
    "many_technicians": lambda installs, seed: plain_world(installs, seed, installs // 30),
    "wear_out": lambda installs, seed: bent_world(installs, seed, wear_out),
    "bathtub": lambda installs, seed: bent_world(installs, seed, bathtub),
    "unseen_wear": lambda installs, seed: bent_world(installs, seed, unseen_wear),
}
