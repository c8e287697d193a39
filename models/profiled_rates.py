"""Rates of events by Newton's method on look-ups, with an effect for each technician profiled out or drawn from a gamma.

With D events and M expected events of a technician (before his own factor), the log likelihood of the log ratios b is
    sum_rows d x'b  -  sum_technicians (D + shape) log(M + shape)        [+ what does not depend on b]
shape = 0 profiles a free effect for each technician out of a Poisson model (equal to a dummy for each); shape > 0 is
the marginal likelihood of a gamma factor with mean 1 and variance 1 / shape. Rows never carry their own covariates:
a row names one level in each of a few terms, and a term's matrix tells what a level means. Time may be given by age band:
then a row stands for a whole stretch of ages, and the bands' rates enter as sums, without a row for each band.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

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

    @cached_property
    def without_zeros(self) -> sparse.csr_matrix:
        """The matrix without its zeros: of a pattern most steps are good."""
        return sparse.csr_matrix(self.matrix)

    @cached_property
    def transposed(self) -> sparse.csr_matrix:
        return self.without_zeros.T.tocsr()

    def squared(self, weight: np.ndarray) -> np.ndarray:
        """[columns, columns] weighted sum of products of columns."""
        return (self.transposed @ self.without_zeros.multiply(weight[:, None]).tocsr()).toarray()


@dataclass
class Rows:
    """The look-ups of a set of rows, worked out once for all outcomes and all contrasts.

    stratum : [rows] the technician's number. level : for each term [rows] the level's number, and how many there are.
    kind : [rows] the number of the row's combination of levels: all rows of a kind have one hazard. kind_level : for each
    term [kinds].
    """

    stratum: np.ndarray
    strata: int
    level: list[np.ndarray]
    levels: list[int]
    kind: np.ndarray = field(init=False, repr=False)
    kind_level: list[np.ndarray] = field(init=False, repr=False)
    by_stratum: list[_CrossTable] = field(init=False, repr=False)
    by_pair: dict[tuple[int, int], _CrossTable] = field(init=False, repr=False)
    _grouped: dict[str, _Grouping] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        code = np.zeros(len(self.stratum), dtype=np.int64)
        for level, number in zip(self.level, self.levels, strict=True):
            code *= number
            code += level
        kinds, self.kind = _numbered(code, int(np.prod(self.levels, dtype=float)))
        self.kind_level = []
        for number in reversed(self.levels):
            self.kind_level.insert(0, kinds % number)
            kinds = kinds // number
        self.by_stratum = [
            _CrossTable(self.stratum, self.strata, level, number)
            for level, number in zip(self.level, self.levels, strict=True)
        ]
        self.by_pair = {
            (i, j): _CrossTable(self.kind_level[i], self.levels[i], self.kind_level[j], self.levels[j])
            for i in range(len(self.level))
            for j in range(i + 1, len(self.level))
        }

    @property
    def kinds(self) -> int:
        return len(self.kind_level[0]) if self.kind_level else 1

    def of_stratum(self) -> _Grouping:
        """The rows by stratum."""
        if "stratum" not in self._grouped:
            self._grouped["stratum"] = _Grouping(self.stratum, self.strata)
        return self._grouped["stratum"]

    def of_kind(self) -> _Grouping:
        """The rows by kind."""
        if "kind" not in self._grouped:
            self._grouped["kind"] = _Grouping(self.kind, self.kinds)
        return self._grouped["kind"]

    def kinds_of(self, place: int) -> _Grouping:
        """The kinds by the levels of one term."""
        name = f"kinds of {place}"
        if name not in self._grouped:
            self._grouped[name] = _Grouping(self.kind_level[place], self.levels[place])
        return self._grouped[name]


def _numbered(code: np.ndarray, codes: int) -> tuple[np.ndarray, np.ndarray]:
    """The different codes in order, and which of them each is; codes : how many there could be."""
    if codes > 4 * len(code):
        return np.unique(code, return_inverse=True)
    number = np.zeros(codes, dtype=np.int32)
    number[code] = 1
    found = np.flatnonzero(number)
    number[found] = np.arange(len(found))
    return found, number[code]


class _CrossTable:
    """Sums of a weight by two codes at once, kept sparse: most pairs never meet."""

    def __init__(self, left: np.ndarray, lefts: int, right: np.ndarray, rights: int) -> None:
        key = left.astype(np.int64) * rights + right
        pairs, self.place = _numbered(key, lefts * rights)
        self.shape = (lefts, rights)
        self.pairs = len(pairs)
        self.columns = (pairs % rights).astype(np.int32)
        self.starts = np.searchsorted(pairs // rights, np.arange(lefts + 1)).astype(np.int32)

    def times(self, weight: np.ndarray, term: Term) -> np.ndarray:
        """[lefts, rights] table of the weight, times the term's [rights, columns]."""
        values = np.bincount(self.place, weight, minlength=self.pairs)
        table = sparse.csr_matrix((values, self.columns, self.starts), shape=self.shape)
        return sparse.csr_matrix(table @ term.without_zeros).toarray()


class _Grouping:
    """Sums over the rows of each level, for many columns at once."""

    def __init__(self, level: np.ndarray, levels: int) -> None:
        # short numbers are put in order in one go
        short = level.astype(np.uint16) if levels <= 2**16 else level
        self.order = np.argsort(short, kind="stable").astype(np.int32)
        self.starts = np.concatenate([[0], np.cumsum(np.bincount(level, minlength=levels))]).astype(np.int32)
        self.shape = (levels, len(level))

    def sums(self, weight: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """[levels, columns] sums of weight x columns."""
        return sparse.csr_matrix((weight[self.order], self.order, self.starts), shape=self.shape) @ columns


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
    bands: Term | None = None,
    band_events: np.ndarray | None = None,
) -> RateFit:
    """Log ratios of rates by maximum (penalised) likelihood.

    Parameters
    ----------
    rows : look-ups. terms : one for each look-up of `rows`, in its order.
    years : [rows], or [rows, bands] with `bands`. events : [rows]; rows without time and events count for nothing.
    shape : of the technicians' gamma factor; 0 for a free effect for each.
    start : [columns] where to begin.
    bands : what each age band means, its columns last in the results; band_events : [bands] events in each.

    Returns
    -------
    RateFit. A column with no events (and no prior) has no finite estimate: its rows say nothing about the others and
    are left out, as the limit of the likelihood does.
    """
    return _Newton(rows, terms, years, events, shape, bands, band_events).run(start)


class _Newton:
    """One fit under way."""

    def __init__(
        self,
        rows: Rows,
        terms: list[Term],
        years: np.ndarray,
        events: np.ndarray,
        shape: float,
        bands: Term | None,
        band_events: np.ndarray | None,
    ) -> None:
        self.rows, self.terms, self.events, self.shape, self.bands = rows, terms, events, shape, bands
        self.years, self._given_years = np.asarray(years, dtype=float), years
        self.band_events = np.zeros(0) if band_events is None else band_events
        every: list[Term] = terms if bands is None else [*terms, bands]
        self.slices, total = [], 0
        for term in every:
            self.slices.append(slice(total, total + term.columns))
            total += term.columns
        self.total = total
        self.precision = np.zeros(total)
        for part, term in zip(self.slices, every, strict=True):
            if term.precision is not None:
                self.precision[part] = term.precision
        self.stratum_events = np.bincount(rows.stratum, events, minlength=rows.strata)
        self.kind_events = np.bincount(rows.kind, events, minlength=rows.kinds)
        self._leave_out_what_has_no_events()

    def _leave_out_what_has_no_events(self) -> None:
        rows = self.rows
        self.usable = np.ones(self.total, dtype=bool)
        self.event_score = np.zeros(self.total)
        if self.shape == 0.0:
            # a technician without events takes the factor 0 and says nothing
            self._silence((self.stratum_events == 0)[rows.stratum])
        if self.bands is not None:
            part, term = self.slices[-1], self.bands
            self.event_score[part] = term.matrix.T @ self.band_events
            without = term.is_levels & (self.event_score[part] == 0) & (self.precision[part] == 0)
            self.usable[part] = ~without & ((np.abs(term.matrix).T @ self.years.sum(axis=0)) > 0)
            self._silence(np.any(term.matrix[:, without] != 0, axis=1), are_bands=True)
        row_years = self.years if self.bands is None else self.years.sum(axis=1)
        for place, term in enumerate(self.terms):
            part = self.slices[place]
            level, number = rows.level[place], rows.levels[place]
            self.event_score[part] = term.matrix.T @ np.bincount(level, self.events, minlength=number)
            has_time = (np.abs(term.matrix).T @ np.bincount(level, row_years, minlength=number)) > 0
            without = term.is_levels & (self.event_score[part] == 0) & (self.precision[part] == 0)
            self.usable[part] = has_time & ~without
            if without.any():
                self._silence(np.any(term.matrix[:, without] > 0, axis=1)[level])

    def _silence(self, silent: np.ndarray, are_bands: bool = False) -> None:
        """Rows, or bands, that say nothing lose their time; what was given stays as it is."""
        if not silent.any():
            return
        if self.years is self._given_years:
            self.years = self.years.copy()
        self.years[(slice(None), silent) if are_bands else silent] = 0.0

    def _at(self, coefficients: np.ndarray) -> _State:
        """Everything that the likelihood and its derivatives need at these coefficients."""
        rows = self.rows
        eta_of_kind = np.zeros(rows.kinds)
        for place, term in enumerate(self.terms):
            eta_of_kind += (term.without_zeros @ coefficients[self.slices[place]])[rows.kind_level[place]]
        hazard_of_kind = np.exp(np.clip(eta_of_kind, -60.0, 60.0))
        value = float(self.kind_events @ eta_of_kind)
        if self.bands is None:
            band_rate, expected = np.ones(1), self.years.copy()
        else:
            band_eta = self.bands.matrix @ coefficients[self.slices[-1]]
            band_rate = np.exp(np.clip(band_eta, -60.0, 60.0))
            expected = self.years @ band_rate
            value += float(self.band_events @ band_eta)
        hazard = hazard_of_kind[rows.kind]
        expected *= hazard
        by_stratum = np.bincount(rows.stratum, expected, minlength=rows.strata)
        counted = (self.stratum_events + self.shape) > 0
        value -= float(
            (self.stratum_events[counted] + self.shape) @ np.log(np.maximum(by_stratum[counted] + self.shape, 1e-300))
        )
        value -= 0.5 * float(self.precision @ coefficients**2)
        return _State(coefficients, eta_of_kind, hazard_of_kind, hazard, band_rate, expected, by_stratum, value)

    def _derivatives(self, state: _State) -> tuple[np.ndarray, np.ndarray]:
        """Gradient and information, priors included."""
        rows, terms, slices = self.rows, self.terms, self.slices
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = (self.stratum_events + self.shape) / (state.by_stratum + self.shape)
            weight = factor / (state.by_stratum + self.shape)
        factor, weight = (np.where(np.isfinite(part), part, 0.0) for part in (factor, weight))
        of_row = factor[rows.stratum]
        years = self.years[:, None] if self.bands is None else self.years
        # all rows of a kind have one hazard: what is fitted to a kind is its hazard times its technicians' time
        fitted_time = state.hazard_of_kind[:, None] * rows.of_kind().sums(of_row, years)
        fitted = fitted_time @ state.band_rate
        gradient = self.event_score - self.precision * state.coefficients
        information = np.diag(self.precision)
        sums = np.zeros((rows.strata, self.total))
        for i, term in enumerate(terms):
            by_level = np.bincount(rows.kind_level[i], fitted, minlength=rows.levels[i])
            gradient[slices[i]] -= term.transposed @ by_level
            information[slices[i], slices[i]] += term.squared(by_level)
            sums[:, slices[i]] = rows.by_stratum[i].times(state.expected, term)
            for j in range(i + 1, len(terms)):
                block = term.transposed @ rows.by_pair[i, j].times(fitted, terms[j])
                information[slices[i], slices[j]] = block
                information[slices[j], slices[i]] = block.T
        if self.bands is not None:
            part, meaning = slices[-1], state.band_rate[:, None] * self.bands.matrix
            by_band = state.band_rate * fitted_time.sum(axis=0)
            gradient[part] -= self.bands.matrix.T @ by_band
            information[part, part] += self.bands.matrix.T @ (by_band[:, None] * self.bands.matrix)
            sums[:, part] = rows.of_stratum().sums(state.hazard, self.years) @ meaning
            for i, term in enumerate(terms):
                block = term.transposed @ (rows.kinds_of(i).sums(np.ones(rows.kinds), fitted_time) @ meaning)
                information[slices[i], part] = block
                information[part, slices[i]] = block.T
        information -= sums.T @ (weight[:, None] * sums)
        return gradient, information

    def run(self, start: np.ndarray | None) -> RateFit:
        coefficients = np.zeros(self.total) if start is None else np.where(np.isfinite(start), start, 0.0)
        coefficients[~self.usable] = 0.0
        state = self._at(coefficients)
        has_events = self.events.sum() > 0
        has_converged = self.total == 0 or not has_events
        steps, is_last, before = 0, False, 0.0
        while not has_converged and steps < STEPS_AT_MOST:
            steps += 1
            gradient, information = self._derivatives(state)
            inverse, _ = _inverse(information, self.usable)
            step = inverse @ gradient
            decrement = float(gradient @ step)
            largest = np.abs(step).max(initial=0.0)
            if largest > 2.0:
                step *= 2.0 / largest
            size = 1.0
            while True:
                trial = self._at(state.coefficients + size * step)
                if trial.value >= state.value - 1e-9 * abs(state.value) or size < 1e-4:
                    break
                size /= 2
            state = trial
            # Newton doubles its digits: one more step after a small one, or after one that foretells it, is exact
            coming = min(decrement, decrement**3 / before**2) if before > 0 else decrement
            has_converged, is_last, before = is_last, coming < 1e-8, decrement
        information = self._derivatives(state)[1] if self.total else np.zeros((0, 0))
        covariance, estimable = _inverse(information, self.usable)
        return RateFit(
            coefficients=np.where(estimable, state.coefficients, np.nan),
            covariance=covariance,
            is_estimable=estimable,
            log_likelihood=state.value,
            linear=state.eta_of_kind[self.rows.kind],
            expected=state.expected,
            stratum_events=self.stratum_events,
            stratum_expected=state.by_stratum,
            information=information,
            newton_steps=steps,
            has_converged=bool(has_converged and has_events),
        )

    def slope_of_log_expected(self, fitted: RateFit) -> np.ndarray:
        """[strata, columns] how the log of each technician's expected events moves with each coefficient."""
        state = self._at(np.nan_to_num(fitted.coefficients))
        rows = self.rows
        parts = [table.times(state.expected, term) for table, term in zip(rows.by_stratum, self.terms, strict=True)]
        if self.bands is not None:
            meaning = state.band_rate[:, None] * self.bands.matrix
            parts.append(rows.of_stratum().sums(state.hazard, self.years) @ meaning)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.nan_to_num(np.concatenate(parts, axis=1) / state.by_stratum[:, None])


@dataclass(frozen=True)
class _State:
    """Where a fit stands.

    eta_of_kind, hazard_of_kind : [kinds]. hazard, expected : [rows]. band_rate : [bands]. by_stratum : [strata].
    """

    coefficients: np.ndarray
    eta_of_kind: np.ndarray
    hazard_of_kind: np.ndarray
    hazard: np.ndarray
    band_rate: np.ndarray
    expected: np.ndarray
    by_stratum: np.ndarray
    value: float


def slope_of_log_expected(rows: Rows, terms: list[Term], years: np.ndarray, events: np.ndarray, shape: float,
                          bands: Term, band_events: np.ndarray, fitted: RateFit) -> np.ndarray:  # fmt: skip
    """[strata, columns] how the log of each technician's expected events moves with each coefficient."""
    return _Newton(rows, terms, years, events, shape, bands, band_events).slope_of_log_expected(fitted)


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
