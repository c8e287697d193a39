"""How long our fit of one outcome takes beside the reference libraries, on one cohort, in one run:

    python -m tests.bench.references --installs 1000000 --runs 3

A cohort of installs is invented once: days in service, whether the compressor failed, nine steps, group, technician, the
years in which the life began.
Every library gets it in the form it reads fastest (ours: a DuckDB table of pieces of follow-up; the others: columns of
doubles, ready to fit). Whole processes are timed in turn on the same cores, each as often as asked. Two questions:

nine     one ratio for each step over all ages
halves   each step early (first two years) and late; records are split at two years for whoever needs that

Our fit answers both at once. It is compared like with like: with an effect for each technician beside R's strata, and
without beside libraries that leave them out (or take very long with them), whose ratios careless technicians draw off.
scikit-survival knows no late entry, and lifelines takes hours with it, so of them no halves.
Prints seconds of the whole process by the clock and of the processor, the processor's for the fit alone (without
starting, importing, reading), peak memory, how many times ours each takes, and the largest difference of a ratio from
ours in standard errors. The processor's seconds are compared: others on the machine disturb them less.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
INSTALLS_A_TECHNICIAN = 330
GROUPS = 8
PERIODS = 5  # pairs of years in which lives began
FIRST_DAY, DAYS = date(2014, 1, 1), 3652
TWO_YEARS_DAYS = 730
OUTCOME = "compressor_failure"
# log ratios (early, late) of the nine steps: invented
EFFECTS = np.array([(0, 0.9), (0, 0), (0, 0), (0.7, 0.9), (0, 0.4), (0, 0), (0.4, 0.6), (0, 0), (0.5, 0.5)])
RATE_A_YEAR = 0.012


@dataclass(frozen=True)
class Library:
    """task : the question it answers. by_technician : with a stratum or an effect for each, or without them."""

    library: str
    task: str
    by_technician: bool


LIBRARIES = {
    "ours": Library("ours", "both", True),
    "R coxph": Library("R", "halves", True),
    "R coxph (nine)": Library("R", "nine", True),
    "ours, no technicians": Library("ours", "both", False),
    "R coxph, none (nine)": Library("R", "nine", False),
    "lifelines (nine)": Library("lifelines", "nine", False),
    "scikit-survival (nine)": Library("sksurv", "nine", False),
    "statsmodels Poisson": Library("statsmodels", "halves", False),
}
# rows split at every age band with a column for each ratio do not fit into 16 GB beyond this
INSTALLS_AT_MOST = {"statsmodels Poisson": 250_000}


def invent(installs: int, folder: Path, seed: int = 7) -> int:
    """Write the cohort for everybody; returns how many failed."""
    rng = np.random.default_rng(seed)
    technicians = max(8, installs // INSTALLS_A_TECHNICIAN)
    technician = rng.integers(0, technicians, installs)
    careless = rng.normal(0, 1, technicians)
    base = np.log([0.25, 0.1, 0.15, 0.2, 0.2, 0.12, 0.2, 0.2, 0.1])
    habit = base - np.log1p(-np.exp(base)) + rng.normal(0, 0.7, (technicians, 9)) + 0.6 * careless[:, None]
    bad = rng.random((installs, 9)) < 1 / (1 + np.exp(-habit[technician]))
    group = rng.integers(0, GROUPS, installs)
    began = rng.integers(0, DAYS - 60, installs)
    period = np.searchsorted([(date(2014 + 2 * i, 1, 1) - FIRST_DAY).days for i in range(1, PERIODS)], began, "right")
    log_rate = 0.6 * careless[technician] + np.linspace(-0.3, 0.3, GROUPS)[group] + 0.05 * period
    early, late = (RATE_A_YEAR / 365.25 * np.exp(log_rate + bad @ EFFECTS[:, half]) for half in (0, 1))
    need = rng.exponential(1.0, installs)
    first = need / early
    fails = np.where(first <= TWO_YEARS_DAYS, first, TWO_YEARS_DAYS + (need - early * TWO_YEARS_DAYS) / late)
    followed = np.minimum(DAYS - began, rng.exponential(8 * 365.25, installs) + 180)
    event = fails <= followed
    stop = np.ceil(np.minimum(fails, followed))
    _write_pieces(folder, technician, bad, group, began, stop, event)
    others = np.concatenate(
        [np.eye(GROUPS, dtype=bool)[group][:, 1:], np.eye(PERIODS, dtype=bool)[period][:, 1:]], axis=1
    )
    _write_columns(folder / "nine", np.zeros(installs), stop, event, technician, bad, others)
    later = np.flatnonzero(stop > TWO_YEARS_DAYS)
    record = np.concatenate([np.arange(installs), later])
    is_late = np.arange(len(record)) >= installs
    halves = np.concatenate([bad[record] & ~is_late[:, None], bad[record] & is_late[:, None]], axis=1)
    end = np.where(is_late, stop[record], np.minimum(stop[record], TWO_YEARS_DAYS))
    _write_columns(
        folder / "halves", np.where(is_late, TWO_YEARS_DAYS, 0.0), end, event[record] & (end == stop[record]),
        technician[record], halves, others[record],
    )  # fmt: skip
    return int(event.sum())


def _write_columns(folder: Path, start, stop, event, technician, steps, others) -> None:
    folder.mkdir()
    x = np.concatenate([steps, others], axis=1)
    np.asfortranarray(x.astype(float)).ravel(order="F").tofile(folder / "x")
    for name, values in (("start", start), ("stop", stop), ("event", event), ("technician", technician)):
        values.astype(float).tofile(folder / name)
    (folder / "shape.txt").write_text(f"{x.shape[0]} {x.shape[1]}\n")


def _write_pieces(folder: Path, technician, bad, group, began, stop, event) -> None:
    """The tables that follow_up and outcome_event are in a store."""
    import duckdb
    import polars as pl

    from models.rate_cells import NOT_DONE
    from pipelines import cells
    from tests.models.invented_fleet import LAST_DAY, empty_store, house_rules

    empty = empty_store()
    cells.make_cells(empty, house_rules(), LAST_DAY)
    bands, places = empty.sql("select * from age_band").pl(), empty.sql("select * from step_place").pl()
    numbered = np.arange(len(stop))
    pieces = pl.DataFrame({
        "system_id": numbered, "life_no": np.ones(len(stop), dtype=np.int32), "technician_id": technician,
        "pattern": (bad @ (NOT_DONE * 6 ** np.arange(9))).astype(np.int32), "equipment_and_joints": group,
        "is_visited": np.zeros(len(stop), dtype=bool), "started_on": np.datetime64(FIRST_DAY) + began,
        "from_age": np.zeros(len(stop)), "to_age": stop,
    }).with_columns(
        system_id="S" + pl.col("system_id").cast(pl.String), technician_id="T" + pl.col("technician_id").cast(pl.String),
        equipment_and_joints="group " + pl.col("equipment_and_joints").cast(pl.String),
        started_on=pl.col("started_on").cast(pl.Date),
    )  # fmt: skip
    events = pieces.filter(pl.Series(event)).select("system_id", "life_no", age="to_age")
    events = events.with_columns(outcome=pl.lit(OUTCOME), in_follow_up=pl.lit(True))
    with duckdb.connect(str(folder / "pieces.duckdb")) as con:
        for name, frame in (
            ("follow_up", pieces),
            ("outcome_event", events),
            ("age_band", bands),
            ("step_place", places),
        ):
            con.register("frame", frame)
            con.execute(f"create table {name} as select * from frame")
            con.unregister("frame")


# each library in a process of its own ---------------------------------------------------------------------------------


def fit_ours(folder: Path, threads: int, by_technician: bool) -> dict:
    """From the table of pieces to the ratios: the cells' own SQL, their reading, one fit."""
    import duckdb
    from threadpoolctl import threadpool_limits

    from models import rate_cells, step_effect
    from pipelines import cells

    began = time.process_time()
    con = duckdb.connect(str(folder / "pieces.duckdb"), config={"threads": threads})
    if not by_technician:
        con.execute(
            "create temp view follow_up as select * replace ('all' as technician_id) from pieces.main.follow_up"
        )
    with threadpool_limits(1):
        for name in ("307_exposure_cell.sql", "308_event_cell.sql"):
            con.execute((cells.SQL_FOLDER / name).read_text(encoding="utf-8"))
        counted = time.process_time()
        read = rate_cells.read(con)
        spread = time.process_time()
        fitted = step_effect.StepEffects(read).fit(OUTCOME, "whole")
    ended = time.process_time()
    not_good = fitted.contrasts.index("not_good")
    return {
        "fit_s": ended - began, "counting_s": counted - began, "reading_cells_s": spread - counted,
        "fitting_s": ended - spread, "rows": read.rows,
        "halves": [fitted.effects[not_good].T.ravel().tolist(), fitted.errors[not_good].T.ravel().tolist()],
        "nine": [fitted.effects_all[not_good].tolist(), fitted.errors_all[not_good].tolist()],
    }  # fmt: skip


def _columns(folder: Path):
    rows, columns = (int(part) for part in (folder / "shape.txt").read_text().split())
    x = np.fromfile(folder / "x").reshape(columns, rows).T
    return x, *(np.fromfile(folder / name) for name in ("start", "stop", "event"))


def fit_lifelines(folder: Path, task: str) -> dict:
    import pandas as pd
    from lifelines import CoxPHFitter

    x, start, stop, event = _columns(folder / task)
    frame = pd.DataFrame(x).assign(stop=stop, event=event)
    late = {}
    if task == "halves":
        frame["start"], late = start, {"entry_col": "start"}
    began = time.process_time()
    fitted = CoxPHFitter().fit(frame, "stop", "event", **late)
    return _told(began, fitted.params_.to_numpy(), fitted.standard_errors_.to_numpy(), task)


def fit_sksurv(folder: Path, task: str) -> dict:
    from sksurv.linear_model import CoxPHSurvivalAnalysis
    from sksurv.util import Surv

    x, _, stop, event = _columns(folder / task)
    outcome = Surv.from_arrays(event == 1, stop)
    began = time.process_time()
    fitted = CoxPHSurvivalAnalysis(ties="breslow").fit(x, outcome)
    return _told(began, fitted.coef_, np.full(x.shape[1], np.nan), task)


def fit_statsmodels(folder: Path, task: str) -> dict:
    """Poisson regression of the records split at every age band, without technicians: what cells save."""
    import statsmodels.api as sm

    from models.step_effect import BAND_EDGES_YEARS

    x, start, stop, event = _columns(folder / task)
    began = time.process_time()
    edges = np.append(np.round(BAND_EDGES_YEARS * 365.25), np.inf)
    parts = []
    for band in range(len(edges) - 1):
        days = np.minimum(stop, edges[band + 1]) - np.maximum(start, edges[band])
        record = np.flatnonzero(days > 0)
        parts.append(
            (record, np.full(len(record), band), days[record], event[record] * (stop[record] <= edges[band + 1]))
        )
    record, band, days, came = (np.concatenate(part) for part in zip(*parts, strict=True))
    bands = np.unique(band, return_inverse=True)[1]
    design = np.concatenate([x[record], np.eye(bands.max() + 1)[bands]], axis=1)
    fitted = sm.GLM(came, design, family=sm.families.Poisson(), offset=np.log(days)).fit()
    columns = x.shape[1]
    return _told(began, fitted.params[:columns], fitted.bse[:columns], task)


def _told(began: float, coefficients: np.ndarray, errors: np.ndarray, task: str) -> dict:
    seconds, steps = time.process_time() - began, 9 if task == "nine" else 18
    return {"fit_s": seconds, task: [coefficients[:steps].tolist(), errors[:steps].tolist()]}


FITS = {"lifelines": fit_lifelines, "sksurv": fit_sksurv, "statsmodels": fit_statsmodels}


def _run(name: str, folder: Path, cores: int) -> dict:
    """One whole process: its seconds, its peak memory and what it found."""
    chosen = LIBRARIES[name]
    if chosen.library == "R":
        script = str(Path(__file__).with_name("reference_cox.R"))
        command = ["Rscript", "--vanilla", script, str(folder), chosen.task, str(int(chosen.by_technician))]
    else:
        command = [
            sys.executable, "-m", "tests.bench.references", "--library", chosen.library, "--task", chosen.task,
            "--folder", str(folder), "--cores", str(cores), *(["--by-technician"] if chosen.by_technician else []),
        ]  # fmt: skip
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": str(cores), "OMP_NUM_THREADS": str(cores)}
    began = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    if status:
        raise RuntimeError(f"{name} ended with status {status}")
    if chosen.library == "R":
        found = _from_r(folder / chosen.task / "r.csv", chosen.task)
    else:
        found = json.loads((folder / "answer.json").read_text())
    processor = usage.ru_utime + usage.ru_stime
    return {**found, "whole_s": seconds, "processor_s": processor, "memory_mb": usage.ru_maxrss / 1024}


def _from_r(file: Path, task: str) -> dict:
    table = np.loadtxt(file, delimiter=",")
    steps = 9 if task == "nine" else 18
    return {"fit_s": table[0, 1], task: [table[1 : steps + 1, 0].tolist(), table[1 : steps + 1, 1].tolist()]}


def _report(results: dict[str, list[dict]]) -> None:
    def median(name: str, what: str) -> float:
        return statistics.median(one[what] for one in results[name])

    print(
        f"\n{'':24}{'wall s':>8}{'processor s':>13}{'fit s':>8}{'MB':>7}{'x processor':>13}{'x fit':>8}"
        f"{'largest difference, se':>24}"
    )
    for name in results:
        own = "ours" if LIBRARIES[name].by_technician else "ours, no technicians"
        apart = (
            "" if name == own else f"{_largest_difference(results[name][0], results[own][0], LIBRARIES[name].task):.2f}"
        )
        whole, fit = (median(name, what) / median(own, what) for what in ("processor_s", "fit_s"))
        print(
            f"{name:24}{median(name, 'whole_s'):8.2f}{median(name, 'processor_s'):13.2f}{median(name, 'fit_s'):8.2f}"
            f"{median(name, 'memory_mb'):7.0f}{whole:13.1f}{fit:8.1f}{apart:>24}"
        )
    for own in ("ours", "ours, no technicians"):
        parts = (f"{what} {median(own, what + '_s'):.2f} s" for what in ("counting", "reading_cells", "fitting"))
        print(f"{own}: {', '.join(parts)}; {results[own][0]['rows']:,} rows of cells")


def _largest_difference(theirs: dict, ours: dict, task: str) -> float:
    values, (own, errors) = np.array(theirs[task][0]), (np.array(part) for part in ours[task])
    return float(np.nanmax(np.abs(values - own) / errors))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--installs", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--only", nargs="+", default=list(LIBRARIES), help=f"of: {', '.join(LIBRARIES)}")
    for hidden in ("--library", "--task"):
        parser.add_argument(hidden, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--by-technician", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.library:
        _answer(asked)
    else:
        _compare(asked)


def _answer(asked: argparse.Namespace) -> None:
    """What a process of its own was started for."""
    if asked.library == "invent":
        found = {"failed": invent(asked.installs, asked.folder)}
    elif asked.library == "ours":
        found = fit_ours(asked.folder, asked.cores, asked.by_technician)
    else:
        found = FITS[asked.library](asked.folder, asked.task)
    (asked.folder / "answer.json").write_text(json.dumps(found))


def _compare(asked: argparse.Namespace) -> None:
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: asked.cores])
    with tempfile.TemporaryDirectory() as folder:
        # not in this process: on Linux a child's peak memory begins at its parent's
        command = [sys.executable, "-m", "tests.bench.references", "--library", "invent", "--folder", folder]
        subprocess.run([*command, "--installs", str(asked.installs)], cwd=ROOT, check=True)
        failed = json.loads((Path(folder) / "answer.json").read_text())["failed"]
        print(f"{asked.installs:,} installs, {failed:,} failures, {asked.cores} core(s), median of {asked.runs}")
        wanted = [name for name in LIBRARIES if name in {"ours", "ours, no technicians", *asked.only}]
        results: dict[str, list[dict]] = {
            name: [] for name in wanted if asked.installs <= INSTALLS_AT_MOST.get(name, asked.installs)
        }
        for name in set(wanted) - set(results):
            print(f"{name} is left out: more memory than most machines have beyond {INSTALLS_AT_MOST[name]:,} installs")
        for _ in range(asked.runs):
            for name, found in results.items():
                found.append(_run(name, Path(folder), asked.cores))
                print(f"  {name}: {found[-1]['whole_s']:.2f} s", file=sys.stderr, flush=True)
        _report(results)


if __name__ == "__main__":
    main()
