"""Is it the person, the crew, the branch, the firm or the form? How far people differ at a step, and what that goes with.

Crew, branch and firm belong to people: of the spread between people so much is between groups, the rest within them. Drawing
the groups anew by lot shows what share would come by chance. A form or an instrument belongs to jobs: there the same
people's other jobs are the comparison.
"""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
from scipy import special

from models.adjusted_rates import IS_GOOD, IS_KNOWN, JobMixes
from models.job_mix import JobMix

KINDS_OF_PEOPLE = ("crew", "branch", "firm")
KINDS_OF_JOBS = ("form", "instrument", "season", "equipment", "branch")
JOBS_AT_LEAST, PEOPLE_AT_LEAST = 10, 4
LOTS = 999
# a person with no job elsewhere tells nothing; few jobs are drawn toward the fleet's rate as if there were two more
BORROWED_JOBS = 2.0
Z95 = 1.959964


def step_spread(con: duckdb.DuckDBPyConnection, mixes: JobMixes, seed: int) -> pl.DataFrame:
    """The table `step_spread`: for each step and kind of group how far groups of people differ, and people within them.

    Returns
    -------
    step, group_kind, groups, people (with ten known jobs), spread_people (standard deviation of people on the log-odds
    scale, beyond chance and job mix), spread_within (of people of one group), share_between (0 to 1 of the variance),
    share_by_chance (the same had the groups been drawn by lot), p_value (how often a lot gave so much).
    """
    people = con.sql(
        f"""
        with home as (
            select technician_id, any_value(crew) as crew, any_value(branch) as branch, any_value(firm) as firm
            from staged_technician group by technician_id
        )
        select step::varchar as step, technician_id, crew, branch, firm, kind, count(*) as known,
            count(*) filter ({IS_GOOD}) as good
        from (select step, state, technician_id, kind from fit_job_step) join home using (technician_id)
        where {IS_KNOWN}
        group by all order by all
        """
    ).pl()
    rows = []
    for (step,), part in people.partition_by("step", as_dict=True, maintain_order=True).items():
        home, away, variance = _people(part, mixes.of_step[str(step)])
        for kind in KINDS_OF_PEOPLE:
            rows += _of_kind(str(step), kind, home[kind], away, variance, np.random.default_rng(seed))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


SCHEMA = {
    "step": pl.String, "group_kind": pl.String, "groups": pl.Int64, "people": pl.Int64, "spread_people": pl.Float64,
    "spread_within": pl.Float64, "share_between": pl.Float64, "share_by_chance": pl.Float64, "p_value": pl.Float64,
}  # fmt: skip


def _people(jobs: pl.DataFrame, mix: JobMix) -> tuple[pl.DataFrame, np.ndarray, np.ndarray]:
    """Each person with ten known jobs: home, log odds away from average hands on the same jobs, its variance by chance."""
    average = special.expit(mix.linear)[jobs["kind"].to_numpy()]
    people = (
        jobs.with_columns(expected=pl.col("known") * pl.Series(average))
        .with_columns(alone=pl.col("expected") * (1 - pl.Series(average)))
        .group_by("technician_id", "crew", "branch", "firm", maintain_order=True)
        .agg(pl.col("known", "good", "expected", "alone").sum())
        .filter(pl.col("known") >= JOBS_AT_LEAST)
    )
    good, known, expected = (people[name].to_numpy().astype(float) for name in ("good", "known", "expected"))
    # half a job each way, so that all good or none good still has log odds
    away = special.logit((good + 0.5) / (known + 1)) - special.logit((expected + 0.5) / (known + 1))
    rate = np.clip((good + 1) / (known + 2), 0.01, 0.99)
    return people, away, 1 / (known * rate * (1 - rate))


def _of_kind(
    step: str, kind: str, group: pl.Series, away: np.ndarray, variance: np.ndarray, rng: np.random.Generator
) -> list[dict]:
    named = (group.fill_null("") != "").to_numpy()
    level = (group.filter(pl.Series(named)).rank("dense") - 1).to_numpy().astype(int)
    groups = int(level.max(initial=-1)) + 1
    # a group of each person alone, or one group of all, tells nothing
    if groups < 2 or len(level) < PEOPLE_AT_LEAST or len(level) - groups < 2:
        return []
    away, variance = away[named], variance[named]
    total = spread_squared(away, variance, np.zeros(len(level), dtype=int))
    within = min(spread_squared(away, variance, level), total)
    share = 1 - within / total if total > 0 else 0.0
    by_lot = np.array([
        1 - min(spread_squared(away, variance, rng.permutation(level)), total) / total if total > 0 else 0.0
        for _ in range(LOTS)
    ])  # fmt: skip
    return [{
        "step": step, "group_kind": kind, "groups": groups, "people": len(level),
        "spread_people": float(np.sqrt(total)), "spread_within": float(np.sqrt(within)), "share_between": share,
        "share_by_chance": float(by_lot.mean()),
        "p_value": float((1 + (by_lot >= share - 1e-12).sum()) / (1 + LOTS)) if total > 0 else None,
    }]  # fmt: skip


def spread_squared(away: np.ndarray, variance: np.ndarray, level: np.ndarray) -> float:
    """Variance between people of one group beyond chance, by moments.

    away : [people] log odds from what is expected. variance : [people] of chance. level : [people] group.

    Source: DerSimonian and Laird 1986, within groups; from memory.
    """
    weight = 1 / variance
    groups = int(level.max()) + 1
    of_group = np.bincount(level, weight, minlength=groups)
    mean = np.bincount(level, weight * away, minlength=groups) / of_group
    scatter = float(np.sum(weight * (away - mean[level]) ** 2))
    squares = float(np.sum(np.bincount(level, weight**2, minlength=groups) / of_group))
    free = len(away) - groups
    return max(0.0, (scatter - free) / (float(weight.sum()) - squares)) if free > 0 else 0.0


def same_people_elsewhere(con: duckdb.DuckDBPyConnection, kind: str) -> pl.DataFrame:
    """For each group of jobs and step: what the same people would reach on other jobs than the group's.

    Forms and gauges come and go with the years, and so do courses: only jobs of one person in one year are compared, and
    the group's own rate is moved by what they differ, on the log-odds scale.

    Returns
    -------
    group, step, same_people_known (the jobs elsewhere that were compared with), same_people_rate, same_people_low,
    same_people_high (95 % interval; where the group's own rate lies outside, the group makes a difference).
    """
    # a job without a reading names no instrument, and is not good for that very reason: it is no comparison
    named = "and instrument <> ''" if kind == "instrument" else ""
    rows = con.sql(
        f"""
        select {kind} as "group", step::varchar as step, technician_id, year(finished_on) as year, count(*) as known,
            count(*) filter ({IS_GOOD}) as good
        from fit_job_step where {IS_KNOWN} and technician_id is not null {named}
        group by all order by all
        """
    ).pl()
    own, here = ("step", "technician_id", "year"), pl.col("known") / pl.col("known").sum()
    rows = rows.with_columns(
        other_known=pl.col("known").sum().over(own) - pl.col("known"),
        other_good=pl.col("good").sum().over(own) - pl.col("good"),
        fleet=pl.col("good").sum().over("step", "year") / pl.col("known").sum().over("step", "year"),
        all_known=pl.col("known").sum().over("group", "step"),
        all_good=pl.col("good").sum().over("group", "step"),
    ).filter(pl.col("other_known") > 0)
    size = pl.col("other_known") + BORROWED_JOBS
    rate = (pl.col("other_good") + BORROWED_JOBS * pl.col("fleet")) / size
    found = rows.group_by("group", "step", maintain_order=True).agg(
        same_people_known=pl.col("other_known").sum(),
        elsewhere=(here * rate).sum(),
        variance_elsewhere=(here**2 * rate * (1 - rate) / size).sum(),
        compared=pl.col("known").sum(),
        inside=(pl.col("good").sum() + 0.5) / (pl.col("known").sum() + 1.0),
        rate=(pl.col("all_good").first() + 0.5) / (pl.col("all_known").first() + 1.0),
    )
    inside, compared, rate, variance = (
        found[name].to_numpy() for name in ("inside", "compared", "rate", "variance_elsewhere")
    )
    elsewhere = found["elsewhere"].clip(1e-6, 1 - 1e-6).to_numpy()
    moved = special.logit(rate) + special.logit(elsewhere) - special.logit(inside)
    spread = np.sqrt(variance / (elsewhere * (1 - elsewhere)) ** 2 + 1 / (compared * inside * (1 - inside)))
    return found.select(
        "group",
        "step",
        "same_people_known",
        same_people_rate=pl.Series(special.expit(moved)),
        same_people_low=pl.Series(special.expit(moved - Z95 * spread)),
        same_people_high=pl.Series(special.expit(moved + Z95 * spread)),
    )
