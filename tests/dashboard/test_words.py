"""Numbers in words: nothing is rounded into a claim, nothing from a record becomes markup."""

from __future__ import annotations

import pytest

from dashboard import words
from pipelines.contract import CALL_KINDS, EQUIPMENT, FINDINGS, JOB_KINDS, QUANTITY_UNIT, STATES, STEPS


def plain(text: str) -> str:
    return text.replace(words.NARROW, " ")


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        (0.5, "50 %"),
        (0.9999, ">99.9 %"),
        (0.996, "99.6 %"),
        (0.0004, "<0.1 %"),
        (1.0, "100 %"),
        (0.0, "0 %"),
        (None, "–"),
    ],
)
def test_share_is_never_all_or_nothing_by_rounding(rate: float | None, said: str) -> None:
    assert plain(words.share(rate)) == said


def test_narrow_range_gets_one_more_digit() -> None:
    assert plain(words.share_with_range(0.7296, 0.7263, 0.7331)) == "73.0 % (72.6 to 73.3 %)"
    assert plain(words.share_with_range(0.54, 0.50, 0.58)) == "54 % (50 to 58 %)"


def test_money_has_no_false_precision() -> None:
    assert plain(words.money(24355.65)) == "$24,400"
    assert plain(words.money_range(80.4, 1234.5)) == "$80 to $1,230"


@pytest.mark.parametrize(
    ("value", "said"), [(480.0, "480"), (1020.4, "1,020"), (0.36, "0.36"), (13.93, "13.93"), (0.0, "0"), (None, "–")]
)
def test_readings_are_written_as_a_person_would(value: float | None, said: str) -> None:
    assert words.figure(value) == said


def test_every_code_of_the_contract_has_words() -> None:
    assert set(STEPS) <= set(words.STEP)
    assert (
        set(STATES) == set(words.STATE) == set(words.STATE_SIGN) == set(words.STATE_MEANING) == set(words.STATE_COLOUR)
    )
    assert set(FINDINGS) <= set(words.OUTCOME)
    assert set(EQUIPMENT) == set(words.EQUIPMENT)
    assert set(JOB_KINDS) == set(words.JOB_KIND)
    assert set(CALL_KINDS) == set(words.CALL_KIND)
    for quantities in QUANTITY_UNIT.values():
        assert set(quantities) <= set(words.QUANTITY)


def test_each_state_has_a_sign_of_its_own() -> None:
    assert len(set(words.STATE_SIGN.values())) == len(STATES)


def test_text_of_a_record_stays_text() -> None:
    assert words.escaped("[x](http://a) $1$ :red[b] <b>") == ("\\[x\\]\\(http\\://a\\) \\$1\\$ \\:red\\[b\\] \\<b\\>")


def test_cautions_are_those_of_the_trade() -> None:
    assert "oxygen meeting oil explodes" in words.CAUTION["pressure"]
    assert "40 CFR 82" in words.CAUTION["brazing"]
    assert "Never run or megger a compressor under vacuum" in words.CAUTION["visit"]
    assert all(name in words.CAUTION for names in words.STEP_CAUTIONS.values() for name in names)
