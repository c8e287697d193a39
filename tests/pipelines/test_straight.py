"""The short way through DuckDB and the careful way agree, whatever stands in the cells and lines."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipelines import straight
from tests.pipelines.loaded_files import Fleet, counts

HEADINGS = {
    "calls": ["call_id", "system_id", "opened_on", "call_kind", "finding", "put_right", "cost", "Weather"],
    "jobs": [
        "job_id",
        "system_id",
        "helper_ids",
        "joints",
        "brazed_joints",
        "line_set_ft",
        "ducts_kept",
        "finished_on",
    ],
    "steps": ["job_id", "step", "ticked", "started_at", "ended_at"],
    "readings": ["job_id", "step", "quantity", "value", "unit", "taken_at", "instrument_id", "Note"],
    "traces": ["job_id", "step", "attempt", "quantity", "unit", "elapsed_s", "value"],
}
LIKELY = {
    "job_id": ["J1", "J2", "J4", "J5"], "system_id": ["S1", "S2"], "call_id": ["C1", "C2", "C3", "C4"],
    "step": ["evacuation", "pressure_test", "charge"], "quantity": ["vacuum", "test_gas", "start_pressure"],
    "value": ["450", "nitrogen", "9.5", "420"], "unit": ["micron", "", "psig", "psia", "Pa"], "cost": ["10.5", "20"],
    "elapsed_s": ["0", "10", "20.5"], "opened_on": ["2024-01-01"], "line_set_ft": ["30", "41.5"],
}  # fmt: skip
UNLIKELY = [
    "", "J1", "S9", "1,5", "1.200", '"1,200"', "-", "N/A", "OL", "<500", "450 um", "vacuum", "Pa", "psig", "done",
    "not_done", "7/3/2024", "2024-07-03T10:00:00", "true", "Yes", "brazed", '"a\nb"', '"', '"x","x"', '5" pipe', "Total",
    "é", "1e400", "nan", " J1 ", "#", "0", "\x00",
]  # fmt: skip
STATE = (
    "select * from staged_job order by all",
    "select * from staged_step order by all",
    "select * exclude (reading_order) from staged_reading order by all",
    "select job_id, quantity, arg_max(value, reading_order) from staged_reading group by all order by all",
    "select * from staged_call order by all",
    "select * from staged_trace order by all",
    "select source_file, source_line, scope, table_name, column_name from rejected_row order by all",
)


def odd_file(table: str, chance: random.Random) -> str:
    headings = HEADINGS[table][:]
    odd = chance.choice([0, 0.03, 0.2])
    lines = [",".join(headings)]
    for _ in range(40):
        row = [chance.choice(UNLIKELY if chance.random() < odd else LIKELY.get(name, [""])) for name in headings]
        if chance.random() < odd / 3:
            row = row[: chance.randint(0, len(row))]
        if chance.random() < odd / 3:
            row.append(chance.choice(UNLIKELY))
        lines.append(",".join(row))
    return chance.choice(["\n", "\r\n"]).join(lines) + chance.choice(["", "\n"])


@pytest.mark.parametrize("seed", range(4))
def test_both_ways_hold_the_same_afterwards(tmp_path: Path, monkeypatch, seed):
    chance = random.Random(seed)
    files = {f"{table}_{n}.csv": odd_file(table, chance) for n, table in enumerate(list(HEADINGS) * 2)}
    short, careful = Fleet(tmp_path / "short").with_jobs(), Fleet(tmp_path / "careful").with_jobs()
    of_short = short.load(*[short.write(name, text) for name, text in files.items()])
    monkeypatch.setattr(straight, "open_csv", lambda *_: None)
    monkeypatch.setattr(straight, "tidy_csv", lambda *_: None)
    of_careful = careful.load(*[careful.write(name, text) for name, text in files.items()])
    assert {file.source_file: counts(file) for file in of_short.files} == {
        file.source_file: counts(file) for file in of_careful.files
    }
    for sql in STATE:
        assert short.ask(sql) == careful.ask(sql)
    assert of_short.total("new") > 15


def test_a_few_odd_lines_do_not_send_a_whole_file_the_careful_way(tmp_path, monkeypatch):
    fleet = Fleet(tmp_path).with_jobs()
    monkeypatch.setattr("pipelines.readers.read_csv", lambda *_: pytest.fail("the whole file was read with care"))
    lines = ["job_id,step,quantity,value,unit", *[f"J1,evacuation,vacuum,{n}.5,micron" for n in range(1, 300)]]
    lines[10] = "J1,evacuation"
    lines[20] = 'J1,evacuation,vacuum,"450\num",micron'
    lines[30] = '"J1,evacuation,vacuum,450,micron'
    lines[40] = ""
    lines[50] = 'J2,evacuation,vacuum,"1,020",micron'
    found = fleet.load_text("readings.csv", "Readings of the week\n" + "\n".join(lines) + "\nTotal,299,,,\n")
    assert counts(found) == {"read": 301, "new": 296, "rejected": 2, "passed_over": 3}
    assert fleet.ask("select source_line from staged_reading where value = 299.5") == [(302,)]
    assert fleet.ask("select source_line, value from staged_reading where job_id = 'J2'") == [(53, 1020.0)]
    assert [row[1] for row in fleet.rejected()] == [12, 33]


def test_decimal_commas_go_straight_too(tmp_path, monkeypatch):
    fleet = Fleet(tmp_path).with_jobs()
    monkeypatch.setattr("pipelines.readers.read_csv", lambda *_: pytest.fail("the whole file was read with care"))
    text = "job_id;step;quantity;value;unit\nJ1;evacuation;vacuum;450,5;micron\nJ2;evacuation;vacuum;1.020,5;micron\nJ2;evacuation;pump_time;45;min\n"
    assert counts(fleet.load_text("readings.csv", text)) == {"read": 3, "new": 3}
    assert fleet.readings() == [
        ("J1", "vacuum", 450.5, "450,5", "micron", 2),
        ("J2", "vacuum", 1020.5, "1.020,5", "micron", 3),
        ("J2", "pump_time", 45.0, None, None, 4),
    ]
