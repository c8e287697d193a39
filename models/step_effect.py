"""What goes with a step that is not good: ratios of rates, all steps at once, technician by technician.

A ratio here is an association within the jobs of the same technician, equipment, joints and age. The crude ratio, the
counts and the outcome that no step can cause stand beside it.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import stats

from models import evidence
from models.effect_rows import BAND_EDGES_YEARS, FIRST_LATE_BAND, SPLITS, EffectRows, level_term, two_way_term
from models.profiled_rates import RateFit, Term, fit_rates
from models.rate_cells import DOES_NOT_BELONG, UNKNOWN, RateCells
from pipelines.contract import STEPS

MAIN_OUTCOMES = ("compressor_failure", "callback")
PRIOR_SD = 0.5  # of a log ratio, for the shrunken answer
# beyond this a ratio is the edge of the likelihood, not an estimate
LARGEST_LOG_RATIO = 6.0
LARGEST_STANDARD_ERROR = 3.0
# with this many events in every part the likelihood is a parabola: one step gives what a second fit would
ENOUGH_FOR_PARABOLA, FEW_FOR_PARABOLA = 20, 5
AGE_BANDS = ("early", "late")


@dataclass(frozen=True)
class EffectFit:
    """One outcome's ratios for the contrasts of one split.

    contrasts : names in the order of the first axis. effects, errors : [contrasts, steps, 2 (early, late)] log ratios.
    effects_all, errors_all : [contrasts, steps]. The shrunk ones likewise. covariance : of effects, flattened.
    fit : of early and late, for whoever needs expected events (costs).
    """

    contrasts: tuple[str, ...]
    effects: np.ndarray
    errors: np.ndarray
    covariance: np.ndarray
    shrunk: np.ndarray
    shrunk_errors: np.ndarray
    effects_all: np.ndarray
    errors_all: np.ndarray
    covariance_all: np.ndarray
    shrunk_all: np.ndarray
    shrunk_errors_all: np.ndarray
    fit: RateFit
    terms: list[Term]
    events: float

    @property
    def events_an_effect(self) -> float:
        """Events to each estimate of the fit; one event of each technician who had any goes into his own level."""
        estimates = max(int(self.fit.is_estimable.sum()), 1)
        return (self.events - int((self.fit.stratum_events > 0).sum())) / estimates

    def linear_at(self, levels: list[np.ndarray]) -> np.ndarray:
        """The linear predictor at levels of the three terms (pattern and half, group, age band), technicians aside.

        A level without any event has no finite value: it expects nothing.
        """
        coefficients, begin = self.fit.coefficients, 0
        eta = np.zeros(len(levels[0]))
        for level, term in zip(levels, self.terms, strict=True):
            part = coefficients[begin : begin + term.columns]
            begin += term.columns
            value = term.matrix @ np.nan_to_num(part)
            silent = (np.abs(term.matrix) @ np.isnan(part).astype(float)) > 0
            eta += np.where(silent, -60.0, value)[level]
        return eta


class StepEffects:
    """The rows that step effects are fitted on: jobs with at least one known step, before any visit put them right."""

    def __init__(self, cells: RateCells, houses: int = 1) -> None:
        self.cells, self.houses = cells, houses
        half = (~cells.is_early).astype(np.int32)[cells.band]
        has_known = ((cells.levels != UNKNOWN) & (cells.levels != DOES_NOT_BELONG)).any(axis=1)
        self.in_fit = has_known[cells.pattern] & ~cells.is_visited
        self.pattern_half = cells.pattern * 2 + half
        # rates move slowly within these bands, and fewer bands make fewer rows
        self.band_place = np.searchsorted(BAND_EDGES_YEARS, cells.from_years + 0.01, side="right") - 1
        self._split_rows: dict[str, EffectRows] = {}

    def split_rows(self, split: str) -> EffectRows:
        """The rows of one split, made once."""
        if split not in self._split_rows:
            self._split_rows[split] = EffectRows.of(self.cells, self.in_fit, self.band_place, split, (FIRST_LATE_BAND,))
        return self._split_rows[split]

    def counted(self, outcome: str) -> tuple[np.ndarray, np.ndarray]:
        """Years and events of the rows in the fit, [rows]."""
        years, events = self.cells.of_outcome(outcome)
        if self.in_fit.all():
            return years, events
        return np.where(self.in_fit, years, 0.0), np.where(self.in_fit, events, 0.0)

    def by_pattern(self, outcome: str, *, own_alone: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Years and events as [patterns, 2 (early, late)]; of the own house alone where other houses' cells stand by."""
        years, events = self.counted(outcome)
        if own_alone:
            own = self.cells.is_own[self.cells.technician]
            years, events = years * own, events * own
        shape = (len(self.cells.levels), 2)
        number = shape[0] * 2
        return (
            np.bincount(self.pattern_half, years, minlength=number).reshape(shape),
            np.bincount(self.pattern_half, events, minlength=number).reshape(shape),
        )

    def fit(self, outcome: str, split: str) -> EffectFit:
        """Log ratios of one outcome."""
        own = self.split_rows(split)
        names = own.contrasts
        years, events, band_events = own.added(*self.counted(outcome))
        number, steps = len(names), len(STEPS)
        columns = number * steps
        indicator = np.concatenate([(own.levels == part + 1).astype(float) for part in range(number)], axis=1)
        halves = np.zeros((2 * len(indicator), 2 * columns))
        halves[0::2, :columns] = indicator
        halves[1::2, columns:] = indicator
        both = np.repeat(indicator, 2, axis=0)
        group = two_way_term(np.bincount(own.rows.level[1], events, minlength=own.rows.levels[1]), own.periods)
        by_age = {"bands": level_term(band_events), "band_events": band_events}

        events_of = halves.T @ np.bincount(own.rows.level[0], events, minlength=len(halves))
        years_of = halves.T @ np.bincount(own.rows.level[0], years.sum(axis=1), minlength=len(halves))
        enough = np.tile(
            np.repeat([FEW_FOR_PARABOLA if name[0] == "_" else ENOUGH_FOR_PARABOLA for name in names], steps), 2
        )
        is_parabola = bool((events_of >= enough)[years_of > 0].all() and (years_of > 0).any())
        prior = np.full(2 * columns, 1 / PRIOR_SD**2)

        plain = fit_rates(own.rows, [Term(halves), group], years, events, **by_age)
        if is_parabola and plain.has_converged:
            shrunk, shrunk_cov = _parabola_with_prior(plain, prior)
            together = np.concatenate([np.eye(columns), np.eye(columns)], axis=0)
            whole, whole_cov = _parabola_constrained(plain, together)
            whole_shrunk, whole_shrunk_cov = _normal_with_prior(whole, whole_cov, prior[:columns])
        else:
            fitted = fit_rates(
                own.rows,
                [Term(halves, precision=prior), group],
                years,
                events,
                start=_tame(plain.coefficients),
                **by_age,
            )
            shrunk, shrunk_cov = fitted.coefficients[: 2 * columns], fitted.covariance
            fitted = fit_rates(own.rows, [Term(both), group], years, events, **by_age)
            whole, whole_cov = fitted.coefficients[:columns], fitted.covariance[:columns, :columns]
            fitted = fit_rates(
                own.rows,
                [Term(both, precision=prior[:columns]), group],
                years,
                events,
                start=_tame(fitted.coefficients),
                **by_age,
            )
            whole_shrunk, whole_shrunk_cov = fitted.coefficients[:columns], fitted.covariance

        effects, cov = _estimates(plain.coefficients[: 2 * columns], plain.covariance)
        whole, whole_cov = _estimates(whole, whole_cov)

        def halved(values: np.ndarray) -> np.ndarray:
            return values[: 2 * columns].reshape(2, number, steps).transpose(1, 2, 0)

        def by_contrast(values: np.ndarray) -> np.ndarray:
            return values[:columns].reshape(number, steps)

        # the covariance in the order [contrast, step, half]
        order = np.arange(2 * columns).reshape(2, number, steps).transpose(1, 2, 0).ravel()
        return EffectFit(
            contrasts=names,
            effects=halved(effects),
            errors=halved(_errors(cov, effects)),
            covariance=cov[np.ix_(order, order)],
            shrunk=halved(shrunk),
            shrunk_errors=halved(_errors(shrunk_cov, shrunk)),
            effects_all=by_contrast(whole),
            errors_all=by_contrast(_errors(whole_cov, whole)),
            covariance_all=whole_cov[:columns, :columns],
            shrunk_all=by_contrast(whole_shrunk),
            shrunk_errors_all=by_contrast(_errors(whole_shrunk_cov, whole_shrunk)),
            fit=plain,
            terms=[Term(halves), group, by_age["bands"]],
            events=float(events.sum()),
        )


def _tame(coefficients: np.ndarray) -> np.ndarray:
    return np.clip(np.nan_to_num(coefficients), -2.0, 2.0)


def _estimates(values: np.ndarray, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Estimates without those that ran to the edge of the likelihood."""
    values = values.copy()
    errors = np.sqrt(np.maximum(np.diag(covariance)[: len(values)], 0.0))
    values[(np.abs(values) > LARGEST_LOG_RATIO) | (errors > LARGEST_STANDARD_ERROR)] = np.nan
    return values, covariance[: len(values), : len(values)]


def _errors(covariance: np.ndarray, values: np.ndarray) -> np.ndarray:
    errors = np.sqrt(np.maximum(np.diag(covariance)[: len(values)], 0.0))
    return np.where(np.isnan(values), np.nan, errors)


def _parabola_with_prior(plain: RateFit, prior: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Steps' coefficients under a normal prior, from the likelihood's parabola."""
    steps = len(prior)
    known = np.flatnonzero(plain.is_estimable)
    information = plain.information[np.ix_(known, known)].copy()
    pull = information @ plain.coefficients[known]
    with_prior = known < steps
    diagonal = np.zeros(len(known))
    diagonal[with_prior] = prior[known[with_prior]]
    inverse = np.linalg.pinv(information + np.diag(diagonal), hermitian=True)
    values = np.full(steps, np.nan)
    values[known[with_prior]] = (inverse @ pull)[with_prior]
    covariance = np.zeros((steps, steps))
    covariance[np.ix_(known[with_prior], known[with_prior])] = inverse[np.ix_(with_prior, with_prior)]
    return values, covariance


def _parabola_constrained(plain: RateFit, together: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients where early and late share one value: the constrained top of the likelihood's parabola."""
    steps, shared = together.shape
    known = plain.is_estimable[:steps]
    covariance = plain.covariance[:steps, :steps][np.ix_(known, known)]
    weight = np.linalg.pinv(covariance, hermitian=True)
    design = together[known]
    told = np.abs(design).sum(axis=0) > 0
    inverse = np.linalg.pinv(design[:, told].T @ weight @ design[:, told], hermitian=True)
    values = np.full(shared, np.nan)
    values[told] = inverse @ (design[:, told].T @ weight @ plain.coefficients[:steps][known])
    full = np.zeros((shared, shared))
    full[np.ix_(told, told)] = inverse
    return values, full


def _normal_with_prior(values: np.ndarray, covariance: np.ndarray, prior: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    known = np.flatnonzero(~np.isnan(values))
    weight = np.linalg.pinv(covariance[np.ix_(known, known)], hermitian=True)
    inverse = np.linalg.inv(weight + np.diag(prior[known]))
    shrunk = np.full(len(values), np.nan)
    shrunk[known] = inverse @ weight @ values[known]
    full = np.zeros(covariance.shape)
    full[np.ix_(known, known)] = inverse
    return shrunk, full


def step_effect_table(
    effects: StepEffects, negative_control: str, jobs_used: int, jobs_left_out: int
) -> tuple[pl.DataFrame, dict[tuple[str, str], EffectFit], dict[str, evidence.Control]]:
    """The table `step_effect`, the fits behind it and the control's joint tests by contrast.

    Every outcome that came at least once has rows for every step, age band and contrast; the exploratory ones (finding
    codes) for the default contrast alone.
    """
    cells = effects.cells
    counted = [name for name in cells.outcomes if effects.counted(name)[1].sum() > 0]
    exploratory = [name for name in counted if name not in MAIN_OUTCOMES]
    plan = [(outcome, split) for outcome in MAIN_OUTCOMES for split in SPLITS]
    plan += [(outcome, "whole") for outcome in exploratory]
    fits: dict[tuple[str, str], EffectFit] = {}
    controls: dict[tuple[str, str], evidence.Control] = {}
    wanted = list(dict.fromkeys([(negative_control, split) for split in SPLITS] + plan))
    for split in SPLITS:
        effects.split_rows(split)
    # the fits know nothing of each other, and the sums they spend their time on let other threads work
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        fits.update(zip(wanted, pool.map(lambda one: effects.fit(*one), wanted), strict=True))
    for split in SPLITS:
        control_fit = fits[negative_control, split]
        for place, contrast in enumerate(control_fit.contrasts):
            part = slice(place * len(STEPS) * 2, (place + 1) * len(STEPS) * 2)
            controls[contrast, "halves"] = evidence.joint_control(
                control_fit.effects[place].ravel(), control_fit.covariance[part, part], control_fit.events
            )
            part = slice(place * len(STEPS), (place + 1) * len(STEPS))
            controls[contrast, "all"] = evidence.joint_control(
                control_fit.effects_all[place], control_fit.covariance_all[part, part], control_fit.events
            )
    rows = []
    for outcome, split in plan:
        rows += _rows(effects, outcome, split, fits[outcome, split], controls, jobs_used)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    if frame.height:
        frame = _with_evidence(frame, negative_control).with_columns(
            jobs_used=pl.lit(jobs_used), jobs_left_out=pl.lit(jobs_left_out)
        )
    return frame, fits, {contrast: control for (contrast, which), control in controls.items() if which == "halves"}


def _rows(effects, outcome, split, fitted: EffectFit, controls, jobs_used: int) -> list[dict]:
    years, events = effects.by_pattern(outcome)
    own_events = effects.by_pattern(outcome, own_alone=True)[1] if effects.houses > 1 else events
    levels = effects.cells.levels
    is_common = jobs_used > 0 and own_events.sum() / jobs_used >= evidence.COMMON_OUTCOME
    good = (levels == 0).astype(float)
    rows = []
    for place, contrast in enumerate(fitted.contrasts):
        if contrast.startswith("_"):
            continue
        arm = np.isin(levels, SPLITS[split][contrast]).astype(float)
        calibrated, calibrated_errors = evidence.calibrate(
            fitted.effects[place].ravel(), fitted.errors[place].ravel(), controls[contrast, "halves"]
        )
        halves = [
            (fitted.effects[place][:, h], fitted.errors[place][:, h], fitted.shrunk[place][:, h],
             fitted.shrunk_errors[place][:, h], calibrated.reshape(-1, 2)[:, h], calibrated_errors.reshape(-1, 2)[:, h],
             controls[contrast, "halves"].effects.reshape(-1, 2)[:, h], controls[contrast, "halves"], [h])
            for h in (0, 1)
        ]  # fmt: skip
        both = evidence.calibrate(fitted.effects_all[place], fitted.errors_all[place], controls[contrast, "all"])
        halves.append(
            (fitted.effects_all[place], fitted.errors_all[place], fitted.shrunk_all[place],
             fitted.shrunk_errors_all[place], *both, controls[contrast, "all"].effects, controls[contrast, "all"], [0, 1])
        )  # fmt: skip
        for band, (b, se, shrunk, shrunk_se, cal, cal_se, control_b, control, which) in zip(
            (*AGE_BANDS, "all"), halves, strict=True
        ):
            band_years, band_events = years[:, which].sum(axis=1), events[:, which].sum(axis=1)
            band_own = own_events[:, which].sum(axis=1)
            years_arm, events_arm = band_years @ arm, band_events @ arm
            years_good, events_good = band_years @ good, band_events @ good
            with np.errstate(divide="ignore", invalid="ignore"):
                crude = (events_arm / years_arm) / (events_good / years_good)
            # without an event among the not good or the good there is no ratio to speak of
            there = (events_arm > 0) & (events_good > 0)
            b, cal, control_b = np.where(there, b, np.nan), np.where(there, cal, np.nan), control_b
            low, high = np.exp(b - evidence.Z95 * se), np.exp(b + evidence.Z95 * se)
            p_value, p_calibrated = (2 * stats.norm.sf(np.abs(b / se)), 2 * stats.norm.sf(np.abs(cal / cal_se)))
            for s, step in enumerate(STEPS):
                rows.append({
                    "outcome": outcome, "step": step, "age_band": band, "contrast": contrast,
                    "hazard_ratio": np.exp(b[s]), "low": low[s], "high": high[s],
                    "hazard_ratio_crude": crude[s] if np.isfinite(crude[s]) else np.nan,
                    "hazard_ratio_calibrated": np.exp(cal[s]),
                    "low_calibrated": np.exp(cal[s] - evidence.Z95 * cal_se[s]),
                    "high_calibrated": np.exp(cal[s] + evidence.Z95 * cal_se[s]),
                    "hazard_ratio_shrunk": np.exp(shrunk[s]),
                    "low_shrunk": np.exp(shrunk[s] - evidence.Z95 * shrunk_se[s]),
                    "high_shrunk": np.exp(shrunk[s] + evidence.Z95 * shrunk_se[s]),
                    "events": round(band_events.sum()), "system_years": float(band_years.sum()),
                    "events_good": round(events_good[s]), "system_years_good": float(years_good[s]),
                    "events_skipped": round(events_arm[s]), "system_years_skipped": float(years_arm[s]),
                    "houses": effects.houses, "events_own": round(band_own.sum()),
                    "events_skipped_own": round(float(band_own @ arm[:, s])),
                    "e_value": float(evidence.e_value(np.exp(b[s]), is_common=is_common)),
                    "e_value_limit": float(evidence.e_value_of_limit(low[s], high[s], is_common=is_common)),
                    "negative_control_ratio": np.exp(control_b[s]), "control_p_value": control.p_value,
                    "control_rejects": control.rejects, "events_an_effect": fitted.events_an_effect,
                    "p_value": p_value[s], "p_value_calibrated": p_calibrated[s],
                })  # fmt: skip
    return rows


def _with_evidence(frame: pl.DataFrame, negative_control: str) -> pl.DataFrame:
    """q values within their families and the word for each row. `all` repeats early and late, so it gets no q.

    The q values are of the calibrated ratios: where the control looks caused, what it shows would else pass for findings.
    """
    family = np.full(frame.height, -1)
    outcome, band, contrast = (frame[name].to_numpy() for name in ("outcome", "age_band", "contrast"))
    names = sorted(set(contrast))
    tested = band != "all"
    for number, name in enumerate(names):
        main = np.isin(outcome, MAIN_OUTCOMES) & (contrast == name) & tested
        findings = ~np.isin(outcome, (*MAIN_OUTCOMES, negative_control)) & (contrast == name) & tested
        family[main], family[findings] = 2 * number, 2 * number + 1
    q_values = np.full(frame.height, np.nan)
    p_values = frame["p_value_calibrated"].to_numpy()
    for number in range(2 * len(names)):
        q_values[family == number] = evidence.benjamini_hochberg(p_values[family == number])
    return frame.with_columns(
        q_value=pl.Series(q_values),
        evidence=pl.Series(
            evidence.words(
                frame["events_skipped"].to_numpy(),
                frame["events_good"].to_numpy(),
                frame["low"].to_numpy(),
                q_values,
                frame["low_calibrated"].to_numpy(),
                frame["events_an_effect"].to_numpy(),
            )
        ),
    )
