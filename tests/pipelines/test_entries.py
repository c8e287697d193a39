"""What people enter is only ever added to, is checked before it counts, and shows if somebody changed it."""

import sqlite3

import duckdb
import pytest

from pipelines.entries import Entries, join_into
from pipelines.errors import InputError


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
