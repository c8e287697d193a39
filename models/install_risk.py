"""Which systems that run today may lose their compressor, how likely, why, and what a visit could still put right.

Fixed technician effects explain, a gamma factor predicts: a technician with few jobs is drawn toward what goes with
practice such as his. The model's columns are in `risk_design`, how it is drawn together in `shrinkage`, how it runs with
age in `age_curve`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any

import duckdb
import numpy as np
import polars as pl

from models import practice as practices
from models import risk_chance, shrinkage
from models.practice import Practice
from models.profiled_rates import RateFit, fit_rates, gamma_shape_log_likelihood, slope_of_log_expected
from models.rate_cells import DAYS_A_YEAR, RateCells
from models.risk_chance import Chances, systems_of
from models.risk_design import Design, Layout
from models.risk_total import WARRANTY_MONTHS, Lists, risk_total_table
from models.risk_words import RiskWords
from models.shrinkage import Prior, Quadratic
from pipelines.contract import STEPS

OUTCOME = "compressor_failure"
HORIZONS = (12, 24, 36)
ROUNDS_AT_MOST = 4
MOVED_LITTLE = 0.08
START_SHAPE = 8.0
# a mild belief that technicians differ by a third: one technician alone says nothing about it
SHAPE_CENTRE, SHAPE_SD = 9.0, 1.5
SHAPE_GRID = np.exp(np.linspace(np.log(0.3), np.log(1000.0), 161))


@dataclass(frozen=True)
class RiskModel:
    """A fitted rate of compressor failure.

    layout : where each coefficient stands. fit : at the top of the posterior. shape : of the technicians' gamma factor,
    mean 1 before what goes with practice. log_spreads : see risk_design.SPREADS. practice : of the same day.
    technicians : names in the order of the fit's strata; practice_row : [technicians + 1] their rows in practice.
    slope_of_expected : [technicians, columns] how the log of each one's expected failures moves with the coefficients.
    unknown_weight : [2, steps] which part of a step's log ratio an unknown one has in the fit.
    """

    layout: Layout
    fit: RateFit
    shape: float
    log_spreads: np.ndarray
    technicians: list[str]
    practice: Practice
    practice_row: np.ndarray
    events: float
    slope_of_expected: np.ndarray = field(repr=False)
    prior: Prior = field(repr=False)
    likelihood: Quadratic = field(repr=False)
    unknown_weight: np.ndarray = field(repr=False)

    @property
    def coefficients(self) -> np.ndarray:
        return np.nan_to_num(self.fit.coefficients)

    @cached_property
    def not_good(self) -> np.ndarray:
        """[2, steps] log ratios of a step that is not good, early and late."""
        return self.layout.not_good(self.coefficients)

    @property
    def lean(self) -> np.ndarray:
        """[technicians + 1] of practice; the last for somebody not met yet."""
        return self.practice.lean[self.practice_row]

    def factors(self) -> np.ndarray:
        """[technicians + 1] how many times the failures of somebody like the fleet each one's systems have."""
        own = np.append(self.fit.stratum_factor(self.shape), 1.0)
        return own * np.exp(self.coefficients[self.layout.slices["practice"]][0] * self.lean)

    def draw_shapes(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """[draws] shapes of the gamma factor, as far as the technicians' failures leave it in doubt."""
        log = _shape_log_posterior(self.fit)
        chance = np.exp(log - log.max())
        return rng.choice(SHAPE_GRID, size=draws, p=chance / chance.sum())


def model_of(con: duckdb.DuckDBPyConnection, cells: RateCells, as_of: date) -> RiskModel | None:
    """The model as the store's records make it; None where no compressor has failed yet."""
    return fit_risk(cells, *beside_cells(con, cells, as_of))


def beside_cells(
    con: duckdb.DuckDBPyConnection, cells: RateCells, day: date, cutoff: date | None = None
) -> tuple[Practice, np.ndarray]:
    """What a fit takes beside the cells: practice on that day, and the mean age in years of each band's time.

    cutoff : the same day, where it is one of back_test_cutoff.
    """
    return practices.read(con, day), band_ages(con, cells, cutoff)


def band_ages(con: duckdb.DuckDBPyConnection, cells: RateCells, cutoff: date | None = None) -> np.ndarray:
    """[bands] mean age in years at which each band's time was spent: of the oldest band only the beginning is."""
    table, where = ("follow_up", "true") if cutoff is None else ("follow_up_then", "cutoff = $cutoff")
    # whole and half days, squared and added up: exact in any order
    found = con.sql(
        f"""
        with spent as (
            select band, greatest(from_age, from_days) as low, least(to_age, to_days) as high
            from {table} join age_band on to_age > from_days and from_age < to_days
            where {where}
        )
        select band, sum(high * high - low * low) / 2 / sum(high - low) from spent where high > low group by band
        """,
        params=None if cutoff is None else {"cutoff": cutoff},
    ).fetchall()
    ages = _middles(cells)
    for band, days in found:
        ages[band] = days / DAYS_A_YEAR
    return ages


def _middles(cells: RateCells) -> np.ndarray:
    # the last band is open: its time lies near its beginning
    return np.where(cells.to_years > 100, cells.from_years + 2, (cells.from_years + cells.to_years) / 2)


def fit_risk(
    cells: RateCells, practice: Practice | None = None, band_age_years: np.ndarray | None = None
) -> RiskModel | None:
    """The model of one store's cells; None where no compressor has failed yet.

    practice : of the day that the cells stand on; None takes everybody as the fleet. band_age_years : [bands] mean age at
    which each band's time was spent; None takes the bands' middles.
    """
    years, events = cells.of_outcome(OUTCOME)
    if events.sum() < 1:
        return None
    nobody = np.zeros((0, len(STEPS)))
    practice = practices.of_counts([], nobody, nobody) if practice is None else practice
    practice_row = practice.rows_of(cells.technicians)
    ages = _middles(cells) if band_age_years is None else band_age_years
    design = Design(cells, ages, years, events, practice.share_not_good[practice_row], practice.lean[practice_row[:-1]])
    layout, prior = design.layout, design.layout.prior()
    log_spreads, shape = prior.belief_centre.copy(), START_SHAPE
    start = np.zeros(layout.columns)
    start[layout.slices["age"].start] = np.log(events.sum() / design.years.sum())
    start[layout.slices["mean"]] = 0.3
    for last_round in range(ROUNDS_AT_MOST):
        precision = prior.precision(log_spreads)
        near = layout.not_good(start)
        unknown_weight, weighed = design.weigh_unknown(near), design.years_weighed(near)
        terms, bands = design.terms(precision, unknown_weight)
        fitted = fit_rates(design.rows, terms, weighed, design.events, shape, start, bands, design.band_events)
        start = np.nan_to_num(fitted.coefficients)
        likelihood = Quadratic.at(start, fitted.information, precision)
        if last_round == ROUNDS_AT_MOST - 1:
            break
        spreads, best_shape = shrinkage.spreads(prior, likelihood, log_spreads), _best_shape(fitted)
        moved = max(np.abs(spreads - log_spreads).max(), abs(np.log(best_shape / shape)))
        if moved < MOVED_LITTLE:
            break
        log_spreads, shape = spreads, best_shape
    slope = slope_of_log_expected(design.rows, terms, weighed, design.events, shape, bands, design.band_events, fitted)
    return RiskModel(
        layout, fitted, shape, log_spreads, cells.technicians, practice, practice_row, float(events.sum()), slope,
        prior, likelihood, unknown_weight,
    )  # fmt: skip


def _shape_log_posterior(fitted: RateFit) -> np.ndarray:
    """[shapes of SHAPE_GRID] with the coefficients held."""
    counts, expected = fitted.stratum_events, fitted.stratum_expected
    found = []
    for shape in SHAPE_GRID:
        held = RateFit(**{**fitted.__dict__, "log_likelihood": -float((counts + shape) @ np.log(expected + shape))})
        belief = (np.log(shape / SHAPE_CENTRE) / SHAPE_SD) ** 2
        found.append(gamma_shape_log_likelihood(held, float(shape)) - 0.5 * belief)
    return np.array(found)


def _best_shape(fitted: RateFit) -> float:
    """The gamma factor's likeliest shape: technicians vary by 1 / sqrt(shape)."""
    values = _shape_log_posterior(fitted)
    top = int(np.clip(np.argmax(values), 1, len(values) - 2))
    # the top of the parabola through the three highest
    left, middle, right = values[top - 1 : top + 2]
    curve = left - 2 * middle + right
    shift = 0.5 * (left - right) / curve if curve < 0 else 0.0
    width = np.log(SHAPE_GRID[1] / SHAPE_GRID[0])
    return float(SHAPE_GRID[top] * np.exp(np.clip(shift, -1, 1) * width))


def systems_in_service(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """One row for each system that runs: what the model looks at, and what the list shows beside it."""
    return con.sql(
        """
        select now.system_id, now.job_id, now.technician_id, now.pattern, now.equipment_and_joints, now.age,
            now.is_visited, now.last_seen_on, sys.site_id, coalesce(site.area, sys.area) as area, sys.warranty_until,
            (
                select min(months) from unnest($warranty_months) as soon(months)
                where sys.warranty_until >= run.as_of and sys.warranty_until < run.as_of + to_months(months::integer)
            )::double as warranty_within
        from system_now as now
        cross join cell_run as run
        left join staged_system as sys on sys.system_id = now.system_id
        left join staged_site as site on site.site_id = sys.site_id
        where now.fate = 'in_service'
        order by now.system_id
        """,
        params={"warranty_months": list(WARRANTY_MONTHS)},
    ).pl()


def install_risk_tables(
    con: duckdb.DuckDBPyConnection,
    model: RiskModel,
    rules: Any,
    failure_cost: float,
    as_of: date,
    seed: int,
    extra_spread: float = 0.0,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The tables `install_risk` (each system in service, for each horizon) and `risk_total`."""
    frame = systems_in_service(con)
    if frame.is_empty():
        return pl.DataFrame(), pl.DataFrame()
    chances = Chances(model, systems_of(frame, model))
    mendable = np.array([float(rules.mendable_share.get(step, 0.0)) for step in STEPS])
    after_visit = chances.best.after_visit(mendable)
    avoided = {}
    for months in HORIZONS:
        before, after = chances.expected(months), chances.expected(months, after_visit)
        avoided[months] = np.exp(-after) - np.exp(-before)
    benefit = {months: chance * failure_cost - float(rules.visit_cost) for months, chance in avoided.items()}
    rank = _order(benefit[HORIZONS[0]])
    lists = Lists.of(frame["area"].to_list(), frame["warranty_within"].fill_null(np.nan).to_numpy(), rank.to_numpy())
    groups = risk_chance.Groups(lists.group, lists.groups, mendable=mendable)
    found, sums = risk_chance.predict(chances, HORIZONS, seed, extra_spread=extra_spread, groups=groups)
    words = RiskWords(chances, dict(con.sql("select step, check_on_visit from visit_check").fetchall()))
    parts = []
    for months in HORIZONS:
        kept = found[months]
        parts.append(
            frame.select("system_id", "job_id", "site_id", "area", "last_seen_on", "warranty_until")
            .with_columns(
                as_of=pl.lit(as_of),
                horizon_months=pl.lit(months, dtype=pl.Int32),
                probability=pl.Series(kept.probability),
                low=pl.Series(kept.low),
                high=pl.Series(kept.high),
                probability_if_good=pl.Series(kept.if_good),
                if_good_low=pl.Series(kept.if_good_low),
                if_good_high=pl.Series(kept.if_good_high),
                expected_loss=pl.Series(kept.probability * failure_cost),
                visit_benefit=pl.Series(benefit[months]),
                rank=rank,
                rank_by_probability=_order(kept.probability),
            )
            .hstack(words.of(months))
            # in the order of the list, so that its head is read without the rest
            .sort("rank")
        )
    return pl.concat(parts), risk_total_table(lists, HORIZONS, found, avoided, sums, extra_spread)


def _order(values: np.ndarray) -> pl.Series:
    """1 for the largest; equal ones in the order of the systems' ids, so that two runs agree."""
    order = np.empty(len(values), dtype=np.int64)
    order[np.argsort(-np.round(values, 12), kind="stable")] = np.arange(1, len(values) + 1)
    return pl.Series(order)
