"""Statistics against figures that others have published; the source stands beside each figure.

The Cox ratios of lung and the incidence of mgus2 stand with the fits of reference libraries in test_*_references.py.
"""

import numpy as np
import pytest
from lifelines.datasets import load_lung

from models import change, evidence, funnel, incidence


def _lung():
    """The lung data set: days, died, age, sex, ph.ecog (complete rows), as R's survival package ships it."""
    return load_lung()


def test_e_value_of_a_risk_ratio_of_3_9_is_7_26_and_of_its_limit_2_4_is_4_23():
    # VanderWeele and Ding 2017
    assert float(evidence.e_value(3.9)) == pytest.approx(7.263034, abs=1e-6)
    assert float(evidence.e_value(2.4)) == pytest.approx(4.233030, abs=1e-6)


def test_e_value_of_a_hazard_ratio_of_2_for_a_rare_and_a_common_outcome():
    # VanderWeele and Ding 2017
    assert float(evidence.e_value(2.0)) == pytest.approx(3.414214, abs=1e-6)
    assert float(evidence.e_value(2.0, is_common=True)) == pytest.approx(2.606409, abs=1e-6)
    # a protective ratio is turned round
    assert float(evidence.e_value(0.5)) == pytest.approx(3.414214, abs=1e-6)


def test_funnel_limits_at_a_target_of_0_074_and_200_jobs():
    # Spiegelhalter 2005, formula computed
    low, high = funnel.binomial_limits(0.074, 200, 0.95)
    assert (float(low), float(high)) == (pytest.approx(0.03709, abs=5e-6), pytest.approx(0.10969, abs=5e-6))
    low, high = funnel.binomial_limits(0.074, 200, 0.998)
    assert (float(low), float(high)) == (pytest.approx(0.02079, abs=5e-6), pytest.approx(0.13440, abs=5e-6))


def test_risk_adjusted_running_sum_of_six_cases():
    # Steiner and others 2000, formula computed
    chance = np.array([0.1, 0.2, 0.05, 0.3, 0.1, 0.15])
    bad = np.array([0, 1, 0, 1, 1, 0], dtype=bool)
    path = change.running_sum(change.scores(chance, bad, 2.0))
    np.testing.assert_allclose(path, [0, 0.51083, 0.46204, 0.89282, 1.49066, 1.35089], atol=5e-6)


def test_lung_survival_at_a_year_and_its_median():
    # R survival 3.5.3: S(365) 0.4092, median 310 days
    lung = _lung()
    kind = (lung["status"] == lung["status"].max()).astype(int).to_numpy()
    curve = incidence.aalen_johansen(np.zeros(len(lung)), lung["time"].to_numpy(float), kind)
    survival = 1 - curve.incidence
    assert survival[curve.time <= 365][-1] == pytest.approx(0.4092, abs=5e-5)
    assert curve.time[np.flatnonzero(survival <= 0.5)[0]] == 310


def test_the_running_sum_rings_falsely_once_in_about_90_000_jobs_and_finds_0_90_to_0_73_in_about_70():
    # the design's own figures for an alarm at 8.5
    rng = np.random.default_rng(1)
    odds_ratio = np.exp(change.FALL_LOG_ODDS)
    score = change.scores(np.full(2_000_000, 0.1), rng.random(2_000_000) < 0.1, odds_ratio)
    alarms, position = 0, 0
    while position < len(score):
        over = np.flatnonzero(change.running_sum(score[position:]) >= change.ALARM_AT)
        if not len(over):
            break
        alarms, position = alarms + 1, position + over[0] + 1
    assert 10 <= alarms <= 40  # 22 expected of 2,000,000 jobs; 1 in 90,000 by a longer run
    delays = []
    for _ in range(300):
        bad = rng.random(2000) < 1 - 0.7305  # log odds 2.197 less 1.2
        path = change.running_sum(change.scores(np.full(2000, 0.1), bad, odds_ratio))
        delays.append(np.flatnonzero(path >= change.ALARM_AT)[0] + 1)
    assert np.mean(delays) == pytest.approx(70, abs=5)
