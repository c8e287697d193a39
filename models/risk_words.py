"""The steps behind a chance in order of weight, what is not known, what to look at, and each step's share of the excess.

What a chance has above the one had every step been good is shared out by the steps' log ratios: with ratios that
multiply, each step's part of the log is what it adds whatever the order in which the steps are put right.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.risk_chance import EARLY_YEARS, Chances
from pipelines.contract import STEPS

SMALLEST_REASON = np.log(1.05)
SMALLEST_SHARE = 0.005
LOOK_FIRST = "Temperatures, current and static pressure first, without gauges"
CHECKS_AT_MOST = 3


class RiskWords:
    """Words for systems, worked out once for what is alike: which steps are not good, which unknown, and late or early.

    checks : what to take and look at, by step.
    """

    def __init__(self, chances: Chances, checks: dict[str, str]) -> None:
        self.systems = systems = chances.systems
        self.kind, self.is_bad, self.is_unknown = chances.kind, chances.is_bad, chances.is_unknown
        best = chances.best
        behind = [_behind(row, log) for log in best.not_good for row in self.is_bad]
        self.texts = pl.DataFrame(
            {
                "reasons": [", ".join(STEPS[step] for step in steps) for steps in behind],
                "check_on_visit": [
                    "; ".join(checks[STEPS[step]] for step in steps[:CHECKS_AT_MOST] if STEPS[step] in checks)
                    or LOOK_FIRST
                    for steps in behind
                ],
                "unknown_steps": [
                    ", ".join(STEPS[step] for step in np.flatnonzero(row)) for _ in range(2) for row in self.is_unknown
                ],
            },
            schema={"reasons": pl.String, "check_on_visit": pl.String, "unknown_steps": pl.String},
        )
        # a technician's own share matters only where a step is not known
        row = chances.model.practice_row[systems.technician]
        share_row = np.where(self.is_unknown.any(axis=1)[self.kind], row, 0)
        key, self.pair = np.unique(share_row * len(self.is_bad) + self.kind, return_inverse=True)
        kind = key % max(len(self.is_bad), 1)
        share = chances.model.practice.share_not_good[key // max(len(self.is_bad), 1)]
        self.shares = pl.concat([self._shares(kind, share, log, best.unknown) for log in best.not_good])

    def _shares(self, kind: np.ndarray, share: np.ndarray, not_good: np.ndarray, unknown: np.ndarray) -> pl.Series:
        """[pairs] text such as "evacuation 0.61, airflow 0.24, charge (not known) 0.15"; empty where nothing raises it."""
        is_unknown = self.is_unknown[kind]
        log = np.where(is_unknown, np.log1p(share * np.expm1(not_good)) + unknown, self.is_bad[kind] * not_good)
        log = np.maximum(log, 0.0)
        total = log.sum(axis=1, keepdims=True)
        part = np.divide(log, total, out=np.zeros_like(log), where=total > 0)
        at, step = np.nonzero(part >= SMALLEST_SHARE)
        told = pl.DataFrame(
            {
                "pair": at,
                "step": pl.Series(STEPS).gather(step),
                "is_unknown": is_unknown[at, step],
                "part": part[at, step],
            }
        )
        not_known = pl.when("is_unknown").then(pl.lit(" (not known)")).otherwise(pl.lit(""))
        texts = (
            told.sort("pair", "part", descending=[False, True], maintain_order=True)
            .select("pair", text=pl.format("{}{} {}", "step", not_known, pl.col("part").round(2).cast(pl.String)))
            .group_by("pair", maintain_order=True)
            .agg(pl.col("text").str.join(", "))
        )
        every = pl.DataFrame({"pair": np.arange(len(kind))})
        return every.join(texts, on="pair", how="left", maintain_order="left")["text"].fill_null("")

    def of(self, months: int) -> pl.DataFrame:
        """reasons, check_on_visit, unknown_steps and reason_shares, [systems].

        A system that is past its second birthday in the middle of the horizon is told by what weighs late.
        """
        is_late = self.systems.age_years + months / 24 > EARLY_YEARS
        words = self.texts[np.where(is_late, len(self.is_bad), 0) + self.kind]
        pairs = len(self.shares) // 2
        return words.with_columns(reason_shares=self.shares.gather(np.where(is_late, pairs, 0) + self.pair))


def _behind(is_bad: np.ndarray, log: np.ndarray) -> list[int]:
    """Steps that are not good and raise the chance, the heaviest first."""
    return [int(step) for step in np.argsort(-log, kind="stable") if is_bad[step] and log[step] > SMALLEST_REASON]
