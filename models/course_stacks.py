"""Who is compared with whom, and when: each course with those not trained, or not yet, over the same months.

A stack is the people first taught a step within one month, and everybody who had not been taught it by then. Each
technician of a stack has one count of good and of known jobs for each quarter before and after. Those who had been
taught earlier never stand in for the untaught; those taught later do up to the day of their own course. The half year in
which they were chosen counts for nobody where they are many: whoever was sent then had happened to do badly, and whoever
was not, well.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

DAYS_A_QUARTER = 365.25 / 4
BEFORE_QUARTERS, AFTER_QUARTERS = 8, 8
# A bad calendar quarter that led to somebody's being sent lies within the half year before the course.
CHOOSING_QUARTERS = 2
SAME_COURSE_DAYS = 31
# A later course that takes so many of those compared with: the months in which they were chosen count for nobody.
MANY_CHOSEN = 0.1


@dataclass(frozen=True)
class JobDays:
    """Counts of good and known jobs of one step by technician and day, in the order of the days.

    technician : [rows] place in `technicians`. day : [rows] days since 1970-01-01. good, known : [rows] jobs.
    """

    technician: np.ndarray
    day: np.ndarray
    good: np.ndarray
    known: np.ndarray
    technicians: tuple[str, ...]

    @classmethod
    def of(cls, jobs: pl.DataFrame) -> JobDays:
        """jobs : technician_id, finished_on, good, known; any number of rows for a technician and day."""
        rows = (
            jobs.filter(
                (pl.col("known") > 0) & pl.col("technician_id").is_not_null() & pl.col("finished_on").is_not_null()
            )
            .group_by("technician_id", "finished_on")
            .agg(pl.col("good").sum(), pl.col("known").sum())
            .sort("finished_on", "technician_id")
        )
        names = rows["technician_id"].unique().sort()
        place = {name: number for number, name in enumerate(names)}
        return cls(
            rows["technician_id"].replace_strict(place, return_dtype=pl.Int64).to_numpy().astype(np.int64),
            rows["finished_on"].cast(pl.Date).to_physical().to_numpy().astype(np.int64),
            rows["good"].to_numpy().astype(float),
            rows["known"].to_numpy().astype(float),
            tuple(names),
        )

    def without(self, people: Collection[str]) -> JobDays:
        """The jobs of everybody else."""
        kept = ~np.array([name in people for name in self.technicians], dtype=bool)[self.technician]
        return replace(
            self,
            technician=self.technician[kept],
            day=self.day[kept],
            good=self.good[kept],
            known=self.known[kept],
        )


@dataclass(frozen=True)
class Stacked:
    """Counts by technician and quarter around each course; a unit is a technician in one stack.

    good, known : [units, quarters] jobs; before the course BEFORE_QUARTERS, the oldest first, then AFTER_QUARTERS.
    technician : [units] place of the technician. stack : [units]. is_trained : [units].
    first_day, last_day : [stacks] days since 1970-01-01 on which the stack's courses began and ended.
    """

    good: np.ndarray
    known: np.ndarray
    technician: np.ndarray
    stack: np.ndarray
    is_trained: np.ndarray
    first_day: np.ndarray
    last_day: np.ndarray

    @property
    def units(self) -> int:
        return len(self.technician)

    def trained(self) -> int:
        return len(np.unique(self.technician[self.is_trained]))

    def compared(self) -> int:
        return len(np.unique(self.technician[~self.is_trained]))

    def between(self, before: np.ndarray, after: np.ndarray) -> Stacked:
        """Only the quarters asked for, and only units with known jobs on both sides, in stacks with both kinds of people.

        before, after : [quarters] truth values.
        """
        wanted = before | after
        there = (self.known[:, before].sum(axis=1) > 0) & (self.known[:, after].sum(axis=1) > 0)
        return replace(
            self, good=np.where(wanted, self.good, 0.0), known=np.where(wanted, self.known, 0.0)
        ).where(there)  # fmt: skip

    def where(self, there: np.ndarray) -> Stacked:
        """Only some units, in stacks that still have both kinds of people. there : [units] truth values."""
        stacks = len(self.first_day)
        both = (np.bincount(self.stack[there & self.is_trained], minlength=stacks) > 0) & (
            np.bincount(self.stack[there & ~self.is_trained], minlength=stacks) > 0
        )
        kept = there & both[self.stack]
        return replace(
            self,
            good=self.good[kept],
            known=self.known[kept],
            technician=self.technician[kept],
            stack=self.stack[kept],
            is_trained=self.is_trained[kept],
        )


def quarters(kind: str) -> np.ndarray:
    """[quarters] truth values: `before` (those an estimate rests on), `choosing`, `after`."""
    number = np.arange(BEFORE_QUARTERS + AFTER_QUARTERS)
    choosing = (number >= BEFORE_QUARTERS - CHOOSING_QUARTERS) & (number < BEFORE_QUARTERS)
    if kind == "choosing":
        return choosing
    if kind == "after":
        return number >= BEFORE_QUARTERS
    if kind == "before":
        return number < BEFORE_QUARTERS - CHOOSING_QUARTERS
    raise ValueError(f"no quarters are called {kind!r}")


def first_courses(courses: pl.DataFrame) -> dict[str, date]:
    """The day each technician was first taught the step. courses : technician_id, held_on."""
    rows = courses.drop_nulls(["technician_id", "held_on"]).group_by("technician_id").agg(pl.col("held_on").min())
    return dict(rows.sort("technician_id").iter_rows())


def _grouped_days(days: np.ndarray) -> list[tuple[int, int]]:
    """Course days in groups of at most a month: (first, last) of each."""
    groups: list[tuple[int, int]] = []
    for day in np.unique(days).tolist():
        if groups and day - groups[-1][0] < SAME_COURSE_DAYS:
            groups[-1] = (groups[-1][0], day)
        else:
            groups.append((day, day))
    return groups


def stacked(jobs: JobDays, first_taught: dict[str, date], only: set[str] | None = None) -> Stacked:
    """Counts around every course of one step.

    first_taught : technician -> day of the first course in the step. only : of the taught, those whose change is asked
    for (one course); None for all. Others that were taught are compared with up to their own course.
    """
    never = np.iinfo(np.int64).max
    epoch = date(1970, 1, 1)
    own_day = np.array(
        [(first_taught[name] - epoch).days if name in first_taught else never for name in jobs.technicians],
        dtype=np.int64,
    )
    asked = np.array([name in first_taught and (only is None or name in only) for name in jobs.technicians], dtype=bool)
    parts = []
    groups = _grouped_days(own_day[asked]) if len(own_day) else []
    for number, (first, last) in enumerate(groups):
        parts.append(_one_stack(jobs, own_day, asked & (own_day >= first) & (own_day <= last), first, last, number))
    columns = BEFORE_QUARTERS + AFTER_QUARTERS
    empty = (np.zeros((0, columns)), np.zeros((0, columns)), np.zeros(0, int), np.zeros(0, int), np.zeros(0, bool))
    good, known, technician, stack, is_trained = (
        (np.concatenate(column) for column in zip(*parts, strict=True)) if parts else empty
    )
    return Stacked(
        good, known, technician, stack, is_trained,
        np.array([first for first, _ in groups], dtype=np.int64), np.array([last for _, last in groups], dtype=np.int64),
    )  # fmt: skip


def _choosing_of_later(own_day: np.ndarray, last: int) -> list[tuple[int, int]]:
    """(first, last) days in which many of those compared with were chosen for a later course.

    own_day : of the people compared with. The largest courses first, and no more than half of the time after.
    """
    after_days = AFTER_QUARTERS * DAYS_A_QUARTER
    choosing_days = round(CHOOSING_QUARTERS * DAYS_A_QUARTER)
    room = after_days / 2
    spans = []
    groups = _grouped_days(own_day[own_day <= last + after_days + choosing_days])
    taken = {group: int(((own_day >= group[0]) & (own_day <= group[1])).sum()) for group in groups}
    for group in sorted(groups, key=lambda group: -taken[group]):
        length = group[1] - group[0] + choosing_days
        if taken[group] >= MANY_CHOSEN * len(own_day) and length <= room:
            spans.append((group[0] - choosing_days, group[1]))
            room -= length
    return spans


def _one_stack(
    jobs: JobDays, own_day: np.ndarray, is_trained: np.ndarray, first: int, last: int, number: int
) -> tuple[np.ndarray, ...]:
    start, end = np.searchsorted(
        jobs.day, [first - round(BEFORE_QUARTERS * DAYS_A_QUARTER), last + round(AFTER_QUARTERS * DAYS_A_QUARTER) + 1]
    )
    technician, day = jobs.technician[start:end], jobs.day[start:end]
    quarter = np.where(
        day < first,
        BEFORE_QUARTERS - 1 - (first - 1 - day) // DAYS_A_QUARTER,
        BEFORE_QUARTERS + (day - last - 1) // DAYS_A_QUARTER,
    ).astype(np.int64)
    later = ~is_trained & (own_day > last)
    is_there = np.bincount(technician, minlength=len(own_day)) > 0
    is_left_out = np.zeros(len(day), dtype=bool)
    for from_day, to_day in _choosing_of_later(own_day[later & is_there], last):
        is_left_out |= (day >= from_day) & (day <= to_day)
    counted = (
        (is_trained | later)[technician]
        & ((day < first) | (day > last))
        & (quarter >= 0)
        & (quarter < BEFORE_QUARTERS + AFTER_QUARTERS)
        & (is_trained[technician] | (day < own_day[technician]))
        & ~is_left_out
    )
    columns = BEFORE_QUARTERS + AFTER_QUARTERS
    place = technician[counted] * columns + quarter[counted]
    size = len(own_day) * columns

    def table(values: np.ndarray) -> np.ndarray:
        return np.bincount(place, values[start:end][counted], minlength=size).reshape(-1, columns)

    good, known = table(jobs.good), table(jobs.known)
    there = np.flatnonzero(known.sum(axis=1) > 0)
    return good[there], known[there], there, np.full(len(there), number), is_trained[there]
