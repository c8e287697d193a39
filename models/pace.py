"""How many years of service will have been followed by when, if installs go on as now: what time alone will bring.

What is followed grows as installs are added and as those there are grow older. By age, the share of all possible time
that was really followed so far (systems fail, are retired, are lost from sight) is taken to hold for later too.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import duckdb
import numpy as np

from models.rate_cells import DAYS_A_YEAR, RateCells

SOMEONE_ELSE = "(someone else)"
MONTHS_A_YEAR = 12
YEARS_AHEAD = 50
# with less time than this at an age, the share followed there is taken from the younger ages
YEARS_AT_LEAST = 10.0
# what leaves sight in a year of age, until the fleet is old enough to tell it itself
LOST_A_YEAR = 0.05
# a fleet younger than this has its installs of a year told from what there is
SHORTEST_SPAN_YEARS = 1 / MONTHS_A_YEAR


@dataclass(frozen=True)
class Pace:
    """Years followed now and at the end of each month ahead, in the first two years of age and after.

    day : the day to count from. installs : own installs so far. installs_per_year : of the last 12 months.
    oldest_years : age of the oldest install; NaN without any. adopted_years_a_year : followed in the last 12 months on
    systems that someone else put in.
    years : [months ahead + 1, 2 (early, late)] followed until then; fresh_years : those of later installs alone.
    """

    day: date
    installs: int
    installs_per_year: float
    oldest_years: float
    adopted_years_a_year: float
    years: np.ndarray
    fresh_years: np.ndarray

    def until(self, series: np.ndarray, wanted: float) -> float | None:
        """Years from now until a rising series [months ahead + 1] reaches what is wanted; None: not within 50 years."""
        if not np.isfinite(wanted) or series[-1] < wanted:
            return None
        month = int(np.searchsorted(series, wanted))
        if month == 0:
            return 0.0
        part = (wanted - series[month - 1]) / (series[month] - series[month - 1])
        return (month - 1 + part) / MONTHS_A_YEAR

    @property
    def all_years(self) -> np.ndarray:
        """[months ahead + 1] followed from now on, adopted systems too, as many of them as in the last 12 months."""
        own = self.years.sum(axis=1)
        return own - own[0] + self.adopted_years_a_year * np.arange(len(own)) / MONTHS_A_YEAR

    def on(self, years: float | None) -> date | None:
        """The day that lies so many years ahead."""
        return None if years is None else self.day + timedelta(days=round(years * DAYS_A_YEAR))


def read_pace(con: duckdb.DuckDBPyConnection, cells: RateCells, day: date) -> Pace:
    """The pace of the store's own installs; adopted systems are followed too, but no work of ours is known on them."""
    ages = con.sql(
        "select floor(datediff('day', started_on, $day) / 30.4375)::integer as age_months, count(*) as lives "
        "from life where not is_adopted group by 1 order by 1",
        params={"day": day},
    ).fetchall()
    age_months, lives = (
        (np.array(part, dtype=float) for part in zip(*ages, strict=True)) if ages else (np.zeros(0),) * 2
    )
    oldest = con.sql(
        "select datediff('day', min(started_on), $day) / 365.25 as age from life where not is_adopted",
        params={"day": day},
    ).fetchall()[0][0]
    span = min(max(oldest or 0.0, SHORTEST_SPAN_YEARS), 1.0)
    per_year = float(lives[age_months < MONTHS_A_YEAR].sum()) / span

    within = _years_in_bands(cells.from_years, cells.to_years)
    ahead = np.arange(YEARS_AHEAD * MONTHS_A_YEAR + 1)
    last = within.shape[1] - 1
    # whole months of age have half a month more on average
    possible = np.stack(
        [within[:, np.minimum(age_months.astype(int) + month, last)] @ lives for month in ahead], axis=1
    )
    added = np.concatenate([[np.zeros(len(within))], np.cumsum(within.T[: len(ahead) - 1], axis=0)]).T
    fresh = per_year / MONTHS_A_YEAR * added

    followed = _followed_by_band(cells)
    share = _share_followed(followed, possible[:, 0], cells.from_years)
    years = followed[:, None] + share[:, None] * (possible - possible[:, :1] + fresh)
    half = np.stack([cells.is_early, ~cells.is_early]).astype(float)
    return Pace(
        day=day,
        installs=int(lives.sum()),
        installs_per_year=per_year,
        oldest_years=float("nan") if oldest is None else float(oldest),
        adopted_years_a_year=_adopted_years(con, day),
        years=(half @ years).T,
        fresh_years=(half @ (share[:, None] * fresh)).T,
    )


def _adopted_years(con: duckdb.DuckDBPyConnection, day: date) -> float:
    """Years of service followed in the last 12 months on systems that someone else put in."""
    ((years,),) = con.sql(
        """
        select sum(greatest(
            piece.to_age - greatest(piece.from_age, datediff('day', piece.started_on, $day::date - interval 12 month)), 0
        )) / 365.25
        from follow_up as piece
        join life using (system_id, life_no)
        where life.is_adopted
        """,
        params={"day": day},
    ).fetchall()
    return float(years or 0.0)


def years_followed(cells: RateCells) -> np.ndarray:
    """[2] years in the first two years of age and after, of work that is not someone else's and before any visit."""
    by_band = _followed_by_band(cells)
    return np.array([by_band[cells.is_early].sum(), by_band[~cells.is_early].sum()])


def _followed_by_band(cells: RateCells) -> np.ndarray:
    own = np.array([name != SOMEONE_ELSE for name in cells.technicians], dtype=bool)
    counts = own[cells.technician] & ~cells.is_visited if cells.rows else np.zeros(0, dtype=bool)
    return np.bincount(cells.band[counts], cells.years[counts], minlength=len(cells.from_years))


def _years_in_bands(from_years: np.ndarray, to_years: np.ndarray) -> np.ndarray:
    """[bands, months of age] years that an install of that age, and half a month, has spent in each band."""
    age = (np.arange(2 * YEARS_AHEAD * MONTHS_A_YEAR + 1) + 0.5) / MONTHS_A_YEAR
    return np.clip(np.minimum(age[None, :], to_years[:, None]) - from_years[:, None], 0.0, None)


def _share_followed(followed: np.ndarray, possible: np.ndarray, from_years: np.ndarray) -> np.ndarray:
    """[bands] share of the possible time that was followed; beyond the ages reached it goes on falling as it fell."""
    reliable = possible >= YEARS_AT_LEAST
    share = np.where(reliable, followed / np.maximum(possible, 1e-9), np.nan)
    share = np.clip(share, 0.0, 1.0)
    known = np.flatnonzero(reliable)
    if not len(known) or share[known[0]] == 0:
        return np.exp(-LOST_A_YEAR * from_years)
    first, last = known[0], known[-1]
    span = from_years[last] - from_years[first]
    lost = max(np.log(share[first] / max(share[last], 1e-6)) / span, 0.0) if span >= 2 else LOST_A_YEAR
    beyond = share[last] * np.exp(-lost * (from_years - from_years[last]))
    # an age without enough time between two that have it takes what the one before it has
    for band in range(len(share)):
        if np.isnan(share[band]):
            share[band] = beyond[band] if band > last or band == 0 else share[band - 1]
    return np.clip(share, 0.0, 1.0)
