"""Steps without a record: what the unknown level, counting them as not good, and drawing them do to the ratios."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import special

from tests.bench import imputing, missing

# three times the usual rates tell as much from a third of the installs
INSTALLS, OFTEN = 5_000, 3.0


def figure(rows: pl.DataFrame, method: str, name: str) -> tuple[float, float]:
    found = missing.figures(rows).filter((pl.col("method") == method) & (pl.col("figure") == name))
    return found["mean"][0], found["error"][0]


def fleets(name: str, number: int, *methods: str) -> pl.DataFrame:
    return missing.study(replace(missing.WORLDS[name], rate_factor=OFTEN), number, INSTALLS, ("all recorded", *methods))


@pytest.fixture(scope="module")
def lost_at_random():
    return fleets("missing", 3, "unknown level", "as not good")


@pytest.fixture(scope="module")
def linked_steps():
    return fleets("closely_linked_30", 2, "unknown level", "expected share")


def test_a_sixth_of_the_steps_lost_at_random_leave_the_ratios_where_they_were(lost_at_random):
    assert lost_at_random["unknown"].mean() == pytest.approx(0.15, abs=0.01)
    mean, error = figure(lost_at_random, "unknown level", "bias")
    assert abs(mean) < 0.03 + 2 * error
    for name in ("beside complete records", "real effects beside complete records"):
        mean, error = figure(lost_at_random, "unknown level", name)
        assert abs(mean) < 0.03 + 2 * error, name


def test_counting_what_is_not_recorded_as_not_good_pulls_real_effects_toward_nothing(lost_at_random):
    mean, error = figure(lost_at_random, "as not good", "real effects beside complete records")
    assert mean + 2 * error < -0.10


def test_where_steps_are_left_out_together_an_unknown_one_leans_on_the_others_unless_its_share_is_counted(linked_steps):
    unknown_level, _ = figure(linked_steps, "unknown level", "beside complete records")
    assert unknown_level > 0.015
    assert abs(figure(linked_steps, "expected share", "beside complete records")[0]) < unknown_level / 2


def test_drawing_the_steps_needs_no_leaning_on_the_others():
    fleet = missing.Fleet(replace(missing.WORLDS["closely_linked_30"], rate_factor=OFTEN), INSTALLS, 7)
    fleet.imputations = 3
    complete, unknown_level, imputed = (
        fleet.rows_of(method)["log_ratio"].to_numpy() for method in ("all recorded", "unknown level", "imputed")
    )
    fleet.close()
    assert abs(np.nanmean(imputed - complete)) < np.nanmean(unknown_level - complete) / 2


def test_rubins_rules_by_hand():
    # three draws of one ratio, 0.4, 0.5 and 0.6, each with the standard error 0.2: within 0.04, between 0.01,
    # total 0.04 + 4/3 x 0.01; degrees of freedom 2 (1 + 0.04 / (4/3 x 0.01))^2 = 32; t(0.975, 32) = 2.0369
    found = imputing.pooled(np.array([[0.4], [0.5], [0.6]]), np.full((3, 1), 0.2))
    assert found.estimate[0] == pytest.approx(0.5)
    assert found.error[0] == pytest.approx(np.sqrt(0.04 + 0.04 / 3))
    assert found.high[0] - found.estimate[0] == pytest.approx(2.0369 * found.error[0], rel=1e-4)


def made_jobs(rng: np.random.Generator, jobs: int, technicians: int) -> tuple[imputing.Jobs, np.ndarray]:
    """Two steps, the second not good more often where the first is, and a fifth of the second unknown."""
    technician = rng.integers(0, technicians, jobs)
    known = rng.normal(size=(jobs, 1))
    first = rng.random(jobs) < 0.3
    habit = rng.normal(0, 0.5, technicians)
    second = rng.random(jobs) < special.expit(-1.0 + 1.5 * first + 0.5 * known[:, 0] + habit[technician])
    truth = np.stack([first, second], axis=1).astype(float)
    not_good = truth.copy()
    not_good[rng.random(jobs) < 0.2, 1] = np.nan
    return imputing.Jobs(not_good, np.ones((jobs, 2), dtype=bool), technician, technicians, known), truth


def test_the_model_of_one_step_is_the_logistic_regression_of_statsmodels():
    jobs, _ = made_jobs(np.random.default_rng(1), 3000, 6)
    design = np.concatenate([np.nan_to_num(jobs.not_good), np.ones((3000, 1)), jobs.known], axis=1)
    model = imputing._OneStep(jobs, 1, np.isnan(jobs.not_good[:, 1]), 4)
    model.precision = np.array([0.0, 1.0, 1e6, 0.0])  # no prior where it can be compared, no constant beside the people
    seen = ~np.isnan(jobs.not_good[:, 1])
    rows = design[seen].copy()
    rows[:, 1] = 0.0
    for _ in range(12):
        model.variance = 1e8
        model._newton_step(rows)
    people = np.eye(6)[jobs.technician[seen]]
    reference = sm.Logit(jobs.not_good[seen, 1], np.concatenate([rows[:, [0, 3]], people], axis=1)).fit(disp=False)
    assert model.coefficients[[0, 3]] == pytest.approx(reference.params[:2], abs=1e-5)
    errors = np.sqrt(np.diag(np.linalg.inv(model.information)))
    assert errors[[0, 3]] == pytest.approx(reference.bse[:2], rel=1e-4)


def test_drawn_steps_keep_what_is_known_and_carry_the_link_between_steps():
    jobs, truth = made_jobs(np.random.default_rng(2), 6000, 12)
    unknown = np.isnan(jobs.not_good)
    shares = []
    for drawn in imputing.drawn(jobs, 5, np.random.default_rng(3)):
        assert np.array_equal(drawn[~unknown], jobs.not_good[~unknown])
        hidden, first = unknown[:, 1], truth[:, 0] == 1
        shares.append([drawn[hidden & first, 1].mean(), drawn[hidden & ~first, 1].mean()])
    hidden = unknown[:, 1]
    there = [truth[hidden & (truth[:, 0] == value), 1].mean() for value in (1, 0)]
    assert np.mean(shares, axis=0) == pytest.approx(there, abs=0.05)
    chance = imputing.expected(jobs)
    assert np.array_equal(chance[~unknown], jobs.not_good[~unknown])
    assert ((chance[unknown] > 0) & (chance[unknown] < 1)).all()
