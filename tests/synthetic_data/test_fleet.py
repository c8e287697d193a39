"""synthetic_data/fleet.py: reproducible, inside the contract, full of what real records are full of."""

import re
import time
from datetime import date

import polars as pl
import pytest

from pipelines.contract import TABLE_BY_NAME
from pipelines.grades import grade
from pipelines.house_rules import HouseRules
from synthetic_data import scenario
from synthetic_data.fleet import make_fleet
from tests.synthetic_data.staged_fleet import staged

AS_OF = date(2026, 3, 31)


def test_the_same_arguments_give_the_same_fleet_and_another_seed_another():
    first, again, other = (make_fleet(300, seed=seed, as_of=AS_OF) for seed in (7, 7, 8))
    for name, frame in first.tables().items():
        assert frame.equals(again.tables()[name]), name
    assert first.truth.states.equals(again.truth.states)
    assert first.truth.systems.equals(again.truth.systems)
    assert not first.readings.equals(other.readings)


def test_tables_have_the_contracts_columns_codes_and_ranges(small_fleet):
    for name, frame in small_fleet.tables().items():
        table = TABLE_BY_NAME[name]
        assert tuple(frame.columns) == table.column_names, name
        for column in table.columns:
            values = frame[column.name].drop_nulls()
            if column.codes and column.name != "unit":
                assert set(values) <= set(column.codes), f"{name}.{column.name}"
            if column.at_least is not None and column.kind in ("number", "integer"):
                assert values.min() >= column.at_least, f"{name}.{column.name}"
            if column.at_most is not None and column.kind in ("number", "integer"):
                assert values.max() <= column.at_most, f"{name}.{column.name}"


@pytest.mark.parametrize(
    "name", ["technicians", "sites", "systems", "jobs", "steps", "calls", "instruments", "training", "blower_table"]
)
def test_keys_are_there_and_said_once(small_fleet, name):
    frame, key = small_fleet.tables()[name], list(TABLE_BY_NAME[name].key)
    assert frame.select(key).null_count().sum_horizontal().item() == 0
    assert frame.select(key).is_duplicated().sum() == 0


def test_every_parent_that_is_named_is_there(small_fleet):
    tables = small_fleet.tables()
    for name, frame in tables.items():
        for column in TABLE_BY_NAME[name].columns:
            if column.refers_to:
                known = tables[column.refers_to][column.name]
                missing = set(frame[column.name].drop_nulls()) - set(known)
                assert missing == set(), f"{name}.{column.name}"


def test_nothing_lies_after_the_last_day_or_before_the_system_was_put_in(usual_fleet):
    for name, frame in usual_fleet.tables().items():
        for column in frame.columns:
            if frame[column].dtype == pl.Date and column not in ("warranty_until", "due_on"):
                latest = frame[column].max()
                assert latest is None or latest <= AS_OF, f"{name}.{column}"
    first = usual_fleet.jobs.group_by("system_id").agg(pl.col("finished_on").min())
    calls = usual_fleet.calls.join(first, on="system_id")
    assert (calls["opened_on"] > calls["finished_on"]).all()
    ends = usual_fleet.calls.join(usual_fleet.systems, on="system_id").filter(pl.col("retired_on").is_not_null())
    assert (ends["opened_on"] <= ends["retired_on"]).all()


def test_no_call_comes_after_the_last_contact_that_the_record_names(usual_fleet):
    calls = usual_fleet.calls.join(usual_fleet.systems, on="system_id").filter(pl.col("last_contact_on").is_not_null())
    assert (calls["opened_on"] <= calls["last_contact_on"]).all()


def test_a_right_grade_gives_every_state_that_was_meant(usual_fleet):
    con = staged(usual_fleet)
    grade(con, HouseRules())
    given = con.sql("select job_id, step::varchar as step, state::varchar as given from step_grade").pl()
    meant = usual_fleet.truth.states.select("job_id", pl.col("step").cast(pl.String), pl.col("state").cast(pl.String))
    both = meant.join(given, on=["job_id", "step"], how="full", coalesce=True)
    assert both.height == meant.height
    other = both.filter(pl.col("state").ne_missing(pl.col("given")))
    assert other.rows() == []


def test_passed_steps_were_good_and_known_others_were_not(usual_fleet):
    states = usual_fleet.truth.states
    assert states.filter(pl.col("state") == "passed")["good"].all()
    assert not states.filter(pl.col("state").is_in(["failed", "ticked_only", "not_done"]))["good"].any()


def test_the_records_hold_what_real_records_hold(usual_fleet):
    fleet = usual_fleet
    kinds = dict(fleet.jobs["job_kind"].value_counts().iter_rows())
    assert all(kinds.get(kind, 0) > 20 for kind in ("compressor_changeout", "coil_changeout", "circuit_repair"))
    assert fleet.jobs.filter(pl.col("installed_by") == "someone_else")["technician_id"].null_count() == 240
    assert 150 < fleet.calls.filter(pl.col("call_kind") == "proactive").height < 600
    assert 0.08 < fleet.systems["last_contact_on"].null_count() / fleet.systems.height < 0.25
    assert set(fleet.systems["retired_because"].drop_nulls()) == {"compressor", "upgrade", "moved", "other"}
    assert fleet.technicians["left_on"].null_count() < fleet.technicians.height
    assert fleet.steps["technician_id"].null_count() < fleet.steps.height  # helpers did some steps
    states = dict(fleet.truth.states.group_by("state").len().with_columns(pl.col("state").cast(pl.String)).iter_rows())
    assert min(states.values()) > 500
    assert len(states) == 7
    cold = fleet.readings.filter(pl.col("quantity") == "outdoor_dry_bulb").select(pl.col("value").cast(pl.Float64) < 55)
    assert cold.to_series().sum() > 300


def test_the_stories_can_be_found(usual_fleet):
    fleet, story = usual_fleet, usual_fleet.truth.story
    jobs = fleet.jobs.join(fleet.technicians, on="technician_id", suffix="_own")
    states = fleet.truth.states.with_columns(pl.col("step", "state").cast(pl.String)).join(jobs, on="job_id")

    def share(condition, step, state):
        part = states.filter(condition & (pl.col("step") == step) & pl.col("belongs"))
        return (part["state"] == state).mean()

    gauge = pl.col("crew") == story["crew_without_micron_gauge"]
    assert share(gauge, "evacuation", "ticked_only") > 0.7
    assert share(~gauge, "evacuation", "ticked_only") < 0.2
    paper = pl.col("form") == scenario.FORM_PAPER
    assert states.filter(paper)["branch_own"].unique().to_list() == [story["branch_with_old_form"]]
    assert share(paper, "vacuum_rise", "no_record") == 1.0
    assert share(~paper, "vacuum_rise", "no_record") < 0.1
    out = pl.col("technician_id") == story["airflow_out"]
    assert share(out, "airflow", "passed") < share(~out, "airflow", "passed") - 0.25


def test_the_nitrogen_course_worked_and_the_electrical_one_changed_nothing():
    fleet = make_fleet(40_000, seed=5, as_of=AS_OF)
    states = fleet.truth.states.filter("belongs").with_columns(pl.col("step").cast(pl.String))
    done = states.join(fleet.jobs.select("job_id", "finished_on"), on="job_id")
    for course, step, low, high in (
        ("Nitrogen while brazing", "nitrogen_flow", 0.15, 0.4),
        ("Electrical refresher", "electrical", -0.03, 0.03),
    ):
        held = fleet.training.filter(pl.col("course") == course).select("held_on", doer_id="technician_id")
        told = done.filter(pl.col("step") == step).join(held, on="doer_id")
        rate = told.group_by(pl.col("finished_on") >= pl.col("held_on")).agg(pl.col("good").mean()).sort("finished_on")
        before, after = rate["good"]
        assert low < after - before < high, course


def test_people_bear_handles_of_a_colour_and_an_animal_and_models_bear_demo_codes(usual_fleet):
    handle = re.compile(rf"^({'|'.join(scenario.COLOURS)}) ({'|'.join(scenario.ANIMALS)})( \d+)?$")
    assert [name for name in usual_fleet.technicians["name"] if not handle.match(name)] == []
    assert [
        model for model in usual_fleet.systems["model"].drop_nulls().unique() if not model.startswith("DEMO-")
    ] == []
    assert all(number.startswith("555-01") for number in usual_fleet.sites["phone"])


def test_sites_lie_in_open_ocean(usual_fleet):
    # 30 to 50 degrees west at 38 to 40 north: the middle of the North Atlantic, between the Azores and Newfoundland
    sites = usual_fleet.sites.drop_nulls("latitude")
    assert sites["latitude"].is_between(38, 40.5).all()
    assert sites["longitude"].is_between(-42.5, -39).all()


def test_eight_thousand_installs_take_no_more_than_three_seconds():
    begin = time.perf_counter()
    make_fleet(8000, seed=1, as_of=AS_OF)
    assert time.perf_counter() - begin < 3


def test_a_world_that_is_not_known_is_said():
    with pytest.raises(ValueError, match="No invented world is called 'other'"):
        make_fleet(100, world="other")
