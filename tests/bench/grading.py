"""How long grading takes, and how much memory: a fleet made inside the store, graded several times in one run.

    .venv/bin/python tests/bench/grading.py --jobs 200000 --runs 3 [--gauge-logs 20000] [--threads 2]

Prints wall and processor seconds of each run (step_grade written and on disk), the slowest SQL files, the peak memory
of the process at a memory limit of 2 GB, and how long it takes to read the whole of step_grade with its sentences.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import duckdb  # noqa: E402

from pipelines import grades, staging  # noqa: E402
from pipelines.contract import QUANTITY_UNIT, STEPS  # noqa: E402
from pipelines.house_rules import HouseRules  # noqa: E402

# Ranges around the limits, so that every branch of the rules is met.
SPAN = {
    "flow_pressure": (0.3, 4), "start_pressure": (380, 450), "end_pressure": (380, 450), "start_temperature": (60, 80),
    "end_temperature": (60, 80), "hold_time": (10, 30), "pump_time": (10, 60), "vacuum": (200, 520),
    "rise_start": (200, 500), "rise_end": (400, 1100), "rise_time": (9, 12), "charge_weight": (7.5, 8.6),
    "factory_charge": (7.5, 7.5), "line_set_adder": (0.5, 0.5), "return_static": (-0.25, -0.1),
    "supply_static": (0.1, 0.3), "suction_pressure": (110, 125), "suction_temperature": (50, 58),
    "liquid_pressure": (300, 340), "liquid_temperature": (88, 96), "target_subcooling": (10, 10),
    "target_superheat": (11, 11), "outdoor_dry_bulb": (50, 100), "compressor_current": (10, 18),
    "rated_load_current": (17, 17),
}  # fmt: skip


def fill(con: duckdb.DuckDBPyConnection, jobs: int, gauge_logs: int) -> None:
    staging.create_empty_tables(con)
    con.execute("create table open_dispute (job_id varchar, step varchar)")
    pick = "list_extract({codes}, (1 + hash(i + {salt}) % {count})::bigint)"

    def one_of(salt: int, *codes: str) -> str:
        return pick.format(codes=list(codes), salt=salt, count=len(codes))

    con.execute(
        "insert into staged_system (system_id, site_id, equipment, refrigerant, nominal_tons, metering, air_handler, "
        f"model) select 'S' || i, 'P' || i, {one_of(1, 'split_ac', 'split_heat_pump', 'ductless', 'packaged')}, "
        f"{one_of(2, 'R-410A', 'R-32', 'R-454B', 'R-22', 'R-407C', 'R-134a')}, 3, "
        f"{one_of(3, 'txv', 'eev', 'fixed_orifice')}, {one_of(4, 'gas_furnace', 'fan_coil')}, 'M' || hash(i) % 500 "
        "from range($jobs) as r(i)",
        {"jobs": jobs},
    )
    con.execute(
        "insert into staged_job (job_id, system_id, technician_id, job_kind, joints, finished_on) select 'J' || i, "
        f"'S' || i, 'T' || hash(i) % 60, {one_of(5, 'new_install', 'changeout', 'changeout', 'circuit_repair')}, "
        f"{one_of(6, 'brazed', 'brazed', 'pressed')}, date '2020-01-01' from range($jobs) as r(i)",
        {"jobs": jobs},
    )
    con.execute(
        "insert into staged_step (job_id, step, ticked) select 'J' || i, step, "
        "if(hash(i * 10 + length(step)) % 10 < 8, 'done', 'not_done') from range($jobs) as r(i), "
        "(select unnest($steps) as step)",
        {"jobs": jobs, "steps": list(STEPS)},
    )
    rows = [
        (step, quantity, *SPAN[quantity])
        for step, quantities in QUANTITY_UNIT.items()
        for quantity in quantities
        if quantity in SPAN
    ]
    con.execute("create temp table span (step varchar, quantity varchar, low double, high double)")
    con.executemany("insert into span values (?, ?, ?, ?)", rows)
    con.execute(
        "insert into staged_reading (job_id, step, quantity, value, reading_order, source_file) select 'J' || i, step, "
        "quantity, low + (high - low) * (hash(i, quantity) % 1000) / 1000, row_number() over (), 'readings.csv' "
        "from range($jobs) as r(i), span where hash(quantity, i) % 100 < 85",
        {"jobs": jobs},
    )
    con.execute(
        "insert into staged_reading (job_id, step, quantity, value_text, reading_order, source_file) select 'J' || i, "
        "'pressure_test', 'test_gas', 'nitrogen', i, 'readings.csv' from range($jobs) as r(i)",
        {"jobs": jobs},
    )
    trace = staging.empty_trace_select()
    con.execute(f"create table staged_trace as {trace}")
    con.execute(
        "insert into staged_trace (job_id, step, attempt, quantity, elapsed_s, value) select 'J' || i, 'vacuum_rise', 1, "
        "'vacuum', s * 10, 300 + s * 5 from range($logs) as r(i), range(61) as t(s)",
        {"logs": gauge_logs},
    )
    con.execute("checkpoint")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=200_000)
    parser.add_argument("--gauge-logs", type=int, default=0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--threads", type=int, default=2)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        con = duckdb.connect(f"{folder}/fleet.duckdb", config={"threads": asked.threads, "memory_limit": "2GB"})
        con.execute("set enable_progress_bar = false")
        fill(con, asked.jobs, asked.gauge_logs)
        readings = con.execute("select count(*) from staged_reading").fetchone()
        print(f"{asked.jobs:,} jobs x {len(STEPS)} steps, {readings[0] if readings else 0:,} readings")
        for run in range(asked.runs):
            wall, processor = time.perf_counter(), time.process_time()
            grades.grade(con, HouseRules())
            con.execute("checkpoint")
            print(
                f"run {run + 1}: {time.perf_counter() - wall:.2f} s, processor {time.process_time() - processor:.2f} s"
            )
        wall = time.perf_counter()
        con.execute("create temp table whole as select * from step_grade")
        print(f"whole of step_grade with its sentences: {time.perf_counter() - wall:.2f} s")
    print(f"peak memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
