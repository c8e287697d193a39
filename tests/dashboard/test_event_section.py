"""What skipping does: the events that a ratio counts can be listed, as many as it counts, and opened."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from dashboard import data, data_events, data_ways
from dashboard.command_line import app as command
from dashboard.data_ways import JobList
from pipelines.store import Store
from tests.dashboard.screen import open_page, words_on


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fleet") / "store"
    done = CliRunner().invoke(command, ["demo", "--installs", "1500", "--no-dashboard", "--store", str(folder)])
    assert done.exit_code == 0, done.output[-300:]
    return Store(folder)


@pytest.fixture
def asked(fleet, monkeypatch):
    monkeypatch.setenv("SLOWFUSE_STORE", str(fleet.folder))
    data.forget_answers()
    return fleet


@pytest.mark.parametrize("outcome", ["compressor_failure", "callback"])
def test_as_many_events_are_listed_as_the_ratio_counts(asked, outcome):
    effects = data.step_effect(outcome, "not_good")
    for row in effects.filter(effects["age_band"] != "all").iter_rows(named=True):
        found = data_events.counts(outcome, row["step"])
        told = {(band, arm): events for band, arm, events in found.iter_rows()}
        assert told.get((row["age_band"], "not_good"), 0) == row["events_skipped"], row["step"]
        assert told.get((row["age_band"], "good"), 0) == row["events_good"], row["step"]


def test_the_list_opens_its_jobs_in_its_own_order(asked):
    rows = data_events.events("callback", "evacuation", "not_good", "early", 1)
    assert 2 <= rows.height <= data.PAGE_OF_JOBS
    assert set(rows["arm"]) == {"not_good"}
    jobs = JobList("events", {"outcome": "callback", "step": "evacuation", "arm": "not_good", "band": "early"})
    second = data_ways.neighbours(jobs, rows["job_id"][1])
    assert second["before"] == rows["job_id"][0]
    assert second["place"] == 2


def test_the_page_lists_them_on_request_and_keeps_it_in_the_address(asked, monkeypatch):
    closed = open_page(monkeypatch, asked, "what_skipping_does")
    assert any("compressor failures behind these figures" in toggle.label for toggle in closed.toggle)
    app = open_page(monkeypatch, asked, "what_skipping_does", events="1", step="evacuation", arm="not_good")
    number = sum(
        events
        for _, arm, events in data_events.counts("compressor_failure", "evacuation").iter_rows()
        if arm == "not_good"
    )
    assert f"**{number} event" in words_on(app)
