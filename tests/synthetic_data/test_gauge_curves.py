"""synthetic_data/gauge_curves.py: curves of each kind bend as that kind bends, and agree with the figures on the form."""

import numpy as np
import polars as pl
import pytest

from synthetic_data import gauge_curves
from synthetic_data.gauge_curves import BOTH, LEAK, MOISTURE, TIGHT


@pytest.mark.parametrize("kind", [TIGHT, MOISTURE, LEAK, BOTH])
def test_every_curve_starts_and_stands_at_ten_minutes_where_the_form_says(kind):
    t = np.array([0.0, 600.0])
    level = gauge_curves.rise_level(np.array(kind), 300.0, 1400.0, 200.0, 0.5, t)
    assert level == pytest.approx([300, 1400])


def test_a_leak_rises_in_a_straight_line_and_moisture_flattens_out():
    t = np.array([60.0, 120.0, 600.0, 900.0, 960.0])
    leak = gauge_curves.rise_level(np.array(LEAK), 300.0, 1500.0, 200.0, 0.5, t)
    moisture = gauge_curves.rise_level(np.array(MOISTURE), 300.0, 1500.0, 150.0, 0.5, t)
    # 1,200 micron in 600 s is 120 in each minute, early and late
    assert [leak[1] - leak[0], leak[4] - leak[3]] == pytest.approx([120, 120])
    assert moisture[1] - moisture[0] > 5 * (moisture[4] - moisture[3])


def test_samples_come_every_two_to_twenty_seconds_and_not_evenly():
    rng = np.random.default_rng(3)
    log, elapsed = gauge_curves.irregular_times(rng, np.full(200, 900.0))
    steps = np.diff(elapsed)[np.diff(log) == 0]
    assert steps.min() >= 1.9
    assert steps.max() <= 20.1
    assert np.std(steps[:40]) > 0


def test_gauge_steps_are_one_micron_below_a_thousand_and_coarser_above():
    shown = gauge_curves.as_gauge_shows(np.random.default_rng(1), np.repeat([500.0, 4000.0, 40_000.0], 200))
    assert (shown[:200] % 1 == 0).all()
    assert (shown[200:400] % 5 == 0).all()
    assert (shown[400:] % 100 == 0).all()


def test_logs_of_a_fleet_agree_with_the_readings_on_their_jobs(usual_fleet):
    logs = usual_fleet.traces.filter(pl.col("step") == "vacuum_rise")
    readings = usual_fleet.readings.filter(pl.col("step") == "vacuum_rise").pivot(
        "quantity", index="job_id", values="value"
    )
    near = (
        logs.join(readings.with_columns(pl.col("rise_end", "rise_time").cast(pl.Float64)), on="job_id")
        .filter((pl.col("elapsed_s") - pl.col("rise_time") * 60).abs() < 40)
        .group_by("job_id").agg(level=pl.col("value").median(), end=pl.col("rise_end").first())
    )  # fmt: skip
    assert near.height > 400
    off = (near["level"] / near["end"] - 1).abs()
    # noise, 2 % a sample; a test read at 15 minutes is drawn through its level at 10
    assert off.quantile(0.9) < 0.06
    assert off.max() < 0.15
