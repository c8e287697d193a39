"""Invented fleets whose truth is known, easy and hard, written straight into staged and graded tables.

Every rate and ratio is made up. The worlds differ in what stands between the truth and the records: careless people,
hurried jobs, drift, lost records, systems put in by others, second jobs, contact that is not written down, upgrades and
visits. `make` gives a store's tables; `TRUE_EFFECTS` is what a fit should find.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import duckdb
import numpy as np
import polars as pl

from pipelines.contract import STEPS
from tests.models import invented_fleet

LAST_DAY = invented_fleet.LAST_DAY
DAYS_A_YEAR = 365.25
YEARS = 10.0
EARLY_DAYS = 730.0
NEVER = 1e7

# log ratios (early, late) of a step that is not good: 16 that are not nothing among 5 outcomes x 9 steps x 2 bands
TRUE_EFFECTS: dict[str, dict[str, tuple[float, float]]] = {
    "compressor_failure": {
        "nitrogen_flow": (0.0, 0.60), "evacuation": (0.50, 0.80), "vacuum_rise": (0.0, 0.50), "charge": (0.40, 0.50),
        "airflow": (0.0, 0.50),
    },
    "refrigerant_leak": {"pressure_test": (0.90, 0.55), "vacuum_rise": (0.60, 0.0)},
    "metering_restricted": {"nitrogen_flow": (0.95, 0.70), "evacuation": (0.60, 0.0)},
    "low_airflow": {"airflow": (1.00, 0.70)},
    "other": {"charge_check": (0.50, 0.0)},
    "thermostat": {},
}  # fmt: skip
YEARLY_RATE = {
    "compressor_failure": 0.0050, "refrigerant_leak": 0.0120, "metering_restricted": 0.0040, "low_airflow": 0.0060,
    "other": 0.0200, "thermostat": 0.0150,
}  # fmt: skip
TESTED = tuple(outcome for outcome in TRUE_EFFECTS if outcome != "thermostat")
CONTROL = "thermostat"
# share of jobs on which a step is not good, for an average technician
USUALLY_BAD = np.array([0.25, 0.10, 0.15, 0.20, 0.20, 0.12, 0.20, 0.20, 0.10])


@dataclass(frozen=True)
class World:
    """What holds in one world.

    effect_share : every true log ratio is multiplied by this. careless_harm : log ratio on every outcome for each
    standard deviation of a technician's carelessness. frailty_sd : what else lies in the technician.
    hurry_harm : log ratio on every outcome for each standard deviation of a job's hurry, which also makes steps not good;
    control_share : how much of it touches the control. habit_drift : log odds of a step not good, a year later;
    cohort_drift : log ratio of every rate, for systems put in a year later. volume_sd : of the log of jobs a technician.
    lost_share, lost_by_careless : share of jobs with no record at all, and log odds for each standard deviation.
    unknown_share, unknown_if_bad : share of single steps without a record, and log odds where the step was not good.
    unknown_together, unknown_by_careless, unknown_by_hurry, unknown_if_failed : log odds that a step has no record, for
    each standard deviation of what a job's steps share, of the technician's carelessness and of the job's hurry, and
    where the compressor failed. no_field_share : share of pairs of technician and step that never have a record.
    winter_unknown : share of charge checks in December to February that cannot be judged.
    adopted_share, second_jobs, contact_is_written, upgrade_share, visit_share : see the functions that read them.
    truly_good_if_ticked : share of the ticked, nothing measured that were good in truth.
    """

    name: str
    effect_share: float = 1.0
    careless_harm: float = 0.40
    frailty_sd: float = 0.25
    hurry_harm: float = 0.0
    control_share: float = 1.0
    habit_drift: float = 0.0
    cohort_drift: float = 0.0
    volume_sd: float = 0.0
    lost_share: float = 0.0
    lost_by_careless: float = 0.0
    unknown_share: float = 0.04
    unknown_if_bad: float = 0.0
    unknown_together: float = 0.0
    unknown_by_careless: float = 0.0
    unknown_by_hurry: float = 0.0
    unknown_if_failed: float = 0.0
    no_field_share: float = 0.0
    winter_unknown: float = 0.0
    adopted_share: float = 0.0
    second_jobs: bool = False
    contact_is_written: bool = True
    upgrade_share: float = 0.0
    visit_share: float = 0.0
    truly_good_if_ticked: float = 0.0
    rate_factor: float = 1.0
    steps_always_together: float = 0.0


PLAIN = World("plain")
WORLDS: dict[str, World] = {
    world.name: world
    for world in (
        PLAIN,
        replace(PLAIN, name="null", effect_share=0.0),
        replace(PLAIN, name="hurried", hurry_harm=0.25),
        replace(PLAIN, name="hurried_null", hurry_harm=0.25, effect_share=0.0),
        replace(PLAIN, name="half_hurried", hurry_harm=0.25, control_share=0.5),
        replace(PLAIN, name="drift", habit_drift=-0.12, cohort_drift=-0.06),
        replace(PLAIN, name="uneven", volume_sd=1.2),
        replace(PLAIN, name="lost", lost_share=0.15, lost_by_careless=0.8),
        replace(PLAIN, name="missing", unknown_share=0.15),
        replace(PLAIN, name="missing_if_bad", unknown_share=0.12, unknown_if_bad=1.0),
        replace(PLAIN, name="winter", winter_unknown=0.9),
        replace(PLAIN, name="adopted", adopted_share=0.12, second_jobs=True),
        replace(PLAIN, name="second_jobs", second_jobs=True),
        replace(PLAIN, name="contact", contact_is_written=False),
        replace(PLAIN, name="upgrades", upgrade_share=0.35),
        replace(PLAIN, name="visits", visit_share=0.25),
        replace(PLAIN, name="blurred", truly_good_if_ticked=0.5),
        replace(PLAIN, name="together", steps_always_together=2.0),
        World(
            "everything", hurry_harm=0.25, volume_sd=0.8, lost_share=0.06, lost_by_careless=0.5, unknown_share=0.06,
            winter_unknown=0.7, adopted_share=0.06, second_jobs=True, contact_is_written=False, upgrade_share=0.15,
            visit_share=0.08,
        ),
    )
}  # fmt: skip


@dataclass
class Made:
    """One invented fleet: its store's tables, and what is true of each own install.

    truth : bad, belongs [installs, steps]; lead [installs]; log_rates [installs, 2], of a compressor failure a year, early
        and late, under the work it was put in with.
    """

    systems: pl.DataFrame
    jobs: pl.DataFrame
    calls: pl.DataFrame
    technicians: pl.DataFrame
    grades: pl.DataFrame
    truth: dict[str, np.ndarray] = field(default_factory=dict)


def truth_of(world: World, outcome: str, step: str, band: str) -> float:
    """The log ratio that was put in; a step's effect that was not named is nothing."""
    early, late = TRUE_EFFECTS.get(outcome, {}).get(step, (0.0, 0.0))
    return world.effect_share * (early if band == "early" else late)


def make(world: World, installs: int, technicians: int, seed: int) -> Made:
    """One fleet of this world; the same arguments give the same fleet."""
    return _Maker(world, installs, technicians, np.random.default_rng(seed)).make()


def store_of(made: Made) -> duckdb.DuckDBPyConnection:
    """A store that holds the fleet, graded."""
    con = invented_fleet.empty_store()
    for table, frame in (
        ("staged_system", made.systems), ("staged_job", made.jobs), ("staged_call", made.calls),
        ("staged_technician", made.technicians), ("step_grade", made.grades),
    ):  # fmt: skip
        invented_fleet.put(con, table, frame)
    return con


class _Maker:
    def __init__(self, world: World, installs: int, technicians: int, rng: np.random.Generator) -> None:
        self.world, self.n, self.people, self.rng = world, installs, technicians, rng
        self.careless = rng.normal(0, 1, technicians)
        self.habit = rng.normal(0, 0.7, (technicians, len(STEPS))) + 0.6 * self.careless[:, None]
        self.harm = world.careless_harm * self.careless + rng.normal(0, world.frailty_sd, technicians)
        volume = np.exp(rng.normal(0, world.volume_sd, technicians)) if world.volume_sd else np.ones(technicians)
        self.volume = volume / volume.sum()
        self.first_day = np.datetime64(LAST_DAY) - round(YEARS * DAYS_A_YEAR)
        self.span = round(YEARS * DAYS_A_YEAR)
        if world.no_field_share:
            self.has_no_field = rng.random((technicians, len(STEPS))) < world.no_field_share

    # what was done -------------------------------------------------------------------------------------------------

    def work(self, start: np.ndarray, belongs: np.ndarray) -> dict[str, np.ndarray]:
        """Jobs on these days: who led them, which steps were not good, how hurried they were."""
        rng, world = self.rng, self.world
        lead = rng.choice(self.people, len(start), p=self.volume)
        hurry = rng.normal(0, 1, len(start))
        together = rng.normal(0, world.steps_always_together, len(start)) if world.steps_always_together else 0.0
        usual = np.log(USUALLY_BAD) - np.log1p(-USUALLY_BAD)
        logit = usual + self.habit[lead] + (world.habit_drift * (start / DAYS_A_YEAR - YEARS / 2))[:, None]
        logit = logit + (0.8 * hurry if world.hurry_harm else 0.0 * hurry)[:, None] + np.reshape(together, (-1, 1))
        bad = (rng.random((len(start), len(STEPS))) < 1 / (1 + np.exp(-logit))) & belongs
        return {"lead": lead, "hurry": hurry, "bad": bad, "start": start, "belongs": belongs}

    def recorded(self, work: dict[str, np.ndarray]) -> np.ndarray:
        """[jobs, steps] state codes as the records show them."""
        rng, world, bad, belongs = self.rng, self.world, work["bad"], work["belongs"]
        shape = bad.shape
        kind = rng.choice(["failed", "ticked_only", "not_done"], shape, p=[0.3, 0.4, 0.3])
        state = np.where(bad, kind, "passed").astype("<U14")
        if world.truly_good_if_ticked:
            # among the good, so many are ticked without a reading that this share of all ticked were good
            ticked = (state == "ticked_only").sum(axis=0)
            good = (state == "passed").sum(axis=0)
            share = ticked * world.truly_good_if_ticked / (1 - world.truly_good_if_ticked) / np.maximum(good, 1)
            state[(state == "passed") & (rng.random(shape) < share)] = "ticked_only"
        odds = world.unknown_share / (1 - world.unknown_share) * np.exp(world.unknown_if_bad * bad)
        odds = odds * np.exp(self._unknown_of_job(work))[:, None]
        state[rng.random(shape) < odds / (1 + odds)] = "no_record"
        if world.no_field_share:
            state[self.has_no_field[work["lead"]]] = "no_record"
        if world.winter_unknown:
            day = self.first_day + work["start"].astype(int)
            is_winter = np.isin(day.astype("datetime64[M]").astype(int) % 12, (11, 0, 1))
            hidden = is_winter & (rng.random(len(day)) < world.winter_unknown)
            state[hidden, STEPS.index("charge_check")] = "cannot_tell"
        if world.lost_share:
            odds = np.exp(world.lost_by_careless * self.careless[work["lead"]])
            odds *= world.lost_share / (1 - world.lost_share)
            state[rng.random(len(bad)) < odds / (1 + odds)] = "no_record"
        state[~belongs] = "not_applicable"
        return state

    def _unknown_of_job(self, work: dict[str, np.ndarray]) -> np.ndarray:
        """[jobs] log odds, beside the usual ones, that a step of this job has no record."""
        world = self.world
        log_odds = world.unknown_by_careless * self.careless[work["lead"]] + world.unknown_by_hurry * work["hurry"]
        log_odds = log_odds + world.unknown_if_failed * work.get("has_failed", 0.0)
        if world.unknown_together:
            log_odds = log_odds + self.rng.normal(0, world.unknown_together, len(log_odds))
        return log_odds

    # what came of it -----------------------------------------------------------------------------------------------

    def log_rates(self, outcome: str, work: dict[str, np.ndarray], common: np.ndarray) -> np.ndarray:
        """[jobs, 2] log rates a year, early and late, under this work."""
        ratio = np.zeros((len(common), 2))
        for step, pair in TRUE_EFFECTS[outcome].items():
            ratio += work["bad"][:, [STEPS.index(step)]] * np.array(pair) * self.world.effect_share
        hurry = self.world.hurry_harm * (self.world.control_share if outcome == CONTROL else 1.0)
        own = common + self.harm[work["lead"]] + hurry * work["hurry"]
        base = np.log(YEARLY_RATE[outcome] * self.world.rate_factor)
        return base + own[:, None] + ratio + np.array([0.0, 0.18])

    def _first(self, early: np.ndarray, late: np.ndarray, change: np.ndarray, after: tuple | None) -> np.ndarray:
        """Age in days of the first event; rates a year, other rates `after` from age `change` on."""
        need = self.rng.exponential(1.0, len(early))
        edges = np.sort(np.column_stack([np.full(len(early), EARLY_DAYS), change]), axis=1)
        low, at, done = np.zeros(len(early)), np.full(len(early), NEVER), np.zeros(len(early), dtype=bool)
        for place in range(3):
            high = edges[:, place] if place < 2 else np.full(len(early), NEVER)
            is_late, is_after = low >= EARLY_DAYS, low >= change
            rate = np.where(is_late, late, early)
            if after is not None:
                rate = np.where(is_after, np.where(is_late, after[1], after[0]), rate)
            rate = rate / DAYS_A_YEAR
            piece = rate * (high - low)
            here = ~done & (need <= piece)
            at[here] = (low + need / rate)[here]
            done |= here
            need = need - piece
            low = high
        return at

    def make(self) -> Made:
        rng, world, n = self.rng, self.world, self.n
        equipment = rng.choice(["split_ac", "split_heat_pump", "ductless", "packaged"], n, p=[0.5, 0.25, 0.15, 0.1])
        joints = rng.choice(["brazed", "pressed", "flared"], n, p=[0.75, 0.15, 0.1])
        belongs = np.ones((n, len(STEPS)), dtype=bool)
        belongs[:, 0] = joints == "brazed"
        belongs[np.ix_(equipment == "packaged", range(1, 6))] = False
        belongs[equipment == "ductless", 6] = False
        belongs[equipment == "ductless", 7] = False
        start = np.sort(rng.integers(0, self.span, n)).astype(float)
        adopted = rng.random(n) < world.adopted_share
        work = self.work(start, belongs)
        common = np.select([equipment == "split_heat_pump", equipment == "ductless"], [0.2, -0.3], 0.0)
        common = common + world.cohort_drift * (start / DAYS_A_YEAR - YEARS / 2)

        lost_contact = np.minimum(self.span - start, (rng.exponential(8.0, n) + 0.5) * DAYS_A_YEAR)
        retire = rng.exponential(60.0, n) * DAYS_A_YEAR
        none = np.full(n, NEVER)
        when: dict[str, np.ndarray] = {}

        # a leak may be mended by a second job, which opens the circuit again under somebody else's hands
        rates = np.exp(self.log_rates("refrigerant_leak", work, common))
        when["refrigerant_leak"] = self._first(rates[:, 0], rates[:, 1], none, None)
        change, second = none, None
        if world.second_jobs:
            fixed = (when["refrigerant_leak"] < NEVER / 2) & (rng.random(n) < 0.6)
            change = np.where(fixed, np.ceil(when["refrigerant_leak"]) + rng.integers(1, 15, n), NEVER)
            second = self.work(start + np.where(fixed, change, 0), belongs)
            second["bad"][:, 6] = work["bad"][:, 6]  # the blower was not touched
        for outcome in TRUE_EFFECTS:
            if outcome == "refrigerant_leak":
                continue
            rates = np.exp(self.log_rates(outcome, work, common))
            after = None
            if second is not None:
                later = np.exp(self.log_rates(outcome, second, common))
                after = (later[:, 0], later[:, 1])
            when[outcome] = self._first(rates[:, 0], rates[:, 1], change, after)

        if world.upgrade_share:
            costly = np.minimum(when["refrigerant_leak"], when["metering_restricted"])
            taken = (rng.random(n) < world.upgrade_share) & (costly < NEVER / 2)
            retire = np.where(taken, np.minimum(retire, costly + rng.integers(5, 60, n)), retire)
        visit = self._visits(work, start)
        # a visit that put something right leaves half of the compressor's rate; follow-up for effects ends there
        left = when["compressor_failure"]
        when["compressor_failure"] = np.where(left > visit, visit + (left - visit) * 2, left)

        stop = np.minimum(np.minimum(self.span - start, retire), when["compressor_failure"])
        heard = lost_contact if world.contact_is_written else self._told(start, lost_contact)
        work["has_failed"] = when["compressor_failure"] <= np.minimum(stop, heard)
        jobs = self._jobs(work, second, change, np.minimum(stop, lost_contact), joints, adopted)
        return Made(
            systems=self._systems(equipment, start, retire, stop, lost_contact),
            jobs=jobs[0],
            calls=self._calls(when, start, stop, heard, lost_contact, visit, adopted),
            technicians=pl.DataFrame({
                "technician_id": [f"T{t:03d}" for t in range(self.people)],
                "crew": [f"crew {t % 5}" for t in range(self.people)],
                "branch": ["north" if t % 2 else "south" for t in range(self.people)],
            }),
            grades=jobs[1],
            truth={
                "bad": work["bad"], "lead": work["lead"], "belongs": belongs,
                "log_rates": self.log_rates("compressor_failure", work, common),
            },
        )  # fmt: skip

    def _visits(self, work: dict[str, np.ndarray], start: np.ndarray) -> np.ndarray:
        """Age of a proactive visit that put something right; they go where the work was doubtful."""
        if not self.world.visit_share:
            return np.full(self.n, NEVER)
        doubtful = work["bad"].sum(axis=1)
        chance = np.minimum(self.world.visit_share * doubtful, 0.8)
        age = self.rng.uniform(200, 3000, self.n)
        return np.where(self.rng.random(self.n) < chance, np.round(age), NEVER)

    def _told(self, start: np.ndarray, lost_contact: np.ndarray) -> np.ndarray:
        """Where contact is not written down: four in ten are on an agreement and tell all; of the rest only troubles come."""
        self.on_agreement = self.rng.random(self.n) < 0.4
        return lost_contact

    # the tables ----------------------------------------------------------------------------------------------------

    def _day(self, start: np.ndarray, age: np.ndarray) -> np.ndarray:
        return self.first_day + start.astype(int) + np.minimum(age, 1e5).astype(int)

    def _systems(self, equipment, start, retire, stop, lost_contact) -> pl.DataFrame:
        n = self.n
        retired = (retire <= stop) & (retire <= lost_contact)
        written = self.world.contact_is_written
        return pl.DataFrame({
            "system_id": _ids("S", n),
            "area": [f"A{i % 20}" for i in range(n)],
            "equipment": equipment,
            "agreement": [None] * n if written else self.on_agreement,
            "visit_interval_months": [12.0] * n,
            "last_contact_on": self._day(start, np.floor(lost_contact)) if written else [None] * n,
            "retired_on": np.where(retired, self._day(start, np.ceil(retire)), np.datetime64("NaT")),
        }).with_columns(
            pl.col("last_contact_on", "retired_on").cast(pl.Date), pl.col("agreement").cast(pl.Boolean),
            retired_because=pl.when(pl.Series(retired)).then(pl.lit("upgrade")),
        )  # fmt: skip

    def _jobs(self, work, second, change, seen_until, joints, adopted) -> tuple[pl.DataFrame, pl.DataFrame]:
        n = self.n
        frames, states = [], []
        state = self.recorded(work)
        state[adopted] = "no_record"
        frames.append(pl.DataFrame({
            "job_id": _ids("J", n), "system_id": _ids("S", n), "lead": work["lead"],
            "job_kind": np.full(n, "new_install"), "joints": joints,
            "installed_by": np.where(adopted, "someone_else", "own_crew"),
            "finished_on": self._day(work["start"], np.zeros(n)),
        }))  # fmt: skip
        states.append(state)
        if second is not None:
            at = np.flatnonzero(change < seen_until)
            own = self.recorded({name: values[at] for name, values in second.items()})
            own[:, 6] = "not_applicable"
            frames.append(pl.DataFrame({
                "job_id": [f"K{i}" for i in at], "system_id": [f"S{i}" for i in at], "lead": second["lead"][at],
                "job_kind": np.full(len(at), "circuit_repair"), "joints": joints[at],
                "installed_by": np.full(len(at), "own_crew"), "finished_on": self._day(work["start"], change)[at],
            }))  # fmt: skip
            states.append(own)
        jobs = pl.concat(frames).with_columns(
            pl.col("finished_on").cast(pl.Date),
            technician_id=pl.format("T{}", pl.col("lead").cast(pl.String).str.zfill(3)),
        )
        state = np.concatenate(states)
        steps = len(STEPS)
        grades = jobs.select("job_id", "system_id", "technician_id")[np.repeat(np.arange(len(state)), steps)]
        grades = grades.with_columns(
            step=pl.Series(np.tile(np.array(STEPS), len(state))), state=pl.Series(state.ravel())
        )
        return jobs.drop("lead"), grades

    def _calls(self, when, start, stop, heard, lost_contact, visit, adopted) -> pl.DataFrame:
        n, rng = self.n, self.rng
        first_seen = np.where(adopted, rng.uniform(30, 1500, n), 0.0)
        parts = []

        def add(at, age, kind, finding, put_right=None):
            # what someone else put in is not met before the first contact
            at = at[age[at] >= first_seen[at]]
            parts.append(pl.DataFrame({
                "system_id": [f"S{i}" for i in at], "opened_on": self._day(start, np.ceil(age))[at],
                "call_kind": np.full(len(at), kind), "finding": np.full(len(at), finding),
                "put_right": np.full(len(at), bool(put_right)),
                "cost": np.round(np.exp(rng.normal(7.7 if finding == "compressor_burnout" else 5.8, 0.3, len(at)))),
            }))  # fmt: skip

        for outcome, age in when.items():
            finding = "compressor_burnout" if outcome == "compressor_failure" else outcome
            add(np.flatnonzero((age <= stop) & (age <= heard)), age, "repair", finding)
        add(np.flatnonzero((visit < stop) & (visit <= lost_contact)), visit, "proactive", "acid_in_oil", put_right=True)
        met = np.flatnonzero(adopted & (first_seen < np.minimum(stop, lost_contact)))
        add(met, first_seen, "maintenance", "no_fault_found")
        if not self.world.contact_is_written:
            for year in range(1, int(YEARS) + 1):
                age = np.full(n, year * DAYS_A_YEAR) + rng.uniform(-20, 20, n)
                add(
                    np.flatnonzero(self.on_agreement & (age < np.minimum(stop, lost_contact))),
                    age, "maintenance", "no_fault_found",
                )  # fmt: skip
        calls = pl.concat(parts).with_columns(pl.col("opened_on").cast(pl.Date))
        return calls.with_columns(call_id=pl.format("C{}", pl.int_range(pl.len()))).filter(
            pl.col("opened_on") <= date.fromisoformat(str(LAST_DAY))
        )


def _ids(letter: str, number: int) -> list[str]:
    return [f"{letter}{i}" for i in range(number)]
