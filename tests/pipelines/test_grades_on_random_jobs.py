"""Properties of grading that hold for any records, on jobs that nobody thought of."""

import random
from collections import Counter

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.contract import EQUIPMENT, JOB_KINDS, JOINTS, METERING, QUANTITY_UNIT, REFRIGERANTS, STEPS, TEST_GASES
from pipelines.grades import grade
from pipelines.house_rules import HouseRules
from tests.pipelines.grading_rows import empty_tables
from tests.pipelines.plain_rules import PROOF, plain_state

# Around each limit, so that edges are met often: exactly at it, just beside it, and far off.
FIGURES = {
    "flow_pressure": (0.4, 0.5, 1.5, 5, 5.1),
    "flow_rate": (1.9, 2, 10, 20, 21),
    "start_pressure": (149, 150, 250, 399, 400, 420, 500, 501, 900),
    "end_pressure": (148, 250, 397, 404, 415.6, 420, 425, 500),
    "start_temperature": (60, 70, 80),
    "end_temperature": (60, 70, 80),
    "hold_time": (10, 14.9, 15, 60),
    "design_pressure_low": (250, 450),
    "design_pressure_high": (300, 500),
    "pump_time": (45,),
    "vacuum": (0, 300, 499.99, 500, 500.01, 2000),
    "rise_start": (350, 500, 501, 800),
    "rise_end": (340, 475, 700, 999.99, 1000, 1400),
    "rise_time": (5, 9.99, 10, 30),
    "charge_weight": (7, 7.6, 8, 8.4, 8.41, 9),
    "factory_charge": (7.5,),
    "line_set_adder": (0.5, 0, -0.2),
    "return_static": (-0.1, -0.2, -0.25, -0.51),
    "supply_static": (0.1, 0.25, 0.3, 0.6),
    "airflow": (0, 899, 900, 1050, 1200, 1350, 1351),
    "fan_power": (540, 541, 696, 697),
    "maximum_static": (0.4, 0.8),
    "suction_pressure": (-20, 63, 110, 118),
    "suction_temperature": (45, 52, 54, 60),
    "liquid_pressure": (200, 300, 317, 690),
    "liquid_temperature": (88, 90, 96),
    "target_subcooling": (8, 10, 12),
    "target_superheat": (8, 12, 20),
    "outdoor_dry_bulb": (45, 54.9, 55, 85, 95, 115, 116),
    "return_dry_bulb": (75,),
    "return_wet_bulb": (50, 58, 66, 67, 76, 77),
    "supply_dry_bulb": (55,),
    "supply_wet_bulb": (54,),
    "standing_pressure": (180, 260),
    "compressor_current": (0, 12, 16.7, 16.71),
    "rated_load_current": (16.7,),
    "voltage": (215, 216, 240, 264, 265),
    "rated_voltage": (240,),
    "voltage_ab": (450, 455),
    "voltage_bc": (460, 470),
    "voltage_ca": (455, 460),
    "input_power": (2000,),
}


def random_job(lot: random.Random) -> dict:
    def one_of(codes, gap=0.15):
        return None if lot.random() < gap else lot.choice(codes)

    fullness = lot.choice((0.3, 0.7, 0.95))
    readings, rejected = {}, set()
    for step, quantities in QUANTITY_UNIT.items():
        if lot.random() > 0.8:
            continue
        for quantity in quantities:
            if lot.random() > fullness or quantity == "blower_setting":
                continue
            if quantity == "test_gas":
                readings.setdefault(step, {})[quantity] = lot.choice(("nitrogen", "nitrogen", *TEST_GASES))
            elif lot.random() < 0.04:
                rejected.add((step, quantity))
            else:
                readings.setdefault(step, {})[quantity] = float(lot.choice(FIGURES[quantity]))
    return {
        "equipment": one_of(EQUIPMENT),
        "job_kind": one_of(JOB_KINDS),
        "joints": one_of(JOINTS),
        "ducted": one_of((True, False), 0.8),
        "ducts_kept": one_of((True, False), 0.5),
        "refrigerant": one_of(REFRIGERANTS, 0.1),
        "metering": one_of(METERING, 0.1),
        "air_handler": one_of(("gas_furnace", "fan_coil"), 0.3),
        "nominal_tons": one_of((3.0, 2.5), 0.1),
        "altitude_ft": lot.choice((0.0, 0.0, 5000.0)),
        "ticked": {step: tick for step in STEPS if (tick := one_of(("done", "not_done"), 0.3))},
        "disputed": {step for step in STEPS if lot.random() < 0.03},
        "readings": readings,
        "rejected": rejected,
    }


def fill(con, table: str, rows: list[dict]) -> None:
    if not rows:
        return
    frame = pl.DataFrame(rows, infer_schema_length=None)
    con.register("these_rows", frame.to_arrow())
    con.execute(f"insert into {table} ({', '.join(frame.columns)}) select * from these_rows")
    con.unregister("these_rows")


def graded(jobs: list[dict], shuffle: random.Random | None = None) -> dict[tuple[str, str], tuple]:
    tables: dict[str, list[dict]] = {name: [] for name in (
        "staged_site", "staged_system", "staged_job", "staged_step", "staged_reading", "rejected_reading", "open_dispute",
    )}  # fmt: skip
    for number, job in enumerate(jobs):
        name = f"J{number}"
        tables["staged_site"].append({"site_id": name, "altitude_ft": job["altitude_ft"]})
        of_system = ("equipment", "ducted", "air_handler", "refrigerant", "nominal_tons", "metering")
        tables["staged_system"].append({"system_id": name, "site_id": name} | {key: job[key] for key in of_system})
        of_job = ("job_kind", "joints", "ducts_kept")
        tables["staged_job"].append({"job_id": name, "system_id": name} | {key: job[key] for key in of_job})
        tables["staged_step"] += [{"job_id": name, "step": s, "ticked": tick} for s, tick in job["ticked"].items()]
        tables["rejected_reading"] += [{"job_id": name, "step": s, "quantity": q} for s, q in sorted(job["rejected"])]
        tables["open_dispute"] += [{"job_id": name, "step": s} for s in sorted(job["disputed"])]
        for step, figures in job["readings"].items():
            for place, (quantity, figure) in enumerate(figures.items()):
                is_text = isinstance(figure, str)
                row = {"job_id": name, "step": step, "quantity": quantity, "source_file": f"{name}.csv"}
                row |= {"value": None if is_text else figure, "value_text": figure if is_text else None}
                tables["staged_reading"].append(row | {"reading_order": 10 + place})
                if not is_text and number % 3 == 0:
                    # an earlier reading of the same quantity never counts, whatever it says
                    early = row | {"value": figure * 3, "reading_order": place - 100}
                    tables["staged_reading"].append(early)
    con = empty_tables()
    for table, rows in tables.items():
        if shuffle:
            shuffle.shuffle(rows)
        fill(con, table, rows)
    grade(con, HouseRules())
    rows = con.execute("select job_id, step, state, measured, limit_value, limit_id, why from step_grade").fetchall()
    return {(row[0], row[1]): row[2:] for row in rows}


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**32 - 1))
def test_any_jobs_get_the_states_of_the_rules_in_plain_words(seed):
    lot = random.Random(seed)
    jobs = [random_job(lot) for _ in range(400)]
    found = graded(jobs)
    assert len(found) == len(jobs) * len(STEPS)
    wrong = []
    for number, job in enumerate(jobs):
        for step in STEPS:
            state, *rest = found[f"J{number}", step]
            expected = plain_state(step, job)
            if state != expected:
                wrong.append((step, expected, state, rest, {**job, "readings": job["readings"].get(step)}))
    assert wrong == []
    # the lot must have met every state, or this shows nothing
    assert len(Counter(row[0] for row in found.values())) == 8


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**32 - 1))
def test_nothing_passes_without_a_reading_and_unknown_is_never_not_done(seed):
    lot = random.Random(seed)
    jobs = [random_job(lot) for _ in range(300)]
    for (name, step), (state, measured, limit_value, limit_id, why) in graded(jobs).items():
        job = jobs[int(name[1:])]
        tick = job["ticked"].get(step)
        has_proof = any(quantity in job["readings"].get(step, {}) for quantity in PROOF[step])
        if state == "passed" and step == "nitrogen_release":
            assert tick == "done"
        elif state == "passed":
            assert has_proof
            assert measured is not None
            assert limit_value is not None
            assert limit_id
        if state == "not_done":
            assert tick == "not_done"
            assert not has_proof
        if state == "ticked_only":
            assert tick == "done"
            assert not has_proof
        if state == "no_record":
            assert tick is None
        if state == "failed":
            assert limit_id
        assert why.endswith(".")


@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**32 - 1))
def test_the_order_of_the_rows_does_not_matter(seed):
    lot = random.Random(seed)
    jobs = [random_job(lot) for _ in range(150)]
    assert graded(jobs) == graded(jobs, shuffle=lot)
