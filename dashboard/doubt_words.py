"""Words for a reason to look twice: what is seen, what is usual, and what may lie behind it."""

from __future__ import annotations

from typing import Any

from dashboard import words

HOW = (
    "Each person's jobs of the last 36 months are held against what is usual for such work: the same reading again beside "
    "the values next to it, all readings of a step together beside how often each comes back by itself, times beside those "
    "of others on the same form. Rounding, shared gauges, quiet weather and set pressures are allowed for. A reason is told "
    "only where all questions together would name a wrong one in at most **1 of 100 houses where nothing is amiss**. It is never a "
    "finding, and it enters no rate, no mark and no training need."
)
# what may lie behind it without anybody's having done wrong
MAY_BE = {
    "same_reading_again": "A gauge that sticks, a form filled in from memory in the evening, or a line copied by the form "
    "itself can do that.",
    "too_fast": "A clock that is stamped when the form is opened, or a test begun before it was entered, can do that.",
    "out_of_order": "Steps entered in another order than they were done can do that.",
    "ticked_together": "Whoever fills in the form in the evening does that.",
    "too_smooth": "A logger that fills gaps by itself, or an export that draws a line between two readings, can do that.",
}


def seen(row: dict[str, Any], whose: str = "his") -> str:
    """What is seen, as a sentence. row : of `record_doubt`. whose : `his`, or `your` on a person's own paper."""
    step = words.step(row["step"]).lower()
    jobs = f"{words.count(row['jobs'])} of {whose} {words.counted(row['of_jobs'], 'job')}"
    match row["kind"]:
        case "same_reading_again" if row["quantity"] and row["value"] is not None:
            figure = words.measured(row["value"], UNIT.get(row["quantity"]), figures=3)
            return f"{words.quantity(row['quantity'])} reads {figure} on {jobs}{_expected(row)}."
        case "same_reading_again":
            return f"All readings of the {step} equal those of an earlier job on {jobs}{_expected(row)}."
        case "too_fast":
            return f"The {step} ended sooner than the time it claims on {jobs}{_expected(row)}."
        case "out_of_order":
            return f"The {step} began before a step that goes before it on {jobs}{_expected(row)}."
        case "ticked_together":
            return f"All steps were ticked within 3 minutes on {jobs}{_expected(row)}."
        case _:
            return f"The gauge log of the {step} moves in steps that are all alike on {jobs}{_expected(row)}."


# a reading that is told by itself, in the contract's unit
UNIT = {
    "vacuum": "micron", "rise_start": "micron", "rise_end": "micron", "suction_pressure": "psig",
    "liquid_pressure": "psig", "suction_temperature": "degF", "liquid_temperature": "degF", "compressor_current": "A",
    "return_static": "inwc", "supply_static": "inwc",
}  # fmt: skip


def _expected(row: dict[str, Any]) -> str:
    number = row["expected_jobs"]
    usual = "fewer than 1" if number < 0.95 else f"about {words.number(number, 0)}"
    return f", where {usual} would be usual"
