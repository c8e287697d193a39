"""Many looks at once, the outcome that no step can cause, and the word for a finding."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from models import evidence


def test_q_values_equal_statsmodels_and_scipy():
    p_values = np.random.default_rng(2).random(40) ** 3
    ours = evidence.benjamini_hochberg(p_values)
    np.testing.assert_allclose(ours, multipletests(p_values, method="fdr_bh")[1], atol=1e-14)
    np.testing.assert_allclose(ours, stats.false_discovery_control(p_values), atol=1e-14)


def test_a_missing_p_value_does_not_count_in_the_family():
    q_values = evidence.benjamini_hochberg(np.array([0.01, np.nan, 0.04]))
    assert np.isnan(q_values[1])
    np.testing.assert_allclose(q_values[[0, 2]], [0.02, 0.04])


def test_joint_test_of_a_control_is_a_wald_chi_square():
    covariance = np.array([[0.04, 0.01], [0.01, 0.09]])
    control = evidence.joint_control(np.array([0.3, -0.2]), covariance, events=200)
    by_hand = np.array([0.3, -0.2]) @ np.linalg.inv(covariance) @ np.array([0.3, -0.2])
    assert control.p_value == pytest.approx(stats.chi2.sf(by_hand, 2))


def test_small_effects_that_all_lean_one_way_are_noticed_though_the_joint_test_is_not():
    control = evidence.joint_control(np.full(18, 0.12), np.eye(18) * 0.15**2, events=900)
    assert control.p_value > 0.05
    assert control.mean_p_value == pytest.approx(2 * stats.norm.sf(0.12 / (0.15 / np.sqrt(18))))
    assert control.rejects


def test_a_control_with_few_events_tests_nothing_and_changes_nothing():
    control = evidence.joint_control(np.array([2.0]), np.array([[0.01]]), events=9)
    assert np.isnan(control.p_value)
    assert evidence.calibrate(np.array([0.5]), np.array([0.1]), control)[0] == [0.5]


def test_a_control_that_shows_the_same_harm_everywhere_takes_it_off_and_adds_its_doubt():
    # ten equal effects of 0.4 with standard error 0.1: no spread beyond chance, so their mean goes off
    control = evidence.joint_control(np.full(10, 0.4), np.eye(10) * 0.01, events=5000)
    effects, errors = evidence.calibrate(np.full(10, 0.9), np.full(10, 0.1), control)
    np.testing.assert_allclose(effects, 0.5)
    np.testing.assert_allclose(errors, np.sqrt(0.01 + 0.01 / 10))


def test_a_control_with_wide_spread_takes_off_each_step_its_own():
    own = np.linspace(-1, 1, 10)
    control = evidence.joint_control(own, np.eye(10) * 1e-6, events=5000)
    effects, _ = evidence.calibrate(own + 0.3, np.full(10, 0.1), control)
    np.testing.assert_allclose(effects, 0.3, atol=1e-4)


@pytest.mark.parametrize(
    ("bad", "good", "low", "q", "calibrated", "word"),
    [
        (50, 50, 1.2, 0.01, 1.1, "clear"),
        (50, 50, 1.2, 0.01, 0.9, "leaning"),
        (50, 50, 1.05, 0.2, 1.05, "leaning"),
        (50, 50, 1.05, np.nan, 1.05, "leaning"),
        (50, 50, 0.8, 0.01, 0.8, "unclear"),
        (9, 50, 2.0, 0.001, 2.0, "too_few"),
        (50, 9, 2.0, 0.001, 2.0, "too_few"),
        (50, 50, np.nan, np.nan, np.nan, "too_few"),
    ],
)
def test_words(bad, good, low, q, calibrated, word):
    assert evidence.words([bad], [good], [low], [q], [calibrated]) == [word]


def test_e_value_of_a_limit_is_one_where_the_interval_holds_one():
    found = evidence.e_value_of_limit(np.array([0.8, 1.5, 0.3, np.nan]), np.array([1.4, 3.0, 0.5, np.nan]))
    np.testing.assert_allclose(found[:3], [1.0, evidence.e_value(1.5), evidence.e_value(2.0)])
    assert np.isnan(found[3])
