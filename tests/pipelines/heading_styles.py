"""Job sheets, calls and lists in headings of many styles, each with the place that a person of the trade gives it.

Invented rows: (heading, place, how its cells are written). The place is empty where nothing of the contract fits.
"""

from __future__ import annotations

import csv
import datetime as dt
import random
from collections.abc import Callable
from pathlib import Path

Cell = Callable[[random.Random, int], str]


def num(low: float, high: float, digits: int = 0) -> Cell:
    return lambda rng, row: f"{rng.uniform(low, high):.{digits}f}"


def pick(*words: str) -> Cell:
    return lambda rng, row: rng.choice(words)


def day(form: str) -> Cell:
    return lambda rng, row: (dt.date(2018, 1, 1) + dt.timedelta(days=row * 7 + rng.randrange(5))).strftime(form)


def rarely(cell: Cell) -> Cell:
    return lambda rng, row: cell(rng, row) if rng.random() < 0.15 else ""


def numbered(form: str) -> Cell:
    return lambda rng, row: form.format(row)


JOB, SERIAL, PERSON = numbered("WO-1{:04d}"), numbered("19X{:05d}"), pick("jdm", "rkl", "pqs", "tww", "abz")
YES_NO, TRUE_FALSE, CROSS = pick("Y", "N"), pick("true", "false"), pick("x", "")
US, ISO, DOTTED = day("%m/%d/%Y"), day("%Y-%m-%d"), day("%d.%m.%Y")

STYLES: dict[str, list[tuple[str, str, Cell]]] = {
    "spelled out": [
        ("Work Order Number", "jobs.job_id", JOB), ("Outdoor Unit Serial Number", "jobs.system_id", SERIAL),
        ("Service Address", "", numbered("{} Elm St")), ("Lead Technician", "jobs.technician_id", PERSON),
        ("Helper", "jobs.helper_ids", rarely(PERSON)), ("Date Completed", "jobs.finished_on", US),
        ("Type of Job", "jobs.job_kind", pick("New Construction", "Change-out", "Compressor Replacement")),
        ("System Type", "systems.equipment", pick("Heat Pump", "Air Conditioner", "Ductless Mini Split", "Package Unit")),
        ("Refrigerant Type", "systems.refrigerant", pick("R-410A", "R-22", "R-32")),
        ("Nominal Tonnage", "systems.nominal_tons", pick("2", "2.5", "3", "4")),
        ("Metering Device", "systems.metering", pick("TXV", "Piston")),
        ("Outdoor Model Number", "systems.model", pick("AX14-024", "BX16-036")),
        ("Line Set Length (ft)", "jobs.line_set_ft", num(15, 80)),
        ("Existing Line Set Reused?", "jobs.line_set_reused", YES_NO),
        ("Nitrogen Purge While Brazing", "nitrogen_flow.ticked", YES_NO),
        ("Pressure Test Performed", "pressure_test.ticked", YES_NO),
        ("Starting Test Pressure (psig)", "pressure_test.start_pressure", num(350, 450)),
        ("Ending Test Pressure (psig)", "pressure_test.end_pressure", num(350, 450)),
        ("Test Duration (minutes)", "pressure_test.hold_time", num(15, 60)),
        ("Evacuation Performed", "evacuation.ticked", YES_NO),
        ("Final Vacuum Level (microns)", "evacuation.vacuum", num(180, 600)),
        ("Vacuum Pump Run Time (min)", "evacuation.pump_time", num(20, 90)),
        ("Decay Test Performed", "vacuum_rise.ticked", YES_NO),
        ("Decay Test Ending Microns", "vacuum_rise.rise_end", num(300, 1500)),
        ("Decay Test Time (min)", "vacuum_rise.rise_time", num(10, 20)),
        ("Factory Charge (lb)", "charge.factory_charge", num(5, 12, 2)),
        ("Line Set Adder (oz)", "charge.line_set_adder", num(1, 15, 1)),
        ("Total Charge Weighed In (lb)", "charge.charge_weight", num(5, 13, 2)),
        ("Return Static Pressure (in wc)", "airflow.return_static", num(0.1, 0.4, 2)),
        ("Supply Static Pressure (in wc)", "airflow.supply_static", num(0.1, 0.4, 2)),
        ("Total External Static (in wc)", "", num(0.3, 0.8, 2)),
        ("Measured Airflow (CFM)", "airflow.airflow", num(800, 1600)),
        ("Blower Speed Tap", "airflow.blower_setting", pick("Med", "High")),
        ("Suction Pressure (psig)", "charge_check.suction_pressure", num(110, 140)),
        ("Suction Line Temp (°F)", "charge_check.suction_temperature", num(45, 60, 1)),
        ("Liquid Pressure (psig)", "charge_check.liquid_pressure", num(300, 400)),
        ("Liquid Line Temp (°F)", "charge_check.liquid_temperature", num(80, 105, 1)),
        ("Actual Subcooling", "", num(5, 15, 1)), ("Actual Superheat", "", num(5, 20, 1)),
        ("Target Subcooling (°F)", "charge_check.target_subcooling", num(8, 12)),
        ("Outdoor Ambient Temp (°F)", "charge_check.outdoor_dry_bulb", num(70, 100)),
        ("Return Air Wet Bulb (°F)", "charge_check.return_wet_bulb", num(58, 68)),
        ("Supply Air Temp (°F)", "charge_check.supply_dry_bulb", num(50, 60)),
        ("Temperature Split", "", num(15, 22)), ("Compressor Amps", "electrical.compressor_current", num(5, 20, 1)),
        ("Compressor RLA", "electrical.rated_load_current", num(8, 22, 1)),
        ("Line Voltage", "electrical.voltage", num(220, 245)), ("Maintenance Agreement?", "systems.agreement", YES_NO),
        ("Warranty Expiration", "systems.warranty_until", US), ("Comments", "", pick("all good", "see pictures", "")),
    ],
    "words joined by lines": [
        ("job_no", "jobs.job_id", JOB), ("odu_serial", "jobs.system_id", SERIAL), ("tech_id", "jobs.technician_id", PERSON),
        ("completed_date", "jobs.finished_on", ISO), ("job_type", "jobs.job_kind", pick("install", "replacement")),
        ("equip_type", "systems.equipment", pick("hp", "ac", "minisplit")), ("refrigerant", "systems.refrigerant", pick("410A", "32")),
        ("capacity_btuh", "systems.nominal_tons", pick("24000", "36000", "48000")), ("n2_purge", "nitrogen_flow.ticked", TRUE_FALSE),
        ("n2_purge_scfh", "nitrogen_flow.flow_rate", num(3, 12)), ("pt_ok", "pressure_test.ticked", TRUE_FALSE),
        ("pt_gas", "pressure_test.test_gas", pick("N2", "air")), ("pt_start_psi", "pressure_test.start_pressure", num(300, 450)),
        ("pt_end_psi", "pressure_test.end_pressure", num(300, 450)), ("pt_start_temp_f", "pressure_test.start_temperature", num(60, 90)),
        ("pt_end_temp_f", "pressure_test.end_temperature", num(60, 90)), ("pt_minutes", "pressure_test.hold_time", num(15, 60)),
        ("n2_vented", "nitrogen_release.ticked", TRUE_FALSE), ("evac_microns", "evacuation.vacuum", num(180, 600)),
        ("evac_minutes", "evacuation.pump_time", num(20, 90)), ("decay_start_microns", "vacuum_rise.rise_start", num(180, 500)),
        ("decay_end_microns", "vacuum_rise.rise_end", num(300, 900)), ("nameplate_charge_lb", "charge.factory_charge", num(5, 12, 2)),
        ("added_charge_oz", "charge.line_set_adder", num(1, 20, 1)), ("weighed_in_lb", "charge.charge_weight", num(5, 13, 2)),
        ("static_return_inwc", "airflow.return_static", num(0.1, 0.4, 2)), ("fan_watts", "airflow.fan_power", num(200, 600)),
        ("suction_psig", "charge_check.suction_pressure", num(110, 140)), ("liquid_temp_f", "charge_check.liquid_temperature", num(80, 105, 1)),
        ("superheat_f", "", num(5, 15, 1)), ("target_subcool_f", "charge_check.target_subcooling", num(8, 12)),
        ("oat_f", "charge_check.outdoor_dry_bulb", num(70, 100)), ("compressor_amps", "electrical.compressor_current", num(5, 20, 1)),
        ("rla_amps", "electrical.rated_load_current", num(8, 22, 1)), ("l1_l2_volts", "electrical.voltage_ab", num(220, 245)),
        ("created_at", "", ISO), ("notes", "", pick("ok", "", "")),
    ],
    "metric": [
        ("Job ref", "jobs.job_id", JOB), ("Asset no", "jobs.system_id", SERIAL), ("Engineer", "jobs.technician_id", PERSON),
        ("Commissioned on", "jobs.finished_on", DOTTED), ("Gas type", "systems.refrigerant", pick("R32", "R410A")),
        ("Pipe run (m)", "jobs.line_set_ft", num(4, 25, 1)), ("OFN purge during brazing", "nitrogen_flow.ticked", pick("Yes", "No")),
        ("OFN flow (L/min)", "nitrogen_flow.flow_rate", num(2, 8, 1)), ("Strength test", "pressure_test.ticked", pick("Yes", "No")),
        ("Test medium", "pressure_test.test_gas", pick("OFN", "Air")), ("Test pressure start (bar)", "pressure_test.start_pressure", num(25, 32, 1)),
        ("Hold (h)", "pressure_test.hold_time", num(1, 4, 1)), ("Final vacuum (mbar)", "evacuation.vacuum", num(0.2, 0.9, 2)),
        ("Vacuum time (h)", "evacuation.pump_time", num(0.5, 3, 1)), ("Standing vacuum test", "vacuum_rise.ticked", pick("Yes", "No")),
        ("Vacuum rise end (mbar)", "vacuum_rise.rise_end", num(0.4, 1.5, 2)), ("Base charge (kg)", "charge.factory_charge", num(1.5, 4, 2)),
        ("Additional charge (g)", "charge.line_set_adder", num(50, 400)), ("Total charge (kg)", "charge.charge_weight", num(1.5, 4.5, 2)),
        ("Airflow (m3/h)", "airflow.airflow", num(1200, 2500)), ("Suction pressure (kPa)", "charge_check.suction_pressure", num(700, 950)),
        ("Suction temperature (°C)", "charge_check.suction_temperature", num(6, 16, 1)), ("Ambient (°C)", "charge_check.outdoor_dry_bulb", num(20, 38, 1)),
        ("Return air DB (°C)", "charge_check.return_dry_bulb", num(20, 27, 1)), ("Running current (A)", "electrical.compressor_current", num(4, 12, 1)),
        ("Rated current (A)", "electrical.rated_load_current", num(6, 14, 1)), ("Voltage L2-L3 (V)", "electrical.voltage_bc", num(395, 410)),
        ("Input power (kW)", "electrical.input_power", num(2, 6, 2)),
    ],
    "short": [
        ("WO#", "jobs.job_id", JOB), ("S/N", "jobs.system_id", SERIAL), ("Tech", "jobs.technician_id", PERSON), ("Dt", "jobs.finished_on", US),
        ("Sys", "systems.equipment", pick("HP", "AC", "RTU")), ("Ref", "systems.refrigerant", pick("410A", "22")), ("LS", "jobs.line_set_ft", num(15, 80)),
        ("N2", "nitrogen_flow.ticked", CROSS), ("PT", "pressure_test.ticked", CROSS), ("PT psi", "pressure_test.start_pressure", num(350, 450)),
        ("PT min", "pressure_test.hold_time", num(15, 60)), ("Vac", "evacuation.ticked", CROSS), ("Vac mic", "evacuation.vacuum", num(180, 600)),
        ("Vac min", "evacuation.pump_time", num(20, 90)), ("Decay mic", "vacuum_rise.rise_end", num(300, 900)), ("Chg lb", "charge.charge_weight", num(5, 13, 2)),
        ("RSP", "airflow.return_static", num(0.1, 0.4, 2)), ("SSP", "airflow.supply_static", num(0.1, 0.4, 2)), ("CFM", "airflow.airflow", num(800, 1600)),
        ("Suct P", "charge_check.suction_pressure", num(110, 140)), ("Suct T", "charge_check.suction_temperature", num(45, 60, 1)),
        ("Liq P", "charge_check.liquid_pressure", num(300, 400)), ("Liq T", "charge_check.liquid_temperature", num(80, 105, 1)),
        ("SC", "", num(5, 15, 1)), ("SH", "", num(5, 15, 1)), ("Tgt SC", "charge_check.target_subcooling", num(8, 12)),
        ("OAT", "charge_check.outdoor_dry_bulb", num(70, 100)), ("IWB", "charge_check.return_wet_bulb", num(58, 68)),
        ("Comp A", "electrical.compressor_current", num(5, 20, 1)), ("RLA", "electrical.rated_load_current", num(8, 22, 1)),
    ],
    "with slips of the pen": [
        ("Job Nr", "jobs.job_id", JOB), ("Serail Number", "jobs.system_id", SERIAL), ("Techncian", "jobs.technician_id", PERSON),
        ("Date Compleated", "jobs.finished_on", ISO), ("Refridgerant", "systems.refrigerant", pick("R410A", "R32")),
        ("Nitrogn Purge", "nitrogen_flow.ticked", YES_NO), ("Vaccum (microns)", "evacuation.vacuum", num(180, 600)),
        ("Liqud Line Temp (F)", "charge_check.liquid_temperature", num(80, 105)), ("Sub-cooling target (F)", "charge_check.target_subcooling", num(8, 12)),
        ("Outdor Temp (F)", "charge_check.outdoor_dry_bulb", num(70, 100)), ("Compresser Amps", "electrical.compressor_current", num(5, 20, 1)),
    ],
    "calls": [
        ("Ticket ID", "calls.call_id", numbered("TK{}")), ("Equipment Serial", "calls.system_id", SERIAL), ("Date of Call", "calls.opened_on", US),
        ("Call Type", "calls.call_kind", pick("Service", "PM", "Warranty", "Callback")),
        ("Problem Found", "calls.finding", pick("Leak", "Bad capacitor", "No problem found", "Burned compressor")),
        ("Total Cost", "calls.cost", lambda rng, row: f"${rng.uniform(50, 3000):,.2f}"), ("Technician", "calls.technician_id", PERSON),
        ("Resolved", "calls.put_right", YES_NO), ("Invoice #", "", numbered("INV{}")),
    ],
    "team": [
        ("Employee #", "technicians.technician_id", numbered("E{}")), ("Full Name", "technicians.name", numbered("Person {}")),
        ("Crew Name", "technicians.crew", pick("North", "South")), ("Office", "technicians.branch", pick("East", "West")),
        ("Hire Date", "technicians.hired_on", US), ("Termination Date", "technicians.left_on", rarely(US)), ("Extension", "", numbered("2{:02d}")),
    ],
    "register": [
        ("Asset Tag", "systems.system_id", SERIAL), ("Customer #", "systems.site_id", numbered("C{}")), ("Zip", "systems.area", pick("30301", "30302")),
        ("Unit Type", "systems.equipment", pick("Split AC", "Heat Pump")), ("Size (tons)", "systems.nominal_tons", pick("2", "3")),
        ("Model #", "systems.model", pick("AA1", "BB2")), ("Service Plan", "systems.agreement", YES_NO), ("Last Service", "systems.last_contact_on", US),
        ("Warranty Exp", "systems.warranty_until", US), ("Retired", "systems.retired_on", rarely(US)),
        ("Reason Retired", "systems.retired_because", rarely(pick("upgrade", "compressor failure", "moved"))),
    ],
    "readings one below the other": [
        ("JobNo", "readings.job_id", lambda rng, row: f"J{row // 5}"),
        ("Measurement", "readings.quantity", pick("Suction Pressure", "Liquid Line Temp", "Vacuum", "Return Static", "Comp Amps")),
        ("Result", "readings.value", num(1, 100, 1)), ("UOM", "readings.unit", pick("psig", "degF")),
        ("Timestamp", "readings.taken_at", lambda rng, row: f"2024-05-{1 + row % 28:02d} 10:{row % 60:02d}:00"),
        ("Gauge ID", "readings.instrument_id", pick("G1", "G2")),
    ],
    "courses": [
        ("Employee ID", "training.technician_id", lambda rng, row: f"E{row % 9}"), ("Class", "training.course", pick("Vacuum basics", "Brazing 101")),
        ("Class Date", "training.held_on", US), ("Hours", "training.hours", pick("4", "8")),
    ],
}  # fmt: skip


def write_style(folder: Path, style: str, rows: int = 120) -> Path:
    rng = random.Random(5)
    path = folder / f"{style.replace(' ', '_')}.csv"
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow([heading for heading, _, _ in STYLES[style]])
        writer.writerows([[cell(rng, row) for _, _, cell in STYLES[style]] for row in range(rows)])
    return path
