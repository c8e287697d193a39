"""What a vacuum says about water and leaks: at which level water boils, and how fast a level rises.

Below 32 degF water is ice here, as in a pipe: the super-cooled liquid line reads 19 % high at 0 degF.
"""

from __future__ import annotations

from functools import cache
from typing import Any

PASCAL_PER_MICRON = 101325 / 760_000
MICRON_PER_PSI = 6894.757293168361 / PASCAL_PER_MICRON
GAS_CONSTANT_J_PER_MOL_K = 8.314462618


@cache
def _psychrolib() -> Any:
    # the library keeps its unit system in a global: set it once, here and in `air`, to the same
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.IP)
    return psychrolib


def water_vapour_pressure_micron(temperature_degf: float) -> float:
    """Pressure at which water boils, or ice turns to vapour, at a temperature.

    Parameters
    ----------
    temperature_degf : float [degF], -148 to 392

    Returns
    -------
    [micron, absolute]

    Raises
    ------
    ValueError : outside that range.

    Source: ASHRAE Handbook Fundamentals 2017, chapter 1, equations 5 and 6, by psychrolib.
    """
    return _psychrolib().GetSatVapPres(temperature_degf) * MICRON_PER_PSI


def water_boils_at_degf(pressure_micron: float) -> float:
    """Temperature at which water boils at a level of vacuum [micron, absolute]; [degF].

    Raises
    ------
    ValueError : the level is not above zero or beyond one atmosphere.
    """
    if not 0.02 <= pressure_micron <= 760_000:
        raise ValueError(f"{pressure_micron} micron is outside 0.02 to 760,000")
    low, high = -148.0, 212.5
    while high - low > 1e-6:
        middle = (low + high) / 2
        if water_vapour_pressure_micron(middle) < pressure_micron:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def leak_rate_mol_per_s(
    volume_l: float,
    start_pressure_kpa: float,
    end_pressure_kpa: float,
    temperature_k: float,
    time_s: float,
) -> float:
    """Gas that came into a closed volume, from the rise of its pressure at one temperature.

    Parameters
    ----------
    volume_l : float [litre]
    start_pressure_kpa, end_pressure_kpa : float [kPa, absolute]
    temperature_k : float [K]
    time_s : float [s]

    Returns
    -------
    [mol/s]

    Raises
    ------
    ValueError : volume, temperature or time is not above zero.

    Source: vacuum-decay leak check, 40 CFR 1065.644.
    """
    if min(volume_l, temperature_k, time_s) <= 0:
        raise ValueError("volume, temperature and time must be above zero")
    pascal = (end_pressure_kpa - start_pressure_kpa) * 1000
    return pascal * volume_l / 1000 / (GAS_CONSTANT_J_PER_MOL_K * temperature_k * time_s)


def rise_of_leak_micron_per_min(leak_mol_per_s: float, volume_l: float, temperature_k: float) -> float:
    """How fast a level rises [micron/min] where a leak [mol/s] feeds a volume [litre] at a temperature [K].

    Raises
    ------
    ValueError : volume or temperature is not above zero.
    """
    if min(volume_l, temperature_k) <= 0:
        raise ValueError("volume and temperature must be above zero")
    pascal_per_s = leak_mol_per_s * GAS_CONSTANT_J_PER_MOL_K * temperature_k / (volume_l / 1000)
    return pascal_per_s * 60 / PASCAL_PER_MICRON
