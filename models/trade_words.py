"""Words of the trade for codes, as they stand inside a sentence of a fit."""

from __future__ import annotations

STEP = {
    "nitrogen_flow": "nitrogen while brazing",
    "pressure_test": "the pressure test",
    "nitrogen_release": "the nitrogen release",
    "evacuation": "the evacuation",
    "vacuum_rise": "the rise test",
    "charge": "the charge by weight",
    "airflow": "the airflow",
    "charge_check": "the charge check",
    "electrical": "the electrical check",
}
OUTCOME = {"compressor_failure": "compressor failures", "callback": "callbacks"}
AGE_BAND = {"early": "in the first 2 years", "late": "after 2 years"}


def outcome(code: str) -> str:
    """`compressor failures`, `thermostat calls`."""
    return OUTCOME.get(code, f"{code.replace('_', ' ')} calls")


def joined(parts: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def capital(sentence: str) -> str:
    """The first letter large, the rest as it is."""
    return sentence[:1].upper() + sentence[1:]


def counted(number: int, one: str, many: str = "") -> str:
    """`1 job`, `2,000 jobs`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def time(years: float) -> str:
    """A stretch of time, no more exact than it is known: `about 5 months`, `about 3 years`."""
    if years < 1.5:
        months = max(round(12 * years), 1)
        return "about a month" if months == 1 else f"about {months} months"
    return f"about {years:.0f} years"
