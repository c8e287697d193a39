"""A limit, its source and a reading in words: the same on the page of a job and on its paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard import words


def bounds(row: Mapping[str, Any]) -> str:
    """What the step was held against, with its unit: "at most 500 micron", "350 to 450 cfm/ton"; "–" without a limit."""
    unit = row.get("unit")
    least, most, own = row.get("at_least"), row.get("at_most"), row.get("limit_value")
    if own is not None and (least is None) != (most is None):
        # the bound this job was held against, where it hangs on the job itself (a share of its start pressure)
        least, most = (None, own) if least is None else (own, None)
    if least is not None and most is not None:
        return words.span(least, most, unit)
    if most is not None:
        return f"{'below' if row.get('bound') == 'excl' else 'at most'} {words.measured(most, unit)}"
    if least is not None:
        return f"at least {words.measured(least, unit)}"
    if own is not None:
        return words.measured(own, unit)
    return "–"


def as_in_source(value: float | None, unit: str | None) -> str:
    """A bound as it is shown now, with the figure of its source behind it where the two differ."""
    now, own = words.measured(value, unit), words.recorded(value, unit)
    return now if now == own else f"{now} ({own})"


def source(row: Mapping[str, Any]) -> str:
    """Where the limit comes from and how sure that is; empty where no limit decided."""
    if not row.get("source"):
        return ""
    clause = f", {row['clause']}" if row.get("clause") else ""
    sure = words.SOURCE_STATUS.get(row["status"], row["status"])
    # these sources say themselves how sure they are
    if row["status"] in ("common practice", "maker") or row["source"].startswith("Recalled"):
        return f"Limit: {sure}"
    cited = f"{row['source'].replace(f' ({sure})', '')}{clause.replace(f' ({sure})', '')}"
    return f"Limit: {cited} ({sure})"


def as_written(row: Mapping[str, Any]) -> str:
    """The reading as the file has it: the original where it was converted, else the figure with its unit."""
    if row.get("original_value") not in (None, ""):
        return f"{row['original_value']} {row.get('original_unit') or ''}".strip()
    if row.get("value_text"):
        return str(row["value_text"])
    return words.recorded(row.get("value"), row.get("unit"))


def taken_as(row: Mapping[str, Any]) -> str:
    """The reading as it was taken, in the units that are shown now; a text (the test gas) as it is."""
    if row.get("value") is None and row.get("value_text"):
        return str(row["value_text"])
    return words.measured(row.get("value"), row.get("unit"))
