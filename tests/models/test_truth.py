"""A small cut of the truth study: what was put into invented fleets is found, what was not is not claimed."""

import pytest

from tests.bench import truth, worlds


@pytest.fixture(scope="module")
def studied():
    kept = {}

    def of(name: str, draws: int, installs: int):
        if name not in kept:
            rows = truth.study(name, draws, installs)
            kept[name] = (rows, truth.figures(rows))
        return kept[name]

    return of


def test_planted_effects_are_found_and_null_ones_are_not_claimed(studied):
    _, found = studied("plain", 4, 12_000)
    assert abs(found["bias"][0]) < 0.03
    assert found["cover"][0] == pytest.approx(0.95, abs=0.035)
    assert found["found of 16"][0] >= 11
    assert found["clear on a null"][0] <= 0.02
    assert found["false among clear"][0] <= 0.10
    # without technician effects careless people make every step look harmful
    assert found["bias, crude"][0] > 0.1


def test_hurried_jobs_make_the_control_reject_and_calibration_takes_it_away(studied):
    _, found = studied("hurried", 4, 12_000)
    assert found["control rejects"][0] == 1.0
    assert found["bias"][0] > 0.06
    assert abs(found["bias, calibrated"][0]) < found["bias"][0] / 2
    assert found["cover, calibrated"][0] > found["cover"][0] + 0.04
    assert found["false among clear"][0] <= 0.10


def test_fleets_that_drift_from_year_to_year_show_no_step_that_does_nothing(studied):
    # work gets better and machines too: without the years a life began in, old work looks harmful by 0.03
    _, found = studied("drift", 3, 12_000)
    assert abs(found["bias"][0]) < 0.03


def test_where_everything_is_hard_at_once_little_is_claimed_falsely(studied):
    rows, found = studied("everything", 3, 12_000)
    assert found["cover, calibrated"][0] > 0.9
    assert found["clear on a null"][0] <= 0.03
    assert rows["evidence"].is_in(["clear", "leaning", "unclear", "too_few"]).all()


def test_a_small_contractor_gets_no_false_clear_and_a_shrunken_answer(studied):
    rows, found = studied("null", 6, 1500)
    assert rows.filter(rows["outcome"] == "compressor_failure")["events"].max() < 120
    assert found["clear on a null"][0] == 0
    assert found["root mean square error, shrunk"][0] < found["root mean square error"][0] / 1.3
    assert found["too few to say"][0] > 0.3


def test_the_worlds_differ_in_what_they_say_they_differ_in():
    plain = worlds.make(worlds.WORLDS["plain"], 1500, 8, 1)
    assert plain.jobs.filter(plain.jobs["installed_by"] == "someone_else").is_empty()
    adopted = worlds.make(worlds.WORLDS["adopted"], 1500, 8, 1)
    assert adopted.jobs.filter(adopted.jobs["installed_by"] == "someone_else").height > 100
    assert adopted.jobs["system_id"].is_duplicated().any()
    assert worlds.make(worlds.WORLDS["contact"], 1500, 8, 1).systems["last_contact_on"].is_null().all()
    lost = worlds.make(worlds.WORLDS["lost"], 1500, 8, 1).grades
    assert lost.filter(lost["state"] == "no_record").height > 0.1 * lost.height
    visits = worlds.make(worlds.WORLDS["visits"], 1500, 8, 1).calls
    assert visits.filter(visits["call_kind"] == "proactive").height > 50
