"""What a manager does with the pages, in a real browser: read, narrow down, open the jobs, pass a link on, put files in."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect

from pipelines.entries import Entries
from pipelines.store import Store
from synthetic_data.fleet import make_fleet
from synthetic_data.write import write_contract
from tests.browser.conftest import Served, run_command
from tests.browser.served_pages import (
    PAGES,
    after,
    choose,
    first_sentence,
    go,
    grid_button,
    grid_click,
    grid_texts,
    main_text,
    new_reader,
    open_fold,
    served,
    wait_at_rest,
)

pytestmark = pytest.mark.browser


def query(page: Page) -> dict[str, str]:
    return {key: values[0] for key, values in parse_qs(urlsplit(page.url).query).items()}


def jobs_listed(page: Page) -> int:
    """The count that stands above the list of jobs."""
    found = re.search(r"^([\d,]+) jobs?\b.*newest first", main_text(page), re.MULTILINE)
    assert found, main_text(page)[-3000:]
    return int(found[1].replace(",", ""))


def states_offered(page: Page) -> dict[str, int]:
    """The states above the list of jobs, each with its count; what counts several together is left out."""
    offered = page.get_by_role("radiogroup", name="State").get_by_role("radio").all_inner_texts()
    pairs = (re.fullmatch(r"\S+ (.+) · ([\d,]+)", words.strip()) for words in offered)
    return {pair[1]: int(pair[2].replace(",", "")) for pair in pairs if pair and not pair[1].startswith("All ")}


def one(store: Store, sql: str, **parameters: object) -> int:
    con = store.read()
    try:
        return con.sql(sql, params=parameters or None).fetchall()[0][0]
    finally:
        con.close()


@pytest.mark.parametrize("address", PAGES)
def test_page_answers_in_its_first_sentence(address: str, demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/{address}")
    assert page.title() == f"{PAGES[address]} · slowfuse"
    assert re.search(r"\d", first_sentence(page)), first_sentence(page)
    assert first_sentence(page).endswith(".")
    assert "data to" in main_text(page)
    assert page.get_by_test_id("stException").count() == 0
    assert page.get_by_test_id("stAlertContentError").count() == 0


def test_bare_address_opens_the_first_page_and_the_way_about_leads_to_all(demo: Served, page: Page) -> None:
    go(page, demo.address)
    assert urlsplit(page.url).path == "/last-night"
    for address, name in PAGES.items():
        after(page, lambda name=name: page.get_by_test_id("stSidebarNav").get_by_role("link", name=name).click())
        assert urlsplit(page.url).path == f"/{address}"
        assert page.title() == f"{name} · slowfuse"


def test_crew_narrows_every_count(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/crew-week?step=evacuation")
    whole = jobs_listed(page)
    crew = one(demo.store, "select min(crew) from staged_technician")
    choose(page, "Crew", str(crew))
    assert query(page)["crew"] == crew
    assert 0 < jobs_listed(page) < whole
    assert jobs_listed(page) == one(
        demo.store,
        "select count(*) from step_grade join staged_technician using (technician_id) "
        "where step = 'evacuation' and state <> 'not_applicable' and crew = $crew",
        crew=crew,
    )
    assert sum(states_offered(page).values()) == jobs_listed(page)


def test_count_in_the_fleet_table_opens_as_many_jobs(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/crew-week?step=airflow")
    open_fold(page, "The whole fleet as a table")
    table = page.get_by_test_id("stDataFrame").first
    heads, rows = grid_texts(table)
    row = next(place for place, cells in enumerate(rows) if cells[0] == "Evacuation")
    column = heads.index("Good jobs")
    counted = int(rows[row][column].replace(",", ""))
    assert counted > 0
    grid_click(page, table, row, right=column)
    page.wait_for_url("**state=passed**")
    wait_at_rest(page)
    assert query(page)["step"] == "evacuation"
    assert jobs_listed(page) == counted
    assert states_offered(page)["Good"] == counted


def test_cell_of_the_picture_opens_as_many_jobs(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/crew-week?step=airflow")
    crew = one(demo.store, "select max(crew) from staged_technician")
    counted = one(
        demo.store,
        "select count(*) from step_grade join staged_technician using (technician_id) "
        "where step = 'pressure_test' and crew = $crew and state in ('passed', 'failed', 'ticked_only', 'not_done')",
        crew=crew,
    )
    cell = page.locator(
        f'svg [aria-label*="Pressure test"][aria-label*="{crew}"][aria-label*="Jobs known: {counted:,}"]'
    )
    after(page, cell.last.click)
    assert query(page)["step"] == "pressure_test"
    assert query(page)["crew"] == crew
    states = states_offered(page)
    assert (
        sum(states[words] for words in ("Good", "Outside its limit", "Ticked, nothing measured", "Not done")) == counted
    )


def test_state_opens_its_jobs_and_a_row_its_folder(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/crew-week?step=evacuation")
    counted = states_offered(page)["Outside its limit"]
    after(page, lambda: page.get_by_role("radio", name=re.compile("Outside its limit")).click())
    assert jobs_listed(page) == counted
    table = page.get_by_test_id("stDataFrame").last
    heads, rows = grid_texts(table)
    job = rows[1][heads.index("Job")]
    assert all("Outside its limit" in row[heads.index("State")] for row in rows)
    after(page, lambda: grid_button(page, table, 1))
    assert urlsplit(page.url).path == "/job-folder"
    assert query(page) == {
        "job": job,
        "of_step": "evacuation",
        "of_state": "failed",
        "back": "crew-week?step=evacuation&state=failed",
    }
    assert first_sentence(page).startswith(f"Job {job} ")
    assert f"2 of {counted:,} jobs" in main_text(page)
    # previous and next stay in the list the reader came from
    after(page, lambda: page.get_by_role("button", name="Previous").click())
    assert f"1 of {counted:,} jobs" in main_text(page)
    assert query(page)["job"] != job
    assert "outside its limit" in first_sentence(page).lower()
    expect(page.get_by_role("button", name="Previous")).to_be_disabled()
    after(page, lambda: page.get_by_role("button", name="Next").click())
    assert first_sentence(page).startswith(f"Job {job} ")


def test_return_of_last_night_opens_its_job_and_the_next_return(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/last-night?within=all")
    said = first_sentence(page)
    buttons = page.get_by_role("button", name=re.compile(r"^Job J\d+"))
    jobs = [words.split()[-1] for words in buttons.all_inner_texts()]
    assert len(jobs) == 10
    system = re.search(r"^System (S\d+)", main_text(page), re.MULTILINE)
    assert system
    after(page, lambda: buttons.first.click())
    assert urlsplit(page.url).path == "/job-folder"
    assert query(page) == {"job": jobs[0], "of": "returns", "of_within": "all", "back": "last-night?within=all"}
    assert first_sentence(page).startswith(f"Job {jobs[0]} ")
    assert system[1] in main_text(page)
    # as many jobs as the returns that are open stand on: one job may call for several
    listed = re.search(r"1 of ([\d,]+) jobs", main_text(page))
    assert listed
    open_now = one(
        demo.store,
        "select count(distinct job_id) from return_due, (select max(as_of) as day from fit_run) "
        "where settled_on is null and coalesce(finished_on <= day, true) and (due_from_on is null or due_from_on <= day)",
    )
    assert int(listed[1].replace(",", "")) == open_now
    different = list(dict.fromkeys(jobs))
    after(page, lambda: page.keyboard.press("n"))
    assert query(page)["job"] == different[1]
    # a link of it, or a reload, stays in the list
    page.reload()
    wait_at_rest(page)
    assert f"2 of {listed[1]} jobs" in main_text(page)
    after(page, lambda: page.keyboard.press("p"))
    assert query(page)["job"] == jobs[0]
    after(page, lambda: page.get_by_role("link", name=re.compile("^Last night ›")).click())
    assert (urlsplit(page.url).path, query(page)) == ("/last-night", {"within": "all"})
    assert first_sentence(page) == said


def test_search_leads_to_a_persons_crew_week(demo: Served, page: Page) -> None:
    who = str(one(demo.store, "select min(technician_id) from technician_step where known > 20"))
    name = str(one(demo.store, "select name from staged_technician where technician_id = $who", who=who))
    go(page, f"{demo.address}/owners-page")
    after(page, lambda: page.get_by_role("button", name="Search").click())
    dialog = page.get_by_role("dialog")
    field = dialog.get_by_role("searchbox")
    expect(field).to_be_focused()
    field.fill(name[:5])
    field.press("Enter")
    hit = dialog.get_by_role("link", name=re.compile(re.escape(f"{name} ({who})")))
    hit.wait_for()
    assert query(page) == {"find": name[:5].strip()}
    after(page, hit.click)
    assert (urlsplit(page.url).path, query(page)["technician"]) == ("/crew-week", who)
    assert name in main_text(page)
    assert not page.get_by_role("dialog").is_visible()


def test_search_for_nothing_says_what_can_be_searched(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/house-rules?find=no-such-thing")
    dialog = page.get_by_role("dialog")
    dialog.get_by_text("Nothing is called “no-such-thing”").wait_for()
    assert "numbers of jobs and of systems" in dialog.inner_text()
    page.keyboard.press("Escape")
    dialog.wait_for(state="detached")
    page.wait_for_function("!location.search.includes('find')")


def test_view_is_saved_and_opened_by_somebody_else(demo: Served, page: Page, chromium: Browser) -> None:
    go(page, f"{demo.address}/crew-week?step=airflow&by=branch")
    page.get_by_role("button", name="Save this view").click()
    page.get_by_label("Its name").fill("Airflow by branch")
    after(page, lambda: page.get_by_role("button", name="Save", exact=True).click())
    someone_else = new_reader(chromium)
    try:
        theirs = someone_else.new_page()
        go(theirs, f"{demo.address}/last-night")
        theirs.get_by_role("link", name="Airflow by branch").click()
        theirs.wait_for_url("**/crew-week?*")
        expect(theirs.get_by_role("heading", name="Airflow: is it the person?")).to_be_visible()
        theirs.get_by_text("newest first.").wait_for()
        wait_at_rest(theirs)
        assert query(theirs) == {"step": "airflow", "by": "branch"}
        assert main_text(theirs) == main_text(page)
    finally:
        someone_else.close()


def test_back_button_returns_to_the_list(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/crew-week?step=evacuation&state=failed")
    listed = jobs_listed(page)
    after(page, lambda: grid_button(page, page.get_by_test_id("stDataFrame").last, 0))
    assert urlsplit(page.url).path == "/job-folder"
    after(page, page.go_back)
    assert urlsplit(page.url).path == "/crew-week"
    assert jobs_listed(page) == listed


def test_link_passed_on_opens_the_same_view(demo: Served, page: Page, chromium: Browser) -> None:
    go(page, f"{demo.address}/crew-week")
    after(page, lambda: page.get_by_role("radio", name="Branch", exact=True).click())
    choose(page, "Step", "Airflow")
    after(page, lambda: page.get_by_role("radio", name=re.compile("Not done")).click())
    someone_else = new_reader(chromium)
    try:
        theirs = someone_else.new_page()
        go(theirs, page.url)
        assert theirs.url == page.url
        assert main_text(theirs) == main_text(page)
    finally:
        someone_else.close()


def test_slow_fuse_opens_on_its_reasons(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/slow-fuses")
    said = re.search(r"The first (\d+) systems", first_sentence(page))
    assert said
    assert int(said[1]) == 40
    table = page.get_by_test_id("stDataFrame").first
    heads, rows = grid_texts(table)
    first = rows[0]
    system = first[heads.index("System")]
    assert system == one(demo.store, "select system_id from install_risk where rank = 1 limit 1")
    after(page, lambda: grid_button(page, table, 0))
    assert urlsplit(page.url).path == "/job-folder"
    assert query(page)["job"] == one(demo.store, "select job_id from install_risk where rank = 1 limit 1")
    assert system in main_text(page)
    # the reasons are the steps of this job that are not good: the folder must name one of them
    worst = one(
        demo.store,
        "select count(*) from step_grade where job_id = $job and state in ('failed', 'not_done', 'ticked_only')",
        job=query(page)["job"],
    )
    assert worst >= 1


def test_fewer_visits_shorten_the_list(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/slow-fuses?visits=5")
    assert first_sentence(page).startswith("The first 5 systems")
    _, rows = grid_texts(page.get_by_test_id("stDataFrame").first)
    assert len(rows) == 5


def test_what_happened_later_can_be_chosen(demo: Served, page: Page) -> None:
    go(page, f"{demo.address}/what-skipping-does")
    choose(page, "What happened later", "Callback")
    assert query(page)["outcome"] == "callback"
    assert "callback" in first_sentence(page) or "event" in first_sentence(page)


def test_part_of_a_number_finds_also_what_others_put_in(demo: Served, page: Page) -> None:
    others = str(one(demo.store, "select min(job_id) from staged_job where installed_by::varchar = 'someone_else'"))
    part = others[:-1]
    holds = one(demo.store, "select count(*) from staged_job where contains(job_id, $part)", part=part)
    assert 1 < holds < 50
    go(page, f"{demo.address}/job-folder?job={part}")
    assert first_sentence(page).startswith(f"{holds} jobs hold")
    after(page, lambda: page.get_by_role("button", name=re.compile(f"{others} .* put in by others")).click())
    assert first_sentence(page).startswith(f"Job {others} ")
    assert "put in by somebody else" in first_sentence(page)


# --- from nothing to figures


def test_first_run_leads_to_the_dock(own: Served, page: Page) -> None:
    go(page, own.address)
    assert "Nothing has been loaded yet" in first_sentence(page)
    assert "slowfuse demo" in main_text(page)
    after(page, lambda: page.get_by_role("link", name="Open the Loading dock").click())
    assert urlsplit(page.url).path == "/loading-dock"
    assert "put your export files here" in first_sentence(page)
    assert not own.store.exists()


def load_and_wait(page: Page, files: list[Path]) -> None:
    """Drop the files, press the button, wait until the command has ended and the page has told its counts."""
    drop(page, files)
    load(page)


def drop(page: Page, files: list[Path]) -> None:
    """Drop files on the dock, and wait until the page holds them all: each arrives by itself and draws the page anew."""
    after(page, lambda: page.locator('[data-testid="stFileUploader"] input[type="file"]').set_input_files(files))
    expect(page.get_by_test_id("stFileChip")).to_have_count(len(files))
    expect(page.get_by_test_id("stFileUploader").get_by_role("progressbar")).to_have_count(0)
    wait_at_rest(page)


def load(page: Page) -> None:
    """Press the button and wait until the command has ended: well, or with its own words as the test's."""
    page.get_by_role("button", name="Load and work out").click()
    done = page.get_by_text(re.compile(r"^The last load"))
    done.or_(page.get_by_text("nothing of the store was changed")).first.wait_for(timeout=60_000)
    wait_at_rest(page)
    assert done.count(), main_text(page)


def counts_of_loads(page: Page) -> list[dict[str, str]]:
    """The rows of the table of loads."""
    for table in page.get_by_test_id("stDataFrame").all():
        if not table.is_visible():
            continue  # in a folded part nothing is drawn
        heads, rows = grid_texts(table)
        if heads[:2] == ["Load", "Started"]:
            return [dict(zip(heads, row, strict=False)) for row in rows]
    raise AssertionError("no table of loads on the page")


def test_files_in_the_contract_headings_need_no_mapping(own: Served, page: Page, tmp_path: Path) -> None:
    write_contract(make_fleet(installs=120, seed=3), tmp_path)
    jobs = tmp_path / "jobs.csv"
    with jobs.open(newline="") as handle:
        rows = list(csv.reader(handle))
    # a row that nobody can take: a job without its number
    rows.append(["" if head == "job_id" else cell for head, cell in zip(rows[0], rows[-1], strict=True)])
    with jobs.open("w", newline="") as handle:
        csv.writer(handle).writerows(rows)
    go(page, f"{own.address}/loading-dock")
    load_and_wait(page, sorted(path for path in tmp_path.iterdir() if path.is_file()))
    (row,) = counts_of_loads(page)
    figure = {head: int(cell.replace(",", "")) for head, cell in row.items() if re.fullmatch(r"[\d,]+", cell)}
    parts = ("= New", "+ Changed", "+ Unchanged", "+ Rejected", "+ Passed over")
    assert figure["Read"] == sum(figure[part] for part in parts) > 1_000
    assert "yes" in row["Adds up"]
    assert figure["Rejected" if "Rejected" in figure else "+ Rejected"] >= 1
    assert figure["Read"] == one(own.store, "select sum(rows_read)::bigint from load_run")
    entries = re.search(r"^([\d,]+) entr(?:y|ies)\.", main_text(page), re.MULTILINE)
    assert entries
    assert int(entries[1].replace(",", "")) == one(own.store, "select count(*) from rejected_row")
    heads, left_out = grid_texts(page.get_by_test_id("stDataFrame").last)
    assert str(len(rows)) in {row[heads.index("Line")].replace(",", "") for row in left_out}
    assert page.get_by_test_id("stFileChip").count() == 0
    # the pages show the new records without being told
    after(page, lambda: page.get_by_test_id("stSidebarNav").get_by_role("link", name="Crew week").click())
    known = one(
        own.store,
        "select count(*) from step_grade where state in ('passed', 'failed', 'ticked_only', 'not_done')",
    )
    assert f"Of {known:,} steps we know about" in first_sentence(page)


def test_messy_files_are_read_by_the_mapping_proposed(own: Served, page: Page, messy_files: Path) -> None:
    expected = json.loads((messy_files / "expected.json").read_text())
    go(page, f"{own.address}/loading-dock")
    files = [messy_files / name for name in ("installs_first.csv", "installs_second.csv", "service_log.csv")]
    drop(page, files)
    seen = main_text(page)
    assert "How they would be read" in seen
    heads, samples = grid_texts(page.get_by_test_id("stDataFrame").first)
    assert any("Ticket" in cell for row in samples for cell in row), (heads, samples)
    page.get_by_role("button", name="Try it, keep nothing").click()
    page.get_by_text("Trying the files; nothing is kept: done").wait_for(timeout=60_000)
    wait_at_rest(page)
    assert not own.store.exists()
    load(page)
    (row,) = counts_of_loads(page)
    assert "yes" in row["Adds up"]
    assert int(row["+ Unchanged"]) == expected["unchanged"]
    assert int(row["+ Changed"]) == expected["changed"]
    assert one(own.store, "select count(*) from staged_job") == expected["jobs"]
    after(page, lambda: page.get_by_test_id("stSidebarNav").get_by_role("link", name="Job folder").click())
    assert first_sentence(page).startswith("Job J")


def test_file_that_is_no_table_is_refused_in_words(own: Served, page: Page, tmp_path: Path) -> None:
    nonsense = tmp_path / "holiday.csv"
    nonsense.write_bytes(bytes(range(256)) * 40)
    go(page, f"{own.address}/loading-dock")
    drop(page, [nonsense])
    button = page.get_by_role("button", name="Load and work out")
    if button.count() and button.is_enabled():
        button.click()
        page.get_by_text("nothing of the store was changed").wait_for(timeout=60_000)
    assert "holiday.csv" in main_text(page)
    assert "Traceback" not in main_text(page)
    assert not own.store.exists()


def test_page_opened_during_a_load_changes_by_itself_when_it_is_done(demo: Served, page: Page, tmp_path: Path) -> None:
    mine = tmp_path / "fleet"
    shutil.copytree(demo.store.folder, mine)
    with served(mine, tmp_path / "pages.txt") as address:
        with Store(mine).write("load"):
            go(page, f"{address}/crew-week")
            assert "A load is running since" in main_text(page)
            assert "generation 2" in main_text(page)
        # nobody touches the page
        page.get_by_text("generation 3").wait_for()
        page.get_by_text("A load is running since").wait_for(state="detached")


# --- house rules


@pytest.fixture
def small(own: Served) -> Served:
    run_command("demo", "--installs", "60", "--no-dashboard", "--store", str(own.store.folder))
    return own


def test_house_rule_is_kept_and_said_to_be_pending(small: Served, page: Page) -> None:
    go(page, f"{small.address}/house-rules")
    target = page.get_by_role("spinbutton", name="Evacuation, %").first
    target.fill("95")
    after(page, lambda: page.get_by_role("button", name="Save targets").click())
    assert Entries(small.store.entries_file).house_rules().target == {"evacuation": 0.95}
    page.reload()
    wait_at_rest(page)
    expect(page.get_by_role("spinbutton", name="Evacuation, %").first).to_have_value("95")
    assert "Not worked out with these rules yet" in main_text(page)
    page.get_by_role("button", name="Work the figures out again").click()
    page.get_by_text("Not worked out with these rules yet").wait_for(state="detached", timeout=90_000)
    wait_at_rest(page)
    targets = one(small.store, "select max(target) from technician_step where step = 'evacuation'")
    assert targets == pytest.approx(0.95)
    go(page, f"{small.address}/crew-week?step=evacuation")
    open_fold(page, "The whole fleet as a table")
    heads, rows = grid_texts(page.get_by_test_id("stDataFrame").first)
    evacuation = next(row for row in rows if row[0] == "Evacuation")
    assert evacuation[heads.index("Own target")].startswith("95")
