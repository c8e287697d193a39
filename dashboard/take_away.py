"""What stands on a page as a file: CSV, XLSX or Parquet, with what it is, its filters and the age of its data written in."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import urlencode

import polars as pl

from pipelines.export import as_text_cell

ENDINGS = {
    "csv": "text/csv",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
LABEL = {"csv": "CSV", "xlsx": "Excel (XLSX)", "parquet": "Parquet"}
About = list[tuple[str, str]]


def take_away(frame: pl.DataFrame, name: str, filters: Mapping[str, Any], key: str | None = None) -> None:
    """The buttons that give `frame` as a file; each file is made when its button is pressed.

    frame : the rows on screen. Lists of values become text.
    name : of the file and the sheet, in plain words ("jobs behind it").
    filters : what narrowed the rows, in words; None and empty ones are written as "all".
    """
    import streamlit as st

    if frame.is_empty():
        return
    about = what_it_is(frame, name, filters)
    place = key or name.replace(" ", "_")
    with st.popover("Take away", icon=":material/download:", type="tertiary", key=f"take_{place}"):
        st.markdown(f"{frame.height:,} rows as on screen; the filters and the data's date are written into the file.")
        with st.container(horizontal=True):
            for ending, mime in ENDINGS.items():
                st.download_button(
                    LABEL[ending],
                    data=_maker(frame, name, about, ending),
                    file_name=f"{name.replace(' ', '-')}.{ending}",
                    mime=mime,
                    on_click="ignore",
                    key=f"take_{place}_{ending}",
                )


def _maker(frame: pl.DataFrame, name: str, about: About, ending: str) -> Callable[[], bytes]:
    return lambda: as_file(frame, name, about, ending)


def what_it_is(frame: pl.DataFrame, name: str, filters: Mapping[str, Any]) -> About:
    """The lines that a file carries about itself: page, filters, rows, data date, load, generation."""
    import streamlit as st

    from dashboard import data, words

    stamp = data.stamp()
    page = (st.context.url or "").split("?")[0].rstrip("/").rsplit("/", 1)[-1]
    query = urlencode(st.query_params.to_dict())
    narrowed = [(what, "all" if value in (None, "") else str(value)) for what, value in filters.items()]
    return [
        ("page", page.replace("-", " ").capitalize()),
        ("address", f"/{page}?{query}"),
        ("what", name),
        *narrowed,
        ("rows", str(frame.height)),
        ("data to", words.date(stamp.as_of)),
        ("last load", stamp.last_load or "none"),
        ("generation", str(stamp.generation)),
    ]


def as_file(frame: pl.DataFrame, name: str, about: About, ending: str) -> bytes:
    """The frame as the bytes of a file. What a spreadsheet would run as a formula is text in CSV and XLSX.

    ending : "csv" (the lines about it first, each after a #), "xlsx" (a first sheet) or "parquet" (in the metadata).
    """
    # the space that holds a figure to its unit on a page is an ordinary one to whoever searches or splits a file
    frame = frame.with_columns(pl.col(pl.String).str.replace_all("\u00a0", " ", literal=True))
    return {"csv": _csv, "xlsx": _xlsx, "parquet": _parquet}[ending](frame, name, about)


def _csv(frame: pl.DataFrame, name: str, about: About) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerows([f"# {what}: {_one_line(value)}"] for what, value in about)
    writer.writerow([as_text_cell(column) for column in frame.columns])
    writer.writerows([_as_text(cell) for cell in row] for row in frame.iter_rows())
    # with a mark of its encoding, without which a spreadsheet garbles what is not ASCII
    return out.getvalue().encode("utf-8-sig")


def _xlsx(frame: pl.DataFrame, name: str, about: About) -> bytes:
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    bold = book.add_format({"bold": True})
    date_format = book.add_format({"num_format": "yyyy-mm-dd"})
    time_format = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    first = book.add_worksheet("What this is")
    first.set_column(0, 0, 18)
    first.set_column(1, 1, 60)
    for number, (what, value) in enumerate(about):
        first.write_string(number, 0, what, bold)
        first.write_string(number, 1, str(as_text_cell(value)))
    sheet = book.add_worksheet(name[:31])
    sheet.freeze_panes(1, 0)
    for number, column in enumerate(frame.columns):
        sheet.write_string(0, number, str(as_text_cell(column)), bold)
    for place, row in enumerate(frame.iter_rows(), start=1):
        for number, cell in enumerate(row):
            _write_cell(sheet, place, number, cell, date_format, time_format)
    book.close()
    return out.getvalue()


def _write_cell(sheet: Any, row: int, column: int, cell: Any, date_format: Any, time_format: Any) -> None:
    if cell is None:
        return
    if isinstance(cell, bool):
        sheet.write_boolean(row, column, cell)
    elif isinstance(cell, int | float) and abs(cell) < float("inf"):
        sheet.write_number(row, column, cell)
    elif isinstance(cell, dt.datetime):
        sheet.write_datetime(row, column, cell.replace(tzinfo=None), time_format)
    elif isinstance(cell, dt.date):
        sheet.write_datetime(row, column, cell, date_format)
    else:
        sheet.write_string(row, column, str(_as_text(cell)))


def _parquet(frame: pl.DataFrame, name: str, about: About) -> bytes:
    import pyarrow.parquet

    table = frame.to_arrow()
    table = table.replace_schema_metadata({**(table.schema.metadata or {}), **dict(about)})
    out = io.BytesIO()
    pyarrow.parquet.write_table(table, out, compression="zstd")
    return out.getvalue()


def _as_text(cell: Any) -> Any:
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ", timespec="seconds")
    if isinstance(cell, list | pl.Series):
        return as_text_cell("; ".join(str(part) for part in cell))
    return as_text_cell(cell)


def _one_line(text: str) -> str:
    return " ".join(text.split())
