"""Three contractors' whole exports go in through their mappings and give exactly what is expected of them.

The fleets are invented; they are written as exports really look. `expected.json` beside each holds the number of jobs,
systems, calls and compressor failures, and the states that the `usual` limits must give.
"""

import gzip
import json
import shutil
from pathlib import Path

import pytest

from pipelines import loading
from pipelines.contract import STEPS
from pipelines.house_rules import HouseRules
from pipelines.mapping import read_mapping
from pipelines.store import Store

TESTS = Path(__file__).parents[1]
CONTRACTORS = ("contractor_a", "contractor_b", "contractor_c")


def _laid_out(contractor, tmp_path):
    folder = tmp_path / contractor
    shutil.copytree(TESTS / "samples" / contractor, folder)
    for packed in folder.rglob("*.gz"):
        packed.with_suffix("").write_bytes(gzip.decompress(packed.read_bytes()))
        packed.unlink()
    expected = json.loads((folder / "expected.json").read_text())
    (folder / "expected.json").unlink()
    return folder, expected


def _load(store, folder, contractor):
    mapping = read_mapping(TESTS / "mappings" / f"{contractor}.toml")
    return loading.load(store, [folder], mapping, HouseRules(), say=lambda words: None)


@pytest.fixture(scope="module", params=CONTRACTORS)
def loaded(request, tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp(request.param)
    folder, expected = _laid_out(request.param, tmp_path)
    store = Store(tmp_path / "fleet")
    _load(store, folder, request.param)
    return store, folder, expected, request.param


def _count(con, sql):
    return con.cursor().execute(sql).fetchone()[0]


def test_counts_are_exactly_as_expected(loaded):
    store, _, expected, _ = loaded
    con = store.read()
    assert _count(con, "select count(*) from staged_job") == expected["jobs"]
    assert _count(con, "select count(*) from staged_system") == expected["systems"]
    assert _count(con, "select count(*) from staged_call") == expected["calls"]
    # a failure is the first call with a compressor finding, or retirement because of the compressor
    failed = """
        select count(*) from (
            select system_id from staged_call where finding in ('compressor_burnout', 'compressor_mechanical')
            union select system_id from staged_system where retired_because = 'compressor')"""
    assert _count(con, failed) == expected["compressor_failures"]


@pytest.mark.parametrize("step", STEPS)
def test_step_states_are_exactly_as_expected(loaded, step):
    store, _, expected, _ = loaded
    rows = (
        store.read()
        .cursor()
        .execute("select state, count(*) from step_grade where step = $step group by state", {"step": step})
    )
    assert dict(rows.fetchall()) == expected["states"][step]


def test_every_row_read_is_accounted_for(loaded):
    con = loaded[0].read()
    wrong = """
        select count(*) from load_run
        where rows_read != rows_new + rows_changed + rows_unchanged + rows_rejected + rows_passed_over"""
    assert _count(con, wrong) == 0
    assert _count(con, "select sum(rows_rejected) from load_run") == 0


def test_loading_the_same_files_again_changes_nothing(loaded):
    store, folder, _, contractor = loaded
    grades = "select sum(hash(job_id, step, state, measured)), count(*) from step_grade"
    before = store.read().cursor().execute(grades).fetchone()
    _load(store, folder, contractor)
    con = store.read()
    assert con.cursor().execute(grades).fetchone() == before
    again = "select sum(rows_new) + sum(rows_changed) from load_run where load_id = (select max(load_id) from load_run)"
    assert _count(con, again) == 0
