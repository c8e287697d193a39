"""Do a person's readings come back, all of a step together, more often than honest work makes them?

Single values come back all the time: gauges have steps, people round, quiet weeks are alike, and whoever works carefully
lands near the same level. So nothing is asked of one value. Asked is how often all readings of a step come back
together, beside how often they would if each came back by itself as often as it does where another one of the same pair
of jobs differs. A copy repeats all of them at once; rounding, weather and habit repeat them one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

# Lags between two jobs of one person, each standing for the lags around it: jobs of one week, of a season, far apart.
LAGS = (1, 2, 3, 5, 9, 17, 33, 65, 129)
_STANDS_FOR_FROM = (1, 2, 3, 4, 7, 13, 25, 49, 97)
_BANDS = np.array([0, 0, 0, 1, 1, 1, 2, 2, 2])  # of the lags: a week, a season, further
# the others' share weighs so many pairs, so that few pairs of one's own decide nothing
OTHERS_PAIRS = 50.0
# an expectation may itself be off by so much of it
DOUBT_OF_EXPECTED = 0.3
# of two readings nobody can see whether they hang together
READINGS_AT_LEAST = 3


@dataclass(frozen=True)
class Repeats:
    """Of each unit (a person's jobs on one step with the same readings recorded), arrays [units].

    jobs : how many. again : jobs whose readings all equal those of an earlier one. expected : how many honest work makes.
    probability : of so many again or more. is_again : [jobs] truth values, in the order given.
    """

    jobs: np.ndarray
    again: np.ndarray
    expected: np.ndarray
    probability: np.ndarray
    is_again: np.ndarray


def repeats(unit: np.ndarray, values: np.ndarray, same_visit: np.ndarray | None = None) -> Repeats:
    """Count and judge.

    Parameters
    ----------
    unit : [jobs] whole numbers from 0, jobs of one unit together and oldest first. values : [jobs, readings], all
        measured ones, as they were written; NaN where a reading is not recorded on any job of the unit.
    same_visit : [jobs] a number for each visit: jobs of one visit are not compared with each other.

    Returns
    -------
    Repeats.

    The chance that all readings of two jobs agree: each reading given the one it hangs on most, as in a tree of
    dependences (Chow and Liu 1968), or, if that is more, how often all but one agree times the odds of that one; both
    from pairs that differ in something, so that copies do not count for their own excuse. Counts as Poisson with a mean
    that is itself in doubt (negative binomial). Own derivation; checked by simulation in tests/bench/doubts.py.
    """
    units = int(unit.max(initial=-1)) + 1
    visit = np.arange(len(unit)) if same_visit is None else same_visit
    jobs = np.bincount(unit, minlength=units)
    readings = values.shape[1]
    there = np.zeros((units, readings), dtype=bool)
    there[unit] |= ~np.isnan(values)
    expected = np.zeros(units)
    for band in range(3):
        counts = _counted(unit, units, values, visit, there, band)
        expected += _expected(counts, there, _pairs_of_band(jobs, band))
    is_again = _again(unit, values, visit)
    again = np.bincount(unit, is_again, minlength=units).astype(int)
    enough = there.sum(axis=1) >= READINGS_AT_LEAST
    expected = np.where(enough, expected, np.nan)
    # gamma-mixed Poisson: variance = mean + (doubt x mean)^2
    size = 1 / DOUBT_OF_EXPECTED**2
    mean = np.maximum(np.nan_to_num(expected), 1e-12)
    chance = stats.nbinom.sf(again - 1, size, size / (size + mean))
    return Repeats(jobs, again, expected, np.where(enough & (again > 0), chance, 1.0), is_again)


def _pairs_of_band(jobs: np.ndarray, band: int) -> np.ndarray:
    """[units] how many pairs of jobs lie at the lags of a band."""
    own = [number for number, one in enumerate(_BANDS) if one == band]
    first = _STANDS_FOR_FROM[own[0]]
    last = _STANDS_FOR_FROM[own[-1] + 1] - 1 if own[-1] + 1 < len(_STANDS_FOR_FROM) else np.inf
    # pairs at lag L: jobs - L
    top = np.minimum(last, jobs - 1)
    number = np.maximum(top - first + 1, 0)
    return np.where(number > 0, number * jobs - (first + top) * number / 2, 0.0)


@dataclass(frozen=True)
class _Counts:
    """Of one band's pairs that differ in something, [units, ...]: how many; in how many each reading agrees; in how many
    all but that one agree; for two readings of which some other one differs: in how many the first agrees, and both.
    """

    pairs: np.ndarray
    agree: np.ndarray
    all_but: np.ndarray
    first: np.ndarray
    both: np.ndarray


def _counted(
    unit: np.ndarray, units: int, values: np.ndarray, visit: np.ndarray, there: np.ndarray, band: int
) -> _Counts:
    readings = values.shape[1]
    found = _Counts(
        np.zeros(units), np.zeros((units, readings)), np.zeros((units, readings)),
        np.zeros((units, readings, readings)), np.zeros((units, readings, readings)),
    )  # fmt: skip
    for lag in (lag for lag, own in zip(LAGS, _BANDS, strict=True) if own == band):
        if len(unit) <= lag:
            continue
        ok = (unit[lag:] == unit[:-lag]) & (visit[lag:] != visit[:-lag])
        of, left, right = unit[lag:][ok], values[lag:][ok], values[:-lag][ok]
        differ = (left != right) & there[of]
        number = differ.sum(axis=1)
        of, differ, number = of[number > 0], differ[number > 0], number[number > 0]
        same = ~differ & there[of]
        found.pairs[:] += np.bincount(of, minlength=units)
        found.agree[:] += _summed(same, of, units)
        one_off = number == 1
        all_but = _summed(differ[one_off], of[one_off], units)
        found.all_but[:] += all_but
        # A pair of copies agrees in all: it is not among these, so that copying feigns no dependence. Where one reading
        # differs, all others agree; where two and more do, each pair of readings is looked at.
        others = np.maximum(all_but.sum(axis=1)[:, None, None] - all_but[:, :, None] - all_but[:, None, :], 0.0)
        of, same = of[~one_off], same[~one_off]
        together = (same[:, :, None] & same[:, None, :]).reshape(len(same), readings**2)
        found.first[:] += _summed(same, of, units)[:, :, None] + others
        found.both[:] += _summed(together, of, units).reshape(units, readings, readings) + others
    return found


def _summed(told: np.ndarray, of: np.ndarray, units: int) -> np.ndarray:
    """[units, columns] how often each column holds. told : [rows, columns]; of : [rows] unit, in order."""
    total = np.zeros((units, told.shape[1]))
    if len(of):
        begins = np.flatnonzero(np.concatenate([[True], of[1:] != of[:-1]]))
        total[of[begins]] = np.add.reduceat(told, begins, axis=0, dtype=np.int64)
    return total


def _expected(counts: _Counts, there: np.ndarray, in_all: np.ndarray) -> np.ndarray:
    """[units] pairs of a band that agree in all readings by honest work."""
    total = max(counts.pairs.sum(), 1.0)
    chance = _drawn(counts.agree, counts.pairs[:, None], counts.agree.sum(axis=0) / total)
    first = counts.first.sum(axis=0)
    given = _drawn(counts.both, counts.first, counts.both.sum(axis=0) / np.maximum(first, 1.0))
    # each reading given the one that it hangs on most, the likeliest beginning
    is_pair = there[:, :, None] & there[:, None, :] & ~np.eye(there.shape[1], dtype=bool)
    hangs_on = np.maximum(np.where(is_pair, given, 0.0).max(axis=1), chance)
    of_all = np.where(there, hangs_on, 1.0).prod(axis=1)
    begins = np.where(there, chance / np.maximum(hangs_on, 1e-12), 1.0).min(axis=1)
    # seen where all but one agree, carried on by that one's own odds
    nearly = _drawn(counts.all_but, counts.pairs[:, None], counts.all_but.sum(axis=0) / total)
    carried = np.where(there, nearly * hangs_on / np.maximum(1 - hangs_on, 0.02), 0.0)
    return in_all * np.maximum(of_all * begins, carried.sum(axis=1) / np.maximum(there.sum(axis=1), 1))


def _drawn(count: np.ndarray, of: np.ndarray, others: np.ndarray) -> np.ndarray:
    """A share drawn toward everybody's."""
    return (count + OTHERS_PAIRS * others) / (of + OTHERS_PAIRS)


def _again(unit: np.ndarray, values: np.ndarray, visit: np.ndarray) -> np.ndarray:
    """[jobs] whether all readings equal those of an earlier job of the unit on another visit."""
    key = np.column_stack([unit, np.nan_to_num(values, nan=-1e300)])
    _, place = np.unique(key, axis=0, return_inverse=True)
    place = place.ravel()
    order = np.argsort(place, kind="stable")
    first_visit = np.zeros(place.max(initial=-1) + 1, dtype=visit.dtype)
    first_visit[place[order][::-1]] = visit[order][::-1]
    return visit != first_visit[place]


# how often a favourite must be seen at least, in jobs and as a share of them
FAVOURITE_JOBS, FAVOURITE_SHARE = 8, 0.08
# a person may round to a step on which so many of his other readings lie, more than by chance
OWN_STEPS, ON_STEP = (50, 10, 5, 1), (0.2, 0.22, 0.35, 0.0)
# neighbours tell what a value would be expected to come to, give or take this; half a job stands where none was seen
DOUBT_OF_NEIGHBOURS, NEVER_SEEN = 0.25, 0.5
NEARLY_ALWAYS, OTHERS_TOP = 0.8, 0.9
ROUND, HEAPED = 50, 0.8


@dataclass(frozen=True)
class Favourite:
    """A value that one person writes far more often than those beside it. jobs : with it; expected : by its neighbours."""

    value: float
    jobs: int
    expected: float
    probability: float


def favourites(unit: np.ndarray, value: np.ndarray, step: float, passed_by: tuple[float, ...] = ()) -> list[Favourite]:
    """For each unit (a person and a quantity) the value that stands out most.

    Parameters
    ----------
    unit : [readings] whole numbers from 0. value : [readings], as they were written. step : the quantity's finest step.
    passed_by : values at which work is rightly stopped (a limit), which may be written often.

    Returns
    -------
    [units] Favourite; its probability (of so many jobs by honest work) counts all values that were looked at, and is 1
    where none is frequent.

    Levels vary smoothly, so a value comes about as often as those one and two steps beside it say (a parabola through the
    logarithms of their counts); who rounds to fives, tens or fifties is held against the neighbours on his own steps and,
    for round numbers, on coarser ones, whichever expects more. Own derivation; checked in tests/bench/doubts.py.
    """
    units = int(unit.max(initial=-1)) + 1
    number = np.round(value / step).astype(np.int64)
    skipped = {round(one / step) for one in passed_by}
    order = np.argsort(unit, kind="stable")
    ends = np.cumsum(np.bincount(unit, minlength=units))
    counted = [np.unique(part, return_counts=True) for part in np.split(number[order], ends[:-1])] if units else []
    tops = np.array([count.max(initial=0) / max(count.sum(), 1) for _, count in counted])
    usual_top = float(np.quantile(tops, OTHERS_TOP)) if units else 1.0
    return [_favourite(*one, step, skipped, usual_top) for one in counted]


def _favourite(values: np.ndarray, counts: np.ndarray, step: float, skipped: set[int], usual_top: float) -> Favourite:
    jobs, best = int(counts.sum()), Favourite(float("nan"), 0, float("nan"), 1.0)
    often = np.flatnonzero(counts >= max(FAVOURITE_JOBS, FAVOURITE_SHARE * jobs))
    if not len(often):
        return best
    count_of = dict(zip(values.tolist(), counts.tolist(), strict=True))
    for place in often:
        value, count = int(values[place]), int(counts[place])
        if value in skipped:
            continue
        expected, noise = 0.0, 0.0
        for coarse in _own_steps(values, np.where(values == value, 0, counts)):
            if value % coarse:
                continue
            here, its_noise = _by_neighbours(count_of, value, coarse)
            if here > expected:
                expected, noise = here, its_noise
        if value % ROUND == 0:
            # all that lies nearer to this round number than to another may have been rounded to it
            nearer = int(counts[(np.abs(values - value) < ROUND / 2) & (values != value)].sum())
            expected, noise = max((expected, noise), (HEAPED * nearer, 1 / (nearer + 1)))
        if count > NEARLY_ALWAYS * jobs:
            # nothing lies beside it: then only others can say how alike one person's readings may be
            expected = max(expected, usual_top * jobs)
        size = 1 / (DOUBT_OF_NEIGHBOURS**2 + noise)
        chance = float(min(1.0, len(values) * stats.nbinom.sf(count - 1, size, size / (size + expected))))
        if chance < best.probability:
            best = Favourite(value * step, count, expected, chance)
    return best


def _own_steps(values: np.ndarray, counts: np.ndarray) -> list[int]:
    """What a person may round to, in steps of the quantity, though not always."""
    jobs = max(int(counts.sum()), 1)
    steps = zip(OWN_STEPS, ON_STEP, strict=True)
    return [one for one, share in steps if counts[values % one == 0].sum() >= share * jobs]


def _by_neighbours(count_of: dict[int, int], value: int, step: int) -> tuple[float, float]:
    """What a value's neighbours expect of it, and the relative variance of that by their own counts."""
    near = count_of.get(value - step, 0) + count_of.get(value + step, 0)
    far = count_of.get(value - 2 * step, 0) + count_of.get(value + 2 * step, 0)
    one, two = near / 2 + NEVER_SEEN / 2, far / 2 + NEVER_SEEN / 2
    # ln c(0) = ln c(1) + (ln c(1) - ln c(2)) / 3 for a parabola
    return one * max(one / two, 1.0) ** (1 / 3), (16 / 9) / (near + 1) + (1 / 9) / (far + 1)
