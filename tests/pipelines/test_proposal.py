"""Proposed mappings: headings in many styles find their place, none a wrong one, and what is open is asked."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines import interpreting, sampling
from pipelines.errors import InputError
from pipelines.mapping import Mapping, parse_mapping
from pipelines.proposal import Proposal, propose
from pipelines.source_draft import job_in_name
from synthetic_data.fleet import make_fleet
from synthetic_data.messy import write_messy
from tests.pipelines.heading_styles import STYLES, write_style
from tests.pipelines.loaded_files import Fleet

TWINS = {"jobs.system_id": "systems.system_id", "systems.site_id": "sites.site_id", "systems.area": "sites.area"}


def places(mapping: Mapping) -> dict[str, set[str]]:
    """For each heading the columns that a mapping reads from it."""
    found: dict[str, set[str]] = {}
    for source in mapping.source:
        for feed in interpreting.feeds_of(source):
            for name, cell in feed.columns.items():
                if not (feed.step and name in ("job_id", "step")):
                    own = (*cell.headings_read, *([cell.heading] if cell.look_up and cell.heading else []))
                    for heading in own:
                        found.setdefault(heading, set()).add(f"{feed.step or feed.table.name}.{name}")
            for quantity, cell in feed.readings.items():
                found.setdefault(str(cell.heading), set()).add(f"{feed.step}.{quantity}")
    return found


def rows_of(heading: str, *rows: str) -> str:
    return "\n".join((heading, *rows)) + "\n"


def job_rows(cells: str, n: int = 40) -> str:
    """n rows of a job sheet: number, serial, technician and then `cells`, a format of the row's number."""
    return "".join(
        f"J{row},S{row},T{row % 3},{cells.format(row=row, small=1 + row % 9, day=1 + row % 28)}\n" for row in range(n)
    )


def toml(proposal: Proposal, **answers: str) -> Mapping:
    return parse_mapping(proposal.to_toml({key.replace("__", "."): value for key, value in answers.items()}))


# --- headings find their place


@pytest.mark.parametrize("style", STYLES)
def test_headings_find_their_place_and_none_a_wrong_one(style: str, tmp_path: Path):
    proposal = propose([write_style(tmp_path, style)])
    found = places(toml(proposal))
    judged = Counter()
    for heading, place, _ in STYLES[style]:
        got = found.get(heading, set())
        right = place in got or TWINS.get(place) in got if place else not got
        judged["right" if right else "left out" if not got else "wrong"] += 1
        if place and got:
            assert place in got or TWINS.get(place) in got, (heading, place, got)
    assert judged["wrong"] == 0
    assert judged["right"] >= 0.95 * len(STYLES[style]), judged


@pytest.mark.parametrize("style", ["wide", "workbook", "forms"])
def test_a_messy_export_loads_by_its_proposal_as_it_was_meant(style: str, tmp_path: Path):
    # what is right: the writer of the export counts it, and works the states out from what it made up
    made = make_fleet(150, seed=3)
    fleet = Fleet(tmp_path)
    expected = write_messy(made, fleet.exports, style)
    (fleet.exports / "expected.json").unlink()
    proposal = propose([fleet.exports])
    assert proposal.questions == []
    placed = {heading for sample in proposal.samples for heading in [sample.heading]}
    headings = {h.replace("[]", "") for hs in expected.headings.values() for h in hs if not h.startswith("(")}
    assert len(headings - placed) <= 0.03 * len(headings), headings - placed
    report = fleet.load(mapping=proposal.to_toml())
    assert not report.failed
    assert fleet.ask("select count(*) from staged_job") == [(expected.jobs,)]
    assert fleet.ask("select count(*) from staged_system") == [(expected.systems,)]
    assert fleet.ask("select count(*) from staged_call") == [(expected.calls,)]
    told: dict[str, dict[str, int]] = {}
    for step, state, n in fleet.ask("select step::varchar, state::varchar, count(*) from step_grade group by all"):
        told.setdefault(step, {})[state] = n
    assert told == expected.states


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("stock", rows_of("Part Number,Description,Qty,Price", *(f"P{n},Filter {n},{n % 9},{n}.50" for n in range(50)))),
        ("hours", rows_of("Job,Technician,Date,Start,End", *(f"J{n},T{n % 4},2024-01-{1 + n % 28:02d},08:00,16:00" for n in range(50)))),
        ("vans", rows_of("Unit,Type,Serial,Mileage,Last Service", *(f"V{n},Van,X{n * 7},{n}000,2024-01-02" for n in range(50)))),
        ("weather", rows_of("Date,Temp (F),Pressure (inHg)", *(f"2024-01-{1 + n % 28:02d},{30 + n},29.9" for n in range(50)))),
    ],
)  # fmt: skip
def test_lists_of_other_things_are_not_taken_for_records(name: str, text: str, tmp_path: Path):
    path = tmp_path / f"{name}.csv"
    path.write_text(text, encoding="utf-8")
    proposal = propose([path])
    assert proposal.samples == []
    assert len(proposal.unplaced) == text.split("\n")[0].count(",") + 1
    with pytest.raises(InputError, match="no mapping can be proposed"):
        proposal.to_toml()


def test_superheat_as_measured_is_not_taken_for_its_target(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    path.write_text(
        "Job,Serial,Tech,Completed,Superheat,Suction psi\n" + job_rows("2024-05-{day:02d},1{small},12{small}")
    )
    proposal = propose([path])
    assert "Superheat" not in places(toml(proposal))
    assert [part.why for part in proposal.unplaced] == ["worked out from the suction pressure and temperature"]


def test_numbers_met_in_other_files_tell_the_column(tmp_path: Path):
    (tmp_path / "jobs.csv").write_text("Job,Serial,Tech,Completed,Evacuated\n" + job_rows("2024-05-{day:02d},Y"))
    log = rows_of("Nr,Kennung,Date,Found", *(f"C{n},S{n % 40},2025-01-02,leak" for n in range(60)))
    (tmp_path / "visits.csv").write_text(log)
    found = places(toml(propose([tmp_path])))
    assert found["Kennung"] == {"calls.system_id"}


# --- what stands in a file beside its rows


def test_group_lines_unit_lines_and_empty_rows_above_are_read(tmp_path: Path):
    fleet = Fleet(tmp_path)
    book = xlsxwriter.Workbook(str(fleet.exports / "sheets.xlsx"))
    sheet = book.add_worksheet("Sheets")
    sheet.write_row(3, 0, ["", "", "", "Pressure test", "", "", "Vacuum", "", "Rise test", "", ""])
    sheet.write_row(4, 0, ["Job", "Serial", "Fitter", "Start", "End", "Time", "Level", "Time", "Start", "End", "Time"])
    sheet.write_row(5, 0, ["", "", "", "bar", "bar", "h", "Pa", "min", "Pa", "Pa", "min"])
    for row in range(30):
        sheet.write_row(6 + row, 0, [f"J{row}", f"S{row}", "T1", 29.0, 28.9, 1, 40 + row, 45, 41, 70, 10])
    book.add_worksheet("Empty")
    book.add_worksheet("old").write(0, 0, "do not use")
    book.get_worksheet_by_name("old").hide()
    book.close()
    proposal = propose([fleet.exports])
    assert {passed.place for passed in proposal.passed_over} == {
        'sheets.xlsx, sheet "Empty"', 'sheets.xlsx, sheet "old"',
    }  # fmt: skip
    report = fleet.load(mapping=proposal.to_toml())
    assert report.total("rejected") == report.total("values_rejected") == 0
    held = dict(fleet.ask("select quantity::varchar, round(value, 1) from staged_reading where job_id = 'J0'"))
    # 1 Pa is 7.50062 micron, 1 bar is 14.5038 psi (SI brochure)
    assert held == {
        "start_pressure": 420.6, "end_pressure": 419.2, "hold_time": 60.0, "vacuum": 300.0, "pump_time": 45.0,
        "rise_start": 307.5, "rise_end": 525.0, "rise_time": 10.0,
    }  # fmt: skip


def test_lines_that_are_no_rows_are_passed_over(tmp_path: Path):
    fleet = Fleet(tmp_path)
    body = "Job;Serial;Tech;Completed;Microns\n" + "".join(f"J{n};S{n};T1;13/05/2024;{300 + n},5\n" for n in range(30))
    text = "Commissioning log\nprinted 3 May\n" + body + "Total;30;;;\nEnd of list, printed by the office\n"
    fleet.write("log.csv", text.encode("cp1252"))
    report = fleet.load(mapping=propose([fleet.exports]).to_toml())
    assert (report.total("new"), report.total("rejected")) == (30, 0)
    assert fleet.ask("select min(value), max(value) from staged_reading") == [(300.5, 329.5)]


def test_gauge_logs_take_the_job_from_their_name(tmp_path: Path):
    fleet = Fleet(tmp_path)
    jobs = "".join(f"WO-10{n:02d},S{n},T{n % 3},2024-05-{1 + n:02d}\n" for n in range(20))
    fleet.write("jobs.csv", "Job,Serial,Tech,Completed\n" + jobs)
    log = "Elapsed (s);Vacuum [mTorr];Temp (°C)\n" + "".join(f"{n * 10};{400 + n},5;21\n" for n in range(30))
    for n in range(4):
        fleet.write(f"logs/WO-10{n:02d}_vac_2024-05-0{n + 1}.csv", log.encode("utf-16"))
    report = fleet.load(mapping=propose([fleet.exports]).to_toml())
    assert report.total("rejected") == 0
    assert fleet.ask("select count(*), count(distinct job_id), min(value), max(elapsed_s) from staged_trace where quantity = 'vacuum'") == [
        (120, 4, 400.5, 290.0)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("names", "jobs", "shown"),
    [
        (["J1.csv", "J20.csv"], {"J1", "J20", "J3"}, "J1"),
        (["gauge_4711_a.csv", "gauge_4712_b.csv"], {"4711", "4712"}, "4711"),
        (["2024-05-01 WO-7.csv", "2024-06-11 WO-81.csv"], {"WO-7", "WO-81"}, "WO-7"),
    ],
)
def test_the_jobs_number_is_found_in_a_files_name(names: list[str], jobs: set[str], shown: str):
    import re

    found = job_in_name(names, jobs)
    assert found is not None
    for name in names:
        match = re.search(found[0], name)
        assert match is not None
        assert match["job_id"] in jobs
    assert shown in found[1]


def test_a_name_without_a_known_number_gives_no_pattern():
    assert job_in_name(["a.csv", "b.csv"], {"J1"}) is None


def test_nested_forms_without_lists_and_lists_of_visits(tmp_path: Path):
    forms = [
        {"jobNumber": f"J{n}", "unit": {"serial": f"S{n}", "type": "Heat Pump"}, "tech": {"id": "T1"}, "finishedAt": "2024-05-03",
         "evacuation": {"done": True, "finalMicrons": 350 + n}, "visits": [{"ticket": f"C{n}", "date": "2025-01-02", "finding": "leak"}]}
        for n in range(30)
    ]  # fmt: skip
    (tmp_path / "forms.jsonl").write_text("".join(json.dumps(form) + "\n" for form in forms))
    found = places(toml(propose([tmp_path])))
    assert found["evacuation.finalMicrons"] == {"evacuation.vacuum"}
    assert found["evacuation.done"] == {"evacuation.ticked"}
    assert found["visits.ticket"] == {"calls.call_id"}
    assert "calls.system_id" in found["unit.serial"]


def test_a_register_gives_the_jobs_what_it_holds_of_them(tmp_path: Path):
    fleet = Fleet(tmp_path)
    fleet.write("jobs.csv", "Job,Unit,Tech,Completed,Evacuated\n" + job_rows("2024-05-{day:02d},Y"))
    units = "".join(f"S{n},Split AC,R410A,{'Press' if n % 2 else 'Brazed'},{5 + n}\n" for n in range(45))
    fleet.write("units.csv", "Unit,Type,Gas,Joints,Pipe m\n" + units)
    fleet.load(mapping=propose([fleet.exports]).to_toml())
    # 10 ft is 3.048 m exactly
    assert fleet.ask("select joints::varchar, round(line_set_ft * 0.3048, 6) from staged_job where job_id = 'J3'") == [
        ("pressed", 8.0)
    ]
    assert fleet.ask("select count(*) from staged_system") == [(45,)]


def test_long_readings_without_a_unit_column(tmp_path: Path):
    fleet = Fleet(tmp_path).with_jobs()
    each = (
        ("Suction Pressure (psig)", "118.5"),
        ("Liquid Line Temp", "90"),
        ("Microns", "321"),
        ("Target subcooling", "10"),
    )
    rows = [f"J{1 + n % 2},{what},{value}" for n in range(20) for what, value in each]
    report = fleet.load(
        path := fleet.write("log.csv", rows_of("JobNo,Measurement,Result", *rows)), mapping=propose([path]).to_toml()
    )
    assert report.total("rejected") == 0
    held = dict(fleet.ask("select quantity::varchar, value from staged_reading where job_id = 'J1'"))
    assert held == {"suction_pressure": 118.5, "liquid_temperature": 90.0, "vacuum": 321.0, "target_subcooling": 10.0}


def test_degf_beside_a_target_means_a_difference(tmp_path: Path):
    fleet = Fleet(tmp_path).with_jobs()
    each = (
        ("Suction pressure", "118", "psi"),
        ("Suction line temp", "54", "°F"),
        ("Target superheat", "14", "°F"),
        ("Vacuum", "40", "Pa"),
    )
    rows = [f"J{1 + n % 2},{','.join(part)}" for n in range(20) for part in each]
    report = fleet.load(
        path := fleet.write("log.csv", rows_of("Job,What,Value,Unit", *rows)), mapping=propose([path]).to_toml()
    )
    assert report.total("rejected") == 0
    assert fleet.ask("select value from staged_reading where job_id = 'J1' and quantity = 'target_superheat'") == [
        (14.0,)
    ]


# --- what is open is asked


def test_an_open_date_order_is_asked_and_nothing_is_guessed(tmp_path: Path):
    fleet = Fleet(tmp_path)
    path = fleet.write("jobs.csv", "Job,Serial,Tech,Completed,Microns\n" + job_rows("0{small}/04/2024,3{small}5"))
    proposal = propose([path])
    (question,) = proposal.questions
    assert question.key == "jobs.date_order"
    assert [line for line, _ in question.options] == ['date_order = "mdy"', 'date_order = "dmy"']
    assert [meaning for _, meaning in question.options] == [
        "01/04/2024 is 4 January 2024", "01/04/2024 is 1 April 2024",
    ]  # fmt: skip
    assert '# date_order = "mdy"' in proposal.to_toml()

    report = fleet.load(path, mapping=proposal.to_toml())
    assert report.total("values_rejected") == 35  # 04/04/2024, five times, is the same day either way
    assert "date_order" in report.render()
    answered = proposal.to_toml({"jobs.date_order": "dmy"})
    assert parse_mapping(answered).source[0].date_order == "dmy"
    assert fleet.load(path, mapping=answered).total("values_rejected") == 0
    assert fleet.ask("select max(month(finished_on)) from staged_job") == [(4,)]


def test_a_date_that_proves_the_order_is_enough(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    path.write_text("Job,Serial,Tech,Completed,Microns\n" + job_rows("{day:02d}/04/2024,3{small}5"))
    proposal = propose([path])
    assert proposal.questions == []
    assert toml(proposal).source[0].date_order == "dmy"


def test_an_open_decimal_mark_is_asked_with_both_readings(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    rows = "".join(f"J{n};S{n};T1;2024-05-01;{4 + n % 8},{100 + n}\n" for n in range(40))
    path.write_text("Job;Serial;Tech;Completed;Weighed lb\n" + rows)
    proposal = propose([path])
    (question,) = proposal.questions
    assert question.key == "jobs.decimal_mark"
    assert [meaning for _, meaning in question.options] == ["4,100 is 4100", "4,100 is 4.1"]
    assert places(toml(proposal))["Weighed lb"] == {"charge.charge_weight"}
    assert toml(proposal).source[0].decimal_mark is None
    assert toml(proposal, jobs__decimal_mark=",").source[0].decimal_mark == ","


def test_a_unit_that_two_readings_suit_is_asked(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    path.write_text("Job,Serial,Tech,Completed,Final vacuum,Evacuated\n" + job_rows("2024-05-01,6{small},Y"))
    proposal = propose([path])
    (question,) = proposal.questions
    assert question.key == "jobs.evacuation.vacuum"
    assert [meaning for _, meaning in question.options] == ["in micron", "in Pa"]
    assert "Final vacuum" not in places(toml(proposal))
    assert places(toml(proposal, jobs__evacuation__vacuum="Pa"))["Final vacuum"] == {"evacuation.vacuum"}


def test_a_return_static_of_both_signs_is_asked(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    rows = "".join(f"J{n},S{n},T1,2024-05-01,{'-' if n % 2 else ''}0.2{n % 10}\n" for n in range(40))
    path.write_text("Job,Serial,Tech,Completed,Return static (in wc)\n" + rows)
    proposal = propose([path])
    assert [question.key for question in proposal.questions] == ["jobs.return_static"]
    assert toml(proposal, jobs__return_static="size_only").source[0].return_static == "size_only"


def test_columns_that_differ_in_their_mark_each_keep_their_own(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    rows = "".join(f"J{n};S{n};T1;2024-05-01;{n % 5 + 4},2{n % 10};{300 + n}.5\n" for n in range(40))
    path.write_text("Job;Serial;Tech;Completed;Weighed lb;Microns\n" + rows)
    proposal = propose([path])
    assert proposal.questions == []
    steps = {step.step: step for step in toml(proposal).source[0].step}
    assert steps["charge"].readings["charge_weight"].decimal_mark == ","
    assert steps["evacuation"].readings["vacuum"].decimal_mark == "."


def test_words_not_known_are_listed_and_left_alone(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    rows = "".join(f"J{n},S{n},T1,2024-05-01,{'Heat Pump' if n % 4 else 'Geothermal'}\n" for n in range(40))
    path.write_text("Job,Serial,Tech,Completed,System type\n" + rows)
    proposal = propose([path])
    (word,) = proposal.untranslated
    assert (word.word, word.times, word.column) == ("Geothermal", 10, "systems.equipment")
    assert "NOT TRANSLATED" in proposal.to_toml()
    assert "Geothermal" in proposal.render()


# --- the proposal itself


def test_samples_show_cells_before_and_after_as_the_loader_reads_them(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    path.write_text("Job,Serial,Tech,Completed,Pipe,Vacuum Pa\n" + job_rows("5/13/2024,41',40"))
    samples = {sample.column: sample for sample in propose([path]).samples}
    assert (samples["jobs.finished_on"].before, samples["jobs.finished_on"].after) == ("5/13/2024", "2024-05-13")
    assert (samples["jobs.line_set_ft"].before, samples["jobs.line_set_ft"].after) == ("41'", "41 ft")
    assert samples["evacuation.vacuum"].after == "300.025 micron"  # 40 Pa * 760000 / 101325
    assert samples["evacuation.vacuum"].how_sure == "sure"
    assert "unit Pa in the heading" in samples["evacuation.vacuum"].why


def test_files_in_the_contracts_own_headings_need_no_mapping(tmp_path: Path):
    fleet = Fleet(tmp_path).with_jobs()
    assert not propose([fleet.exports]).needs_mapping
    fleet.write(
        "log.csv", "Call #,Serial,Opened,Found\n" + "".join(f"C{n},S{1 + n % 2},2025-01-02,leak\n" for n in range(20))
    )
    proposal = propose([fleet.exports])
    assert proposal.needs_mapping
    assert [source.name for source in toml(proposal).source] == ["log"]
    assert fleet.load(mapping=proposal.to_toml()).total("rejected") == 0


def test_only_the_beginning_and_the_end_of_a_large_file_are_read(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    with path.open("w") as handle:
        handle.write("Job,Serial,Tech,Completed,Microns\n")
        handle.writelines(f"J{n},S{n},T{n % 9},2024-05-01,{300 + n % 99}\n" for n in range(150_000))
    (look,), _ = sampling.look_at([path])
    assert look.row_count <= sampling.HEAD_ROWS + sampling.TAIL_ROWS
    assert not look.whole
    assert "J149999" in look.cells("Job")
    assert len(toml(propose([path])).source) == 1


def test_an_open_order_is_proved_by_the_end_of_a_large_file(tmp_path: Path):
    path = tmp_path / "jobs.csv"
    with path.open("w") as handle:
        handle.write("Job,Serial,Tech,Completed,Microns\n")
        handle.writelines(f"J{n},S{n},T{n % 9},0{1 + n % 9}/05/2024,{300 + n % 99}\n" for n in range(80_000))
        handle.write("J80000,S80000,T1,05/31/2024,301\n")
    assert toml(propose([path])).source[0].date_order == "mdy"


def test_a_path_that_is_not_there_and_a_folder_of_nothing_are_said(tmp_path: Path):
    with pytest.raises(InputError, match="no such file"):
        propose([tmp_path / "nothing"])
    with pytest.raises(InputError, match="nothing here can be read"):
        propose([tmp_path])
    (tmp_path / "book.xlsx").write_bytes(b"no workbook")
    with pytest.raises(InputError, match="cannot be read as a workbook"):
        propose([tmp_path])


def test_the_command_writes_a_mapping_that_the_next_command_takes(tmp_path: Path):
    path = write_style(tmp_path, "spelled out")
    to = tmp_path / "made" / "mapping.toml"
    run = [sys.executable, "-m", "dashboard.command_line"]
    told = subprocess.run([*run, "map", str(path), "--to", str(to)], capture_output=True, text=True, check=True)
    assert "Compressor RLA" in told.stdout
    assert "jobs.finished_on" in told.stdout
    load = [*run, "load", str(path), "--mapping", str(to), "--store", str(tmp_path / "store"), "--no-fit"]
    assert "120" in subprocess.run(load, capture_output=True, text=True, check=True).stdout
    again = subprocess.run(
        [*run, "map", str(tmp_path / "none"), "--to", str(to)], capture_output=True, text=True, check=False
    )
    assert again.returncode == 1
    assert "Traceback" not in again.stderr


# --- nothing breaks it


def proposed_or_refused(path: Path) -> None:
    try:
        proposal = propose([path])
        proposal.render()
        parse_mapping(proposal.to_toml())
    except InputError:
        pass


CELL = st.text(st.characters(codec="utf-8"), max_size=12)
WORD = st.sampled_from(
    ["Job", "Serial", "Tech", "Completed", "Date", "Microns", "PT start psi", "Kind", "Y", "N", "x", "", "-", "R410A", "41'", "1,234",
     "1.234", "03/04/2024", "13/04/2024", "2024-05-01", "10:15", '5" pipe', "'", "\\", "°F", "450 um", "<500", "OL", "#DIV/0!", "Total"]
)  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=400))
def test_arbitrary_bytes_are_proposed_for_or_refused(data: bytes, tmp_path: Path):
    path = tmp_path / "junk.csv"
    path.write_bytes(data)
    proposed_or_refused(path)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    table=st.lists(st.lists(WORD | CELL, min_size=1, max_size=7), min_size=1, max_size=9),
    delimiter=st.sampled_from(",;\t|"),
    encoding=st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-8-sig"]),
)
def test_arbitrary_tables_are_proposed_for_or_refused(table, delimiter: str, encoding: str, tmp_path: Path):
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(table)
    path = tmp_path / "junk.csv"
    path.write_bytes(out.getvalue().encode(encoding, errors="replace"))
    proposed_or_refused(path)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | WORD,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["id", "serial", "checks", "step", "value", ""]) | CELL, inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(forms=st.lists(JSON, min_size=1, max_size=5))
def test_arbitrary_json_lines_are_proposed_for_or_refused(forms, tmp_path: Path):
    path = tmp_path / "junk.jsonl"
    path.write_text("".join(json.dumps(form) + "\n" for form in forms))
    proposed_or_refused(path)


@pytest.mark.parametrize("seed", range(6))
def test_job_sheets_with_damaged_cells_still_parse(seed: int, tmp_path: Path):
    rng = random.Random(seed)
    path = write_style(tmp_path, "spelled out", rows=40)
    lines = path.read_text(encoding="utf-8").split("\n")
    for _ in range(25):
        n = rng.randrange(len(lines))
        at = rng.randrange(len(lines[n]) + 1)
        lines[n] = lines[n][:at] + rng.choice(['"', ",", "\x00", "\x1b[31m", "[red]", "�", "'", "\\"]) + lines[n][at:]
    path.write_text("\n".join(lines), encoding="utf-8")
    proposed_or_refused(path)
