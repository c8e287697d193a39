"""What happened to the systems afterwards: calls, repairs that open the circuit, new compressors, retirement, lost contact.

A life is followed from the job that began it. Its events come from rates that the steps of the job in force raise
(hazards.py). Only what happens while the customer still calls us is known; contact ends for reasons that have nothing to
do with how well the system runs, so that follow-up by last contact is fair.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from synthetic_data import jobs
from synthetic_data.habits import STEP_NO
from synthetic_data.hazards import NEVER, life_rates
from synthetic_data.worlds import BURNOUT_SHARE, LEAK_RATIO_OF_JOINTS, OUTCOME_BY_NAME, OUTCOMES, VISITED_RATIO

DAYS_A_YEAR = 365.25
FAR_DAY = 10**6
MAINTENANCE, PROACTIVE, CALLBACK, REPAIR, WARRANTY = range(5)
CALL_KINDS = ("maintenance", "proactive", "callback", "repair", "warranty")
FINDINGS = (
    "compressor_burnout", "compressor_mechanical", "metering_restricted", "refrigerant_leak", "low_charge", "over_charge",
    "noncondensables", "acid_in_oil", "moisture_in_circuit", "debris_in_circuit", "coil_freeze", "low_airflow",
    "electrical", "drain", "thermostat", "no_fault_found", "other",
)  # fmt: skip
FINDING_NO = {finding: place for place, finding in enumerate(FINDINGS)}
RETIRED_BECAUSE = ("compressor", "upgrade", "moved", "other")
LIVES_AT_MOST = 5


@dataclass
class Calls:
    system: np.ndarray
    day: np.ndarray
    kind: np.ndarray
    finding: np.ndarray  # -1: nothing written
    put_right: np.ndarray  # 1, 0, -1: nothing written


@dataclass
class Running:
    """Lives that go on when the fleet's last day is over, and what their compressors had coming (for truth.py)."""

    system: np.ndarray
    job: np.ndarray
    age_years: np.ndarray
    expected_12: np.ndarray
    expected_24: np.ndarray
    expected_36: np.ndarray
    expected_36_if_good: np.ndarray
    expected_12_if_good: np.ndarray


@dataclass
class History:
    """Everything that happened; one place for each system where not said otherwise."""

    jobs: jobs.Jobs
    calls: Calls
    on_agreement: np.ndarray
    interval_months: np.ndarray
    contact_end: np.ndarray  # last day of contact
    last_contact: np.ndarray
    retired_day: np.ndarray  # far if in service
    retired_because: np.ndarray
    warranty_day: np.ndarray  # -1: not known
    running: list[Running] = field(default_factory=list)


def _days(age_years):
    """Whole days, never the job's own day."""
    return np.minimum(np.maximum(np.ceil(age_years * DAYS_A_YEAR), 1), FAR_DAY).astype(np.int64)


def live(maker, first: jobs.Jobs) -> History:
    """Follow every system from its first job to the fleet's last day."""
    rng, n, last = maker.rng, maker.systems.count, maker.last_day
    start = maker.met_day.astype(np.int64)  # follow-up begins here: the job's day, or the day we met
    agreement, interval, visits, contact_end = _contact(rng, start, maker.is_adopted, last)
    retire_day, because = _other_retirements(rng, first.day.astype(np.int64), start, last)
    no_trace_day = np.full(n, FAR_DAY)
    wants_visit, visit_day = _proactive_days(rng, first, last)

    history = History(
        first, Calls(*[np.empty(0)] * 5), agreement, interval, contact_end, contact_end.copy(), retire_day, because,
        _warranty(rng, first.day),
    )  # fmt: skip
    parts: list[jobs.Jobs] = [first]
    job_count = first.count
    found: list[Calls] = []
    silent: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []

    system = np.arange(n)
    work = first
    job_no = np.arange(n)
    life_start = first.day.astype(np.int64)
    entry_age = np.where(maker.is_adopted, (start - life_start) / DAYS_A_YEAR, 0.0)
    for _ in range(LIVES_AT_MOST):
        if not len(system):
            break
        limit = np.minimum(np.minimum(contact_end[system], retire_day[system]), last + 1)
        life = _Life(maker, system, work, job_no, life_start, entry_age)
        reopened = life.reopen(limit, retire_day, because)
        if reopened is not None:
            life.after_job_no[life.reopened] = job_count + np.arange(reopened.count)
            parts.append(reopened)
            job_count += reopened.count
        limit = np.minimum(limit, retire_day[system])
        failed, end_day, seen = life.run(limit, wants_visit[system], visit_day[system])
        found += seen
        history.running.append(life.running(failed, last, retire_day, contact_end))
        # what becomes of a system whose compressor failed
        at = np.flatnonzero(failed)
        draw = rng.random(len(at))
        changed = draw < 0.70
        scrapped, upgraded = (draw >= 0.70) & (draw < 0.87), (draw >= 0.87) & (draw < 0.93)
        day = end_day[at]
        gone = scrapped | upgraded
        when = day + np.where(rng.random(len(at)) < 0.15, 0, rng.integers(1, 25, len(at)))
        retire_day[system[at[gone]]] = np.minimum(when[gone], FAR_DAY)
        because[system[at[scrapped]]] = 0
        because[system[at[upgraded]]] = 1
        # one scrapped unit in ten was seen only on the day it was taken out: no call tells of it
        call_missing = scrapped & (rng.random(len(at)) < 0.1)
        retire_day[system[at[call_missing]]] = day[call_missing]
        silent.append((system[at[call_missing]], day[call_missing], np.zeros(call_missing.sum())))
        no_trace = ~changed & ~gone
        no_trace_day[system[at[no_trace]]] = day[no_trace]

        next_day = day + rng.integers(2, 30, len(at))
        goes_on = changed & (next_day < np.minimum(np.minimum(contact_end[system[at]], last), retire_day[system[at]]))
        waiting = changed & ~goes_on  # the changeout lies beyond what is known
        no_trace_day[system[at[waiting]]] = day[waiting]
        at, next_day = at[goes_on], next_day[goes_on]
        kind = np.full(len(at), jobs.COMPRESSOR_CHANGEOUT, dtype=np.int8)
        lead = maker.choose_technician(next_day, maker.systems.branch_no[system[at]])
        joints = np.full(len(at), jobs.BRAZED, dtype=np.int8)
        work = maker.commission(system[at], next_day, lead, kind, joints, np.zeros(len(at), dtype=bool))
        parts.append(work)
        job_no = job_count + np.arange(len(at))
        job_count += len(at)
        system, life_start, entry_age = system[at], next_day, np.zeros(len(at))

    history.jobs = jobs.Jobs.together(parts)
    end = np.minimum(np.minimum(np.minimum(contact_end, retire_day), no_trace_day), last)
    found.append(_maintenance(rng, visits, start, end, maker.is_adopted))
    history.calls = _gather(found, silent)
    history.retired_day = np.where((retire_day <= last) & (retire_day <= contact_end), retire_day, FAR_DAY)
    # the day of retirement is known, so it is a contact; so is the day of a failure after which nothing was heard
    history.last_contact = np.minimum(np.minimum(np.minimum(contact_end, last), history.retired_day), no_trace_day)
    _call_kinds(rng, history, start)
    return history


def _contact(rng, start, is_adopted, last):
    """Agreements, their visits, and the day on which contact ends for reasons of the customer's own."""
    n = len(start)
    began_agreed = rng.random(n) < np.where(is_adopted, 0.8, 0.52)
    interval = np.where(rng.random(n) < 0.75, 12, 6)
    interval_days = interval * DAYS_A_YEAR / 12
    stays = np.where(
        began_agreed, rng.exponential(14 * DAYS_A_YEAR, n), DAYS_A_YEAR + rng.exponential(7 * DAYS_A_YEAR, n)
    )
    visits = []
    last_visit = start.copy()
    # with an agreement: a visit each interval; without one: now and then
    most = int(np.ceil((last - start.min()) / (6 * DAYS_A_YEAR / 12))) + 1
    free_day = start + rng.exponential(4 * DAYS_A_YEAR, n)
    for count in range(1, most + 1):
        day = np.where(began_agreed, start + count * interval_days + rng.integers(-12, 13, n), free_day)
        end = np.where(began_agreed, start + stays, start + stays - DAYS_A_YEAR)
        comes = (day <= end) & (day <= last) & (day >= start + 1)
        if not comes.any() and (count * interval_days + start > last).all() and (free_day > last).all():
            break
        at = np.flatnonzero(comes)
        when = day[at].astype(np.int64)
        visits.append((at, when))
        last_visit[at] = np.maximum(last_visit[at], when)
        free_day = np.where(began_agreed, free_day, free_day + rng.exponential(4 * DAYS_A_YEAR, n))
    agreed = began_agreed & (start + stays > last)
    # an agreement that lapsed: they would have called us for a year after the last visit
    lapsed_end = last_visit + 365
    contact_end = np.where(agreed, last, np.where(began_agreed, lapsed_end, (start + stays).astype(np.int64)))
    return agreed, interval, visits, np.minimum(contact_end, last)


def _other_retirements(rng, made, start, last):
    """Upgrades, moves and the rest: competing ends that the steps do not cause."""
    n = len(made)
    day = np.full(n, FAR_DAY)
    because = np.full(n, -1, dtype=np.int8)
    for code, rate, shape in ((1, 0.003, 2.0), (2, 0.006, 1.0), (3, 0.003, 1.0)):
        entry = (start - made) / DAYS_A_YEAR
        total = rate / shape * ((1 + entry) ** shape - 1) + rng.exponential(1, n)
        age = (1 + total * shape / rate) ** (1 / shape) - 1
        when = made + _days(age)
        first = when < day
        day[first], because[first] = when[first], code
    return day, because


def _proactive_days(rng, first, last):
    """Early visits of the last two years, more often where more was left undone."""
    undone = (~first.good & (first.p_good > 0)).sum(axis=1)
    wants = rng.random(first.count) < 0.02 + 0.015 * undone
    return wants, last - rng.integers(5, 730, first.count)


def _warranty(rng, made):
    years = np.where(rng.random(len(made)) < 0.72, 10, 5)
    day = made + np.round(years * DAYS_A_YEAR).astype(np.int64)
    return np.where(rng.random(len(made)) < 0.1, -1, day)


class _Life:
    """Lives that begin together in the loop (not on the same day), each under its job's steps."""

    def __init__(self, maker, system, work, job_no, life_start, entry_age):
        self.maker, self.system, self.work, self.job_no = maker, system, work, job_no
        self.start, self.entry_age = life_start, entry_age
        self.n = len(system)
        self.bad = (~work.good & (work.p_good > 0)).astype(np.float64)
        self.bad_after = self.bad.copy()
        self.reopened = np.empty(0, dtype=np.int64)
        self.reopened_age = np.full(self.n, NEVER)
        self.after_job_no = job_no.copy()
        world = maker.world
        self.group = maker.group_log_ratio(system)
        self.leak_group = np.log(np.array([LEAK_RATIO_OF_JOINTS[name] for name in jobs.JOINTS]))[work.joints]
        self.harm = maker.habits.harm[work.lead] + world.hurry_harm * work.hurried
        self.harm_after = self.harm.copy()
        self.leak_draw = maker.rng.exponential(1, self.n)
        self.compressor_draw = maker.rng.exponential(1, self.n)

    def _age(self, rates, draw):
        return rates.age_at(rates.cumulative(self.entry_age) + draw)

    def _rates(self, name, visited_age=None, if_all_good=False):
        group = self.group + self.leak_group if name == "refrigerant_leak" else self.group
        kept = 0.0 if if_all_good else 1.0
        return life_rates(
            OUTCOME_BY_NAME[name], self.maker.world, group + self.harm, group + self.harm_after, kept * self.bad,
            kept * self.bad_after, self.reopened_age, visited_age, VISITED_RATIO,
        )  # fmt: skip

    def reopen(self, limit, retire_day, because):
        """Leaks that were mended by opening the circuit; costly ones that ended in an upgrade. Returns the new jobs."""
        maker, rng = self.maker, self.maker.rng
        leak_day = self.start + _days(self._age(self._rates("refrigerant_leak"), self.leak_draw))
        fail_day = self.start + _days(self._age(self._rates("compressor_failure"), self.compressor_draw))
        mended_day = leak_day + rng.integers(1, 15, self.n)
        draw = rng.random(self.n)
        possible = mended_day < np.minimum(limit, fail_day)
        at = np.flatnonzero(possible & (draw < 0.45))
        upgrade_day = mended_day + rng.integers(5, 60, self.n)
        upgraded = possible & (draw >= 0.45) & (draw < 0.55) & (upgrade_day < retire_day[self.system])
        retire_day[self.system[upgraded]] = upgrade_day[upgraded]
        because[self.system[upgraded]] = 1
        if not len(at):
            return None
        self.reopened = at
        self.reopened_age[at] = (mended_day[at] - self.start[at]) / DAYS_A_YEAR
        kind = np.where(draw[at] < 0.30, jobs.CIRCUIT_REPAIR, jobs.COIL_CHANGEOUT).astype(np.int8)
        lead = maker.choose_technician(mended_day[at], maker.systems.branch_no[self.system[at]])
        joints = np.full(len(at), jobs.BRAZED, dtype=np.int8)
        after = maker.commission(self.system[at], mended_day[at], lead, kind, joints, np.zeros(len(at), dtype=bool))
        bad = (~after.good & (after.p_good > 0)).astype(np.float64)
        bad[:, STEP_NO["airflow"]] = self.bad[at, STEP_NO["airflow"]]  # the blower was not touched
        self.bad_after[at] = bad
        self.harm_after[at] = maker.habits.harm[after.lead] + maker.world.hurry_harm * after.hurried
        return after

    def run(self, limit, wants_visit, visit_day):
        """Events up to `limit` (first day on which nothing is known any more). Returns failed, end_day, calls."""
        rng = self.maker.rng
        found: list[Calls] = []
        visit_age = (visit_day - self.start) / DAYS_A_YEAR
        visits = wants_visit & (visit_age > self.entry_age + 0.1) & (visit_day < limit)
        finding = self._visit_finding()
        put_right = visits & (finding >= 0) & (rng.random(self.n) < 0.8)
        self.visited_age = np.where(put_right, visit_age, NEVER)
        self.compressor = self._rates("compressor_failure", self.visited_age)
        fail_day = self.start + _days(self._age(self.compressor, self.compressor_draw))
        failed = fail_day < limit
        end_day = np.where(failed, fail_day, limit)
        at = np.flatnonzero(failed)
        burnout = np.where(
            rng.random(len(at)) < BURNOUT_SHARE, FINDING_NO["compressor_burnout"], FINDING_NO["compressor_mechanical"]
        )
        found.append(self._calls(at, fail_day[at], -1, burnout, 1))
        at = np.flatnonzero(visits & (visit_day < end_day))
        seen = np.where(finding[at] >= 0, finding[at], FINDING_NO["no_fault_found"])
        written = np.where(finding[at] >= 0, put_right[at].astype(np.int8), -1)
        found.append(self._calls(at, visit_day[at], PROACTIVE, seen, written))
        for outcome in OUTCOMES:
            if outcome.name == "compressor_failure":
                continue
            rates = self._rates(outcome.name)
            draw = self.leak_draw if outcome.name == "refrigerant_leak" else rng.exponential(1, self.n)
            for _ in range(2):  # the same fault may come back once
                day = self.start + _days(self._age(rates, draw))
                came = np.flatnonzero(day < end_day)
                right = np.where(rng.random(len(came)) < 0.93, 1, np.where(rng.random(len(came)) < 0.5, 0, -1))
                found.append(self._calls(came, day[came], -1, np.full(len(came), FINDING_NO[outcome.name]), right))
                draw = draw + rng.exponential(1, self.n)
        return failed, end_day, found

    def _visit_finding(self):
        """What an early visit finds, if anything: the trace of a step that was not good."""
        rng = self.maker.rng
        finding = np.full(self.n, -1)
        for step, name in (
            ("evacuation", "acid_in_oil"),
            ("airflow", "low_airflow"),
            ("charge_check", "low_charge"),
            ("charge", "low_charge"),
        ):
            shows = (self.bad[:, STEP_NO[step]] > 0) & (rng.random(self.n) < 0.5)
            finding[shows] = FINDING_NO[name]
        return finding

    def _calls(self, at, day, kind, finding, put_right):
        n = len(at)
        return Calls(
            self.system[at].astype(np.int32), np.asarray(day, dtype=np.int32), np.full(n, kind, dtype=np.int8),
            np.asarray(finding, dtype=np.int8), np.broadcast_to(np.asarray(put_right, dtype=np.int8), n),
        )  # fmt: skip

    def running(self, failed, last, retire_day, contact_end) -> Running:
        """Expected compressor failures of the lives that the records still show in service."""
        age = (last - self.start) / DAYS_A_YEAR
        # taken out after contact was lost: the records still show it in service
        gone = (retire_day[self.system] <= last) & (retire_day[self.system] <= contact_end[self.system])
        on = ~failed & ~gone
        now = self.compressor.cumulative(age)
        good = self._rates("compressor_failure", self.visited_age, if_all_good=True)
        good_now = good.cumulative(age)
        later = {months: self.compressor.cumulative(age + months / 12) - now for months in (12, 24, 36)}
        reopened = self.reopened_age * DAYS_A_YEAR + self.start <= last
        return Running(
            self.system[on], np.where(reopened, self.after_job_no, self.job_no)[on], age[on],
            later[12][on], later[24][on], later[36][on],
            (good.cumulative(age + 3) - good_now)[on], (good.cumulative(age + 1) - good_now)[on],
        )  # fmt: skip


def _maintenance(rng, visits, start, end, is_adopted):
    at = np.concatenate([places for places, _ in visits] + [np.flatnonzero(is_adopted)])
    # the first contact with a system that somebody else put in is a visit to look it over
    day = np.concatenate([days for _, days in visits] + [start[is_adopted]])
    known = day <= end[at]
    at, day = at[known], day[known]
    finding = np.where(rng.random(len(at)) < 0.97, FINDING_NO["no_fault_found"], FINDING_NO["other"])
    n = len(at)
    return Calls(
        at.astype(np.int32), day.astype(np.int32), np.full(n, MAINTENANCE, dtype=np.int8), finding.astype(np.int8),
        np.full(n, -1, dtype=np.int8),
    )  # fmt: skip


def _gather(found, silent) -> Calls:
    names = ("system", "day", "kind", "finding", "put_right")
    whole = Calls(*[np.concatenate([getattr(part, name) for part in found]) for name in names])
    # failures of which no call tells
    hidden = np.concatenate([part[0].astype(np.int64) * FAR_DAY + part[1] for part in silent])
    key = whole.system.astype(np.int64) * FAR_DAY + whole.day
    keep = ~(np.isin(key, hidden) & (whole.finding <= FINDING_NO["compressor_mechanical"]))
    order = np.lexsort((whole.system[keep], whole.day[keep]))
    return Calls(*[getattr(whole, name)[keep][order] for name in names])


def _call_kinds(rng, history: History, start) -> None:
    """Unplanned calls: a callback within a year of the last job, warranty or repair after it."""
    calls = history.calls
    keys = np.sort(history.jobs.system.astype(np.int64) * FAR_DAY + history.jobs.day)
    key = calls.system.astype(np.int64) * FAR_DAY + calls.day
    before = keys[np.maximum(np.searchsorted(keys, key, side="right") - 1, 0)]
    since = np.where(before // FAR_DAY == calls.system, calls.day - before % FAR_DAY, FAR_DAY)
    in_warranty = calls.day <= history.warranty_day[calls.system]
    draw = rng.random(len(calls.day))
    part = np.isin(
        calls.finding,
        [
            FINDING_NO[name]
            for name in ("compressor_burnout", "compressor_mechanical", "metering_restricted", "electrical", "other")
        ],
    )
    kind = np.where(
        (since <= 365) & (draw < 0.8), CALLBACK, np.where(in_warranty & (part | (draw < 0.15)), WARRANTY, REPAIR)
    )
    history.calls.kind = np.where(calls.kind < 0, kind, calls.kind).astype(np.int8)
