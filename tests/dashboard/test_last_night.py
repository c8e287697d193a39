"""Last night: what a manager reads first, that its numbers are the rows listed, and what each state of a store says."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from pipelines.entries import Entries
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import first_line, open_page, whole, words_on
from tests.pipelines.loaded_files import Fleet

AS_OF = small_store.AS_OF
OF_90_DAYS = f"finished_on >= date '{AS_OF - dt.timedelta(days=90)}'"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("fleet"), jobs=900, technicians=8)


def counted(store: Store, where: str, what: str = "count(*)", table: str = "return_due") -> int:
    con = store.read()
    found = con.execute(f"select {what} from {table} where {where}").fetchall()[0][0]
    con.close()
    return found


def pill_counts(app: AppTest, key: str) -> dict[str, int]:
    """The words on each choice of a row of pills, and the number that stands on it."""
    group: Any = next(
        g for kind in ("pills", "segmented_control", "button_group") for g in app.get(kind) if g.key == key
    )
    parts = [str(getattr(option, "content", option)).rpartition(" · ") for option in group.options]
    return {name: int(number.replace(",", "")) for name, _, number in parts}


def listed(app: AppTest) -> int:
    found = re.search(r"\*\*([\d,]+) returns?\.?\*\*", words_on(app))
    assert found
    return int(found[1].replace(",", ""))


def the_returns(app: AppTest):
    return next(table.value for table in app.dataframe if "By when" in table.value.columns)


# --- the numbers are those of the table


def test_first_line_counts_what_the_table_holds(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night")
    whole(app)
    returns = counted(fleet, f"settled_on is null and {OF_90_DAYS}")
    late = counted(fleet, f"settled_on is null and not is_safety and due_on < date '{AS_OF}' and {OF_90_DAYS}")
    jobs = counted(fleet, f"{OF_90_DAYS} and finished_on <= date '{AS_OF}'", table="staged_job")
    assert returns > late > 1
    assert first_line(app) == (
        f"Of {jobs} jobs of the last 90 days somebody must still go back for {returns} steps ({late} past their day); "
        "2 things did not arrive."
    )


def test_safety_comes_first_in_the_sentence(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night", within="all")
    whole(app)
    returns = counted(fleet, "settled_on is null")
    assert first_line(app).startswith(
        f"1 system needs somebody at once, for safety; of 900 jobs somebody must still go back for {returns} steps ("
    )


@pytest.mark.parametrize("within", ["30", "all"])
def test_every_number_on_a_choice_is_the_number_of_rows_it_opens(within, fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night", within=within)
    whole(app)
    stands = pill_counts(app, "stand")
    for code, name in (("overdue", "Past its day"), ("settled", "Settled")):
        app = open_page(monkeypatch, fleet, "last_night", within=within, stand=code)
        whole(app)
        assert listed(app) == stands[name]
        for reason, number in pill_counts(app, "reason").items():
            if number and reason == "Vacuum rise failed":
                one = open_page(monkeypatch, fleet, "last_night", within=within, stand=code, reason="rise_failed")
                assert listed(one) == number == len(the_returns(one))
        assert sum(pill_counts(app, "reason").values()) == stands[name]


def test_older_ones_are_counted_apart_and_nothing_is_lost(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night")
    inside = pill_counts(app, "stand")["To do now"]
    found = re.search(r"From older jobs ([\d,]+) returns more are still open", words_on(app))
    assert found
    assert inside + int(found[1]) == counted(fleet, "settled_on is null")


def test_an_area_narrows_list_and_sentence_alike(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night", area="9402", within="365")
    whole(app)
    in_area = counted(
        fleet, f"settled_on is null and area = '9402' and finished_on >= date '{AS_OF - dt.timedelta(days=365)}'"
    )
    assert f" of the last year somebody must still go back for {in_area} steps in 9402" in first_line(app)
    assert listed(app) == in_area
    assert set(the_returns(app)["Area"]) == {"9402"}


def test_safety_stands_first_and_at_most_ten_lines_stand_above_the_list(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night", within="all")
    lines = [button for button in app.button if str(button.key).startswith("open_")]
    assert len(lines) == 10
    markdown = [element.value for element in app.markdown]
    first = next(text for text in markdown if text.startswith("**") and "badge" in text)
    assert "Test gas not nitrogen" in first
    assert "at once" in first
    assert "Never pressurise with oxygen" in words_on(app)
    assert the_returns(app)["Why"][0] == "Test gas not nitrogen"


# --- somebody says it was done


def test_what_is_said_to_be_done_leaves_the_list_at_once_and_comes_back(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=300, technicians=4)
    app = open_page(monkeypatch, store, "last_night")
    before = pill_counts(app, "stand")
    key = next(str(button.key) for button in app.button if str(button.key).startswith("open_")).removeprefix("open_")
    job, _, step = key.partition("_")
    keep = next(button for button in app.button if button.label == "Keep" and key in str(button.key))
    keep.click().run()
    assert "Say what was done, and by whom" in app.error[0].value
    assert not Entries(store.entries_file).returns_seen_to()
    app.text_input(key=f"what_{key}").set_value("Purged and tested again with *nitrogen*")
    app.text_input(key=f"by_{key}").set_value("A. Manager")
    next(button for button in app.button if button.label == "Keep" and key in str(button.key)).click().run()
    whole(app)
    after = pill_counts(app, "stand")
    assert after["To do now"] == before["To do now"] - 1
    assert after["Settled"] == before["Settled"] + 1
    assert [row[:2] + row[3:] for row in Entries(store.entries_file).returns_seen_to()] == [
        (job, step, "Purged and tested again with *nitrogen*", "A. Manager")
    ]
    assert "tested again with \\*nitrogen\\*" in words_on(app)
    app.button(key=f"undo_{key}").click().run()
    whole(app)
    assert pill_counts(app, "stand") == before


# --- states


def test_a_store_from_before_says_what_to_do(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=5, technicians=1)
    with store.write("load") as con:
        con.execute("drop table return_due")
    app = open_page(monkeypatch, store, "last_night")
    whole(app)
    assert first_line(app) == "What must be gone back to has not been worked out for these records yet."


def test_nothing_to_go_back_to_is_said_with_its_count(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=40, all_unknown=True)
    app = open_page(monkeypatch, store, "last_night", within="all")
    whole(app)
    assert (
        first_line(app) == "Nothing has to be gone back to: none of the 40 jobs calls for it; 2 things did not arrive."
    )
    assert "Before anybody works on it" not in words_on(app)


def test_it_needs_no_fit(tmp_path, monkeypatch):
    app = open_page(monkeypatch, small_store.make(tmp_path, jobs=60, fitted=False), "last_night", within="all")
    whole(app)
    assert "not been worked out" not in first_line(app)


def test_an_unknown_choice_in_a_link_falls_back(fleet, monkeypatch):
    app = open_page(monkeypatch, fleet, "last_night", within="7", stand="gone", reason="'; drop", area="<b>")
    whole(app)
    assert listed(app) == counted(fleet, f"settled_on is null and {OF_90_DAYS}")


def test_a_long_list_shows_500_and_says_so(tmp_path, monkeypatch):
    store = small_store.make(tmp_path, jobs=300, technicians=6, fitted=False)
    with store.write("load") as con:
        con.execute(
            "insert into return_due select due.* replace (job_id || n as job_id) from return_due as due, range(30) as r(n)"
        )
    app = open_page(monkeypatch, store, "last_night", within="all")
    whole(app)
    assert listed(app) == counted(store, "settled_on is null") > 500
    assert len(the_returns(app)) == 500
    assert "the first 500 are shown" in words_on(app)


def test_nobody_is_named(fleet, monkeypatch):
    seen = words_on(open_page(monkeypatch, fleet, "last_night", within="all"))
    assert "Person 0" not in seen


# --- with real loads


def night(tmp_path: Path) -> Fleet:
    """Two jobs of an earlier load, and one reading of last night: the test gas of one of them was air."""
    fleet = Fleet(tmp_path).with_jobs()
    fleet.load(fleet.write("readings_07-05.csv", "job_id,step,quantity,value,unit\nJ1,pressure_test,test_gas,air,\n"))
    return fleet


def test_what_came_last_night_is_marked_and_its_load_told(tmp_path, monkeypatch):
    app = open_page(monkeypatch, night(tmp_path).store, "last_night")
    whole(app)
    assert first_line(app) == (
        "1 system needs somebody at once, for safety; of 2 jobs of the last 90 days somebody must still go back for 1 step "
        "(1 new with the last load); nothing is missing."
    )
    seen = words_on(app)
    assert "new with the last load" in seen
    assert "Load L0002" in seen
    assert "brought 1 new or changed readings" in seen
    assert "no new job" in seen


def test_the_first_load_makes_nothing_new(tmp_path, monkeypatch):
    app = open_page(monkeypatch, Fleet(tmp_path).with_jobs().store, "last_night")
    whole(app)
    seen = words_on(app)
    assert "the first one, 2 jobs at once" in seen
    assert "new with the last load" not in seen


def test_a_charge_check_that_was_too_cold_waits_and_is_no_work_for_today(tmp_path, monkeypatch):
    fleet = Fleet(tmp_path)
    fleet.write("systems.csv", "system_id,equipment,refrigerant,nominal_tons,metering\nS1,split_ac,R-410A,3,txv\n")
    fleet.write(
        "jobs.csv", "job_id,system_id,technician_id,job_kind,joints,finished_on\nJ1,S1,T1,changeout,brazed,2024-12-03\n"
    )
    rows = [("liquid_pressure", 317, "psig"), ("liquid_temperature", 90, "degF"), ("target_subcooling", 10, "delta_degF"),
            ("outdoor_dry_bulb", 41, "degF")]  # fmt: skip
    text = "".join(f"J1,charge_check,{quantity},{value},{unit}\n" for quantity, value, unit in rows)
    fleet.write("readings.csv", "job_id,step,quantity,value,unit\n" + text)
    fleet.load()
    app = open_page(monkeypatch, fleet.store, "last_night", stand="waiting")
    whole(app)
    assert first_line(app).startswith("Nothing has to be gone back to")
    assert list(the_returns(app)["By when"]) == ["◔ from 1 Apr 2025"]
    assert "a guess, 1 April" in words_on(app)
