"""However large the house: a question of a page brings at most 500 rows, and a picture at most 2,000 marks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dashboard import data, kept_charts
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.rows_fetched import watched
from tests.dashboard.screen import PAGES, open_page, whole

TECHNICIANS, CREWS, JOBS = 800, 700, 1600
# what a reader chooses on a page, beside what it opens with
CHOICES: dict[str, tuple[dict[str, str], ...]] = {
    "last_night": ({"within": "all", "stand": "settled"},),
    "crew_week": ({"by": "form", "state": "passed"}, {"crew": "Crew 0007", "step": "charge"}),
    "slow_fuses": ({"visits": "500", "horizon": "24"},),
    "what_skipping_does": ({"outcome": "callback", "state": "not_done"},),
    "job_folder": ({"job": "J0000"}, {"of_state": "failed"}),
}
OPENED = [(page, choice) for page in PAGES for choice in ({}, *CHOICES.get(page, ()))]


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder = tmp_path_factory.mktemp("large")
    store = small_store.make(folder, jobs=JOBS, technicians=TECHNICIANS, crews=CREWS)
    con = store.read()
    ((people, crews),) = con.sql(
        "select count(distinct technician_id), count(distinct crew) from technician_step where step = 'evacuation'"
    ).fetchall()
    con.close()
    assert people > data.ROWS_AT_MOST
    assert crews > 300
    return store


def marks(spec: dict[str, Any]) -> int:
    """What a picture draws at most: for each layer a mark for each row of its table; corners of lines are counted too."""
    tables = {name: len(rows) for name, rows in spec.get("datasets", {}).items()}

    def of(part: dict[str, Any], above: dict[str, Any] | None) -> int:
        source = part.get("data", above)
        layers = part.get("layer") or part.get("hconcat") or part.get("vconcat")
        if layers:
            return sum(of(layer, source) for layer in layers)
        if "spec" in part:
            return of(part["spec"], source)
        return tables.get((source or {}).get("name", ""), 1)

    return of(spec, None)


@pytest.mark.parametrize(
    ("page", "choice"), OPENED, ids=lambda part: part if isinstance(part, str) else ",".join(part) or "opened"
)
def test_no_question_brings_more_than_500_rows_and_no_picture_2000_marks(
    page: str, choice: dict[str, str], large: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept_charts.forget()
    with watched() as fetched:
        whole(open_page(monkeypatch, large, page, **choice))
    assert fetched
    too_many = [(one.function, one.rows) for one in fetched if one.rows > data.ROWS_AT_MOST]
    assert too_many == []
    drawn = [picture.chart.to_dict(validate=False) for picture in kept_charts.all_kept()]
    assert [number for number in map(marks, drawn) if number > data.MARKS_AT_MOST] == []


def test_marks_are_counted_layer_by_layer() -> None:
    spec = {
        "datasets": {"a": [{}] * 7, "b": [{}] * 5},
        "data": {"name": "a"},
        "layer": [{"mark": "point"}, {"mark": "rule", "data": {"name": "b"}}, {"layer": [{"mark": "text"}]}],
    }
    assert marks(spec) == 7 + 5 + 7


def test_every_question_of_the_pages_runs_where_it_is_counted() -> None:
    """No other file of the pages opens a cursor: what the count does not see, it cannot bound."""
    folder = Path(data.__file__).parent
    # the ledger of visits lends one to a model, which brings a count for each plan and side
    known = {"data.py", "data_visits.py"}
    elsewhere = {
        file.name
        for file in folder.rglob("*.py")
        if ".cursor()" in file.read_text(encoding="utf-8") and "papers" not in file.parts
    }
    assert elsewhere <= known
