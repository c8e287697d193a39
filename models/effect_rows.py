"""The rows that ratios of rates are fitted on: cells added up over what a split of the steps' levels does not tell apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.profiled_rates import Rows, Term
from models.rate_cells import DOES_NOT_BELONG, FAILED, NOT_DONE, TICKED_ONLY, UNKNOWN, RateCells
from pipelines.contract import STEPS

# edges of the age bands of the model in years; the ninth is open, the fifth begins what is late
BAND_EDGES_YEARS = np.array([0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0])
FIRST_LATE_BAND = 4

# one fit for each way of splitting what is not good; every part of it stands in the model together with the unknown
SPLITS: dict[str, dict[str, tuple[int, ...]]] = {
    "whole": {"not_good": (FAILED, TICKED_ONLY, NOT_DONE)},
    "by_kind": {"skipped": (TICKED_ONLY, NOT_DONE), "failed": (FAILED,)},
    "proof_apart": {"without_ticked_only": (FAILED, NOT_DONE), "_ticked_only": (TICKED_ONLY,)},
}


@dataclass(frozen=True)
class EffectRows:
    """Rows added up over what one split does not tell apart.

    place, band : row and age band here of each row of the cells that is `in_fit`. levels : [patterns here, steps] 0 reference, then the
    contrasts' number. pattern_place : [patterns of the cells] pattern here. periods : how many there are.
    """

    contrasts: tuple[str, ...]
    in_fit: np.ndarray
    place: np.ndarray
    band: np.ndarray
    rows: Rows
    levels: np.ndarray
    pattern_place: np.ndarray
    periods: int

    @classmethod
    def of(
        cls, cells: RateCells, in_fit: np.ndarray, band_place: np.ndarray, split: str, late_bands: tuple[int, ...]
    ) -> EffectRows:
        """From the cells' rows that are `in_fit`.

        band_place : [bands of the cells] band of BAND_EDGES_YEARS. late_bands : the bands at which a new stretch of ages
        begins, each with effects of its own: (4,) tells early and late apart.
        """
        parts = {**SPLITS[split], "_unknown": (UNKNOWN,)}
        part_of = np.zeros(DOES_NOT_BELONG + 1, dtype=np.int64)
        for number, levels in enumerate(parts.values(), 1):
            part_of[list(levels)] = number
        told = part_of[cells.levels]
        base = len(parts) + 1
        code = told @ base ** np.arange(len(STEPS), dtype=np.int64) if len(told) else np.zeros(0, dtype=np.int64)
        codes, first, pattern_place = np.unique(code, return_index=True, return_inverse=True)
        groups, periods = max(len(cells.groups), 1), max(len(cells.periods), 1)
        chosen = _all_or(in_fit)
        # one row for all ages of a stretch
        stretches = len(late_bands) + 1
        stretch = np.searchsorted(late_bands, band_place, side="right")
        # equipment, joints and the years in which the life began stand together: one look-up, two sets of columns
        key = cells.technician[chosen] * (max(len(codes), 1) * groups * periods * stretches)
        part = np.empty(len(key), dtype=np.int64)
        for step, of_level, level in (
            (groups * periods * stretches, pattern_place, cells.pattern),
            (periods * stretches, np.arange(groups), cells.group),
            (stretches, np.arange(periods), cells.period),
            (1, stretch, cells.band),
        ):
            # one array for every part of the key: large fleets have many rows
            key += np.take(of_level * step, level[chosen], out=part, mode="clip")
        keys, place = _numbered_in_runs(key)
        half, rest = keys % stretches, keys // stretches
        group, rest = rest % (groups * periods), rest // (groups * periods)
        pattern, technician = rest % max(len(codes), 1), rest // max(len(codes), 1)
        rows = Rows(
            technician,
            len(cells.technicians),
            [pattern * stretches + half, group],
            [stretches * len(codes), groups * periods],
        )
        band = band_place.astype(np.int32)[cells.band[chosen]]
        return cls(tuple(parts), in_fit, place, band, rows, told[first], pattern_place, periods)

    def added(self, years: np.ndarray, events: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Years [rows, bands] and events [rows] of the cells' rows, added up here, and events [bands]."""
        size, bands = len(self.rows.stratum), len(BAND_EDGES_YEARS)
        chosen = _all_or(self.in_fit)
        own_years, own_events = years[chosen], events[chosen]
        slot = self.place * bands
        slot += self.band
        # events are few beside the rows
        came = np.flatnonzero(own_events)
        return (
            np.bincount(slot, own_years, minlength=size * bands).reshape(size, bands),
            np.bincount(self.place[came], own_events[came], minlength=size),
            np.bincount(self.band[came], own_events[came], minlength=bands),
        )


def _all_or(in_fit: np.ndarray) -> slice | np.ndarray:
    """Which rows to take, without a copy where it is all of them."""
    return slice(None) if in_fit.all() else in_fit


def _numbered_in_runs(key: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The different keys in order, and which of them each is: like ones mostly lie together and are looked up as one."""
    begins = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]])[: len(key)])
    keys, number = np.unique(key[begins], return_inverse=True)
    return keys, np.repeat(number.astype(np.int32), np.diff(np.append(begins, len(key))))


def level_term(events: np.ndarray) -> Term:
    """Age bands or groups, [levels] events of each: the level with most is the reference."""
    number = len(events)
    return Term(np.delete(np.eye(number), int(events.argmax()), axis=1) if number else np.zeros((0, 0)))


def two_way_term(events: np.ndarray, periods: int) -> Term:
    """Columns for equipment and joints and columns for the years a life began in, of their [groups * periods] levels."""
    by_group, by_period = events.reshape(-1, periods).sum(axis=1), events.reshape(-1, periods).sum(axis=0)
    group, period = level_term(by_group).matrix, level_term(by_period).matrix
    return Term(np.concatenate([np.repeat(group, periods, axis=0), np.tile(period, (len(by_group), 1))], axis=1))
