"""The model tried on earlier days."""

import numpy as np
import polars as pl
import pytest
from sklearn.metrics import roc_auc_score

from models import back_test, install_risk, rate_cells
from models.risk_chance import Chances, systems_of
from pipelines import cells
from synthetic_data.fleet import make_fleet
from tests.bench.risk_worlds import AS_OF, demo_store
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, store_of


@pytest.fixture(scope="module")
def tried():
    con = store_of(invent(12_000, 40, seed=41))
    cells.make_cells(con, house_rules(), LAST_DAY)
    return con, back_test.back_test(con, seed=1)


def test_what_was_said_came_on_average_and_along_the_whole_list(tried):
    _, found = tried
    year = found.model_card.filter(horizon_months=12)
    assert year.height == 5
    assert (year["said"] / year["seen"]).mean() == pytest.approx(1.0, abs=0.12)
    assert year["calibration_slope"].mean() == pytest.approx(1.0, abs=0.15)
    assert (found.model_card["brier"] < found.model_card["brier_of_base_rate"]).all()
    assert (found.model_card["auc_low"] > 0.6).all()
    tenths = found.calibration.filter(pl.col("group").str.starts_with("tenth"))
    covered = (tenths["low"] <= tenths["said"]) & (tenths["said"] <= tenths["high"])
    assert covered.mean() > 0.8


def test_every_horizon_that_had_passed_is_judged_on_every_day(tried):
    _, found = tried
    asked = found.model_card.group_by("horizon_months").len().sort("horizon_months")
    assert asked.rows() == [(12, 5), (24, 4), (36, 3)]
    known = found.model_card.pivot(on="horizon_months", index="cutoff", values="seen").drop_nulls()
    assert (known["12"] < known["24"]).all()
    assert (known["24"] < known["36"]).all()


def test_the_highest_and_each_tenth_stand_in_calibration_with_the_range_of_what_was_said(tried):
    _, found = tried
    for (_, months), part in found.calibration.group_by("cutoff", "horizon_months"):
        assert part.height == 11
        assert part.filter(pl.col("group") == "highest 120")["systems"].to_list() == [120]
        assert ((part["said_low"] < part["said"]) & (part["said"] < part["said_high"])).all()
        tenths = part.filter(pl.col("group").str.starts_with("tenth"))
        card = found.model_card.filter(cutoff=part["cutoff"][0], horizon_months=months)
        assert tenths["systems"].sum() == card["systems"][0]
        mean = (tenths["said"] * tenths["systems"]).sum() / tenths["systems"].sum()
        assert mean == pytest.approx(card["said"][0], rel=1e-9)


@pytest.fixture(scope="module")
def two_days():
    """The demo's kind of fleet, half of its last contacts not written down, on its own day and on two earlier ones."""
    fleet = make_fleet(5000, seed=3, as_of=AS_OF, log_share=0.0)
    hidden = pl.Series(np.random.default_rng(1).random(fleet.systems.height) < 0.5)
    fleet.systems = fleet.systems.with_columns(last_contact_on=pl.when(~hidden).then("last_contact_on"))
    con = demo_store(fleet)
    cells.make_cells(con, house_rules(), AS_OF)
    cutoffs = [day for (day,) in con.sql("select cutoff from back_test_cutoff order by cutoff").fetchall()]
    then = {}
    for cutoff in (cutoffs[0], cutoffs[-1]):
        then[cutoff] = demo_store(fleet)
        cells.make_cells(then[cutoff], house_rules(), cutoff)
    return con, then


def _counted(found: rate_cells.RateCells) -> pl.DataFrame:
    years, events = found.of_outcome("compressor_failure")
    keys = ["technician", "pattern", "group", "is_visited", "band"]
    return (
        pl.DataFrame({
            "technician": pl.Series(found.technicians).gather(found.technician),
            "pattern": found.pattern_codes[found.pattern], "group": pl.Series(found.groups).gather(found.group),
            "is_visited": found.is_visited, "band": found.band.astype(int), "years": years, "events": events,
        })
        .group_by(keys).agg(pl.col("years", "events").sum())
        .filter((pl.col("years") > 1e-9) | (pl.col("events") > 0)).sort(keys)
    )  # fmt: skip


def test_cells_of_an_earlier_day_are_the_cells_of_a_fit_that_stands_on_that_day(two_days):
    # contact proved by later visits, later failures, jobs and retirements: none of it is in them
    con, then = two_days
    assert con.sql(
        "select count(*) > 500 from staged_system where last_contact_on is null and agreement"
    ).fetchall() == [(True,)]
    for cutoff, store in then.items():
        earlier, own = _counted(rate_cells.read(con, cutoff)), _counted(rate_cells.read(store))
        assert own["events"].sum() > 20
        assert earlier.drop("years").equals(own.drop("years"))
        np.testing.assert_allclose(earlier["years"], own["years"], atol=1e-9)


def test_a_fit_as_of_an_earlier_day_is_the_model_of_the_back_test(two_days):
    con, then = two_days
    for cutoff, store in then.items():
        tried = back_test.model_on(con, cutoff)
        own = install_risk.model_of(store, rate_cells.read(store), cutoff)
        np.testing.assert_array_equal(tried.coefficients, own.coefficients)
        np.testing.assert_array_equal(tried.log_spreads, own.log_spreads)
        np.testing.assert_array_equal(tried.practice.share_not_good, own.practice.share_not_good)
        assert tried.shape == own.shape
        # and the chances it gave the systems that are judged are those that the list of that day holds
        table, _ = install_risk.install_risk_tables(store, own, house_rules(), 2400.0, cutoff, 1)
        systems = con.sql(
            "select * from back_test_system where cutoff = $day order by system_id", params={"day": cutoff}
        ).pl()
        judged = systems.with_columns(said=-np.expm1(-Chances(tried, systems_of(systems, tried)).expected(12)))
        both = judged.join(table.filter(horizon_months=12), on="system_id", how="left")
        assert both.height > 500
        np.testing.assert_allclose(both["said"], both["probability"], rtol=1e-12)


def test_nothing_after_the_cutoff_reaches_the_model(tried):
    con, _ = tried
    assert con.sql(
        "select count(*) from follow_up_then as piece join life using (system_id, life_no) "
        "where to_age > datediff('day', life.started_on, piece.cutoff) "
        "or event_age > datediff('day', life.started_on, piece.cutoff) + 1"
    ).fetchall() == [(0,)]


def test_only_systems_known_to_be_in_contact_then_are_judged_while_unvisited(two_days):
    con, _ = two_days
    strangers = con.sql(
        """
        select count(*) from back_test_system as judged
        where not exists (
            from follow_up_then as known
            where known.cutoff = judged.cutoff and known.system_id = judged.system_id and known.job_id = judged.job_id
                and known.to_age = judged.age and known.is_visited = judged.is_visited
        )
        """
    ).fetchall()
    assert strangers == [(0,)]
    # nobody is followed past the visit that put something right
    past, visited = con.sql(
        """
        select count(*) filter (cutoff + days_followed::integer > put_right_on), count(*)
        from back_test_system join life using (system_id)
        where not is_visited and put_right_on > cutoff and started_on <= cutoff and coalesce(next_started_on > cutoff, true)
        """
    ).fetchall()[0]
    assert past == 0
    assert visited > 20


def test_a_young_fleet_says_why_it_could_not_be_tried():
    con = store_of(invent(300, 4, seed=42, years=2.0))
    cells.make_cells(con, house_rules(), LAST_DAY)
    found = back_test.back_test(con, seed=1)
    assert found.model_card.is_empty()
    assert len(found.notes) == 5
    assert found.extra_spread == 0.0


def test_years_that_differ_by_more_than_chance_widen_the_ranges():
    def year(said, seen):
        return back_test._Year(said, seen, 0.001, 400)

    alike = [year(0.01, 0.0102), year(0.01, 0.0099), year(0.01, 0.0101)]
    assert back_test._spread_between_years(alike) == 0.0
    apart = [year(0.01, 0.014), year(0.01, 0.0075), year(0.01, 0.0135)]
    # root mean square of the three logs, less 0.001 and 1 / 400
    logs = np.log([1.4, 0.75, 1.35])
    assert back_test._spread_between_years(apart) == pytest.approx(np.sqrt(np.mean(logs**2) - 0.0035))
    assert back_test._spread_between_years(apart[:1]) == 0.0


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
    # over two years nobody here was seen to the end
    assert back_test._weights(days, failed, 730.5)[0].sum() == 0
