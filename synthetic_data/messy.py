"""The same fleet as contractors' own exports look: other headings, units, words and files, with noise around the tables.

Three styles. `wide`: comma-separated files in Windows-1252 with a title line and a totals line, US dates, money with $
and thousands marks, two job files that overlap. `workbook`: one XLSX in metric units, titles above the headings, an empty
sheet and a hidden one. `forms`: nested phone forms as JSON Lines, later visits as semicolon CSV with decimal commas and
days first, one gauge log for each job that has one. Each writer also gives what a right load must give.

Every export carries the site's altitude and the blower's maximum static, so that the states intended hold without the
tables of sites and of makers' limits.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from synthetic_data import scenario
from synthetic_data.fleet import Fleet
from synthetic_data.readings import QUANTITIES
from synthetic_data.worlds import STEPS

COMPRESSOR_FINDINGS = ("compressor_burnout", "compressor_mechanical")
OVERLAP_ROWS = 20
PSI_BAR, PSI_KPA, MICRON_PA, LB_KG, INWC_PA, CFM_LPS, FT_M = (
    0.0689475729, 6.89475729, 0.1333223684, 0.45359237, 249.08891, 0.4719474432, 0.3048,
)  # fmt: skip


@dataclass
class Expected:
    """What a right load of an export must give, with the default `usual` limits.

    rows : data rows in each file or sheet; unreadable : cells of readings that hold no number (rejected, the job is not)
    unchanged, changed : job rows that the second of two overlapping files brings again, equal or corrected
    headings : for each file or sheet, heading (or place in the form) -> what it holds, in the contract's words
    """

    style: str
    jobs: int = 0
    systems: int = 0
    calls: int = 0
    compressor_failures: int = 0
    states: dict[str, dict[str, int]] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)
    unreadable: int = 0
    unchanged: int = 0
    changed: int = 0
    gauge_logs: int = 0
    headings: dict[str, dict[str, str]] = field(default_factory=dict)

    def write(self, folder: Path) -> None:
        (folder / "expected.json").write_text(json.dumps(asdict(self), indent=1, ensure_ascii=False), encoding="utf-8")


# What one wide row is made of -----------------------------------------------------------------------------------------


def _wide(fleet: Fleet) -> list[dict[str, Any]]:
    """One row for each job: its columns, its system's, ticks as tick:<step>, readings as <step>.<quantity>."""
    last = (
        fleet.readings.with_row_index("at")
        .sort("job_id", "step", "quantity", "taken_at", "at", nulls_last=False)
        .unique(["job_id", "step", "quantity"], keep="last", maintain_order=True)
        .with_columns(name=pl.col("step") + "." + pl.col("quantity"))
    )
    readings = last.pivot("name", index="job_id", values="value")
    ticks = fleet.steps.with_columns(name="tick:" + pl.col("step")).pivot("name", index="job_id", values="ticked")
    sites = fleet.sites.select("site_id", "altitude_ft")
    rows = (
        fleet.jobs.join(fleet.systems.drop("area"), on="system_id", how="left")
        .join(sites, on="site_id", how="left")
        .join(ticks, on="job_id", how="left")
        .join(readings, on="job_id", how="left")
        .sort("job_id")
        .to_dicts()
    )
    for row in rows:
        if row["model"] == scenario.MODEL_HIGH_STATIC and row.get("airflow.return_static") is not None:
            row["airflow.maximum_static"] = str(scenario.HIGH_STATIC_INWC)
    return rows


def _expected(fleet: Fleet, style: str) -> Expected:
    states = fleet.truth.states
    told = {
        step: dict(part.group_by("state").len().sort("state").iter_rows())
        for (step,), part in states.with_columns(pl.col("step", "state").cast(pl.String)).group_by("step")
    }
    failed = fleet.calls.filter(pl.col("finding").is_in(COMPRESSOR_FINDINGS))
    latest = failed.group_by("system_id").agg(failed_on=pl.col("opened_on").max())
    scrapped = fleet.systems.filter(pl.col("retired_because") == "compressor").join(latest, on="system_id", how="left")
    # a unit scrapped for its compressor without a call of its own: the retirement is the only word of it
    untold = scrapped.filter(
        pl.col("failed_on").is_null() | ((pl.col("retired_on") - pl.col("failed_on")).dt.total_days() > 30)
    )
    return Expected(
        style,
        jobs=fleet.jobs.height,
        systems=fleet.systems.height,
        calls=fleet.calls.height,
        compressor_failures=failed.height + untold.height,
        states={step: told[step] for step in STEPS},
        unreadable=_unreadable(fleet).height,
    )


def _unreadable(fleet: Fleet) -> pl.DataFrame:
    is_text = pl.col("quantity").is_in(["test_gas", "blower_setting"])
    return fleet.readings.filter(~is_text & pl.col("value").cast(pl.Float64, strict=False).is_null())


def _number(text: Any) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError:
        return None


# Wide CSV ---------------------------------------------------------------------------------------------------------------

WIDE_WORDS = {
    "split_ac": "A/C split", "split_heat_pump": "Heat pump split", "ductless": "Mini-split", "packaged": "Package unit",
    "new_install": "New", "changeout": "Change-out", "compressor_changeout": "Compressor swap",
    "coil_changeout": "Coil swap", "circuit_repair": "Leak repair",
    "txv": "TXV", "eev": "EEV", "fixed_orifice": "Piston", "gas_furnace": "Furnace", "fan_coil": "Air handler",
    "own_crew": "us", "subcontractor": "sub", "someone_else": "others",
    "callback": "Call back", "repair": "Service", "maintenance": "Tune up", "warranty": "Warr.", "proactive": "Early visit",
    "compressor_burnout": "Comp burned out", "compressor_mechanical": "Comp mechanical", "metering_restricted": "Metering plugged",
    "refrigerant_leak": "Leak", "low_charge": "Undercharged", "over_charge": "Overcharged", "noncondensables": "Air in system",
    "acid_in_oil": "Acid", "moisture_in_circuit": "Moisture", "debris_in_circuit": "Debris", "coil_freeze": "Iced coil",
    "low_airflow": "Low air", "electrical": "Elec.", "drain": "Drain", "thermostat": "T-stat", "no_fault_found": "Nothing found",
    "other": "Misc.",
}  # fmt: skip

WIDE_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("Ticket", "job_id", ""), ("Unit S/N", "system_id", ""), ("Installer", "technician_id", ""), ("2nd", "helper_ids", ""), ("Site", "site_id", ""),
    ("Done", "finished_on", ""), ("Work", "job_kind", ""), ("Put in by", "installed_by", ""), ("Form", "form", ""),
    ("Type", "equipment", ""), ("Ducted?", "ducted", ""), ("Air side", "air_handler", ""), ("Gas", "refrigerant", ""),
    ("Size", "nominal_tons", "ton"), ("Exp. device", "metering", ""), ("Elev.", "altitude_ft", "ft"), ("Joint", "joints", ""),
    ("Line set", "line_set_ft", "ft"), ("Kept ducts?", "ducts_kept", ""),
    ("Nitrogen on?", "tick:nitrogen_flow", ""), ("N2 psig", "nitrogen_flow.flow_pressure", "psig"),
    ("N2 scfh", "nitrogen_flow.flow_rate", "scfh"),
    ("Press. test?", "tick:pressure_test", ""), ("Test gas", "pressure_test.test_gas", ""),
    ("From psig", "pressure_test.start_pressure", "psig"), ("To psig", "pressure_test.end_pressure", "psig"),
    ("From °F", "pressure_test.start_temperature", "degF"), ("To °F", "pressure_test.end_temperature", "degF"),
    ("Held (min)", "pressure_test.hold_time", "min"), ("N2 out?", "tick:nitrogen_release", ""),
    ("Vac?", "tick:evacuation", ""), ("Pump (min)", "evacuation.pump_time", "min"), ("Vac (micron)", "evacuation.vacuum", "micron"),
    ("Decay test?", "tick:vacuum_rise", ""), ("Decay from", "vacuum_rise.rise_start", "micron"),
    ("Decay to", "vacuum_rise.rise_end", "micron"), ("Decay (min)", "vacuum_rise.rise_time", "min"),
    ("Weighed?", "tick:charge", ""), ("In (lb)", "charge.charge_weight", "lb"), ("Plate (lb)", "charge.factory_charge", "lb"),
    ("Line add (lb)", "charge.line_set_adder", "lb"),
    ("Air?", "tick:airflow", ""), ("RSP", "airflow.return_static", "inwc"), ("SSP", "airflow.supply_static", "inwc"),
    ("Max SP", "airflow.maximum_static", "inwc"), ("CFM", "airflow.airflow", "cfm"), ("Fan W", "airflow.fan_power", "W"),
    ("Tap", "airflow.blower_setting", ""),
    ("Charge ok?", "tick:charge_check", ""), ("Suct. psig", "charge_check.suction_pressure", "psig"),
    ("Suct. °F", "charge_check.suction_temperature", "degF"), ("Liq. psig", "charge_check.liquid_pressure", "psig"),
    ("Liq. °F", "charge_check.liquid_temperature", "degF"), ("SC goal", "charge_check.target_subcooling", "delta_degF"),
    ("SH goal", "charge_check.target_superheat", "delta_degF"), ("OD °F", "charge_check.outdoor_dry_bulb", "degF"),
    ("Elec.?", "tick:electrical", ""), ("RLA", "electrical.rated_load_current", "A"),
    ("Amps", "electrical.compressor_current", "A"), ("Volts", "electrical.voltage", "V"),
    ("Rated V", "electrical.rated_voltage", "V"), ("V1-2", "electrical.voltage_ab", "V"), ("V2-3", "electrical.voltage_bc", "V"),
    ("V3-1", "electrical.voltage_ca", "V"),
    ("Plan", "agreement", ""), ("Last heard", "last_contact_on", ""), ("Pulled", "retired_on", ""), ("Why pulled", "retired_because", ""),
)  # fmt: skip


def _us(value: Any, name: str) -> str:
    """A cell as this office writes it."""
    if value is None:
        return "-" if name == "pressure_test.test_gas" else ""
    if isinstance(value, dt.date):
        return f"{value.month}/{value.day}/{value.year}"
    if name.startswith("tick:"):
        return "Y" if value == "done" else "N"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name == "refrigerant":
        return value.replace("-", "").upper()
    if name == "line_set_ft":
        return f"{value:g}'"
    if name == "altitude_ft":
        return f"{value:,.0f}"
    if name == "pressure_test.test_gas":
        return {"nitrogen": "N2", "air": "AIR"}[value]
    return WIDE_WORDS.get(value, str(value)) if isinstance(value, str) else f"{value:g}"


def write_wide(fleet: Fleet, folder: Path | str) -> Expected:
    """Two overlapping job files, service calls, crew list and classes, as comma-separated files in Windows-1252."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    expected = _expected(fleet, "wide")
    rows = _wide(fleet)
    headings = [heading for heading, _, _ in WIDE_COLUMNS]
    cells = [[_us(row.get(name), name) for _, name, _ in WIDE_COLUMNS] for row in rows]
    middle = len(cells) // 2
    overlap = min(OVERLAP_ROWS, middle)
    early = [list(row) for row in cells[:middle]]
    # two of the overlapping rows were corrected in the office before the second file was made
    place = headings.index("Line set")
    corrected = 0
    for row in early[-overlap:]:
        if corrected < 2 and row[place]:
            row[place] = "999'"
            corrected += 1
    expected.changed, expected.unchanged = corrected, overlap - corrected
    # what cannot be read in an overlapping row is met in both files
    twice = [row["job_id"] for row in rows[middle - overlap : middle]]
    expected.unreadable += _unreadable(fleet).filter(pl.col("job_id").is_in(twice)).height
    for name, part in (("installs_first.csv", early), ("installs_second.csv", cells[middle - overlap :])):
        _csv_with_noise(folder / name, "Install register - all branches", headings, part, ["Count", str(len(part))])
        expected.rows[name] = len(part)
        expected.headings[name] = {heading: _said(column, unit) for heading, column, unit in WIDE_COLUMNS}
    call_columns = (
        ("Call", "call_id"), ("Unit S/N", "system_id"), ("Opened", "opened_on"), ("What for", "call_kind"),
        ("Found", "finding"), ("Fixed?", "put_right"), ("Our cost", "cost"), ("Who", "technician_id"),
    )  # fmt: skip
    calls = [
        [
            f"${row[name]:,.2f}" if name == "cost" and row[name] is not None else _us(row[name], name)
            for _, name in call_columns
        ]
        for row in fleet.calls.to_dicts()
    ]
    spent = float(fleet.calls["cost"].sum() or 0)
    total = ["TOTAL", "", "", "", "", "", f"${spent:,.2f}", ""]
    _csv_with_noise(folder / "service_log.csv", "Service log", [heading for heading, _ in call_columns], calls, total)
    expected.rows["service_log.csv"] = len(calls)
    expected.headings["service_log.csv"] = dict(call_columns)
    for name, title, frame, columns in (
        ("crew_list.csv", "Crew list", fleet.technicians, (("No.", "technician_id"), ("Name", "name"), ("Crew", "crew"), ("Shop", "branch"), ("Firm", "firm"), ("Since", "hired_on"), ("Until", "left_on"))),
        ("classes.csv", "Classes held", fleet.training, (("No.", "technician_id"), ("About", "step"), ("Class", "course"), ("On", "held_on"), ("Hours", "hours"))),
    ):  # fmt: skip
        body = [[_us(row[column], column) for _, column in columns] for row in frame.to_dicts()]
        _csv_with_noise(folder / name, title, [heading for heading, _ in columns], body, None)
        expected.rows[name] = len(body)
        expected.headings[name] = dict(columns)
    expected.write(folder)
    return expected


def _said(column: str, unit: str) -> str:
    return f"{column} [{unit}]" if unit else column


def _csv_with_noise(
    path: Path, title: str, headings: list[str], rows: list[list[str]], total: list[str] | None
) -> None:
    with open(path, "w", encoding="cp1252", newline="") as handle:
        handle.write(f"{title}\r\n")
        writer = csv.writer(handle, lineterminator="\r\n")
        writer.writerow(headings)
        writer.writerows(rows)
        if total is not None:
            writer.writerow(total)


# Workbook -----------------------------------------------------------------------------------------------------------------

_METRIC: dict[str, tuple[str, float, int]] = {
    # unit of the contract -> unit written, factor, decimals
    "psig": ("bar", PSI_BAR, 4), "micron": ("Pa", MICRON_PA, 3), "lb": ("kg", LB_KG, 4), "inwc": ("Pa", INWC_PA, 1),
    "cfm": ("L/s", CFM_LPS, 1), "scfh": ("L/min", 28.316846592 / 60, 2),
}  # fmt: skip
_BOOK_STEP = {
    "nitrogen_flow": "N2 purge", "pressure_test": "Strength test", "nitrogen_release": "Vented", "evacuation": "Pulled down",
    "vacuum_rise": "Hold test", "charge": "Charge weighed", "airflow": "Air balance", "charge_check": "Running check",
    "electrical": "Electrics",
}  # fmt: skip
_BOOK_QUANTITY = {
    "flow_pressure": "purge pressure", "flow_rate": "purge rate", "test_gas": "test medium", "start_pressure": "start",
    "end_pressure": "finish", "start_temperature": "pipe at start", "end_temperature": "pipe at finish",
    "hold_time": "held for", "pump_time": "pump ran", "vacuum": "absolute", "rise_start": "hold start",
    "rise_end": "hold finish", "rise_time": "hold for", "charge_weight": "put in", "factory_charge": "plate charge",
    "line_set_adder": "for pipe", "return_static": "return duct", "supply_static": "supply duct", "airflow": "air",
    "blower_setting": "fan step", "fan_power": "fan draws", "maximum_static": "fan limit", "suction_pressure": "low side",
    "suction_temperature": "low side pipe", "liquid_pressure": "high side", "liquid_temperature": "high side pipe",
    "target_subcooling": "aim subcooling", "target_superheat": "aim superheat", "outdoor_dry_bulb": "outside",
    "compressor_current": "drawn", "rated_load_current": "rated", "voltage": "supply voltage", "rated_voltage": "plate voltage",
    "voltage_ab": "L1-L2", "voltage_bc": "L2-L3", "voltage_ca": "L3-L1",
}  # fmt: skip


def _metric(value: Any, unit: str) -> tuple[Any, str]:
    """A reading in this book's unit; what is no number stays as it is."""
    figure = _number(value)
    if unit in _METRIC:
        written, factor, decimals = _METRIC[unit]
        return (value if figure is None else round(figure * factor, decimals)), written
    if unit == "degF":
        return (value if figure is None else round((figure - 32) / 1.8, 3)), "degC"
    if unit == "delta_degF":
        return (value if figure is None else round(figure / 1.8, 3)), "K"
    return (value if figure is None else figure), unit


def write_workbook(fleet: Fleet, folder: Path | str) -> Expected:
    """One workbook in metric units: jobs, plant, call-outs, people and courses, with titles, an empty and a hidden sheet."""
    import xlsxwriter

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    expected = _expected(fleet, "workbook")
    quantities = [(step, quantity, unit) for step, quantity, unit in QUANTITIES if quantity in _BOOK_QUANTITY]
    job_columns = {"Sheet": "job_id", "Plant": "system_id", "Fitter": "technician_id", "Mate": "helper_ids", "Finished": "finished_on",
                   "Work": "job_kind", "Done by": "installed_by", "Joints": "joints", "Old ducts": "ducts_kept"}  # fmt: skip
    headings = dict(job_columns)
    for step in STEPS:
        headings[_BOOK_STEP[step]] = f"tick:{step}"
        for of_step, quantity, unit in quantities:
            if of_step == step:
                shown = _metric("1", unit)[1]
                heading = _BOOK_QUANTITY[quantity] + (f" [{shown}]" if shown else "")
                headings[heading] = _said(f"{step}.{quantity}", shown)
    unit_of = {f"{step}.{quantity}": unit for step, quantity, unit in QUANTITIES}
    jobs = []
    for row in _wide(fleet):
        cells = []
        for name in headings.values():
            key = name.split(" [")[0]
            value = row.get(key)
            if key.startswith("tick:"):
                value = {"done": "ja", "not_done": "nein"}.get(str(value))
            elif key in unit_of:
                value = _metric(value, unit_of[key])[0] if unit_of[key] else value
            cells.append(value)
        jobs.append(cells)
    plant_columns = {"Plant": "system_id", "Site": "site_id", "Height [m]": "altitude_ft", "District": "area", "Kind": "equipment",
                     "Ducted": "ducted", "Air side": "air_handler", "Refrigerant": "refrigerant", "Tons": "nominal_tons",
                     "Expansion": "metering", "Contract": "agreement", "Every [months]": "visit_interval_months",
                     "Last contact": "last_contact_on", "Warranty to": "warranty_until", "Removed": "retired_on",
                     "Reason": "retired_because"}  # fmt: skip
    plant_rows = fleet.systems.join(fleet.sites.select("site_id", "altitude_ft"), on="site_id", how="left").to_dicts()
    plant = [
        [round(row[name] * FT_M, 2) if name == "altitude_ft" else row[name] for name in plant_columns.values()]
        for row in plant_rows
    ]
    call_columns = {"Ref": "call_id", "Plant": "system_id", "Day": "opened_on", "Reason": "call_kind", "Found": "finding",
                    "Put right": "put_right", "Cost": "cost", "Fitter": "technician_id"}  # fmt: skip
    people_columns = {"Fitter": "technician_id", "Handle": "name", "Team": "crew", "Depot": "branch", "Firm": "firm",
                      "Joined": "hired_on", "Left": "left_on"}  # fmt: skip
    course_columns = {
        "Fitter": "technician_id",
        "Subject": "step",
        "Course": "course",
        "Day": "held_on",
        "Hours": "hours",
    }
    book = xlsxwriter.Workbook(str(folder / "plant_book.xlsx"), {"in_memory": False, "strings_to_numbers": False})
    day_format = book.add_format({"num_format": "yyyy-mm-dd"})

    def sheet(name: str, title: str, columns: dict[str, str], rows: list[list[Any]]) -> None:
        page = book.add_worksheet(name)
        page.write(0, 0, title)
        page.write_row(2, 0, list(columns))
        for at, row in enumerate(rows, start=3):
            for place, value in enumerate(row):
                if value is None:
                    continue
                if isinstance(value, dt.date):
                    page.write_datetime(at, place, dt.datetime(value.year, value.month, value.day), day_format)
                elif isinstance(value, bool):
                    page.write(at, place, "ja" if value else "nein")
                else:
                    page.write(at, place, value)
        expected.rows[name] = len(rows)
        expected.headings[name] = columns

    def body(frame: pl.DataFrame, columns: dict[str, str]) -> list[list[Any]]:
        return [list(row) for row in frame.select(list(columns.values())).iter_rows()]

    sheet("Job sheets", "Commissioning, metric", headings, jobs)
    sheet("Plant", "Plant register", plant_columns, plant)
    sheet("Call-outs", "Later visits", call_columns, body(fleet.calls, call_columns))
    sheet("Fitters", "Teams", people_columns, body(fleet.technicians, people_columns))
    sheet("Courses", "Courses held", course_columns, body(fleet.training, course_columns))
    book.add_worksheet("Remarks")
    scratch = book.add_worksheet("scratch")
    scratch.write(0, 0, "old figures, do not use")
    scratch.write(1, 0, "S00001")
    scratch.hide()
    book.close()
    expected.write(folder)
    return expected


# Nested forms ---------------------------------------------------------------------------------------------------------------


def write_forms(fleet: Fleet, folder: Path | str) -> Expected:
    """Phone forms as JSON Lines, call-outs as semicolon CSV, a gauge log for each job that has one."""
    folder = Path(folder)
    (folder / "gauges").mkdir(parents=True, exist_ok=True)
    expected = _expected(fleet, "forms")
    systems = {row["system_id"]: row for row in fleet.systems.to_dicts()}
    altitude = dict(fleet.sites.select("site_id", "altitude_ft").iter_rows())
    readings: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in fleet.readings.to_dicts():
        numeric = _number(row["value"])
        entry = {"q": row["quantity"], "v": row["value"] if numeric is None else numeric, "u": row["unit"] or ""}
        if row["taken_at"] is not None:
            entry["at"] = row["taken_at"].isoformat()
        if row["instrument_id"] is not None:
            entry["with"] = row["instrument_id"]
        readings.setdefault((row["job_id"], row["step"]), []).append(entry)
    ticks: dict[str, list[dict[str, Any]]] = {}
    for row in fleet.steps.to_dicts():
        ticks.setdefault(row["job_id"], []).append(row)
    with open(folder / "sheets.jsonl", "w", encoding="utf-8") as handle:
        for job in fleet.jobs.to_dicts():
            system = systems[job["system_id"]]
            checks = []
            for row in ticks.get(job["job_id"], []):
                entries = list(readings.get((job["job_id"], row["step"]), []))
                if (
                    row["step"] == "airflow"
                    and system["model"] == scenario.MODEL_HIGH_STATIC
                    and any(entry["q"] == "return_static" for entry in entries)
                ):
                    entries.append({"q": "maximum_static", "v": scenario.HIGH_STATIC_INWC, "u": "inwc"})
                checks.append(
                    {
                        "check": row["step"],
                        "ok": {"done": True, "not_done": False}.get(row["ticked"]),
                        "begin": row["started_at"].isoformat() if row["started_at"] else None,
                        "end": row["ended_at"].isoformat() if row["ended_at"] else None,
                        "person": row["technician_id"],
                        "figures": entries,
                    }
                )
            sheet = {
                "kind": "commissioning",
                "number": job["job_id"],
                "form": job["form"],
                "finished": _iso(job["finished_on"]),
                "work": job["job_kind"],
                "by": job["installed_by"],
                "people": {"lead": job["technician_id"], "others": [job["helper_ids"]] if job["helper_ids"] else []},
                "pipes": {"joints": job["joints"], "length_ft": job["line_set_ft"], "old_ducts": job["ducts_kept"]},
                "unit": {
                    "tag": system["system_id"],
                    "place": system["site_id"],
                    "height_ft": altitude[system["site_id"]],
                    "zone": system["area"],
                    "type": system["equipment"],
                    "ducted": system["ducted"],
                    "air": system["air_handler"],
                    "fluid": system["refrigerant"].lower(),
                    "tons": system["nominal_tons"],
                    "valve": system["metering"],
                    "contract": system["agreement"],
                    "months": system["visit_interval_months"],
                    "heard": _iso(system["last_contact_on"]),
                    "out": {"on": _iso(system["retired_on"]), "because": system["retired_because"]},
                },
                "checks": checks,
            }
            handle.write(json.dumps(sheet, ensure_ascii=False) + "\n")
    expected.rows["sheets.jsonl"] = fleet.jobs.height
    expected.headings["sheets.jsonl"] = {
        "number": "job_id", "form": "form", "finished": "finished_on", "work": "job_kind", "by": "installed_by",
        "people.lead": "technician_id", "people.others": "helper_ids", "pipes.joints": "joints", "pipes.length_ft": "line_set_ft [ft]",
        "pipes.old_ducts": "ducts_kept", "unit.tag": "system_id", "unit.place": "site_id", "unit.height_ft": "altitude_ft [ft]",
        "unit.zone": "area", "unit.type": "equipment", "unit.ducted": "ducted", "unit.air": "air_handler", "unit.fluid": "refrigerant",
        "unit.tons": "nominal_tons", "unit.valve": "metering", "unit.contract": "agreement", "unit.months": "visit_interval_months",
        "unit.heard": "last_contact_on", "unit.out.on": "retired_on", "unit.out.because": "retired_because",
        "checks[].check": "step", "checks[].ok": "ticked", "checks[].begin": "started_at", "checks[].end": "ended_at",
        "checks[].person": "steps.technician_id", "checks[].figures[].q": "quantity", "checks[].figures[].v": "value",
        "checks[].figures[].u": "unit", "checks[].figures[].at": "taken_at", "checks[].figures[].with": "instrument_id",
    }  # fmt: skip
    columns = {"nr": "call_id", "unit": "system_id", "day": "opened_on", "sort": "call_kind", "cause": "finding",
               "solved": "put_right", "amount": "cost", "person": "technician_id"}  # fmt: skip
    with open(folder / "callouts.csv", "w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, delimiter=";", lineterminator="\n")
        writer.writerow(columns)
        for row in fleet.calls.to_dicts():
            day = row["opened_on"]
            cost = "" if row["cost"] is None else f"{row['cost']:.2f}".replace(".", ",")
            solved = {True: "1", False: "0"}.get(row["put_right"], "")
            writer.writerow(
                [row["call_id"], row["system_id"], f"{day.day:02d}.{day.month:02d}.{day.year}", row["call_kind"],
                 row["finding"] or "", solved, cost, row["technician_id"] or ""]
            )  # fmt: skip
    expected.rows["callouts.csv"] = fleet.calls.height
    expected.headings["callouts.csv"] = columns
    rises = fleet.traces.filter((pl.col("step") == "vacuum_rise") & (pl.col("quantity") == "vacuum"))
    finished = dict(fleet.jobs.select("job_id", "finished_on").iter_rows())
    for (job_id,), log in rises.group_by("job_id", maintain_order=True):
        begin = dt.datetime.combine(finished[job_id], dt.time(11, 3, 7))
        lines = ["# micron gauge, stored on the phone", f"# instrument {log['instrument_id'][0]}", "clock;level_micron"]
        for elapsed, value in log.select("elapsed_s", "value").iter_rows():
            clock = begin + dt.timedelta(seconds=elapsed)
            lines.append(f"{clock.strftime('%Y-%m-%d %H:%M:%S')}.{clock.microsecond // 100_000};{value:.1f}")
        (folder / "gauges" / f"{job_id}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        expected.gauge_logs += 1
    expected.headings["gauges/*.csv"] = {
        "clock": "elapsed_s",
        "level_micron": "value [micron]",
        "(name of the file)": "job_id",
    }
    expected.write(folder)
    return expected


def _iso(day: dt.date | None) -> str | None:
    return None if day is None else day.isoformat()


WRITERS = {"wide": write_wide, "workbook": write_workbook, "forms": write_forms}


def write_messy(fleet: Fleet, folder: Path | str, style: str) -> Expected:
    """The fleet as one of the messy exports, with expected.json beside it.

    Raises
    ------
    ValueError : a style that is not known.
    """
    if style not in WRITERS:
        raise ValueError(f"No style of export is called {style!r}; known: {', '.join(WRITERS)}.")
    return WRITERS[style](fleet, folder)
