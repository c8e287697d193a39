"""Staged tables built by hand from a few rows, for the tests of grading."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import duckdb

from pipelines import staging, units
from pipelines.contract import QUANTITY_UNIT, TABLE_BY_NAME
from pipelines.grades import grade
from pipelines.house_rules import HouseRules


def empty_tables() -> duckdb.DuckDBPyConnection:
    """The tables of a new store, and those that a store makes as views over other places."""
    con = duckdb.connect(config={"threads": 2})
    staging.create_empty_tables(con)
    con.execute(f"create table staged_trace as {staging.empty_trace_select()}")
    con.execute("create table open_dispute (job_id varchar, step varchar)")
    return con


def insert(con: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, Any]]) -> None:
    for row in rows:
        names = ", ".join(row)
        con.execute(f"insert into {table} ({names}) values ({', '.join('?' * len(row))})", list(row.values()))


def reading(
    job_id: str, step: str, quantity: str, value: Any, unit: str = "", order: int = 0, **more: Any
) -> dict[str, Any]:
    """One staged reading: a figure becomes the contract's unit, a text stays a text."""
    row = {"job_id": job_id, "step": step, "quantity": quantity, "reading_order": order, "source_file": "readings.csv"}
    if isinstance(value, str):
        return {**row, "value_text": value, **more}
    wanted = QUANTITY_UNIT[step][quantity]
    figure = units.conversion(unit, wanted).apply(float(value), 14.696) if unit and unit != wanted else float(value)
    return {**row, "value": figure, "unit": wanted, **more}


def add_job(
    con: duckdb.DuckDBPyConnection,
    name: str,
    step: str,
    figures: dict[str, Any] | list[tuple[str, Any]] = (),
    *,
    ticked: str | None = "done",
    **more: Any,
) -> None:
    """One R-410A split with a txv and brazed joints and its readings of one step.

    `job`, `system`, `site`, `tick` change its rows; `maker` (rows of equipment_limits), `rejected` (quantities),
    `disputed`, `trace` (samples), `ticks` (rows of other steps) and `others` (readings of other steps) add to it.
    """
    unit, site, model = f"U-{name}", f"P-{name}", f"M-{name}"
    system = {"system_id": unit, "site_id": site, "equipment": "split_ac", "refrigerant": "R-410A", "nominal_tons": 3,
              "metering": "txv", "model": model}  # fmt: skip
    job = {"job_id": name, "system_id": unit, "technician_id": "T1", "job_kind": "changeout", "joints": "brazed"}
    insert(con, "staged_site", [{"site_id": site} | more.get("site", {})])
    insert(con, "staged_system", [system | more.get("system", {})])
    insert(con, "staged_job", [job | more.get("job", {})])
    if ticked is not None:
        insert(con, "staged_step", [{"job_id": name, "step": step, "ticked": ticked} | more.get("tick", {})])
    pairs = list(figures.items()) if isinstance(figures, dict) else list(figures)
    file = f"{name}.csv"
    rows = [
        reading(name, step, quantity, value, order=order) | {"source_file": file}
        for order, (quantity, value) in enumerate(pairs)
    ]
    rows += [
        reading(name, other, quantity, value, order=100) | {"source_file": file}
        for other, named in more.get("others", {}).items()
        for quantity, value in named.items()
    ]
    insert(con, "staged_reading", rows)
    insert(con, "staged_equipment_limit", [{"model": model} | row for row in more.get("maker", [])])
    insert(con, "rejected_reading", [{"job_id": name, "step": step, "quantity": q} for q in more.get("rejected", [])])
    insert(con, "open_dispute", [{"job_id": name, "step": step}] if more.get("disputed") else [])
    insert(con, "staged_step", [{"job_id": name} | row for row in more.get("ticks", [])])
    insert(con, "staged_trace", [{"job_id": name, "quantity": "vacuum"} | row for row in more.get("trace", [])])


def one_job(step: str, figures: Any = (), **more: Any) -> duckdb.DuckDBPyConnection:
    """A store with the single job J1 of `add_job`."""
    con = empty_tables()
    add_job(con, "J1", step, figures, **more)
    return con


def assert_states(cases: list[tuple[Any, ...]], rules: HouseRules | None = None) -> None:
    """Grade all cases as jobs of one store; each is (step, figures, expected state) or with a dict of `more` behind."""
    con = empty_tables()
    expected = {}
    for number, (step, figures, state, *more) in enumerate(cases):
        add_job(con, f"J{number}", step, figures, **(more[0] if more else {}))
        expected[f"J{number}", step] = state
    grade(con, rules or HouseRules())
    rows = con.execute("select job_id, step, state, why from step_grade").fetchall()
    found = {(job_id, step): (state, why) for job_id, step, state, why in rows}
    wrong = [
        (cases[int(job_id[1:])], *found[job_id, step])
        for (job_id, step), state in expected.items()
        if found[job_id, step][0] != state
    ]
    assert wrong == []


def grade_of(
    con: duckdb.DuckDBPyConnection, step: str, rules: HouseRules | None = None, job_id: str = "J1"
) -> dict[str, Any]:
    """The row of step_grade for one job and step, graded now."""
    grade(con, rules or HouseRules())
    found = con.execute("select * from step_grade where job_id = ? and step = ?", [job_id, step])
    names = [column[0] for column in found.description]
    (row,) = found.fetchall()
    return dict(zip(names, row, strict=True))


def state_of(step: str, figures: Any = (), rules: HouseRules | None = None, **more: Any) -> str:
    return grade_of(one_job(step, figures, **more), step, rules)["state"]


def sample_folder(folder: Path) -> tuple[duckdb.DuckDBPyConnection, dict[tuple[str, str], str]]:
    """A folder in the contract's own CSV, staged, and its expected states by job and step."""
    con = empty_tables()
    for table in ("technicians", "sites", "systems", "jobs", "steps"):
        contract = TABLE_BY_NAME[table]
        rows = []
        for row in _rows(folder / f"{table}.csv"):
            rows.append({name: text or None for name, text in row.items() if name in contract.by_name})
        insert(con, contract.staged, rows)
    for order, row in enumerate(_rows(folder / "readings.csv")):
        job_id, step, quantity, text = row["job_id"], row["step"], row["quantity"], row["value"]
        if quantity in ("test_gas", "blower_setting"):
            insert(con, "staged_reading", [reading(job_id, step, quantity, text, order=order)])
            continue
        try:
            figure = float(text)
        except ValueError:
            insert(con, "rejected_reading", [{"job_id": job_id, "step": step, "quantity": quantity, "value": text}])
            continue
        insert(con, "staged_reading", [reading(job_id, step, quantity, figure, row["unit"], order)])
    expected = {(row["job_id"], row["step"]): row["state"] for row in _rows(folder / "expected_states.csv")}
    return con, expected


def _rows(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))
