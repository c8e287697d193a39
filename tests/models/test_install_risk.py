"""Chances of failure: true on average, right in order, and explained."""

import numpy as np
import polars as pl
import pytest

from models import install_risk, rate_cells
from models.age_curve import curve_for
from models.risk_chance import Chances, systems_of
from models.risk_total import LADDER, Lists
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, put, store_of


def fitted(con):
    return install_risk.model_of(con, rate_cells.read(con), LAST_DAY)


def tables_of(con, model, rules, extra_spread=0.0):
    return install_risk.install_risk_tables(con, model, rules, 2400.0, LAST_DAY, 1, extra_spread)


@pytest.fixture(scope="module")
def judged():
    fleet = invent(12_000, 40, seed=21)
    con = store_of(fleet)
    rules = house_rules()
    cells.make_cells(con, rules, LAST_DAY)
    model = fitted(con)
    table, total = tables_of(con, model, rules)
    number = table["system_id"].str.slice(1).cast(pl.Int64).to_numpy()
    start = dict(fleet.jobs.select("system_id", "finished_on").iter_rows())
    age = np.array([(LAST_DAY - start[system]).days / 365.25 for system in table["system_id"]])
    years = table["horizon_months"].to_numpy() / 12
    early = np.clip(730 / 365.25 - age, 0, years)
    true = 1 - np.exp(-(fleet.rate[number, 0] * early + fleet.rate[number, 1] * (years - early)))
    return con, model, table.with_columns(true=pl.Series(true)), total


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
    assert ours / perfect > 0.95
    # a plain count of steps that are not good does worse
    counted = part.with_columns(count=pl.col("reasons").str.split(", ").list.len())
    assert counted.sort("count", "system_id", descending=[True, False]).head(top)["true"].sum() < 0.9 * ours


def test_ranges_hold_the_truth_about_as_often_as_they_say(judged):
    _, _, table, _ = judged
    part = table.filter(horizon_months=12)
    covered = (part["low"] <= part["true"]) & (part["true"] <= part["high"])
    assert covered.mean() > 0.9
    # where a step is not known too: the range holds both of what it may have been
    unknown = part["unknown_steps"] != ""
    assert unknown.sum() > 1000
    assert covered.filter(unknown).mean() > 0.9
    for low, middle, high in (
        ("low", "probability", "high"), ("if_good_low", "probability_if_good", "if_good_high"),
    ):  # fmt: skip
        assert (part[low] <= part[middle] + 1e-12).all()
        assert (part[middle] <= part[high] + 1e-12).all()
    width = np.log(part["high"] / part["low"])
    assert width.filter(unknown).mean() > width.filter(~unknown).mean()


def test_what_years_differ_by_widens_every_range(judged):
    con, model, table, _ = judged
    wider, _ = tables_of(con, model, house_rules(), extra_spread=0.3)
    for low, high in (("low", "high"), ("if_good_low", "if_good_high")):
        assert (np.log(wider[high] / wider[low]) > np.log(table[high] / table[low])).all()
    np.testing.assert_array_equal(wider["probability"], table["probability"])


def test_good_work_lowers_the_chance_and_a_longer_horizon_raises_it(judged):
    _, _, table, _ = judged
    wide = table.pivot(on="horizon_months", index="system_id", values="probability")
    assert (wide["12"] < wide["24"]).all()
    assert (wide["24"] < wide["36"]).all()
    part = table.filter(horizon_months=12)
    with_reason = part.filter((pl.col("reasons") != "") & (pl.col("unknown_steps") == ""))
    assert (with_reason["probability_if_good"] < with_reason["probability"]).mean() > 0.98
    assert part.filter(pl.col("reasons") == "")["check_on_visit"].str.starts_with("Temperatures").all()


def old_with_two_reasons(table, months):
    """Systems far past their second birthday, with more than one step behind the chance."""
    return table.filter(
        (pl.col("horizon_months") == months)
        & pl.col("reasons").str.contains(", ")
        & (pl.col("system_id").str.slice(1).cast(pl.Int64) < 6000)
    )


def test_reasons_begin_with_the_step_that_weighs_most(judged):
    _, model, table, _ = judged
    late, old = model.not_good[1], old_with_two_reasons(table, 36)
    assert old.height > 100
    for reasons in old["reasons"].unique():
        weights = [late[STEPS.index(step)] for step in reasons.split(", ")]
        assert weights == sorted(weights, reverse=True)
        assert min(weights) > 0


def test_shares_of_the_reasons_are_shares_of_the_log_ratio(judged):
    _, model, table, _ = judged
    late, old = model.not_good[1], old_with_two_reasons(table, 12).filter(pl.col("unknown_steps") == "")
    assert old.height > 100
    for shares in old["reason_shares"].unique():
        told = {step: float(share) for step, share in (part.split(" ") for part in shares.split(", "))}
        total = sum(late[STEPS.index(step)] for step in told)
        for step, share in told.items():
            assert share == pytest.approx(late[STEPS.index(step)] / total, abs=0.02)
        assert sum(told.values()) == pytest.approx(1.0, abs=0.05)
        assert list(told.values()) == sorted(told.values(), reverse=True)
    not_known = table.filter(pl.col("reason_shares").str.contains("(not known)", literal=True))
    assert not_known.height > 1000
    assert (not_known["unknown_steps"] != "").all()


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
    again, _ = tables_of(con, model, house_rules(mendable_share={}))
    np.testing.assert_allclose(again["visit_benefit"], -150.0, atol=1e-9)
    # all can be mended: a visit makes of the chance what good work would have made of it, where all is known
    every, _ = tables_of(con, model, house_rules(mendable_share=dict.fromkeys(STEPS, 1.0)))
    known = every.filter((pl.col("unknown_steps") == "") & (pl.col("visit_benefit") > -150.0))
    gap = (known["visit_benefit"] + 150.0) / 2400.0 - (known["probability"] - known["probability_if_good"])
    # steps whose ratio was found below 1 are left as they are
    assert (gap > -1e-9).all()
    assert gap.median() < 0.02 * known["probability"].median()


def test_another_visit_finds_only_what_the_first_one_left(judged):
    con, model, _, _ = judged
    frame = install_risk.systems_in_service(con)
    log = model.not_good
    first, second = Chances(model, systems_of(frame, model)).best.after_visit(np.full(len(STEPS), 0.5))
    step = STEPS.index("evacuation")
    excess = np.exp(log[1, step]) - 1
    assert np.exp(first[1, step]) - 1 == pytest.approx(0.5 * excess)
    # of the visited: (1 + 0.25 x) / (1 + 0.5 x) of what they run at
    assert np.exp(second[1, step] - log[1, step]) == pytest.approx((1 + 0.25 * excess) / (1 + 0.5 * excess))
    assert (second >= first - 1e-12).all()


def test_a_sum_s_range_is_that_of_the_sum_and_not_of_every_end_at_once(judged):
    _, _, table, total = judged
    for months in (12, 24, 36):
        part = table.filter(horizon_months=months).sort("rank")
        whole = total.filter(
            (pl.col("horizon_months") == months) & pl.col("area").is_null() & pl.col("warranty_months").is_null()
        )
        for row in whole.iter_rows(named=True):
            head = part if row["first"] == 0 else part.head(row["first"])
            assert row["systems"] == head.height
            assert row["expected"] == pytest.approx(head["probability"].sum(), rel=1e-9)
            assert row["low"] < row["expected"] < row["high"] < row["systems"]
            if row["systems"] >= 20:
                assert head["low"].sum() < row["low"]
                assert row["high"] < head["high"].sum()
        assert sorted(whole["first"]) == [0, *LADDER]
        # of many systems' mean more is known than of one system's chance
        ratio = dict(zip(whole["first"], whole["high"] / whole["low"], strict=True))
        assert months > 12 or ratio[0] < ratio[1]
    true = table.filter(horizon_months=12)["true"].sum()
    everybody = total.filter((pl.col("first") == 0) & pl.col("area").is_null(), horizon_months=12).row(0, named=True)
    assert everybody["low"] < true < everybody["high"]
    assert 0 < everybody["avoided_low"] < everybody["avoided"] < everybody["avoided_high"] < everybody["high"]


def test_areas_and_warranties_are_summed_in_the_list_s_order():
    area = ["east", "west", None, "east", "east", "west"]
    left = np.array([3.0, 6.0, np.nan, 12.0, np.nan, 3.0])
    lists = Lists.of(area, left, np.array([3, 1, 2, 6, 5, 4]))
    value = np.array([1.0, 10.0, 100.0, 1000.0, 10_000.0, 100_000.0])
    sums = lists.totals(lists.sums(value))
    by_name = {name: dict(zip([*LADDER, 0], row, strict=True)) for name, row in zip(lists.names, sums, strict=True)}
    assert by_name[None, None][1] == 10.0
    assert by_name[None, None][2] == 110.0
    assert by_name[None, None][0] == value.sum()
    assert by_name[None, 3] == {**dict.fromkeys([*LADDER, 0], 100_001.0), 1: 1.0}
    assert by_name[None, 6][0] == 100_011.0
    assert by_name[None, 12][0] == 101_011.0
    assert by_name["east", None][1] == 1.0
    assert by_name["east", None][2] == 10_001.0
    assert by_name["west", None][0] == 100_010.0


def test_the_same_records_give_the_same_figures(judged):
    con, model, table, total = judged
    again, total_again = tables_of(con, fitted(con), house_rules())
    assert again.equals(table.drop("true"))
    assert total_again.equals(total)
    chances = Chances(model, systems_of(install_risk.systems_in_service(con), model))
    np.testing.assert_array_equal(chances.part(slice(100, 200)).expected(12), chances.expected(12)[100:200])


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
    table, _ = tables_of(con, fitted(con), house_rules())
    row = table.filter(system_id="ADOPTED", horizon_months=12).row(0, named=True)
    assert row["reasons"] == ""
    assert row["unknown_steps"].count(",") == 8
    assert row["reason_shares"].count("(not known)") > 3
    assert row["probability_if_good"] < row["probability"] < 0.5
    assert row["low"] < row["probability"] < row["high"]


def test_ranges_grow_at_ages_that_nobody_has_seen():
    con = store_of(invent(8000, 24, seed=23, rate_factor=2, years=4.0))
    cells.make_cells(con, house_rules(), LAST_DAY)
    model = fitted(con)
    table, _ = tables_of(con, model, house_rules())
    start = con.sql("select system_id, started_on from system_now").pl()
    aged = table.join(start, on="system_id").with_columns(
        age=(pl.lit(LAST_DAY) - pl.col("started_on")).dt.total_days() / 365.25,
        width=(pl.col("high") / pl.col("low")).log(),
    )
    wide = aged.pivot(on="horizon_months", index=["system_id", "age"], values="width")
    old, young = wide.filter(pl.col("age") > 3.5), wide.filter(pl.col("age").is_between(1.0, 1.2))
    assert (old["36"] / old["12"]).mean() > 1.2
    assert abs((young["24"] / young["12"]).mean() - 1) < 0.1
    assert not model.layout.curve.is_seen.all()


def test_a_bend_may_begin_where_the_records_end():
    edges = np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0])
    middle = edges + np.append(np.diff(edges) / 2, 0.5)
    years = np.array([900.0, 900, 1500, 1500, 1500, 2000, 1000, 0, 0])
    curve = curve_for(edges, middle, years, events=95.0)
    unseen = np.expm1(curve.bends[~curve.is_seen])
    assert unseen[0] == pytest.approx(4.0)
    assert (np.expm1(curve.bends[curve.is_seen]) < 4.0).all()
    basis = curve.basis(np.array([0.0, 4.0, 9.0]))
    np.testing.assert_array_equal(basis[:2, 2:][:, ~curve.is_seen], 0.0)
    assert basis[2, 2:][~curve.is_seen][0] == pytest.approx(np.log(10.0 / 5.0))


@pytest.mark.parametrize("failures", [1, 0])
def test_with_one_failure_there_is_a_model_and_with_none_there_is_none(failures):
    fleet = invent(400, 4, seed=24)
    is_failure = fleet.calls["finding"] == "compressor_burnout"
    fleet.calls = pl.concat([fleet.calls.filter(~is_failure), fleet.calls.filter(is_failure).head(failures)])
    con = store_of(fleet)
    cells.make_cells(con, house_rules(), LAST_DAY)
    model = fitted(con)
    if not failures:
        assert model is None
        return
    table, total = tables_of(con, model, house_rules())
    assert np.isfinite(table.select("probability", "low", "high").to_numpy()).all()
    # so few failures leave nearly everything open
    assert (table["high"] / table["low"]).median() > 8
    assert total.height > 0
