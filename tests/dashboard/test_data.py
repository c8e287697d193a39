"""What the pages ask: bounded answers, the figures' own day, a new generation seen at once, no site's contact."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dashboard import data
from dashboard.data import JobFilter
from pipelines.store import FOLDER_VARIABLE, Store
from tests.dashboard import small_store

SOURCE = Path(data.__file__).read_text()


@pytest.fixture
def fleet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    store = small_store.make(tmp_path / "fleet", jobs=250, technicians=6)
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    return store


def test_no_query_reads_the_sites() -> None:
    assert "staged_site" not in SOURCE
    assert not re.search(r"\b(contact|phone|address)\b", SOURCE.split('"""', 2)[2].replace("last_contact_on", ""))


def test_sql_stands_nowhere_else_in_the_pages() -> None:
    for file in [*Path(data.__file__).parent.glob("*.py"), *(Path(data.__file__).parent / "app_pages").glob("*.py")]:
        # the pages' questions to the store: data.py, and beside it data_night.py and data_owner.py
        if not re.fullmatch(r"data(_\w+)?\.py", file.name):
            assert not re.search(r"\bselect\b.+\bfrom\b", file.read_text(), re.IGNORECASE), file.name


def test_jobs_come_a_page_at_a_time_and_every_job_once(fleet: Store) -> None:
    which = JobFilter(step="evacuation")
    total = sum(data.job_states(which).values()) - data.job_states(which).get("not_applicable", 0)
    pages = [data.job_steps(which, page) for page in range(1, 5)]
    assert max(page.height for page in pages) == data.PAGE_OF_JOBS
    ids = [job for page in pages for job in page["job_id"]]
    assert len(ids) == len(set(ids)) == total


@pytest.mark.parametrize("kind", ["crew", "branch", "form"])
def test_every_cell_of_a_group_counts_its_own_jobs(kind: str, fleet: Store) -> None:
    groups = data.group_step(kind)
    for row in groups.filter(groups["step"].is_in(["evacuation", "charge"])).iter_rows(named=True):
        crew = row["group"] if kind == "crew" else None
        states = data.job_states(
            JobFilter(
                step=row["step"],
                crew=crew,
                group_kind=kind if not crew else None,
                group=row["group"] if not crew else None,
            )
        )
        assert states.get("passed", 0) == row["good"]
        assert states.get("not_done", 0) == row["not_done"]
        assert sum(n for state, n in states.items() if state != "not_applicable") == row["applicable"]


def test_people_without_a_crew_are_a_group_of_their_own(fleet: Store) -> None:
    with fleet.write("load") as con:
        con.execute("update staged_technician set crew = null where technician_id = 'T01'")
        con.execute("update technician_step set crew = '' where technician_id = 'T01'")
    assert data.crews()[-1] == data.NO_GROUP
    (expected,) = (
        fleet.read()
        .sql(
            "select count(*) from step_grade where technician_id = 'T01' and step = 'charge' and state <> 'not_applicable'"
        )
        .fetchall()[0]
    )
    assert sum(data.job_states(JobFilter(step="charge", crew=data.NO_GROUP)).values()) == expected > 0
    assert data.technician_step("charge", data.NO_GROUP)["technician_id"].to_list() == ["T01"]


def test_walk_through_a_list_visits_every_job_and_ends(fleet: Store) -> None:
    which = JobFilter(step="airflow", states=("failed",))
    jobs = [data.neighbours(which, "no such job")["older"]]
    while older := data.neighbours(which, jobs[-1])["older"]:
        jobs.append(older)
    assert len(jobs) == len(set(jobs)) == data.job_states(which)["failed"]


def test_search_takes_signs_as_they_are_written(fleet: Store) -> None:
    assert data.matching_jobs(JobFilter(search="%")).is_empty()
    assert data.matching_jobs(JobFilter(search="_")).is_empty()
    assert data.matching_jobs(JobFilter(search="j00007"))["job_id"].to_list() == ["J00007"]


def test_new_generation_is_seen_on_the_next_question(fleet: Store) -> None:
    assert data.stamp().jobs == 250
    with fleet.write("load") as con:
        con.execute("delete from staged_job where job_id > 'J00099'")
    assert data.stamp().jobs == 100
    assert data.stamp().generation == 2


def test_list_stops_at_the_day_of_the_figures(fleet: Store) -> None:
    with fleet.write("fit") as con:
        con.execute("update fit_run set as_of = date '2022-06-30'")
    con = fleet.read()
    (expected,) = con.sql(
        "select count(*) from step_grade join staged_job using (job_id) where step = 'evacuation' "
        "and finished_on <= date '2022-06-30' and state <> 'not_applicable'"
    ).fetchall()[0]
    con.close()
    assert sum(data.job_states(JobFilter(step="evacuation")).values()) == expected > 0


def test_risk_list_and_curve_agree(fleet: Store) -> None:
    chosen = (12, None, None, 150.0)
    totals = data.risk_totals(*chosen, 40)
    curve = data.risk_curve(*chosen)
    listed = data.risk_list(*chosen, 40)
    assert listed.height == totals["visits"] == 40
    assert totals["expected_in"] == pytest.approx(listed["probability"].sum())
    assert totals["avoided_in"] == pytest.approx(curve.filter(curve["visits"] == 40)["avoided"][0])
    # by hand: the fixture's benefit is 0.4 x expected loss - 150, so a visit avoids 0.4 of each chance
    assert totals["avoided_in"] == pytest.approx(0.4 * listed["probability"].sum())
    # and its ranges: 0.3 to 0.5 of the chances avoided, 0.8 to 1.25 times the sum expected
    assert totals["avoided_low"] == pytest.approx(0.3 * listed["probability"].sum())
    assert totals["avoided_high"] == pytest.approx(0.5 * listed["probability"].sum())
    assert totals["expected_low"] == pytest.approx(0.8 * totals["expected"])
    assert totals["expected_in_high"] == pytest.approx(1.25 * totals["expected_in"])
    here = curve.filter(curve["visits"] == 40).row(0, named=True)
    assert (here["low"], here["high"]) == pytest.approx((totals["avoided_low"], totals["avoided_high"]))
    assert curve["low"].null_count() == 0
    assert curve.height <= 400


def test_between_two_rungs_the_range_is_drawn_straight(fleet: Store) -> None:
    with fleet.write("fit") as con:
        con.execute("update risk_total set avoided_low = avoided * 0.5 where first = 20")
        con.execute("update risk_total set avoided_low = avoided * 0.9 where first = 40")
    part = data.risk_totals(12, None, None, 150.0, 30)
    assert part["avoided_low"] == pytest.approx(0.7 * part["avoided_in"])
    # a list of its own for an area; a fit without the table still has its sums
    area = data.risk_areas()[0]
    assert data.risk_totals(12, area, None, 150.0, 10)["expected_low"] is not None
    with fleet.write("fit") as con:
        con.execute("drop table risk_total")
    bare = data.risk_totals(12, None, None, 150.0, 30)
    assert bare["avoided_low"] is None
    assert bare["avoided_in"] == pytest.approx(part["avoided_in"])


def test_long_gauge_log_is_thinned_and_keeps_its_extremes(fleet: Store) -> None:
    import polars as pl

    samples = pl.DataFrame(
        {
            "job_id": "J00001",
            "step": "vacuum_rise",
            "attempt": 1,
            "quantity": "vacuum",
            "unit": "micron",
            "elapsed_s": [float(n) for n in range(20_000)],
            "value": [500.0 + n % 7 for n in range(19_999)] + [1234.0],
        }
    )
    with fleet.write("load") as con:
        part = fleet.next_part_file(con)
        samples.write_parquet(part)
        names = [row[0] for row in con.sql("describe gauge_log_part").fetchall()]
        con.execute(f"insert into gauge_log_part ({names[0]}) values (?)", [part.name])
    log = data.gauge_log("J00001", "vacuum_rise", 1, "vacuum")
    assert log.height <= data.MARKS_AT_MOST
    assert log["value"].max() == 1234.0
    assert log["elapsed_s"].is_sorted()
