"""Counts and rates on rows small enough to add up by eye, and that every count opens its jobs."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from models import adjusted_rates, compliance, inspections, own_trend, results, step_spread
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


def test_what_a_helper_did_counts_to_the_helper():
    con = _ten_jobs()
    put(con, "staged_technician", [{"technician_id": "T2", "crew": "red", "branch": "north"}])
    con.execute("update step_grade set credited_by = 'lead'")
    con.execute("update step_grade set technician_id = 'T2', credited_by = 'step' "
                "where step = 'evacuation' and job_id in ('J0', 'J5')")  # fmt: skip
    frame = compliance.technician_step(_prepared(con), LAST_DAY, {}).filter(step="evacuation")
    rows = {row["technician_id"]: row for row in frame.iter_rows(named=True)}
    assert (rows["T2"]["good"], rows["T2"]["failed"], rows["T2"]["credited_by_step"]) == (1, 1, 2)
    assert (rows["T1"]["good"], rows["T1"]["failed"], rows["T1"]["credited_by_step"]) == (4, 0, 0)
    # the whole job stays with its lead
    whole = compliance.technician_step(con, LAST_DAY, {}).filter(step="whole_job")
    assert whole["technician_id"].to_list() == ["T1"]


def test_the_last_twelve_months_stand_with_their_count_and_interval():
    con = _ten_jobs()
    con.execute("update staged_job set finished_on = date '2023-05-05' where job_id in ('J0', 'J5')")
    row = compliance.technician_step(_prepared(con), LAST_DAY, {}).filter(step="evacuation").row(0, named=True)
    assert (row["recent_known"], row["recent_rate"]) == (6, pytest.approx(4 / 6))
    assert 0.2 < row["recent_low"] < 4 / 6 < row["recent_high"] < 0.95


def test_steps_of_one_job_that_go_together_count_for_fewer():
    # either all nine steps of a job are good or none: nine job steps say what one says
    con, rng = empty_store(), np.random.default_rng(1)
    put(con, "staged_job", [
        {"job_id": f"J{n}", "system_id": f"S{n}", "technician_id": f"T{n % 4}", "finished_on": date(2025, 1, 1)}
        for n in range(400)
    ])  # fmt: skip
    is_good = rng.random(400) < 0.8
    put(con, "step_grade", [
        {"job_id": f"J{n}", "technician_id": f"T{n % 4}", "step": step, "state": "passed" if is_good[n] else "failed"}
        for n in range(400) for step in STEPS
    ])  # fmt: skip
    assert compliance._steps_hang_together(_prepared(con)) == pytest.approx(9, abs=0.3)
    frame = compliance.technician_step(con, LAST_DAY, {}).filter(technician_id="T0")
    width = {step: high - low for step, low, high in frame.select("step", "rate_low", "rate_high").iter_rows()}
    assert width["all"] == pytest.approx(width["whole_job"], rel=0.1)


def _measured_again():
    """Airflow and current of ten jobs, measured again by T2: eight records agree, one passed wrongly, one was ticked only."""
    con = empty_store()
    con.execute("create table limit_used (limit_id varchar, step varchar, quantity varchar, at_least double, "
                "at_most double, unit varchar, applies_to varchar)")  # fmt: skip
    con.execute("insert into limit_used values ('airflow-per-ton', 'airflow', 'airflow_per_ton', 350, 450, 'cfm/ton', ''), "
                "('airflow-kept', 'airflow', 'airflow_per_ton', 300, 450, 'cfm/ton', 'ducts_kept=true'), "
                "('current', 'electrical', 'compressor_current', null, null, 'A', 'plate=known')")  # fmt: skip
    put(con, "staged_technician", [{"technician_id": "T1", "crew": "red"}, {"technician_id": "T2", "crew": "blue"}])
    put(con, "staged_system", [{"system_id": f"S{n}", "equipment": "split_ac", "nominal_tons": 3.0} for n in range(10)])
    put(con, "staged_job", [
        {"job_id": f"J{n}", "system_id": f"S{n}", "technician_id": "T1", "ducts_kept": n == 8,
         "finished_on": date(2025, 1 + n % 4, 5)}
        for n in range(10)
    ])  # fmt: skip
    state = ["passed"] * 5 + ["failed", "passed", "ticked_only", "passed", "passed"]
    put(con, "step_grade", [
        {"job_id": f"J{n}", "technician_id": "T1", "step": "airflow", "state": state[n]} for n in range(10)
    ] + [{"job_id": "J0", "technician_id": "T1", "step": "electrical", "state": "passed"}])  # fmt: skip
    put(
        con, "staged_reading", [{"job_id": "J0", "step": "electrical", "quantity": "rated_load_current", "value": 12.0}]
    )
    airflow = [1200, 1150, 1200, 1200, 1200, 800, 700, 1200, 960, 1200]
    put(con, "staged_inspection", [
        {"job_id": f"J{n}", "step": "airflow", "quantity": "airflow", "value": float(airflow[n]),
         "inspected_on": date(2025, 5, 5), "inspector_id": "T1" if n == 9 else "T2"}
        for n in range(10)
    ] + [{"job_id": "J0", "step": "electrical", "quantity": "compressor_current", "value": 11.5,
          "inspected_on": date(2025, 5, 5), "inspector_id": "T2"}])  # fmt: skip
    return con


def test_a_step_measured_again_agrees_when_record_and_second_reading_fall_on_one_side_of_the_limit():
    con = _prepared(_measured_again())
    checks = inspections.inspection_check(con).filter(step="airflow")
    rows = {row["job_id"]: row for row in checks.iter_rows(named=True)}
    # J5 failed and fails again; J6 passed and is far below; J7 was ticked only; J8 kept its ducts: 320 a ton is enough
    assert {job for job, row in rows.items() if row["agrees"]} == {"J0", "J1", "J2", "J3", "J4", "J5", "J8"}
    assert (rows["J6"]["agrees"], rows["J6"]["value"]) == (False, pytest.approx(700 / 3))
    assert (rows["J7"]["agrees"], rows["J7"]["is_within"]) == (None, True)
    assert "J9" not in rows  # measured again by the same person
    of_current = inspections.inspection_check(con).filter(step="electrical").row(0, named=True)
    assert (of_current["at_most"], of_current["agrees"]) == (12.0, True)


def test_the_share_that_agrees_stands_beside_compliance_with_its_interval():
    con = _prepared(_measured_again())
    people = compliance.technician_step(con, LAST_DAY, {})
    row = people.filter(technician_id="T1", step="airflow").row(0, named=True)
    assert (row["proof_checked"], row["proof_agrees"]) == (8, 7)
    assert 0.5 < row["proof_low"] < 7 / 8 < row["proof_high"] < 1
    every = people.filter(technician_id="T1", step="all").row(0, named=True)
    assert (every["proof_checked"], every["proof_agrees"]) == (9, 8)
    groups = compliance.group_step(con).filter(group_kind="crew", group="red", step="airflow")
    assert (groups["proof_checked"][0], groups["proof_agrees"][0]) == (8, 7)


def test_jobs_to_measure_again_are_drawn_by_lot_the_same_each_time_and_some_of_everybody_s():
    con = _prepared(store_of(invent(1500, 12, seed=2)))
    drawn = inspections.inspection_draw(con, LAST_DAY, 1)
    assert drawn.equals(inspections.inspection_draw(con, LAST_DAY, 1))
    assert not drawn.equals(inspections.inspection_draw(con, LAST_DAY, 2))
    for (_, _), part in drawn.partition_by("month", "technician_id", as_dict=True).items():
        assert part.height == max(1, -(-part["jobs"][0] // 20))
        assert part["chance"].to_list() == pytest.approx([part.height / part["jobs"][0]] * part.height)


def _one_step(rng, rate_of, people=8, jobs=320, form=lambda person, n: "old", crew=lambda person: f"crew {person % 4}"):
    """Airflow of some people over four years; rate_of and form: of a person and the number of the job."""
    con = empty_store()
    put(con, "staged_technician", [{"technician_id": f"T{p}", "crew": crew(p)} for p in range(people)])
    rows = [
        (p, n, date.fromordinal(LAST_DAY.toordinal() - 1460 + int(1460 * n / jobs)))
        for p in range(people)
        for n in range(jobs)
    ]
    put(con, "staged_job", [
        {"job_id": f"J{p}_{n}", "system_id": "S", "technician_id": f"T{p}", "form": form(p, n), "finished_on": day}
        for p, n, day in rows
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": f"J{p}_{n}", "technician_id": f"T{p}", "step": "airflow",
         "state": "passed" if rng.random() < rate_of(p, n) else "ticked_only"}
        for p, n, _ in rows
    ])  # fmt: skip
    return _prepared(con)


def test_a_fall_of_one_person_is_told_with_its_day_the_rates_around_it_and_what_changed_with_it():
    rng = np.random.default_rng(1)
    con = _one_step(rng, lambda p, n: 0.5 if p == 0 and n >= 260 else 0.9)
    found = own_trend.changes(con, LAST_DAY).filter(step="airflow").sort("technician_id")
    assert found["change"].to_list() == ["worse"] + ["steady"] * 7
    row = found.row(0, named=True)
    began = date.fromordinal(LAST_DAY.toordinal() - 1460 + int(1460 * 260 / 320))
    assert abs((row["changed_on"] - began).days) < 60
    assert row["change_seen_on"] >= row["changed_on"]
    assert row["rate_before_low"] < row["rate_before"] < row["rate_before_high"]
    assert row["rate_since"] < 0.65 < 0.85 < row["rate_before"]
    assert row["known_since"] + row["known_before"] == 320
    assert row["change_with"] == ""


def test_a_form_that_does_not_ask_for_the_value_is_nobody_s_change_and_is_told():
    rng = np.random.default_rng(2)
    is_new = lambda p, n: p < 4 and n >= 260  # noqa: E731
    con = _one_step(rng, lambda p, n: 0.4 if is_new(p, n) else 0.9, form=lambda p, n: "new" if is_new(p, n) else "old")
    found = own_trend.changes(con, LAST_DAY).filter(step="airflow").sort("technician_id")
    assert "worse" not in found["change"].to_list()
    assert found["new_form_on"].is_not_null().to_list() == [True] * 4 + [False] * 4
    # the same people on their other jobs show that it is the form
    groups = compliance.group_step(con).filter(group_kind="form", group="new", step="airflow").row(0, named=True)
    assert groups["rate"] < 0.5 < 0.7 < groups["same_people_low"] < groups["same_people_rate"] < 0.95


def test_a_fleet_that_falls_together_is_no_change_of_each_one():
    con = _one_step(np.random.default_rng(3), lambda p, n: 0.6 if n >= 260 else 0.9)
    assert "worse" not in own_trend.changes(con, LAST_DAY).filter(step="airflow")["change"].to_list()
    months = compliance.month_step(con).filter(pl.col("crew").is_null() & (pl.col("step") == "airflow"))
    assert "worse" in months["change"].to_list()


def test_where_the_rest_of_the_crew_changed_likewise_that_is_told():
    con = _one_step(np.random.default_rng(4), lambda p, n: 0.4 if p in (0, 4) and n >= 250 else 0.9, people=12)
    found = own_trend.changes(con, LAST_DAY).filter(step="airflow", change="worse").sort("technician_id")
    # T0, T4 and T8 are crew 0: for each of the two fallen one of the other two fell too
    assert found["technician_id"].to_list() == ["T0", "T4"]
    assert found["change_with"].to_list() == ["crew", "crew"]


def test_a_spread_that_goes_with_the_crew_is_told_from_one_of_persons():
    rng = np.random.default_rng(5)
    of_crew = _one_step(rng, lambda p, n: (0.95, 0.9, 0.6, 0.85)[p % 4], people=16, jobs=80)
    of_person = _one_step(rng, lambda p, n: (0.95, 0.9, 0.6, 0.85)[p // 4], people=16, jobs=80)
    rows = []
    for con in (of_crew, of_person):
        table = step_spread.step_spread(con, adjusted_rates.JobMixes(con), 1)
        rows.append(table.filter(step="airflow", group_kind="crew").row(0, named=True))
    assert rows[0]["share_between"] > 0.8
    assert rows[0]["p_value"] < 0.01
    assert rows[1]["share_between"] < 0.3
    assert rows[1]["p_value"] > 0.05
    assert rows[0]["spread_people"] == pytest.approx(rows[1]["spread_people"], rel=0.3)


def test_tables_have_the_columns_they_promise():
    con = _prepared(store_of(invent(600, 6, seed=3)))
    for name, frame in (
        ("technician_step", compliance.technician_step(con, LAST_DAY, {})),
        ("group_step", compliance.group_step(con)),
        ("month_step", compliance.month_step(con)),
        ("step_spread", step_spread.step_spread(con, adjusted_rates.JobMixes(con), 1)),
        ("inspection_check", inspections.inspection_check(con)),
        ("inspection_draw", inspections.inspection_draw(con, LAST_DAY, 1)),
    ):
        assert set(results.SCHEMA[name]) <= set(frame.columns)
        results.write(con, name, frame)
        assert con.sql(f"select count(*) from {name}").fetchall() == [(frame.height,)]
