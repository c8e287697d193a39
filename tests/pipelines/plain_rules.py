"""The rules of grading once more, in plain Python and one job at a time, as the agreement on limits words them.

Slow and simple on purpose: the SQL of the product is held against it on random jobs. The figures stand here a second
time, copied from the agreement (usual profile) and not from limits.csv.
"""

from __future__ import annotations

from typing import Any

from pipelines import nitrogen, refrigerant, units

PROOF = {
    "nitrogen_flow": ("flow_pressure", "flow_rate"),
    "pressure_test": ("start_pressure", "end_pressure", "start_temperature", "end_temperature", "hold_time"),
    "nitrogen_release": (),
    "evacuation": ("vacuum",),
    "vacuum_rise": ("rise_start", "rise_end", "rise_time"),
    "charge": ("charge_weight",),
    "airflow": ("return_static", "supply_static", "airflow"),
    "charge_check": ("suction_pressure", "suction_temperature", "liquid_pressure", "liquid_temperature"),
    "electrical": ("compressor_current",),
}
LEAST_START = {"R-410A": 400, "R-32": 400, "R-454B": 400, "R-22": 250, "R-407C": 250, "R-134a": 150}


def outside(figure: float | None, low: float | None, high: float | None) -> bool:
    if figure is None:
        return False
    figure = round(figure, 6)
    return (low is not None and figure < low) or (high is not None and figure > high)


def belongs(step: str, job: dict[str, Any]) -> bool:
    equipment, kind = job["equipment"], job["job_kind"]
    on_the_circuit = ("compressor_changeout", "coil_changeout", "circuit_repair")
    if step == "nitrogen_flow":
        return job["joints"] in (None, "brazed")
    if step in ("pressure_test", "nitrogen_release", "evacuation", "vacuum_rise", "charge"):
        return not (equipment == "packaged" and kind in ("new_install", "changeout"))
    if step == "airflow":
        ducted = job["ducted"] if job["ducted"] is not None else equipment != "ductless"
        return ducted and kind not in on_the_circuit
    if step == "charge_check":
        return equipment != "ductless"
    return True


def plain_state(step: str, job: dict[str, Any]) -> str:
    """job: equipment, job_kind, joints, ducted, ducts_kept, refrigerant, metering, air_handler, nominal_tons,
    altitude_ft, ticked (by step), disputed (steps), readings (by step and quantity), rejected (step, quantity)."""
    if not belongs(step, job):
        return "not_applicable"
    if step in job["disputed"]:
        return "disputed"
    read = job["readings"].get(step, {})
    verdict = {
        "nitrogen_flow": nitrogen_flow, "pressure_test": pressure_test, "nitrogen_release": release,
        "evacuation": evacuation, "vacuum_rise": vacuum_rise, "charge": charge, "airflow": airflow,
        "charge_check": charge_check, "electrical": electrical,
    }[step](read, job)  # fmt: skip
    if verdict is not None:
        return verdict
    if any(quantity in read for quantity in PROOF[step]):
        return "cannot_tell"
    if any((step, quantity) in job["rejected"] for quantity in PROOF[step]):
        return "cannot_tell"
    return {"done": "ticked_only", "not_done": "not_done", None: "no_record"}[job["ticked"].get(step)]


def nitrogen_flow(read, job):
    pressure, rate = read.get("flow_pressure"), read.get("flow_rate")
    if outside(pressure, 0.5, 5) or outside(rate, 2, 20):
        return "failed"
    return "passed" if pressure is not None or rate is not None else None


def pressure_test(read, job):
    if read.get("test_gas") in ("air", "other"):
        return "failed"
    start, end, hold = read.get("start_pressure"), read.get("end_pressure"), read.get("hold_time")
    warm, cold = read.get("start_temperature"), read.get("end_temperature")
    plates = [read[name] for name in ("design_pressure_low", "design_pressure_high") if name in read]
    plate = min(plates) if plates else None
    asked = [LEAST_START[job["refrigerant"]]] if job["refrigerant"] else list(LEAST_START.values())
    surely_too_low = min([min(asked), *plates])
    surely_enough = min([max(asked), *plates])
    if start is not None and (start > (plate if plate is not None else 500) or start < surely_too_low):
        return "failed"
    if None in (start, end, warm, cold):
        return None
    atmosphere = units.atmosphere_psia(job["altitude_ft"])
    drop = round(float(nitrogen.compensated_drop_psi(start, end, warm, cold, atmosphere)), 6)
    allowed = round(max(2.0, 0.01 * (start + atmosphere)), 6)
    if drop > allowed:
        return "failed"
    if -drop > allowed or hold is None or hold < 15 or start < surely_enough:
        return "cannot_tell"
    return "passed"


def release(read, job):
    return "passed" if job["ticked"].get("nitrogen_release") == "done" else None


def evacuation(read, job):
    if "vacuum" not in read:
        return None
    return "failed" if outside(read["vacuum"], None, 500) else "passed"


def vacuum_rise(read, job):
    start, end, minutes = read.get("rise_start"), read.get("rise_end"), read.get("rise_time")
    if end is None or minutes is None:
        return None
    if round(end, 6) >= 1000:
        return "failed" if minutes <= 10 else "cannot_tell"
    if start is not None and (start > 500 or end < 0.95 * start):
        return "cannot_tell"
    return "passed" if minutes >= 10 else "cannot_tell"


def charge(read, job):
    weight, factory, adder = read.get("charge_weight"), read.get("factory_charge"), read.get("line_set_adder")
    if adder is None and job["equipment"] == "packaged":
        adder = 0.0
    if None in (weight, factory, adder):
        return None
    if not outside(100 * (weight / (factory + adder) - 1), -5, 5):
        return "passed"
    return "passed" if plain_state("charge_check", job) == "passed" else "failed"


def airflow(read, job):
    back, supply, flow, fan = (read.get(name) for name in ("return_static", "supply_static", "airflow", "fan_power"))
    most = read.get("maximum_static", 0.5)
    static = abs(back or 0) + abs(supply or 0)
    tons = job["nominal_tons"]
    per_ton = flow / tons if flow is not None and tons else None
    per_cfm = fan / flow if fan is not None and flow else None
    least = 300 if job["ducts_kept"] else 350
    if outside(static, None, most) or outside(per_ton, least, 450):
        return "failed"
    if outside(per_cfm, None, 0.45 if job["air_handler"] == "gas_furnace" else 0.58):
        return "failed"
    return "passed" if (back is not None and supply is not None) or per_ton is not None else None


def charge_check(read, job):
    if not any(name in read for name in PROOF["charge_check"]):
        return None
    outdoor = read.get("outdoor_dry_bulb")
    if outdoor is not None and outdoor < 55:
        return "cannot_tell"
    if job["metering"] is None or job["refrigerant"] is None:
        return None
    by_subcooling = job["metering"] in ("txv", "eev")
    side = "liquid" if by_subcooling else "suction"
    pressure, line = read.get(f"{side}_pressure"), read.get(f"{side}_temperature")
    target = read.get("target_subcooling" if by_subcooling else "target_superheat")
    wet_bulb = read.get("return_wet_bulb")
    if not by_subcooling and target is None and wet_bulb is not None and outdoor is not None:
        target = refrigerant.target_superheat_delta_degf(wet_bulb, outdoor)
    if None in (pressure, line, target):
        return None
    atmosphere = units.atmosphere_psia(job["altitude_ft"])
    reach = refrigerant.subcooling_delta_degf if by_subcooling else refrigerant.superheat_delta_degf
    reached = float(reach(job["refrigerant"], pressure, line, atmosphere))
    if reached != reached:
        return None  # outside the table
    allowed = 3 if by_subcooling else 5
    return "failed" if outside(reached - target, -allowed, allowed) else "passed"


def electrical(read, job):
    current, rated = read.get("compressor_current"), read.get("rated_load_current")
    voltage, rated_voltage = read.get("voltage"), read.get("rated_voltage")
    three = [read.get(name) for name in ("voltage_ab", "voltage_bc", "voltage_ca")]
    if current is not None and rated is not None and current > rated:
        return "failed"
    if voltage is not None and rated_voltage and outside(100 * (voltage / rated_voltage - 1), -10, 10):
        return "failed"
    if None not in three:
        average = sum(three) / 3
        if average > 0 and outside(100 * max(abs(one - average) for one in three) / average, None, 2):
            return "failed"
    return "passed" if current is not None and rated is not None else None
