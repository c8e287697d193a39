"""Has a technician's own work on a step changed within the last 12 months, and what else changed with it?

Each job is judged against what average hands reached on such a job, on such a form, at that time: a year in which everybody
slipped, or a form that no longer asks for the value, is not the person's change. Where a change came together with a new
form, other instruments or the same change of the rest of the crew, that is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from models import change, funnel, job_mix
from models.adjusted_rates import ALL_STEPS, IS_GOOD, IS_KNOWN, WHOLE_JOB, codes, factor
from models.job_mix import Factor

RECENT_MONTHS = 12
# with fewer people a change of the fleet cannot be told from a change of one of them
PEOPLE_TO_SEE_TIME = 5
# something is new when it was seldom before the change and mostly there after it
SELDOM, MOSTLY = 0.1, 0.5
JOBS_TO_SETTLE = 5
# the rest of a crew changed likewise when so many of them did, within so many days
CREW_SHARE, CREW_DAYS = 0.5, 120
NO_NAME = -1
PLACES = ("equipment", "joints", "season", "form", "period")
SCHEMA = {
    "technician_id": pl.String, "step": pl.String, "change": pl.String, "changed_on": pl.Date,
    "change_seen_on": pl.Date, "new_form_on": pl.Date, "rate_before": pl.Float64, "rate_before_low": pl.Float64,
    "rate_before_high": pl.Float64, "known_before": pl.Int64, "rate_since": pl.Float64,
    "rate_since_low": pl.Float64, "rate_since_high": pl.Float64, "known_since": pl.Int64, "change_with": pl.String,
}  # fmt: skip


def changes(con: duckdb.DuckDBPyConnection, as_of: date) -> pl.DataFrame:
    """One row for each technician and step; `all` shows the chart of whole jobs, since steps of one job hang together."""
    frame = con.sql(
        f"""
        select technician_id, step::varchar as step, finished_on, {IS_GOOD} as is_good,
            finished_on > $as_of::date - interval {RECENT_MONTHS} month as is_recent, crew, equipment, joints, season, form,
            instrument, 4 * year(finished_on) + quarter(finished_on) as period
        from fit_job_step
        where {IS_KNOWN} and technician_id is not null and finished_on is not null
        order by technician_id, step, finished_on, job_id
        """,
        params={"as_of": as_of},
    ).pl()
    parts = [_of_step(part) for part in frame.partition_by("step", maintain_order=True)]
    if not parts:
        return pl.DataFrame(schema=SCHEMA)
    found = pl.concat(parts)
    return pl.concat([found, found.filter(pl.col("step") == WHOLE_JOB).with_columns(step=pl.lit(ALL_STEPS))])


def usual_log_odds(jobs: pl.DataFrame) -> tuple[np.ndarray, float]:
    """What average hands reach on each job: [jobs] log odds, and the spread of people's log odds.

    jobs : technician_id, is_good, equipment, joints, season, form, period.
    """
    counted = jobs.group_by("technician_id", *PLACES, maintain_order=True).agg(
        good=pl.col("is_good").sum(), known=pl.len()
    )
    kinds = counted.select(PLACES).unique(maintain_order=True).with_row_index("kind")
    counted = counted.join(kinds, on=PLACES, how="left", nulls_equal=True)
    person = codes(counted["technician_id"])
    people = int(person.max()) + 1
    factors: list[Factor] = [factor(kinds[name]) for name in ("equipment", "joints", "season", "form")]
    if people >= PEOPLE_TO_SEE_TIME:
        period = kinds["period"].to_numpy().astype(np.int64)
        factors.append(Factor(period - period.min(), int(period.max() - period.min()) + 1, job_mix.TIME_SPREAD))
    mix = job_mix.fit_job_mix(
        person, people, counted["kind"].to_numpy().astype(np.int64), factors,
        counted["good"].to_numpy(), counted["known"].to_numpy(),
    )  # fmt: skip
    linear = kinds.select(*PLACES, linear=pl.Series(mix.linear))
    of_jobs = jobs.select(PLACES).join(linear, on=PLACES, how="left", nulls_equal=True, maintain_order="left")
    return of_jobs["linear"].to_numpy(), mix.people_spread


@dataclass(frozen=True)
class _Person:
    """The jobs of one technician on one step, oldest first, and what his chart says.

    is_good, is_recent, finished_on, form, instrument : [jobs]; names as whole numbers, NO_NAME where none is given.
    """

    technician_id: str
    step: str
    crew: str
    is_good: np.ndarray
    is_recent: np.ndarray
    finished_on: np.ndarray
    form: np.ndarray
    instrument: np.ndarray
    found: change.Change

    def day(self, job: int) -> date:
        return self.finished_on[job].item()

    @property
    def began_on(self) -> date:
        return self.day(self.found.began or 0)


def _of_step(jobs: pl.DataFrame) -> pl.DataFrame:
    usual, spread = usual_log_odds(jobs)
    person = codes(jobs["technician_id"])
    is_good, is_recent = jobs["is_good"].to_numpy(), jobs["is_recent"].to_numpy()
    finished_on, form, instrument = jobs["finished_on"].to_numpy(), _names(jobs["form"]), _names(jobs["instrument"])
    ends = np.flatnonzero(np.diff(person, append=-1)) + 1
    technicians, crews = jobs["technician_id"].gather(ends - 1), jobs["crew"].gather(ends - 1)
    people, begin = [], 0
    for technician_id, crew, end in zip(technicians, crews, ends, strict=True):
        own = slice(begin, int(end))
        first_recent = int(end - begin - is_recent[own].sum())
        people.append(
            _Person(
                technician_id, jobs["step"][0], crew or "", is_good[own], is_recent[own], finished_on[own], form[own],
                instrument[own], change.last_change(is_good[own], usual[own], spread, first_recent),
            )
        )  # fmt: skip
        begin = int(end)
    return pl.DataFrame([_row(person, people) for person in people], schema=SCHEMA, orient="row")


def _names(column: pl.Series) -> np.ndarray:
    """Whole numbers for names, NO_NAME for an empty one."""
    return np.where((column.fill_null("") == "").to_numpy(), NO_NAME, codes(column))


def _row(person: _Person, people: list[_Person]) -> dict:
    found = person.found
    row: dict = {"technician_id": person.technician_id, "step": person.step, "change": found.word}
    row["new_form_on"] = _new_form_on(person)
    if found.began is None or found.seen is None or found.before is None:
        return dict.fromkeys(SCHEMA) | row
    before, since = slice(found.before, found.began), slice(found.began, None)
    for name, part in (("before", before), ("since", since)):
        good, known = int(person.is_good[part].sum()), len(person.is_good[part])
        low, high = funnel.exact_interval(np.array(good), np.array(known))
        row |= {
            f"known_{name}": known, f"rate_{name}": good / known if known else None,
            f"rate_{name}_low": float(low), f"rate_{name}_high": float(high),
        }  # fmt: skip
    names = {"form": person.form, "instrument": person.instrument}
    with_it = [name for name, column in names.items() if _is_new(column[before], column[since])]
    if _crew_changed_likewise(person, people):
        with_it.append("crew")
    return row | {
        "changed_on": person.day(found.began),
        "change_seen_on": person.day(found.seen),
        "change_with": ", ".join(with_it),
    }


def _is_new(before: np.ndarray, since: np.ndarray) -> bool:
    """Whether most of the later jobs name something that was seldom named before. An empty name says nothing."""
    before, since = before[before != NO_NAME], since[since != NO_NAME]
    if not len(before) or not len(since):
        return False
    named = np.bincount(before, minlength=int(since.max()) + 1)
    return int((named[since] < SELDOM * len(before)).sum()) >= MOSTLY * len(since)


def _new_form_on(person: _Person) -> date | None:
    """The first day of the last 12 months on a form that most jobs are written on since and hardly any were before."""
    form = person.form
    for number in (np.flatnonzero(person.is_recent[1:] & (form[1:] != form[:-1])) + 1).tolist():
        before, since = form[:number], form[number:]
        if min(len(before), len(since)) >= JOBS_TO_SETTLE and _is_new(before, since):
            return person.day(number)
    return None


def _crew_changed_likewise(person: _Person, people: list[_Person]) -> bool:
    others = [
        one for one in people
        if one is not person and person.crew and one.crew == person.crew and one.found.word != "too_few"
    ]  # fmt: skip
    alike = [
        one for one in others
        if one.found.word == person.found.word and abs((one.began_on - person.began_on).days) <= CREW_DAYS
    ]  # fmt: skip
    return bool(others) and len(alike) >= CREW_SHARE * len(others)
