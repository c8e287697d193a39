"""synthetic_data/write.py and __main__.py: the contract's own files."""

import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from synthetic_data.write import write_contract

ROOT = Path(__file__).parents[2]


def test_jobs_can_be_one_file_for_each_year(small_fleet, tmp_path):
    write_contract(small_fleet, tmp_path, by_year=True)
    files = sorted(path.name for path in tmp_path.glob("jobs_*.csv"))
    years = small_fleet.jobs["finished_on"].dt.year().unique().sort().to_list()
    assert files == [f"jobs_{year}.csv" for year in years]
    assert sum(pl.read_csv(tmp_path / name, infer_schema=False).height for name in files) == small_fleet.jobs.height


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_what_was_written_reads_back_the_same(small_fleet, tmp_path, kind):
    write_contract(small_fleet, tmp_path, format=kind)
    for name, frame in small_fleet.tables().items():
        if name == "traces" or kind == "parquet":
            suffix = "parquet"
            back = pl.read_parquet(tmp_path / f"{name}.{suffix}")
        else:
            back = pl.read_csv(tmp_path / f"{name}.csv", schema=frame.schema)
        assert back.equals(frame), name


def test_a_format_that_is_not_known_is_said(small_fleet, tmp_path):
    with pytest.raises(ValueError, match="csv or parquet, not 'xls'"):
        write_contract(small_fleet, tmp_path, format="xls")


def test_the_command_writes_a_fleet_and_its_truth_apart(tmp_path):
    command = [sys.executable, "-m", "synthetic_data", "--installs", "60", "--to", str(tmp_path / "files"), "--seed", "3",
               "--as-of", "2026-01-31", "--truth", str(tmp_path / "truth")]  # fmt: skip
    said = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert "60 jobs" in said or "jobs on" in said
    assert (tmp_path / "files" / "jobs.csv").exists()
    assert (tmp_path / "truth" / "truth_states.parquet").exists()
    assert not list((tmp_path / "files").glob("*truth*"))


def test_too_few_installs_end_with_a_message_and_exit_1(tmp_path):
    command = [sys.executable, "-m", "synthetic_data", "--installs", "3", "--to", str(tmp_path)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert ended.returncode == 1
    assert "at least 10 installs, not 3" in ended.stderr
    assert "Traceback" not in ended.stderr
