"""Does the fit find what was put into an invented fleet, and nothing else? Run by hand:

    python -m tests.bench.truth --draws 30 --installs 20000 [--world plain|hurried|small]

plain    careless technicians skip steps and do harm otherwise
hurried  hurried jobs skip steps and do harm otherwise, within the same technician: only the control can tell
small    1,500 installs with few failures

Each figure stands with its Monte-Carlo standard error.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import polars as pl

from models import rate_cells, step_effect
from pipelines import cells
from pipelines.contract import STEPS
from tests.models import invented_fleet

WORLDS = {
    "plain": {},
    "hurried": {"hurry_harm": 0.25},
    "small": {"installs": 1500, "technicians": 12, "rate_factor": 0.6},
}


def truth_of(outcome: str, step: str, band: str) -> float:
    """The log ratio that was put in. A callback is any unplanned visit, so its truth is only null where no cause acts."""
    early, late = invented_fleet.TRUE_EFFECTS.get(outcome, {}).get(step, (0.0, 0.0))
    return early if band == "early" else late


def one_fleet(installs: int, technicians: int, seed: int, **world) -> pl.DataFrame:
    """Main rows of step_effect for one invented fleet, with the truth beside them.

    Only outcomes that are a cause of their own are compared with a truth: compressor failure, the finding `drain`, and
    `other`, which stands for callbacks without another cause.
    """
    fleet = invented_fleet.invent(installs, technicians, seed=seed, **world)
    con = invented_fleet.store_of(fleet)
    cells.make_cells(con, invented_fleet.house_rules(), invented_fleet.LAST_DAY)
    effects = step_effect.StepEffects(rate_cells.read(con))
    table, _, _ = step_effect.step_effect_table(effects, "thermostat", installs, 0)
    con.close()
    named = {
        "compressor_failure": "compressor_failure",
        "other": "callback",
        "drain": "drain",
        "thermostat": "thermostat",
    }
    kept = table.filter(
        (pl.col("contrast") == "not_good") & (pl.col("age_band") != "all") & pl.col("outcome").is_in(list(named))
    )
    truth = [
        truth_of(named[outcome], step, band)
        for outcome, step, band in kept.select("outcome", "step", "age_band").iter_rows()
    ]
    return kept.with_columns(truth=pl.Series(truth, dtype=pl.Float64), seed=pl.lit(seed))


def study(draws: int, installs: int, technicians: int, world: dict, first_seed: int = 100) -> pl.DataFrame:
    parts = []
    for draw in range(draws):
        parts.append(one_fleet(installs, technicians, first_seed + draw, **world))
    return pl.concat(parts, how="vertical_relaxed")


def figures(rows: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """(value, Monte-Carlo standard error) of what the study measures."""
    tested = rows.filter((pl.col("outcome") != "thermostat") & (pl.col("evidence") != "too_few"))
    tested = tested.with_columns(
        error=pl.col("hazard_ratio").log() - pl.col("truth"),
        error_calibrated=pl.col("hazard_ratio_calibrated").log() - pl.col("truth"),
        covers=(pl.col("low").log() <= pl.col("truth")) & (pl.col("truth") <= pl.col("high").log()),
        covers_calibrated=(pl.col("low_calibrated").log() <= pl.col("truth"))
        & (pl.col("truth") <= pl.col("high_calibrated").log()),
        covers_shrunk=(pl.col("low_shrunk").log() <= pl.col("truth"))
        & (pl.col("truth") <= pl.col("high_shrunk").log()),
    )
    null, real = tested.filter(pl.col("truth") == 0), tested.filter(pl.col("truth") > 0)

    def share(values: pl.Series) -> tuple[float, float]:
        by_draw = tested.select("seed").unique().height
        mean = float(values.mean() or 0.0)
        return mean, float(np.sqrt(max(mean * (1 - mean), 1e-9) / max(len(values), 1))) if by_draw else 0.0

    claims = tested.filter(pl.col("evidence") == "clear")
    control = rows.filter(pl.col("age_band") == "early").group_by("seed").agg(pl.col("control_p_value").first())
    crude_error = (tested["hazard_ratio_crude"].log() - tested["truth"]).drop_nans()
    return {
        "mean bias": (float(tested["error"].mean() or 0), float((tested["error"].std() or 0) / np.sqrt(tested.height))),
        "mean bias, crude": (
            float(crude_error.mean() or 0),
            float((crude_error.std() or 0) / np.sqrt(len(crude_error))),
        ),
        "mean bias, calibrated": (
            float(tested["error_calibrated"].mean() or 0),
            float((tested["error_calibrated"].std() or 0) / np.sqrt(tested.height)),
        ),
        "cover": share(tested["covers"]),
        "cover, calibrated": share(tested["covers_calibrated"]),
        "cover, shrunk": share(tested["covers_shrunk"]),
        "two-sided false alarms": share(1.0 - null["covers"].cast(pl.Float64)),
        "clear on a null": share((null["evidence"] == "clear").cast(pl.Float64)),
        "true effects found clear": share((real["evidence"] == "clear").cast(pl.Float64)),
        "false among the clear": share((claims["truth"] == 0).cast(pl.Float64)),
        "control rejects": share((control["control_p_value"] < 0.05).cast(pl.Float64)),
        "too few to say": share((rows["evidence"] == "too_few").cast(pl.Float64)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=30)
    parser.add_argument("--installs", type=int, default=20_000)
    parser.add_argument("--technicians", type=int, default=60)
    parser.add_argument("--world", choices=sorted(WORLDS), default="plain")
    asked = parser.parse_args()
    world = dict(WORLDS[asked.world])
    installs = world.pop("installs", asked.installs)
    technicians = world.pop("technicians", asked.technicians)
    began = time.perf_counter()
    rows = study(asked.draws, installs, technicians, world)
    print(f"{asked.draws} fleets of {installs:,} installs, world {asked.world}, {time.perf_counter() - began:.0f} s")
    for name, (value, error) in figures(rows).items():
        print(f"{name:28s} {value:8.4f} +- {error:.4f}")
    by_step = (
        rows.with_columns(error=pl.col("hazard_ratio").log() - pl.col("truth"))
        .filter((pl.col("evidence") != "too_few") & (pl.col("outcome") == "compressor_failure"))
        .group_by("step", "age_band")
        .agg(pl.col("truth").first(), bias=pl.col("error").mean(), found=(pl.col("evidence") == "clear").mean())
    )
    order = {step: number for number, step in enumerate(STEPS)}
    for step, band, truth, bias, found in sorted(by_step.iter_rows(), key=lambda row: (order[row[0]], row[1])):
        print(f"{step:18s} {band:6s} truth {truth:5.2f}  bias {bias:7.3f}  clear in {found:4.0%}")


if __name__ == "__main__":
    main()
