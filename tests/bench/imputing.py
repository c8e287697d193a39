"""Multiple imputation of steps that were not recorded: what a step may have been, drawn from all that is known of its job.

Chained equations (van Buuren 2007): one logistic model for each step, on the job's other steps, its equipment and
joints, the years it was done in, its technician (a normal effect, drawn toward the mean where he has few jobs) and on
what came of the job: whether each outcome came early or late, and its Nelson-Aalen cumulative hazard, as White and Royston
2009 ask for. Without the outcome the drawn steps would know nothing of it, and every ratio would be pulled toward 1.
Each draw takes its coefficients anew, so that what the models do not know shows in the spread between draws (Rubin 1987).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import sparse, special, stats

# weak normal priors: a column that tells good from not good without a fault must not run away
PRECISION, PRECISION_OF_INTERCEPT = 0.05, 1e-4
STEPS_AT_FIRST, STEPS_AFTERWARDS = 6, 1
CYCLES_BEFORE, CYCLES_BETWEEN = 5, 2


@dataclass(frozen=True)
class Jobs:
    """What is known of each job.

    not_good : [jobs, steps] 0 or 1, NaN where it belongs and is not known. belongs : [jobs, steps] truth values.
    technician : [jobs] number, and how many there are. known : [jobs, columns] what else is known of the job, no constant.
    """

    not_good: np.ndarray
    belongs: np.ndarray
    technician: np.ndarray
    technicians: int
    known: np.ndarray


def nelson_aalen(years: np.ndarray, events: np.ndarray) -> np.ndarray:
    """Cumulative hazard of the whole fleet, up to where each job's follow-up ended.

    years, events : [jobs, bands] time in each age band and events in it. Returns [jobs, bands], each band's part of the
    sum: the band's events over its years, times the job's own years.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.nan_to_num(events.sum(axis=0) / years.sum(axis=0))
    return years * rate


def drawn(jobs: Jobs, number: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """`number` complete versions of `not_good`, [jobs, steps] of 0 and 1."""
    missing = np.isnan(jobs.not_good) & jobs.belongs
    filled = np.where(jobs.belongs, np.nan_to_num(jobs.not_good), 0.0)
    constant = np.ones((len(filled), 1))
    design = np.concatenate([filled, constant, _scaled(jobs.known)], axis=1)
    models = {
        step: _OneStep(jobs, step, missing[:, step], design.shape[1])
        for step in range(filled.shape[1])
        if missing[:, step].any()
    }
    for model in models.values():
        model.fill_from_technician(design, rng)
    for cycle in range(CYCLES_BEFORE + (number - 1) * CYCLES_BETWEEN + 1):
        for model in models.values():
            model.redraw(design, rng, STEPS_AT_FIRST if cycle == 0 else STEPS_AFTERWARDS)
        past = cycle - CYCLES_BEFORE
        if past >= 0 and past % CYCLES_BETWEEN == 0:
            yield design[:, : filled.shape[1]].copy()


def expected(jobs: Jobs) -> np.ndarray:
    """[jobs, steps] what is known, 0 or 1, and where it is not the chance that the step was not good.

    The same chained models without a draw: unknown other steps enter with their own chance. The chance is that of an
    average technician, since what lies in the technician the rates' own effect for each takes up. `known` must hold no
    outcome here: a chance that knows the outcome would feign an effect.
    """
    missing = np.isnan(jobs.not_good) & jobs.belongs
    filled = np.where(jobs.belongs, np.nan_to_num(jobs.not_good), 0.0)
    design = np.concatenate([filled, np.ones((len(filled), 1)), _scaled(jobs.known)], axis=1)
    models = [
        _OneStep(jobs, step, missing[:, step], design.shape[1])
        for step in range(filled.shape[1])
        if missing[:, step].any()
    ]
    for model in models:
        model.fill_with_mean(design)
    for cycle in range(CYCLES_BEFORE):
        for model in models:
            model.expect(design, STEPS_AT_FIRST if cycle == 0 else STEPS_AFTERWARDS)
    return design[:, : filled.shape[1]]


def _scaled(columns: np.ndarray) -> np.ndarray:
    """Columns of mean 0; those that are no yes or no, of spread 1 too."""
    spread = columns.std(axis=0)
    is_yes_no = np.isin(columns, (0.0, 1.0)).all(axis=0)
    return (columns - columns.mean(axis=0)) / np.where(is_yes_no | (spread == 0), 1.0, spread)


class _OneStep:
    """The logistic model of one step, on the jobs that it belongs to."""

    def __init__(self, jobs: Jobs, step: int, missing: np.ndarray, columns: int) -> None:
        self.step = step
        self.fitted_on = np.flatnonzero(jobs.belongs[:, step] & ~missing)
        self.missing = np.flatnonzero(missing)
        self.answer = jobs.not_good[self.fitted_on, step]
        self.by, self.by_missing = jobs.technician[self.fitted_on], jobs.technician[self.missing]
        self.number = jobs.technicians
        rows = np.arange(len(self.fitted_on))
        self.sums = sparse.csr_matrix((np.ones(len(rows)), (self.by, rows)), shape=(self.number, len(rows)))
        self.precision = np.full(columns, PRECISION)
        self.precision[jobs.not_good.shape[1]] = PRECISION_OF_INTERCEPT
        self.coefficients = np.zeros(columns)
        self.of_technician = np.zeros(self.number)
        self.variance = 1.0

    def fill_from_technician(self, design: np.ndarray, rng: np.random.Generator) -> None:
        """To begin with: each technician's share of the known, drawn toward everybody's by as much as ten jobs."""
        mean = self.answer.mean() if len(self.answer) else 0.5
        known = np.bincount(self.by, minlength=self.number)
        share = (np.bincount(self.by, self.answer, minlength=self.number) + 10 * mean) / (known + 10)
        design[self.missing, self.step] = rng.random(len(self.missing)) < share[self.by_missing]

    def redraw(self, design: np.ndarray, rng: np.random.Generator, steps: int) -> None:
        """Fit on the known, draw the coefficients, then the steps that are missing."""
        self._fit(design, steps)
        coefficients, of_technician = self._draw(rng)
        chance = special.expit(self._without_own(design, self.missing) @ coefficients + of_technician[self.by_missing])
        design[self.missing, self.step] = rng.random(len(self.missing)) < chance

    def fill_with_mean(self, design: np.ndarray) -> None:
        """To begin with: everybody's share."""
        design[self.missing, self.step] = self.answer.mean() if len(self.answer) else 0.5

    def expect(self, design: np.ndarray, steps: int) -> None:
        """Fit on the known, then the chance that a missing step was not good, for an average technician."""
        self._fit(design, steps)
        design[self.missing, self.step] = special.expit(self._without_own(design, self.missing) @ self.coefficients)

    def _fit(self, design: np.ndarray, steps: int) -> None:
        known = self._without_own(design, self.fitted_on)
        for _ in range(steps):
            self._newton_step(known)

    def _without_own(self, design: np.ndarray, jobs: np.ndarray) -> np.ndarray:
        """These jobs' rows; the step's own column is zeros, so that it has only its prior and says nothing."""
        rows = design[jobs]
        rows[:, self.step] = 0.0
        return rows

    def _newton_step(self, known: np.ndarray) -> None:
        chance = special.expit(known @ self.coefficients + self.of_technician[self.by])
        weight = chance * (1 - chance)
        off = self.answer - chance
        weighted = known * weight[:, None]
        # the technicians' effects stand on a diagonal, so they are solved first
        self.diagonal = self.sums @ weight + 1 / self.variance
        self.crossed = np.asarray(self.sums @ weighted)
        shrunk = self.crossed / self.diagonal[:, None]
        self.information = known.T @ weighted + np.diag(self.precision) - self.crossed.T @ shrunk
        gradient = known.T @ off - self.precision * self.coefficients
        own_gradient = self.sums @ off - self.of_technician / self.variance
        step = np.linalg.solve(self.information, gradient - shrunk.T @ own_gradient)
        step *= min(1.0, 3.0 / max(np.abs(step).max(), 1e-9))
        self.coefficients = self.coefficients + step
        self.of_technician = self.of_technician + (own_gradient - self.crossed @ step) / self.diagonal
        self.variance = max(float(np.mean(self.of_technician**2 + 1 / self.diagonal)), 1e-3)

    def _draw(self, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients and technicians' effects from the normal around their best values."""
        root = np.linalg.cholesky(self.information)
        away = np.linalg.solve(root.T, rng.normal(size=len(root)))
        centre = self.of_technician - self.crossed @ away / self.diagonal
        return self.coefficients + away, centre + rng.normal(size=self.number) / np.sqrt(self.diagonal)


@dataclass(frozen=True)
class Pooled:
    """Rubin's rules, arrays of one shape: estimate, standard error, low and high of the 95 % interval."""

    estimate: np.ndarray
    error: np.ndarray
    low: np.ndarray
    high: np.ndarray


def pooled(estimates: np.ndarray, errors: np.ndarray) -> Pooled:
    """Many fits as one.

    estimates, errors : [draws, ...]. Total variance = mean of the variances + (1 + 1 / draws) x variance between draws,
    with (draws - 1) (1 + within / ((1 + 1 / draws) between))^2 degrees of freedom (Rubin 1987, 3.1.5 and 3.1.6).
    An effect that any draw could not estimate stays NaN.
    """
    draws = len(estimates)
    estimate, within = estimates.mean(axis=0), (errors**2).mean(axis=0)
    between = (1 + 1 / draws) * estimates.var(axis=0, ddof=1)
    error = np.sqrt(within + between)
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = (draws - 1) * (1 + within / between) ** 2
    wide = stats.t.ppf(0.975, np.where(np.isfinite(freedom), freedom, 1e9)) * error
    return Pooled(estimate, error, estimate - wide, estimate + wide)
