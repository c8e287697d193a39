"""What steps that were not good cost the house in a year: events beyond what good work would have had, times money.

Only effects that are `clear` or `leaning` enter; where there is none the answer is empty, which is not nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from models.evidence import Z95
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, decode
from models.step_effect import EffectFit, StepEffects
from pipelines.contract import STEPS

FAILURE_COST_GUESS, CALLBACK_COST_GUESS = 2400.0, 350.0
RECORDS_AT_LEAST = 5
DRAWS = 2000
EVIDENCE_THAT_COUNTS = ("clear", "leaning")


@dataclass(frozen=True)
class Cost:
    """Money for one event, and whether it is the house's guess for want of records."""

    money: float
    is_guess: bool
    records: int


def costs(con: duckdb.DuckDBPyConnection, rules, as_of: date) -> tuple[Cost, Cost]:
    """(compressor failure, callback): the house's setting, else the median of its own records, else a guess."""
    found = con.sql(
        """
        with priced as (
            select cost, coalesce(finding::varchar in ('compressor_burnout', 'compressor_mechanical'), false)
                as is_failure
            from staged_call
            where cost > 0 and opened_on <= $as_of
                and (call_kind::varchar in ('callback', 'repair', 'warranty')
                    or finding::varchar in ('compressor_burnout', 'compressor_mechanical'))
        )
        select median(cost) filter (is_failure), count(*) filter (is_failure),
            median(cost) filter (not is_failure), count(*) filter (not is_failure)
        from priced
        """,
        params={"as_of": as_of},
    ).fetchall()[0]

    def chosen(own: float | None, records: int, setting: float | None, guess: float) -> Cost:
        if setting is not None:
            return Cost(float(setting), False, records)
        if own is not None and records >= RECORDS_AT_LEAST:
            return Cost(float(own), False, records)
        return Cost(guess, True, records)

    return (
        chosen(found[0], found[1], rules.failure_cost, FAILURE_COST_GUESS),
        chosen(found[2], found[3], rules.callback_cost, CALLBACK_COST_GUESS),
    )


def step_cost_table(
    con: duckdb.DuckDBPyConnection,
    effects: StepEffects,
    fits: dict[tuple[str, str], EffectFit],
    step_effect: pl.DataFrame,
    failure_cost: float,
    callback_cost: float,
    as_of: date,
    seed: int,
) -> pl.DataFrame:
    """The table `step_cost`: extra events among jobs not good in the last 12 months of follow-up, and their cost."""
    recent = con.sql(
        """
        select technician_id, pattern, equipment_and_joints, is_early, year(started_on) // 2 as period,
            sum(least(to_age, age_now, to_days) - greatest(from_age, age_now - 365.25, from_days)) as days,
            band
        from (select *, datediff('day', started_on, $as_of::date) as age_now from follow_up where not is_visited)
        join age_band on to_age > from_days and from_age < to_days
        where least(to_age, age_now, to_days) > greatest(from_age, age_now - 365.25, from_days)
        group by all
        order by all
        """,
        params={"as_of": as_of},
    ).pl()
    jobs = con.sql(
        """
        select step::varchar as step,
            count(*) filter (state in ('not_done', 'ticked_only')) as skipped,
            count(*) filter (state in ('not_done', 'ticked_only', 'failed')) as not_good
        from fit_job_step
        where finished_on > $as_of::date - interval 12 month and step <> 'whole_job'
        group by 1
        """,
        params={"as_of": as_of},
    ).pl()
    jobs_of = {step: (skipped, bad) for step, skipped, bad in jobs.iter_rows()}
    rng = np.random.default_rng(seed)
    rows = []
    money = {"callback": callback_cost, "compressor_failure": failure_cost}
    expected = {outcome: _expected(effects, fits[outcome, "whole"], recent) for outcome in money}
    levels = decode(recent["pattern"].to_numpy()) if recent.height else np.zeros((0, len(STEPS)), dtype=int)
    early = recent["is_early"].to_numpy() if recent.height else np.zeros(0, dtype=bool)
    evidence = {
        (row["outcome"], row["step"], row["age_band"]): row
        for row in step_effect.filter(pl.col("contrast") == "not_good").iter_rows(named=True)
    } if step_effect.height else {}  # fmt: skip
    for number, step in enumerate(STEPS):
        extra, draws, used = {}, {}, []
        for outcome in money:
            gathered, drawn, any_used = 0.0, np.zeros(DRAWS), False
            for half in ("early", "late"):
                row = evidence.get((outcome, step, half))
                if row is None or row["evidence"] not in EVIDENCE_THAT_COUNTS:
                    continue
                any_used = True
                used.append(f"{outcome} {half} ({row['evidence']})")
                chosen = np.isin(levels[:, number], NOT_GOOD) & (early == (half == "early"))
                arm = float(expected[outcome][chosen].sum())
                ratio = row["hazard_ratio_calibrated"]
                log, error = np.log(ratio), np.log(row["high_calibrated"] / ratio) / Z95
                gathered += arm * (1 - 1 / ratio)
                counted = max(float(row["events_skipped"]), 0.5)
                drawn += arm * rng.gamma(counted, 1 / counted, DRAWS) * (1 - np.exp(-rng.normal(log, error, DRAWS)))
            if any_used:
                extra[outcome], draws[outcome] = gathered, drawn
        total = np.sum([draws[outcome] * money[outcome] for outcome in draws], axis=0) if draws else None
        low, high = np.quantile(total, [0.025, 0.975]) if total is not None else (None, None)
        skipped, bad = jobs_of.get(step, (0, 0))
        rows.append({
            "step": step,
            "skipped_jobs_per_year": float(skipped),
            "not_good_jobs_per_year": float(bad),
            "extra_callbacks_per_year": extra.get("callback"),
            "extra_compressor_failures_per_year": extra.get("compressor_failure"),
            "extra_cost_per_year": sum(extra[outcome] * money[outcome] for outcome in extra) if extra else None,
            "low": low,
            "high": high,
            "effects_used": ", ".join(used),
        })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _expected(effects: StepEffects, fitted: EffectFit, recent: pl.DataFrame) -> np.ndarray:
    """Events that the model expects in each row of the last year's follow-up."""
    cells = effects.cells
    if recent.is_empty() or not fitted.fit.has_converged:
        return np.zeros(recent.height)
    technicians = {name: number for number, name in enumerate(cells.technicians)}
    groups = {name: number for number, name in enumerate(cells.groups)}
    period = np.searchsorted(cells.periods, recent["period"].to_numpy())
    band = effects.band_place[recent["band"].to_numpy()]
    half = np.where(recent["is_early"].to_numpy(), 0, 1)
    pattern = effects.split_rows("whole").pattern_place[
        np.searchsorted(cells.pattern_codes, recent["pattern"].to_numpy())
    ]
    technician = recent["technician_id"].replace_strict(technicians, return_dtype=pl.Int64).to_numpy()
    group = recent["equipment_and_joints"].replace_strict(groups, return_dtype=pl.Int64).to_numpy()
    eta = fitted.linear_at([pattern * 2 + half, group * len(cells.periods) + period, band])
    factor = fitted.fit.stratum_factor()[technician]
    counted = fitted.fit.stratum_events[technician] > 0
    return np.where(counted, recent["days"].to_numpy() / DAYS_A_YEAR * np.exp(np.clip(eta, -60, 10)) * factor, 0.0)
