"""The job folder as a paper: each step's state, figure, limit and source, and every reading with its file and line."""

from __future__ import annotations

from typing import Any

from dashboard import limit_words, shown, words
from dashboard.papers.ledger import Ledger, in_order_of_steps
from pipelines.contract import KNOWN_STATES
from pipelines.errors import InputError

TITLE = "Job folder"
SAMPLES_AT_MOST = 240
NOT_A_GRADE = (
    "A grade is a review of records. It does not prove a system safe or tight, it is no inspection and no certificate, and "
    "it does not replace the maker's instructions, the local code or the licensed person on site."
)
HOW = (
    "Each step is held against the limit named beside it: the maker's own where it is known, else that of the house's "
    "profile. The worst reading of what was there decides. A tick alone proves nothing; a reading that is incomplete, too "
    "short or unreadable is “cannot tell”, whatever was ticked. No record is never the same as not done."
)

_JOB = """
    select j.job_id, j.system_id, j.job_kind::varchar as job_kind, j.finished_on, j.form, j.line_set_ft, j.line_set_reused,
        j.joints::varchar as joints, j.installed_by::varchar as installed_by, j.source_file, j.source_line, j.load_id,
        s.equipment::varchar as equipment, s.refrigerant::varchar as refrigerant, s.nominal_tons,
        s.metering::varchar as metering, s.model, s.warranty_until, t.crew,
        coalesce(nullif(t.name, ''), j.technician_id) as name, coalesce(nullif(j.branch, ''), t.branch) as branch
    from staged_job j left join staged_system s on s.system_id = j.system_id
    left join staged_technician t on t.technician_id = j.technician_id
    where j.job_id = $job limit 1
"""
_GRADES = f"""
    select g.* replace (g.step::varchar as step), l.at_least, l.at_most, l.bound, l.source, l.clause, l.status, l.profile,
        coalesce(nullif(t.name, ''), g.technician_id) as name, st.ticked::varchar as ticked
    from step_grade g left join limit_used l using (limit_id)
    left join staged_technician t on t.technician_id = g.technician_id
    left join staged_step st on st.job_id = g.job_id and st.step::varchar = g.step::varchar
    where g.job_id = $job order by {in_order_of_steps("g.step")}
"""
_READINGS = f"""
    select taken_at, step::varchar as step, quantity::varchar as quantity, value, unit::varchar as unit, value_text,
        original_value, original_unit, instrument_id, source_file, source_line, load_id,
        reading_order = max(reading_order) over (partition by step, quantity) as counts
    from staged_reading where job_id = $job
    order by {in_order_of_steps()}, taken_at nulls last, reading_order limit 500
"""
_LOG = """
    with log as (
        select elapsed_s / 60 as minutes, value from staged_trace
        where job_id = $job and step::varchar = $step and coalesce(attempt, 1) = $attempt and quantity::varchar = 'vacuum'
    ), cut as (select *, ntile($at_most) over (order by minutes) as stretch from log)
    select avg(minutes) as minutes, max(value) as value from cut group by stretch order by minutes
"""


def content(ledger: Ledger, job: str | None = None) -> dict[str, Any]:
    """Everything that the template prints.

    job : its number; without one, the newest graded job.

    Raises
    ------
    InputError : there is no such job.
    """
    job_id = job or _newest(ledger)
    found = ledger.ask(_JOB, job=job_id)
    if found.is_empty():
        raise InputError(f"There is no job {job_id}. `slowfuse export jobs` names them all.")
    about = found.row(0, named=True)
    grades = list(ledger.ask_table("step_grade", _GRADES, job=job_id).iter_rows(named=True))
    if grades and "limit_used" not in ledger.tables:
        grades = []
    return {
        "head": f"{TITLE} {job_id}",
        "stamp": ledger.stamp(),
        "foot": NOT_A_GRADE,
        "job": f"Job {job_id}",
        "answer": _answer(about, grades),
        "facts": _facts(about),
        "steps": [_step(row) for row in grades if row["state"] != "not_applicable"],
        "out": words.joined(words.step(row["step"]).lower() for row in grades if row["state"] == "not_applicable"),
        "how": HOW,
        "logs": _logs(ledger, job_id, {row["step"]: row for row in grades}),
        "readings": _readings(ledger, job_id),
        "rejected": _rejected(ledger, job_id),
        "cautions": _cautions(about, grades),
        "first": "The maker's instructions, the local code and the licensed person on site come first.",
        "not_a_grade": NOT_A_GRADE,
    }


def _newest(ledger: Ledger) -> str:
    found = ledger.ask_table(
        "step_grade",
        "select job_id from step_grade join staged_job using (job_id) order by finished_on desc nulls last, job_id limit 1",
    )
    if found.is_empty():
        raise InputError("No graded job is in the store yet. Load exports with `slowfuse load`.")
    return found["job_id"][0]


def _answer(about: dict[str, Any], grades: list[dict[str, Any]]) -> str:
    what = (
        f"{words.equipment_in_sentence(about['equipment'])}, {words.JOB_KIND.get(about['job_kind'] or '', 'job')}, finished "
        f"{words.date(about['finished_on'])}"
    )
    what = what[0].upper() + what[1:]
    if about["installed_by"] == "someone_else":
        return f"{what}: put in by somebody else; there are no steps of ours to judge."
    belong = [row for row in grades if row["state"] != "not_applicable"]
    if not any(row["state"] in KNOWN_STATES for row in belong):
        return f"{what}: nothing can be said about its {words.counted(len(belong), 'step')}."
    good = sum(row["state"] == "passed" for row in belong)
    rest = []
    for state in ("failed", "not_done", "ticked_only", "cannot_tell", "no_record", "disputed"):
        names = [words.step(row["step"]).lower() for row in belong if row["state"] == state]
        if names:
            said = words.state(state)
            rest.append(f"{len(names)} {said[0].lower()}{said[1:]} ({words.joined(names)})")
    tail = f": {words.joined(rest)}" if rest else ""
    return f"{what}: {good} of the {words.counted(len(belong), 'step')} that belong to it are good{tail}."


def _facts(about: dict[str, Any]) -> list[list[str]]:
    def said(value: Any, unit: str = "") -> str:
        return "not recorded" if value in (None, "") else f"{value}{unit}".replace("_", " ")

    reused = {True: "reused", False: "new"}.get(about["line_set_reused"], "not recorded whether new")
    tons = "not recorded" if about["nominal_tons"] is None else f"{words.number(about['nominal_tons'])} tons"
    line = "not recorded" if about["line_set_ft"] is None else f"{words.number(about['line_set_ft'], 0)} ft, {reused}"
    return [
        ["System", about["system_id"] or "not recorded"],
        ["Lead", about["name"] or "not recorded"],
        ["Crew, branch", f"{about['crew'] or 'not recorded'}, {about['branch'] or 'not recorded'}"],
        ["Equipment", f"{words.EQUIPMENT.get(about['equipment'] or '', 'not recorded')}, {tons}"],
        ["Model", about["model"] or "not recorded"],
        ["Refrigerant", said(about["refrigerant"])],
        ["Metering", words.metering(about["metering"])],
        ["Joints", said(about["joints"])],
        ["Line set", line],
        ["Form", about["form"] or "not recorded"],
        ["Warranty until", words.date(about["warranty_until"])],
        ["From", f"{about['source_file'] or 'not recorded'}, line {words.count(about['source_line'])}, load {said(about['load_id'])}"],
    ]  # fmt: skip


def _step(row: dict[str, Any]) -> dict[str, str]:
    by = f"Done by {row['name']}" if row.get("credited_by") == "step" else f"Counted to the lead, {row['name']}"
    ticked = {"done": "Ticked as done", "not_done": "Ticked as not done"}.get(str(row.get("ticked")), "No tick")
    limit = limit_words.bounds(row) if row.get("limit_id") else "–"
    version = (
        f"Its name: {row['limit_id']}, profile {row['profile']}" if row.get("limit_id") and row.get("profile") else ""
    )
    return {
        "step": words.step(row["step"]),
        "state": words.state_with_sign(row["state"]),
        "measured": words.measured(row["measured"], row["unit"], figures=3),
        "limit": limit,
        "why": words.sentence(row["why"]),
        "small": ". ".join(part for part in (by, ticked, limit_words.source(row), version) if part),
    }


def _logs(ledger: Ledger, job_id: str, grade_of: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Each vacuum log that was judged, thinned to what a curve can show, with its verdict in words."""
    verdicts = ledger.ask_table(
        "trace_verdict",
        "select step::varchar as step, coalesce(attempt, 1) as attempt, verdict::varchar as verdict, why "
        "from trace_verdict where job_id = $job order by 1, 2 limit 4",
        job=job_id,
    )
    out = []
    for row in verdicts.iter_rows(named=True):
        samples = ledger.ask(_LOG, job=job_id, step=row["step"], attempt=row["attempt"], at_most=SAMPLES_AT_MOST)
        if samples.height < 2:
            continue
        limit = _limit_micron(grade_of.get(row["step"]))
        said = f"The curve says {words.VERDICT.get(row['verdict'], row['verdict'])}: {words.sentence(row['why'])}"
        minutes, top = max(samples["minutes"]), max(samples["value"])
        out.append(
            {
                "title": f"Gauge log: {words.step(row['step']).lower()}, attempt {row['attempt']}",
                "points": [[minute, _level(value)] for minute, value in samples.iter_rows()],
                "limit": _level(limit) if limit is not None else None,
                "limit_words": f"limit {words.measured(limit, 'micron')}",
                "unit": words.unit(shown.shown_unit("micron")),
                "said": said,
                "alt": f"Vacuum over {words.number(minutes)} minutes, at most {words.measured(top, 'micron')}. {said}",
            }
        )
    return out


def _level(micron: float) -> float:
    """A level of the vacuum in the unit in which it is shown."""
    change = shown.change_of("micron")
    return change.apply(micron) if change else micron


def _limit_micron(grade: dict[str, Any] | None) -> float | None:
    """The level that the log was held against, where the step was judged by one."""
    if grade is None or grade["unit"] != "micron":
        return None
    return grade["at_most"] if grade["at_most"] is not None else grade["limit_value"]


def _readings(ledger: Ledger, job_id: str) -> list[list[str]]:
    return [
        [
            words.step(row["step"]),
            words.quantity(row["quantity"]),
            limit_words.taken_as(row),
            limit_words.as_written(row),
            "counts" if row["counts"] else "earlier",
            words.moment(row["taken_at"]),
            row["instrument_id"] or "–",
            f"{row['source_file'] or 'not recorded'}, line {words.count(row['source_line'])} ({row['load_id'] or '–'})",
        ]
        for row in ledger.ask(_READINGS, job=job_id).iter_rows(named=True)
    ]


def _rejected(ledger: Ledger, job_id: str) -> list[str]:
    found = ledger.ask_table(
        "rejected_reading",
        "select step::varchar as step, quantity::varchar as quantity, value, reason from rejected_reading "
        "where job_id = $job limit 100",
        job=job_id,
    )
    return [
        f"{words.step(row['step'])}, {words.quantity(row['quantity']).lower()}: “{row['value']}” {row['reason']}"
        for row in found.iter_rows(named=True)
    ]


def _cautions(about: dict[str, Any], grades: list[dict[str, Any]]) -> list[str]:
    names = [
        name
        for row in grades
        if row["state"] in ("failed", "not_done", "ticked_only")
        for name in words.STEP_CAUTIONS.get(row["step"], ())
        if name != "flammable" or about["refrigerant"] in ("R-32", "R-454B")
    ]
    return [words.CAUTION[name] for name in dict.fromkeys(names)]
