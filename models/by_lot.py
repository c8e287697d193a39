"""An interval from drawing anew who was trained: what the change could have looked like had the lot fallen otherwise.

With few people trained, standard errors from so few clusters are too small. Under a supposed change its work can be
taken out of the trained people's counts; then it is as if nobody had been trained, and any draw of people from those
who were there could have been the trained ones. A supposed change is kept in the interval unless the trained stand
further out than nearly all such draws (randomisation inference; for few treated clusters see MacKinnon and Webb 2020).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np

from models.course_stacks import AFTER_QUARTERS, DAYS_A_QUARTER, Stacked
from models.two_way_fit import FARTHEST, TwoWay, TwoWayFit

DRAWS = 1999
# an end of a 95 % interval needs one draw in forty
DRAWS_POSSIBLE_AT_LEAST = 40
ROUNDS = 12
CLOSE_LOG_ODDS = 0.002
CLOSE_FIT = 1e-6


@dataclass(frozen=True)
class Lots:
    """Who could have been trained. For each stack its units, and [draws, units] who was and who was not; draw 0 is what was."""

    units: list[np.ndarray]
    trained: list[np.ndarray]
    compared: list[np.ndarray]


def possible_draws(stacked: Stacked) -> int:
    """How many ways there are to draw the trained, stack by stack; at most a million."""
    ways = 1
    for number in np.unique(stacked.stack):
        here = stacked.stack == number
        ways *= comb(int(here.sum()), int((here & stacked.is_trained).sum()))
        if ways > 1_000_000:
            return 1_000_000
    return ways


def draw_lots(stacked: Stacked, rng: np.random.Generator, draws: int = DRAWS) -> Lots:
    """Draw, course after course, as many people as were trained from those who were there and not drawn yet."""
    technicians = int(stacked.technician.max()) + 1
    drawn_at = np.full((draws, technicians), -1)
    numbers = np.unique(stacked.stack)
    units = [np.flatnonzero(stacked.stack == number) for number in numbers]
    for number, place in zip(numbers, units, strict=True):
        people = stacked.technician[place]
        count = int(stacked.is_trained[place].sum())
        key = np.where(drawn_at[:, people] < 0, rng.random((draws, len(people))), 2.0)
        chosen = np.argsort(key, axis=1)[:, :count]
        rows = np.repeat(np.arange(draws), count)
        drawn_at[rows, people[chosen].ravel()] = number
    trained, compared = [], []
    for number, place in zip(numbers, units, strict=True):
        lot = drawn_at[:, stacked.technician[place]]
        # whoever was drawn for a course within this one's months does not stand for the untaught
        end = stacked.last_day[number] + round(AFTER_QUARTERS * DAYS_A_QUARTER)
        far = (lot > number) & (stacked.first_day[np.maximum(lot, 0)] > end)
        was = stacked.is_trained[place][None]
        trained.append(np.concatenate([was, lot == number]).astype(float))
        compared.append(np.concatenate([~was, (lot < 0) | far]).astype(float))
    return Lots(units, trained, compared)


def statistic(lots: Lots, score: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """[draws] change of those drawn against those not, in standard errors of the jobs alone. score, weight : [units].

    One step from the supposed change. In standard errors, since people whose jobs after the course are nearly all good
    tell less of a change than those drawn instead of them (studentised: Janssen 1997, Chung and Romano 2013).
    """
    above, below = 0.0, 0.0
    for place, trained, compared in zip(lots.units, lots.trained, lots.compared, strict=True):
        here, own = score[place], weight[place]
        of_trained, of_compared = trained @ own, compared @ own
        with np.errstate(divide="ignore", invalid="ignore"):
            change = trained @ here / of_trained - compared @ here / of_compared
            share = of_trained * of_compared / (of_trained + of_compared)
        is_told = (of_trained > 0) & (of_compared > 0)
        above = above + np.where(is_told, share * change, 0.0)
        below = below + np.where(is_told, share, 0.0)
    return np.asarray(above) / np.sqrt(np.maximum(below, 1e-300))


def information(lots: Lots, weight: np.ndarray) -> float:
    """How much the people who were trained tell of a change: one over its variance by the jobs alone."""
    found = 0.0
    for place, trained, compared in zip(lots.units, lots.trained, lots.compared, strict=True):
        of_trained, of_compared = float(trained[0] @ weight[place]), float(compared[0] @ weight[place])
        if of_trained > 0 and of_compared > 0:
            found += of_trained * of_compared / (of_trained + of_compared)
    return found


def scores(fit: TwoWayFit, part: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """[units] what the fit leaves over in some quarters, and how much a change there would show. part : [quarters]."""
    total, here = fit.weight.sum(axis=1), fit.weight[:, part].sum(axis=1)
    return fit.score[:, part].sum(axis=1), np.where(total > 0, here * (total - here) / np.maximum(total, 1e-300), 0.0)


class LotTest:
    """The test of a supposed change in log odds by lot. after : [quarters] truth values."""

    def __init__(self, stacked: Stacked, two_way: TwoWay, after: np.ndarray, lots: Lots) -> None:
        self.two_way, self.after, self.lots = two_way, after, lots
        self.given = stacked.is_trained[:, None] * after[None, :].astype(float)
        self.none = np.zeros((*self.given.shape, 0))
        self.last: TwoWayFit | None = None

    def draws(self, supposed: float) -> np.ndarray:
        """[1 + draws] the statistic of what was, then of the draws, when `supposed` is taken out."""
        return statistic(self.lots, *self._scores(supposed))

    def _scores(self, supposed: float) -> tuple[np.ndarray, np.ndarray]:
        self.last = self.two_way.fit(self.none, supposed * self.given, near=self.last, close=CLOSE_FIT)
        return scores(self.last, self.after)

    def p_value(self, supposed: float = 0.0) -> float:
        found = self.draws(supposed)
        upper, lower = np.mean(found >= found[0] - 1e-12), np.mean(found <= found[0] + 1e-12)
        return float(min(1.0, 2 * min(upper, lower)))

    def interval(self, start: float) -> tuple[float, float]:
        """The ends of the 95 % interval of the change in log odds, looked for from `start` on."""
        return self._end(start, 0.975), self._end(start, 0.025)

    def _end(self, start: float, level: float) -> float:
        supposed = start
        for _ in range(ROUNDS):
            score, weight = self._scores(supposed)
            found = statistic(self.lots, score, weight)
            told = information(self.lots, weight)
            if told <= 0:
                return float("nan")
            move = (found[0] - np.quantile(found, level)) / np.sqrt(told)
            supposed = float(np.clip(supposed + np.clip(move, -1.5, 1.5), -FARTHEST, FARTHEST))
            if abs(move) < CLOSE_LOG_ODDS:
                break
        return supposed
