"""Ratios under another choice: the same where the choice does not matter, other where it does."""

import numpy as np
import polars as pl
import pytest

from models import rate_cells, sensitivity, step_effect
from pipelines import cells
from pipelines.contract import STEPS
from tests.bench import worlds
from tests.models import invented_fleet


def _tables(world: worlds.World):
    con = worlds.store_of(worlds.make(world, 9000, 24, 5))
    cells.make_cells(con, invented_fleet.house_rules(), worlds.LAST_DAY)
    effects = step_effect.StepEffects(rate_cells.read(con))
    table = step_effect.step_effect_table(effects, "thermostat", 9000, 0)[0]
    return table, sensitivity.sensitivity_table(effects, table)


@pytest.fixture(scope="module")
def tables():
    return _tables(worlds.WORLDS["plain"])


def test_every_variant_has_every_step_in_its_own_ages(tables):
    _, varied = tables
    assert set(varied["variant"]) == {variant.name for variant in sensitivity.VARIANTS}
    for variant in sensitivity.VARIANTS:
        part = varied.filter((pl.col("variant") == variant.name) & (pl.col("outcome") == "callback"))
        assert part.height == len(STEPS) * len(variant.age_bands)


def test_the_first_two_years_are_the_same_however_the_later_ones_are_cut(tables):
    table, varied = tables
    three = varied.filter((pl.col("variant") == "three_bands") & (pl.col("age_band") == "years_0_2"))
    early = table.filter((pl.col("age_band") == "early") & (pl.col("contrast") == "not_good"))
    both = three.join(early.select("outcome", "step"), on=["outcome", "step"]).filter(
        pl.col("hazard_ratio").is_not_nan()
    )
    assert both.height > 9
    np.testing.assert_allclose(both["hazard_ratio"], both["hazard_ratio_main"], rtol=0.03)
    # events of the later two stretches add up to those of `late`
    late = table.filter((pl.col("age_band") == "late") & (pl.col("contrast") == "not_good"))
    for outcome in ("compressor_failure", "callback"):
        events = varied.filter(
            (pl.col("variant") == "three_bands") & (pl.col("outcome") == outcome)
            & pl.col("age_band").is_in(["years_2_5", "years_5_on"]) & (pl.col("step") == "airflow")
        )["events"].sum()  # fmt: skip
        assert events == late.filter((pl.col("outcome") == outcome) & (pl.col("step") == "airflow"))["events"][0]


def test_without_technicians_careless_people_make_steps_look_worse(tables):
    table, varied = tables
    pooled = varied.filter((pl.col("variant") == "without_technicians") & pl.col("hazard_ratio").is_not_nan())
    moved = (pooled["hazard_ratio"].log() - pooled["hazard_ratio_main"].log()).mean()
    assert moved > 0.03
    complete = varied.filter((pl.col("variant") == "complete_jobs") & pl.col("hazard_ratio").is_not_nan())
    assert abs((complete["hazard_ratio"].log() - complete["hazard_ratio_main"].log()).mean()) < 0.06
    assert complete["events"].sum() < table.filter(pl.col("contrast") == "not_good")["events"].sum()


def test_too_few_events_give_no_ratio_and_no_fleet_gives_no_table():
    varied = _tables(worlds.World("rare", rate_factor=0.05))[1]
    few = varied.filter(pl.col("events_not_good") < 10)
    assert few.height > 20
    assert few["hazard_ratio"].is_nan().all()
    assert sensitivity.sensitivity_table(None, pl.DataFrame()).is_empty()  # type: ignore[arg-type]
