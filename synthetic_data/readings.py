"""What the instruments showed on each job, so that a right grade gives the state intended.

Nitrogen follows its temperature, pressures agree with saturated refrigerant at the site's altitude, a weight agrees with
the factory charge and the adder. Good readings keep clear of their limit by more than rounding and gauge error; bad
ones lie clearly beyond it. The limits used here are those of the `usual` profile.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from synthetic_data import scenario
from synthetic_data.habits import CANNOT_TELL, CHARGE_CHECK_FROM_DEGF, FAILED, PASSED, STEP_NO, TICKED_ONLY
from synthetic_data.jobs import METERING, PHONE_1, PHONE_2, REFRIGERANTS, Jobs, Systems
from synthetic_data.saturation import atmosphere_psia, pressure_psia

QUANTITIES: tuple[tuple[str, str, str], ...] = (
    ("nitrogen_flow", "flow_pressure", "psig"), ("nitrogen_flow", "flow_rate", "scfh"),
    ("pressure_test", "test_gas", ""), ("pressure_test", "start_pressure", "psig"),
    ("pressure_test", "end_pressure", "psig"), ("pressure_test", "start_temperature", "degF"),
    ("pressure_test", "end_temperature", "degF"), ("pressure_test", "hold_time", "min"),
    ("evacuation", "pump_time", "min"), ("evacuation", "vacuum", "micron"),
    ("vacuum_rise", "rise_start", "micron"), ("vacuum_rise", "rise_end", "micron"), ("vacuum_rise", "rise_time", "min"),
    ("charge", "charge_weight", "lb"), ("charge", "factory_charge", "lb"), ("charge", "line_set_adder", "lb"),
    ("airflow", "return_static", "inwc"), ("airflow", "supply_static", "inwc"), ("airflow", "airflow", "cfm"),
    ("airflow", "blower_setting", ""), ("airflow", "fan_power", "W"), ("airflow", "maximum_static", "inwc"),
    ("charge_check", "suction_pressure", "psig"), ("charge_check", "suction_temperature", "degF"),
    ("charge_check", "liquid_pressure", "psig"), ("charge_check", "liquid_temperature", "degF"),
    ("charge_check", "target_subcooling", "delta_degF"), ("charge_check", "target_superheat", "delta_degF"),
    ("charge_check", "outdoor_dry_bulb", "degF"), ("charge_check", "return_dry_bulb", "degF"),
    ("charge_check", "return_wet_bulb", "degF"), ("charge_check", "supply_dry_bulb", "degF"),
    ("charge_check", "supply_wet_bulb", "degF"),
    ("electrical", "compressor_current", "A"), ("electrical", "rated_load_current", "A"), ("electrical", "voltage", "V"),
    ("electrical", "rated_voltage", "V"), ("electrical", "voltage_ab", "V"), ("electrical", "voltage_bc", "V"),
    ("electrical", "voltage_ca", "V"), ("electrical", "input_power", "W"),
)  # fmt: skip
QUANTITY_NO = {(step, quantity): place for place, (step, quantity, _) in enumerate(QUANTITIES)}
INSTRUMENT_OF_STEP = {
    "nitrogen_flow": "manifold", "pressure_test": "manifold", "evacuation": "micron_gauge", "vacuum_rise": "micron_gauge",
    "charge": "scale", "airflow": "manometer", "charge_check": "manifold", "electrical": "clamp_meter",
}  # fmt: skip
TARGET_SUBCOOLING_DELTA_DEGF = (8.0, 9.0, 10.0, 12.0)


@dataclass
class Readings:
    """Readings as arrays in parts: job place, quantity place, value, text (where the value is no number), is_first."""

    job: list[np.ndarray] = field(default_factory=list)
    quantity: list[np.ndarray] = field(default_factory=list)
    value: list[np.ndarray] = field(default_factory=list)
    text: list[tuple[int, np.ndarray, np.ndarray]] = field(default_factory=list)
    at_start: list[np.ndarray] = field(default_factory=list)
    count: int = 0

    def add(self, step, quantity, jobs, values, decimals=1, keep=None, at_start=False):
        """Values of one quantity, for the jobs at these places (those where `keep` holds)."""
        if keep is not None:
            jobs, values = jobs[keep], values[keep]
        self.job.append(jobs.astype(np.int32))
        self.quantity.append(np.full(len(jobs), QUANTITY_NO[step, quantity], dtype=np.int8))
        self.value.append(np.round(values, decimals).astype(np.float64))
        self.at_start.append(np.full(len(jobs), at_start))
        self.count += len(jobs)

    def add_text(self, step, quantity, jobs, codes, words, keep=None):
        if keep is not None:
            jobs, codes = jobs[keep], codes[keep]
        self.text.append((self.count, codes, np.array(words)))
        self.add(step, quantity, jobs, np.full(len(jobs), np.nan))


@dataclass
class RiseTests:
    """What the gauge logs must agree with: job places, first and last reading, minutes, and whether the test failed."""

    job: np.ndarray
    start_micron: np.ndarray
    end_micron: np.ndarray
    minutes: np.ndarray
    failed: np.ndarray


def make_readings(
    rng: np.random.Generator, systems: Systems, jobs: Jobs, story: dict, models
) -> tuple[Readings, RiseTests]:
    """All readings of these jobs (someone else's jobs have none).

    models : text array, the model code of each system, empty where it is not recorded
    """
    readings = Readings()
    for step in ("nitrogen_flow", "pressure_test", "charge", "airflow", "charge_check", "electrical"):
        _OF_STEP[step](rng, systems, jobs, readings, models)
    _evacuation(rng, systems, jobs, readings, models, story)
    rises = _vacuum_rise(rng, systems, jobs, readings, models, story)
    return readings, rises


def _with(jobs: Jobs, step: str, *states: int) -> tuple[np.ndarray, np.ndarray]:
    written = jobs.written[:, STEP_NO[step]]
    places = np.flatnonzero(np.isin(written, states))
    return places, written[places]


def _nitrogen_flow(rng, systems, jobs, readings, models):
    places, state = _with(jobs, "nitrogen_flow", PASSED, FAILED, CANNOT_TELL)
    by_rate = (rng.random(len(places)) < 0.2) & (state == PASSED)
    psig = np.where(state == FAILED, rng.uniform(6.5, 12, len(places)), rng.uniform(1.0, 3.4, len(places)))
    unreadable = state == CANNOT_TELL
    readings.add("nitrogen_flow", "flow_pressure", places, psig, 1, ~by_rate & ~unreadable)
    readings.add("nitrogen_flow", "flow_rate", places, rng.uniform(4, 12, len(places)), 0, by_rate)
    # a letter O for a zero: nobody can say what was meant
    readings.add_text(
        "nitrogen_flow", "flow_pressure", places, np.zeros(len(places), np.int8), ["2.O psi?"], unreadable
    )


def _pressure_test(rng, systems, jobs, readings, models):
    places, state = _with(jobs, "pressure_test", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    system = jobs.system[places]
    refrigerant = systems.refrigerant[system]
    low = np.array([405.0, 405.0, 405.0, 255.0, 255.0, 155.0])[refrigerant]
    high = np.array([440.0, 440.0, 440.0, 290.0, 290.0, 180.0])[refrigerant]
    start = np.round(rng.uniform(low, high) / 5) * 5 + rng.integers(-2, 3, n)
    start = np.clip(start, low, high)
    how = rng.random(n)
    too_low = (state == FAILED) & (how < 0.12)
    air = (state == FAILED) & (how >= 0.12) & (how < 0.17)
    leaks = (state == FAILED) & ~too_low & ~air
    start = np.where(too_low, np.round(low * rng.uniform(0.45, 0.8, n)), start)
    start_degf = np.round(np.clip(jobs.outdoor_degf[places] + rng.normal(0, 4, n), 25, 112))
    end_degf = start_degf + rng.integers(-8, 10, n)
    atmosphere = atmosphere_psia(systems.altitude_ft[system])
    drop = np.where(leaks, rng.uniform(9, 38, n), rng.uniform(0, 0.7, n))
    end = (start + atmosphere) * (end_degf + 459.67) / (start_degf + 459.67) - atmosphere - drop
    hold = rng.choice([15.0, 20.0, 30.0, 60.0], n, p=[0.45, 0.2, 0.25, 0.1])
    short = (state == CANNOT_TELL) & (how < 0.4)
    hold = np.where(short, 10.0, hold)
    has_temperatures = ~((state == CANNOT_TELL) & ~short)
    gas = np.where(air, 1, 0)
    # a failure by gas alone must be written down, so it is written always
    readings.add_text("pressure_test", "test_gas", places, gas, ["nitrogen", "air"], (rng.random(n) < 0.9) | air)
    readings.add("pressure_test", "start_pressure", places, start, 0, at_start=True)
    readings.add("pressure_test", "end_pressure", places, end, 1)
    readings.add("pressure_test", "start_temperature", places, start_degf, 0, has_temperatures, at_start=True)
    readings.add("pressure_test", "end_temperature", places, end_degf, 0, has_temperatures)
    readings.add("pressure_test", "hold_time", places, hold, 0)


def _evacuation(rng, systems, jobs, readings, models, story):
    places, state = _with(jobs, "evacuation", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    tight = models[jobs.system[places]] == scenario.MODEL_TIGHT_VACUUM
    top = np.where(tight, 380, 470)
    micron = np.where(
        state == FAILED,
        np.exp(rng.normal(np.log(850), 0.3, n)).clip(560, 2500),
        180 + (top - 180) * rng.beta(2.2, 1.6, n),
    )
    copies = (jobs.doer[places, STEP_NO["evacuation"]] == story["copies_figures_no"]) & (state == PASSED)
    micron = np.where(copies & (rng.random(n) < 0.75), np.where(tight, 360, 400), micron)
    unreadable = state == CANNOT_TELL
    timed = np.isin(jobs.form[places], (PHONE_1, PHONE_2))
    # a second pull: a first reading too high, then the one that counts, told apart by their times
    again = (state == PASSED) & timed & (rng.random(n) < 0.05)
    readings.add("evacuation", "vacuum", places, rng.uniform(600, 1500, n), 0, again, at_start=True)
    readings.add("evacuation", "vacuum", places, micron, 0, ~unreadable)
    readings.add_text("evacuation", "vacuum", places, np.zeros(n, np.int8), ["38O"], unreadable)
    pumped, state = _with(jobs, "evacuation", PASSED, FAILED, CANNOT_TELL, TICKED_ONLY)
    minutes = np.round(rng.uniform(30, 90, len(pumped)) / 5) * 5
    readings.add("evacuation", "pump_time", pumped, minutes, 0, rng.random(len(pumped)) < 0.7)


def _vacuum_rise(rng, systems, jobs, readings, models, story) -> RiseTests:
    places, state = _with(jobs, "vacuum_rise", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    tight = models[jobs.system[places]] == scenario.MODEL_TIGHT_VACUUM
    start = np.round(180 + (np.where(tight, 370, 460) - 180) * rng.beta(2, 1.8, n))
    top = np.where(tight, 760, 940)
    good_end = np.minimum(start + 25 + (top - start) * rng.beta(1.4, 3.2, n), top)
    failed = state == FAILED
    end = np.round(np.where(failed, rng.uniform(1060, 2600, n), good_end))
    minutes = np.where(rng.random(n) < 0.85, 10.0, 15.0)
    minutes = np.where(failed, 10.0, minutes)
    minutes = np.where(state == CANNOT_TELL, 5.0, minutes)  # tight, but too short to prove it
    copies = (jobs.doer[places, STEP_NO["vacuum_rise"]] == story["copies_figures_no"]) & (state == PASSED)
    copies &= rng.random(n) < 0.75
    start, end = np.where(copies, np.where(tight, 350, 400), start), np.where(copies, np.where(tight, 500, 550), end)
    readings.add("vacuum_rise", "rise_start", places, start, 0, at_start=True)
    readings.add("vacuum_rise", "rise_end", places, end, 0)
    readings.add("vacuum_rise", "rise_time", places, minutes, 0)
    # a figure copied from the job before has no log behind it
    return RiseTests(places[~copies], start[~copies], end[~copies], minutes[~copies], failed[~copies])


def _charge(rng, systems, jobs, readings, models):
    places, state = _with(jobs, "charge", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    factory = np.round(systems.tons[jobs.system[places]] * rng.uniform(1.9, 2.7, n) + 1.5, 2)
    adder = np.round(np.maximum(jobs.line_set_ft[places] - 15, 0) * rng.choice([0.02, 0.0375], n), 2)
    off = np.where(
        state == FAILED,
        rng.choice([-1, 1], n, p=[0.6, 0.4]) * rng.uniform(0.075, 0.25, n),
        np.clip(rng.normal(0, 0.014, n), -0.035, 0.035),
    )
    known = state != CANNOT_TELL
    readings.add("charge", "charge_weight", places, (factory + adder) * (1 + off), 2)
    readings.add("charge", "factory_charge", places, factory, 2, known)
    readings.add("charge", "line_set_adder", places, adder, 2, known)


def _airflow(rng, systems, jobs, readings, models):
    places, state = _with(jobs, "airflow", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    system = jobs.system[places]
    model = models[system]
    failed = state == FAILED
    by_static = rng.random(n) < 0.8
    by_flow = ~by_static | (rng.random(n) < 0.45)
    # how it failed: the static is too high, or the air is too little (or, seldom, too much)
    static_fails = failed & by_static & (~by_flow | (rng.random(n) < 0.6))
    flow_fails = failed & by_flow & ~static_fails
    high = model == scenario.MODEL_HIGH_STATIC
    static = np.where(
        static_fails, rng.uniform(np.where(high, 0.78, 0.58), 1.0), rng.uniform(0.26, np.where(high, 0.64, 0.46))
    )
    share = rng.uniform(0.35, 0.5, n)
    back, supply = np.round(-static * share, 2), np.round(static * (1 - share), 2)
    per_ton = np.where(
        flow_fails,
        np.where(rng.random(n) < 0.85, rng.uniform(210, 285, n), rng.uniform(480, 540, n)),
        rng.uniform(362, 438, n),
    )
    flow = per_ton * systems.tons[system]
    unclear = state == CANNOT_TELL
    readings.add("airflow", "return_static", places, back, 2, by_static | unclear)
    # half of a static pressure proves nothing
    readings.add("airflow", "supply_static", places, supply, 2, by_static & ~unclear)
    readings.add("airflow", "airflow", places, flow, 0, by_flow & ~unclear)
    readings.add(
        "airflow", "fan_power", places, flow * rng.uniform(0.25, 0.40, n), 0, by_flow & ~unclear & (rng.random(n) < 0.3)
    )
    setting = np.isin(model, scenario.BLOWER_MODELS) & (state == PASSED)
    readings.add_text("airflow", "blower_setting", places, np.zeros(n, np.int8), ["medium"], setting)
    only, _ = _with(jobs, "airflow", TICKED_ONLY)
    only = only[~np.isin(models[jobs.system[only]], scenario.BLOWER_MODELS)]
    named = rng.integers(0, 3, len(only))
    readings.add_text("airflow", "blower_setting", only, named, ["low", "medium", "high"], rng.random(len(only)) < 0.4)


def _charge_check(rng, systems, jobs, readings, models):
    places, state = _with(jobs, "charge_check", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    system = jobs.system[places]
    outdoor = jobs.outdoor_degf[places]
    atmosphere = atmosphere_psia(systems.altitude_ft[system])
    fixed = systems.metering[system] == METERING.index("fixed_orifice")
    target_subcooling = rng.choice(TARGET_SUBCOOLING_DELTA_DEGF, n)
    asked = models[system] == scenario.MODEL_TIGHT_VACUUM
    target_subcooling = np.where(asked, scenario.MODEL_TIGHT_VACUUM_TARGET_DELTA_DEGF, target_subcooling)
    target_superheat = np.round(np.clip(rng.normal(13, 3, n), 7, 22))
    side = rng.choice([-1, 1], n, p=[0.6, 0.4])
    failed = state == FAILED
    subcooling_off = np.where(
        failed & ~fixed,
        side * np.where(side < 0, rng.uniform(4, 7, n), rng.uniform(4.5, 10, n)),
        rng.uniform(-2.2, 2.2, n),
    )
    superheat_off = np.where(
        failed & fixed,
        side * np.where(side < 0, rng.uniform(6.2, 7, n), rng.uniform(7, 15, n)),
        rng.uniform(-3.4, 3.4, n),
    )
    subcooling = np.maximum(target_subcooling + subcooling_off, 0.3)
    superheat = np.where(fixed, np.maximum(target_superheat + superheat_off, 0.4), rng.uniform(8, 14, n))
    evaporating = rng.uniform(38, 46, n) - np.maximum(70 - outdoor, 0) * 0.1
    condensing = np.minimum(np.maximum(outdoor, 62) + rng.uniform(16, 24, n), 142)
    suction_psig, liquid_psig = np.empty(n), np.empty(n)
    for code, name in enumerate(REFRIGERANTS):
        of_this = systems.refrigerant[system] == code
        if of_this.any():
            suction_psig[of_this] = pressure_psia(name, evaporating[of_this], "dew") - atmosphere[of_this]
            liquid_psig[of_this] = pressure_psia(name, condensing[of_this], "bubble") - atmosphere[of_this]
    step = "charge_check"
    readings.add(step, "suction_pressure", places, suction_psig)
    # unclear on a warm day: the temperature that its metering asks for was not written down
    complete = ~((state == CANNOT_TELL) & (outdoor >= CHARGE_CHECK_FROM_DEGF))
    readings.add(step, "suction_temperature", places, evaporating + superheat, 1, complete | ~fixed)
    readings.add(step, "liquid_pressure", places, liquid_psig)
    readings.add(step, "liquid_temperature", places, condensing - subcooling, 1, complete | fixed)
    readings.add(step, "target_subcooling", places, target_subcooling, 1, ~fixed)
    readings.add(step, "target_superheat", places, target_superheat, 1, fixed)
    readings.add(step, "outdoor_dry_bulb", places, outdoor, 0)
    indoors = rng.random(n) < 0.35
    dry = rng.uniform(70, 80, n)
    wet = dry - rng.uniform(8, 14, n)
    readings.add(step, "return_dry_bulb", places, dry, 1, indoors)
    readings.add(step, "return_wet_bulb", places, wet, 1, indoors)
    readings.add(step, "supply_dry_bulb", places, dry - rng.uniform(16, 22, n), 1, indoors)
    readings.add(step, "supply_wet_bulb", places, wet - rng.uniform(8.5, 11, n), 1, indoors)


def _electrical(rng, systems, jobs, readings, models):
    places, state = _with(jobs, "electrical", PASSED, FAILED, CANNOT_TELL)
    n = len(places)
    tons = systems.tons[jobs.system[places]]
    rated = np.round(tons * rng.uniform(3.8, 4.8, n) + 2.5, 1)
    current = rated * np.where(state == FAILED, rng.uniform(1.06, 1.3, n), rng.uniform(0.55, 0.94, n))
    volts = np.where(rng.random(n) < 0.5, rng.uniform(222, 243, n), rng.uniform(228, 240, n))
    known = state != CANNOT_TELL
    three_phase = (tons >= 5) & known & (rng.random(n) < 0.3)
    readings.add("electrical", "compressor_current", places, current)
    readings.add("electrical", "rated_load_current", places, rated, 1, known)
    readings.add("electrical", "voltage", places, volts, 1, ~three_phase & (rng.random(n) < 0.7))
    readings.add(
        "electrical", "rated_voltage", places, np.full(n, 230.0), 0, known & ~three_phase & (rng.random(n) < 0.5)
    )
    for name in ("voltage_ab", "voltage_bc", "voltage_ca"):
        readings.add("electrical", name, places, 232 + rng.uniform(-1.6, 1.6, n), 1, three_phase)
    readings.add("electrical", "input_power", places, volts * current * 0.92, 0, rng.random(n) < 0.1)


_OF_STEP = {
    "nitrogen_flow": _nitrogen_flow,
    "pressure_test": _pressure_test,
    "charge": _charge,
    "airflow": _airflow,
    "charge_check": _charge_check,
    "electrical": _electrical,
}
