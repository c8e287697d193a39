"""Shrunken rates: do the intervals cover, and are average people left alone?"""

import numpy as np
import pytest
from scipy import special, stats

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
        spread = beta_binomial.posterior(
            good, np.full(60, 300), np.full(60, fleet), fleet, weights=beta_binomial.WEIGHT_FOR_A_MARK
        )
        below = spread.chance_below(fleet - 0.05)
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


def test_parts_explain_the_counts_as_the_beta_binomial_does():
    # scipy.stats.betabinom
    good, jobs, expected = np.array([3.0, 17.0, 40.0]), np.array([5.0, 20.0, 60.0]), np.array([0.8, 0.7, 0.9])
    parts = beta_binomial._Parts(good, jobs, expected, beta_binomial.WEIGHT_GRID, 0.0)
    ours = parts.likelihood.sum(axis=1)
    theirs = stats.betabinom.pmf(good, jobs, parts.a[:, 1, :], parts.b[:, 1, :])
    np.testing.assert_allclose(ours / ours[0], theirs / theirs[0], rtol=1e-9)


def test_the_chance_of_lying_below_agrees_with_draws_from_the_mixture():
    rng = np.random.default_rng(2)
    good, jobs = rng.binomial(40, 0.8, 12).astype(float), np.full(12, 40.0)
    spread = beta_binomial.posterior(good, jobs, np.full(12, 0.75), 0.8, doubt=0.2, centre_doubt=0.1)
    part = rng.choice(len(spread.membership), 200_000, p=spread.membership[:, 0])
    own = rng.beta(spread.alpha[part, 0], spread.beta[part, 0])
    # moved from his own jobs to the fleet's mix, which is known only so well
    moved = special.logit(own) - special.logit(0.75) + special.logit(0.8) + rng.normal(0, 0.2, len(part))
    assert spread.chance_below(0.78)[0] == pytest.approx(np.mean(special.expit(moved) < 0.78), abs=0.004)


def test_where_nearly_all_is_good_one_bad_job_of_few_is_not_taken_for_a_habit():
    # with a weight in jobs that did not grow with the rate, 9 of 10 would pull 0.98 down below 0.93
    spread = beta_binomial.posterior(np.array([9.0] + [98.0] * 11), np.array([10.0] + [100.0] * 11), np.full(12, 0.98), 0.98)  # fmt: skip
    assert spread.mean()[0] > 0.96
    assert spread.interval()[0][0] > 0.88


def test_doubt_about_the_mix_of_jobs_widens_the_interval_and_moves_no_rate():
    good, jobs = np.full(10, 80.0), np.full(10, 100.0)
    sure, unsure = (beta_binomial.posterior(good, jobs, np.full(10, 0.8), 0.8, doubt) for doubt in (0.0, 0.5))
    assert unsure.mean() == pytest.approx(sure.mean())
    assert (unsure.interval()[0] < sure.interval()[0] - 0.05).all()
    assert (unsure.interval()[1] > sure.interval()[1] + 0.03).all()
