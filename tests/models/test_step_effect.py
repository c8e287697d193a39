"""Effects that were put into invented fleets are found, those that were not are not claimed, counts open their jobs."""

import numpy as np
import polars as pl
import pytest

from models import rate_cells, step_effect
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, store_of


@pytest.fixture(scope="module")
def fleet():
    con = store_of(invent(5000, 20, seed=11))
    cells.make_cells(con, house_rules(), LAST_DAY)
    effects = step_effect.StepEffects(rate_cells.read(con))
    table, fits, controls = step_effect.step_effect_table(effects, "thermostat", 5000, 0)
    return con, table, fits, controls


@pytest.mark.parametrize("contrast", ["not_good", "skipped", "failed", "without_ticked_only"])
def test_every_count_opens_its_jobs(fleet, contrast):
    con, table, _, _ = fleet
    states = {
        "not_good": "'failed', 'ticked_only', 'not_done'", "skipped": "'ticked_only', 'not_done'",
        "failed": "'failed'", "without_ticked_only": "'failed', 'not_done'",
    }[contrast]  # fmt: skip
    for row in table.filter(
        (pl.col("outcome") == "callback") & (pl.col("contrast") == contrast) & (pl.col("step") == "airflow")
    ).iter_rows(named=True):
        band = "true" if row["age_band"] == "all" else f"age_band = '{row['age_band']}'"
        listed = con.sql(
            "select count(*) from outcome_step where outcome = 'callback' and step = 'airflow' "
            f"and not is_visited and state in ({states}) and {band}"
        ).fetchall()[0][0]
        assert row["events_skipped"] == listed
    years = con.sql(
        f"""
        select sum(least(piece.to_age, coalesce(event.age, 1e9)) - piece.from_age) / 365.25
        from follow_up_step as piece
        left join outcome_event as event on event.outcome = 'callback' and event.system_id = piece.system_id
            and event.life_no = piece.life_no
        where step = 'airflow' and state in ({states}) and not piece.is_visited
            and (event.age is null or event.age > piece.from_age)
        """
    ).fetchall()[0][0]
    whole = table.filter(
        (pl.col("outcome") == "callback") & (pl.col("contrast") == contrast) & (pl.col("step") == "airflow")
        & (pl.col("age_band") == "all")
    )  # fmt: skip
    assert whole["system_years_skipped"][0] == pytest.approx(years, abs=1e-6)


def test_the_families_have_no_q_for_all_and_none_for_the_control(fleet):
    _, table, _, _ = fleet
    assert table.filter(pl.col("age_band") == "all")["q_value"].is_nan().all()
    assert table.filter(pl.col("outcome") == "thermostat")["q_value"].is_nan().all()
    main = table.filter(
        pl.col("outcome").is_in(["compressor_failure", "callback"]) & (pl.col("age_band") != "all")
        & (pl.col("contrast") == "not_good")
    )  # fmt: skip
    assert main.height == 36
    assert (main["q_value"] >= main["p_value_calibrated"] - 1e-12).all()


def test_every_outcome_has_every_step_and_band(fleet):
    _, table, _, _ = fleet
    per_kind = table.group_by("outcome", "contrast").len()
    assert set(per_kind["len"]) == {len(STEPS) * 3}
    assert table.filter(pl.col("outcome") == "drain")["contrast"].unique().to_list() == ["not_good"]


def test_all_lies_between_early_and_late_and_a_second_fit_agrees_with_the_parabola(fleet):
    con, _, fits, _ = fleet
    fitted = fits["compressor_failure", "whole"]
    effects = step_effect.StepEffects(rate_cells.read(con))
    old = step_effect.ENOUGH_FOR_PARABOLA
    results = {}
    for enough in (0, 10**9):
        step_effect.ENOUGH_FOR_PARABOLA = enough
        try:
            results[enough] = effects.fit("compressor_failure", "whole")
        finally:
            step_effect.ENOUGH_FOR_PARABOLA = old
    quick, full = results[0], results[10**9]
    np.testing.assert_allclose(quick.effects_all[0], full.effects_all[0], atol=0.06)
    np.testing.assert_allclose(quick.shrunk[0], full.shrunk[0], atol=0.06)
    np.testing.assert_allclose(quick.errors_all[0], full.errors_all[0], rtol=0.06)
    assert np.abs(fitted.shrunk[0]).mean() < np.abs(fitted.effects[0]).mean()
