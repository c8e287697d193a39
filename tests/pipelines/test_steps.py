"""pipelines/steps.py: the steps in plain words, their cautions, and the words that grading uses."""

import csv
from importlib import resources

from pipelines.contract import STATES, STEPS
from pipelines.steps import cautions, cautions_of, steps


def _data(name):
    return resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")


def test_the_steps_stand_in_the_order_of_the_trade_with_words_for_each():
    assert tuple(step.name for step in steps()) == STEPS
    assert [step.number for step in steps()] == list(range(1, 10))
    for step in steps():
        assert all((step.plain_name, step.short_name, step.proves, step.proof, step.if_left_out))
    assert len({step.plain_name for step in steps()}) == 9


def test_the_eight_cautions_stand_beside_the_steps_that_they_are_about():
    assert [caution.number for caution in cautions()] == list(range(1, 9))
    for step in steps():
        named = {caution.number for caution in cautions() if step.name in caution.steps}
        assert named == set(step.cautions), step.name
        # a grade is a review of records, and figures about people come with care: everywhere
        assert {caution.number for caution in cautions_of(step.name)} == named | {7, 8}
    assert "oxygen meeting oil explodes" in cautions_of("pressure_test")[0].text


def test_every_reason_has_a_state_and_a_sentence_and_every_note_a_bit_of_its_own():
    reasons = list(csv.DictReader(_data("reasons.csv").splitlines()))
    assert len({row["reason"] for row in reasons}) == len(reasons) < 255
    assert {row["state"] for row in reasons} == set(STATES)
    notes = [int(row["bit"]) for row in csv.DictReader(_data("notes.csv").splitlines())]
    assert notes == [2**place for place in range(len(notes))]


def test_no_sentence_says_skipped_of_a_person():
    for name in ("reasons.csv", "notes.csv", "steps.csv", "cautions.toml", "limits.csv"):
        assert "skip" not in _data(name).lower()
