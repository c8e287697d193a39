"""Shrunken rates: do the intervals cover, and are average people left alone?"""

import numpy as np
import pytest

from models import beta_binomial


@pytest.mark.parametrize("jobs", [20, 300])
def test_intervals_cover_the_truth_in_about_nineteen_of_twenty(jobs):
    rng = np.random.default_rng(jobs)
    covered = []
    for _ in range(15):
        truth = rng.beta(17, 3, 60)
        good = rng.binomial(jobs, truth)
        known = np.full(60, jobs)
        spread = beta_binomial.posterior(good, known, np.full(60, good.sum() / known.sum()), good.sum() / known.sum())
        low, high = spread.interval()
        covered.append((low <= truth) & (truth <= high))
    assert np.mean(covered) == pytest.approx(0.95, abs=0.025)


def test_average_people_are_hardly_ever_below_and_the_truly_bad_mostly_are():
    rng = np.random.default_rng(3)
    average, bad = [], []
    for _ in range(40):
        truth = np.clip(rng.normal(0.88, 0.015, 60), 0.01, 0.99)
        truth[:3] = 0.73
        good = rng.binomial(300, truth)
        fleet = good.sum() / (60 * 300)
        below = beta_binomial.posterior(good, np.full(60, 300), np.full(60, fleet), fleet).chance_below(fleet - 0.05)
        bad.append(below[:3] > 0.975)
        average.append(below[3:] > 0.975)
    assert np.mean(average) <= 0.004
    assert np.mean(bad) >= 0.85


def test_somebody_given_the_harder_jobs_is_not_blamed_for_them():
    # two people with the same skill; the second has jobs on which the fleet reaches 0.6 instead of 0.9
    good, jobs = np.array([180.0, 120.0] + [150.0] * 20), np.full(22, 200.0)
    expected = np.array([0.9, 0.6] + [0.75] * 20)
    mean = beta_binomial.posterior(good, jobs, expected, 0.75).mean()
    assert mean[0] == pytest.approx(0.75, abs=0.01)
    assert mean[1] == pytest.approx(0.75, abs=0.01)


def test_few_jobs_are_drawn_further_toward_the_fleet_and_leave_more_in_doubt():
    spread = beta_binomial.posterior(np.array([5.0, 250] + [42.0] * 10), np.array([10.0, 500] + [50.0] * 10),
                                     np.full(12, 0.8), 0.8)  # fmt: skip
    mean, (low, high) = spread.mean(), spread.interval()
    assert 0.5 < mean[1] < mean[0] < 0.8
    assert high[0] - low[0] > 3 * (high[1] - low[1])
