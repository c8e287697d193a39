"""What the pictures say: counts and intervals in them, shapes beside colours, never too many marks."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl
import pytest

from dashboard import charts, kept_charts, looks, shown
from pipelines.store import Store
from tests.dashboard import small_store

LOOK = looks.LIGHT


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("fleet"), jobs=300, technicians=8)


@pytest.fixture(scope="module")
def ask(fleet: Store):
    con = fleet.read()
    yield lambda sql: con.sql(sql).pl()
    con.close()


def drawn(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """The chart as the browser gets it: a picture that Vega-Lite's own schema accepts."""
    with alt.data_transformers.enable(max_rows=None):
        return chart.to_dict(validate=True)


def rows(spec: dict[str, Any]) -> int:
    return max(len(table) for table in spec.get("datasets", {"": []}).values())


def test_heat_table_shows_the_count_of_every_cell_and_no_share_for_too_few(ask) -> None:
    groups = ask("select * from group_step where group_kind = 'crew'").with_columns(
        known=pl.when(pl.int_range(pl.len()) == 0).then(7).otherwise(pl.col("known"))
    )
    spec = drawn(charts.heat_of_steps(groups, "Crew", LOOK))
    table = max(spec["datasets"].values(), key=len)
    assert all(row["n_text"].startswith("n ") for row in table)
    few = [row for row in table if row["known"] < charts.TOO_FEW]
    assert few
    assert all(row["rate_text"] == "too few" and not row["enough"] for row in few)


def test_people_stand_in_the_order_of_crew_and_name_with_their_interval(ask) -> None:
    people = ask(
        "select ts.*, t.name from technician_step ts join staged_technician t using (technician_id) "
        "where step = 'evacuation' order by ts.crew, name"
    )
    spec = drawn(charts.people_with_interval(people, LOOK))
    span = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "rule" and "x2" in layer["encoding"])
    assert span["encoding"]["x"]["field"] == "rate_low"
    assert span["encoding"]["x2"]["field"] == "rate_high"
    names = [name.split("  ·")[0] for name in span["encoding"]["y"]["sort"]]
    assert names == people["name"].to_list()
    assert any("shape" in layer.get("encoding", {}) for layer in spec["layer"])


def test_effects_put_the_control_on_the_axis_of_the_steps(ask) -> None:
    effects = ask("select * from step_effect where outcome = 'compressor_failure' and contrast = 'not_good'")
    long = charts.effects_long(effects)
    assert set(long["kind"]) == set(charts.ESTIMATES)
    early, late = (drawn(charts.effects_with_interval(effects, band, LOOK)) for band in ("early", "late"))

    def domain(spec: dict[str, Any]) -> list[float]:
        return next(
            layer["encoding"]["x"]["scale"]["domain"] for layer in spec["layer"] if "shape" in layer.get("encoding", {})
        )

    assert domain(early) == domain(late)
    assert domain(early)[0] <= 0.5 < 1 < domain(early)[1]


def test_ratio_axis_always_holds_one() -> None:
    far = pl.DataFrame({"age_band": ["early"], "low": [3.0], "ratio": [5.0], "high": [9.0]})
    assert charts.ratio_domain(far) == (0.5, 16.0)


def test_visits_curve_looks_at_the_visits_in_question() -> None:
    curve = pl.DataFrame(
        {
            "visits": list(range(1, 1001)),
            "avoided": [n**0.5 for n in range(1, 1001)],
            "low": [0.5 * n**0.5 for n in range(1, 1001)],
            "high": [2 * n**0.5 for n in range(1, 1001)],
            "at_random": [0.03 * n for n in range(1, 1001)],
        }
    )
    spec = drawn(charts.visits_and_failures_avoided(curve, 40, LOOK))
    assert rows(spec) == 200
    labels = [row["label"] for table in spec["datasets"].values() for row in table if "label" in row]
    assert "40 visits: 6.3 avoided" in labels


def test_gauge_log_names_its_limit_and_shades_the_spike() -> None:
    log = pl.DataFrame({"elapsed_s": [0.0, 60.0, 600.0], "value": [900.0, 450.0, 620.0]})
    spec = drawn(charts.gauge_log(log, "vacuum", [("limit 1,000 micron", 1000.0)], LOOK))
    assert any(layer["mark"]["type"] == "rect" for layer in spec["layer"])
    assert any(row.get("label") == "limit 1,000 micron" for table in spec["datasets"].values() for row in table)
    line = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "line")
    assert line["encoding"]["y"]["scale"]["type"] == "log"


def test_gauge_log_names_where_water_boils_and_shades_no_spike_of_a_pull_down() -> None:
    log = pl.DataFrame({"elapsed_s": [0.0, 60.0, 600.0], "value": [700_000.0, 19_000.0, 420.0]})
    marks = [("water boils at 70 °F", 18_787.0, 0.0)]
    spec = drawn(charts.gauge_log(log, "vacuum", [("limit 500 micron", 500.0)], LOOK, marks, shades_spike=False))
    assert not any(layer["mark"]["type"] == "rect" for layer in spec["layer"])
    labels = [row["label"] for table in spec["datasets"].values() for row in table if "label" in row]
    assert labels.count("water boils at 70 °F") == 1


def test_proof_tells_states_by_sign_and_word(ask) -> None:
    states = ask("select step, state, count(*) as n from step_grade where state <> 'not_applicable' group by 1, 2")
    spec = drawn(charts.proof(states, LOOK))
    assert "○ Not done" in spec["encoding"]["color"]["scale"]["domain"]
    table = max(spec["datasets"].values(), key=len)
    for step in {row["step"] for row in table}:
        assert sum(row["share"] for row in table if row["step"] == step) == pytest.approx(1)


@pytest.mark.parametrize("look", [looks.LIGHT, looks.DARK], ids=lambda look: look.name)
def test_every_picture_can_be_drawn_in_both_looks(look: looks.Look, ask) -> None:
    curves = ask("select * from incidence where step = 'evacuation'")
    trend = ask("select * from month_step where step = 'evacuation' order by month")
    needs = pl.DataFrame({"step": ["evacuation"], "cannot": [3.0], "not_recorded": [2.0], "no_tool": [0.0]})
    people = ask(
        "select ts.*, name from technician_step ts join staged_technician using (technician_id) where step = 'airflow'"
    )
    for chart in (
        charts.incidence_curves(curves, look),
        charts.months(trend, look),
        charts.gap_by_step(needs, look),
        charts.funnel(people, look),
        charts.said_and_seen(ask("select * from calibration"), look),
    ):
        assert 0 < rows(drawn(chart)) <= 2000


def test_a_picture_is_kept_and_told_apart_by_its_figures_its_order_its_look_and_its_units(ask) -> None:
    people = ask(
        "select *, technician_id as name from technician_step where step = 'evacuation' order by technician_id"
    )
    first = charts.funnel(people, LOOK)
    assert charts.funnel(people.clone(), LOOK) is first
    others = [
        charts.funnel(people.with_columns(known=pl.col("known") + 1), LOOK),
        charts.funnel(people.reverse(), LOOK),
        charts.funnel(people, looks.DARK),
    ]
    with shown.using(shown.Shown(date_order="month_day_year")):
        others.append(charts.funnel(people, LOOK))
    assert all(other is not first for other in others)
    taken_apart = first.to_dict()
    del taken_apart["datasets"], taken_apart["layer"]
    assert first.to_dict()["layer"]


def test_no_more_pictures_are_kept_than_there_is_room_for(ask) -> None:
    people = ask("select *, technician_id as name from technician_step where step = 'evacuation'")
    oldest = charts.funnel(people.with_columns(known=pl.col("known") + 1000), LOOK)
    for more in range(kept_charts.KEPT_AT_MOST):
        kept_charts.kept(lambda frame, look: charts.alt.Chart(frame))(pl.DataFrame({"more": [more]}), LOOK)
    assert len(kept_charts._KEPT) == kept_charts.KEPT_AT_MOST
    assert charts.funnel(people.with_columns(known=pl.col("known") + 1000), LOOK) is not oldest
