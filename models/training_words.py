"""What a figure about a course says in plain words: what is lacking and how much of it, and what to be careful with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from models.trade_words import STEP, counted
from models.training_change import COMPARED_AT_LEAST, JOBS_AT_LEAST, TRAINED_AT_LEAST, Change

if TYPE_CHECKING:
    from models.training_effect import Answer

LEVEL = 0.05
MINUS = "−"


def points(value: float) -> str:
    """`+9 points`, `−1 point`."""
    whole = round(100 * value)
    return f"{whole:+d} {'point' if abs(whole) == 1 else 'points'}".replace("-", MINUS).replace("+0 ", "0 ")


def points_range(part: Change) -> str:
    """`+2 to +9`."""
    return f"{points(part.low).split(' ')[0]} to {points(part.high).split(' ')[0]}"


def note(found: Answer, word: str) -> str:
    """What to know beside the figures of one row."""
    parts = lacking(found) if word == "too_few" else _told(found, word)
    return " ".join(part for part in parts if part)


WORD = {"clear": "clear", "leaning": "leaning, not settled", "unclear": "unclear"}


def sentence(found: Answer, word: str) -> str:
    """A step's answer by itself, its range and counts with it."""
    main = found.main
    if word == "too_few":
        return note(found, word)
    head = (
        f"after its courses the share good changed by {points(main.change)} ({points_range(main)}) beside those not "
        f"trained ({main.trained} trained with {counted(main.known_after, 'known job')} after, {main.compared} compared): "
        f"{WORD[word]}."
    )
    return f"{head} {note(found, word)}".strip()


def _more(have: int, need: int, one: str, many: str) -> str:
    return f"{counted(need - have, 'more is', 'more are')} needed, {need} {one if need == 1 else many} at least."


def lacking(found: Answer) -> list[str]:
    """Why nothing can be told, and how many more people or jobs it takes."""
    main = found.main
    parts = ["Too early to say, which is not the same as no effect."]
    if main.trained < TRAINED_AT_LEAST:
        of_sent = f"{main.trained} of the {found.people_sent} sent" if found.people_sent > 1 else f"{main.trained} sent"
        has = "has" if main.trained == 1 else "have"
        parts.append(
            f"{of_sent} {has} known jobs both after the course and more than half a year before it: "
            + _more(main.trained, TRAINED_AT_LEAST, "person trained", "people trained")
        )
        parts.append(_taught_before(found))
    if main.compared < COMPARED_AT_LEAST:
        parts.append(
            f"{counted(main.compared, 'person', 'people')} not trained, or not yet, can be compared with: "
            + _more(main.compared, COMPARED_AT_LEAST, "person", "people")
            + " Where everybody is to be taught, hold the course in two rounds, half a year or more apart."
        )
    for have, when in ((main.known_before, "more than half a year before"), (main.known_after, "after")):
        if main.trained >= TRAINED_AT_LEAST and have < JOBS_AT_LEAST:
            parts.append(
                f"The trained have {counted(have, 'known job')} {when} the course: "
                + _more(have, JOBS_AT_LEAST, "job", "jobs")
            )
    if len(parts) == 1:
        parts.append("The jobs say too little: nearly all of them were good, or none. More people trained are needed.")
    return parts


def _taught_before(found: Answer) -> str:
    if not found.taught_before:
        return ""
    return f"{counted(found.taught_before, 'person', 'people')} had been on an earlier course in this step."


def _told(found: Answer, word: str) -> list[str]:
    return [
        _of_step_not_taught(found),
        _of_time_before(found),
        _of_choosing(found),
        _fading(found),
        _reach(found, word),
    ]


def _of_step_not_taught(found: Answer) -> str:
    placebo = found.placebo
    if placebo is None or found.placebo_step is None or not placebo.excludes_nought:
        return ""
    return (
        f"{STEP[found.placebo_step].removeprefix('the ').capitalize()}, which was not taught, changed too: "
        f"{points(placebo.change)} ({points_range(placebo)}). Something else than the course may be at work."
    )


def _of_time_before(found: Answer) -> str:
    if not found.pre_trend_p_kept < LEVEL:
        return ""
    return (
        "More than half a year before the course those sent moved otherwise than the others already "
        f"(p {max(found.pre_trend_p_kept, 0.001):.3f}): the change may not be the course's."
    )


def _of_choosing(found: Answer) -> str:
    dip, with_it = found.dip, found.with_choosing
    if not dip.excludes_nought or not with_it.is_told:
        return ""
    moved = "worse" if dip.change < 0 else "better"
    return (
        f"In the half year before the course those sent did {moved} than before ({points(dip.change)}, "
        f"{points_range(dip)}); a bad spell that leads to a course ends by itself, so that half year is left out. "
        f"With it in, the change would read {points(with_it.change)}."
    )


def _fading(found: Answer) -> str:
    first, later = found.first_half_year, found.later
    if not (found.main.excludes_nought and first.is_told and later.is_told):
        return ""
    return (
        f"First 6 months {points(first.change)} ({points_range(first)}), later {points(later.change)} "
        f"({points_range(later)})."
    )


def _reach(found: Answer, word: str) -> str:
    needed = found.trained_needed
    if word != "unclear" or needed is None or found.others_moved_too:
        return ""
    main = found.main
    if needed <= main.trained:
        return "A change of 10 points would show in 4 of 5 such comparisons."
    return (
        f"So few cannot show a change of 10 points: it takes about {counted(needed, 'person', 'people')} trained, "
        f"{needed - main.trained} more."
    )
