"""How often each step is not good in each technician's hands, as the jobs of a day and before it show.

Nothing here says how well somebody works: it stands in where a job's record says nothing, and tells the model of chances
what else to expect of the jobs of somebody whose steps are often not good.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl
from scipy import sparse, special

from models import beta_binomial
from models.rate_cells import GOOD, NOT_GOOD, decode
from pipelines.contract import STEPS


@dataclass(frozen=True)
class Practice:
    """What the jobs up to one day show.

    technicians : names in the order of the rows below; one more row stands for somebody not met yet.
    share_not_good : [technicians + 1, steps] each one's share of not good among known, drawn toward the fleet's.
    lean : [technicians + 1] mean over the steps of how far his log odds of not good lie above the fleet's.
    """

    technicians: list[str]
    share_not_good: np.ndarray
    lean: np.ndarray

    @property
    def fleet_share(self) -> np.ndarray:
        """[steps] share of not good in the fleet."""
        return self.share_not_good[-1]

    def rows_of(self, names: list[str]) -> np.ndarray:
        """[names + 1] the row of each name, then that of somebody not met yet."""
        known = {name: row for row, name in enumerate(self.technicians)}
        return np.array([known.get(name, len(known)) for name in names] + [len(known)])


def read(con: duckdb.DuckDBPyConnection, day: date) -> Practice:
    """Practice as the own jobs finished by that day show it."""
    jobs = con.sql(
        """
        select coalesce(job.technician_id, '(not recorded)') as technician, step_level.pattern, count(*) as jobs
        from staged_job as job
        join step_level using (job_id)
        where job.finished_on <= $day and not coalesce(job.installed_by::varchar = 'someone_else', false)
        group by all
        order by all
        """,
        params={"day": day},
    ).pl()
    names = jobs["technician"].unique().sort()
    person = jobs["technician"].cast(pl.Enum(names)).to_physical().to_numpy().astype(np.int64)
    patterns, place = np.unique(jobs["pattern"].to_numpy(), return_inverse=True)
    levels, weight = decode(patterns), jobs["jobs"].to_numpy()
    # people by patterns is sparse: a job's pattern is seldom shared by many
    done = sparse.csr_matrix((weight.astype(float), (person, place)), shape=(len(names), len(patterns)))
    return of_counts(names.to_list(), done @ np.isin(levels, NOT_GOOD), done @ (levels == GOOD))


def of_counts(technicians: list[str], bad: np.ndarray, good: np.ndarray) -> Practice:
    """Practice from counts of jobs not good and good, [technicians, steps] each."""
    known = bad + good
    # half a job on either side: a step that was never not good has a share all the same
    fleet = (bad.sum(axis=0) + 0.5) / (known.sum(axis=0) + 1.0)
    share = np.tile(fleet, (len(technicians) + 1, 1))
    for step in range(len(STEPS)):
        place = np.flatnonzero(known[:, step] > 0)
        if len(place):
            expected = np.full(len(place), fleet[step])
            drawn = beta_binomial.posterior(bad[place, step], known[place, step], expected, float(fleet[step]))
            share[place, step] = drawn.mean()
    lean = (special.logit(share) - special.logit(fleet)).mean(axis=1)
    return Practice(technicians, share, lean)
