"""Rates with technician effects profiled out, against a general-purpose GLM with a dummy for each technician."""

import numpy as np
import pytest
import statsmodels.api as sm

from models.profiled_rates import Rows, Term, fit_rates


def _counts(seed=3, rows=1500, technicians=12):
    """Invented rows: two steps, three groups, some technicians better than others."""
    rng = np.random.default_rng(seed)
    technician = rng.integers(0, technicians, rows)
    pattern = rng.integers(0, 4, rows)  # which of two steps are not good
    group = rng.integers(0, 3, rows)
    years = rng.uniform(0.2, 5.0, rows)
    matrix = np.array([[0, 0], [1, 0], [0, 1], [1, 1]], dtype=float)
    eta = (
        -2.0
        + matrix[pattern] @ [0.7, -0.2]
        + np.array([0, 0.3, -0.4])[group]
        + rng.normal(0, 0.5, technicians)[technician]
    )
    events = rng.poisson(years * np.exp(eta)).astype(float)
    return technician, pattern, group, years, events, matrix


def _fit(technician, pattern, group, years, events, matrix, shape=0.0, precision=None):
    rows = Rows(technician, int(technician.max()) + 1, [pattern, group], [len(matrix), 3])
    terms = [Term(matrix, precision=precision), Term(np.eye(3)[:, 1:])]
    return fit_rates(rows, terms, years, events, shape=shape)


def _glm(technician, pattern, group, years, events, matrix):
    design = np.column_stack([matrix[pattern], np.eye(3)[group][:, 1:], np.eye(technician.max() + 1)[technician]])
    with np.errstate(all="ignore"):
        return sm.GLM(events, design, family=sm.families.Poisson(), offset=np.log(years)).fit(
            tol=1e-14, maxiter=100, tol_criterion="params"
        )


def test_technician_effects_profiled_out_equal_a_dummy_for_each_to_1e_8():
    data = _counts()
    ours, glm = _fit(*data), _glm(*data)
    assert ours.has_converged
    np.testing.assert_allclose(ours.coefficients, glm.params[:4], atol=1e-8)
    np.testing.assert_allclose(ours.standard_errors, glm.bse[:4], rtol=1e-8)
    # the technicians' own rates follow from the same fit
    np.testing.assert_allclose(np.log(ours.stratum_factor()), glm.params[4:], atol=1e-8)


def test_adding_up_rows_of_one_kind_changes_nothing_to_1e_8():
    technician, pattern, group, years, events, matrix = _counts(rows=4000)
    key = (technician * 4 + pattern) * 3 + group
    keys, place = np.unique(key, return_inverse=True)
    added = _fit(keys // 12, keys // 3 % 4, keys % 3, np.bincount(place, years), np.bincount(place, events), matrix)
    single = _fit(technician, pattern, group, years, events, matrix)
    assert len(keys) < 200
    np.testing.assert_allclose(added.coefficients, single.coefficients, atol=1e-8)
    np.testing.assert_allclose(added.standard_errors, single.standard_errors, rtol=1e-8)


def test_a_technician_without_events_says_nothing():
    technician, pattern, group, years, events, matrix = _counts()
    without = np.where(technician == 5, 0.0, events)
    kept = technician != 5
    ours = _fit(technician, pattern, group, years, without, matrix)
    fewer = _fit(technician[kept], pattern[kept], group[kept], years[kept], events[kept], matrix)
    np.testing.assert_allclose(ours.coefficients, fewer.coefficients, atol=1e-9)


def test_a_step_without_one_event_has_no_estimate_and_leaves_the_others_as_if_its_rows_were_not_there():
    technician, pattern, group, years, events, matrix = _counts()
    silent = np.isin(pattern, (2, 3))
    events = np.where(silent, 0.0, events)
    ours = _fit(technician, pattern, group, years, events, matrix)
    kept = ~silent
    fewer = _fit(technician[kept], pattern[kept], group[kept], years[kept], events[kept], matrix)
    assert np.isnan(ours.coefficients[1])
    np.testing.assert_allclose(ours.coefficients[[0, 2, 3]], fewer.coefficients[[0, 2, 3]], atol=1e-9)


def test_two_steps_that_always_go_together_get_no_estimate_and_a_third_keeps_its_own():
    rng = np.random.default_rng(8)
    rows = 3000
    together, alone = rng.random(rows) < 0.3, rng.random(rows) < 0.3
    pattern = together * 1 + alone * 2
    matrix = np.array([[0, 0, 0], [1, 1, 0], [0, 0, 1], [1, 1, 1]], dtype=float)
    technician, group, years = rng.integers(0, 8, rows), rng.integers(0, 3, rows), rng.uniform(0.5, 4, rows)
    events = rng.poisson(years * np.exp(-2 + 0.6 * together + 0.4 * alone)).astype(float)
    ours = _fit(technician, pattern, group, years, events, matrix)
    one = _fit(technician, pattern, group, years, events, matrix[:, [0, 2]])
    assert np.isnan(ours.coefficients[:2]).all()
    assert ours.coefficients[2] == pytest.approx(one.coefficients[1], abs=1e-8)


def test_a_gamma_factor_with_little_spread_approaches_a_plain_poisson_model():
    technician, pattern, group, years, events, matrix = _counts()
    rows = Rows(technician, 12, [pattern, group, np.zeros(len(years), dtype=int)], [4, 3, 1])
    ours = fit_rates(rows, [Term(matrix), Term(np.eye(3)[:, 1:]), Term(np.ones((1, 1)))], years, events, shape=1e8)
    design = np.column_stack([matrix[pattern], np.eye(3)[group][:, 1:], np.ones(len(years))])
    glm = sm.GLM(events, design, family=sm.families.Poisson(), offset=np.log(years)).fit(tol=1e-14)
    np.testing.assert_allclose(ours.coefficients, glm.params, atol=1e-5)


def test_a_prior_draws_a_ratio_toward_one():
    data = _counts(rows=200)
    plain, drawn = _fit(*data), _fit(*data, precision=np.full(2, 4.0))
    assert abs(drawn.coefficients[0]) < abs(plain.coefficients[0])
    assert drawn.standard_errors[0] < plain.standard_errors[0]
