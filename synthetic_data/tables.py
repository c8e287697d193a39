"""The fleet's arrays turned into the contract's tables."""

from __future__ import annotations

import numpy as np
import polars as pl

from synthetic_data import calls, gauge_curves, jobs, readings, scenario
from synthetic_data.habits import CANNOT_TELL, FAILED, NOT_DONE, PASSED, STEP_NO, TICKED_ONLY
from synthetic_data.worlds import OUTCOME_BY_NAME, STEPS

TABLE_NAMES = (
    "technicians", "sites", "systems", "jobs", "steps", "readings", "traces", "calls", "instruments", "training",
    "inspections", "equipment_limits", "blower_table",
)  # fmt: skip
INSTRUMENT_KINDS = ("micron_gauge", "manifold", "scale", "manometer", "clamp_meter", "thermometer")
SHORT_KIND = {
    "micron_gauge": "VG",
    "manifold": "MF",
    "scale": "SC",
    "manometer": "MM",
    "clamp_meter": "CM",
    "thermometer": "TH",
}
DAY_S = 86_400
LOGS_AT_MOST = 20_000
FINDING_COST = {
    "compressor_burnout": 2400.0, "compressor_mechanical": 2400.0,
    **{name: outcome.cost_median for name, outcome in OUTCOME_BY_NAME.items() if name != "compressor_failure"},
}  # fmt: skip


def dates(days: np.ndarray, known: np.ndarray | None = None) -> pl.Series:
    """Days since 1970-01-01 as dates, empty where not known."""
    series = pl.Series(np.asarray(days, dtype=np.int32)).cast(pl.Date)
    if known is None:
        return series
    return pl.select(pl.when(pl.lit(pl.Series(known))).then(pl.lit(series))).to_series()


def words(codes: np.ndarray, names) -> pl.Series:
    """Codes as the words they stand for; -1 is empty."""
    index = pl.Series(np.asarray(codes, dtype=np.int64))
    index = pl.select(pl.when(pl.lit(index) >= 0).then(pl.lit(index))).to_series().cast(pl.UInt32)
    return pl.Series(list(names), dtype=pl.String).gather(index)


def only_where(values: pl.Series, known: np.ndarray) -> pl.Series:
    return pl.select(pl.when(pl.lit(pl.Series(known))).then(pl.lit(values))).to_series()


def numbered(letter: str, count: int, width: int) -> pl.Series:
    return pl.select(pl.lit(letter) + pl.int_range(1, count + 1).cast(pl.String).str.zfill(width)).to_series()


class Tables:
    """One fleet's tables in the making."""

    def __init__(self, maker, history: calls.History):
        self.maker, self.history, self.rng = maker, history, maker.rng
        all_jobs = history.jobs
        # jobs are numbered in the order of their days, as an office would
        self.order = np.argsort(all_jobs.day, kind="stable")
        self.jobs = all_jobs.take(self.order)
        width = max(5, len(str(self.jobs.count)))
        self.job_id = numbered("J", self.jobs.count, width)
        self.system_id = numbered("S", maker.systems.count, max(5, len(str(maker.systems.count))))
        self.technician_id = pl.Series(maker.people.technician_id)
        self.is_own = self.jobs.installed_by != jobs.SOMEONE_ELSE

    def frames(self, log_share: float) -> dict[str, pl.DataFrame]:
        frames = {
            "technicians": self.technicians(),
            "sites": self.sites(),
            "systems": self.systems(),
            "jobs": self.job_table(),
            "steps": self.steps(),
        }
        frames["readings"], rises = self.readings()
        frames["traces"] = self.traces(rises, log_share)
        frames["calls"] = self.calls()
        frames["instruments"] = self.instruments()
        frames["training"] = self.training()
        frames["inspections"] = self.inspections()
        frames["equipment_limits"] = equipment_limits()
        frames["blower_table"] = blower_table()
        return frames

    def technicians(self) -> pl.DataFrame:
        people = self.maker.people
        stays = people.left_day >= scenario.FAR_DAY
        return pl.DataFrame(
            {
                "technician_id": self.technician_id,
                "name": pl.Series(people.name),
                "crew": words(people.crew_no, people.crews),
                "branch": words(people.branch_no, people.branches),
                "firm": words(np.where(people.is_subcontractor, 0, -1), [scenario.SUBCONTRACTOR_FIRM]),
                "hired_on": dates(people.hired_day),
                "left_on": dates(np.where(stays, 0, people.left_day), ~stays),
            }
        )

    def sites(self) -> pl.DataFrame:
        maker, rng = self.maker, self.rng
        systems = maker.systems
        # most sites have one system, some two: a second one stands at the site before it, if in the same area
        second = (rng.random(systems.count) < 0.10) & (np.arange(systems.count) > 0)
        shared = np.flatnonzero(second)
        owner = np.arange(systems.count)
        last_in_area: dict[int, int] = {}
        is_second = np.zeros(systems.count, dtype=bool)
        is_second[shared] = True
        for place, area in zip(range(systems.count), systems.area_no.tolist(), strict=True):
            if is_second[place] and area in last_in_area:
                owner[place] = last_in_area.pop(area)
            else:
                last_in_area[area] = place
        places, self.site_of = np.unique(owner, return_inverse=True)
        self.site_id = numbered("P", len(places), max(5, len(str(len(places)))))
        area = systems.area_no[places]
        count = len(places)
        areas = scenario.area_names(len(maker.people.branches))
        # branches lie along the valley, areas around them
        centre_lat = scenario.VALLEY_LATITUDE + 0.16 * (np.arange(len(areas)) // 6) + 0.05 * (np.arange(len(areas)) % 3)
        centre_lon = (
            scenario.VALLEY_LONGITUDE + 0.11 * (np.arange(len(areas)) // 6) + 0.07 * (np.arange(len(areas)) % 6 // 3)
        )
        known = rng.random(count) < 0.97
        number = pl.Series(rng.integers(1, 400, count))
        lane = words(rng.integers(0, len(scenario.LANES), count), scenario.LANES)
        contact = words(
            rng.integers(0, len(scenario.ANIMALS), count), [f"{animal} household" for animal in scenario.ANIMALS]
        )
        note = words(
            np.where(rng.random(count) < 0.15, rng.integers(0, 3, count), -1),
            ["mornings only", "ring before coming", "gate is locked at noon"],
        )
        frame = pl.DataFrame({"number": number, "lane": lane}).select(
            address=pl.col("number").cast(pl.String) + " " + pl.col("lane")
        )
        return pl.DataFrame(
            {
                "site_id": self.site_id,
                "label": pl.select(pl.lit("site ") + pl.lit(self.site_id)).to_series(),
                "address": frame["address"],
                "contact": contact,
                # numbers of the kind set apart for fiction
                "phone": words(rng.integers(0, 100, count), [f"555-01{digits:02d}" for digits in range(100)]),
                "time_note": note,
                "area": words(area, areas),
                "latitude": only_where(pl.Series(np.round(centre_lat[area] + rng.normal(0, 0.012, count), 5)), known),
                "longitude": only_where(pl.Series(np.round(centre_lon[area] + rng.normal(0, 0.014, count), 5)), known),
                "altitude_ft": pl.Series(systems.altitude_ft[places]),
            }
        )

    def systems(self) -> pl.DataFrame:
        maker, history, rng = self.maker, self.history, self.rng
        systems = maker.systems
        n = systems.count
        retired = history.retired_day <= maker.last_day
        told = rng.random(n) < 0.86
        ducted_told = (rng.random(n) < 0.8) | (systems.is_ducted != (systems.equipment != 2))
        areas = scenario.area_names(len(maker.people.branches))
        return pl.DataFrame(
            {
                "system_id": self.system_id,
                "site_id": self.site_id.gather(pl.Series(self.site_of.astype(np.uint32))),
                "area": words(systems.area_no, areas),
                "equipment": words(systems.equipment, jobs.EQUIPMENT),
                "ducted": only_where(pl.Series(systems.is_ducted), ducted_told),
                "air_handler": words(np.where(rng.random(n) < 0.85, systems.air_handler, -1), jobs.AIR_HANDLERS),
                "refrigerant": words(systems.refrigerant, jobs.REFRIGERANTS),
                "nominal_tons": pl.Series(systems.tons),
                "metering": words(systems.metering, jobs.METERING),
                "model": only_where(pl.Series(maker.models), systems.has_model),
                "agreement": pl.Series(history.on_agreement & ~retired),
                "visit_interval_months": only_where(
                    pl.Series(history.interval_months.astype(float)), history.on_agreement
                ),
                "last_contact_on": dates(history.last_contact, told),
                "warranty_until": dates(history.warranty_day, history.warranty_day >= 0),
                "retired_on": dates(np.where(retired, history.retired_day, 0), retired),
                "retired_because": words(np.where(retired, history.retired_because, -1), calls.RETIRED_BECAUSE),
            }
        )

    def job_table(self) -> pl.DataFrame:
        work, rng = self.jobs, self.rng
        n, own = work.count, self.is_own
        # some jobs say the branch, most leave it to the lead's
        branch = self.maker.people.branch_no[work.lead]
        says_branch = own & (rng.random(n) < 0.1)
        return pl.DataFrame(
            {
                "job_id": self.job_id,
                "system_id": self.system_id.gather(pl.Series(work.system.astype(np.uint32))),
                "technician_id": words(np.where(own, work.lead, -1), self.technician_id),
                "helper_ids": words(np.where(own, work.helper, -1), self.technician_id),
                "job_kind": words(work.kind, jobs.KINDS),
                "joints": words(work.joints, jobs.JOINTS),
                "brazed_joints": only_where(
                    pl.Series(work.brazed_joints.astype(np.int64)), own & (work.joints == jobs.BRAZED)
                ),
                "line_set_ft": only_where(pl.Series(work.line_set_ft.astype(float)), own & (work.line_set_ft > 0)),
                "line_set_reused": only_where(pl.Series(work.line_set_reused), own),
                "ducts_kept": only_where(pl.Series(work.ducts_kept), own),
                "installed_by": words(work.installed_by, jobs.INSTALLED_BY),
                "branch": words(np.where(says_branch, branch, -1), self.maker.people.branches),
                "form": words(np.where(own, work.form, -1), jobs.FORMS),
                "finished_on": dates(work.day),
            }
        )

    def _step_times(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Seconds since 1970 at which each step began and ended, and whether the form stamps it."""
        work, rng = self.jobs, self.rng
        n = work.count
        did = np.isin(work.written, (PASSED, FAILED, TICKED_ONLY, CANNOT_TELL))
        low = np.array([25, 68, 5, 95, 16, 10, 15, 15, 6])
        high = np.array([50, 80, 12, 140, 22, 20, 30, 25, 12])
        minutes = rng.integers(low, high + 1, (n, len(STEPS)))
        minutes = np.where(work.written == TICKED_ONLY, np.maximum(minutes // 4, 2), minutes)
        too_fast = work.doer == self.maker.habits.story["too_fast_no"]
        hasty = too_fast & (rng.random((n, 1)) < 0.7)
        minutes = np.where(hasty, np.minimum(minutes, rng.integers(3, 8, (n, len(STEPS)))), minutes)
        office = (work.form == jobs.OFFICE)[:, None]
        length = np.where(did, minutes * 60 + rng.integers(0, 60, (n, len(STEPS))), 0)
        gap = np.where(did, rng.integers(60, 700, (n, len(STEPS))), 0)
        length = np.where(office & did, rng.integers(2, 12, (n, len(STEPS))), length)
        gap = np.where(office & did, rng.integers(1, 8, (n, len(STEPS))), gap)
        ended = np.cumsum(length + gap, axis=1)
        begin = work.day.astype(np.int64) * DAY_S + 7 * 3600 + rng.integers(0, 5400, n)
        begin = np.where(office[:, 0], begin + 9 * 3600, begin)
        ended = begin[:, None] + ended
        stamped = did & np.isin(work.form, (jobs.PHONE_1, jobs.PHONE_2, jobs.OFFICE))[:, None]
        return ended - length, ended, stamped

    def steps(self) -> pl.DataFrame:
        work = self.jobs
        self.started, self.ended, self.stamped = self._step_times()
        row, step = np.nonzero(np.isin(work.written, (PASSED, FAILED, TICKED_ONLY, CANNOT_TELL, NOT_DONE)))
        not_done = work.written[row, step] == NOT_DONE
        # a reading without a tick happens; the reading speaks for itself
        measured = np.isin(work.written[row, step], (PASSED, FAILED, CANNOT_TELL)) & (
            step != STEP_NO["nitrogen_release"]
        )
        ticked = np.where(not_done, 1, np.where(measured & (self.rng.random(len(row)) < 0.03), -1, 0))
        stamped = self.stamped[row, step]
        doer = work.doer[row, step]
        return pl.DataFrame(
            {
                "job_id": self.job_id.gather(pl.Series(row.astype(np.uint32))),
                "step": words(step, STEPS),
                "ticked": words(ticked, ("done", "not_done")),
                "started_at": _times(self.started[row, step], stamped),
                "ended_at": _times(self.ended[row, step], stamped),
                "technician_id": words(np.where(doer != work.lead[row], doer, -1), self.technician_id),
            }
        )

    def readings(self) -> tuple[pl.DataFrame, readings.RiseTests]:
        found, rises = readings.make_readings(
            self.rng, self.maker.systems, self.jobs, self.maker.habits.story, self.maker.models
        )
        job = np.concatenate(found.job)
        quantity = np.concatenate(found.quantity)
        value = np.concatenate(found.value)
        at_start = np.concatenate(found.at_start)
        text = pl.Series(value).cast(pl.String)
        if found.text:
            place = np.concatenate([offset + np.arange(len(codes)) for offset, codes, _ in found.text])
            said = np.concatenate([terms[codes] for _, codes, terms in found.text])
            text = text.scatter(pl.Series(place), pl.Series(said))
        order = np.argsort(job.astype(np.int64) * 64 + quantity, kind="stable")
        job, quantity, at_start = job[order], quantity[order], at_start[order]
        # the last figure of each job and quantity: the gauge logs must agree with it
        self.last_written = np.full((self.jobs.count, len(readings.QUANTITIES)), np.nan)
        self.last_written[job, quantity] = value[order]
        step = np.array([STEP_NO[name] for name, _, _ in readings.QUANTITIES], dtype=np.int8)[quantity]
        taken = np.where(at_start, self.started[job, step] + 30, self.ended[job, step] - 20)
        stamped = self.stamped[job, step] & np.isin(self.jobs.form[job], (jobs.PHONE_1, jobs.PHONE_2))
        kind_no = np.array(
            [INSTRUMENT_KINDS.index(readings.INSTRUMENT_OF_STEP[name]) for name in STEPS if name != "nitrogen_release"]
        )
        kind_of_step = np.insert(kind_no, STEP_NO["nitrogen_release"], 0)[step]
        names = [
            f"{technician}-{SHORT_KIND[kind]}"
            for technician in self.maker.people.technician_id
            for kind in INSTRUMENT_KINDS
        ]
        noted = (self.jobs.form[job] == jobs.PHONE_2) & (job % 5 != 0)
        instrument = np.where(
            noted, self.jobs.doer[job, step].astype(np.int64) * len(INSTRUMENT_KINDS) + kind_of_step, -1
        )
        frame = pl.DataFrame(
            {
                "job_id": self.job_id.gather(pl.Series(job.astype(np.uint32))),
                "step": words(step, STEPS),
                "quantity": words(quantity, [name for _, name, _ in readings.QUANTITIES]),
                "value": text.gather(pl.Series(order.astype(np.uint32))),
                "unit": words(quantity, [unit or None for _, _, unit in readings.QUANTITIES]),
                "taken_at": _times(taken, stamped),
                "instrument_id": words(instrument, names),
            }
        )
        return frame, rises

    def traces(self, rises: readings.RiseTests, log_share: float) -> pl.DataFrame:
        """Gauge logs of some rise tests, with the pumping down before some of them, and of some nitrogen tests."""
        rng, work = self.rng, self.jobs
        recent = (work.form[rises.job] == jobs.PHONE_2) & (rises.minutes >= 10)
        wanted = min(round(log_share * self.maker.installs), LOGS_AT_MOST)
        pool = np.flatnonzero(recent)
        chosen = np.sort(rng.choice(pool, min(wanted, len(pool)), replace=False))
        job = rises.job[chosen]
        start, end = rises.start_micron[chosen], rises.end_micron[chosen]
        # the curve must stand at the written figure when the test ended, be it at 10 or at 15 minutes
        end_at_600 = start + (end - start) * np.where(rises.minutes[chosen] > 10, 0.8, 1.0)
        kind = gauge_curves.choose_kind(rng, start, end, rises.failed[chosen])
        self.log_kind = pl.DataFrame(
            {
                "job_id": self.job_id.gather(pl.Series(job.astype(np.uint32))),
                "kind": words(kind, gauge_curves.CURVE_KINDS),
                "start_micron": start,
                "micron_at_600_s": end_at_600,
            },
            schema={"job_id": pl.String, "kind": pl.String, "start_micron": pl.Float64, "micron_at_600_s": pl.Float64},
        )
        longer = rng.choice([610.0, 930.0, 1260.0, 1830.0], len(job), p=[0.45, 0.25, 0.2, 0.1])
        duration = np.where(rises.minutes[chosen] > 10, np.maximum(longer, 930.0), longer)
        parts = [
            self._trace(
                job, "vacuum_rise", "vacuum", "micron", gauge_curves.rise_logs(rng, start, end_at_600, kind, duration)
            )
        ]
        pulled = np.flatnonzero(
            (rng.random(len(job)) < 0.3) & np.isin(work.written[job, STEP_NO["evacuation"]], (PASSED,))
        )
        last = self._written(job[pulled], "evacuation", "vacuum", start[pulled] * 0.97)
        samples = gauge_curves.pump_down_logs(rng, last, rng.uniform(1500, 3600, len(pulled)))
        parts.append(self._trace(job[pulled], "evacuation", "vacuum", "micron", samples))
        held = np.flatnonzero((rng.random(len(job)) < 0.15) & (work.written[job, STEP_NO["pressure_test"]] == PASSED))
        degf = rng.uniform(60, 90, len(held)).round()
        begin = rng.uniform(156, 170, len(held)).round()
        rise = rng.integers(-3, 4, len(held))
        end_psig = (begin + 14.7) * (degf + rise + 459.67) / (degf + 459.67) - 14.7
        by_refrigerant = np.array([2.6, 2.6, 2.6, 1.7, 1.7, 1.0])[
            self.maker.systems.refrigerant[work.system[job[held]]]
        ]
        tested = job[held]
        begin = self._written(tested, "pressure_test", "start_pressure", begin * by_refrigerant)
        end_psig = self._written(tested, "pressure_test", "end_pressure", end_psig * by_refrigerant)
        first_degf = self._written(tested, "pressure_test", "start_temperature", degf)
        last_degf = self._written(tested, "pressure_test", "end_temperature", degf + rise)
        seconds = rng.uniform(950, 1900, len(held))
        pressure, temperature = gauge_curves.pressure_logs(rng, begin, end_psig, first_degf, last_degf, seconds)
        # a log that ends long before the written time is left out
        whole = seconds >= 57 * self._written(tested, "pressure_test", "hold_time", np.zeros(len(held)))
        for quantity, unit, found in (("test_pressure", "psig", pressure), ("test_temperature", "degF", temperature)):
            keep = whole[found.log]
            found = gauge_curves.Samples(found.log[keep], found.elapsed_s[keep], found.value[keep])
            parts.append(self._trace(tested, "pressure_test", quantity, unit, found))
        return pl.concat(parts)

    def _written(self, job: np.ndarray, step: str, quantity: str, otherwise: np.ndarray) -> np.ndarray:
        """The last figure written for these jobs, and `otherwise` where there is none."""
        place = next(n for n, (own, name, _) in enumerate(readings.QUANTITIES) if (own, name) == (step, quantity))
        found = self.last_written[job, place]
        return np.where(np.isnan(found), otherwise, found)

    def _trace(self, job, step, quantity, unit, samples: gauge_curves.Samples) -> pl.DataFrame:
        kind = INSTRUMENT_KINDS.index(readings.INSTRUMENT_OF_STEP[step])
        doer = self.jobs.doer[job, STEP_NO[step]]
        name = [f"{self.maker.people.technician_id[who]}-{SHORT_KIND[INSTRUMENT_KINDS[kind]]}" for who in doer]
        return pl.DataFrame(
            {
                "job_id": self.job_id.gather(pl.Series(job[samples.log].astype(np.uint32))),
                "step": pl.repeat(step, len(samples.log), dtype=pl.String, eager=True),
                "attempt": pl.repeat(1, len(samples.log), dtype=pl.Int64, eager=True),
                "quantity": pl.repeat(quantity, len(samples.log), dtype=pl.String, eager=True),
                "unit": pl.repeat(unit, len(samples.log), dtype=pl.String, eager=True),
                "elapsed_s": pl.Series(samples.elapsed_s, dtype=pl.Float64),
                "value": pl.Series(samples.value, dtype=pl.Float64),
                "instrument_id": words(samples.log, name) if name else pl.Series([], dtype=pl.String),
            }
        )

    def calls(self) -> pl.DataFrame:
        found, rng = self.history.calls, self.rng
        n = len(found.day)
        medians = np.array([FINDING_COST.get(name, 200.0) for name in calls.FINDINGS])
        cost = medians[np.maximum(found.finding, 0)] * np.exp(rng.normal(0, 0.4, n))
        # of a repair outside warranty and the first year the customer bears a part
        cost = np.where(found.kind == calls.REPAIR, cost * np.where(found.finding <= 1, 0.85, 0.6), cost)
        cost = np.where(found.kind == calls.MAINTENANCE, rng.normal(95, 14, n).clip(50), cost)
        cost = np.where(found.kind == calls.PROACTIVE, rng.normal(150, 25, n).clip(80), cost)
        who = self.maker.choose_technician(found.day, self.maker.systems.branch_no[found.system])
        return pl.DataFrame(
            {
                "call_id": numbered("C", n, max(6, len(str(n)))),
                "system_id": self.system_id.gather(pl.Series(found.system.astype(np.uint32))),
                "opened_on": dates(found.day),
                "call_kind": words(found.kind, calls.CALL_KINDS),
                "finding": words(found.finding, calls.FINDINGS),
                "put_right": only_where(pl.Series(found.put_right == 1), found.put_right >= 0),
                "cost": only_where(pl.Series(np.round(cost, 2)), rng.random(n) < 0.93),
                "technician_id": words(np.where(rng.random(n) < 0.97, who, -1), self.technician_id),
            }
        )

    def instruments(self) -> pl.DataFrame:
        people, rng, last = self.maker.people, self.rng, self.maker.last_day
        who = np.repeat(np.arange(people.count), len(INSTRUMENT_KINDS))
        kind = np.tile(np.arange(len(INSTRUMENT_KINDS)), people.count)
        until = np.minimum(people.left_day[who], last)
        calibrated = until - rng.integers(10, 330, len(who)) - np.where(rng.random(len(who)) < 0.15, 365, 0)
        known = rng.random(len(who)) < 0.93
        return pl.DataFrame(
            {
                "instrument_id": pl.Series(
                    [
                        f"{people.technician_id[a]}-{SHORT_KIND[INSTRUMENT_KINDS[b]]}"
                        for a, b in zip(who, kind, strict=True)
                    ]
                ),
                "kind": words(kind, INSTRUMENT_KINDS),
                "calibrated_on": dates(calibrated, known),
                "due_on": dates(calibrated + 365, known),
            }
        )

    def training(self) -> pl.DataFrame:
        parts = []
        for course in self.maker.training.courses:
            day = self.maker.habits.course_day[course.name]
            sent = np.flatnonzero(day < scenario.FAR_DAY)
            parts.append(
                pl.DataFrame(
                    {
                        "technician_id": words(sent, self.technician_id),
                        "step": pl.repeat(course.step, len(sent), dtype=pl.String, eager=True),
                        "course": pl.repeat(course.name, len(sent), dtype=pl.String, eager=True),
                        "held_on": dates(day[sent]),
                        "hours": pl.repeat(float(course.hours), len(sent), dtype=pl.Float64, eager=True),
                    }
                )
            )
        return pl.concat(parts)

    def inspections(self) -> pl.DataFrame:
        """One job in twenty of the last three years, measured again by somebody else some days later."""
        rng, work = self.rng, self.jobs
        recent = work.day > self.maker.last_day - 1095
        drawn = recent & (rng.random(work.count) < 0.05) & (work.day < self.maker.last_day - 20)
        parts = []
        for step, quantity, unit in (("airflow", "airflow", "cfm"), ("electrical", "compressor_current", "A")):
            at = np.flatnonzero(drawn & np.isin(work.written[:, STEP_NO[step]], (PASSED, FAILED, TICKED_ONLY)))
            tons = self.maker.systems.tons[work.system[at]]
            good = work.good[at, STEP_NO[step]]
            if step == "airflow":
                value = tons * np.where(good, rng.uniform(365, 435, len(at)), rng.uniform(230, 340, len(at)))
            else:
                value = tons * 4.3 * np.where(good, rng.uniform(0.6, 0.95, len(at)), rng.uniform(1.3, 1.6, len(at)))
            inspector = (work.lead[at] + 1) % self.maker.people.count
            parts.append(
                pl.DataFrame(
                    {
                        "job_id": self.job_id.gather(pl.Series(at.astype(np.uint32))),
                        "step": pl.repeat(step, len(at), dtype=pl.String, eager=True),
                        "inspected_on": dates(work.day[at] + rng.integers(3, 20, len(at))),
                        "inspector_id": words(inspector, self.technician_id),
                        "quantity": pl.repeat(quantity, len(at), dtype=pl.String, eager=True),
                        "value": pl.Series(np.round(value, 1), dtype=pl.Float64),
                        "unit": pl.repeat(unit, len(at), dtype=pl.String, eager=True),
                    }
                )
            )
        return pl.concat(parts)


def _times(seconds: np.ndarray, known: np.ndarray) -> pl.Series:
    series = pl.Series(np.asarray(seconds, dtype=np.int64) * 1_000_000).cast(pl.Datetime("us"))
    return only_where(series, known)


def equipment_limits() -> pl.DataFrame:
    """The invented makers' own limits and plate figures."""
    tight, plate, static = scenario.MODEL_TIGHT_VACUUM, scenario.MODEL_PLATE, scenario.MODEL_HIGH_STATIC
    target = scenario.MODEL_TIGHT_VACUUM_TARGET_DELTA_DEGF
    rows = [
        (tight, "evacuation", "vacuum", None, 400.0, "micron"),
        (tight, "vacuum_rise", "rise_end", None, 800.0, "micron"),
        (tight, "charge_check", "target_subcooling", target, target, "delta_degF"),
        (plate, "pressure_test", "design_pressure_low", None, scenario.PLATE_DESIGN_PSIG, "psig"),
        (plate, "pressure_test", "design_pressure_high", None, scenario.PLATE_DESIGN_PSIG, "psig"),
        (static, "airflow", "maximum_static", None, scenario.HIGH_STATIC_INWC, "inwc"),
    ]
    names = ["model", "step", "quantity", "at_least", "at_most", "unit"]
    return pl.DataFrame(
        rows, schema=dict(zip(names, [pl.String] * 3 + [pl.Float64] * 2 + [pl.String], strict=True)), orient="row"
    )


def blower_table() -> pl.DataFrame:
    """Air against static pressure of three invented blowers: at the medium setting about 400 cfm for each ton."""
    rows = []
    for model in scenario.BLOWER_MODELS:
        tons = int(model.rsplit("-", 1)[1]) / 12
        for setting, per_ton in (("low", 345), ("medium", 415), ("high", 470)):
            for static in (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7):
                flow = tons * per_ton * (1 - 0.16 * static)
                rows.append((model, setting, static, float(round(flow)), float(round(flow * (0.22 + 0.3 * static)))))
    names = ["model", "setting", "total_static_inwc", "airflow_cfm", "fan_power_w"]
    return pl.DataFrame(rows, schema=dict(zip(names, [pl.String] * 2 + [pl.Float64] * 3, strict=True)), orient="row")
