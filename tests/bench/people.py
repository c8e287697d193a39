"""Are people judged rightly? Simulated technicians whose true rates are known. Run by hand:

    python -m tests.bench.people --draws 100
    python -m tests.bench.people --draws 40 --part charts

Parts: cover (of the adjusted rate's interval), flags, charts (false alarms of a change in a year, and how soon a fall is
found), causes (what changes with the form, the crew or the whole fleet), months (fleet and crew charts), store (all of it
through the tables of a store). Every figure is a mean over fleets with its Monte-Carlo standard error, which is that of the
fleets' own means: people of one fleet hang together.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
from scipy import special, stats

from models import beta_binomial, change, compliance, job_mix, month_limits, own_trend
from models.job_mix import Factor
from pipelines.contract import STEPS
from tests.bench import simulated_people as made_up
from tests.bench.simulated_people import Habit
from tests.models import invented_fleet

FIRST_SEED = 7000
JOBS = (5, 10, 20, 43, 100, 300)
LAST_DAY = date(2025, 12, 31)


class Tally:
    """Means over fleets. add(name, values) once for each fleet; values without any row do not count."""

    def __init__(self) -> None:
        self.of: dict[str, list[tuple[float, int]]] = defaultdict(list)

    def add(self, name: str, values: np.ndarray) -> None:
        values = np.asarray(values, dtype=float)
        if values.size:
            self.of[name].append((float(values.mean()), values.size))

    def mean(self, name: str) -> tuple[float, float]:
        """(mean over all rows, Monte-Carlo standard error by fleets)."""
        if name not in self.of:
            return np.nan, np.nan
        means, sizes = (np.array(part, dtype=float) for part in zip(*self.of[name], strict=True))
        mean = float(np.average(means, weights=sizes))
        if len(means) < 2:
            return mean, np.nan
        return mean, float(np.sqrt(np.sum((sizes * (means - mean)) ** 2)) / sizes.sum())

    def __str__(self) -> str:
        return "  ".join(
            f"{name} {mean:.3f} ({error:.3f})" for name, (mean, error) in ((n, self.mean(n)) for n in self.of)
        )


# --- rates and flags, from counts


def judged(fleet: made_up.Counts, weights: np.ndarray | None = None) -> beta_binomial.Posterior:
    """The counts as the tables judge them: kinds of job and people at once, then each person's rate."""
    person, kind = np.nonzero(fleet.known)
    factors = [Factor(made_up.KIND_LEVELS[:, place], size) for place, size in enumerate((4, 3, 4))]
    pairings = Factor(np.arange(len(made_up.KIND_SHARE)), len(made_up.KIND_SHARE), job_mix.PAIRING_SPREAD)
    good, known = fleet.good[person, kind], fleet.known[person, kind].astype(float)
    people = len(fleet.jobs)
    mix = job_mix.fit_job_mix(person, people, kind, [*factors, pairings], good, known)
    standard = job_mix.standard(
        [mix.share_of(person, people, kind, known)], [mix.share_of(np.zeros_like(person), 1, kind, known)]
    )
    return beta_binomial.posterior(
        fleet.good.sum(axis=1), fleet.known.sum(axis=1), standard.expected, standard.fleet, standard.doubt,
        standard.centre_doubt, weights,
    )  # fmt: skip


def cover(draws: int) -> Iterator[tuple[str, Tally]]:
    """Does the adjusted rate's 95 % interval hold the true rate, whoever gets the hard jobs?"""
    for people in (60, 12, 5):
        for rate in (0.98, 0.9, 0.8, 0.3):
            for hard_for in ("anybody", "able", "weak"):
                tally = Tally()
                rng = np.random.default_rng(FIRST_SEED)
                level = made_up.level_of(rate, 0.5)
                for _ in range(draws if people == 60 else 4 * draws):
                    jobs = rng.permutation(np.resize(JOBS, people))
                    fleet = made_up.counts(rng, jobs, level, rng.normal(0, 0.5, people), hard_for)
                    low, high = judged(fleet).interval()
                    held = (low <= fleet.truth) & (fleet.truth <= high)
                    for number in JOBS:
                        tally.add(f"{number} jobs", held[jobs == number])
                    tally.add("all", held)
                yield f"{people} people at {rate}, hard jobs to {hard_for}", tally


def _skills(rng: np.random.Generator, kind: str, people: int, rate: float, level: float) -> np.ndarray:
    skill = rng.normal(0, 0.5 if kind == "spread" else 0.12, people)
    below = skill_of_the_low = made_up.skill_for(rate - 0.15, level)
    if kind == "one far off":
        skill[: max(1, people // 20)] = below
    if kind == "two camps":
        skill[: people * 2 // 5] = skill_of_the_low
    return skill


def best_possible(jobs: int, target: float) -> float:
    """How often any rule can find somebody 15 points below that calls nobody 5 points below more than 1 time in 40.

    Source: Neyman and Pearson 1933, the most powerful test of one rate against another, with a lot drawn at its edge.
    """
    edge, truth = target - compliance.FLAG_MARGIN, target - 0.15
    good = np.arange(jobs + 1)
    below = stats.binom.cdf(good, jobs, edge)
    last = int(np.searchsorted(below, 1 - compliance.FLAG_CHANCE, side="right")) - 1
    spent = below[last] if last >= 0 else 0.0
    share = (1 - compliance.FLAG_CHANCE - spent) / stats.binom.pmf(last + 1, jobs, edge)
    return float(stats.binom.cdf(last, jobs, truth) + share * stats.binom.pmf(last + 1, jobs, truth))


def flags(draws: int) -> Iterator[tuple[str, Tally]]:
    """Who is flagged: average people (within 2 points of the target), people 15 points below, and wrongly so."""
    numbers = (22, 43, 100, 300)
    for people in (60, 12, 5):
        for rate in (0.98, 0.88, 0.6, 0.3):
            for kind in ("alike", "one far off", "spread", "two camps"):
                tally = Tally()
                rng = np.random.default_rng(FIRST_SEED)
                level = made_up.level_of(rate, 0.3)
                for _ in range(draws if people == 60 else 4 * draws):
                    jobs = rng.permutation(np.resize(numbers, people))
                    fleet = made_up.counts(rng, jobs, level, _skills(rng, kind, people, rate, level))
                    spread = judged(fleet, beta_binomial.WEIGHT_FOR_A_MARK)
                    target = float(fleet.good.sum() / fleet.known.sum())
                    below = spread.chance_below(target - compliance.FLAG_MARGIN) > compliance.FLAG_CHANCE
                    above = 1 - spread.chance_below(target + compliance.FLAG_MARGIN) > compliance.FLAG_CHANCE
                    apart = fleet.truth - target
                    average, low = np.abs(apart) < 0.02, np.abs(apart + 0.15) < 0.03
                    tally.add("average below", below[average])
                    tally.add("average above", above[average])
                    tally.add("wrong of below", apart[below] > -compliance.FLAG_MARGIN)
                    tally.add("wrong of above", apart[above] < compliance.FLAG_MARGIN)
                    for number in numbers:
                        tally.add(f"found at {number}", below[low & (jobs == number)])
                yield f"{people} people at {rate}, {kind}", tally


# --- charts, from jobs


def frame_of(work: made_up.Work, step: int, until: float) -> pl.DataFrame:
    """The jobs of one step up to a day, as `models.own_trend` wants them."""
    there = np.flatnonzero(work.day <= until)
    return pl.DataFrame({
        "technician_id": work.person[there], "is_good": work.is_good[there, step], "day": work.day[there],
        "equipment": work.equipment[there], "joints": work.joints[there], "season": work.season[there],
        "form": work.form[there], "period": (work.day[there] // (made_up.DAYS_A_YEAR / 4)).astype(int),
    }).with_columns(pl.col("technician_id", "equipment", "joints", "season", "form").cast(pl.String))  # fmt: skip


def charts_of(work: made_up.Work, step: int, until: float) -> dict[int, tuple[change.Change, int]]:
    """For each technician what his chart of the last year says, and the number of his first job in it."""
    jobs = frame_of(work, step, until)
    usual, spread = own_trend.usual_log_odds(jobs)
    found = {}
    for (who,), own in jobs.with_columns(usual=pl.Series(usual)).partition_by("technician_id", as_dict=True).items():
        begin = int((own["day"] <= until - made_up.DAYS_A_YEAR).sum())
        found[int(str(who))] = (
            change.last_change(own["is_good"].to_numpy(), own["usual"].to_numpy(), spread, begin), begin
        )  # fmt: skip
    return found


USUAL = Habit()
STEADY = {
    "usual": USUAL,
    "jobs independent": replace(USUAL, hurry=0.0),
    "fleet falls 0.25 a year": replace(USUAL, drift=-0.25),
    "beginners": replace(USUAL, learning=1.2),
    "rates 0.99": replace(USUAL, rates=(0.99,) * 9),
    "rates 0.9": replace(USUAL, rates=(0.9,) * 9),
    "rates 0.6": replace(USUAL, rates=(0.6,) * 9),
    "seasons twice as strong": replace(USUAL, season=0.8),
    "5 people": replace(USUAL, people=5),
    "people waver by the month": replace(USUAL, month=0.3),
}
VOLUMES = ((40, 60), (60, 80), (80, 110), (110, 160), (160, 280))


def charts(draws: int) -> Iterator[tuple[str, Tally]]:
    """How many steady technicians are told to have changed in a year, by any of nine steps and the whole job."""
    for name, habit in STEADY.items():
        tally, rng = Tally(), np.random.default_rng(FIRST_SEED)
        for _ in range(draws * (30 // habit.people)):
            work = made_up.work(rng, habit)
            words: dict[tuple[int, int], list[str]] = defaultdict(list)
            for year in (3, 4):
                for step in range(len(habit.rates) + 1):
                    for who, (one, _) in charts_of(work, step, year * made_up.DAYS_A_YEAR).items():
                        words[who, year].append(one.word)
            for word in ("worse", "better"):
                tally.add(word, np.array([word in said for said in words.values()]))
        yield f"steady, {name}", tally
    yield from _falls(draws)


def _falls(draws: int) -> Iterator[tuple[str, Tally]]:
    """One person after another falls by an odds ratio of 3.3 (0.90 to 0.73) or 7.4 at the beginning of the year."""
    for rate, fall in ((0.9, 1.2), (0.9, 2.0), (0.75, 1.2), (0.97, 1.2)):
        tally = Tally()
        habit, rng = replace(USUAL, rates=(rate,) * 9), np.random.default_rng(FIRST_SEED)
        start = 3 * made_up.DAYS_A_YEAR

        def extra(work: made_up.Work, step: int, fall: float = fall, start: float = start) -> np.ndarray:
            return -fall * ((work.person == 3 * step) & (work.day > start))

        for _ in range(draws):
            work = made_up.work(rng, habit, extra)
            for step in range(9):
                one, begin = charts_of(work, step, 4 * made_up.DAYS_A_YEAR)[3 * step]
                jobs = int((work.person == 3 * step).sum()) - begin
                for least, most in VOLUMES:
                    if least < jobs <= most and begin >= change.BASELINE_JOBS_AT_LEAST:
                        tally.add(f"{least} to {most} jobs a year: found", np.array([one.word == "worse"]))
                        if one.word == "worse" and one.seen is not None and one.began is not None:
                            tally.add(f"{least} to {most}: jobs until found", np.array([one.seen - begin + 1]))
                            tally.add(f"{least} to {most}: began, jobs off", np.array([abs(one.began - begin)]))
        yield f"falls by {fall} from {rate}", tally


def causes(draws: int) -> Iterator[tuple[str, Tally]]:
    """What is not the person's change: a form that does not ask for the value, a fleet that falls together."""
    start = 3.3 * made_up.DAYS_A_YEAR
    habit = replace(USUAL, volume=(100.0, 250.0))

    def new_form(people: int):
        return lambda person, day: np.where((day > start) & (person < people), 1, 0)

    def asks_no_value(work: made_up.Work, step: int) -> np.ndarray:
        return -2.5 * (work.form == 1) * (step == 3)

    def all_fall(work: made_up.Work, step: int) -> np.ndarray:
        return -1.5 * (work.day > start) * np.ones(len(work.day)) * (step == 3)

    def one_falls_too(work: made_up.Work, step: int) -> np.ndarray:
        return asks_no_value(work, step) - 1.5 * ((work.person == 0) & (work.day > start) & (step == 3))

    for name, people, extra, forms in (
        ("a new form for a third of 30 people", 30, asks_no_value, new_form(10)),
        ("a new form for one of 30", 30, asks_no_value, new_form(1)),
        ("a fleet of 30 falls together", 30, all_fall, None),
        ("a fleet of 6 falls together", 6, all_fall, None),
        ("a new form for a third, and one of them falls by 1.5 too", 30, one_falls_too, new_form(10)),
    ):
        tally, rng = Tally(), np.random.default_rng(FIRST_SEED)
        for _ in range(draws * (30 // people)):
            work = made_up.work(rng, replace(habit, people=people), extra, forms)
            said = charts_of(work, 3, 4 * made_up.DAYS_A_YEAR)
            with_it = np.unique(work.person[work.form == 1]) if forms else np.arange(people)
            worse = {who: one.word == "worse" for who, (one, _) in said.items()}
            tally.add(
                "worse, of those with the cause",
                np.array([worse[who] for who in with_it if who or extra is not one_falls_too]),
            )
            if extra is one_falls_too:
                tally.add("worse, who fell himself", np.array([worse[0]]))
        yield name, tally


def months(draws: int) -> Iterator[tuple[str, Tally]]:
    """Charts of the fleet and of crews by month: false alarms in a year, months outside the limits, a fall found."""
    for jobs, scatter, fall in (
        (50, 0.0, 0.0), (700, 0.0, 0.0), (700, 0.1, 0.0), (50, 0.0, 0.6), (700, 0.1, 0.3)
    ):  # fmt: skip
        tally, rng = Tally(), np.random.default_rng(FIRST_SEED)
        for _ in range(10 * draws):
            known = rng.poisson(jobs, 48) + 1
            expected = special.expit(1.4 + 0.3 * np.sin(np.arange(48) * np.pi / 6))
            log_odds = special.logit(expected) + rng.normal(0, 0.3) + rng.normal(0, scatter, 48)
            log_odds[-9:] -= fall
            good = rng.binomial(known, special.expit(log_odds))
            one = month_limits.months(good, known, expected)
            tally.add("worse", np.array(["worse" in one.change]))
            tally.add("better", np.array(["better" in one.change]))
            rate = good / known
            for name, level in (("95", 0.95), ("99.8", 0.998)):
                low, high = month_limits.limits(one.centre, known, one.scatter, level)
                tally.add(f"outside {name} % limits", (rate < low) | (rate > high))
        yield f"{jobs} jobs a month, scatter {scatter}, fall {fall}", tally


# --- all of it, through a store


def store_of(work: made_up.Work, years: float):
    """A store that holds the jobs, each with nine graded steps."""
    con, jobs = invented_fleet.empty_store(), len(work.person)
    first_day = LAST_DAY - timedelta(days=int(years * made_up.DAYS_A_YEAR))
    job_id = np.array([f"J{number}" for number in range(jobs)])
    person = np.array([f"T{number:03d}" for number in range(int(work.person.max()) + 1)])[work.person]
    people = np.unique(work.person)
    invented_fleet.put(con, "staged_technician", pl.DataFrame({
        "technician_id": [f"T{one:03d}" for one in people], "crew": [f"crew {one % 5}" for one in people],
    }))  # fmt: skip
    invented_fleet.put(con, "staged_system", pl.DataFrame({
        "system_id": job_id, "equipment": np.array(made_up.EQUIPMENT)[work.equipment],
    }))  # fmt: skip
    finished = np.datetime64(first_day) + np.ceil(work.day).astype(int)
    invented_fleet.put(con, "staged_job", pl.DataFrame({
        "job_id": job_id, "system_id": job_id, "technician_id": person, "form": [f"form {one}" for one in work.form],
        "joints": np.array(made_up.JOINTS)[work.joints], "finished_on": finished,
    }).with_columns(pl.col("finished_on").cast(pl.Date)))  # fmt: skip
    for number, step in enumerate(STEPS):
        invented_fleet.put(con, "step_grade", pl.DataFrame({
            "job_id": job_id, "technician_id": person, "step": [step] * jobs,
            "state": np.where(work.is_good[:, number], "passed", "failed"),
        }))  # fmt: skip
    return con


def store(draws: int) -> Iterator[tuple[str, Tally]]:
    """Cover, flags and changes as the table `technician_step` has them."""
    tally, rng = Tally(), np.random.default_rng(FIRST_SEED)
    habit = replace(USUAL, people=15, season=0.0)
    for _ in range(max(2, draws // 4)):
        work = made_up.work(rng, habit)
        con = store_of(work, habit.years)
        compliance.prepare(con, LAST_DAY)
        table = compliance.technician_step(con, LAST_DAY, {})
        con.close()
        share = np.array([
            [((work.equipment == i) & (work.joints == j)).mean() for j in range(3)] for i in range(4)
        ])  # fmt: skip
        kind = made_up.OF_EQUIPMENT[:, None] + made_up.OF_JOINTS[None, :]
        # the hurry of a job is drawn anew for each, so it lies in the rate
        places = habit.hurry * made_up._PLACES
        truth = np.zeros((habit.people, 9))
        for step, rate in enumerate(habit.rates):
            log_odds = made_up.level_of(rate, habit.spread) + work.skill[:, step, None, None] + kind
            truth[:, step] = ((special.expit(log_odds[..., None] + places) @ made_up._WEIGHTS) * share).sum(axis=(1, 2))
        every = truth.mean(axis=1)
        for step, value in [*((STEPS[k], truth[:, k]) for k in range(9)), ("all", every)]:
            rows = table.filter(pl.col("step") == step).sort("technician_id")
            who = rows["technician_id"].str.slice(1).cast(pl.Int64).to_numpy()
            held = (rows["rate_low"].to_numpy() <= value[who]) & (value[who] <= rows["rate_high"].to_numpy())
            tally.add("cover, all" if step == "all" else "cover, steps", held)
            average = np.abs(value[who] - rows["target"].to_numpy()) < 0.02
            tally.add("average below", (rows["flag"].to_numpy() == "below")[average])
        words = table.filter(pl.col("step") != "all").group_by("technician_id").agg(
            worse=(pl.col("change") == "worse").any(), better=(pl.col("change") == "better").any()
        )  # fmt: skip
        tally.add("worse", words["worse"].to_numpy())
        tally.add("better", words["better"].to_numpy())
    yield "15 people, 4 years", tally


PARTS = {"cover": cover, "flags": flags, "charts": charts, "causes": causes, "months": months, "store": store}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=20, help="fleets of each kind")
    parser.add_argument("--part", nargs="*", choices=list(PARTS), default=list(PARTS))
    asked = parser.parse_args()
    if "flags" in asked.part:
        for target in (0.98, 0.88, 0.6):
            most = ", ".join(f"{number} jobs {best_possible(number, target):.2f}" for number in (22, 43, 100, 300))
            print(f"no rule can find more of those 15 points below {target}: {most}")
    for name in asked.part:
        began = time.perf_counter()
        for world, tally in PARTS[name](asked.draws):
            print(f"{name}: {world}: {tally}", flush=True)
        print(f"{name} took {time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
