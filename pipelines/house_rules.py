"""What the house itself decides: limits' profile, altitude, costs, targets. Each is a default until somebody says.

The shipped figures are guesses of common practice and are shown as "house's guess, change it" until they are changed.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipelines.contract import FINDINGS, STEPS
from pipelines.errors import InputError

Share = Annotated[float, Field(ge=0, le=1)]
Money = Annotated[float, Field(ge=0, le=1e7)]
Place = tuple[Annotated[float, Field(ge=-90, le=90)], Annotated[float, Field(ge=-180, le=180)]]
Weekday = Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]

FAILURE_COST_GUESS = 2400.0
CALLBACK_COST_GUESS = 350.0


def _usual_mendable_share() -> dict[str, float]:
    # charge and airflow can be mended on a visit, moisture partly, carbon in the line hardly
    return {
        "nitrogen_flow": 0.1,
        "pressure_test": 0.4,
        "nitrogen_release": 0.1,
        "evacuation": 0.4,
        "vacuum_rise": 0.4,
        "charge": 0.8,
        "airflow": 0.8,
        "charge_check": 0.8,
        "electrical": 0.6,
    }


class HouseRules(BaseModel):
    """The settings in force, checked.

    altitude_ft : ft above sea level, where a site gives none.
    visit_interval_months, heard_back_months : months.
    visit_cost, failure_cost, callback_cost : money for each; None takes the median of the house's own records.
    mendable_share : for each step, the share of its extra risk that a visit can still take away (0 to 1).
    target : for each step, the share of jobs that should be good (0 to 1); a step without one takes the fleet's rate.
    charge_check_from : month and day ("04-15") from which it is usually warm enough outdoors for a charge check; None
        tells it from the house's own outdoor readings.
    working_days : the days on which files come.
    first_heat, first_frost : month and day before which the visits that cooling and heating need should be over.
    house_name : the contractor's own name, the only one that papers and calendars for customers carry.
    names_shown : whether pages and papers show people's names; their ids otherwise.
    home : latitude and longitude in degrees where a day's visits begin.
    return_due_days : days within which somebody must go back, for a reason of return_reasons.csv; others as shipped.
    temperature_unit, pressure_unit, static_unit, vacuum_unit : what pages and papers show figures in; limits and exports
        keep the contract's units.
    date_order : how pages and papers write a date.
    cooling_hours, heating_hours : hours a year that a machine here runs at full load, cooling and heating.
    electricity_price : money for each kWh. nominal_power_w_per_ton : electrical power of a sound machine for each ton,
        where a job does not record its input power. Without them no money is told for energy.
    own_limits : rows with the columns of limits.csv, in force where `profile` names them.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    profile: str = "usual"
    altitude_ft: Annotated[float, Field(ge=-1500, le=20000)] = 0.0
    visit_interval_months: Annotated[float, Field(gt=0, le=120)] = 12.0
    heard_back_months: Annotated[float, Field(gt=0, le=120)] = 12.0
    negative_control: str = "thermostat"
    accept_uncompensated_pressure_test: bool = False
    visit_cost: Money = 150.0
    failure_cost: Money | None = None
    callback_cost: Money | None = None
    currency: Annotated[str, Field(pattern="^[A-Z]{3}$")] = "USD"
    mendable_share: dict[str, Share] = Field(default_factory=_usual_mendable_share)
    target: dict[str, Share] = Field(default_factory=dict)
    charge_check_from: Annotated[str, Field(pattern=r"^\d\d-\d\d$")] | None = None
    working_days: Annotated[tuple[Weekday, ...], Field(min_length=1)] = ("Mon", "Tue", "Wed", "Thu", "Fri")
    first_heat: Annotated[str, Field(pattern=r"^\d\d-\d\d$")] = "06-01"
    first_frost: Annotated[str, Field(pattern=r"^\d\d-\d\d$")] = "10-15"
    house_name: Annotated[str, Field(max_length=80)] = ""
    names_shown: bool = True
    home: Place | None = None
    return_due_days: dict[str, Annotated[int, Field(ge=0, le=365)]] = Field(default_factory=dict)
    temperature_unit: Literal["degF", "degC"] = "degF"
    pressure_unit: Literal["psi", "kPa"] = "psi"
    static_unit: Literal["inH2O", "Pa"] = "inH2O"
    vacuum_unit: Literal["micron", "Pa"] = "micron"
    date_order: Literal["day_month_year", "month_day_year", "year_month_day"] = "day_month_year"
    cooling_hours: Annotated[float, Field(ge=0, le=8784)] | None = None
    heating_hours: Annotated[float, Field(ge=0, le=8784)] | None = None
    electricity_price: Annotated[float, Field(ge=0, le=1000)] | None = None
    nominal_power_w_per_ton: Annotated[float, Field(gt=0, le=10000)] | None = None
    own_limits: tuple[dict[str, str], ...] = ()

    @field_validator("charge_check_from", "first_heat", "first_frost")
    @classmethod
    def _a_day_of_the_year(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                date.fromisoformat(f"2024-{value}")
            except ValueError as error:
                raise ValueError(f"{value} is no day of the year; write it as month-day, such as 04-15") from error
        return value

    @field_validator("mendable_share", "target")
    @classmethod
    def _steps_only(cls, value: dict[str, float]) -> dict[str, float]:
        unknown = sorted(set(value) - set(STEPS))
        if unknown:
            raise ValueError(f"{', '.join(unknown)} is no step; the steps are {', '.join(STEPS)}")
        return value

    @field_validator("return_due_days")
    @classmethod
    def _reasons_only(cls, value: dict[str, int]) -> dict[str, int]:
        from pipelines.arrivals import movable_reasons  # late: a load asks for the rules before it grades

        unknown = sorted(set(value) - set(movable_reasons()))
        if unknown:
            raise ValueError(
                f"{', '.join(unknown)} has no days of the house's own: a matter of safety is due at once, and what waits for "
                f"the warm season has its week. Days can be set for {', '.join(movable_reasons())}"
            )
        return value

    @field_validator("negative_control")
    @classmethod
    def _a_finding_no_step_causes(cls, value: str) -> str:
        if value not in FINDINGS:
            raise ValueError(f"{value} is no finding; the findings are {', '.join(FINDINGS)}")
        if value == "drain":
            raise ValueError("drain cannot serve as the control: airflow and charge can cause it")
        return value


# Settings that rest on a guess of ours until the house has said its own.
GUESSED = ("visit_cost", "failure_cost", "callback_cost", "mendable_share")


def checked(settings: dict[str, Any]) -> HouseRules:
    """House rules from the settings that somebody entered.

    Raises
    ------
    InputError : a setting is unknown or out of its range; says which, what was found and what was expected.
    """
    try:
        return HouseRules(**settings)
    except ValidationError as error:
        lines = []
        for problem in error.errors():
            where = ".".join(str(part) for part in problem["loc"]) or "settings"
            lines.append(f"{where}: {problem['msg']} (found {problem['input']!r})")
        raise InputError("House rules: " + "; ".join(lines) + ". Correct it on the page House rules.") from error


def as_rows(rules: HouseRules, changed_on: dict[str, str]) -> list[tuple[str, str, bool, str | None]]:
    """The settings as rows (name, value as text, is_guess, changed_on) for the table `house_rule`.

    changed_on : for each setting that somebody entered, the day it was entered.
    """
    rows: list[tuple[str, str, bool, str | None]] = []
    for name, value in rules.model_dump().items():
        if name == "own_limits":
            continue
        is_guess = name in GUESSED and name not in changed_on
        if isinstance(value, dict):
            rows += [(f"{name}.{step}", str(share), is_guess, changed_on.get(name)) for step, share in value.items()]
        else:
            rows.append((name, "" if value is None else str(value), is_guess, changed_on.get(name)))
    return rows
