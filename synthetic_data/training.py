"""Courses that were held: one that worked, one that worked a little, and one that changed nothing but seems to.

Those sent to the third had a bad spell before it, as people have who are sent because of one; it ends by itself, so that
whoever compares the months after the course with those right before it sees a change where there is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data.scenario import FAR_DAY, People
from synthetic_data.worlds import STEPS, World


@dataclass(frozen=True)
class Course:
    """true_change : added to the log odds of a good step from the day of the course on.

    bad_spell : taken from the log odds of those sent in the BAD_SPELL_DAYS before it.
    """

    name: str
    step: str
    hours: float
    true_change: float
    share_sent: float
    held_at: tuple[float, ...]  # parts of the fleet's time
    bad_spell: float = 0.0


BAD_SPELL_DAYS = 150
COURSES = (
    Course("Nitrogen while brazing", "nitrogen_flow", 4, 1.5, 0.50, (0.58, 0.68)),
    Course("Deep vacuum evening", "evacuation", 3, 0.9, 0.35, (0.74,)),
    Course("Electrical refresher", "electrical", 6, 0.0, 0.35, (0.63,), bad_spell=1.4),
)


class Training:
    def __init__(self, first_day: int, last_day: int):
        self.courses = COURSES
        self.first_day, self.last_day = first_day, last_day

    def choose_people(self, rng: np.random.Generator, people: People, habits, world: World) -> dict[str, np.ndarray]:
        """The day of each course for each technician (far if never): by lot, or the weakest where the world sends them."""
        chosen = {}
        for course in self.courses:
            days = np.array(
                [self.first_day + round(part * (self.last_day - self.first_day)) for part in course.held_at]
            )
            day = days[rng.integers(0, len(days), people.count)]
            score = rng.random(people.count)
            if world.sends_the_worst:
                score = 0.4 * score + habits.logit[:, STEPS.index(course.step)]
            is_there = (people.hired_day < day) & (people.left_day > day)
            places = np.flatnonzero(is_there)
            sent = places[np.argsort(score[places])][: max(1, round(course.share_sent * len(places)))]
            when = np.full(people.count, FAR_DAY)
            when[sent] = day[sent]
            chosen[course.name] = when
        return chosen
