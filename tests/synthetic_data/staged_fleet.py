"""An invented fleet put straight into staged tables, so that its intended states can be held against the grades."""

from __future__ import annotations

import duckdb
import polars as pl

from pipelines import staging
from pipelines.contract import DUCKDB_TYPE, TABLE_BY_NAME
from synthetic_data.fleet import Fleet

TEXT_QUANTITIES = ["test_gas", "blower_setting"]


def staged(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    """Staged tables of a fleet, in memory; readings that are no number stand in rejected_reading."""
    con = duckdb.connect(config={"threads": 2})
    staging.create_empty_tables(con)
    con.execute("create table open_dispute (job_id varchar, step varchar)")
    con.execute(f"create table staged_trace as {staging.empty_trace_select()}")
    for name, frame in fleet.tables().items():
        contract = TABLE_BY_NAME[name]
        if name == "readings":
            continue
        con.register("given", frame)
        casts = ", ".join(f'"{one.name}"::{DUCKDB_TYPE[one.kind]} as "{one.name}"' for one in contract.columns)
        con.execute(f"insert into {contract.staged} by name select {casts} from given")
        con.unregister("given")
    is_text = pl.col("quantity").is_in(TEXT_QUANTITIES)
    number = pl.col("value").cast(pl.Float64, strict=False)
    readings = fleet.readings.with_row_index("reading_order").with_columns(
        value_text=pl.when(is_text).then("value"), number=pl.when(~is_text).then(number)
    )
    unreadable = readings.filter(~is_text & pl.col("number").is_null() & pl.col("value").is_not_null())
    kept = readings.filter(is_text | pl.col("number").is_not_null()).drop("value").rename({"number": "value"})
    con.register("kept", kept)
    con.execute("insert into staged_reading by name select *, 'readings.csv' as source_file from kept")
    con.register("unreadable", unreadable.select("job_id", "step", "quantity", "value"))
    con.execute("insert into rejected_reading by name select * from unreadable")
    return con
