"""sql/203 to 216: what logs of rises, pull-downs and pressure tests say, against figures worked out outside."""

import csv
from pathlib import Path

import CoolProp.CoolProp as coolprop
import numpy as np
import polars as pl
import pytest
from scipy import optimize

from pipelines import vacuum
from pipelines.grades import grade
from pipelines.house_rules import HouseRules
from tests.bench.simulated_gauges import curves
from tests.pipelines.grading_rows import add_job, empty_tables, grade_of


def add_samples(con, step, quantity, t, values, job_id="J1"):
    con.register("samples", pl.DataFrame({"t": t, "p": np.asarray(values, dtype=float)}).to_arrow())
    con.execute(
        "insert into staged_trace (job_id, step, quantity, elapsed_s, value) select $job, $step, $quantity, t, p from samples",
        {"job": job_id, "step": step, "quantity": quantity},
    )
    con.unregister("samples")


# --- rises


def told(logs):
    """Verdict rows of rises: (seconds, micron) each."""
    con = empty_tables()
    con.execute("insert into staged_job (job_id) select 'J' || i from range($logs) as r(i)", {"logs": len(logs)})
    frame = pl.concat(
        [pl.DataFrame({"job_id": f"J{place}", "t": t, "p": p}) for place, (t, p) in enumerate(logs)]
    ).to_arrow()
    con.register("samples", frame)
    con.execute(
        "insert into staged_trace (job_id, quantity, elapsed_s, value) select job_id, 'vacuum', t, p from samples"
    )
    grade(con, HouseRules())
    return con.sql("select * from trace_verdict order by substring(job_id, 2)::int").pl()


@pytest.mark.parametrize(("hard", "right", "wrong"), [(False, 0.97, 0.015), (True, 0.92, 0.03)])
def test_curves_of_other_shapes_are_told_rightly(hard, right, wrong):
    # 400 draws: the goals of 98 and 94 %, less two standard errors
    logs = curves(5, 400, judging=True, hard=hard)
    found = told([(log.t, log.p) for log in logs])
    verdict = dict(zip(found["job_id"], found["verdict"], strict=True))
    names = [verdict.get(f"J{place}", "cannot_tell") for place in range(len(logs))]
    good = np.mean([name in log.right for name, log in zip(names, logs, strict=True)])
    bad = np.mean([name not in (*log.right, "cannot_tell") for name, log in zip(names, logs, strict=True)])
    assert good >= right
    assert bad <= wrong


def test_time_constant_and_slope_are_those_of_a_least_squares_fit():
    t = np.arange(0, 1801, 10.0)
    drop = np.random.default_rng(3).normal(0, 8, len(t))
    flat = 300 + 2500 * (1 - np.exp(-t / 240)) + drop
    straight = 300 + 2.5 * t + drop
    both = 300 + 1500 * (1 - np.exp(-t / 150)) + 1.5 * t + drop
    found = told([(t, flat), (t, straight), (t, both)])
    assert found["verdict"].to_list() == ["moisture", "leak", "moisture_and_leak"]
    late = t >= 45
    (_, _, tau), _ = optimize.curve_fit(
        lambda s, a, b, c: a + b * (1 - np.exp(-s / c)), t[late], flat[late], p0=(300, 2000, 200)
    )
    assert found["time_constant_s"][0] == pytest.approx(tau, rel=0.18)  # the grid of time constants is that coarse
    slope = np.polyfit(t[late], straight[late], 1)[0]
    assert found["slope_micron_per_min"][1] == pytest.approx(60 * slope, rel=0.005)
    assert found["slope_micron_per_min"][2] == pytest.approx(60 * 1.5, rel=0.05)


def test_a_valve_shut_after_the_log_began_and_the_gauges_top():
    t = np.arange(0, 1201, 5.0)
    late = np.where(t < 200, 280 + 200 * np.exp(-t / 60), 287 + 2.0 * np.maximum(t - 200, 0))
    top = np.minimum(300 + 30 * t, 20_000)
    pump = 400 - 250 * (1 - np.exp(-t / 200))
    found = told([(t, late), (t, top), (t, pump)])
    assert found["verdict"].to_list() == ["leak", "leak", "cannot_tell"]
    assert found["level_micron_at_10min"][0] == pytest.approx(287 + 2.0 * 600, rel=0.04)
    assert "valve was shut some 3." in found["why"][0]
    assert found["slope_micron_per_min"][1] == pytest.approx(1800, rel=0.01)
    assert "fell" in found["why"][2]


def test_three_minutes_are_too_short_to_tell():
    t = np.arange(0, 181, 5.0)
    found = told([(t, 300 + 2.0 * t), (t, 300 + 0 * t)])
    assert found["verdict"].to_list() == ["cannot_tell"] * 2


# --- the pull-down


def pull_down(levels, t, figures=None, step="pressure_test"):
    con = empty_tables()
    add_job(con, "J1", step, figures or {})
    add_samples(con, "evacuation", "vacuum", t, levels)
    grade(con, HouseRules())
    (row,) = con.sql("select * from pull_down").pl().rows(named=True)
    return row


def wet(t, at_micron, until_s):
    """Falls from atmosphere, stands still while water boils, then goes on to 300 micron."""
    dry = 300 + 755_000 * np.exp(-t / 60)
    return np.where(t < until_s, np.maximum(dry, at_micron), 300 + (at_micron - 300) * np.exp(-(t - until_s) / 90))


def test_a_stand_still_at_the_boiling_pressure_of_water_is_told_as_water():
    t = np.arange(0, 2701, 10.0)
    # IAPWS-95 by CoolProp at 70 degF, 1 micron = 101325/760000 Pa
    boils = coolprop.PropsSI("P", "T", (70 + 459.67) / 1.8, "Q", 0, "Water") * 760_000 / 101_325
    row = pull_down(wet(t, boils, 1200), t, {"end_temperature": 70})
    assert row["verdict"] == "reached_after_water"
    assert row["water_boils_at_micron"] == pytest.approx(boils, rel=1e-3)
    assert row["stalled_at_micron"] == pytest.approx(boils, rel=0.01)
    # it comes down to there after 60 ln(755,000 / 18,500) = 222 s
    assert row["stalled_min"] == pytest.approx((1200 - 222) / 60, abs=1)
    # 500 micron are passed 90 ln((18,787 - 300) / 200) = 407 s after the water has gone
    assert row["min_below_limit"] == pytest.approx((2700 - 1200 - 407) / 60, abs=0.2)
    assert "water boils at 70 degF" in row["why"]


def test_what_a_pull_down_is_told_as():
    t = np.arange(0, 1801, 10.0)
    warm = {"end_temperature": 70}
    cases = [
        (300 + 755_000 * np.exp(-t / 60), "reached", warm),
        (wet(t, 18_800, 9_999), "stalled_at_water", warm),
        # water that boils cools to its freezing point, 4,584 micron
        (wet(t, 4_600, 9_999), "stalled_at_water", warm),
        (wet(t, 2_500, 9_999), "stalled", warm),
        (wet(t, 2_500, 1_200), "reached_after_stall", warm),
        # no temperature recorded: where water boils at 34 to 110 degF
        (wet(t, 18_800, 9_999), "stalled_at_water", {}),
        # at 40 degF water boils at 6,295 micron, so this is something else
        (wet(t, 18_800, 9_999), "stalled", {"end_temperature": 40}),
        (300 + 755_000 * np.exp(-t / 240), "still_falling", {}),
    ]
    con = empty_tables()
    for place, (levels, _, figures) in enumerate(cases):
        add_job(con, f"J{place}", "pressure_test", figures)
        add_samples(con, "evacuation", "vacuum", t, levels, f"J{place}")
    grade(con, HouseRules())
    rows = con.execute("select job_id, verdict from pull_down order by job_id").fetchall()
    assert rows == [(f"J{place}", verdict) for place, (_, verdict, _) in enumerate(cases)]


def test_a_log_that_shows_almost_nothing():
    t = np.arange(0, 61, 10.0)
    assert pull_down(300 + 0 * t, t)["verdict"] == "cannot_tell"


# --- the pressure test


def pressure_log(minutes, leak_psi_h=0.0, swing_degf=0.0, late_s=0.0, filled_degf=0.0, every_s=10.0, **more):
    """A test from 420 psig; its pipe moves by `swing_degf` in half an hour, its thermometer follows `late_s` late."""
    lot = np.random.default_rng(11)
    t = np.arange(0, 60 * minutes + 1, every_s)
    pipe = 70 + swing_degf * np.sin(2 * np.pi * t / 1800)
    read = 70 + swing_degf * np.sin(2 * np.pi * np.maximum(t - late_s, 0) / 1800)
    gas = pipe + filled_degf * np.exp(-t / 120)
    psia = 434.696 * (gas + 459.67) / (70 + 459.67) - leak_psi_h * t / 3600
    psig = np.round(psia - 14.696 + lot.normal(0, 0.1, len(t)), 1)
    con = empty_tables()
    add_job(con, "J1", "pressure_test", more.pop("figures", {}), **more)
    add_samples(con, "pressure_test", "test_pressure", t, psig)
    add_samples(con, "pressure_test", "test_temperature", t, np.round(read, 1))
    state = grade_of(con, "pressure_test")
    (row,) = con.sql("select * from pressure_log").pl().rows(named=True)
    return row, state, (t, psig, read)


def test_the_drop_rate_is_that_of_a_straight_line_through_compensated_pressures():
    row, state, (t, psig, read) = pressure_log(30, leak_psi_h=16)
    held = t >= 300
    slope = np.polyfit(t[held], (psig[held] + 14.696) * 529.67 / (read[held] + 459.67), 1)[0]
    assert row["drop_rate_psi_per_h"] == pytest.approx(-3600 * slope, abs=0.1)
    assert row["rate_low"] < 16 < row["rate_high"]
    assert (row["verdict"], state["state"]) == ("failed", "failed")
    # 16 psi an hour over 25 min; allowed is 1 % of 434.7 psia less what the settling took
    assert row["drop_psi"] == pytest.approx(16 * 25 / 60, abs=0.15)
    assert row["allowed_psi"] == pytest.approx(4.33, abs=0.02)


def test_a_thermometer_that_follows_late_is_allowed_for():
    row, state, _ = pressure_log(60, swing_degf=6, late_s=120)
    assert (row["verdict"], state["state"], row["sensor_lag_s"]) == ("passed", "passed", 120)
    assert row["rate_low"] < 0 < row["rate_high"]
    leaking, _, _ = pressure_log(60, leak_psi_h=10, swing_degf=6, late_s=120)
    assert leaking["verdict"] == "failed"
    assert leaking["drop_rate_psi_per_h"] == pytest.approx(10, abs=0.8)


def test_gas_that_still_cools_after_filling_is_left_to_settle():
    row, state, _ = pressure_log(30, filled_degf=12)
    assert (row["verdict"], state["state"]) == ("passed", "passed")
    assert 5 <= row["settled_after_min"] <= 10
    assert row["hold_min"] >= 15


def test_the_slowest_leak_it_could_have_seen_is_said_beside_passed():
    maker = [{"quantity": "internal_volume_l", "at_most": 5.0}]
    row, state, _ = pressure_log(20, maker=maker)
    assert state["state"] == "passed"
    # 1 % of 434.7 psia may be lost unseen in 15 min: 17.4 psi an hour
    assert row["slowest_seen_psi_per_h"] == pytest.approx(4.347 * 4, rel=0.01)
    assert "A leak slower than about 17 psi an hour would not show" in state["why"]
    # 40 CFR 1065.644 as vacuum.py has it, which tests/published holds against its worked example
    kpa = 17.39 * 6.894757
    by_rule = vacuum.leak_rate_mol_per_s(5.0, 0, kpa, (70 + 459.67) / 1.8, 3600)
    assert row["slowest_seen_mol_per_s"] == pytest.approx(by_rule, rel=0.01)
    assert "mol a second" in state["why"]


def test_too_short_without_temperatures_and_climbing_cannot_be_told():
    assert pressure_log(12)[0]["verdict"] == "cannot_tell"
    assert pressure_log(30, leak_psi_h=-20)[1]["state"] == "cannot_tell"
    short, state, _ = pressure_log(4, leak_psi_h=150)
    # a leak shows in a short test too
    assert (short["verdict"], state["state"]) == ("failed", "failed")


# --- the figures they rest on


def test_every_figure_that_a_log_is_read_by_has_a_source_and_is_used():
    data = Path(__file__).parents[2] / "pipelines" / "data" / "gauge_facts.csv"
    with open(data, encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    sql = "".join(file.read_text(encoding="utf-8") for file in data.parents[1].joinpath("sql").glob("2*.sql"))
    assert [row["name"] for row in rows if not (row["source"] and row["unit"] and row["status"])] == []
    assert [row["name"] for row in rows if f"${row['name']}" not in sql] == []
    freezing = next(float(row["value"]) for row in rows if row["name"] == "freezing_micron")
    assert vacuum.water_vapour_pressure_micron(32) == pytest.approx(freezing, abs=1)


# --- beside what was typed


def test_a_log_decides_over_what_was_typed_and_the_contradiction_is_said():
    levels = [{"step": "evacuation", "elapsed_s": 10.0 * n, "value": 1150.0} for n in range(60)]
    con = empty_tables()
    add_job(con, "J1", "evacuation", {"vacuum": 420}, trace=levels)
    row = grade_of(con, "evacuation")
    assert (row["state"], row["measured"]) == ("failed", 1150)
    assert "Written 420 micron, the log shows 1,150 micron." in row["why"]
    written = {
        "start_pressure": 420,
        "end_pressure": 420,
        "start_temperature": 70,
        "end_temperature": 70,
        "hold_time": 60,
    }
    _, state, _ = pressure_log(30, leak_psi_h=20, figures=written)
    assert state["state"] == "failed"
    assert "psig at the end, the log shows 410 psig." in state["why"]
    assert "Written 60 min held, the log ends after 30 min." in state["why"]
    _, agreeing, _ = pressure_log(30, figures=written | {"hold_time": 30})
    assert "the log shows" not in agreeing["why"]
