"""Hazard ratios on real data, against R's coxph, lifelines and scikit-survival.

What the product maximises is the likelihood with technicians profiled out. With a stratum for each time of an event,
holding who was at risk, it is Cox's partial likelihood (risk_sets.py), so that coefficients, errors and the log
likelihood itself can be held to those of the reference libraries.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from lifelines import CoxPHFitter
from lifelines.datasets import load_lung, load_rossi, load_stanford_heart_transplants
from sksurv.datasets import load_veterans_lung_cancer
from sksurv.linear_model import CoxPHSurvivalAnalysis

from tests.published.risk_sets import cox

TIES = ("breslow", "efron")


def _lung(records: pd.DataFrame | None = None):
    lung = (load_lung() if records is None else records).dropna(subset=["ph.ecog"])
    died = (lung["status"] == lung["status"].max()).to_numpy()
    return (
        lung,
        np.zeros(len(lung)),
        lung["time"].to_numpy(float),
        died,
        lung[["age", "sex", "ph.ecog"]].to_numpy(float),
    )


def _heart():
    heart = load_stanford_heart_transplants()
    covariates = heart[["age", "year", "surgery", "transplant"]].to_numpy(float)
    return heart["start"].to_numpy(), heart["stop"].to_numpy(), heart["event"].to_numpy() == 1, covariates


def _same(ours, r, figure, log_likelihood=True):
    np.testing.assert_allclose(ours.coefficients, r[f"{figure}.coef"], atol=1e-9)
    np.testing.assert_allclose(ours.standard_errors, r[f"{figure}.se"], rtol=1e-8)
    if log_likelihood:
        assert ours.log_likelihood == pytest.approx(r[f"{figure}.loglik"][1], abs=1e-8)


def test_lung_ratios_and_log_likelihood_are_the_published_ones():
    # R survival 3.5.3, coxph with ties after Efron: age, sex, ph.ecog
    _, start, stop, died, covariates = _lung()
    ours = cox(start, stop, died, covariates, ties="efron")
    np.testing.assert_allclose(ours.coefficients, [0.0110668, -0.5526124, 0.4637285], atol=5e-8)
    assert ours.log_likelihood == pytest.approx(-729.2301214, abs=5e-8)
    # ties after Breslow lie this far off, as in coxph (0.0007814)
    breslow = cox(start, stop, died, covariates)
    assert np.abs(breslow.coefficients - ours.coefficients).max() == pytest.approx(0.0007814, abs=1e-7)


@pytest.mark.parametrize("ties", TIES)
def test_lung_is_that_of_coxph(r, ties):
    _, start, stop, died, covariates = _lung()
    _same(cox(start, stop, died, covariates, ties=ties), r, f"lung.{ties}")


@pytest.mark.parametrize("ties", TIES)
def test_lung_within_institutions_is_that_of_coxph_with_strata(r, ties):
    lung, start, stop, died, covariates = _lung(r.data("lung"))
    kept = lung["inst"].notna().to_numpy()
    part = lung["inst"].to_numpy()[kept]
    ours = cox(start[kept], stop[kept], died[kept], covariates[kept], part, ties=ties)
    _same(ours, r, f"lung.strata.{ties}")


@pytest.mark.parametrize("ties", TIES)
def test_veteran_within_cell_types_is_that_of_coxph_with_strata(r, ties):
    veteran = r.data("veteran")
    covariates = veteran[["trt", "karno", "age", "prior"]].to_numpy(float)
    died, days = veteran["status"].to_numpy() == 1, veteran["time"].to_numpy(float)
    ours = cox(np.zeros(len(veteran)), days, died, covariates, veteran["celltype"].to_numpy(), ties=ties)
    _same(ours, r, f"veteran.strata.{ties}")


@pytest.mark.parametrize("ties", TIES)
def test_heart_with_late_entry_and_a_transplant_on_the_way_is_that_of_coxph(r, ties):
    _same(cox(*_heart(), ties=ties), r, f"heart.{ties}")


def test_what_a_covariate_adds_to_the_log_likelihood_is_what_it_adds_in_coxph(r):
    without = cox(*_heart()[:3], np.zeros((172, 1)))
    whole = cox(*_heart())
    nothing, everything = r["heart.breslow.loglik"]
    assert whole.log_likelihood - without.log_likelihood == pytest.approx(everything - nothing, abs=1e-9)


def test_rossi_is_that_of_lifelines_and_of_its_manual():
    # lifelines' manual, Cox regression of the rossi data: fin -0.38, age -0.06, race 0.31, wexp -0.15, mar -0.43,
    # paro -0.08, prio 0.09, partial log likelihood -658.75
    rossi = load_rossi()
    names = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    ours = cox(
        np.zeros(len(rossi)), rossi["week"].to_numpy(float), rossi["arrest"].to_numpy() == 1,
        rossi[names].to_numpy(float), ties="efron",
    )  # fmt: skip
    np.testing.assert_allclose(ours.coefficients, [-0.38, -0.06, 0.31, -0.15, -0.43, -0.08, 0.09], atol=0.005)
    assert ours.log_likelihood == pytest.approx(-658.75, abs=0.005)
    fitted = CoxPHFitter().fit(rossi, "week", "arrest", fit_options={"precision": 1e-10})
    np.testing.assert_allclose(ours.coefficients, fitted.params_[names], atol=1e-6)
    np.testing.assert_allclose(ours.standard_errors, fitted.standard_errors_[names], rtol=1e-5)
    assert ours.log_likelihood == pytest.approx(fitted.log_likelihood_, abs=1e-6)


def test_lung_is_that_of_statsmodels():
    _, start, stop, died, covariates = _lung()
    ours = cox(start, stop, died, covariates)
    theirs = sm.PHReg(stop, covariates, status=died.astype(int), ties="breslow").fit(disp=0)
    np.testing.assert_allclose(ours.coefficients, theirs.params, atol=1e-6)
    np.testing.assert_allclose(ours.standard_errors, theirs.bse, rtol=1e-5)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)


@pytest.mark.parametrize("ties", TIES)
def test_veteran_is_that_of_scikit_survival(ties):
    who, outcome = load_veterans_lung_cancer()
    covariates = np.column_stack([
        who["Age_in_years"], who["Karnofsky_score"], who["Months_from_Diagnosis"], who["Treatment"] == "test"
    ]).astype(float)  # fmt: skip
    theirs = CoxPHSurvivalAnalysis(ties=ties, tol=1e-12).fit(covariates, outcome)
    ours = cox(np.zeros(len(who)), outcome["Survival_in_days"], outcome["Status"], covariates, ties=ties)
    np.testing.assert_allclose(ours.coefficients, theirs.coef_, atol=1e-8)
