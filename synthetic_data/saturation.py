"""Pressures of boiling and condensing refrigerant, so that invented readings agree with one another.

The table holds values of CoolProp 8.0.0 every 5 degF (two holes of R-454B, where it does not converge, are left out);
between them ln(p) runs straight. That errs by less than 0.1 psi, far inside what decides a charge check.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

import numpy as np

STANDARD_ATMOSPHERE_PSIA = 14.696


@cache
def _table() -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    rows: dict[str, list[tuple[float, float, float]]] = {}
    text = (files("synthetic_data") / "data" / "saturation_psia.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        rows.setdefault(row["refrigerant"], []).append(
            (float(row["temperature_degf"]), float(row["bubble_psia"]), float(row["dew_psia"]))
        )
    return {name: tuple(np.array(column) for column in zip(*found, strict=True)) for name, found in rows.items()}  # type: ignore[misc]


def pressure_psia(refrigerant: str, temperature_degf: np.ndarray, line: str) -> np.ndarray:
    """Absolute pressure at which `refrigerant` boils (`line` bubble) or condenses (dew) at a temperature, -20 to 150 degF."""
    temperatures, bubble, dew = _table()[refrigerant]
    return np.exp(np.interp(temperature_degf, temperatures, np.log(bubble if line == "bubble" else dew)))


def atmosphere_psia(altitude_ft: np.ndarray) -> np.ndarray:
    """Standard atmosphere's pressure at an altitude (US Standard Atmosphere, troposphere)."""
    return STANDARD_ATMOSPHERE_PSIA * (1 - 6.8754e-6 * altitude_ft) ** 5.2559
