"""Readings that come back: honest people who round, share gauges and work through quiet weather are left alone, copies
are found. The people are invented here; what is asked is how often they are told apart."""

import numpy as np
import pytest

from models.repeats import favourites, repeats

PEOPLE = 40
ALARM = 0.01 / PEOPLE


def honest(rng, jobs, readings):
    """Sets of readings: own level and spread, rounding to 1, 5 or 10, weather that lasts, readings that hang together."""
    step = rng.choice([1, 5, 10], readings)
    weather, slow = np.zeros(jobs), rng.choice([0.0, 0.9, 0.98])
    for job in range(1, jobs):
        weather[job] = slow * weather[job - 1] + np.sqrt(1 - slow**2) * rng.normal()
    common = rng.uniform(0, 0.95, readings) * (rng.random(readings) < 0.5)
    spread = common * weather[:, None] + np.sqrt(1 - common**2) * rng.normal(size=(jobs, readings))
    level = rng.normal(300, 40, readings) + rng.uniform(8, 80, readings) * spread
    return np.round(level / step) * step


def house(rng, jobs=120, readings=4, copied=0.0, follows=False):
    """The first five people copy so many of their jobs from an earlier one."""
    units, sets = [], []
    for person in range(PEOPLE):
        own = honest(rng, jobs, readings)
        if follows:
            # a pressure at the end is that at the beginning or one more: both come back as one
            own[:, 1] = own[:, 0] + rng.choice([0, 0, 0, 1], jobs)
        if person < 5:
            for job in np.flatnonzero(rng.random(jobs) < copied):
                own[job] = own[rng.integers(0, max(job, 1))]
        units.append(np.full(jobs, person))
        sets.append(own)
    return np.concatenate(units), np.concatenate(sets)


@pytest.mark.parametrize("readings", [3, 5])
@pytest.mark.parametrize("follows", [False, True])
def test_honest_people_are_left_alone(readings, follows):
    rng = np.random.default_rng(5)
    told = [repeats(*house(rng, readings=readings, follows=follows)).probability for _ in range(6)]
    assert (np.concatenate(told) < ALARM).sum() == 0
    # nor do they crowd just beside the line
    assert (np.concatenate(told) < 0.01).mean() < 0.01


def test_fifteen_in_a_hundred_copies_are_found_and_counted():
    rng = np.random.default_rng(6)
    found = [repeats(*house(rng, copied=0.15)) for _ in range(4)]
    told = np.concatenate([one.probability[:5] < ALARM / 10 for one in found])
    assert told.mean() >= 0.9
    again = np.array([one.again[:5] for one in found])
    assert again.mean() == pytest.approx(0.15 * 120, abs=4)
    assert all(one.expected[:5].max() < 8 for one in found)


def test_two_units_on_one_visit_are_not_held_against_each_other():
    unit, sets = np.zeros(60, dtype=int), np.repeat(honest(np.random.default_rng(7), 30, 4), 2, axis=0)
    pairs = repeats(unit, sets, np.repeat(np.arange(30), 2))
    assert pairs.again.tolist() == [0]
    assert repeats(unit, sets).again.tolist() == [30]


def test_of_two_readings_nothing_is_told():
    unit, sets = np.zeros(60, dtype=int), np.full((60, 2), 400.0)
    assert np.isnan(repeats(unit, sets).expected[0])
    assert repeats(unit, sets).probability[0] == 1


def levels(rng, jobs, favourite=0.0):
    step = rng.choice([1, 5, 10])
    own = np.where((rng.random() < 0.4) & (rng.random(jobs) < 0.4), 1, step)
    level = np.exp(rng.normal(np.log(320), 0.2)) + rng.uniform(8, 90) * rng.normal(size=jobs)
    level = np.maximum(np.round(level / own) * own, 20)
    return np.where(rng.random(jobs) < favourite, 410, level)


def test_a_favourite_value_stands_out_from_its_neighbours_and_honest_rounding_does_not():
    rng = np.random.default_rng(8)
    jobs = 150
    unit = np.repeat(np.arange(PEOPLE), jobs)
    usual = np.concatenate([levels(rng, jobs) for _ in range(PEOPLE)])
    assert min(one.probability for one in favourites(unit, usual, 1.0)) > ALARM
    fond = np.concatenate([levels(rng, jobs, 0.6 if person < 8 else 0.0) for person in range(PEOPLE)])
    found = favourites(unit, fond, 1.0)
    assert sum(one.probability < ALARM / 10 for one in found[:8]) >= 7
    assert {one.value for one in found[:8] if one.probability < ALARM} == {410.0}
    # where work is rightly stopped at a limit, its value may come back
    assert all(one.value != 410.0 for one in favourites(unit, fond, 1.0, (410.0,)))


def test_a_gauge_of_steps_of_fifty_is_no_favourite():
    rng = np.random.default_rng(9)
    unit = np.repeat(np.arange(20), 100)
    level = np.round((350 + 60 * rng.normal(size=2000)) / 50) * 50
    assert min(one.probability for one in favourites(unit, level, 1.0)) > ALARM


def test_who_always_reads_the_same_as_others_do_is_not_singled_out():
    unit = np.repeat(np.arange(10), 80)
    assert min(one.probability for one in favourites(unit, np.full(800, 230.0), 1.0)) > ALARM
