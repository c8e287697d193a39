"""Which systems that run today may lose their compressor, how likely, why, and what a visit could still put right.

Fixed technician effects explain, a gamma factor predicts: a technician with few jobs is drawn toward the rest. Age is
smooth, since a free age band that nobody has reached yet has no rate of its own.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy import optimize

from models.profiled_rates import (
    RateFit,
    Rows,
    Term,
    fit_rates,
    gamma_shape_log_likelihood,
    slope_of_log_expected,
)
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, UNKNOWN, RateCells, decode
from pipelines.contract import STEPS

OUTCOME = "compressor_failure"
HORIZONS = (12, 24, 36)
EARLY_YEARS = 2.0
DRAWS = 120
SHAPE_ROUNDS = 3
# standard deviations of the priors: they matter where a fleet is small and vanish where it is large
STEP_SD, GROUP_SD, VISITED_SD, AGE_SD, LOG_AGE_SD = 0.5, 0.4, 0.5, 0.2, 1.0
GRID_A_YEAR = 52
GRID_YEARS = 70
SMALLEST_REASON = np.log(1.05)
LOOK_FIRST = "Temperatures, current and static pressure first, without gauges"


@dataclass(frozen=True)
class RiskModel:
    """A fitted rate of compressor failure.

    coefficients, covariance : of [early not good, late not good, early unknown, late unknown (steps each), groups, visited,
        intercept, age, log(1 + age)]. shape : of the technicians' gamma factor.
    """

    fit: RateFit
    shape: float
    technicians: dict[str, int]
    groups: dict[str, int]
    slope_of_expected: np.ndarray
    events: float
    covariance: np.ndarray = field(repr=False)

    @property
    def coefficients(self) -> np.ndarray:
        return np.nan_to_num(self.fit.coefficients)

    def parts(self, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
        """(not good [2, steps], age [3], groups, visited) of a vector of coefficients."""
        steps = len(STEPS)
        return (
            coefficients[: 2 * steps].reshape(2, steps),
            coefficients[-3:],
            coefficients[4 * steps : -4],
            float(coefficients[-4]),
        )


def fit_risk(cells: RateCells) -> RiskModel | None:
    """The model of one store's cells; None where no compressor has failed yet."""
    years, events = cells.of_outcome(OUTCOME)
    if events.sum() < 1:
        return None
    steps = len(STEPS)
    bad = np.isin(cells.levels, NOT_GOOD).astype(float)
    unknown = (cells.levels == UNKNOWN).astype(float)
    # which steps are not good, and which unknown, is all that the model sees of a pattern
    kinds, pattern_place = np.unique(np.concatenate([bad, unknown], axis=1), axis=0, return_inverse=True)
    pattern_place = pattern_place.ravel()
    bad, unknown = kinds[:, :steps], kinds[:, steps:]
    by_half = np.zeros((2 * len(bad), 4 * steps))
    by_half[0::2, :steps], by_half[1::2, steps : 2 * steps] = bad, bad
    by_half[0::2, 2 * steps : 3 * steps], by_half[1::2, 3 * steps :] = unknown, unknown
    # the last band is open: its time lies near its beginning
    middle = np.where(cells.to_years > 100, cells.from_years + 2, (cells.from_years + cells.to_years) / 2)
    age = np.stack([np.ones(len(middle)), middle, np.log1p(middle)], axis=1)
    half, number, groups = np.where(cells.is_early[cells.band], 0, 1), len(middle), max(len(cells.groups), 1)
    key = (cells.technician * len(bad) + pattern_place[cells.pattern]) * groups + cells.group
    keys, place = np.unique((key * 2 + cells.is_visited) * 2 + half, return_inverse=True)
    rest = keys // 4
    rows = Rows(
        rest // groups // len(bad),
        len(cells.technicians),
        [rest // groups % len(bad) * 2 + keys % 2, rest % groups, keys // 2 % 2],
        [2 * len(bad), len(cells.groups), 2],
    )
    row_years = np.bincount(place * number + cells.band, years, minlength=len(keys) * number).reshape(-1, number)
    row_events = np.bincount(place, events, minlength=len(keys))
    band_events = np.bincount(cells.band, events, minlength=number)
    terms = [
        Term(by_half, precision=np.full(4 * steps, 1 / STEP_SD**2)),
        Term(np.eye(len(cells.groups)), precision=np.full(len(cells.groups), 1 / GROUP_SD**2)),
        Term(np.array([[0.0], [1.0]]), precision=np.array([1 / VISITED_SD**2])),
    ]
    bands = Term(age, is_levels=False, precision=np.array([1e-4, 1 / AGE_SD**2, 1 / LOG_AGE_SD**2]))
    shape = 5.0
    start = np.zeros(sum(term.columns for term in terms) + bands.columns)
    start[-3] = np.log(events.sum() / years.sum())
    fitted = fit_rates(rows, terms, row_years, row_events, shape, start, bands, band_events)
    for _ in range(SHAPE_ROUNDS):
        best = _best_shape(fitted)
        if abs(np.log(best / shape)) < 0.02:
            break
        shape = best
        fitted = fit_rates(rows, terms, row_years, row_events, shape, fitted.coefficients, bands, band_events)
    slope = slope_of_log_expected(rows, terms, row_years, row_events, shape, bands, band_events, fitted)
    return RiskModel(
        fit=fitted,
        shape=shape,
        technicians={name: number for number, name in enumerate(cells.technicians)},
        groups={name: number for number, name in enumerate(cells.groups)},
        slope_of_expected=slope,
        events=float(events.sum()),
        covariance=fitted.covariance,
    )


def _best_shape(fitted: RateFit) -> float:
    """The gamma factor's shape that fits best with the coefficients held: technicians vary by 1 / sqrt(shape)."""
    counts, expected = fitted.stratum_events, fitted.stratum_expected

    def cost(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        held = RateFit(
            **{
                **fitted.__dict__,
                "log_likelihood": -float((counts + shape) @ np.log(expected + shape)),
            }
        )
        # a mild belief that technicians differ by a third: one technician alone says nothing about it
        return -gamma_shape_log_likelihood(held, shape) + 0.5 * ((log_shape - np.log(9.0)) / 1.5) ** 2

    found: Any = optimize.minimize_scalar(cost, bounds=(np.log(0.3), np.log(1000.0)), method="bounded")
    return float(np.exp(found.x))


@dataclass(frozen=True)
class Systems:
    """Systems to judge on one day: ids aside, what the model looks at. [systems] each; levels is [systems, steps]."""

    technician: np.ndarray
    group: np.ndarray
    age_years: np.ndarray
    is_visited: np.ndarray
    pattern: np.ndarray
    pattern_levels: np.ndarray


def systems_of(frame: pl.DataFrame, model: RiskModel) -> Systems:
    """From a frame with technician_id, equipment_and_joints, age [days], is_visited, pattern."""
    patterns, place = np.unique(frame["pattern"].to_numpy(), return_inverse=True)
    return Systems(
        # whom or what the model has not met stands at the end: number -1 takes the average
        technician=frame["technician_id"]
        .replace_strict(model.technicians, default=-1, return_dtype=pl.Int64).to_numpy(),
        group=frame["equipment_and_joints"]
        .replace_strict(model.groups, default=-1, return_dtype=pl.Int64).to_numpy(),
        age_years=frame["age"].to_numpy() / DAYS_A_YEAR,
        is_visited=frame["is_visited"].to_numpy().astype(float),
        pattern=place,
        pattern_levels=decode(patterns),
    )  # fmt: skip


class Predictor:
    """Rates integrated over horizons, for the same systems under many sets of coefficients.

    share_not_good : [technicians + 1, steps] what share of a step is not good where nothing is known (the last row is
        the fleet's).
    """

    def __init__(self, model: RiskModel, systems: Systems, share_not_good: np.ndarray) -> None:
        self.model, self.systems, self.share = model, systems, share_not_good
        levels = systems.pattern_levels
        self.bad = np.isin(levels, NOT_GOOD).astype(float)
        unknown = levels == UNKNOWN
        has_unknown = unknown.any(axis=1)[systems.pattern]
        # unknown steps take the technician's own share: worked out once for each technician and pattern
        pair = systems.technician[has_unknown] * len(levels) + systems.pattern[has_unknown]
        pairs, self.pair_place = np.unique(pair, return_inverse=True)
        self.with_unknown = np.flatnonzero(has_unknown)
        self.pair_technician = np.floor_divide(pairs, max(len(levels), 1))
        self.pair_unknown = unknown[pairs % max(len(levels), 1)] if len(levels) else unknown
        grid = np.arange(GRID_YEARS * GRID_A_YEAR + 1) / GRID_A_YEAR
        self.grid_basis = np.stack([np.ones(len(grid)), grid, np.log1p(grid)], axis=1)
        self.age_at = np.minimum(np.round(systems.age_years * GRID_A_YEAR), len(grid) - 1).astype(int)
        self.two_years = round(EARLY_YEARS * GRID_A_YEAR)

    def log_steps(self, not_good: np.ndarray) -> np.ndarray:
        """[systems, 2] log ratio of the steps, early and late. not_good : [2, steps] log ratios."""
        by_pattern = self.bad @ not_good.T
        log = by_pattern[self.systems.pattern]
        if len(self.with_unknown):
            extra = np.zeros((len(self.pair_technician), 2))
            for half in (0, 1):
                by_technician = np.log1p(self.share * np.expm1(not_good[half]))
                extra[:, half] = (by_technician[self.pair_technician] * self.pair_unknown).sum(axis=1)
            log[self.with_unknown] += extra[self.pair_place]
        return log

    def cumulative(self, coefficients: np.ndarray, factor: np.ndarray, log_steps: np.ndarray | None, months: int):
        """[systems] expected failures over the horizon. factor : [technicians + 1]."""
        not_good, age, groups, visited = self.model.parts(coefficients)
        rate = np.exp(np.clip(self.grid_basis @ age, -40, 5))
        gathered = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 / GRID_A_YEAR)])
        last = len(gathered) - 1
        begin = gathered[self.age_at]
        end_at = np.minimum(self.age_at + round(months / 12 * GRID_A_YEAR), last)
        edge = gathered[self.two_years]
        end = gathered[end_at]
        early = np.minimum(end, edge) - np.minimum(begin, edge)
        late = np.maximum(end, edge) - np.maximum(begin, edge)
        group = np.append(groups, 0.0)[self.systems.group]
        common = np.exp(group + visited * self.systems.is_visited) * factor[self.systems.technician]
        steps = self.log_steps(not_good) if log_steps is None else log_steps
        return common * (early * np.exp(steps[:, 0]) + late * np.exp(steps[:, 1]))

    def factor(self, rng: np.random.Generator | None = None, shift: np.ndarray | None = None) -> np.ndarray:
        """[technicians + 1] the gamma factors' means, or one draw of them at coefficients moved by `shift`."""
        model = self.model
        counts = np.append(model.fit.stratum_events, 0.0)
        expected = np.append(model.fit.stratum_expected, 0.0)
        if rng is None or shift is None:
            return (counts + model.shape) / (expected + model.shape)
        moved = np.append(np.exp(np.clip(model.slope_of_expected @ shift, -5, 5)), 1.0)
        return rng.gamma(counts + model.shape) / (expected * moved + model.shape)


def predict(
    predictor: Predictor, horizons: tuple[int, ...], seed: int, extra_spread: float = 0.0, draws: int = DRAWS
) -> dict[int, dict[str, np.ndarray]]:
    """For each horizon: probability, low, high, probability_if_good, [systems] each.

    extra_spread : standard deviation of log(said / seen) between back-test years, added to the draws' own.
    """
    model = predictor.model
    coefficients = model.coefficients
    factor = predictor.factor()
    size = len(predictor.systems.age_years)
    none = np.zeros((size, 2))
    found = {}
    for months in horizons:
        found[months] = {
            "expected": predictor.cumulative(coefficients, factor, None, months),
            "if_good": predictor.cumulative(coefficients, factor, none, months),
        }
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh((model.covariance + model.covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = []
    for _ in range(draws):
        shift = root @ rng.standard_normal(len(coefficients))
        drawn.append((coefficients + shift, predictor.factor(rng, shift)))
    # always two halves, each added up in its order: the same figures on any number of cores
    with ThreadPoolExecutor(max_workers=2) as pool:
        halves = list(pool.map(lambda part: _log_sums(predictor, part, horizons), (drawn[::2], drawn[1::2])))
    for months in horizons:
        found[months]["sum"] = halves[0][months][0] + halves[1][months][0]
        found[months]["squares"] = halves[0][months][1] + halves[1][months][1]
    results = {}
    for months, kept in found.items():
        mean = kept["sum"] / draws
        spread = np.sqrt(np.maximum(kept["squares"] / draws - mean**2, 0.0) * draws / (draws - 1) + extra_spread**2)
        centre = np.log(np.maximum(kept["expected"], 1e-12))
        results[months] = {
            "probability": -np.expm1(-kept["expected"]),
            "low": -np.expm1(-np.exp(centre - 1.96 * spread)),
            "high": -np.expm1(-np.exp(centre + 1.96 * spread)),
            "probability_if_good": -np.expm1(-kept["if_good"]),
        }
    return results


def _log_sums(
    predictor: Predictor, drawn: list[tuple[np.ndarray, np.ndarray]], horizons: tuple[int, ...]
) -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """For each horizon the sum and the sum of squares of log expected failures over draws, [systems] each."""
    size = len(predictor.systems.age_years)
    sums = {months: (np.zeros(size), np.zeros(size)) for months in horizons}
    for coefficients, factor in drawn:
        steps = predictor.log_steps(predictor.model.parts(coefficients)[0])
        for months, (total, squares) in sums.items():
            log = np.log(np.maximum(predictor.cumulative(coefficients, factor, steps, months), 1e-12))
            total += log
            squares += log**2
    return sums


def share_not_good(technician_step: pl.DataFrame, technicians: dict[str, int]) -> np.ndarray:
    """[technicians + 1, steps]: each one's own shrunken share of not good, the fleet's in the last row."""
    shares = np.zeros((len(technicians) + 1, len(STEPS)))
    for number, step in enumerate(STEPS):
        part = technician_step.filter(pl.col("step") == step)
        fleet = part["fleet_rate"].drop_nulls()
        shares[:, number] = 1 - fleet[0] if len(fleet) else 0.0
        for name, rate in part.select("technician_id", "rate_adjusted").drop_nulls().iter_rows():
            if name in technicians:
                shares[technicians[name], number] = 1 - rate
    return shares


def install_risk_table(
    con: duckdb.DuckDBPyConnection,
    model: RiskModel,
    technician_step: pl.DataFrame,
    rules: Any,
    failure_cost: float,
    as_of: date,
    seed: int,
    extra_spread: float = 0.0,
) -> pl.DataFrame:
    """The table `install_risk`: each system in service, for each horizon."""
    frame = con.sql(
        """
        select now.system_id, now.job_id, now.technician_id, now.pattern, now.equipment_and_joints, now.age,
            now.is_visited, now.last_seen_on, sys.site_id, coalesce(site.area, sys.area) as area, sys.warranty_until
        from system_now as now
        left join staged_system as sys on sys.system_id = now.system_id
        left join staged_site as site on site.site_id = sys.site_id
        where now.fate = 'in_service'
        order by now.system_id
        """
    ).pl()
    if frame.is_empty():
        return pl.DataFrame()
    systems = systems_of(frame, model)
    shares = share_not_good(technician_step, model.technicians)
    predictor = Predictor(model, systems, shares)
    found = predict(predictor, HORIZONS, seed, extra_spread)

    # what a visit leaves of each step's ratio: the share that cannot be mended
    not_good = model.parts(model.coefficients)[0]
    mendable = np.array([float(rules.mendable_share.get(step, 0.0)) for step in STEPS])
    left = np.where(not_good > 0, np.log1p((1 - mendable) * np.expm1(not_good)), not_good)
    steps_left = predictor.log_steps(left)
    factor = predictor.factor()
    checks = dict(con.sql("select step, check_on_visit from visit_check").fetchall())
    words = _Words.of_patterns(systems.pattern_levels, not_good, checks)
    parts = []
    for months in HORIZONS:
        kept = found[months]
        mended = -np.expm1(-predictor.cumulative(model.coefficients, factor, steps_left, months))
        benefit = (kept["probability"] - mended) * failure_cost - float(rules.visit_cost)
        middle_is_late = systems.age_years + months / 24 > EARLY_YEARS
        reasons, unknown, check = words.of(systems.pattern, middle_is_late)
        parts.append(
            frame.select("system_id", "job_id", "site_id", "area", "last_seen_on", "warranty_until").with_columns(
                as_of=pl.lit(as_of),
                horizon_months=pl.lit(months, dtype=pl.Int32),
                probability=pl.Series(kept["probability"]),
                low=pl.Series(kept["low"]),
                high=pl.Series(kept["high"]),
                probability_if_good=pl.Series(kept["probability_if_good"]),
                expected_loss=pl.Series(kept["probability"] * failure_cost),
                visit_benefit=pl.Series(benefit),
                rank_by_probability=_order(kept["probability"]),
                reasons=reasons,
                unknown_steps=unknown,
                check_on_visit=check,
            )
        )
    rank = _order(parts[0]["visit_benefit"].to_numpy())
    return pl.concat([part.with_columns(rank=rank) for part in parts])


def _order(values: np.ndarray) -> pl.Series:
    """1 for the largest; equal ones in the order of the systems' ids, so that two runs agree."""
    order = np.empty(len(values), dtype=np.int64)
    order[np.argsort(-np.round(values, 12), kind="stable")] = np.arange(1, len(values) + 1)
    return pl.Series(order)


@dataclass(frozen=True)
class _Words:
    """The steps behind a chance, what is not known, and what to look at: once for each pattern, early then late."""

    reasons: pl.Series
    unknown: pl.Series
    checks: pl.Series

    @classmethod
    def of_patterns(cls, levels: np.ndarray, not_good: np.ndarray, checks: dict[str, str]) -> _Words:
        reasons, checked = [], []
        for half in (0, 1):
            order = np.argsort(-not_good[half], kind="stable")
            for level in levels:
                behind = [
                    STEPS[step] for step in order if level[step] in NOT_GOOD and not_good[half][step] > SMALLEST_REASON
                ]
                reasons.append(", ".join(behind))
                checked.append("; ".join(checks[step] for step in behind[:3] if step in checks) or LOOK_FIRST)
        unknown = [", ".join(STEPS[step] for step in np.flatnonzero(level == UNKNOWN)) for level in levels]
        return cls(*(pl.Series(texts, dtype=pl.String) for texts in (reasons, unknown, checked)))

    def of(self, pattern: np.ndarray, is_late: np.ndarray) -> tuple[pl.Series, pl.Series, pl.Series]:
        """Reasons, unknown steps and checks, [systems] each."""
        place = pattern + np.where(is_late, len(self.unknown), 0)
        return self.reasons.gather(place), self.unknown.gather(pattern), self.checks.gather(place)
