"""Figures in the reader's units: exact factors, differences as differences, every unit of the trade, every page."""

from __future__ import annotations

import csv
import datetime as dt
import re
from importlib import resources
from pathlib import Path

import altair as alt
import pint
import polars as pl
import pypdfium2
import pytest
from streamlit.testing.v1 import AppTest

from dashboard import blank_sheet, charts, limit_words, looks, shown, take_away, words
from dashboard.papers.reports import Choice, make
from dashboard.shown import FOLLOWS, UNIT_CHOICES, Shown
from pipelines.entries import Entries
from pipelines.house_rules import HouseRules
from pipelines.store import Store
from tests.dashboard import small_store
from tests.dashboard.screen import as_read, open_page, whole, words_on

METRIC = Shown("degC", "kPa", "Pa", "Pa")
IN_ADDRESS = {"temperature": "degC", "pressure": "kPa", "static": "Pa", "vacuum": "Pa"}
# units of the records that a reader cannot choose, each with what it is
STAY = {"", "min", "lb", "scfh", "cfm", "cfm/ton", "W", "W/cfm", "A", "V", "%"}
# a figure of a unit that was to be converted
LEFT = re.compile(r"\d[ \u00a0](psig|psi|micron|inwc|in\. w\.c\.|degF|delta_degF|°F)(?!\w)")


def as_shown(value: float, unit: str, how: Shown = METRIC) -> str:
    with shown.using(how):
        return as_read(words.measured(value, unit))


def rows(name: str) -> list[dict[str, str]]:
    text = resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return small_store.make(tmp_path_factory.mktemp("units"), jobs=120, technicians=6)


# --- figures


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        # NIST SP 811 (2008), appendix B.8, factors from memory: psi 6.894757 kPa, conventional inch of water 249.0889 Pa,
        # millitorr 0.1333224 Pa; B.9: t in degC = (t in degF - 32) / 1.8
        (500, "micron", "66.7 Pa"),
        (1000, "micron", "133.3 Pa"),
        (400, "psig", "2,758 kPa gauge"),
        (2, "psi", "13.8 kPa"),
        (0.5, "inwc", "125 Pa"),
        (-0.21, "inwc", "−52.3 Pa"),
        (55, "degF", "12.8 °C"),
        (32, "degF", "0 °C"),
        (-40, "degF", "−40 °C"),
        # a difference has no offset
        (3, "delta_degF", "1.67 °C"),
        (-5, "delta_degF", "−2.78 °C"),
        (0, "delta_degF", "0 °C"),
        (350, "cfm/ton", "350 cfm/ton"),
        (14.1, "A", "14.1 A"),
    ],
)
def test_published_conversions(value: float, unit: str, said: str) -> None:
    assert as_shown(value, unit) == said


def test_factors_are_those_of_a_general_library() -> None:
    """pint's registry, whose factors come from NIST; gauge pressures count from the local air in both units."""
    registry = pint.UnitRegistry()
    # the conventional column of water: 1000 kg/m3 under standard gravity (NIST SP 811, from memory: 249.0889 Pa)
    registry.define("inch_H2O_conventional = 0.0254 * 1000 * 9.80665 pascal")
    theirs = {
        "degF": ("degF", "degC"), "delta_degF": ("delta_degF", "delta_degC"), "psig": ("psi", "kPa"), "psi": ("psi", "kPa"),
        "inwc": ("inch_H2O_conventional", "Pa"), "micron": ("millitorr", "Pa"),
    }  # fmt: skip
    assert set(theirs) == set(FOLLOWS)
    with shown.using(METRIC):
        for unit, (before, after) in theirs.items():
            change = shown.change_of(unit)
            assert change is not None
            for value in (-14.0, 0.4, 55.0, 500.0):
                expected = registry.Quantity(value, before).to(after).magnitude
                assert change.apply(value) == pytest.approx(expected, rel=1e-9, abs=1e-12), unit


def test_a_shown_figure_is_within_half_of_its_last_digit_and_no_finer_than_it_was_read() -> None:
    with shown.using(METRIC):
        for unit in FOLLOWS:
            change = shown.change_of(unit)
            assert change is not None
            for value in (0.35, 1.0, 7.0, 48.6, 92.0, 480.0, 1420.0, 12000.0):
                written = words.shown_figure(value, unit).replace(",", "").replace(words.MINUS, "-")
                decimals = len(written.partition(".")[2])
                exact = change.apply(value)
                # a trailing nought is not written, so half of the last digit may be half of a finer one
                assert abs(float(written) - exact) <= max(0.5 * 10**-decimals, 0.0005 * abs(exact)), (value, unit)
                assert len(written.replace(".", "").replace("-", "").lstrip("0")) <= max(4, len(str(round(abs(exact)))))


def test_every_unit_of_limits_and_quantities_is_converted_or_known_to_stay() -> None:
    units = {row["unit"] for name in ("limits.csv", "quantities.csv") for row in rows(name)}
    assert units <= set(FOLLOWS) | STAY
    assert set(FOLLOWS) <= units, "a unit that can be chosen and never occurs"
    for unit in units:
        own = as_read(words.recorded(480.0, unit))
        assert (as_shown(480.0, unit) != own) == (unit in FOLLOWS), unit
        assert as_shown(480.0, unit, Shown()) == own


def test_every_choice_of_house_rules_can_be_written() -> None:
    for setting, codes in UNIT_CHOICES.items():
        for code in codes:
            assert getattr(HouseRules(**{setting: code}), setting) == code  # type: ignore[arg-type]
            assert words.UNIT_CHOICE[code]
    assert shown.of_house(HouseRules()) == Shown()


@pytest.mark.parametrize("row", [row for row in rows("limits.csv") if row["at_least"] or row["at_most"]], ids=lambda r: r["limit_id"])  # fmt: skip
def test_limits_are_converted_like_the_readings_held_against_them(row: dict[str, str]) -> None:
    limit = {
        **row, "at_least": float(row["at_least"]) if row["at_least"] else None,
        "at_most": float(row["at_most"]) if row["at_most"] else None,
    }  # fmt: skip
    with shown.using(METRIC):
        said = as_read(limit_words.bounds(limit))
    assert not LEFT.search(said)
    for end in ("at_least", "at_most"):
        if limit[end] is not None:
            assert as_shown(float(limit[end]), row["unit"]).partition(" ")[0] in said


def test_a_limit_stays_recognisable_beside_its_source() -> None:
    assert as_read(limit_words.as_in_source(500.0, "micron")) == "500 micron"
    with shown.using(METRIC):
        assert as_read(limit_words.as_in_source(500.0, "micron")) == "66.7 Pa (500 micron)"
        assert as_read(limit_words.as_in_source(350.0, "cfm/ton")) == "350 cfm/ton"
        assert limit_words.as_in_source(None, "micron") == "–"


# --- sentences of the store


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("640 micron before the system was shut off; at most 500 micron is allowed.",
         "85.3 Pa before the system was shut off; at most 66.7 Pa is allowed."),
        ("Nitrogen flowed at 1.5 psig; the limit is 0.5 to 5 psig.",
         "Nitrogen flowed at 10.3 kPa gauge; the limit is 3.45 to 34.5 kPa gauge."),
        ("A leak slower than about 20 psi an hour would not show.", "A leak slower than about 138 kPa an hour would not show."),
        ("41 degF outdoors: below 55 degF a charge check cannot be judged.",
         "5 °C outdoors: below 12.8 °C a charge check cannot be judged."),
        ("Subcooling 12 delta_degF against a target of 10 delta_degF.", "Subcooling 6.67 °C against a target of 5.56 °C."),
        ("Superheat 9 degF, but the chart has no target.", "Superheat 5 °C, but the chart has no target."),
        ("Weighed 7.2 lb against 7.5 lb, 4 % off; 5 % is allowed.", "Weighed 7.2 lb against 7.5 lb, 4 % off; 5 % is allowed."),
        # as grades were written before each figure had its unit: stores hold such sentences until the next load
        ("The total external static is 0.62 in. w.c.; at most 0.5 is allowed.",
         "The total external static is 154 Pa; at most 125 Pa is allowed."),
        ("Subcooling 12 degF against a target of 10: 2 off, 3 allowed.",
         "Subcooling 6.67 °C against a target of 5.56 °C: 1.11 °C off, 1.67 °C allowed."),
        ("For heating 70 and 47 degF.", "For heating 21.1 and 8.3 °C."),
        ("Load L0007 of psig.csv, line 12", "Load L0007 of psig.csv, line 12"),
    ],
)  # fmt: skip
def test_figures_inside_a_sentence(told: str, said: str) -> None:
    with shown.using(METRIC):
        assert as_read(words.sentence(told)) == said
    unchanged = as_read(words.sentence(told))
    assert re.findall(r"\d[\d.]*", unchanged) == re.findall(
        r"\d[\d.]*", told
    )  # in the house's own units no figure moves
    assert "degF" not in unchanged


@pytest.mark.parametrize("row", [*rows("reasons.csv"), *rows("notes.csv")], ids=lambda r: r.get("reason") or r["note"])
def test_every_reason_of_a_grade_has_a_unit_beside_each_figure_that_can_change(row: dict[str, str]) -> None:
    filled = re.sub(r"\{\w+\}", "7", row["sentence"].replace("{unit}", "psig"))
    with shown.using(METRIC):
        said = as_read(words.sentence(filled))
    assert not LEFT.search(said)
    # a figure that stays 7 stands beside a unit that stays
    for match in re.finditer(r"(?<![\d.])7 (\S+)", said):
        if re.search(r"psi|micron|w\.c\.|degF", filled):
            assert match[1].strip(".,;:") in {"min", "%", "lb", "cfm", "A", "V", "W", "off", "rated"}, said


# --- pages


def test_a_link_shows_its_units_and_says_them_to_the_next_page(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "job_folder", job="J00003", step="evacuation", **IN_ADDRESS)
    whole(app)
    assert {key: app.query_params[key] for key in IN_ADDRESS} == IN_ADDRESS
    app.switch_page("app_pages/house_rules.py").run()
    assert {key: app.query_params[key] for key in IN_ADDRESS} == IN_ADDRESS
    assert "66.7 Pa (500 micron)" in words_on(app)


def test_without_a_choice_the_house_decides_and_the_address_stays_short(
    tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = small_store.make(tmp_path, jobs=20, technicians=2)
    app = open_page(monkeypatch, store, "house_rules")
    assert not set(IN_ADDRESS) & set(app.query_params)
    assert "500 micron" in words_on(app)
    app.selectbox(key="set_vacuum_unit").set_value("Pa")
    app.button(key="save_shown").click().run()
    assert "66.7 Pa (500 micron)" in words_on(app)  # at once: who had chosen nothing follows the house
    assert not set(IN_ADDRESS) & set(app.query_params)
    choose(app, "vacuum", "micron")
    assert app.query_params["vacuum"] == "micron"
    assert "66.7 Pa" not in words_on(app)
    choose(app, "vacuum", "Pa")
    assert "vacuum" not in app.query_params


def test_an_unknown_unit_in_a_link_is_passed_over(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page(monkeypatch, fleet, "house_rules", vacuum="furlong")
    whole(app)
    assert "vacuum" not in app.query_params
    assert "500 micron" in words_on(app)


def choose(app: AppTest, key: str, unit: str) -> None:
    next(one for one in app.get("segmented_control") if one.key == key).set_value(unit).run()


@pytest.mark.parametrize(
    "page",
    ["last_night", "owners_page", "crew_week", "what_skipping_does", "slow_fuses", "shop_class", "job_folder", "loading_dock"],
)  # fmt: skip
def test_no_figure_on_any_page_keeps_its_old_unit(fleet: Store, monkeypatch: pytest.MonkeyPatch, page: str) -> None:
    query = {"job": measured_job(fleet)} if page == "job_folder" else {"step": "evacuation"}
    app = open_page(monkeypatch, fleet, page, **query, **IN_ADDRESS)
    whole(app)
    seen = words_on(app)
    for table in app.dataframe:
        if "As written" in table.value.columns:
            assert any(LEFT.search(text) for text in table.value["As written"])
            for text in table.value["As written"]:
                seen = seen.replace(text, "")  # what the file says stays as it is
    assert not LEFT.search(seen), LEFT.findall(seen)


def measured_job(store: Store) -> str:
    con = store.read()
    try:
        return con.execute(
            "select job_id from staged_reading where step = 'evacuation' and unit = 'micron' order by 1 limit 1"
        ).fetchall()[0][0]
    finally:
        con.close()


def test_the_figures_of_a_job_are_its_readings_in_the_other_unit(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    job = measured_job(fleet)
    con = fleet.read()
    (value,) = con.execute(
        "select value from staged_reading where job_id = ? and step = 'evacuation'", [job]
    ).fetchall()[0]
    con.close()
    app = open_page(monkeypatch, fleet, "job_folder", job=job, vacuum="Pa")
    table = next(table.value for table in app.dataframe if "As written" in table.value.columns)
    row = table[table["Step"] == "Evacuation"].iloc[0]
    number, _, unit = as_read(row["Taken as"]).partition(" ")
    assert unit == "Pa"
    assert float(number) == pytest.approx(value * 101325 / 760000, rel=0.005)  # 1 mTorr by definition of the torr
    assert row["As written"] == f"{value} micron"


def test_a_gauge_log_is_drawn_in_the_unit_that_is_shown() -> None:
    log = pl.DataFrame({"elapsed_s": [60.0, 120.0, 600.0], "value": [400.0, 500.0, 900.0]})
    spec = drawn(charts.gauge_log(log, "vacuum", [("limit", 1000.0)], looks.LIGHT))
    assert "Vacuum reached, micron" in spec
    assert "400.0" in spec
    with shown.using(METRIC):
        spec = drawn(charts.gauge_log(log, "vacuum", [("limit", 1000.0)], looks.LIGHT))
        assert "Vacuum reached, Pa" in spec
        assert "133.3" in spec  # the limit line moved with the curve
        assert "53.3" in spec
        assert "micron" not in spec
        warm = drawn(charts.gauge_log(log, "test_temperature", [], looks.LIGHT))
        assert "°C" in warm
        assert f"{(400 - 32) / 1.8:.3f}"[:7] in warm


def drawn(chart: alt.TopLevelMixin) -> str:
    return chart.to_json(ensure_ascii=False)  # type: ignore[attr-defined]


# --- papers and files


def test_papers_are_in_the_houses_units_and_the_blank_sheet_in_those_it_loads_back_in(tmp_path) -> None:
    store = small_store.make(tmp_path, jobs=30, technicians=3)
    own = Entries(store.entries_file)
    job = measured_job(store)
    before = text_of(make("job", store, Choice(job=job)))
    assert LEFT.search(before)
    for setting, unit in (
        ("vacuum_unit", "Pa"),
        ("pressure_unit", "kPa"),
        ("static_unit", "Pa"),
        ("temperature_unit", "degC"),
    ):
        own.change_setting(setting, unit)
    after = text_of(make("job", store, Choice(job=job)))
    assert " Pa" in after
    steps = after.partition("Every reading, as written")[0]
    assert not LEFT.search(steps), LEFT.findall(steps)
    cards = text_of(make("visits", store, Choice(visits=2)))
    assert "Suction kPa gauge" in cards
    assert "°F" not in cards
    assert shown.chosen() is None  # a paper leaves nothing behind for what is drawn next
    assert {line.unit for line in blank_sheet.lines(own.house_rules())} & set(FOLLOWS) == {
        "psig", "degF", "micron", "inwc", "delta_degF",
    }  # fmt: skip


def test_a_file_that_is_kept_stands_in_the_units_of_the_records(fleet: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[pl.DataFrame] = []
    real = take_away.take_away

    def watched(frame: pl.DataFrame, *how: object, **more: object) -> None:
        kept.append(frame)
        real(frame, *how, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(take_away, "take_away", watched)
    job = measured_job(fleet)
    app = open_page(monkeypatch, fleet, "job_folder", job=job, **IN_ADDRESS)
    whole(app)
    table = next(table.value for table in app.dataframe if "As written" in table.value.columns)
    assert any(" Pa" in as_read(text) for text in table["Taken as"])
    (frame,) = kept
    about = [("what", "readings")]
    told = take_away.as_file(frame, "readings", about, "csv").decode("utf-8-sig")
    assert re.search(r"\d micron", told)
    assert " Pa" not in told
    assert "\u00a0" not in told  # what is searched or split holds ordinary spaces


def text_of(pdf: bytes) -> str:
    return re.sub(r"\s+", " ", " ".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(pdf)))


def test_no_function_of_a_thread_of_polars_writes_a_figure_or_a_day() -> None:
    """What is chosen holds for the thread that draws the page; Polars calls `map_elements` in others."""
    asks = re.compile(r"words\.(measured|shown_figure|span|sentence|date|moment|month|day_of_year)\b|limit_words\.")
    found = [
        f"{file.name}: {line}"
        for file in Path(shown.__file__).parent.rglob("*.py")
        for line in re.findall(r"map_elements\([^\n]*(?:\n[^\n]*){2}", file.read_text(encoding="utf-8"))
        if asks.search(line)
    ]
    assert found == []


# --- dates


@pytest.mark.parametrize(
    ("order", "day", "moment", "month", "of_year", "column"),
    [
        ("day_month_year", "4 Mar 2025", "4 Mar 2025, 16:05", "March 2025", "4 Mar", "D MMM YYYY"),
        ("month_day_year", "Mar 4, 2025", "Mar 4, 2025, 16:05", "March 2025", "Mar 4", "MMM D, YYYY"),
        ("year_month_day", "2025-03-04", "2025-03-04, 16:05", "2025-03", "03-04", "YYYY-MM-DD"),
    ],
)  # fmt: skip
def test_dates_follow_the_houses_order(
    order: str, day: str, moment: str, month: str, of_year: str, column: str
) -> None:
    at = dt.datetime(2025, 3, 4, 16, 5)
    with shown.using(Shown(date_order=order)):
        assert (words.date(at), words.date(at.date()), words.moment(at)) == (day, day, moment)
        assert (words.month(at), words.day_of_year("03-04"), words.day_column()) == (month, of_year, column)
        assert words.moment_column() == f"{column}, HH:mm"
        assert f"{at:{words.month_tooltip()}}" == month  # d3's signs for months and years are Python's
    assert (words.date(None), words.moment(None)) == ("–", "–")
    assert words.DATE_ORDER[order] == day


def test_every_page_writes_its_days_in_the_houses_order(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = small_store.make(tmp_path, jobs=20, technicians=2)
    assert "data to 30 Jun 2025" in words_on(open_page(monkeypatch, store, "last_night"))
    Entries(store.entries_file).change_setting("date_order", "month_day_year")
    for page in ("job_folder", "slow_fuses"):
        seen = words_on(open_page(monkeypatch, store, page))
        assert "data to Jun 30, 2025" in seen
        assert not re.search(r"\b\d{1,2} (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{4}", seen)
