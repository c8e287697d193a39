"""A store is changed on a private copy and published whole, or not at all."""

import json
import subprocess
import sys
import threading
from pathlib import Path

import duckdb
import pytest

from pipelines.errors import InputError, StoreBusyError, StoreMissingError
from pipelines.store import GENERATIONS_KEPT, STORE_VERSION, Reader, Store

ROOT = Path(__file__).parents[2]


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "fleet")


def _publish_number(store, number):
    with store.write("load") as con:
        con.execute("create or replace table number_of_today as select $number as number", {"number": number})


def _number(store):
    return store.read().cursor().execute("select number from number_of_today").fetchone()[0]


def test_reading_a_store_that_is_not_there_says_how_to_make_one(store):
    with pytest.raises(StoreMissingError, match="slowfuse load"):
        store.read()
    assert not store.folder.exists()


def test_a_new_store_begins_with_every_staged_table_empty(store):
    with store.write("load"):
        pass
    con = store.read().cursor()
    assert con.execute("select count(*) from staged_reading").fetchone() == (0,)
    assert con.execute("select count(*) from staged_trace").fetchone() == (0,)


def test_what_is_written_is_seen_only_after_the_block_ends(store):
    _publish_number(store, 1)
    with store.write("load") as con:
        con.execute("update number_of_today set number = 2")
        assert _number(store) == 1
    assert _number(store) == 2


def test_an_error_leaves_the_last_good_generation_and_no_file(store):
    _publish_number(store, 1)
    before = sorted(path.name for path in store.folder.iterdir())
    with pytest.raises(duckdb.ConversionException), store.write("load") as con:
        con.execute("update number_of_today set number = cast('1O2' as integer)")
    assert _number(store) == 1
    assert sorted(path.name for path in store.folder.iterdir()) == sorted([*before, "failed-load.json"])


def test_what_failed_is_kept_until_the_next_of_its_kind_ends_well(store):
    _publish_number(store, 1)
    assert store.failures() == []
    with pytest.raises(InputError), store.write("load"):
        raise InputError("jobs.csv, line 7: no such job")
    with pytest.raises(KeyboardInterrupt), store.write("fit"):
        raise KeyboardInterrupt
    said = {failure.reason: failure for failure in Store(store.folder).failures()}
    assert said["load"].message == "jobs.csv, line 7: no such job"
    assert not said["load"].was_killed
    assert said["fit"].message == "It was stopped by hand."
    # a load that ends well says nothing of the fit
    _publish_number(store, 2)
    assert [failure.reason for failure in store.failures()] == ["fit"]
    store.put_failure_away("fit")
    assert store.failures() == []


def test_a_trial_that_fails_is_nobody_elses_business(store):
    _publish_number(store, 1)
    with pytest.raises(InputError), store.write("load", publish=False):
        raise InputError("jobs.csv cannot be read")
    assert store.failures() == []


def test_a_killed_fit_is_told_though_it_could_say_nothing(store):
    _publish_number(store, 1)
    code = (
        "import os, signal, sys; from pipelines.store import Store\n"
        "with Store(sys.argv[1]).write('fit'): os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code, str(store.folder)], cwd=ROOT, check=False)
    (failure,) = store.failures()
    assert (failure.reason, failure.was_killed) == ("fit", True)
    # a load that begins afterwards writes its own note over the dead one's: what died is still told
    _publish_number(store, 2)
    (failure,) = store.failures()
    assert (failure.reason, failure.was_killed) == ("fit", True)
    with store.write("fit"):
        pass
    assert store.failures() == []


def test_a_dry_run_changes_nothing(store):
    _publish_number(store, 1)
    with store.write("load", publish=False) as con:
        con.execute("update number_of_today set number = 2")
    assert _number(store) == 1
    assert store.pointer().generation == 1


def test_a_second_writer_is_refused_with_words(store):
    with store.write("load"), pytest.raises(StoreBusyError, match="another load or fit"), store.write("fit"):
        pass


def test_a_second_thread_is_refused_too(store):
    refused = []

    def second():
        try:
            with store.write("fit"):
                pass
        except StoreBusyError:
            refused.append(True)

    with store.write("load"):
        thread = threading.Thread(target=second)
        thread.start()
        thread.join()
    assert refused == [True]


def test_old_generations_are_removed_after_three(store):
    for number in range(6):
        _publish_number(store, number)
    assert len(list(store.folder.glob("fleet-*.duckdb"))) == GENERATIONS_KEPT
    assert _number(store) == 5


def test_a_reader_sees_the_next_generation_only_when_it_asks_again(store):
    _publish_number(store, 1)
    reader = Reader(store)
    pointer, con = reader.connection()
    _publish_number(store, 2)
    assert con.cursor().execute("select number from number_of_today").fetchone() == (1,)
    later, con = reader.connection()
    assert (pointer.generation, later.generation) == (1, 2)
    assert con.cursor().execute("select number from number_of_today").fetchone() == (2,)


def test_a_reader_can_reach_nothing_else_on_the_machine(store, tmp_path):
    _publish_number(store, 1)
    other = tmp_path / "payroll.csv"
    other.write_text("name,pay\nA,1\n")
    con = store.read().cursor()
    with pytest.raises(duckdb.Error):
        con.execute(f"select * from read_csv('{other}')")
    with pytest.raises(duckdb.Error):
        con.execute("set enable_external_access = true")
    with pytest.raises(duckdb.Error):
        con.execute("create table generation.main.mine as select 1 as a")


def test_gauge_logs_stay_readable_after_the_folder_has_moved(store, tmp_path):
    with store.write("load") as con:
        part = store.next_part_file(con)
        con.execute(f"copy (select * from staged_trace union all by name select 'J1' as job_id) to '{part}'")
        con.execute("insert into gauge_log_part (part_file, load_id, rows, jobs) values ($part, 'L0001', 1, 1)",
                    {"part": part.name})  # fmt: skip
        store.refresh_trace_view(con)
    moved = store.folder.rename(tmp_path / "elsewhere")
    con = Store(moved).read().cursor()
    assert con.execute("select job_id from staged_trace").fetchall() == [("J1",)]


def test_a_lost_gauge_log_is_named(store):
    with store.write("load") as con:
        con.execute(
            "insert into gauge_log_part (part_file, load_id, rows, jobs) values ('part-000001-1.parquet', 'L0001', 1, 1)"
        )
        store.gauge_log_folder.joinpath("part-000001-1.parquet").write_bytes(b"")
    store.gauge_log_folder.joinpath("part-000001-1.parquet").unlink()
    with pytest.raises(InputError, match=r"part-000001-1\.parquet"):
        store.read()


def test_a_newer_store_is_refused_with_words(store):
    _publish_number(store, 1)
    pointer = store.folder / "current.json"
    text = json.loads(pointer.read_text())
    pointer.write_text(json.dumps({**text, "store_version": STORE_VERSION + 1}))
    with pytest.raises(InputError, match="newer slowfuse"):
        store.read()


def test_a_pointer_that_cannot_be_read_is_said(store):
    _publish_number(store, 1)
    (store.folder / "current.json").write_text('{"generation": 1')
    with pytest.raises(InputError, match="pointer"):
        store.read()


WRITE_AND_WAIT = """
import sys, time
from pipelines.store import Store
with Store(sys.argv[1]).write("load") as con:
    con.execute("create table half_done as select 1 as a")
    print("begun", flush=True)
    time.sleep(60)
"""


def test_what_a_killed_writer_leaves_is_cleared_by_the_next(store):
    _publish_number(store, 1)
    process = subprocess.Popen(
        [sys.executable, "-c", WRITE_AND_WAIT, str(store.folder)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "begun\n"
    assert store.running().is_alive
    process.kill()
    process.wait()
    process.stdout.close()
    assert not store.running().is_alive
    assert _number(store) == 1
    _publish_number(store, 2)
    assert _number(store) == 2
    assert store.running() is None
    assert sorted(path.name for path in store.folder.glob("fleet-*")) == ["fleet-000001.duckdb", "fleet-000002.duckdb"]
