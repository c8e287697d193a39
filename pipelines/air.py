"""The air side: external static, airflow for each ton, fan laws, capacity from the state of the air.

Standard air weighs 0.075 lb/ft3: 4.5 = 60 x 0.075 turns cfm and Btu/lb into Btu/h, and 1.08 = 4.5 x 0.24 cfm and degF.
"""

from __future__ import annotations

from pipelines.units import atmosphere_psia
from pipelines.vacuum import _psychrolib

POUND_PER_H_CFM = 4.5
BTU_PER_H_CFM_DEGF = 1.08


def static_on_one_duct_system_inwc(static_inwc: float, airflow_cfm: float, other_airflow_cfm: float) -> float:
    """Static [inwc] of a duct system that is not changed, at another airflow [cfm].

    Raises
    ------
    ValueError : the airflow is not above zero.

    Source: fan laws, pressure with the square of the flow.
    """
    return static_inwc * _ratio(airflow_cfm, other_airflow_cfm) ** 2


def fan_power_on_one_duct_system_w(power_w: float, airflow_cfm: float, other_airflow_cfm: float) -> float:
    """Fan power [W] on a duct system that is not changed, at another airflow [cfm]: with the cube of the flow.

    Raises
    ------
    ValueError : the airflow is not above zero.
    """
    return power_w * _ratio(airflow_cfm, other_airflow_cfm) ** 3


def _ratio(airflow_cfm: float, other_airflow_cfm: float) -> float:
    if airflow_cfm <= 0:
        raise ValueError("the airflow must be above zero")
    return other_airflow_cfm / airflow_cfm


def enthalpy_btu_per_lb(dry_bulb_degf: float, wet_bulb_degf: float, altitude_ft: float = 0.0) -> float:
    """Enthalpy of moist air [Btu for each lb of dry air].

    Parameters
    ----------
    dry_bulb_degf, wet_bulb_degf : float [degF]
    altitude_ft : float [ft]

    Raises
    ------
    ValueError : the wet bulb lies above the dry bulb.

    Source: ASHRAE Handbook Fundamentals 2017, chapter 1, by psychrolib.
    """
    if wet_bulb_degf > dry_bulb_degf:
        raise ValueError(f"wet bulb {wet_bulb_degf} degF lies above dry bulb {dry_bulb_degf} degF")
    library = _psychrolib()
    ratio = library.GetHumRatioFromTWetBulb(dry_bulb_degf, wet_bulb_degf, atmosphere_psia(altitude_ft))
    return library.GetMoistAirEnthalpy(dry_bulb_degf, ratio)


def total_capacity_btu_per_h(
    airflow_cfm: float,
    return_dry_bulb_degf: float,
    return_wet_bulb_degf: float,
    supply_dry_bulb_degf: float,
    supply_wet_bulb_degf: float,
) -> float:
    """Cooling that the air takes up at the coil, heat and moisture [Btu/h], at standard air.

    Raises
    ------
    ValueError : a wet bulb lies above its dry bulb.
    """
    taken = enthalpy_btu_per_lb(return_dry_bulb_degf, return_wet_bulb_degf) - enthalpy_btu_per_lb(
        supply_dry_bulb_degf, supply_wet_bulb_degf
    )
    return POUND_PER_H_CFM * airflow_cfm * taken


def sensible_capacity_btu_per_h(airflow_cfm: float, return_dry_bulb_degf: float, supply_dry_bulb_degf: float) -> float:
    """Cooling that lowers the air's temperature [Btu/h], at standard air."""
    return BTU_PER_H_CFM_DEGF * airflow_cfm * (return_dry_bulb_degf - supply_dry_bulb_degf)
