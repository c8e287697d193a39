"""The fleet written as files in the contract's own headings."""

from __future__ import annotations

from pathlib import Path

import polars as pl

FORMATS = ("csv", "parquet")
BY_YEAR = {"jobs": "finished_on"}


def write_contract(
    fleet, folder: Path | str, format: str = "csv", by_year: bool = False, traces: str = "parquet"
) -> Path:
    """Write every table of the fleet that has rows.

    format : `csv` or `parquet`
    by_year : jobs as one file for each year (jobs_2021.csv)
    traces : gauge logs as `parquet` (advised) or `csv`

    Returns
    -------
    The folder.
    """
    for asked in (format, traces):
        if asked not in FORMATS:
            raise ValueError(f"Files can be written as {' or '.join(FORMATS)}, not {asked!r}.")
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in fleet.tables().items():
        if frame.is_empty():
            continue
        kind = traces if name == "traces" else format
        if by_year and name in BY_YEAR:
            for (year,), part in frame.group_by(pl.col(BY_YEAR[name]).dt.year(), maintain_order=True):
                _write(part, folder / f"{name}_{year}.{kind}", kind)
        else:
            _write(frame, folder / f"{name}.{kind}", kind)
    return folder


def _write(frame: pl.DataFrame, path: Path, kind: str) -> None:
    if kind == "parquet":
        frame.write_parquet(path)
    else:
        frame.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S")
