"""A person's rate when there are few jobs: drawn toward what others reach on such jobs, with what is left in doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

# How many jobs the others' rate weighs: from "hardly at all" to "everybody is alike", with a mild belief around twelve
# that counts as much as two people do.
WEIGHT_GRID = np.exp(np.linspace(np.log(1.5), np.log(1500.0), 15))
BELIEF_CENTRE, BELIEF_SD, BELIEVED_PEOPLE = np.log(12.0), 1.2, 2.0
EM_ROUNDS = 60


@dataclass(frozen=True)
class Posterior:
    """What is known of each one's own rate on his own jobs: a mixture of betas, and what such jobs reach in the fleet.

    alpha, beta, membership : [weights, people]; membership adds up to 1 for each. expected : [people].
    """

    alpha: np.ndarray
    beta: np.ndarray
    membership: np.ndarray
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

    def _moments(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean and variance of each one's rate on his own jobs."""
        total = self.alpha + self.beta
        each = self.alpha / total
        mean = (self.membership * each).sum(axis=0)
        second = (self.membership * (each * (1 - each) / (total + 1) + each**2)).sum(axis=0)
        return mean, np.maximum(second - mean**2, 1e-12)

    def mean(self) -> np.ndarray:
        return self.standardised(np.clip(self._moments()[0], 1e-9, 1 - 1e-9))

    def interval(self, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Ends of the beta that has the mixture's mean and variance."""
        mean, variance = self._moments()
        size = np.maximum(mean * (1 - mean) / variance - 1, 0.05)
        tail = (1 - level) / 2
        ends = [stats.beta.ppf(part, mean * size, (1 - mean) * size) for part in (tail, 1 - tail)]
        low, high = (self.standardised(np.clip(end, 1e-9, 1 - 1e-9)) for end in ends)
        return low, high

    def chance_below(self, rate: np.ndarray | float) -> np.ndarray:
        """Probability that the standardised rate lies below this one."""
        rate = np.broadcast_to(np.asarray(rate, dtype=float), self.expected.shape)
        inside = (self.membership * stats.beta.cdf(self.own(rate)[None, :], self.alpha, self.beta)).sum(axis=0)
        return np.where(rate <= 0, 0.0, np.where(rate >= 1, 1.0, inside))


def posterior(good: np.ndarray, jobs: np.ndarray, expected: np.ndarray, fleet_rate: float) -> Posterior:
    """Empirical-Bayes beta-binomial: people's rates scatter around what their jobs would reach in the fleet's hands.

    Parameters
    ----------
    good, jobs : [people] counts. expected : [people] mean rate of the fleet on such jobs, 0 to 1.

    Returns
    -------
    Posterior. How much the others weigh may differ from one to the next: most of a crew can be alike and one far off, and
    the one far off must not be drawn in by the likeness of the rest.
    """
    good, jobs = np.asarray(good, dtype=float), np.asarray(jobs, dtype=float)
    expected = np.clip(np.asarray(expected, dtype=float), 1e-4, 1 - 1e-4)
    a = WEIGHT_GRID[:, None] * expected[None, :]
    b = WEIGHT_GRID[:, None] * (1 - expected)[None, :]
    log_likelihood = special.betaln(good + a, jobs - good + b) - special.betaln(a, b)
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=0))
    belief = np.exp(-0.5 * ((np.log(WEIGHT_GRID) - BELIEF_CENTRE) / BELIEF_SD) ** 2)
    belief /= belief.sum()
    share = belief.copy()
    for _ in range(EM_ROUNDS):
        membership = share[:, None] * likelihood
        membership /= membership.sum(axis=0)
        share = (membership.sum(axis=1) + BELIEVED_PEOPLE * belief) / (good.size + BELIEVED_PEOPLE)
    membership = share[:, None] * likelihood
    membership /= membership.sum(axis=0)
    return Posterior(good + a, jobs - good + b, membership, expected, fleet_rate)
