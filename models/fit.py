"""Everything that is estimated from one store, in order, written into its result tables, and said as it goes."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import duckdb
import polars as pl
from threadpoolctl import threadpool_limits

from models import (
    adjusted_rates,
    back_test,
    compliance,
    evidence,
    fit_sentences,
    how_much_more,
    incidence,
    inspections,
    install_risk,
    rate_cells,
    record_doubt,
    results,
    sensitivity,
    step_cost,
    step_effect,
    step_spread,
    training_effect,
    training_need,
    visit_ledger,
    years_in_service,
)
from models.fit_sentences import Notes
from models.pace import read_pace
from models.rate_cells import DAYS_A_YEAR

# stored with the results: the same records and rules give the same figures
SEED = 20240703
FEW_FAILURES = 10


def fit(
    con: duckdb.DuckDBPyConnection,
    rules: Any,
    as_of: date | None = None,
    say: Callable[[str], None] = print,
    shared: Sequence[tuple[pl.DataFrame, pl.DataFrame]] = (),
) -> None:
    """Work out and write every result table of the store.

    Parameters
    ----------
    con : a writable generation in which `pipelines.cells.make_cells` has run with the same rules and day.
    rules : house rules (negative_control, target, mendable_share, visit_cost, failure_cost, callback_cost, ...).
    as_of : the day to stand on; None takes the one that the cells were made for.
    say : takes one sentence at a time.
    shared : (exposure, events) cells of each other contractor whose evidence is pooled with our own on what goes with a
        step (`pipelines.shared_cells`); compliance, risk and counts of jobs stay our own.

    A store with too little to estimate from gets empty or partly empty tables and sentences in `fit_note`; it never
    raises for want of data.
    """
    began = time.perf_counter()
    notes = Notes(say)
    run = con.sql("select as_of from cell_run").fetchall()
    known_day = run[0][0] if run else None
    if as_of is not None and known_day is not None and as_of != known_day:
        raise ValueError(f"the cells were made for {known_day}, not for {as_of}: make them again with that day")
    if known_day is None:
        for table in results.SCHEMA:
            results.write(con, table, None)
        notes.add("follow_up", "There is not one dated record yet, so nothing can be estimated.")
        results.write(con, "fit_note", notes.frame())
        notes.tell()
        return
    day = known_day

    compliance.prepare(con, day)
    try:
        # the matrices are small: threads would wait for each other far longer than they work
        with threadpool_limits(1):
            _fit(con, rules, day, notes, shared)
    finally:
        compliance.clear(con)
    results.write(con, "fit_note", notes.frame())
    notes.tell()
    say(
        f"Worked out in {time.perf_counter() - began:.1f} s. Everything noted: slowfuse export fit_note; every open "
        "question: slowfuse export evidence_needed."
    )


def _fit(
    con: duckdb.DuckDBPyConnection,
    rules: Any,
    day: date,
    notes: Notes,
    shared: Sequence[tuple[pl.DataFrame, pl.DataFrame]],
) -> None:
    control = str(rules.negative_control)
    # people's tables and the machines' know nothing of each other; temporary tables are seen on `con` alone
    earlier = back_test.read(con)
    with ThreadPoolExecutor(max_workers=1) as beside:
        of_people = beside.submit(_people_tables, con, rules, day)
        machines = con.cursor()
        found = _step_effects(machines, rules, day, shared)
        tried = earlier.back_test(SEED)
        risks = _risks(machines, found.cells, rules, day, tried.extra_spread)
        people = of_people.result()
    for name, frame in (people | found.tables | risks.tables).items():
        results.write(con, name, frame)
    technician_step, table, effects, cells = people["technician_step"], found.table, found.effects, found.cells
    totals = found.totals
    fit_sentences.say_compliance(technician_step, notes)
    fit_sentences.say_follow_up(totals, day, notes)
    fit_sentences.say_left_out(con, notes)
    if shared:
        fit_sentences.say_shared(cells, effects.cells, len(shared), notes)
    fit_sentences.say_effects(table, found.controls, control, notes)

    failure_cost, callback_cost = risks.failure_cost, risks.callback_cost
    cost = step_cost.step_cost_table(
        con, effects, found.fits, table, failure_cost.money, callback_cost.money, day, SEED
    )
    results.write(con, "step_cost", cost)
    fit_sentences.say_costs(
        {"compressor failure": failure_cost, "callback": callback_cost}, step_cost.RECORDS_AT_LEAST, notes
    )
    need = training_need.training_need_table(con, technician_step, cost, day, SEED)
    results.write(con, "training_need", need)
    trained = training_effect.training_tables(con, day, SEED)
    results.write(con, "training_effect", trained.effect)
    results.write(con, "course_effect", trained.course)
    results.write(con, "training_path", trained.path)
    too_few = (
        set() if trained.effect.is_empty() else set(trained.effect.filter(pl.col("evidence") == "too_few")["step"])
    )
    for step, text in trained.sentences:
        # how many more people it takes is said with what cannot be told yet
        notes.add("training", text, step, aloud=step not in too_few)

    results.write(con, "model_card", tried.model_card)
    results.write(con, "calibration", tried.calibration)
    for text in tried.notes:
        notes.add("back_test", text, aloud=False)
    fit_sentences.say_back_test(tried, notes)
    model, risk = risks.model, risks.tables["install_risk"]
    listed = risk["system_id"].n_unique() if risk.height else 0
    fit_sentences.say_risk(None if model is None else model.events, listed, FEW_FAILURES, notes)
    fit_sentences.say_fates(con, notes)
    pace = read_pace(con, cells, day)
    needed = how_much_more.evidence_needed_table(
        con, effects, cells, pace, table, technician_step, tried.model_card, control
    )
    results.write(con, "evidence_needed", needed)
    fit_sentences.say_needed(needed, pace.installs_per_year, notes)

    results.write(
        con,
        "fit_run",
        pl.DataFrame(
            [
                {
                    **totals,
                    "as_of": day,
                    "made_at": datetime.now().replace(microsecond=0),
                    "seed": SEED,
                    "heard_back_months": float(rules.heard_back_months),
                    "negative_control": control,
                    "failure_cost": failure_cost.money,
                    "callback_cost": callback_cost.money,
                    "failure_cost_is_guess": failure_cost.is_guess,
                    "callback_cost_is_guess": callback_cost.is_guess,
                    "technician_spread": None if model is None else model.shape**-0.5,
                }
            ],
            infer_schema_length=None,
        ),
    )


def _people_tables(con: duckdb.DuckDBPyConnection, rules: Any, day: date) -> dict[str, pl.DataFrame]:
    """What jobs say of people and groups, by table."""
    targets = {step: float(rate) for step, rate in dict(rules.target or {}).items() if rate is not None}
    mixes = adjusted_rates.JobMixes(con)
    return {
        "technician_step": compliance.technician_step(con, day, targets, mixes),
        "group_step": compliance.group_step(con, mixes),
        "month_step": compliance.month_step(con, mixes),
        "step_spread": step_spread.step_spread(con, mixes, SEED),
        "inspection_check": inspections.inspection_check(con),
        "inspection_draw": inspections.inspection_draw(con, day, SEED),
        "record_doubt": record_doubt.record_doubt_table(con, day),
    }


@dataclass(frozen=True)
class _StepEffects:
    """What goes with a step that is not good: the tables, and what later figures are worked out from.

    cells : the house's own, where `effects` may hold those of others too. table : `step_effect`.
    """

    cells: rate_cells.RateCells
    effects: step_effect.StepEffects
    totals: dict[str, Any]
    table: pl.DataFrame
    fits: dict[tuple[str, str], step_effect.EffectFit]
    controls: dict[str, evidence.Control]
    tables: dict[str, pl.DataFrame]


def _step_effects(
    con: duckdb.DuckDBPyConnection, rules: Any, day: date, shared: Sequence[tuple[pl.DataFrame, pl.DataFrame]]
) -> _StepEffects:
    cells = rate_cells.read(con)
    pooled = rate_cells.read(con, shared=shared) if shared else cells
    effects = step_effect.StepEffects(pooled, houses=1 + len(shared))
    totals = _totals(con, rules)
    table, fits, controls = step_effect.step_effect_table(
        effects, str(rules.negative_control), totals["jobs_used"], totals["jobs_left_out"]
    )
    tables = {
        "step_effect": table,
        "step_effect_sensitivity": sensitivity.sensitivity_table(effects, table),
        "incidence": incidence.incidence_table(con),
        "years_in_service": years_in_service.years_in_service_table(con, day),
    }
    return _StepEffects(cells, effects, totals, table, fits, controls, tables)


@dataclass(frozen=True)
class _Risks:
    """The chances of the systems in service; model is None where no compressor has failed yet."""

    model: install_risk.RiskModel | None
    failure_cost: step_cost.Cost
    callback_cost: step_cost.Cost
    tables: dict[str, pl.DataFrame]


def _risks(
    con: duckdb.DuckDBPyConnection, cells: rate_cells.RateCells, rules: Any, day: date, extra_spread: float
) -> _Risks:
    failure_cost, callback_cost = step_cost.costs(con, rules, day)
    model = install_risk.model_of(con, cells, day)
    risk, total, worth = pl.DataFrame(), pl.DataFrame(), pl.DataFrame()
    if model is not None:
        risk, total = install_risk.install_risk_tables(con, model, rules, failure_cost.money, day, SEED, extra_spread)
        worth = visit_ledger.visit_value_table(con, model, rules, failure_cost.money)
    tables = {"install_risk": risk, "risk_total": total, "visit_value": worth}
    return _Risks(model, failure_cost, callback_cost, tables)


def _totals(con: duckdb.DuckDBPyConnection, rules: Any) -> dict[str, Any]:
    """Jobs and time followed, events counted and not counted, and rates with both ends of follow-up."""
    (jobs, used), = con.sql(
        """
        with in_fit as (
            select distinct job_id
            from follow_up_step
            where not is_visited and state in ('passed', 'failed', 'ticked_only', 'not_done')
        )
        select count(*), count(in_fit.job_id) from staged_job left join in_fit using (job_id)
        """
    ).fetchall()  # fmt: skip
    ((systems, in_service),) = con.sql(
        "select count(*), count(*) filter (fate = 'in_service') from system_now"
    ).fetchall()
    found: dict[str, Any] = {
        "jobs": jobs, "jobs_used": used, "jobs_left_out": jobs - used,
        "systems": systems, "systems_in_service": in_service,
    }  # fmt: skip
    for outcome, plural, short in (
        ("compressor_failure", "compressor_failures", "failure"),
        ("callback", "callbacks", "callback"),
    ):
        ((years, counted, outside, years_to_end, all_events),) = con.sql(
            """
            with event as (select * from outcome_event where outcome = $outcome), followed as (
                select sum(greatest(least(piece.to_age, coalesce(event.age, piece.to_age)) - piece.from_age, 0))
                    / $days as years
                from follow_up as piece
                left join event on event.system_id = piece.system_id and event.life_no = piece.life_no
            ), whole as (
                select sum(greatest(least(datediff('day', entered_on, ended_on),
                    coalesce(event.age - datediff('day', started_on, entered_on), 1e9)), 0)) / $days as years
                from life
                left join event on event.system_id = life.system_id and event.life_no = life.life_no
                where entered_on is not null
            )
            select (select years from followed), (select count(*) from event where in_follow_up),
                (select count(*) from event where not in_follow_up), (select years from whole),
                (select count(*) from event)
            """,
            params={"outcome": outcome, "days": DAYS_A_YEAR},
        ).fetchall()
        years, years_to_end = float(years or 0), float(years_to_end or 0)
        found[plural] = counted
        found[f"{plural.removeprefix('compressor_')}_outside_follow_up"] = outside
        found[f"{short}_rate_per_year"] = counted / years if years else None
        found[f"{short}_rate_to_as_of"] = all_events / years_to_end if years_to_end else None
        if outcome == "compressor_failure":
            found["system_years"], found["system_years_to_as_of"] = years, years_to_end
    return found
