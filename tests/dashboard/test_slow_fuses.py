"""What Slow fuses says: each step's share, the sums' own ranges, and what came of earlier lists."""

from __future__ import annotations

import pytest

from dashboard import words
from dashboard.app_pages import slow_fuses
from tests.dashboard import small_store
from tests.dashboard.screen import open_page, words_on


@pytest.mark.parametrize(
    ("shares", "told"),
    [
        ("evacuation 0.61, airflow 0.24", "Evacuation 61 %, airflow 24 %"),
        ("charge (not known) 1.0", "Charge by weight (not known) 100 %"),
        (
            "evacuation 0.4, airflow 0.3, charge 0.2, electrical (not known) 0.1",
            "Evacuation 40 %, airflow 30 %, charge by weight 20 % and 1 more",
        ),
        ("", "age and equipment alone"),
        (None, "age and equipment alone"),
    ],
)
def test_shares_are_told_by_the_steps_names(shares, told) -> None:
    assert slow_fuses.shares_in_words(shares).replace(words.NARROW, " ") == told


def test_what_is_in_doubt_stands_with_the_counts_and_the_sums_ranges(tmp_path, monkeypatch) -> None:
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=200), "slow_fuses", visits="20")
    seen = words_on(app)
    assert "among these 20 and" in seen
    assert "ranges of the chance, not of the outcome" in seen
    assert "causes we do not see are not in it" in seen
    # the fixture: of the 120 that stood highest 23 % failed, 21 % had been said
    assert (
        "Of the 120 systems that stood highest on 1 Jan 2024 and were not visited, 23.0 % failed within 12 months"
        in seen
    )
    assert "we had said 21.0 % (16.8 to 25.2 %)" in seen


def test_a_fit_without_the_table_of_sums_has_its_sums_without_ranges(tmp_path, monkeypatch) -> None:
    store = small_store.make(tmp_path, jobs=200)
    with store.write("fit") as con:
        con.execute("drop table risk_total")
    app = open_page(monkeypatch, store, "slow_fuses")
    assert not app.exception
    seen = words_on(app)
    assert "would avoid about" in seen
    assert "Expected within" not in seen
