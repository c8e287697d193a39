"""Plans of visits and their ledger: on the pages, from the command line, as files; what each state of a store says."""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import re
import shutil
import subprocess
import sys
from pathlib import Path

import icalendar
import numpy as np
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from dashboard import command_line, planned_visits, visit_charts
from dashboard.looks import LIGHT
from dashboard.papers import planning, visit_calendar
from dashboard.papers.ledger import opened
from dashboard.papers.planning import Asked
from pipelines import visit_entries
from pipelines.entries import Entries, join_into
from pipelines.errors import InputError
from pipelines.house_rules import HouseRules
from pipelines.store import Store
from pipelines.visit_entries import KeptPlan, Outcome
from tests.dashboard import small_store
from tests.dashboard.screen import first_line, open_page, whole, words_on

AS_OF = small_store.AS_OF
MONDAY = dt.date(2026, 4, 6)
FORBIDDEN = ("slow fuse", "slowfuse", "time bomb", "visit ledger", "last night", "person 0")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    made = small_store.make(tmp_path_factory.mktemp("fleet"), jobs=300, technicians=8)
    with made.write("load") as con:
        # places for nine in ten sites; half the benefits as they are, so that more systems than slots are worth a visit
        con.execute(
            "insert into staged_site (site_id, area, latitude, longitude) select site_id, area, "
            "38.5 + (hash(site_id) % 400) / 1000.0, -97.2 + (hash(site_id || 'x') % 400) / 1000.0 "
            "from staged_system where hash(site_id) % 10 > 0"
        )
        con.execute("update install_risk set visit_benefit = 6000.0 / (rank + 10) - 30 where horizon_months = 12")
    return made


@pytest.fixture
def store(fleet: Store, tmp_path: Path) -> Store:
    """A copy, so that each test enters and loads what it likes."""
    return Store(shutil.copytree(fleet.folder, tmp_path / "fleet"))


def _asked(**change) -> Asked:
    return Asked(**{"first": MONDAY, "last": MONDAY + dt.timedelta(days=4), "slots_a_day": 3, **change})


def _made(store: Store, **change) -> planning.Made:
    with opened(store) as ledger:
        return planning.make(ledger, _asked(**change), today=dt.date(2026, 4, 1))


@pytest.fixture(scope="module")
def made(fleet: Store) -> planning.Made:
    """The plan of the store as it is: that of each copy too, since the draw hangs on the generation."""
    return _made(fleet)


def _keep(store: Store, made: planning.Made) -> KeptPlan:
    return visit_entries.keep(Entries(store.entries_file), planning.as_kept(made), "the manager")


# --- days and slots


def test_only_working_days_are_planned_and_seasons_come_round():
    rules = HouseRules(working_days=("Mon", "Tue", "Thu"))
    days = planning.working_days(MONDAY, MONDAY + dt.timedelta(days=6), rules)
    assert [f"{day:%a}" for day in days] == ["Mon", "Tue", "Thu"]
    coming = planning.seasons(HouseRules(), dt.date(2026, 6, 1))
    assert coming == [("first_frost", dt.date(2026, 10, 15)), ("first_heat", dt.date(2027, 6, 1))]
    leap = HouseRules(first_heat="02-29")
    assert dict(planning.seasons(leap, dt.date(2026, 1, 1)))["first_heat"] == dt.date(2026, 2, 28)


@pytest.mark.parametrize("slots", [1, 2, 3, 4, 7, 12, 24])
def test_slots_begin_at_eight_on_the_quarter_hour_and_do_not_overlap(slots):
    starts = [dt.datetime.combine(MONDAY, at) for at in planning.slot_starts(slots)]
    assert (len(starts), starts[0].time()) == (slots, dt.time(8, 0))
    assert all(at.minute % 15 == 0 for at in starts)
    length = dt.timedelta(minutes=planning.visit_min(slots))
    assert all(later - at >= length for at, later in itertools.pairwise(starts))
    assert (starts[-1] + length).time() <= dt.time(17, 0)


# --- the plan


def test_an_open_return_for_safety_is_planned_first_and_never_left_to_the_lot(store):
    con = store.read()
    unsafe = [row[0] for row in con.execute("select distinct system_id from return_due where is_safety").fetchall()]
    con.close()
    made = _made(store)
    first = made.visits.filter(pl.col("system_id").is_in(unsafe))
    assert unsafe
    assert first["is_unsafe"].all()
    assert set(first["day"]) == {MONDAY}
    assert not set(unsafe) & set(made.plan.pool["system_id"])
    assert made.by_lot == 3  # a fifth of 15 slots
    assert "3 of the" in planning.summary(made)[1]
    # said to be seen to, it is an ordinary system again
    job, step = _safety_return(store)
    Entries(store.entries_file).seen_to(job, step, "nitrogen put in", "2026-04-01", "the manager")
    assert not _made(store).visits["is_unsafe"].any()


def _safety_return(store: Store) -> tuple[str, str]:
    con = store.read()
    found = con.execute("select job_id, step from return_due where is_safety").fetchall()[0]
    con.close()
    return found


def test_asking_again_gives_the_same_draw_and_another_wish_another(made, store):
    one, again = made, _made(store)
    assert one.visits.equals(again.visits)
    assert one.plan_id == again.plan_id
    assert _made(store, slots_a_day=4).seed != one.seed


def test_who_stands_in_a_kept_plan_or_was_visited_is_left_out_until_it_is_withdrawn(made, store):
    kept = _keep(store, made)
    planned = set(made.visits["system_id"])
    assert not planned & set(_made(store).visits["system_id"])
    entries = Entries(store.entries_file)
    away = made.visits["system_id"][5]
    visit_entries.add_outcome(entries, Outcome(kept.plan_id, away, "no_answer"))
    assert planned & set(_made(store).candidates["system_id"]) == {away}
    visit_entries.withdraw(entries, kept.plan_id, "2026-04-02")
    assert planned & set(_made(store).visits["system_id"])
    best = made.visits.filter(pl.col("rank_then") == 1)["system_id"][0]
    with store.write("load") as con:
        con.execute(
            "insert into staged_call (call_id, system_id, opened_on, call_kind) values ('E1', ?, '2025-12-01', 'proactive')",
            [best],
        )
    assert best not in set(_made(store).visits["system_id"])


def test_own_choices_areas_and_what_cannot_be_asked_for(store):
    last = _made(store).candidates["system_id"][-1]
    made = _made(store, own_choice=(last,), areas=("9401",))
    by = dict(made.visits.select("system_id", "chosen_by").iter_rows())
    assert by[last] == "own_choice"
    others = made.visits.filter(~pl.col("is_unsafe") & (pl.col("system_id") != last))
    assert set(others["area"]) == {"9401"}
    for change, said in (
        ({"own_choice": ("S99999",)}, "S99999"),
        ({"last": MONDAY - dt.timedelta(days=1)}, "before it begins"),
        ({"first": MONDAY - dt.timedelta(days=2), "last": MONDAY - dt.timedelta(days=1)}, "No working day"),
        ({"slots_a_day": 25}, "1 to 24"),
    ):
        with pytest.raises(InputError, match=said):
            _made(store, **change)


def test_only_what_runs_out_of_warranty_is_planned_where_that_is_asked_for_and_safety_all_the_same(store):
    with store.write("load") as con:
        con.execute("update install_risk set warranty_until = as_of + if(rank % 4 = 0, 50, 900)")
    made = _made(store, warranty_months=3)
    others = made.visits.filter(~pl.col("is_unsafe"))
    assert others.height >= 10
    assert {(day - AS_OF).days for day in others["warranty_until"]} == {50}
    assert made.visits["is_unsafe"].any()


def test_a_kept_plan_reads_back_as_it_was_made(made, store):
    kept = _keep(store, made)
    with opened(store) as ledger:
        back = planning.of_kept(ledger, visit_entries.plans(Entries(store.entries_file))[0])
    assert planning.as_table(back).equals(planning.as_table(made))
    assert planning.stops(back) == planning.stops(made)
    assert (back.plan_id, back.by_lot, back.lot_chance) == (kept.plan_id, made.by_lot, made.lot_chance)
    assert planning.summary(back)[:2] == planning.summary(made)[:2]


def test_warranties_that_end_soon_are_marked_and_said():
    today = dt.date(2026, 4, 1)
    assert planning.warranty_note(today + dt.timedelta(days=40), today) == "⚠ ends in 40 days"
    assert planning.warranty_note(today + dt.timedelta(days=184), today) == "2 Oct 2026"
    assert planning.warranty_note(today - dt.timedelta(days=1), today) == "ended 31 Mar 2026"
    assert planning.warranty_note(None, today) == "not known"


# --- files


def _unfolded(content: bytes) -> list[str]:
    return content.decode().replace("\r\n ", "").split("\r\n")[:-1]


@pytest.mark.parametrize(
    "house", ["", "Rivet & Sons, Heating; Cooling – a name of some length that has to be folded over lines"]
)
def test_the_calendar_is_one_after_rfc_5545(store, house):
    with store.write("load") as con:
        con.execute(
            "update staged_system set area = 'Überlänge; a, very \\long area name that must be folded somewhere'"
        )
        con.execute(
            "update install_risk set area = 'Überlänge; a, very \\long area name that must be folded somewhere'"
        )
    made = _made(store)
    content = visit_calendar.as_calendar(made, house)
    # RFC 5545 3.1: lines end with CRLF and hold at most 75 octets without it
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    assert max(len(line) for line in content.split(b"\r\n")) <= 75
    lines = _unfolded(content)
    # 3.4, 3.6: one calendar object with PRODID and VERSION once, before its components
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    assert [line for line in lines if line.startswith("VERSION")] == ["VERSION:2.0"]
    assert len([line for line in lines if line.startswith("PRODID:")]) == 1
    # 3.6.1: UID and DTSTAMP once in each event, DTSTART too where there is no METHOD; 3.3.5: DTSTAMP in UTC
    text = "\n".join(lines)
    events = re.findall(r"BEGIN:VEVENT\n(.*?)\nEND:VEVENT", text, re.S)
    assert len(events) == made.visits.height
    for event in events:
        names = [re.split("[:;]", line)[0] for line in event.split("\n")]
        assert len(names) == len(set(names))
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY"} <= set(names)
        assert re.search(r"^DTSTAMP:\d{8}T\d{6}Z$", event, re.M)
        # floating local time: neither Z nor a zone
        assert re.search(r"^DTSTART:\d{8}T\d{6}$", event, re.M)
    assert not [word for word in FORBIDDEN if word in text.lower()]
    back = icalendar.Calendar.from_ical(content)
    found = sorted(event.decoded("dtstart") for event in back.walk("VEVENT"))
    assert found[0] == dt.datetime(2026, 4, 6, 8, 0)
    assert {str(event["summary"]) for event in back.walk("VEVENT")} == {"Early visit"}
    assert len({str(event["uid"]) for event in back.walk("VEVENT")}) == len(events)
    assert str(back["prodid"]).count(house) >= 1
    # the same plan has the same ids: taken in twice it is there once
    again = icalendar.Calendar.from_ical(visit_calendar.as_calendar(made, house))
    assert [str(e["uid"]) for e in again.walk("VEVENT")] == [str(e["uid"]) for e in back.walk("VEVENT")]


def test_what_a_spreadsheet_would_run_is_text_and_no_word_of_ours_stands_in_a_file(store):
    with store.write("load") as con:
        con.execute("update install_risk set check_on_visit = '=HYPERLINK(\"http://x\")', area = '@area'")
    made = _made(store)
    text = planning.as_sheet(made, "Rivet & Sons", "csv").decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO("\n".join(line for line in text.splitlines() if not line.startswith("#")))))
    assert len(rows) == made.visits.height
    assert {row["Take and look at"] for row in rows} == {'\'=HYPERLINK("http://x")'}
    assert {row["Area"] for row in rows} == {"'@area"}
    assert rows[0]["At"] == "08:00"
    assert "# house: Rivet & Sons" in text
    assert not [word for word in FORBIDDEN if word in text.lower()]
    sheet = pl.read_excel(io.BytesIO(planning.as_sheet(made, "", "xlsx")), sheet_id=2, engine="calamine")
    assert sheet.height == made.visits.height
    assert set(sheet["Area"]) == {"'@area"}


def test_the_map_draws_at_most_2000_marks_tells_shapes_apart_and_fetches_nothing(made):
    stops = made.visits.drop_nulls("latitude").with_columns(
        kind=pl.struct("is_unsafe", "chosen_by").map_elements(visit_charts.chosen, return_dtype=pl.String),
        when=pl.lit(""),
    )
    many = pl.DataFrame(
        {"system_id": [f"S{n}" for n in range(9000)], "latitude": 38.5, "longitude": -97.0, "area": "A"}
    )
    chart = visit_charts.visit_map(stops, many, (38.6, -97.1), LIGHT).to_dict()
    dots = max((rows for rows in chart["datasets"].values()), key=len)
    assert len(dots) == visit_charts.DOTS_AT_MOST
    shapes = chart["layer"][0]["encoding"]["shape"]["scale"]
    assert len(set(shapes["range"])) == len(shapes["domain"])
    assert "http" not in str({key: value for key, value in chart.items() if key not in ("$schema", "datasets")})
    assert not visit_charts.is_near((10.0, 10.0), stops)
    assert visit_charts.is_near((38.6, -97.1), stops)


# --- the command


def run(*words: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dashboard.command_line", *map(str, words)], capture_output=True, text=True, check=False,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip


def test_the_command_writes_a_plan_keeps_it_and_leaves_its_systems_out_of_the_next(store, tmp_path):
    file = tmp_path / "plan.ics"
    asked = ("plan", "--days", "2026-04-06..2026-04-10", "--slots", 3, "--store", store.folder)
    done = run(*asked, "--to", file, "--keep", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "15 visits on 5 days, 6 Apr 2026 to 10 Apr 2026" in done.stdout
    (kept,) = visit_entries.plans(Entries(store.entries_file))
    assert f"Kept as {kept.plan_id}:" in done.stdout
    assert len(icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")) == 15
    table = tmp_path / "next.csv"
    again = run(*asked, "--area", "9401", "--to", table, cwd=tmp_path)
    assert again.returncode == 0, again.stderr
    assert not {str(visit["system_id"]) for visit in kept.visits} & set(
        table.read_text(encoding="utf-8-sig").split(",")
    )


def test_the_command_writes_sheets_and_cards(store, tmp_path):
    for ending, begins in ((".xlsx", b"PK"), (".pdf", b"%PDF"), (".csv", b"\xef\xbb\xbf# what: early visits")):
        file = tmp_path / f"early{ending}"
        said = planned_visits.write(store, _asked(), file, keep=False)
        assert file.read_bytes().startswith(begins)
        assert said[-1] == f"{file}: 15 visits"
    assert visit_entries.plans(Entries(store.entries_file)) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--days", "2026-04-11..2026-04-12"), "No working day"),
        (("--from", "2026-04-06"), "name the days"),
        (("--days", "2026-04-06..2026-04-10", "--from", "2026-04-06"), "not both"),
        (("--days", "2026-04-06..2026-04-10", "--home", "here"), "no place"),
        (("--days", "2026-04-06..2026-04-10", "--own", "S99999"), "S99999"),
    ],
)
def test_what_cannot_be_planned_is_said_and_writes_nothing(store, tmp_path, words, said):
    asked = ["plan", *words, "--slots", "3", "--to", str(tmp_path / "x.csv"), "--store", str(store.folder)]
    done = CliRunner().invoke(command_line.app, asked)
    # main() turns an input's fault into one message and 1; wrong usage is 2 by itself
    assert isinstance(done.exception, InputError) or done.exit_code == 2
    assert said in f"{done.exception} {' '.join(done.output.replace('│', ' ').split())}"
    assert not (tmp_path / "x.csv").exists()


# --- Slow fuses


def _button(app: AppTest, label: str):
    return next(button for button in app.button if button.label == label)


def test_a_plan_is_made_kept_taken_away_and_withdrawn_on_the_page(store, monkeypatch):
    app = open_page(monkeypatch, store, "slow_fuses", visits="10")
    whole(app)
    assert re.search(r"[Bb]efore the first (heat|frost) \(.*\) [\d,]+ working days? (is|are) left", words_on(app))
    assert "You have 10 visits to give" in words_on(app)
    _button(app, "Make the plan").click().run()
    whole(app)
    seen = words_on(app)
    assert "10 visits on 3 days" in seen
    assert "2 of the" in seen
    assert "only so can it be told later whether visits do any good" in seen
    _button(app, "Keep this plan").click().run()
    whole(app)
    (kept,) = visit_entries.plans(Entries(store.entries_file))
    assert len(kept.visits) == 10
    assert app.query_params["plan"] in (kept.plan_id, [kept.plan_id])
    labels = [button.label for button in app.get("download_button")]
    assert {"CSV", "Excel (XLSX)", "Calendar (.ics)", "Visit cards"} <= set(labels)
    _button(app, "Withdraw this plan").click().run()
    whole(app)
    assert visit_entries.plans(Entries(store.entries_file))[0].withdrawn_on is not None
    assert "Withdrawn on" in words_on(app)


def test_what_goes_out_of_warranty_soon_stands_out_and_one_click_shows_it(store, monkeypatch):
    with store.write("load") as con:
        con.execute("update install_risk set warranty_until = as_of + 30 where rank <= 7")
    app = open_page(monkeypatch, store, "slow_fuses", visits="5")
    con = store.read()
    soon = con.execute(
        "select count(*) from install_risk where horizon_months = 12 and warranty_until between as_of and as_of + interval 6 month"
    ).fetchall()[0][0]
    con.close()
    assert f"Out of warranty within 6 months: 5 of the first 5, {soon} of all 300" in words_on(app)
    table = next(table.value for table in app.dataframe if "Maker's warranty" in table.value.columns)
    assert set(table["Maker's warranty"]) == {"⚠ ends in 30 days"}
    _button(app, "Show only these").click().run()
    whole(app)
    assert f"among {soon} systems" in first_line(app)
    assert "only systems whose maker's warranty ends within 6 months" in words_on(app)


def test_a_wish_that_cannot_be_met_is_said_and_the_page_stands(store, monkeypatch):
    app = open_page(monkeypatch, store, "slow_fuses", plan_own="S99999", made="1")
    assert not app.exception
    assert "S99999\\: no such system in service" in app.error[0].value
    assert "Before anybody works on it" in words_on(app)


# --- Visit ledger


def _with_visits(store: Store, visits: list[tuple]) -> None:
    with store.write("load") as con:
        con.executemany(
            "insert into staged_call (call_id, system_id, opened_on, call_kind, finding, put_right, cost) "
            "values (?, ?, ?, 'proactive', ?, ?, ?)",
            visits,
        )


def test_without_plan_and_without_visits_the_ledger_says_what_to_do(store, monkeypatch):
    app = open_page(monkeypatch, store, "visit_ledger")
    whole(app)
    assert first_line(app) == "No early visit is on record yet, and 0 are booked."
    assert "Plan visits on *Slow fuses*" in words_on(app)


def test_with_a_plan_and_no_visit_the_ledger_lists_what_is_booked(made, store, monkeypatch):
    _keep(store, made)
    app = open_page(monkeypatch, store, "visit_ledger")
    whole(app)
    assert first_line(app) == "No early visit has been made yet; 15 are booked in 1 kept plan."
    booked = next(table.value for table in app.dataframe if "First reason" in table.value.columns)
    assert list(booked["System"]) == made.visits["system_id"].to_list()


def test_one_visit_is_told_without_a_share(store, monkeypatch):
    _with_visits(store, [("E1", "S00003", "2025-06-01", "low_charge", True, 140.0)])
    app = open_page(monkeypatch, store, "visit_ledger")
    whole(app)
    assert first_line(app).startswith("The 1 early visit on record found something and put it right;")
    assert "$140" in first_line(app).replace("\\", "")


def test_counts_of_the_ledger_are_those_of_the_calls_and_its_rows(store, monkeypatch):
    _with_visits(
        store,
        [(f"E{n}", f"S{n:05d}", f"2025-{1 + n % 5:02d}-03", finding, right, 100.0)
         for n, (finding, right) in enumerate(
             [("low_charge", True)] * 9 + [("low_airflow", False)] * 4 + [("compressor_burnout", False)] * 2
             + [("no_fault_found", None)] * 6 + [(None, None)] * 3)],
    )  # fmt: skip
    app = open_page(monkeypatch, store, "visit_ledger")
    whole(app)
    # Jeffreys for 15 of 21 by scipy: 0.503 to 0.871
    from scipy import stats

    low, high = stats.beta.ppf([0.025, 0.975], 15.5, 6.5)
    assert f"on 71 % ({100 * low:.0f} to {100 * high:.0f} %) of 21 and put 9 right" in first_line(app).replace(
        "\u00a0", " "
    )
    table = next(table.value for table in app.dataframe if "Found something" in table.value.columns)
    everything = table[table["Which"] == "All visits"].iloc[0]
    assert [int(everything[name]) for name in ("How many", "● found and put right", "▲ already failing", "– not recorded")] == [
        24, 9, 2, 3,
    ]  # fmt: skip
    con = store.read()
    bad = con.execute(
        "select count(*) from staged_call c join step_grade g using (system_id) where c.call_kind = 'proactive' "
        "and g.step = 'airflow' and g.state in ('failed', 'ticked_only', 'not_done') and exists (select 1 from staged_job j "
        "where j.job_id = g.job_id and j.finished_on <= c.opened_on)"
    ).fetchall()[0][0]
    con.close()
    told = table[table["Which"] == "Airflow not good"]
    assert (int(told["How many"].iloc[0]) if len(told) else 0) == bad
    narrowed = open_page(monkeypatch, store, "visit_ledger", step="airflow")
    assert f"**{bad} visit" in words_on(narrowed)


def test_an_outcome_is_entered_on_the_page_seen_at_once_and_exported_after_the_next_fit(store, monkeypatch, tmp_path):
    made = _made(store, first=AS_OF - dt.timedelta(days=7), last=AS_OF - dt.timedelta(days=3))
    kept = _keep(store, made)
    system = made.visits["system_id"][0]
    app = open_page(monkeypatch, store, "visit_ledger", visit=f"{kept.plan_id}~{system}")
    whole(app)
    next(box for box in app.selectbox if box.label == "What was found").select("low_airflow")
    next(box for box in app.number_input if box.label.startswith("Cost")).set_value(120.0)
    next(box for box in app.text_input if box.label == "Your name").set_value("the manager")
    _button(app, "Enter").click().run()
    whole(app)
    (outcome,) = visit_entries.outcomes(Entries(store.entries_file)).values()
    assert (outcome.state, outcome.finding, outcome.cost, outcome.entered_by) == (
        "visited",
        "low_airflow",
        120.0,
        "the manager",
    )
    assert first_line(app).startswith("The 1 early visit on record found something;")
    with store.write("fit") as con:
        entries = Entries(store.entries_file)
        join_into(con, entries, entries.house_rules())
    from pipelines import export

    for table in ("visit_outcome", "visit_plan", "visit_pool", "visit_plan_kept"):
        assert export.export(store.read(), table, tmp_path / f"{table}.csv") > 0
        meant = {meaning.column for meaning in export.meanings() if meaning.table == table}
        assert meant == set(visit_entries.TABLES[table])


def test_a_name_is_asked_for_before_anything_is_entered(made, store, monkeypatch):
    kept = _keep(store, made)
    app = open_page(monkeypatch, store, "visit_ledger", visit=f"{kept.plan_id}~{kept.visits[0]['system_id']}")
    _button(app, "Enter").click().run()
    assert "by whom" in app.error[0].value
    assert visit_entries.outcomes(Entries(store.entries_file)) == {}


def test_a_call_on_a_planned_system_answers_for_it_and_is_not_counted_twice(store, monkeypatch):
    made = _made(store, first=AS_OF - dt.timedelta(days=7), last=AS_OF - dt.timedelta(days=3))
    kept = _keep(store, planning.replace(made, made_on=AS_OF - dt.timedelta(days=25)))
    one, two = (str(visit["system_id"]) for visit in kept.visits[:2])
    day = str(kept.visits[0]["day"])
    _with_visits(store, [("E1", one, day, "low_charge", True, 90.0), ("E2", two, day, "no_fault_found", None, 80.0)])
    visit_entries.add_outcome(
        Entries(store.entries_file), Outcome(kept.plan_id, one, "visited", day, "low_airflow", True, "yes", 95.0)
    )
    app = open_page(monkeypatch, store, "visit_ledger")
    whole(app)
    rows = next(table.value for table in app.dataframe if "Came to" in table.value.columns)
    assert dict(zip(rows["System"], rows["Finding"], strict=True)) == {one: "Low charge", two: "No fault found"}
    assert dict(zip(rows["System"], rows["Reason found"], strict=True))[one] == "yes"
    assert "13 visits still to make** of 15" in words_on(app)
    assert "found on" in words_on(app)


def test_drawn_by_lot_against_not_drawn_is_told_with_counts_and_how_much_more_it_takes(made, store, monkeypatch):
    kept = planning.as_kept(planning.replace(made, made_on=AS_OF - dt.timedelta(days=300)))
    visit_entries.keep(Entries(store.entries_file), kept)
    failing = next(one["system_id"] for one in kept.pool if not one["was_drawn"])
    with store.write("fit") as con:
        con.execute("create table cell_run as select ?::date as as_of", [AS_OF])
        con.execute(
            "create table contact_window as select system_id, date '2015-01-01' as from_on, ?::date as to_on from staged_system",
            [AS_OF],
        )
        con.execute(
            "create table outcome_event as select 'compressor_failure' as outcome, ? as system_id, ?::date as happened_on",
            [failing, AS_OF - dt.timedelta(days=60)],
        )
    app = open_page(monkeypatch, store, "visit_ledger")
    whole(app)
    seen = words_on(app)
    others = len(kept.pool) - made.by_lot
    assert (
        f"Too few failures yet to tell whether those drawn fail less**: 0 failures of {made.by_lot} drawn, 1 of {others} not drawn"
        in seen
    )
    assert re.search(r"after [\d,]+ visits by lot", seen)
    lot = next(table.value for table in app.dataframe if "Lot" in table.value.columns)
    assert len(lot) == len(kept.pool)
    assert (lot["System"].iloc[0], lot["Lot"].iloc[0]) == (failing, "○ not drawn")
    assert lot["Failed"].notna().sum() == 1
    assert "Visited since: 0 of the" in seen


def test_the_sentence_of_the_lot_says_what_was_found():
    from dashboard.app_pages import visit_ledger as page
    from models.visit_ledger import compare

    pools = pl.DataFrame(
        [("P", True, 0.3, 300, 10, 600.0), ("P", False, 0.3, 700, 90, 1400.0)],
        schema=["plan_id", "was_drawn", "chance", "systems", "events", "years"], orient="row",
    )  # fmt: skip
    drawn = pl.DataFrame({"was_drawn": [True] * 300 + [False] * 700, "probability_then": np.full(1000, 0.06)})
    said = page.lot_sentence(drawn, compare(pools), {True: 250, False: 3})
    assert said.startswith(
        "**Those drawn fail less**: 10 failures of 300 drawn, 90 of 700 not drawn; a difference of −4.8 ("
    )
    assert "Visited since: 250 of the 300 drawn, 3 of the 700 not drawn." in said
    assert "would show" not in said
