"""Rates of events by Newton's method on look-ups, with an effect for each technician profiled out or drawn from a gamma.

With D events and M expected events of a technician (before his own factor), the log likelihood of the log ratios b is
    sum_rows d x'b  -  sum_technicians (D + shape) log(M + shape)        [+ what does not depend on b]
shape = 0 profiles a free effect for each technician out of a Poisson model (equal to a dummy for each); shape > 0 is
the marginal likelihood of a gamma factor with mean 1 and variance 1 / shape. Rows never carry their own covariates:
a row names one level in each of a few terms, and a term's matrix tells what a level means.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import sparse, special

# A direction whose information is this small beside the others' cannot be told from the rest of the model.
NULL_DIRECTION = 1e-9
STEPS_AT_MOST = 60


@dataclass(frozen=True)
class Term:
    """One part of the linear predictor: row -> level -> columns.

    matrix : [levels, columns]. is_levels : its columns are 0 or 1, so that a column without events has no finite
    estimate. precision : [columns] of a normal prior with mean 0 on each coefficient; 0 for none.
    """

    matrix: np.ndarray
    is_levels: bool = True
    precision: np.ndarray | None = None

    @property
    def columns(self) -> int:
        return self.matrix.shape[1]


@dataclass
class Rows:
    """The look-ups of a set of rows, worked out once for all outcomes and all contrasts.

    stratum : [rows] the technician's number. level : for each term [rows] the level's number, and how many there are.
    """

    stratum: np.ndarray
    strata: int
    level: list[np.ndarray]
    levels: list[int]
    by_stratum: list[_CrossTable] = field(init=False, repr=False)
    by_pair: dict[tuple[int, int], _CrossTable] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.by_stratum = [
            _CrossTable(self.stratum, self.strata, level, number)
            for level, number in zip(self.level, self.levels, strict=True)
        ]
        self.by_pair = {
            (i, j): _CrossTable(self.level[i], self.levels[i], self.level[j], self.levels[j])
            for i in range(len(self.level))
            for j in range(i + 1, len(self.level))
        }


class _CrossTable:
    """Sums of a weight by two codes at once, kept sparse: most pairs never meet."""

    def __init__(self, left: np.ndarray, lefts: int, right: np.ndarray, rights: int) -> None:
        key = left.astype(np.int64) * rights + right
        pairs, self.place = np.unique(key, return_inverse=True)
        self.shape = (lefts, rights)
        self.pairs = len(pairs)
        self.columns = (pairs % rights).astype(np.int32)
        self.starts = np.searchsorted(pairs // rights, np.arange(lefts + 1)).astype(np.int32)

    def times(self, weight: np.ndarray, matrix: np.ndarray) -> np.ndarray:
        """[lefts, rights] table of the weight, times [rights, columns]."""
        values = np.bincount(self.place, weight, minlength=self.pairs)
        return sparse.csr_matrix((values, self.columns, self.starts), shape=self.shape) @ matrix


@dataclass(frozen=True)
class RateFit:
    """What was estimated.

    coefficients, standard_errors : [columns of all terms]; NaN where not estimable.
    covariance : [columns, columns], zero rows where not estimable.
    expected : [rows] events expected without the technician's factor. stratum_events, stratum_expected : [strata].
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    is_estimable: np.ndarray
    log_likelihood: float
    linear: np.ndarray
    expected: np.ndarray
    stratum_events: np.ndarray
    stratum_expected: np.ndarray
    information: np.ndarray
    newton_steps: int
    has_converged: bool

    @property
    def standard_errors(self) -> np.ndarray:
        return np.where(self.is_estimable, np.sqrt(np.maximum(np.diag(self.covariance), 0.0)), np.nan)

    def stratum_factor(self, shape: float = 0.0) -> np.ndarray:
        """How many times its expected events each technician's jobs had; with a shape, drawn toward 1."""
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = (self.stratum_events + shape) / (self.stratum_expected + shape)
        return np.where(np.isfinite(factor), factor, 1.0)


def fit_rates(
    rows: Rows,
    terms: list[Term],
    years: np.ndarray,
    events: np.ndarray,
    shape: float = 0.0,
    start: np.ndarray | None = None,
) -> RateFit:
    """Log ratios of rates by maximum (penalised) likelihood.

    Parameters
    ----------
    rows : look-ups. terms : one for each look-up of `rows`, in its order.
    years, events : [rows]; rows without time and without events count for nothing.
    shape : of the technicians' gamma factor; 0 for a free effect for each.
    start : [columns] where to begin.

    Returns
    -------
    RateFit. A column with no events (and no prior) has no finite estimate: its rows say nothing about the others and
    are left out, as the limit of the likelihood does.
    """
    slices, total = [], 0
    for term in terms:
        slices.append(slice(total, total + term.columns))
        total += term.columns
    precision = np.concatenate(
        [np.zeros(term.columns) if term.precision is None else term.precision for term in terms] or [np.zeros(0)]
    )
    years = years.astype(float).copy()
    usable = np.ones(total, dtype=bool)
    stratum_events = np.bincount(rows.stratum, events, minlength=rows.strata)
    if shape == 0.0:
        # a technician without events takes the factor 0 and says nothing
        years[stratum_events[rows.stratum] == 0] = 0.0

    event_score = np.zeros(total)
    for place, term in enumerate(terms):
        by_level = np.bincount(rows.level[place], events, minlength=rows.levels[place])
        event_score[slices[place]] = term.matrix.T @ by_level
        time_by_level = np.bincount(rows.level[place], years, minlength=rows.levels[place])
        has_time = (np.abs(term.matrix).T @ time_by_level) > 0
        without_events = term.is_levels & (event_score[slices[place]] == 0) & (precision[slices[place]] == 0)
        usable[slices[place]] &= has_time & ~without_events
        if without_events.any():
            silent = np.any(term.matrix[:, without_events] > 0, axis=1)
            years[silent[rows.level[place]]] = 0.0

    coefficients = np.zeros(total) if start is None else np.where(np.isfinite(start), start, 0.0)
    coefficients[~usable] = 0.0

    def linear_of(b: np.ndarray) -> np.ndarray:
        eta = np.zeros(len(years))
        for place, term in enumerate(terms):
            eta += (term.matrix @ b[slices[place]])[rows.level[place]]
        return eta

    def log_likelihood(eta: np.ndarray, b: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        expected = years * np.exp(np.clip(eta, -60.0, 60.0))
        by_stratum = np.bincount(rows.stratum, expected, minlength=rows.strata)
        counted = (stratum_events + shape) > 0
        value = float(events @ eta) - float(
            (stratum_events[counted] + shape) @ np.log(np.maximum(by_stratum[counted] + shape, 1e-300))
        )
        return value - 0.5 * float(precision @ b**2), expected, by_stratum

    eta = linear_of(coefficients)
    value, expected, by_stratum = log_likelihood(eta, coefficients)
    information = np.zeros((total, total))
    has_converged = total == 0 or events.sum() == 0
    steps = 0
    final_step = False
    while not has_converged and steps < STEPS_AT_MOST:
        steps += 1
        gradient, information = _score_and_information(
            rows, terms, slices, expected, by_stratum, stratum_events, shape, event_score
        )
        gradient = gradient - precision * coefficients
        information = information + np.diag(precision)
        inverse, _ = _inverse(information, usable)
        step = inverse @ gradient
        decrement = float(gradient @ step)
        largest = np.abs(step).max(initial=0.0)
        if largest > 2.0:
            step *= 2.0 / largest
        size = 1.0
        while True:
            trial = coefficients + size * step
            trial_eta = linear_of(trial)
            trial_value, trial_expected, trial_by_stratum = log_likelihood(trial_eta, trial)
            if trial_value >= value - 1e-9 * abs(value) or size < 1e-4:
                break
            size /= 2
        coefficients, eta = trial, trial_eta
        value, expected, by_stratum = trial_value, trial_expected, trial_by_stratum
        if final_step:
            has_converged = True
        # Newton doubles its digits: one more step after a small one is exact
        elif decrement < 1e-8:
            final_step = True
    if total:
        _, information = _score_and_information(
            rows, terms, slices, expected, by_stratum, stratum_events, shape, event_score
        )
        information = information + np.diag(precision)
    covariance, estimable = _inverse(information, usable)
    return RateFit(
        coefficients=np.where(estimable, coefficients, np.nan),
        covariance=covariance,
        is_estimable=estimable,
        log_likelihood=value,
        linear=eta,
        expected=expected,
        stratum_events=stratum_events,
        stratum_expected=by_stratum,
        information=information,
        newton_steps=steps,
        has_converged=bool(has_converged and events.sum() > 0),
    )


def _score_and_information(rows, terms, slices, expected, by_stratum, stratum_events, shape, event_score):
    total = len(event_score)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = (stratum_events + shape) / (by_stratum + shape)
    factor = np.where(np.isfinite(factor), factor, 0.0)
    fitted = expected * factor[rows.stratum]
    gradient = event_score.copy()
    information = np.zeros((total, total))
    sums = np.zeros((rows.strata, total))
    for i, term in enumerate(terms):
        by_level = np.bincount(rows.level[i], fitted, minlength=rows.levels[i])
        gradient[slices[i]] -= term.matrix.T @ by_level
        information[slices[i], slices[i]] = term.matrix.T @ (by_level[:, None] * term.matrix)
        sums[:, slices[i]] = rows.by_stratum[i].times(expected, term.matrix)
        for j in range(i + 1, len(terms)):
            block = term.matrix.T @ rows.by_pair[i, j].times(fitted, terms[j].matrix)
            information[slices[i], slices[j]] = block
            information[slices[j], slices[i]] = block.T
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = (stratum_events + shape) / (by_stratum + shape) ** 2
    weight = np.where(np.isfinite(weight), weight, 0.0)
    information -= sums.T @ (weight[:, None] * sums)
    return gradient, information


def _inverse(information: np.ndarray, usable: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverse over the directions that the data can tell apart, and which columns take no part in the others.

    Two steps that are always not good on the same jobs share one null direction: neither has an estimate, whatever a
    generalised inverse would make of them.
    """
    total = len(usable)
    inverse = np.zeros((total, total))
    estimable = usable.copy()
    diagonal = np.diag(information)
    estimable &= diagonal > 1e-10 * max(float(diagonal.max(initial=0.0)), 1e-300)
    kept = np.flatnonzero(estimable)
    if not len(kept):
        return inverse, estimable
    scale = 1.0 / np.sqrt(diagonal[kept])
    scaled = information[np.ix_(kept, kept)] * scale[:, None] * scale[None, :]
    values, vectors = np.linalg.eigh((scaled + scaled.T) / 2)
    is_null = values < NULL_DIRECTION
    told = vectors[:, ~is_null]
    part = (told / values[~is_null]) @ told.T
    inverse[np.ix_(kept, kept)] = part * scale[:, None] * scale[None, :]
    if is_null.any():
        involved = (np.abs(vectors[:, is_null]) > 1e-4).any(axis=1)
        estimable[kept[involved]] = False
    return inverse, estimable


def gamma_shape_log_likelihood(fit: RateFit, shape: float) -> float:
    """The marginal log likelihood at a fit with this shape, up to what depends on neither shape nor coefficients."""
    counts = fit.stratum_events
    return fit.log_likelihood + float(
        np.sum(special.gammaln(counts + shape) - special.gammaln(shape)) + len(counts) * shape * np.log(shape)
    )
