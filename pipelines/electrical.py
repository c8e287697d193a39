"""The three voltages of a three-phase supply: how far they are out of balance."""

from __future__ import annotations


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
