"""How long each system was followed, what happened to it and under whose work: the cells that the models count.

Runs the SQL files 3xx in order. Everything here is a count or a sum of days; no statistics.
"""

from __future__ import annotations

import csv
import itertools
from datetime import date
from pathlib import Path
from typing import Any

import duckdb

from pipelines import visit_entries
from pipelines.contract import STEPS

SQL_FOLDER = Path(__file__).parent / "sql"
VISIT_CHECKS_FILE = Path(__file__).parent / "data" / "visit_checks.csv"

# Earlier days on which the model is made again from what was known then, and judged by what came after.
BACK_TEST_YEARS = (1, 2, 3, 4, 5)
EARLY_DAYS = 730  # "early" is the first two years of a life
# Edges of the age bands in days: fine where failure rates move fast, and one edge where early ends. The last is open.
AGE_BAND_EDGES = (
    0, 91, 183, 365, 548, 730, 1096, 1461, 1826, 2192, 2557, 2922, 3653, 4383, 5479, 7305, 9131, 1_000_000,
)  # fmt: skip

# Where a day on which something happened can stand. A day that is a promise (warranty, calibration due) is left out.
_DATED = {
    "staged_job": ("finished_on",),
    "staged_call": ("opened_on",),
    "staged_system": ("last_contact_on", "retired_on"),
    "staged_step": ("started_at", "ended_at"),
    "staged_reading": ("taken_at",),
    "staged_training": ("held_on",),
    "staged_inspection": ("inspected_on",),
}


def newest_day(con: duckdb.DuckDBPyConnection, today: date | None = None) -> date | None:
    """The last day the data speaks for: the newest day in it that is not in the future; None where there is none."""
    today = today or date.today()
    there = {name for (name,) in con.execute("select table_name from information_schema.tables").fetchall()}
    parts = [
        f"select max({column}::date) as day from {table} where {column}::date <= $today"
        for table, columns in _DATED.items()
        if table in there
        for column in columns
    ]
    # fetchall, since a result that is not read to its end blocks the connection
    rows = con.execute(f"select max(day) from ({' union all '.join(parts)})", {"today": today}).fetchall()
    return rows[0][0]


def make_cells(con: duckdb.DuckDBPyConnection, rules: Any, as_of: date | None = None) -> None:
    """Make the tables of follow-up, events and cells in `con` from the staged and graded tables.

    Parameters
    ----------
    con : a writable generation with staged_system, staged_job, staged_call and step_grade; what was entered of early
        visits (visit_outcome) counts where it is there.
    rules : house rules; reads visit_interval_months, heard_back_months [months] and negative_control.
    as_of : use only what was known on that day; None takes the newest day in the data.

    Makes
    -----
    life, segment, contact_window, follow_up, outcome_event, exposure_cell, event_cell, system_now, the views
    follow_up_step and outcome_step, the same for earlier days (follow_up_then, back_test_*), and the small tables
    cell_run, step_place, age_band, back_test_cutoff, visit_check.
    """
    # without a single date nothing was followed; the day is then only a bound that nothing meets
    as_of_known = as_of or newest_day(con)
    parameters = {
        "as_of": as_of_known or date.today(),
        "heard_back_months": float(rules.heard_back_months),
        "visit_interval_months": float(rules.visit_interval_months),
        "negative_control": str(rules.negative_control),
    }
    _make_small_tables(con, as_of_known, parameters)
    visit_entries.make_missing_outcomes(con)
    for file in sorted(SQL_FOLDER.glob("3*.sql")):
        for statement in duckdb.extract_statements(file.read_text(encoding="utf-8")):
            used = {name: value for name, value in parameters.items() if f"${name}" in statement.query}
            con.execute(statement.query, used or None)


def _make_small_tables(con: duckdb.DuckDBPyConnection, as_of: date | None, parameters: dict[str, Any]) -> None:
    con.execute("create or replace table step_place (step varchar, place integer, weight integer)")
    con.executemany("insert into step_place values (?, ?, ?)", [(step, i, 6**i) for i, step in enumerate(STEPS)])
    con.execute("create or replace table age_band (band integer, from_days double, to_days double, is_early boolean)")
    con.executemany(
        "insert into age_band values (?, ?, ?, ?)",
        [
            (number, low, high, high <= EARLY_DAYS)
            for number, (low, high) in enumerate(itertools.pairwise(AGE_BAND_EDGES))
        ],
    )
    con.execute("create or replace table back_test_cutoff (cutoff date)")
    if as_of is not None:
        con.execute(
            "insert into back_test_cutoff select $as_of::date - to_years(n::integer) from unnest($years) as y(n)",
            {"as_of": as_of, "years": list(BACK_TEST_YEARS)},
        )
    con.execute("create or replace table visit_check (step varchar, check_on_visit varchar, status varchar)")
    with open(VISIT_CHECKS_FILE, encoding="utf-8", newline="") as handle:
        con.executemany(
            "insert into visit_check values (?, ?, ?)",
            [(row["step"], row["check_on_visit"], row["status"]) for row in csv.DictReader(handle)],
        )
    con.execute(
        "create or replace table cell_run (as_of date, heard_back_months double, visit_interval_months double, "
        "negative_control varchar)"
    )
    con.execute(
        "insert into cell_run values (?, ?, ?, ?)",
        [
            as_of,
            parameters["heard_back_months"],
            parameters["visit_interval_months"],
            parameters["negative_control"],
        ],
    )
