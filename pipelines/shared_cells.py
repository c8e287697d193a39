"""Cells of other contractors, from the files that `slowfuse export shared_cell` wrote there.

They hold counts and sums of days by numbered technician, step states, equipment and joints, and age: no name, place,
date or record of anybody.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from pipelines.contract import STEPS
from pipelines.errors import InputError

LEVEL_WORDS = ("good", "failed", "ticked_only", "not_done", "unknown", "not_applicable")
FOLLOW_UP = "follow_up"
_NUMBERS = ("technician", "period", "entry_band", "exit_band", "n", "events", "days_before_entry", "days_in_exit_band")
_TEXTS = ("house", "negative_control", "age_band_days", "outcome", "equipment_and_joints")
COLUMNS = (*_TEXTS, *_NUMBERS, *STEPS, "is_visited")


@dataclass(frozen=True)
class SharedCells:
    """One other house's cells in the shape of exposure_cell (outcome '') and event_cell, technicians named for the house."""

    house: str
    file: str
    exposure: pl.DataFrame
    events: pl.DataFrame


def read(files: Sequence[Path], con: duckdb.DuckDBPyConnection) -> list[SharedCells]:
    """The cells in these files, checked.

    Parameters
    ----------
    files : .parquet, .csv or .jsonl. con : the own store, with its cells made: bands and control must be the same.

    Raises
    ------
    InputError : a file cannot be read, a column or value is not what it should be, or it is our own or given twice.
    """
    (own_house,) = con.sql("select any_value(house) from shared_cell").fetchall()[0]
    (bands,) = con.sql("select string_agg(from_days::bigint::varchar, ',' order by band) from age_band").fetchall()[0]
    (control,) = con.sql("select negative_control from cell_run").fetchall()[0]
    found: list[SharedCells] = []
    for file in files:
        frame = _checked(file, bands, control)
        if frame.is_empty():
            raise InputError(f"{file}: there is no row in it. Ask for a file written by `slowfuse export shared_cell`.")
        houses = frame["house"].unique().to_list()
        if len(houses) != 1:
            raise InputError(f"{file}: it holds cells of {len(houses)} houses. Give each house's file by itself.")
        house = houses[0]
        if house == own_house:
            raise InputError(
                f"{file}: these are our own cells; with them every failure would count twice. Leave it out."
            )
        if any(house == other.house for other in found):
            raise InputError(f"{file}: the same house's cells were given before. Leave one of the two out.")
        found.append(_of_house(frame, house, str(file), len(found) + 2))
    return found


def _checked(file: Path, bands: str, control: str) -> pl.DataFrame:
    readers = {".parquet": pl.read_parquet, ".csv": pl.read_csv, ".jsonl": pl.read_ndjson}
    if file.suffix.lower() not in readers:
        raise InputError(f"{file}: the ending {file.suffix or '(none)'} is not known. Use one of {', '.join(readers)}.")
    if not file.is_file():
        raise InputError(f"{file}: there is no such file.")
    try:
        frame = readers[file.suffix.lower()](file)
    except (pl.exceptions.PolarsError, OSError) as error:
        first = str(error).strip().splitlines()[0]
        raise InputError(f"{file}: it cannot be read ({first}). Ask for it again as .parquet.") from error
    missing = [name for name in COLUMNS if name not in frame.columns]
    if missing:
        raise InputError(
            f"{file}: the column {missing[0]} is not there ({len(missing)} of {len(COLUMNS)} are missing). "
            "Ask for a file written by `slowfuse export shared_cell`."
        )
    try:
        frame = frame.select(
            *(pl.col(name).cast(pl.String) for name in (*_TEXTS, *STEPS)),
            *(pl.col(name).cast(pl.Float64) for name in _NUMBERS),
            pl.col("is_visited").cast(pl.Boolean),
        )
    except pl.exceptions.PolarsError as error:
        raise InputError(f"{file}: a number or yes-or-no cannot be read: {str(error).splitlines()[0]}") from error
    last_band = bands.count(",")
    for column, expected, fits in (
        *((step, "one of " + ", ".join(LEVEL_WORDS), pl.col(step).is_in(LEVEL_WORDS)) for step in STEPS),
        ("age_band_days", bands, pl.col("age_band_days") == bands),
        ("negative_control", f"{control}, as in our House rules", pl.col("negative_control") == control),
        ("n", "1 or more", pl.col("n") >= 1),
        ("events", "0 to n", pl.col("events").is_between(0, pl.col("n"))),
        ("entry_band", f"0 to {last_band}, not after exit_band",
         pl.col("entry_band").is_between(0, pl.col("exit_band"))),
        ("exit_band", f"0 to {last_band}", pl.col("exit_band").is_between(0, last_band)),
        ("days_before_entry", "0 or more", pl.col("days_before_entry") >= 0),
        ("days_in_exit_band", "0 or more", pl.col("days_in_exit_band") >= 0),
        *((name, "a value", pl.col(name).is_not_null()) for name in (*_TEXTS, *_NUMBERS, "is_visited")),
    ):  # fmt: skip
        wrong = frame.with_row_index("row").filter(~fits.fill_null(False)).head(1)
        if wrong.height:
            raise InputError(
                f"{file}: row {wrong['row'][0] + 1}, column {column}: {wrong[column][0]!r} is not {expected}. "
                "Ask for a new file written by the same version of `slowfuse export shared_cell`."
            )
    return frame


def _of_house(frame: pl.DataFrame, house: str, file: str, number: int) -> SharedCells:
    words = pl.Enum(LEVEL_WORDS)
    pattern = sum(
        (pl.col(step).cast(words).to_physical().cast(pl.Int64) * 6**place for place, step in enumerate(STEPS)),
        start=pl.lit(0, dtype=pl.Int64),
    )
    cells = frame.select(
        "outcome",
        technician_id=pl.format("house {}, technician {}", pl.lit(number), pl.col("technician").cast(pl.Int64)),
        pattern=pattern.cast(pl.Int32),
        equipment_and_joints=pl.col("equipment_and_joints"),
        period=pl.col("period").cast(pl.Int64),
        is_visited=pl.col("is_visited"),
        entry_band=pl.col("entry_band").cast(pl.Int32),
        exit_band=pl.col("exit_band").cast(pl.Int32),
        n=pl.col("n").cast(pl.Int64),
        days_before_entry=pl.col("days_before_entry"),
        days_in_exit_band=pl.col("days_in_exit_band"),
        events=pl.col("events").cast(pl.Int64),
    )
    is_follow_up = pl.col("outcome") == FOLLOW_UP
    return SharedCells(
        house,
        file,
        cells.filter(is_follow_up).with_columns(outcome=pl.lit("")),
        cells.filter(~is_follow_up),
    )
