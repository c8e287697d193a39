"""Piecewise-exponential rates on real data, from counted cells, against Poisson regression of the split records.

The reference sees each record split at every edge of an age band and a dummy for each technician; ours sees counts of
where records enter and leave the bands, and technicians profiled out.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from lifelines.datasets import load_stanford_heart_transplants
from scipy import integrate, optimize, stats
from sksurv.datasets import load_veterans_lung_cancer

from models import install_risk, rate_cells, step_effect
from models.profiled_rates import RateFit, Rows, Term, fit_rates, gamma_shape_log_likelihood
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, UNKNOWN
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import house_rules
from tests.published.real_cells import cells_of, mgus2_store

OUTCOME = "compressor_failure"


def _veteran():
    """days in, days out, died, cell type, [treated, Karnofsky under 50, treated before, 65 or older]."""
    who, outcome = load_veterans_lung_cancer()
    bad = np.column_stack([
        who["Treatment"] == "test", who["Karnofsky_score"] < 50, who["Prior_therapy"] == "yes",
        who["Age_in_years"] >= 65,
    ])  # fmt: skip
    days = outcome["Survival_in_days"]
    return np.zeros(len(who)), days, outcome["Status"], who["Celltype"].astype(str).to_numpy(), bad


def _heart():
    """days in, days out, died, earlier surgery, [transplanted, 48 or older, late in the programme]."""
    heart = load_stanford_heart_transplants()
    bad = np.column_stack([heart["transplant"] == 1, heart["age"] >= 0, heart["year"] >= 3])
    return *(heart[name].to_numpy() for name in ("start", "stop", "event", "surgery")), bad


def _of_cells(counted: rate_cells.RateCells, columns: int) -> RateFit:
    """One ratio for each of the first steps, a rate for each age band, technicians profiled out."""
    years, events = counted.of_outcome(OUTCOME)
    bad = np.isin(counted.levels, NOT_GOOD)[:, :columns].astype(float)
    bands = len(counted.from_years)
    key, place = np.unique(counted.technician * len(bad) + counted.pattern, return_inverse=True)
    rows = Rows(key // len(bad), len(counted.technicians), [key % len(bad)], [len(bad)])
    spread = np.bincount(place * bands + counted.band, years, minlength=len(key) * bands).reshape(-1, bands)
    return fit_rates(
        rows,
        [Term(bad)],
        spread,
        np.bincount(place, events, minlength=len(key)),
        bands=Term(np.eye(bands)[:, 1:]),
        band_events=np.bincount(counted.band, events, minlength=bands),
    )


def _split(start, stop, died):
    """The records cut at the edges of the age bands: (record, band, years, died there)."""
    edges = np.array(cells.AGE_BAND_EDGES, dtype=float)
    parts = []
    for record in range(len(start)):
        for band in range(len(edges) - 1):
            begin, end = max(start[record], edges[band]), min(stop[record], edges[band + 1])
            if begin < end:
                parts.append((record, band, (end - begin) / DAYS_A_YEAR, died[record] and stop[record] == end))
    record, band, years, came = (np.array(column) for column in zip(*parts, strict=True))
    return record, band, years, came.astype(float)


@pytest.mark.parametrize(("data", "figure"), [(_veteran, "veteran"), (_heart, "heart")])
def test_cells_of_real_records_give_r_s_poisson_regression_to_1e_8(r, data, figure):
    # glm(poisson) on survSplit; heart: with late entry and a state that changes on the way
    start, stop, died, technician, bad = data()
    ours = _of_cells(cells_of(np.arange(len(start)), start, stop, died, technician, bad), bad.shape[1])
    columns = bad.shape[1]
    assert ours.has_converged
    np.testing.assert_allclose(ours.coefficients[:columns], r[f"{figure}.poisson.coef"], atol=1e-8)
    np.testing.assert_allclose(ours.standard_errors[:columns], r[f"{figure}.poisson.se"], rtol=1e-8)
    np.testing.assert_allclose(np.log(ours.stratum_factor()), r[f"{figure}.poisson.stratum"], atol=1e-8)


@pytest.mark.parametrize("data", [_veteran, _heart])
def test_cells_of_real_records_give_statsmodels_poisson_regression_to_1e_8(data):
    start, stop, died, technician, bad = data()
    ours = _of_cells(cells_of(np.arange(len(start)), start, stop, died, technician, bad), bad.shape[1])
    record, band, years, events = _split(start, stop, died)
    with_events = np.isin(band, np.unique(band[events > 0]))
    record, band, years, events = (part[with_events] for part in (record, band, years, events))
    design = np.column_stack([
        bad[record], pd.get_dummies(band).to_numpy()[:, 1:], pd.get_dummies(technician[record]).to_numpy()
    ]).astype(float)  # fmt: skip
    glm = sm.GLM(events, design, family=sm.families.Poisson(), offset=np.log(years))
    theirs = glm.fit(tol=1e-14, maxiter=100, tol_criterion="params")
    columns, people = bad.shape[1], len(np.unique(technician))
    assert len(record) > len(start)
    np.testing.assert_allclose(ours.coefficients[:columns], theirs.params[:columns], atol=1e-8)
    np.testing.assert_allclose(ours.standard_errors[:columns], theirs.bse[:columns], rtol=1e-8)
    np.testing.assert_allclose(np.log(ours.stratum_factor()), theirs.params[-people:], atol=1e-8)


@pytest.fixture(scope="module")
def mgus2(r):
    con = mgus2_store(r.data("mgus2"))
    cells.make_cells(con, house_rules())
    return rate_cells.read(con)


@pytest.mark.parametrize(("outcome", "figure"), [(OUTCOME, "death"), ("callback", "progression")])
def test_step_effects_of_a_store_that_holds_mgus2_are_r_s_poisson_regression_to_1e_8(r, mgus2, outcome, figure):
    # the whole way: staged tables, lives, pieces, cells, the fit. R: four factors bad or not measured, each early and
    # late, sex, nine age bands and a dummy for each of the years of diagnosis
    fitted = step_effect.StepEffects(mgus2).fit(outcome, "whole")
    theirs, errors = (r[f"mgus2.{figure}.{part}"].reshape(4, 4) for part in ("coef", "se"))
    assert fitted.contrasts[0] == "not_good"
    for contrast in (0, 1):
        for half in (0, 1):
            told = ~np.isnan(theirs[2 * contrast + half])
            np.testing.assert_allclose(
                fitted.effects[contrast][:4, half][told], theirs[2 * contrast + half][told], atol=1e-8
            )
            np.testing.assert_allclose(
                fitted.errors[contrast][:4, half][told], errors[2 * contrast + half][told], rtol=1e-7
            )
            assert np.isnan(fitted.effects[contrast][:4, half][~told]).all()
    assert fitted.events == r.data("mgus2")["death" if figure == "death" else "pstat"].sum()


## a factor shared by a litter, by a patient ---------------------------------------------------------------------------


def _shared(time, died, covariates, cluster, shape: float):
    """Cox's model with a gamma factor for each cluster: a free jump of the rate at each time of an event."""
    jumps = np.unique(time[died])
    at_risk = (time[:, None] >= jumps[None, :]).astype(float)
    rows = Rows(
        np.unique(cluster, return_inverse=True)[1], len(np.unique(cluster)), [np.arange(len(time))], [len(time)]
    )
    return fit_rates(
        rows,
        [Term(covariates - covariates.mean(axis=0), is_levels=False)],
        at_risk,
        died.astype(float),
        shape=shape,
        bands=Term(np.eye(len(jumps))),
        band_events=np.array([(died & (time == jump)).sum() for jump in jumps], dtype=float),
    )


def _rats(r):
    rats = r.data("rats").query("sex == 'f'")
    return rats["time"].to_numpy(float), rats["status"].to_numpy() == 1, rats[["rx"]].to_numpy(float), rats["litter"]


def _kidney(r):
    kidney = r.data("kidney")
    return (
        kidney["time"].to_numpy(float), kidney["status"].to_numpy() == 1, kidney[["age", "sex"]].to_numpy(float),
        kidney["id"],
    )  # fmt: skip


@pytest.mark.parametrize(("data", "figure"), [(_rats, "rats"), (_kidney, "kidney")])
@pytest.mark.parametrize("variance", [0.2, 1.0])
def test_a_gamma_factor_of_a_known_variance_is_that_of_coxph_with_frailty(r, data, figure, variance):
    # coxph(frailty(cluster, theta = variance, sparse = FALSE), ties = "breslow")
    ours = _shared(*data(r), shape=1 / variance)
    theirs = r[f"{figure}.{variance:g}"]
    columns = len(theirs) // 2
    np.testing.assert_allclose(ours.coefficients[:columns], theirs[:columns], atol=1e-7)
    np.testing.assert_allclose(ours.standard_errors[:columns], theirs[columns:], rtol=1e-6)


@pytest.mark.parametrize(("data", "figure"), [(_rats, "rats"), (_kidney, "kidney")])
def test_the_variance_of_the_gamma_factor_that_fits_best_is_that_of_coxph_with_frailty(r, data, figure):
    # coxph(frailty(cluster)) by EM: 0.474 for the litters, 0.397 for the patients
    def cost(log_shape):
        return -gamma_shape_log_likelihood(_shared(*data(r), shape=np.exp(log_shape)), np.exp(log_shape))

    best = optimize.minimize_scalar(cost, bounds=(-2, 4), method="bounded", options={"xatol": 1e-7})
    assert np.exp(-best.x) == pytest.approx(r[f"{figure}.free"][0], rel=1e-4)
    # and the marginal likelihood itself rises and falls as R's does over the variances it tried
    variance, theirs = r[f"{figure}.thetas"][1:], r[f"{figure}.marginal"][1:]
    ours = np.array([-cost(-np.log(one)) for one in variance])
    np.testing.assert_allclose(ours - ours[0], theirs - theirs[0], atol=1e-6)


def test_the_marginal_likelihood_of_a_gamma_factor_is_its_integral(r):
    # each litter's likelihood, weighed with the gamma density and integrated numerically
    time, died, covariates, litter = _rats(r)
    shape = 2.0
    fitted = _shared(time, died, covariates, litter, shape)
    jumps = np.unique(time[died])
    log_jump = fitted.coefficients[1:]
    log_ratio = (covariates - covariates.mean(axis=0))[:, 0] * fitted.coefficients[0]
    total = 0.0
    for one in np.unique(litter):
        own = (litter == one).to_numpy()
        expected = sum(np.exp(log_ratio[i]) * np.exp(log_jump[jumps <= time[i]]).sum() for i in np.flatnonzero(own))
        log_rates = sum(log_ratio[i] + log_jump[jumps == time[i]][0] for i in np.flatnonzero(own & died))
        deaths = int((own & died).sum())
        integral, _ = integrate.quad(
            lambda z, d=deaths, e=expected: z**d * np.exp(-z * e) * stats.gamma.pdf(z, shape, scale=1 / shape),
            0, np.inf, epsabs=1e-13, epsrel=1e-12,
        )  # fmt: skip
        total += log_rates + np.log(integral)
    assert gamma_shape_log_likelihood(fitted, shape) == pytest.approx(total, abs=1e-8)


def test_the_model_of_chances_on_mgus2_stands_at_the_top_of_its_own_posterior(mgus2):
    # the posterior written down anew for single rows and climbed by scipy; columns and given priors as risk_design says
    model = install_risk.fit_risk(mgus2)
    years, events = mgus2.of_outcome(OUTCOME)
    bad = np.isin(mgus2.levels, NOT_GOOD)[mgus2.pattern].astype(float)
    unknown = (mgus2.levels == UNKNOWN)[mgus2.pattern].astype(float)
    is_late = (~mgus2.is_early[mgus2.band]).astype(int)
    half = is_late[:, None] - 0.5
    # an unknown step has the part of the ratio that its share of not good makes of it (no practice: one half)
    log = model.not_good
    np.testing.assert_allclose(model.unknown_weight, np.log((1 + np.exp(log)) / 2) / log, atol=0.02)
    weight = bad + unknown * model.unknown_weight[is_late]
    middle = np.where(mgus2.to_years > 100, mgus2.from_years + 2, (mgus2.from_years + mgus2.to_years) / 2)[mgus2.band]
    of_group = np.array(mgus2.groups)[mgus2.group]
    kinds = sorted({kind for group in mgus2.groups for kind in group.split(", ")})
    curve, log_age = model.layout.curve, np.log1p(middle)[:, None]
    design = np.column_stack([
        weight.sum(axis=1), half[:, 0] * weight.sum(axis=1), weight, half * weight, unknown,
        [[kind in group.split(", ") for kind in kinds] for group in of_group],
        np.eye(len(mgus2.groups))[mgus2.group], mgus2.is_visited, np.zeros(len(middle)),
        np.ones(len(middle)), log_age - 1.0, np.maximum(log_age - curve.bends, 0.0),
    ]).astype(float)  # fmt: skip
    spread, steps, groups = np.exp(model.log_spreads), len(STEPS), len(mgus2.groups)
    sd = np.concatenate([
        [0.5, 0.3], np.full(steps, spread[0]), np.full(steps, spread[1]), np.full(steps, spread[2]),
        np.full(len(kinds), spread[3]), np.full(groups, spread[4]), [0.5, 0.5], [100.0, 1.0],
        np.where(curve.is_seen, spread[5] * 0.5, 3.0 * 0.5),
    ])  # fmt: skip
    people = len(mgus2.technicians)
    deaths = np.bincount(mgus2.technician, events, minlength=people)

    def cost_and_slope(z):
        # in units of the priors, so that no direction is steeper than the others by far
        eta = design @ (z * unit)
        expected = years * np.exp(eta)
        of_person = np.bincount(mgus2.technician, expected, minlength=people)
        factor = (deaths + model.shape) / (of_person + model.shape)
        penalty = z * unit / sd**2
        log_posterior = events @ eta - (deaths + model.shape) @ np.log(of_person + model.shape)
        slope = design.T @ (events - expected * factor[mgus2.technician]) - penalty
        return 0.5 * penalty @ (z * unit) - log_posterior, -slope * unit

    unit = np.minimum(sd, 1.0)
    top = optimize.minimize(
        cost_and_slope, np.zeros(len(sd)), jac=True, method="BFGS", options={"gtol": 1e-8, "maxiter": 20000}
    )
    np.testing.assert_allclose(model.coefficients, top.x * unit, atol=1e-5)
    # the technicians' spread: the mild belief added to the marginal likelihood, ratios held
    expected = np.bincount(mgus2.technician, years * np.exp(design @ (top.x * unit)), minlength=people)

    def shape_cost(log_shape):
        shape = np.exp(log_shape)
        marginal = stats.nbinom.logpmf(deaths.astype(int), shape, shape / (shape + expected)).sum()
        return -marginal + 0.5 * ((log_shape - np.log(9.0)) / 1.5) ** 2

    best = optimize.minimize_scalar(shape_cost, bounds=(np.log(0.3), np.log(1000.0)), method="bounded")
    assert np.log(model.shape) == pytest.approx(best.x, abs=install_risk.MOVED_LITTLE)
