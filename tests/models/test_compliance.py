"""Counts and rates on rows small enough to add up by eye, and that every count opens its jobs."""

from datetime import date

import pytest

from models import compliance
from pipelines.contract import STEPS
from tests.models.invented_fleet import LAST_DAY, empty_store, invent, put, store_of


def _prepared(con, day=LAST_DAY):
    compliance.prepare(con, day)
    return con


def _ten_jobs():
    """T1 in crew red: five passed, one of each other state, for evacuation; airflow passed or does not belong."""
    states = ["passed"] * 5 + ["failed", "ticked_only", "not_done", "no_record", "disputed"]
    con = empty_store()
    put(con, "staged_technician", [{"technician_id": "T1", "crew": "red", "branch": "north"}])
    put(con, "staged_system", [{"system_id": f"S{n}", "equipment": "split_ac"} for n in range(10)])
    put(con, "staged_job", [
        {"job_id": f"J{n}", "system_id": f"S{n}", "technician_id": "T1", "joints": "brazed",
         "finished_on": date(2025, 1 + n % 2, 5)}
        for n in range(10)
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": f"J{n}", "technician_id": "T1", "step": "evacuation", "state": state}
        for n, state in enumerate(states)
    ] + [
        {"job_id": f"J{n}", "technician_id": "T1", "step": "airflow", "state": "not_applicable" if n < 2 else "passed"}
        for n in range(10)
    ])  # fmt: skip
    return con


def test_unknown_and_disputed_are_counted_apart_and_bound_the_rate():
    frame = compliance.technician_step(_prepared(_ten_jobs()), LAST_DAY, {})
    row = frame.filter(step="evacuation").row(0, named=True)
    names = ("applicable", "known", "good", "failed", "ticked_only", "not_done", "skipped", "unknown", "disputed")
    assert [row[name] for name in names] == [10, 8, 5, 1, 1, 1, 2, 1, 1]
    assert row["rate"] == pytest.approx(5 / 8)
    assert row["rate_if_unknown_bad"] == pytest.approx(5 / 9)
    assert row["rate_if_unknown_good"] == pytest.approx(6 / 9)
    assert (row["flag"], row["change"], row["crew"]) == ("too_few", "too_few", "red")


def test_all_counts_job_steps_and_whole_job_counts_jobs_good_in_every_known_step():
    frame = compliance.technician_step(_prepared(_ten_jobs()), LAST_DAY, {})
    every = frame.filter(step="all").row(0, named=True)
    assert (every["applicable"], every["known"], every["good"]) == (18, 16, 13)
    # J8 (no record) and J9 (disputed) are known by their airflow alone
    whole = frame.filter(step="whole_job").row(0, named=True)
    assert (whole["applicable"], whole["known"], whole["good"], whole["failed"]) == (10, 10, 7, 1)


def test_a_target_of_the_house_takes_the_place_of_the_fleet_s_rate():
    frame = compliance.technician_step(_prepared(_ten_jobs()), LAST_DAY, {"evacuation": 0.95})
    row = frame.filter(step="evacuation").row(0, named=True)
    assert (row["target"], row["fleet_rate"]) == (0.95, 5 / 8)


def test_proof_is_missing_where_more_than_half_of_the_gap_is_ticked_only():
    con = _ten_jobs()
    assert not compliance.technician_step(_prepared(con), LAST_DAY, {}).filter(step="evacuation")["proof_missing"][0]
    con.execute("update step_grade set state = 'ticked_only' where state in ('failed', 'not_done')")
    assert compliance.technician_step(_prepared(con), LAST_DAY, {}).filter(step="evacuation")["proof_missing"][0]


def test_every_count_opens_its_jobs():
    con = _prepared(store_of(invent(1500, 12, seed=2)))
    frame = compliance.technician_step(con, LAST_DAY, {})
    for name, states in (
        ("good", "'passed'"), ("failed", "'failed'"), ("skipped", "'not_done', 'ticked_only'"),
        ("unknown", "'no_record', 'cannot_tell'"),
    ):  # fmt: skip
        listed = con.sql(
            f"select technician_id, step, count(*) as jobs from step_grade where state in ({states}) group by all"
        ).pl()
        joined = frame.filter(frame["step"].is_in(STEPS)).join(listed, on=["technician_id", "step"], how="left")
        assert (joined[name] == joined["jobs"].fill_null(0)).all()
    groups = compliance.group_step(con)
    for kind in ("crew", "branch", "equipment", "season", "form"):
        part = groups.filter(group_kind=kind, step="charge")
        assert part["known"].sum() == frame.filter(step="charge")["known"].sum()
    months = compliance.month_step(con)
    fleet = months.filter(months["crew"].is_null() & (months["step"] == "charge"))
    assert fleet["good"].sum() == frame.filter(step="charge")["good"].sum()
    assert (
        months.filter(months["crew"].is_not_null() & (months["step"] == "charge"))["good"].sum() == fleet["good"].sum()
    )
    limits = fleet.filter(fleet["known"] > 0)
    assert (limits["limit_low_998"] <= limits["limit_low_95"]).all()
    assert (limits["limit_high_95"] <= limits["limit_high_998"]).all()


def test_adjusting_takes_away_what_the_jobs_bring_with_them():
    # both do equally well on the same jobs; the second has mostly ductless ones, which go wrong more often for all
    con = empty_store()
    rows = []
    for person, ductless in (("A", 0.2), ("B", 0.8), ("C", 0.5), ("D", 0.5)):
        for n in range(1000):
            kind = "ductless" if n < 1000 * ductless else "split_ac"
            bad = (n * 7919) % 100 < (40 if kind == "ductless" else 10)
            rows.append((f"{person}{n}", person, kind, "failed" if bad else "passed"))
    put(con, "staged_system", [{"system_id": f"S{job}", "equipment": kind} for job, _, kind, _ in rows])
    put(con, "staged_job", [
        {"job_id": job, "system_id": f"S{job}", "technician_id": person, "finished_on": date(2025, 1, 1)}
        for job, person, _, _ in rows
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": job, "technician_id": person, "step": "charge", "state": state} for job, person, _, state in rows
    ])  # fmt: skip
    frame = compliance.technician_step(_prepared(con), LAST_DAY, {}).filter(step="charge").sort("technician_id")
    plain, adjusted = frame["rate"].to_list(), frame["rate_adjusted"].to_list()
    assert plain[0] - plain[1] > 0.15
    assert abs(adjusted[0] - adjusted[1]) < 0.02
