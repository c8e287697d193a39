"""Intervals from drawing anew who was trained, against every possible draw."""

from itertools import combinations

import numpy as np
import pytest

from models import by_lot
from models.course_stacks import AFTER_QUARTERS, BEFORE_QUARTERS, Stacked, quarters
from models.two_way_fit import TwoWay

QUARTERS = BEFORE_QUARTERS + AFTER_QUARTERS
AFTER = quarters("after")


def one_stack(seed: int, people: int, trained: int, change: float = 0.0) -> Stacked:
    rng = np.random.default_rng(seed)
    known = rng.integers(1, 5, (people, QUARTERS)).astype(float)
    is_trained = np.arange(people) < trained
    log_odds = rng.normal(0.5, 0.6, people)[:, None] + change * is_trained[:, None] * AFTER[None, :]
    good = rng.binomial(known.astype(int), 1 / (1 + np.exp(-log_odds))).astype(float)
    place = np.arange(people)
    return Stacked(good, known, place, np.zeros(people, int), is_trained, np.array([19000]), np.array([19000]))


def lot_test(stacked: Stacked, seed: int = 1) -> by_lot.LotTest:
    lots = by_lot.draw_lots(stacked, np.random.default_rng(seed))
    return by_lot.LotTest(stacked, TwoWay(stacked.good, stacked.known, stacked.stack), AFTER, lots)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_p_value_is_that_of_every_possible_draw(seed):
    stacked = one_stack(seed, people=9, trained=4, change=0.4)
    fit = TwoWay(stacked.good, stacked.known, stacked.stack).fit(np.zeros((9, QUARTERS, 0)))
    score, weight = by_lot.scores(fit, AFTER)
    # by hand: all 126 ways to choose 4 of 9
    every = []
    for chosen in combinations(range(9), 4):
        of = np.isin(np.arange(9), chosen)
        change = score[of].sum() / weight[of].sum() - score[~of].sum() / weight[~of].sum()
        every.append(change / np.sqrt(1 / weight[of].sum() + 1 / weight[~of].sum()))
    every = np.array(every)
    seen = every[0]  # 0, 1, 2, 3
    exact = min(1.0, 2 * min(np.mean(every >= seen - 1e-12), np.mean(every <= seen + 1e-12)))
    test = lot_test(stacked)
    assert test.draws(0.0)[0] == pytest.approx(seen)
    assert test.p_value() == pytest.approx(exact, abs=0.05)
    assert by_lot.possible_draws(stacked) == 126


def test_a_change_is_in_the_interval_where_its_own_test_keeps_it():
    stacked = one_stack(5, people=20, trained=6, change=0.9)
    test = lot_test(stacked)
    low, high = test.interval(0.5)
    assert low < 0.9 < high
    for end, outward in ((low, -1), (high, 1)):
        assert test.p_value(end + 0.1 * outward) < 0.05 < test.p_value(end - 0.1 * outward)


def test_without_a_change_one_test_in_twenty_rejects():
    rejected = [lot_test(one_stack(seed, people=14, trained=5), seed).p_value() < 0.05 for seed in range(120)]
    # 5 % of 120 is 6, with a standard error of 2.4
    assert 1 <= sum(rejected) <= 13


def test_nobody_is_drawn_twice_and_as_many_as_were_trained():
    first, second = one_stack(1, 12, 3), one_stack(2, 12, 4)
    both = Stacked(
        np.vstack([first.good, second.good]), np.vstack([first.known, second.known]),
        np.concatenate([first.technician, second.technician + 3]), np.repeat([0, 1], 12),
        np.concatenate([first.is_trained, second.is_trained]), np.array([19000, 19400]), np.array([19000, 19400]),
    )  # fmt: skip
    lots = by_lot.draw_lots(both, np.random.default_rng(1), 200)
    trained = np.zeros((201, 15))
    for place, drawn in zip(lots.units, lots.trained, strict=True):
        trained[:, both.technician[place]] += drawn
    assert (trained[1:] <= 1).all()
    assert [set(drawn.sum(axis=1)) for drawn in lots.trained] == [{3.0}, {4.0}]
    # whoever was drawn for the other course within its months is not compared with
    assert all((drawn * compared).sum() == 0 for drawn, compared in zip(lots.trained, lots.compared, strict=True))
    assert lots.compared[0][1:].sum(axis=1).min() < 9
