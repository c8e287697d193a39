"""When things happen: rates that change with age, with the work under which a system runs, and with a visit.

A rate is yearly_rate x (1 + age)^(shape - 1) x a ratio that is constant between breaks (two years of age, a repair that
opened the circuit, a visit). Its integral has a closed form both ways, so that an age is drawn without any loop over time.
"""

from __future__ import annotations

import numpy as np

from synthetic_data.worlds import EARLY_YEARS, STEPS, Outcome, World

NEVER = 1e6  # years


class Rates:
    """Rates of one outcome for many lives.

    breaks : lives x breaks, ages in years, rising along each row; ratios : lives x (breaks + 1), between the breaks.
    """

    def __init__(self, yearly_rate: float, shape: float, breaks: np.ndarray, ratios: np.ndarray):
        self.yearly_rate, self.shape, self.breaks, self.ratios = yearly_rate, shape, breaks, ratios

    def _base(self, age):
        return self.yearly_rate / self.shape * ((1 + age) ** self.shape - 1)

    def _base_inverse(self, total):
        return (1 + total * self.shape / self.yearly_rate) ** (1 / self.shape) - 1

    def cumulative(self, age: np.ndarray) -> np.ndarray:
        """Expected events from age 0 to `age` (years)."""
        total = np.zeros(len(self.ratios))
        low = np.zeros(len(self.ratios))
        for place in range(self.ratios.shape[1]):
            high = np.minimum(age, self.breaks[:, place]) if place < self.breaks.shape[1] else age
            high = np.maximum(high, low)
            total += self.ratios[:, place] * (self._base(high) - self._base(low))
            low = high
        return total

    def age_at(self, total: np.ndarray) -> np.ndarray:
        """Age (years) at which the expected events reach `total`."""
        age = np.full(len(self.ratios), NEVER)
        left = total.astype(float).copy()
        low = np.zeros(len(self.ratios))
        open_ = np.ones(len(self.ratios), dtype=bool)
        for place in range(self.ratios.shape[1]):
            last = place == self.breaks.shape[1]
            high = np.full(len(low), NEVER) if last else self.breaks[:, place]
            piece = self.ratios[:, place] * (self._base(high) - self._base(low))
            ends_here = open_ & (left <= piece)
            with np.errstate(divide="ignore", invalid="ignore"):
                inside = self._base_inverse(self._base(low) + left / self.ratios[:, place])
            age[ends_here] = inside[ends_here]
            open_ &= ~ends_here
            left = left - piece
            low = high
        return age


def log_ratios(outcome: Outcome, world: World) -> tuple[np.ndarray, np.ndarray]:
    """Log ratio of each step that is not good, early and late, in the world's strength."""
    early, late = np.zeros(len(STEPS)), np.zeros(len(STEPS))
    for step, (ratio_early, ratio_late) in outcome.ratios.items():
        early[STEPS.index(step)] = world.effect_share * np.log(ratio_early)
        late[STEPS.index(step)] = world.effect_share * np.log(ratio_late)
    return early, late


def life_rates(
    outcome: Outcome,
    world: World,
    other_first: np.ndarray,
    other_after: np.ndarray,
    bad_first: np.ndarray,
    bad_after: np.ndarray,
    reopened_age: np.ndarray,
    visited_age: np.ndarray | None = None,
    visited_ratio: float = 1.0,
) -> Rates:
    """Rates of an outcome for lives that run under one job's steps, and under another's from `reopened_age` on.

    other_first, other_after : log ratio of all that is not a step (equipment, technician, hurry)
    bad_first, bad_after : lives x steps, 1 where the step was not good; ages in years, NEVER where it never came.
    """
    early, late = log_ratios(outcome, world)
    columns = [np.full(len(other_first), EARLY_YEARS), reopened_age]
    if visited_age is not None:
        columns.append(visited_age)
    breaks = np.sort(np.column_stack(columns), axis=1)
    by_work = {
        (False, False): np.exp(other_first + bad_first @ early),
        (False, True): np.exp(other_first + bad_first @ late),
        (True, False): np.exp(other_after + bad_after @ early),
        (True, True): np.exp(other_after + bad_after @ late),
    }
    ratios = np.empty((len(other_first), breaks.shape[1] + 1))
    for place in range(ratios.shape[1]):
        start = np.zeros(len(ratios)) if place == 0 else breaks[:, place - 1]
        is_late, is_after = start >= EARLY_YEARS, start >= reopened_age
        ratio = np.where(
            is_after,
            np.where(is_late, by_work[True, True], by_work[True, False]),
            np.where(is_late, by_work[False, True], by_work[False, False]),
        )
        if visited_age is not None:
            ratio = np.where(start >= visited_age, ratio * visited_ratio, ratio)
        ratios[:, place] = ratio
    return Rates(outcome.yearly_rate, outcome.shape, breaks, ratios)
