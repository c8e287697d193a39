"""Owner's page: one number with its range, better or worse, how sure; what it says where nothing can be told; no names."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import polars as pl
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from dashboard import data_owner, looks, owner_charts, words
from dashboard.app_pages.owners_page import direction
from pipelines.store import FOLDER_VARIABLE, Store
from tests.dashboard import small_store
from tests.dashboard.screen import first_line, open_page, whole, words_on


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("fleet"), jobs=300, technicians=8)


def with_months(store: Store, rates: list[float], known: int = 40, change: dict[int, str] | None = None) -> None:
    """Whole jobs of the months up to June 2025, which ends on the data's last day: one share for each, oldest first."""
    rows = []
    for back, rate in enumerate(reversed(rates)):
        month = dt.date(2025 - (back + 6) // 12, 12 - (back + 6) % 12, 1)
        good = round(rate * known)
        said = (change or {}).get(len(rates) - 1 - back, "")
        rows.append((month, "", "whole_job", known, good, known, 0, good / known, rate - 0.1, rate + 0.1, 0.5, 0.35, 0.65, 0.25, 0.75, said))  # fmt: skip
    frame = pl.DataFrame(
        rows,
        schema=["month", "crew", "step", "applicable", "good", "known", "unknown", "rate", "low", "high", "centre",
                "limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998", "change"],
        orient="row",
    )  # fmt: skip
    with store.write("fit") as con:
        con.register("frame", frame.to_arrow())
        con.execute("create or replace table month_step as select * from frame")
        con.unregister("frame")


# --- the sentence


def test_first_line_holds_the_cost_with_its_range_and_the_trend_with_its_counts(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "owners_page")
    whole(app)
    sentence = first_line(app).replace(words.NARROW, " ")
    assert sentence.startswith("Steps that were not good cost us about $6,120 a year ($3,100 to $9,900); ")
    assert "were good in every step in the last 12 months" in sentence
    assert "the year before" in sentence


@pytest.mark.parametrize(
    ("before", "now", "said"),
    [(0.5, 0.75, "it gets better"), (0.75, 0.5, "it gets worse"), (0.5, 0.525, "no clear change")],
)
def test_better_worse_or_neither(before, now, said, tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with_months(store, [before] * 12 + [now] * 12)
    app = open_page(monkeypatch, store, "owners_page")
    whole(app)
    sentence = first_line(app).replace(words.NARROW, " ")
    assert said in sentence
    assert f"{words.share(now)} of 480 jobs were good".replace(words.NARROW, " ") in sentence
    assert f"{words.share(before)} of 480 the year before".replace(words.NARROW, " ") in sentence


def test_the_range_of_the_difference_is_newcombes(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with_months(store, [0.6] * 12 + [0.8] * 12, known=10)
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    year = data_owner.year_against_year()
    assert (year["good"], year["known"], year["good_before"], year["known_before"]) == (96, 120, 72, 120)
    # statsmodels, Newcombe's method
    low, high = confint_proportions_2indep(96, 120, 72, 120, method="newcomb", compare="diff")
    assert year["difference_low"] == pytest.approx(low, abs=1e-5)
    assert year["difference_high"] == pytest.approx(high, abs=1e-5)
    assert direction(year) == "better"


def test_a_month_that_has_not_ended_is_drawn_but_not_in_the_year(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with_months(store, [0.5] * 24)
    with store.write("fit") as con:
        con.execute("update fit_run set as_of = date '2025-06-15'")
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    assert data_owner.whole_jobs_by_month()["is_part"].to_list() == [False] * 23 + [True]
    assert data_owner.year_against_year()["known"] == 12 * 40
    assert data_owner.year_against_year()["known_before"] == 11 * 40
    assert "The last month has not ended yet." in words_on(open_page(monkeypatch, store, "owners_page"))


# --- the chart


def drawn(chart: Any) -> dict[str, Any]:
    return json.loads(chart.to_json())


def test_a_marked_change_is_named_in_picture_and_words(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with_months(store, [0.5] * 12 + [0.75] * 12, change={15: "better"})
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    months = data_owner.whole_jobs_by_month()
    assert months.height == 24
    spec = drawn(owner_charts.control_chart(months, looks.LIGHT))
    texts = [layer for layer in spec["layer"] if layer["mark"]["type"] == "text"]
    assert len(texts) == 1
    rows = spec["datasets"][texts[0]["data"]["name"]]
    assert [(row["month"][:7], row["mark"]) for row in rows] == [("2024-10", "▲ better")]
    seen = words_on(open_page(monkeypatch, store, "owners_page"))
    assert "**October 2024**: ▲ better by more than chance" in seen
    assert "12 single months of 24 lay outside the band" in seen


def test_only_the_last_24_months_are_shown(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with_months(store, [0.5] * 40)
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    months = data_owner.whole_jobs_by_month()
    assert (months.height, months["month"].min(), months["month"].max()) == (
        24,
        dt.date(2023, 7, 1),
        dt.date(2025, 6, 1),
    )
    assert data_owner.year_against_year()["known_before"] == 480


@pytest.mark.parametrize("look", [looks.LIGHT, looks.DARK])
def test_months_without_limits_are_drawn_all_the_same(look):
    months = pl.DataFrame(
        {
            "month": [dt.date(2025, 5, 1)], "rate": [0.4], "known": [5], "good": [2], "change": [None],
            "is_part": [False], "centre": [None],
            **{key: [None] for key in owner_charts.LIMITS},
        }
    )  # fmt: skip
    spec = drawn(owner_charts.control_chart(months, look))
    assert [layer["mark"]["type"] for layer in spec["layer"]] == ["line", "point"]


# --- states


def test_where_no_cost_can_be_told_no_money_is_named(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=40)
    with store.write("fit") as con:
        con.execute("update step_cost set extra_cost_per_year = null, low = null, high = null")
        con.execute(
            "create or replace table evidence_needed as select 'step_effect' as topic, "
            "'About 9 years more at today''s pace until a ratio of 2 would show.' as text from range(5)"
        )
    app = open_page(monkeypatch, store, "owners_page")
    whole(app)
    assert first_line(app).startswith("What steps that were not good cost us cannot be told yet from 40 jobs; ")
    seen = words_on(app)
    assert "so no money is named" in seen
    assert "9 years more" in seen
    assert "2 questions more" in seen
    assert "$" not in first_line(app)
    assert "Where it comes from" not in seen


def test_not_fitted_is_said(tmp_path, monkeypatch):
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=20, fitted=False), "owners_page")
    whole(app)
    assert first_line(app).startswith("What it costs us has not been worked out yet")


def test_all_unknown_is_no_month_and_no_failure_of_the_page(tmp_path, monkeypatch):
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=30, all_unknown=True), "owners_page")
    whole(app)
    assert "no month has ended yet whose jobs could be judged" in first_line(app)
    assert "No month of the last two years has a job whose steps are known" in words_on(app)


def test_one_year_only_is_compared_with_nothing(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with_months(store, [0.5] * 6)
    app = open_page(monkeypatch, store, "owners_page")
    whole(app)
    assert "there is no earlier year to compare with" in first_line(app)


def test_nobody_is_named(fleet, monkeypatch):
    seen = words_on(open_page(monkeypatch, fleet, "owners_page"))
    assert "Person 0" not in seen
    assert not [f"T{n:02d}" for n in range(1, 9) if f"T{n:02d}" in seen]
    assert not [crew for crew in small_store.CREWS if crew in seen]


def test_a_guess_is_called_a_guess(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with store.write("fit") as con:
        con.execute(
            "create or replace table fit_run as select date '2025-06-30' as as_of, 12 as compressor_failures, "
            "1 as callbacks, 800.4 as system_years, 300 as systems, 2400.0 as failure_cost, 310.0 as callback_cost, "
            "true as failure_cost_is_guess, false as callback_cost_is_guess"
        )
    seen = words_on(open_page(monkeypatch, store, "owners_page")).replace(words.NARROW, " ")
    assert "rests on 12 compressor failures and 1 callback in 800 years of service of 300 systems" in seen
    assert "A compressor failure is counted at $2,400 (**the house's guess**), a callback at $310 (from" in seen


def test_a_course_that_could_be_chance_is_said_so(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with store.write("fit") as con:
        con.execute("update training_effect set low = -0.02 where step = 'evacuation'")
    seen = words_on(open_page(monkeypatch, store, "owners_page"))
    assert (
        "Evacuation was taught to 18 people: +14 points (−2 to +20 points) against 40 who were not taught: that could be "
        "chance." in seen
    )
    assert "Airflow was taught" not in seen  # nothing can be told of it


def test_what_is_expected_of_all_systems_is_the_fits_own_sum_with_its_range(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=30)
    with store.write("fit") as con:
        con.execute(
            "create or replace table risk_total as select 12 as horizon_months, null::varchar as area, "
            "null::integer as warranty_months, 0 as first, 30 as systems, 4.2 as expected, 2.1 as low, 7.9 as high"
        )
    seen = words_on(open_page(monkeypatch, store, "owners_page"))
    assert "Of 30 systems in service, 4 compressor failures are expected within 12 months (2 to 8)." in seen
