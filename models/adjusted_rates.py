"""Rates of people and groups as they would be on the fleet's own mix of jobs: shrunken, with what is left in doubt."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models import beta_binomial, job_mix
from models.job_mix import Factor, JobMix, Standard
from pipelines.contract import STEPS

WHOLE_JOB, ALL_STEPS = "whole_job", "all"
IS_KNOWN = "state in ('passed', 'failed', 'ticked_only', 'not_done')"
IS_GOOD = "state = 'passed'"


class JobMixes:
    """What each kind of job has to do with each step, fitted once; kinds are equipment, joints and season together."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.kinds = con.sql("select kind, equipment, joints, season from fit_kind order by kind").pl()
        rows = con.sql(
            f"""
            select step::varchar as step, coalesce(technician_id, '') as technician_id, kind,
                count(*) filter ({IS_GOOD}) as good, count(*) as known
            from fit_job_step where {IS_KNOWN} group by all order by all
            """
        ).pl()
        self.of_step: dict[str, JobMix] = {
            str(step): self._fit(part) for (step,), part in rows.partition_by("step", as_dict=True).items()
        }

    def _fit(self, rows: pl.DataFrame) -> JobMix:
        person = codes(rows["technician_id"])
        factors = [factor(self.kinds[name]) for name in ("equipment", "joints", "season")]
        pairings = Factor(np.arange(self.kinds.height), self.kinds.height, job_mix.PAIRING_SPREAD)
        return job_mix.fit_job_mix(
            person, int(person.max()) + 1, rows["kind"].to_numpy(), [*factors, pairings],
            rows["good"].to_numpy(), rows["known"].to_numpy(),
        )  # fmt: skip

    def standards(self, units: pl.DataFrame, by_kind: pl.DataFrame) -> dict[str, tuple[np.ndarray, Standard]]:
        """For each step the rows of `units` with known jobs, and what their jobs would reach in average hands.

        units : one row for each unit and step, `all` among them. by_kind : the same keys (of `units` without its counts),
        step, kind and known, without `all`.
        """
        keys = [name for name in by_kind.columns if name not in ("step", "kind", "known")]
        place = units.select(*keys, "step").with_row_index("row")
        whole = by_kind.group_by("step", "kind", maintain_order=True).agg(pl.col("known").sum())
        found = {}
        for step in (*self.of_step, ALL_STEPS):
            parts = [step] if step != ALL_STEPS else [one for one in STEPS if one in self.of_step]
            rows = by_kind.filter(pl.col("step").is_in(parts)).join(
                place.filter(pl.col("step") == step).drop("step"), on=keys, how="inner", nulls_equal=True
            )
            if rows.is_empty():
                continue
            at, unit = np.unique(rows["row"].to_numpy(), return_inverse=True)
            rows = rows.with_columns(unit=pl.Series(unit))
            shares, of_fleet = [], []
            for part in parts:
                mix = self.of_step[part]
                own, all_jobs = rows.filter(pl.col("step") == part), whole.filter(pl.col("step") == part)
                for share, of, number, numbers in (
                    (shares, own, own["unit"].to_numpy(), len(at)),
                    (of_fleet, all_jobs, np.zeros(all_jobs.height, dtype=np.int64), 1),
                ):
                    share.append(
                        mix.share_of(number, numbers, of["kind"].to_numpy(), of["known"].to_numpy().astype(float))
                    )
            found[step] = at, job_mix.standard(shares, of_fleet)
        return found


def codes(column: pl.Series) -> np.ndarray:
    """Whole numbers from 0, in the order of the values."""
    return (column.fill_null("").rank("dense") - 1).to_numpy().astype(np.int64)


def factor(column: pl.Series, spread: float = job_mix.LEVEL_SPREAD) -> Factor:
    level = codes(column)
    return Factor(level, int(level.max(initial=0)) + 1, spread)


@dataclass(frozen=True)
class Targets:
    """Rates to be judged against, by step; `margin` : how far from one a rate must lie to be called below or above."""

    of_step: dict[str, float]
    margin: float


def with_adjusted(
    frame: pl.DataFrame,
    standards: dict[str, tuple[np.ndarray, Standard]],
    shrink: dict[str, float],
    targets: Targets | None = None,
) -> pl.DataFrame:
    """The frame (step, good, known) with its shrunken, adjusted rates, and their chances beside the target if asked for.

    shrink : for steps whose job steps hang together, by how much their counts say less than they seem to.
    """
    names = ["expected_rate", "rate_adjusted", "rate_low", "rate_high"]
    names += ["chance_below", "chance_above"] if targets else []
    columns = {name: np.full(frame.height, np.nan) for name in names}
    good, known = frame["good"].to_numpy().astype(float), frame["known"].to_numpy().astype(float)
    for step, (at, standard) in standards.items():
        less = shrink.get(step, 1.0)
        given = (
            good[at] / less,
            known[at] / less,
            standard.expected,
            standard.fleet,
            standard.doubt,
            standard.centre_doubt,
        )
        spread = beta_binomial.posterior(*given)
        columns["expected_rate"][at] = standard.expected
        columns["rate_adjusted"][at] = spread.mean()
        columns["rate_low"][at], columns["rate_high"][at] = spread.interval()
        if targets and step in targets.of_step:
            own, target = (
                beta_binomial.posterior(*given, weights=beta_binomial.WEIGHT_FOR_A_MARK),
                targets.of_step[step],
            )
            columns["chance_below"][at] = own.chance_below(target - targets.margin)
            columns["chance_above"][at] = 1 - own.chance_below(target + targets.margin)
    return frame.with_columns(**{name: pl.Series(values).fill_nan(None) for name, values in columns.items()})
