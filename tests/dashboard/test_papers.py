"""The printable reports: figures agree with the tables, nobody else stands on a person's sheet, the PDF is tagged."""

from __future__ import annotations

import datetime as dt
import io
import re
import subprocess
import sys
from pathlib import Path

import fastexcel
import polars as pl
import pyarrow.parquet
import pypdfium2
import pytest
from pypdf import PdfReader

from dashboard import take_away
from dashboard.papers import crew, owner, visits
from dashboard.papers.ledger import opened
from dashboard.papers.reports import REPORTS, Choice, make, write
from dashboard.papers.typesetting import to_pdf
from pipelines.contract import STEPS
from pipelines.errors import InputError, StoreMissingError
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import open_page, whole

ROOT = Path(__file__).parents[2]
PEOPLE = 30
# what would be read as markup, were it not text
ODD_NAME = "Person #30 *A* $x$ [b] @c"
NOT_FOR_A_CUSTOMER = (
    "time bomb", "slow fuse", "slowfuse", "risk", "failure", "fail", "burn", "chance", "probab", "explod", "skip",
    "not done", "outside", "ticked", "crew", "benefit",
)  # fmt: skip


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    store = small_store.make(tmp_path_factory.mktemp("papers"), jobs=900, technicians=PEOPLE)
    with store.write("fit") as con:
        con.execute("update staged_technician set name = ? where technician_id = 'T30'", [ODD_NAME])
        con.execute(
            "insert into staged_site (site_id, label, address, contact, phone) "
            "select distinct site_id, 'site ' || site_id, '1 Invented Lane', 'Nobody Atall', '555-0100' from staged_system"
        )
    return store


def pages_of(pdf: bytes) -> list[str]:
    """The text of each page, with single ordinary spaces."""
    return [re.sub(r"\s+", " ", page.get_textpage().get_text_range()) for page in pypdfium2.PdfDocument(pdf)]


@pytest.fixture(scope="module")
def told() -> list[tuple[str, int, int]]:
    return []


@pytest.fixture(scope="module")
def crew_pdf(fleet: Store, told: list[tuple[str, int, int]]) -> bytes:
    return make("crew", fleet, progress=lambda words, done, of: told.append((words, done, of)))


@pytest.fixture(scope="module")
def visits_pdf(fleet: Store) -> bytes:
    return make("visits", fleet, Choice(visits=20))


@pytest.fixture(scope="module")
def sheets(crew_pdf: bytes) -> list[str]:
    return pages_of(crew_pdf)


@pytest.fixture(scope="module")
def cards(visits_pdf: bytes) -> list[str]:
    return pages_of(visits_pdf)


def rows(store: Store, sql: str) -> list[tuple]:
    con = store.read()
    try:
        return con.execute(sql).fetchall()
    finally:
        con.close()


# --- the crew review


def test_each_technician_has_one_sheet_with_his_own_counts(fleet: Store, sheets: list[str]) -> None:
    assert len(sheets) == PEOPLE
    counts = rows(fleet, "select technician_id, step, good, known from technician_step where step <> 'all'")
    name_of = dict(rows(fleet, "select technician_id, name from staged_technician"))
    page_of = {who: page for who in name_of for page in sheets if f"generation 2 {name_of[who]} Of your" in page}
    assert len(page_of) == PEOPLE
    for who, step, good, known in counts:
        if step in STEPS:
            assert f"{good} of {known} " in page_of[who], (who, step)


def test_nobody_else_is_named_on_a_sheet_and_nothing_is_ranked(fleet: Store, sheets: list[str]) -> None:
    names = [name for (name,) in rows(fleet, "select name from staged_technician")]
    for page in sheets:
        assert len([name for name in names if name in page]) == 1
        assert not re.search(r"skip|rank|worst|\bbest\b|league", page.lower())


def test_the_good_example_is_a_measured_good_job_of_his_own(fleet: Store) -> None:
    good = {
        (job, who)
        for job, who in rows(
            fleet, "select job_id, technician_id from step_grade where state = 'passed' and measured is not null"
        )
    }
    who_of = {name: who for who, name in rows(fleet, "select technician_id, name from staged_technician")}
    with opened(fleet) as ledger:
        sheets = crew.content(ledger)["sheets"]
    for sheet in sheets:
        shown = re.search(r"on job (J\d+),", " ".join(sheet["example"]["lines"]))
        assert shown
        assert (shown[1], who_of[sheet["name"]]) in good


def test_the_one_thing_to_work_on_is_a_gap_that_practice_can_close(fleet: Store) -> None:
    need = rows(
        fleet,
        "select technician_id, step from training_need where priority in ('first', 'next') and gap_cannot > 0 "
        "qualify row_number() over (partition by technician_id order by priority = 'first' desc, "
        "gap_cannot * jobs_per_year desc) = 1",
    )
    assert need
    who, step = need[0]
    with opened(fleet) as ledger:
        (sheet,) = crew.content(ledger, technician=who)["sheets"]
    from dashboard import words

    assert sheet["focus"]["title"] == f"One thing to work on: {words.step(step).lower()}"


def test_a_crew_can_be_chosen_and_a_name_that_is_nobodys_is_said(fleet: Store) -> None:
    of_crew = rows(fleet, "select distinct technician_id from technician_step where crew = 'Ash'")
    assert len(pages_of(make("crew", fleet, Choice(crew="Ash")))) == len(of_crew)
    with pytest.raises(InputError, match="no graded job of technician T99"):
        make("crew", fleet, Choice(technician="T99"))


def test_progress_is_told_sheet_by_sheet(crew_pdf: bytes, told: list[tuple[str, int, int]]) -> None:
    assert [done for words, done, of in told if of == PEOPLE] == list(range(1, PEOPLE + 1))
    assert told[-1][0] == "Setting the type"


def test_who_has_left_gets_no_sheet_unless_asked_for(fleet: Store, tmp_path: Path) -> None:
    import shutil

    copy = Store(shutil.copytree(fleet.folder, tmp_path / "copy"))
    with copy.write("load") as con:
        con.execute("update staged_technician set left_on = date '2025-01-31' where technician_id = 'T05'")
    with opened(copy) as ledger:
        assert len(crew.content(ledger)["sheets"]) == PEOPLE - 1
        assert len(crew.content(ledger, technician="T05")["sheets"]) == 1


# --- the other papers


def test_training_lists_by_step_just_those_whom_teaching_would_help(fleet: Store) -> None:
    pdf = make("training", fleet)
    text = " ".join(pages_of(pdf))
    needs = rows(fleet, "select step, count(*) from training_need where priority in ('first', 'next') group by 1")
    assert needs
    from dashboard import words

    for step, people in needs:
        assert f"{words.step(step)}: {words.counted(people, 'person', 'people')}" in text
    assert "No training need: writing down, and tools" in text
    # the course's effect with its interval, as the table has it: +14 points, +8 to +20
    assert "+14 points +8 to +20 points 18 40 clear" in text
    assert "skip" not in text.lower()


def test_the_owners_month_is_one_page_counts_whole_jobs_and_names_nobody(fleet: Store) -> None:
    pages = pages_of(make("owner", fleet, Choice(month=dt.date(2025, 5, 1))))
    assert len(pages) == 1
    good, known = rows(
        fleet,
        "select count(*) filter (is_good), count(*) from (select bool_and(state = 'passed') as is_good "
        "from step_grade join staged_job using (job_id) where finished_on between '2025-05-01' and '2025-05-31' "
        "and state in ('passed', 'failed', 'ticked_only', 'not_done') group by job_id)",
    )[0]
    assert f"In May 2025, {good} of the {known} jobs that can be told" in pages[0]
    jobs = rows(fleet, "select count(*) from staged_job where finished_on between '2025-05-01' and '2025-05-31'")[0][0]
    assert f"{jobs} jobs finished" in pages[0]
    assert not [name for (name,) in rows(fleet, "select name from staged_technician") if name in pages[0]]


def test_the_owners_month_is_the_last_whole_one(fleet: Store) -> None:
    with opened(fleet) as ledger:
        # the data ends on 30 June 2025: June is whole, on the day before it was not
        assert ledger.as_of() == small_store.AS_OF
        assert owner.content(ledger)["month"] == "June 2025"
        assert owner.last_whole_month(dt.date(2025, 6, 29)) == dt.date(2025, 5, 31)
        assert owner.last_whole_month(dt.date(2024, 2, 29)) == dt.date(2024, 2, 29)
        assert len(owner.content(ledger)["chart"]["points"]) == 24


def test_visit_cards_stand_in_the_lists_order_one_a_page(fleet: Store, cards: list[str]) -> None:
    order = rows(
        fleet, "select system_id from install_risk where horizon_months = 12 order by rank, system_id limit 20"
    )
    assert len(cards) == 20
    for page, (system,) in zip(cards, order, strict=True):
        assert f"System {system}" in page
        assert "Early visit" in page
        for caution in ("Lock out power", "Dry nitrogen only", "Recover refrigerant", "licensed practice"):
            assert caution in page


def test_nothing_on_a_visit_card_or_in_its_properties_would_frighten_a_customer(
    visits_pdf: bytes, cards: list[str]
) -> None:
    reader = PdfReader(io.BytesIO(visits_pdf))
    said = " ".join(cards) + str(dict(reader.metadata or {})) + REPORTS["visits"].file_name
    xmp = reader.root_object["/Metadata"].get_object().get_data().decode()  # type: ignore[union-attr]
    for word in NOT_FOR_A_CUSTOMER:
        assert word not in said.lower(), word
        # the schema of PDF/UA itself is no word of ours
        assert word not in xmp.lower(), word
    assert reader.metadata is not None
    assert reader.metadata.title == "Early visit"


def test_the_caution_on_a2l_stands_on_the_cards_of_such_systems_alone(fleet: Store, cards: list[str]) -> None:
    holds = dict(rows(fleet, "select system_id, refrigerant from staged_system"))
    for page in cards:
        system = re.search(r"System (S\d+)", page)
        assert system
        assert ("A2L refrigerant" in page) == (holds[system[1]] == "R-32")


def test_an_address_is_printed_only_when_asked_for_and_nobodys_name_or_telephone_ever(fleet: Store) -> None:
    asked = pages_of(make("visits", fleet, Choice(visits=2, with_address=True)))
    plain = pages_of(make("visits", fleet, Choice(visits=2)))
    assert all("1 Invented Lane" in page for page in asked)
    assert not any("1 Invented Lane" in page for page in plain)
    assert not any("Nobody Atall" in page or "555-0100" in page for page in asked + plain)


def test_a_plans_stops_keep_their_own_order_and_time(fleet: Store) -> None:
    listed = rows(fleet, "select system_id from install_risk where horizon_months = 12 order by rank limit 2")
    stops = (visits.Stop(listed[1][0], "Monday 3 Nov", "08:00"), visits.Stop(listed[0][0], "Monday 3 Nov", "10:00"))
    first, second = pages_of(make("visits", fleet, Choice(stops=stops)))
    assert f"System {listed[1][0]}" in first
    assert "Monday 3 Nov 08:00" in first
    assert "Monday 3 Nov 10:00" in second


def test_what_to_look_at_and_what_to_take_are_told_apart_each_once() -> None:
    look, take = visits.looked_at_and_taken(
        "Look at the joints; take a leak detector, a micron gauge and a filter-drier; "
        "Look at the glass; take an acid and moisture test kit and a filter-drier; Take line temperatures; take a scale"
    )
    assert look == ["Look at the joints", "Look at the glass", "Take line temperatures"]
    assert take == ["a leak detector", "a micron gauge", "a filter-drier", "an acid and moisture test kit", "a scale"]


def test_a_jobs_paper_has_every_state_figure_and_reading_with_its_file_and_line(fleet: Store) -> None:
    job = rows(fleet, "select job_id from staged_reading group by 1 order by count(*) desc, 1 limit 1")[0][0]
    text = " ".join(pages_of(make("job", fleet, Choice(job=job))))
    from dashboard import words

    for step, state, measured, unit in rows(
        fleet,
        f"select step, state, measured, unit from step_grade where job_id = '{job}' and state <> 'not_applicable'",
    ):
        assert f"{words.step(step)} {words.state_with_sign(state)}" in text
        if measured is not None:
            assert words.measured(measured, unit, figures=3).replace(words.NARROW, " ") in text
    for written, file, line in rows(
        fleet, f"select original_value, source_file, source_line from staged_reading where job_id = '{job}'"
    ):
        assert written in text
        assert f"{file}, line {line:,} (L0001)" in text
    assert "does not prove a system safe or tight" in text
    with pytest.raises(InputError, match="There is no job J-none"):
        make("job", fleet, Choice(job="J-none"))


# --- the file itself


@pytest.mark.parametrize("kind", ["crew_pdf", "visits_pdf"])
def test_a_paper_is_tagged_speaks_english_and_carries_its_type(kind: str, request: pytest.FixtureRequest) -> None:
    reader = PdfReader(io.BytesIO(request.getfixturevalue(kind)))
    catalogue = reader.root_object
    assert catalogue["/MarkInfo"]["/Marked"]  # type: ignore[index]
    assert catalogue["/StructTreeRoot"].get_object()["/K"]  # type: ignore[union-attr]
    assert catalogue["/Lang"] == "en"
    assert b"pdfuaid:part" in catalogue["/Metadata"].get_object().get_data()  # type: ignore[union-attr]
    fonts = {}
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[union-attr]
            below = font.get_object()["/DescendantFonts"][0].get_object()
            fonts[below["/BaseFont"]] = below["/FontDescriptor"].get_object()
    assert any("SourceSans" in name for name in fonts)
    assert all({"/FontFile", "/FontFile2", "/FontFile3"} & set(about) for about in fonts.values())


def test_text_of_the_records_is_never_read_as_markup(sheets: list[str]) -> None:
    assert any(ODD_NAME in page for page in sheets)


def test_a_paper_is_made_without_the_pages_program(fleet: Store, tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from pipelines.store import Store; from dashboard.papers import reports;"
        f"reports.write('owner', Store({str(fleet.folder)!r}), Path({str(tmp_path / 'a' / 'month.pdf')!r}));"
        "print('streamlit' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
    assert (tmp_path / "a" / "month.pdf").read_bytes().startswith(b"%PDF")
    assert [file.name for file in (tmp_path / "a").iterdir()] == ["month.pdf"]


@pytest.mark.parametrize("kind", sorted(set(REPORTS) - {"job"}))
def test_what_has_not_been_worked_out_is_said(kind: str, tmp_path: Path) -> None:
    with pytest.raises(StoreMissingError):
        make(kind, Store(tmp_path / "nothing"))
    with pytest.raises(InputError, match="slowfuse fit"):
        make(kind, small_store.make(tmp_path / "loaded", jobs=5, technicians=1, fitted=False))


def test_one_technician_and_records_that_tell_nothing_still_make_papers(tmp_path: Path) -> None:
    store = small_store.make(tmp_path, jobs=12, technicians=1, all_unknown=True)
    (page,) = pages_of(make("crew", store))
    assert "none can be told yet" in page
    assert "nothing can be said about its" in " ".join(pages_of(make("job", store)))


def test_an_a4_sheet_is_an_a4_sheet(fleet: Store, tmp_path: Path) -> None:
    write("crew", fleet, tmp_path / "one.pdf", Choice(technician="T01", page_size="a4"))
    box = PdfReader(tmp_path / "one.pdf").pages[0].mediabox
    # ISO 216: 210 mm x 297 mm, of 72 points in 25.4 mm
    assert (float(box.width), float(box.height)) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.5)


def test_a_template_that_is_not_there_is_no_empty_paper() -> None:
    with pytest.raises(Exception, match="No such file"):
        to_pdf("no_such_paper", {}, title="x")


# --- what is on screen, as a file

FRAME = pl.DataFrame(
    {"Job": ["J1", "J2"], "Why": ["=1+1", "fine"], "Finished": [dt.date(2025, 1, 2), None], "n": [-3, 4]}
)
ABOUT = [("page", "Crew week"), ("step", "Airflow"), ("data to", "30 Jun 2025"), ("search", "=cmd()")]


def test_a_csv_begins_with_what_it_is_and_runs_no_formula() -> None:
    lines = take_away.as_file(FRAME, "jobs", ABOUT, "csv").decode("utf-8-sig").splitlines()
    assert lines == [
        "# page: Crew week", "# step: Airflow", "# data to: 30 Jun 2025", "# search: =cmd()",
        "Job,Why,Finished,n", "J1,'=1+1,2025-01-02,-3", "J2,fine,,4",
    ]  # fmt: skip


def test_a_workbook_has_what_it_is_on_its_first_sheet_and_holds_no_formula() -> None:
    made = take_away.as_file(FRAME, "jobs", ABOUT, "xlsx")
    book = fastexcel.read_excel(made)
    assert book.sheet_names == ["What this is", "jobs"]
    about = book.load_sheet(0, header_row=None).to_polars()
    assert about.row(0) == ("page", "Crew week")
    assert about.row(3) == ("search", "'=cmd()")
    assert book.load_sheet(1).to_polars()["Why"].to_list() == ["'=1+1", "fine"]
    assert book.load_sheet(1).to_polars()["n"].to_list() == [-3, 4]


def test_a_parquet_file_carries_what_it_is_in_its_metadata() -> None:
    made = take_away.as_file(FRAME, "jobs", ABOUT, "parquet")
    table = pyarrow.parquet.read_table(io.BytesIO(made))
    assert table.schema.metadata[b"step"] == b"Airflow"
    assert table.schema.metadata[b"data to"] == b"30 Jun 2025"
    assert pl.from_arrow(table).equals(FRAME)  # type: ignore[union-attr]


def test_the_job_folder_prints_and_gives_its_readings_away(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    job = rows(fleet, "select job_id from staged_reading order by 1 limit 1")[0][0]
    app = open_page(monkeypatch, fleet, "job_folder", job=job)
    whole(app)
    labels = [button.label for button in app.get("download_button")]
    assert labels == ["Print", "CSV", "Excel (XLSX)", "Parquet"]
