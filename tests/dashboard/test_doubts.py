"""Records worth a second look: told with counts and jobs, without a name until the person has answered."""

from __future__ import annotations

import json

import pytest

from dashboard import doubt_words
from dashboard.papers import crew
from dashboard.papers.ledger import opened
from models.record_doubt import KINDS
from pipelines.entries import Entries
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import open_page, words_on


@pytest.fixture
def fleet(tmp_path):
    store = small_store.make(tmp_path, jobs=300, technicians=4)
    with store.write("fit") as con:
        ((who, job),) = con.sql(
            "select technician_id, min(job_id) from staged_job where technician_id is not null group by 1 order by 1 limit 1"
        ).fetchall()
        con.execute(
            "create or replace table record_doubt (technician_id varchar, step varchar, kind varchar, jobs bigint, "
            "of_jobs bigint, expected_jobs double, probability double, example_job_ids varchar, quantity varchar, "
            "value double)"
        )
        con.execute(
            "insert into record_doubt values ($who, 'vacuum_rise', 'same_reading_again', 41, 77, 2.4, 1e-9, $job, "
            "'rise_end', 550)",
            {"who": who, "job": job},
        )
        con.execute("update staged_technician set name = 'Ada Quill' where technician_id = $who", {"who": who})
    return store, who, job


def test_a_reason_is_told_with_its_counts_and_no_name(fleet, monkeypatch):
    store, _, job = fleet
    app = open_page(monkeypatch, store, "crew_week")
    said = words_on(app)
    assert "1 reason to look" in said
    assert "550" in said
    assert "41 of his 77 jobs" in said
    assert "where about 2 would be usual" in said
    (section,) = [text for text in said.split("\n") if "41 of his 77 jobs" in text]
    assert "Ada Quill" not in section
    assert any(button.label == job for button in app.button)


def test_the_name_stands_there_once_the_person_has_answered(fleet, monkeypatch):
    store, who, _ = fleet
    Entries(store.entries_file).answer_doubt(who, "vacuum_rise", "same_reading_again", "The shop gauge sticks at 550.")
    said = words_on(open_page(monkeypatch, store, "crew_week"))
    assert "The shop gauge sticks at 550." in said
    (line,) = [text for text in said.split("\n") if "sticks at 550" in text]
    assert "Ada Quill" in line


def test_his_own_paper_tells_him_first_and_nobody_else(fleet):
    store, who, job = fleet
    with opened(store) as ledger:
        sheets = crew.content(ledger)["sheets"]
    with_it = [sheet for sheet in sheets if sheet["look"]]
    assert len(with_it) == 1
    assert job in with_it[0]["look"][0]
    assert "of your 77 jobs" in with_it[0]["look"][0]
    assert "Ada Quill" not in json.dumps([sheet for sheet in sheets if not sheet["look"]])
    assert who


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_words_that_blame_nobody(kind):
    row = {"step": "evacuation", "kind": kind, "jobs": 20, "of_jobs": 60, "expected_jobs": 0.2, "quantity": None}
    said = f"{doubt_words.seen(row)} {doubt_words.MAY_BE[kind]}".lower()
    assert "20 of his 60 jobs" in said
    assert "fewer than 1" in said
    for word in ("fake", "fraud", "cheat", "invent", "honest", "skipped", "wrongdo"):
        assert word not in said


def test_a_store_without_doubts_says_so(tmp_path, monkeypatch):
    store: Store = small_store.make(tmp_path, jobs=200, technicians=4)
    said = words_on(open_page(monkeypatch, store, "crew_week"))
    assert "Not worked out yet" in said or "No record stands out" in said
