"""How people work and how they write it down: the true quality of each step, and what the record says of it.

Careless people leave out more steps and also do other things badly (worlds.py says how much), which is why a plain
comparison of good and bad steps misleads. What becomes of a record (lost, blank, ticked only, unreadable) is drawn
after the truth, so that the truth stays known.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from synthetic_data.scenario import People
from synthetic_data.training import BAD_SPELL_DAYS
from synthetic_data.worlds import STEPS, World

PASSED, FAILED, TICKED_ONLY, NOT_DONE, NO_RECORD, CANNOT_TELL, NOT_APPLICABLE = range(7)
STATE_NAMES = ("passed", "failed", "ticked_only", "not_done", "no_record", "cannot_tell", "not_applicable")
STEP_NO = {step: place for place, step in enumerate(STEPS)}

GOOD_SHARE = np.array([0.64, 0.82, 0.86, 0.79, 0.68, 0.86, 0.74, 0.78, 0.87])
# of the steps that were not good: failed by a reading, ticked without one; the rest are recorded as not done
FAILED_SHARE = np.array([0.10, 0.35, 0.00, 0.25, 0.20, 0.35, 0.40, 0.45, 0.25])
TICKED_SHARE = np.array([0.45, 0.30, 0.00, 0.50, 0.25, 0.35, 0.25, 0.25, 0.35])
CANNOT_TELL_SHARE = 0.012
BLANK_SHARE = 0.010
CHARGE_CHECK_FROM_DEGF = 55.0


@dataclass
class Habits:
    """One place for each technician; `logit` is how far each step lies above or below the fleet's, before any course."""

    carelessness: np.ndarray
    harm: np.ndarray  # log ratio on every outcome
    logit: np.ndarray  # technician x step
    story: dict[str, object] = field(default_factory=dict)
    course_day: dict[str, np.ndarray] = field(default_factory=dict)  # course -> day for each technician, far if never


OLD_FORM_BRANCH_NO = 1  # every fleet has two branches or more


def gauge_crew_no(people: People) -> int:
    """The crew that has no micron gauge: never the last, which is a subcontractor's."""
    return 2 if len(people.crews) > 3 else 0


def make_habits(rng: np.random.Generator, people: People, world: World, training) -> Habits:
    """Habits of everybody, with the few stories that a reader of the pages should be able to find."""
    carelessness = rng.normal(0, 1, people.count)
    logit = -0.5 * carelessness[:, None] + rng.normal(0, 0.3, (people.count, len(STEPS)))
    harm = world.harm_of_carelessness * carelessness + rng.normal(0, world.harm_spread, people.count)
    airflow_out, copies_figures, too_fast = 0, min(3, people.count - 1), min(4, people.count - 1)
    logit[airflow_out, STEP_NO["airflow"]] = -1.6
    story: dict[str, object] = {
        "crew_without_micron_gauge": people.crews[gauge_crew_no(people)],
        "branch_with_old_form": people.branches[OLD_FORM_BRANCH_NO],
        "airflow_out": str(people.technician_id[airflow_out]),
        "copies_figures": str(people.technician_id[copies_figures]),
        "too_fast": str(people.technician_id[too_fast]),
        "copies_figures_no": copies_figures,
        "too_fast_no": too_fast,
    }
    habits = Habits(carelessness, harm, logit, story)
    habits.course_day = training.choose_people(rng, people, habits, world)
    return habits


def step_logit(habits: Habits, training, doer: np.ndarray, day: np.ndarray, hurried: np.ndarray, world: World):
    """Log odds that each step of each job is good. doer: job x step, places of technicians; day, hurried: one for each job."""
    base = np.log(GOOD_SHARE / (1 - GOOD_SHARE))
    logit = np.empty(doer.shape, dtype=np.float32)
    for place in range(len(STEPS)):
        logit[:, place] = base[place] + habits.logit[doer[:, place], place] + world.hurry_logit * hurried
    for course in training.courses:
        place = STEP_NO[course.step]
        if course.true_change or course.bad_spell:
            taught_on = habits.course_day[course.name][doer[:, place]]
            logit[:, place] += np.float32(course.true_change) * (taught_on <= day)
            logit[:, place] -= np.float32(course.bad_spell) * ((taught_on > day) & (taught_on - day <= BAD_SPELL_DAYS))
    return logit


def belongs(
    is_packaged: np.ndarray,
    is_ductless: np.ndarray,
    is_ducted: np.ndarray,
    is_brazed: np.ndarray,
    is_reopening: np.ndarray,
) -> np.ndarray:
    """Which steps belong to which job; one truth value for each job in, job x step out.

    is_reopening : a compressor changeout, coil changeout or circuit repair
    """
    circuit = ~is_packaged | is_reopening
    held = np.empty((len(circuit), len(STEPS)), dtype=bool)
    held[:, 0] = is_brazed
    held[:, 1:6] = circuit[:, None]
    held[:, 6] = is_ducted & ~is_reopening
    held[:, 7] = ~is_ductless
    held[:, 8] = True
    return held


def draw_record(
    rng: np.random.Generator,
    p_good: np.ndarray,
    held: np.ndarray,
    lead_carelessness: np.ndarray,
    has_gauge: np.ndarray,
    lacks_rise_field: np.ndarray,
    outdoor_degf: np.ndarray,
    world: World,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The true quality, what is written, and the state that a right grade gives: three arrays of job x step.

    p_good : job x step, chance of a good step; held : job x step, whether the step belongs
    has_gauge : whether a micron gauge was at hand; lacks_rise_field : the form has no field for the rise test;
    outdoor_degf : at the charge check

    Returns
    -------
    good : bool, true quality (False where the step does not belong)
    written : what kind of record was made (before the rule that a charge corrected by subcooling passes)
    state : the state intended
    """
    count, steps = p_good.shape
    good = rng.random((count, steps), dtype=np.float32) < p_good
    # without a gauge nobody knows how deep the vacuum was: counted as not good in every world
    good[:, STEP_NO["evacuation"]] &= has_gauge
    good[:, STEP_NO["vacuum_rise"]] &= has_gauge
    draw = rng.random((count, steps), dtype=np.float32)
    written = np.where(
        good,
        np.int8(PASSED),
        np.where(
            draw < FAILED_SHARE, np.int8(FAILED),
            np.where(draw < FAILED_SHARE + TICKED_SHARE, np.int8(TICKED_ONLY), np.int8(NOT_DONE)),
        ),
    )  # fmt: skip
    written[~has_gauge, STEP_NO["evacuation"]] = TICKED_ONLY
    no_gauge_rise = written[~has_gauge, STEP_NO["vacuum_rise"]]
    written[~has_gauge, STEP_NO["vacuum_rise"]] = np.where(no_gauge_rise == TICKED_ONLY, TICKED_ONLY, NOT_DONE)
    if world.ticked_though_good:
        good |= (written == TICKED_ONLY) & (rng.random((count, steps)) < world.ticked_though_good)

    measured = (written == PASSED) | (written == FAILED)
    unclear = measured & (rng.random((count, steps), dtype=np.float32) < CANNOT_TELL_SHARE)
    unclear[:, STEP_NO["nitrogen_release"]] = False
    check = STEP_NO["charge_check"]
    unclear[:, check] = measured[:, check] & (outdoor_degf < CHARGE_CHECK_FROM_DEGF)
    written[unclear] = CANNOT_TELL

    odds = world.lost_share / (1 - world.lost_share) * np.exp(0.5 * lead_carelessness)
    odds = odds * world.lost_when_bad ** (held & ~good).sum(axis=1)
    lost = rng.random(count) < odds / (1 + odds)
    blank = rng.random((count, steps), dtype=np.float32) < BLANK_SHARE * np.exp(0.4 * lead_carelessness)[:, None]
    blank[:, STEP_NO["vacuum_rise"]] |= lacks_rise_field
    written[blank | lost[:, None]] = NO_RECORD
    written[~held] = NOT_APPLICABLE
    good &= held

    state = written.copy()
    charge = STEP_NO["charge"]
    corrected = (written[:, charge] == FAILED) & (written[:, check] == PASSED)
    state[corrected, charge] = PASSED
    good[corrected, charge] = True
    return good, written, state
