"""How good the list would have been: the model made again from what was known on an earlier day, judged by what came.

Only systems that were in contact then and went on unvisited are judged, while they stayed in sight. A chance said is
compared with the share seen to fail, counted as Kaplan and Meier do where a system was lost from sight before the
horizon was over. `slowfuse fit --as-of` that day gives the very model that is tried here.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from models import install_risk, rate_cells, risk_chance
from models.evidence import Z95
from models.incidence import aalen_johansen, interval
from models.install_risk import HORIZONS, RiskModel
from models.practice import Practice
from models.rate_cells import DAYS_A_YEAR
from models.risk_chance import Chances

EVENTS_BEFORE_AT_LEAST = 20
EVENTS_AFTER_AT_LEAST = 5
SYSTEMS_AT_THE_TOP = 120
GROUPS = 10
DRAWS = 40
# the range of a group's mean chance is worked out on the highest systems and so many of the others
DRAWN_SYSTEMS = 6_000
HORIZON_DAYS = DAYS_A_YEAR
EVERYBODY = "everybody"


@dataclass(frozen=True)
class BackTest:
    """model_card and calibration rows, and the spread of log(said / seen) between years (0 where under two)."""

    model_card: pl.DataFrame
    calibration: pl.DataFrame
    extra_spread: float
    notes: list[str]


@dataclass(frozen=True)
class Came:
    """What came of the systems judged within one horizon, [systems] each: days in sight, and whether it failed in them."""

    months: int
    days: np.ndarray
    has_failed: np.ndarray

    @property
    def horizon_days(self) -> float:
        return DAYS_A_YEAR * self.months / 12


@dataclass(frozen=True)
class Day:
    """An earlier day and what was known on it. systems : one row for each system judged, with what came of it."""

    cutoff: date
    model: RiskModel
    systems: pl.DataFrame
    horizons: tuple[int, ...]

    def came(self, months: int) -> Came:
        days = self.systems["days_followed"].to_numpy()
        horizon = DAYS_A_YEAR * months / 12
        return Came(months, np.minimum(days, horizon), self.systems["has_failed"].to_numpy() & (days <= horizon))


def back_test(con: duckdb.DuckDBPyConnection, seed: int) -> BackTest:
    """Judge the model on the days of `back_test_cutoff`, over every horizon that had passed by the store's own day."""
    return read(con).back_test(seed)


@dataclass(frozen=True)
class Earlier:
    """What was known on each earlier day, read from the store: worked out without a connection. as_of : the store's day."""

    as_of: date
    days: tuple[_Records, ...]

    def back_test(self, seed: int) -> BackTest:
        return _back_test(self, seed)


def read(con: duckdb.DuckDBPyConnection) -> Earlier:
    (as_of,) = con.sql("select max(as_of) from cell_run").fetchall()[0]
    cutoffs = [day for (day,) in con.sql("select cutoff from back_test_cutoff order by cutoff desc").fetchall()]
    return Earlier(as_of, tuple(_Records.read(con, day) for day in cutoffs))


def _back_test(earlier: Earlier, seed: int) -> BackTest:
    # the days know nothing of each other
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        worked = list(pool.map(lambda records: _day(records, earlier.as_of), earlier.days))
        days = [day for day in worked if isinstance(day, Day)]
        judged = list(pool.map(lambda day: _judge_day(day, seed), days))
    cards = [card for of_day, _, _ in judged for card in of_day]
    groups = [row for _, of_day, _ in judged for row in of_day]
    return BackTest(
        pl.DataFrame(cards, infer_schema_length=None),
        pl.DataFrame(groups, infer_schema_length=None),
        _spread_between_years(year for _, _, year in judged),
        [day for day in worked if isinstance(day, str)],
    )


@dataclass(frozen=True)
class _Year:
    """Said and seen in the first year after a day, the variance of the log of what was said, and the failures seen."""

    said: float
    seen: float
    variance_of_said: float
    events: int


def _spread_between_years(years: Iterable[_Year]) -> float:
    """What log(said / seen) differs by beyond the model's own doubt and the chance of so few failures."""
    told = [year for year in years if year.seen > 0 and year.said > 0]
    if len(told) < 2:
        return 0.0
    beyond = [np.log(year.said / year.seen) ** 2 - year.variance_of_said - 1 / year.events for year in told]
    return float(np.sqrt(max(np.mean(beyond), 0.0)))


@dataclass(frozen=True)
class _Records:
    """What was known on an earlier day, and what came of the systems that ran then."""

    cutoff: date
    cells: rate_cells.RateCells
    practice: Practice
    band_ages: np.ndarray
    systems: pl.DataFrame

    @classmethod
    def read(cls, con: duckdb.DuckDBPyConnection, cutoff: date) -> _Records:
        cells = rate_cells.read(con, cutoff)
        systems = con.sql(
            "select technician_id, equipment_and_joints, pattern, is_visited, age, days_followed, has_failed "
            "from back_test_system where cutoff = $cutoff order by system_id",
            params={"cutoff": cutoff},
        ).pl()
        return cls(cutoff, cells, *install_risk.beside_cells(con, cells, cutoff, cutoff), systems)

    def model(self) -> RiskModel | None:
        return install_risk.fit_risk(self.cells, self.practice, self.band_ages)


def model_on(con: duckdb.DuckDBPyConnection, cutoff: date) -> RiskModel | None:
    """The model as it would have been made on a day of `back_test_cutoff`."""
    return _Records.read(con, cutoff).model()


def _day(records: _Records, as_of: date) -> Day | str:
    """The model of that day, or why it could not be tried."""
    cutoff = records.cutoff
    before = float(records.cells.of_outcome(install_risk.OUTCOME)[1].sum())
    failed = records.systems.filter(pl.col("has_failed") & (pl.col("days_followed") <= HORIZON_DAYS)).height
    if before < EVENTS_BEFORE_AT_LEAST or failed < EVENTS_AFTER_AT_LEAST:
        return (
            f"No back-test from {cutoff}: {before:.0f} compressor failures were known then ({EVENTS_BEFORE_AT_LEAST} are "
            f"needed) and {failed} came in the year after ({EVENTS_AFTER_AT_LEAST})."
        )
    model = records.model()
    assert model is not None, "a day with failures before it has a model"
    passed = (as_of.year - cutoff.year) * 12 + as_of.month - cutoff.month
    return Day(cutoff, model, records.systems, tuple(months for months in HORIZONS if months <= passed))


def _judge_day(day: Day, seed: int) -> tuple[list[dict], list[dict], _Year]:
    """Rows of model_card and calibration, and the first year's figures."""
    chances = Chances(day.model, risk_chance.systems_of(day.systems, day.model))
    rates = risk_chance.draw_rates(day.model, chances.grid_basis, DRAWS, np.random.default_rng([seed, 0]))
    cards, rows, years = [], [], []
    for months in day.horizons:
        probability = -np.expm1(-chances.expected(months))
        came, groups = day.came(months), _groups(probability)
        drawn = _drawn_means(chances, rates, groups, months, seed)
        card, of_groups = judged(day.cutoff, probability, came, groups, drawn)
        cards.append(card)
        rows += of_groups
        doubt = float(np.log(drawn[EVERYBODY]).std(ddof=1))
        years.append(_Year(card["said"], card["seen"], doubt**2, card["events"]))
    return cards, rows, years[0]


def _groups(probability: np.ndarray) -> dict[str, np.ndarray]:
    """Places of the systems in each group of `calibration`: the highest of the list, and its tenths."""
    order = np.argsort(-probability, kind="stable")
    top = min(SYSTEMS_AT_THE_TOP, len(order))
    tenths = {
        f"tenth {number + 1} of {GROUPS}": part
        for number, part in enumerate(np.array_split(order, GROUPS))
        if len(part)
    }
    return {f"highest {top}": order[:top], **tenths}


def _drawn_means(
    chances: Chances, rates: list[risk_chance.Rates], groups: dict[str, np.ndarray], months: int, seed: int
) -> dict[str, np.ndarray]:
    """[draws] mean chance of each group, and of everybody."""
    size = len(chances.systems)
    top, *tenths = groups.values()
    of_system = np.zeros(size, dtype=int)
    for number, part in enumerate(tenths):
        of_system[part] = number
    # the highest stand in a group of their own and belong to their tenth too
    of_system[top] += GROUPS
    every = max(size // DRAWN_SYSTEMS, 1)
    drawn = np.union1d(top, np.arange(0, size, every))
    weight = np.where(np.isin(drawn, top), 1.0, float(every))
    asked = risk_chance.Groups(of_system[drawn], 2 * GROUPS, weight)
    sums = risk_chance.group_sums(chances.part(drawn), rates, months, seed, asked)
    systems = asked.sums(np.ones(len(drawn)))
    highest = sums[:, GROUPS:].sum(axis=1) / systems[GROUPS:].sum()
    of_tenths = (sums[:, :GROUPS] + sums[:, GROUPS:]) / np.maximum(systems[:GROUPS] + systems[GROUPS:], 1.0)
    return dict(zip(groups, [highest, *of_tenths.T], strict=False)) | {EVERYBODY: sums.sum(axis=1) / systems.sum()}


def judged(
    cutoff: date,
    probability: np.ndarray,
    came: Came,
    groups: dict[str, np.ndarray] | None = None,
    drawn: dict[str, np.ndarray] | None = None,
) -> tuple[dict, list[dict]]:
    """A row of model_card and the rows of calibration for chances said, [systems], and what came.

    groups : as _groups gives them. drawn : [draws] mean chance of each group; without it what was said has no range.
    """
    days, failed, size = came.days, came.has_failed, len(probability)
    groups = _groups(probability) if groups is None else groups
    # weight by the inverse chance of still being in sight: a system lost after a month is not one that survived
    known, weight = _weights(days, failed, came.horizon_days)
    said, seen = float(probability.mean()), _seen(days, failed)[0]
    auc, auc_error = _auc(probability, failed, weight * known)
    slope, intercept = _calibration_line(probability, days, failed, came.horizon_days)
    order = np.argsort(-probability, kind="stable")
    gathered = np.cumsum((weight * failed)[order])
    total = gathered[-1] if size else 0.0

    def captured(share: float) -> float:
        # share of all failures that stood in the first places of the list
        top = max(round(size * share), 1)
        return float(gathered[top - 1] / total) if total > 0 else float("nan")

    brier = float(np.sum(weight * known * (failed - probability) ** 2) / np.sum(weight * known))
    base = float(np.sum(weight * known * (failed - seen) ** 2) / np.sum(weight * known))
    card = {
        "outcome": install_risk.OUTCOME, "horizon_months": came.months, "cutoff": cutoff, "systems": size,
        "events": int(failed.sum()), "auc": auc, "auc_low": auc - Z95 * auc_error, "auc_high": auc + Z95 * auc_error,
        "calibration_slope": slope, "calibration_intercept": intercept, "brier": brier, "brier_of_base_rate": base,
        "captured_top_2pct": captured(0.02), "captured_top_5pct": captured(0.05), "said": said, "seen": seen,
    }  # fmt: skip
    rows = []
    for name, part in groups.items():
        value, low, high = _seen(days[part], failed[part])
        mean = probability[part].mean()
        said_low, said_high = (None, None) if drawn is None else risk_chance.range_of_mean(mean, drawn[name])
        rows.append({
            "cutoff": cutoff, "horizon_months": came.months, "group": name, "systems": len(part),
            "said": float(mean), "seen": value, "low": low, "high": high,
            "said_low": said_low, "said_high": said_high,
        })  # fmt: skip
    return card, rows


def _seen(days: np.ndarray, failed: np.ndarray) -> tuple[float, float, float]:
    """Share that failed within the horizon, with its interval, where some were lost from sight before."""
    curve = aalen_johansen(np.zeros(len(days)), np.maximum(days, 0.5), failed.astype(int))
    if not len(curve.incidence):
        # no failure among n: the interval's upper end is that of 0 of n
        return 0.0, 0.0, float(1 - 0.025 ** (1 / max(len(days), 1)))
    low, high = interval(curve.incidence[-1:], curve.variance[-1:])
    return float(curve.incidence[-1]), float(np.nan_to_num(low[0])), float(np.nan_to_num(high[0], nan=1.0))


def _weights(days: np.ndarray, failed: np.ndarray, horizon_days: float = HORIZON_DAYS) -> tuple[np.ndarray, np.ndarray]:
    """(whether it is known what came, inverse chance of having stayed in sight until then)."""
    known = failed | (days >= horizon_days - 1)
    lost = aalen_johansen(np.zeros(len(days)), np.maximum(days, 0.5), (~known).astype(int))
    stayed = np.concatenate([[1.0], 1 - lost.incidence])
    chance = stayed[np.searchsorted(lost.time, np.maximum(days, 0.5), side="left")]
    return known.astype(float), np.where(known, 1 / np.maximum(chance, 0.05), 0.0)


def _auc(probability: np.ndarray, failed: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Chance that one that failed stood above one that did not, and its standard error (DeLong, weighted)."""
    cases, others = failed & (weight > 0), ~failed & (weight > 0)
    if not cases.any() or not others.any():
        return float("nan"), float("nan")
    case_value, other_value = probability[cases], probability[others]
    case_weight, other_weight = weight[cases], weight[others]

    def below(values, sorted_values, gathered):
        left = gathered[np.searchsorted(sorted_values, values, side="left")]
        right = gathered[np.searchsorted(sorted_values, values, side="right")]
        return (left + right) / 2 / gathered[-1]

    order = np.argsort(other_value)
    of_case = below(case_value, other_value[order], np.concatenate([[0.0], np.cumsum(other_weight[order])]))
    order = np.argsort(case_value)
    of_other = 1 - below(other_value, case_value[order], np.concatenate([[0.0], np.cumsum(case_weight[order])]))
    auc = float(np.average(of_case, weights=case_weight))
    return auc, float(np.sqrt(_variance_of_mean(of_case, case_weight) + _variance_of_mean(of_other, other_weight)))


def _variance_of_mean(values: np.ndarray, weight: np.ndarray) -> float:
    """Of a weighted mean; with equal weights the sample variance over n. Of a single value nothing is known."""
    size, share = len(values), weight / weight.sum()
    if size < 2:
        return float("nan")
    return float(np.sum((share * (values - share @ values)) ** 2)) * size / (size - 1)


def _calibration_line(
    probability: np.ndarray, days: np.ndarray, failed: np.ndarray, horizon_days: float
) -> tuple[float, float]:
    """Slope and intercept of log expected failures: 1 and 0 where what was said is what came.

    A Poisson model of the failures on the log of what was expected over the days each was really in sight.
    """
    expected = np.maximum(-np.log1p(-np.minimum(probability, 1 - 1e-9)), 1e-9)
    log, share = np.log(expected), np.maximum(days, 0.5) / horizon_days
    centre = float(np.average(log, weights=expected))
    design = np.stack([np.ones(len(log)), log - centre], axis=1)
    b = np.array([centre, 1.0])
    for _ in range(30):
        mean = share * np.exp(np.clip(design @ b, -30, 5))
        information = design.T @ (mean[:, None] * design)
        step = np.linalg.solve(information + 1e-9 * np.eye(2), design.T @ (failed - mean))
        b = b + np.clip(step, -1, 1)
        if np.abs(step).max() < 1e-10:
            break
    # the intercept with the slope held at 1: how much more, or less, came than was said
    return float(b[1]), float(np.log(max(failed.sum(), 0.5) / float(np.sum(share * expected))))
