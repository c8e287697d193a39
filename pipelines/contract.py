"""Names and codes that everything else agrees on: tables in, their columns, steps and states.

Facts only: nothing here reads a file or a store. The staged name of a contract table is `staged_` and its singular
(`jobs` is held as `staged_job`); exports carry the contract's own name.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["text", "code", "number", "integer", "date", "time", "flag"]

DUCKDB_TYPE: dict[Kind, str] = {
    "text": "VARCHAR",
    "code": "VARCHAR",
    "number": "DOUBLE",
    "integer": "INTEGER",
    "date": "DATE",
    "time": "TIMESTAMP",
    "flag": "BOOLEAN",
}


@dataclass(frozen=True)
class Column:
    """One column of a contract table.

    unit : the unit of the staged figure, in the contract's spelling, empty for what has none.
    refers_to : the contract table whose key this column must name (a missing parent rejects the row where
        `parent_needed`).
    """

    name: str
    kind: Kind = "text"
    codes: tuple[str, ...] = ()
    unit: str = ""
    refers_to: str = ""
    parent_needed: bool = False
    at_least: float | None = None
    at_most: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Table:
    """One contract table: what one row stands for, its columns in order, and the columns that make its key."""

    name: str
    staged: str
    grain: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    required: tuple[str, ...] = ()
    by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_name", {column.name: column for column in self.columns})

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


STEPS: tuple[str, ...] = (
    "nitrogen_flow",
    "pressure_test",
    "nitrogen_release",
    "evacuation",
    "vacuum_rise",
    "charge",
    "airflow",
    "charge_check",
    "electrical",
)

STATES: tuple[str, ...] = (
    "passed",
    "failed",
    "ticked_only",
    "not_done",
    "no_record",
    "cannot_tell",
    "not_applicable",
    "disputed",
)
GOOD_STATES = ("passed",)
KNOWN_STATES = ("passed", "failed", "ticked_only", "not_done")
UNKNOWN_STATES = ("no_record", "cannot_tell")
SKIPPED_STATES = ("not_done", "ticked_only")
NOT_GOOD_STATES = ("not_done", "ticked_only", "failed")

EQUIPMENT = ("split_ac", "split_heat_pump", "ductless", "packaged")
REFRIGERANTS = ("R-410A", "R-32", "R-454B", "R-22", "R-407C", "R-134a")
METERING = ("txv", "eev", "fixed_orifice")
JOB_KINDS = ("new_install", "changeout", "compressor_changeout", "coil_changeout", "circuit_repair")
JOINTS = ("brazed", "pressed", "flared", "none")
INSTALLED_BY = ("own_crew", "subcontractor", "someone_else")
CALL_KINDS = ("callback", "repair", "maintenance", "warranty", "proactive")
UNPLANNED_CALL_KINDS = ("callback", "repair", "warranty")
FINDINGS = (
    "compressor_burnout",
    "compressor_mechanical",
    "metering_restricted",
    "refrigerant_leak",
    "low_charge",
    "over_charge",
    "noncondensables",
    "acid_in_oil",
    "moisture_in_circuit",
    "debris_in_circuit",
    "coil_freeze",
    "low_airflow",
    "electrical",
    "drain",
    "thermostat",
    "no_fault_found",
    "other",
)
COMPRESSOR_FINDINGS = ("compressor_burnout", "compressor_mechanical")
RETIRED_BECAUSE = ("compressor", "upgrade", "moved", "other")
TEST_GASES = ("nitrogen", "air", "other")
INSTRUMENT_KINDS = ("micron_gauge", "manifold", "scale", "manometer", "clamp_meter", "thermometer")
TRACE_STEPS = ("evacuation", "vacuum_rise", "pressure_test")

# The quantities that belong to each step, with the unit in which they are staged.
QUANTITY_UNIT: dict[str, dict[str, str]] = {
    "nitrogen_flow": {"flow_pressure": "psig", "flow_rate": "scfh"},
    "pressure_test": {
        "test_gas": "",
        "start_pressure": "psig",
        "end_pressure": "psig",
        "start_temperature": "degF",
        "end_temperature": "degF",
        "hold_time": "min",
        "design_pressure_low": "psig",
        "design_pressure_high": "psig",
    },
    "nitrogen_release": {},
    "evacuation": {"pump_time": "min", "vacuum": "micron"},
    "vacuum_rise": {"rise_start": "micron", "rise_end": "micron", "rise_time": "min"},
    "charge": {"charge_weight": "lb", "factory_charge": "lb", "line_set_adder": "lb"},
    "airflow": {
        "return_static": "inwc",
        "supply_static": "inwc",
        "airflow": "cfm",
        "blower_setting": "",
        "fan_power": "W",
        "maximum_static": "inwc",
    },
    "charge_check": {
        "suction_pressure": "psig",
        "suction_temperature": "degF",
        "liquid_pressure": "psig",
        "liquid_temperature": "degF",
        "target_subcooling": "delta_degF",
        "target_superheat": "delta_degF",
        "outdoor_dry_bulb": "degF",
        "return_dry_bulb": "degF",
        "return_wet_bulb": "degF",
        "supply_dry_bulb": "degF",
        "supply_wet_bulb": "degF",
        "standing_pressure": "psig",
    },
    "electrical": {
        "compressor_current": "A",
        "rated_load_current": "A",
        "voltage": "V",
        "rated_voltage": "V",
        "voltage_ab": "V",
        "voltage_bc": "V",
        "voltage_ca": "V",
        "input_power": "W",
    },
}
TRACE_QUANTITY_UNIT = {"vacuum": "micron", "test_pressure": "psig", "test_temperature": "degF"}
UNIT_CODES = (
    "micron", "mTorr", "Torr", "Pa", "kPa", "mbar", "hPa", "inHg", "psi", "psig", "psia", "bar", "inwc",
    "degF", "degC", "K", "delta_degF", "delta_degC", "cfm", "L/s", "m3/h", "scfh", "L/min",
    "lb", "oz", "kg", "g", "min", "s", "h", "ft", "m", "A", "V", "W",
)  # fmt: skip

TABLES: tuple[Table, ...] = (
    Table(
        "technicians", "staged_technician", "one row for each technician",
        (
            Column("technician_id"),
            Column("name"),
            Column("crew"),
            Column("branch"),
            Column("firm"),
            Column("hired_on", "date"),
            Column("left_on", "date"),
        ),
        key=("technician_id",),
    ),
    Table(
        "sites", "staged_site", "one row for each site",
        (
            Column("site_id"),
            Column("label"),
            Column("address"),
            Column("contact"),
            Column("phone"),
            Column("time_note"),
            Column("area"),
            Column("latitude", "number", at_least=-90, at_most=90, unit="deg"),
            Column("longitude", "number", at_least=-180, at_most=180, unit="deg"),
            Column("altitude_ft", "number", at_least=-1500, at_most=20000, unit="ft"),
        ),
        key=("site_id",),
    ),
    Table(
        "systems", "staged_system", "one row for each outdoor or packaged unit",
        (
            Column("system_id"),
            Column("site_id"),
            Column("area"),
            Column("equipment", "code", EQUIPMENT),
            Column("ducted", "flag"),
            Column("air_handler", "code", ("gas_furnace", "fan_coil")),
            Column("refrigerant", "code", REFRIGERANTS),
            Column("nominal_tons", "number", at_least=0.1, at_most=200, unit="ton"),
            Column("metering", "code", METERING),
            Column("model"),
            Column("agreement", "flag"),
            Column("visit_interval_months", "number", at_least=0.5, at_most=120, unit="month"),
            Column("last_contact_on", "date"),
            Column("warranty_until", "date"),
            Column("retired_on", "date"),
            Column("retired_because", "code", RETIRED_BECAUSE),
        ),
        key=("system_id",),
    ),
    Table(
        "jobs", "staged_job", "one row for each install and each job that opens the refrigerant circuit",
        (
            Column("job_id"),
            Column("system_id", refers_to="systems", parent_needed=True),
            Column("technician_id", refers_to="technicians"),
            Column("helper_ids"),
            Column("job_kind", "code", JOB_KINDS),
            Column("joints", "code", JOINTS),
            Column("brazed_joints", "integer", at_least=0, at_most=10000),
            Column("line_set_ft", "number", at_least=0, at_most=5000, unit="ft"),
            Column("line_set_reused", "flag"),
            Column("ducts_kept", "flag"),
            Column("installed_by", "code", INSTALLED_BY),
            Column("branch"),
            Column("form"),
            Column("finished_on", "date"),
        ),
        key=("job_id",),
    ),
    Table(
        "steps", "staged_step", "one row for each job and step that was ticked or left",
        (
            Column("job_id", refers_to="jobs", parent_needed=True),
            Column("step", "code", STEPS),
            Column("ticked", "code", ("done", "not_done")),
            Column("started_at", "time"),
            Column("ended_at", "time"),
            Column("technician_id", refers_to="technicians"),
        ),
        key=("job_id", "step"),
    ),
    Table(
        "readings", "staged_reading", "one row for each reading",
        (
            Column("job_id", refers_to="jobs", parent_needed=True),
            Column("step", "code", STEPS),
            Column("quantity", "code"),
            Column("value", "number"),
            Column("unit", "code", UNIT_CODES),
            Column("taken_at", "time"),
            Column("instrument_id"),
        ),
        # reading_no counts the different values of one quantity written for one time, in the order of the file
        key=("job_id", "step", "quantity", "taken_at", "reading_no"),
        required=("value",),
    ),
    Table(
        "traces", "staged_trace", "one row for each sample of a gauge log",
        (
            Column("job_id", refers_to="jobs", parent_needed=True),
            Column("step", "code", TRACE_STEPS),
            Column("attempt", "integer", at_least=1, at_most=100),
            Column("quantity", "code", tuple(TRACE_QUANTITY_UNIT)),
            Column("unit", "code", UNIT_CODES),
            Column("elapsed_s", "number", at_least=0, at_most=5e6, unit="s"),
            Column("value", "number"),
            Column("instrument_id"),
        ),
        key=("job_id", "step", "attempt", "quantity", "elapsed_s"),
        required=("value",),
    ),
    Table(
        "calls", "staged_call", "one row for each later visit to a system",
        (
            Column("call_id"),
            Column("system_id", refers_to="systems", parent_needed=True),
            Column("opened_on", "date"),
            Column("call_kind", "code", CALL_KINDS),
            Column("finding", "code", FINDINGS),
            Column("put_right", "flag"),
            Column("cost", "number", at_least=-1e7, at_most=1e7, unit="money"),
            Column("technician_id", refers_to="technicians"),
        ),
        key=("call_id",),
    ),
    Table(
        "instruments", "staged_instrument", "one row for each measuring instrument",
        (
            Column("instrument_id"),
            Column("kind", "code", INSTRUMENT_KINDS),
            Column("calibrated_on", "date"),
            Column("due_on", "date"),
        ),
        key=("instrument_id",),
    ),
    Table(
        "training", "staged_training", "one row for each technician and course held",
        (
            Column("technician_id", refers_to="technicians"),
            Column("step", "code", STEPS),
            Column("course"),
            Column("held_on", "date"),
            Column("hours", "number", at_least=0, at_most=2000, unit="h"),
        ),
        key=("technician_id", "step", "course", "held_on"),
    ),
    Table(
        "inspections", "staged_inspection", "one row for each quantity measured again by somebody else",
        (
            Column("job_id", refers_to="jobs", parent_needed=True),
            Column("step", "code", STEPS),
            Column("inspected_on", "date"),
            Column("inspector_id"),
            Column("quantity", "code"),
            Column("value", "number"),
            Column("unit", "code", UNIT_CODES),
        ),
        key=("job_id", "step", "quantity", "inspected_on"),
        required=("value",),
    ),
    Table(
        "equipment_limits", "staged_equipment_limit", "one row for each maker's own limit of a model",
        (
            Column("model"),
            Column("step", "code", STEPS),
            Column("quantity"),
            Column("at_least", "number"),
            Column("at_most", "number"),
            Column("unit", "code", UNIT_CODES),
        ),
        key=("model", "step", "quantity"),
    ),
    Table(
        "blower_table", "staged_blower_table", "one row for each model, blower setting and static pressure",
        (
            Column("model"),
            Column("setting"),
            Column("total_static_inwc", "number", at_least=0, at_most=10, unit="inwc"),
            Column("airflow_cfm", "number", at_least=0, at_most=100000, unit="cfm"),
            Column("fan_power_w", "number", at_least=0, at_most=100000, unit="W"),
        ),
        key=("model", "setting", "total_static_inwc"),
    ),
)  # fmt: skip

TABLE_BY_NAME: dict[str, Table] = {table.name: table for table in TABLES}
