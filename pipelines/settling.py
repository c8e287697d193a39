"""What of a reading can be told only once its job is staged: the altitude, and what the mapping says of a sign."""

from __future__ import annotations

import duckdb

from pipelines import interpreting, units
from pipelines.cell_text import Unreadable, as_text
from pipelines.interpreting import Rejected, TypedRows, UnreadReading
from pipelines.mapping import Source


def settle_readings(con: duckdb.DuckDBPyConnection, rows: TypedRows, source: Source, house_altitude_ft: float) -> None:
    """Absolute pressures of readings and samples become gauge pressures at the altitude of their job; the sign of return
    static is told."""
    drop: dict[int, str] = {}
    if rows.above_zero:
        altitudes = _altitudes(con, {rows.columns["job_id"][index] for index in rows.above_zero})
        for index in rows.above_zero:
            columns = rows.columns
            altitude = altitudes.get(columns["job_id"][index], house_altitude_ft)
            value = columns["value"][index] - units.atmosphere_psia(altitude)
            about = interpreting.about_quantity(rows.table.name, columns["step"][index], columns["quantity"][index])
            columns["value"][index] = value
            try:
                if about is not None:
                    interpreting.check_possible(about, value)
            except Unreadable as reason:
                drop[index] = str(reason)
    if source.return_static is not None:
        columns = rows.columns
        for index, quantity in enumerate(columns["quantity"]):
            if quantity != "return_static" or columns["value"][index] is None:
                continue
            value = columns["value"][index]
            if source.return_static == "suction_is_positive":
                value = -value
            if source.return_static != "size_only" and value > 0:
                drop[index] = f"is a return above the room's pressure, and return_static is {source.return_static}"
                continue
            if columns["original_value"][index] is None and -abs(value) != columns["value"][index]:
                columns["original_value"][index] = as_text(columns["value"][index])
                columns["original_unit"][index] = columns["unit"][index]
            columns["value"][index] = -abs(value)
    if drop:
        _drop_readings(rows, drop)


def _altitudes(con: duckdb.DuckDBPyConnection, job_ids: set[str]) -> dict[str, float]:
    found = con.execute(
        "select job.job_id, site.altitude_ft from staged_job as job join staged_system as system using (system_id) "
        "join staged_site as site using (site_id) where site.altitude_ft is not null "
        "and job.job_id in (select unnest($jobs))",
        {"jobs": sorted(job_ids)},
    ).fetchall()
    return dict(found)


def _drop_readings(rows: TypedRows, drop: dict[int, str]) -> None:
    """Turn readings that proved impossible into rejected ones."""
    columns = rows.columns
    for index, reason in drop.items():
        written = columns["original_value"][index] if "original_value" in columns else None
        value = written or as_text(columns["value"][index])
        text = ",".join(as_text(columns[name][index] or "") for name in ("job_id", "step", "quantity")) + f",{value}"
        rows.rejected.append(Rejected(rows.lines[index], "row", rows.table.name, "value", value, reason, text))
        if rows.table.name != "readings":
            continue
        rows.unread.append(
            UnreadReading(
                columns["job_id"][index],
                columns["step"][index],
                columns["quantity"][index],
                value,
                reason,
                rows.lines[index],
            )
        )
    keep = [index for index in range(len(rows.lines)) if index not in drop]
    for name, column in columns.items():
        if column:
            columns[name] = [column[index] for index in keep]
    rows.lines = [rows.lines[index] for index in keep]
    rows.extra = [rows.extra[index] for index in keep]
    rows.flawed = [rows.flawed[index] for index in keep]
