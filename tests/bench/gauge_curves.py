"""Are logged vacuum rises told rightly, and at what cost: invented curves with a known cause.

    .venv/bin/python -m tests.bench.gauge_curves --curves 6000 --seed 1 [--family judging] [--fits 200]

Prints the share told right, wrong and `cannot_tell` of clean and of hard logs, with binomial standard errors; what went
wrong; and the processor time of each curve beside a loop of scipy's curve_fit over the same samples, whose parameters
go through the same rules (sql/207). The bounds of data/gauge_facts.csv were set on the family `tuning` alone.
"""

from __future__ import annotations

import argparse
import collections
import time
import warnings

import duckdb
import numpy as np
import polars as pl
from scipy.optimize import OptimizeWarning, curve_fit

from pipelines import grades, staging
from pipelines.house_rules import HouseRules
from tests.bench.simulated_gauges import Curve, curves

READ_FROM_LOGS = (204, 205, 206, 207)
TAU_S = (30.0, 3600.0)


def store_of(logs: list[Curve]) -> duckdb.DuckDBPyConnection:
    """A store in memory with one job for each log."""
    con = duckdb.connect(config={"threads": 1})
    con.execute("set enable_progress_bar = false")
    staging.create_empty_tables(con)
    con.execute(f"create table staged_trace as {staging.empty_trace_select()}")
    con.execute("create table open_dispute (job_id varchar, step varchar)")
    con.execute("insert into staged_job (job_id) select 'J' || i from range($logs) as r(i)", {"logs": len(logs)})
    samples = pl.DataFrame(
        {
            "log": np.repeat(np.arange(len(logs)), [len(log.t) for log in logs]),
            "t": np.concatenate([log.t for log in logs]),
            "p": np.concatenate([log.p for log in logs]),
        }
    ).to_arrow()
    con.register("samples", samples)
    con.execute(
        "insert into staged_trace (job_id, step, attempt, quantity, elapsed_s, value) "
        "select 'J' || log, 'vacuum_rise', 1, 'vacuum', t, p from samples"
    )
    con.unregister("samples")
    return con


def verdicts(con: duckdb.DuckDBPyConnection) -> dict[int, str]:
    rows = con.execute("select substring(job_id, 2)::int, verdict from trace_verdict").fetchall()
    return {place: str(verdict) for place, verdict in rows}


def judge(logs: list[Curve]) -> tuple[list[str], list[str]]:
    """For each log what was told, and whether that is `right`, `wrong` or `cannot_tell` where more was asked."""
    con = store_of(logs)
    grades.grade(con, HouseRules())
    found = verdicts(con)
    told = [found.get(place, "cannot_tell") for place in range(len(logs))]
    how = [
        "right" if name in log.right else "cannot_tell" if name == "cannot_tell" else "wrong"
        for name, log in zip(told, logs, strict=True)
    ]
    return told, how


def _share(count: int, of: int) -> str:
    share = count / max(of, 1)
    return f"{100 * share:5.1f} % ({100 * np.sqrt(share * (1 - share) / max(of, 1)):.1f})"


def report(name: str, logs: list[Curve]) -> None:
    told, how = judge(logs)
    plain = [place for place, log in enumerate(logs) if not log.is_ambiguous]
    for words, places in (("all", range(len(logs))), ("that can be told", plain)):
        counts = collections.Counter(how[place] for place in places)
        print(
            f"{name}, {words} ({len(places)}): "
            + ", ".join(f"{key} {_share(counts[key], len(places))}" for key in ("right", "wrong", "cannot_tell"))
        )
    missed = collections.Counter(
        (log.truth, told[place], how[place]) for place, log in enumerate(logs) if how[place] != "right"
    )
    for (truth, said, kind), count in missed.most_common(8):
        print(f"    {kind:11} {count:4}  {truth} told as {said}")
    groups: dict[str, list[int]] = {}
    for place, log in enumerate(logs):
        for hardness in {word.split(" ")[0] if "noise" in word else word for word in log.hardness} | {log.shape}:
            groups.setdefault(hardness, []).append(place)
    for group, places in sorted(groups.items()):
        counts = collections.Counter(how[place] for place in places)
        print(f"    {group:32} {len(places):5}  right {_share(counts['right'], len(places))}  wrong {counts['wrong']}")


# --- the same by a loop


def _straight(t, level, slope):
    return level + slope * t


def _root(t, level, height):
    return level + height * np.sqrt(t)


def _bent(t, level, height, log_tau):
    return level + height * (1 - np.exp(-t / np.exp(np.clip(log_tau, *np.log(TAU_S)))))


def _both(t, level, height, log_tau, slope):
    return _bent(t, level, height, log_tau) + slope * t


def _fit(form, t, p, start) -> tuple[np.ndarray, float]:
    try:
        found, _ = curve_fit(form, t, p, p0=start, maxfev=2000)
    except RuntimeError:
        return np.asarray(start, dtype=float), float(np.sum((p - form(t, *start)) ** 2))
    return found, float(np.sum((p - form(t, *found)) ** 2))


def fit_by_loop(t: np.ndarray, p: np.ndarray) -> dict[str, float | None]:
    """The columns of `rise_fit` of one curve, from four fits of curve_fit to its samples."""
    span = float(p[-1] - p[0])
    straight, straight_rss = _fit(_straight, t, p, (p[0], span / t[-1]))
    root, root_rss = _fit(_root, t, p, (p[0], span / np.sqrt(t[-1])))
    bent, bent_rss = min((_fit(_bent, t, p, (p[0], span, np.log(tau))) for tau in (120, 500)), key=lambda f: f[1])
    both, both_rss = min(
        (_fit(_both, t, p, (p[0], span / 2, np.log(tau), span / t[-1] / 2)) for tau in (90, 300)), key=lambda f: f[1]
    )
    tau = float(np.exp(np.clip(both[2], *np.log(TAU_S))))
    bend = 1 - np.exp(-t / tau)
    n = len(t)
    ctt, cee, cte = n * np.var(t), n * np.var(bend), n * np.cov(t, bend, bias=True)[0, 1]
    bent_tau = float(np.exp(np.clip(bent[2], *np.log(TAU_S))))
    is_both = both[1] > 0 and both[3] > 0
    return {
        "n": n, "mean_t": float(np.mean(t)), "mean_p": float(np.mean(p)), "from_s": float(t[0]), "to_s": float(t[-1]),
        "straight_slope": straight[1], "straight_rss": straight_rss, "root_height": root[1], "root_rss": root_rss,
        "bent_tau": bent_tau, "bent_height": bent[1], "bent_rss": bent_rss if bent[1] > 0 else n * float(np.var(p)),
        "bent_mean_e": float(np.mean(1 - np.exp(-t / bent_tau))), "both_tau": tau,
        "both_slope": both[3] if is_both else None, "both_height": both[1] if is_both else None,
        "both_rss": both_rss if is_both else None, "both_spread": float(np.sqrt(cee / max(ctt * cee - cte**2, 1e-12))),
    }  # fmt: skip


def cost(logs: list[Curve], fits: int) -> None:
    """Processor time of each curve that needs a fit: in DuckDB from the samples on, and in a loop; and their verdicts."""
    con = store_of(logs)
    grades.grade(con, HouseRules())
    needing = _needing_fit(con)
    logs = [logs[place] for place in needing]
    con = store_of(logs)
    _run_to(con, 205)
    began = time.process_time()
    for number in READ_FROM_LOGS:
        _run_one(con, number)
    ours = (time.process_time() - began) / len(logs)
    by_sql = verdicts(con)
    chosen = min(fits, len(logs))
    rows = con.execute(
        "select substring(job_id, 2)::int, log_no, valve_s, top_s from log_level join rise_fit using (log_no) order by 1"
    ).fetchall()[:chosen]
    began = time.process_time()
    found = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OptimizeWarning)
        samples = con.sql(
            "select substring(job_id, 2)::int as place, elapsed_s, value from staged_trace "
            f"where place <= {rows[-1][0]} order by place, elapsed_s"
        ).pl()
        by_log = samples.partition_by("place", as_dict=True)
        for place, log_no, valve_s, top_s in rows:
            log = by_log[(place,)]
            t, p = log["elapsed_s"].to_numpy() - valve_s, log["value"].to_numpy()
            keep = (t >= 45) & (t < (np.inf if top_s is None else top_s))
            found.append({"log_no": log_no, **fit_by_loop(t[keep], p[keep])})
    loop = (time.process_time() - began) / chosen
    con.register("by_loop", pl.DataFrame(found, schema_overrides={"log_no": pl.UInt64}).to_arrow())
    con.execute(
        "create or replace temp table rise_fit as select by_loop.*, rise_fit.bins from by_loop join rise_fit "
        "using (log_no)"
    )
    con.execute("delete from log_level where log_no not in (select log_no from rise_fit)")
    _run_one(con, 207)
    by_loop = verdicts(con)
    same = sum(by_sql[place] == verdict for place, verdict in by_loop.items())
    print(
        f"cost of each curve, {len(logs)} curves of {np.mean([len(log.t) for log in logs]):.0f} samples: "
        f"{1e6 * ours:.0f} us in DuckDB, {1e6 * loop:.0f} us by a loop of {chosen}, {loop / ours:.0f} times; "
        f"the same verdict {_share(same, len(by_loop))}"
    )


def _values() -> dict[str, float]:
    return {row["name"]: float(row["value"]) for row in grades._csv("gauge_facts.csv")}


def _run_one(con: duckdb.DuckDBPyConnection, number: int) -> None:
    grades._run(con, number, _values())


def _keep_work_tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    return []


def _run_to(con: duckdb.DuckDBPyConnection, number: int) -> None:
    """Grade, and leave the tables that the files up to `number` and beyond read."""
    dropped = grades._work_tables
    grades._work_tables = _keep_work_tables
    try:
        grades.grade(con, HouseRules())
    finally:
        grades._work_tables = dropped


def _needing_fit(con: duckdb.DuckDBPyConnection) -> list[int]:
    _run_to(con, 205)
    rows = con.execute("select substring(job_id, 2)::int from log_level where needs_fit order by 1").fetchall()
    return [place for (place,) in rows]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--curves", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", choices=("judging", "tuning"), default="judging")
    parser.add_argument("--fits", type=int, default=200)
    asked = parser.parse_args()
    for hard in (False, True):
        logs = curves(asked.seed, asked.curves, judging=asked.family == "judging", hard=hard)
        report("hard" if hard else "clean", logs)
    cost(curves(asked.seed + 1, asked.curves, judging=True, hard=True), asked.fits)


if __name__ == "__main__":
    main()
