"""Mapping files for the messy exports, as a person would write them, put together from the headings that were written."""

from __future__ import annotations

from synthetic_data.messy import WIDE_COLUMNS, WIDE_WORDS, Expected
from synthetic_data.worlds import STEPS

SYSTEM_COLUMNS = (
    "system_id", "site_id", "area", "equipment", "ducted", "air_handler", "refrigerant", "nominal_tons", "metering",
    "agreement", "visit_interval_months", "last_contact_on", "warranty_until", "retired_on", "retired_because",
)  # fmt: skip
JOB_COLUMNS = (
    "job_id", "system_id", "technician_id", "helper_ids", "job_kind", "joints", "line_set_ft", "ducts_kept", "installed_by",
    "form", "finished_on",
)  # fmt: skip
BAR_GAUGE = {"flow_pressure", "start_pressure", "end_pressure", "suction_pressure", "liquid_pressure"}


def _words(words: dict[str, str]) -> str:
    inside = ", ".join(f'"{written}" = "{code}"' for written, code in words.items())
    return f"{{ {inside} }}"


def _cell(heading: str, unit: str = "", words: dict[str, str] | None = None) -> str:
    parts = [f'heading = "{heading}"']
    if unit:
        parts.append(f'unit = "{unit}"')
    if words:
        parts.append(f"words = {_words(words)}")
    return f"{{ {', '.join(parts)} }}"


def _table(name: str, columns: dict[str, str]) -> list[str]:
    return [
        "[[source.table]]",
        f'table = "{name}"',
        "[source.table.columns]",
        *(f"{c} = {cell}" for c, cell in columns.items()),
        "",
    ]


def _steps(
    of: dict[str, str], ticked: dict[str, str], units: dict[str, str], words: dict[str, dict[str, str]]
) -> list[str]:
    """of: what a heading holds (tick:<step> or <step>.<quantity>) -> heading."""
    lines = []
    for step in STEPS:
        lines += ["[[source.step]]", f'step = "{step}"', f"ticked = {_cell(of[f'tick:{step}'], '', ticked)}"]
        for name, heading in of.items():
            if name.startswith(f"{step}."):
                quantity = name.split(".")[1]
                lines.append(f"readings.{quantity} = {_cell(heading, units.get(name, ''), words.get(name))}")
        lines.append("")
    return lines


def wide() -> str:
    """For installs_first.csv, installs_second.csv, service_log.csv, crew_list.csv and classes.csv."""
    of = {name: heading for heading, name, _ in WIDE_COLUMNS}
    units = {name: unit for _, name, unit in WIDE_COLUMNS if "." in name}
    codes: dict[str, dict[str, str]] = {}
    for column, terms in {
        "equipment": ("split_ac", "split_heat_pump", "ductless", "packaged"), "air_handler": ("gas_furnace", "fan_coil"),
        "metering": ("txv", "eev", "fixed_orifice"), "installed_by": ("own_crew", "subcontractor", "someone_else"),
        "job_kind": ("new_install", "changeout", "compressor_changeout", "coil_changeout", "circuit_repair"),
    }.items():  # fmt: skip
        codes[column] = {WIDE_WORDS[term]: term for term in terms}
    codes["retired_because"] = {WIDE_WORDS["other"]: "other"}
    cells = {
        name: _cell(of[name], "ft" if name in ("line_set_ft", "altitude_ft") else "", codes.get(name))
        for name in of
        if "." not in name and ":" not in name
    }
    lines = ['name = "wide"', "[[source]]", 'name = "installs"', 'files = ["installs_*.csv"]', 'encoding = "cp1252"',
             "lines_above = 1", "lines_below = 1", 'date_order = "mdy"', 'decimal_mark = "."', ""]  # fmt: skip
    lines += _table("sites", {name: cells[name] for name in ("site_id", "altitude_ft")})
    lines += _table("systems", {name: cells[name] for name in SYSTEM_COLUMNS if name in cells})
    lines += _table("jobs", {name: cells[name] for name in JOB_COLUMNS})
    gas = {"pressure_test.test_gas": {"N2": "nitrogen", "AIR": "air", "-": ""}}
    lines += _steps(of, {"Y": "done", "N": "not_done"}, units, gas)
    kinds = {WIDE_WORDS[kind]: kind for kind in ("callback", "repair", "maintenance", "warranty", "proactive")}
    findings = {
        WIDE_WORDS[name]: name
        for name in (
            "compressor_burnout", "compressor_mechanical", "metering_restricted", "refrigerant_leak", "low_charge",
            "over_charge", "noncondensables", "acid_in_oil", "moisture_in_circuit", "debris_in_circuit", "coil_freeze",
            "low_airflow", "electrical", "drain", "thermostat", "no_fault_found", "other",
        )
    }  # fmt: skip
    lines += ["[[source]]", 'name = "calls"', 'files = ["service_log.csv"]', 'encoding = "cp1252"', "lines_above = 1",
              "lines_below = 1", 'date_order = "mdy"', 'decimal_mark = "."', ""]  # fmt: skip
    lines += _table(
        "calls",
        {
            "call_id": '"Call"', "system_id": '"Unit S/N"', "opened_on": '"Opened"', "call_kind": _cell("What for", "", kinds),
            "finding": _cell("Found", "", findings), "put_right": '"Fixed?"', "cost": '"Our cost"', "technician_id": '"Who"',
        },
    )  # fmt: skip
    for name, file, table, columns in (
        ("people", "crew_list.csv", "technicians", {"technician_id": "No.", "name": "Name", "crew": "Crew", "branch": "Shop", "firm": "Firm", "hired_on": "Since", "left_on": "Until"}),
        ("courses", "classes.csv", "training", {"technician_id": "No.", "step": "About", "course": "Class", "held_on": "On", "hours": "Hours"}),
    ):  # fmt: skip
        lines += ["[[source]]", f'name = "{name}"', f'files = ["{file}"]', "lines_above = 1", 'date_order = "mdy"', ""]
        words = {"step": {WIDE_WORDS["electrical"]: "electrical"}}
        lines += _table(table, {column: _cell(heading, "", words.get(column)) for column, heading in columns.items()})
    return "\n".join(lines)


def workbook(expected: Expected) -> str:
    """For plant_book.xlsx."""
    jobs = {name.split(" [")[0]: heading for heading, name in expected.headings["Job sheets"].items()}
    units = {}
    for heading, name in expected.headings["Job sheets"].items():
        if "[" in heading and "." in name:
            place = name.split(" [")[0]
            written = heading.split("[")[1].rstrip("]")
            quantity = place.split(".")[1]
            units[place] = "barg" if written == "bar" and quantity in BAR_GAUGE else written
    plant = {name: heading for heading, name in expected.headings["Plant"].items()}
    flag = {"ja": "true", "nein": "false"}
    lines = ['name = "workbook"']

    def source(name: str, sheet: str) -> list[str]:
        return [
            "[[source]]",
            f'name = "{name}"',
            'files = ["plant_book.xlsx"]',
            f'sheet = "{sheet}"',
            "lines_above = 2",
            "",
        ]

    lines += source("plant", "Plant")
    lines += _table(
        "sites",
        {"site_id": f'"{plant["site_id"]}"', "altitude_ft": _cell(plant["altitude_ft"], "m"), "area": '"District"'},
    )
    lines += _table(
        "systems",
        {
            name: _cell(plant[name], "", flag if name in ("ducted", "agreement") else None)
            for name in SYSTEM_COLUMNS
            if name in plant
        },
    )
    lines += source("jobs", "Job sheets")
    lines += _table(
        "jobs",
        {name: _cell(jobs[name], "", flag if name == "ducts_kept" else None) for name in JOB_COLUMNS if name in jobs},
    )
    lines += _steps(jobs, {"ja": "done", "nein": "not_done"}, units, {})
    for name, sheet, table in (
        ("calls", "Call-outs", "calls"),
        ("people", "Fitters", "technicians"),
        ("courses", "Courses", "training"),
    ):
        lines += source(name, sheet)
        columns = {column: heading for heading, column in expected.headings[sheet].items()}
        lines += _table(
            table,
            {
                column: _cell(heading, "", flag if column == "put_right" else None)
                for column, heading in columns.items()
            },
        )
    return "\n".join(lines)


def forms(expected: Expected) -> str:
    """For sheets.jsonl, callouts.csv and the gauge logs."""
    headings = expected.headings["sheets.jsonl"]
    place = {name.split(" [")[0]: path.replace("[]", "") for path, name in headings.items()}
    lines = ['name = "forms"', "[[source]]", 'name = "sheets"', 'files = ["sheets.jsonl"]', ""]
    lines += _table("sites", {"site_id": _cell(place["site_id"]), "altitude_ft": _cell(place["altitude_ft"], "ft")})
    lines += _table("systems", {name: _cell(place[name]) for name in SYSTEM_COLUMNS if name in place})
    lines += _table("jobs", {name: _cell(place[name], "ft" if name == "line_set_ft" else "") for name in JOB_COLUMNS})
    lines += ["[[source.table]]", 'table = "steps"', 'list = "checks"', "[source.table.columns]", 'job_id = "number"']
    lines += [
        'step = "checks.check"',
        'ticked = { heading = "checks.ok", words = { true = "done", false = "not_done" } }',
    ]
    lines += ['started_at = "checks.begin"', 'ended_at = "checks.end"', 'technician_id = "checks.person"', ""]
    lines += [
        "[[source.table]]",
        'table = "readings"',
        'list = "checks.figures"',
        "[source.table.columns]",
        'job_id = "number"',
    ]
    lines += ['step = "checks.check"', 'quantity = "checks.figures.q"', 'value = "checks.figures.v"']
    lines += [
        'unit = "checks.figures.u"',
        'taken_at = "checks.figures.at"',
        'instrument_id = "checks.figures.with"',
        "",
    ]
    lines += [
        "[[source]]",
        'name = "calls"',
        'files = ["callouts.csv"]',
        'delimiter = ";"',
        'decimal_mark = ","',
        'date_order = "dmy"',
        "",
    ]
    columns = {column: heading for heading, column in expected.headings["callouts.csv"].items()}
    flag = {"1": "true", "0": "false"}
    lines += _table(
        "calls",
        {column: _cell(heading, "", flag if column == "put_right" else None) for column, heading in columns.items()},
    )
    lines += ["[[source]]", 'name = "gauges"', 'files = ["gauges/*.csv"]', 'delimiter = ";"', 'comment = "#"']
    lines += ["file_name_pattern = '^(?P<job>J\\d+)\\.csv$'", ""]
    lines += _table(
        "traces",
        {
            "job_id": '{ file_name = "job" }', "quantity": '{ constant = "vacuum" }', "unit": '{ constant = "micron" }',
            "elapsed_s": '{ heading = "clock", since = "first_row" }', "value": '"level_micron"',
        },
    )  # fmt: skip
    return "\n".join(lines)
