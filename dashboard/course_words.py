"""What the figures about courses and needs say in sentences."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard import words

EVIDENCE = {
    "clear": "clear",
    "leaning": "leaning, not settled",
    "unclear": "unclear: chance could do this",
    "too_few": "too few to say",
}
NAMED_AT_MOST = 3
LEVEL = 0.05


def evidence(code: str) -> str:
    return f"{words.EVIDENCE_SIGN.get(code, '')} {EVIDENCE.get(code, code)}".strip()


def course(name: str, step: str) -> str:
    """The course's own name, else that of its step."""
    return name or f"Course on {words.step(step).lower()}"


def did_they_work(effects: pl.DataFrame, held: int) -> str:
    """One sentence on all steps taught. effects : rows of training_effect; held : attendances on record."""
    if effects.is_empty():
        if held:
            return "No attendance on record names its step and lies before the last record, so no course can be judged"
        return "No course is on record yet, so whether courses work cannot be told"
    by_word = {code: effects.filter(pl.col("evidence") == code) for code in EVIDENCE}
    parts = [
        *_each(by_word["clear"], "Courses on {step} {did}: {change}"),
        *_each(by_word["leaning"], "courses on {step} seem to have {done}, not settled: {change}"),
    ]
    unclear, few = _steps(by_word["unclear"]), _steps(by_word["too_few"])
    if unclear:
        parts.append(f"on {unclear} a change cannot be told from chance")
    if few:
        parts.append(f"on {few} too few were trained, or too recently, to say")
    sentence = "; ".join(parts)
    return sentence[0].upper() + sentence[1:]


def _each(rows: pl.DataFrame, form: str) -> list[str]:
    parts = []
    for row in rows.sort("change_in_rate", descending=True).iter_rows(named=True):
        is_up = row["change_in_rate"] >= 0
        parts.append(
            form.format(
                step=words.step(row["step"]).lower(),
                did="worked" if is_up else "were followed by worse work",
                done="worked" if is_up else "been followed by worse work",
                change=change(row),
            )
        )
    shown = parts[:NAMED_AT_MOST]
    if len(parts) > len(shown):
        shown.append(f"so did {len(parts) - len(shown)} more")
    return [shown[0], *(part[0].lower() + part[1:] for part in shown[1:])] if shown else []


def change(row: dict[str, Any]) -> str:
    """`+25 points good (+18 to +32; 13 trained, 24 compared)`."""
    return (
        f"{words.points(row['change_in_rate'])} good ({_bare(row['low'], row['high'])}; "
        f"{row['technicians_trained']} trained, {row['technicians_compared']} compared)"
    )


def _bare(low: float | None, high: float | None) -> str:
    return words.points_range(low, high).removesuffix(" points")


def change_with_range(value: float | None, low: float | None, high: float | None) -> str:
    return words.points(value) if value is None or low is None else f"{words.points(value)} ({_bare(low, high)})"


def _steps(rows: pl.DataFrame) -> str:
    return words.joined(words.step(step).lower() for step in rows["step"])


def what_next(needs: pl.DataFrame, technicians: int, currency: str) -> tuple[str, str | None]:
    """The class that comes next in words, and its step where there is one.

    needs : a row for each step and priority: people, saving_per_year, low, high, jobs_short (sums over those people).
    """
    first = needs.filter(pl.col("priority") == "first") if not needs.is_empty() else needs
    after = needs.filter(pl.col("priority") == "next") if not needs.is_empty() else needs
    if first.is_empty() and after.is_empty():
        return (
            f"no class comes next: of {words.counted(technicians, 'person', 'people')} none has a gap that training could "
            "close and that is larger than chance explains",
            None,
        )
    if first.is_empty():
        step, count = after.sort("jobs_short", "step").select("step", "people").row(-1)
        return (
            f"no class comes first yet, since no sure gap lies on a step whose cost is known; most jobs short of the target "
            f"lie in {words.step(step).lower()}, with {words.counted(count, 'person', 'people')}",
            step,
        )
    best = first.sort("saving_per_year", "step").row(-1, named=True)
    step = best["step"]
    return (
        f"next, a class on {words.step(step).lower()} for {words.counted(best['people'], 'person', 'people')}, which would save "
        f"about {words.money(best['saving_per_year'], currency)} a year "
        f"({words.money_range(best['low'], best['high'], currency)})",
        step,
    )


def before_the_course(row: dict[str, Any]) -> str:
    """Whether those trained moved as the others did before the course. row : of training_effect."""
    kept, whole = row["pre_trend_p_kept"], row["pre_trend_p"]
    if kept is None:
        return "Too little is known of the time before to say whether those trained moved as the others did."
    if kept < LEVEL:
        return (
            f"More than half a year before the course those trained moved otherwise than the others "
            f"({words.by_chance(kept)}): the change may not be the course's."
        )
    if whole is not None and whole < LEVEL:
        return (
            "Those trained moved as the others did until half a year before the course, then otherwise "
            f"({words.by_chance(whole)}): that half year is left out."
        )
    return f"Before the course those trained moved as the others did ({words.by_chance(kept)})."
