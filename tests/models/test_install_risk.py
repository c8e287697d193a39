"""Chances of failure: true on average, right in order, and explained."""

import numpy as np
import polars as pl
import pytest

from models import compliance, install_risk, rate_cells
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, put, store_of


@pytest.fixture(scope="module")
def judged():
    fleet = invent(12_000, 40, seed=21)
    con = store_of(fleet)
    rules = house_rules()
    cells.make_cells(con, rules, LAST_DAY)
    compliance.prepare(con, LAST_DAY)
    technician_step = compliance.technician_step(con, LAST_DAY, {})
    model = install_risk.fit_risk(rate_cells.read(con))
    table = install_risk.install_risk_table(con, model, technician_step, rules, 2400.0, LAST_DAY, seed=1)
    number = table["system_id"].str.slice(1).cast(pl.Int64).to_numpy()
    start = dict(fleet.jobs.select("system_id", "finished_on").iter_rows())
    age = np.array([(LAST_DAY - start[system]).days / 365.25 for system in table["system_id"]])
    years = table["horizon_months"].to_numpy() / 12
    early = np.clip(730 / 365.25 - age, 0, years)
    true = 1 - np.exp(-(fleet.rate[number, 0] * early + fleet.rate[number, 1] * (years - early)))
    return con, model, table.with_columns(true=pl.Series(true)), rules


def test_what_is_said_is_what_is_true_on_average(judged):
    _, _, table, _ = judged
    for months in (12, 24, 36):
        part = table.filter(horizon_months=months)
        assert part["probability"].mean() / part["true"].mean() == pytest.approx(1.0, abs=0.08)


def test_the_top_of_the_list_holds_most_of_what_a_perfect_list_would(judged):
    _, _, table, _ = judged
    part = table.filter(horizon_months=12)
    top = part.height // 20
    ours = part.sort("rank_by_probability").head(top)["true"].sum()
    perfect = part["true"].sort(descending=True).head(top).sum()
    assert ours / perfect > 0.9
    # a plain count of steps that are not good does worse
    counted = part.with_columns(count=pl.col("reasons").str.split(", ").list.len())
    assert counted.sort("count", "system_id", descending=[True, False]).head(top)["true"].sum() < ours


def test_ranges_hold_the_truth_about_as_often_as_they_say(judged):
    _, _, table, _ = judged
    part = table.filter(horizon_months=12)
    covered = ((part["low"] <= part["true"]) & (part["true"] <= part["high"])).mean()
    assert covered > 0.85
    assert (part["low"] <= part["probability"]).all()
    assert (part["probability"] <= part["high"]).all()


def test_good_work_lowers_the_chance_and_a_longer_horizon_raises_it(judged):
    _, _, table, _ = judged
    wide = table.pivot(on="horizon_months", index="system_id", values="probability")
    assert (wide["12"] < wide["24"]).all()
    assert (wide["24"] < wide["36"]).all()
    part = table.filter(horizon_months=12)
    with_reason = part.filter((pl.col("reasons") != "") & (pl.col("unknown_steps") == ""))
    assert (with_reason["probability_if_good"] < with_reason["probability"]).mean() > 0.98
    assert part.filter(pl.col("reasons") == "")["check_on_visit"].str.starts_with("Temperatures").all()


def test_reasons_begin_with_the_step_that_weighs_most(judged):
    _, model, table, _ = judged
    late = model.parts(model.coefficients)[0][1]
    old = table.filter(
        (pl.col("horizon_months") == 36)
        & pl.col("reasons").str.contains(", ")
        & (pl.col("system_id").str.slice(1).cast(pl.Int64) < 6000)
    )
    assert old.height > 100
    for reasons in old["reasons"].unique():
        weights = [late[STEPS.index(step)] for step in reasons.split(", ")]
        assert weights == sorted(weights, reverse=True)
        assert min(weights) > 0


def test_benefit_is_what_can_be_mended_times_the_cost_of_a_failure_less_the_visit(judged):
    con, model, table, _ = judged
    part = table.filter(horizon_months=12)
    assert (part["visit_benefit"] <= part["probability"] * 2400.0 - 150.0 + 1e-9).all()
    # where good work would have changed nothing, a visit only costs
    nothing = part.filter(pl.col("probability_if_good") == pl.col("probability"))
    assert nothing.height > 100
    np.testing.assert_allclose(nothing["visit_benefit"], -150.0, atol=1e-9)
    assert part.sort("rank")["visit_benefit"].is_sorted(descending=True)
    # nothing can be mended: no visit is worth more than its cost
    cannot = house_rules(mendable_share={})
    technician_step = compliance.technician_step(con, LAST_DAY, {})
    again = install_risk.install_risk_table(con, model, technician_step, cannot, 2400.0, LAST_DAY, seed=1)
    np.testing.assert_allclose(again["visit_benefit"], -150.0, atol=1e-9)


def test_only_systems_in_service_are_listed_once_for_each_horizon(judged):
    con, _, table, _ = judged
    running = con.sql("select count(*) from system_now where fate = 'in_service'").fetchall()[0][0]
    assert table.height == 3 * running
    assert set(table["horizon_months"]) == {12, 24, 36}
    assert sorted(table.filter(horizon_months=12)["rank"]) == list(range(1, running + 1))


def test_an_adopted_system_with_nothing_known_takes_the_fleet_s_shares():
    fleet = invent(3000, 12, seed=22, rate_factor=2)
    con = store_of(fleet)
    put(con, "staged_system", [{"system_id": "ADOPTED", "equipment": "split_ac", "last_contact_on": LAST_DAY}])
    put(con, "staged_job", [
        {"job_id": "JA", "system_id": "ADOPTED", "job_kind": "new_install", "installed_by": "someone_else",
         "joints": "brazed", "finished_on": fleet.jobs["finished_on"][0]}
    ])  # fmt: skip
    put(con, "staged_call", [
        {"call_id": "CA", "system_id": "ADOPTED", "opened_on": fleet.jobs["finished_on"][1500],
         "call_kind": "maintenance"}
    ])  # fmt: skip
    cells.make_cells(con, house_rules(), LAST_DAY)
    compliance.prepare(con, LAST_DAY)
    technician_step = compliance.technician_step(con, LAST_DAY, {})
    model = install_risk.fit_risk(rate_cells.read(con))
    table = install_risk.install_risk_table(con, model, technician_step, house_rules(), 2400.0, LAST_DAY, seed=1)
    row = table.filter(system_id="ADOPTED", horizon_months=12).row(0, named=True)
    assert row["reasons"] == ""
    assert row["unknown_steps"].count(",") == 8
    assert row["probability_if_good"] < row["probability"] < 0.5
