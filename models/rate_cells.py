"""Time in service and events, counted by technician, step pattern, group, visited and age band.

One reading of the cells serves every outcome and every model: the follow-up is the same for all, and an outcome takes
off the time after its own first event.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from pipelines.contract import STEPS

DAYS_A_YEAR = 365.25
GOOD, FAILED, TICKED_ONLY, NOT_DONE, UNKNOWN, DOES_NOT_BELONG = range(6)
NOT_GOOD = (FAILED, TICKED_ONLY, NOT_DONE)


@dataclass(frozen=True)
class OutcomeCells:
    """One outcome among the rows, most of which it does not touch.

    off_row, years_off : rows, each once, and the time after events that is not the outcome's own. event_row, events :
    likewise the events.
    """

    off_row: np.ndarray
    years_off: np.ndarray
    event_row: np.ndarray
    events: np.ndarray


@dataclass(frozen=True)
class RateCells:
    """Rows of distinct (technician, pattern, group, period, visited, band) and what was counted in each.

    technician, pattern, group, period, band : integer codes [rows]; is_visited : truth values [rows].
    technicians, groups, periods : what the codes stand for (period: half the calendar year in which the life began).
    is_own : [technicians] truth values; the others work for contractors whose cells stand beside our own.
    levels : [patterns, steps] the level of each step (GOOD ... DOES_NOT_BELONG).
    from_years, to_years : [bands] edges of the age bands; is_early : [bands].
    years : [rows] all follow-up.
    outcomes : what each takes off the follow-up and how often it came.
    """

    technician: np.ndarray
    pattern: np.ndarray
    group: np.ndarray
    period: np.ndarray
    is_visited: np.ndarray
    band: np.ndarray
    technicians: list[str]
    is_own: np.ndarray
    groups: list[str]
    periods: list[int]
    pattern_codes: np.ndarray
    levels: np.ndarray
    from_years: np.ndarray
    to_years: np.ndarray
    is_early: np.ndarray
    years: np.ndarray
    outcomes: dict[str, OutcomeCells]

    @property
    def rows(self) -> int:
        return len(self.years)

    def of_outcome(self, outcome: str) -> tuple[np.ndarray, np.ndarray]:
        """Years followed and events of one outcome, [rows] each."""
        if outcome not in self.outcomes:
            return self.years.copy(), np.zeros(self.rows)
        own = self.outcomes[outcome]
        years, events = self.years.copy(), np.zeros(self.rows)
        left = years[own.off_row] - own.years_off
        # a rest of rounding must not count as time
        years[own.off_row] = np.where(left > 1e-9, left, 0.0)
        events[own.event_row] = own.events
        return years, events


def decode(patterns: np.ndarray) -> np.ndarray:
    """The levels packed into patterns: [patterns, steps], each 0 to 5."""
    places = 6 ** np.arange(len(STEPS), dtype=np.int64)
    return (np.asarray(patterns, dtype=np.int64)[:, None] // places[None, :]) % 6


def read(
    con: duckdb.DuckDBPyConnection,
    cutoff: date | None = None,
    shared: Sequence[tuple[pl.DataFrame, pl.DataFrame]] = (),
) -> RateCells:
    """All cells of the store's follow-up; without any follow-up, zero rows.

    cutoff : one of back_test_cutoff takes the cells as they stood on that day, with compressor failures alone.
    shared : (exposure, events) of each other contractor, to stand beside the own ones; columns as exposure_cell and
        event_cell, each with `outcome` and `events`.
    """
    bands = con.sql("select from_days, to_days, is_early from age_band order by band").pl()
    edges = np.append(bands["from_days"].to_numpy(), bands["to_days"].to_numpy()[-1:])
    keys = ["technician_id", "pattern", "equipment_and_joints", "period", "is_visited"]
    columns = ", ".join(keys) + ", entry_band, exit_band, n, days_before_entry, days_in_exit_band"
    when = "" if cutoff is None else "back_test_"
    where = "true" if cutoff is None else f"cutoff = date '{cutoff.isoformat()}'"
    base = con.sql(f"select '' as outcome, {columns}, 0 as events from {when}exposure_cell where {where}").pl()
    after = con.sql(f"select outcome, {columns}, events from {when}event_cell where {where}").pl()
    own = base["technician_id"].unique()
    for exposure, events in shared:
        base = pl.concat([base, exposure.select(base.columns)], how="vertical_relaxed")
        after = pl.concat([after, events.select(after.columns)], how="vertical_relaxed")

    technicians = base["technician_id"].unique().sort()
    groups = base["equipment_and_joints"].unique().sort()
    patterns = np.unique(base["pattern"].to_numpy())
    periods = np.unique(base["period"].to_numpy())

    def coded(frame: pl.DataFrame) -> np.ndarray:
        technician = frame["technician_id"].cast(pl.Enum(technicians)).to_physical().to_numpy().astype(np.int64)
        group = frame["equipment_and_joints"].cast(pl.Enum(groups)).to_physical().to_numpy().astype(np.int64)
        pattern = np.searchsorted(patterns, frame["pattern"].to_numpy())
        code = (technician * len(patterns) + pattern) * max(len(groups), 1) + group
        code = code * max(len(periods), 1) + np.searchsorted(periods, frame["period"].to_numpy())
        return code * 2 + frame["is_visited"].to_numpy().astype(np.int64)

    number = len(edges) - 1
    base, base_code = _in_order(base, coded(base), number)
    after, after_code = _in_order(after, coded(after), number)
    codes, place = np.unique(base_code, return_inverse=True)
    row_of, band, days = _rows_with_time(base, place, len(codes), edges)
    after_place = np.searchsorted(codes, after_code)
    outcomes = {}
    for outcome in after["outcome"].unique().sort().to_list():
        chosen = (after["outcome"] == outcome).to_numpy()
        part, place = after.filter(chosen), after_place[chosen]
        off_row, days_off = _added(*_spread(part, place, edges, row_of))
        # an event ends its piece in the band that the time taken off begins in
        has_event = part["events"].to_numpy() > 0
        entry_row = row_of(place[has_event], part["entry_band"].to_numpy()[has_event])
        event_row, events = _added(entry_row, part["events"].to_numpy()[has_event].astype(float))
        outcomes[outcome] = OutcomeCells(off_row, days_off / DAYS_A_YEAR, event_row, events)

    code, visited = codes // 2, codes % 2
    code, period = code // max(len(periods), 1), code % max(len(periods), 1)
    code, group = code // max(len(groups), 1), code % max(len(groups), 1)

    def of_rows(of_code: np.ndarray) -> np.ndarray:
        return np.repeat(of_code, row_of.rows)

    days /= DAYS_A_YEAR
    return RateCells(
        technician=of_rows(code // max(len(patterns), 1)),
        pattern=of_rows((code % max(len(patterns), 1)).astype(np.int32)),
        group=of_rows(group.astype(np.int32)),
        period=of_rows(period.astype(np.int32)),
        is_visited=of_rows(visited.astype(bool)),
        band=band,
        technicians=technicians.to_list(),
        is_own=technicians.is_in(own.implode()).to_numpy(),
        groups=groups.to_list(),
        periods=periods.tolist(),
        pattern_codes=patterns,
        levels=decode(patterns),
        from_years=edges[:-1] / DAYS_A_YEAR,
        to_years=edges[1:] / DAYS_A_YEAR,
        is_early=bands["is_early"].to_numpy(),
        years=days,
        outcomes=outcomes,
    )


def _added(row: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each row once, and the sum of its values."""
    rows, place = np.unique(row, return_inverse=True)
    return rows, np.bincount(place, value, minlength=len(rows))


def _in_order(cells: pl.DataFrame, code: np.ndarray, bands: int) -> tuple[pl.DataFrame, np.ndarray]:
    """The counts and their codes in an order that never changes, so that sums of days come out the same."""
    entry, leave = cells["entry_band"].to_numpy(), cells["exit_band"].to_numpy()
    order = np.argsort((code * bands + entry) * bands + leave)
    counts = cells.select("outcome", "entry_band", "exit_band", "n", "days_before_entry", "days_in_exit_band", "events")
    return counts[order], code[order]


@dataclass(frozen=True)
class _RowOf:
    """Which row holds a code's time in a band. first, rows : [codes]; bands : [codes] a bit for each band with time."""

    first: np.ndarray
    rows: np.ndarray
    bands: np.ndarray

    def __call__(self, code: np.ndarray, band: np.ndarray | int) -> np.ndarray:
        lower = (np.int32(1) << np.asarray(band, dtype=np.int32)) - np.int32(1)
        return self.first[code] + np.bitwise_count(self.bands[code] & lower)


def _rows_with_time(
    cells: pl.DataFrame, code: np.ndarray, codes: int, edges: np.ndarray
) -> tuple[_RowOf, np.ndarray, np.ndarray]:
    """One row for each code and band with time, by code and then by band: where it stands, its band, its days.

    In a band, whoever entered by its end and did not leave takes the whole width, less what lay before the entry.
    """
    entry, leave = cells["entry_band"].to_numpy(), cells["exit_band"].to_numpy()
    n = cells["n"].to_numpy().astype(float)
    before, inside = cells["days_before_entry"].to_numpy(), cells["days_in_exit_band"].to_numpy()
    passing, bits = np.zeros(codes), np.zeros(codes, dtype=np.int32)
    parts = []
    for band in range(int(leave.max(initial=-1)) + 1):
        enter, end = np.flatnonzero(entry == band), np.flatnonzero(leave == band)
        passing += np.bincount(code[enter], n[enter], minlength=codes)
        there = np.flatnonzero(passing > 0)
        passing -= np.bincount(code[end], n[end], minlength=codes)
        days = passing * (edges[band + 1] - edges[band])
        days += np.bincount(code[end], inside[end], minlength=codes)
        days -= np.bincount(code[enter], before[enter], minlength=codes)
        bits[there] |= np.int32(1 << band)
        parts.append((there, days[there]))
    rows = np.bitwise_count(bits)
    last = np.cumsum(rows, dtype=np.int64)
    row_of = _RowOf(last - rows, rows, bits)
    of_row, days_of_row = (
        np.empty(int(last[-1]) if codes else 0, dtype=np.int32),
        np.empty(int(last[-1]) if codes else 0),
    )
    for band, (there, days) in enumerate(parts):
        row = row_of(there, band)
        of_row[row], days_of_row[row] = band, days
    return row_of, of_row, days_of_row


def _spread(cells: pl.DataFrame, code: np.ndarray, edges: np.ndarray, row_of: _RowOf) -> tuple[np.ndarray, np.ndarray]:
    """(row, days) of each cell in each band that it touches."""
    entry, leave = cells["entry_band"].to_numpy(), cells["exit_band"].to_numpy()
    n = cells["n"].to_numpy().astype(float)
    before, inside = cells["days_before_entry"].to_numpy(), cells["days_in_exit_band"].to_numpy()
    rows, days = [np.empty(0, dtype=np.int64)], [np.empty(0)]
    for band, width in enumerate(np.diff(edges)):
        touched = np.flatnonzero((entry <= band) & (leave >= band))
        spent = np.where(leave[touched] == band, inside[touched], n[touched] * width)
        rows.append(row_of(code[touched], band))
        days.append(spent - np.where(entry[touched] == band, before[touched], 0.0))
    return np.concatenate(rows), np.concatenate(days)
