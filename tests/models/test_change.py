"""Has somebody's work changed?"""

import numpy as np
import pytest
from scipy import special

from models import change


def mean_jobs_to_alarm(rate_before: float, rate_now: float, alarm_at: float, states: int = 1500) -> float:
    """Mean number of jobs until the running sum of a step with known rates rings, starting from nought.

    Source: Brook and Evans 1972, the sum cut into states of a Markov chain; from memory. rates : of not good.
    """
    odds_ratio = np.exp(change.FALL_LOG_ODDS)
    width = 2 * alarm_at / (2 * states - 1)
    stays = np.zeros((states, states))
    for is_bad, chance in ((True, rate_now), (False, 1 - rate_now)):
        step = float(change.scores(np.array([rate_before]), np.array([is_bad]), odds_ratio)[0])
        to = np.maximum(np.round(np.arange(states) + step / width), 0).astype(int)
        inside = to < states
        stays[np.arange(states)[inside], to[inside]] += chance
    return float(np.linalg.solve(np.eye(states) - stays, np.ones(states))[0])


def test_the_running_sum_rings_as_often_as_its_markov_chain_says():
    rng = np.random.default_rng(1)
    score = change.scores(np.full(400_000, 0.1), rng.random(400_000) < 0.1, np.exp(change.FALL_LOG_ODDS))
    alarms, position = 0, 0
    while len(over := np.flatnonzero(change.running_sum(score[position : position + 20_000]) >= 4.0)):
        alarms, position = alarms + 1, position + int(over[0]) + 1
    expected = position / mean_jobs_to_alarm(0.1, 0.1, 4.0, 1000)
    assert alarms == pytest.approx(expected, abs=3.5 * np.sqrt(expected))


def test_with_the_usual_rate_known_it_rings_once_in_about_90_000_jobs_and_finds_0_90_to_0_73_in_about_70():
    assert mean_jobs_to_alarm(0.1, 0.1, change.ALARM_AT) == pytest.approx(90_000, rel=0.15)
    # log odds 2.197 less 1.2
    assert mean_jobs_to_alarm(0.1, 1 - 0.7305, change.ALARM_AT) == pytest.approx(70, abs=4)


def test_with_the_usual_rate_known_the_average_over_rates_is_that_rate_s_running_sum():
    # 3,000 jobs before leave next to no doubt of the rate
    rng = np.random.default_rng(2)
    is_good = rng.random(3300) < np.r_[np.full(3000, 0.9), np.full(300, 0.73)]
    evidence, _ = change.Chart(is_good, np.full(3300, special.logit(0.9)), 0.4).evidence(change.FALL_LOG_ODDS)
    plain = change.running_sum(change.scores(np.full(300, 0.1), ~is_good[3000:], np.exp(change.FALL_LOG_ODDS)))
    until_it_rings = int(np.flatnonzero(plain >= change.ALARM_AT)[0]) + 1
    assert evidence[-300:][:until_it_rings][-40:] == pytest.approx(plain[:until_it_rings][-40:], abs=1.0)


def test_under_sixty_jobs_nothing_is_said():
    assert change.last_change(np.ones(59, dtype=bool)).word == "too_few"


def test_a_fall_from_nine_of_ten_to_seven_of_ten_is_found_near_its_day():
    rng = np.random.default_rng(4)
    found = []
    for _ in range(60):
        jobs = np.concatenate([rng.random(400) < 0.9, rng.random(160) < 0.7])
        one = change.last_change(jobs, np.full(560, special.logit(0.9)), 0.5, begin=400)
        found.append(one.word == "worse" and abs((one.began or 0) - 400) < 60)
    assert np.mean(found) > 0.8


def test_a_rise_is_found_too():
    rng = np.random.default_rng(5)
    jobs = np.concatenate([rng.random(200) < 0.6, rng.random(200) < 0.92])
    assert change.last_change(jobs, begin=200).word == "better"


def test_steady_people_are_called_worse_in_less_than_one_of_a_thousand_charts_a_year():
    # ten charts for each technician: at most one technician in a hundred
    rng = np.random.default_rng(6)
    false = 0
    for _ in range(600):
        own = rng.normal(0, 0.5)
        jobs = rng.random(rng.integers(110, 400)) < special.expit(2.0 + own)
        said = change.last_change(jobs, np.full(len(jobs), 2.0), 0.5, begin=len(jobs) - 100)
        false += said.word == "worse"
    assert false <= 3  # 0.6 allowed, and three Monte-Carlo errors


def test_harder_jobs_are_no_change_of_the_person():
    rng = np.random.default_rng(8)
    usual = np.r_[np.full(300, special.logit(0.92)), np.full(150, special.logit(0.65))]
    words = {"known": [], "unknown": []}
    for _ in range(20):
        jobs = rng.random(450) < special.expit(usual)
        words["known"].append(change.last_change(jobs, usual, 0.5, begin=300).word)
        words["unknown"].append(change.last_change(jobs, None, 0.5, begin=300).word)
    assert words["known"].count("worse") == 0
    assert words["unknown"].count("worse") > 15


def test_the_less_is_known_of_before_the_more_it_takes():
    rng = np.random.default_rng(9)
    later = rng.random(100) < 0.68
    at_the_end = []
    for before in (50, 150, 500):
        evidence = [
            change.Chart(np.r_[rng.random(before) < 0.9, later], np.full(before + 100, 1.8), 0.6).evidence(1.2)[0][-1]
            for _ in range(15)
        ]
        at_the_end.append(np.mean(evidence))
    assert at_the_end[0] < at_the_end[1] < at_the_end[2]


def test_a_change_of_years_ago_is_old_news():
    rng = np.random.default_rng(7)
    jobs = np.concatenate([rng.random(200) < 0.95, rng.random(600) < 0.6])
    assert change.last_change(jobs).word == "worse"
    assert change.last_change(jobs, begin=740).word == "steady"
