"""Reference: clock times as people and programs write them, made by Python's strftime.

The layouts are common practice; of zones, Python's zoneinfo has the offsets.
"""

import datetime as dt
import zoneinfo

import numpy as np
import polars as pl
import pytest
from recording_files import pressures

from icpcohort import recordings

VIENNA = zoneinfo.ZoneInfo("Europe/Vienna")
START = dt.datetime(2024, 2, 28, 9, 59, 58, 500_000)
LAYOUTS = [
    "%Y-%m-%d %H:%M:%S.%f",
    "%Y/%m/%d %H:%M:%S.%f",
    "%Y.%m.%d, %H:%M:%S,%f",
    "%d.%m.%Y %H:%M:%S.%f",
    "%d.%m.%Y %H:%M:%S,%f",
    "%d.%m.%y %H:%M:%S,%f",
    "%d/%m/%Y %H:%M:%S.%f",
    "%m/%d/%Y %H:%M:%S.%f",
    "%m-%d-%Y  %I:%M:%S.%f %p",
    "%m/%d/%Y, %I:%M:%S.%f%p",
    "%Y-%m-%d %I:%M:%S.%f p.m.",
]


def _file(folder, texts):
    frame = pl.DataFrame({"t_s": texts, "ICP": np.arange(float(len(texts)))})
    frame.write_csv(folder / "r1.csv", separator=";")
    return folder / "r1.csv"


def _read(path, **timing):
    """Return the times of all samples, counted from the first."""
    options = {"timing": recordings.Timing(["t_s"], **timing)}
    wanted = pressures(icp_unit="mmHg")
    format = "parquet" if path.suffix == ".parquet" else "csv"
    about = recordings.describe(path, format=format, wanted=wanted, **options)
    chunks = list(recordings.read_chunks(path, about, chunk_s=9e9, **options))
    assert np.concatenate([c.samples["icp"] for c in chunks])[-1] > 0
    starts = [c.start_s + np.arange(len(c.samples["icp"])) / c.fs_hz["icp"] for c in chunks]
    return np.concatenate(starts)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("zone", ["Europe/Vienna", "MEZ", "+01:00", "-0330", "none", "GMT"])
@pytest.mark.parametrize(("kind", "step_s"), [("csv", 3600), ("parquet", 1.25)])
def test_each_layout_gives_the_seconds_between_rows(tmp_path, layout, zone, kind, step_s):
    times = [START + i * dt.timedelta(seconds=step_s) for i in range(30)]
    if "p.m." in layout:
        times = [START.replace(hour=1 + i) for i in range(0, 11)]
        times = [t.replace(hour=t.hour + 12) for t in times]
    path = _file(tmp_path, [t.strftime(layout) for t in times])
    if kind == "parquet":
        pl.read_csv(path, separator=";", infer_schema=False).cast(
            {"ICP": pl.Float64}
        ).write_parquet(tmp_path / "r1.parquet")
        path = tmp_path / "r1.parquet"
    expected = [(t - times[0]).total_seconds() for t in times]
    np.testing.assert_allclose(_read(path, clock_zone=zone), expected, atol=1e-5)


@pytest.mark.parametrize(
    "layout", ["%d.%m.%Y %H:%M", "%Y/%m/%d %H:%M", "%m/%d/%Y %I:%M %p", "%-m/%-d/%Y %-H:%M"]
)
def test_minutes_without_seconds_and_numbers_without_a_zero_before_them(tmp_path, layout):
    times = [START.replace(second=0) + i * dt.timedelta(minutes=1) for i in range(3000)]
    path = _file(tmp_path, [t.strftime(layout) for t in times])
    expected = 60 * np.arange(3000)
    np.testing.assert_allclose(_read(path, clock_zone="none"), expected, atol=1e-6)


@pytest.mark.parametrize("layout", ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"])
@pytest.mark.parametrize("n_rows", [1, 40_000])
def test_one_row_far_below_shows_which_number_is_the_day(tmp_path, layout, n_rows):
    first = dt.datetime(2024, 3, 12, 23, 59) - n_rows * dt.timedelta(seconds=15)
    times = [first + i * dt.timedelta(seconds=15) for i in range(n_rows + 9)]
    path = _file(tmp_path, [t.strftime(layout + ":%S") for t in times])
    expected = 15 * np.arange(len(times))
    np.testing.assert_allclose(_read(path, clock_zone="none"), expected, atol=1e-6)


@pytest.mark.parametrize(
    ("day_order", "layout"), [("day_first", "%d/%m/%Y"), ("month_first", "%m/%d/%Y")]
)
def test_the_study_says_it_where_no_row_does(tmp_path, day_order, layout):
    # 11 March to 12 March, or 3 November to 3 December: one day or thirty
    first, last = dt.datetime(2024, 3, 11, 12), dt.datetime(2024, 3, 12, 12)
    times = [first + i * dt.timedelta(minutes=1) for i in range(1441)]
    assert times[-1] == last
    path = _file(tmp_path, [t.strftime(layout + " %H:%M") for t in times])
    with pytest.raises(recordings.RecordingError) as caught:
        _read(path, clock_zone="none")
    assert caught.value.reason == "unclear_dates"
    expected = 60 * np.arange(1441)
    np.testing.assert_allclose(
        _read(path, clock_zone="none", day_order=day_order), expected, atol=1e-6
    )


def test_the_file_s_dates_come_before_what_the_study_says(tmp_path):
    times = [START + i * dt.timedelta(minutes=1) for i in range(30)]
    path = _file(tmp_path, [t.strftime("%d/%m/%Y %H:%M:%S") for t in times])
    found = _read(path, clock_zone="none", day_order="month_first")
    np.testing.assert_allclose(found, 60 * np.arange(30), atol=1e-6)


@pytest.mark.parametrize("zone", ["MEZ", "MESZ", "CET", "cest"])
def test_the_names_of_central_european_time_change_with_its_clocks(tmp_path, zone):
    utc = [
        dt.datetime(2024, 10, 26, 22, tzinfo=dt.UTC) + i * dt.timedelta(minutes=1)
        for i in range(400)
    ]
    texts = [t.astimezone(VIENNA).strftime("%d.%m.%Y %H:%M") for t in utc]
    found = _read(_file(tmp_path, texts), clock_zone=zone)
    np.testing.assert_allclose(found, 60 * np.arange(400), atol=1e-6)


def test_a_date_beside_a_time_of_day_in_german(tmp_path):
    times = [START + i * dt.timedelta(seconds=1) for i in range(30)]
    rows = [f"{t:%d.%m.%Y};{t:%H:%M:%S};{i},5" for i, t in enumerate(times)]
    (tmp_path / "r1.csv").write_text("\n".join(["Datum;Uhrzeit;ICP", *rows]))
    options = {"timing": recordings.Timing(["Zeit", "Datum + Uhrzeit"], clock_zone="MEZ")}
    about = recordings.describe(
        tmp_path / "r1.csv", format="csv", wanted=pressures(icp_unit="mmHg"), **options
    )
    (chunk,) = recordings.read_chunks(tmp_path / "r1.csv", about, chunk_s=99.0, **options)
    assert chunk.samples["icp"].tolist() == [i + 0.5 for i in range(30)]
