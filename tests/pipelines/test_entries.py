"""What people enter is only ever added to, is checked before it counts, and shows if somebody changed it."""

import sqlite3

import duckdb
import pytest

from pipelines import visit_entries
from pipelines.entries import Entries, join_into
from pipelines.errors import InputError
from pipelines.visit_entries import KeptPlan, Outcome, plan_id_of


@pytest.fixture
def entries(tmp_path):
    return Entries(tmp_path / "entries.sqlite")


def test_without_entries_the_defaults_hold_and_no_file_is_made(entries):
    rules = entries.house_rules()
    assert (rules.profile, rules.heard_back_months, rules.negative_control) == ("usual", 12, "thermostat")
    assert not entries.file.exists()


def test_the_last_value_entered_holds_and_none_goes_back_to_the_default(entries):
    entries.change_setting("visit_cost", 90.0, "the manager")
    entries.change_setting("visit_cost", 120.0, "the manager")
    assert entries.house_rules().visit_cost == 120
    entries.change_setting("visit_cost", None)
    assert entries.house_rules().visit_cost == 150
    assert len(entries.all("setting")) == 3


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("altitude_ft", 90000, "altitude_ft"),
        ("heard_back_months", -3, "heard_back_months"),
        ("target", {"brazing": 0.9}, "brazing is no step"),
        ("negative_control", "drain", "airflow and charge can cause it"),
        ("colour", "red", "colour is no setting"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_with_its_name_and_nothing_is_entered(entries, name, value, said):
    with pytest.raises(InputError, match=said):
        entries.change_setting(name, value)
    assert entries.all() == []


def test_a_dispute_is_open_until_it_is_settled_and_may_be_raised_again(entries):
    entries.dispute("J1", "evacuation", "the gauge was read at the wrong port")
    entries.dispute("J2", "charge", "other scale")
    entries.settle("J1", "evacuation", "measured again: 410 micron")
    assert entries.open_disputes() == [("J2", "charge")]
    entries.dispute("J1", "evacuation", "not the same unit")
    assert set(entries.open_disputes()) == {("J1", "evacuation"), ("J2", "charge")}


def test_a_changed_entry_breaks_the_chain_at_its_place(entries):
    for cost in (80.0, 90.0, 100.0):
        entries.change_setting("visit_cost", cost)
    assert entries.broken_at() is None
    con = sqlite3.connect(entries.file)
    con.execute("update entry set content = '70.0' where entry_no = 2")
    con.commit()
    con.close()
    assert entries.broken_at() == 2


def test_settings_reach_a_generation_with_guesses_marked(entries):
    entries.change_setting("visit_cost", 90.0)
    con = duckdb.connect()
    join_into(con, entries, entries.house_rules())
    rows = dict(con.execute("select name, is_guess from house_rule").fetchall())
    assert (rows["visit_cost"], rows["callback_cost"], rows["mendable_share.charge"]) == (False, True, True)
    assert con.execute("select value from house_rule where name = 'visit_cost'").fetchone() == ("90.0",)


# --- plans of visits and what came of them


def _plan(seed=3, day="2026-04-06"):
    visits = [
        {"day": day, "slot": 1, "system_id": "S1", "chosen_by": "rank", "chance": 1.0, "rank_then": 1,
         "probability_then": 0.2, "reasons_then": "evacuation, charge", "saving_then": 190.0, "is_unsafe": False},
        {"day": day, "slot": 2, "system_id": "S9", "chosen_by": "lot", "chance": 0.5, "rank_then": 9,
         "probability_then": 0.05, "reasons_then": "airflow", "saving_then": 60.0, "is_unsafe": False},
    ]  # fmt: skip
    pool = [
        {"system_id": "S9", "was_drawn": True, "chance": 0.5, "probability_then": 0.05},
        {"system_id": "S8", "was_drawn": False, "chance": 0.5, "probability_then": 0.06},
    ]
    wishes = {"slots_a_day": 2, "days": [day], "areas": []}
    return KeptPlan(plan_id_of("2026-04-01", seed, wishes, visits), "2026-04-01", seed, wishes, visits, pool)


def _rows(entries, table):
    con = duckdb.connect()
    join_into(con, entries, entries.house_rules())
    return con.sql(f"from {table}").pl()


def test_a_kept_plan_its_pool_and_its_chances_become_tables(entries):
    plan = visit_entries.keep(entries, _plan(), "the manager")
    assert _rows(entries, "visit_plan").select("plan_id", "slot", "system_id", "chosen_by", "chance").rows() == [
        (plan.plan_id, 1, "S1", "rank", 1.0),
        (plan.plan_id, 2, "S9", "lot", 0.5),
    ]
    assert _rows(entries, "visit_pool").select("system_id", "was_drawn", "chance").rows() == [
        ("S9", True, 0.5),
        ("S8", False, 0.5),
    ]
    (kept,) = _rows(entries, "visit_plan_kept").rows(named=True)
    assert (kept["visits"], kept["by_lot"], kept["pool"], kept["seed"], kept["kept_by"]) == (2, 1, 2, 3, "the manager")
    assert kept["withdrawn_on"] is None


def test_the_same_plan_kept_twice_is_kept_once(entries):
    visit_entries.keep(entries, _plan())
    visit_entries.keep(entries, _plan())
    assert len(entries.all("visit_plan")) == 1
    visit_entries.keep(entries, _plan(seed=4))
    assert len(visit_entries.plans(entries)) == 2


def test_a_withdrawn_plan_stays_and_is_marked(entries):
    plan = visit_entries.keep(entries, _plan())
    visit_entries.withdraw(entries, plan.plan_id, "2026-04-03", "snow")
    assert str(_rows(entries, "visit_plan")["withdrawn_on"][0]) == "2026-04-03"
    assert _rows(entries, "visit_plan_kept")["withdrawn_why"].to_list() == ["snow"]
    with pytest.raises(InputError, match="no kept plan V0"):
        visit_entries.withdraw(entries, "V0", "2026-04-03")


def test_of_a_system_in_a_plan_the_last_outcome_holds_and_carries_how_it_was_chosen(entries):
    plan = visit_entries.keep(entries, _plan())
    visit_entries.add_outcome(entries, Outcome(plan.plan_id, "S9", "no_answer"))
    visit_entries.add_outcome(
        entries,
        Outcome(plan.plan_id, "S9", "visited", "2026-04-06", "low_airflow", True, "yes", 120.0, "filter, belt"),
        "the manager",
    )
    (row,) = _rows(entries, "visit_outcome").rows(named=True)
    assert (row["state"], row["finding"], row["put_right"], row["cost"]) == ("visited", "low_airflow", True, 120.0)
    assert (row["chosen_by"], row["chance"], row["rank_then"], row["reasons_then"]) == ("lot", 0.5, 9, "airflow")
    assert len(entries.all("visit_outcome")) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"system_id": "S8"}, "S8 is not in plan"),
        ({"plan_id": "V1"}, "no kept plan V1"),
        ({"state": "went"}, "state 'went' is not known"),
        ({"visited_on": None}, "needs its day"),
        ({"visited_on": "6 April"}, "is no date"),
        ({"finding": "gremlins"}, "finding 'gremlins'"),
        ({"reason_confirmed": "maybe"}, "reason confirmed 'maybe'"),
        ({"cost": -1.0}, "0 or more"),
        ({"cost": float("nan")}, "0 or more"),
    ],
)
def test_an_outcome_that_cannot_be_is_refused_and_not_entered(entries, change, said):
    plan = visit_entries.keep(entries, _plan())
    whole = {"plan_id": plan.plan_id, "system_id": "S9", "state": "visited", "visited_on": "2026-04-06"}
    with pytest.raises(InputError, match=said):
        visit_entries.add_outcome(entries, Outcome(**{**whole, **change}))
    assert entries.all("visit_outcome") == []


def test_without_plans_the_tables_are_there_and_empty(entries):
    assert {name: _rows(entries, name).height for name in visit_entries.TABLES} == dict.fromkeys(
        visit_entries.TABLES, 0
    )


def test_a_plan_without_visits_is_not_kept(entries):
    empty = KeptPlan("V1", "2026-04-01", 1, {}, [], [])
    with pytest.raises(InputError, match="no visit"):
        visit_entries.keep(entries, empty)
    assert entries.all() == []
