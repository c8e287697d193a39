"""How good the list would have been: the model made again from what was known on an earlier day, judged by what came.

Only systems that went on unvisited and in sight are judged. A chance said is compared with the share seen to fail,
counted as Kaplan and Meier do where a system was lost from sight before the year was over.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from models import install_risk, rate_cells
from models.incidence import aalen_johansen, interval

HORIZON_MONTHS = 12
HORIZON_DAYS = 365.25
EVENTS_BEFORE_AT_LEAST = 20
EVENTS_AFTER_AT_LEAST = 5
SYSTEMS_AT_THE_TOP = 120
GROUPS = 10
DRAWS = 60
# how many jobs of the fleet a technician's share of unknown steps borrows
BORROWED_JOBS = 12.0


@dataclass(frozen=True)
class BackTest:
    """model_card and calibration rows, and the spread of log(said / seen) between years (0 where under two)."""

    model_card: pl.DataFrame
    calibration: pl.DataFrame
    extra_spread: float
    notes: list[str]


def back_test(con: duckdb.DuckDBPyConnection, seed: int) -> BackTest:
    """Judge the model on the days of `back_test_cutoff`."""
    cards, groups, notes, logs, errors = [], [], [], [], []
    tried = []
    cutoffs = [day for (day,) in con.sql("select cutoff from back_test_cutoff order by cutoff desc").fetchall()]
    for cutoff in cutoffs:
        cells = rate_cells.read(con, cutoff)
        events_before = cells.of_outcome(install_risk.OUTCOME)[1].sum()
        systems = con.sql(
            """
            select technician_id, equipment_and_joints, pattern, is_visited, age,
                least(days_followed, $horizon) as days, has_failed and days_followed <= $horizon as has_failed
            from back_test_system where cutoff = $cutoff order by system_id
            """,
            params={"cutoff": cutoff, "horizon": HORIZON_DAYS},
        ).pl()
        events_after = int(systems["has_failed"].sum() or 0)
        if events_before < EVENTS_BEFORE_AT_LEAST or events_after < EVENTS_AFTER_AT_LEAST:
            notes.append(
                f"No back-test from {cutoff}: {events_before:.0f} compressor failures were known then "
                f"({EVENTS_BEFORE_AT_LEAST} are needed) and {events_after} came in the year after "
                f"({EVENTS_AFTER_AT_LEAST})."
            )
            continue
        numbered = {name: number for number, name in enumerate(cells.technicians)}
        tried.append((cutoff, cells, systems, _shares_then(con, cutoff, numbered), events_after))
    # the days know nothing of each other
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        judged = list(pool.map(lambda one: _judge_day(one[0], one[1], one[2], one[3], seed), tried))
    for (card, parts), (*_, events_after) in zip(judged, tried, strict=True):
        cards.append(card)
        groups += parts
        if card["seen"] and card["seen"] > 0:
            logs.append(float(np.log(card["said"] / card["seen"])))
            errors.append(1 / events_after)
    # what years differ by beyond the chance of so few failures
    spread = 0.0
    if len(logs) >= 2:
        spread = float(np.sqrt(max(np.mean(np.square(logs)) - np.mean(errors), 0.0)))
    return BackTest(
        pl.DataFrame(cards, infer_schema_length=None),
        pl.DataFrame(groups, infer_schema_length=None),
        spread,
        notes,
    )


def _judge_day(
    cutoff: date, cells: rate_cells.RateCells, systems: pl.DataFrame, shares: np.ndarray, seed: int
) -> tuple[dict, list[dict]]:
    """The model as it would have been made on that day, and what came of the systems it spoke of."""
    model = install_risk.fit_risk(cells)
    assert model is not None, "a day with enough failures known before it has a model"
    predictor = install_risk.Predictor(model, install_risk.systems_of(systems, model), shares)
    found = install_risk.predict(predictor, (HORIZON_MONTHS,), seed, draws=DRAWS)[HORIZON_MONTHS]
    return _judged(cutoff, found, systems["days"].to_numpy(), systems["has_failed"].to_numpy())


def _shares_then(con: duckdb.DuckDBPyConnection, cutoff: date, technicians: dict[str, int]) -> np.ndarray:
    """[technicians + 1, steps] shares of not good as the jobs of that day showed them, drawn toward the fleet's."""
    jobs = con.sql(
        "select technician_id, pattern, count(distinct job_id) as jobs from follow_up_then where cutoff = $cutoff "
        "group by all order by all",
        params={"cutoff": cutoff},
    ).pl()
    levels, weight = rate_cells.decode(jobs["pattern"].to_numpy()), jobs["jobs"].to_numpy()[:, None]
    bad, good = np.isin(levels, rate_cells.NOT_GOOD) * weight, (levels == rate_cells.GOOD) * weight
    person = jobs["technician_id"].replace_strict(technicians, default=-1, return_dtype=pl.Int64).to_numpy()
    fleet = bad.sum(axis=0) / np.maximum((bad + good).sum(axis=0), 1)
    people = len(technicians) + 1
    # whom the model has not met stands in the last row and takes the fleet's shares
    own_bad, own_known = np.zeros((people, len(fleet))), np.zeros((people, len(fleet)))
    np.add.at(own_bad, person, bad)
    np.add.at(own_known, person, bad + good)
    own_bad[-1], own_known[-1] = 0.0, 0.0
    return (own_bad + BORROWED_JOBS * fleet) / (own_known + BORROWED_JOBS)


def _judged(
    cutoff: date, found: dict[str, np.ndarray], days: np.ndarray, failed: np.ndarray
) -> tuple[dict, list[dict]]:
    probability = found["probability"]
    size = len(probability)
    # weight by the inverse chance of still being in sight: a system lost after a month is not one that survived
    known, weight = _weights(days, failed)
    said, seen = float(probability.mean()), _seen(days, failed)[0]
    auc, auc_error = _auc(probability, failed, weight * known)
    slope, intercept = _calibration_line(found, days, failed)
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
        "outcome": install_risk.OUTCOME, "horizon_months": HORIZON_MONTHS, "cutoff": cutoff, "systems": size,
        "events": int(failed.sum()), "auc": auc, "auc_low": auc - 1.96 * auc_error, "auc_high": auc + 1.96 * auc_error,
        "calibration_slope": slope, "calibration_intercept": intercept, "brier": brier, "brier_of_base_rate": base,
        "captured_top_2pct": captured(0.02), "captured_top_5pct": captured(0.05), "said": said, "seen": seen,
    }  # fmt: skip
    rows = []
    top = min(SYSTEMS_AT_THE_TOP, size)
    named = [(f"highest {top}", order[:top])]
    named += [
        (f"tenth {number + 1} of {GROUPS}", part)
        for number, part in enumerate(np.array_split(order, GROUPS))
        if len(part) and total > 0
    ]
    for name, part in named:
        value, low, high = _seen(days[part], failed[part])
        rows.append({
            "cutoff": cutoff, "horizon_months": HORIZON_MONTHS, "group": name, "systems": len(part),
            "said": float(probability[part].mean()), "seen": value, "low": low, "high": high,
            "said_low": float(found["low"][part].mean()), "said_high": float(found["high"][part].mean()),
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


def _weights(days: np.ndarray, failed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(whether it is known what came, inverse chance of having stayed in sight until then)."""
    known = failed | (days >= HORIZON_DAYS - 1)
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


def _calibration_line(found: dict[str, np.ndarray], days: np.ndarray, failed: np.ndarray) -> tuple[float, float]:
    """Slope and intercept of log expected failures: 1 and 0 where what was said is what came.

    A Poisson model of the failures on the log of what was expected over the days each was really in sight.
    """
    expected = np.maximum(-np.log1p(-np.minimum(found["probability"], 1 - 1e-9)), 1e-9)
    log, share = np.log(expected), np.maximum(days, 0.5) / HORIZON_DAYS
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
