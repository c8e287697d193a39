"""Numbers in words: nothing is rounded into a claim, nothing from a record becomes markup."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from dashboard import words
from dashboard.app_pages import slow_fuses, what_skipping_does
from pipelines.contract import CALL_KINDS, EQUIPMENT, FINDINGS, JOB_KINDS, METERING, QUANTITY_UNIT, STATES, STEPS


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
    assert set(METERING) == set(words.METERING)
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


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.912, "in 91 of 100 cases"),
        (0.004, "in fewer than 1 of 100 cases"),
        (0.9999, "in more than 99 of 100 cases"),
        (None, "not worked out"),
    ],
)
def test_a_p_value_is_told_as_how_often_chance_does_it(p: float | None, said: str) -> None:
    assert words.by_chance(p).endswith(said)


@pytest.mark.parametrize(
    ("currency", "said"),
    [("USD", "−$1,230"), ("EUR", "−€1,230"), ("GBP", "−£1,230"), ("CHF", "−CHF 1,230"), ("SEK", "−SEK 1,230")],
)  # signs of Unicode's CLDR for English, as printed by Babel 2.18
def test_money_below_nought_bears_its_sign_first(currency: str, said: str) -> None:
    assert plain(words.money(-1234.5, currency)) == said
    assert plain(words.money(-0.2, currency)).startswith(("$", "€", "£", "CHF", "SEK"))  # nought has no sign
    assert words.money(None, currency) == "–"


def test_no_line_ends_between_a_figure_and_its_sign() -> None:
    for text in (words.share(0.5), words.measured(480, "micron"), words.money(80, "CHF"), words.share_range(0.1, 0.3)):
        assert re.search(r"\d\u00a0(%|micron)|CHF\u00a080", text), text


def test_figures_of_a_sentence_read_as_everywhere_else() -> None:
    assert plain(words.sentence("The level stood at 1982 micron after 10 min; the limit is 1000 micron.")) == (
        "The level stood at 1,982 micron after 10 min; the limit is 1,000 micron."
    )


@pytest.mark.parametrize(("value", "said"), [(0.6143, "0.61 %"), (-3.258, "−3.26 %"), (18.56, "18.56 %"), (5.0, "5 %")])
def test_a_percent_is_known_to_a_hundredth(value: float, said: str) -> None:
    assert plain(words.measured(value, "%")) == said


def test_what_a_limit_holds_for_is_read_aloud() -> None:
    assert words.applies_to("refrigerant=R-22|R-407C") == "refrigerant R-22 or R-407C"
    assert words.applies_to("ducts_kept=true") == "where the ducts are kept"
    assert (
        words.applies_to("air_handler=gas_furnace;plate=unknown")
        == "air handler gas furnace, where the plate is not known"
    )
    assert words.applies_to("") == ""


@pytest.mark.parametrize(
    ("value", "said"), [(0.012, "0.01"), (3.24, "3.2"), (99.97, "100"), (116.0, "116"), (1234.5, "1,234")]
)
def test_a_number_of_failures_has_one_digit_below_a_hundred(value: float, said: str) -> None:
    assert words.tenths(value) == said


def test_a_sign_of_money_is_left_alone_by_markdown() -> None:
    assert words.in_markdown("$80 to $90, and \\$5") == "\\$80 to \\$90, and \\$5"


# --- what a reader is told


def told() -> list[tuple[str, str]]:
    """(file, text) of every string of the pages and papers that is no docstring, no query and no name of something."""
    found = []
    for file in sorted(Path(words.__file__).parent.rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        left = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Module) and isinstance(node.body[0], ast.Expr)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                left |= {id(part) for part in node.values}
                text = "".join(part.value if isinstance(part, ast.Constant) else "7" for part in node.values)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in left:
                text = node.value
            else:
                continue
            if " " in text and "select " not in text and " from staged_" not in text:
                found.append((file.name, text))
    assert len(found) > 500
    return found


def test_no_sentence_runs_over_45_words() -> None:
    long = [
        (file, len(sentence.split()), sentence)
        for file, text in told()
        for sentence in re.split(r"(?<=[.:!?*])\s+|\n", text)
        if len(sentence.split()) > 45
    ]
    assert long == []


# what a person is never called, and what is never said of him
BLAME = (
    r"\b(careless|sloppy|lazy|culprit|offender|guilty|incompetent|worst technician|bottom \d+ (people|technicians))\b"
)
SKIPPED = r"\b(he|she|they|who|technicians?|person|people|crews?) (has |have |had )?skip(s|ped)?\b"


def test_nobody_is_blamed_ranked_or_said_to_have_skipped() -> None:
    assert [
        (file, text) for file, text in told() if re.search(BLAME, text, re.I) or re.search(SKIPPED, text, re.I)
    ] == []


JARGON = (
    "hazard ratio", "confidence interval", "p-value", "p value", "cusum", "statistically significant", "odds ratio",
    "frailty", "posterior", "covariate", "bootstrap", "null hypothesis", "regression", "standard error", "placebo", "(p ",
    "p = ",
)  # fmt: skip


def test_no_word_of_statistics_stands_alone() -> None:
    assert [
        (file, word) for file, text in told() for word in JARGON if re.search(rf"(?<!\w){re.escape(word)}", text, re.I)
    ] == []
    # the few figures that have no other name carry their meaning with them, on the heading and below the table
    for meaning in (*slow_fuses.CARD_MEANING.values(), *what_skipping_does.COLUMN_MEANING.values()):
        assert 4 <= len(meaning.split()) <= 30
    assert {"Told apart (AUC)", "Calibration slope", "Brier score"} <= set(slow_fuses.CARD_MEANING)
    assert {"E-value", "q", "Control"} <= set(what_skipping_does.COLUMN_MEANING)
    named = [text for _, text in told() if re.search(r"\b(AUC|Brier|E-value)\b", text)]
    headings = [*slow_fuses.CARD_MEANING, *what_skipping_does.COLUMN_MEANING]
    assert all(text in headings or "how strongly an unseen cause" in text.lower() for text in named), named
