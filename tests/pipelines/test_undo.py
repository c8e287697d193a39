"""Taking a load back: nothing of it stays, nothing else goes."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.errors import InputError
from tests.pipelines.loaded_files import Fleet

HEAD = "job_id,system_id,line_set_ft\n"
JOBS_NOW = "select job_id, line_set_ft from staged_job where job_id like 'K%' order by 1"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path).with_jobs()


def load(fleet: Fleet, number: int, rows: str) -> str:
    return fleet.load(fleet.write(f"jobs_{number}.csv", HEAD + rows)).load_id


def test_the_earlier_version_stands_again(fleet):
    load(fleet, 1, "K1,S1,10\n")
    second = load(fleet, 2, "K1,S1,11\nK2,S1,20\n")
    text = fleet.undo(second).render()
    assert "jobs: 2 removed, 1 earlier rows stand again" in text
    assert fleet.ask(JOBS_NOW) == [("K1", 10.0)]
    assert fleet.ask("select load_id, source_file, source_line from staged_job where job_id = 'K1'") == [
        ("L0002", "jobs_1.csv", 2)
    ]
    assert fleet.ask("select * from row_history") == []


def test_a_row_that_a_later_load_brought_unchanged_stays(fleet):
    first = load(fleet, 1, "K1,S1,10\nK2,S1,20\n")
    third = load(fleet, 2, "K1,S1,10\n")
    fleet.undo(first)
    assert fleet.ask("select job_id, load_id from staged_job where job_id like 'K%'") == [("K1", third)]
    fleet.undo(third)
    assert fleet.ask(JOBS_NOW) == []


def test_undoing_the_middle_of_three_keeps_the_last_and_relinks_the_first(fleet):
    load(fleet, 1, "K1,S1,10\n")
    second = load(fleet, 2, "K1,S1,11\n")
    third = load(fleet, 3, "K1,S1,12\n")
    fleet.undo(second)
    assert fleet.ask(JOBS_NOW) == [("K1", 12.0)]
    assert fleet.ask("select load_id, superseded_by from row_history") == [("L0002", third)]
    fleet.undo(third)
    assert fleet.ask(JOBS_NOW) == [("K1", 10.0)]


def test_what_belonged_to_a_vanished_job_goes_to_rejected_row(fleet):
    first = load(fleet, 1, "K1,S1,10\n")
    fleet.load(
        fleet.write(
            "readings.csv",
            "job_id,step,quantity,value,unit\nK1,evacuation,vacuum,400,micron\nJ1,evacuation,vacuum,300,micron\n",
        )
    )
    fleet.load(
        fleet.write(
            "traces.csv", "job_id,quantity,unit,elapsed_s,value\nK1,vacuum,micron,0,400\nJ1,vacuum,micron,0,300\n"
        )
    )
    fleet.undo(first)
    assert fleet.ask("select job_id, value from staged_reading") == [("J1", 300.0)]
    assert fleet.ask("select job_id, value from staged_trace") == [("J1", 300.0)]
    assert fleet.ask("select table_name, value from rejected_row order by 1") == [("readings", "K1"), ("traces", "K1")]
    assert fleet.ask("select count(*) from step_grade where job_id = 'K1'") == [(0,)]


def test_gauge_logs_go_back_too(fleet):
    head = "job_id,quantity,unit,elapsed_s,value\n"
    fleet.load(fleet.write("traces.csv", head + "J1,vacuum,micron,0,400\nJ1,vacuum,micron,10,410\n"))
    second = fleet.load(fleet.write("traces_2.csv", head + "J1,vacuum,micron,10,999\nJ2,vacuum,micron,0,300\n")).load_id
    fleet.undo(second)
    assert fleet.ask("select job_id, elapsed_s, value from staged_trace order by 2") == [
        ("J1", 0.0, 400.0),
        ("J1", 10.0, 410.0),
    ]


def test_a_load_is_taken_back_once_and_must_exist(fleet):
    first = load(fleet, 1, "K1,S1,10\n")
    fleet.undo(first)
    assert fleet.ask(f"select undone_at is not null from load_run where load_id = '{first}'") == [(True,)]
    with pytest.raises(InputError, match="taken back already"):
        fleet.undo(first)
    with pytest.raises(InputError, match=r"no such load.*L0001"):
        fleet.undo("L0099")


def test_a_load_after_an_undo_gets_a_number_of_its_own(fleet):
    first = load(fleet, 1, "K1,S1,10\n")
    fleet.undo(first)
    assert load(fleet, 1, "K1,S1,10\n") == "L0003"
    assert fleet.ask(JOBS_NOW) == [("K1", 10.0)]


KEYS = ("K1", "K2", "K3")
LOADS = st.lists(st.dictionaries(st.sampled_from(KEYS), st.integers(1, 3), min_size=1), min_size=2, max_size=4)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(loads=LOADS, data=st.data())
def test_taking_loads_back_in_any_order_leaves_what_the_others_brought(tmp_path_factory, loads, data):
    fleet = Fleet(tmp_path_factory.mktemp("undo")).with_jobs()
    names = [
        load(fleet, n, "".join(f"{key},S1,{value}\n" for key, value in rows.items())) for n, rows in enumerate(loads)
    ]
    standing = dict(zip(names, loads, strict=True))
    for name in data.draw(st.permutations(names))[:2]:
        fleet.undo(name)
        del standing[name]
        expected: dict[str, int] = {}
        for rows in standing.values():
            expected |= rows
        assert fleet.ask(JOBS_NOW) == [(key, float(value)) for key, value in sorted(expected.items())]
