"""Real records dressed as installs, so that they go through the same cells as a contractor's.

A patient is a system, what may matter a step that is not good, where or when he was treated a technician. Only the
counting and the arithmetic are tested with them; nothing here says anything of the trade.
"""

from datetime import date, timedelta

import duckdb
import numpy as np
import pandas as pd
import polars as pl

from models import rate_cells
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import empty_store, house_rules, put

DAYS_A_MONTH = 365.25 / 12


def mgus2_store(records: pd.DataFrame) -> duckdb.DuckDBPyConnection:
    """A store that holds R's mgus2: staged and graded tables as a load leaves them.

    Diagnosed at 70 or older, haemoglobin under 12, creatinine over 1.3 and spike of 1.5 or more are four steps not
    good; a value that was not measured is no record. Death retires a system with its compressor; progression is a
    callback. The technician is the year of the diagnosis.
    """
    first_day = [date(int(year), 1, 1) for year in records["dxyr"]]
    last = [
        day + timedelta(int(months * DAYS_A_MONTH)) for day, months in zip(first_day, records["futime"], strict=True)
    ]
    died = records["death"].to_numpy() == 1
    number = records["id"].astype(int).astype(str)
    systems = pl.DataFrame({
        "system_id": list("S" + number),
        "equipment": ["split_ac" if sex == "F" else "split_heat_pump" for sex in records["sex"]],
        "last_contact_on": last,
        "retired_on": [day if gone else None for day, gone in zip(last, died, strict=True)],
        "retired_because": ["compressor" if gone else None for gone in died],
    })  # fmt: skip
    jobs = pl.DataFrame({
        "job_id": list("J" + number),
        "system_id": list("S" + number),
        "technician_id": [f"Y{int(year)}" for year in records["dxyr"]],
        "job_kind": "new_install",
        "joints": "brazed",
        "installed_by": "own_crew",
        "finished_on": first_day,
    })  # fmt: skip
    came = records["pstat"].to_numpy() == 1
    calls = pl.DataFrame({
        "call_id": list("C" + number[came]),
        "system_id": list("S" + number[came]),
        "opened_on": [
            first_day[i] + timedelta(int(records["ptime"].iloc[i] * DAYS_A_MONTH)) for i in np.flatnonzero(came)
        ],
        "call_kind": "callback",
        "finding": "other",
    })  # fmt: skip
    measured = [
        (records["age"], records["age"] >= 70), (records["hgb"], records["hgb"] < 12),
        (records["creat"], records["creat"] > 1.3), (records["mspike"], records["mspike"] >= 1.5),
    ]  # fmt: skip
    state = [np.where(value.isna(), "no_record", np.where(bad, "failed", "passed")) for value, bad in measured]
    state += [np.full(len(records), "passed")] * (len(STEPS) - len(state))
    grades = pl.DataFrame({
        "job_id": np.repeat(list("J" + number), len(STEPS)),
        "system_id": np.repeat(list("S" + number), len(STEPS)),
        "technician_id": np.repeat(jobs["technician_id"].to_numpy(), len(STEPS)),
        "step": np.tile(np.array(STEPS), len(records)),
        "state": np.stack(state, axis=1).ravel(),
    })  # fmt: skip
    con = empty_store()
    for table, rows in (
        ("staged_system", systems),
        ("staged_job", jobs),
        ("staged_call", calls),
        ("step_grade", grades),
    ):
        put(con, table, rows)
    return con


def cells_of(
    system: np.ndarray,
    from_days: np.ndarray,
    to_days: np.ndarray,
    died: np.ndarray,
    technician: np.ndarray,
    bad: np.ndarray,
) -> rate_cells.RateCells:
    """Cells of records that begin and end at any time, parts of a day too, counted by the pipeline's own SQL.

    system, from_days, to_days, died, technician : [records]; bad : [records, up to nine] which steps are not good.
    A death is a compressor failure.
    """
    con = empty_store()
    cells.make_cells(con, house_rules(), date(2020, 1, 1))
    pieces = pl.DataFrame({
        "system_id": [f"S{one}" for one in system],
        "life_no": 1,
        "technician_id": [str(one) for one in technician],
        "pattern": bad.astype(int) @ (rate_cells.NOT_DONE * 6 ** np.arange(bad.shape[1])),
        "equipment_and_joints": "all alike",
        "is_visited": False,
        "started_on": date(2000, 1, 1),
        "from_age": from_days.astype(float),
        "to_age": to_days.astype(float),
    })  # fmt: skip
    deaths = pieces.filter(pl.Series(died.astype(bool))).select("system_id", "life_no", age="to_age")
    deaths = deaths.with_columns(outcome=pl.lit("compressor_failure"), in_follow_up=pl.lit(True))
    for table, rows in (("follow_up", pieces), ("outcome_event", deaths)):
        con.execute(f"delete from {table}")
        put(con, table, rows)
    for name in ("307_exposure_cell.sql", "308_event_cell.sql"):
        con.execute((cells.SQL_FOLDER / name).read_text(encoding="utf-8"))
    return rate_cells.read(con)
