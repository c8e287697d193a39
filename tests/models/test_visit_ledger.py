"""Drawn by lot against not drawn: ranges held to published ways, and their cover where the truth is known."""

from __future__ import annotations

import datetime as dt

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.stats import rates as reference

from models import install_risk, rate_cells, visit_ledger
from models.visit_ledger import compare, difference_range, lots_needed, weighted_rate
from pipelines import cells
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, put, store_of


def _pools(*rows):
    return pl.DataFrame(rows, schema=["plan_id", "was_drawn", "chance", "systems", "events", "years"], orient="row")


@pytest.mark.parametrize(("events", "years"), [(0, 12.0), (1, 8.0), (7, 150.0), (40, 310.0)])
def test_with_one_plan_the_range_is_the_mid_p_range_of_a_poisson_rate(events, years):
    # statsmodels confint_poisson, "midp-c": its own search stops at five figures
    found = weighted_rate(np.array([float(events)]), np.array([years]), np.array([3.0]))
    low, high = reference.confint_poisson(events, years, method="midp-c")
    assert found[0] == pytest.approx(events / years)
    assert found[1:] == (pytest.approx(0 if events == 0 else low, abs=1e-9, rel=1e-4), pytest.approx(high, rel=1e-4))


def test_with_several_plans_the_range_lies_within_the_gamma_range_of_fay_and_feuer():
    events, years, weight = np.array([3.0, 0.0, 5.0]), np.array([40.0, 10.0, 90.0]), np.array([2.0, 5.0, 3.0])
    rate, low, high = weighted_rate(events, years, weight)
    # Fay and Feuer 1997 (from memory): chi-square ends with the weighted sum, its variance and the largest weight
    own = weight / (weight * years).sum()
    y, v, most = (own * events).sum(), (own**2 * events).sum(), own.max()
    wide_low = v / (2 * y) * stats.chi2.ppf(0.025, 2 * y**2 / v)
    wide_high = (v + most**2) / (2 * (y + most)) * stats.chi2.ppf(0.975, 2 * (y + most) ** 2 / (v + most**2))
    assert rate == pytest.approx((weight * events).sum() / (weight * years).sum())
    assert wide_low < low < rate < high < wide_high
    assert high - low > 0.8 * (wide_high - wide_low)


def test_the_difference_is_put_together_as_in_statsmodels():
    # confint_poisson_2indep, compare="diff", method="mover": the same parts, by the score way
    one, other = reference.confint_poisson(9, 60, method="score"), reference.confint_poisson(22, 70, method="score")
    ours = difference_range(9 / 60, *one, 22 / 70, *other)
    theirs = reference.confint_poisson_2indep(9, 60, 22, 70, compare="diff", method="mover", method_mover="score")
    assert ours == (pytest.approx(theirs[0], rel=1e-9), pytest.approx(theirs[1], rel=1e-9))


def test_weights_undo_that_plans_drew_with_other_chances():
    # two plans of 100 systems; the second's systems fail four times as often, and more of them were drawn
    found = compare(
        _pools(
            ("P1", True, 0.1, 10, 1, 10.0), ("P1", False, 0.1, 90, 9, 90.0),
            ("P2", True, 0.5, 50, 20, 50.0), ("P2", False, 0.5, 50, 20, 50.0),
        )
    )  # fmt: skip
    # without weights: 21 in 60 years against 29 in 140, as if visits did harm
    assert found.drawn.rate == pytest.approx(found.not_drawn.rate)
    assert found.difference == pytest.approx(0)
    assert found.low < 0 < found.high
    assert found.evidence == "unclear"
    assert (found.drawn.systems, found.drawn.events, found.not_drawn.systems, found.not_drawn.events) == (
        60,
        21,
        140,
        29,
    )


def test_nothing_is_told_without_a_lot_without_time_and_with_few_failures():
    assert compare(_pools().clear()).evidence == "too_few"
    everybody = compare(_pools(("P1", True, 1.0, 9, 4, 9.0)))
    assert (everybody.difference, everybody.evidence) == (None, "too_few")
    no_time = compare(_pools(("P1", True, 0.2, 9, 0, 0.0), ("P1", False, 0.2, 30, 0, 0.0)))
    assert (no_time.difference, no_time.evidence) == (None, "too_few")
    few = compare(_pools(("P1", True, 0.2, 9, 0, 9.0), ("P1", False, 0.2, 30, 5, 30.0)))
    assert few.evidence == "too_few"
    assert few.low < few.difference < few.high


def test_fewer_failures_are_told_where_the_range_leaves_nought_out():
    found = compare(_pools(("P1", True, 0.3, 300, 10, 600.0), ("P1", False, 0.3, 700, 90, 1400.0)))
    assert found.evidence == "fewer"
    assert found.high < 0


# 2,000 draws of a lot in each world: how often the range holds the truth
CHANCES, SIZES, YEARS = np.array([0.15, 0.3, 0.4]), np.array([60, 100, 160]), np.array([3.0, 2.0, 1.0])


@pytest.mark.parametrize(
    ("per_year", "ratio", "lots"), [(0.03, 1.0, 1), (0.03, 0.5, 1), (0.10, 0.5, 1), (0.05, 0.5, 6)]
)
def test_the_range_of_the_difference_covers(per_year, ratio, lots):
    """lots: how many plans like these three. Of those drawn 80 % are visited; by intention all of them count."""
    rng = np.random.default_rng(round(1000 * per_year + 10 * ratio + lots))
    draws, size = 2000, SIZES * lots
    events, years = np.zeros((2, draws, 3)), np.zeros((2, draws, 3))
    expected = np.zeros((2, 2))  # [side, failures or years], over everybody
    for plan in range(3):
        hazard = per_year * rng.gamma(2.0, 0.5, size[plan])
        treated = hazard * np.where(rng.random(size[plan]) < 0.8, ratio, 1.0)
        for side, own in enumerate((treated, hazard)):
            failing = -np.expm1(-own * YEARS[plan])
            expected[side] += failing.sum(), (failing / own).sum()
        drawn = rng.random((draws, size[plan])).argsort(axis=1) < round(CHANCES[plan] * size[plan])
        life = rng.exponential(1.0, (draws, size[plan])) / np.where(drawn, treated, hazard)
        has_failed, seen = life < YEARS[plan], np.minimum(life, YEARS[plan])
        for side, here in enumerate((drawn, ~drawn)):
            events[side, :, plan], years[side, :, plan] = (has_failed & here).sum(1), (seen * here).sum(1)
    truth = expected[0, 0] / expected[0, 1] - expected[1, 0] / expected[1, 1]
    chance = np.round(CHANCES * size) / size
    low, high = difference_range(
        *weighted_rate(events[0], years[0], 1 / chance), *weighted_rate(events[1], years[1], 1 / (1 - chance))
    )
    covered = ((low <= truth) & (truth <= high)).mean()
    print(f"{per_year} x {ratio}, {lots * 3} plans, {events.sum(axis=(0, 2)).mean():.0f} failures: cover {covered:.3f}")
    # a range that holds too often tells less, but never wrongly: few failures come in whole numbers
    assert 0.94 <= covered <= 0.985


def test_lots_needed_are_as_many_as_show_a_halving_four_times_in_five():
    rng = np.random.default_rng(5)
    chance, per_year = 0.25, 0.05
    lots = lots_needed(per_year, chance)
    pool = round(lots / chance)
    years = visit_ledger.YEARS_FOLLOWED
    found = []
    for _ in range(400):
        drawn = rng.poisson(per_year * 0.5 * lots * years)
        rest = rng.poisson(per_year * (pool - lots) * years)
        told = compare(
            _pools(("P", True, chance, lots, drawn, lots * years), ("P", False, chance, pool - lots, rest, (pool - lots) * years))
        )  # fmt: skip
        found.append(told.evidence == "fewer")
    assert np.mean(found) == pytest.approx(0.8, abs=0.07)
    assert lots_needed(0.0, 0.25) is None
    assert lots_needed(0.05, 1.0) is None


def test_failures_since_the_plan_are_counted_where_they_would_have_been_heard():
    con = duckdb.connect()
    day = dt.date(2025, 1, 1)
    con.execute("create table cell_run as select date '2026-01-01' as as_of")
    con.execute(
        "create table contact_window as select * from (values ('A', date '2020-01-01', date '2026-01-01'), "
        "('B', date '2020-01-01', date '2025-07-02'), ('C', date '2020-01-01', date '2026-01-01'), "
        "('D', date '2020-01-01', date '2026-01-01')) as t(system_id, from_on, to_on)"
    )
    # A fails in sight, B after we could have heard, C before the plan was made
    con.execute(
        "create table outcome_event as select 'compressor_failure' as outcome, * from (values ('A', date '2025-04-01'), "
        "('B', date '2025-12-01'), ('C', date '2024-12-01')) as t(system_id, happened_on)"
    )
    con.execute(
        "create table staged_system as select * from (values ('A', null::date), ('B', null), ('C', null), "
        "('D', date '2025-03-02'), ('E', null)) as t(system_id, retired_on)"
    )
    pool = pl.DataFrame(
        {"plan_id": ["P"] * 5, "system_id": list("ABCDE"), "was_drawn": [True, True, False, False, False],
         "chance": [0.4] * 5, "made_on": [day] * 5}
    )  # fmt: skip
    drawn, rest = visit_ledger.failures_since(con, pool).sort("was_drawn", descending=True).rows(named=True)
    assert (drawn["systems"], drawn["events"], rest["systems"], rest["events"]) == (2, 1, 3, 0)
    assert drawn["years"] == pytest.approx((90 + 182) / 365.25, abs=1e-6)  # A to 1 April, B to 2 July
    assert rest["years"] == pytest.approx(
        (365 + 60) / 365.25, abs=1e-6
    )  # C the year, D until it was taken out, E never


def test_what_was_put_right_is_worth_what_the_list_had_said_of_the_same_systems():
    fleet = invent(2500, 15, seed=4)
    con, rules = store_of(fleet), house_rules()
    cells.make_cells(con, rules, LAST_DAY)
    model = install_risk.model_of(con, rate_cells.read(con), LAST_DAY)
    listed, _ = install_risk.install_risk_tables(con, model, rules, 2400.0, LAST_DAY, 1)
    mended = listed.filter(horizon_months=12).sort("rank").head(30)["system_id"].to_list()
    put(con, "staged_call", [
        {"call_id": f"E{n}", "system_id": system, "opened_on": LAST_DAY, "call_kind": "proactive",
         "finding": "low_charge", "put_right": n < 25}
        for n, system in enumerate(mended)
    ])  # fmt: skip
    cells.make_cells(con, rules, LAST_DAY)
    worth = visit_ledger.visit_value_table(con, model, rules, 2400.0)
    assert set(worth["system_id"]) == set(mended[:25])  # where nothing was put right nothing is worth anything
    both = worth.join(listed, on=["system_id", "horizon_months"])
    assert both.height == 75
    assert both["value"].to_list() == pytest.approx((both["visit_benefit"] + rules.visit_cost).to_list())
    assert both["probability_without"].to_list() == pytest.approx(both["probability"].to_list())
    assert both["value"].to_list() == pytest.approx((2400 * both["avoided"]).to_list())
