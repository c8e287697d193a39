"""How many failures the systems on the list hold together, and how many visits to the first of them would avoid.

Chances of one fleet are in doubt together: had the rise test mattered more than was found, it would for every system. So
a sum's range is taken from the sums under each draw, not from adding up everybody's low ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import sparse

from models.risk_chance import Predicted, range_of_mean

# the first so many of the list; one more row stands for the whole of it
LADDER = np.array([1, 2, 5, 10, 20, 40, 80, 120, 250, 500])
WARRANTY_MONTHS = (3, 6, 12)
ALL = 0  # `first` of a row that stands for the whole list


@dataclass(frozen=True)
class Lists:
    """Lists of systems that are summed: everybody, each area, each warranty that ends soon.

    names : [lists] of (area, warranty_months), empty where not limited. group : [systems] number of the distinct place
    in all lists together, of so many `groups`; member : [lists x rungs, groups] which of them stand on which rung of which
    list; height : [lists, rungs] systems down to each rung.
    """

    names: list[tuple[str | None, int | None]]
    group: np.ndarray
    member: sparse.csr_matrix
    groups: int
    height: np.ndarray

    @classmethod
    def of(cls, area: Sequence[str | None], warranty_within: np.ndarray, rank: np.ndarray) -> Lists:
        """area : [systems]. warranty_within : [systems] the fewest of WARRANTY_MONTHS within which each one's warranty ends,
        NaN for none of them. rank : [systems] from 1."""
        size = len(rank)
        rungs = len(LADDER) + 1
        own = np.array(["" if name is None else name for name in area])
        areas, area_of = np.unique(own, return_inverse=True)
        names: list[tuple[str | None, int | None]] = [(None, None)]
        columns = [_rung(np.argsort(rank, kind="stable"), np.zeros(size, dtype=int), size)]
        for months in WARRANTY_MONTHS:
            soon = warranty_within <= months
            order = np.flatnonzero(soon)[np.argsort(rank[soon], kind="stable")]
            columns.append(np.where(soon, _rung(order, np.zeros(size, dtype=int), size), -1))
            names.append((None, months))
        columns.append(_rung(np.lexsort((rank, area_of)), area_of, size))
        names += [(str(name), None) for name in areas if name]
        # one number for each distinct place in all lists
        key = area_of.astype(np.int64)
        for column in columns:
            key = key * (rungs + 1) + (column + 1)
        _, first, group = np.unique(key, return_index=True, return_inverse=True)
        kinds = np.stack([*columns, area_of])[:, first]
        limits = 1 + len(WARRANTY_MONTHS)
        rows, places = [], []
        for place in range(limits):
            there = np.flatnonzero(kinds[place] >= 0)
            rows.append(place * rungs + kinds[place, there])
            places.append(there)
        has_area = np.flatnonzero(areas[kinds[-1]] != "") if size else np.empty(0, dtype=int)
        list_no = limits + kinds[-1, has_area] - (int(areas[0] == "") if size else 0)
        rows.append(list_no * rungs + kinds[-2, has_area])
        places.append(has_area)
        row, place = np.concatenate(rows), np.concatenate(places)
        member = sparse.csr_matrix((np.ones(len(row)), (row, place)), shape=(len(names) * rungs, kinds.shape[1]))
        counts = np.bincount(group, minlength=kinds.shape[1])
        height = (member @ counts).astype(int).reshape(len(names), rungs).cumsum(axis=1)
        return cls(names, group, member, kinds.shape[1], height)

    def sums(self, values: np.ndarray) -> np.ndarray:
        """[groups] from [systems]."""
        return np.bincount(self.group, values, minlength=self.groups)

    def totals(self, of_group: np.ndarray) -> np.ndarray:
        """[..., lists, rungs] the first so many of each list, from [..., groups]."""
        flat = of_group.reshape(-1, of_group.shape[-1])
        by_rung = (self.member @ flat.T).T
        return by_rung.reshape(*of_group.shape[:-1], len(self.names), len(LADDER) + 1).cumsum(axis=-1)


def _rung(order: np.ndarray, list_of: np.ndarray, size: int) -> np.ndarray:
    """[systems] the rung of the ladder on which each stands. order : systems, list by list, in rank within each."""
    rung = np.full(size, -1)
    of = list_of[order]
    begins = np.concatenate([[True], of[1:] != of[:-1]]) if len(of) else np.zeros(0, dtype=bool)
    start = np.maximum.accumulate(np.where(begins, np.arange(len(of)), 0))
    place = np.arange(len(of)) - start + 1
    rung[order] = np.searchsorted(LADDER, place, side="left")
    return rung


def risk_total_table(
    lists: Lists,
    horizons: Sequence[int],
    chances: dict[int, Predicted],
    avoided: dict[int, np.ndarray],
    sums: np.ndarray,
    extra_spread: float,
) -> pl.DataFrame:
    """The table `risk_total`.

    avoided : for each horizon [systems] chance that a visit takes away. sums : [draws, horizons, 2, groups] of both.
    """
    height = np.maximum(lists.height, 1)
    rungs = len(LADDER) + 1
    parts = []
    for place, months in enumerate(horizons):
        best = np.stack([lists.sums(chances[months].probability), lists.sums(avoided[months])])
        value = lists.totals(best)
        low, high = range_of_mean(value / height, lists.totals(sums[:, place]) / height, extra_spread)
        frame = pl.DataFrame(
            {
                "horizon_months": pl.Series([months] * lists.height.size, dtype=pl.Int32),
                "area": [name for name, _ in lists.names for _ in range(rungs)],
                "warranty_months": pl.Series([soon for _, soon in lists.names for _ in range(rungs)], dtype=pl.Int32),
                "first": np.tile(np.append(LADDER, ALL), len(lists.names)),
                "systems": lists.height.ravel(),
            }
        ).with_columns(
            pl.Series(name, figures.ravel())
            for name, figures in zip(
                ("expected", "low", "high", "avoided", "avoided_low", "avoided_high"),
                (value[0], (low * height)[0], (high * height)[0], value[1], (low * height)[1], (high * height)[1]),
                strict=True,
            )
        )
        # a list that ends below a rung has no row for it, beside the one for the whole list
        is_whole = pl.col("first") == ALL
        parts.append(frame.filter((is_whole | (pl.col("systems") == pl.col("first"))) & (pl.col("systems") > 0)))
    return pl.concat(parts)
