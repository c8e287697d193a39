"""What a cell's text means."""

from __future__ import annotations

import contextlib
from datetime import date, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import cell_text
from pipelines.cell_text import Ambiguous, Figure, Unreadable


@pytest.mark.parametrize(
    ("text", "mark", "figure"),
    [
        ("450 um", None, Figure(450, "um")),
        ("<500", None, Figure(500, "", "<")),
        ("≥ 15 min", None, Figure(15, "min", ">")),
        ("1,200", ".", Figure(1200)),
        ("1,200", ",", Figure(1.2)),
        ("1.200", ",", Figure(1200)),
        ("1,234.5", None, Figure(1234.5)),
        ("1.234,5", None, Figure(1234.5)),
        ("1,234,567", None, Figure(1234567)),
        ("1 200,5", None, Figure(1200.5)),
        ("1'200", None, Figure(1200)),
        ("0,500", None, Figure(0.5)),
        ("$2,706.77", None, Figure(2706.77)),
        ("(12.50)", None, Figure(-12.5)),
        ("-0.14", None, Figure(-0.14)),
        ("\u22120.14", None, Figure(-0.14)),
        (".5", None, Figure(0.5)),
        ("41'", None, Figure(41, "'")),
        (12, None, Figure(12)),
        (1.2, ",", Figure(1.2)),
        (Decimal("1.200"), None, Figure(1.2)),
    ],
)
def test_figures(text, mark, figure):
    assert cell_text.read_figure(text, mark) == figure


@pytest.mark.parametrize(
    "text",
    [
        "OL",
        "o.l.",
        "abc",
        "450-480",
        "5'6\"",
        "#DIV/0!",
        "12 %",
        "1,5 or 2",
        "1,23,4",
        "12/5",
        True,
        "--5",
        "(5",
        "1e400",
        float("inf"),
    ],
)
def test_what_is_no_figure_is_refused(text):
    with pytest.raises(Unreadable):
        cell_text.read_figure(text, ".")


@pytest.mark.parametrize("text", ["1,200", "1.200", "12,345"])
def test_an_undecided_mark_is_never_guessed(text):
    with pytest.raises(Ambiguous):
        cell_text.read_figure(text, None)


def test_a_figure_that_contradicts_the_files_mark_is_refused():
    with pytest.raises(Unreadable, match="decimal mark"):
        cell_text.read_figure("1,5", ".")


@pytest.mark.parametrize("text", ["", "  ", "N/A", "n/a", "-", "—", "null", None, float("nan"), "not recorded"])
def test_nothing_recorded(text):
    assert cell_text.is_blank(text)


@pytest.mark.parametrize("text", ["0", 0, False, "none", "no", "OL"])
def test_a_zero_and_a_no_are_no_blanks(text):
    assert not cell_text.is_blank(text)


@given(st.decimals(min_value=-999999, max_value=999999, places=2), st.sampled_from(".,"))
def test_a_figure_written_with_either_mark_reads_back(value, mark):
    text = f"{value:,.2f}"
    if mark == ",":
        text = text.replace(",", "_").replace(".", ",").replace("_", ".")
    assert cell_text.read_figure(text, mark).value == pytest.approx(float(value))
    assert cell_text.mark_shown(text) == mark


@given(st.text(max_size=30))
def test_no_text_at_all_raises_anything_but_unreadable(text):
    for read in (cell_text.read_figure, cell_text.read_date, cell_text.read_time, cell_text.read_flag):
        with contextlib.suppress(Unreadable):
            read(text)


@given(st.dates(min_value=date(1950, 1, 1), max_value=date(2099, 12, 31)), st.sampled_from(["mdy", "dmy", "ymd"]))
def test_a_date_reads_back_in_its_own_order_and_never_as_another_day(day, order):
    form = {
        "mdy": f"{day.month}/{day.day}/{day.year}",
        "dmy": f"{day.day}/{day.month}/{day.year}",
        "ymd": day.isoformat(),
    }
    assert cell_text.read_date(form[order], order) == day
    try:
        assert cell_text.read_date(form[order], None) == day
    except Ambiguous:
        assert order != "ymd"
        assert day.day <= 12


@pytest.mark.parametrize(
    ("text", "order", "time"),
    [
        ("2024-07-03T14:05:00", None, datetime(2024, 7, 3, 14, 5)),
        ("2024-07-03 14:05:07.25", None, datetime(2024, 7, 3, 14, 5, 7, 250000)),
        ("7/13/2024 2:05 PM", None, datetime(2024, 7, 13, 14, 5)),
        ("12/7/2024 12:00 am", "dmy", datetime(2024, 7, 12, 0, 0)),
        ("3 Jul 2024", None, datetime(2024, 7, 3)),
        ("July 3, 2024 14:05", None, datetime(2024, 7, 3, 14, 5)),
    ],
)
def test_times(text, order, time):
    assert cell_text.read_time(text, order) == time


@pytest.mark.parametrize(
    "text", ["2024-02-30", "13/13/2024", "1900-01-01", "9999-12-31", "44852", "soon", "2024-07-03 25:00"]
)
def test_what_is_no_date_is_refused(text):
    with pytest.raises(Unreadable):
        cell_text.read_date(text, None)


def test_codes_are_read_whatever_their_case_spaces_and_hyphens():
    assert cell_text.read_code("r410a", ("R-410A", "R-32")) == "R-410A"
    assert cell_text.read_code("Split Heat-Pump", ("split_ac", "split_heat_pump")) == "split_heat_pump"
    with pytest.raises(Unreadable, match="Expected one of"):
        cell_text.read_code("R-12", ("R-410A", "R-32"))
