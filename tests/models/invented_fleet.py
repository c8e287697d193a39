"""A fleet whose truth is known, written straight into staged and graded tables: hazards, habits and harm as asked for.

Invented: every rate and ratio here is made up, to see whether the models find what was put in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from types import SimpleNamespace

import duckdb
import numpy as np
import polars as pl

from pipelines.contract import DUCKDB_TYPE, STEPS, TABLES

LAST_DAY = date(2025, 6, 30)
DAYS_A_YEAR = 365.25

# log ratios (early, late) of a step that is not good, by outcome
TRUE_EFFECTS = {
    "compressor_failure": {
        "nitrogen_flow": (0.0, 0.9),
        "evacuation": (0.7, 0.9),
        "vacuum_rise": (0.0, 0.4),
        "charge": (0.5, 0.5),
        "airflow": (0.4, 0.6),
    },
    "callback": {"charge_check": (0.5, 0.3), "airflow": (0.4, 0.4), "pressure_test": (0.6, 0.0)},
    "thermostat": {},
    "drain": {"airflow": (0.7, 0.7)},
}
YEARLY_RATE = {"compressor_failure": 0.012, "callback": 0.05, "thermostat": 0.012, "drain": 0.006}


@dataclass
class Fleet:
    """The staged tables as frames, and what was put in."""

    systems: pl.DataFrame
    jobs: pl.DataFrame
    calls: pl.DataFrame
    technicians: pl.DataFrame
    grades: pl.DataFrame
    rate: np.ndarray = field(default_factory=lambda: np.empty(0))
    factor: np.ndarray = field(default_factory=lambda: np.empty(0))


def house_rules(**changes):
    """House rules as the models read them, with the shipped defaults."""
    mendable = dict(zip(STEPS, (0.1, 0.4, 0.1, 0.4, 0.4, 0.8, 0.8, 0.8, 0.6), strict=True))
    usual = {
        "visit_interval_months": 12.0, "heard_back_months": 12.0, "negative_control": "thermostat", "target": {},
        "visit_cost": 150.0, "failure_cost": None, "callback_cost": None, "mendable_share": mendable,
        "currency": "USD",
    }  # fmt: skip
    return SimpleNamespace(**(usual | changes))


def invent(
    installs: int = 4000,
    technicians: int = 30,
    seed: int = 1,
    *,
    effects: dict | None = None,
    carelessness_harm: float = 0.6,
    harm_of_control: float | None = None,
    frailty_sd: float = 0.3,
    hurry_harm: float = 0.0,
    unknown_share: float = 0.04,
    rate_factor: float = 1.0,
    years: float = 10.0,
) -> Fleet:
    """Installs over `years`, technicians with habits, and calls that follow known hazards.

    carelessness_harm : log ratio of all outcomes' rates for each standard deviation of a technician's carelessness,
        which also makes his steps not good: the confounding that technician effects must take away.
    hurry_harm : the same within a technician, from job to job (only a negative control can take that away).
    """
    rng = np.random.default_rng(seed)
    effects = TRUE_EFFECTS if effects is None else effects
    steps = len(STEPS)
    lead = rng.integers(0, technicians, installs)
    careless = rng.normal(0, 1, technicians)
    habit = rng.normal(0, 0.7, (technicians, steps)) + 0.6 * careless[:, None]
    hurry = rng.normal(0, 1, installs)
    base = np.log(np.array([0.25, 0.1, 0.15, 0.2, 0.2, 0.12, 0.2, 0.2, 0.1]))
    base = base - np.log1p(-np.exp(base))
    p_bad = 1 / (1 + np.exp(-(base + habit[lead] + (0.8 * hurry[:, None] if hurry_harm else 0.0))))
    bad = rng.random((installs, steps)) < p_bad

    equipment = rng.choice(["split_ac", "split_heat_pump", "ductless", "packaged"], installs, p=[0.5, 0.25, 0.15, 0.1])
    joints = rng.choice(["brazed", "pressed", "flared"], installs, p=[0.75, 0.15, 0.1])
    belongs = np.ones((installs, steps), dtype=bool)
    belongs[:, 0] = joints == "brazed"
    belongs[np.ix_(equipment == "packaged", range(1, 6))] = False
    belongs[equipment == "ductless", 6] = False
    belongs[equipment == "ductless", 7] = False
    bad &= belongs
    unknown = (rng.random((installs, steps)) < unknown_share) & belongs

    start = np.sort(rng.integers(0, int(years * 365), installs))
    contact_years = rng.exponential(8.0, installs) + 0.5
    end = np.minimum(int(years * 365) - start, contact_years * DAYS_A_YEAR)
    retire = rng.exponential(60.0, installs) * DAYS_A_YEAR
    group_log = np.select([equipment == "split_heat_pump", equipment == "ductless"], [0.2, -0.3], 0.0)
    frailty = rng.normal(0, frailty_sd, technicians) if frailty_sd else np.zeros(technicians)

    when: dict[str, np.ndarray] = {}
    rate_kept = np.zeros((installs, 2))
    for outcome, yearly in YEARLY_RATE.items():
        by_step = effects.get(outcome, {})
        ratio = np.zeros((installs, 2))
        for step, (early, late) in by_step.items():
            ratio += bad[:, [STEPS.index(step)]] * np.array([early, late])
        harm = carelessness_harm
        if outcome == "thermostat" and harm_of_control is not None:
            harm = harm_of_control
        common = group_log + harm * careless[lead] + frailty[lead] + hurry_harm * hurry
        rates = yearly * rate_factor * np.exp(common[:, None] + ratio) * np.array([1.0, 1.2])
        if outcome == "compressor_failure":
            rate_kept = rates
        # piecewise constant: invert the cumulative hazard
        need = rng.exponential(1.0, installs)
        two = 730.0 / DAYS_A_YEAR
        first = need / rates[:, 0]
        when[outcome] = np.where(first <= two, first, two + (need - rates[:, 0] * two) / rates[:, 1]) * DAYS_A_YEAR

    failed = when["compressor_failure"]
    stop = np.minimum(np.minimum(end, retire), failed)
    day0 = np.datetime64(LAST_DAY) - int(years * 365)
    finished = day0 + start

    calls = []
    for outcome, at in when.items():
        finding = {"compressor_failure": "compressor_burnout", "callback": "other"}.get(outcome, outcome)
        happened = np.flatnonzero(at <= stop)
        calls.append(
            pl.DataFrame({
                "system_id": [f"S{i}" for i in happened],
                "opened_on": finished[happened] + np.ceil(at[happened]).astype(int),
                "call_kind": "repair",
                "finding": finding,
                "cost": np.round(np.exp(rng.normal(7.7 if outcome == "compressor_failure" else 5.8, 0.3, len(happened)))),
            })
        )  # fmt: skip
    all_calls = pl.concat(calls).with_columns(
        pl.col("opened_on").cast(pl.Date), call_id=pl.concat_str(pl.lit("C"), pl.int_range(pl.len()))
    )
    # the day contact ended, whatever happened: a failure does not move it
    last_contact = finished + np.floor(end).astype(int)
    retired = retire <= np.minimum(end, failed)
    systems = pl.DataFrame({
        "system_id": [f"S{i}" for i in range(installs)],
        "area": [f"A{i % 20}" for i in range(installs)],
        "equipment": equipment,
        "last_contact_on": last_contact,
        "retired_on": np.where(retired, finished + np.ceil(np.minimum(retire, 1e5)).astype(int), np.datetime64("NaT")),
        "retired_because": ["upgrade" if gone else None for gone in retired],
    }).with_columns(pl.col("last_contact_on", "retired_on").cast(pl.Date))  # fmt: skip
    jobs = pl.DataFrame({
        "job_id": [f"J{i}" for i in range(installs)],
        "system_id": [f"S{i}" for i in range(installs)],
        "technician_id": [f"T{t:03d}" for t in lead],
        "job_kind": "new_install",
        "joints": joints,
        "installed_by": "own_crew",
        "form": np.where(lead % 2 == 0, "paper", "tablet"),
        "finished_on": finished,
    }).with_columns(pl.col("finished_on").cast(pl.Date))  # fmt: skip
    people = pl.DataFrame({
        "technician_id": [f"T{t:03d}" for t in range(technicians)],
        "crew": [f"crew {t % 5}" for t in range(technicians)],
        "branch": ["north" if t % 2 else "south" for t in range(technicians)],
    })  # fmt: skip
    kind_of_bad = rng.choice(["failed", "ticked_only", "not_done"], (installs, steps), p=[0.3, 0.4, 0.3])
    state = np.where(~belongs, "not_applicable", np.where(unknown, "no_record", np.where(bad, kind_of_bad, "passed")))
    grades = pl.DataFrame({
        "job_id": np.repeat([f"J{i}" for i in range(installs)], steps),
        "system_id": np.repeat([f"S{i}" for i in range(installs)], steps),
        "technician_id": np.repeat([f"T{t:03d}" for t in lead], steps),
        "step": np.tile(np.array(STEPS), installs),
        "state": state.ravel(),
    })  # fmt: skip
    return Fleet(systems, jobs, all_calls, people, grades, rate_kept, np.exp(carelessness_harm * careless + frailty))


def empty_store() -> duckdb.DuckDBPyConnection:
    """Staged and graded tables without rows."""
    con = duckdb.connect(":memory:")
    for table in TABLES:
        columns = [f'"{column.name}" {DUCKDB_TYPE[column.kind]}' for column in table.columns]
        order = "reading_order bigint, " if table.name == "readings" else ""
        con.execute(
            f"create table {table.staged} ({', '.join(columns)}, {order}load_id varchar, source_file varchar, "
            "source_line bigint, extra varchar)"
        )
    con.execute(
        "create table step_grade (job_id varchar, system_id varchar, technician_id varchar, credited_by varchar, "
        "step varchar, state varchar, limit_id varchar, measured double, limit_value double, unit varchar, why varchar)"
    )
    return con


def put(con: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame | list[dict]) -> None:
    """Append rows to a staged table; columns that are not named stay empty."""
    frame = rows if isinstance(rows, pl.DataFrame) else pl.DataFrame(rows, infer_schema_length=None)
    if frame.is_empty():
        return
    con.register("rows_to_put", frame)
    con.execute(f"insert into {table} by name select * from rows_to_put")
    con.unregister("rows_to_put")


def store_of(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    """A store that holds the fleet."""
    con = empty_store()
    put(con, "staged_system", fleet.systems)
    put(con, "staged_job", fleet.jobs)
    put(con, "staged_call", fleet.calls)
    put(con, "staged_technician", fleet.technicians)
    put(con, "step_grade", fleet.grades)
    return con
