"""A plan of visits: as good as trying every way, days that hold no more than their slots, a lot with a known chance."""

import itertools
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.visit_plan import Wishes, plan_visits


def _days(number):
    return tuple(date(2026, 4, 6) + timedelta(days=day) for day in range(number))


def _systems(number, areas=5, seed=1):
    rng = np.random.default_rng(seed)
    benefit = np.sort(rng.gamma(2.0, 60.0, number))[::-1] - 20
    return pl.DataFrame({
        "system_id": [f"S{i}" for i in range(number)],
        "area": [f"A{i}" for i in rng.integers(0, areas, number)],
        "latitude": rng.uniform(40, 41, number), "longitude": rng.uniform(-90, -89, number),
        "visit_benefit": benefit, "probability": np.linspace(0.3, 0.01, number),
        "rank": np.arange(1, number + 1),
    })  # fmt: skip


def _worth(systems, days_of, wishes):
    """Benefit less ways of an assignment {row: day}."""
    benefit = sum(systems["visit_benefit"][row] for row in days_of)
    ways = {(systems["area"][row], day) for row, day in days_of.items()}
    return benefit - wishes.trip_cost * len(ways)


@pytest.mark.parametrize("seed", range(4))
def test_the_plan_is_as_good_as_the_best_of_all_ways(seed):
    systems = _systems(6, areas=3, seed=seed)
    wishes = Wishes(days=_days(2), slots_a_day=2, share_by_lot=0.0, trip_cost=60.0)
    best = max(
        _worth(systems, {row: day for row, day in enumerate(way) if day >= 0}, wishes)
        for way in itertools.product((-1, 0, 1), repeat=6)
        if max(way.count(0), way.count(1)) <= 2
    )
    visits = plan_visits(systems, wishes, seed=1).visits
    row_of = {name: row for row, name in enumerate(systems["system_id"])}
    found = {
        row_of[name]: wishes.days.index(day)
        for name, day in visits.filter(pl.col("chosen_by") == "rank").select("system_id", "day").iter_rows()
    }
    assert _worth(systems, found, wishes) == pytest.approx(best, rel=2e-3)


def test_no_day_holds_more_than_its_slots_and_nobody_is_visited_twice():
    plan = plan_visits(_systems(400), Wishes(days=_days(10), slots_a_day=4), seed=3)
    assert plan.visits.height == 40
    assert plan.left_out == ""
    assert plan.visits.group_by("day").len()["len"].max() == 4
    assert plan.visits["system_id"].n_unique() == 40
    assert plan.visits.group_by("day").agg(pl.col("slot").sort())["slot"].to_list() == [[1, 2, 3, 4]] * 10


def test_a_fifth_is_drawn_by_lot_from_those_that_stand_next_with_a_known_chance():
    systems = _systems(400)
    plan = plan_visits(systems, Wishes(days=_days(10), slots_a_day=5), seed=3)
    lot = plan.visits.filter(pl.col("chosen_by") == "lot")
    assert lot.height == 10
    assert plan.pool.height == 150
    assert set(lot["system_id"]) == set(plan.pool.filter("was_drawn")["system_id"])
    assert lot["chance"].unique().to_list() == [pytest.approx(10 / 150)]
    sure = plan.visits.filter(pl.col("chosen_by") == "rank")["system_id"]
    assert not set(sure) & set(plan.pool["system_id"])
    # the lot is fair: over many seeds everybody comes up about as often as his chance says
    counts = dict.fromkeys(plan.pool["system_id"], 0)
    small = Wishes(days=_days(1), slots_a_day=5)
    times = 400
    pools = [plan_visits(systems.head(20), small, seed=seed).pool for seed in range(times)]
    for pool in pools:
        for name in pool.filter("was_drawn")["system_id"]:
            counts[name] = counts.get(name, 0) + 1
    drawn = np.array([counts[name] for name in pools[0]["system_id"]])
    expected = times * pools[0]["chance"][0]
    assert drawn.sum() == times
    assert ((drawn - expected) ** 2 / expected).sum() < 2.2 * len(drawn)


def test_the_unsafe_and_the_own_choice_are_never_left_to_the_lot():
    systems = _systems(200)
    wishes = Wishes(days=_days(2), slots_a_day=5, unsafe=("S150", "S190"), own_choice=("S120",))
    plan = plan_visits(systems, wishes, seed=1)
    by = dict(plan.visits.select("system_id", "chosen_by").iter_rows())
    assert by["S150"] == by["S190"] == "rank"
    assert by["S120"] == "own_choice"
    assert not {"S150", "S190", "S120"} & set(plan.pool["system_id"])


def test_the_unsafe_go_on_the_first_days_and_as_many_as_there_are_slots():
    wishes = Wishes(days=_days(3), slots_a_day=2, unsafe=("S150", "S190", "S170"))
    plan = plan_visits(_systems(200), wishes, seed=1)
    assert plan.visits.height == 6
    day_of = dict(plan.visits.select("system_id", "day").iter_rows())
    assert sorted(day_of[name] for name in wishes.unsafe) == [wishes.days[0], wishes.days[0], wishes.days[1]]
    all_unsafe = plan_visits(_systems(200), Wishes(_days(1), 2, unsafe=tuple(f"S{i}" for i in range(190, 200))), seed=1)
    assert set(all_unsafe.visits["system_id"]) <= {f"S{i}" for i in range(190, 200)}
    assert all_unsafe.visits.height == 2


def test_weeks_one_after_the_other_take_the_best_first_and_at_most_what_was_asked_for():
    systems = _systems(400)
    wishes = Wishes(days=_days(30), slots_a_day=4, at_most=50, trip_cost=0.0)
    visits = plan_visits(systems, wishes, seed=2).visits
    assert visits.height == 50
    sure = visits.filter(pl.col("chosen_by") == "rank").join(systems, on="system_id")
    assert set(sure["rank"]) == set(range(1, 41))
    first_week = sure.filter(pl.col("day") < wishes.days[5])
    assert first_week["rank"].to_list()
    assert first_week["rank"].max() <= 16
    assert visits["day"].max() <= wishes.days[14]


def test_only_the_areas_asked_for_and_nobody_a_visit_is_not_worth():
    systems = _systems(100).with_columns(visit_benefit=pl.col("visit_benefit") - 60)
    wishes = Wishes(days=_days(5), slots_a_day=8, areas=("A1",))
    plan = plan_visits(systems, wishes, seed=1)
    rows = plan.visits.join(systems, on="system_id")
    assert set(rows["area"]) == {"A1"}
    assert rows["visit_benefit"].min() > 0
    assert "slots stay free" in plan.left_out


def test_a_far_area_is_left_for_a_near_one_of_the_same_worth():
    systems = pl.DataFrame({
        "system_id": ["near", "far"], "area": ["N", "F"], "latitude": [40.0, 43.0], "longitude": [-90.0, -90.0],
        "visit_benefit": [100.0, 110.0], "probability": [0.1, 0.1], "rank": [2, 1],
    })  # fmt: skip
    wishes = Wishes(days=_days(1), slots_a_day=1, share_by_lot=0.0)
    assert plan_visits(systems, wishes, seed=1).visits["system_id"].to_list() == ["far"]
    from_home = Wishes(days=_days(1), slots_a_day=1, share_by_lot=0.0, home=(40.0, -90.0))
    assert plan_visits(systems, from_home, seed=1).visits["system_id"].to_list() == ["near"]


def test_no_lot_sends_anybody_where_the_way_costs_more_than_a_visit_brings():
    systems = _systems(60).with_columns(visit_benefit=pl.lit(30.0))
    wishes = Wishes(days=_days(5), slots_a_day=4, trip_cost=1000.0, unsafe=("S7",))
    plan = plan_visits(systems, wishes, seed=1)
    assert plan.visits["system_id"].to_list() == ["S7"]
    assert plan.pool.is_empty()
    assert "19 of 20 slots stay free" in plan.left_out


def test_without_slots_or_systems_there_is_a_reason_and_no_plan():
    for systems, days in ((_systems(5), ()), (_systems(5).clear(), _days(2))):
        plan = plan_visits(systems, Wishes(days=days, slots_a_day=3), seed=1)
        assert plan.visits.is_empty()
        assert plan.pool.is_empty()
        assert plan.left_out
