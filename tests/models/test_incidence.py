"""Cumulative incidence against lifelines, and by hand where systems enter late."""

import warnings

import numpy as np
import pytest

from models import incidence


def test_equal_to_lifelines_in_incidence_and_variance():
    from lifelines import AalenJohansenFitter

    rng = np.random.default_rng(0)
    size = 400
    # lifelines moves tied times at random, so no ties here
    leave = rng.integers(1, 200, size) + np.arange(size) * 1e-4
    kind = rng.choice([0, 1, 2], size)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = AalenJohansenFitter(calculate_variance=True).fit(leave, kind, event_of_interest=1)
    ours = incidence.aalen_johansen(np.zeros(size) - 1, leave, kind)
    np.testing.assert_allclose(theirs.cumulative_density_.iloc[:, 0].reindex(ours.time), ours.incidence, atol=1e-12)
    np.testing.assert_allclose(theirs.variance_.reindex(ours.time), ours.variance, atol=1e-12)


def test_late_entry_counts_only_who_was_followed_by_then():
    # by hand: at 2 two of A, B are at risk (C enters at 3): F = 1/2; at 4 B and C: F = 1/2 + 1/2 x 1/2
    curve = incidence.aalen_johansen(np.array([0.0, 0, 3]), np.array([2.0, 4, 5]), np.array([1, 1, 0]))
    np.testing.assert_allclose(curve.at_risk, [2, 2])
    np.testing.assert_allclose(curve.incidence, [0.5, 0.75])


def test_what_competes_takes_systems_out_for_good():
    # by hand: of 4, one is retired at 1, one fails at 2: F = 3/4 x 1/3, not 1/3
    curve = incidence.aalen_johansen(np.zeros(4), np.array([1.0, 2, 9, 9]), np.array([2, 1, 0, 0]))
    assert curve.incidence[-1] == pytest.approx(0.25)


def test_counting_a_piece_twice_is_the_same_as_a_weight_of_two():
    entry, leave, kind = np.array([0.0, 0, 1]), np.array([3.0, 5, 6]), np.array([1, 2, 0])
    weighted = incidence.aalen_johansen(entry, leave, kind, np.array([2, 1, 2]))
    twice = incidence.aalen_johansen(entry[[0, 0, 1, 2, 2]], leave[[0, 0, 1, 2, 2]], kind[[0, 0, 1, 2, 2]])
    np.testing.assert_allclose(weighted.incidence, twice.incidence)
    np.testing.assert_allclose(weighted.variance, twice.variance)


def test_a_split_in_two_pieces_changes_nothing():
    whole = incidence.aalen_johansen(np.zeros(3), np.array([4.0, 6, 7]), np.array([1, 1, 0]))
    split = incidence.aalen_johansen(np.array([0.0, 0, 2, 0]), np.array([4.0, 2, 6, 7]), np.array([1, 0, 1, 0]))
    np.testing.assert_allclose(whole.incidence, split.incidence)


def test_the_interval_covers_in_nineteen_of_twenty_draws():
    rng = np.random.default_rng(5)
    truth = 0.3 / 0.5 * (1 - np.exp(-0.5))  # constant hazards 0.3 and 0.2, at time 1
    inside = 0
    for _ in range(400):
        when, which = rng.exponential(2.0, 150), rng.random(150) < 0.6
        kind = np.where(when > 1.0, 0, np.where(which, 1, 2))
        curve = incidence.aalen_johansen(np.zeros(150), np.minimum(when, 1.0), kind)
        low, high = incidence.interval(curve.incidence[-1:], curve.variance[-1:])
        inside += low[0] <= truth <= high[0]
    assert 0.92 <= inside / 400 <= 0.98
