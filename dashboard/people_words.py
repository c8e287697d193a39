"""What the figures about people say in sentences: what a difference goes with, who changed, are the records true."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard import words
from dashboard.charts import TOO_FEW

# a group stands out where its interval and that of what it is compared with leave a gap, and by so much
STANDS_OUT = 0.05
CLEAR = 0.05
MOSTLY = 0.5
NAMED_AT_MOST = 3
WITH_IT = {
    "form": "most of his jobs since are on a form that he had hardly used before",
    "instrument": "most of his readings since are by an instrument that he had hardly used before",
    "crew": "the rest of the crew changed likewise",
}
PLURAL = {"crew": "crews", "branch": "branches", "firm": "firms", "form": "forms", "instrument": "instruments"}


def spread_sentences(spread: pl.DataFrame) -> list[str]:
    """Whether people's differences at a step go with their crew, branch or firm. spread : rows of step_spread."""
    said = []
    for row in spread.iter_rows(named=True):
        kind, share, by_chance = row["group_kind"], row["share_between"], row["share_by_chance"]
        compared = (
            f"{words.share(share)} of the spread between {words.counted(row['people'], 'person', 'people')} lies between "
            f"{row['groups']} {PLURAL[kind]}; drawn by lot it would be {words.share(by_chance)}"
        )
        if not row["spread_people"]:
            said.append(f"**No difference to explain:** people are as alike as {PLURAL[kind]} are.")
        elif row["p_value"] is not None and row["p_value"] < CLEAR:
            how = "Mostly" if share >= MOSTLY else "Partly"
            said.append(f"**{how} the {kind}:** {compared}.")
        else:
            said.append(f"**Not seen to be the {kind}:** {compared}.")
    return list(dict.fromkeys(said))


def _apart(row: dict[str, Any]) -> bool:
    """Whether a group's rate lies clearly outside what the same people would reach on other jobs.

    Half as far again as the interval reaches, since many groups are looked at together.
    """
    low, high = row.get("same_people_low"), row.get("same_people_high")
    if low is None or high is None or row["known"] < TOO_FEW:
        return False
    difference = row["rate"] - row["same_people_rate"]
    reach = row["same_people_rate"] - low if difference < 0 else high - row["same_people_rate"]
    return abs(difference) > max(STANDS_OUT, 1.5 * reach)


def same_people_sentence(groups: pl.DataFrame, kind: str) -> str | None:
    """Whether the same people do otherwise on their other forms, or with other instruments. groups : of one step."""
    if groups.is_empty() or "same_people_rate" not in groups.columns:
        return None
    compared = groups.filter(pl.col("same_people_rate").is_not_null() & (pl.col("known") >= TOO_FEW))
    if compared.is_empty():
        return None
    apart = [row for row in compared.iter_rows(named=True) if _apart(row)]
    if not apart:
        unseen = (compared["same_people_high"] - compared["same_people_low"]).median()
        return (
            f"**Not seen to be the {kind}:** by the same people's jobs of the same year none of "
            f"{words.counted(compared.height, kind, PLURAL[kind])} stands out; a difference of less than about "
            f"{words.gap(0.75 * float(unseen or 0))} would not be seen."  # type: ignore[arg-type]
        )
    apart.sort(key=lambda row: row["rate"] - row["same_people_rate"])
    parts = [
        f"{words.escaped(row['group'])}: {words.share_with_range(row['rate'], row['low'], row['high'])} good of "
        f"{words.count(row['known'])}, the same people would reach elsewhere "
        f"{words.share_with_range(row['same_people_rate'], row['same_people_low'], row['same_people_high'])}"
        for row in apart[:NAMED_AT_MOST]
    ]
    more = f"; and {len(apart) - NAMED_AT_MOST} more" if len(apart) > NAMED_AT_MOST else ""
    which = f"this {kind}" if len(apart) == 1 else f"these {PLURAL[kind]}"
    return f"**Partly {which}:** {'; '.join(parts)}{more}."


def without_proof_sentence(crews: pl.DataFrame) -> str | None:
    """Crews far below the fleet whose gap is mostly ticked with nothing measured. crews : group_step of one step."""
    if crews.is_empty() or "fleet_rate" not in crews.columns:
        return None
    found = crews.filter(
        (pl.col("known") >= TOO_FEW)
        & (pl.col("high") < pl.col("fleet_rate") - STANDS_OUT)
        & (pl.col("ticked_only") * 2 > pl.col("known") - pl.col("good"))
    ).sort("group")
    if found.is_empty():
        return None
    named = words.joined(
        f"{words.escaped(row['group'])} ({words.count(row['ticked_only'])} of {words.count(row['known'] - row['good'])} "
        "not good are ticked with nothing measured)"
        for row in found.iter_rows(named=True)
    )
    return f"**Perhaps the tool:** {named}. A missing gauge, or a form without the field, is likelier than the hand."


def changed_sentence(row: dict[str, Any]) -> str:
    """One person's change with its day, its delay, the rates around it and what else changed. row : of technician_step."""
    began, seen = row["changed_on"], row.get("change_seen_on")
    sentence = f"**{words.escaped(row['name'])}** {words.CHANGE[row['change']]} since about {words.date(began)}"
    if seen is not None:
        sentence += f", seen on {words.date(seen)}"
    if row.get("known_before") and row.get("known_since"):
        before = words.share_with_range(row["rate_before"], row["rate_before_low"], row["rate_before_high"])
        since = words.share_with_range(row["rate_since"], row["rate_since_low"], row["rate_since_high"])
        sentence += (
            f": {before} good of the {words.count(row['known_before'])} before, {since} of the "
            f"{words.count(row['known_since'])} since"
        )
    with_it = [WITH_IT[code] for code in (row.get("change_with") or "").split(", ") if code in WITH_IT]
    if with_it:
        sentence += f". What else changed: {words.joined(with_it)}: ask about that first"
    return sentence + "."


def new_form_sentence(people: pl.DataFrame) -> str | None:
    """Who writes on a new form: what changed with it counts as the form's. people : rows of technician_step."""
    if "new_form_on" not in people.columns:
        return None
    moved = people.filter(pl.col("new_form_on").is_not_null()).sort("name")
    if moved.is_empty():
        return None
    names = [words.escaped(name) for name in moved["name"]]
    named = words.joined(names if len(names) <= NAMED_AT_MOST else [*names[:2], f"{len(names) - 2} others"])
    days = moved["new_form_on"]
    first, last = days.min(), days.max()
    when = words.date(first) if first == last else f"between {words.date(first)} and {words.date(last)}"  # type: ignore[arg-type]
    return (
        f"{named} changed to a form that {'he' if len(names) == 1 else 'they'} had hardly used before ({when}). What "
        "changed with the form counts as the form's, not as the person's."
    )


def moved_sentence(moves: pl.DataFrame, whose: str) -> str | None:
    """Months in which the running sum of the last 12 months rang. moves : month, change."""
    if moves.is_empty():
        return None
    parts = [
        f"{words.CHANGE[row['change']]} (seen in {words.month(row['month'])})" for row in moves.iter_rows(named=True)
    ]
    return f"**{words.escaped(whose)}** against all earlier months: {words.joined(parts)}."


def proof_sentence(proof: dict[str, Any]) -> str:
    """Are the records true: what second readings by somebody else said. proof : counts over all steps or one."""
    checked, agrees = proof.get("checked", 0), proof.get("agrees", 0)
    if not checked and not proof.get("ticked"):
        return (
            "Nothing on record here was measured again by somebody else yet, so nothing can be said of whether the records "
            "are true."
        )
    said = []
    if checked:
        said.append(
            f"Of {words.counted(checked, 'record')} with a reading that somebody else measured again, {words.count(agrees)} "
            f"agree ({words.share_range(proof['low'], proof['high'])}): both readings on the same side of the limit"
        )
    if proof.get("ticked"):
        said.append(
            f"of {words.counted(proof['ticked'], 'step')} ticked with nothing measured, {words.count(proof['ticked_good'])} "
            f"{'was' if proof['ticked_good'] == 1 else 'were'} within the limit when measured"
        )
    sentence = "; ".join(said) + "."
    return sentence[0].upper() + sentence[1:]
