"""Control limits by month, and charts of the fleet and of crews."""

import numpy as np
import pytest

from models import change, month_limits


def _steady(rng, months=48, jobs=200, scatter=0.0):
    known = rng.poisson(jobs, months) + 1
    rate = np.clip(0.8 + rng.normal(0, scatter, months), 0.01, 0.99)
    return rng.binomial(known, rate), known, np.full(months, 0.8)


def test_a_normal_running_sum_of_half_a_deviation_and_five_rings_once_in_about_930_months():
    # Hawkins and Olwell 1998: average run length 930 one-sided at k = 0.5, h = 5; memory
    rng = np.random.default_rng(1)
    alarms, position, values = 0, 0, rng.normal(size=300_000)
    while len(over := np.flatnonzero(change.running_sum(values[position : position + 40_000] - 0.5) >= 5.0)):
        alarms, position = alarms + 1, position + int(over[0]) + 1
    assert position / alarms == pytest.approx(930, rel=0.2)


def test_limits_hold_about_nineteen_of_twenty_months_whether_or_not_months_scatter():
    rng = np.random.default_rng(2)
    for scatter in (0.0, 0.04):
        outside = []
        for _ in range(150):
            good, known, expected = _steady(rng, scatter=scatter)
            found = month_limits.months(good, known, expected)
            low, high = month_limits.limits(found.centre, known, found.scatter, 0.95)
            outside.append((good / known < low) | (good / known > high))
        assert np.mean(outside) == pytest.approx(0.05, abs=0.02)


def test_a_month_of_harder_jobs_lies_around_a_lower_centre():
    expected = np.r_[np.full(24, 0.9), np.full(24, 0.7)]
    known = np.full(48, 300)
    good = np.round(known * expected)
    found = month_limits.months(good, known, expected)
    assert found.centre[:24] == pytest.approx(0.9, abs=0.01)
    assert found.centre[24:] == pytest.approx(0.7, abs=0.01)
    assert found.change == [""] * 48


def test_a_lasting_fall_rings_and_a_steady_crew_hardly_ever():
    rng = np.random.default_rng(3)
    steady, fallen = [], []
    for _ in range(150):
        good, known, expected = _steady(rng)
        steady.append(any(month_limits.months(good, known, expected).change))
        good[-8:] = rng.binomial(known[-8:], 0.72)
        fallen.append("worse" in month_limits.months(good, known, expected).change)
    assert np.mean(steady) <= 0.04
    assert np.mean(fallen) > 0.9


def test_with_less_than_two_years_nothing_is_said_to_have_moved():
    rng = np.random.default_rng(4)
    good, known, expected = _steady(rng, months=20)
    good[-8:] = 0
    assert month_limits.months(good, known, expected).change == [""] * 20
