"""The ways through the pages: the search, lists that previous and next follow, the way back, saved views, the band."""

from __future__ import annotations

import datetime as dt
import json
import re
from typing import Any

import polars as pl
import pytest

from dashboard import band, data, data_night, data_ways, ways
from dashboard.data_ways import JobList
from pipelines.entries import Entries
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules
from pipelines.store import FOLDER_VARIABLE, Store
from tests.dashboard import small_store
from tests.dashboard.screen import first_line, open_page, whole, words_on


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    store = small_store.make(tmp_path_factory.mktemp("fleet"), jobs=120, technicians=6)
    with store.write("load") as con:
        con.execute("delete from staged_site")
        con.execute(
            "insert into staged_site (site_id, label, address) values "
            "('P1', 'Mill yard', '12 Cinder Path'), ('P2', null, '7 100% Walk_way'), ('P3', 'J00007', null)"
        )
        con.execute("update staged_system set site_id = if(system_id = 'S00003', 'P2', 'P1')")
    return store


@pytest.fixture
def asked(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv(FOLDER_VARIABLE, str(fleet.folder))
    return fleet


def rows(store: Store, sql: str, **parameters: Any) -> list[tuple]:
    con = store.read()
    try:
        return con.sql(sql, params=parameters or None).fetchall()
    finally:
        con.close()


# --- search


def test_number_given_in_full_means_itself_in_any_spelling(asked: Store) -> None:
    for text in ("J00007", "j00007", " J00007 "):
        hits = data_ways.search(text, names=True)
        assert hits.jobs["job_id"].to_list() == ["J00007"]
        assert hits.systems.is_empty()
        assert hits.places["site_id"].to_list() == ["P3"]  # a label that equals it is no less meant


def test_beginning_comes_before_what_only_holds_it(asked: Store) -> None:
    hits = data_ways.search("J0001", names=True)
    assert hits.jobs["job_id"].to_list() == [f"J0001{n}" for n in range(10)]
    within = data_ways.search("0011", names=True)
    expected = [
        job for (job,) in rows(asked, "select job_id from staged_job where contains(job_id, '0011') order by 1")
    ]
    assert within.jobs["job_id"].to_list() == expected != []


def test_at_most_twenty_of_a_kind_and_more_is_said(asked: Store) -> None:
    hits = data_ways.search("J", names=True)
    assert hits.jobs.height == data_ways.HITS_AT_MOST == 20
    assert "jobs" in hits.more


def test_signs_of_patterns_mean_themselves(asked: Store) -> None:
    assert data_ways.search("100%", names=True).places["site_id"].to_list() == ["P2"]
    assert data_ways.search("walk_way", names=True).places["site_id"].to_list() == ["P2"]
    assert data_ways.search("100_", names=True).count == 0
    assert data_ways.search("%", names=True).places["site_id"].to_list() == ["P2"]
    assert data_ways.search("'; drop table staged_job --", names=True).count == 0
    assert data_ways.search("  ", names=True).count == 0


def test_address_is_found_from_within_and_counts_its_jobs(asked: Store) -> None:
    hits = data_ways.search("cinder", names=True)
    (place,) = hits.places.rows(named=True)
    assert place["site_id"] == "P1"
    ((jobs,),) = rows(asked, "select count(*) from staged_job where system_id <> 'S00003'")
    assert place["jobs"] == jobs
    listed = data_ways.neighbours(JobList("site", {"site": "P1"}), "none")
    assert listed["jobs"] == jobs


def test_people_are_found_by_name_only_where_names_are_shown(asked: Store) -> None:
    ((who, name),) = rows(asked, "select technician_id, name from staged_technician order by 1 limit 1")
    assert who in data_ways.search(name, names=True).people["technician_id"].to_list()
    assert data_ways.search(name, names=False).people.is_empty()
    assert data_ways.search(who, names=False).people["name"].to_list() == [who]


# --- lists


def walked(jobs: JobList) -> list[str]:
    """The jobs of a list as the keys go through it."""
    found, job = [], data_ways.neighbours(jobs, "none")["after"]
    while job:
        found.append(job)
        beside = data_ways.neighbours(jobs, job)
        assert beside["place"] == len(found)
        assert beside["before"] == (found[-2] if len(found) > 1 else None)
        job = beside["after"]
    return found


def test_list_of_steps_holds_the_group_too(asked: Store) -> None:
    ((form, many),) = rows(
        asked,
        "select form, count(*) from staged_job join step_grade using (job_id) where form is not null "
        "and step = 'evacuation' and state = 'passed' group by 1 order by 2 limit 1",
    )
    jobs = JobList("steps", {"step": "evacuation", "state": "passed", "by": "form", "group": form})
    assert len(walked(jobs)) == many


def test_returns_are_walked_in_the_order_of_last_night(asked: Store) -> None:
    from dashboard import data_night

    shown = data_night.returns(data_night.ReturnFilter(), ("overdue", "due"), None)["job_id"].to_list()
    assert walked(JobList("returns", {"within": "all"})) == list(dict.fromkeys(shown)) != []


def test_installs_to_visit_are_walked_in_the_order_of_the_list(asked: Store) -> None:
    cost = data.house_rules().visit_cost
    shown = data.risk_list(12, None, None, cost, 15)["job_id"].drop_nulls().to_list()
    assert walked(JobList("visits", {"horizon": "12", "visits": "15"})) == list(dict.fromkeys(shown)) != []


@pytest.mark.parametrize("kind", ["landed", "missing", "again", "drawn", "system", "site", "nonsense"])
def test_every_kind_of_list_can_be_empty(kind: str, asked: Store) -> None:
    assert data_ways.neighbours(JobList(kind, {kind: "none"}), "J00001")["place"] is None


def test_system_lists_its_jobs_and_no_other(asked: Store) -> None:
    ((system, many),) = rows(asked, "select system_id, count(*) from staged_job group by 1 order by 2 desc, 1 limit 1")
    assert len(walked(JobList("system", {"system": system}))) == many


def test_job_folder_follows_the_list_of_its_address(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(
        monkeypatch, fleet, "job_folder", of="visits", of_visits="5", of_horizon="12", back="slow-fuses?visits=5"
    )
    whole(app)
    seen = words_on(app)
    assert "**The first 5 installs to visit**" in seen
    assert "1 of 5 jobs" in seen
    assert "Slow fuses › The first 5 installs to visit" in seen
    first = app.query_params.get("job", "")
    app.button(key="older").click().run()
    assert app.query_params["job"] != first
    assert app.query_params["of"] == "visits"
    assert "2 of 5 jobs" in words_on(app)
    app.button(key="leave_list").click().run()
    assert "of" not in app.query_params
    assert "of 120 jobs" in words_on(app)


def test_way_back_leads_to_the_page_with_its_filters(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    back = "crew-week?step=evacuation&crew=Ash&state=failed"
    app = open_page(monkeypatch, fleet, "job_folder", of_step="evacuation", of_crew="Ash", of_state="failed", back=back)
    whole(app)
    (link,) = [one for one in app.get("page_link") if "›" in one.proto.label]
    assert link.proto.label == "Crew week › Evacuation, Outside its limit, crew Ash"
    assert link.proto.query_string == "step=evacuation&crew=Ash&state=failed"


def test_way_back_to_a_page_that_is_not_there_is_left_out(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "job_folder", back="//somewhere.example/?x=1", of="nonsense")
    whole(app)
    assert "›" not in words_on(app)


def test_system_named_in_full_is_not_mixed_with_longer_numbers(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=20, technicians=2)
    with store.write("load") as con:
        con.execute("update staged_job set system_id = if(job_id in ('J00001', 'J00002'), 'S1', 'S12')")
    app = open_page(monkeypatch, store, "job_folder", job="S1")
    whole(app)
    assert first_line(app) == "2 jobs are of system “S1”: choose one."


@pytest.mark.parametrize(("column", "state"), [("known", "known"), ("unknown", "unknown"), ("failed", "failed")])
def test_every_count_of_a_table_is_that_of_its_jobs(
    column: str, state: str, fleet: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    ((counted,),) = rows(fleet, f"select sum({column})::bigint from technician_step where step = 'airflow'")
    app = open_page(monkeypatch, fleet, "crew_week", step="airflow", state=state)
    whole(app)
    assert f"**{counted} jobs**" in words_on(app)
    folder = open_page(monkeypatch, fleet, "job_folder", of_step="airflow", of_state=state)
    whole(folder)
    assert f"1 of {counted} jobs" in words_on(folder)


# --- saved views


def test_view_is_saved_opened_renamed_and_deleted(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=40, technicians=3)
    app = open_page(monkeypatch, store, "crew_week", step="airflow", state="failed")
    app.text_input(key="view_name").set_value("  Airflow,   outside ")
    next(button for button in app.button if button.label == "Save").click().run()
    whole(app)
    assert data_views(app) == {"Airflow, outside": "step=airflow&state=failed"}
    kept = Entries(store.entries_file).all("view")[-1]
    assert (kept.subject, kept.content) == ("Airflow, outside", {"address": "crew-week?step=airflow&state=failed"})
    # everybody sees it, on every page
    elsewhere = open_page(monkeypatch, store, "shop_class")
    assert "Airflow, outside" in data_views(elsewhere)
    elsewhere.text_input(key="view_new_name").set_value("Air")
    elsewhere.button(key="view_rename").click().run()
    assert list(data_views(elsewhere)) == ["Air"]
    elsewhere.button(key="view_delete").click().run()
    assert data_views(elsewhere) == {}
    # nothing was taken out: what was entered can still be read
    assert [entry.content is None for entry in Entries(store.entries_file).all("view")] == [False, False, True, True]
    assert Entries(store.entries_file).broken_at() is None


def data_views(app) -> dict[str, str]:
    return {
        link.proto.label.replace("\\", ""): link.proto.query_string
        for link in app.sidebar.get("page_link")
        if link.proto.icon.endswith("bookmark:")
    }


def test_view_of_a_page_that_is_gone_is_no_error(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=10, technicians=2)
    Entries(store.entries_file).add("view", "old", {"address": "no-such-page?x=1"})
    app = open_page(monkeypatch, store, "crew_week")
    whole(app)
    assert data_views(app) == {}


# --- the band


TODAY = dt.date.today()


def fresh(tmp_path, *, made_at: str = "2100-01-01") -> Store:
    """A store whose newest record is of today, worked out after its last load."""
    store = small_store.make(tmp_path, jobs=30, technicians=3)
    with store.write("fit") as con:
        newest = con.execute("select max(finished_on) from staged_job").fetchall()[0][0]
        con.execute(f"update staged_job set finished_on = finished_on + {(TODAY - newest).days}::integer")
        con.execute(f"alter table fit_run add column made_at timestamp default '{made_at}'")
        con.execute("update fit_run set as_of = today()")
    return store


def told(store: Store, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv(FOLDER_VARIABLE, str(store.folder))
    return [condition.title for condition in band.conditions()]


def test_store_in_order_says_nothing(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert told(fresh(tmp_path), monkeypatch) == []


def test_load_after_the_fit_is_told(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert told(fresh(tmp_path, made_at="2020-01-01"), monkeypatch) == ["The statistics are older than the records"]


def test_load_that_brought_nothing_makes_nothing_old(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = fresh(tmp_path, made_at="2020-01-01")
    with store.write("load") as con:
        con.execute("update load_run set rows_new = 0, rows_changed = 0")
    assert told(store, monkeypatch) == []


def test_rules_that_change_figures_are_told_and_those_that_change_their_looks_are_not(
    tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipelines import entries

    store = fresh(tmp_path)
    own = Entries(store.entries_file)
    with store.write("fit") as con:
        entries.join_into(con, own, own.house_rules())
    assert told(store, monkeypatch) == []
    own.change_setting("temperature_unit", "degC")
    own.change_setting("names_shown", False)
    assert told(store, monkeypatch) == []
    own.change_setting("heard_back_months", 18.0)
    assert told(store, monkeypatch) == ["House rules changed since"]
    assert data_ways.rules_changed(own.house_rules()) == ["heard back months"]
    own.change_setting("heard_back_months", None)
    assert told(store, monkeypatch) == []


def test_old_records_say_how_old(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = fresh(tmp_path)
    with store.write("fit") as con:
        con.execute("update staged_job set finished_on = finished_on - 14")
        con.execute("update staged_call set opened_on = opened_on - 14")
        con.execute("update fit_run set as_of = as_of - 14")
    assert told(store, monkeypatch) == ["The newest record is 10 working days old"]


@pytest.mark.parametrize(
    ("after", "until", "days"),
    # counted on a calendar: 2026-11-20 is a Friday
    [("2026-11-20", "2026-11-23", 1), ("2026-11-20", "2026-11-20", 0), ("2026-11-20", "2026-11-30", 6),
     ("2026-11-22", "2026-11-28", 5), ("2026-11-30", "2026-11-20", 0)],
)  # fmt: skip
def test_working_days_leave_out_the_weekend(after: str, until: str, days: int) -> None:
    between = band.working_days_between(dt.date.fromisoformat(after), dt.date.fromisoformat(until), HouseRules())
    assert between == days


@pytest.mark.parametrize("page", ["last_night", "job_folder", "house_rules"])
def test_failed_load_is_told_on_every_page_until_it_is_read(
    page: str, tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = small_store.make(tmp_path, jobs=10, technicians=2)
    with pytest.raises(InputError), store.write("load"):
        raise InputError("jobs.csv, line 7, column *finished*: no such day")
    app = open_page(monkeypatch, store, page)
    assert not app.exception
    said = [(error.proto.title if hasattr(error.proto, "title") else "", error.value) for error in app.error]
    assert any("jobs.csv, line 7" in text.replace("\\", "") and "generation 1" in text for _, text in said)
    app.button(key="put_away_load").click().run()
    assert not app.error
    assert store.failures() == []


def test_broken_off_fit_says_what_to_do(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=10, technicians=2)
    note = {"reason": "fit", "started_at": "2026-11-25T06:00:00+00:00", "process_id": 1, "message": ""}
    (store.folder / "running.json").write_text(json.dumps(note))
    app = open_page(monkeypatch, store, "crew_week")
    (error,) = app.error
    assert "ran out of memory" in error.value
    assert "`slowfuse fit`" in error.value


# --- every choice is in the address


# for each page another value than the first one of every choice it offers
CHOICES: dict[str, dict[str, Any]] = {
    "last_night": {"within": "all", "area": "9402", "stand": "overdue", "reason": "rise_failed"},
    "owners_page": {"month": "2025-03-01"},
    "crew_week": {"step": "airflow", "by": "form", "crew": "Birch", "group": "sheet v2", "technician": "T02", "state": "failed"},
    "what_skipping_does": {
        "outcome": "callback", "contrast": "not_good", "step": "airflow", "shown": ["crude"], "state": "failed",
    },
    "shop_class": {
        "class_step": "airflow", "technician": "T02", "when": "later", "state": "failed", "course_step": "evacuation",
    },
    "job_folder": {"of_step": "airflow", "of_state": "failed", "of_crew": "Birch", "of_technician": "T02", "job": "J00009"},
    "loading_dock": {"load": "L0001", "scope": "row", "reason": "system"},
    "house_rules": {"limit_step": "airflow"},
}  # fmt: skip
# what is typed to be kept, tried or planned is no view of the records
FORMS = r"set_|what_|by_|on_|undo_|plan_|entered_by$|costs_are_ours$"
WIDGETS = ("selectbox", "pills", "segmented_control", "number_input", "text_input", "checkbox", "multiselect")


def offered(app) -> dict[str, Any]:
    """The choices of a page that make its view."""
    found = {widget.key: widget for kind in WIDGETS for widget in app.main.get(kind) if widget.key}
    return {key: widget for key, widget in found.items() if not re.match(FORMS, key)}


@pytest.mark.parametrize("page", CHOICES)
def test_every_choice_of_a_page_is_kept_by_its_address(
    page: str, fleet: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = open_page(monkeypatch, fleet, page)
    wanted = dict(CHOICES[page])
    for _ in range(2):  # a choice may bring another one to the page
        here = offered(app)
        assert set(here) <= set(wanted), f"{page}: say another value for {set(here) - set(wanted)}"
        for key in here:
            app.session_state[key] = wanted[key]
        app.run()
        whole(app)
    assert set(wanted) == set(offered(app))
    query = {name: value if isinstance(value, str) else value[0] for name, value in app.query_params.items()}
    again = open_page(monkeypatch, fleet, page, **query)
    whole(again)
    assert words_on(again) == words_on(app)
    for key in wanted:
        assert again.session_state[key] == app.session_state[key], f"{page}: {key} is not kept by the address {query}"


def test_hits_are_frames_that_a_page_may_hold(asked: Store) -> None:
    hits = data_ways.search("0", names=True)
    assert all(isinstance(kind, pl.DataFrame) and kind.height <= 20 for kind in (hits.jobs, hits.systems, hits.places))
    assert ways.SEARCH_KEY not in (ways.BEFORE_KEY, ways.AFTER_KEY)


# --- numbers of sentences and months


@pytest.mark.parametrize("within", ["30", "365", "all"])
def test_jobs_of_last_nights_sentence_are_as_many_as_it_says(
    within: str, fleet: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SLOWFUSE_STORE", str(fleet.folder))
    said = data_night.jobs_between(data_ways.days_back(within))
    listed = data_ways.jobs_of_list(JobList("finished", {"within": within}), 10_000)
    assert listed.height == said > 0


def test_jobs_of_a_month_are_as_many_as_its_row_counts(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SLOWFUSE_STORE", str(fleet.folder))
    con = fleet.read()
    counted = dict(
        con.sql(
            "select date_trunc('month', finished_on)::date::varchar, count(distinct job_id) from step_grade "
            "join staged_job using (job_id) where state in ('passed', 'failed', 'ticked_only', 'not_done') group by 1"
        ).fetchall()
    )
    con.close()
    assert len(counted) > 6
    for month, jobs in counted.items():
        assert data_ways.jobs_of_list(JobList("month", {"month": month}), 10_000).height == jobs
    assert data_ways.jobs_of_list(JobList("month", {"month": "no month"})).is_empty()
