"""A fit of stores with too little in them, and of one with enough: every table, no exception, the same twice."""

from datetime import date

import polars as pl
import pytest

from models import fit, fit_sentences, results
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import empty_store, house_rules, invent, put, store_of

QUIET = []


def fitted(con, as_of=None, **rules):
    chosen = house_rules(**rules)
    said = []
    cells.make_cells(con, chosen, as_of)
    fit.fit(con, chosen, as_of, say=said.append)
    return said


def rows(con, table):
    return con.sql(f'select count(*) from "{table}"').fetchall()[0][0]


def one_job(state, **system):
    con = empty_store()
    put(con, "staged_system", [{"system_id": "S1", "last_contact_on": date(2023, 1, 1)} | system])
    put(con, "staged_job", [
        {"job_id": "J1", "system_id": "S1", "technician_id": "T1", "job_kind": "new_install",
         "finished_on": date(2021, 1, 1)}
    ])  # fmt: skip
    put(con, "step_grade", [
        {"job_id": "J1", "system_id": "S1", "technician_id": "T1", "step": step, "state": state} for step in STEPS
    ])  # fmt: skip
    return con


def test_an_empty_store_gets_every_table_without_rows_and_a_sentence():
    con = empty_store()
    said = fitted(con)
    assert {table: rows(con, table) for table in results.SCHEMA if table != "fit_note"} == {
        table: 0 for table in results.SCHEMA if table != "fit_note"
    }
    assert any("nothing can be estimated" in sentence for sentence in said)
    assert rows(con, "fit_note") == 1


@pytest.mark.parametrize("state", ["passed", "no_record", "not_applicable", "disputed", "not_done"])
def test_one_job_is_counted_and_nothing_is_claimed(state):
    con = one_job(state)
    said = fitted(con)
    assert rows(con, "install_risk") == 0
    assert any("No compressor has failed" in sentence for sentence in said)
    found = con.sql("select distinct evidence from step_effect").fetchall()
    assert found in ([], [("too_few",)])
    assert con.sql("select distinct flag from technician_step").fetchall() in ([], [("too_few",)])


def test_one_job_that_failed_does_not_stop_a_fit():
    con = one_job("not_done")
    put(con, "staged_call", [
        {"call_id": "C1", "system_id": "S1", "opened_on": date(2022, 1, 1), "call_kind": "repair",
         "finding": "compressor_burnout"}
    ])  # fmt: skip
    fitted(con)
    assert con.sql("select fate from system_now").fetchall() == [("fate_unknown",)]
    assert con.sql(
        "select events, events_skipped, hazard_ratio, evidence from step_effect "
        "where outcome = 'compressor_failure' and step = 'evacuation' and age_band = 'early' and contrast = 'not_good'"
    ).fetchall() == [(1, 1, None, "too_few")]


def test_a_job_without_technician_system_row_or_date_does_not_stop_a_fit():
    con = one_job("passed")
    put(con, "staged_job", [{"job_id": "J2", "system_id": "S9", "finished_on": None}])
    put(con, "step_grade", [{"job_id": "J2", "system_id": "S9", "step": "charge", "state": "failed"}])
    said = fitted(con)
    assert any("no date" in sentence for sentence in said)


def test_one_technician_has_effects_but_no_comparison_of_people():
    con = store_of(invent(1500, 1, seed=5, rate_factor=4))
    fitted(con)
    assert con.sql(
        "select distinct flag from technician_step where step in (select step from step_place)"
    ).fetchall() == [("usual",)]
    assert con.sql(
        "select count(*) from step_effect where outcome = 'compressor_failure' and hazard_ratio is not null"
    ).fetchall()[0][0] > 20  # fmt: skip


def test_a_fleet_where_no_step_is_known_has_no_effects_but_a_list_with_unknown_steps():
    fleet = invent(400, 5, seed=6, rate_factor=4)
    fleet.grades = fleet.grades.with_columns(
        state=pl.when(pl.col("state") == "not_applicable").then("state").otherwise(pl.lit("no_record"))
    )
    con = store_of(fleet)
    said = fitted(con)
    assert con.sql("select count(*) from step_effect where hazard_ratio is not null").fetchall() == [(0,)]
    assert any("no step of it is known" in sentence for sentence in said)
    assert rows(con, "install_risk") > 0
    assert con.sql("select count(*) from install_risk where unknown_steps = '' or reasons <> ''").fetchall() == [(0,)]


def test_two_fits_of_the_same_store_agree_to_the_last_digit():
    con = store_of(invent(800, 8, seed=7, rate_factor=2))
    fitted(con)
    first = {table: con.sql(f'from "{table}"').pl() for table in results.SCHEMA}
    fitted(con)
    for table, frame in first.items():
        again = con.sql(f'from "{table}"').pl()
        dropped = ["made_at"] if table == "fit_run" else []
        assert frame.drop(dropped).equals(again.drop(dropped)), table


def test_a_fit_to_an_earlier_day_equals_the_fit_of_a_store_that_ends_there():
    day = date(2022, 6, 30)
    fleet = invent(1200, 8, seed=9, rate_factor=2)
    whole, then = store_of(fleet), empty_store()
    put(then, "staged_system", fleet.systems.with_columns(
        last_contact_on=pl.min_horizontal("last_contact_on", pl.lit(day)),
        retired_because=pl.when(pl.col("retired_on") <= day).then("retired_because"),
        retired_on=pl.when(pl.col("retired_on") <= day).then("retired_on"),
    ))  # fmt: skip
    put(then, "staged_job", fleet.jobs.filter(pl.col("finished_on") <= day))
    put(then, "staged_call", fleet.calls.filter(pl.col("opened_on") <= day))
    put(then, "staged_technician", fleet.technicians)
    early = fleet.jobs.filter(pl.col("finished_on") <= day)["job_id"].to_list()
    put(then, "step_grade", fleet.grades.filter(pl.col("job_id").is_in(early)))
    fitted(whole, day)
    fitted(then, day)
    for table in (
        "technician_step",
        "step_effect",
        "install_risk",
        "step_cost",
        "training_need",
        "incidence",
        "years_in_service",
        "evidence_needed",
    ):
        columns = [name for name in results.SCHEMA[table] if name != "jobs_left_out"]
        order = ", ".join(f'"{name}"' for name in columns)
        assert (
            whole.sql(f"select {order} from {table} order by all")
            .pl()
            .equals(then.sql(f"select {order} from {table} order by all").pl())
        ), table


def test_cells_of_another_day_are_refused():
    con = store_of(invent(50, 2, seed=1))
    cells.make_cells(con, house_rules(), date(2024, 1, 1))
    with pytest.raises(ValueError, match="made for 2024-01-01"):
        fit.fit(con, house_rules(), date(2023, 1, 1), say=QUIET.append)


def test_what_is_said_is_short_and_in_order():
    con = store_of(invent(2500, 12, seed=4, rate_factor=2))
    said = fitted(con)
    headings = [line for line in said if not line.startswith(" ")]
    assert headings[:3] == [
        "Counted:",
        "What the records show:",
        "What cannot be told yet, and how much more it takes:",
    ]
    assert headings[3].startswith("Worked out in")
    assert len(headings) == 4
    assert len(said) <= fit_sentences.LINES_AT_MOST + 1
    assert max(len(line) for line in said) < 420
    # every sentence that is said is kept, and the counts in it are those of the tables
    kept = "\n".join(con.sql("select text from fit_note").pl()["text"])
    assert all(line.strip() in kept or line in headings for line in said if ": " not in line)
    failures = con.sql("select compressor_failures from fit_run").fetchall()[0][0]
    assert f"{failures} compressor failures" in said[1]
    clear = con.sql(
        "select count(*) from step_effect where contrast = 'not_good' and age_band <> 'all' and evidence = 'clear' "
        "and outcome in ('compressor_failure', 'callback')"
    ).fetchall()[0][0]  # fmt: skip
    assert any(f"early and late): {clear} clear" in line for line in said)


def test_more_notes_than_lines_leave_the_rest_to_the_table():
    notes = fit_sentences.Notes(QUIET.append)
    QUIET.clear()
    for topic in ("follow_up", "step_effect", "a topic of its own", "evidence_needed"):
        for number in range(9):
            notes.add(topic, f"{topic} {number}.")
    notes.tell()
    # three headings; three of the nine topics' lines each, and all nine open questions, fit into 25
    assert len(QUIET) == 3 + 3 * 4 + 9
    assert QUIET[:5] == [
        "Counted:", "  follow_up 0.", "  follow_up 1.", "  follow_up 2.", "  and 6 more of this kind in fit_note.",
    ]  # fmt: skip
    assert QUIET[-1] == "  evidence_needed 8."
    assert notes.frame().height == 36
