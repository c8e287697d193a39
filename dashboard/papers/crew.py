"""Crew review: one page for each technician, written to him; nobody else is named on it and nobody is ranked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard import doubt_words, limit_words, words
from dashboard.papers.ledger import Ledger, by_key, in_order_of_steps
from pipelines.contract import STEPS
from pipelines.errors import InputError
from pipelines.steps import steps

TITLE = "Crew review"
READINGS_AT_MOST = 6
GAP_WORTH_A_WORD = 0.05
HOW = (
    "Known: jobs of which the record tells how the step was done. Your share is adjusted for the kind of jobs you had and "
    "drawn toward the middle where they were few. Target: the house's own, else what the whole fleet reaches. Not known is "
    "not the same as not done, and ticked is not the same as measured: they are counted apart. With nine steps, one beyond "
    "the target by chance alone is nothing unusual."
)
WRONG_TITLE = "Is something here wrong?"
WRONG = (
    "Tell your service manager the job and the step. Records can be wrong or incomplete: an entry that you dispute is "
    "out of every count until it is settled. Look at the jobs together before anything is decided."
)
LOOK_TITLE = "Records we would like to go through with you"
LOOK_NOTE = (
    "No finding and no reproach: they stand out from what such work usually looks like. Tell us how it came about; nothing "
    "of this enters your figures above."
)
FOOT = f"For you and your service manager. {words.CAUTION['records']}"

_PEOPLE = f"""
    select ts.*, coalesce(nullif(t.name, ''), ts.technician_id) as name
    from technician_step ts left join staged_technician t using (technician_id)
    where ts.applicable > 0 and ts.technician_id is not null
        and ($technician is null or ts.technician_id = $technician)
        and ($crew is null or coalesce(ts.crew, '') = $crew)
        -- who has left gets a sheet only when asked for
        and ($technician is not null or t.left_on is null or t.left_on > $as_of)
    order by ts.crew nulls last, name, ts.technician_id, {in_order_of_steps()}
"""
_EXAMPLES = """
    with good as (
        select g.technician_id, g.step::varchar as step, g.job_id, j.finished_on, s.equipment::varchar as equipment,
            g.measured, g.limit_value, g.unit, g.limit_id, g.why,
            row_number() over (partition by g.technician_id, g.step order by j.finished_on desc nulls last, g.job_id)
                as place
        from step_grade g join staged_job j using (job_id) left join staged_system s on s.system_id = j.system_id
        where g.state = 'passed' and g.measured is not null and coalesce(j.finished_on <= $as_of, true)
            and ($technician is null or g.technician_id = $technician)
    )
    select good.* exclude (place), l.at_least, l.at_most, l.bound, l.source, l.clause, l.status
    from good left join limit_used l using (limit_id) where place = 1
"""
_READINGS = """
    select r.job_id, r.step::varchar as step, r.quantity::varchar as quantity, r.value, r.unit::varchar as unit,
        r.value_text, r.original_value, r.original_unit, r.source_file, r.source_line
    from staged_reading r
    join (select unnest($jobs::varchar[]) as job_id, unnest($steps::varchar[]) as step) shown
        on shown.job_id = r.job_id and shown.step = r.step::varchar
    order by r.job_id, r.taken_at nulls last, r.reading_order
"""


@dataclass(frozen=True)
class Records:
    """What the sheets are written from: each person's rows by step, needs, good examples, readings, courses."""

    people: dict[str, list[dict[str, Any]]]
    needs: dict[str, list[dict[str, Any]]]
    examples: dict[str, dict[str, dict[str, Any]]]
    readings: dict[tuple[str, str], list[dict[str, Any]]]
    doubts: dict[str, list[dict[str, Any]]]


def content(
    ledger: Ledger,
    technician: str | None = None,
    crew: str | None = None,
    gathered: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Everything that the template prints.

    technician, crew : whose sheets; without either, those of everybody who has not left.
    gathered : is told how many of how many sheets have been written.

    Raises
    ------
    InputError : nothing has been fitted, or nobody fits the choice.
    """
    ledger.need("technician_step")
    records = _records(ledger, technician, crew)
    if not records.people:
        whom = f"technician {technician}" if technician else f"the crew {crew}" if crew else "any technician"
        raise InputError(f"There is no graded job of {whom}. `slowfuse export technicians` names them all.")
    return {
        "head": TITLE,
        "stamp": ledger.stamp(),
        "foot": FOOT,
        "how": HOW,
        "cautions_title": "Before you work on it",
        "first": "The maker's instructions, the local code and the licensed person on site come first.",
        "look_title": LOOK_TITLE,
        "look_note": LOOK_NOTE,
        "wrong_title": WRONG_TITLE,
        "wrong": WRONG,
        "sheets": list(_sheets(records, gathered)),
    }


def _records(ledger: Ledger, technician: str | None, crew: str | None) -> Records:
    whom = {"technician": technician, "as_of": ledger.as_of()}
    people = by_key(ledger.ask(_PEOPLE, **whom, crew=crew), "technician_id")
    examples: dict[str, dict[str, dict[str, Any]]] = {}
    for row in ledger.ask_table("limit_used", _EXAMPLES, **whom).iter_rows(named=True):
        examples.setdefault(row["technician_id"], {})[row["step"]] = row
    needs = by_key(ledger.ask_table("training_need", "select * from training_need"), "technician_id")
    doubts = by_key(
        ledger.ask_table("record_doubt", "select * from record_doubt order by probability"), "technician_id"
    )
    shown = [row for who in people for row in examples.get(who, {}).values()]
    readings = ledger.ask(
        _READINGS, jobs=[row["job_id"] for row in shown], steps=[row["step"] for row in shown]
    ) if shown else pl.DataFrame()  # fmt: skip
    return Records(people, needs, examples, by_key(readings, "job_id", "step") if readings.height else {}, doubts)


def _sheets(records: Records, gathered: Callable[[int, int], None] | None) -> Iterator[dict[str, Any]]:
    for place, (who, rows) in enumerate(records.people.items(), start=1):
        yield _sheet(rows, records.needs.get(who, []), records.examples.get(who, {}), records.readings) | {
            "look": _looks(records.doubts.get(who, []))
        }
        if gathered:
            gathered(place, len(records.people))


def _sheet(
    rows: list[dict[str, Any]],
    needs: list[dict[str, Any]],
    examples: dict[str, dict[str, Any]],
    readings: dict[tuple[str, str], list[dict[str, Any]]],
) -> dict[str, Any]:
    of_step = {row["step"]: row for row in rows}
    step, focus = _focus(of_step, needs)
    example = examples.get(step or "") or _newest(examples)
    return {
        "name": rows[0]["name"],
        "answer": _answer(of_step.get("all")),
        "steps": [_step_row(of_step[step]) for step in STEPS if step in of_step],
        "changes": [line for line in map(_change, rows) if line],
        "focus": focus,
        "example": _example(example, step, readings),
        "cautions": [words.CAUTION[name] for name in words.STEP_CAUTIONS.get(step or "", ())],
    }


def _answer(whole: dict[str, Any] | None) -> str:
    if not whole or not whole["known"]:
        return "Of your steps on record none can be told yet: no reading or tick on them can be judged."
    share = words.share_with_range(whole["rate_adjusted"], whole["rate_low"], whole["rate_high"])
    return (
        f"Of your {words.counted(whole['known'], 'step')} that can be told, {words.count(whole['good'])} were good: "
        f"allowing for the kind of jobs, {share}. Of {words.count(whole['unknown'])} more nothing can be told."
    )


def _step_row(row: dict[str, Any]) -> dict[str, Any]:
    recent = (
        f"{words.share(row['recent_rate'])} of {words.count(row['recent_known'])}" if row.get("recent_known") else "–"
    )
    return {
        "step": words.step(row["step"]),
        "counts": f"{words.count(row['good'])} of {words.count(row['known'])}",
        "share": words.share_with_range(row["rate_adjusted"], row["rate_low"], row["rate_high"])
        if row["known"]
        else "–",
        "rate": row["rate_adjusted"] if row["known"] else None,
        "low": row["rate_low"] if row["known"] else None,
        "high": row["rate_high"],
        "target": row["target"],
        **{state: words.count(row[state]) for state in ("failed", "not_done", "ticked_only", "unknown")},
        "recent": recent,
    }


def _change(row: dict[str, Any]) -> str | None:
    """A step that got better or worse, with what it was and is; nothing where it stayed as it was."""
    if row["step"] not in STEPS or row.get("change") not in ("better", "worse") or row.get("rate_since") is None:
        return None
    since = f" since about {words.month(row['changed_on'])}" if row.get("changed_on") else ""
    return (
        f"{words.step(row['step'])} is {row['change']}{since}: {words.share(row['rate_before'])} of "
        f"{words.counted(row['known_before'], 'job')} before, {words.share(row['rate_since'])} of "
        f"{words.count(row['known_since'])} since ({words.share_range(row['rate_since_low'], row['rate_since_high'])})."
    )


def _looks(doubts: list[dict[str, Any]]) -> list[str]:
    """His own records that stand out, with jobs of his to look at."""
    return [
        f"{doubt_words.seen(row, 'your')} For example: {', '.join(str(row['example_job_ids']).split(';')[:3])}. "
        f"{doubt_words.MAY_BE[row['kind']]}"
        for row in doubts
    ]


def _focus(of_step: dict[str, dict[str, Any]], needs: list[dict[str, Any]]) -> tuple[str | None, dict[str, Any]]:
    """The one thing to work on: what teaching could close first, then what only wants writing down, else nothing."""
    teach = [need for need in needs if need["priority"] in ("first", "next") and need["gap_cannot"] > 0]
    if teach:
        need = max(teach, key=lambda n: (n["priority"] == "first", n["gap_cannot"] * n["jobs_per_year"]))
        return need["step"], _focus_on_the_work(of_step[need["step"]])
    write = [
        need for need in needs
        if need["gap_not_recorded"] >= GAP_WORTH_A_WORD and of_step[need["step"]]["flag"] == "below"
    ]  # fmt: skip
    if write:
        need = max(write, key=lambda n: n["gap_not_recorded"] * n["jobs_per_year"])
        return need["step"], _focus_on_the_record(of_step[need["step"]])
    return None, {
        "title": "One thing to work on: the readings themselves",
        "lines": [
            "None of your steps lies below its target by more than chance explains. What helps most is that the next jobs "
            "can be told as well: write the reading down, with its unit, before the gauge comes off."
        ],
    }


def _focus_on_the_work(row: dict[str, Any]) -> dict[str, Any]:
    about = next(step for step in steps() if step.name == row["step"])
    return {
        "title": f"One thing to work on: {words.step(row['step']).lower()}",
        "lines": [
            f"Of your {words.counted(row['known'], 'job')} that can be told, {words.count(row['good'])} were good "
            f"({words.share_range(row['rate_low'], row['rate_high'])}, adjusted); the target is {words.share(row['target'])}. "
            f"{words.count(row['failed'])} were measured outside the limit and {words.count(row['not_done'])} recorded as "
            "not done: that is where practice helps.",
            f"A good one shows it: {_small(about.proves)} It is proved by {about.proof}.",
        ],
    }


def _focus_on_the_record(row: dict[str, Any]) -> dict[str, Any]:
    about = next(step for step in steps() if step.name == row["step"])
    return {
        "title": f"One thing to work on: writing down {words.step(row['step']).lower()}",
        "lines": [
            f"The work may well have been done; it is the proof that is missing. Of your {words.counted(row['known'], 'job')} "
            f"that can be told, {words.count(row['good'])} were good; {words.count(row['ticked_only'])} were ticked with "
            f"nothing measured, and {words.count(row['unknown'])} more have no record that can be judged.",
            f"What to write down: {about.proof}.",
        ],
    }


def _small(text: str) -> str:
    return text[0].lower() + text[1:]


def _newest(examples: dict[str, dict[str, Any]]) -> dict[str, Any] | None:
    return max(examples.values(), key=lambda row: (str(row["finished_on"] or ""), row["job_id"]), default=None)


def _example(
    row: dict[str, Any] | None, step: str | None, readings: dict[tuple[str, str], list[dict[str, Any]]]
) -> dict[str, Any]:
    """His own job on which the step was measured and good; of another step where this one has none yet."""
    if row is None:
        return {
            "title": "A good example of your own",
            "lines": ["None of your jobs has a measured step within its limit yet: the next one can be the first."],
            "readings": [],
        }
    lines = []
    if step and row["step"] != step:
        lines.append(
            f"None of your jobs has a measured, good {words.step(step).lower()} yet. This is how it looks when it is there:"
        )
    limit = limit_words.bounds(row)
    against = f"; limit {limit}".rstrip(".") if limit != "–" else ""  # "in. w.c." brings its own full stop
    lines.append(
        f"{words.step(row['step'])} on job {row['job_id']}, {words.equipment_in_sentence(row['equipment'])}, finished "
        f"{words.date(row['finished_on'])}: {words.measured(row['measured'], row['unit'], figures=3)}{against}. {words.sentence(row['why'])}"
    )
    return {
        "title": "A good example of your own",
        "lines": [*lines, *filter(None, [limit_words.source(row)])],
        "readings": [
            [
                words.quantity(reading["quantity"]),
                limit_words.as_written(reading),
                f"{reading['source_file'] or 'not recorded'}, line {words.count(reading['source_line'])}",
            ]
            for reading in readings.get((row["job_id"], row["step"]), [])[:READINGS_AT_MOST]
        ],
    }
