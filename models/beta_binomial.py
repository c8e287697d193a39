"""A person's rate when there are few jobs: drawn toward what others reach on such jobs, with what is left in doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

# How many jobs the others' rate weighs: searched on this grid, with a mild belief around ten.
WEIGHT_GRID = np.exp(np.linspace(np.log(1.0), np.log(2000.0), 25))
BELIEF_CENTRE, BELIEF_SD = np.log(12.0), 1.5


@dataclass(frozen=True)
class Posterior:
    """A beta distribution of each one's own rate on his own jobs, and what such jobs reach in the fleet.

    alpha, beta, expected : [people].
    """

    alpha: np.ndarray
    beta: np.ndarray
    expected: np.ndarray
    fleet_rate: float

    def standardised(self, rate: np.ndarray) -> np.ndarray:
        """An own-jobs rate as it would be on the fleet's mix of jobs (shifted on the log-odds scale)."""
        return special.expit(special.logit(rate) - special.logit(self.expected) + special.logit(self._fleet))

    def own(self, rate: np.ndarray | float) -> np.ndarray:
        """The other way: a rate on the fleet's mix as it would be on the own jobs."""
        rate = np.clip(rate, 1e-9, 1 - 1e-9)
        return special.expit(special.logit(rate) + special.logit(self.expected) - special.logit(self._fleet))

    @property
    def _fleet(self) -> float:
        return float(np.clip(self.fleet_rate, 1e-6, 1 - 1e-6))

    def mean(self) -> np.ndarray:
        return self.standardised(np.clip(self.alpha / (self.alpha + self.beta), 1e-9, 1 - 1e-9))

    def interval(self, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        tail = (1 - level) / 2
        low = stats.beta.ppf(tail, self.alpha, self.beta)
        high = stats.beta.ppf(1 - tail, self.alpha, self.beta)
        return (
            self.standardised(np.clip(low, 1e-9, 1 - 1e-9)),
            self.standardised(np.clip(high, 1e-9, 1 - 1e-9)),
        )

    def chance_below(self, rate: np.ndarray | float) -> np.ndarray:
        """Probability that the standardised rate lies below this one."""
        rate = np.broadcast_to(np.asarray(rate, dtype=float), self.alpha.shape)
        inside = stats.beta.cdf(self.own(rate), self.alpha, self.beta)
        return np.where(rate <= 0, 0.0, np.where(rate >= 1, 1.0, inside))


def posterior(good: np.ndarray, jobs: np.ndarray, expected: np.ndarray, fleet_rate: float) -> Posterior:
    """Empirical-Bayes beta-binomial: people's rates scatter around what their jobs would reach in the fleet's hands.

    Parameters
    ----------
    good, jobs : [people] counts. expected : [people] mean rate of the fleet on such jobs, 0 to 1.

    Returns
    -------
    Posterior. How much the others weigh is not known exactly either: its own doubt widens the distribution.
    """
    good, jobs = np.asarray(good, dtype=float), np.asarray(jobs, dtype=float)
    expected = np.clip(np.asarray(expected, dtype=float), 1e-4, 1 - 1e-4)
    a = WEIGHT_GRID[:, None] * expected[None, :]
    b = WEIGHT_GRID[:, None] * (1 - expected)[None, :]
    log_likelihood = (special.betaln(good + a, jobs - good + b) - special.betaln(a, b)).sum(axis=1)
    log_weight = log_likelihood - 0.5 * ((np.log(WEIGHT_GRID) - BELIEF_CENTRE) / BELIEF_SD) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    total = jobs[None, :] + WEIGHT_GRID[:, None]
    mean_each = (good + a) / total
    variance_each = mean_each * (1 - mean_each) / (total + 1)
    mean = weight @ mean_each
    variance = weight @ (variance_each + mean_each**2) - mean**2
    # the mixture as one beta with the same mean and variance
    size = np.maximum(mean * (1 - mean) / np.maximum(variance, 1e-12) - 1, 0.05)
    return Posterior(mean * size, (1 - mean) * size, expected, fleet_rate)
