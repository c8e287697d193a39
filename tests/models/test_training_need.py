"""Whom to teach: gaps split by hand, and savings that carry the doubt of the rate and of the price."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models import compliance, results, training_need
from pipelines.contract import STEPS
from tests.models.invented_fleet import LAST_DAY, empty_store, put

PRICE = {"cost": 900.0, "low": 300.0, "high": 1500.0, "flow": 30.0}


def prices(**changes: float) -> pl.DataFrame:
    """A step cost in which a job that is not good costs cost / flow, 30 as it stands."""
    price = PRICE | changes
    return pl.DataFrame({
        "step": list(STEPS), "extra_cost_per_year": [price["cost"]] * 9, "low": [price["low"]] * 9,
        "high": [price["high"]] * 9, "not_good_jobs_per_year": [price["flow"]] * 9,
    })  # fmt: skip


def needs(
    states: dict[str, dict[str, int]],
    *,
    crews: dict[str, str] | None = None,
    target: float = 0.95,
    cost: pl.DataFrame | None = None,
    people: list[dict] | None = None,
    taught: list[dict] | None = None,
) -> dict[str, dict]:
    """Needs by technician in one step. states : technician -> state -> jobs, all in the last year."""
    con = empty_store()
    put(con, "staged_technician", people or [
        {"technician_id": who, "crew": (crews or {}).get(who, f"crew of {who}")} for who in states
    ])  # fmt: skip
    jobs = [
        (f"{who}-{state}-{number}", who, state)
        for who, of_state in states.items()
        for state, count in of_state.items()
        for number in range(count)
    ]
    put(con, "staged_system", [{"system_id": job} for job, _, _ in jobs])
    put(con, "staged_job", [
        {"job_id": job, "system_id": job, "technician_id": who, "job_kind": "new_install",
         "finished_on": LAST_DAY - timedelta(days=40)}
        for job, who, _ in jobs
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": job, "technician_id": who, "step": "airflow", "state": state} for job, who, state in jobs
    ])  # fmt: skip
    put(con, "staged_training", taught or [])
    compliance.prepare(con, LAST_DAY)
    rates = compliance.technician_step(con, LAST_DAY, {"airflow": target})
    table = training_need.training_need_table(con, rates, prices() if cost is None else cost, LAST_DAY, 3)
    results.write(con, "training_need", table)
    return table.filter(step="airflow").rows_by_key("technician_id", named=True, unique=True)


def test_a_gap_is_split_by_what_his_own_jobs_show():
    row = needs({
        "A": {"passed": 40, "failed": 6, "not_done": 4, "ticked_only": 10, "no_record": 15},
        "B": {"passed": 60},
    })["A"]  # fmt: skip
    # 60 of his 75 jobs are known; of the 20 not good 10 are outside or not done, 10 only ticked
    gap = row["target"] - row["rate_adjusted"]
    assert row["gap"] == pytest.approx(gap)
    assert row["gap_cannot"] == pytest.approx(gap * 60 / 75 * 10 / 20)
    assert row["gap_not_done"] == pytest.approx(gap * 60 / 75 * 4 / 20)
    assert row["gap_not_recorded"] == pytest.approx(gap * 60 / 75 * 10 / 20 + gap * 15 / 75)
    assert row["gap_no_tool"] == 0
    assert (row["known"], row["failed"], row["not_done"], row["ticked_only"], row["unknown"]) == (60, 6, 4, 10, 15)


@pytest.mark.parametrize(("state", "part"), [("failed", "gap_cannot"), ("ticked_only", "gap_not_recorded")])
def test_only_what_was_measured_outside_is_a_training_need(state, part):
    row = needs({"A": {"passed": 30, state: 30}, "B": {"passed": 60}})["A"]
    assert row[part] == pytest.approx(row["gap"])
    if part == "gap_cannot":
        assert row["priority"] == "first"
        # 60 jobs a year, each job not good costs 900 / 30
        assert row["saving_per_year"] == pytest.approx(row["gap"] * 60 * 30)
    else:
        assert row["priority"] == "later"
        assert row["saving_per_year"] == row["low"] == row["high"] == 0


def test_a_crew_with_a_borrowed_gauge_lacks_the_tool():
    states = {
        "A": {"ticked_only": 45, "passed": 5}, "B": {"ticked_only": 45, "failed": 5},
        "C": {"passed": 45, "failed": 5}, "D": {"passed": 40, "failed": 10},
    }  # fmt: skip
    crews = {"A": "red", "B": "red", "C": "blue", "D": "blue"}
    rows = needs(states, crews=crews)
    assert rows["A"]["gap_no_tool"] == pytest.approx(rows["A"]["gap"])
    assert rows["B"]["gap_cannot"] == 0
    assert rows["D"]["gap_no_tool"] == 0
    # where nobody has readings it is not the one crew's tool
    alike = needs({who: {"ticked_only": 45, "passed": 5} for who in "ABCD"}, crews=crews)
    assert alike["A"]["gap_no_tool"] == 0
    assert alike["A"]["gap_not_recorded"] == pytest.approx(alike["A"]["gap"])


def test_the_saving_carries_the_rate_s_doubt_and_the_price_s():
    states = {"A": {"passed": 20, "failed": 20}, "B": {"passed": 60}}
    both = needs(states)["A"]
    assert 0 < both["low"] < both["saving_per_year"] < both["high"]
    sure = needs(states, cost=prices(low=899.0, high=901.0))["A"]
    assert sure["low"] > both["low"]
    # with a sure price what is left is the rate's own interval
    jobs, price = 40, 30.0
    assert sure["low"] == pytest.approx((sure["target"] - sure["rate_high"]) * jobs * price, rel=0.12)
    assert sure["high"] == pytest.approx((sure["target"] - sure["rate_low"]) * jobs * price, rel=0.12)
    many = needs({"A": {"passed": 200, "failed": 200}, "B": {"passed": 600}}, cost=prices(low=899.0, high=901.0))["A"]
    assert (many["high"] - many["low"]) / many["saving_per_year"] < (sure["high"] - sure["low"]) / sure[
        "saving_per_year"
    ]


def test_a_price_that_may_be_nought_promises_nothing():
    row = needs({"A": {"passed": 20, "failed": 20}, "B": {"passed": 60}}, cost=prices(low=-400.0))["A"]
    assert row["low"] == 0
    unknown = prices().with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name) for name in ("extra_cost_per_year", "low", "high")
    )
    row = needs({"A": {"passed": 20, "failed": 20}, "B": {"passed": 60}}, cost=unknown)["A"]
    assert (row["saving_per_year"], row["low"], row["high"]) == (None, None, None)
    # sure and large, but nobody knows what it costs
    assert row["priority"] == "next"


def test_a_gap_that_reads_as_nought_is_not_listed():
    rows = needs({"A": {"passed": 949, "failed": 51}, "B": {"passed": 95, "failed": 5}}, target=0.95)
    assert all(row["gap"] >= training_need.NO_GAP or row["priority"] != "later" for row in rows.values())
    assert "A" not in rows


def test_whoever_left_needs_no_class_and_whoever_was_just_taught_waits():
    states = {who: {"passed": 20, "failed": 20} for who in "ABC"} | {"D": {"passed": 90}}
    people = [
        {"technician_id": who, "crew": "one", "left_on": date(2025, 1, 1) if who == "A" else None} for who in "ABCD"
    ]
    taught = [
        {"technician_id": "B", "step": "airflow", "course": "Static", "held_on": LAST_DAY - timedelta(days=90)},
        {"technician_id": "C", "step": "airflow", "course": "Static", "held_on": LAST_DAY - timedelta(days=900)},
    ]
    rows = needs(states, people=people, taught=taught)
    assert set(rows) == {"B", "C"}
    assert (rows["B"]["priority"], rows["C"]["priority"]) == ("later", "first")
    assert rows["B"]["last_taught_on"] == LAST_DAY - timedelta(days=90)


def test_parts_add_up_for_everybody_and_figures_are_the_same_again():
    rng = np.random.default_rng(5)
    names = ["passed", "failed", "not_done", "ticked_only", "no_record", "cannot_tell"]
    states = {
        f"T{n}": dict(zip(names, rng.multinomial(60, [0.5, 0.15, 0.1, 0.1, 0.1, 0.05]).tolist(), strict=True))
        for n in range(12)
    }
    rows, again = needs(states, target=0.7), needs(states, target=0.7)
    assert rows == again
    assert len(rows) > 4
    for row in rows.values():
        assert row["gap_cannot"] + row["gap_not_recorded"] + row["gap_no_tool"] == pytest.approx(row["gap"])
        assert row["low"] <= row["saving_per_year"] <= row["high"]
