"""A person's rate when there are few jobs: drawn toward what others reach on such jobs, with what is left in doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

# How many jobs the others' rate weighs, for a fleet that has 4 of 5 good: from "hardly at all" to "much alike" (a spread
# of people of 0.25 on the log-odds scale), with a mild belief around twelve that counts as much as four people do.
# Nobody is ever taken for a copy of the rest. Where nearly all is good, or nearly nothing, the same spread of people
# weighs more jobs.
WEIGHT_GRID = np.exp(np.linspace(np.log(1.5), np.log(100.0), 12))
OF_A_RATE = 0.8 * 0.2
# For a mark on somebody's name his own jobs must speak: the others' rate weighs eight jobs, however alike they are. Average
# people are then marked in less than 4 of 1,000 cases, and whoever is far off is found twice as often with few jobs.
WEIGHT_FOR_A_MARK = np.array([8.0])
BELIEF_CENTRE, BELIEF_SD, BELIEVED_PEOPLE = np.log(12.0), 1.2, 4.0
_BELIEF = np.exp(-0.5 * ((np.log(WEIGHT_GRID) - BELIEF_CENTRE) / BELIEF_SD) ** 2)
_BELIEF = _BELIEF / _BELIEF.sum()
EM_ROUNDS = 60
Z95 = 1.959964
# places and weights that stand for a normal distribution
_THREE, _THREE_WEIGHT = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)]), np.array([1.0, 4.0, 1.0]) / 6
_FIVE, _FIVE_WEIGHT = np.polynomial.hermite_e.hermegauss(5)
_FIVE_WEIGHT = _FIVE_WEIGHT / _FIVE_WEIGHT.sum()


@dataclass(frozen=True)
class Posterior:
    """What is known of each one's own rate on his own jobs: a mixture of betas, and what such jobs reach in the fleet.

    alpha, beta, membership : [parts, people]; membership adds up to 1 for each. expected : [people].
    fleet_rate : what all jobs reach in the same average hands as `expected`.
    doubt : [people] standard deviation of the distance from `expected` to `fleet_rate`, on the log-odds scale.
    """

    alpha: np.ndarray
    beta: np.ndarray
    membership: np.ndarray
    expected: np.ndarray
    fleet_rate: float
    doubt: np.ndarray | float = 0.0

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

    def interval(self) -> tuple[np.ndarray, np.ndarray]:
        """95 %: ends of the beta that has the mixture's mean and variance, widened by the doubt about the mix of jobs."""
        mean, variance = self._moments()
        size = np.maximum(mean * (1 - mean) / variance - 1, 0.05)
        middle, ends = special.logit(self.mean()), []
        for part, sign in ((0.025, -1), (0.975, 1)):
            end = special.betaincinv(mean * size, (1 - mean) * size, part)
            reach = special.logit(self.standardised(np.clip(end, 1e-9, 1 - 1e-9))) - middle
            ends.append(special.expit(middle + sign * np.hypot(reach, Z95 * self.doubt)))
        return ends[0], ends[1]

    def chance_below(self, rate: np.ndarray | float) -> np.ndarray:
        """Probability that the standardised rate lies below this one."""
        rate = np.broadcast_to(np.asarray(rate, dtype=float), self.expected.shape)
        log_odds = special.logit(np.clip(rate, 1e-9, 1 - 1e-9))
        inside = np.zeros(self.expected.shape)
        for place, weight in zip(_FIVE, _FIVE_WEIGHT, strict=True):
            own = self.own(special.expit(log_odds + place * self.doubt))
            inside += weight * (self.membership * special.betainc(self.alpha, self.beta, own[None, :])).sum(axis=0)
        return np.where(rate <= 0, 0.0, np.where(rate >= 1, 1.0, inside))


def posterior(
    good: np.ndarray,
    jobs: np.ndarray,
    expected: np.ndarray,
    fleet_rate: float,
    doubt: np.ndarray | float = 0.0,
    centre_doubt: np.ndarray | float = 0.0,
    weights: np.ndarray | None = None,
) -> Posterior:
    """Empirical-Bayes beta-binomial: people's rates scatter around what their jobs would reach in the fleet's hands.

    Parameters
    ----------
    good, jobs : [people] counts, which may be fractions. expected : [people] what average hands reach on such jobs, 0 to
    1. fleet_rate : what they reach on all jobs. doubt, centre_doubt : standard deviations on the log-odds scale, of the
    distance between the two and of `expected` alone (`models.job_mix.Standard`). weights : how many jobs the others' rate
    may weigh; None takes the usual ones.

    Returns
    -------
    Posterior. How much the others weigh may differ from one to the next: most of a crew can be alike and one far off, and
    the one far off must not be drawn in by the likeness of the rest.

    Source: Skellam 1948 (beta-binomial), Morris 1983 (empirical Bayes); from memory.
    """
    fleet = float(np.clip(fleet_rate, 0.005, 0.995))
    usual = WEIGHT_GRID * OF_A_RATE / (fleet * (1 - fleet))
    prior = _BELIEF if weights is None else np.full(len(weights), 1 / len(weights))
    parts = _Parts(good, jobs, expected, usual if weights is None else weights, centre_doubt)
    people = parts.good.size
    of_weight = parts.likelihood.sum(axis=1)
    belief = prior.copy()
    for _ in range(EM_ROUNDS):
        membership = belief[:, None] * of_weight
        membership /= membership.sum(axis=0)
        belief = (membership.sum(axis=1) + BELIEVED_PEOPLE * prior) / (people + BELIEVED_PEOPLE)
    membership = (belief[:, None, None] * parts.likelihood).reshape(-1, people)
    return Posterior(
        (parts.good + parts.a).reshape(-1, people),
        (parts.jobs - parts.good + parts.b).reshape(-1, people),
        membership / membership.sum(axis=0),
        parts.expected,
        fleet_rate,
        np.broadcast_to(np.asarray(doubt, dtype=float), (people,)),
    )


class _Parts:
    """The betas before the counts, [weights, places of the centre, people], and how well each explains the counts."""

    def __init__(self, good, jobs, expected, weights: np.ndarray, centre_doubt) -> None:
        self.good, self.jobs = np.asarray(good, dtype=float), np.asarray(jobs, dtype=float)
        self.expected = np.clip(np.asarray(expected, dtype=float), 1e-4, 1 - 1e-4)
        # what the rest are like is itself known only so well
        shift = _THREE[:, None] * np.broadcast_to(np.asarray(centre_doubt, dtype=float), self.good.shape)[None, :]
        centre = special.expit(special.logit(self.expected)[None, :] + shift)
        weight = weights[:, None, None]
        self.a, self.b = weight * centre, weight * (1 - centre)
        log = special.betaln(self.good + self.a, self.jobs - self.good + self.b) - special.betaln(self.a, self.b)
        self.likelihood = np.exp(log - log.max(axis=(0, 1))) * _THREE_WEIGHT[None, :, None]
