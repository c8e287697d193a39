"""What cannot be told yet, and how much more it would take: events, known jobs, years at today's pace, installs.

Every figure is an expectation under plain assumptions: installs go on as in the last 12 months, are followed as long as
those so far and fail as often, and steps go together as they do now. The texts say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl
from scipy import optimize, special, stats

from models import back_test, compliance, trade_words, years_in_service
from models.evidence import EVENTS_AN_EFFECT, FEW_EVENTS, Z95
from models.pace import MONTHS_A_YEAR, YEARS_AHEAD, Pace, years_followed
from models.rate_cells import GOOD, NOT_GOOD, RateCells
from models.step_effect import AGE_BANDS, MAIN_OUTCOMES, StepEffects
from pipelines.contract import STEPS

POWER = 0.80
SURE = "4 times in 5"
# the ratio worth knowing of; where the records would have shown it already, the next smaller one
TARGET_RATIOS = (1.5, 1.25, 1.1)
LARGE_RATIO = 2.0
LARGEST_RATIO = 20.0
# with fewer events on a side the interval says little of how steps and technicians hang together
EVENTS_FOR_INFLATION = 5
USUAL_INFLATION = 1.2
# how often an outcome comes to a system in a year, before its own records tell: a guess that weighs as much as one event
GUESSED_RATE = {"compressor_failure": 0.01, "callback": 0.1}
GUESSED_RATE_OF_CONTROL = 0.02
FEW_FOR_A_RATE = 5
HALF = 0.5
RATE_WITHIN = 0.10
GAP_TO_FIND = 0.15
JOBS_AT_MOST = 2000
TRAINED_AT_LEAST = 4


def events_required(ratio: float, share: float, inflation: float = 1.0, power: float = POWER) -> float:
    """Events on both sides together with which a ratio's 95 % interval will not hold 1, with the power asked for.

    Parameters
    ----------
    ratio : of the rates, not 1. share : of the time that is not good, between 0 and 1.
    inflation : how many times as wide as with nothing else in the model the estimate's variance is.

    Source: Schoenfeld 1983 (memory), events (z + z)^2 / (share (1 - share) log(ratio)^2); here with the events split as
    they would be under the ratio, which matters where the share is far from a half.
    """
    expected = share * ratio + 1 - share
    variance = inflation * (expected / (share * ratio) + expected / (1 - share))
    return variance * (Z95 + float(stats.norm.ppf(power))) ** 2 / np.log(ratio) ** 2


def ratio_shown(events: float, share: float, inflation: float = 1.0) -> float:
    """The smallest ratio above 1 that so many events would show with 80 % certainty; NaN where none up to 20."""

    def lacking(ratio: float) -> float:
        return events_required(ratio, share, inflation) - events

    ratios = np.exp(np.linspace(np.log(1.01), np.log(LARGEST_RATIO), 60))
    enough = np.flatnonzero([lacking(ratio) <= 0 for ratio in ratios])
    if not len(enough) or not enough[0]:
        return float("nan") if not len(enough) else float(ratios[0])
    place = int(enough[0])
    return float(optimize.root_scalar(lacking, bracket=(ratios[place - 1], ratios[place])).root)


def rate_reckoned(events: float, years: float, guess: float) -> float:
    """Events a year of service to reckon with: the records' own, drawn toward a guess that counts as one event."""
    return (events + 1) / (years + 1 / guess)


@dataclass(frozen=True)
class Ground:
    """What the estimates stand on, by step in the order of STEPS.

    known_jobs, good_jobs : [steps]. all_years : [2] followed in the first two years of age and after, known or not.
    """

    con: duckdb.DuckDBPyConnection
    effects: StepEffects
    cells: RateCells
    pace: Pace
    known_jobs: np.ndarray
    good_jobs: np.ndarray
    all_years: np.ndarray

    @property
    def day(self) -> date:
        return self.pace.day


def evidence_needed_table(
    con: duckdb.DuckDBPyConnection,
    effects: StepEffects,
    cells: RateCells,
    pace: Pace,
    step_effect: pl.DataFrame,
    technician_step: pl.DataFrame,
    model_card: pl.DataFrame,
    negative_control: str,
) -> pl.DataFrame:
    """The table `evidence_needed`, most asked questions first. Runs while `compliance.prepare` stands.

    effects : of all records that step effects are judged on. cells : the store's own, as `pace`.
    """
    known, good = _jobs_by_step(con)
    ground = Ground(con, effects, cells, pace, known, good, years_followed(effects.cells))
    if pace.installs:
        rows = _of_step_effects(ground, step_effect) + _of_control(ground, negative_control)
    else:
        rows = [_of_no_installs(con)]
    rows += _of_risk(ground, model_card)
    rows += _of_years_in_service(ground)
    rows += _of_training(ground)
    rows += _of_technicians(ground, technician_step)
    return pl.DataFrame([_row(**row) for row in rows], infer_schema_length=None)


def _row(topic: str, counted: str, text: str, lacks: str = "events", **given) -> dict:
    blank = dict.fromkeys(
        ("outcome", "step", "age_band", "technician_id", "have", "need", "target_ratio", "ratio_shown_now", "rate_reckoned",
         "years_at_todays_pace", "years_for_ratio_2", "from_on", "installs")
    )  # fmt: skip
    return {"topic": topic, "counted": counted, "text": text, "lacks": lacks, "is_too_early": False, **blank, **given}


def _of_no_installs(con: duckdb.DuckDBPyConnection) -> dict:
    """Why not one install of the house's own could be followed."""
    ((jobs, dated, adopted),) = con.sql(
        "select count(*), count(finished_on), count(*) filter (installed_by::varchar = 'someone_else') from staged_job"
    ).fetchall()
    if not jobs:
        why = "no job is on record. Load `jobs`, and with them `steps` and `readings`: calls alone say nothing of how it was put in"
    elif not dated:
        why = (
            f"of {trade_words.counted(jobs, 'job')} not one says when it was finished. Load `jobs` with `finished_on`: "
            "without the day no time can be followed"
        )
    elif adopted == jobs:
        why = (
            f"all of {trade_words.counted(jobs, 'job')} are systems that someone else put in. How that was done is on no record "
            "of yours; it begins with the first install of your own"
        )
    else:
        why = f"of {trade_words.counted(jobs, 'job')} not one is an installation or changeout with its day"
    return {
        "topic": "step_effect", "lacks": "installs", "counted": "installs", "have": 0,
        "text": f"What goes with a step that is not good: {why}.",
    }  # fmt: skip


def _jobs_by_step(con: duckdb.DuckDBPyConnection) -> tuple[np.ndarray, np.ndarray]:
    found = {
        step: (known, good)
        for step, known, good in con.sql(
            "select step::varchar, count(*) filter (state::varchar in ('passed', 'failed', 'ticked_only', 'not_done')), "
            "count(*) filter (state::varchar = 'passed') from fit_job_step group by 1"
        ).fetchall()
    }
    known, good = zip(*(found.get(step, (0, 0)) for step in STEPS), strict=True)
    return np.array(known, dtype=float), np.array(good, dtype=float)


# --- what goes with a step that is not good


@dataclass(frozen=True)
class OutcomeCounts:
    """Years and events of one outcome: [steps, 2 (early, late)] of each arm, [2] of everything followed."""

    years: dict[str, np.ndarray]
    events: dict[str, np.ndarray]
    all_years: np.ndarray
    all_events: np.ndarray

    @classmethod
    def of(cls, effects: StepEffects, outcome: str) -> OutcomeCounts:
        years, events = effects.by_pattern(outcome)
        levels = effects.cells.levels
        arms = {"good": np.isin(levels, (GOOD,)), "not_good": np.isin(levels, NOT_GOOD)}
        return cls(
            {arm: chosen.T.astype(float) @ years for arm, chosen in arms.items()},
            {arm: chosen.T.astype(float) @ events for arm, chosen in arms.items()},
            years.sum(axis=0),
            events.sum(axis=0),
        )

    def known_years(self, step: int) -> np.ndarray:
        """[2] years in which the step was known."""
        return self.years["good"][step] + self.years["not_good"][step]


def _of_step_effects(ground: Ground, step_effect: pl.DataFrame) -> list[dict]:
    found = {}
    if step_effect.height:
        main = step_effect.filter(pl.col("contrast") == "not_good")
        found = {(row["outcome"], row["step"], row["age_band"]): row for row in main.iter_rows(named=True)}
    rows = []
    for outcome in MAIN_OUTCOMES:
        counts = OutcomeCounts.of(ground.effects, outcome)
        inflation = _inflation(found, outcome)
        for half, band in enumerate(AGE_BANDS):
            for place, step in enumerate(STEPS):
                row = found.get((outcome, step, band))
                if row is not None and row["evidence"] in ("clear", "leaning"):
                    continue
                asked = Asked(ground, counts, outcome, place, half, inflation[step], row)
                rows.append(
                    {"topic": "step_effect", "outcome": outcome, "step": step, "age_band": band} | asked.answer()
                )
    return rows


def _inflation(found: dict, outcome: str) -> dict[str, float]:
    """How much other steps and the technicians widen each step's estimate: from its own intervals, else the others'."""
    own: dict[str, list[tuple[bool, float]]] = {step: [] for step in STEPS}
    for (of_outcome, step, band), row in found.items():
        low, high = row["low_calibrated"], row["high_calibrated"]
        bad, good = row["events_skipped"], row["events_good"]
        if of_outcome not in MAIN_OUTCOMES or band == "all" or min(bad, good) < EVENTS_FOR_INFLATION:
            continue
        if low is None or high is None or not (0 < low < high < np.inf):
            continue
        variance = (np.log(high / low) / (2 * Z95)) ** 2
        own[step].append((of_outcome == outcome, max(float(variance / (1 / bad + 1 / good)), 1.0)))
    every = [value for values in own.values() for _, value in values]
    usual = float(np.median(every)) if every else USUAL_INFLATION
    chosen = {}
    for step, values in own.items():
        of_outcome = [value for is_own, value in values if is_own]
        chosen[step] = float(np.mean(of_outcome or [value for _, value in values] or [usual]))
    return chosen


def _is_missing(value: float | None) -> bool:
    return value is None or bool(np.isnan(value))


def rounded(number: float) -> str:
    """To two figures: no more is known of what is to come."""
    digits = max(int(np.floor(np.log10(max(number, 1)))) - 1, 0)
    return f"{round(number / 10**digits) * 10**digits:,.0f}"


class Asked:
    """One question: what goes with one step's not being good, for one outcome and age."""

    def __init__(
        self,
        ground: Ground,
        counts: OutcomeCounts,
        outcome: str,
        step: int,
        half: int,
        inflation: float,
        row: dict | None,
    ) -> None:
        self.ground, self.counts, self.step, self.half, self.inflation, self.row = (
            ground, counts, step, half, inflation, row,
        )  # fmt: skip
        self.pace, self.code, self.is_guess = ground.pace, outcome, False
        self.rate: float | None = None
        self.outcome = trade_words.outcome(outcome)
        self.name = (
            f"{trade_words.capital(self.outcome)} {trade_words.AGE_BAND[AGE_BANDS[half]]} and "
            f"{trade_words.STEP[STEPS[step]]}"
        )
        self.good, self.bad = (float(counts.events[arm][step, half]) for arm in ("good", "not_good"))
        self.have = self.good + self.bad

    def answer(self) -> dict:
        known, good = self.ground.known_jobs[self.step], self.ground.good_jobs[self.step]
        if known == 0:
            return self._nothing_to_compare("records", "no job has a record of it that says how it was done")
        if good == 0:
            jobs = trade_words.counted(int(known), "known job")
            return self._nothing_to_compare("good_jobs", f"of {jobs} not one is good: nothing to compare with")
        if good == known:
            jobs = trade_words.counted(int(known), "known job")
            why = f"it was good on all of {jobs}: nothing to compare with"
            return self._told("not_good_jobs", None, None, f"{self.name}: {why}.")
        if self.row is not None and _is_missing(self.row["low"]) and min(self.good, self.bad) >= FEW_EVENTS:
            return self._goes_along_with_another()
        return self._more_of_the_same()

    def _nothing_to_compare(self, lacks: str, why: str) -> dict:
        need = events_required(TARGET_RATIOS[0], HALF, self.inflation)
        rate = self.rate = self._rate(self.counts.all_events, self.counts.all_years)
        years = self.pace.until(rate * self.pace.fresh_years[:, self.half], need)
        when = self._when([(TARGET_RATIOS[0], years)])
        installs = None if years is None else round(years * self.pace.installs_per_year)
        text = f"{self.name}: {why}. Were half of the installs from now on good and half not, both on record: {when}"
        return self._told(lacks, need, years, text, have=0, installs=installs)

    def _goes_along_with_another(self) -> dict:
        return self._told(
            "separation", None, None,
            f"{self.name}: {self.bad:.0f} where it was not good and {self.good:.0f} where it was good, but another step "
            "goes along with it on nearly every job. More of the same jobs will not tell them apart; jobs on which only "
            "one of the two is good would.",
        )  # fmt: skip

    def _more_of_the_same(self) -> dict:
        share = self._share()
        # no ratio is told before there are ten on either side
        each = max((FEW_EVENTS - self.bad) / share, (FEW_EVENTS - self.good) / (1 - share), 0.0)
        # nor before there are two to each estimate of the fit
        of_fit = self.row["events_an_effect"] if self.row is not None else 0.0
        if 0 < of_fit < EVENTS_AN_EFFECT:
            each = max(each, self.have * (EVENTS_AN_EFFECT / of_fit - 1))
        shown = None if each else ratio_shown(self.have, share, self.inflation)
        shown = None if shown is None or np.isnan(shown) else shown
        target, need = self._next_target(share, each)
        rate = self.rate = self._rate(
            self.counts.events["good"][self.step] + self.counts.events["not_good"][self.step],
            self.counts.known_years(self.step),
        )
        known_share, now = self._known_share(), self.pace.years[0, self.half]
        ahead = self.have + rate * known_share * (self.pace.years[:, self.half] - now)
        years = self.pace.until(ahead, need)
        options = [(target, years)]
        of_large = max(events_required(LARGE_RATIO, share, self.inflation), self.have + each)
        years_large = self.pace.until(ahead, of_large)
        if self.have < of_large < need:
            options.insert(0, (LARGE_RATIO, years_large))
        of_install = rate * known_share * now / self.pace.installs
        installs = round((need - self.have) / of_install) if of_install > 0 else None
        takes = f" A ratio of {target:.3g} takes about {rounded(need)} in all" + (
            f", or the records of about {rounded(installs)} more installs followed as long as these."
            if installs
            else "."
        )
        text = f"{self.name}: {self._so_far(target, shown)} {self._when(options)}{takes}"
        told = self._told("events", need, years, text, target=target, shown=shown, installs=installs)
        return told | {"years_for_ratio_2": 0.0 if of_large <= self.have else years_large}

    def _next_target(self, share: float, each: float) -> tuple[float, float]:
        """The largest ratio that today's records would not show yet, and the events that would."""
        target, need = TARGET_RATIOS[0], 0.0
        for target in TARGET_RATIOS:
            need = max(events_required(target, share, self.inflation), self.have + each)
            if need > self.have:
                break
        return target, need

    def _so_far(self, target: float, shown: float | None) -> str:
        told = f"{self.bad:.0f} so far where it was not good, {self.good:.0f} where it was good."
        if target != TARGET_RATIOS[0]:
            return (
                f"{told} A ratio of {TARGET_RATIOS[0]:.2g} would most likely have been found by now, so what there is is "
                "likely smaller."
            )
        return told if shown is None else f"{told} These would show a ratio of {shown:.2f} or more."

    def _share(self) -> float:
        """Share of the time that is not good: at these ages, else at all ages, else of the jobs."""
        good, bad = self.counts.years["good"][self.step], self.counts.years["not_good"][self.step]
        for chosen in ([self.half], [0, 1]):
            part, whole = bad[chosen].sum(), (good + bad)[chosen].sum()
            if whole > 1 and 0 < part < whole:
                return float(part / whole)
        return float(1 - self.ground.good_jobs[self.step] / self.ground.known_jobs[self.step])

    def _known_share(self) -> float:
        """Share of all time followed in which the step is known: at these ages, else at all."""
        every, known = self.ground.all_years, self.counts.known_years(self.step)
        if every[self.half] > 0:
            return min(float(known[self.half] / every[self.half]), 1.0)
        return min(float(known.sum() / every.sum()), 1.0) if every.sum() > 0 else 0.0

    def _rate(self, events: np.ndarray, years: np.ndarray) -> float:
        """Events a year of service to reckon with: at these ages, or at all where hardly any time lies at these."""
        at_these = years[self.half] >= years.sum() / 10
        chosen = [self.half] if at_these and years[self.half] > 0 else [0, 1]
        self.is_guess = bool(events[chosen].sum() < FEW_FOR_A_RATE)
        return rate_reckoned(float(events[chosen].sum()), float(years[chosen].sum()), GUESSED_RATE[self.code])

    def _when(self, options: list[tuple[float, float | None]]) -> str:
        """When which ratio would show, with the pace that this assumes. options : pairs of ratio and years."""
        guess = ""
        if self.is_guess and self.rate:
            guess = (
                f"So few say little of how often they come: reckoned with {100 * self.rate:.1f} in 100 systems a year. "
            )
        installs = trade_words.counted(round(self.pace.installs_per_year), "install")
        parts = []
        for ratio, years in options:
            sure = "" if parts else f" ({SURE})"
            if years is None:
                parts.append(f"a ratio of {ratio:.3g} would not show{sure} within {YEARS_AHEAD} years")
            else:
                parts.append(f"a ratio of {ratio:.3g} would show{sure} in {trade_words.time(years)}")
        return f"{self._too_early()}{guess}At today's pace of {installs} a year {trade_words.joined(parts)}."

    def _too_early(self) -> str:
        """Said of what comes after 2 years while no install is that old."""
        oldest = self.pace.oldest_years
        if self.half == 0 or np.isnan(oldest) or oldest >= 2:
            return ""
        return f"Too early to say: the first install reaches 2 years on {self.pace.on(2 - oldest)}. "

    def _told(
        self, lacks: str, need: float | None, years: float | None, text: str, *, have: int | None = None,
        target: float = TARGET_RATIOS[0], shown: float | None = None, installs: int | None = None,
    ) -> dict:  # fmt: skip
        return {
            "lacks": lacks, "is_too_early": bool(self._too_early()), "counted": self.outcome, "have": round(self.have) if have is None else have,
            "need": None if need is None else int(np.ceil(need)), "target_ratio": None if need is None else target,
            "ratio_shown_now": shown, "rate_reckoned": self.rate, "years_at_todays_pace": years, "from_on": self.pace.on(years),
            "installs": installs, "text": text,
        }  # fmt: skip


# --- chances of a failure, their trial on earlier years, the control


def _failures_ahead(ground: Ground) -> tuple[float, np.ndarray]:
    """Failures so far, and by the end of each month ahead."""
    years, events = ground.cells.of_outcome("compressor_failure")
    have = float(events.sum())
    rate = rate_reckoned(have, float(years.sum()), GUESSED_RATE["compressor_failure"])
    return have, have + rate * ground.pace.all_years


def _of_risk(ground: Ground, model_card: pl.DataFrame) -> list[dict]:
    have, ahead = _failures_ahead(ground)
    rows, pace = [], ground.pace
    if have < FEW_EVENTS:
        years = pace.until(ahead, FEW_EVENTS)
        seen = trade_words.counted(round(have), "compressor failure")
        rows.append({
            "topic": "install_risk", "outcome": "compressor_failure", "counted": "compressor failures",
            "have": round(have), "need": FEW_EVENTS, "years_at_todays_pace": years, "from_on": pace.on(years),
            "text": f"Chances of a compressor failure: {seen} so far; from about {FEW_EVENTS} on they rest on these "
            f"records more than on assumptions: {_in_time(years, ahead[-1] > have)}.",
        })  # fmt: skip
    if model_card.is_empty():
        rows.append(_of_back_test(ground, have, ahead))
    return rows


def _of_back_test(ground: Ground, have: float, ahead: np.ndarray) -> dict:
    before, after = back_test.EVENTS_BEFORE_AT_LEAST, back_test.EVENTS_AFTER_AT_LEAST
    then = np.concatenate([_failures_a_year_ago(ground), ahead])[: len(ahead)]
    is_enough = np.flatnonzero((then >= before) & (ahead - then >= after))
    years = float(is_enough[0]) / MONTHS_A_YEAR if len(is_enough) else None
    return {
        "topic": "back_test", "outcome": "compressor_failure", "counted": "compressor failures", "have": round(have),
        "need": before + after, "years_at_todays_pace": years, "from_on": ground.pace.on(years),
        "text": f"Trying the chances against an earlier year takes {before} compressor failures known by then and {after} "
        f"in the year after; {round(have):,} are known by now and about {ahead[MONTHS_A_YEAR] - have:.2g} come in a year: {_in_time(years, ahead[-1] > have)}.",
    }  # fmt: skip


def _failures_a_year_ago(ground: Ground) -> np.ndarray:
    """[12] failures known by each of the last 12 months' ends, from a year ago on."""
    ((*known,),) = ground.con.sql(
        "select "
        + ", ".join(
            f"count(*) filter (happened_on <= $day::date - interval {MONTHS_A_YEAR - month} month)"
            for month in range(MONTHS_A_YEAR)
        )
        + " from outcome_event where outcome = 'compressor_failure' and in_follow_up",
        params={"day": ground.day},
    ).fetchall()
    return np.array(known, dtype=float)


def _in_time(years: float | None, is_growing: bool) -> str:
    if not is_growing:
        return "nothing is being followed, so how long that takes cannot be said"
    if years is None:
        return f"not within {YEARS_AHEAD} years at today's pace"
    return f"in {trade_words.time(years)} at today's pace"


def _of_control(ground: Ground, outcome: str) -> list[dict]:
    _, events = ground.effects.counted(outcome)
    have = float(events.sum())
    if have >= FEW_EVENTS:
        return []
    own = ground.pace.years.sum(axis=1)
    rate = rate_reckoned(have, float(ground.all_years.sum()), GUESSED_RATE_OF_CONTROL)
    years = ground.pace.until(have + rate * (own - own[0]), FEW_EVENTS)
    calls = trade_words.outcome(outcome)
    return [{
        "topic": "control", "outcome": outcome, "counted": calls, "have": round(have), "need": FEW_EVENTS,
        "years_at_todays_pace": years, "from_on": ground.pace.on(years),
        "text": f"Whether careless jobs differ in other ways too is tried on {calls}, which no step can cause: "
        f"{have:.0f} so far, at least {FEW_EVENTS} are needed: {_in_time(years, own[-1] > own[0])}.",
    }]  # fmt: skip


def _of_years_in_service(ground: Ground) -> list[dict]:
    """From when on the years in service up to 20 can be told: the fleet must first grow that old."""
    pieces = years_in_service.read_pieces(ground.con, "compressor_failure")
    rows, wanted = [], years_in_service.HORIZON_YEARS
    for step in STEPS:
        arms = [pieces.of_arm(step, arm) for arm in ("good", "not_good")]
        if any(not len(arm.entry) for arm in arms):
            continue  # nothing to compare: said of the step's effects
        reach = min(years_in_service.reach_months(arm) for arm in arms)
        if reach >= wanted * MONTHS_A_YEAR:
            continue
        have = reach / MONTHS_A_YEAR
        rows.append({
            "topic": "years_in_service", "lacks": "time", "is_too_early": True, "outcome": "compressor_failure", "step": step, "counted": "years of age",
            "have": int(have), "need": wanted, "years_at_todays_pace": wanted - have,
            "from_on": ground.pace.on(wanted - have),
            "text": f"Years in service by {wanted} and {trade_words.STEP[step]}: too early to say. Good and not good are both "
            f"followed to an age of {have:.1f} years (10 systems of each at least); {wanted} not before "
            f"{ground.day.year + int(np.ceil(wanted - have))}.",
        })  # fmt: skip
    return rows


# --- training


def _of_training(ground: Ground) -> list[dict]:
    """Steps whose courses have too few people to say whether they worked, or leave it unclear."""
    told = ground.con.sql(
        "select effect.*, coalesce(taught.a_year, 0) as people_a_year from training_effect as effect left join ("
        "select step::varchar as step, count(distinct technician_id) / 2.0 as a_year from staged_training "
        "where held_on <= $day and held_on > $day::date - interval 24 month group by 1) as taught using (step)",
        params={"day": ground.day},
    ).pl()
    if told.is_empty():
        return [{
            "topic": "training_effect", "lacks": "people", "counted": "technicians trained", "have": 0,
            "need": TRAINED_AT_LEAST,
            "text": "Whether training works: no course is on record with its step and day. Load `training`; at least "
            f"{TRAINED_AT_LEAST} people trained in a step, and others who were not, are needed for a first answer.",
        }]  # fmt: skip
    return [
        _of_course(ground, row)
        for row in told.iter_rows(named=True)
        if row["evidence"] == "too_few" or (row["evidence"] == "unclear" and _people_needed(row))
    ]


def _people_needed(row: dict) -> int | None:
    """People trained for a first answer, or to show a change of 10 points; None where it is not they who are lacking."""
    need, have = row["trained_needed"], row["technicians_trained"] or 0
    if row["evidence"] == "too_few":
        need = TRAINED_AT_LEAST
    return need if need is not None and need > have else None


def _of_course(ground: Ground, row: dict) -> dict:
    have, need = row["technicians_trained"] or 0, _people_needed(row)
    years = (need - have) / row["people_a_year"] if need and row["people_a_year"] else None
    when = f" {trade_words.capital(trade_words.time(years))} at the pace of the last 2 years." if years else ""
    return {
        "topic": "training_effect", "lacks": "people", "step": row["step"], "counted": "technicians trained",
        "have": have, "need": need, "years_at_todays_pace": years, "from_on": ground.pace.on(years),
        "text": f"Whether training in {trade_words.STEP[row['step']]} works: {row['note']}{when}",
    }  # fmt: skip


# --- technicians


def _of_technicians(ground: Ground, technician_step: pl.DataFrame) -> list[dict]:
    """Rates that rest on too few jobs to carry a flag, or are known to no better than 10 points either way."""
    if technician_step.is_empty():
        return []
    own = technician_step.filter(pl.col("step").is_in(STEPS) & (pl.col("applicable") > 0))
    a_year = _known_jobs_a_year(ground)
    rows = []
    for step in STEPS:
        of_step = own.filter(pl.col("step") == step)
        if of_step.is_empty():
            continue
        for_gap = jobs_to_find_a_gap(of_step)
        for row in of_step.iter_rows(named=True):
            pace = a_year.get((row["technician_id"], step))
            if pace is not None and (row["flag"] == "too_few" or _half_width(row) > RATE_WITHIN):
                rows.append(_of_technician(ground, row, for_gap, pace))
    return rows


def _half_width(row: dict) -> float:
    return (row["rate_high"] - row["rate_low"]) / 2 if row["rate_low"] is not None else 1.0


def _of_technician(ground: Ground, row: dict, for_gap: int | None, a_year: float) -> dict:
    known = int(row["known"])
    need = max(jobs_for_interval(known, row["rate_adjusted"], _half_width(row)), compliance.FEW_JOBS)
    more = need - known
    years = more / a_year if a_year > 0 else None
    when = (
        f" ({trade_words.time(years)} at today's pace)" if years else "" if years == 0 else " (none in the last year)"
    )
    parts = [f"{trade_words.counted(known, 'known job')}."]
    if more > 0:
        parts.append(f"About {more:,} more until the rate is known to 10 points either way{when}.")
    if for_gap is not None and for_gap > known:
        parts.append(
            f"About {for_gap - known:,} more until a rate {100 * GAP_TO_FIND:.0f} points below the target would be flagged, {SURE}."
        )
    return {
        "topic": "technician_step", "lacks": "jobs", "step": row["step"], "technician_id": row["technician_id"], "counted": "known jobs",
        "have": known, "need": need, "years_at_todays_pace": years, "from_on": ground.pace.on(years),
        "text": f"{row['technician_id']} and {trade_words.STEP[row['step']]}: " + " ".join(parts),
    }  # fmt: skip


def jobs_for_interval(known: int, rate: float | None, half_width: float) -> int:
    """Known jobs with which a rate's 95 % interval is no wider than 10 points either way.

    rate, half_width : of today's estimate. A rate from k jobs carries what others' jobs lend it too: the width tells how
    many jobs both are worth, and each further job adds one.
    """
    if rate is None or not 0 < half_width < 1:
        rate, worth = HALF, 0.0
    else:
        worth = worth_in_jobs(rate, half_width)
    wanted = worth_in_jobs(rate, RATE_WITHIN)
    return known + max(int(np.ceil(wanted - worth)), 0)


def worth_in_jobs(rate: float, half_width: float) -> float:
    """How many jobs of its own a rate with such a 95 % interval would rest on."""
    return rate * (1 - rate) * (Z95 / half_width) ** 2


def jobs_to_find_a_gap(of_step: pl.DataFrame) -> int | None:
    """Known jobs at which somebody whose true rate lies 15 points below the target is flagged, 4 times in 5.

    of_step : rows of technician_step of one step. None where 15 points below the target is no rate, or where it would take
    more than 2,000 jobs. What others' jobs lend to a rate is taken from the widths of today's intervals.
    """
    people = of_step.filter((pl.col("known") > 0) & pl.col("rate_low").is_not_null())
    if people.is_empty():
        return None
    fleet_rate, target = float(people["fleet_rate"][0]), float(people["target"][0])
    lent = [
        worth_in_jobs(row["rate_adjusted"], _half_width(row)) - row["known"]
        for row in people.iter_rows(named=True)
        if _half_width(row) > 0
    ]
    weight = max(float(np.median(lent)) if lent else 0.0, 1.0)
    true_rate = target - GAP_TO_FIND
    if true_rate <= 0 or _chance_of_flag(JOBS_AT_MOST, weight, fleet_rate, target) < POWER:
        return None
    low, high = compliance.FEW_JOBS, JOBS_AT_MOST
    while low < high:
        middle = (low + high) // 2
        if _chance_of_flag(middle, weight, fleet_rate, target) >= POWER:
            high = middle
        else:
            low = middle + 1
    return high


def _chance_of_flag(jobs: int, weight: float, fleet_rate: float, target: float) -> float:
    """How often so many jobs, 15 points below the target, would be flagged `below`.

    weight : how many jobs at the fleet's rate the others lend.
    """
    good = np.arange(jobs + 1.0)
    below = special.betainc(
        good + weight * fleet_rate, jobs - good + weight * (1 - fleet_rate), target - compliance.FLAG_MARGIN
    )
    return float(stats.binom.pmf(good, jobs, target - GAP_TO_FIND) @ (below > compliance.FLAG_CHANCE))


def _known_jobs_a_year(ground: Ground) -> dict[tuple[str, str], float]:
    """Known jobs a year of everybody still there, by technician and step: of the last 12 months, or since the first."""
    return {
        (person, step): jobs / span
        for person, step, jobs, span in ground.con.sql(
            """
            with first_job as (
                select technician_id, least(greatest(datediff('day', min(finished_on), $day), 30) / 365.25, 1) as span
                from fit_job_step group by technician_id
            )
            select technician_id, step::varchar,
                count(*) filter (
                    state in ('passed', 'failed', 'ticked_only', 'not_done')
                    and finished_on > $day::date - interval 12 month
                ),
                coalesce(any_value(span), 1)
            from fit_job_step
            join first_job using (technician_id)
            left join staged_technician as person using (technician_id)
            where coalesce(person.left_on > $day, true)
            group by 1, 2
            """,
            params={"day": ground.day},
        ).fetchall()
    }
