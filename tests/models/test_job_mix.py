"""Kinds of job told apart from whose hands they were in."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special

from models import job_mix
from models.job_mix import Factor
from tests.bench import simulated_people as made_up


def _fit(fleet, spread=job_mix.LEVEL_SPREAD, pairing=job_mix.PAIRING_SPREAD):
    person, kind = np.nonzero(fleet.known)
    kinds = len(made_up.KIND_SHARE)
    factors = [Factor(made_up.KIND_LEVELS[:, place], size, spread) for place, size in enumerate((4, 3, 4))]
    if pairing:
        factors.append(Factor(np.arange(kinds), kinds, pairing))
    good, known = fleet.good[person, kind], fleet.known[person, kind].astype(float)
    return job_mix.fit_job_mix(person, len(fleet.jobs), kind, factors, good, known), person, kind, good, known


def test_without_people_it_is_the_logistic_regression_of_statsmodels():
    rng = np.random.default_rng(1)
    fleet = made_up.counts(rng, np.array([40_000]), 1.5, np.zeros(1))
    # spreads so wide that they hold nothing back; one technician
    mix, _, kind, good, known = _fit(fleet, spread=100.0, pairing=0)
    levels = made_up.KIND_LEVELS[kind]
    dummies = np.column_stack(
        [levels[:, place] == level for place, size in ((0, 4), (1, 3), (2, 4)) for level in range(1, size)]
    )
    theirs = sm.GLM(
        np.column_stack([good, known - good]), sm.add_constant(dummies.astype(float)), sm.families.Binomial()
    ).fit()
    # the one technician shares in the level, so differences between kinds are compared
    np.testing.assert_allclose(np.diff(mix.linear[kind]), np.diff(theirs.predict(which="linear")), atol=2e-4)
    apart = np.zeros(len(mix.coefficients))
    apart[1], apart[3] = -1.0, 1.0
    ours_error = np.sqrt(apart @ mix.covariance @ apart)
    assert ours_error == pytest.approx(float(np.asarray(theirs.bse)[2]), rel=1e-3)


def test_the_estimates_stand_at_the_top_of_the_penalised_likelihood():
    rng = np.random.default_rng(2)
    fleet = made_up.counts(rng, rng.integers(10, 120, 15), 1.5, rng.normal(0, 0.5, 15))
    mix, person, kind, good, known = _fit(fleet)
    sizes = [1, 4, 3, 4, len(made_up.KIND_SHARE)]
    spread = np.repeat([job_mix.FLEET_SPREAD, *[job_mix.LEVEL_SPREAD] * 3, job_mix.PAIRING_SPREAD], sizes)
    centre = np.zeros(sum(sizes))
    centre[0] = special.logit((good.sum() + 1) / (known.sum() + 2))

    def against(both):
        own, of_person = both[: sum(sizes)], both[sum(sizes) :]
        linear = sum(own[column] for column in mix.columns)[kind] + of_person[person]
        likelihood = np.sum(good * linear - known * np.logaddexp(0, linear))
        return (
            -likelihood
            + 0.5 * np.sum(((own - centre) / spread) ** 2)
            + 0.5 * np.sum((of_person / mix.people_spread) ** 2)
        )

    top = optimize.minimize(against, np.r_[mix.coefficients, np.zeros(15)], method="L-BFGS-B",
                            options={"maxiter": 5000, "ftol": 1e-14, "gtol": 1e-9}).x  # fmt: skip
    np.testing.assert_allclose(mix.coefficients, top[: sum(sizes)], atol=0.01)


def test_hard_jobs_given_to_the_able_do_not_look_easy():
    rng = np.random.default_rng(3)
    plain, fitted, truth = [], [], made_up.KIND_LOG_ODDS
    hard = made_up.HARD
    for _ in range(10):
        fleet = made_up.counts(rng, np.full(40, 150), 1.0, np.sort(rng.normal(0, 0.8, 40)), hard_for="able")
        mix = _fit(fleet)[0]
        raw = special.logit((fleet.good.sum(axis=0) + 0.5) / (fleet.known.sum(axis=0) + 1))
        weight = fleet.known.sum(axis=0)
        for values, to in (
            (raw, plain),
            (mix.linear, fitted),
        ):
            to.append(np.average(values[hard], weights=weight[hard]) - np.average(values[~hard], weights=weight[~hard])
                      - np.average(truth[hard], weights=weight[hard]) + np.average(truth[~hard], weights=weight[~hard]))  # fmt: skip
    assert np.mean(plain) > 0.25
    assert abs(np.mean(fitted)) < 0.08


def test_the_spread_of_people_is_found():
    rng = np.random.default_rng(4)
    found = [
        _fit(made_up.counts(rng, np.full(60, 120), 1.2, rng.normal(0, spread, 60)))[0].people_spread
        for spread in (0.3, 0.8)
        for _ in range(5)
    ]
    assert np.mean(found[:5]) == pytest.approx(0.3, abs=0.06)
    assert np.mean(found[5:]) == pytest.approx(0.8, abs=0.1)


def test_a_kind_of_job_that_one_person_alone_does_leaves_his_rate_in_doubt():
    # nobody else does ductless jobs: whether they are hard or he is weak cannot be told
    person = np.array([0, 1, 2, 3])
    kind, known = np.array([1, 0, 0, 0]), np.full(4, 200.0)
    good = np.array([120, 160, 162, 158])
    mix = job_mix.fit_job_mix(person, 4, kind, [Factor(np.array([0, 1]), 2)], good, known)
    found = job_mix.standard([mix.share_of(person, 4, kind, known)], [mix.share_of(person * 0, 1, kind, known)])
    assert found.doubt[0] > 0.25
    assert found.doubt[0] > 2 * found.doubt[1:].max()
