"""Steps that were not recorded: which way of treating them misleads least, and where each misleads. Run by hand:

    python -m tests.bench.missing --draws 40 --installs 20000 --world missing missing_together
    python -m tests.bench.missing --draws 40 --installs 20000 --world all --ratios

The same invented fleets are fitted in six ways. `unknown level` is what the product does: an unknown step is a level of
its own beside good and not good. `complete jobs` drops every job with an unknown step. `imputed` draws the unknown steps
several times (imputing.py) and pools the fits. `expected share` keeps the unknown level and lets an unknown step also
count as so much of a step that is not good as its job's other steps make likely. `as not good` counts an unknown step as not good, which the product never
does, and `all recorded` is the fit to the fleet as if nothing had been lost: what a method adds to its errors is due to
the records, the rest to the world. Monte-Carlo standard errors are those of the fleets' own means.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import duckdb
import numpy as np
import polars as pl

from models import evidence, rate_cells, step_effect
from models.profiled_rates import Term, fit_rates
from models.rate_cells import DAYS_A_YEAR, DOES_NOT_BELONG, GOOD, NOT_DONE, UNKNOWN
from pipelines import cells
from pipelines.contract import STEPS
from tests.bench import imputing, worlds
from tests.bench.truth import FIRST_SEED, technicians_of
from tests.models import invented_fleet

METHODS = ("all recorded", "unknown level", "complete jobs", "imputed", "expected share", "as not good")
IMPUTATIONS = 8
WEIGHTS = 6 ** np.arange(len(STEPS), dtype=np.int64)

MISSING = replace(worlds.PLAIN, name="missing_30", unknown_share=0.30)
WORLDS: dict[str, worlds.World] = {
    world.name: world
    for world in (
        worlds.PLAIN,
        worlds.WORLDS["missing"],
        MISSING,
        worlds.WORLDS["missing_if_bad"],
        # of the steps that were not good half have no record, of the good ones one in eight
        replace(MISSING, name="missing_strongly_if_bad", unknown_share=0.12, unknown_if_bad=2.0),
        replace(MISSING, name="missing_by_careless", unknown_share=0.15, unknown_by_careless=1.0),
        # a job with one unknown step tends to have others
        replace(MISSING, name="missing_whole_jobs", unknown_share=0.06, unknown_together=2.0),
        # steps that are left out together, and go unrecorded
        replace(MISSING, name="linked_15", unknown_share=0.15, steps_always_together=1.0),
        replace(MISSING, name="linked_30", unknown_share=0.30, steps_always_together=1.0),
        replace(MISSING, name="closely_linked_15", unknown_share=0.15, steps_always_together=2.0),
        replace(MISSING, name="closely_linked_30", unknown_share=0.30, steps_always_together=2.0),
        # the same, and the jobs that lack one record lack others, more so where the steps were not good
        replace(
            MISSING, name="linked_whole_jobs", unknown_share=0.06, unknown_together=1.5, unknown_if_bad=1.0,
            steps_always_together=1.0,
        ),
        # hurried jobs go unrecorded, and hurry does harm of its own
        replace(MISSING, name="hurried_unrecorded", unknown_share=0.12, hurry_harm=0.25, unknown_by_hurry=1.0),
        # after a failure the folder is asked for: it is mended, or it has gone
        replace(MISSING, name="mended_after_failure", unknown_share=0.15, unknown_if_failed=-2.0),
        replace(MISSING, name="gone_after_failure", unknown_share=0.15, unknown_if_failed=1.0),
        # forms without the field, crews without the gauge: a technician has no record of a step on any job
        replace(MISSING, name="no_field", unknown_share=0.04, no_field_share=0.15),
        worlds.WORLDS["winter"],
        worlds.WORLDS["lost"],
    )
}  # fmt: skip


class Fleet:
    """One invented fleet's store, and what each way of treating unknown steps makes of it."""

    imputations = IMPUTATIONS

    def __init__(self, world: worlds.World, installs: int, seed: int) -> None:
        made = worlds.make(world, installs, technicians_of(installs), seed)
        self.world, self.con = world, worlds.store_of(made)
        cells.make_cells(self.con, invented_fleet.house_rules(), worlds.LAST_DAY)
        self.con.execute("create table follow_up_recorded as select * from follow_up")
        self.pieces = self.con.sql("select * from follow_up_recorded order by system_id, life_no, from_age").pl()
        # a world's first jobs are numbered as they were made, and only such worlds are compared here
        number = self.pieces["job_id"].str.strip_prefix("J").cast(pl.Int64).to_numpy()
        jobs, first, self.job = np.unique(number, return_index=True, return_inverse=True)
        self.first = self.pieces[first.tolist()]
        self.levels = rate_cells.decode(self.first["pattern"].to_numpy())
        self.true_levels = np.where(
            made.truth["belongs"][jobs], np.where(made.truth["bad"][jobs], NOT_DONE, GOOD), DOES_NOT_BELONG
        )
        self.rng = np.random.default_rng(seed + 1_000_000)

    def close(self) -> None:
        self.con.close()

    @property
    def shares(self) -> tuple[float, float]:
        """Share of steps that are unknown among jobs with a record, and share of these jobs with none unknown."""
        recorded = self._recorded
        belongs = self.levels[recorded] != DOES_NOT_BELONG
        unknown = self.levels[recorded] == UNKNOWN
        return float(unknown.sum() / belongs.sum()), float(1 - unknown.any(axis=1).mean())

    @property
    def _recorded(self) -> np.ndarray:
        return ((self.levels != UNKNOWN) & (self.levels != DOES_NOT_BELONG)).any(axis=1)

    def effects_with(self, levels: np.ndarray, kept: np.ndarray | None = None) -> step_effect.StepEffects:
        """The rows of a fit, had the records been these levels: [jobs, steps]; kept : [jobs] truth values."""
        told = self.pieces.with_columns(pattern=pl.Series((levels @ WEIGHTS)[self.job], dtype=pl.Int32))
        if kept is not None:
            told = told.filter(pl.Series(kept[self.job]))
        self.con.register("told", told)
        self.con.execute("create or replace table follow_up as select * from told")
        self.con.unregister("told")
        for file in ("307_exposure_cell.sql", "308_event_cell.sql"):
            for statement in duckdb.extract_statements((cells.SQL_FOLDER / file).read_text(encoding="utf-8")):
                self.con.execute(statement.query)
        return step_effect.StepEffects(rate_cells.read(self.con))

    def rows_of(self, method: str) -> pl.DataFrame:
        """Ratios of one method: outcome, step, age band, estimate and interval as logs, events on both sides."""
        if method == "all recorded":
            return _rows(self.effects_with(self.true_levels))
        if method == "unknown level":
            return _rows(self.effects_with(self.levels))
        if method == "complete jobs":
            return _rows(self.effects_with(self.levels, ~(self.levels == UNKNOWN).any(axis=1)))
        if method == "as not good":
            unknown = (self.levels == UNKNOWN) & self._recorded[:, None]
            return _rows(self.effects_with(np.where(unknown, NOT_DONE, self.levels)))
        if method == "expected share":
            return self._with_expected_share()
        return self._imputed()

    def _imputed(self) -> pl.DataFrame:
        recorded = np.flatnonzero(self._recorded)
        parts = []
        for not_good in imputing.drawn(self.known_jobs(recorded), self.imputations, self.rng):
            levels = self.levels.copy()
            told = np.where(not_good > 0, NOT_DONE, GOOD)
            levels[recorded] = np.where(levels[recorded] == UNKNOWN, told, levels[recorded])
            parts.append(_rows(self.effects_with(levels)))
        both = imputing.pooled(
            *(np.stack([part[name].to_numpy() for part in parts]) for name in ("log_ratio", "error"))
        )
        # what the records themselves tell says how much there is to go by
        counts = _rows(self.effects_with(self.levels)).select("outcome", "step", "age_band", "fewest_events")
        return counts.with_columns(
            log_ratio=pl.Series(both.estimate), error=pl.Series(both.error),
            low=pl.Series(both.low), high=pl.Series(both.high),
        )  # fmt: skip

    def _with_expected_share(self) -> pl.DataFrame:
        recorded = np.flatnonzero(self._recorded)
        share = imputing.expected(self.known_jobs(recorded, with_outcomes=False))
        told = _three_levels(self.levels)
        _, pattern_of_job = np.unique(told @ WEIGHTS, return_inverse=True)
        # one share for each pattern of known and unknown steps: patterns are what the rates are fitted on
        here = pattern_of_job[recorded]
        jobs = np.bincount(here, minlength=pattern_of_job.max() + 1)
        sums = np.stack([np.bincount(here, part, minlength=len(jobs)) for part in share.T], axis=1)
        mean = dict(zip((told @ WEIGHTS).tolist(), (sums / np.maximum(jobs, 1)[:, None])[pattern_of_job], strict=True))
        return _rows(self.effects_with(self.levels), mean)

    def known_jobs(self, recorded: np.ndarray, *, with_outcomes: bool = True) -> imputing.Jobs:
        """The jobs with at least one known step, as the imputation sees them."""
        levels = self.levels[recorded]
        belongs = levels != DOES_NOT_BELONG
        not_good = np.where(belongs & (levels != UNKNOWN), np.isin(levels, rate_cells.NOT_GOOD), np.nan)
        technicians, technician = np.unique(self.first["technician_id"].to_numpy()[recorded], return_inverse=True)
        of_job = self.first[recorded.tolist()].select(
            "equipment_and_joints", period=(pl.col("started_on").dt.year() // 2).cast(pl.String)
        )
        known = of_job.to_dummies(drop_first=True).to_numpy().astype(float)
        if with_outcomes:
            known = np.concatenate([known, self._outcomes()[recorded]], axis=1)
        return imputing.Jobs(not_good, belongs, technician, len(technicians), known)

    def _outcomes(self) -> np.ndarray:
        """[jobs, columns] for each outcome whether it came early, whether late, and its cumulative hazards."""
        edges = np.array(cells.AGE_BAND_EDGES, dtype=float)
        is_early = edges[1:] <= cells.EARLY_DAYS
        columns = []
        unvisited = ~self.pieces["is_visited"].to_numpy()
        from_age, to_age = (self.pieces[name].to_numpy()[unvisited] for name in ("from_age", "to_age"))
        system = self.pieces.select("system_id", "life_no").filter(pl.Series(unvisited))
        job, jobs = self.job[unvisited], len(self.first)
        for outcome in worlds.TRUE_EFFECTS:
            came = self.con.sql(
                "select system_id, life_no, age, job_id, in_follow_up and not is_visited as counts "
                "from outcome_event where outcome = $outcome",
                params={"outcome": outcome},
            ).pl()
            age = system.join(came, on=["system_id", "life_no"], how="left", maintain_order="left")["age"]
            until = np.minimum(to_age, age.fill_null(np.inf).to_numpy())
            spent = np.clip(np.minimum(until[:, None], edges[1:]) - np.maximum(from_age[:, None], edges[:-1]), 0, None)
            years = np.stack([np.bincount(job, part, minlength=jobs) for part in spent.T], axis=1) / DAYS_A_YEAR
            counted = came.filter("counts")
            place = self.first.select("job_id").with_row_index("place").join(counted, on="job_id")
            band = np.searchsorted(edges, place["age"].to_numpy(), side="left") - 1
            events = np.zeros_like(years)
            events[place["place"].to_numpy(), band] = 1.0
            hazard = imputing.nelson_aalen(years, events)
            for half in (is_early, ~is_early):
                columns += [events[:, half].any(axis=1).astype(float), hazard[:, half].sum(axis=1)]
        return np.stack(columns, axis=1)


def _three_levels(levels: np.ndarray) -> np.ndarray:
    """0 good or does not belong, 1 not good, 2 unknown."""
    return np.where(levels == UNKNOWN, 2, np.isin(levels, rate_cells.NOT_GOOD).astype(np.int64))


def _rows(effects: step_effect.StepEffects, share: dict[int, np.ndarray] | None = None) -> pl.DataFrame:
    """Early and late log ratios of what is not good, for every outcome with a known truth.

    share : for each pattern how much of a step that is not good each step counts as, [steps]; without it, 0 or 1.
    """
    levels, parts = effects.cells.levels, []
    arm, good = np.isin(levels, rate_cells.NOT_GOOD).astype(float), (levels == GOOD).astype(float)
    for outcome in worlds.TRUE_EFFECTS:
        if share is None:
            fitted = effects.fit(outcome, "whole")
            value, error = fitted.effects[0].ravel(), fitted.errors[0].ravel()
        else:
            value, error = _with_share(effects, outcome, share)
        _, events = effects.by_pattern(outcome)
        fewest = np.minimum(arm.T @ events, good.T @ events)
        parts.append(pl.DataFrame({
            "outcome": [outcome] * 2 * len(STEPS), "step": np.repeat(STEPS, 2),
            "age_band": list(step_effect.AGE_BANDS) * len(STEPS), "fewest_events": fewest.ravel(),
            "log_ratio": value, "error": error,
            "low": value - evidence.Z95 * error, "high": value + evidence.Z95 * error,
        }))  # fmt: skip
    return pl.concat(parts)


def _with_share(
    effects: step_effect.StepEffects, outcome: str, share: dict[int, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Log ratios and errors, [steps x 2 (early, late)], where an unknown step counts in part."""
    own = effects.split_rows("whole")
    years, events, band_events = own.added(*effects.counted(outcome))
    codes = own.levels @ WEIGHTS
    part = np.stack([share.get(code, np.zeros(len(STEPS))) for code in codes.tolist()])
    indicator = np.concatenate([part, (own.levels == 2).astype(float)], axis=1)
    halves = np.zeros((2 * len(indicator), 2 * indicator.shape[1]))
    halves[0::2, : indicator.shape[1]] = indicator
    halves[1::2, indicator.shape[1] :] = indicator
    groups = np.bincount(own.rows.level[1], events, minlength=own.rows.levels[1])
    fitted = fit_rates(
        own.rows, [Term(halves, is_levels=False), _dummies(groups)], years, events,
        bands=_dummies(band_events), band_events=band_events,
    )  # fmt: skip
    chosen = np.concatenate([np.arange(len(STEPS)), indicator.shape[1] + np.arange(len(STEPS))])
    value = fitted.coefficients[chosen].reshape(2, len(STEPS)).T.ravel()
    error = fitted.standard_errors[chosen].reshape(2, len(STEPS)).T.ravel()
    far = (np.abs(value) > step_effect.LARGEST_LOG_RATIO) | (error > step_effect.LARGEST_STANDARD_ERROR)
    return np.where(far, np.nan, value), error


def _dummies(events: np.ndarray) -> Term:
    return Term(np.delete(np.eye(len(events)), int(events.argmax()), axis=1))


def one_fleet(world: worlds.World, installs: int, seed: int, methods: tuple[str, ...] = METHODS) -> pl.DataFrame:
    """Every method's ratios for one fleet, beside the truth and beside what complete records would have said."""
    fleet = Fleet(world, installs, seed)
    unknown, complete = fleet.shares
    found = {method: fleet.rows_of(method) for method in methods}
    fleet.close()
    keys = ["outcome", "step", "age_band"]
    truth = [worlds.truth_of(world, *row) for row in found[methods[0]].select(keys).iter_rows()]
    parts = [
        part.with_columns(
            method=pl.lit(method), seed=pl.lit(seed), truth=pl.Series(truth, dtype=pl.Float64),
            unknown=pl.lit(unknown), complete=pl.lit(complete),
            is_told=(pl.col("fewest_events") >= evidence.FEW_EVENTS) & pl.col("log_ratio").is_finite(),
        )
        for method, part in found.items()
    ]  # fmt: skip
    return pl.concat(parts)


def study(
    world: worlds.World, draws: int, installs: int, methods: tuple[str, ...] = METHODS, first_seed: int = FIRST_SEED
) -> pl.DataFrame:
    """The rows of many fleets of one world."""
    return pl.concat([one_fleet(world, installs, first_seed + draw, methods) for draw in range(draws)])


def figures(rows: pl.DataFrame) -> pl.DataFrame:
    """One row for each method and figure: mean over fleets and its Monte-Carlo standard error.

    The control is not among the tested outcomes. `beside complete records` is the mean difference from the same fleet's
    fit to complete records, over the ratios that both have enough events for.
    """
    keys = ["outcome", "step", "age_band", "seed"]
    full = rows.filter((pl.col("method") == "all recorded") & pl.col("is_told"))
    rows = rows.join(full.select(*keys, full_log_ratio="log_ratio"), on=keys, how="left")
    tested = rows.filter(pl.col("outcome").is_in(worlds.TESTED)).with_columns(
        off=pl.col("log_ratio") - pl.col("truth"), apart=pl.col("log_ratio") - pl.col("full_log_ratio"),
        covers=((pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high"))).cast(pl.Float64),
        is_above=(pl.col("low") > 0).cast(pl.Float64) * pl.col("is_told"),
    )  # fmt: skip
    told, null = pl.col("is_told"), pl.col("truth") == 0
    is_compressor = pl.col("outcome") == "compressor_failure"
    by_fleet = tested.group_by("method", "seed").agg(
        **{
            "bias": pl.col("off").filter(told).mean(),
            "bias of real effects": pl.col("off").filter(told & ~null).mean(),
            "bias where nothing acts": pl.col("off").filter(told & null).mean(),
            "beside complete records": pl.col("apart").filter(told).mean(),
            "real effects beside complete records": pl.col("apart").filter(told & ~null).mean(),
            "compressor beside complete records": pl.col("apart").filter(told & is_compressor).mean(),
            "compressor where nothing acts": pl.col("off").filter(told & null & is_compressor).mean(),
            "root mean square error": (pl.col("off").filter(told) ** 2).mean().sqrt(),
            "cover": pl.col("covers").filter(told).mean(),
            "false alarms": 1 - pl.col("covers").filter(told & null).mean(),
            "real effects above 1": (pl.col("is_above") * ~null).sum().cast(pl.Float64),
            "told": told.cast(pl.Float64).mean(),
        }
    )
    columns = [name for name in by_fleet.columns if name not in ("method", "seed")]
    return (
        by_fleet.unpivot(columns, index=["method", "seed"], variable_name="figure")
        .filter(pl.col("value").is_finite())
        .group_by("method", "figure")
        .agg(pl.col("value").mean().alias("mean"), error=pl.col("value").std() / pl.len().sqrt())
    )


def by_ratio(rows: pl.DataFrame) -> pl.DataFrame:
    """How far each method lies from the fit to complete records, for each outcome, step and band, on average."""
    keys = ["outcome", "step", "age_band", "seed"]
    full = rows.filter((pl.col("method") == "all recorded") & pl.col("is_told"))
    return (
        rows.filter(pl.col("is_told") & pl.col("outcome").is_in(worlds.TESTED))
        .join(full.select(*keys, full_log_ratio="log_ratio"), on=keys)
        .with_columns(off=pl.col("log_ratio") - pl.col("full_log_ratio"))
        .group_by("method", "outcome", "step", "age_band")
        .agg(
            pl.col("truth").first(), bias=pl.col("off").mean(), error=(pl.col("off").std() / pl.len().sqrt()).fill_null(float("nan")),
            fleets=pl.len(),
        )
        .sort("method", "outcome", "step", "age_band")
    )  # fmt: skip


def spread_of_bias(rows: pl.DataFrame) -> dict[str, float]:
    """How far from complete records the single ratios lie, chance aside: a mean of 0 may hide high ones and low ones."""
    half = rows["seed"].n_unique() / 2
    kept = by_ratio(rows).filter((pl.col("fleets") >= half) & (pl.col("fleets") > 1))
    spread = kept.group_by("method").agg(square=(pl.col("bias") ** 2 - pl.col("error") ** 2).mean())
    return {method: max(square, 0.0) ** 0.5 for method, square in spread.iter_rows()}


TABLE_COLUMNS = (
    "bias", "bias of real effects", "bias where nothing acts", "beside complete records",
    "real effects beside complete records", "compressor beside complete records", "compressor where nothing acts",
    "root mean square error", "cover", "false alarms", "real effects above 1", "told",
)  # fmt: skip


def _with_error(pair: list[float | None] | None) -> str:
    """A mean and, in brackets, its error; one fleet has no error, and where nothing was told there is no mean."""
    if pair is None or pair[0] is None:
        return ""
    return f"{pair[0]:.3f}" if pair[1] is None else f"{pair[0]:.3f} ({pair[1]:.3f})"


def lines(name: str, rows: pl.DataFrame) -> list[str]:
    """A world's methods, one line of a table each."""
    found = {(method, figure): pair for method, figure, *pair in figures(rows).iter_rows()}
    spread = spread_of_bias(rows)
    unknown, complete = rows["unknown"].mean(), rows["complete"].mean()
    told = []
    for method in METHODS:
        if (method, "bias") not in found:
            continue
        told.append(
            f"| {name} | {unknown:.0%}, {complete:.0%} | {method} | "
            + " | ".join(_with_error(found.get((method, figure))) for figure in TABLE_COLUMNS)
            + f" | {spread.get(method, float('nan')):.3f} |"
        )
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=40)
    parser.add_argument("--installs", type=int, default=20_000)
    parser.add_argument("--world", nargs="+", default=["missing"], choices=[*WORLDS, "all"])
    parser.add_argument("--method", nargs="+", default=list(METHODS), choices=METHODS)
    parser.add_argument("--ratios", action="store_true", help="the ratios that each method gets most wrong too")
    asked = parser.parse_args()
    names = list(WORLDS) if "all" in asked.world else asked.world
    columns = ("world", "unknown, complete", "method", *TABLE_COLUMNS, "spread of biases")
    print("| " + " | ".join(columns) + " |\n" + "|---" * len(columns) + "|", flush=True)
    for name in names:
        began = time.perf_counter()
        rows = study(WORLDS[name], asked.draws, asked.installs, tuple(asked.method))
        print("\n".join(lines(name, rows)), flush=True)
        if asked.ratios:
            worst = by_ratio(rows).filter(pl.col("fleets") > asked.draws / 2)
            for row in worst.sort(pl.col("bias").abs(), descending=True).group_by("method").head(4).iter_rows():
                print("    {:14s} {:20s} {:17s} {:5s} truth {:5.2f} bias {:6.3f} ({:.3f}), {} fleets".format(*row))
            print(f"    {time.perf_counter() - began:.0f} s for {asked.draws} fleets", flush=True)


if __name__ == "__main__":
    main()
