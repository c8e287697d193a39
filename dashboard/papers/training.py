"""Training needs for a trainer: whom to teach which step, what to practise, and whether past courses worked."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard import limit_words, words
from dashboard.papers.ledger import Ledger, in_order_of_steps
from pipelines.contract import STEPS
from pipelines.steps import steps

TITLE = "Training needs"
LIMITS_AT_MOST = 8
EVIDENCE = {
    "clear": "clear",
    "leaning": "leaning, not settled",
    "unclear": "unclear: the range holds no change too",
    "too_few": "too few people, or too early",
}
HOW = (
    "A training need is the part of the gap to the target that was measured outside its limit or recorded as not done. What "
    "was ticked with nothing measured, or has no record, is a matter of writing down; what nobody in a crew measures is a "
    "matter of a tool. Neither is a training need, so both stand apart. People are listed by crew and name."
)
HOW_EFFECT = (
    "The change of the share good among those taught, less the change over the same months among those not (or not yet) "
    "taught, with its 95 % range. Judged from readings, not ticks. Too few or too early to say is not the same as no effect."
)
FOOT = (
    "For the trainer and the service manager. Figures about people rest on counts that can be small and on records that can "
    "be wrong: talk first, look at the jobs."
)

_NEEDS = f"""
    select n.technician_id, n.crew, n.step::varchar as step, n.gap, n.gap_cannot, n.gap_not_recorded, n.gap_no_tool,
        n.jobs_per_year, n.priority, coalesce(nullif(t.name, ''), n.technician_id) as name,
        ts.known, ts.good, ts.failed, ts.not_done, ts.ticked_only, ts.unknown, ts.rate_adjusted, ts.rate_low, ts.rate_high,
        ts.target
    from training_need n
    join technician_step ts on ts.technician_id = n.technician_id and ts.step::varchar = n.step::varchar
    left join staged_technician t on t.technician_id = n.technician_id
    where t.left_on is null or t.left_on > $as_of
    order by {in_order_of_steps("n.step")}, n.crew nulls last, name, n.technician_id
"""
_TAUGHT = """
    select technician_id, step::varchar as step, max(held_on) as held_on
    from staged_training where held_on <= $as_of group by all
"""


def content(ledger: Ledger) -> dict[str, Any]:
    """Everything that the template prints; raises InputError before the first fit."""
    ledger.need("technician_step")
    needs = ledger.ask_table("training_need", _NEEDS, as_of=ledger.as_of())
    taught = {
        (row["technician_id"], row["step"]): row["held_on"]
        for row in ledger.ask(_TAUGHT, as_of=ledger.as_of()).iter_rows(named=True)
    }
    teach = needs.filter(pl.col("priority").is_in(["first", "next"])) if needs.height else needs
    limits = ledger.ask_table("limit_used", f"select * from limit_used order by {in_order_of_steps()}, limit_id")
    return {
        "head": TITLE,
        "stamp": ledger.stamp(),
        "foot": FOOT,
        "answer": _answer(teach),
        "how": HOW,
        "how_effect": HOW_EFFECT,
        "steps": [_step(code, needs, taught, limits) for code in _order(teach)],
        "apart": _apart(needs),
        "effects": _effects(ledger),
        "courses": _courses(ledger),
        "cautions_title": "Before anybody practises",
        "first": "The maker's instructions, the local code and the licensed person on site come first.",
    }


def _order(teach: pl.DataFrame) -> list[str]:
    """Steps, those first on which teaching could make most jobs good; steps are put in order, never people."""
    if teach.is_empty():
        return []
    by_step = teach.group_by("step").agg(jobs=(pl.col("gap_cannot") * pl.col("jobs_per_year")).sum())
    return by_step.sort("jobs", "step", descending=[True, False])["step"].to_list()


def _answer(teach: pl.DataFrame) -> str:
    if teach.is_empty():
        return "Nobody has a gap to a target that teaching could close and that is larger than chance explains."
    parts = [
        f"{words.step(code).lower()} ({words.counted(teach.filter(pl.col('step') == code).height, 'person', 'people')})"
        for code in _order(teach)
    ]
    people = words.counted(teach["technician_id"].n_unique(), "person", "people")
    return f"{people} could use practice; most jobs would be won in {words.joined(parts)}, in this order."


def _step(code: str, needs: pl.DataFrame, taught: dict[tuple[str, str], Any], limits: pl.DataFrame) -> dict[str, Any]:
    here = needs.filter(pl.col("step") == code)
    teach = here.filter(pl.col("priority").is_in(["first", "next"]))
    about = next(step for step in steps() if step.name == code)
    jobs = (teach["gap_cannot"] * teach["jobs_per_year"]).sum()
    return {
        "title": f"{words.step(code)}: {words.counted(teach.height, 'person', 'people')}",
        "about": f"About {words.number(jobs, 0)} of their jobs a year fall short of the target of "
        f"{words.share(teach['target'][0])} because the step was measured outside its limit or not done.",
        "people": [_person(row, taught.get((row["technician_id"], code))) for row in teach.iter_rows(named=True)],
        "practise": [
            about.proves,
            f"What proves it: {about.proof}.",
            f"Where it is left out: {about.if_left_out[0].lower()}{about.if_left_out[1:]}",
        ],
        "limits": _limits(limits.filter(pl.col("step") == code) if limits.height else limits),
        "cautions": [words.CAUTION[name] for name in words.STEP_CAUTIONS.get(code, ())],
    }


def _person(row: dict[str, Any], held_on: Any) -> list[str]:
    return [
        row["name"],
        row["crew"] or "not recorded",
        f"{words.count(row['good'])} of {words.count(row['known'])}",
        words.share_with_range(row["rate_adjusted"], row["rate_low"], row["rate_high"]),
        words.count(row["failed"]),
        words.count(row["not_done"]),
        words.gap(row["gap_cannot"]),
        words.date(held_on) if held_on else "no course\non record",
    ]


def _limits(limits: pl.DataFrame) -> list[list[str]]:
    """The limits in force for everybody; the makers' own stand on each unit's plate and in its papers."""
    rows = [row for row in limits.iter_rows(named=True) if row["profile"] != "maker"]
    return [
        [
            words.quantity(row["quantity"])
            + (f", {words.applies_to(row['applies_to'])}" if row.get("applies_to") else ""),
            limit_words.bounds(row) if limit_words.bounds(row) != "–" else (row.get("note") or "see the plate"),
            limit_words.source(row).removeprefix("Limit: "),
        ]
        for row in rows[:LIMITS_AT_MOST]
    ]


def _apart(needs: pl.DataFrame) -> list[list[str]]:
    """By step: what is a matter of writing down or of a tool, in people and jobs a year."""
    out = []
    for code in STEPS:
        here = needs.filter(pl.col("step") == code) if needs.height else needs
        paper = here.filter(pl.col("gap_not_recorded") >= 0.005) if here.height else here
        tool = here.filter(pl.col("gap_no_tool") >= 0.005) if here.height else here
        if here.is_empty() or (paper.is_empty() and tool.is_empty()):
            continue
        crews = sorted({crew or "crew not recorded" for crew in tool["crew"]})
        out.append(
            [
                words.step(code),
                words.counted(paper.height, "person", "people") if paper.height else "–",
                words.number((paper["gap_not_recorded"] * paper["jobs_per_year"]).sum(), 0) if paper.height else "–",
                words.joined(crews) or "–",
                words.number((tool["gap_no_tool"] * tool["jobs_per_year"]).sum(), 0) if tool.height else "–",
            ]
        )
    return out


def _effect_row(row: dict[str, Any]) -> list[str]:
    return [
        words.points(row["change_in_rate"]),
        words.points_range(row["low"], row["high"]) if row["change_in_rate"] is not None else "–",
        words.count(row["technicians_trained"]),
        words.count(row["technicians_compared"]),
        EVIDENCE.get(row["evidence"], str(row["evidence"])),
    ]


def _effects(ledger: Ledger) -> list[list[str]]:
    found = ledger.ask_table("training_effect", f"select * from training_effect order by {in_order_of_steps()}")
    return [[words.step(row["step"]), *_effect_row(row)] for row in found.iter_rows(named=True)]


def _courses(ledger: Ledger) -> list[list[str]]:
    found = ledger.ask_table("course_effect", "select * from course_effect order by held_on desc, course limit 20")
    return [
        [row["course"] or "not named", words.date(row["held_on"]), words.step(row["step"]), *_effect_row(row)]
        for row in found.iter_rows(named=True)
    ]
