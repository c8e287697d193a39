"""Would a ratio be another, had something been chosen otherwise: ages cut finer, jobs with gaps left out, and so on.

Each variant changes one thing in the fit of `step_effect` and leaves the rest. A ratio that moves out of its own interval
hangs on that choice, and whoever reads it should know.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.effect_rows import FIRST_LATE_BAND, EffectRows, level_term, two_way_term
from models.evidence import FEW_EVENTS, Z95
from models.profiled_rates import Rows, Term, fit_rates
from models.rate_cells import UNKNOWN
from models.step_effect import LARGEST_LOG_RATIO, LARGEST_STANDARD_ERROR, MAIN_OUTCOMES, StepEffects
from pipelines.contract import STEPS

MIDDLE_ENDS_BAND = 6  # 5 years
FIRST_QUARTER_BAND = 0  # up to 91 days


@dataclass(frozen=True)
class Variant:
    """One other choice. late_bands : where new stretches of ages begin; age_bands : their names, one more."""

    name: str
    late_bands: tuple[int, ...] = (FIRST_LATE_BAND,)
    age_bands: tuple[str, ...] = ("early", "late")
    by_technician: bool = True
    complete_jobs: bool = False
    without_first_quarter: bool = False


VARIANTS = (
    Variant("three_bands", (FIRST_LATE_BAND, MIDDLE_ENDS_BAND), ("years_0_2", "years_2_5", "years_5_on")),
    Variant("complete_jobs", complete_jobs=True),
    Variant("without_first_3_months", without_first_quarter=True),
    Variant("without_technicians", by_technician=False),
)
MAIN_BAND = {"years_0_2": "early", "years_2_5": "late", "years_5_on": "late"}


def sensitivity_table(effects: StepEffects, step_effect: pl.DataFrame) -> pl.DataFrame:
    """The table `step_effect_sensitivity`: every variant of the two main outcomes, not good against good.

    effects : the rows of the main fit. step_effect : its table, whose ratios stand beside.
    """
    if step_effect.is_empty():
        return pl.DataFrame()
    main = {
        (row["outcome"], row["step"], row["age_band"]): row
        for row in step_effect.filter(pl.col("contrast") == "not_good").iter_rows(named=True)
    }
    outcomes = [outcome for outcome in MAIN_OUTCOMES if effects.counted(outcome)[1].sum() > 0]
    plan = [(outcome, variant) for variant in VARIANTS for outcome in outcomes]
    rows_of = {variant.name: _rows(effects, variant) for variant in VARIANTS}
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        parts = pool.map(lambda one: _fitted(effects, one[0], one[1], rows_of[one[1].name], main), plan)
    rows = [row for part in parts for row in part]
    return pl.DataFrame(rows, infer_schema_length=None)


def _rows(effects: StepEffects, variant: Variant) -> EffectRows:
    cells, chosen = effects.cells, effects.in_fit
    if variant.complete_jobs:
        chosen = chosen & ~(cells.levels == UNKNOWN).any(axis=1)[cells.pattern]
    if variant.without_first_quarter:
        chosen = chosen & (effects.band_place[cells.band] != FIRST_QUARTER_BAND)
    own = EffectRows.of(cells, chosen, effects.band_place, "whole", variant.late_bands)
    if variant.by_technician:
        return own
    one = Rows(np.zeros_like(own.rows.stratum), 1, own.rows.level, own.rows.levels)
    return EffectRows(
        own.contrasts, own.in_fit, own.place, own.band, one, own.levels, own.pattern_place, own.periods
    )  # fmt: skip


def _fitted(effects: StepEffects, outcome: str, variant: Variant, own: EffectRows, main: dict) -> list[dict]:
    stretches, steps = len(variant.age_bands), len(STEPS)
    years, events, band_events = own.added(*effects.counted(outcome))
    if events.sum() == 0:
        return []
    indicator = np.concatenate([(own.levels == 1).astype(float), (own.levels == 2).astype(float)], axis=1)
    width = indicator.shape[1]
    matrix = np.zeros((stretches * len(indicator), stretches * width))
    for stretch in range(stretches):
        matrix[stretch::stretches, stretch * width : (stretch + 1) * width] = indicator
    group = two_way_term(np.bincount(own.rows.level[1], events, minlength=own.rows.levels[1]), own.periods)
    fitted = fit_rates(
        own.rows, [Term(matrix), group], years, events, bands=level_term(band_events), band_events=band_events
    )
    by_level = np.bincount(own.rows.level[0], events, minlength=len(matrix))
    bad_events = matrix.T @ by_level
    good = np.zeros_like(matrix)
    is_good = np.concatenate([(own.levels == 0).astype(float), np.zeros((len(own.levels), steps))], axis=1)
    for stretch in range(stretches):
        good[stretch::stretches, stretch * width : (stretch + 1) * width] = is_good
    good_events = good.T @ by_level
    errors = fitted.standard_errors
    found = []
    for stretch, band in enumerate(variant.age_bands):
        for number, step in enumerate(STEPS):
            place = stretch * width + number
            log, error = float(fitted.coefficients[place]), float(errors[place])
            few = min(bad_events[place], good_events[place]) < FEW_EVENTS
            if few or not (abs(log) < LARGEST_LOG_RATIO and error < LARGEST_STANDARD_ERROR):
                log, error = float("nan"), float("nan")
            beside = main.get((outcome, step, MAIN_BAND.get(band, band)))
            low, high = (beside["low"], beside["high"]) if beside else (None, None)
            found.append({
                "outcome": outcome, "step": step, "variant": variant.name, "age_band": band,
                "hazard_ratio": np.exp(log), "low": np.exp(log - Z95 * error), "high": np.exp(log + Z95 * error),
                "events": round(float(by_level.reshape(-1, stretches)[:, stretch].sum())),
                "events_not_good": round(float(bad_events[place])),
                "hazard_ratio_main": beside["hazard_ratio"] if beside else None,
                "is_outside": None if np.isnan(log) or low is None or np.isnan(low) else not low <= np.exp(log) <= high,
            })  # fmt: skip
    return found
