"""Change with technicians' and quarters' effects, held to reference libraries with a dummy for each effect."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.discrete.conditional_models import ConditionalLogit

from models.two_way_fit import TwoWay, cluster_covariance, jackknife_covariance

QUARTERS = 6
AFTER = np.arange(QUARTERS) >= 3


@pytest.fixture(scope="module")
def counts():
    """Two stacks, eight technicians in both, one quarter in which somebody has no job."""
    rng = np.random.default_rng(3)
    stack = np.repeat([0, 1], [18, 12])
    technician = np.concatenate([np.arange(18), np.arange(10, 22)])
    known = rng.integers(1, 9, (30, QUARTERS)).astype(float)
    known[3, 2] = 0
    is_trained = np.isin(np.arange(30), [0, 1, 2, 3, 4, 26, 27, 28, 29])
    given = is_trained[:, None] * AFTER[None, :].astype(float)
    level = rng.normal(0.3, 0.8, 30)[:, None] + 0.3 * np.sin(np.arange(QUARTERS))[None, :]
    good = rng.binomial(known.astype(int), 1 / (1 + np.exp(-level - 0.8 * given))).astype(float)
    return good, known, stack, technician, given


@pytest.fixture(scope="module")
def dummies(counts):
    """The same counts as a frame of cells, with a dummy for each technician in a stack and each quarter of a stack."""
    good, known, stack, technician, given = counts
    unit, quarter = np.nonzero(known > 0)
    cells = pd.DataFrame({
        "good": good[unit, quarter], "known": known[unit, quarter], "technician": technician[unit], "unit": unit,
    })  # fmt: skip
    people = pd.get_dummies(pd.Series(unit).astype(str), dtype=float)
    months = pd.get_dummies(pd.Series(stack[unit] * QUARTERS + quarter), dtype=float).drop(columns=[0, QUARTERS])
    columns = pd.concat([pd.Series(given[unit, quarter], name="given"), people, months], axis=1)
    return cells, columns.set_axis([str(name) for name in range(columns.shape[1])], axis=1)


def test_linear_change_equals_least_squares_with_dummies(counts, dummies):
    good, known, stack, technician, given = counts
    cells, columns = dummies
    reference = sm.WLS(cells["good"] / cells["known"], columns, weights=cells["known"]).fit(
        cov_type="cluster", cov_kwds={"groups": cells["technician"]}
    )
    fit = TwoWay(good, known, stack, is_linear=True).fit(given[:, :, None])
    error = np.sqrt(cluster_covariance(fit, technician, parameters=columns.shape[1])[0, 0])
    assert fit.coefficients[0] == pytest.approx(reference.params["0"], abs=1e-8)
    assert error == pytest.approx(reference.bse["0"], abs=1e-8)


def test_logit_with_free_effects_equals_a_binomial_model_with_dummies(counts, dummies):
    good, known, stack, technician, given = counts
    cells, columns = dummies
    both = np.column_stack([cells["good"], cells["known"] - cells["good"]])
    reference = sm.GLM(both, columns, family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": cells["technician"]}, tol=1e-12
    )
    fit = TwoWay(good, known, stack, is_conditional=False).fit(given[:, :, None])
    error = np.sqrt(cluster_covariance(fit, technician, parameters=columns.shape[1])[0, 0])
    assert fit.has_converged
    assert fit.coefficients[0] == pytest.approx(reference.params["0"], abs=1e-8)
    assert error == pytest.approx(reference.bse["0"], abs=1e-8)


def test_conditional_logit_is_that_of_statsmodels(counts):
    good, known, stack, given = (values[counts[2] == 0] for values in (counts[0], counts[1], counts[2], counts[4]))
    unit, quarter = np.nonzero(known > 0)
    repeat = known[unit, quarter].astype(int)
    unit, quarter = np.repeat(unit, repeat), np.repeat(quarter, repeat)
    place = np.concatenate([np.arange(n) for n in repeat])
    months = pd.get_dummies(pd.Series(quarter), dtype=float).drop(columns=[0])
    columns = pd.concat([pd.Series(given[unit, quarter], name="given"), months], axis=1)
    reference = ConditionalLogit((place < good[unit, quarter]).astype(float), columns, groups=unit).fit(
        method="newton", disp=False
    )
    fit = TwoWay(good, known, stack).fit(given[:, :, None])
    free = TwoWay(good, known, stack, is_conditional=False).fit(given[:, :, None])
    # ours is its saddlepoint form: close, where the free effects overstate by 4 %
    assert fit.coefficients[0] == pytest.approx(reference.params.iloc[0], rel=0.003)
    assert 1 / np.sqrt(fit.information[0, 0]) == pytest.approx(reference.bse.iloc[0], rel=0.003)
    assert free.coefficients[0] > 1.03 * fit.coefficients[0]


def test_with_few_jobs_each_free_effects_overstate_and_conditioning_does_not():
    # 3 jobs before and 3 after for each of 2,000 people, half of them taught with a change of 1.0
    rng = np.random.default_rng(1)
    people = 2000
    known = np.full((people, 2), 3.0)
    given = np.zeros((people, 2))
    given[: people // 2, 1] = 1
    level = rng.normal(0, 0.8, people)[:, None]
    good = rng.binomial(3, 1 / (1 + np.exp(-level - given))).astype(float)
    stack = np.zeros(people, dtype=int)
    conditional = TwoWay(good, known, stack).fit(given[:, :, None]).coefficients[0]
    free = TwoWay(good, known, stack, is_conditional=False).fit(given[:, :, None]).coefficients[0]
    assert conditional == pytest.approx(1.0, abs=0.1)
    assert free > 1.15


def test_jackknife_is_that_of_leaving_each_technician_out_and_fitting_again(counts):
    good, known, stack, technician, given = counts
    fit = TwoWay(good, known, stack).fit(given[:, :, None])
    without = []
    for name in np.unique(technician):
        kept = technician != name
        without.append(TwoWay(good[kept], known[kept], stack[kept]).fit(given[kept][:, :, None]).coefficients[0])
    groups = len(without)
    by_hand = (groups - 1) / groups * np.sum((np.array(without) - fit.coefficients[0]) ** 2)
    # one Newton step for each instead of a whole fit
    assert np.sqrt(jackknife_covariance(fit, technician)[0, 0]) == pytest.approx(np.sqrt(by_hand), rel=0.005)


def test_a_quarter_without_jobs_and_people_always_good_change_nothing(counts):
    good, known, stack, technician, given = counts
    plain = TwoWay(good, known, stack).fit(given[:, :, None])
    none = np.zeros((len(good), 1))
    wider = TwoWay(np.hstack([good, none]), np.hstack([known, none]), stack).fit(np.hstack([given, none])[:, :, None])
    assert wider.coefficients[0] == pytest.approx(plain.coefficients[0], abs=1e-9)
    assert jackknife_covariance(wider, technician)[0, 0] == pytest.approx(
        jackknife_covariance(plain, technician)[0, 0], rel=1e-6
    )
    always = np.full((1, QUARTERS), 4.0)
    more = TwoWay(np.vstack([good, always]), np.vstack([known, always]), np.append(stack, 0)).fit(
        np.vstack([given, AFTER[None, :]])[:, :, None]
    )
    assert more.coefficients[0] == pytest.approx(plain.coefficients[0], abs=1e-9)


def test_all_good_after_the_course_has_no_finite_change_and_says_so():
    known = np.full((12, 2), 6.0)
    good = np.tile([3.0, 3.0], (12, 1))
    good[:4] = [3.0, 6.0]
    given = np.zeros((12, 2))
    given[:4, 1] = 1
    fit = TwoWay(good, known, np.zeros(12, dtype=int)).fit(given[:, :, None])
    assert not fit.has_converged
    assert fit.coefficients[0] > 5


def test_quarters_that_nobody_links_stand_on_their_own_level():
    # six people in the first three quarters, six others in the last three: least squares over all dummies at once
    rng = np.random.default_rng(8)
    known = np.zeros((12, QUARTERS))
    known[:6, :3], known[6:, 3:] = rng.integers(2, 9, (6, 3)), rng.integers(2, 9, (6, 3))
    good = rng.binomial(known.astype(int), 0.6).astype(float)
    given = ((rng.random(known.shape) < 0.5) & (known > 0)).astype(float)
    fit = TwoWay(good, known, np.zeros(12, dtype=int), is_linear=True).fit(given[:, :, None])
    unit, quarter = np.nonzero(known > 0)
    columns = np.column_stack([given[unit, quarter], np.eye(12)[unit], np.eye(QUARTERS)[quarter]])
    weight = np.sqrt(known[unit, quarter])
    theirs = np.linalg.lstsq(columns * weight[:, None], good[unit, quarter] / known[unit, quarter] * weight, rcond=None)
    assert fit.has_converged
    assert fit.coefficients[0] == pytest.approx(theirs[0][0], abs=1e-9)
    logit = TwoWay(good, known, np.zeros(12, dtype=int)).fit(given[:, :, None])
    assert logit.has_converged
    assert np.isfinite(logit.information).all()
