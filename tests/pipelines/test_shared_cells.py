"""Cells that another contractor may be given: nothing of anybody in them, checked when they come back, counted once."""

import numpy as np
import polars as pl
import pytest

from models import rate_cells, step_effect
from pipelines import cells, shared_cells
from pipelines.errors import InputError
from pipelines.export import export
from tests.models.invented_fleet import LAST_DAY, house_rules, invent, store_of


@pytest.fixture(scope="module")
def houses(tmp_path_factory):
    folder = tmp_path_factory.mktemp("houses")
    made = []
    for number, installs in enumerate((1500, 2500)):
        con = store_of(invent(installs, 8 + 4 * number, seed=20 + number))
        cells.make_cells(con, house_rules(), LAST_DAY)
        file = folder / f"house_{number}.parquet"
        rows = export(con, "shared_cell", file)
        assert rows > installs
        made.append((con, file))
    return made


def test_no_name_day_or_place_leaves_the_house(houses):
    frame = pl.read_parquet(houses[0][1])
    assert set(frame.columns) == set(shared_cells.COLUMNS)
    for name in frame.columns:
        if frame[name].dtype == pl.String:
            assert not frame[name].str.contains(r"^[TJS]\d").any()
    # the order of the numbers is not that of the ids, nor of the volumes
    con = houses[0][0]
    own = con.sql("select technician_id, sum(n)::bigint as n from exposure_cell group by 1 order by 1").pl()
    theirs = frame.filter(pl.col("outcome") == "follow_up").group_by("technician").agg(pl.col("n").sum())
    assert sorted(own["n"]) == sorted(theirs["n"])
    assert own["n"].to_list() != theirs.sort("technician")["n"].to_list()


@pytest.mark.parametrize("ending", ["parquet", "csv", "jsonl"])
def test_pooled_counts_are_the_sum_and_own_counts_stay(houses, ending, tmp_path):
    (con, _), (other_con, _) = houses
    file = tmp_path / f"other.{ending}"
    export(other_con, "shared_cell", file)
    shared = [(other.exposure, other.events) for other in shared_cells.read([file], con)]
    own, other = rate_cells.read(con), rate_cells.read(other_con)
    pooled = rate_cells.read(con, shared=shared)
    assert pooled.years.sum() == pytest.approx(own.years.sum() + other.years.sum())
    assert len(pooled.technicians) == len(own.technicians) + len(other.technicians)
    for outcome in ("compressor_failure", "callback"):
        years, events = pooled.of_outcome(outcome)
        assert events.sum() == own.of_outcome(outcome)[1].sum() + other.of_outcome(outcome)[1].sum()
        assert years.sum() == pytest.approx(own.of_outcome(outcome)[0].sum() + other.of_outcome(outcome)[0].sum())
    assert pooled.years[pooled.is_own[pooled.technician]].sum() == pytest.approx(own.years.sum())


def test_pooling_narrows_the_intervals_as_the_events_say_and_own_counts_open_own_jobs(houses):
    (con, _), (_, file) = houses
    shared = [(other.exposure, other.events) for other in shared_cells.read([file], con)]
    alone = step_effect.step_effect_table(step_effect.StepEffects(rate_cells.read(con)), "thermostat", 1500, 0)[0]
    pooled = step_effect.step_effect_table(
        step_effect.StepEffects(rate_cells.read(con, shared=shared), houses=2), "thermostat", 1500, 0
    )[0]
    keys = ["outcome", "step", "age_band", "contrast"]
    both = alone.join(pooled, on=keys, suffix="_pooled").filter(
        (pl.col("outcome") == "callback") & (pl.col("contrast") == "not_good") & pl.col("low").is_not_nan()
    )
    assert (both["events_skipped"] == both["events_skipped_own_pooled"]).all()
    assert (both["events_own_pooled"] == both["events"]).all()
    assert (both["houses_pooled"] == 2).all()
    assert (both["houses"] == 1).all()
    width = (both["high"] / both["low"]).log().mean()
    pooled_width = (both["high_pooled"] / both["low_pooled"]).log().mean()
    ratio = float(np.sqrt(both["events"].sum() / both["events_pooled"].sum()))
    assert pooled_width / width == pytest.approx(ratio, rel=0.15)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"evacuation": pl.lit("perhaps")}, "column evacuation: 'perhaps' is not one of good"),
        ({"events": pl.col("n") + 1}, "column events"),
        ({"n": pl.lit(0)}, "column n"),
        ({"age_band_days": pl.lit("0,100")}, "column age_band_days: '0,100' is not 0,91"),
        ({"negative_control": pl.lit("drain")}, "'drain' is not thermostat, as in our House rules"),
        ({"exit_band": pl.lit(99)}, "column e"),
        ({"house": pl.int_range(pl.len()).cast(pl.String)}, "houses"),
    ],
)
def test_a_file_that_is_not_right_is_refused_with_row_column_and_what_to_do(houses, change, said, tmp_path):
    (con, _), (_, file) = houses
    broken = tmp_path / "broken.parquet"
    pl.read_parquet(file).with_columns(**change).write_parquet(broken)
    with pytest.raises(InputError, match=r"broken\.parquet") as caught:
        shared_cells.read([broken], con)
    assert said in str(caught.value)


def test_own_cells_a_file_given_twice_and_a_foreign_file_are_refused(houses, tmp_path):
    (con, own), (_, file) = houses
    with pytest.raises(InputError, match="our own cells"):
        shared_cells.read([own], con)
    with pytest.raises(InputError, match="given before"):
        shared_cells.read([file, file], con)
    foreign = tmp_path / "jobs.csv"
    foreign.write_text("job_id,finished_on\n1,2024-01-01\n")
    with pytest.raises(InputError, match="column house is not there"):
        shared_cells.read([foreign], con)
    for name in ("cells.txt", "none.parquet"):
        with pytest.raises(InputError, match=name):
            shared_cells.read([tmp_path / name], con)
