"""What a fit says: what was counted, what the records show, what cannot be told yet and how much more that takes.

Read by a service manager: the most telling lines first and few of them. All the rest stands in `fit_note` and
`evidence_needed`.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import duckdb
import numpy as np
import polars as pl

from models import back_test, compliance, how_much_more, step_effect, trade_words
from models.pace import YEARS_AHEAD
from models.rate_cells import RateCells
from models.trade_words import AGE_BAND, STEP, capital, counted, joined
from pipelines.contract import STEPS

MUCH_UNKNOWN = 0.10
# beyond this the study of unrecorded steps finds ratios that lean (DEVELOPERS.md, "Steps that were not recorded")
TOO_MUCH_UNKNOWN = 0.22
LINES_AT_MOST = 25
LINES_A_TOPIC = 5
# the open questions are what is read a fit for where there is little to show
OPEN_QUESTIONS_AT_LEAST = 7
EFFECTS_NAMED = 4
# topics in the order in which they are said, under their headings; what is not named here comes with what records show
SECTIONS = {
    "Counted": ("follow_up", "left_out", "unknown", "fate_unknown", "failed"),
    "What the records show": ("compliance", "step_effect", "control", "install_risk", "back_test", "cost"),
    "What cannot be told yet, and how much more it takes": ("evidence_needed",),
}
MIDDLE = "What the records show"


class Notes:
    """What was done, what could not be estimated and why: gathered, kept in `fit_note`, and the most telling said."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.say = say
        self.rows: list[dict[str, Any]] = []
        self.aloud: list[tuple[str, str]] = []

    def add(
        self, topic: str, text: str, step: str | None = None, jobs: int | None = None, *, aloud: bool = True
    ) -> None:
        """Keep a sentence; `aloud` has it said too, under its topic, as far as there is room."""
        self.rows.append({"topic": topic, "step": step, "text": text, "jobs": jobs})
        if aloud:
            self.aloud.append((topic, f"{capital(STEP.get(step, step))}: {text}" if step else text))

    def tell(self) -> None:
        """Say what is to be said, in order and in at most 25 lines: of each topic as many as leave room for all."""
        lines: list[str] = []
        for a_topic in range(LINES_A_TOPIC, 0, -1):
            lines = self._told(a_topic)
            if len(lines) <= LINES_AT_MOST:
                break
        for line in lines[:LINES_AT_MOST]:
            self.say(line)

    def _told(self, a_topic: int) -> list[str]:
        named = {topic for topics in SECTIONS.values() for topic in topics}
        other = [topic for topic in dict.fromkeys(topic for topic, _ in self.aloud) if topic not in named]
        lines = []
        for heading, topics in SECTIONS.items():
            of_section = []
            for topic in (*topics, *(other if heading == MIDDLE else ())):
                of_section += self._lines(topic, a_topic)
            if of_section:
                lines += [f"{heading}:", *of_section]
        return lines

    def _lines(self, topic: str, a_topic: int) -> list[str]:
        texts = [text for name, text in self.aloud if name == topic]
        most = OPEN_QUESTIONS_AT_LEAST + a_topic if topic == "evidence_needed" else a_topic
        if len(texts) <= most:
            return [f"  {text}" for text in texts]
        rest = len(texts) - most + 1
        return [*(f"  {text}" for text in texts[: most - 1]), f"  and {rest} more of this kind in fit_note."]

    def frame(self) -> pl.DataFrame:
        return pl.DataFrame(
            self.rows, schema={"topic": pl.String, "step": pl.String, "text": pl.String, "jobs": pl.Int64}
        )


# --- what was counted


def say_follow_up(totals: dict[str, Any], day: date, notes: Notes) -> None:
    def rate(value: float | None) -> str:
        return "not known" if value is None else f"{100 * value:.2f}"

    failures, callbacks = totals["compressor_failures"], totals["callbacks"]
    if not totals["system_years"]:
        notes.add(
            "follow_up",
            f"To {day}: {counted(totals['jobs'], 'job')}, {counted(totals['systems'], 'system')} with a known beginning, and no "
            "time of service followed yet.",
        )
        return
    notes.add(
        "follow_up",
        f"To {day}: {counted(totals['systems'], 'system')}, followed for {totals['system_years']:,.0f} years of service. "
        f"{counted(failures, 'compressor failure')} ({rate(totals['failure_rate_per_year'])} in 100 systems a year), "
        f"{counted(callbacks, 'first callback')} ({rate(totals['callback_rate_per_year'])}).",
    )
    outside, of_callbacks = totals["failures_outside_follow_up"], totals["callbacks_outside_follow_up"]
    notes.add(
        "follow_up",
        f"{counted(outside, 'failure')} and {counted(of_callbacks, 'callback')} more came when nobody could be relied on "
        "to tell us: listed, not counted. Had every system been followed to the last day the rates would be "
        f"{rate(totals['failure_rate_to_as_of'])} and {rate(totals['callback_rate_to_as_of'])}; the truth lies near the "
        "first or between the two.",
        aloud=bool(outside or of_callbacks),
    )


def say_left_out(con: duckdb.DuckDBPyConnection, notes: Notes) -> None:
    """Jobs that no step effect counts, each under the first reason that holds, and what is unknown by step."""
    reasons = con.sql(
        """
        with known as (
            select job_id, bool_or(state in ('passed', 'failed', 'ticked_only', 'not_done')) as has_known
            from step_grade group by job_id
        ), followed as (
            select job_id, bool_or(not is_visited) as is_followed from follow_up group by job_id
        ), reason as (
            select case
                when job.finished_on is null then 'no date'
                when job.finished_on > (select as_of from cell_run) then 'after the day that the fit stands on'
                when job.installed_by::varchar = 'someone_else' then 'put in by someone else, no records of ours'
                when segment.job_id is null then
                    'the age of the compressor is not known: no installation or changeout before it'
                when not coalesce(known.has_known, false) then 'no step of it is known'
                when followed.job_id is null then 'no time followed after it'
                when not followed.is_followed then 'only after a visit that put something right'
            end as reason
            from staged_job as job
            left join segment on segment.job_id = job.job_id
            left join known on known.job_id = job.job_id
            left join followed on followed.job_id = job.job_id
        )
        select reason, count(*) from reason where reason is not null group by 1 order by 2 desc
        """
    ).fetchall()
    for reason, jobs in reasons:
        notes.add("left_out", f"{counted(jobs, 'job')} left out of the step effects: {reason}.", jobs=jobs, aloud=False)
    if reasons:
        jobs = sum(jobs for _, jobs in reasons)
        notes.add(
            "left_out",
            f"{counted(jobs, 'job')} in no step effect: {'; '.join(f'{reason} ({many:,})' for reason, many in reasons)}.",
            jobs=jobs,
        )
    unknown = con.sql(
        """
        with counted as (
            select step::varchar as step, state::varchar as state, count(*) as jobs
            from step_grade where state <> 'not_applicable' group by 1, 2
        )
        select step, state, jobs, jobs / sum(jobs) over (partition by step) as share from counted
        """
    ).fetchall()
    unknown.sort(key=lambda row: (STEPS.index(row[0]), row[1]))
    of_step: dict[str, float] = {}
    words = {"no_record": "nothing was recorded", "cannot_tell": "the reading cannot be judged", "disputed": "disputed"}
    for step, state, jobs, share in unknown:
        if state not in words:
            continue
        of_step[step] = of_step.get(step, 0.0) + share
        notes.add("left_out", f"{counted(jobs, 'job')} unknown ({words[state]}, {share:.0%}).", step, jobs, aloud=False)
    much = {step: share for step, share in of_step.items() if share > MUCH_UNKNOWN}
    if len(much) == len(STEPS) and min(much.values()) == 1:
        notes.add("unknown", "Of no job is it on record how any step was done. Unknown is never counted as not good.")
    elif much:
        notes.add(
            "unknown",
            f"Unknown on more than 1 job in 10: {joined([f'{STEP[step]} ({share:.0%})' for step, share in much.items()])}. "
            "Unknown is never counted as not good: it is compared apart, as a third kind of job. If what goes unrecorded "
            "differs from what is recorded, a ratio may be off.",
        )
    overall = sum(of_step.values()) / max(len({step for step, _, _, _ in unknown}), 1)
    if overall > TOO_MUCH_UNKNOWN and not (len(much) == len(STEPS) and min(much.values()) == 1):
        # how far: the study of unrecorded steps, its worlds with 30 % unknown
        notes.add(
            "unknown",
            f"Of all steps {overall:.0%} are not known. Where one job's steps are left out together, a ratio can then be "
            "too near to 1, or that of a step that does nothing too high, by about 3 in 100 (compressor failures 6 in "
            "100), and where folders are completed after a failure too low by 3 in 100; more jobs do not mend that, "
            "records do.",
        )


def say_fates(con: duckdb.DuckDBPyConnection, notes: Notes) -> None:
    found = dict(
        con.sql("select fate, count(*) from system_now where fate in ('fate_unknown', 'failed') group by 1").fetchall()
    )
    lost, waiting = found.get("fate_unknown", 0), found.get("failed", 0)
    if lost:
        notes.add(
            "fate_unknown",
            f"{counted(lost, 'system')} had a compressor failure and neither a changeout nor a retirement within 90 days: what "
            "became of them is not on record, and no list of visits holds them.",
            jobs=lost,
        )
    if waiting:
        notes.add("failed", f"{counted(waiting, 'system')} failed within the last 90 days.", jobs=waiting)


# --- what the records show


def say_compliance(technician_step: pl.DataFrame, notes: Notes) -> None:
    people = technician_step["technician_id"].n_unique() if technician_step.height else 0
    if not people:
        notes.add("compliance", "No graded job names a technician yet.")
        return
    own = technician_step.filter(pl.col("step").is_in(STEPS))
    flags = dict(own.group_by("flag").len().iter_rows())
    notes.add(
        "compliance",
        f"{counted(people, 'technician')}, {counted(own.height, 'rate')} of technician and step: "
        f"{flags.get('below', 0):,} below the target by more than chance, {flags.get('above', 0):,} above, "
        f"{flags.get('usual', 0):,} as usual; {flags.get('too_few', 0):,} rest on fewer than {compliance.FEW_JOBS} known "
        "jobs and carry no flag.",
    )


def say_effects(table: pl.DataFrame, controls: dict, control: str, notes: Notes) -> None:
    if table.is_empty():
        notes.add(
            "step_effect", "No event has been counted yet: what goes with a step that is not good cannot be told."
        )
        return
    main = table.filter(
        (pl.col("contrast") == "not_good")
        & (pl.col("age_band") != "all")
        & pl.col("outcome").is_in(step_effect.MAIN_OUTCOMES)
    )
    words = dict(main.group_by("evidence").len().iter_rows())
    if not main["events"].sum():
        notes.add(
            "step_effect",
            "No failure and no callback has been counted on jobs with a known step: what goes with a step that is not good "
            "cannot be told.",
        )
    else:
        notes.add(
            "step_effect",
            f"What goes with a step that is not good, {main.height} questions (9 steps, 2 outcomes, early and late): "
            f"{words.get('clear', 0)} clear, {words.get('leaning', 0)} leaning, {words.get('unclear', 0)} unclear, "
            f"{words.get('too_few', 0)} with too few events to say.",
        )
    _say_clear(main.filter(pl.col("evidence") == "clear"), notes)
    _say_too_few(main.filter(pl.col("evidence") == "too_few"), notes)
    _say_control(controls.get("not_good"), trade_words.outcome(control), notes)


def _say_clear(clear: pl.DataFrame, notes: Notes) -> None:
    """The clear ones by their interval's nearer end, the surest first."""
    if clear.is_empty():
        return
    clear = clear.sort("low_calibrated", "outcome", "step", descending=[True, False, False])
    named = [
        f"{STEP[row['step']]}, {trade_words.outcome(row['outcome'])} {AGE_BAND[row['age_band']]} "
        f"{row['hazard_ratio_calibrated']:.1f} times ({row['low_calibrated']:.1f} to {row['high_calibrated']:.1f})"
        for row in clear.head(EFFECTS_NAMED).iter_rows(named=True)
    ]
    more = clear.height - len(named)
    also = f"; {more} more in step_effect" if more else ""
    notes.add("step_effect", f"Clear, how many times as often where it was not good: {'; '.join(named)}{also}.")


def _say_too_few(few: pl.DataFrame, notes: Notes) -> None:
    needed = step_effect.evidence.FEW_EVENTS
    for row in few.iter_rows(named=True):
        bad, good = row["events_skipped"], row["events_good"]
        about = f"{trade_words.outcome(row['outcome'])} {AGE_BAND[row['age_band']]}"
        if min(bad, good) >= needed and row["events_an_effect"] < step_effect.evidence.EVENTS_AN_EFFECT:
            text = f"{about}: too few in all for so many questions at once. Not enough yet to say."
        elif min(bad, good) >= needed:
            text = f"{about}: cannot be told apart from another step that goes along with it."
        else:
            text = (
                f"{about}: {bad} where it was not good and {good} where it was good; {needed} of each are needed. Not enough "
                "yet to say."
            )
        notes.add("too_few", text, row["step"], aloud=False)


def _say_control(found: Any, calls: str, notes: Notes) -> None:
    if found is None or not found.degrees:
        return  # evidence_needed says how many it takes
    if found.rejects:
        notes.add(
            "control",
            f"{capital(calls)}, which no step can cause, look caused (joint test p {found.p_value:.2g}, mean p "
            f"{found.mean_p_value:.2g}): careless jobs differ in other ways too. Effects are calibrated by it; if what "
            "differs touches it only half as much, half of the error stays.",
        )
    else:
        notes.add("control", f"{capital(calls)}, which no step can cause, do not look caused (p {found.p_value:.2f}).")


def say_risk(events: float | None, systems: int, few: int, notes: Notes) -> None:
    """events : compressor failures behind the chances; None where there is no model. systems : in the list."""
    if events is None:
        notes.add(
            "install_risk", "No compressor has failed in the time followed: no chance of a failure can be told yet."
        )
        return
    lean = "; with so few the chances lean on the assumptions and their ranges are wide" if events < few else ""
    notes.add(
        "install_risk",
        f"Chances of a compressor failure for {counted(systems, 'system')} in service, from "
        f"{counted(round(events), 'failure')}{lean}.",
    )


def say_back_test(tried: back_test.BackTest, notes: Notes) -> None:
    highest = tried.calibration
    if highest.height:
        highest = highest.filter(pl.col("group").str.starts_with("highest")).sort(
            "horizon_months", "cutoff", descending=[False, True]
        )
    for number, row in enumerate(highest.iter_rows(named=True)):
        notes.add(
            "back_test",
            f"Tried on an earlier day: of the {row['systems']} that stood highest on {row['cutoff']} and were not visited, "
            f"{row['seen']:.0%} failed within {row['horizon_months']} months ({row['low']:.0%} to {row['high']:.0%}); we "
            f"had said {row['said']:.0%} ({row['said_low']:.0%} to {row['said_high']:.0%}).",
            aloud=number == 0,
        )
    if tried.extra_spread > 0:
        notes.add(
            "back_test",
            f"Years differ from what was said by about {np.expm1(tried.extra_spread):.0%} beyond chance; the ranges "
            "are widened by that.",
            aloud=False,
        )


def say_costs(found: dict[str, Any], records_at_least: int, notes: Notes) -> None:
    """found : by name of the event what `step_cost.costs` gives."""
    guesses = [
        f"a {name} at {cost.money:,.0f} ({counted(cost.records, 'own record')})"
        for name, cost in found.items()
        if cost.is_guess
    ]
    if guesses:
        notes.add(
            "cost",
            f"Costs are guesses: {joined(guesses)}; from {records_at_least} of your own calls with a cost on theirs are "
            "taken. Change them in House rules.",
        )


# --- what cannot be told yet

LACKS = {
    "records": "No record says how it was done",
    "good_jobs": "Not one known job has it good, so there is nothing to compare with",
    "not_good_jobs": "Every known job has it good, so there is nothing to compare with",
    "separation": "Goes along with another step on nearly every job, so the two cannot be told apart",
}


def say_needed(needed: pl.DataFrame, installs_per_year: float, notes: Notes) -> None:
    """The lines of `evidence_needed` that tell most; the table holds each question by itself."""
    if needed.is_empty():
        return
    effects = needed.filter(pl.col("topic") == "step_effect")
    for text in effects.filter(pl.col("lacks") == "installs")["text"]:
        notes.add("evidence_needed", text)
    for lacks, words in LACKS.items():
        steps = [step for step in STEPS if step in set(effects.filter(pl.col("lacks") == lacks)["step"])]
        if steps:
            notes.add("evidence_needed", f"{words}: {joined([STEP[step] for step in steps])}.")
    if (effects["lacks"] == "events").any():
        notes.add(
            "evidence_needed",
            f"At today's pace of {counted(round(installs_per_year), 'install')} a year, followed as long and failing as often as "
            "now (would show: 4 times in 5):",
        )
    for outcome in step_effect.MAIN_OUTCOMES:
        for band in step_effect.AGE_BANDS:
            _say_events_needed(
                effects.filter(
                    (pl.col("lacks") == "events") & (pl.col("outcome") == outcome) & (pl.col("age_band") == band)
                ),
                notes,
            )
    for topic in ("control", "install_risk", "back_test"):
        for text in needed.filter(pl.col("topic") == topic)["text"]:
            notes.add("evidence_needed", text)
    _say_technicians_needed(needed.filter(pl.col("topic") == "technician_step"), notes)
    _say_training_needed(needed.filter(pl.col("topic") == "training_effect"), notes)
    _say_years_needed(needed.filter(pl.col("topic") == "years_in_service"), notes)


def _say_events_needed(rows: pl.DataFrame, notes: Notes) -> None:
    if rows.is_empty():
        return
    first = rows.row(0, named=True)
    about = f"{trade_words.outcome(first['outcome'])} {AGE_BAND[first['age_band']]}"
    early = "too early to say, no install is that old. " if first["is_too_early"] else ""
    most = max(rows["have"].to_list())
    so_far = f"at most {counted(most, 'event')} each" if most else "none so far"
    if most < how_much_more.FEW_FOR_A_RATE:
        so_far += f", reckoned with {100 * np.median(rows['rate_reckoned'].to_numpy()):.1f} in 100 systems a year"
    notes.add(
        "evidence_needed",
        f"{capital(about)}: {early}{counted(rows.height, 'step')} not settled ({so_far}); {'; '.join(_when_shown(rows))}.",
    )


def _when_shown(rows: pl.DataFrame) -> list[str]:
    """What so many years would show for which of the steps."""
    large, usual = rows["years_for_ratio_2"].to_list(), rows.filter(pl.col("target_ratio") == 1.5)
    smaller = rows.height - usual.height
    by_ratio = {2: [years for years in large if years != 0], 1.5: usual["years_at_todays_pace"].to_list()}
    if rows.height and all(years is None for years in (*large, *by_ratio[1.5])):
        installs = usual["installs"].drop_nulls().to_list()
        more = (
            f"; 1.5 takes the records of about {how_much_more.rounded(min(installs))} more installs" if installs else ""
        )
        return [f"not even a ratio of 2 would show within {YEARS_AHEAD} years{more}"]
    parts = [f"a ratio of {ratio:g} would {_range_of_years(years)}" for ratio, years in by_ratio.items() if years]
    if smaller:
        which = f"for {smaller} of them " if smaller < rows.height else ""
        parts.append(f"{which}1.5 would have shown by now, so what there is is likely smaller")
    return parts


def _range_of_years(years: list[float | None]) -> str:
    known = sorted(value for value in years if value is not None)
    never = len(years) - len(known)
    if not known:
        return f"not show within {YEARS_AHEAD} years"
    low, high = trade_words.time(known[0]), trade_words.time(known[-1])
    unit = high.rpartition(" ")[2]
    low = low.removesuffix(f" {unit}") if low != high else low
    told = f"show in {low}" if low == high else f"show in {low} to {high.removeprefix('about ')}"
    return f"{told}, for {never} of them not within {YEARS_AHEAD} years" if never else told


def _say_technicians_needed(rows: pl.DataFrame, notes: Notes) -> None:
    none = rows.filter(pl.col("have") == 0)
    if none.height:
        people = counted(none["technician_id"].n_unique(), "technician")
        notes.add(
            "evidence_needed",
            f"{counted(none.height, 'rate')} of technician and step ({people}): not one known job; their records must say how "
            "it was done.",
        )
    rows = rows.filter(pl.col("have") > 0)
    if rows.is_empty():
        return
    more = np.median(np.maximum(rows["need"].to_numpy() - rows["have"].to_numpy(), 0))
    years = rows["years_at_todays_pace"].drop_nulls().to_numpy()
    when = f" ({trade_words.time(float(np.median(years)))} at their pace)" if len(years) else ""
    notes.add(
        "evidence_needed",
        f"{counted(rows.height, 'rate')} of technician and step ({counted(rows['technician_id'].n_unique(), 'technician')}) "
        f"not known to 10 points either way: about {counted(round(more), 'more known job')} each{when}.",
    )


def _say_training_needed(rows: pl.DataFrame, notes: Notes) -> None:
    if rows.height == 1:
        notes.add("evidence_needed", rows["text"][0])
    elif rows.height:
        steps = joined([f"{STEP[step]} ({have})" for step, have in rows.select("step", "have").iter_rows()])
        notes.add(
            "evidence_needed",
            f"Whether training works cannot be told yet for {steps}: in brackets the people whose jobs before and after tell of "
            "it.",
        )


def _say_years_needed(rows: pl.DataFrame, notes: Notes) -> None:
    if rows.is_empty():
        return
    wanted = int(rows["need"][0])
    reached = [wanted - years for years in rows["years_at_todays_pace"].to_list()]
    ages = " to ".join(dict.fromkeys(f"{reach:.0f}" for reach in (min(reached), max(reached))))
    told = f"good and not good are both followed to {ages} years of age"
    if max(reached) < 1:
        told = "no step's good and not good are both followed for a year yet"
    days = rows["from_on"].to_list()
    first, last = min(days).year, max(days).year
    notes.add(
        "evidence_needed",
        f"Years in service by {wanted}: too early to say for {counted(rows.height, 'step')}; {told}. Not before {first}"
        f"{'' if first == last else f' to {last}'}.",
    )


def say_shared(own: RateCells, pooled: RateCells, houses: int, notes: Notes) -> None:
    """How much of the evidence on steps is other contractors'."""
    outcome = "compressor_failure"
    failures = [float(cells.of_outcome(outcome)[1].sum()) for cells in (own, pooled)]
    notes.add(
        "step_effect",
        f"What goes with a step is judged on our own records and those of {houses} other "
        f"{'contractor' if houses == 1 else 'contractors'}: {failures[0]:,.0f} compressor failures in "
        f"{own.years.sum():,.0f} years of service are ours, {failures[1] - failures[0]:,.0f} in "
        f"{pooled.years.sum() - own.years.sum():,.0f} theirs. Compliance and the chances of our own systems stay our own.",
    )
