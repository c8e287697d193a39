"""Intervals, q values and the scores of a model's chances, against R, statsmodels, scikit-learn and scikit-survival."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from lifelines.datasets import load_lung
from scipy import stats
from sklearn.metrics import brier_score_loss, roc_auc_score
from sksurv.datasets import load_veterans_lung_cancer
from sksurv.metrics import brier_score, cumulative_dynamic_auc
from sksurv.util import Surv
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from models import back_test, beta_binomial, evidence, funnel

HORIZON = back_test.HORIZON_DAYS


def test_q_values_are_those_of_p_adjust_and_multipletests(r):
    ours = evidence.benjamini_hochberg(r["p"])
    np.testing.assert_allclose(ours, r["p.adjust"], atol=1e-15)
    np.testing.assert_allclose(ours, multipletests(r["p"], method="fdr_bh")[1], atol=1e-15)


def test_benjamini_and_hochberg_s_own_example_rejects_four_of_fifteen():
    # Benjamini and Hochberg 1995, section 3.2 (memory): at 0.05 the first four of these ordered p values
    p_values = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1,
    ]  # fmt: skip
    q_values = evidence.benjamini_hochberg(np.array(p_values))
    assert (q_values <= 0.05).tolist() == [True] * 4 + [False] * 11
    # in any order, and a value that is missing counts for nothing
    mixed = np.array([*p_values[::-1], np.nan])
    np.testing.assert_allclose(
        evidence.benjamini_hochberg(mixed)[:-1], multipletests(p_values[::-1], method="fdr_bh")[1]
    )


def test_intervals_of_plain_rates_are_jeffreys():
    good, jobs = np.array([1, 12, 36, 299]), np.array([20, 40, 40, 300])
    low, high = funnel.exact_interval(good, jobs)
    theirs = proportion_confint(good, jobs, method="jeffreys")
    np.testing.assert_allclose([low, high], theirs, atol=1e-12)
    # at the edges Brown, Cai and DasGupta 2001 let the interval reach the edge
    low, high = funnel.exact_interval(np.array([0, 25]), np.array([25, 25]))
    assert (low[0], high[1]) == (0.0, 1.0)
    np.testing.assert_allclose(high[0], proportion_confint(0, 25, method="jeffreys")[1], atol=1e-12)


def test_intervals_without_an_event_are_those_of_r(r):
    # R: qbeta for Jeffreys; binom.test (Clopper and Pearson) where none of 37 has failed
    np.testing.assert_allclose(funnel.exact_interval(12, 40), r["jeffreys_12_of_40"], atol=1e-12)
    seen = back_test._seen(np.full(37, 365.0), np.zeros(37, dtype=bool))
    np.testing.assert_allclose(seen[1:], r["nothing_of_37"], atol=1e-12)
    np.testing.assert_allclose(seen[1:], proportion_confint(0, 37, method="beta"), atol=1e-12)


def test_people_are_weighed_by_scipy_s_beta_binomial():
    # lung: deaths among the patients of each institution. How strongly each speaks for others weighing 12 jobs and not 3
    # is the ratio of two beta-binomial likelihoods, up to a belief that is the same for all of them.
    lung = load_lung().dropna(subset=["inst"])
    by_place = lung.assign(died=lung["status"] == lung["status"].max()).groupby("inst")["died"]
    died, patients = by_place.sum().to_numpy(), by_place.size().to_numpy()
    expected, weights = np.linspace(0.6, 0.8, len(died)), np.array([3.0, 12.0])
    found = beta_binomial.posterior(died, patients, expected, 0.7, weights=weights)
    three, twelve = np.log(found.membership.reshape(2, -1, len(died)).sum(axis=1))
    theirs = [stats.betabinom.logpmf(died, patients, w * expected, w * (1 - expected)) for w in weights]
    np.testing.assert_allclose(
        (twelve - three) - (twelve - three)[0], (theirs[1] - theirs[0]) - (theirs[1] - theirs[0])[0], atol=1e-10
    )
    # the rate on the own jobs is the mixture of the betas' means
    mean = (found.membership * stats.beta.mean(found.alpha, found.beta)).sum(axis=0)
    np.testing.assert_allclose(found.own(found.mean()), mean, atol=1e-10)
    # with one weight alone the marginal likelihood of the counts is Bayes' theorem turned round
    one = beta_binomial.posterior(died, patients, expected, 0.7, weights=weights[1:])
    a, b = 12 * expected, 12 * (1 - expected)
    marginal = (
        stats.binom.logpmf(died, patients, expected) + stats.beta.logpdf(expected, a, b)
        - stats.beta.logpdf(expected, one.alpha[0], one.beta[0])
    )  # fmt: skip
    np.testing.assert_allclose(marginal, theirs[1], atol=1e-9)


def _by_a_year(records: pd.DataFrame):
    """Lung: age of those of whom it is known, and whether they had died by a year."""
    known = records[(records["time"] >= 365) | (records["status"] == records["status"].max())]
    return known["age"].to_numpy(float), (known["time"] < 365).to_numpy()


def test_the_area_under_the_curve_and_its_error_are_delong_s(r):
    # R: placement values and their sample variances (DeLong and others 1988)
    age, died = _by_a_year(r.data("lung"))
    area, error = back_test._auc(age, died, np.ones(len(age)))
    assert area == pytest.approx(r["auc"][0], abs=1e-12)
    assert area == pytest.approx(roc_auc_score(died, age), abs=1e-12)
    assert error == pytest.approx(r["auc.se"][0], abs=1e-12)
    # survival's concordance: the same area, and an infinitesimal jackknife that divides by n, not n - 1
    assert area == pytest.approx(r["auc.concordance"][0], abs=1e-12)
    assert error == pytest.approx(r["auc.concordance"][1], rel=0.01)


def _judged_lung(lost_later_days=0.2):
    """Lung with chances from age and sex: the model card's row, and the same in scikit-survival's form.

    Who was lost is followed a fifth of a day more, so that none is lost at the time of a death: there both hold the
    same of who was still in sight.
    """
    lung = load_lung()
    died = (lung["status"] == lung["status"].max()).to_numpy()
    days = lung["time"].to_numpy(float) + np.where(died, 0.0, lost_later_days)
    chance = 1 / (1 + np.exp(-(0.2 + 0.03 * (lung["age"] - 62) - 0.5 * (lung["sex"] - 1.4)).to_numpy()))
    failed, followed = died & (days <= HORIZON), np.minimum(days, HORIZON)
    card, groups = back_test.judged(date(2020, 1, 1), chance, back_test.Came(12, followed, failed))
    return card, groups, chance, Surv.from_arrays(died, days), failed, followed


def test_the_brier_score_where_some_were_lost_is_scikit_survival_s():
    card, _, chance, outcome, failed, followed = _judged_lung()
    known, weight = back_test._weights(followed, failed)
    assert (known == 0).sum() > 30
    theirs = brier_score(outcome, outcome, 1 - chance, [HORIZON])[1][0]
    # ours divides by the weights' sum, theirs by how many there are
    assert card["brier"] * np.sum(known * weight) / len(chance) == pytest.approx(theirs, abs=1e-10)
    assert card["brier"] == pytest.approx(theirs, rel=0.002)
    flat = np.full(len(chance), 1 - card["seen"])
    theirs = brier_score(outcome, outcome, flat, [HORIZON])[1][0]
    assert card["brier_of_base_rate"] == pytest.approx(theirs, rel=0.002)


def test_the_area_where_some_were_lost_is_scikit_survival_s():
    card, _, chance, outcome, _, _ = _judged_lung()
    theirs, _ = cumulative_dynamic_auc(outcome, outcome, chance, [HORIZON])
    assert card["auc"] == pytest.approx(theirs[0], abs=1e-10)


def test_the_brier_score_where_nobody_was_lost_is_scikit_learn_s():
    age, died = _by_a_year(load_lung())
    chance = 1 / (1 + np.exp(-(age - 60) / 20))
    followed = np.where(died, 200.0, HORIZON)
    card, _ = back_test.judged(date(2020, 1, 1), chance, back_test.Came(12, followed, died))
    assert card["brier"] == pytest.approx(brier_score_loss(died, chance), abs=1e-12)


def test_the_calibration_line_is_statsmodels_poisson_regression():
    card, _, chance, _, failed, followed = _judged_lung()
    expected, share = -np.log1p(-chance), followed / HORIZON
    design = sm.add_constant(np.log(expected))
    line = sm.GLM(failed, design, family=sm.families.Poisson(), offset=np.log(share)).fit(tol=1e-12)
    assert card["calibration_slope"] == pytest.approx(line.params[1], abs=1e-7)
    level = sm.GLM(failed, np.ones(len(failed)), family=sm.families.Poisson(), offset=np.log(share * expected)).fit()
    assert card["calibration_intercept"] == pytest.approx(level.params[0], abs=1e-7)


def test_the_joint_test_of_the_control_is_a_wald_test():
    who, outcome = load_veterans_lung_cancer()
    design = np.column_stack([
        who["Treatment"] == "test", who["Karnofsky_score"] < 50, who["Age_in_years"] >= 65, np.ones(len(who))
    ]).astype(float)  # fmt: skip
    days = np.log(outcome["Survival_in_days"])
    fitted = sm.GLM(outcome["Status"].astype(float), design, family=sm.families.Poisson(), offset=days).fit()
    ours = evidence.joint_control(fitted.params[:3], fitted.cov_params()[:3, :3], float(outcome["Status"].sum()))
    theirs = fitted.wald_test(np.eye(4)[:3], scalar=True)
    assert ours.p_value == pytest.approx(float(theirs.pvalue), rel=1e-9)
    assert ours.degrees == 3
