"""House rules that change how things are shown: they act at once, ask for no new fit, and hold on every page and paper."""

from __future__ import annotations

import re
from pathlib import Path

import pypdfium2
import pytest
from pypdf import PdfReader
from streamlit.testing.v1 import AppTest

from dashboard import brief, shown
from dashboard.papers.reports import REPORTS, Choice, make, write
from pipelines.entries import Entries
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import PAGES, first_line, open_page, whole, words_on

KNOWN_NAME = "Person 0"  # the people of the small store are Person 01, Person 02 ...
NEW_FIGURES = ("changed since", "Not worked out with these rules", "Work the figures out again")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("rules"), jobs=150, technicians=6)


@pytest.fixture
def small(tmp_path: Path) -> Store:
    return small_store.make(tmp_path, jobs=20, technicians=2)


def rules_of(store: Store):
    return Entries(store.entries_file).house_rules()


def everything_sent(app: AppTest) -> str:
    """All that the browser is given: words, tables with their hidden columns, the data behind charts, lists to choose from."""
    return "\n".join(str(node.proto) for node in _nodes(app._tree) if getattr(node, "proto", None) is not None)


def _nodes(node):
    yield node
    for child in getattr(node, "children", {}).values():
        yield from _nodes(child)


def text_of(pdf: bytes) -> str:
    return re.sub(r"\s+", " ", " ".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(pdf)))


# --- settings that only change how things are shown


def test_how_figures_are_shown_is_saved_and_asks_for_no_new_figures(
    small: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = open_page(monkeypatch, small, "house_rules")
    for setting, value in {
        "temperature_unit": "degC", "pressure_unit": "kPa", "static_unit": "Pa", "vacuum_unit": "Pa",
        "date_order": "year_month_day",
    }.items():  # fmt: skip
        app.selectbox(key=f"set_{setting}").set_value(value)
    app.checkbox(key="set_names_shown").uncheck()
    app.button(key="save_shown").click().run()
    whole(app)
    rules = rules_of(small)
    assert (rules.temperature_unit, rules.pressure_unit, rules.static_unit, rules.vacuum_unit) == (
        "degC",
        "kPa",
        "Pa",
        "Pa",
    )
    assert (rules.date_order, rules.names_shown) == ("year_month_day", False)
    seen = words_on(app)
    assert "data to 2025-06-30" in seen
    assert not [word for word in NEW_FIGURES if word in seen]


def test_the_house_its_year_and_its_home_are_saved_and_ask_for_no_new_figures(small, monkeypatch) -> None:
    app = open_page(monkeypatch, small, "house_rules")
    app.text_input(key="set_house_name").set_value("  Invented Air & Sons ")
    app.text_input(key="set_first_heat").set_value("05-20")
    app.text_input(key="set_first_frost").set_value("11-01")
    app.text_input(key="set_home").set_value("41.25, −96")
    app.button(key="save_house").click().run()
    whole(app)
    rules = rules_of(small)
    assert (rules.house_name, rules.first_heat, rules.first_frost) == ("Invented Air & Sons", "05-20", "11-01")
    assert rules.home == (41.25, -96.0)
    seen = words_on(app)
    assert "before 20 May" in seen
    assert "before 1 Nov" in seen
    for page in ("last_night", "slow_fuses"):
        on_page = words_on(open_page(monkeypatch, small, page))
        assert not [word for word in NEW_FIGURES if word in on_page], page
    app = open_page(monkeypatch, small, "house_rules")
    assert app.text_input(key="set_home").value == "41.25, -96.0"
    app.text_input(key="set_home").set_value("")
    app.button(key="save_house").click().run()
    assert rules_of(small).home is None


def test_half_a_home_is_refused_in_words(small, monkeypatch) -> None:
    app = open_page(monkeypatch, small, "house_rules")
    for half in ("41.25", "the shop", "1, 2, 3"):
        app.text_input(key="set_home").set_value(half)
        app.button(key="save_house").click().run()
        assert "two figures in degrees" in app.error[0].value
    assert not Entries(small.entries_file).all("setting")


def test_a_place_outside_the_world_and_no_day_of_the_year_are_refused_in_words(small, monkeypatch) -> None:
    app = open_page(monkeypatch, small, "house_rules")
    app.text_input(key="set_home").set_value("141.25, -96")
    app.button(key="save_house").click().run()
    assert "less than or equal to 90" in app.error[0].value
    app = open_page(monkeypatch, small, "house_rules")
    app.text_input(key="set_first_heat").set_value("02-31")
    app.button(key="save_house").click().run()
    assert "no day of the year" in app.error[0].value.replace("\\", "")
    assert not app.exception
    assert not Entries(small.entries_file).all("setting")


def test_a_target_and_a_cost_can_be_taken_away_again(small, monkeypatch) -> None:
    own = Entries(small.entries_file)
    own.change_setting("target", {"airflow": 0.9})
    own.change_setting("failure_cost", 3000.0)
    app = open_page(monkeypatch, small, "house_rules")
    assert (app.number_input(key="set_target_airflow").value, app.number_input(key="set_failure_cost").value) == (
        90.0,
        3000.0,
    )
    app.number_input(key="set_target_airflow").set_value(None)
    app.button(key="save_targets").click().run()
    app.number_input(key="set_failure_cost").set_value(None)
    app.button(key="save_costs").click().run()
    assert (rules_of(small).target, rules_of(small).failure_cost) == ({}, None)


def test_days_to_go_back_are_told_as_not_worked_out_yet(small, monkeypatch) -> None:
    app = open_page(monkeypatch, small, "house_rules")
    assert [app.number_input(key=f"set_days_{name}").value for name in ("pressure_test_failed", "rise_failed", "airflow_failed")] == [7, 7, 30]  # fmt: skip
    assert (
        "At once, whatever is set here: a test gas that was not nitrogen and a test above the permitted pressure"
        in words_on(app)
    )
    app.number_input(key="set_days_rise_failed").set_value(2)
    app.button(key="save_days").click().run()
    whole(app)
    assert rules_of(small).return_due_days == {"rise_failed": 2}  # those as shipped follow what is shipped later
    assert any("return due days" in box.value for box in app.warning)
    app.number_input(key="set_days_rise_failed").set_value(7)
    app.button(key="save_days").click().run()
    assert rules_of(small).return_due_days == {}


# --- money


def test_money_bears_the_houses_sign_at_once(small, monkeypatch) -> None:
    for currency, said in (("EUR", "€6,120"), ("CHF", "CHF 6,120")):  # signs of Unicode's CLDR for English (Babel 2.18)
        Entries(small.entries_file).change_setting("currency", currency)
        app = open_page(monkeypatch, small, "owners_page")
        assert f"about {said} a year" in first_line(app)
        assert not [word for word in NEW_FIGURES if word in words_on(app)]


def test_no_sign_of_money_begins_a_formula(fleet: Store, monkeypatch) -> None:
    """Two dollar signs in one text would turn what stands between them into mathematics."""
    signs = 0
    for page in ("owners_page", "shop_class", "slow_fuses", "what_skipping_does"):
        app = open_page(monkeypatch, fleet, page)
        texts = [
            str(element.value)
            for kind in ("title", "header", "markdown", "info", "warning")
            for element in app.get(kind)
        ]
        texts += [str(part) for metric in app.metric for part in (metric.value, metric.delta)]
        signs += sum(text.count("$") for text in texts)
        assert not [text for text in texts if re.search(r"(?<!\\)\$", text)], page
    assert signs


# --- names


def test_names_stand_nowhere_where_the_house_does_not_want_them(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    own = Entries(fleet.entries_file)
    choices = {
        "crew_week": {"step": "evacuation", "technician": "T01"}, "job_folder": {"job": "J00003"},
        "shop_class": {"step": "airflow"},
    }  # fmt: skip
    named = 0
    for is_shown in (True, False):
        own.change_setting("names_shown", is_shown)
        for page in PAGES:
            app = open_page(monkeypatch, fleet, page, **choices.get(page, {}))
            whole(app)
            sent = everything_sent(app)
            if is_shown:
                named += KNOWN_NAME in sent
            else:
                assert KNOWN_NAME not in sent, page
                assert "T01" in sent or page not in choices
    assert named >= 3  # with names shown they do stand there, so their absence says something
    own.change_setting("names_shown", None)


@pytest.mark.parametrize("kind", list(REPORTS))
def test_papers_follow_the_same_rule(fleet: Store, kind: str) -> None:
    own = Entries(fleet.entries_file)
    choice = Choice(job="J00003", visits=3)
    own.change_setting("names_shown", True)
    before = text_of(make(kind, fleet, choice))
    own.change_setting("names_shown", False)
    after = text_of(make(kind, fleet, choice))
    own.change_setting("names_shown", None)
    assert (KNOWN_NAME in before) == (kind in ("crew", "training", "job"))
    assert KNOWN_NAME not in after
    if kind == "crew":
        assert re.search(r"\bT01\b", after)


def test_a_part_that_is_drawn_anew_by_itself_asks_the_rules_for_names(fleet: Store, monkeypatch) -> None:
    from dashboard import data

    monkeypatch.setenv("SLOWFUSE_STORE", str(fleet.folder))
    own = Entries(fleet.entries_file)
    assert shown.chosen() is None
    own.change_setting("names_shown", False)
    assert set(data.technicians().values()) == set(data.technicians())
    own.change_setting("names_shown", True)
    assert all(name.startswith("Person") for name in data.technicians().values())
    own.change_setting("names_shown", None)


def test_names_never_leave_the_store(fleet: Store) -> None:
    own = Entries(fleet.entries_file)
    own.change_setting("names_shown", False)
    make("crew", fleet, Choice(technician="T01"))
    con = fleet.read()
    assert con.execute("select name from staged_technician where technician_id = 'T01'").fetchall() == [("Person 01",)]
    con.close()
    own.change_setting("names_shown", None)


def test_the_morning_in_ten_lines_follows_the_house_too(small: Store) -> None:
    own = Entries(small.entries_file)
    assert re.search(r"\d{1,2} [A-Z][a-z]{2} \d{4}", "\n".join(brief.lines(small)))
    own.change_setting("date_order", "year_month_day")
    own.change_setting("vacuum_unit", "Pa")
    said = "\n".join(brief.lines(small))
    assert re.search(r"\d{4}-\d\d-\d\d", said)
    assert not re.search(r"\d{1,2} [A-Z][a-z]{2} \d{4}|\d micron|\u00a0", said)


# --- the house's own name


@pytest.mark.parametrize("kind", list(REPORTS))
def test_the_houses_name_is_the_only_one_on_a_paper(small: Store, tmp_path: Path, kind: str) -> None:
    own = Entries(small.entries_file)
    choice = Choice(job="J00003", visits=2)
    bare = make(kind, small, choice)
    own.change_setting("house_name", "Invented Air #1 *& Sons*")
    paper = tmp_path / REPORTS[kind].file_name
    write(kind, small, paper, choice)
    about = PdfReader(paper).metadata
    assert about is not None
    assert about.author == "Invented Air #1 *& Sons*"
    pages = [re.sub(r"\s+", " ", page.get_textpage().get_text_range()) for page in pypdfium2.PdfDocument(paper)]
    assert pages
    assert all("Invented Air #1 *& Sons* ·" in page for page in pages)  # as it was entered, on each page
    assert "Invented Air" not in text_of(bare)
    said = " ".join([*pages, paper.name, *map(str, about.values())]).lower()
    for ours in ("slowfuse", "slow fuse", "time bomb"):
        assert ours not in said
    if kind == "visits":
        for page in ("last night", "crew week", "shop class", "loading dock", "house rules", "visit ledger"):
            assert page not in said
