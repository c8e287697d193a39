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
    jobs_of = _jobs_a_year(con, as_of)
    money = {"callback": callback_cost * (1 - _counted_twice(con)), "compressor_failure": failure_cost}
    used = _effects_used(step_effect, tuple(money))
    expected = {outcome: _expected(effects, fits[outcome, "whole"], recent) for outcome in money}
    levels = decode(recent["pattern"].to_numpy()) if recent.height else np.zeros((0, len(STEPS)), dtype=int)
    early = recent["is_early"].to_numpy() if recent.height else np.zeros(0, dtype=bool)
    rng = np.random.default_rng(seed)
    stretches = {
        (outcome, half): _Stretch.of(used, fits[outcome, "whole"], outcome, half, expected[outcome], levels, early, rng)
        for outcome in money
        for half in ("early", "late")
    }
    rows = []
    for step in (*STEPS, "all"):
        extra, drawn, named = {}, np.zeros(DRAWS), []
        for (outcome, _), stretch in stretches.items():
            found = stretch.of_all() if step == "all" else stretch.of_step(step)
            if found is None:
                continue
            extra[outcome] = extra.get(outcome, 0.0) + found[0]
            drawn += found[1] * money[outcome]
            named += [effect.name for effect in stretch.effects if step in ("all", effect.step)]
        skipped, bad = jobs_of.get(step, (0, 0))
        low, high = np.quantile(drawn, [0.025, 0.975]) if extra else (None, None)
        rows.append({
            "step": step,
            "skipped_jobs_per_year": float(skipped),
            "not_good_jobs_per_year": float(bad),
            "extra_callbacks_per_year": extra.get("callback"),
            "extra_compressor_failures_per_year": extra.get("compressor_failure"),
            "extra_cost_per_year": sum(extra[outcome] * money[outcome] for outcome in extra) if extra else None,
            "low": low,
            "high": high,
            "effects_used": ", ".join(named) if step != "all" else f"{len(named)} effects, clear or leaning",
        })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _jobs_a_year(con: duckdb.DuckDBPyConnection, as_of: date) -> dict[str, tuple[int, int]]:
    """(not done or ticked only, not good) jobs of the last 12 months by step; under `all` jobs with at least one."""
    jobs = con.sql(
        """
        select case when grouping(step) = 1 then 'all' else step::varchar end as step,
            count(distinct job_id) filter (state in ('not_done', 'ticked_only')) as skipped,
            count(distinct job_id) filter (state in ('not_done', 'ticked_only', 'failed')) as not_good
        from fit_job_step
        where finished_on > $as_of::date - interval 12 month and step <> 'whole_job'
        group by grouping sets ((step), ())
        """,
        params={"as_of": as_of},
    ).pl()
    return {step: (skipped, bad) for step, skipped, bad in jobs.iter_rows()}


def _counted_twice(con: duckdb.DuckDBPyConnection) -> float:
    """Share of the callbacks that are the call about a dead compressor: its cost is in that of the failure already."""
    ((share,),) = con.sql(
        """
        select coalesce(avg((failure.call_id is not null)::double), 0)
        from outcome_event as callback
        left join outcome_event as failure
            on failure.outcome = 'compressor_failure' and failure.call_id = callback.call_id
        where callback.outcome = 'callback' and callback.in_follow_up
        """
    ).fetchall()
    return float(share)


@dataclass(frozen=True)
class _Effect:
    """A ratio that enters: log and standard error (calibrated), and the events of all jobs in its ages."""

    outcome: str
    step: str
    half: str
    log: float
    error: float
    all_events: float
    name: str


def _effects_used(step_effect: pl.DataFrame, outcomes: tuple[str, ...]) -> list[_Effect]:
    if step_effect.is_empty():
        return []
    rows = step_effect.filter(
        (pl.col("contrast") == "not_good")
        & pl.col("outcome").is_in(outcomes)
        & pl.col("age_band").is_in(["early", "late"])
        & pl.col("evidence").is_in(EVIDENCE_THAT_COUNTS)
    )
    return [
        _Effect(
            row["outcome"], row["step"], row["age_band"], float(np.log(row["hazard_ratio_calibrated"])),
            float(np.log(row["high_calibrated"] / row["hazard_ratio_calibrated"]) / Z95),
            max(float(row["events"]), 0.5), f"{row['outcome']} {row['age_band']} ({row['evidence']})",
        )
        for row in rows.sort(pl.col("step").cast(pl.Enum(STEPS))).iter_rows(named=True)
    ]  # fmt: skip


@dataclass(frozen=True)
class _Stretch:
    """One outcome, early or late: what is expected of each combination of the effects that act there.

    acts : [combinations, effects] 1 where the step was not good. expected : [combinations] events a year.
    log : [effects] log ratios, their draws [draws, effects]. expected_draws : [draws, combinations] what would have been
    expected with as many events as chance brings (all of the stretch), shared out as the drawn ratios say: had more
    of the jobs not good failed by chance, both the ratio and what is expected of them would be larger.
    """

    effects: list[_Effect]
    acts: np.ndarray
    expected: np.ndarray
    log: np.ndarray
    draws: np.ndarray
    expected_draws: np.ndarray

    @classmethod
    def of(
        cls,
        used: list[_Effect],
        fitted: EffectFit,
        outcome: str,
        half: str,
        expected: np.ndarray,
        levels: np.ndarray,
        early: np.ndarray,
        rng: np.random.Generator,
    ) -> _Stretch:
        effects = [effect for effect in used if (effect.outcome, effect.half) == (outcome, half)]
        here = early == (half == "early")
        number = len(effects)
        places = [STEPS.index(effect.step) for effect in effects]
        acts = np.isin(levels[here][:, places], NOT_GOOD) if number else np.zeros((int(here.sum()), 0), dtype=bool)
        code = acts @ (2 ** np.arange(number)) if number else np.zeros(len(acts), dtype=int)
        combination = np.arange(2**number)
        combined = ((combination[:, None] >> np.arange(number)) & 1).astype(float)
        each = np.bincount(code, expected[here], minlength=2**number)
        by_chance, by_calibration = _errors_together(effects, fitted, places, 0 if half == "early" else 1, rng)
        log = np.array([effect.log for effect in effects])
        drawn = each * np.exp(by_chance @ combined.T)
        total = drawn.sum(axis=1, keepdims=True)
        drawn *= each.sum() / np.where(total > 0, total, 1.0)
        if number:
            drawn *= rng.gamma(effects[0].all_events, 1 / effects[0].all_events, (DRAWS, 1))
        return cls(effects, combined, each, log, log + by_chance + by_calibration, drawn)

    def of_step(self, step: str) -> tuple[float, np.ndarray] | None:
        """(events a year beyond what the step's being good would have had, the same in each draw); None without effect."""
        for place, effect in enumerate(self.effects):
            if effect.step == step:
                acts = self.acts[:, place]
                saved = float(self.expected @ acts) * -np.expm1(-effect.log)
                return saved, (self.expected_draws @ acts) * -np.expm1(-self.draws[:, place])
        return None

    def of_all(self) -> tuple[float, np.ndarray] | None:
        """The same had all these steps been good: less than the steps' sum, since a job can fail but once for two reasons."""
        if not self.effects:
            return None
        saved = float(self.expected @ -np.expm1(-(self.acts @ self.log)))
        return saved, (self.expected_draws * -np.expm1(-(self.draws @ self.acts.T))).sum(axis=1)


def _errors_together(
    effects: list[_Effect], fitted: EffectFit, places: list[int], half: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """[draws, effects] errors of the log ratios: as they hang together in the fit; what calibration adds, alike for all."""
    number = len(effects)
    at = np.array(places, dtype=int) * 2 + half
    covariance = fitted.covariance[np.ix_(at, at)]
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    by_chance = rng.standard_normal((DRAWS, number)) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    error = np.array([effect.error for effect in effects])
    added = np.sqrt(np.maximum(error**2 - np.diag(covariance), 0.0))
    return by_chance, rng.standard_normal((DRAWS, 1)) * added


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
