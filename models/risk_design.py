"""What the rate of a compressor failure is made of: the model's columns, and how far each may lie from nothing.

    log rate = level + age + kind of equipment and joints + visited + what goes with a technician's practice
             + sum over the steps not good of (mean + own, and half of change + own change: minus early, plus late)

Steps share a mean and a spread, both from the data, so that a step with few failures takes what steps usually do; early
and late share the step's ratio and differ by a change that is shrunk by itself. An unknown step weighs as much as its
share of not good among known jobs makes it, and may lie off by a ratio of its own. What a visit leaves of the rate begins
from a belief, which the fleet's own visits move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.age_curve import BEND_EVERY, AgeCurve, curve_for
from models.profiled_rates import Rows, Term
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, UNKNOWN, RateCells
from models.shrinkage import Prior
from pipelines.contract import STEPS

EARLY, LATE = 0, 1
# standard deviations that are given: they matter where a fleet is small and vanish where it is large
MEAN_SD, CHANGE_SD, VISITED_SD, PRACTICE_SD, LEVEL_SD, SLOPE_SD = 0.5, 0.3, 0.5, 0.5, 100.0, 1.0
# belief in what an early visit that put something right leaves of the rate, as a log ratio: of two and a half times the
# rate of good work, with six tenths of the excess mended, 0.64 is left. The fleet's own visits move it.
VISITED_MEAN = -0.4
# spreads that the data tell: the belief they begin from (centre, and how far off it may be, as a standard deviation of
# its log). A bend's is for a stretch of 1 in log(1 + age).
SPREADS = {
    "step": (0.3, 0.7), "change": (0.2, 0.7), "unknown": (0.15, 0.7), "kind": (0.2, 0.7), "group": (0.1, 0.7),
    "bend": (0.4, 0.7),
}  # fmt: skip
# where no failure tells, wear may begin: the power of age that the rate follows may change by this much while 1 + age
# grows by e
UNSEEN_BEND_SD = 3.0


@dataclass(frozen=True)
class Layout:
    """Where each kind of coefficient stands: slices into the vector of all."""

    groups: list[str]
    kinds: list[str]
    curve: AgeCurve

    @property
    def sizes(self) -> dict[str, int]:
        steps = len(STEPS)
        return {
            "mean": 1, "mean_change": 1, "step": steps, "change": steps, "unknown": steps, "kind": len(self.kinds),
            "group": len(self.groups), "visited": 1, "practice": 1, "age": self.curve.columns,
        }  # fmt: skip

    @property
    def slices(self) -> dict[str, slice]:
        ends = np.cumsum(list(self.sizes.values()))
        return {
            name: slice(int(end) - size, int(end)) for (name, size), end in zip(self.sizes.items(), ends, strict=True)
        }

    @property
    def columns(self) -> int:
        return sum(self.sizes.values())

    def not_good(self, coefficients: np.ndarray) -> np.ndarray:
        """[2, steps] log ratios of a step that is not good, early and late."""
        part = self.slices
        middle = coefficients[part["mean"]] + coefficients[part["step"]]
        half = (coefficients[part["mean_change"]] + coefficients[part["change"]]) / 2
        return np.stack([middle - half, middle + half])

    def of_groups(self, coefficients: np.ndarray) -> np.ndarray:
        """[groups + 1] log ratio of each group; the last for one that was not met."""
        part = self.slices
        known = self.kind_matrix @ coefficients[part["kind"]] + coefficients[part["group"]]
        return np.append(known, 0.0)

    @property
    def kind_matrix(self) -> np.ndarray:
        """[groups, kinds] which kinds (an equipment, a kind of joints, a second compressor) each group is of."""
        return np.array(
            [[kind in group.split(", ") for kind in self.kinds] for group in self.groups], dtype=float
        ).reshape(len(self.groups), len(self.kinds))

    def prior(self) -> Prior:
        """All priors, the level's wide one included."""
        given = {"mean": MEAN_SD, "mean_change": CHANGE_SD, "visited": VISITED_SD, "practice": PRACTICE_SD}
        fixed, spread, scale = np.full(self.columns, np.nan), np.full(self.columns, -1), np.ones(self.columns)
        names = list(SPREADS)
        for name, part in self.slices.items():
            if name in given:
                fixed[part] = given[name]
            elif name != "age":
                spread[part] = names.index(name)
        age = self.slices["age"].start
        fixed[age : age + 2] = LEVEL_SD, SLOPE_SD
        bends = np.arange(age + 2, self.columns)
        scale[bends] = np.sqrt(BEND_EVERY)
        spread[bends[self.curve.is_seen]] = names.index("bend")
        fixed[bends[~self.curve.is_seen]] = UNSEEN_BEND_SD * np.sqrt(BEND_EVERY)
        centre, doubt = np.array(list(SPREADS.values())).T
        return Prior(fixed, spread, scale, np.log(centre), doubt)


class Design:
    """One fleet's rows, looked up rather than written out.

    ages : [bands] years of age that each band stands for. share : [technicians + 1, steps] share of not good among each
    one's known jobs, the fleet's in the last row. lean : [technicians] of practice.
    """

    def __init__(
        self,
        cells: RateCells,
        ages: np.ndarray,
        years: np.ndarray,
        events: np.ndarray,
        share: np.ndarray,
        lean: np.ndarray,
    ) -> None:
        self.share, self.fleet_share, self.lean = share[:-1], share[-1], lean
        self.total_events = float(events.sum())
        self._look_up(cells, years, events)
        curve = curve_for(cells.from_years, ages, self.years.sum(axis=0), self.total_events)
        kinds = sorted({kind for group in cells.groups for kind in group.split(", ")})
        self.layout = Layout(cells.groups, kinds, curve)
        self.age_matrix = curve.basis(ages)

    def _look_up(self, cells: RateCells, years: np.ndarray, events: np.ndarray) -> None:
        steps, number, groups = len(STEPS), len(cells.from_years), max(len(cells.groups), 1)
        levels = np.concatenate([np.isin(cells.levels, NOT_GOOD), cells.levels == UNKNOWN], axis=1)
        # which steps are not good, and which unknown, is all that the model sees of a pattern
        kinds, kind_of = np.unique(levels, axis=0, return_inverse=True)
        self.bad, self.unknown = kinds[:, :steps].astype(float), kinds[:, steps:].astype(float)
        patterns = max(len(kinds), 1)
        half = np.where(cells.is_early[cells.band], EARLY, LATE)
        key = (cells.technician * patterns + kind_of.ravel()[cells.pattern]) * groups + cells.group
        key = (key * 2 + cells.is_visited) * 2 + half
        # bands follow one another under the same key: only where it changes need it be looked up
        changes = np.diff(key, prepend=-1) != 0
        keys, place = np.unique(key[changes], return_inverse=True)
        place = place[np.cumsum(changes) - 1]
        rest = keys // 4
        technician = rest // groups // patterns
        self.rows = Rows(
            technician,
            len(cells.technicians),
            [rest // groups % patterns * 2 + keys % 2, rest % groups, keys // 2 % 2, technician],
            [2 * patterns, groups, 2, len(cells.technicians)],
        )
        # in whole and half days, whose sums are exact: the same figures from the same days, however they were counted
        half_days = np.round(years * DAYS_A_YEAR * 2)
        added = np.bincount(place * number + cells.band, half_days, minlength=len(keys) * number)
        self.years = added.reshape(-1, number) / 2 / DAYS_A_YEAR
        self.is_visited = keys // 2 % 2
        self.events = np.bincount(place, events, minlength=len(keys))
        self.band_events = np.bincount(cells.band, events, minlength=number)

    def years_weighed(self, not_good: np.ndarray) -> np.ndarray:
        """[rows, bands] time as the model's columns take it: by beliefs and shares that no column carries.

        The belief in visits, and how far an unknown step in this technician's hands lies off the fleet's mixture.
        not_good : [2, steps] log ratios near which unknown steps are weighed.
        """
        log = VISITED_MEAN * self.is_visited.astype(float)
        at = self.rows.level[0]
        rows = np.flatnonzero((self.unknown.max(axis=1, initial=0.0) > 0)[at // 2])
        ratio = np.expm1(not_good)[at[rows] % 2]
        off = np.log1p(self.share[self.rows.stratum[rows]] * ratio) - np.log1p(self.fleet_share * ratio)
        log[rows] += (self.unknown[at[rows] // 2] * off).sum(axis=1)
        return self.years * np.exp(log)[:, None]

    def weigh_unknown(self, not_good: np.ndarray) -> np.ndarray:
        """[2, steps] which part of a step's log ratio an unknown one has, near these log ratios.

        It is the mixture log(1 + share (ratio - 1)) of good and not good, written as a part of log ratio.
        """
        log = np.where(np.abs(not_good) < 1e-3, 1e-3, not_good)
        return np.log1p(self.fleet_share * np.expm1(log)) / log

    def terms(self, precision: np.ndarray, unknown_weight: np.ndarray) -> tuple[list[Term], Term]:
        """The terms of the rows, and the one of the age bands. unknown_weight : [2, steps] as weigh_unknown gives it."""
        layout, part = self.layout, self.layout.slices
        matrices = [
            self._of_steps(unknown_weight),
            np.concatenate([layout.kind_matrix, np.eye(len(layout.groups))], axis=1),
            np.array([[0.0], [1.0]]),
            self.lean[:, None],
        ]
        own = precision[: part["age"].start]
        ends = np.cumsum([matrix.shape[1] for matrix in matrices])
        terms = [
            Term(matrix, is_levels=False, precision=own[end - matrix.shape[1] : end])
            for matrix, end in zip(matrices, ends, strict=True)
        ]
        return terms, Term(self.age_matrix, is_levels=False, precision=precision[part["age"]])

    def _of_steps(self, unknown_weight: np.ndarray) -> np.ndarray:
        """[patterns x 2 halves, columns of mean, mean change, step, change, unknown]"""
        steps = len(STEPS)
        matrix = np.zeros((2 * len(self.bad), 2 + 3 * steps))
        for half, sign in ((EARLY, -0.5), (LATE, 0.5)):
            weight = self.bad + self.unknown * unknown_weight[half]
            rows = matrix[half::2]
            rows[:, 0], rows[:, 1] = weight.sum(axis=1), sign * weight.sum(axis=1)
            rows[:, 2 : 2 + steps], rows[:, 2 + steps : 2 + 2 * steps] = weight, sign * weight
            rows[:, 2 + 2 * steps :] = self.unknown
        return matrix
