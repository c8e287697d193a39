"""An invented fleet: who installed what, how well, what was written down, and what happened to it afterwards.

`make_fleet` gives every contract table as a frame, and apart from them the truth (truth.py). The same arguments give the
same fleet. All effects are invented (worlds.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from synthetic_data import calls, habits, jobs, scenario, tables, truth
from synthetic_data.habits import STEP_NO
from synthetic_data.training import Training
from synthetic_data.worlds import EQUIPMENT_RATIO, STEPS, WORLDS, World

DAYS_A_YEAR = 365.25
EPOCH = date(1970, 1, 1)


@dataclass
class Fleet:
    """The contract's tables as frames, in contract units, and the truth beside them."""

    technicians: pl.DataFrame
    sites: pl.DataFrame
    systems: pl.DataFrame
    jobs: pl.DataFrame
    steps: pl.DataFrame
    readings: pl.DataFrame
    traces: pl.DataFrame
    calls: pl.DataFrame
    instruments: pl.DataFrame
    training: pl.DataFrame
    inspections: pl.DataFrame
    equipment_limits: pl.DataFrame
    blower_table: pl.DataFrame
    truth: truth.Truth
    as_of: date

    def tables(self) -> dict[str, pl.DataFrame]:
        """Contract tables by name, in the order of the contract."""
        return {name: getattr(self, name) for name in tables.TABLE_NAMES}


def make_fleet(
    installs: int = 8000,
    seed: int = 1,
    as_of: date | None = None,
    world: str | World = "usual",
    years: float = 9.25,
    log_share: float = 0.06,
) -> Fleet:
    """An invented fleet.

    installs : own new installs and changeouts of the first life; adopted systems and later jobs come on top
    as_of : the last day that anything can lie on; default three days before today
    world : a name in worlds.WORLDS (`usual`, `hard`, `null`, `null_hard`, `blurred`), or a World
    years : how far back the first install lies
    log_share : share of installs with gauge logs (at most 20,000)

    Raises
    ------
    ValueError : less than 10 installs, or a world that is not known.
    """
    if installs < 10:
        raise ValueError(f"A fleet needs at least 10 installs, not {installs}.")
    if isinstance(world, str):
        if world not in WORLDS:
            raise ValueError(f"No invented world is called {world!r}; known: {', '.join(WORLDS)}.")
        world = WORLDS[world]
    as_of = as_of or date.today() - timedelta(days=3)
    maker = _Maker(installs, np.random.default_rng(seed), (as_of - EPOCH).days, world, years)
    return maker.make(log_share)


class _Maker:
    """Holds what all parts of one fleet share: people, systems, the days between which it lies, the random stream."""

    def __init__(self, installs: int, rng: np.random.Generator, last_day: int, world: World, years: float):
        self.rng, self.world, self.last_day = rng, world, last_day
        self.first_day = last_day - round(years * DAYS_A_YEAR)
        self.installs = installs
        self.adopted = max(2, round(installs * 0.03))
        self.people = scenario.make_people(rng, installs, self.first_day, last_day)
        self.training = Training(self.first_day, last_day)
        self.habits = habits.make_habits(rng, self.people, world, self.training)
        self._by_branch = [np.flatnonzero(self.people.branch_no == no) for no in range(len(self.people.branches))]
        self.gauge_crew = habits.gauge_crew_no(self.people)
        self.old_form_branch = habits.OLD_FORM_BRANCH_NO

    def make(self, log_share: float) -> Fleet:
        first = self._first_jobs()
        history = calls.live(self, first)
        made = tables.Tables(self, history)
        frames = made.frames(log_share)
        return Fleet(
            **frames,
            truth=truth.make_truth(self, history, made),
            as_of=EPOCH + timedelta(days=self.last_day),
        )

    # people and days -------------------------------------------------------------------------------------------------

    def choose_technician(self, day: np.ndarray, branch: np.ndarray | None = None) -> np.ndarray:
        """Somebody who was there on the day, of the branch where one is asked for and has somebody."""
        people, rng = self.people, self.rng
        weight = people.weight / people.weight.sum()
        chosen = rng.choice(people.count, len(day), p=weight)
        if branch is not None:
            for no, members in enumerate(self._by_branch):
                here = np.flatnonzero(branch == no)
                part = people.weight[members]
                chosen[here] = rng.choice(members, len(here), p=part / part.sum())
        for attempt in range(40):
            absent = np.flatnonzero((people.hired_day[chosen] > day) | (people.left_day[chosen] <= day))
            if not len(absent):
                break
            if branch is None or attempt >= 12:
                chosen[absent] = rng.choice(people.count, len(absent), p=weight)
            else:
                for no in np.unique(branch[absent]):
                    members = self._by_branch[no]
                    here = absent[branch[absent] == no]
                    chosen[here] = rng.choice(members, len(here))
        else:
            absent = np.flatnonzero((people.hired_day[chosen] > day) | (people.left_day[chosen] <= day))
            chosen[absent] = rng.integers(0, min(8, people.count), len(absent))
        return chosen

    def _install_days(self) -> np.ndarray:
        days = np.arange(self.first_day, self.last_day)
        day_of_year = (days - 0.25) % DAYS_A_YEAR
        weekday = (days + 3) % 7  # 1970-01-01 was a Thursday; 0 is Monday
        weight = (1 + 0.05 * (days - self.first_day) / DAYS_A_YEAR) * (
            1 + 0.5 * np.cos(2 * np.pi * (day_of_year - 195) / 365.25)
        )
        weight = weight * np.where(weekday < 5, 1.0, np.where(weekday == 5, 0.2, 0.0))
        return np.sort(self.rng.choice(days, self.installs, p=weight / weight.sum()))

    def outdoor_degf(self, day: np.ndarray) -> np.ndarray:
        day_of_year = (day - 0.25) % DAYS_A_YEAR
        mean = 67 + 22 * np.cos(2 * np.pi * (day_of_year - 200) / 365.25)
        return np.round(np.clip(mean + self.rng.normal(0, 7, len(day)), 8, 112))  # as a form asks for it

    # systems and the jobs that put them in -----------------------------------------------------------------------------

    def _first_jobs(self) -> jobs.Jobs:
        rng = self.rng
        day = self._install_days()
        lead = self.choose_technician(day)
        # systems that somebody else put in, up to twelve years before we met them
        met_day = rng.integers(self.first_day + 60, self.last_day - 30, self.adopted)
        adopted_day = met_day - (rng.uniform(0.5, 12, self.adopted) * DAYS_A_YEAR).astype(np.int64)
        self.met_day = np.concatenate([day, met_day])
        all_day = np.concatenate([day, adopted_day])
        lead = np.concatenate([lead, self.choose_technician(met_day)])
        n = len(all_day)
        is_adopted = np.arange(n) >= self.installs
        self.is_adopted = is_adopted
        self.systems = self._make_systems(all_day, lead, n)
        self.models = self._models()
        kind = np.where(rng.random(n) < 0.35, jobs.NEW_INSTALL, jobs.CHANGEOUT).astype(np.int8)
        equipment = self.systems.equipment
        draw = rng.random(n)
        joints = np.where(draw < 0.78, jobs.BRAZED, np.where(draw < 0.93, jobs.PRESSED, jobs.FLARED))
        joints = np.where(equipment == 2, np.where(draw < 0.75, jobs.FLARED, jobs.BRAZED), joints)
        joints = np.where(equipment == 3, jobs.NO_JOINTS, joints).astype(np.int8)
        return self.commission(np.arange(n), all_day, lead, kind, joints, is_adopted)

    def _make_systems(self, day: np.ndarray, lead: np.ndarray, n: int) -> jobs.Systems:
        rng = self.rng
        equipment = rng.choice(4, n, p=[0.46, 0.29, 0.14, 0.11]).astype(np.int8)
        year = day / DAYS_A_YEAR + 1970
        draw = rng.random(n)
        refrigerant = np.where(year < 2010, np.where(draw < 0.6, 3, 0), 0)
        refrigerant = np.where((year >= 2010) & (year < 2020) & (draw < 0.03), 3, refrigerant)
        refrigerant = np.where((draw > 0.97) & (year < 2024), 4, refrigerant)
        refrigerant = np.where((draw > 0.994) & (year < 2024), 5, refrigerant)
        refrigerant = np.where((year >= 2024.6) & (draw < 0.75), np.where(draw < 0.3, 1, 2), refrigerant)
        refrigerant = np.where((equipment == 2) & (year >= 2022) & (draw < 0.6), 1, refrigerant)
        tons = rng.choice([1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0], n, p=[0.06, 0.17, 0.18, 0.26, 0.13, 0.13, 0.07])
        tons = np.where(equipment == 2, rng.choice([0.75, 1.0, 1.5, 2.0], n), tons)
        metering = np.where(rng.random(n) < 0.82, 0, 2)
        # the model whose maker asks for a subcooling has a valve that gives one
        metering = np.where((equipment == 1) & (tons == 3.0), 0, metering)
        metering = np.where(equipment == 2, 1, metering).astype(np.int8)
        branch = self.people.branch_no[lead]
        area = branch * 6 + rng.integers(0, 6, n)
        altitude_of_area = np.round(rng.uniform(600, 5200, len(self.people.branches) * 6) / 50) * 50
        return jobs.Systems(
            equipment=equipment,
            refrigerant=refrigerant.astype(np.int8),
            tons=tons,
            metering=metering,
            air_handler=np.where(rng.random(n) < np.where(equipment == 0, 0.75, 0.15), 0, 1).astype(np.int8),
            is_ducted=(equipment != 2) & (rng.random(n) > 0.02),
            has_model=rng.random(n) < 0.7,
            branch_no=branch,
            area_no=area,
            altitude_ft=altitude_of_area[area],
        )

    def _models(self) -> np.ndarray:
        """Invented model codes, such as DEMO-AC-36; empty where the record names none."""
        systems = self.systems
        letters = np.array([scenario.MODEL_LETTERS[name] for name in jobs.EQUIPMENT])
        sizes = np.array([9, 12, 18, 24, 30, 36, 42, 48, 60])
        names = np.array([f"DEMO-{letter}-{size:02d}" for letter in letters for size in sizes] + [""])
        place = systems.equipment.astype(int) * len(sizes) + np.searchsorted(
            sizes, np.round(systems.tons * 12).astype(int)
        )
        return names[np.where(systems.has_model, place, len(names) - 1)]

    # a job, its true quality and its record ---------------------------------------------------------------------------

    def commission(self, system, day, lead, kind, joints, by_someone_else) -> jobs.Jobs:
        """Jobs as they were done and as they were written down."""
        rng, people = self.rng, self.people
        n = len(system)
        doer, helper = self._who_did_what(lead, day)
        hurried = self._hurried(day)
        is_office = people.is_subcontractor[lead]
        late_form = day >= self.last_day - round(2.0 * DAYS_A_YEAR)
        old_branch = (people.branch_no[lead] == self.old_form_branch) & ~late_form & ~is_office
        middle = self.first_day + 0.45 * (self.last_day - self.first_day)
        form = np.where(
            old_branch, jobs.PAPER, np.where(is_office, jobs.OFFICE, np.where(day < middle, jobs.PHONE_1, jobs.PHONE_2))
        )
        form = np.where(by_someone_else, jobs.NO_FORM, form).astype(np.int8)
        # now and then the crew without a micron gauge borrows one
        has_gauge = (people.crew_no[lead] != self.gauge_crew) | (rng.random(n) < 0.12)
        outdoor = self.outdoor_degf(day)
        logit = habits.step_logit(self.habits, self.training, doer, day, hurried, self.world)
        logit[by_someone_else] -= 0.4
        p_good = 1 / (1 + np.exp(-logit))
        equipment = self.systems.equipment[system]
        held = habits.belongs(
            equipment == 3,
            equipment == 2,
            self.systems.is_ducted[system],
            joints == jobs.BRAZED,
            kind >= jobs.COMPRESSOR_CHANGEOUT,
        )
        good, written, state = habits.draw_record(
            rng, p_good, held, self.habits.carelessness[lead], has_gauge, form == jobs.PAPER, outdoor, self.world
        )
        written[by_someone_else] = habits.NOT_APPLICABLE
        state[by_someone_else] = habits.NOT_APPLICABLE
        installed_by = np.where(
            by_someone_else, jobs.SOMEONE_ELSE, np.where(is_office, jobs.SUBCONTRACTOR, jobs.OWN_CREW)
        )
        packaged = equipment == 3
        return jobs.Jobs(
            system=np.asarray(system, dtype=np.int32),
            day=np.asarray(day, dtype=np.int32),
            lead=lead.astype(np.int16),
            helper=helper.astype(np.int16),
            kind=np.asarray(kind, dtype=np.int8),
            joints=np.asarray(joints, dtype=np.int8),
            brazed_joints=np.where(joints == jobs.BRAZED, rng.integers(4, 11, n), 0).astype(np.int16),
            line_set_ft=np.where(packaged, 0, np.round(rng.gamma(6, 6, n)).clip(8, 120)).astype(np.float32),
            line_set_reused=(kind == jobs.CHANGEOUT) & (rng.random(n) < 0.35) & ~packaged,
            ducts_kept=(kind == jobs.CHANGEOUT) & (rng.random(n) < 0.7) & self.systems.is_ducted[system],
            installed_by=installed_by.astype(np.int8),
            form=form,
            hurried=hurried,
            has_gauge=has_gauge,
            outdoor_degf=outdoor.astype(np.float32),
            doer=doer,
            p_good=(p_good * held).astype(np.float32),
            good=good,
            written=written,
            state=state,
        )

    def _who_did_what(self, lead: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        people, rng = self.people, self.rng
        mate = (lead + len(people.crews)) % people.count  # the next of the same crew
        there = (people.hired_day[mate] <= day) & (people.left_day[mate] > day) & (mate != lead)
        there &= people.crew_no[mate] == people.crew_no[lead]
        helper = np.where(there & (rng.random(len(lead)) < 0.45), mate, -1)
        doer = np.repeat(lead.astype(np.int16)[:, None], len(STEPS), axis=1)
        for step in ("nitrogen_flow", "evacuation", "vacuum_rise", "charge"):
            by_helper = (helper >= 0) & (rng.random(len(lead)) < 0.3)
            doer[by_helper, STEP_NO[step]] = helper[by_helper]
        return doer, helper

    def _hurried(self, day: np.ndarray) -> np.ndarray:
        day_of_year = (day - 0.25) % DAYS_A_YEAR
        summer = (day_of_year > 150) & (day_of_year < 245)
        return self.rng.random(len(day)) < np.where(summer, 0.5, 0.12)

    def group_log_ratio(self, system: np.ndarray) -> np.ndarray:
        """What the kind of equipment does to every rate."""
        return np.log(np.array([EQUIPMENT_RATIO[name] for name in jobs.EQUIPMENT]))[self.systems.equipment[system]]
