"""A small real store of result tables for the pages: invented jobs, and figures that add up.

Counts are worked out in SQL from the grades, so that what a page adds up can be held against the jobs it lists. The
ratios, chances and costs are made up to be drawn; they prove nothing about the trade.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipelines.contract import DUCKDB_TYPE, STEPS, TABLES
from pipelines.store import Store
from tests.dashboard.small_returns import returns

AS_OF = dt.date(2025, 6, 30)
CREWS = ("Ash", "Birch", "Cedar", "Elm", "Hazel", "Larch")
STATES = ("passed", "failed", "ticked_only", "not_done", "no_record", "cannot_tell", "not_applicable")
QUANTITY = {
    "nitrogen_flow": ("flow_pressure", "psig", 2.0, 5.0),
    "pressure_test": ("pressure_drop_compensated", "psi", 0.6, 4.0),
    "evacuation": ("vacuum", "micron", 380.0, 500.0),
    "vacuum_rise": ("rise_end", "micron", 640.0, 1000.0),
    "charge": ("charge_deviation", "percent", 1.8, 5.0),
    "airflow": ("airflow_per_ton", "cfm", 386.0, 450.0),
    "charge_check": ("subcooling_deviation", "delta_degF", 1.4, 3.0),
    "electrical": ("compressor_current", "A", 11.2, 14.1),
}
_COUNTS = """
    count(*) filter (state <> 'not_applicable') as applicable,
    count(*) filter (state in ('passed','failed','ticked_only','not_done')) as known,
    count(*) filter (state = 'passed') as good, count(*) filter (state = 'failed') as failed,
    count(*) filter (state = 'ticked_only') as ticked_only, count(*) filter (state = 'not_done') as not_done,
    count(*) filter (state in ('not_done','ticked_only')) as skipped,
    count(*) filter (state in ('no_record','cannot_tell')) as unknown,
    count(*) filter (state = 'disputed') as disputed,
    good / nullif(known, 0) as rate, good / nullif(known + unknown, 0) as rate_if_unknown_bad,
    (good + unknown) / nullif(known + unknown, 0) as rate_if_unknown_good
"""


def make(
    folder: Path,
    *,
    jobs: int = 400,
    technicians: int = 12,
    crews: int = len(CREWS),
    all_unknown: bool = False,
    fitted: bool = True,
    seed: int = 7,
) -> Store:
    """A published store in `folder`.

    all_unknown : nothing was ticked or measured anywhere.
    fitted : False leaves out everything that a fit makes.
    """
    store = Store(folder)
    with store.write("load") as con:
        if jobs:
            _staged(con, np.random.default_rng(seed), jobs, technicians, crews, all_unknown)
            returns(con)
        _loads(con, jobs)
        if jobs and fitted:
            _compliance(con)
            _effects(con)
            _risk(con, np.random.default_rng(seed + 1))
            _training(con)
    return store


def _fill(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Rows into a staged table, the columns not given left empty."""
    con.register("frame", frame.to_arrow())
    names = ", ".join(frame.columns)
    con.execute(f"insert into {table} ({names}) select {names} from frame")
    con.unregister("frame")


def _put(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    con.register("frame", frame.to_arrow())
    con.execute(f"create or replace table {table} as select * from frame")
    con.unregister("frame")


def _staged(
    con: duckdb.DuckDBPyConnection,
    rng: np.random.Generator,
    jobs: int,
    technicians: int,
    crews: int,
    all_unknown: bool,
) -> None:
    who = [f"T{n:02d}" for n in range(1, technicians + 1)]
    named = [*CREWS, *(f"Crew {n:04d}" for n in range(crews - len(CREWS)))][:crews]
    crew = [named[n % min(len(named), max(1, technicians // 2))] for n in range(technicians)]
    origin = {"load_id": "L0001", "source_file": "book.csv"}
    _fill(
        con,
        "staged_technician",
        pl.DataFrame(
            {
                "technician_id": who,
                "name": [f"Person {n:02d}" for n in range(1, technicians + 1)],
                "crew": crew,
                "branch": ["North" if n % 2 else "South" for n in range(technicians)],
                **{key: [value] * technicians for key, value in origin.items()},
                "source_line": list(range(2, technicians + 2)),
            }
        ),
    )
    finished = [AS_OF - dt.timedelta(days=int(d)) for d in rng.integers(5, 2500, jobs)]
    lead = rng.integers(0, technicians, jobs)
    equipment = rng.choice(["split_ac", "split_heat_pump", "ductless", "packaged"], jobs, p=[0.4, 0.4, 0.1, 0.1])
    _fill(
        con,
        "staged_system",
        pl.DataFrame(
            {
                "system_id": [f"S{n:05d}" for n in range(jobs)],
                "site_id": [f"P{n:05d}" for n in range(jobs)],
                "area": rng.choice(["9401", "9402", "9403"], jobs),
                "equipment": equipment,
                "refrigerant": rng.choice(["R-410A", "R-32"], jobs),
                "nominal_tons": rng.choice([2.0, 3.0, 4.0], jobs),
                "metering": ["txv"] * jobs,
                "warranty_until": [day.replace(day=1) + dt.timedelta(days=3652) for day in finished],
                **{key: [value] * jobs for key, value in origin.items()},
                "source_line": list(range(2, jobs + 2)),
            }
        ),
    )
    _fill(
        con,
        "staged_job",
        pl.DataFrame(
            {
                "job_id": [f"J{n:05d}" for n in range(jobs)],
                "system_id": [f"S{n:05d}" for n in range(jobs)],
                "technician_id": [who[n] for n in lead],
                "job_kind": rng.choice(["new_install", "changeout"], jobs),
                "joints": ["brazed"] * jobs,
                "line_set_ft": rng.choice([25.0, 40.0], jobs),
                "line_set_reused": rng.choice([True, False], jobs),
                "installed_by": ["own_crew"] * jobs,
                "form": rng.choice(["sheet v1", "sheet v2"], jobs),
                "finished_on": finished,
                **{key: [value] * jobs for key, value in origin.items()},
                "source_line": list(range(2, jobs + 2)),
            }
        ),
    )
    skill = rng.normal(0, 0.6, technicians)
    grade_rows, reading_rows, step_rows = [], [], []
    order = 0
    for job in range(jobs):
        for step in STEPS:
            if equipment[job] == "packaged" and step in STEPS[:6] and step != "nitrogen_flow":
                state = "not_applicable"
            elif all_unknown:
                state = "no_record"
            else:
                bent = 1 / (1 + np.exp(-(1.7 - 0.12 * STEPS.index(step) + skill[lead[job]])))
                rest = np.array([0.25, 0.3, 0.2, 0.15, 0.1]) * (1 - bent)
                state = str(rng.choice(STATES[:6], p=[bent, *rest]))
            quantity, unit, usual, limit = QUANTITY.get(step, ("", "", None, None))
            has_value = state in ("passed", "failed") and usual is not None
            value = None
            if has_value and usual is not None and limit is not None:
                value = round(float(usual if state == "passed" else limit * 1.4) * float(rng.uniform(0.93, 1.05)), 2)
            grade_rows.append(
                (
                    f"J{job:05d}", f"S{job:05d}", who[lead[job]], "lead", step, state,
                    f"{step}-usual" if has_value else None, value, limit if has_value else None, unit or None,
                    _why(state, step, value, unit),
                )
            )  # fmt: skip
            if state != "not_applicable" and state != "no_record":
                step_rows.append((f"J{job:05d}", step, "not_done" if state == "not_done" else "done"))
            if has_value and step in ("evacuation", "vacuum_rise", "nitrogen_flow", "electrical"):
                order += 1
                taken = dt.datetime.combine(finished[job], dt.time(9, 30)) + dt.timedelta(
                    minutes=20 * STEPS.index(step)
                )
                reading_rows.append((f"J{job:05d}", step, quantity, value, unit, taken, order, f"{value} {unit}"))
    _put(
        con,
        "step_grade",
        pl.DataFrame(
            grade_rows,
            schema=["job_id", "system_id", "technician_id", "credited_by", "step", "state", "limit_id", "measured",
                    "limit_value", "unit", "why"],
            orient="row",
            schema_overrides={"measured": pl.Float64, "limit_value": pl.Float64, "limit_id": pl.String, "unit": pl.String},
        ),
    )  # fmt: skip
    if step_rows:
        _fill(con, "staged_step", pl.DataFrame(step_rows, schema=["job_id", "step", "ticked"], orient="row"))
    if reading_rows:
        readings = pl.DataFrame(
            reading_rows,
            schema=["job_id", "step", "quantity", "value", "unit", "taken_at", "reading_order", "original_value"],
            orient="row",
        ).with_columns(
            load_id=pl.lit("L0001"), source_file=pl.lit("readings.csv"), source_line=pl.col("reading_order") + 1,
            reading_no=pl.lit(1),
        )  # fmt: skip
        _fill(con, "staged_reading", readings)
    calls = max(1, jobs // 5)
    at = rng.integers(0, jobs, calls)
    _fill(
        con,
        "staged_call",
        pl.DataFrame(
            {
                "call_id": [f"C{n:05d}" for n in range(calls)],
                "system_id": [f"S{n:05d}" for n in at],
                "opened_on": [min(AS_OF, finished[n] + dt.timedelta(days=int(rng.integers(30, 900)))) for n in at],
                "call_kind": rng.choice(["callback", "repair", "maintenance"], calls),
                "finding": rng.choice(["compressor_burnout", "thermostat", "low_charge", "drain"], calls),
                "put_right": rng.choice([True, False], calls),
                **{key: [value] * calls for key, value in origin.items()},
                "source_line": list(range(2, calls + 2)),
            }
        ),
    )
    limits = [
        (
            f"{step}-usual",
            "usual",
            step,
            quantity,
            None,
            limit,
            "incl",
            unit,
            "",
            "common practice",
            "",
            "common practice",
            "",
        )
        for step, (quantity, unit, _, limit) in QUANTITY.items()
    ]
    _put(
        con,
        "limit_used",
        pl.DataFrame(
            limits,
            schema=["limit_id", "profile", "step", "quantity", "at_least", "at_most", "bound", "unit", "applies_to",
                    "source", "clause", "status", "note"],
            orient="row",
            schema_overrides={"at_least": pl.Float64},
        ),
    )  # fmt: skip
    con.execute(
        "create or replace table rejected_reading as select 'J00001' as job_id, 'airflow' as step, "
        "'airflow' as quantity, '1O2' as value, 'is not a number; expected cfm, such as 1200' as reason"
    )
    con.execute("create or replace table house_rule (name varchar, value varchar, is_guess boolean, changed_on date)")
    from pipelines.house_rules import HouseRules, as_rows

    con.executemany("insert into house_rule values (?, ?, ?, ?)", as_rows(HouseRules(), {}))


def _why(state: str, step: str, value: float | None, unit: str) -> str:
    return {
        "passed": f"{value} {unit} is within its limit." if value is not None else "Ticked; nothing to measure.",
        "failed": f"{value} {unit} is outside its limit." if value is not None else "Done in the wrong order.",
        "ticked_only": "Ticked as done; no reading proves it.",
        "not_done": "Recorded as not done.",
        "no_record": "Nothing was recorded.",
        "cannot_tell": "The reading is too short to be judged.",
        "not_applicable": "A packaged unit comes charged and sealed.",
    }[state]


def _loads(con: duckdb.DuckDBPyConnection, jobs: int) -> None:
    at = dt.datetime(2025, 7, 1, 6, 0)
    # inserted by name into the loader's own tables
    rows = [
        ("L0001", at, at + dt.timedelta(seconds=9), "book.csv", 120_000, "ab" * 32, "", jobs + 5, jobs, 0, 0, 3, 2, 1, None),
        ("L0001", at, at + dt.timedelta(seconds=9), "readings.csv", 90_000, "cd" * 32, "", 2 * jobs, 2 * jobs, 0, 0, 0, 0, 0, None),
    ]  # fmt: skip
    con.executemany(
        "insert into load_run (load_id, started_at, ended_at, source_file, bytes, sha256, mapping, rows_read, rows_new, "
        "rows_changed, rows_unchanged, rows_rejected, rows_passed_over, values_rejected, undone_at) "
        "values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        rows,
    )
    con.executemany(
        "insert into rejected_row (load_id, source_file, source_line, scope, table_name, column_name, value, reason, "
        "row_as_text) values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                "L0001",
                "book.csv",
                14,
                "row",
                "jobs",
                "job_id",
                "",
                "the key is empty; expected a job number",
                ",S9,T01",
            ),
            ("L0001", "book.csv", 88, "row", "jobs", "system_id", "S9", "no such system; load systems first", "J9,S9"),
            ("L0001", "book.csv", 90, "row", "jobs", "system_id", "S8", "no such system; load systems first", "J8,S8"),
            (
                "L0001",
                "book.csv",
                91,
                "value",
                "jobs",
                "line_set_ft",
                "4O",
                "is not a number; expected ft, such as 40",
                "",
            ),
        ],
    )


def _compliance(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        f"""
        create or replace table technician_step as
        with credited as (
            select technician_id, step, state from step_grade
            union all select technician_id, 'all', state from step_grade
        ), counted as (
            select technician_id, t.crew, t.branch, step, {_COUNTS}
            from credited left join staged_technician t using (technician_id)
            group by technician_id, t.crew, t.branch, step
        )
        select *, rate as rate_adjusted, greatest(0, rate - 1.5 / sqrt(known + 4)) as rate_low,
            least(1, rate + 1.5 / sqrt(known + 4)) as rate_high,
            sum(good) over w / nullif(sum(known) over w, 0) as fleet_rate,
            sum(good) over w / nullif(sum(known) over w, 0) as target,
            greatest(0, fleet_rate - 0.9 / sqrt(known + 1)) as limit_low_95,
            least(1, fleet_rate + 0.9 / sqrt(known + 1)) as limit_high_95,
            greatest(0, fleet_rate - 1.5 / sqrt(known + 1)) as limit_low_998,
            least(1, fleet_rate + 1.5 / sqrt(known + 1)) as limit_high_998,
            case when known < 20 then 'too_few' when rate < fleet_rate - 0.18 then 'below'
                when rate > fleet_rate + 0.18 then 'above' else 'usual' end as flag,
            ticked_only > 0.5 * (known - good) as proof_missing, rate as recent_rate,
            case when known < 20 then 'too_few' else 'steady' end as change, null::date as changed_on
        from counted window w as (partition by step)
        """
    )
    con.execute(
        f"""
        create or replace table group_step as
        with grouped as (
            select 'crew' as group_kind, t.crew as "group", g.step, g.state
            from step_grade g left join staged_technician t using (technician_id)
            union all
            select 'branch', t.branch, g.step, g.state from step_grade g left join staged_technician t using (technician_id)
            union all
            select 'form', j.form, g.step, g.state from step_grade g join staged_job j using (job_id)
        )
        select group_kind, "group", step, {_COUNTS}, greatest(0, rate - 1 / sqrt(known + 4)) as low,
            least(1, rate + 1 / sqrt(known + 4)) as high
        from grouped group by group_kind, "group", step
        """
    )
    con.execute(
        f"""
        create or replace table month_step as
        with dated as (
            select date_trunc('month', j.finished_on)::date as month, '' as crew, g.step, g.state
            from step_grade g join staged_job j using (job_id)
        ), whole as (
            select any_value(date_trunc('month', j.finished_on))::date as month, '' as crew, 'whole_job' as step,
                case when count(*) filter (g.state in ('failed', 'ticked_only', 'not_done')) > 0 then 'failed'
                    when count(*) filter (g.state = 'passed') > 0 then 'passed' else 'no_record' end as state
            from step_grade g join staged_job j using (job_id) group by job_id
        )
        select month, crew, step, {_COUNTS}, 0.4 as limit_low_95, 0.98 as limit_high_95, 0.3 as limit_low_998,
            0.99 as limit_high_998, 0.7 as centre, greatest(0, rate - 0.1) as low, least(1, rate + 0.1) as high,
            '' as change
        from (from dated union all from whole) group by month, crew, step
        """
    )


def _effects(con: duckdb.DuckDBPyConnection) -> None:
    rows = []
    for outcome, strength in (("compressor_failure", 1.0), ("callback", 0.5)):
        for place, step in enumerate(STEPS):
            for band in ("early", "late"):
                ratio = float(np.exp(strength * (0.9 if place in (3, 4) and band == "early" else 0.12 * (place % 3))))
                width = 1.35 if place in (3, 4) else 1.7
                evidence = "clear" if ratio / width > 1.2 else "leaning" if ratio / width > 1 else "unclear"
                rows.append(
                    (
                        outcome, step, band, "not_good", ratio, ratio / width, ratio * width, ratio * 1.25, ratio * 0.96,
                        ratio * 0.96 / width, ratio * 0.96 * width, ratio**0.7, ratio**0.7 / 1.3, ratio**0.7 * 1.3,
                        60 + place, 1800.0, 25 + place, 500.0, 380, 20, 2.1, 1.4, 1.05, 0.41,
                        0.01 if evidence == "clear" else 0.3, evidence,
                    )
                )  # fmt: skip
    _put(
        con,
        "step_effect",
        pl.DataFrame(
            rows,
            schema=["outcome", "step", "age_band", "contrast", "hazard_ratio", "low", "high", "hazard_ratio_crude",
                    "hazard_ratio_calibrated", "low_calibrated", "high_calibrated", "hazard_ratio_shrunk", "low_shrunk",
                    "high_shrunk", "events", "system_years", "events_skipped", "system_years_skipped", "jobs_used",
                    "jobs_left_out", "e_value", "e_value_limit", "negative_control_ratio", "control_p_value", "q_value",
                    "evidence"],
            orient="row",
        ),
    )  # fmt: skip
    curves = []
    for step in STEPS:
        for arm, slope in (("good", 0.0006), ("not_good", 0.0016)):
            for month in range(0, 121, 3):
                level = 1 - float(np.exp(-slope * month))
                curves.append(
                    (
                        "compressor_failure",
                        step,
                        arm,
                        month,
                        300 - 2 * month,
                        month // 6,
                        level,
                        level * 0.7,
                        level * 1.4,
                    )
                )
    _put(
        con,
        "incidence",
        pl.DataFrame(
            curves,
            schema=["outcome", "step", "arm", "age_months", "at_risk", "events", "incidence", "low", "high"],
            orient="row",
        ),
    )
    _put(
        con,
        "step_cost",
        pl.DataFrame(
            {
                "step": ["evacuation", "vacuum_rise", "all"],
                "skipped_jobs_per_year": [21.0, 30.0, 40.0],
                "extra_callbacks_per_year": [2.2, 1.0, 3.0],
                "extra_compressor_failures_per_year": [1.4, 0.9, 2.1],
                "extra_cost_per_year": [4120.0, 2510.0, 6120.0],
                "low": [1800.0, 700.0, 3100.0],
                "high": [6900.0, 4600.0, 9900.0],
                "effects_used": [
                    "callback early (clear)",
                    "compressor_failure late (leaning)",
                    "2 effects, clear or leaning",
                ],
            }
        ),
    )
    con.execute(
        "create or replace table fit_note as select 'left_out' as topic, 'evacuation' as step, "
        "'20 jobs left out: none of their steps is known.' as text"
    )
    con.execute("create or replace table fit_run as select date '2025-06-30' as as_of, 11 as seed")


def _risk(con: duckdb.DuckDBPyConnection, rng: np.random.Generator) -> None:
    jobs = con.sql("select j.job_id, j.system_id, s.area, s.site_id, s.warranty_until, j.finished_on "
                       "from staged_job j join staged_system s using (system_id) order by 1").pl()  # fmt: skip
    n = jobs.height
    chance = np.sort(rng.beta(0.6, 30, n))[::-1]
    frames = []
    for horizon in (12, 24, 36):
        p = np.minimum(0.95, chance * horizon / 12)
        loss = p * 2400
        frames.append(
            jobs.select("system_id", "job_id", "site_id", "area", "warranty_until").with_columns(
                as_of=pl.lit(AS_OF), horizon_months=pl.lit(horizon), last_seen_on=pl.Series(jobs["finished_on"]),
                probability=pl.Series(p), low=pl.Series(p * 0.6), high=pl.Series(np.minimum(1, p * 1.6)),
                probability_if_good=pl.Series(p * 0.5), if_good_low=pl.Series(p * 0.3),
                if_good_high=pl.Series(p * 0.8), expected_loss=pl.Series(loss),
                visit_benefit=pl.Series(0.4 * loss - 150), rank=pl.Series(np.arange(1, n + 1)),
                rank_by_probability=pl.Series(np.arange(1, n + 1)), reasons=pl.lit("evacuation, vacuum_rise"),
                reason_shares=pl.lit("evacuation 0.61, vacuum_rise 0.24, charge (not known) 0.15"),
                check_on_visit=pl.lit("Suction and discharge temperature; compressor current"),
            )
        )  # fmt: skip
    _put(con, "install_risk", pl.concat(frames))
    rungs = [first for first in (1, 2, 5, 10, 20, 40, 80, 120, 250, 500) if first <= n]
    totals = []
    for horizon, frame in zip((12, 24, 36), frames, strict=True):
        for area in (None, *sorted(set(jobs["area"].drop_nulls()))):
            listed = frame["probability"] if area is None else frame.filter(pl.col("area") == area)["probability"]
            for first in (*[rung for rung in rungs if rung <= len(listed)], 0):
                held = float(listed.head(first).sum() if first else listed.sum())
                totals.append(
                    (horizon, area, None, first, first or len(listed), held, held * 0.8, held * 1.25, 0.4 * held,
                     0.3 * held, 0.5 * held)
                )  # fmt: skip
    _put(
        con,
        "risk_total",
        pl.DataFrame(
            totals,
            schema={"horizon_months": pl.Int32, "area": pl.String, "warranty_months": pl.Int32, "first": pl.Int64,
                    "systems": pl.Int64, "expected": pl.Float64, "low": pl.Float64, "high": pl.Float64,
                    "avoided": pl.Float64, "avoided_low": pl.Float64, "avoided_high": pl.Float64},
            orient="row",
        ),
    )  # fmt: skip
    said = [0.21, 0.09, 0.04, 0.02, 0.008]
    _put(
        con,
        "calibration",
        pl.DataFrame(
            {
                "cutoff": [dt.date(2024, 1, 1)] * 5,
                "horizon_months": [12] * 5,
                "group": ["highest 120", "tenth 1 of 10", "tenth 2 of 10", "tenth 3 of 10", "tenth 4 of 10"],
                "systems": [120, 120, 120, 120, 120],
                "said": said,
                "seen": [0.23, 0.08, 0.05, 0.018, 0.009],
                "low": [0.16, 0.04, 0.02, 0.005, 0.001],
                "high": [0.31, 0.14, 0.1, 0.05, 0.04],
                "said_low": [0.8 * value for value in said],
                "said_high": [1.2 * value for value in said],
            }
        ),
    )
    _put(
        con,
        "model_card",
        pl.DataFrame(
            {
                "outcome": ["compressor_failure"], "horizon_months": [12], "cutoff": [dt.date(2024, 1, 1)],
                "systems": [600], "events": [41], "auc": [0.78], "auc_low": [0.71], "auc_high": [0.84],
                "calibration_slope": [0.99], "calibration_intercept": [0.02], "brier": [0.05],
                "brier_of_base_rate": [0.06], "captured_top_2pct": [0.14], "captured_top_5pct": [0.3],
                "said": [0.05], "seen": [0.053],
            }
        ),
    )  # fmt: skip


def _training(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        """
        create or replace table training_need as
        select technician_id, crew, step, rate_adjusted, 0.9 as target, 0.9 - rate as gap, 0.6 * (0.9 - rate) as gap_cannot,
            0.2 * (0.9 - rate) as gap_not_done, 0.3 * (0.9 - rate) as gap_not_recorded, 0.1 * (0.9 - rate) as gap_no_tool,
            known / 6.0 as jobs_per_year,
            900 * (0.9 - rate) as saving_per_year, 300 * (0.9 - rate) as low, 1700 * (0.9 - rate) as high,
            case when rate < 0.7 then 'first' when rate < 0.8 then 'next' else 'later' end as priority,
            known, failed, not_done, ticked_only, unknown, rate_low, rate_high, null::date as last_taught_on
        from technician_step where step not in ('all', 'whole_job') and known >= 10 and rate < 0.88
        """
    )
    effect = {
        "technicians_trained": [18, 2], "technicians_compared": [40, 40],
        "change_in_rate": [0.14, None], "low": [0.08, None], "high": [0.2, None],
        "change_in_log_odds": [0.9, None], "log_odds_low": [0.5, None], "log_odds_high": [1.3, None],
        "placebo_change": [0.01, None], "placebo_low": [-0.04, None], "placebo_high": [0.06, None],
        "placebo_step": ["airflow", None], "pre_trend_p": [0.6, None], "pre_trend_p_kept": [0.7, None],
        "evidence": ["clear", "too_few"], "p_value": [0.001, None], "q_value": [0.001, None],
        "interval_method": ["clusters", None], "people_sent": [19, 3],
        "good_before": [300, 20], "known_before": [420, 30], "good_after": [410, 28], "known_after": [480, 40],
        "change_first_6_months": [0.16, None], "first_6_months_low": [0.08, None], "first_6_months_high": [0.24, None],
        "change_after_6_months": [0.13, None], "after_6_months_low": [0.06, None], "after_6_months_high": [0.2, None],
        "change_with_choosing_months": [0.15, None], "with_choosing_months_low": [0.09, None],
        "with_choosing_months_high": [0.21, None], "change_choosing_months": [-0.02, None],
        "choosing_months_low": [-0.09, None], "choosing_months_high": [0.05, None], "change_linear": [0.14, None],
        "trained_needed": [9, None],
        "note": ["", "2 of the 3 sent have known jobs on both sides: 2 more are needed, 4 people trained at least."],
    }  # fmt: skip
    steps = ["evacuation", "airflow"]
    _put(con, "training_effect", pl.DataFrame({"step": steps, **effect}))
    held = {"course": ["Deep vacuum", "Static evening"], "held_on": [dt.date(2024, 3, 12), dt.date(2025, 5, 6)]}
    _put(con, "course_effect", pl.DataFrame({**held, "step": steps, **effect}))
    half_years = range(-24, 24, 6)
    _put(
        con,
        "training_path",
        pl.DataFrame(
            {
                "step": "evacuation", "from_month": list(half_years), "to_month": [month + 6 for month in half_years],
                "kind": ["after" if month >= 0 else "choosing" if month == -6 else "before" for month in half_years],
                "change_in_rate": [0.14 if month >= 0 else 0.0 for month in half_years],
                "low": [0.05 if month >= 0 else -0.09 for month in half_years],
                "high": [0.23 if month >= 0 else 0.09 for month in half_years],
                "technicians_trained": 18, "technicians_compared": 40, "good": 90, "known": 110,
            }
        ),
    )  # fmt: skip


def columns_of(table: str) -> str:
    """The columns of a contract table as SQL, for a stand-in of the loader's own tables."""
    found = next(t for t in TABLES if t.name == table)
    return ", ".join(f"{column.name} {DUCKDB_TYPE[column.kind]}" for column in found.columns)
