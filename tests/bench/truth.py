"""Does the fit find what was put into an invented fleet, and nothing else? Run by hand:

    python -m tests.bench.truth --draws 200 --installs 20000 --world plain null hurried
    python -m tests.bench.truth --draws 20 --installs 1500 --world all --table

The worlds stand in worlds.py. Every figure is a mean over fleets with its Monte-Carlo standard error, which is that of
the fleets' own means: rows of one fleet hang together.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import polars as pl

from models import rate_cells, step_effect
from pipelines import cells
from pipelines.contract import STEPS
from tests.bench import worlds
from tests.models import invented_fleet

FIRST_SEED = 1000
INSTALLS_A_TECHNICIAN = 330
# what the statistics promise, printed beside what was reached
GOALS = {
    "bias": "within 0.01", "cover": "0.94 to 0.96", "false alarms": "0.04 to 0.06", "clear on a null": "at most 0.01",
    "found of 16": "at least 12", "false among clear": "at most 0.05", "cover, calibrated": "at least 0.94, hurried",
    "control rejects": "0.05; hurried: always",
}  # fmt: skip


def technicians_of(installs: int) -> int:
    """As many people as a contractor of this size has: one for 330 installs, at least eight."""
    return max(8, round(installs / INSTALLS_A_TECHNICIAN))


def one_fleet(name: str, installs: int, seed: int) -> pl.DataFrame:
    """Rows of step_effect for one invented fleet: early and late, not good against good, with the truth beside them."""
    world = worlds.WORLDS[name]
    con = worlds.store_of(worlds.make(world, installs, technicians_of(installs), seed))
    cells.make_cells(con, invented_fleet.house_rules(), worlds.LAST_DAY)
    effects = step_effect.StepEffects(rate_cells.read(con))
    table, _, _ = step_effect.step_effect_table(effects, worlds.CONTROL, installs, 0)
    con.close()
    kept = table.filter(
        (pl.col("contrast") == "not_good")
        & (pl.col("age_band") != "all")
        & pl.col("outcome").is_in([*worlds.TESTED, worlds.CONTROL, "callback"])
    )
    truth = [worlds.truth_of(world, *row) for row in kept.select("outcome", "step", "age_band").iter_rows()]
    return kept.with_columns(truth=pl.Series(truth, dtype=pl.Float64), seed=pl.lit(seed))


def study(name: str, draws: int, installs: int, processes: int = 1) -> pl.DataFrame:
    """The rows of many fleets of one world."""
    seeds = range(FIRST_SEED, FIRST_SEED + draws)
    if processes == 1:
        return pl.concat([one_fleet(name, installs, seed) for seed in seeds], how="vertical_relaxed")
    with ProcessPoolExecutor(max_workers=processes) as pool:
        parts = list(pool.map(one_fleet, [name] * draws, [installs] * draws, seeds))
    return pl.concat(parts, how="vertical_relaxed")


def figures(rows: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """(mean over fleets, Monte-Carlo standard error) of what the study measures."""
    log = {name: pl.col(name).log() for name in ("hazard_ratio", "hazard_ratio_crude", "hazard_ratio_calibrated")}

    def covered(low: str, high: str) -> pl.Expr:
        return (
            (pl.col(low).log() <= pl.col("truth")) & (pl.col("truth") <= pl.col(high).log())
        ).cast(pl.Float64)  # fmt: skip

    rows = rows.with_columns(
        error=log["hazard_ratio"] - pl.col("truth"),
        error_crude=log["hazard_ratio_crude"] - pl.col("truth"),
        error_calibrated=log["hazard_ratio_calibrated"] - pl.col("truth"),
        error_shrunk=pl.col("hazard_ratio_shrunk").log() - pl.col("truth"),
        covers=covered("low", "high"),
        covers_calibrated=covered("low_calibrated", "high_calibrated"),
        covers_shrunk=covered("low_shrunk", "high_shrunk"),
        is_clear=(pl.col("evidence") == "clear").cast(pl.Float64),
    )
    tested = rows.filter(pl.col("outcome").is_in(worlds.TESTED))
    told = tested.filter(pl.col("evidence") != "too_few")
    null, real = pl.col("truth") == 0, pl.col("truth") != 0
    clear_null = (pl.col("is_clear") * null).sum()
    control = rows.filter((pl.col("outcome") == worlds.CONTROL) & (pl.col("age_band") == "early"))
    # a callback is many causes at once, so only where no step acts is its truth known
    callback = rows.filter((pl.col("outcome") == "callback") & (pl.col("evidence") != "too_few"))
    has_no_effects = tested["truth"].abs().max() == 0
    by_fleet = [
        told.group_by("seed").agg(
            **{
                "bias": pl.col("error").mean(),
                "bias, crude": pl.col("error_crude").mean(),
                "bias, calibrated": pl.col("error_calibrated").mean(),
                "bias, shrunk": pl.col("error_shrunk").mean(),
                "root mean square error": (pl.col("error") ** 2).mean().sqrt(),
                "root mean square error, shrunk": (pl.col("error_shrunk") ** 2).mean().sqrt(),
                "cover": pl.col("covers").mean(),
                "cover, calibrated": pl.col("covers_calibrated").mean(),
                "cover, shrunk": pl.col("covers_shrunk").mean(),
                "false alarms": 1 - pl.col("covers").filter(null).mean(),
                "clear on a null": pl.col("is_clear").filter(null).mean(),
            }
        ),
        tested.group_by("seed").agg(
            **{
                "found of 16": (pl.col("is_clear") * real).sum(),
                "false among clear": pl.when(pl.col("is_clear").sum() > 0)
                .then(clear_null / pl.col("is_clear").sum())
                .otherwise(0.0),
                "too few to say": (pl.col("evidence") == "too_few").cast(pl.Float64).mean(),
            }
        ),
        control.group_by("seed").agg(
            **{"control rejects": pl.col("control_rejects").first().cast(pl.Float64)},
        ),
    ]
    if has_no_effects:
        by_fleet.append(
            callback.group_by("seed").agg(
                **{
                    "callback: false alarms": 1 - pl.col("covers").mean(),
                    "callback: clear on a null": pl.col("is_clear").mean(),
                }
            )
        )
    found = {}
    for frame in by_fleet:
        for name in frame.columns[1:]:
            values = frame[name].drop_nulls().drop_nans().to_numpy()
            if len(values):
                error = float(values.std(ddof=1) / np.sqrt(len(values))) if len(values) > 1 else float("nan")
                found[name] = (float(values.mean()), error)
    return found


def by_step(rows: pl.DataFrame) -> pl.DataFrame:
    """Bias and how often clear, for each outcome, step and band."""
    return (
        rows.filter((pl.col("evidence") != "too_few") & pl.col("outcome").is_in(worlds.TESTED))
        .with_columns(error=pl.col("hazard_ratio").log() - pl.col("truth"))
        .group_by("outcome", "step", "age_band")
        .agg(
            pl.col("truth").first(), bias=pl.col("error").mean(), spread=pl.col("error").std(),
            clear=(pl.col("evidence") == "clear").mean(), fleets=pl.len(),
        )
        .sort("outcome", pl.col("step").cast(pl.Enum(STEPS)), "age_band")
    )  # fmt: skip


TABLE_COLUMNS = (
    "bias", "bias, calibrated", "cover", "cover, calibrated", "false alarms", "clear on a null", "found of 16",
    "false among clear", "control rejects",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=30)
    parser.add_argument("--installs", type=int, default=20_000)
    parser.add_argument("--world", nargs="+", default=["plain"], choices=[*worlds.WORLDS, "all"])
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--table", action="store_true", help="one line a world, as a table for a paper")
    parser.add_argument("--steps", action="store_true", help="bias by outcome, step and band too")
    asked = parser.parse_args()
    names = list(worlds.WORLDS) if "all" in asked.world else asked.world
    if asked.table:
        print("| world | fleets | " + " | ".join(TABLE_COLUMNS) + " |")
        print("|---" * (len(TABLE_COLUMNS) + 2) + "|", flush=True)
    for name in names:
        began = time.perf_counter()
        rows = study(name, asked.draws, asked.installs, asked.processes)
        found = figures(rows)
        if asked.table:
            cells_ = [f"{found[key][0]:.3f} ({found[key][1]:.3f})" if key in found else "" for key in TABLE_COLUMNS]
            print(f"| {name} | {asked.draws} | " + " | ".join(cells_) + " |", flush=True)
        else:
            took = time.perf_counter() - began
            print(f"{asked.draws} fleets of {asked.installs:,} installs, world {name}, {took:.0f} s")
            for key, (value, error) in found.items():
                print(f"  {key:32s} {value:8.4f} +- {error:.4f}   {GOALS.get(key, '')}", flush=True)
        if asked.steps:
            for row in by_step(rows).iter_rows(named=True):
                print(
                    f"  {row['outcome']:20s} {row['step']:17s} {row['age_band']:5s} truth {row['truth']:5.2f}  "
                    f"bias {row['bias']:6.3f}  spread {row['spread'] or 0:5.3f}  clear in {row['clear']:4.0%}"
                )


if __name__ == "__main__":
    main()
