"""How long loading, grading and fitting take against the plain typed read of the same files, side by side in one run.

    .venv/bin/python tests/bench/loading.py --installs 200000 --runs 3

Invents a fleet, writes it as CSV in the contract's headings, then times whole processes in turn: the plain read (DuckDB
reads every file with its types declared, into a database file, checking nothing), `slowfuse load --no-fit` into a new
store, the same load again, and `slowfuse fit`. Prints seconds, the ratio to the plain read, and the peak memory.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

PLAIN_READ = """
import sys
from pathlib import Path
import duckdb
sys.path.insert(0, {root!r})
from pipelines.contract import DUCKDB_TYPE, TABLES
folder, file = Path(sys.argv[1]), sys.argv[2]
con = duckdb.connect(file)
rows = 0
for table in TABLES:
    files = sorted(str(path) for path in folder.rglob(table.name + "*.csv"))
    if not files:
        continue
    with open(files[0], encoding="utf-8") as handle:
        headings = handle.readline().strip().split(",")
    typed = {{column.name: DUCKDB_TYPE[column.kind] for column in table.columns if column.name in headings}}
    if table.name == "readings":
        typed["value"] = "VARCHAR"   # the test gas is a word
    columns = ", ".join(f"'{{name}}': '{{typed.get(name, 'VARCHAR')}}'" for name in headings)
    con.execute(f"create table {{table.name}} as select * from read_csv($files, header=true, auto_detect=false, "
                f"delim=',', quote='\\"', escape='\\"', columns={{{{{{columns}}}}}})", {{"files": files}})
    rows += con.execute(f"select count(*) from {{table.name}}").fetchone()[0]
con.close()
print(rows)
"""


def _timed(command: list[str], **environment: str) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak MB of one whole process."""
    started = time.perf_counter()
    process = subprocess.Popen(
        command, cwd=ROOT, env={**os.environ, **environment}, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    said = process.stderr.read() if process.stderr else b""
    _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"{' '.join(command)} failed:\n{said.decode()}")
    return time.perf_counter() - started, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--installs", type=int, default=200_000)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="keep the invented files here and use them again")
    parser.add_argument("--gauge-logs", action="store_true", help="load the gauge logs too (the plain read has none)")
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="slowfuse-bench-") as scratch:
        folder = asked.folder or Path(scratch) / "exports"
        if not folder.exists():
            from synthetic_data import fleet, write

            made = fleet.make_fleet(installs=asked.installs, seed=asked.seed, as_of=date.today())
            write.write_contract(made, folder)
        if not asked.gauge_logs:
            for logs in folder.glob("traces*"):
                logs.unlink()
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6
        print(f"{asked.installs:,} installs, {size:,.0f} MB of files, {os.cpu_count()} cores, {asked.runs} runs each")
        slowfuse = [sys.executable, "-m", "dashboard.command_line"]
        seen: dict[str, list[tuple[float, float, float]]] = {}
        for _ in range(asked.runs):
            database, store = Path(scratch) / "plain.duckdb", Path(scratch) / "store"
            database.unlink(missing_ok=True)
            shutil.rmtree(store, ignore_errors=True)
            load = [*slowfuse, "load", str(folder), "--no-fit", "--store", str(store)]
            for name, command in {
                "plain typed read": [
                    sys.executable,
                    "-c",
                    PLAIN_READ.format(root=str(ROOT)),
                    str(folder),
                    str(database),
                ],
                "load and grade": load,
                "load again, nothing new": load,
                "fit": [*slowfuse, "fit", "--store", str(store)],
            }.items():
                seen.setdefault(name, []).append(_timed(command))
        plain = statistics.median(run[0] for run in seen["plain typed read"])
        print(f"{'':26}{'wall s':>8}{'cpu s':>8}{'peak MB':>9}{'x plain':>9}")
        for name, runs in seen.items():
            wall, cpu, peak = (statistics.median(run[part] for run in runs) for part in range(3))
            print(f"{name:26}{wall:8.2f}{cpu:8.2f}{peak:9.0f}{wall / plain:9.2f}")


if __name__ == "__main__":
    main()
