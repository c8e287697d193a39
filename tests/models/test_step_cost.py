"""Extra events and money, and who needs teaching: by hand where that can be done."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from models import compliance, rate_cells, step_cost, step_effect, training_need
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import LAST_DAY, empty_store, house_rules, invent, put, store_of


@pytest.fixture(scope="module")
def costed():
    con = store_of(invent(8000, 30, seed=31))
    cells.make_cells(con, house_rules(), LAST_DAY)
    compliance.prepare(con, LAST_DAY)
    effects = step_effect.StepEffects(rate_cells.read(con))
    table, fits, _ = step_effect.step_effect_table(effects, "thermostat", 8000, 0)
    cost = step_cost.step_cost_table(con, effects, fits, table, 2000.0, 300.0, LAST_DAY, seed=1)
    people = compliance.technician_step(con, LAST_DAY, {})
    return con, table, cost, training_need.training_need_table(con, people, cost, LAST_DAY)


def test_extra_failures_are_those_beyond_what_good_work_would_have_had(costed):
    con, table, cost, _ = costed
    # by hand for late evacuation: failures among the not good in the last year, times 1 - 1 / ratio
    rows = table.filter(
        (pl.col("outcome") == "compressor_failure") & (pl.col("step") == "evacuation")
        & (pl.col("contrast") == "not_good") & (pl.col("age_band") != "all")
    ).rows_by_key("age_band", named=True, unique=True)  # fmt: skip
    expected = 0.0
    for band in ("early", "late"):
        seen = con.sql(
            "select count(*) from outcome_step where outcome = 'compressor_failure' and step = 'evacuation' and "
            f"state in ('failed', 'ticked_only', 'not_done') and age_band = '{band}' and not is_visited "
            f"and happened_on > date '{LAST_DAY}' - 366"
        ).fetchall()[0][0]
        expected += seen * (1 - 1 / rows[band]["hazard_ratio_calibrated"])
    found = cost.filter(step="evacuation")["extra_compressor_failures_per_year"][0]
    # events of one year scatter around what the model expects of it
    assert found == pytest.approx(expected, rel=0.35)


def test_money_is_events_times_their_cost_and_lies_in_its_interval(costed):
    con, _, cost, _ = costed
    known = cost.filter(pl.col("extra_cost_per_year").is_not_null())
    # the call about a dead compressor is a callback too, and its money is in the failure's already
    callbacks, dead = con.sql(
        "select count(*), count(*) filter (call_id in (select call_id from outcome_event where outcome = "
        "'compressor_failure')) from outcome_event where outcome = 'callback' and in_follow_up"
    ).fetchall()[0]
    assert 0 < dead < callbacks / 3
    by_hand = 2000 * known["extra_compressor_failures_per_year"].fill_null(0) + 300 * (1 - dead / callbacks) * known[
        "extra_callbacks_per_year"
    ].fill_null(0)
    np.testing.assert_allclose(known["extra_cost_per_year"], by_hand)
    assert (known["low"] < known["extra_cost_per_year"]).all()
    assert (known["extra_cost_per_year"] < known["high"]).all()


def test_only_clear_and_leaning_effects_enter_and_without_one_nothing_is_said(costed):
    _, table, cost, _ = costed
    counted = table.filter(
        (pl.col("contrast") == "not_good") & (pl.col("age_band") != "all")
        & pl.col("outcome").is_in(["compressor_failure", "callback"])
        & pl.col("evidence").is_in(["clear", "leaning"])
    )  # fmt: skip
    for row in cost.filter(pl.col("step") != "all").iter_rows(named=True):
        of_step = counted.filter(pl.col("step") == row["step"]).height
        assert of_step == (row["effects_used"].count("(") if row["effects_used"] else 0)
        assert (row["extra_cost_per_year"] is None) == (of_step == 0)


def test_skipped_jobs_of_the_last_year_open_their_jobs(costed):
    con, _, cost, _ = costed
    listed = dict(con.sql(
        "select step, count(*) from step_grade join staged_job using (job_id) "
        f"where state in ('not_done', 'ticked_only') and finished_on > date '{LAST_DAY}' - interval 12 month group by 1"
    ).fetchall())  # fmt: skip
    of_steps = cost.filter(pl.col("step") != "all")
    assert dict(of_steps.select("step", "skipped_jobs_per_year").iter_rows()) == listed


def test_the_interval_holds_that_chance_moves_the_ratio_and_the_failures_of_the_jobs_not_good_together(costed):
    con, table, _, _ = costed
    effects = step_effect.StepEffects(rate_cells.read(con))
    _, fits, _ = step_effect.step_effect_table(effects, "thermostat", 8000, 0)
    row = (
        (pl.col("outcome") == "compressor_failure") & (pl.col("step") == "evacuation") & (pl.col("age_band") == "late")
    )
    alone = table.filter(row & (pl.col("contrast") == "not_good"))
    assert alone["evidence"][0] == "clear"
    cost = step_cost.step_cost_table(con, effects, fits, alone, 1.0, 0.0, LAST_DAY, seed=1).filter(step="evacuation")
    saved = cost["extra_compressor_failures_per_year"][0]
    log = np.log(alone["hazard_ratio_calibrated"][0])
    error = np.log(alone["high_calibrated"][0] / alone["hazard_ratio_calibrated"][0]) / 1.96
    # by the delta method: saved = all x share of the not good (ratio up, share up) x (1 - 1 / ratio)
    arm = saved / -np.expm1(-log)
    share = alone["events_skipped"][0] / alone["events"][0]
    slope = arm * (1 - share) * -np.expm1(-log) + arm * np.exp(-log)
    by_hand = np.hypot(slope * error, saved / np.sqrt(alone["events"][0]))
    assert (cost["high"][0] - cost["low"][0]) / (2 * 1.96) == pytest.approx(by_hand, rel=0.08)
    # far more than if the two moved apart from each other
    apart = np.hypot(arm * np.exp(-log) * error, saved / np.sqrt(alone["events_skipped"][0]))
    assert by_hand > 1.15 * apart


def test_all_steps_together_cost_less_than_their_sum_and_more_than_the_dearest(costed):
    _, _, cost, _ = costed
    of_steps, together = cost.filter(pl.col("step") != "all"), cost.filter(pl.col("step") == "all").row(0, named=True)
    single = of_steps["extra_cost_per_year"].drop_nulls()
    assert single.max() < together["extra_cost_per_year"] < single.sum()
    assert together["low"] < together["extra_cost_per_year"] < together["high"]
    # the steps' doubts do not all fall to the same side
    assert together["high"] - together["low"] < (of_steps["high"] - of_steps["low"]).sum()
    assert together["skipped_jobs_per_year"] < of_steps["skipped_jobs_per_year"].sum()


def test_the_parts_of_a_gap_add_up_and_only_what_was_not_achieved_saves_money(costed):
    _, _, _, need = costed
    parts = need["gap_cannot"] + need["gap_not_recorded"] + need["gap_no_tool"]
    np.testing.assert_allclose(parts, need["gap"], atol=1e-12)
    assert (need["gap"] > 0).all()
    assert set(need["priority"]) <= {"first", "next", "later"}
    assert need.filter(pl.col("saving_per_year").is_null())["priority"].is_in(["next", "later"]).all()
    priced = need.filter(pl.col("saving_per_year").is_not_null())
    assert (priced["low"] <= priced["saving_per_year"]).all()


def test_a_crew_without_one_reading_lacks_a_tool_not_training():
    con = empty_store()
    put(con, "staged_technician", [
        {"technician_id": person, "crew": crew} for person, crew in (("A", "red"), ("B", "red"), ("C", "blue"))
    ])  # fmt: skip
    jobs = [(f"{person}{n}", person) for person in "ABC" for n in range(30)]
    put(con, "staged_system", [{"system_id": job} for job, _ in jobs])
    put(con, "staged_job", [
        {"job_id": job, "system_id": job, "technician_id": person, "job_kind": "new_install",
         "finished_on": date(2025, 3, 1)}
        for job, person in jobs
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": job, "technician_id": person, "step": "airflow",
         "state": "ticked_only" if person in "AB" else ("passed" if int(job[1:]) else "failed")}
        for job, person in jobs
    ])  # fmt: skip
    compliance.prepare(con, LAST_DAY)
    people = compliance.technician_step(con, LAST_DAY, {"airflow": 0.99})
    prices = pl.DataFrame({
        "step": list(STEPS), "extra_cost_per_year": [900.0] * 9, "low": [300.0] * 9, "high": [1500.0] * 9,
        "not_good_jobs_per_year": [30.0] * 9,
    })  # fmt: skip
    need = training_need.training_need_table(con, people, prices, LAST_DAY).rows_by_key(
        "technician_id", named=True, unique=True
    )
    assert need["A"]["gap_no_tool"] == pytest.approx(need["A"]["gap"])
    assert need["A"]["gap_cannot"] == need["A"]["saving_per_year"] == 0
    assert need["A"]["priority"] == "later"
    assert need["C"]["gap_no_tool"] == 0
    # 30 jobs a year, each job not good costs 900 / 30
    assert need["C"]["saving_per_year"] == pytest.approx(need["C"]["gap_cannot"] * 30 * 30.0)


def test_costs_come_from_the_house_then_its_records_then_a_guess():
    con = empty_store()
    assert [cost.is_guess for cost in step_cost.costs(con, house_rules(), LAST_DAY)] == [True, True]
    put(con, "staged_call", [
        {"call_id": f"C{n}", "opened_on": date(2024, 1, 1), "call_kind": "repair", "cost": float(cost),
         "finding": "compressor_burnout" if n < 5 else "low_charge"}
        for n, cost in enumerate([1000, 2000, 3000, 4000, 9000, 100, 200, 300, 400, 500])
    ])  # fmt: skip
    failure, callback = step_cost.costs(con, house_rules(), LAST_DAY)
    assert (failure.money, failure.is_guess, callback.money) == (3000.0, False, 300.0)
    failure, _ = step_cost.costs(con, house_rules(failure_cost=2500.0), LAST_DAY)
    assert (failure.money, failure.is_guess) == (2500.0, False)
