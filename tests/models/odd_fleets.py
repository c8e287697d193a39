"""Small and odd fleets as a contractor might really hand them in: invented records, then bent one way each."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data import fleet

LAST_DAY = date(2026, 3, 31)
Frames = dict[str, pl.DataFrame]


@cache
def _usual(installs: int) -> fleet.Fleet:
    return fleet.make_fleet(installs=installs, seed=4, as_of=LAST_DAY)


def usual(installs: int = 110) -> Frames:
    """An ordinary fleet of eight technicians over nine years, without gauge logs."""
    frames = {name: frame for name, frame in _usual(installs).tables().items() if frame.height}
    frames.pop("traces", None)
    return frames


def _only(frames: Frames, jobs: pl.DataFrame) -> Frames:
    """The fleet with these jobs alone, and what hangs on them."""
    found = dict(frames, jobs=jobs)
    found["systems"] = frames["systems"].join(jobs.select("system_id").unique(), on="system_id", how="semi")
    for name in ("steps", "readings", "inspections"):
        found[name] = frames[name].join(jobs, on="job_id", how="semi")
    found["calls"] = frames["calls"].join(jobs.select("system_id").unique(), on="system_id", how="semi")
    return found


def _done_by(frames: Frames, technician: pl.Expr) -> Frames:
    """Every job led by somebody else; who did a single step is not told apart."""
    own = pl.col("installed_by") != "someone_else"
    return dict(
        frames,
        jobs=frames["jobs"].with_columns(
            technician_id=pl.when(own).then(technician), helper_ids=pl.lit(None, pl.String)
        ),
        steps=frames["steps"].with_columns(technician_id=pl.lit(None, pl.String)),
    )


def one_technician() -> Frames:
    frames = _done_by(usual(), pl.lit("T001"))
    return dict(frames, technicians=frames["technicians"].filter(pl.col("technician_id") == "T001"))


def no_failures() -> Frames:
    frames = usual()
    systems = frames["systems"].with_columns(
        retired_on=pl.when(pl.col("retired_because") != "compressor").then("retired_on"),
        retired_because=pl.when(pl.col("retired_because") != "compressor").then("retired_because"),
    )
    return dict(frames, systems=systems, calls=frames["calls"].filter(pl.col("call_kind") == "maintenance"))


def every_step_unknown() -> Frames:
    frames = usual()
    return {name: frame for name, frame in frames.items() if name not in ("steps", "readings", "inspections")}


def always_good() -> Frames:
    """Only what is good as a tick is good for every job: each job's nitrogen release ticked, and nothing else kept."""
    frames = usual()
    jobs = frames["jobs"].filter(pl.col("installed_by") != "someone_else")
    steps = jobs.select("job_id", step=pl.lit("nitrogen_release"), ticked=pl.lit("done"))
    kept = {name: frame for name, frame in frames.items() if name not in ("readings", "inspections")}
    return dict(kept, steps=steps)


def nobody_does_the_rise_test() -> Frames:
    """One crew of eight, and not one rise test."""
    frames = usual()
    of_rise = pl.col("step") == "vacuum_rise"
    jobs = frames["jobs"].filter(pl.col("installed_by") != "someone_else")
    not_done = jobs.select("job_id", step=pl.lit("vacuum_rise"), ticked=pl.lit("not_done"))
    return dict(
        frames,
        technicians=frames["technicians"].with_columns(crew=pl.lit("Only crew")),
        readings=frames["readings"].filter(~of_rise),
        steps=pl.concat([frames["steps"].filter(~of_rise), not_done], how="diagonal"),
    )


def records_often_lost() -> Frames:
    """Nothing is left of about four steps in ten, in whatever job."""
    frames = usual()

    def kept(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.filter(pl.concat_str(pl.col("job_id"), pl.col("step").fill_null("")).hash(1) % 10 >= 4)

    return dict(frames, steps=kept(frames["steps"]), readings=kept(frames["readings"]))


def new_contractor() -> Frames:
    """What was put in within the last 90 days and nothing before."""
    frames = usual(1500)
    begin = LAST_DAY - timedelta(days=90)
    jobs = frames["jobs"].filter(
        (pl.col("finished_on") > begin) & (pl.col("job_kind").is_in(["new_install", "changeout"]))
        & (pl.col("installed_by") != "someone_else")
    )  # fmt: skip
    return _only(frames, jobs)


def lead_and_helper() -> Frames:
    """Two people on every job, one always the lead; no step says who did it."""
    frames = one_technician()
    people = usual()["technicians"].head(2)
    jobs = frames["jobs"].with_columns(helper_ids=pl.when(pl.col("technician_id").is_not_null()).then(pl.lit("T002")))
    return dict(frames, jobs=jobs, technicians=people)


def few_jobs() -> Frames:
    """Ten installs of the house's own."""
    frames = usual()
    return _only(frames, frames["jobs"].filter(pl.col("installed_by") == "own_crew").tail(10))


def one_job() -> Frames:
    frames = usual()
    job = (
        frames["jobs"]
        .filter((pl.col("installed_by") == "own_crew") & (pl.col("finished_on") > date(2020, 1, 1)))
        .head(1)
    )
    return _only(frames, job)


def only_adopted() -> Frames:
    frames = usual()
    jobs = frames["jobs"].with_columns(
        installed_by=pl.lit("someone_else"), technician_id=pl.lit(None, pl.String), helper_ids=pl.lit(None, pl.String)
    )
    kept = {name: frame for name, frame in frames.items() if name not in ("steps", "readings", "inspections")}
    return dict(kept, jobs=jobs)


def only_calls() -> Frames:
    frames = usual()
    return {name: frames[name] for name in ("technicians", "systems", "calls")} | {"jobs": frames["jobs"].clear()}


def one_job_among_sixty_others() -> Frames:
    rng = np.random.default_rng(3)
    frames = usual(260)
    number = rng.integers(0, 60, frames["jobs"].height)
    frames = _done_by(frames, pl.Series([f"T{n:03d}" for n in number + 1]))
    own = frames["jobs"].filter(pl.col("technician_id").is_not_null())["job_id"][-1]
    jobs = frames["jobs"].with_columns(
        technician_id=pl.when(pl.col("job_id") == own).then(pl.lit("T900")).otherwise("technician_id")
    )
    names = [*(f"T{n:03d}" for n in range(1, 61)), "T900"]
    people = pl.DataFrame({"technician_id": names, "crew": [f"Crew {n % 6}" for n in range(61)]})
    return dict(frames, jobs=jobs, technicians=people)


def all_events_in_one_month() -> Frames:
    """A heat wave: every unplanned call and every retirement lies in one month."""
    frames = usual()
    month = date(2025, 7, 1)
    day = pl.lit(month) + pl.duration(days=pl.int_range(pl.len()) % 30)
    planned = pl.col("call_kind").is_in(["maintenance", "proactive"])
    calls = frames["calls"].with_columns(opened_on=pl.when(planned).then("opened_on").otherwise(day.cast(pl.Date)))
    systems = frames["systems"].with_columns(
        retired_on=pl.when(pl.col("retired_on").is_not_null()).then(day.cast(pl.Date))
    )
    return dict(frames, calls=calls, systems=systems)


def dates_missing() -> Frames:
    """Not one job says when it was finished."""
    frames = usual()
    return dict(frames, jobs=frames["jobs"].with_columns(finished_on=pl.lit(None, pl.Date)))


ODD = {
    make.__name__: make
    for make in (
        one_technician, no_failures, every_step_unknown, always_good, nobody_does_the_rise_test, new_contractor,
        lead_and_helper, few_jobs, one_job, only_adopted, only_calls, one_job_among_sixty_others, all_events_in_one_month,
        dates_missing, records_often_lost,
    )
}  # fmt: skip


def written(frames: Frames, folder: Path) -> Path:
    """The frames as CSV in the contract's own headings."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.write_csv(folder / f"{name}.csv", datetime_format="%Y-%m-%dT%H:%M:%S")
    return folder
