"""What must be gone back to, and what should have come and did not: the tables `return_due` and `not_arrived`.

They follow from the grades and the loads, not from a fit, and are made anew at the end of each load. The rules stand in
sql/295 and sql/296, the reasons with their days in data/return_reasons.csv; here only what SQL does not suit: from which
week on it is warm enough outdoors for a charge check, told from the house's own readings where they say enough.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.cells import newest_day

if TYPE_CHECKING:
    import duckdb

_HERE = Path(__file__).parent
RETURN_REASONS_FILE = _HERE / "data" / "return_reasons.csv"
FILES = ("295_return_due.sql", "296_not_arrived.sql")

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WEEKS_A_YEAR = 52
# three of four checks of a week could have been judged
WARM_SHARE = 0.75
READINGS_AT_LEAST = 8
# where nobody has said and the readings do not tell: the usual spring of the northern half, until late October
GUESSED_FROM = (4, 1)
GUESSED_WEEKS = 30


@dataclass(frozen=True)
class WarmSeason:
    """The stretch of each year in which a charge check can be judged.

    first_day : (month, day). weeks : how long it lasts.
    chosen_by : `house_rule`, `own_readings` or `guess`.
    """

    first_day: tuple[int, int]
    weeks: int
    chosen_by: str

    def of_year(self, year: int) -> tuple[date, date]:
        """Its first and last day, beginning in that year."""
        month, day = self.first_day
        # 29 February of a year that has none
        first = date(year, month, min(day, 28) if month == 2 else day)
        return first, first + timedelta(days=7 * self.weeks - 1)


@dataclass(frozen=True)
class ReturnReason:
    """Why somebody must go back to a job: a row of data/return_reasons.csv. due_days : None waits for the warm season."""

    reason: str
    place: int
    is_safety: bool
    due_days: int | None
    settled_by_findings: str
    sentence: str

    @property
    def is_movable(self) -> bool:
        """Whether a house may set its own days."""
        return not self.is_safety and self.due_days is not None


@cache
def return_reasons() -> tuple[ReturnReason, ...]:
    """The reasons in their order: safety first."""
    with open(RETURN_REASONS_FILE, encoding="utf-8", newline="") as handle:
        return tuple(
            ReturnReason(
                row["reason"],
                int(row["place"]),
                row["is_safety"] == "true",
                int(row["due_days"]) if row["due_days"] else None,
                row["settled_by_findings"],
                row["sentence"],
            )
            for row in csv.DictReader(handle)
        )


def movable_reasons() -> tuple[str, ...]:
    """The reasons whose days a house may set."""
    return tuple(reason.reason for reason in return_reasons() if reason.is_movable)


def make_arrivals(con: duckdb.DuckDBPyConnection, rules: Any, today: date | None = None) -> None:
    """Make `return_due`, `not_arrived` and `return_reason` from the staged and graded tables and the loads.

    Parameters
    ----------
    con : a writable generation, graded; a missing `return_seen_to` (what people said was done) counts as empty.
    rules : house rules; reads charge_check_from ("MM-DD" or None), working_days (of WEEKDAYS) and return_due_days.
    today : the day that files are held against; None takes the machine's.
    """
    today = today or date.today()
    as_of = newest_day(con, today) or today
    season = warm_season(con, rules.charge_check_from)
    con.execute("create table if not exists return_seen_to (job_id varchar, step varchar, seen_on date, words varchar)")
    make_return_reason(con, rules.return_due_days)
    _make_warm_season(con, season)
    values = {
        "season_chosen_by": season.chosen_by,
        "today": today,
        "as_of": as_of,
        "working_days": [WEEKDAYS.index(day) + 1 for day in rules.working_days],
    }
    for name in FILES:
        for statement in con.extract_statements((_HERE / "sql" / name).read_text(encoding="utf-8")):
            wanted = statement.named_parameters
            con.execute(statement, {key: values[key] for key in wanted} if wanted else None)
    con.execute("drop table temp.warm_season")


def warm_season(con: duckdb.DuckDBPyConnection, house_rule: str | None) -> WarmSeason:
    """From when on it is warm enough outdoors: as the house says, else by its own readings, else a guess."""
    own = first_warm_week(_outdoor_weeks(con))
    if house_rule:
        month, day = house_rule.split("-")
        return WarmSeason((int(month), int(day)), own[1] if own else GUESSED_WEEKS, "house_rule")
    if own is None:
        return WarmSeason(GUESSED_FROM, GUESSED_WEEKS, "guess")
    # a year without leap day; a week's place in the year moves by a day or two, which no crew would notice
    first = date(2023, 1, 1) + timedelta(days=7 * (own[0] - 1))
    return WarmSeason((first.month, first.day), own[1], "own_readings")


def first_warm_week(weeks: Sequence[tuple[int, int, int]]) -> tuple[int, int] | None:
    """The week in which the warm season begins and how many weeks it lasts, or None where the readings do not say.

    weeks : for each seventh of days of the year (1 to 52): its number, outdoor readings, those warm enough to judge.

    Weeks are pooled with the one before and the one after, so that one odd day decides nothing; every pool needs
    `READINGS_AT_LEAST` readings. The season begins with the first pool after the coldest of which `WARM_SHARE` was warm
    enough, and ends before the first one after that which was not. Where no week is too cold, or each is, there is no
    first week.
    """
    seen = {week: (readings, warm) for week, readings, warm in weeks}

    def pooled(week: int) -> tuple[int, int]:
        near = [seen.get((week + shift - 1) % WEEKS_A_YEAR + 1, (0, 0)) for shift in (-1, 0, 1)]
        return sum(readings for readings, _ in near), sum(warm for _, warm in near)

    pools = [pooled(week) for week in range(1, WEEKS_A_YEAR + 1)]
    if min(readings for readings, _ in pools) < READINGS_AT_LEAST:
        return None
    shares = [warm / readings for readings, warm in pools]
    is_warm = [share >= WARM_SHARE for share in shares]
    if all(is_warm) or not any(is_warm):
        return None
    coldest = shares.index(min(shares))
    order = [(coldest + shift) % WEEKS_A_YEAR for shift in range(WEEKS_A_YEAR)]
    first = next(place for place, week in enumerate(order) if is_warm[week])
    length = next((n for n, week in enumerate(order[first:]) if not is_warm[week]), WEEKS_A_YEAR - first)
    return order[first] + 1, length


def _outdoor_weeks(con: duckdb.DuckDBPyConnection) -> list[tuple[int, int, int]]:
    """Outdoor temperatures of charge checks by week of the year, over all years, against the limit in force."""
    return con.execute(
        """
        with asked as (select max(at_least) as degf from limit_used where quantity = 'outdoor_dry_bulb'),
        reading as (
            select coalesce(reading.taken_at::date, job.finished_on) as day, reading.value
            from staged_reading as reading join staged_job as job using (job_id)
            where reading.step::varchar = 'charge_check' and reading.quantity::varchar = 'outdoor_dry_bulb'
                and reading.value is not null
        )
        select least((dayofyear(day) - 1) // 7 + 1, $weeks)::integer as week, count(*), count(*) filter (value >= degf)
        from reading, asked where day is not null and degf is not null
        group by week
        """,
        {"weeks": WEEKS_A_YEAR},
    ).fetchall()


def make_return_reason(con: duckdb.DuckDBPyConnection, own_days: Mapping[str, int] | None = None) -> None:
    """The table `return_reason`, as data/return_reasons.csv has it, with the house's own days where it says some.

    own_days : by reason, days within which somebody must go back. A matter of safety is due at once whatever it says, and
        what waits for the warm season has no days.
    """
    con.execute(
        "create or replace table return_reason (reason varchar, place integer, is_safety boolean, due_days integer, "
        "settled_by_findings varchar, sentence varchar)"
    )
    own = {name: days for name, days in (own_days or {}).items() if name in movable_reasons()}
    rows = [
        (
            reason.reason, reason.place, reason.is_safety,
            own.get(reason.reason, reason.due_days or 0),
            reason.settled_by_findings, reason.sentence,
        )
        for reason in return_reasons()
    ]  # fmt: skip
    con.executemany("insert into return_reason values (?, ?, ?, ?, ?, ?)", rows)


def _make_warm_season(con: duckdb.DuckDBPyConnection, season: WarmSeason) -> None:
    """One row for each year in which a job could wait for it."""
    con.execute("create or replace temp table warm_season (from_on date, to_on date)")
    first, last = con.execute(
        "select year(min(finished_on)), year(max(finished_on)) from staged_job where finished_on is not null"
    ).fetchall()[0]
    if first is not None:
        years = range(first - 1, last + 2)
        con.executemany("insert into warm_season values (?, ?)", [season.of_year(year) for year in years])
