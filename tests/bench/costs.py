"""Does the range of what steps cost a year hold the truth? Run by hand:

    python -m tests.bench.costs --draws 30 --installs 20000

Compressor failures of invented fleets whose rates are known, one unit of money each. The truth asked for is what the last
year's failures would have been fewer had the steps been good whose effects enter the cost.
"""

from __future__ import annotations

import argparse

import numpy as np
import polars as pl

from models import compliance, rate_cells, step_cost, step_effect
from pipelines import cells
from pipelines.contract import STEPS
from tests.bench import truth, worlds
from tests.models import invented_fleet

OUTCOME = "compressor_failure"
DAYS_OF_LAST_YEAR = """
    select job_id,
        sum(greatest(least(to_age, age, 730) - greatest(from_age, age - 365.25), 0)) as early,
        sum(greatest(least(to_age, age) - greatest(from_age, age - 365.25, 730), 0)) as late
    from (select *, datediff('day', started_on, $day) as age from follow_up)
    group by job_id
    order by job_id
"""


def one_fleet(installs: int, seed: int) -> pl.DataFrame:
    """One row for each step that enters and one for all: the cost with its range, the truth, and what the evidence was."""
    made = worlds.make(worlds.WORLDS["plain"], installs, truth.technicians_of(installs), seed)
    con = worlds.store_of(made)
    cells.make_cells(con, invented_fleet.house_rules(), worlds.LAST_DAY)
    compliance.prepare(con, worlds.LAST_DAY)
    effects = step_effect.StepEffects(rate_cells.read(con))
    table, fits, _ = step_effect.step_effect_table(effects, worlds.CONTROL, installs, 0)
    cost = step_cost.step_cost_table(con, effects, fits, table, 1.0, 0.0, worlds.LAST_DAY, seed)
    followed = con.sql(DAYS_OF_LAST_YEAR, params={"day": worlds.LAST_DAY}).pl()
    con.close()
    job = followed["job_id"].str.slice(1).cast(pl.Int64).to_numpy()
    used = table.filter(
        (pl.col("outcome") == OUTCOME) & (pl.col("contrast") == "not_good")
        & pl.col("evidence").is_in(step_cost.EVIDENCE_THAT_COUNTS)
    )  # fmt: skip
    recorded = _recorded_not_good(made)[job]
    log_rates = made.truth["log_rates"][job]
    true = dict.fromkeys((*STEPS, "all"), 0.0)
    for half, band in enumerate(("early", "late")):
        log = np.array([worlds.truth_of(worlds.WORLDS["plain"], OUTCOME, step, band) for step in STEPS])
        enters = np.isin(STEPS, used.filter(pl.col("age_band") == band)["step"].to_list())
        expected = np.exp(log_rates[:, half]) * followed[band].to_numpy() / worlds.DAYS_A_YEAR
        saved = expected[:, None] * recorded * enters * -np.expm1(-log)
        for step, value in zip(STEPS, saved.sum(axis=0), strict=True):
            true[step] += float(value)
        true["all"] += float(expected @ -np.expm1(-(recorded * enters) @ log))
    return (
        cost.filter((pl.col("step") == "all") | pl.col("effects_used").str.contains(OUTCOME))
        .select("step", "extra_cost_per_year", "low", "high", "effects_used")
        .with_columns(truth=pl.col("step").replace_strict(true, return_dtype=pl.Float64), seed=pl.lit(seed))
    )


def _recorded_not_good(made: worlds.Made) -> np.ndarray:
    """[installs, steps] 1 where the record says that the step was not good."""
    found = np.zeros((made.systems.height, len(STEPS)))
    bad = made.grades.filter(pl.col("state").is_in(["failed", "ticked_only", "not_done"]))
    place = bad["step"].cast(pl.Enum(STEPS)).to_physical().to_numpy()
    found[bad["job_id"].str.slice(1).cast(pl.Int64).to_numpy(), place] = 1.0
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=30)
    parser.add_argument("--installs", type=int, default=20_000)
    asked = parser.parse_args()
    rows = pl.concat([one_fleet(asked.installs, truth.FIRST_SEED + draw) for draw in range(asked.draws)])
    rows = rows.with_columns(covers=(pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high")))
    kinds = {
        "all together": pl.col("step") == "all",
        "steps with a true effect": (pl.col("step") != "all") & (pl.col("truth") > 0),
        "steps that do nothing": (pl.col("step") != "all") & (pl.col("truth") == 0),
    }
    for name, kind in kinds.items():
        part = rows.filter(kind)
        if part.is_empty():
            continue
        cover, error = part["covers"].mean(), float(part["covers"].cast(pl.Float64).std() or 0) / part.height**0.5
        beyond = (part["extra_cost_per_year"] - part["truth"]).sum() / max(part["truth"].sum(), 1e-9)
        said = f", said {beyond:+.1%} against the truth" if name != "steps that do nothing" else ""
        print(f"{name:26s} {part.height:4d} rows  cover {cover:.3f} +- {error:.3f}{said}")


if __name__ == "__main__":
    main()
