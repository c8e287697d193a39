"""The command as a person runs it: what it prints, where, and with which exit code."""

import csv
import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from synthetic_data import fleet, write

ROOT = Path(__file__).parents[2]


def run(*words, cwd=ROOT):
    return subprocess.run(
        [sys.executable, "-m", "dashboard.command_line", *map(str, words)],
        cwd=cwd, capture_output=True, text=True, check=False, env=_environment(),
    )  # fmt: skip


def _environment():
    import os

    return {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "200"}


@pytest.fixture(scope="module")
def demo_store(tmp_path_factory):
    store = tmp_path_factory.mktemp("demo") / "fleet"
    done = run("demo", "--installs", 400, "--no-dashboard", "--store", store)
    assert done.returncode == 0, done.stderr
    return store, done


@pytest.fixture
def exports(tmp_path):
    folder = tmp_path / "exports"
    write.write_contract(fleet.make_fleet(installs=120, seed=4, as_of=date(2026, 3, 31)), folder)
    return folder


def test_the_demo_loads_grades_and_fits_what_it_invented(demo_store):
    store, done = demo_store
    assert "read" in done.stdout
    assert "passed over" in done.stdout
    assert "Fitting: done" in done.stderr
    assert run("check", "--store", store).returncode == 0


def test_the_demo_may_replace_a_demo_but_never_records_of_ones_own(exports, tmp_path):
    again = run("demo", "--installs", 60, "--no-dashboard", "--store", tmp_path / "other")
    assert again.returncode == 0
    assert run("demo", "--installs", 50, "--no-dashboard", "--store", tmp_path / "other").returncode == 0
    own = tmp_path / "own"
    assert run("load", exports, "--no-fit", "--store", own).returncode == 0
    refused = run("demo", "--no-dashboard", "--store", own)
    assert refused.returncode == 1
    assert "holds records that no demo made" in refused.stderr
    assert "Traceback" not in refused.stderr


@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet", "jsonl"])
def test_every_listed_table_can_be_written_and_its_rows_are_counted(demo_store, tmp_path, ending):
    store, _ = demo_store
    from pipelines.export import table_names

    for table in table_names():
        file = tmp_path / f"{table}.{ending}"
        done = (
            run("export", table, "--to", file, "--store", store)
            if table == "step_grade"
            else _export(store, table, file)
        )
        assert file.exists(), done
    grades = tmp_path / f"step_grade.{ending}"
    assert grades.stat().st_size > 1000


def _export(store, table, file):
    from pipelines import export
    from pipelines.store import Store

    return export.export(Store(store).read(), table, file)


def test_where_narrows_and_the_count_is_said(demo_store, tmp_path):
    store, _ = demo_store
    file = tmp_path / "failed.csv"
    done = run(
        "export", "step_grade", "--to", file, "--store", store, "--where", "state = 'failed' and step = 'charge'"
    )
    with open(file, newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert rows
    assert {(row["state"], row["step"]) for row in rows} == {("failed", "charge")}
    assert f"{len(rows):,} rows" in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("export", "no_such_table", "--to", "x.csv"), "There is no table no_such_table"),
        (("export", "jobs", "--to", "x.docx"), "the ending .docx is not known"),
        (("export", "jobs", "--to", "x.csv", "--where", "1=1) or (1=1; drop table jobs"), "--where"),
        (("export", "jobs", "--to", "x.csv", "--where", "job_id in (select * from read_csv('pay.csv'))"), "--where"),
    ],
)
def test_an_input_that_cannot_be_used_is_said_in_one_message_and_writes_nothing(demo_store, tmp_path, words, said):
    done = run(*words, "--store", demo_store[0], cwd=tmp_path)
    assert done.returncode == 1
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_every_column_that_can_be_exported_has_its_meaning(demo_store):
    from pipelines import export
    from pipelines.contract import TABLE_BY_NAME
    from pipelines.store import Store

    con = Store(demo_store[0]).read().cursor()
    meant = {}
    for meaning in export.meanings():
        assert meaning.meaning
        meant.setdefault(meaning.table, set()).add(meaning.column)
    for table in export.table_names():
        columns = (
            {row[0] for row in con.execute(f"describe {table}").fetchall()} if table not in TABLE_BY_NAME else None
        )
        if columns is None:
            assert meant[table] == set(TABLE_BY_NAME[table].column_names)
        else:
            assert (table, columns - meant[table], meant[table] - columns) == (table, set(), set())


def test_a_report_is_printed_and_says_what_it_did(demo_store, tmp_path):
    store, _ = demo_store
    done = run("report", "crew", "--to", tmp_path / "crew.pdf", "--store", store)
    assert done.returncode == 0, done.stderr
    assert "Writing sheets" in done.stderr
    assert "Crew review" in done.stdout
    assert (tmp_path / "crew.pdf").read_bytes().startswith(b"%PDF")
    refused = run("report", "crew", "--to", tmp_path / "crew.docx", "--store", store)
    assert refused.returncode == 1
    assert "a report is a PDF" in refused.stderr


@pytest.mark.parametrize("kind", ["training", "owner", "visits", "job"])
def test_each_report_can_be_made_of_a_fitted_fleet(demo_store, kind):
    from dashboard.papers.reports import make
    from pipelines.store import Store

    assert make(kind, Store(demo_store[0])).startswith(b"%PDF")


def test_list_names_tables_units_and_meanings():
    done = run("export", "--list")
    assert done.returncode == 0
    assert "step_grade" in done.stdout
    assert "limit_value [as in unit]" in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("load",),
        ("export",),
        ("load", "--undo", "L0001", "some.csv"),
        ("fit", "--as-of", "31/12/2025"),
        ("no-such-command",),
        ("demo", "--installs", "0"),
        ("report", "owner", "--to", "x.pdf", "--crew", "Ash"),
    ],
)
def test_wrong_usage_exits_2(words, tmp_path):
    assert run(*words, cwd=tmp_path).returncode == 2


@pytest.mark.parametrize("command", ["demo", "load", "map", "fit", "export", "report", "dashboard", "check"])
def test_every_command_explains_itself(command):
    done = run(command, "--help")
    assert done.returncode == 0
    assert "--" in done.stdout


@pytest.mark.parametrize("words", [("fit",), ("check",), ("export", "jobs", "--to", "x.csv"), ("load", "missing.csv")])
def test_what_is_missing_is_said_and_exits_1(words, tmp_path):
    done = run(*words, "--store", tmp_path / "nowhere", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith("slowfuse ")
    assert "Traceback" not in done.stderr


def test_loading_again_changes_nothing_and_strict_tells_of_rejects(exports, tmp_path):
    store = tmp_path / "fleet"
    assert run("load", exports, "--no-fit", "--store", store).returncode == 0
    again = run("load", exports, "--no-fit", "--store", store)
    assert again.returncode == 0
    with open(exports / "calls.csv", "a", encoding="utf-8") as handle:
        handle.write("C-unknown,NO-SUCH-SYSTEM,2025-03-01,repair,other,,,\n")
    lenient = run("load", exports, "--no-fit", "--store", store)
    assert lenient.returncode == 0
    assert "NO-SUCH-SYSTEM" in lenient.stdout
    assert run("load", exports, "--no-fit", "--strict", "--store", store).returncode == 3


def test_a_dry_run_makes_no_generation(exports, tmp_path):
    store = tmp_path / "fleet"
    done = run("load", exports, "--dry-run", "--store", store)
    assert done.returncode == 0
    assert not (store / "current.json").exists()


def test_a_load_can_be_undone(exports, tmp_path):
    store = tmp_path / "fleet"
    assert run("load", exports, "--no-fit", "--store", store).returncode == 0
    undone = run("load", "--undo", "L0001", "--no-fit", "--store", store)
    assert undone.returncode == 0, undone.stderr
    file = tmp_path / "jobs.jsonl"
    assert run("export", "jobs", "--to", file, "--store", store).returncode == 0
    assert file.read_text() == ""
    assert run("check", "--store", store).returncode == 0
    assert run("load", "--undo", "L0099", "--no-fit", "--store", store).returncode == 1


def test_a_pointer_to_a_lost_generation_is_found_by_check(exports, tmp_path):
    store = tmp_path / "fleet"
    assert run("load", exports, "--no-fit", "--store", store).returncode == 0
    pointer = json.loads((store / "current.json").read_text())
    (store / pointer["file"]).unlink()
    done = run("check", "--store", store)
    assert done.returncode == 1
    assert "missing" in done.stdout


def test_a_store_is_backed_up_and_comes_back(demo_store, tmp_path):
    store, _ = demo_store
    file, again = tmp_path / "safe" / "fleet.zip", tmp_path / "again"
    done = run("backup", "--to", file, "--store", store)
    assert done.returncode == 0, done.stderr
    assert "generation 2" in done.stdout
    refused = run("restore", file, "--store", store)
    assert refused.returncode == 1
    assert "not empty" in refused.stderr
    done = run("restore", file, "--store", again)
    assert done.returncode == 0, done.stderr
    assert run("check", "--store", again).returncode == 0
    said = [run("brief", "--store", where).stdout for where in (store, again)]
    assert said[0] == said[1] != ""
    assert 1 < len(said[0].splitlines()) <= 10
    file.write_bytes(file.read_bytes()[:-100])
    broken = run("restore", file, "--store", tmp_path / "third")
    assert broken.returncode == 1
    assert "Traceback" not in broken.stderr
    assert not (tmp_path / "third").exists()


def test_the_brief_is_written_as_html_or_refused_in_words(demo_store, tmp_path):
    store, _ = demo_store
    done = run("brief", "--since", "2020-01-01", "--to", tmp_path / "morning.html", "--store", store)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "morning.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert run("brief", "--since", "yesterday", "--store", store).returncode == 2
    assert run("brief", "--to", tmp_path / "morning.doc", "--store", store).returncode == 1
    nothing = run("brief", "--store", tmp_path / "nothing")
    assert nothing.returncode == 1
    assert "slowfuse load" in nothing.stderr


def test_a_load_that_fails_is_kept_for_the_pages_and_a_trial_is_not(demo_store, tmp_path):
    from pipelines.store import Store

    file = tmp_path / "fleet.zip"
    assert run("backup", "--to", file, "--store", demo_store[0]).returncode == 0
    place = Store(tmp_path / "fleet")
    assert run("restore", file, "--store", place.folder).returncode == 0
    assert run("load", tmp_path / "nowhere", "--dry-run", "--store", place.folder).returncode == 1
    assert place.failures() == []
    assert run("load", tmp_path / "nowhere", "--store", place.folder).returncode == 1
    (failure,) = place.failures()
    assert failure.reason == "load"
    assert "no such file or folder" in failure.message
