"""Spreads of effects told by the data: held to the normal model written out with scipy."""

import numpy as np
import pytest
from scipy import optimize, stats

from models import shrinkage
from models.shrinkage import Prior, Quadratic


@pytest.fixture(scope="module")
def normal():
    """Twelve effects drawn with a spread of 0.4 and measured with known errors, and one free level."""
    rng = np.random.default_rng(4)
    covariance = np.diag(rng.uniform(0.1, 0.3, 13) ** 2) + 0.01
    effects = np.append(2.0, rng.normal(0, 0.4, 12))
    measured = rng.multivariate_normal(effects, covariance)
    information = np.linalg.inv(covariance)
    prior = Prior(
        fixed_sd=np.append(10.0, np.full(12, np.nan)),
        spread_of=np.append(-1, np.zeros(12, dtype=int)),
        scale=np.ones(13),
        belief_centre=np.log([0.3]),
        belief_sd=np.array([2.0]),
    )
    return prior, Quadratic(information, information @ measured), measured, covariance


def test_marginal_likelihood_is_that_of_the_measured_under_both_sources_of_scatter(normal):
    prior, likelihood, measured, covariance = normal

    def written_out(log_spread):
        sd = np.append(10.0, np.full(12, np.exp(log_spread)))
        return stats.multivariate_normal(np.zeros(13), covariance + np.diag(sd**2)).logpdf(measured)

    ours = [likelihood.marginal(prior.precision(np.array([at]))) for at in (-2.0, -1.0, 0.0)]
    theirs = [written_out(at) for at in (-2.0, -1.0, 0.0)]
    np.testing.assert_allclose(np.diff(ours), np.diff(theirs), atol=1e-9)
    best = optimize.minimize_scalar(
        lambda at: 0.5 * ((at - np.log(0.3)) / 2.0) ** 2 - written_out(at), bounds=(-3.7, 1.3), method="bounded"
    )
    assert shrinkage.spreads(prior, likelihood, np.log([0.3]))[0] == pytest.approx(best.x, abs=2e-3)


def test_draws_have_the_mean_and_the_covariance_of_the_posterior(normal):
    prior, likelihood, measured, covariance = normal
    log_spread = np.log([0.4])
    drawn = shrinkage.draw_coefficients(prior, likelihood, np.tile(log_spread, (20_000, 1)), np.random.default_rng(1))
    inverse = np.linalg.inv(np.linalg.inv(covariance) + np.diag(prior.precision(log_spread)))
    np.testing.assert_allclose(drawn.mean(axis=0), inverse @ np.linalg.inv(covariance) @ measured, atol=0.01)
    np.testing.assert_allclose(np.cov(drawn.T), inverse, atol=0.006)


def test_spreads_are_drawn_as_far_as_they_are_in_doubt(normal):
    prior, likelihood, _, _ = normal
    best = shrinkage.spreads(prior, likelihood, np.log([0.3]))
    drawn = shrinkage.draw_spreads(prior, likelihood, best, 4000, np.random.default_rng(1))[:, 0]
    at = np.linspace(-2.5, 0.5, 301)
    log = [likelihood.marginal(prior.precision(np.array([one]))) - 0.5 * ((one - np.log(0.3)) / 2.0) ** 2 for one in at]
    weight = np.exp(np.array(log) - max(log))
    mean = np.average(at, weights=weight)
    assert drawn.mean() == pytest.approx(mean, abs=0.1)
    assert drawn.std() == pytest.approx(np.sqrt(np.average((at - mean) ** 2, weights=weight)), rel=0.25)


def test_a_posterior_s_top_and_information_give_the_likelihood_back(normal):
    prior, likelihood, _, _ = normal
    precision = prior.precision(np.log([0.4]))
    mean, _ = likelihood.posterior(precision)
    again = Quadratic.at(mean, likelihood.information + np.diag(precision), precision)
    np.testing.assert_allclose(again.information, likelihood.information, atol=1e-8)
    np.testing.assert_allclose(again.pull, likelihood.pull, atol=1e-8)
