"""pipelines/grades.py and sql/2xx: a state for each step of each job, by the rules of the limits."""

from pathlib import Path

import pytest

from pipelines.contract import STATES, STEPS
from pipelines.errors import InputError
from pipelines.grades import grade
from pipelines.house_rules import HouseRules
from tests.pipelines.grading_rows import (
    add_job,
    assert_states,
    empty_tables,
    grade_of,
    insert,
    one_job,
    reading,
    sample_folder,
)

SAMPLES = Path(__file__).parents[1] / "samples"
TIGHT = {
    "test_gas": "nitrogen", "start_pressure": 420, "end_pressure": 420, "start_temperature": 70, "end_temperature": 70,
    "hold_time": 15,
}  # fmt: skip
RISE = {"rise_start": 350, "rise_end": 720, "rise_time": 10}
# R-410A, 317 psig, liquid line 90 degF: subcooling 9.662 degF (CoolProp)
SUBCOOLED = {"liquid_pressure": 317, "liquid_temperature": 90, "target_subcooling": 10, "outdoor_dry_bulb": 90}
# R-410A, 118 psig, suction line 54 degF: superheat 14.157 degF (CoolProp)
SUPERHEATED = {"suction_pressure": 118, "suction_temperature": 54}
PISTON = {"metering": "fixed_orifice"}


def without(figures, *names):
    return {name: figure for name, figure in figures.items() if name not in names}


def test_sixty_two_small_jobs_one_for_each_rule_get_the_states_that_the_rules_say():
    con, expected = sample_folder(SAMPLES / "rules")
    grade(con, HouseRules())
    rows = con.execute("select job_id, step, state from step_grade").fetchall()
    found = {(job_id, step): state for job_id, step, state in rows}
    assert {key: found[key] for key in expected} == expected
    assert len(rows) == len(found) == 62 * len(STEPS)
    assert set(found.values()) <= set(STATES)
    # nothing else was recorded for these jobs, so nothing else may be judged
    rest = {state for key, state in found.items() if key not in expected}
    assert rest <= {"no_record", "not_applicable"}


# --- the table itself


def test_the_grades_have_the_columns_of_the_contract_and_every_limit_joins():
    con, _ = sample_folder(SAMPLES / "rules")
    grade(con, HouseRules())
    names = [row[0] for row in con.execute("describe step_grade").fetchall()]
    assert names[:11] == [
        "job_id", "system_id", "technician_id", "credited_by", "step", "state", "limit_id", "measured", "limit_value",
        "unit", "why",
    ]  # fmt: skip
    used = [row[0] for row in con.execute("describe limit_used").fetchall()]
    assert used[:13] == [
        "limit_id", "profile", "step", "quantity", "at_least", "at_most", "bound", "unit", "applies_to", "source",
        "clause", "status", "note",
    ]  # fmt: skip
    lost = con.execute(
        "select count(*) from step_grade where limit_id is not null and limit_id not in (select limit_id from limit_used)"
    ).fetchone()
    assert lost == (0,)
    sentences = con.execute("select distinct why from step_grade").fetchall()
    assert [why for (why,) in sentences if not why or "{" in why or why != why.strip() or not why.endswith(".")] == []


def test_grading_again_gives_the_same_and_leaves_no_work_table_behind():
    con, _ = sample_folder(SAMPLES / "rules")
    grade(con, HouseRules())
    first = con.execute("select * from step_grade order by job_id, step").fetchall()
    grade(con, HouseRules())
    assert con.execute("select * from step_grade order by job_id, step").fetchall() == first
    left = con.execute("select table_name from duckdb_tables() where temporary").fetchall()
    assert left == []


def test_a_job_counts_to_its_lead_unless_the_step_says_who_did_it():
    con = one_job("evacuation", {"vacuum": 400}, tick={"technician_id": "T9"})
    assert (grade_of(con, "evacuation")["technician_id"], grade_of(con, "evacuation")["credited_by"]) == ("T9", "step")
    assert (grade_of(con, "airflow")["technician_id"], grade_of(con, "airflow")["credited_by"]) == ("T1", "lead")


def test_a_system_put_in_by_somebody_else_has_no_grades():
    con = one_job("evacuation", {"vacuum": 400}, job={"installed_by": "someone_else"})
    grade(con, HouseRules())
    assert con.execute("select count(*) from step_grade").fetchone() == (0,)


def test_an_empty_store_has_no_grades_and_its_limits_still():
    con = empty_tables()
    grade(con, HouseRules())
    assert con.execute("select count(*) from step_grade").fetchone() == (0,)
    assert con.execute("select count(*) > 20 from limit_used").fetchone() == (True,)


# --- which steps belong


def test_a_packaged_unit_keeps_its_factory_circuit_until_a_job_opens_it():
    packaged = {"system": {"equipment": "packaged"}, "ticked": None}
    assert_states(
        [
            (step, {}, state, {**packaged, "job": {"job_kind": job_kind}})
            for step in ("pressure_test", "nitrogen_release", "evacuation", "vacuum_rise", "charge")
            for job_kind, state in (
                ("new_install", "not_applicable"),
                ("changeout", "not_applicable"),
                ("circuit_repair", "no_record"),
                ("coil_changeout", "no_record"),
            )
        ]
    )


def test_which_steps_belong_to_which_job():
    assert_states(
        [
            ("nitrogen_flow", {}, "no_record", {"ticked": None}),
            ("nitrogen_flow", {}, "not_applicable", {"job": {"joints": "flared"}}),
            ("nitrogen_flow", {}, "not_applicable", {"job": {"joints": "none"}}),
            ("airflow", {}, "not_applicable", {"job": {"job_kind": "compressor_changeout"}}),
            ("airflow", {}, "not_applicable", {"job": {"job_kind": "coil_changeout"}}),
            ("airflow", {}, "not_applicable", {"job": {"job_kind": "circuit_repair"}}),
            ("airflow", {}, "not_applicable", {"system": {"equipment": "ductless"}}),
            ("airflow", {}, "ticked_only", {"system": {"equipment": "ductless", "ducted": True}}),
            ("airflow", {}, "not_applicable", {"system": {"ducted": False}}),
            ("charge_check", SUBCOOLED, "not_applicable", {"system": {"equipment": "ductless", "metering": "eev"}}),
            ("electrical", {}, "ticked_only", {"system": {"equipment": "packaged"}}),
        ]
    )


@pytest.mark.parametrize(
    ("step", "more", "words"),
    [
        ("nitrogen_flow", {"job": {"joints": None}}, "joints"),
        ("evacuation", {"system": {"equipment": None}}, "kind of equipment"),
        ("evacuation", {"system": {"equipment": "packaged"}, "job": {"job_kind": None}}, "kind of job"),
        ("airflow", {"job": {"job_kind": None}}, "kind of job"),
        ("charge_check", {"system": {"equipment": None}}, "kind of equipment"),
    ],
)
def test_where_a_field_that_decides_is_empty_the_step_belongs_and_why_says_so(step, more, words):
    grade = grade_of(one_job(step, ticked=None, **more), step)
    assert grade["state"] == "no_record"
    assert words in grade["why"]
    assert "taken to belong" in grade["why"]


def test_a_disputed_step_is_disputed_whatever_was_read_but_not_where_it_does_not_belong():
    assert_states(
        [
            ("evacuation", {"vacuum": 2000}, "disputed", {"disputed": True}),
            ("evacuation", {}, "not_applicable", {"disputed": True, "system": {"equipment": "packaged"}}),
            *((step, {}, "disputed", {"disputed": True}) for step in STEPS),
        ]
    )


# --- nothing read


TICKS = (("done", "ticked_only"), ("not_done", "not_done"), (None, "no_record"))


def test_without_a_reading_the_tick_says_what_is_known():
    steps = [step for step in STEPS if step != "nitrogen_release"]
    assert_states([(step, {}, state, {"ticked": ticked}) for step in steps for ticked, state in TICKS])


def test_what_is_written_beside_the_proof_proves_nothing():
    beside = [
        ("pressure_test", {"test_gas": "nitrogen"}),
        ("pressure_test", {"design_pressure_low": 250}),
        ("evacuation", {"pump_time": 45}),
        ("charge", {"factory_charge": 7.5, "line_set_adder": 0.5}),
        ("airflow", {"blower_setting": "3"}),
        ("airflow", {"maximum_static": 0.8}),
        ("charge_check", {"target_subcooling": 10, "outdoor_dry_bulb": 45}),
        ("electrical", {"rated_load_current": 16.7}),
        ("electrical", {"voltage": 238}),
    ]
    assert_states([(step, figures, state, {"ticked": ticked}) for step, figures in beside for ticked, state in TICKS])


def test_a_reading_that_could_not_be_read_cannot_be_judged_whatever_was_ticked():
    proofs = [
        ("nitrogen_flow", "flow_pressure"),
        ("pressure_test", "end_pressure"),
        ("evacuation", "vacuum"),
        ("vacuum_rise", "rise_end"),
        ("charge", "charge_weight"),
        ("airflow", "supply_static"),
        ("charge_check", "liquid_pressure"),
        ("electrical", "compressor_current"),
    ]
    assert_states(
        [
            (step, {}, "cannot_tell", {"rejected": [quantity], "ticked": ticked})
            for step, quantity in proofs
            for ticked, _ in TICKS
        ]
    )


def test_a_rejected_reading_hides_neither_another_proof_nor_a_broken_limit():
    assert_states(
        [
            ("nitrogen_flow", {"flow_rate": 10}, "passed", {"rejected": ["flow_pressure"]}),
            ("airflow", {"supply_static": 0.9}, "failed", {"rejected": ["return_static"]}),
            ("pressure_test", {"start_pressure": 900}, "failed", {"rejected": ["end_pressure"]}),
            ("pressure_test", without(TIGHT, "end_pressure"), "cannot_tell", {"rejected": ["end_pressure"]}),
            ("charge", {"charge_weight": 8, "factory_charge": 7.5}, "cannot_tell", {"rejected": ["line_set_adder"]}),
            # a pump time or a plate's figure proves nothing, so an unreadable one hides nothing
            ("evacuation", {}, "ticked_only", {"rejected": ["pump_time"]}),
            ("charge", {}, "ticked_only", {"rejected": ["factory_charge"]}),
            ("electrical", {}, "ticked_only", {"rejected": ["rated_load_current"]}),
            ("charge_check", {}, "ticked_only", {"rejected": ["outdoor_dry_bulb"]}),
        ]
    )


def test_a_tick_that_says_otherwise_is_told():
    grade = grade_of(one_job("evacuation", {"vacuum": 400}, ticked="not_done"), "evacuation")
    assert grade["state"] == "passed"
    assert "ticked as not done" in grade["why"]


def test_the_last_reading_counts_whatever_order_the_rows_are_in():
    con = one_job("evacuation")
    insert(con, "staged_reading", [
        reading("J1", "evacuation", "vacuum", 380, order=9), reading("J1", "evacuation", "vacuum", 900, order=3),
    ])  # fmt: skip
    assert grade_of(con, "evacuation")["measured"] == 380


# --- nitrogen flow


def test_nitrogen_flows_within_its_limits():
    cases = [
        ({"flow_pressure": 0.5}, "passed"),
        ({"flow_pressure": 5}, "passed"),
        ({"flow_pressure": 5.001}, "failed"),
        ({"flow_pressure": 0.499}, "failed"),
        ({"flow_rate": 2}, "passed"),
        ({"flow_rate": 20.01}, "failed"),
        ({"flow_pressure": 1.5, "flow_rate": 40}, "failed"),
    ]
    assert_states([("nitrogen_flow", figures, state) for figures, state in cases])


def test_of_two_broken_limits_the_one_broken_worse_decides():
    grade = grade_of(one_job("nitrogen_flow", {"flow_pressure": 6, "flow_rate": 60}), "nitrogen_flow")
    assert (grade["limit_id"], grade["measured"], grade["limit_value"]) == ("flow-rate", 60, 20)


# --- pressure test


def test_each_piece_of_the_pressure_test_is_needed():
    pieces = ("start_pressure", "end_pressure", "start_temperature", "end_temperature", "hold_time")
    assert_states([("pressure_test", without(TIGHT, piece), "cannot_tell") for piece in pieces])


def test_an_unknown_gas_passes_and_says_so_and_so_does_an_unknown_plate():
    grade = grade_of(one_job("pressure_test", without(TIGHT, "test_gas")), "pressure_test")
    assert grade["state"] == "passed"
    assert "gas is not recorded" in grade["why"]
    assert "plate's design pressure is not known" in grade["why"]
    known = grade_of(one_job("pressure_test", {**TIGHT, "design_pressure_low": 450}), "pressure_test")
    assert "not known" not in known["why"]


@pytest.mark.parametrize("gas", ["air", "other"])
def test_any_gas_but_nitrogen_fails_however_tight_the_test_was(gas):
    grade = grade_of(one_job("pressure_test", {**TIGHT, "test_gas": gas}), "pressure_test")
    assert grade["state"] == "failed"
    assert "explodes" in grade["why"]


def test_over_pressure_comes_before_a_leak_and_sends_to_the_maker():
    figures = {**TIGHT, "start_pressure": 501, "end_pressure": 100}
    grade = grade_of(one_job("pressure_test", figures), "pressure_test")
    assert (grade["state"], grade["limit_id"], grade["limit_value"]) == ("failed", "start-pressure-no-plate", 500)
    assert "Over-pressure" in grade["why"]
    assert "tell the maker or a licensed mechanic before the unit is run" in grade["why"].lower()


def test_an_end_above_what_is_permitted_is_told():
    figures = {**TIGHT, "start_pressure": 490, "end_pressure": 509, "end_temperature": 90}
    grade = grade_of(one_job("pressure_test", figures), "pressure_test")
    assert grade["state"] == "passed"
    assert "end pressure stood above" in grade["why"]


def test_the_edges_of_the_pressure_test():
    r134a = {"system": {"refrigerant": "R-134a"}}
    no_refrigerant = {"system": {"refrigerant": None}}
    plate = {**TIGHT, "design_pressure_low": 250, "design_pressure_high": 450}

    def at(psig, end_psig=None):
        return {**TIGHT, "start_pressure": psig, "end_pressure": psig if end_psig is None else end_psig}

    cases = [
        (at(500), "passed"),
        # a leak shows in a short test, tightness does not
        ({**TIGHT, "hold_time": 5, "end_pressure": 400}, "failed"),
        ({**without(TIGHT, "hold_time"), "end_pressure": 400}, "failed"),
        ({**TIGHT, "hold_time": 14.9}, "cannot_tell"),
        # 1 % of 420 + 14.696 psia is 4.347 psi
        (at(420, 415.7), "passed"),
        (at(420, 415.6), "failed"),
        (at(420, 424.3), "passed"),
        (at(420, 424.4), "cannot_tell"),
        # 1 % of 160 + 14.696 psia is 1.747 psi, so 2 psi hold
        (at(160, 158), "passed", r134a),
        (at(160, 157.9), "failed", r134a),
        # an unknown refrigerant is judged only where all would agree
        ({"start_pressure": 149}, "failed", no_refrigerant),
        (at(300), "cannot_tell", no_refrigerant),
        (at(420), "passed", no_refrigerant),
        # of two sides of the plate the weaker one holds
        (plate, "failed"),
        ({**plate, "start_pressure": 250, "end_pressure": 250}, "passed"),
    ]
    for name, least in (
        ("R-410A", 400),
        ("R-32", 400),
        ("R-454B", 400),
        ("R-22", 250),
        ("R-407C", 250),
        ("R-134a", 150),
    ):
        cases.append((at(least), "passed", {"system": {"refrigerant": name}}))
        cases.append(({"start_pressure": least - 1}, "failed", {"system": {"refrigerant": name}}))
    assert_states([("pressure_test", *case) for case in cases])


def test_without_temperatures_only_a_house_that_accepts_it_passes_and_the_reason_says_not_compensated():
    bare = without(TIGHT, "start_temperature", "end_temperature")
    accepting = HouseRules(accept_uncompensated_pressure_test=True)
    grade = grade_of(one_job("pressure_test", bare), "pressure_test", accepting)
    assert grade["state"] == "passed"
    assert "not compensated" in grade["why"]
    # a drop without temperatures may be the evening's: neither tight nor leaking
    assert_states([("pressure_test", {**bare, "end_pressure": 400}, "cannot_tell")], accepting)
    assert_states([("pressure_test", bare, "cannot_tell")])


def test_the_local_atmosphere_counts_in_the_pressure_test():
    # gas law: 420 psig, 100 to 30 degF falls to 365.631 psig at sea level and to 365.940 at 5,000 ft (12.228 psia)
    figures = {**TIGHT, "start_temperature": 100, "end_temperature": 30, "end_pressure": 361.4}
    assert grade_of(one_job("pressure_test", figures), "pressure_test")["measured"] == pytest.approx(4.231, abs=0.002)
    high = one_job("pressure_test", figures, site={"altitude_ft": 5000})
    assert grade_of(high, "pressure_test")["measured"] == pytest.approx(4.540, abs=0.002)
    assert grade_of(high, "pressure_test")["state"] == "failed"
    house = grade_of(one_job("pressure_test", figures), "pressure_test", HouseRules(altitude_ft=5000))
    assert house["state"] == "failed"


# --- nitrogen release

TIMES = [
    {"step": "pressure_test", "started_at": "2024-07-03 09:00", "ended_at": "2024-07-03 09:30"},
    {"step": "evacuation", "started_at": "2024-07-03 10:00", "ended_at": "2024-07-03 10:45"},
]


def test_the_release_is_its_tick_and_must_fit_between_the_pressure_test_and_the_evacuation():
    cases = [
        ("2024-07-03 09:35", "2024-07-03 09:40", "passed"),
        (None, None, "passed"),
        ("2024-07-03 08:00", "2024-07-03 08:30", "cannot_tell"),
        ("2024-07-03 11:00", "2024-07-03 11:10", "cannot_tell"),
        ("2024-07-03 11:00", None, "cannot_tell"),
        (None, "2024-07-03 08:30", "cannot_tell"),
        ("2024-07-03 08:30", "2024-07-03 09:40", "passed"),
    ]
    assert_states(
        [
            ("nitrogen_release", {}, state, {"tick": {"started_at": started, "ended_at": ended}, "ticks": TIMES})
            for started, ended, state in cases
        ]
        + [
            ("nitrogen_release", {}, state, {"ticked": ticked})
            for ticked, state in (("done", "passed"), ("not_done", "not_done"), (None, "no_record"))
        ]
    )


# --- evacuation and rise


def test_the_edges_of_the_vacuum_in_both_profiles():
    usual = [(300, "passed"), (301, "passed"), (500, "passed"), (501, "failed")]
    strict = [(300, "passed"), (301, "failed"), (500, "failed"), (501, "failed")]
    assert_states([("evacuation", {"vacuum": micron}, state) for micron, state in usual])
    assert_states([("evacuation", {"vacuum": micron}, state) for micron, state in strict], HouseRules(profile="strict"))


def test_a_rise_is_judged_by_where_it_stood_at_ten_minutes():
    cases = [
        (350, 999, 10, "passed"),
        (350, 1000, 10, "failed"),
        (350, 999, 9.9, "cannot_tell"),
        (350, 999, 45, "passed"),
        (350, 1000, 10.1, "cannot_tell"),
        (350, 1000, None, "cannot_tell"),
        (None, 700, 10, "passed"),
        (500, 700, 10, "passed"),
        (501, 700, 10, "cannot_tell"),
        # at or above the limit comes first, however the rise began
        (700, 1400, 10, "failed"),
        (400, 380, 10, "passed"),
        (400, 379.9, 10, "cannot_tell"),
        (350, None, 10, "cannot_tell"),
        (350, None, None, "cannot_tell"),
    ]
    names = ("rise_start", "rise_end", "rise_time")
    assert_states(
        [
            (
                "vacuum_rise",
                {name: figure for name, figure in zip(names, figures, strict=True) if figure is not None},
                state,
            )
            for *figures, state in cases
        ]
    )


def log_of(levels, step="vacuum_rise", every_s=10.0, **more):
    """Samples of a gauge log from levels at even times."""
    return [
        {"step": step, "attempt": 1, "elapsed_s": place * every_s, "value": float(level), **more}
        for place, level in enumerate(levels)
    ]


def rising(to, samples=61):
    return [300 + (to - 300) * place / (samples - 1) for place in range(samples)]


def test_a_gauge_log_stands_in_for_a_rise_that_was_not_written():
    grade = grade_of(one_job("vacuum_rise", trace=log_of(rising(700))), "vacuum_rise")
    assert grade["state"] == "passed"
    assert grade["measured"] == pytest.approx(700, abs=0.1)
    assert "gauge log" in grade["why"]


def test_a_log_shows_where_a_longer_rise_stood_at_ten_minutes():
    long = {"rise_start": 300, "rise_end": 1200, "rise_time": 30}
    assert_states([("vacuum_rise", long, "cannot_tell")])
    # 30 min from 300 to 1,200 stand at 600 after 10 min
    grade = grade_of(one_job("vacuum_rise", long, trace=log_of(rising(1200, 181))), "vacuum_rise")
    assert (grade["state"], grade["measured"]) == ("passed", pytest.approx(600, abs=1))


def test_a_log_that_shows_the_limit_broken_outweighs_a_better_written_reading():
    grade = grade_of(one_job("vacuum_rise", RISE, trace=log_of(rising(1500))), "vacuum_rise")
    assert grade["state"] == "failed"
    assert "Written 720 micron, the log shows 1,500 micron." in grade["why"]


def test_what_a_log_proves_and_what_it_does_not():
    jump = rising(700)
    jump[1:4] = [900, 850, 800]
    cases = [
        ({}, "failed", log_of(rising(1400))),
        # a log decides over what was typed, also where the two lie near each other
        ({**RISE, "rise_end": 990}, "failed", log_of(rising(1030))),
        ({**RISE, "rise_end": 1010}, "passed", log_of(rising(980))),
        # stopped after 5 min: what was written at 10 min stands
        (RISE, "passed", log_of(rising(500, 31))),
        # stopped early, and too few samples
        ({}, "cannot_tell", log_of(rising(500, 31))),
        ({}, "failed", log_of(rising(1500, 31))),
        ({}, "ticked_only", log_of(rising(500, 7), every_s=100.0)),
        # 60 samples 10 s apart have watched for 10 min
        ({}, "passed", log_of(rising(700, 60))),
        # the jump of the valve is not the start of the rise
        ({}, "passed", jump_log := log_of(jump)),
        # the last attempt counts
        ({}, "passed", [*log_of(rising(1500)), *log_of(rising(700), attempt=2)]),
        # a log without a step is one of the rise
        ({}, "passed", [{**sample, "step": None} for sample in jump_log]),
    ]
    assert_states([("vacuum_rise", figures, state, {"trace": trace}) for figures, state, trace in cases])


def test_a_log_of_the_evacuation_stands_in_for_the_vacuum():
    levels = [5000 - 80 * place for place in range(58)]
    grade = grade_of(one_job("evacuation", trace=log_of(levels, "evacuation")), "evacuation")
    # the median of the last minute: samples of 920 to 440 micron
    assert (grade["state"], grade["measured"]) == ("failed", pytest.approx(680, abs=1))
    written = grade_of(one_job("evacuation", {"vacuum": 400}, trace=log_of(levels, "evacuation")), "evacuation")
    assert written["state"] == "failed"
    assert "Written 400 micron, the log shows 680 micron." in written["why"]


def test_a_log_of_the_pressure_test_stands_in_for_its_readings():
    pressure = log_of([420.0] * 181, "pressure_test", quantity="test_pressure")
    temperature = log_of([70.0] * 181, "pressure_test", quantity="test_temperature")
    grade = grade_of(one_job("pressure_test", trace=[*pressure, *temperature]), "pressure_test")
    assert grade["state"] == "passed"
    assert "Held 25 min" in grade["why"]  # the first five of thirty minutes are left to settle
    assert_states([("pressure_test", {}, "cannot_tell", {"trace": pressure})])


# --- charge


def test_the_edges_of_the_charge_in_both_profiles():
    cases = [
        (8.4, "passed", "failed"),
        (8.401, "failed", "failed"),
        (7.6, "passed", "failed"),
        (7.599, "failed", "failed"),
        (8.16, "passed", "passed"),
        (7.84, "passed", "passed"),
    ]
    due = {"factory_charge": 7.5, "line_set_adder": 0.5}
    assert_states([("charge", {"charge_weight": weight, **due}, usual) for weight, usual, _ in cases])
    strict = HouseRules(profile="strict")
    assert_states([("charge", {"charge_weight": weight, **due}, state) for weight, _, state in cases], strict)


def test_a_blank_adder_is_not_zero_except_where_there_is_no_line_set():
    figures = {"charge_weight": 7.5, "factory_charge": 7.5}
    packaged = {"system": {"equipment": "packaged"}, "job": {"job_kind": "compressor_changeout"}}
    assert_states([("charge", figures, "cannot_tell"), ("charge", figures, "passed", packaged)])


def test_a_weight_outside_its_limit_is_corrected_only_by_a_charge_check_that_passed():
    off = {"charge_weight": 8.8, "factory_charge": 7.5, "line_set_adder": 0.5}
    grade = grade_of(one_job("charge", off, others={"charge_check": SUBCOOLED}), "charge")
    assert grade["state"] == "passed"
    assert "corrected by subcooling after weighing" in grade["why"]
    failed, too_cold = {**SUBCOOLED, "liquid_temperature": 96}, {**SUBCOOLED, "outdoor_dry_bulb": 45}
    assert_states(
        [
            ("charge", off, "failed"),
            ("charge", off, "failed", {"others": {"charge_check": failed}}),
            ("charge", off, "failed", {"others": {"charge_check": too_cold}}),
        ]
    )
    disputed = one_job("charge", off, others={"charge_check": SUBCOOLED})
    insert(disputed, "open_dispute", [{"job_id": "J1", "step": "charge_check"}])
    assert grade_of(disputed, "charge")["state"] == "failed"


# --- airflow


def test_airflow_is_proved_by_static_or_by_flow():
    kept = {"job": {"ducts_kept": True}}
    cases = [
        ({"return_static": -0.2, "supply_static": 0.3}, "passed"),
        ({"return_static": 0.2, "supply_static": 0.3}, "passed"),
        ({"return_static": -0.2, "supply_static": 0.301}, "failed"),
        ({"return_static": -0.2}, "cannot_tell"),
        # one static above the limit already breaks it
        ({"return_static": -0.6}, "failed"),
        ({"return_static": -0.3, "supply_static": 0.4, "maximum_static": 0.8}, "passed"),
        ({"airflow": 1050}, "passed"),
        ({"airflow": 1350}, "passed"),
        ({"airflow": 1351}, "failed"),
        ({"airflow": 1049}, "failed"),
        ({"airflow": 1200, "fan_power": 696}, "passed"),
        ({"airflow": 1200, "fan_power": 697}, "failed"),
        ({"return_static": -0.2, "supply_static": 0.2, "airflow": 900}, "failed"),
        ({"airflow": 900}, "passed", kept),
        ({"airflow": 899}, "failed", kept),
        ({"airflow": 1200}, "cannot_tell", {"system": {"nominal_tons": None}}),
    ]
    assert_states([("airflow", *case) for case in cases])
    assert_states([("airflow", {"airflow": 900}, "failed", kept)], HouseRules(profile="strict"))


def test_an_unknown_air_handler_is_judged_as_a_fan_coil_and_that_is_said():
    grade = grade_of(one_job("airflow", {"airflow": 1200, "fan_power": 650}), "airflow")
    assert grade["state"] == "passed"
    assert "kind of air handler is not recorded" in grade["why"]


def test_airflow_without_tons_cannot_be_judged_but_static_can():
    no_tons = {"system": {"nominal_tons": None}}
    grade = grade_of(
        one_job("airflow", {"airflow": 1200, "return_static": 0.2, "supply_static": 0.2}, **no_tons), "airflow"
    )
    assert grade["state"] == "passed"
    assert "tons" in grade["why"]


def test_returns_of_both_signs_in_one_file_cannot_be_judged_until_told():
    con = one_job("airflow", {"return_static": -0.2, "supply_static": 0.2})
    add_job(con, "J2", "airflow", {"return_static": 0.2, "supply_static": 0.2})
    assert grade_of(con, "airflow")["state"] == "passed"
    con.execute("update staged_reading set source_file = 'readings.csv'")
    grade = grade_of(con, "airflow")
    assert grade["state"] == "cannot_tell"
    assert "both signs" in grade["why"]
    assert grade_of(con, "airflow", job_id="J2")["state"] == "cannot_tell"


def test_the_worst_of_several_broken_limits_decides():
    figures = {"return_static": -0.3, "supply_static": 0.3, "airflow": 600}
    grade = grade_of(one_job("airflow", figures), "airflow")
    # 0.6 is 20 % above 0.5; 200 cfm a ton is 43 % below 350
    assert (grade["limit_id"], grade["measured"], grade["limit_value"]) == ("airflow-per-ton", 200, 350)


# --- charge check


def test_the_edges_of_the_charge_check():
    cases = []
    for metering in ("txv", "eev"):
        for target, state in ((12.66, "passed"), (12.67, "failed"), (6.67, "passed"), (6.65, "failed")):
            cases.append(({**SUBCOOLED, "target_subcooling": target}, state, {"system": {"metering": metering}}))
    for target, state in ((19.15, "passed"), (19.17, "failed"), (9.17, "passed"), (9.15, "failed")):
        figures = {**SUPERHEATED, "target_superheat": target, "outdoor_dry_bulb": 90}
        cases.append((figures, state, {"system": PISTON}))
    cases += [
        ({**SUBCOOLED, "outdoor_dry_bulb": 55}, "passed"),
        ({**SUBCOOLED, "outdoor_dry_bulb": 54.9}, "cannot_tell"),
        # in the cold a wrong figure is no more certain than a right one
        ({**SUBCOOLED, "outdoor_dry_bulb": 45, "liquid_temperature": 99}, "cannot_tell"),
    ]
    assert_states([("charge_check", *case) for case in cases])


def test_an_unknown_outdoor_temperature_is_told():
    grade = grade_of(one_job("charge_check", without(SUBCOOLED, "outdoor_dry_bulb")), "charge_check")
    assert grade["state"] == "passed"
    assert "outdoor temperature is not recorded" in grade["why"]


@pytest.mark.parametrize(
    ("figures", "system", "words"),
    [
        (without(SUBCOOLED, "target_subcooling"), {}, "no target"),
        (without(SUBCOOLED, "liquid_temperature"), {}, "not recorded"),
        ({**SUPERHEATED, "target_superheat": 14}, {}, "that this metering device asks for"),
        (SUBCOOLED, {"metering": None}, "metering device is not recorded"),
        (SUBCOOLED, {"refrigerant": None}, "refrigerant is not recorded"),
        ({**SUBCOOLED, "liquid_pressure": 690}, {}, "outside the table"),
        ({**SUPERHEATED, "return_wet_bulb": 58, "outdoor_dry_bulb": 95}, PISTON, "chart has no target"),
        ({**SUPERHEATED, "return_wet_bulb": 80, "outdoor_dry_bulb": 95}, PISTON, "chart has no target"),
        ({**SUPERHEATED, "return_wet_bulb": 66}, PISTON, "no target"),
    ],
)
def test_a_charge_check_that_lacks_a_piece_says_which(figures, system, words):
    grade = grade_of(one_job("charge_check", figures, system=system), "charge_check")
    assert grade["state"] == "cannot_tell"
    assert words in grade["why"]


def test_the_chart_is_read_between_its_points():
    # wet bulb 66 and 68, outdoors 85 and 90: 15, 19, 13, 16, so 15.75 in the middle
    figures = {**SUPERHEATED, "return_wet_bulb": 67, "outdoor_dry_bulb": 87.5}
    grade = grade_of(one_job("charge_check", figures, system=PISTON), "charge_check")
    assert grade["measured"] == pytest.approx(14.157 - 15.75, abs=0.002)
    assert "chart" in grade["why"]
    edge = {**SUPERHEATED, "return_wet_bulb": 76, "outdoor_dry_bulb": 115}
    # 23 in the last corner: 14.157 is 8.8 too low
    assert grade_of(one_job("charge_check", edge, system=PISTON), "charge_check")["measured"] == pytest.approx(
        -8.843, abs=0.002
    )


@pytest.mark.parametrize("step", ["charge_check", "electrical"])
@pytest.mark.parametrize(
    ("airflow", "ticked", "words"),
    [
        ({"return_static": 0.5, "supply_static": 0.4}, None, "airflow of this job failed"),
        ({}, "not_done", "airflow of this job was not done"),
        ({}, None, "airflow of this job is not recorded"),
        ({"return_static": 0.1, "supply_static": 0.2}, None, None),
    ],
)
def test_what_the_airflow_says_stands_beside_later_readings(step, airflow, ticked, words):
    figures = SUBCOOLED if step == "charge_check" else {"compressor_current": 12, "rated_load_current": 16}
    ticks = [{"step": "airflow", "ticked": ticked}] if ticked else []
    grade = grade_of(one_job(step, figures, others={"airflow": airflow}, ticks=ticks), step)
    assert grade["state"] == "passed"
    assert (words in grade["why"]) if words else ("blower is set first" not in grade["why"])


# --- electrical


def test_current_voltage_and_balance():
    cases = [
        ({"compressor_current": 16.7, "rated_load_current": 16.7}, "passed"),
        ({"compressor_current": 16.71, "rated_load_current": 16.7}, "failed"),
        ({"compressor_current": 0.5, "rated_load_current": 16.7}, "passed"),
        ({"compressor_current": 12}, "cannot_tell"),
        ({"voltage": 264, "rated_voltage": 240, "compressor_current": 12, "rated_load_current": 16.7}, "passed"),
        ({"voltage": 265, "rated_voltage": 240, "compressor_current": 12, "rated_load_current": 16.7}, "failed"),
        ({"voltage": 215, "rated_voltage": 240}, "failed"),
        (
            {
                "voltage_ab": 452,
                "voltage_bc": 464,
                "voltage_ca": 455,
                "compressor_current": 12,
                "rated_load_current": 16,
            },
            "passed",
        ),
        # 450, 470, 460 are 2.17 % out of balance
        ({"voltage_ab": 450, "voltage_bc": 470, "voltage_ca": 460}, "failed"),
        ({"voltage_ab": 450, "voltage_bc": 470, "compressor_current": 12, "rated_load_current": 16}, "passed"),
    ]
    assert_states([("electrical", *case) for case in cases])


def test_a_variable_compressor_is_held_against_its_rating_only():
    figures = {"compressor_current": 4, "rated_load_current": 16.7}
    grade = grade_of(one_job("electrical", figures, system={"metering": "eev"}), "electrical")
    assert grade["state"] == "passed"
    assert "speed is not known" in grade["why"]


# --- whose limit


def maker(step, quantity, at_least=None, at_most=None, unit=None):
    return {"step": step, "quantity": quantity, "at_least": at_least, "at_most": at_most, "unit": unit}


def test_the_makers_own_limit_beats_all():
    cases = [
        ("evacuation", {"vacuum": 400}, maker("evacuation", "vacuum", at_most=250, unit="micron"), "passed", "failed"),
        ("evacuation", {"vacuum": 400}, maker("evacuation", "vacuum", at_most=33.33, unit="Pa"), "passed", "failed"),
        ("vacuum_rise", {**RISE, "rise_end": 1100}, maker("vacuum_rise", "rise_end", at_most=1500, unit="micron"), "failed", "passed"),
        ("pressure_test", TIGHT, maker("pressure_test", "hold_time", at_least=24, unit="h"), "passed", "cannot_tell"),
        ("pressure_test", TIGHT, maker("pressure_test", "design_pressure_low", at_most=236, unit="psig"), "passed", "failed"),
        ("pressure_test", {**TIGHT, "start_pressure": 560, "end_pressure": 560}, maker("pressure_test", "start_pressure", at_most=600, unit="psig"), "failed", "passed"),
        ("airflow", {"return_static": 0.3, "supply_static": 0.3}, maker("airflow", "maximum_static", at_most=0.8, unit="inwc"), "failed", "passed"),
        ("airflow", {"airflow": 900}, maker("airflow", "airflow", 850, 1000, "cfm"), "failed", "passed"),
        ("airflow", {"airflow": 1200}, maker("airflow", "airflow", 850, 1000, "cfm"), "passed", "failed"),
        ("airflow", {"airflow": 900}, maker("airflow", "airflow_per_ton", at_least=290, unit="cfm/ton"), "failed", "passed"),
        ("charge", {"charge_weight": 8.1, "factory_charge": 9, "line_set_adder": 0.5}, maker("charge", "factory_charge", at_most=7.5, unit="lb"), "failed", "passed"),
        ("charge_check", without(SUBCOOLED, "target_subcooling"), maker("charge_check", "target_subcooling", 10, 10, "delta_degF"), "cannot_tell", "passed"),
        ("charge_check", SUBCOOLED, maker("charge_check", "target_subcooling", 15, 15, "delta_degF"), "passed", "failed"),
        # a range of targets is the limit itself: 9.66 lies in 9 to 19, 4.3 below its middle
        ("charge_check", {**SUBCOOLED, "target_subcooling": 14}, maker("charge_check", "target_subcooling", 9, 19, "delta_degF"), "failed", "passed"),
        ("charge_check", SUBCOOLED, maker("charge_check", "subcooling_deviation", -0.1, 0.1, "delta_degF"), "passed", "failed"),
        ("electrical", {"compressor_current": 12, "rated_load_current": 16}, maker("electrical", "rated_load_current", at_most=11, unit="A"), "passed", "failed"),
        ("electrical", {"compressor_current": 12, "rated_load_current": 16}, maker("electrical", "compressor_current", at_most=11, unit="A"), "passed", "failed"),
        ("electrical", {"voltage": 210, "compressor_current": 12, "rated_load_current": 16}, maker("electrical", "rated_voltage", at_most=240, unit="V"), "passed", "failed"),
        ("electrical", {"voltage": 190, "compressor_current": 12, "rated_load_current": 16}, maker("electrical", "voltage", 197, 253, "V"), "passed", "failed"),
    ]  # fmt: skip
    assert_states([(step, figures, before) for step, figures, _, before, _ in cases])
    assert_states([(step, figures, after, {"maker": [row]}) for step, figures, row, _, after in cases])
    others = [{**row, "model": f"another {number}"} for number, (_, _, row, _, _) in enumerate(cases)]
    assert_states([(case[0], case[1], case[3], {"maker": [row]}) for case, row in zip(cases, others, strict=True)])


def test_a_makers_limit_that_cannot_be_used_is_shown_and_judges_nothing():
    rows = [
        maker("evacuation", "vacuum", at_most=300, unit="psig"),
        maker("evacuation", "colour", at_most=3),
        maker("airflow", "hold_time", at_least=60, unit="min"),
    ]
    con = one_job("evacuation", {"vacuum": 400}, maker=rows)
    assert grade_of(con, "evacuation")["state"] == "passed"
    notes = con.execute("select quantity, note from limit_used where profile = 'maker' order by 1").fetchall()
    assert [(quantity, note.startswith("not used")) for quantity, note in notes] == [
        ("colour", True), ("hold_time", True), ("vacuum", True),
    ]  # fmt: skip


def test_ductless_is_checked_by_weight_unless_the_maker_gives_a_target():
    ductless = {"equipment": "ductless", "metering": "eev"}
    target = [maker("charge_check", "target_subcooling", at_most=10, unit="delta_degF")]
    # a maker who gives superheat for an expansion valve says with it what counts
    superheat = [maker("charge_check", "target_superheat", at_most=12, unit="delta_degF")]
    warm = {**SUPERHEATED, "outdoor_dry_bulb": 90}
    assert_states(
        [
            ("charge_check", SUBCOOLED, "not_applicable", {"system": ductless}),
            ("charge_check", SUBCOOLED, "passed", {"system": ductless, "maker": target}),
            ("charge_check", warm, "passed", {"system": ductless, "maker": superheat}),
        ]
    )


def own(**row):
    return HouseRules(profile="ours", own_limits=({"profile": "ours", **row},))


def test_the_houses_own_limit_counts_and_the_usual_ones_fill_what_it_leaves_out():
    ours = own(step="evacuation", quantity="vacuum", at_most="250", unit="micron")
    grade = grade_of(one_job("evacuation", {"vacuum": 400}), "evacuation", ours)
    assert (grade["state"], grade["limit_value"], grade["limit_id"]) == ("failed", 250, "ours-1-vacuum")
    # the evacuation's limit also says where a rise may start
    assert_states([("vacuum_rise", {**RISE, "rise_end": 1000}, "failed"), ("vacuum_rise", RISE, "cannot_tell")], ours)


def test_the_houses_own_limit_can_ask_about_the_job():
    ours = own(
        step="airflow", quantity="airflow_per_ton", at_least="250", unit="cfm/ton", applies_to="refrigerant=R-32"
    )
    r32 = {"system": {"refrigerant": "R-32"}}
    assert_states([("airflow", {"airflow": 800}, "failed"), ("airflow", {"airflow": 800}, "passed", r32)], ours)


def test_a_limit_that_excludes_its_own_figure_fails_exactly_at_it():
    ours = own(step="evacuation", quantity="vacuum", at_most="400", unit="micron", bound="excl")
    assert_states([("evacuation", {"vacuum": 400}, "failed"), ("evacuation", {"vacuum": 399.9}, "passed")], ours)


def test_the_maker_beats_the_house():
    ours = own(step="evacuation", quantity="vacuum", at_most="250", unit="micron")
    row = maker("evacuation", "vacuum", at_most=450, unit="micron")
    assert_states([("evacuation", {"vacuum": 400}, "passed", {"maker": [row]})], ours)


def test_the_limits_used_are_those_in_force_and_no_others():
    def used(rules):
        con = empty_tables()
        grade(con, rules)
        return {row[0] for row in con.execute("select limit_id from limit_used").fetchall()}

    usual, strict = used(HouseRules()), used(HouseRules(profile="strict"))
    assert {"vacuum", "rise-end", "start-pressure-plate"} <= usual
    assert {"vacuum-strict", "rise-end-strict", "start-pressure-plate", "rise-time"} <= strict
    assert not {"vacuum", "rise-end", "airflow-per-ton-ducts-kept"} & strict
    ours = used(own(step="pressure_test", quantity="start_pressure", at_least="300", at_most="450", unit="psig"))
    assert {"ours-1-start_pressure", "start-pressure-plate"} <= ours
    assert "start-pressure-no-plate" not in ours


def test_a_profile_that_nobody_has_given_limits_is_refused():
    with pytest.raises(InputError, match='profile "ours" has no limits'):
        grade(empty_tables(), HouseRules(profile="ours"))


def test_a_store_without_gauge_logs_rejects_or_disputes_is_graded_all_the_same():
    con = one_job("evacuation", {"vacuum": 400})
    for name in ("staged_trace", "rejected_reading", "open_dispute"):
        con.execute(f"drop table {name}")
    assert grade_of(con, "evacuation")["state"] == "passed"
    assert con.execute(
        "select count(*) from duckdb_views() where not internal and view_name <> 'step_grade'"
    ).fetchone() == (0,)
