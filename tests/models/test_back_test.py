"""The model tried on earlier days."""

import numpy as np
import polars as pl
import pytest
from sklearn.metrics import roc_auc_score

from models import back_test, rate_cells
from pipelines import cells
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, store_of


@pytest.fixture(scope="module")
def tried():
    con = store_of(invent(12_000, 40, seed=41))
    cells.make_cells(con, house_rules(), LAST_DAY)
    return con, back_test.back_test(con, seed=1)


def test_what_was_said_came_on_average_and_along_the_whole_list(tried):
    _, found = tried
    card = found.model_card
    assert card.height == 3
    assert (card["said"] / card["seen"]).mean() == pytest.approx(1.0, abs=0.12)
    assert card["calibration_slope"].mean() == pytest.approx(1.0, abs=0.15)
    assert (card["brier"] < card["brier_of_base_rate"]).all()
    assert (card["auc_low"] > 0.6).all()
    tenths = found.calibration.filter(pl.col("group").str.starts_with("tenth"))
    covered = (tenths["low"] <= tenths["said"]) & (tenths["said"] <= tenths["high"])
    assert covered.mean() > 0.8


def test_cells_of_an_earlier_day_equal_the_cells_made_on_that_day(tried):
    con, _ = tried
    cutoff = con.sql("select max(cutoff) from back_test_cutoff").fetchall()[0][0]
    then = rate_cells.read(con, cutoff)
    fleet = invent(12_000, 40, seed=41)
    fresh = store_of(fleet)
    cells.make_cells(fresh, house_rules(), cutoff)
    made = rate_cells.read(fresh)
    for mine, theirs in zip(then.of_outcome("compressor_failure"), made.of_outcome("compressor_failure"), strict=True):
        assert mine.sum() == pytest.approx(theirs.sum(), abs=1e-6)


def test_nothing_after_the_cutoff_reaches_the_model(tried):
    con, _ = tried
    assert con.sql(
        "select count(*) from follow_up_then as piece join life using (system_id, life_no) "
        "where to_age > datediff('day', life.started_on, piece.cutoff) "
        "or event_age > datediff('day', life.started_on, piece.cutoff) + 1"
    ).fetchall() == [(0,)]


def test_a_young_fleet_says_why_it_could_not_be_tried():
    con = store_of(invent(300, 4, seed=42, years=2.0))
    cells.make_cells(con, house_rules(), LAST_DAY)
    found = back_test.back_test(con, seed=1)
    assert found.model_card.is_empty()
    assert len(found.notes) == 3
    assert found.extra_spread == 0.0


def test_area_under_the_curve_equals_scikit_learn_where_nobody_is_lost():
    rng = np.random.default_rng(2)
    probability = np.round(rng.random(500), 2)
    failed = rng.random(500) < probability
    auc, error = back_test._auc(probability, failed, np.ones(500))
    assert auc == pytest.approx(roc_auc_score(failed, probability), abs=1e-12)
    assert 0 < error < 0.05


def test_those_lost_from_sight_are_made_up_for_by_those_like_them():
    days = np.array([365.0] * 50 + [100.0] * 50)
    failed = np.zeros(100, dtype=bool)
    known, weight = back_test._weights(days, failed)
    assert known.sum() == 50
    np.testing.assert_allclose(weight[:50], 2.0)
