"""Did those who were trained move otherwise than the others before the course already? Half years, tested together."""

from __future__ import annotations

import numpy as np
from scipy import stats

from models import by_lot, two_way_fit
from models.course_stacks import Stacked, quarters
from models.training_change import COMPARED_AT_LEAST, TRAINED_AT_LEAST, TRAINED_FOR_CLUSTERS
from models.two_way_fit import TwoWay

QUARTERS_A_HALF_YEAR = 2
DRAWS = 999


def half_years(wanted: np.ndarray) -> list[np.ndarray]:
    """The wanted quarters in half years, the oldest first: [quarters] truth values of each."""
    number = np.arange(len(wanted)) // QUARTERS_A_HALF_YEAR
    return [wanted & (number == half) for half in np.unique(number[wanted])]


def pre_trend_p(stacked: Stacked, seed: int, *, with_choosing: bool) -> float:
    """p value that the trained's half years before the course differ by no more than the others'; NaN where not testable.

    with_choosing : with the half year in which people were chosen; without it, only the time that a change rests on.
    """
    asked = quarters("before") | quarters("choosing") if with_choosing else quarters("before")
    blocks = half_years(asked)
    part = _told(stacked, asked, blocks)
    if min(part.trained(), part.compared()) < min(TRAINED_AT_LEAST, COMPARED_AT_LEAST):
        return float("nan")
    own = part.is_trained
    held = [block for block in blocks if part.known[own][:, block].sum() > 0 and part.known[~own][:, block].sum() > 0]
    if len(held) < 2:
        return float("nan")
    two_way = TwoWay(part.good, part.known, part.stack)
    if min(part.trained(), part.compared()) >= TRAINED_FOR_CLUSTERS:
        return _by_clusters(part, two_way, held[1:])
    return _by_lots(part, two_way, held, seed)


def _told(stacked: Stacked, asked: np.ndarray, blocks: list[np.ndarray]) -> Stacked:
    """Units with known jobs in two half years or more: others say nothing of a trend."""
    part = stacked.between(asked, asked)
    return part.where(np.sum([part.known[:, block].sum(axis=1) > 0 for block in blocks], axis=0) >= 2)


def _by_clusters(part: Stacked, two_way: TwoWay, leads: list[np.ndarray]) -> float:
    design = np.stack([part.is_trained[:, None] * lead[None, :].astype(float) for lead in leads], axis=2)
    fit = two_way.fit(design)
    if not fit.has_converged or np.linalg.matrix_rank(fit.information) < len(leads):
        return float("nan")
    covariance = two_way_fit.jackknife_covariance(fit, part.technician)
    wald = float(fit.coefficients @ np.linalg.solve(covariance, fit.coefficients)) / len(leads)
    return float(stats.f.sf(wald, len(leads), min(part.trained(), part.compared()) - 1))


def _by_lots(part: Stacked, two_way: TwoWay, blocks: list[np.ndarray], seed: int) -> float:
    """How often a draw of other people stands as far out in all half years together."""
    if by_lot.possible_draws(part) < by_lot.DRAWS_POSSIBLE_AT_LEAST:
        return float("nan")
    lots = by_lot.draw_lots(part, np.random.default_rng(seed), DRAWS)
    fit = two_way.fit(np.zeros((*part.known.shape, 0)))
    found = np.stack([by_lot.statistic(lots, *by_lot.scores(fit, block)) for block in blocks], axis=1)
    # the half years' scores add up to nought, so one of them says nothing new: hence the pseudo-inverse
    spread = np.linalg.pinv(np.atleast_2d(np.cov(found, rowvar=False)), rcond=1e-6, hermitian=True)
    away = found - found.mean(axis=0)
    distance = np.einsum("bi,ij,bj->b", away, spread, away)
    return float(np.mean(distance >= distance[0] - 1e-12))
