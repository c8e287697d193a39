"""The three voltages of a three-phase supply: how far they are out of balance, and what a motor may carry then."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources

import numpy as np


def voltage_unbalance_percent(voltage_ab: float, voltage_bc: float, voltage_ca: float) -> float:
    """The largest difference from the average, as a share of the average [%].

    Raises
    ------
    ValueError : the average is not above zero.

    Source: worked examples in makers' manuals (read); the same definition as NEMA MG 1 (memory).
    """
    voltages = (voltage_ab, voltage_bc, voltage_ca)
    average = sum(voltages) / 3
    if average <= 0:
        raise ValueError("the average voltage must be above zero")
    return 100 * max(abs(voltage - average) for voltage in voltages) / average


@cache
def derating_points() -> list[tuple[float, float]]:
    """Unbalance [%] and the share of its rating that a motor may carry at it, as tabulated.

    Source: NEMA MG 1, derating for unbalanced voltage; the curve as an engineers' table prints it (read).
    """
    text = resources.files("pipelines").joinpath("data", "voltage_unbalance_derating.csv").read_text(encoding="utf-8")
    return [
        (float(row["unbalance_percent"]), float(row["share_of_rating"])) for row in csv.DictReader(text.splitlines())
    ]


def share_of_rating(unbalance_percent: float) -> float | None:
    """What a motor may carry of its rating at an unbalance [%], by straight lines; None above 5 %, where it must not run."""
    points = derating_points()
    if unbalance_percent > points[-1][0]:
        return None
    return float(np.interp(unbalance_percent, [at for at, _ in points], [share for _, share in points]))
