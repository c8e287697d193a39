"""Gauge logs as gauges write them: any unit, times of the day instead of seconds, many small files, large Parquet."""

from datetime import datetime

import polars as pl
import pytest

from tests.pipelines.loaded_files import Fleet, counts

HEAD = "job_id,step,quantity,unit,elapsed_s,value\n"


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path).with_jobs()


def samples(fleet):
    return fleet.ask("select job_id, elapsed_s, round(value, 1) from staged_trace order by job_id, elapsed_s, value")


def test_every_unit_of_a_vacuum_becomes_microns(fleet):
    # 500 micron: 0.5 Torr, 66.66 Pa, 0.6666 mbar (SI brochure: Torr = 101325/760 Pa)
    written = [("micron", 500), ("mTorr", 500), ("Torr", 0.5), ("Pa", 66.6612), ("mbar", 0.666612), ("kPa", 0.0666612)]
    rows = [f"J1,vacuum_rise,vacuum,{unit},{10 * at},{value}\n" for at, (unit, value) in enumerate(written)]
    assert fleet.load_text("traces.csv", HEAD + "".join(rows)).new == 6
    assert [value for _, _, value in samples(fleet)] == [500.0] * 6


def test_absolute_pressures_of_a_test_lose_the_local_atmosphere(fleet):
    fleet.write("sites.csv", "site_id,altitude_ft\nP1,5000\n")
    fleet.write("systems.csv", "system_id,site_id\nS1,P1\n")
    rows = "".join(
        f"{job},pressure_test,test_pressure,{unit},0,{value}\n"
        for job, unit, value in (("J1", "psia", 434.7), ("J2", "psia", 434.7), ("J2", "bar", 28.958))
    )
    fleet.write(
        "traces.csv",
        HEAD + rows.replace("J2,pressure_test,test_pressure,bar,0", "J2,pressure_test,test_pressure,bar,9"),
    )
    fleet.load()
    # standard atmosphere: 14.696 psia at sea level, 12.23 at 5,000 ft (ISO 2533)
    assert samples(fleet) == [("J1", 0.0, 422.5), ("J2", 0.0, 420.0), ("J2", 9.0, 420.0)]


@pytest.mark.parametrize(
    "written",
    [
        ("2024-07-03 23:59:50", "2024-07-04 00:00:00", "2024-07-04 00:00:12.5"),
        ("2024-07-03T23:59:50", "2024-07-04T00:00:00", "2024-07-04T00:00:12.5"),
        ("07/23/2024 11:59:50 PM", "07/24/2024 12:00:00 AM", "07/24/2024 12:00:12 AM"),
    ],
)
def test_times_of_the_day_become_seconds_since_the_log_began(fleet, written):
    rows = [f"J1,vacuum_rise,vacuum,micron,{at},{400 + place}\n" for place, at in enumerate(written)]
    other = "J2,vacuum_rise,vacuum,micron," + written[1] + ",390\n"
    assert counts(fleet.load_text("traces.csv", HEAD + "".join(rows) + other)) == {"read": 4, "new": 4}
    last = 22.5 if "." in written[2] else 22.0
    assert samples(fleet) == [("J1", 0.0, 400.0), ("J1", 10.0, 401.0), ("J1", last, 402.0), ("J2", 0.0, 390.0)]


def test_a_sample_that_is_written_oddly_keeps_its_place_in_a_log_with_times_of_the_day(fleet):
    rows = [
        f"J1,vacuum_rise,vacuum,micron,2024-07-03 10:00:{second},{value}\n"
        for second, value in (("00", "400"), ("10", "410 um"), ("20", "OL"), ("30", "430"))
    ]
    count = fleet.load_text("traces.csv", HEAD + "".join(rows))
    assert counts(count) == {"read": 4, "new": 3, "rejected": 1}
    assert samples(fleet) == [("J1", 0.0, 400.0), ("J1", 10.0, 410.0), ("J1", 30.0, 430.0)]


def test_a_folder_of_small_files_one_for_each_log(fleet):
    for attempt in range(1, 41):
        rows = [f"J1,vacuum_rise,{attempt},vacuum,mTorr,{10 * at},{400 + at}\n" for at in range(20)]
        fleet.write(
            f"gauge/log_{attempt}/traces.csv", "job_id,step,attempt,quantity,unit,elapsed_s,value\n" + "".join(rows)
        )
    report = fleet.load()
    assert sum(file.new for file in report.files) == 800
    assert fleet.ask("select count(*), count(distinct attempt) from staged_trace") == [(800, 40)]
    assert fleet.ask("select count(*) from trace_verdict") == [(40,)]


@pytest.mark.parametrize("clock", [None, "us", "ns"])
def test_parquet_of_many_samples_goes_straight(fleet, clock):
    height = 200_000
    place = pl.int_range(height)
    seconds = place % (height // 2)
    clocked = pl.lit(datetime(2024, 7, 3, 9)) + pl.duration(seconds=seconds)
    frame = pl.select(
        job_id=pl.when(place < height // 2).then(pl.lit("J1")).otherwise(pl.lit("J2")),
        step=pl.lit("evacuation"),
        quantity=pl.lit("vacuum"),
        unit=pl.lit("Pa"),
        elapsed_s=clocked if clock else seconds.cast(pl.Float64),
        value=40 + place % 7,
    )
    if clock:
        frame = frame.cast({"elapsed_s": pl.Datetime("ns" if clock == "ns" else "us")})
    frame.write_parquet(fleet.exports / "traces.parquet")
    (count,) = fleet.load(fleet.exports / "traces.parquet").files
    assert counts(count) == {"read": height, "new": height}
    assert fleet.ask("select job_id, max(elapsed_s), round(min(value), 2) from staged_trace group by 1 order by 1") == [
        ("J1", height / 2 - 1, 300.02),
        ("J2", height / 2 - 1, 300.02),
    ]
