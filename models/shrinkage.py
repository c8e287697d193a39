"""How far the effects of one kind lie apart, told by the data: so that few failures draw them together and many do not.

The likelihood is taken as a normal one at its fit (Laplace), with information H and H b + score = z. With a normal prior
of precision P on the coefficients the spreads' marginal log likelihood is
    1/2 log det P - 1/2 log det (H + P) + 1/2 z' (H + P)^-1 z,
to which a mild belief in each log spread is added. Source: Gelman and others, Bayesian Data Analysis, 3rd ed., 5 and
13.4; Robbins' empirical Bayes, with the spreads' own doubt kept in the draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

LOG_SPREAD_AT_MOST = 2.5  # farther than this from its belief no data of this kind can move a spread


@dataclass(frozen=True)
class Prior:
    """Normal priors with mean 0 on all coefficients.

    fixed_sd : [columns] standard deviation where it is given, NaN where it is one of the spreads.
    spread_of : [columns] number of the spread, -1 where fixed. scale : [columns] times the spread.
    belief_centre, belief_sd : [spreads] of the log spreads.
    """

    fixed_sd: np.ndarray
    spread_of: np.ndarray
    scale: np.ndarray
    belief_centre: np.ndarray
    belief_sd: np.ndarray

    def precision(self, log_spread: np.ndarray) -> np.ndarray:
        """[columns]"""
        own = self.scale * np.exp(log_spread[np.maximum(self.spread_of, 0)])
        return np.where(self.spread_of >= 0, own, self.fixed_sd) ** -2


@dataclass(frozen=True)
class Quadratic:
    """The log likelihood near its fit: -1/2 b'Hb + z'b. information : H [columns, columns]; pull : z [columns]."""

    information: np.ndarray
    pull: np.ndarray

    @classmethod
    def at(cls, coefficients: np.ndarray, information_with_prior: np.ndarray, precision: np.ndarray) -> Quadratic:
        """From the top of a posterior and the information there, prior included."""
        plain = information_with_prior - np.diag(precision)
        values, vectors = np.linalg.eigh((plain + plain.T) / 2)
        # a marginal likelihood may curve up a little where it says nothing
        return cls((vectors * np.maximum(values, 0.0)) @ vectors.T, information_with_prior @ coefficients)

    def posterior(self, precision: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(mean [columns], Cholesky factor of the precision [columns, columns])"""
        root = np.linalg.cholesky(self.information + np.diag(precision))
        return np.linalg.solve(root.T, np.linalg.solve(root, self.pull)), root

    def marginal(self, precision: np.ndarray) -> float:
        root = np.linalg.cholesky(self.information + np.diag(precision))
        half = np.linalg.solve(root, self.pull)
        return float(0.5 * np.log(precision).sum() - np.log(np.diag(root)).sum() + 0.5 * half @ half)


def spreads(prior: Prior, likelihood: Quadratic, start: np.ndarray) -> np.ndarray:
    """The log spreads that are likeliest, [spreads]."""
    found = optimize.minimize(
        lambda at: _cost(at, prior, likelihood), start, method="L-BFGS-B", bounds=_bounds(prior), options={"ftol": 1e-7}
    )
    return np.asarray(found.x)


def _cost(log_spread: np.ndarray, prior: Prior, likelihood: Quadratic) -> float:
    belief = ((log_spread - prior.belief_centre) / prior.belief_sd) ** 2
    return 0.5 * float(belief.sum()) - likelihood.marginal(prior.precision(log_spread))


def _bounds(prior: Prior) -> list[tuple[float, float]]:
    return [(centre - LOG_SPREAD_AT_MOST, centre + LOG_SPREAD_AT_MOST) for centre in prior.belief_centre]


def draw_spreads(
    prior: Prior, likelihood: Quadratic, best: np.ndarray, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """[draws, spreads] log spreads as far as the data leave them in doubt (normal at the top, within bounds)."""
    size, step = len(best), 0.1
    curvature = np.empty((size, size))
    shift = np.eye(size) * step
    for i in range(size):
        for j in range(i, size):
            corners = [
                sign * other * _cost(best + sign * shift[i] + other * shift[j], prior, likelihood)
                for sign in (1, -1)
                for other in (1, -1)
            ]
            curvature[i, j] = curvature[j, i] = sum(corners) / (4 * step**2)
    values, vectors = np.linalg.eigh(curvature)
    # the belief alone is the least that is known
    root = vectors / np.sqrt(np.maximum(values, 0.5 * (prior.belief_sd**-2).min()))
    drawn = best + rng.standard_normal((draws, size)) @ root.T
    low, high = np.array(_bounds(prior)).T
    return np.clip(drawn, low, high)


def draw_coefficients(
    prior: Prior, likelihood: Quadratic, log_spreads: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """[draws, columns] coefficients, each draw under its own spreads."""
    drawn = []
    for log_spread in log_spreads:
        mean, root = likelihood.posterior(prior.precision(log_spread))
        drawn.append(mean + np.linalg.solve(root.T, rng.standard_normal(len(mean))))
    return np.array(drawn)
