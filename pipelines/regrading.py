"""Fresh grades before a fit, where the rules they rest on or what people dispute changed since the last load."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipelines.entries import Entries
from pipelines.house_rules import HouseRules, as_rows
from pipelines.loading import regrade

if TYPE_CHECKING:
    import duckdb

__all__ = ["is_needed", "regrade"]

# what grades, and what they call somebody back for, rest on; own limits stand in no row of `house_rule`
RESTS_ON = (
    "profile", "altitude_ft", "accept_uncompensated_pressure_test", "charge_check_from", "working_days", "return_due_days",
    "cooling_hours", "heating_hours", "electricity_price", "nominal_power_w_per_ton",
)  # fmt: skip


def is_needed(con: duckdb.DuckDBPyConnection, entries: Entries, rules: HouseRules) -> bool:
    """Whether the grades of this generation stand on other rules, or other disputes, than are in force now.

    con : the writable generation, before `entries.join_into`.
    """
    known = {name for (name,) in con.execute("select table_name from duckdb_tables()").fetchall()}
    if not {"house_rule", "open_dispute", "graded_step"} <= known:
        return False  # nothing was graded yet
    # a generation from before the lists of jobs were held has them from here on
    if rules.own_limits or "listed_instrument" not in known:
        return True
    held = dict(con.execute("select name, value from house_rule").fetchall())
    now = {name: value for name, value, _, _ in as_rows(rules, {})}
    as_shipped = {name: value for name, value, _, _ in as_rows(HouseRules(), {})}
    # a rule that is younger than the generation stands as it was shipped
    before = {**as_shipped, **held}
    disputed = set(con.execute("select job_id, step from open_dispute").fetchall())
    return _of_grades(now) != _of_grades(before) or disputed != set(entries.open_disputes())


def _of_grades(rows: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in rows.items() if name.partition(".")[0] in RESTS_ON}
