"""Saturation temperatures of the refrigerants, superheat, subcooling, and the chart of target superheat.

The figures are tables in data/: saturation.csv, worked out once with CoolProp (build_saturation.py), and
target_superheat.csv, the makers' charging chart for fixed orifices.
"""

from __future__ import annotations

import csv
import math
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Line = Literal["bubble", "dew"]

CHART_LOWEST_WET_BULB_DEGF = 50.0
CHART_LOWEST_OUTDOOR_DEGF = 55.0
CHART_WET_BULB_STEP_DEGF = 2.0
CHART_OUTDOOR_STEP_DEGF = 5.0


def _rows(name: str) -> list[dict[str, str]]:
    text = resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def saturation_grid() -> tuple[float, float, dict[str, NDArray[np.float64]]]:
    """The saturation table.

    Returns
    -------
    ln(psia) of grid point 0, the step of ln(psia), and for each refrigerant an array of rows
    (grid point, bubble degF, dew degF).
    """
    rows = _rows("saturation.csv")
    by_refrigerant: dict[str, list[tuple[float, float, float]]] = {}
    for row in rows:
        by_refrigerant.setdefault(row["refrigerant"], []).append(
            (float(row["point"]), float(row["bubble_degf"]), float(row["dew_degf"]))
        )
    # the widest span gives the step without the rounding of single figures
    same = [row for row in rows if row["refrigerant"] == "R-32"]
    low, high = same[0], same[-1]
    step = (math.log(float(high["pressure_psia"])) - math.log(float(low["pressure_psia"]))) / (
        int(high["point"]) - int(low["point"])
    )
    first = math.log(float(low["pressure_psia"])) - int(low["point"]) * step
    return first, step, {name: np.array(table) for name, table in by_refrigerant.items()}


def saturation_temperature_degf(refrigerant: str, pressure_psia: ArrayLike, line: Line) -> NDArray[np.float64]:
    """Temperature at which a refrigerant boils (bubble) or has boiled off (dew) at a pressure.

    Parameters
    ----------
    refrigerant : ASHRAE 34 designation, such as R-410A
    pressure_psia : any shape [psia, absolute: gauge reading and local atmosphere]
    line : `bubble` for subcooling, `dew` for superheat; they differ by up to 11 degF on R-407C

    Returns
    -------
    Same shape [degF]; NaN outside the table.

    Raises
    ------
    KeyError : the refrigerant has no table.
    """
    first, step, tables = saturation_grid()
    table = tables[refrigerant]
    pressure = np.asarray(pressure_psia, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        place = (np.log(pressure) - first) / step
    column = table[:, 1 if line == "bubble" else 2]
    return np.interp(place, table[:, 0], column, left=np.nan, right=np.nan)


def superheat_delta_degf(
    refrigerant: str, suction_pressure_psig: ArrayLike, suction_temperature_degf: ArrayLike, atmosphere_psia: ArrayLike
) -> NDArray[np.float64]:
    """How far the suction line stands above the dew line [difference in degF], from a gauge reading [psig]."""
    pressure = np.asarray(suction_pressure_psig, dtype=float) + np.asarray(atmosphere_psia, dtype=float)
    return np.asarray(suction_temperature_degf, dtype=float) - saturation_temperature_degf(refrigerant, pressure, "dew")


def subcooling_delta_degf(
    refrigerant: str, liquid_pressure_psig: ArrayLike, liquid_temperature_degf: ArrayLike, atmosphere_psia: ArrayLike
) -> NDArray[np.float64]:
    """How far the liquid line stands below the bubble line [difference in degF], from a gauge reading [psig]."""
    pressure = np.asarray(liquid_pressure_psig, dtype=float) + np.asarray(atmosphere_psia, dtype=float)
    return saturation_temperature_degf(refrigerant, pressure, "bubble") - np.asarray(
        liquid_temperature_degf, dtype=float
    )


@cache
def target_superheat_chart() -> NDArray[np.float64]:
    """The makers' charging chart [difference in degF]: rows outdoor dry bulb 55, 60 ... 115 degF, columns indoor wet
    bulb 50, 52 ... 76 degF; NaN in the corner that has no target.

    Source: charging charts in makers' manuals (read), the same as California 2008 Residential Appendix RA3, table
    RA3.2-2 (read in part).
    """
    return np.array(
        [
            [float(row[name]) if row[name] else np.nan for name in row if name.startswith("wb")]
            for row in _rows("target_superheat.csv")
        ]
    )


def chart_cells() -> list[dict[str, float | int | None]]:
    """The chart as cells between four neighbouring points, for a join on (wet_bulb_cell, outdoor_cell).

    The last row and column stand alone as well, so that 76 degF wet bulb and 115 degF outdoors belong to the chart.
    """
    chart = target_superheat_chart()
    rows, columns = chart.shape

    def at(row: int, column: int) -> float | None:
        inside = row < rows and column < columns and not np.isnan(chart[row, column])
        return float(chart[row, column]) if inside else None

    return [
        {
            "wet_bulb_cell": column,
            "outdoor_cell": row,
            "target_low_low": at(row, column),
            "target_high_low": at(row, column + 1),
            "target_low_high": at(row + 1, column),
            "target_high_high": at(row + 1, column + 1),
        }
        for row in range(rows)
        for column in range(columns)
    ]


def target_superheat_delta_degf(wet_bulb_degf: float, outdoor_dry_bulb_degf: float) -> float | None:
    """Target superheat of the chart, between its points by straight lines in both directions.

    Parameters
    ----------
    wet_bulb_degf : air entering the indoor coil [degF, 50 to 76]
    outdoor_dry_bulb_degf : air entering the outdoor coil [degF, 55 to 115]

    Returns
    -------
    [difference in degF], or None in the corner without a target and outside the chart.
    """
    across = (wet_bulb_degf - CHART_LOWEST_WET_BULB_DEGF) / CHART_WET_BULB_STEP_DEGF
    down = (outdoor_dry_bulb_degf - CHART_LOWEST_OUTDOOR_DEGF) / CHART_OUTDOOR_STEP_DEGF
    column, row = math.floor(across), math.floor(down)
    cell = next((c for c in chart_cells() if c["wet_bulb_cell"] == column and c["outdoor_cell"] == row), None)
    if cell is None:
        return None
    across, down = across - column, down - row
    total = 0.0
    for weight, name in (
        ((1 - across) * (1 - down), "target_low_low"),
        (across * (1 - down), "target_high_low"),
        ((1 - across) * down, "target_low_high"),
        (across * down, "target_high_high"),
    ):
        if weight == 0:
            continue
        corner = cell[name]
        if corner is None:
            return None
        total += weight * corner
    return total
