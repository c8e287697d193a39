"""Builds data/saturation.csv, the table that turns a refrigerant's pressure into its saturation temperatures.

Run by hand when a refrigerant is added: `python -m pipelines.build_saturation`. It alone needs CoolProp, which is a
dependency for development only; grading reads the table.

The table holds, for each refrigerant, bubble and dew temperature on an even grid of ln(pressure). Two traps are met:
the predefined mixture of R-454B does not converge in some bands, so its pressures are worked out on a grid of
temperature, the gaps are filled by a cubic in ln(pressure), and the result is turned round; R-410A and R-407C are
taken as pseudo-pure fluids, whose predefined mixtures fail in bands as well.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np

FLUID = {
    "R-410A": "R410A",
    "R-32": "R32",
    "R-454B": "R454B.mix",
    "R-22": "R22",
    "R-407C": "R407C",
    "R-134a": "R134a",
}
PASCAL_PER_PSI = 6894.757293168361  # exact: pound-force over square inch
LOWEST_PSIA = 8.0
POINTS = 256
STEP_LN_PRESSURE = math.log(800 / LOWEST_PSIA) / (POINTS - 1)
# close to the critical point the pseudo-pure fluids and the mixture stop being dependable
HIGHEST_DEGF = {"R-410A": 152.0, "R-32": 164.0, "R-454B": 158.0, "R-22": 190.0, "R-407C": 175.0, "R-134a": 200.0}
LOWEST_DEGF = -95.0
FILE = Path(__file__).with_name("data") / "saturation.csv"


def pressure_curves(refrigerant: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Saturation pressures of one refrigerant on an even grid of temperature.

    Returns
    -------
    temperature [degF], ln(bubble pressure / psia), ln(dew pressure / psia), all of one length.
    """
    from CoolProp.CoolProp import PropsSI
    from scipy.interpolate import CubicSpline

    temperature_degf = np.arange(LOWEST_DEGF, HIGHEST_DEGF[refrigerant] + 0.01, 0.5)
    curves = []
    for quality in (0, 1):
        ln_pressure = np.full(temperature_degf.shape, np.nan)
        for i, degf in enumerate(temperature_degf):
            try:
                pascal = PropsSI("P", "T", (degf + 459.67) / 1.8, "Q", quality, FLUID[refrigerant])
            except ValueError:
                continue
            if math.isfinite(pascal) and pascal > 0:
                ln_pressure[i] = math.log(pascal / PASCAL_PER_PSI)
        known = np.isfinite(ln_pressure) & _is_smooth(temperature_degf, ln_pressure)
        # nothing is extended past the last point that was computed: the grid is cut there further down
        last = int(np.flatnonzero(known)[-1])
        filled = CubicSpline(temperature_degf[known], ln_pressure[known])(temperature_degf)
        filled[last + 1 :] = np.nan
        curves.append(filled)
    return temperature_degf, curves[0], curves[1]


def _is_smooth(temperature_degf: np.ndarray, ln_pressure: np.ndarray) -> np.ndarray:
    """False where a computed point lies off the curve of all the others (a solution that did not converge)."""
    known = np.isfinite(ln_pressure)
    # ln(p) against 1/T is nearly straight, so a low polynomial leaves well under 0.1 % for true points
    inverse = 1000 / (temperature_degf + 459.67)
    fit = np.polynomial.Polynomial.fit(inverse[known], ln_pressure[known], 6)
    off = np.abs(ln_pressure - fit(inverse))
    return known & (np.nan_to_num(off, nan=np.inf) < 0.003)


def rows_of(refrigerant: str) -> list[tuple[str, int, str, str, str]]:
    """Rows of the table for one refrigerant: name, grid point, pressure [psia], bubble and dew [degF]."""
    from scipy.interpolate import CubicSpline

    temperature_degf, ln_bubble, ln_dew = pressure_curves(refrigerant)
    usable = np.isfinite(ln_bubble) & np.isfinite(ln_dew)
    bubble_of = CubicSpline(ln_bubble[usable], temperature_degf[usable])
    dew_of = CubicSpline(ln_dew[usable], temperature_degf[usable])
    low = max(ln_bubble[usable][0], ln_dew[usable][0])
    high = min(ln_bubble[usable][-1], ln_dew[usable][-1])
    rows = []
    for point in range(POINTS):
        ln_pressure = math.log(LOWEST_PSIA) + point * STEP_LN_PRESSURE
        if low <= ln_pressure <= high:
            rows.append(
                (
                    refrigerant,
                    point,
                    f"{math.exp(ln_pressure):.6f}",
                    f"{float(bubble_of(ln_pressure)):.5f}",
                    f"{float(dew_of(ln_pressure)):.5f}",
                )
            )
    return rows


def main() -> None:
    import CoolProp

    with open(FILE, "w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(("refrigerant", "point", "pressure_psia", "bubble_degf", "dew_degf"))
        for refrigerant in FLUID:
            rows = rows_of(refrigerant)
            writer.writerows(rows)
            print(f"{refrigerant}: {len(rows)} points, {rows[0][2]} to {rows[-1][2]} psia")
    print(f"{FILE.name} written with CoolProp {CoolProp.__version__}")


if __name__ == "__main__":
    main()
