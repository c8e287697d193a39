"""Grades every step of every job from what was measured, under the limits in force.

The rules stand in sql/2xx_*.sql, one file for each step; the limits, their sources and the sentences in data/. What
decides which limit holds (refrigerant, metering device, air handler, kept ducts, the maker's own for the model) is
worked out here once for each kind of job that occurs, a few hundred at most, and joined by one number.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Protocol

from pipelines import electrical, fault_curves, limits, refrigerant, vacuum
from pipelines.contract import STEPS
from pipelines.limits import Limit

if TYPE_CHECKING:
    import duckdb

# The maker says these for his model in full: they come before the plate, which comes before everybody else's.
_MAKERS_FIRST = ("start_pressure", "total_external_static", "airflow", "voltage", "compressor_current")
# Limits whose figure is on the plate; the rows of limits.csv say where they come from.
_PLATE_LIMITS = {
    "plate_start_no": "start-pressure-plate",
    "plate_static_no": "static-plate",
    "plate_current_no": "compressor-current",
    "test_gas_no": "test-gas",
    "ticked_no": "release-ticked",
}


class Rules(limits.Rules, Protocol):
    """What grading asks of the House rules."""

    @property
    def altitude_ft(self) -> float: ...
    @property
    def accept_uncompensated_pressure_test(self) -> bool: ...
    @property
    def cooling_hours(self) -> float | None: ...
    @property
    def heating_hours(self) -> float | None: ...
    @property
    def electricity_price(self) -> float | None: ...
    @property
    def nominal_power_w_per_ton(self) -> float | None: ...


def grade(con: duckdb.DuckDBPyConnection, rules: Rules) -> None:
    """Make `limit_used`, `step_grade`, `trace_verdict` and what the readings tell of air, charge and energy
    (`airflow_told`, `capacity_check`, `standing_check`, `energy_penalty`) from the staged tables.

    Parameters
    ----------
    con : a connection that may write, holding the staged tables, `rejected_reading` and `open_dispute`; a missing
        `staged_trace` (gauge logs), `rejected_reading` or `open_dispute` counts as empty.
    rules : profile, own_limits, altitude_ft, accept_uncompensated_pressure_test; cooling_hours, heating_hours,
        electricity_price and nominal_power_w_per_ton, without which no money is told.

    Raises
    ------
    InputError : the profile is unknown, or one of the house's own limits cannot be used.
    """
    layered = limits.layers(rules)
    stand_ins = _make_missing_empty(con)
    _make_lookups(con)
    _run(con, 200, {})
    # what no limit asks about does not tell kinds of job apart
    asked = {name for layer in layered for limit in layer for name, _ in limit.conditions}
    codes = {name: list(codes) if name in asked else [""] for name, codes in limits.ATTRIBUTES.items()}
    _run(con, 201, {"altitude_ft": float(rules.altitude_ft), **codes})
    _make_water_points(con)
    makers = _makers_limits(con)
    numbered = _write_limit_used(con, layered, makers)
    _make_limit_of_kind(con, layered, makers, numbered)
    first_ln_psia, step_ln_psia, _ = refrigerant.saturation_grid()
    values = {
        "accept_uncompensated": bool(rules.accept_uncompensated_pressure_test),
        "first_ln_psia": first_ln_psia,
        "step_ln_psia": step_ln_psia,
        **{row["name"]: float(row["value"]) for row in _csv("gauge_facts.csv")},
        **_facts(rules),
    }
    for number in sql_numbers():
        if number > 201:
            _run(con, number, values)
        if number == 290:
            _write_notes(con)
    for name in _work_tables(con):
        con.execute(f'drop table if exists temp."{name}"')
    for name in stand_ins:
        con.execute(f'drop view temp."{name}"')


# --- SQL files


@cache
def _sql(number: int) -> str:
    folder = resources.files("pipelines").joinpath("sql")
    (name,) = [entry.name for entry in folder.iterdir() if entry.name.startswith(f"{number}_")]
    return folder.joinpath(name).read_text(encoding="utf-8")


@cache
def sql_numbers() -> list[int]:
    """Numbers of the grading's SQL files in running order; 295 and on belong to pipelines/arrivals.py."""
    folder = resources.files("pipelines").joinpath("sql")
    return sorted(
        int(entry.name[:3]) for entry in folder.iterdir() if re.match(r"2([0-8]\d|9[0-4])_.*\.sql$", entry.name)
    )


def _run(con: duckdb.DuckDBPyConnection, number: int, values: Mapping[str, Any]) -> None:
    sql = _sql(number)
    for statement in con.extract_statements(sql):
        wanted = statement.named_parameters
        con.execute(statement, {name: values[name] for name in wanted} if wanted else None)


# --- what the SQL reads besides the staged tables

_EMPTY = {
    "staged_trace": "select null::varchar as job_id, null::varchar as step, null::integer as attempt, "
    "null::varchar as quantity, null::double as elapsed_s, null::double as value where false",
    "rejected_reading": "select null::varchar as job_id, null::varchar as step, null::varchar as quantity, "
    "null::varchar as value, null::varchar as reason where false",
    "open_dispute": "select null::varchar as job_id, null::varchar as step where false",
}


def _make_missing_empty(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Stand-ins without rows for tables that are not there; gives their names."""
    there = {
        name
        for (name,) in con.execute(
            "select table_name from duckdb_tables() union select view_name from duckdb_views()"
        ).fetchall()
    }
    missing = [name for name in _EMPTY if name not in there]
    for name in missing:
        con.execute(f"create temp view {name} as {_EMPTY[name]}")
    return missing


def _csv(name: str) -> list[dict[str, str]]:
    text = resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def _make_table(
    con: duckdb.DuckDBPyConnection,
    name: str,
    columns: Mapping[str, str],
    rows: Iterable[Mapping[str, Any]],
    *,
    temporary: bool = True,
) -> None:
    """A small table from rows in hand, passed as one JSON text: a thousand single inserts would cost more."""
    shape = json.dumps([dict(columns)])
    listed = ", ".join(f'row."{column}"' for column in columns)
    con.execute(
        f"create or replace {'temp ' if temporary else ''}table {name} as "
        f"select {listed} from (select unnest(from_json($rows, $shape)) as row)",
        {"rows": json.dumps([{column: row.get(column) for column in columns} for row in rows]), "shape": shape},
    )


def _make_lookups(con: duckdb.DuckDBPyConnection) -> None:
    reasons = [{**row, "reason_no": number} for number, row in enumerate(_csv("reasons.csv"), start=1)]
    columns = {name: "UTINYINT" if name == "reason_no" else "VARCHAR" for name in reasons[0]}
    _make_table(con, "grade_reason", columns, reasons, temporary=False)
    _make_table(
        con,
        "grade_step_name",
        {"step_no": "UTINYINT", "step": "VARCHAR"},
        [{"step_no": number, "step": step} for number, step in enumerate(STEPS, start=1)],
        temporary=False,
    )
    _make_table(
        con,
        "saturation_point",
        {
            "refrigerant": "VARCHAR", "point": "INTEGER", "bubble_degf": "DOUBLE", "bubble_rise_degf": "DOUBLE",
            "dew_degf": "DOUBLE", "dew_rise_degf": "DOUBLE",
        },
        _saturation_points(),
    )  # fmt: skip
    cells = refrigerant.chart_cells()
    _make_table(
        con,
        "superheat_cell",
        {name: "INTEGER" if name.endswith("_cell") else "DOUBLE" for name in cells[0]},
        cells,
    )
    effects = fault_curves.effect_rows()
    text = ("fault", "mode")
    kinds = {name: "VARCHAR" if name in text else "INTEGER" if name == "level_no" else "DOUBLE" for name in effects[0]}
    _make_table(con, "fault_effect", kinds, effects)
    points = electrical.derating_points()
    _make_table(
        con,
        "derating_point",
        dict.fromkeys(("from_percent", "to_percent", "share", "slope"), "DOUBLE"),
        [
            {"from_percent": low, "to_percent": high, "share": at, "slope": (then - at) / (high - low)}
            for (low, at), (high, then) in pairwise(points)
        ],
    )


@cache
def _saturation_points() -> list[dict[str, Any]]:
    """Every point of the table with the rise to the next one: a straight line is then one row."""
    points = []
    for name, table in refrigerant.saturation_grid()[2].items():
        for (point, bubble, dew), (_, next_bubble, next_dew) in zip(
            table[:-1].tolist(), table[1:].tolist(), strict=True
        ):
            points.append(
                {
                    "refrigerant": name,
                    "point": int(point),
                    "bubble_degf": bubble,
                    "bubble_rise_degf": next_bubble - bubble,
                    "dew_degf": dew,
                    "dew_rise_degf": next_dew - dew,
                }
            )
    return points


def _facts(rules: Rules) -> dict[str, Any]:
    """The figures of data/physics.csv by name, the curves that the SQL works out by itself, and what energy costs here."""
    conditions = fault_curves.curves()["conditions", "cooling", "capacity"]
    airflow = {
        f"airflow_{mode}": list(fault_curves.curves()["low_airflow", mode, "energy_input"].coefficients)
        for mode in ("cooling", "heating")
    }
    return {
        **{row["name"]: float(row["value"]) for row in _csv("physics.csv")},
        **airflow,
        "conditions": list(conditions.coefficients),
        "cooling_hours": rules.cooling_hours,
        "heating_hours": rules.heating_hours,
        "electricity_price": rules.electricity_price,
        "nominal_power_w_per_ton": rules.nominal_power_w_per_ton,
    }


def _make_water_points(con: duckdb.DuckDBPyConnection) -> None:
    """`water_point`: at each degF the pressure [micron] at which water boils; empty where no evacuation was logged."""
    logged = con.execute("select 1 from staged_trace where step = 'evacuation' limit 1").fetchone()
    boils = [vacuum.water_vapour_pressure_micron(degf) for degf in range(-40, 152)] if logged else []
    rows = [
        {"degf": place - 40, "micron": boils[place], "next_micron": boils[place + 1]}
        for place in range(max(len(boils) - 1, 0))
    ]
    _make_table(con, "water_point", {"degf": "INTEGER", "micron": "DOUBLE", "next_micron": "DOUBLE"}, rows)


# --- limits


def _makers_limits(con: duckdb.DuckDBPyConnection) -> list[Limit]:
    rows = con.execute(
        "select model, step::varchar, quantity, at_least, at_most, unit::varchar from staged_equipment_limit "
        "order by model, quantity, step"
    ).fetchall()
    return limits.makers_limits(rows)


def _write_limit_used(
    con: duckdb.DuckDBPyConnection, layered: list[tuple[Limit, ...]], makers: Sequence[Limit]
) -> dict[str, int]:
    """`limit_used`, and the number by which the grades name each limit."""
    used = [*limits.that_can_decide(layered), *makers]
    numbered: dict[str, int] = {}
    rows = []
    for number, limit in enumerate(used, start=1):
        if limit.limit_id in numbered:
            continue
        numbered[limit.limit_id] = number
        row = {name: getattr(limit, name) for name in limits.COLUMNS}
        rows.append({**row, "source": limits.citation(replace(limit, clause="")), "limit_no": number})
    columns = {name: "DOUBLE" if name in ("at_least", "at_most") else "VARCHAR" for name in limits.COLUMNS}
    _make_table(con, "limit_used", {**columns, "limit_no": "INTEGER"}, rows, temporary=False)
    return numbered


@dataclass(frozen=True)
class _Maker:
    """What a maker says of one model: limits by quantity, and figures of the plate."""

    limits: dict[str, Limit]

    def figure(self, quantity: str) -> float | None:
        limit = self.limits.get(quantity)
        if limit is None:
            return None
        return limit.at_most if limit.at_most is not None else limit.at_least

    def target(self, quantity: str) -> float | None:
        """The middle of a range that the maker gives as target, or the one figure that he gives."""
        limit = self.limits.get(quantity)
        if limit is None:
            return None
        if limit.at_least is None or limit.at_most is None:
            return self.figure(quantity)
        return (limit.at_least + limit.at_most) / 2

    def layer(self) -> tuple[Limit, ...]:
        """His limits, and his range of targets as a deviation from its middle."""
        found = list(self.limits.values())
        for target, deviation in (
            ("target_subcooling", "subcooling_deviation"),
            ("target_superheat", "superheat_deviation"),
        ):
            limit = self.limits.get(target)
            if limit is None or limit.at_least is None or limit.at_most is None or limit.at_least >= limit.at_most:
                continue
            if deviation not in self.limits:
                half = (limit.at_most - limit.at_least) / 2
                found.append(replace(limit, quantity=deviation, at_least=-half, at_most=half))
        return tuple(found)


def _make_limit_of_kind(
    con: duckdb.DuckDBPyConnection,
    layered: list[tuple[Limit, ...]],
    makers: Sequence[Limit],
    numbered: Mapping[str, int],
) -> None:
    """`limit_of_kind`: for each kind of job that occurs, both bounds of every quantity and the limits they come from."""
    by_model: dict[str, dict[str, Limit]] = {}
    for limit in makers:
        if not limit.note:  # a note says why it is not used
            by_model.setdefault(limit.applies_to.removeprefix("model="), {})[limit.quantity] = limit
    kinds = con.execute(
        "select kind_no, any_value(equipment), any_value(refrigerant), any_value(metering), any_value(air_handler), "
        "any_value(ducts_kept)::varchar, any_value(job_kind), any_value(model) from grade_job group by kind_no"
    ).fetchall()
    quantities = [*limits.limit_quantities(), *limits.MAKERS_QUANTITIES]
    # what each quantity's limits ask about a job: two kinds that do not differ in it share their bounds
    asked = {
        quantity: tuple(
            sorted(
                {
                    name
                    for layer in layered
                    for limit in layer
                    if limit.quantity == quantity
                    for name, _ in limit.conditions
                }
            )
        )
        for quantity in quantities
    }
    remembered: dict[tuple[Any, ...], dict[str, Any]] = {}
    rows = []
    for kind_no, *attributes, model in kinds:
        job = dict(zip(limits.ATTRIBUTES, attributes, strict=True))
        maker = _Maker(by_model.get(model, {}))
        makers_layer = maker.layer()
        row: dict[str, Any] = {"kind_no": kind_no}
        for quantity in quantities:
            own = tuple(limit for limit in makers_layer if limit.quantity == quantity)
            key = (quantity, model if own else None, *(job[name] for name in asked[quantity]))
            if key not in remembered:
                of_quantity = [tuple(limit for limit in layer if limit.quantity == quantity) for layer in layered]
                remembered[key] = _bounds(quantity, job, of_quantity, own, numbered)
            row |= remembered[key]
        row |= {name: maker.figure(name) for name in limits.PLATE_FIGURES if not name.startswith("target_")}
        row |= {name: maker.target(name) for name in ("target_subcooling", "target_superheat")}
        row |= {name: maker.figure(name) for name in limits.MAKERS_FIGURES}
        row |= {name: numbered[limit_id] for name, limit_id in _PLATE_LIMITS.items()}
        rows.append(row)
    columns: dict[str, str] = {"kind_no": "BIGINT"}
    for quantity in quantities:
        columns |= {
            f"{quantity}_low": "DOUBLE",
            f"{quantity}_high": "DOUBLE",
            f"{quantity}_low_no": "INTEGER",
            f"{quantity}_high_no": "INTEGER",
            f"{quantity}_low_open": "BOOLEAN",
            f"{quantity}_high_open": "BOOLEAN",
        }
    for quantity in _MAKERS_FIRST:
        columns |= {
            f"maker_{quantity}_low": "DOUBLE",
            f"maker_{quantity}_high": "DOUBLE",
            f"maker_{quantity}_low_no": "INTEGER",
            f"maker_{quantity}_high_no": "INTEGER",
        }
    columns["start_pressure_enough"] = "DOUBLE"
    columns |= dict.fromkeys((*limits.PLATE_FIGURES, *limits.MAKERS_FIGURES), "DOUBLE")
    columns |= dict.fromkeys(_PLATE_LIMITS, "INTEGER")
    _make_table(con, "limit_of_kind", columns, rows)


def _bounds(
    quantity: str,
    job: Mapping[str, str | None],
    layered: list[tuple[Limit, ...]],
    makers_layer: tuple[Limit, ...],
    numbered: Mapping[str, int],
) -> dict[str, Any]:
    found = limits.in_force(quantity, job, [makers_layer, *layered])
    row: dict[str, Any] = {
        f"{quantity}_low": _rounded(found.at_least),
        f"{quantity}_high": _rounded(found.at_most),
        f"{quantity}_low_no": numbered[found.at_least_by.limit_id] if found.at_least_by else None,
        f"{quantity}_high_no": numbered[found.at_most_by.limit_id] if found.at_most_by else None,
        f"{quantity}_low_open": found.at_least_by is not None and found.at_least_by.bound == "excl",
        f"{quantity}_high_open": found.at_most_by is not None and found.at_most_by.bound == "excl",
    }
    if quantity == "start_pressure":
        row["start_pressure_enough"] = row["start_pressure_low"]
        span = limits.least_and_greatest(quantity, "refrigerant", job, layered)
        if job.get("refrigerant") is None and found.at_least is None and span is not None:
            row["start_pressure_low"] = _rounded(span[0].at_least)
            row["start_pressure_low_no"] = numbered[span[0].limit_id]
            row["start_pressure_enough"] = _rounded(span[1].at_least)
    if quantity in _MAKERS_FIRST:
        own = limits.in_force(quantity, job, [makers_layer])
        row |= {
            f"maker_{quantity}_low": _rounded(own.at_least),
            f"maker_{quantity}_high": _rounded(own.at_most),
            f"maker_{quantity}_low_no": numbered[own.at_least_by.limit_id] if own.at_least_by else None,
            f"maker_{quantity}_high_no": numbered[own.at_most_by.limit_id] if own.at_most_by else None,
        }
    return row


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, limits.DECIMALS)


# --- sentences


def _write_notes(con: duckdb.DuckDBPyConnection) -> None:
    """`grade_note`: the sentences that stand after the reason, for each set of notes that occurs."""
    unnamed = con.execute("select count(*) from graded_step where reason_no is null").fetchone()
    if unnamed != (0,):
        raise AssertionError(f"{unnamed} job steps were graded for a reason that data/reasons.csv does not hold")
    notes = [(int(row["bit"]), row["sentence"]) for row in _csv("notes.csv")]
    occurring = [number for (number,) in con.execute("select distinct notes from graded_step").fetchall()]
    _make_table(
        con,
        "grade_note",
        {"notes": "INTEGER", "sentence": "VARCHAR"},
        [
            {"notes": number, "sentence": "".join(f" {text}" for bit, text in notes if number & bit)}
            for number in occurring
        ],
        temporary=False,
    )


def _work_tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    made = ["grade_job", "limit_of_kind", "saturation_point", "superheat_cell"]
    made += ["fault_effect", "derating_point", "airflow_reading", "check_reading", "coil_reading"]
    made += ["mixed_static", "table_flow", "airflow_estimate"]
    made += ["water_point", "gauge_sample", "gauge_log"]
    made += ["rise_stretch", "rise_log", "rise_bin", "rise_valve", "log_level", "rise_fit"]
    made += ["line_temperature", "test_span", "test_bin", "test_delayed", "test_lag", "test_settled"]
    made += ["vacuum_from_log", "test_from_log", "rise_from_log"]
    made += [f"grade_{step}" for step in STEPS]
    return made
