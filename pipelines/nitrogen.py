"""What a tight system full of nitrogen should read after its temperature has changed, and what it lost.

sql/212 works the same out for a whole fleet; a test holds the two against each other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

STANDARD_ATMOSPHERE_PSIA = 14.695948775513
ABSOLUTE_ZERO_DEGF = -459.67


def expected_pressure_psig(
    start_pressure_psig: ArrayLike,
    start_temperature_degf: ArrayLike,
    end_temperature_degf: ArrayLike,
    atmosphere_psia: ArrayLike = STANDARD_ATMOSPHERE_PSIA,
) -> NDArray[np.float64]:
    """Gauge pressure a tight system full of nitrogen shows after its temperature has changed.

    Parameters
    ----------
    start_pressure_psig : float or array, any shape [psig, above the local atmosphere]
    start_temperature_degf, end_temperature_degf : same shape [degF, of the pipe, not of the air]
    atmosphere_psia : float or same shape [psia]; about 12.2 at 5,000 ft

    Returns
    -------
    Same shape [psig].

    Raises
    ------
    ValueError : a temperature does not lie above absolute zero.

    Source: gas law at constant volume. Real nitrogen reads 1.6 psi lower from 500 psig, 80 to 60 degF (CoolProp 8).
    """
    start = np.asarray(start_temperature_degf, dtype=float) - ABSOLUTE_ZERO_DEGF
    end = np.asarray(end_temperature_degf, dtype=float) - ABSOLUTE_ZERO_DEGF
    if np.any(start <= 0) or np.any(end <= 0):
        raise ValueError(f"a temperature lies below absolute zero, {ABSOLUTE_ZERO_DEGF} degF")
    atmosphere = np.asarray(atmosphere_psia, dtype=float)
    return (np.asarray(start_pressure_psig, dtype=float) + atmosphere) * end / start - atmosphere


def compensated_drop_psi(
    start_pressure_psig: ArrayLike,
    end_pressure_psig: ArrayLike,
    start_temperature_degf: ArrayLike,
    end_temperature_degf: ArrayLike,
    atmosphere_psia: ArrayLike = STANDARD_ATMOSPHERE_PSIA,
) -> NDArray[np.float64]:
    """Pressure lost beyond what temperature explains [psi]; below zero where more came in than temperature explains.

    Parameters and errors as of `expected_pressure_psig`; end_pressure_psig [psig].
    """
    expected = expected_pressure_psig(
        start_pressure_psig, start_temperature_degf, end_temperature_degf, atmosphere_psia
    )
    return expected - np.asarray(end_pressure_psig, dtype=float)


def slowest_leak_seen_psi_per_h(allowed_drop_psi: float, hold_time_min: float) -> float:
    """The leak [psi/h] that loses just the allowed drop in the time that was watched; a slower one passes unseen.

    Raises
    ------
    ValueError : the hold time is not above zero.
    """
    if hold_time_min <= 0:
        raise ValueError("the hold time must be above zero")
    return allowed_drop_psi * 60 / hold_time_min
