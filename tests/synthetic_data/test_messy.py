"""synthetic_data/messy.py: what stands in the messy files is the fleet, and the noise is there."""

import csv
import json

import fastexcel
import polars as pl
import pytest

from synthetic_data.messy import write_messy


def test_wide_files_are_in_windows_1252_with_a_title_above_and_a_count_below(small_fleet, tmp_path):
    expected = write_messy(small_fleet, tmp_path, "wide")
    seen: dict[str, list[str]] = {}
    repeated = changed = 0
    for name in ("installs_first.csv", "installs_second.csv"):
        raw = (tmp_path / name).read_bytes()
        with pytest.raises(UnicodeDecodeError):
            raw.decode("utf-8")
        title, headings, *rows, last = list(csv.reader(raw.decode("cp1252").splitlines()))
        assert title == ["Install register - all branches"]
        assert last == ["Count", str(len(rows))]
        assert len(rows) == expected.rows[name]
        for row in rows:
            assert len(row) == len(headings)
            if row[0] in seen:
                repeated += 1
                changed += row != seen[row[0]]
            seen[row[0]] = row
    assert len(seen) == expected.jobs == small_fleet.jobs.height
    assert (repeated - changed, changed) == (expected.unchanged, expected.changed)
    assert changed == 2


def test_wide_money_and_dates_are_written_the_american_way(small_fleet, tmp_path):
    write_messy(small_fleet, tmp_path, "wide")
    rows = list(csv.reader((tmp_path / "service_log.csv").read_text(encoding="cp1252").splitlines()))[2:-1]
    first = small_fleet.calls.row(0, named=True)
    assert rows[0][2] == f"{first['opened_on'].month}/{first['opened_on'].day}/{first['opened_on'].year}"
    assert any(row[6].startswith("$1,") or row[6].startswith("$2,") for row in rows)
    cents = sum(round(float(row[6].replace("$", "").replace(",", "")) * 100) for row in rows if row[6])
    assert cents == round(small_fleet.calls["cost"].sum() * 100)


def test_the_workbook_holds_titles_metric_figures_an_empty_and_a_hidden_sheet(small_fleet, tmp_path):
    expected = write_messy(small_fleet, tmp_path, "workbook")
    book = fastexcel.read_excel(tmp_path / "plant_book.xlsx")
    assert book.sheet_names == ["Job sheets", "Plant", "Call-outs", "Fitters", "Courses", "Remarks", "scratch"]
    jobs = book.load_sheet("Job sheets", header_row=2).to_polars()
    assert jobs.height == expected.rows["Job sheets"] == small_fleet.jobs.height
    vacuum = small_fleet.readings.filter((pl.col("quantity") == "vacuum") & (pl.col("taken_at").is_null()))
    micron = dict(vacuum.select("job_id", pl.col("value").cast(pl.Float64, strict=False)).drop_nulls().iter_rows())
    written = dict(jobs.select("Sheet", pl.col("absolute [Pa]").cast(pl.Float64, strict=False)).iter_rows())
    job_id = next(iter(micron))
    # 1 micron is 0.133322 Pa (SI)
    assert written[job_id] == pytest.approx(micron[job_id] * 0.133322, abs=0.01)


def test_the_forms_are_nested_and_every_gauge_log_is_a_file_of_its_own(small_fleet, tmp_path):
    expected = write_messy(small_fleet, tmp_path, "forms")
    sheets = [json.loads(line) for line in (tmp_path / "sheets.jsonl").read_text(encoding="utf-8").splitlines()]
    assert len(sheets) == expected.jobs
    figures = sum(len(check["figures"]) for sheet in sheets for check in sheet["checks"])
    assert figures >= small_fleet.readings.height
    logs = sorted(path.stem for path in (tmp_path / "gauges").glob("*.csv"))
    held = small_fleet.traces.filter(pl.col("step") == "vacuum_rise")["job_id"].unique().sort().to_list()
    assert logs == held
    assert len(logs) == expected.gauge_logs > 50
    calls = (tmp_path / "callouts.csv").read_text(encoding="utf-8").splitlines()
    assert len(calls) - 1 == expected.calls
    assert any("," in line.split(";")[6] for line in calls[1:])


@pytest.mark.parametrize("style", ["wide", "workbook", "forms"])
def test_expected_figures_are_those_of_the_fleet(small_fleet, tmp_path, style):
    write_messy(small_fleet, tmp_path, style)
    expected = json.loads((tmp_path / "expected.json").read_text(encoding="utf-8"))
    assert expected["jobs"] == small_fleet.jobs.height
    assert expected["systems"] == small_fleet.systems.height
    own = small_fleet.jobs.filter(pl.col("installed_by") != "someone_else").height
    assert {sum(counts.values()) for counts in expected["states"].values()} == {own}
    assert (
        expected["compressor_failures"] >= small_fleet.jobs.filter(pl.col("job_kind") == "compressor_changeout").height
    )


def test_a_style_that_is_not_known_is_said(small_fleet, tmp_path):
    with pytest.raises(ValueError, match="No style of export is called 'paper'"):
        write_messy(small_fleet, tmp_path, "paper")
