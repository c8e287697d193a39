"""What is true of an invented fleet and stands in no export: quality of each step, habits, effects, what was coming."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data.habits import NOT_APPLICABLE, STATE_NAMES
from synthetic_data.hazards import log_ratios
from synthetic_data.worlds import OUTCOMES, STEPS


@dataclass
class Truth:
    """Kept apart from the tables; write_truth puts it into a folder of its own.

    states : job_id, step, good (true quality), state (what a right grade by the `usual` limits gives), doer_id, p_good;
        own jobs only
    effects : outcome, step, age_band (early, late), hazard_ratio, kind (`declared`: put in; `implied`: follows for the
        outcome `callback`, which is the sum of the unplanned outcomes, about right)
    technicians : technician_id, carelessness (standard deviations), harm (ratio on every rate), logit_<step>
    systems : of those in service in the records on the last day: job_id in force, expected_12, expected_24, expected_36
        (compressor failures to come, given that it runs), expected_36_if_good, expected_12_if_good
    logs : what each gauge log was drawn from: job_id, kind (tight, moisture, leak, both), start_micron, micron_at_600_s
    courses : course, step, change_in_log_odds; before_in_log_odds, of those sent in the 150 days before it
    belongs (in states) : whether the step belongs to the job
    story : what a reader of the pages should be able to find
    """

    world: str
    states: pl.DataFrame
    effects: pl.DataFrame
    technicians: pl.DataFrame
    systems: pl.DataFrame
    courses: pl.DataFrame
    logs: pl.DataFrame = field(default_factory=pl.DataFrame)
    story: dict[str, object] = field(default_factory=dict)


def make_truth(maker, history, tables) -> Truth:
    """The truth of one fleet; `tables` knows the ids that were given."""
    work = tables.jobs
    row, step = np.nonzero(np.repeat(tables.is_own[:, None], len(STEPS), axis=1))
    from synthetic_data.tables import words

    states = pl.DataFrame(
        {
            "job_id": tables.job_id.gather(pl.Series(row.astype(np.uint32))),
            "step": words(step, STEPS).cast(pl.Enum(STEPS)),
            "good": pl.Series(work.good[row, step]),
            "belongs": pl.Series(work.state[row, step] != NOT_APPLICABLE),
            "state": words(work.state[row, step], STATE_NAMES).cast(pl.Enum(STATE_NAMES)),
            "doer_id": words(work.doer[row, step], tables.technician_id),
            "p_good": pl.Series(work.p_good[row, step]),
        }
    )
    habits = maker.habits
    technicians = pl.DataFrame(
        {
            "technician_id": tables.technician_id,
            "carelessness": habits.carelessness,
            "harm": np.exp(habits.harm),
            **{f"logit_{name}": habits.logit[:, place] for place, name in enumerate(STEPS)},
        }
    )
    new_place = np.empty(len(tables.order), dtype=np.int64)
    new_place[tables.order] = np.arange(len(tables.order))
    running = history.running
    systems = pl.concat(
        [
            pl.DataFrame(
                {
                    "system_id": tables.system_id.gather(pl.Series(part.system.astype(np.uint32))),
                    "job_id": tables.job_id.gather(pl.Series(new_place[part.job].astype(np.uint32))),
                    "age_years": part.age_years,
                    "expected_12": part.expected_12,
                    "expected_24": part.expected_24,
                    "expected_36": part.expected_36,
                    "expected_12_if_good": part.expected_12_if_good,
                    "expected_36_if_good": part.expected_36_if_good,
                }
            )
            for part in running
        ]
    )
    courses = pl.DataFrame(
        [(course.name, course.step, course.true_change, -course.bad_spell) for course in maker.training.courses],
        schema={
            "course": pl.String, "step": pl.String, "change_in_log_odds": pl.Float64, "before_in_log_odds": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    story = {name: value for name, value in habits.story.items() if not name.endswith("_no")}
    return Truth(
        maker.world.name, states, effects(maker.world, states), technicians, systems, courses, tables.log_kind, story
    )


def effects(world, states: pl.DataFrame) -> pl.DataFrame:
    """Declared ratios of every outcome, step and age band, and what they imply for the first unplanned call."""
    rows = []
    early_total, late_total = {}, {}
    bad_share = dict(states.filter("belongs").group_by("step").agg((~pl.col("good")).mean()).iter_rows())
    for outcome in OUTCOMES:
        early, late = log_ratios(outcome, world)
        for place, step in enumerate(STEPS):
            rows.append((outcome.name, step, "early", float(np.exp(early[place])), "declared"))
            rows.append((outcome.name, step, "late", float(np.exp(late[place])), "declared"))
        if outcome.name == "thermostat":
            continue  # `callback` is counted without the negative control
        for total, logs, age in ((early_total, early, 1.0), (late_total, late, 5.0)):
            rate = outcome.yearly_rate * (1 + age) ** (outcome.shape - 1)
            # the other steps as the fleet does them on average
            mean = {step: 1 + bad_share.get(step, 0.0) * (np.exp(logs[place]) - 1) for place, step in enumerate(STEPS)}
            whole = rate * np.prod(list(mean.values()))
            for place, step in enumerate(STEPS):
                good, bad = total.get(step, (0.0, 0.0))
                others = whole / mean[step]
                total[step] = (good + others, bad + others * np.exp(logs[place]))
    for band, total in (("early", early_total), ("late", late_total)):
        for step, (good, bad) in total.items():
            rows.append(("callback", step, band, float(bad / good), "implied"))
    names = {
        "outcome": pl.String,
        "step": pl.String,
        "age_band": pl.String,
        "hazard_ratio": pl.Float64,
        "kind": pl.String,
    }
    return pl.DataFrame(rows, schema=names, orient="row")


def write_truth(fleet, folder: Path) -> None:
    """The truth as Parquet files in a folder of its own, never beside the exports."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("states", "effects", "technicians", "systems", "courses", "logs"):
        getattr(fleet.truth, name).write_parquet(folder / f"truth_{name}.parquet")
    (folder / "truth_story.json").write_text(json.dumps(fleet.truth.story, indent=1), encoding="utf-8")
