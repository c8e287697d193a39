"""Plain words of the trade for every code, and how numbers are written on the pages.

Colour never carries a meaning by itself: each state and verdict has a sign of its own shape as well.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from functools import cache
from typing import Any

from dashboard import shown

STEP = {
    "nitrogen_flow": "Nitrogen while brazing",
    "pressure_test": "Pressure test",
    "nitrogen_release": "Nitrogen release",
    "evacuation": "Evacuation",
    "vacuum_rise": "Vacuum rise",
    "charge": "Charge by weight",
    "airflow": "Airflow",
    "charge_check": "Charge check",
    "electrical": "Electrical",
    "all": "All steps",
    "whole_job": "Whole job",
}

# A sign for each state, of different shape, so that no state is told by its colour alone.
STATE_SIGN = {
    "passed": "●",
    "failed": "▲",
    "ticked_only": "◐",
    "not_done": "○",
    "no_record": "–",
    "cannot_tell": "?",
    "not_applicable": "·",
    "disputed": "◆",
}
STATE = {
    "passed": "Good",
    "failed": "Outside its limit",
    "ticked_only": "Ticked, nothing measured",
    "not_done": "Not done",
    "no_record": "No record",
    "cannot_tell": "Cannot tell",
    "not_applicable": "Does not belong",
    "disputed": "Disputed",
}
STATE_MEANING = {
    "passed": "Measured, and within the limit. A step that has nothing to measure is good when it was ticked.",
    "failed": "Measured, and outside the limit.",
    "ticked_only": "Ticked as done, but nothing measured proves it.",
    "not_done": "Recorded as not done.",
    "no_record": "Nothing was recorded. That is never the same as not done.",
    "cannot_tell": "Measured, but the reading cannot be judged: the proof is incomplete, too short or unreadable.",
    "not_applicable": "The step does not belong to this job.",
    "disputed": "Said to be wrong: out of every count until it is settled.",
}
STATE_COLOUR = {
    "passed": "green",
    "failed": "orange",
    "ticked_only": "yellow",
    "not_done": "violet",
    "no_record": "gray",
    "cannot_tell": "gray",
    "not_applicable": "gray",
    "disputed": "blue",
}

FLAG = {
    "below": "▼ below target by more than chance",
    "above": "▲ above target",
    "usual": "as usual",
    "too_few": "too few jobs to say",
}
CHANGE = {"better": "↗ better", "worse": "↘ worse", "steady": "→ steady", "too_few": "too few jobs to say"}
EVIDENCE = {
    "clear": "clear",
    "leaning": "leaning, not settled",
    "unclear": "unclear: not enough failures yet to say",
    "too_few": "too few failures to say",
}
EVIDENCE_SIGN = {"clear": "●", "leaning": "◐", "unclear": "○", "too_few": "–"}
PRIORITY = {"first": "First", "next": "Next", "later": "Later"}
AGE_BAND = {
    "early": "First 2 years", "late": "After 2 years", "all": "All years", "years_0_2": "First 2 years",
    "years_2_5": "2 to 5 years", "years_5_on": "After 5 years",
}  # fmt: skip
CONTRAST = {
    "not_good": "Not good against good",
    "skipped": "Not done or ticked only, against good",
    "failed": "Outside its limit against good",
    "without_ticked_only": "Not good, ticked-only jobs left out",
}
VARIANT = {
    "three_bands": "Ages cut at 2 and 5 years",
    "complete_jobs": "Only jobs with every step known",
    "without_first_3_months": "Without the first 3 months",
    "without_technicians": "Technicians not told apart",
}
ARM = {"good": "good", "not_good": "not good"}
OUTCOME = {
    "compressor_failure": "Compressor failure",
    "callback": "Callback",
    "compressor_burnout": "Compressor burn-out",
    "compressor_mechanical": "Compressor, mechanical",
    "metering_restricted": "Metering device restricted",
    "refrigerant_leak": "Refrigerant leak",
    "low_charge": "Low charge",
    "over_charge": "Over charge",
    "noncondensables": "Non-condensables",
    "acid_in_oil": "Acid in the oil",
    "moisture_in_circuit": "Moisture in the circuit",
    "debris_in_circuit": "Debris in the circuit",
    "coil_freeze": "Coil freezing",
    "low_airflow": "Low airflow",
    "electrical": "Electrical fault",
    "drain": "Drain",
    "thermostat": "Thermostat",
    "no_fault_found": "No fault found",
    "other": "Other",
}
OUTCOME_PLURAL = {"compressor_failure": "compressor failures", "callback": "callbacks"}
EQUIPMENT = {
    "split_ac": "Split AC",
    "split_heat_pump": "Split heat pump",
    "ductless": "Ductless",
    "packaged": "Packaged unit",
}
METERING = {"txv": "expansion valve (TXV)", "eev": "electronic valve (EEV)", "fixed_orifice": "fixed orifice"}
JOB_KIND = {
    "new_install": "new install",
    "changeout": "changeout",
    "compressor_changeout": "compressor changeout",
    "coil_changeout": "coil changeout",
    "circuit_repair": "circuit repair",
}
CALL_KIND = {
    "callback": "Callback",
    "repair": "Repair",
    "maintenance": "Maintenance",
    "warranty": "Warranty",
    "proactive": "Early visit",
}
GROUP_KIND = {
    "crew": "Crew",
    "branch": "Branch",
    "firm": "Firm",
    "form": "Form",
    "instrument": "Instrument",
    "season": "Season",
    "equipment": "Equipment",
}
QUANTITY = {
    "flow_pressure": "Nitrogen pressure while brazing",
    "flow_rate": "Nitrogen flow while brazing",
    "test_gas": "Test gas",
    "start_pressure": "Pressure at the start",
    "end_pressure": "Pressure at the end",
    "start_temperature": "Pipe temperature at the start",
    "end_temperature": "Pipe temperature at the end",
    "hold_time": "Time held",
    "design_pressure_low": "Plate's design pressure, low side",
    "design_pressure_high": "Plate's design pressure, high side",
    "pump_time": "Pump time",
    "vacuum": "Vacuum reached",
    "rise_start": "Vacuum when shut off",
    "rise_end": "Vacuum at the end of the rise",
    "rise_time": "Time watched",
    "charge_weight": "Charge weighed in",
    "factory_charge": "Factory charge",
    "line_set_adder": "Addition for the line set",
    "charge_deviation": "Charge against what it should be",
    "return_static": "Return static",
    "supply_static": "Supply static",
    "airflow": "Airflow",
    "blower_setting": "Blower setting",
    "fan_power": "Fan power",
    "maximum_static": "Plate's maximum static",
    "total_external_static": "Total external static",
    "airflow_per_ton": "Airflow per ton",
    "fan_power_per_cfm": "Fan power per cfm",
    "suction_pressure": "Suction pressure",
    "suction_temperature": "Suction line temperature",
    "liquid_pressure": "Liquid pressure",
    "liquid_temperature": "Liquid line temperature",
    "target_subcooling": "Target subcooling",
    "target_superheat": "Target superheat",
    "subcooling_deviation": "Subcooling against target",
    "superheat_deviation": "Superheat against target",
    "outdoor_dry_bulb": "Outdoor dry bulb",
    "return_dry_bulb": "Return dry bulb",
    "return_wet_bulb": "Return wet bulb",
    "supply_dry_bulb": "Supply dry bulb",
    "supply_wet_bulb": "Supply wet bulb",
    "standing_pressure": "Pressure at rest",
    "compressor_current": "Compressor current",
    "rated_load_current": "Rated load current",
    "voltage": "Voltage",
    "rated_voltage": "Rated voltage",
    "voltage_ab": "Voltage A to B",
    "voltage_bc": "Voltage B to C",
    "voltage_ca": "Voltage C to A",
    "voltage_unbalance": "Voltage unbalance",
    "input_power": "Input power",
    "pressure_drop_compensated": "Pressure drop, temperature taken out",
    "test_pressure": "Test pressure",
    "test_temperature": "Test temperature",
    "ticked": "Ticked",
}
VERDICT = {
    "tight": "tight and dry",
    "moisture": "moisture",
    "leak": "leak",
    "moisture_and_leak": "moisture and a leak",
    "cannot_tell": "cannot tell",
    "reached": "came down to its limit",
    "reached_after_water": "came down to its limit after water had boiled off",
    "reached_after_stall": "came down to its limit after it had stood still",
    "stalled_at_water": "stood still while water boiled, and did not reach its limit",
    "stalled": "stood still above its limit",
    "still_falling": "did not reach its limit",
    "passed": "held",
    "failed": "a leak",
}
SOURCE_STATUS = {
    "read": "seen in a stored copy of the document",
    "computed": "computed from a reference library",
    "common practice": "common practice of the trade, no source",
    "memory": "from memory, check your edition",
    "maker": "the maker's own",
}
UNIT = {
    "inwc": "in. w.c.", "degF": "°F", "delta_degF": "°F", "degC": "°C", "delta_degC": "°C", "kPag": "kPa gauge",
    "percent": "%", "fraction": "",
}  # fmt: skip
# what a reader chooses from, by the codes of House rules
UNIT_CHOICE = {
    "degF": "°F", "degC": "°C", "psi": "psi", "kPa": "kPa", "inH2O": "in. w.c.", "micron": "micron", "Pa": "Pa",
}  # fmt: skip
# a converted figure has no more decimals than a gauge of that unit shows
DECIMALS_AT_MOST = {"degC": 1, "delta_degC": 2, "kPag": 2, "kPa": 2, "Pa": 2}

CAUTION = {
    "pressure": (
        "Never pressurise with oxygen, acetylene, compressed air or mixtures: oxygen meeting oil explodes. Dry nitrogen "
        "only, through a regulator and a relief or limiting device; raise in steps; test no higher than the nameplate "
        "allows. Cylinder upright and secured, cap on when moved."
    ),
    "release": (
        "Releasing nitrogen: eye and ear protection, stand clear of the open end, never towards a face; outdoors or well "
        "ventilated. Nitrogen and refrigerant displace air: never vent into a closed attic, closet or crawl space."
    ),
    "brazing": (
        "Brazing: bring nitrogen to atmospheric before heating a joint; combustibles away, extinguisher at hand, fire "
        "watch, no fumes breathed. Recover refrigerant, never vent it; certified staff only (40 CFR 82)."
    ),
    "flammable": (
        "Flammable (A2L) refrigerants, R-32 and R-454B: no flame or halide torch near them; recover, evacuate and purge "
        "with inert gas before a flame; pump outlet away from ignition; ventilate."
    ),
    "visit": (
        "Never run or megger a compressor under vacuum. After a burn-out the oil is acid: gloves and goggles. On a visit "
        "look first without gauges (temperatures, current, static); open a port only for a reason: gauges can lose or "
        "foul a small charge."
    ),
    "electrical": "Lock out power before electrical work; live readings by qualified staff.",
    "records": (
        "A grade is a review of records: it does not prove a system safe or tight, and does not replace the maker's "
        "instructions, the local code or the licensed person on site."
    ),
    "people": (
        "Figures about people rest on counts that can be small and on records that can be wrong: talk first, look at the "
        "jobs, correct the record, then decide. Local labour, privacy and works-council law may limit keeping or using "
        "them: ask first."
    ),
}
STEP_CAUTIONS = {
    "nitrogen_flow": ("brazing", "flammable"),
    "pressure_test": ("pressure", "release"),
    "nitrogen_release": ("release",),
    "evacuation": ("visit", "flammable"),
    "vacuum_rise": ("visit", "flammable"),
    "charge": ("brazing", "flammable"),
    "airflow": ("electrical",),
    "charge_check": ("visit", "flammable"),
    "electrical": ("electrical",),
}

NARROW = "\u00a0"  # a space at which no line ends, so that a number keeps its sign or unit
MINUS = "−"  # a hyphen is too short to be seen as a sign


def step(code: str | None) -> str:
    return STEP.get(code or "", _plain(code))


def state(code: str | None) -> str:
    return STATE.get(code or "", _plain(code))


def state_with_sign(code: str | None) -> str:
    return f"{STATE_SIGN.get(code or '', '')} {state(code)}".strip()


def outcome(code: str | None) -> str:
    return OUTCOME.get(code or "", _plain(code))


def outcomes(code: str, count: float = 2) -> str:
    """The outcome in a sentence: "compressor failures", "calls for a refrigerant leak"."""
    if code in OUTCOME_PLURAL:
        plural = OUTCOME_PLURAL[code]
        return plural if count != 1 else plural[:-1]
    return f"{'call' if count == 1 else 'calls'} for {outcome(code).lower()}"


def quantity(code: str | None) -> str:
    return QUANTITY.get(code or "", _plain(code))


def metering(code: str | None) -> str:
    return METERING.get(code or "", "not recorded" if not code else _plain(code))


def applies_to(condition: str) -> str:
    """What a limit holds for, as `limits.csv` has it ("refrigerant=R-22|R-407C"), read aloud."""
    parts = [
        {"ducts_kept=true": "where the ducts are kept", "plate=known": "where the plate is known",
         "plate=unknown": "where the plate is not known"}.get(part, part)
        for part in condition.split(";")
    ]  # fmt: skip
    return ", ".join(parts).replace("=", " ").replace("|", " or ").replace("_", " ")


def unit(code: str | None) -> str:
    return UNIT.get(code or "", code or "")


def _plain(code: str | None) -> str:
    """A code that has no words of its own yet: its underscores as spaces, first letter large."""
    return (code or "").replace("_", " ").capitalize()


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def count(value: Any) -> str:
    return "–" if _missing(value) else f"{round(float(value or 0)):,}"


def counted(number: float, one: str, many: str | None = None) -> str:
    """A count with its noun: "1 job", "2 jobs"."""
    return f"{count(number)} {one if round(number) == 1 else (many or one + 's')}"


def share(value: Any, digits: int = 0) -> str:
    """A rate of 0 to 1 as percent; never 100 % or 0 % by rounding alone."""
    if _missing(value):
        return "–"
    value = float(value or 0)
    percent = round(100 * value, digits)
    if digits == 0 and percent in (0, 100) and value not in (0.0, 1.0):
        return (
            f"{100 * value:.1f}{NARROW}%"
            if abs(100 * value - percent) >= 0.05
            else f"{'>' if percent else '<'}{abs(percent - 0.1):.1f}{NARROW}%"
        )
    return f"{percent:.{digits}f}{NARROW}%"


def share_with_range(rate: float | None, low: float | None, high: float | None) -> str:
    """A share with its 95 % range; one digit more where the range is narrower than the rounding would show."""
    digits = 0 if _missing(low) or _missing(high) or float(high or 0) - float(low or 0) >= 0.02 else 1
    return f"{share(rate, digits)} ({share_range(low, high, digits)})"


def share_range(low: float | None, high: float | None, digits: int = 0) -> str:
    if _missing(low) or _missing(high):
        return "no range"
    return f"{share(low, digits).removesuffix('%').rstrip()} to {share(high, digits)}"


def points(value: Any) -> str:
    return "–" if _missing(value) else f"{100 * float(value or 0):+.0f} points".replace("-", MINUS)


def points_range(low: float | None, high: float | None) -> str:
    if _missing(low) or _missing(high):
        return "no range"
    return f"{points(low).removesuffix(' points')} to {points(high)}"


def gap(value: float | None) -> str:
    """A gap to the target: a distance, so without a sign."""
    return "–" if _missing(value) else f"{100 * float(value or 0):.0f} points"


def times(value: Any) -> str:
    if _missing(value):
        return "–"
    value = float(value or 0)
    return f"{value:.2f}" if value < 10 else f"{value:.0f}"


def times_range(low: float | None, high: float | None) -> str:
    if _missing(low) or _missing(high):
        return "no range"
    return f"{times(low)} to {times(high)}"


def money(value: Any, currency: str = "USD") -> str:
    """Whole money with the currency's usual sign, rounded to three figures where it is large: no false precision.

    A sign of letters stands off from its figure ("CHF 1,230"); so does the code of a currency that has no sign.
    """
    if _missing(value):
        return "–"
    value = float(value or 0)
    if abs(value) >= 1000:
        digits = 2 - math.floor(math.log10(abs(value)))
        value = round(value, digits)
    sign = currency_sign(currency)
    return f"{MINUS if round(value) < 0 else ''}{sign}{NARROW if sign[-1:].isalpha() else ''}{abs(value):,.0f}"


def money_range(low: Any, high: Any, currency: str = "USD") -> str:
    if _missing(low) or _missing(high):
        return "no range"
    return f"{money(low, currency)} to {money(high, currency)}"


@cache
def currency_sign(currency: str) -> str:
    """The sign of a currency as an English reader knows it ("$", "€", "CA$"), from Unicode's CLDR; else its code."""
    from babel.numbers import get_currency_symbol  # late: a load asks for no money

    return get_currency_symbol(currency, "en")


def number(value: Any, digits: int = 1) -> str:
    if _missing(value):
        return "–"
    value = float(value or 0)
    text = f"{value:,.{digits}f}".replace("-", MINUS)
    return text.rstrip("0").rstrip(".") if "." in text else text


def tenths(value: Any) -> str:
    """A number of failures: one digit below a hundred, so that the ends of a range read alike; never nought by rounding."""
    if _missing(value):
        return "–"
    value = float(value or 0)
    return f"{value:.1g}" if 0 < value < 0.05 else f"{value:,.1f}" if value < 99.95 else f"{value:,.0f}"


def figure(value: Any, figures: int = 4) -> str:
    """A reading as a person would write it: four figures at most, no trailing noughts; whole numbers stay whole."""
    if _missing(value):
        return "–"
    value = float(value or 0)
    if value == 0:
        return "0"
    digits = max(0, figures - 1 - math.floor(math.log10(abs(value))))
    return number(value, min(digits, 4))


def equipment_in_sentence(code: str | None) -> str:
    name = EQUIPMENT.get(code or "", "equipment not known")
    return name[0].lower() + name[1:]


def measured(value: float | None, unit_code: str | None, figures: int = 4) -> str:
    """A figure of the contract's unit as it is shown now, with its unit: "480 micron", in the reader's choice "64 Pa"."""
    if _missing(value):
        return "–"
    return _with_unit(shown_figure(value, unit_code, figures), shown.shown_unit(unit_code))


def recorded(value: float | None, unit_code: str | None) -> str:
    """A figure in the contract's unit, whatever the reader chose."""
    return "–" if _missing(value) else _with_unit(figure(value), unit_code)


def span(least: float, most: float, unit_code: str | None) -> str:
    """Two figures of one unit: "350 to 450 cfm/ton"."""
    low, high = shown_figure(least, unit_code), shown_figure(most, unit_code)
    return _with_unit(f"{low} to {high}", shown.shown_unit(unit_code))


def shown_figure(value: Any, unit_code: str | None, figures: int = 4) -> str:
    """A figure of the contract's unit as it is shown now, without its unit.

    A converted one tells as much as the original did: three figures at least, four at most, no finer than that.
    """
    change = shown.change_of(unit_code)
    if change is None or _missing(value):
        # a percent of something weighed or metered is known to a hundredth at best
        return figure(round(value, 2) if unit_code in ("%", "percent") and not _missing(value) else value, figures)
    written = figure(value, figures)
    decimals = len(written.partition(".")[2])
    converted = change.apply(float(value))
    if converted == 0:
        return "0"
    size = math.floor(math.log10(abs(converted)))
    as_fine = -math.floor(math.log10(change.factor) - decimals)
    wanted = min(max(as_fine, 2 - size), 3 - size, DECIMALS_AT_MOST.get(shown.shown_unit(unit_code), 4))
    return number(converted, max(wanted, 0))


def _with_unit(text: str, unit_code: str | None) -> str:
    return f"{text}{NARROW}{unit(unit_code)}".rstrip(NARROW + " ")


_NUMBER = r"[-+\u2212]?\d[\d,]*(?:\.\d+)?"
_IN_TEXT = {"in. w.c.": "inwc", "°F": "degF", **{code: code for code in shown.FOLLOWS}}
_FIGURES_IN_TEXT = re.compile(
    rf"({_NUMBER})(?:( to | and )({_NUMBER}))? ({'|'.join(re.escape(word) for word in sorted(_IN_TEXT, key=len, reverse=True))})"
    r"(?![\w/])"
)
# grades made before differences were named as such wrote these figures in degF alone
_ABOUT_A_DIFFERENCE = re.compile(r"^(Subcooling|Superheat) [-\d]|^Measured [-\d.]+ degF, but")


# and named the unit of a target, of what is off and of a limit only once
_LACKED_A_UNIT = re.compile(
    r"(?P<static>in\. w\.c\.; at most [\d.]+)(?= is allowed)"
    r"|degF (?P<between>against a target of) (?P<target>[-\d.]+): (?P<off>[-\d.]+) off, (?P<limit>[-\d. to]+) allowed"
)


def _unit_beside_each(match: re.Match[str]) -> str:
    if match["static"]:
        return f"{match['static']} in. w.c."
    unit_code = "delta_degF"
    return (
        f"{unit_code} {match['between']} {match['target']} {unit_code}: {match['off']} {unit_code} off, "
        f"{match['limit']} {unit_code} allowed"
    )


def sentence(text: str | None) -> str:
    """A sentence of the store as it is shown now: each figure with its unit ("480 micron") in the reader's unit.

    Figures whose unit nobody can choose, and all other words, stay as they are.
    """
    text = _LACKED_A_UNIT.sub(_unit_beside_each, text or "")
    is_difference = _ABOUT_A_DIFFERENCE.match(text) is not None

    def rewritten(match: re.Match[str]) -> str:
        first, to, second, word = match.groups()
        code = _IN_TEXT[word]
        if code == "degF" and is_difference:
            code = "delta_degF"
        if shown.change_of(code) is None:
            said = [_grouped(part) if part else part for part in (first, second)]
        else:
            said = [shown_figure(_as_number(part), code) if part else part for part in (first, second)]
        return _with_unit(f"{said[0]}{to}{said[1]}" if to else said[0], shown.shown_unit(code))

    return _FIGURES_IN_TEXT.sub(rewritten, text)


def _grouped(text: str) -> str:
    """A whole number of four figures and more with its thousands set off, as everywhere on the pages."""
    return f"{int(text):,}" if text.isdecimal() else text


def _as_number(text: str) -> float:
    return float(text.replace(",", "").replace(MINUS, "-"))


# for each order: how Python writes a day, the table's columns (Moment.js) and a chart's axis (d3-time-format)
_MONTH_SPELLED = {"month": "%B %Y", "short": "%b %Y", "column": "MMM YYYY", "axis": "%b %Y", "tooltip": "%B %Y"}
_DATES = {
    "day_month_year": {"day_column": "D MMM YYYY", **_MONTH_SPELLED},
    "month_day_year": {"day_column": "MMM D, YYYY", **_MONTH_SPELLED},
    "year_month_day": {
        "day_column": "YYYY-MM-DD", "month": "%Y-%m", "short": "%Y-%m", "column": "YYYY-MM", "axis": "%Y-%m",
        "tooltip": "%Y-%m",
    },
}  # fmt: skip
DATE_ORDER = {"day_month_year": "4 Mar 2025", "month_day_year": "Mar 4, 2025", "year_month_day": "2025-03-04"}


def date(value: dt.date | dt.datetime | None) -> str:
    """A day in the house's order; the month is spelled, or the year comes first, so that no two days are confused."""
    if value is None:
        return "–"
    order = shown.now().date_order
    if order == "year_month_day":
        return f"{value:%Y-%m-%d}"
    return f"{value:%b} {value.day}, {value.year}" if order == "month_day_year" else f"{value.day} {value:%b %Y}"


def moment(value: dt.datetime | None) -> str:
    return "–" if value is None else f"{date(value)}, {value:%H:%M}"


def month(value: dt.date, *, short: bool = False) -> str:
    """A month in words: "March 2025", short "Mar 2025"."""
    return f"{value:{_dates()['short' if short else 'month']}}"


def day_of_year(month_day: str) -> str:
    """A day of each year, from "06-01": "1 Jun", "Jun 1"."""
    order = shown.now().date_order
    day = dt.date.fromisoformat(f"2024-{month_day}")
    if order == "year_month_day":
        return month_day
    return f"{day:%b} {day.day}" if order == "month_day_year" else f"{day.day} {day:%b}"


def _dates() -> dict[str, str]:
    return _DATES[shown.now().date_order]


def day_column() -> str:
    """The format of a table's column of days."""
    return _dates()["day_column"]


def moment_column() -> str:
    return f"{_dates()['day_column']}, HH:mm"


def month_column() -> str:
    return _dates()["column"]


def month_axis() -> str:
    """The format of months on a chart's axis."""
    return _dates()["axis"]


def month_tooltip() -> str:
    return _dates()["tooltip"]


def by_chance(p: float | None) -> str:
    """A p value in words: how often chance alone would bring a difference as large where there is none."""
    if _missing(p):
        return "not worked out"
    hundred = 100 * float(p or 0)
    cases = "fewer than 1" if hundred < 1 else "more than 99" if hundred > 99 else f"{hundred:.0f}"
    return f"chance alone would bring as large a difference in {cases} of 100 cases"


def p_value(value: float | None) -> str:
    """The bare figure, for a column whose heading says what it is."""
    if _missing(value):
        return "–"
    value = float(value or 0)
    return "below 0.001" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def joined(parts: Iterable[str]) -> str:
    """A list as spoken: "a, b and c"."""
    items = [part for part in parts if part]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def in_markdown(text: str) -> str:
    """A sentence of ours as Markdown: the sign of a currency is no beginning of a formula."""
    return re.sub(r"(?<!\\)\$", r"\\$", text)


def escaped(text: str | None) -> str:
    """Text from a record, safe to stand inside Markdown: nothing in it becomes markup, a link or a formula."""
    out = str(text or "")
    for sign in "\\`*_{}[]()#+!|<>$~:":
        out = out.replace(sign, "\\" + sign)
    return out
