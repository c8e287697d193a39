"""What stands on a page is what stands in the store: numbers counted again from the rows, not from the sums kept of them."""

from __future__ import annotations

import re

import duckdb
import pytest
from playwright.sync_api import Page

from tests.browser.conftest import Served
from tests.browser.served_pages import first_sentence, go, grid_texts, main_text, open_fold

pytestmark = pytest.mark.browser

KNOWN = "('passed', 'failed', 'ticked_only', 'not_done')"
STATE_WORDS = {
    "Good": "passed",
    "Outside its limit": "failed",
    "Ticked, nothing measured": "ticked_only",
    "Not done": "not_done",
    "No record": "no_record",
    "Cannot tell": "cannot_tell",
}


@pytest.fixture
def con(demo: Served):
    con = demo.store.read()
    yield con
    con.close()


def number(text: str) -> float:
    return float(text.replace(",", ""))


def all_numbers(text: str) -> list[float]:
    return [number(part) for part in re.findall(r"\d[\d,]*(?:\.\d+)?", text)]


def test_share_of_good_steps(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    (known, good) = con.sql(
        f"select count(*) filter (state in {KNOWN}), count(*) filter (state = 'passed') from step_grade"
    ).fetchall()[0]
    go(page, f"{demo.address}/crew-week")
    said = re.search(r"Of ([\d,]+) steps we know about, ([\d.]+) %", first_sentence(page))
    assert said, first_sentence(page)
    assert number(said[1]) == known
    decimals = len(said[2].partition(".")[2])
    assert number(said[2]) == round(100 * good / known, decimals)


def test_step_that_needs_most_help(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    rows = con.sql(
        f"select step, count(*) filter (state = 'passed') / count(*) as share, count(*) as known from step_grade "
        f"where state in {KNOWN} group by step order by share limit 1"
    ).fetchall()
    step, share, known = rows[0]
    go(page, f"{demo.address}/crew-week")
    said = re.search(r"; (.+) most needs help, with ([\d.]+) %.* on ([\d,]+) jobs", first_sentence(page))
    assert said, first_sentence(page)
    assert said[1].replace(" ", "_") == step
    assert number(said[2]) == round(100 * share, len(said[2].partition(".")[2]))
    assert number(said[3]) == known


@pytest.mark.parametrize("step", ["evacuation", "charge_check"])
def test_states_of_a_step(step: str, demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    counted = dict(
        con.sql("select state, count(*) from step_grade where step = $step group by state", params={"step": step})
        .fetchall()
    )  # fmt: skip
    go(page, f"{demo.address}/crew-week?step={step}")
    offered = page.get_by_role("radiogroup", name="State").get_by_role("radio").all_inner_texts()
    shown = {
        words: number(count) for words, count in (re.findall(r"^\S+ (.+) · ([\d,]+)$", o.strip())[0] for o in offered)
    }
    assert {STATE_WORDS[words]: count for words, count in shown.items() if words in STATE_WORDS} == {
        state: counted.get(state, 0) for state in STATE_WORDS.values()
    }
    counted.pop("not_applicable", None)
    listed = re.search(r"^([\d,]+) jobs\b.*newest first", main_text(page), re.MULTILINE)
    assert listed
    assert number(listed[1]) == sum(counted.values())


def test_every_count_of_the_fleet_table(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    go(page, f"{demo.address}/crew-week")
    open_fold(page, "The whole fleet as a table")
    heads, rows = grid_texts(page.get_by_test_id("stDataFrame").first)
    column = {"Known": KNOWN, "Good jobs": "('passed')", "Outside its limit": "('failed')"}
    assert len(rows) == 9
    for row in rows:
        step = {"Nitrogen while brazing": "nitrogen_flow", "Charge by weight": "charge"}.get(
            row[0], row[0].lower().replace(" ", "_")
        )
        for head, states in column.items():
            (counted,) = con.sql(
                f"select count(*) from step_grade where state in {states} and step = $step", params={"step": step}
            ).fetchall()[0]
            assert number(row[heads.index(head)]) == counted, (step, head)


def test_failures_expected_and_systems_on_the_list(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    (systems, expected, in_first) = con.sql(
        "select count(*), sum(probability), sum(probability) filter (rank <= 40) from install_risk "
        "where horizon_months = 12"
    ).fetchall()[0]
    go(page, f"{demo.address}/slow-fuses")
    said = re.search(
        r"first (\d+) systems to visit hold ([\d.]+) of the ([\d.]+) compressor failures expected within 12 months "
        r"among ([\d,]+) systems",
        first_sentence(page),
    )
    assert said, first_sentence(page)
    assert number(said[4]) == systems
    assert number(said[3]) == pytest.approx(expected, abs=0.051)
    assert number(said[2]) == pytest.approx(in_first, abs=0.051)


def test_first_rows_of_the_list_are_those_of_the_highest_rank(
    demo: Served, page: Page, con: duckdb.DuckDBPyConnection
) -> None:
    ranked = con.sql(
        "select system_id, probability from install_risk where horizon_months = 24 order by rank limit 8"
    ).fetchall()
    go(page, f"{demo.address}/slow-fuses?horizon=24")
    heads, rows = grid_texts(page.get_by_test_id("stDataFrame").first)
    assert [row[heads.index("System")] for row in rows[:8]] == [system for system, _ in ranked]
    for row, (_, chance) in zip(rows, ranked, strict=False):
        assert all_numbers(row[heads.index("Chance")])[0] == pytest.approx(100 * chance, abs=0.051)


def test_failures_behind_the_ratios(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    go(page, f"{demo.address}/what-skipping-does?outcome=compressor_failure")
    open_fold(page, "Every ratio with its counts")
    heads, rows = grid_texts(page.get_by_test_id("stDataFrame").first)
    told = con.sql(
        "select hazard_ratio, low, high from step_effect where outcome = 'compressor_failure' "
        "and contrast = 'not_good' and step = 'evacuation' and age_band = 'late'"
    ).fetchall()[0]
    row = next(r for r in rows if r[0] == "Evacuation" and r[heads.index("When")] == "After 2 years")
    shown = all_numbers(row[next(place for place, head in enumerate(heads) if head.startswith("Adjusted"))])
    assert shown[:3] == pytest.approx(list(told), rel=0.01)


def test_steps_and_readings_of_one_job(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    (job,) = con.sql(
        "select job_id from step_grade where state = 'failed' group by job_id having count(*) >= 2 order by job_id limit 1"
    ).fetchall()[0]
    counted = dict(
        con.sql("select state, count(*) from step_grade where job_id = $job group by state", params={"job": job})
        .fetchall()
    )  # fmt: skip
    (readings,) = con.sql("select count(*) from staged_reading where job_id = $job", params={"job": job}).fetchall()[0]
    go(page, f"{demo.address}/job-folder?job={job}")
    belong = sum(counted.values()) - counted.get("not_applicable", 0)
    assert f"{counted.get('passed', 0)} of the {belong} steps that belong to it are good" in first_sentence(page)
    assert f"{counted['failed']} outside its limit" in first_sentence(page)
    assert f"{readings} readings" in main_text(page)
    assert page.locator('[class*="st-key-grade_"]').count() == belong


def test_rows_of_the_load_and_of_what_was_left_out(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    (read, new, rejected, files) = con.sql(
        "select sum(rows_read)::bigint, sum(rows_new)::bigint, sum(rows_rejected)::bigint, count(*) from load_run"
    ).fetchall()[0]
    (left_out,) = con.sql("select count(*) from rejected_row").fetchall()[0]
    assert rejected > 0
    go(page, f"{demo.address}/loading-dock")
    assert f"took {new:,} of {read:,} rows from {files} files; {rejected} rows could not be taken in" in first_sentence(
        page
    )
    assert f"{left_out} entries." in main_text(page)


def test_limits_in_force(demo: Served, page: Page, con: duckdb.DuckDBPyConnection) -> None:
    (limits, memory) = con.sql("select count(*), count(*) filter (status = 'memory') from limit_used").fetchall()[0]
    go(page, f"{demo.address}/house-rules")
    assert first_sentence(page).startswith(f"{limits} limits are in force")
    assert f"{memory} of them from memory" in first_sentence(page)
