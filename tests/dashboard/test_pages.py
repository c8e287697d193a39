"""Each page in each of its states: what a reader sees first, that counts agree, that links open the same view."""

from __future__ import annotations

import datetime as dt
import json
import re

import pytest

from pipelines.entries import Entries
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import PAGES, first_line, open_page, whole, words_on


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("fleet"), jobs=300, technicians=8)


@pytest.mark.parametrize("page", PAGES)
def test_page_answers_in_its_first_line_with_a_number(page: str, fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, page)
    whole(app)
    assert re.search(r"\d", first_line(app))
    assert first_line(app).endswith(".")


@pytest.mark.parametrize("page", PAGES)
def test_page_says_how_old_its_figures_are(page: str, fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = words_on(open_page(monkeypatch, fleet, page))
    assert "data to 30 Jun 2025" in seen
    assert "last load L0001" in seen
    assert "generation 1" in seen


@pytest.mark.parametrize("page", PAGES)
def test_no_page_says_skipped_but_in_its_own_name(page: str, fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = words_on(open_page(monkeypatch, fleet, page)).lower().replace("what skipping does", "")
    assert "skip" not in seen


@pytest.mark.parametrize("page", PAGES)
def test_first_run_says_what_to_do(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, Store(tmp_path / "nothing"), page)
    whole(app)
    if page not in ("loading_dock", "house_rules"):
        assert "Nothing has been loaded yet" in first_line(app)
        assert "slowfuse demo" in words_on(app)
    assert not (tmp_path / "nothing" / "current.json").exists()


@pytest.mark.parametrize("page", PAGES)
def test_empty_store_is_no_error(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole(open_page(monkeypatch, small_store.make(tmp_path, jobs=0), page))


@pytest.mark.parametrize("page", PAGES)
def test_one_job_is_no_error(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole(open_page(monkeypatch, small_store.make(tmp_path, jobs=1, technicians=1), page))


@pytest.mark.parametrize("page", PAGES)
def test_all_unknown_is_never_told_as_not_done(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=40, all_unknown=True), page)
    whole(app)
    if page == "crew_week":
        assert "Nothing can be said yet" in first_line(app)
        assert "○ Not done · 0" in words_on(app)
    if page == "job_folder":
        assert "nothing can be said" in first_line(app)


@pytest.mark.parametrize("page", PAGES)
def test_loaded_but_not_fitted(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=30, fitted=False), page)
    whole(app)
    if page in ("crew_week", "what_skipping_does", "slow_fuses", "shop_class"):
        assert "has not been worked out yet" in first_line(app)


@pytest.mark.parametrize("page", PAGES)
def test_store_of_a_newer_program_is_refused_in_words(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=3)
    file = tmp_path / "current.json"
    file.write_text(json.dumps(json.loads(file.read_text()) | {"store_version": 99}))
    app = open_page(monkeypatch, store, page)
    assert not app.exception
    assert first_line(app) == "The records cannot be opened."
    assert "newer slowfuse" in app.error[0].value.replace("\\", "")


@pytest.mark.parametrize("page", ["crew_week", "loading_dock"])
def test_missing_generation_is_told_in_words(page: str, tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=3)
    store.current_file().unlink()
    app = open_page(monkeypatch, store, page)
    assert not app.exception
    assert first_line(app) == "The records cannot be opened."
    assert "generation is missing" in app.error[0].value


def test_one_technician_is_not_compared(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=60, technicians=1), "crew_week")
    whole(app)
    assert "Only one person has done this step" in words_on(app)
    assert "one person's" in first_line(app)


def test_too_few_jobs_are_said_to_be_too_few(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=12, technicians=4), "crew_week")
    whole(app)
    assert "no single step has the 20 jobs" in first_line(app)


# --- counts agree


def listed(seen: str) -> int:
    found = re.search(r"\*\*([\d,]+) jobs?\*\*", seen)
    assert found, seen[:2000]
    return int(found[1].replace(",", ""))


@pytest.mark.parametrize("state", ["passed", "failed", "ticked_only", "not_done", "no_record"])
def test_number_of_a_cell_is_the_number_of_its_jobs(state: str, fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    con = fleet.read()
    column = {"passed": "good", "no_record": "unknown"}.get(state, state)
    crew = con.sql("select min(crew) from technician_step").fetchall()[0][0]
    (counted,) = con.sql(
        f"select {column} from group_step where group_kind = 'crew' and \"group\" = $crew and step = 'evacuation'",
        params={"crew": crew},
    ).fetchall()[0]
    if state == "no_record":
        (cannot_tell,) = con.sql(
            "select count(*) from step_grade join staged_technician using (technician_id) "
            "where state = 'cannot_tell' and step = 'evacuation' and crew = $crew",
            params={"crew": crew},
        ).fetchall()[0]
        counted -= cannot_tell
    con.close()
    app = open_page(monkeypatch, fleet, "crew_week", step="evacuation", crew=crew, state=state)
    whole(app)
    assert listed(words_on(app)) == counted


def test_link_opens_the_same_view(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    first = open_page(monkeypatch, fleet, "crew_week", step="airflow", state="failed", by="branch")
    again = open_page(monkeypatch, fleet, "crew_week", step="airflow", state="failed", by="branch")
    assert words_on(first) == words_on(again)
    assert "Airflow: is it the person?" in words_on(first)
    assert first.selectbox(key="step").value == "airflow"


def test_choice_goes_into_the_link(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "crew_week")
    app.selectbox(key="step").select("electrical").run()
    assert app.query_params["step"] == "electrical"


def test_unknown_choice_in_a_link_falls_back(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    whole(open_page(monkeypatch, fleet, "crew_week", step="polishing", crew="'; drop table x", state="nonsense"))


# --- one job


def newest_job(store: Store) -> str:
    con = store.read()
    (job,) = con.sql("select job_id from staged_job order by finished_on desc, job_id limit 1").fetchall()[0]
    con.close()
    return job


def test_job_folder_opens_on_the_job_of_the_link(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "job_folder", job="J00007")
    whole(app)
    assert first_line(app).startswith("Job J00007")
    assert "of 300 jobs" in words_on(app)


def test_older_and_newer_walk_through_the_list(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "job_folder")
    newest = newest_job(fleet)
    assert newest in first_line(app)
    assert app.button(key="newer").disabled
    app.button(key="older").click().run()
    second = first_line(app)
    assert newest not in second
    assert app.query_params["job"] in second
    app.button(key="newer").click().run()
    assert newest in first_line(app)


def test_search_offers_what_holds_the_text(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "job_folder", job="J0001")
    whole(app)
    assert "choose one" in first_line(app)
    app.button(key="choose_J00011").click().run()
    assert first_line(app).startswith("Job J00011")


def test_search_for_nothing_that_is_there(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "job_folder", job="100% <b>")
    whole(app)
    assert first_line(app).startswith("No job or system holds")


def test_readings_stand_with_file_and_line(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    con = fleet.read()
    job, line = con.sql("select job_id, source_line from staged_reading order by source_line limit 1").fetchall()[0]
    con.close()
    seen = words_on(open_page(monkeypatch, fleet, "job_folder", job=job))
    assert f"readings.csv,{line}" in seen


def test_folder_shows_no_contact_of_the_site(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=5, technicians=2)
    with store.write("load") as con:
        con.execute(
            "insert into staged_site (site_id, contact, phone) values ('P00001', 'Somebody Private', '555-0100')"
        )
    for page in PAGES:
        seen = words_on(open_page(monkeypatch, store, page, job="J00001"))
        assert "Somebody Private" not in seen
        assert "555-0100" not in seen


# --- loads


def test_rows_of_a_load_add_up_on_the_page(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "loading_dock")
    assert "● yes" in words_on(app)
    assert "3 rows and 1 single value could not be taken in" in first_line(app)
    assert "**4 entries**" in words_on(app)


def test_left_out_rows_are_found_by_their_reason(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = words_on(open_page(monkeypatch, fleet, "loading_dock", reason="no such system", scope="row"))
    assert "**2 entries**" in seen


# --- house rules


def test_target_is_entered_and_told_as_not_worked_out_yet(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=30, technicians=3)
    app = open_page(monkeypatch, store, "house_rules")
    app.number_input(key="set_target_evacuation").set_value(95)
    app.button(key="save_targets").click().run()
    whole(app)
    assert Entries(store.entries_file).house_rules().target == {"evacuation": 0.95}
    assert Entries(store.entries_file).all("setting")[0].entered_at[:10] == dt.date.today().isoformat()
    assert any("target changed since" in warning.value for warning in app.warning)


def test_guess_stays_a_guess_until_somebody_says_it_is_his_own(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=30, technicians=3)
    app = open_page(monkeypatch, store, "house_rules")
    assert "4 costs and shares are still the house's guesses" in first_line(app)
    app.checkbox(key="costs_are_ours").check()
    app.button(key="save_costs").click().run()
    assert "2 costs and shares" in first_line(app)  # the two without a figure keep the median of the records


def test_wrong_setting_is_refused_in_words(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=3, technicians=1)
    app = open_page(monkeypatch, store, "house_rules")
    app.text_input(key="set_currency").set_value("$$")
    app.button(key="save_costs").click().run()
    assert not app.exception
    assert "currency" in app.error[0].value
    assert not Entries(store.entries_file).all("setting")
