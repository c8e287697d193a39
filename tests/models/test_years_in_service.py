"""Years in service up to 20 against lifelines and R, and what is said where the records do not reach so far."""

from datetime import date

import numpy as np
import pytest

from models import years_in_service
from models.incidence import Pieces, aalen_johansen
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import house_rules, invent, store_of

YEAR = 365.25


def pieces_of(leave, has_failed, entry=None):
    size = len(leave)
    start = np.zeros(size) if entry is None else np.asarray(entry, dtype=float)
    levels = np.zeros((size, len(STEPS)), dtype=int)
    return Pieces(levels, start, np.asarray(leave, dtype=float), np.asarray(has_failed, dtype=int), np.ones(size))


def lung():
    from lifelines.datasets import load_lung

    frame = load_lung()
    return frame["time"].to_numpy(float), frame["status"].to_numpy(int), frame["sex"].to_numpy(int)


@pytest.mark.parametrize("horizon", [100.0, 365.0, 500.0, 800.0])
def test_the_area_equals_lifelines(horizon):
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    time, has_died, _ = lung()
    theirs = restricted_mean_survival_time(KaplanMeierFitter().fit(time, has_died), t=horizon)
    ours, _ = years_in_service.restricted_mean(aalen_johansen(np.zeros(len(time)), time, has_died), horizon)
    assert ours == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    ("people", "mean_days", "error"),
    # R 4.2.2, survival 3.5.3: print(survfit(Surv(time, status) ~ sex, lung), rmean = 500), the men's and the women's row
    [(138, 278.763231530, 14.3545585667), (90, 360.910954195, 16.8010181687)],
)
def test_the_area_and_its_error_equal_survfit(people, mean_days, error):
    time, has_died, sex = lung()
    group = next(one for one in np.unique(sex) if (sex == one).sum() == people)
    curve = aalen_johansen(np.zeros(people), time[sex == group], has_died[sex == group])
    ours, variance = years_in_service.restricted_mean(curve, 500.0)
    assert ours == pytest.approx(mean_days, abs=1e-8)
    assert np.sqrt(variance) == pytest.approx(error, abs=1e-8)


def test_late_entry_is_counted_from_when_it_is_seen():
    # by hand: at 2 two are at risk (the third enters at 3), at 4 two: S = 1/2 from 2, 1/4 from 4: area to 6 = 2 + 1 + 1/2
    curve = aalen_johansen(np.array([0.0, 0, 3]), np.array([2.0, 4, 6]), np.array([1, 1, 0]))
    assert years_in_service.restricted_mean(curve, 6.0)[0] == pytest.approx(3.5)


def test_intervals_hold_the_truth_in_nineteen_of_twenty_draws():
    rng = np.random.default_rng(4)
    horizon, rate = 10 * YEAR, 0.02 / YEAR
    truth = (1 - np.exp(-rate * horizon)) / rate / YEAR
    inside, apart = 0, 0
    for _ in range(400):
        arms = []
        for _ in range(2):
            failed_at, seen_until = rng.exponential(1 / rate, 80), rng.uniform(2 * YEAR, 14 * YEAR, 80)
            leave = np.minimum(np.minimum(failed_at, seen_until), horizon)
            arms.append(years_in_service.service(pieces_of(leave, (failed_at <= leave).astype(int)), horizon, 80))
        inside += arms[0].low <= truth <= arms[0].high
        _, low, high = years_in_service.difference(*arms)
        apart += low <= 0 <= high
    # 400 draws: 0.95 give or take 0.033 at three standard errors
    assert 0.915 <= inside / 400 <= 0.985
    assert 0.915 <= apart / 400 <= 0.985


def test_without_any_failure_the_interval_begins_where_the_highest_rate_would_end():
    # by hand: none in 100 systems x 10 years; an exact 95 % interval of 0 events ends at 3.689 of them
    found = years_in_service.service(pieces_of(np.full(100, 10 * YEAR), np.zeros(100)), 10 * YEAR, 100)
    rate = 3.6888794 / 1000
    assert (found.years, found.high) == (10.0, 10.0)
    assert found.low == pytest.approx((1 - np.exp(-10 * rate)) / rate, abs=1e-6)


def test_ten_systems_must_have_been_followed_to_an_age():
    nine = pieces_of([*[20 * YEAR] * 9, *[7 * YEAR] * 30], np.zeros(39))
    ten = pieces_of([*[20 * YEAR] * 10, *[7 * YEAR] * 30], np.zeros(40))
    assert years_in_service.reach_months(nine) == 7 * 12
    assert years_in_service.reach_months(ten) == 20 * 12


def test_a_fleet_of_ten_years_says_its_own_horizon_and_too_early_for_twenty():
    con = store_of(invent(1500, 8, seed=2, rate_factor=3))
    cells.make_cells(con, house_rules())
    table = years_in_service.years_in_service_table(con, date(2025, 6, 30))
    assert table.height == 2 * len(STEPS)
    assert not table["reaches_20"].any()
    assert table["horizon_years"].is_between(3, 10).all()
    assert (table["low"] < table["years"]).all()
    assert (table["years"] < table["high"]).all()
    assert (table["high"] <= table["horizon_years"]).all()
    assert all("Too early to say for 20: not before 203" in text for text in table["text"])
    evacuation = table.filter(step="evacuation")
    assert evacuation["horizon_years"].n_unique() == 1
    good, bad = evacuation.filter(arm="good").row(0, named=True), evacuation.filter(arm="not_good").row(0, named=True)
    assert good["difference"] == pytest.approx(good["years"] - bad["years"])
    assert good["difference_low"] < good["difference"] < good["difference_high"]
    # the systems counted are those of the list that a reader can open
    listed = con.sql(
        "select count(distinct (system_id, life_no)) from follow_up_step "
        "where step = 'evacuation' and state = 'passed' and not is_visited"
    ).fetchall()[0][0]  # fmt: skip
    assert good["systems"] == listed


def test_a_fleet_of_twenty_four_years_reaches_twenty():
    con = store_of(invent(2500, 6, seed=3, years=24.0))
    con.execute("update staged_system set last_contact_on = date '2025-06-30' where retired_on is null")
    cells.make_cells(con, house_rules())
    table = years_in_service.years_in_service_table(con, date(2025, 6, 30)).filter(step="charge")
    assert table["reaches_20"].all()
    assert (table["horizon_years"] == 20).all()
    assert not any("oo early" in text for text in table["text"])
