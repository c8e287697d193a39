"""Has somebody's work changed?"""

import numpy as np

from models import change


def test_under_sixty_jobs_nothing_is_said():
    assert change.last_change(np.ones(59, dtype=bool)).word == "too_few"


def test_a_fall_from_nine_of_ten_to_seven_of_ten_is_found_near_its_day():
    rng = np.random.default_rng(4)
    found = []
    for _ in range(60):
        jobs = np.concatenate([rng.random(250) < 0.9, rng.random(160) < 0.7])
        one = change.last_change(jobs, begin=250)
        found.append(one.word == "worse" and abs(one.at - 250) < 60)
    assert np.mean(found) > 0.8


def test_a_rise_is_found_too():
    rng = np.random.default_rng(5)
    jobs = np.concatenate([rng.random(200) < 0.6, rng.random(200) < 0.92])
    assert change.last_change(jobs, begin=200).word == "better"


def test_steady_people_are_called_worse_in_less_than_one_of_a_thousand_charts_a_year():
    # nine charts for each technician: at most one technician in a hundred
    rng = np.random.default_rng(6)
    false = 0
    for _ in range(3000):
        jobs = rng.random(rng.integers(120, 400)) < rng.beta(9, 1)
        false += change.last_change(jobs, begin=len(jobs) - 60).word == "worse"
    assert false / 3000 <= 0.0025  # 0.0011 allowed, and three Monte-Carlo errors


def test_a_change_of_years_ago_is_old_news():
    rng = np.random.default_rng(7)
    jobs = np.concatenate([rng.random(200) < 0.95, rng.random(600) < 0.6])
    assert change.last_change(jobs).word == "worse"
    assert change.last_change(jobs, begin=740).word == "steady"
