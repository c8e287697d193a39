"""The messy exports through the real loader: nothing lost, nothing guessed, the states that were meant."""

import polars as pl
import pytest

from pipelines.house_rules import HouseRules
from pipelines.loading import load
from pipelines.mapping import read_mapping
from pipelines.store import Store
from synthetic_data.messy import write_messy
from tests.synthetic_data import mapping_text


@pytest.mark.parametrize("style", ["wide", "workbook", "forms"])
def test_a_messy_export_loads_whole_and_grades_as_it_was_meant(small_fleet, tmp_path, style):
    files = tmp_path / "files"
    expected = write_messy(small_fleet, files, style)
    (files / "expected.json").unlink()
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        mapping_text.wide() if style == "wide" else getattr(mapping_text, style)(expected), encoding="utf-8"
    )
    store = Store(tmp_path / "store")
    report = load(store, [files], read_mapping(mapping), HouseRules())
    assert not report.failed
    con = store.read()
    counts = {
        name: con.sql(f"select count(*) from staged_{name}").fetchall()[0][0]
        for name in ("job", "system", "call", "technician")
    }
    assert counts == {
        "job": expected.jobs, "system": expected.systems, "call": expected.calls, "technician": 0 if style == "forms" else small_fleet.technicians.height,
    }  # fmt: skip
    states = con.sql("select step::varchar, state::varchar, count(*) from step_grade group by all").fetchall()
    told: dict[str, dict[str, int]] = {}
    for step, state, count in states:
        told.setdefault(step, {})[state] = count
    assert told == expected.states
    # all that was left out is what nobody could read
    assert con.sql("select count(*) from rejected_row").fetchall() == [(expected.unreadable,)]
    spent = con.sql("select sum(cost) from staged_call").fetchall()[0][0]
    assert spent == pytest.approx(small_fleet.calls["cost"].sum(), abs=0.01)
    if style == "forms":
        assert con.sql("select count(distinct job_id) from staged_trace").fetchall() == [(expected.gauge_logs,)]
        length = small_fleet.traces.filter(pl.col("step") == "vacuum_rise").height
        assert con.sql("select count(*) from staged_trace").fetchall() == [(length,)]


def test_house_rules_are_the_usual_profile_that_the_states_were_meant_for():
    assert HouseRules().profile == "usual"
