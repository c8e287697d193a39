"""From a fitted rate to the chances of single systems, and what is in doubt about them.

A draw is one set of coefficients, technicians' factors and, where a step is not known, one answer to whether it was good:
each system's chance is worked out under every draw, and its range is where 95 % of them lie.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models import shrinkage
from models.evidence import Z95
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, UNKNOWN, decode
from models.risk_design import VISITED_MEAN

if TYPE_CHECKING:
    from models.install_risk import RiskModel

EARLY_YEARS = 2.0
DRAWS = 120
GRID_A_YEAR = 52
GRID_YEARS = 70
# systems are worked through in blocks of a fixed size, each with its own stream of random numbers
BLOCK, WORKERS = 25_000, 2
SMALLEST = 1e-12


@dataclass(frozen=True)
class Systems:
    """Systems on one day, as the model sees them; [systems] each.

    technician, group : numbers in the model, -1 for one that it has not met. pattern : row of pattern_levels
    [patterns, steps].
    """

    technician: np.ndarray
    group: np.ndarray
    age_years: np.ndarray
    is_visited: np.ndarray
    pattern: np.ndarray
    pattern_levels: np.ndarray

    def __len__(self) -> int:
        return len(self.age_years)

    def part(self, place: slice | np.ndarray) -> Systems:
        """Some of the systems, with the same patterns."""
        kept = {one.name: getattr(self, one.name)[place] for one in fields(self) if one.name != "pattern_levels"}
        return Systems(**kept, pattern_levels=self.pattern_levels)


def systems_of(frame: pl.DataFrame, model: RiskModel) -> Systems:
    """From a frame with technician_id, equipment_and_joints, age [days], is_visited, pattern."""
    technicians = {name: number for number, name in enumerate(model.technicians)}
    groups = {name: number for number, name in enumerate(model.layout.groups)}
    patterns, place = np.unique(frame["pattern"].to_numpy(), return_inverse=True)
    return Systems(
        technician=frame["technician_id"].replace_strict(technicians, default=-1, return_dtype=pl.Int64).to_numpy(),
        group=frame["equipment_and_joints"].replace_strict(groups, default=-1, return_dtype=pl.Int64).to_numpy(),
        age_years=frame["age"].to_numpy() / DAYS_A_YEAR,
        is_visited=frame["is_visited"].to_numpy().astype(int),
        pattern=place,
        pattern_levels=decode(patterns),
    )


@dataclass(frozen=True)
class Rates:
    """One set of coefficients, ready to be looked up.

    not_good : [2, steps] log ratios, early and late. unknown : [steps] how far an unknown step lies off its mixture.
    log_group : [groups + 1], log_visited : [2] without and with a visit, log_factor : [technicians + 1].
    gathered : [grid] rate added up from age 0, before all ratios.
    """

    not_good: np.ndarray
    unknown: np.ndarray
    log_group: np.ndarray
    log_visited: np.ndarray
    log_factor: np.ndarray
    gathered: np.ndarray

    @classmethod
    def of(cls, model: RiskModel, coefficients: np.ndarray, factor: np.ndarray, grid_basis: np.ndarray) -> Rates:
        part = model.layout.slices
        rate = np.exp(np.clip(grid_basis @ coefficients[part["age"]], -40, 5))
        return cls(
            not_good=model.layout.not_good(coefficients),
            unknown=coefficients[part["unknown"]],
            log_group=model.layout.of_groups(coefficients),
            log_visited=np.array([0.0, VISITED_MEAN + coefficients[part["visited"]][0]]),
            log_factor=np.log(np.maximum(factor, SMALLEST)),
            gathered=np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 / GRID_A_YEAR)]),
        )

    def time(self, months: int) -> np.ndarray:
        """[2, grid] rate added up over a horizon that begins at each age, the part before two years of age and after."""
        last = len(self.gathered) - 1
        end = self.gathered[np.minimum(np.arange(last + 1) + round(months / 12 * GRID_A_YEAR), last)]
        edge = self.gathered[round(EARLY_YEARS * GRID_A_YEAR)]
        early = np.minimum(end, edge) - np.minimum(self.gathered, edge)
        return np.stack([early, end - self.gathered - early])

    def after_visit(self, mendable: np.ndarray) -> np.ndarray:
        """[2, 2, steps] log ratios left by a visit that takes the mendable share of each step's extra risk away.

        First for systems without a visit, then for those in the state visited: theirs had that done once, so another
        visit finds only what the first one left.
        """
        worse = np.maximum(np.expm1(self.not_good), 0.0)
        once, twice = np.log1p((1 - mendable) * worse), np.log1p((1 - mendable) ** 2 * worse)
        helps = self.not_good > 0
        return np.stack(
            [np.where(helps, once, self.not_good), np.where(helps, self.not_good + twice - once, self.not_good)]
        )


class Chances:
    """Expected failures of systems over horizons, under the model's best coefficients or a draw of them."""

    def __init__(self, model: RiskModel, systems: Systems) -> None:
        self.model, self.systems = model, systems
        # which steps are not good, and which unknown, is all that the model sees of a pattern
        levels = np.isin(systems.pattern_levels, NOT_GOOD) + 2 * (systems.pattern_levels == UNKNOWN)
        kinds, kind_of_pattern = np.unique(levels, axis=0, return_inverse=True)
        self.kind = kind_of_pattern.ravel()[systems.pattern]
        self.is_bad, self.is_unknown = kinds == 1, kinds == 2
        grid = np.arange(GRID_YEARS * GRID_A_YEAR + 1) / GRID_A_YEAR
        self.grid_basis = model.layout.curve.basis(grid)
        self.age_at = np.clip(np.round(systems.age_years * GRID_A_YEAR), 0, len(grid) - 1).astype(np.int32)
        self.with_unknown = np.flatnonzero(self.is_unknown.any(axis=1)[self.kind])

    def part(self, place: slice | np.ndarray) -> Chances:
        """Some of the systems."""
        part = copy.copy(self)
        part.systems, part.kind, part.age_at = self.systems.part(place), self.kind[place], self.age_at[place]
        part.with_unknown = np.flatnonzero(self.is_unknown.any(axis=1)[part.kind])
        part.__dict__.pop("unknown_steps", None)
        return part

    @cached_property
    def best(self) -> Rates:
        """The model's best coefficients."""
        return Rates.of(self.model, self.model.coefficients, self.model.factors(), self.grid_basis)

    @cached_property
    def unknown_steps(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(place in with_unknown, step, share of not good) of every unknown step of every system."""
        place, step = np.nonzero(self.is_unknown[self.kind[self.with_unknown]])
        row = self.model.practice_row[self.systems.technician[self.with_unknown]]
        return place, step, self.model.practice.share_not_good[row[place], step]

    def table_of_steps(self, log: np.ndarray) -> np.ndarray:
        """[visited, 2, kinds] ratio of all known steps together. log : [visited, 2, steps]; one row where both are alike."""
        return np.exp(log @ self.is_bad.T)

    def ratio_of_steps(
        self, table: np.ndarray, log: np.ndarray, unknown: np.ndarray, is_bad: np.ndarray | None = None
    ) -> np.ndarray:
        """[2, systems] ratio of all steps together, early and late.

        table : table_of_steps(log). unknown : [steps] what an unknown step has beside its mixture. is_bad : for each of
        unknown_steps what it was; None mixes both by the technician's own share.
        """
        visited = self.systems.is_visited if len(log) > 1 else 0
        at = visited * table.shape[-1] + self.kind
        ratio = np.stack([half.ravel()[at] for half in table.swapaxes(0, 1)])
        if len(self.with_unknown):
            place, step, share = self.unknown_steps
            own = self.systems.is_visited[self.with_unknown][place] if len(log) > 1 else 0
            for half in range(2):
                each = log[own, half, step]
                each = np.log1p(share * np.expm1(each)) if is_bad is None else is_bad * each
                added = np.bincount(place, each + unknown[step], minlength=len(self.with_unknown))
                ratio[half, self.with_unknown] *= np.exp(added)
        return ratio

    def log_common(self, rates: Rates) -> np.ndarray:
        """[systems] log ratio of everything that is not a step."""
        systems = self.systems
        return rates.log_factor[systems.technician] + (
            rates.log_group[systems.group] + rates.log_visited[systems.is_visited]
        )

    def expected(self, months: int, log: np.ndarray | None = None) -> np.ndarray:
        """[systems] failures expected at the best coefficients. log : [visited, 2, steps] in place of the steps' own."""
        rates = self.best
        log = rates.not_good[None] if log is None else log
        ratio = self.ratio_of_steps(self.table_of_steps(log), log, rates.unknown)
        return np.exp(self.log_common(rates)) * (rates.time(months)[:, self.age_at] * ratio).sum(axis=0)

    def if_good(self, months: int) -> np.ndarray:
        """[systems] the same had every step been good."""
        return np.exp(self.log_common(self.best)) * self.best.time(months).sum(axis=0)[self.age_at]


@dataclass(frozen=True)
class Predicted:
    """Chances of systems over one horizon, [systems] each: best value and 95 % range, as the steps were and all good."""

    probability: np.ndarray
    low: np.ndarray
    high: np.ndarray
    if_good: np.ndarray
    if_good_low: np.ndarray
    if_good_high: np.ndarray


@dataclass(frozen=True)
class Groups:
    """Groups of systems whose chances are added up. of_system : [systems] number of each one's group, from 0.

    weight : [systems] how many systems each stands for; None takes one. mendable : [steps] share of each step's extra
    risk that a visit takes away; None adds up no visits.
    """

    of_system: np.ndarray
    number: int
    weight: np.ndarray | None = None
    mendable: np.ndarray | None = None

    def part(self, place: slice) -> Groups:
        weight = None if self.weight is None else self.weight[place]
        return Groups(self.of_system[place], self.number, weight, self.mendable)

    def sums(self, values: np.ndarray) -> np.ndarray:
        """[groups]"""
        weighed = values if self.weight is None else values * self.weight
        return np.bincount(self.of_system, weighed, minlength=self.number)


def range_of_mean(best: np.ndarray, of_draw: np.ndarray, extra_spread: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """(low, high) of mean chances, [...] each: normal where a chance is 1 - exp(-exp(x)), as for a single system.

    best : [...] means at the best coefficients. of_draw : [draws, ...] the same under each draw.
    """
    centre, drawn = (
        np.log(np.maximum(-np.log1p(-np.clip(part, 0.0, 1 - 1e-12)), SMALLEST)) for part in (best, of_draw)
    )
    spread = Z95 * np.hypot(drawn.std(axis=0, ddof=1), extra_spread)
    return -np.expm1(-np.exp(centre - spread)), -np.expm1(-np.exp(centre + spread))


def draw_rates(model: RiskModel, grid_basis: np.ndarray, draws: int, rng: np.random.Generator) -> list[Rates]:
    """Coefficients, spreads, the shape and the technicians' factors, drawn together."""
    spreads = shrinkage.draw_spreads(model.prior, model.likelihood, model.log_spreads, draws, rng)
    coefficients = shrinkage.draw_coefficients(model.prior, model.likelihood, spreads, rng)
    counts, expected = np.append(model.fit.stratum_events, 0.0), np.append(model.fit.stratum_expected, 0.0)
    practice = model.layout.slices["practice"]
    found = []
    for one, shape in zip(coefficients, model.draw_shapes(draws, rng), strict=True):
        moved = np.exp(np.clip(model.slope_of_expected @ (one - model.coefficients), -5, 5))
        own = rng.gamma(counts + shape) / (expected * np.append(moved, 1.0) + shape)
        found.append(Rates.of(model, one, own * np.exp(one[practice][0] * model.lean), grid_basis))
    return found


class _Draw:
    """One draw as tables that single systems are looked up in. Single precision: they serve for spreads alone."""

    def __init__(self, chances: Chances, rates: Rates, horizons: Sequence[int], mendable: np.ndarray | None) -> None:
        self.unknown = rates.unknown.astype(np.float32)
        names = ("not_good", "unknown", "log_group", "log_visited", "log_factor", "gathered")
        self.rates = Rates(**{name: getattr(rates, name).astype(np.float32) for name in names})
        self.own = rates.not_good[None].astype(np.float32)
        self.own_table = chances.table_of_steps(rates.not_good[None]).astype(np.float32)
        after = None if mendable is None else rates.after_visit(mendable)
        self.after = None if after is None else after.astype(np.float32)
        self.after_table = None if after is None else chances.table_of_steps(after).astype(np.float32)
        self.time = [rates.time(months).astype(np.float32) for months in horizons]
        self.log_time = [np.log(np.maximum(time.sum(axis=0), SMALLEST)) for time in self.time]


def predict(
    chances: Chances,
    horizons: Sequence[int],
    seed: int,
    *,
    extra_spread: float = 0.0,
    draws: int = DRAWS,
    groups: Groups | None = None,
) -> tuple[dict[int, Predicted], np.ndarray]:
    """Chances with their ranges for each horizon, and sums over groups under each draw.

    extra_spread : standard deviation of log(said / seen) between back-test years, added to the draws' own.

    Returns
    -------
    Predicted by horizon; sums [draws, horizons, 2, groups]: of the chances, and of what a visit to each would take away.
    """
    mendable = None if groups is None else groups.mendable
    rates = draw_rates(chances.model, chances.grid_basis, draws, np.random.default_rng([seed, 0]))
    drawn = [_Draw(chances, one, horizons, mendable) for one in rates]
    blocks = [slice(begin, begin + BLOCK) for begin in range(0, len(chances.systems), BLOCK)]

    def one(turn: int) -> tuple[list[list[Predicted]], np.ndarray]:
        found, sums = [], np.zeros((draws, len(horizons), 2, 0 if groups is None else groups.number))
        for place in range(turn, len(blocks), WORKERS):
            block = _Block(chances.part(blocks[place]), horizons, draws, groups and groups.part(blocks[place]), sums)
            rng = np.random.default_rng([seed, 1 + place])
            for order, draw in enumerate(drawn):
                block.add(order, draw, rng)
            found.append(block.predicted(extra_spread))
        return found, sums

    # always so many workers, each adding up in its own order: the same figures on any number of cores
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:
        worked = list(pool.map(one, range(WORKERS)))
    by_block = [worked[place % WORKERS][0][place // WORKERS] for place in range(len(blocks))]
    found = {}
    for place, months in enumerate(horizons):
        ends = [[getattr(block[place], one.name) for block in by_block] for one in fields(Predicted)]
        found[months] = Predicted(*(np.concatenate(parts) if parts else np.empty(0) for parts in ends))
    return found, np.sum([sums for _, sums in worked], axis=0)


def group_sums(chances: Chances, rates: Sequence[Rates], months: int, seed: int, groups: Groups) -> np.ndarray:
    """[draws, groups] sums of chances under each draw of draw_rates, and nothing else."""
    sums = np.zeros((len(rates), 1, 2, groups.number))
    block = _Block(chances, (months,), len(rates), groups, sums, is_ranged=False)
    rng = np.random.default_rng([seed, 1])
    for order, one in enumerate(rates):
        block.add(order, _Draw(chances, one, (months,), groups.mendable), rng)
    return sums[:, 0, 0]


class _Block:
    """The draws of some of the systems, added up; sums over groups go to `sums` [draws, horizons, 2, groups]."""

    def __init__(
        self,
        chances: Chances,
        horizons: Sequence[int],
        draws: int,
        groups: Groups | None,
        sums: np.ndarray,
        *,
        is_ranged: bool = True,
    ) -> None:
        self.chances, self.draws, self.groups, self.sums, self.is_ranged = chances, draws, groups, sums, is_ranged
        if is_ranged:
            # of the logs' distance from the best value: sums and sums of squares, as the steps were and all good
            self.best = [(chances.expected(months), chances.if_good(months)) for months in horizons]
            self.centre = np.log(np.maximum(np.array(self.best), SMALLEST)).astype(np.float32)
            self.moments = np.zeros((len(horizons), 2, 2, len(chances.systems)), dtype=np.float32)
            self.of_unknown = np.zeros((len(horizons), draws, len(chances.with_unknown)), dtype=np.float32)

    def add(self, order: int, draw: _Draw, rng: np.random.Generator) -> None:
        """One more draw."""
        chances = self.chances
        is_bad = None
        if len(chances.with_unknown):
            share = chances.unknown_steps[2]
            is_bad = rng.random(len(share), dtype=np.float32) < share
        ratio = chances.ratio_of_steps(draw.own_table, draw.own, draw.unknown, is_bad)
        log_common = chances.log_common(draw.rates)
        after = None
        if draw.after is not None and draw.after_table is not None:
            after = chances.ratio_of_steps(draw.after_table, draw.after, draw.unknown, is_bad)
        common = np.exp(log_common) if self.groups is not None else log_common
        for place, time in enumerate(draw.time):
            early, late = time[0][chances.age_at], time[1][chances.age_at]
            own = early * ratio[0] + late * ratio[1]
            if self.is_ranged:
                self._add_logs(
                    order,
                    place,
                    log_common + np.log(np.maximum(own, np.float32(SMALLEST))),
                    log_common + draw.log_time[place][chances.age_at],
                )
            if self.groups is not None:
                runs = np.exp(-common * own)
                self.sums[order, place, 0] += self.groups.sums(1 - runs)
                if after is not None:
                    mended = np.exp(-common * (early * after[0] + late * after[1]))
                    self.sums[order, place, 1] += self.groups.sums(mended - runs)

    def _add_logs(self, order: int, place: int, own: np.ndarray, good: np.ndarray) -> None:
        for which, log in enumerate((own, good)):
            log -= self.centre[place, which]
            self.moments[place, which, 0] += log
            self.moments[place, which, 1] += log * log
        self.of_unknown[place, order] = own[self.chances.with_unknown]

    def predicted(self, extra_spread: float) -> list[Predicted]:
        """Ranges from the draws, one for each horizon."""
        return [self._predicted(place, extra_spread) for place in range(len(self.best))]

    def _predicted(self, place: int, extra_spread: float) -> Predicted:
        chances, draws = self.chances, self.draws
        ends = []
        for which, best in enumerate(self.best[place]):
            mean, square = self.moments[place, which].astype(float) / draws
            centre = np.log(np.maximum(best, SMALLEST))
            spread = np.sqrt(np.maximum(square - mean**2, 0.0) * draws / (draws - 1) + extra_spread**2)
            below, above = Z95 * spread, Z95 * spread
            if which == 0 and len(chances.with_unknown):
                # whether an unknown step was good leaves two chances, not one with normal doubt
                low, high = _tails(self.of_unknown[place])
                widened = Z95 * extra_spread
                below[chances.with_unknown] = np.hypot(np.maximum(-low, 0.0), widened)
                above[chances.with_unknown] = np.hypot(np.maximum(high, 0.0), widened)
            ends += [-np.expm1(-np.exp(at)) for at in (centre, centre - below, centre + above)]
        return Predicted(*ends)


def _tails(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The values that 2.5 % of the draws lie below and above. values : [draws, systems]."""
    draws = len(values)
    out = int((draws + 1) * 0.025) - 1
    ordered = np.partition(values, (max(out, 0), min(draws - 1 - out, draws - 1)), axis=0)
    return ordered[max(out, 0)], ordered[min(draws - 1 - out, draws - 1)]
