"""Reference: CSV and Parquet written by the csv module, gzip, polars and pandas, read back.

Sources: RFC 4180 for CSV; ISO 8601-1:2019 for times; the IANA time zone database, here through
Python's zoneinfo, for changes of the clock (the reader asks polars).
"""

import csv
import datetime as dt
import gzip
import io
import math
import zoneinfo

import numpy as np
import pandas as pd
import polars as pl
import pytest
from recording_files import pressures

from icpcohort import recordings

VALUES = [12.5, 13.25, -0.5, 1234.5, 15.0, 16.75]
LISBON = zoneinfo.ZoneInfo("Europe/Lisbon")
DAY = dt.datetime(2001, 2, 3, 23, 59, 58)


def _about(path, *, clock_zone=None):
    return recordings.describe(
        path,
        format="parquet" if path.suffix == ".parquet" else "csv",
        timing=recordings.Timing(["t_s"], clock_zone=clock_zone),
        wanted=pressures(icp_unit="mmHg", abp_unit="mmHg"),
    )


def _read(path, *, clock_zone=None, role="icp"):
    """Return the times and the values of all samples."""
    about = _about(path, clock_zone=clock_zone)
    chunks = list(
        recordings.read_chunks(
            path, about, chunk_s=600.0, timing=recordings.Timing(["t_s"], clock_zone=clock_zone)
        )
    )
    t_s = [c.start_s + np.arange(len(c.samples[role])) / c.fs_hz[role] for c in chunks]
    return np.concatenate(t_s), np.concatenate([c.samples[role] for c in chunks])


def _csv(path, rows, *, delimiter=",", encoding="utf-8", **dialect):
    """Write rows with the csv module."""
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, **dialect).writerows(rows)
    data = text.getvalue().encode(encoding)
    path.write_bytes(gzip.compress(data) if path.suffix == ".gz" else data)
    return path


def _number(value, mark):
    return str(value).replace(".", mark)


# --- dialects --------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("name", ["r1.csv", "r1.csv.gz"])
@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("delimiter", "quoting"),
    [
        *((mark, csv.QUOTE_MINIMAL) for mark in ",;\t"),
        *((mark, csv.QUOTE_ALL) for mark in ",;"),
    ],
)
def test_every_dialect_of_the_csv_module(
    tmp_path, encoding, name, mark, line_end, delimiter, quoting
):
    rows = [["note", "t_s", "ICP", "ABP"]]
    rows += [
        ["a", _number(i / 2, mark), _number(v, mark), _number(80 + v, mark)]
        for i, v in enumerate(VALUES)
    ]
    path = _csv(
        tmp_path / name,
        rows,
        delimiter=delimiter,
        encoding=encoding,
        quoting=quoting,
        lineterminator=line_end,
    )
    t_s, icp = _read(path)
    assert (t_s.tolist(), icp.tolist()) == ([0, 0.5, 1, 1.5, 2, 2.5], VALUES)
    assert _read(path, role="abp")[1].tolist() == [80 + v for v in VALUES]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_pandas_with_decimal_commas(tmp_path, delimiter):
    frame = pd.DataFrame({"t_s": np.arange(6) / 4, "ICP": VALUES})
    frame.to_csv(tmp_path / "r1.csv", sep=delimiter, decimal=",", index=False)
    assert _read(tmp_path / "r1.csv")[1].tolist() == VALUES


def test_decimal_commas_that_come_after_a_long_time_of_whole_numbers(tmp_path):
    n = 60_000  # more than one block of 250 kB
    icp = [*range(n), 12.5]
    rows = [["t_s", "ICP"], *([i, _number(v, ",")] for i, v in enumerate(icp))]
    assert _read(_csv(tmp_path / "r1.csv", rows, delimiter=";"))[1].tolist() == icp


def test_three_decimals_are_no_thousands_where_the_file_shows_it(tmp_path):
    rows = [["t_s", "ICP"], ["0,5", "1,333"], ["1,0", "1,421"], ["1,5", "2"]]
    for delimiter in ",;":
        path = _csv(tmp_path / "r1.csv", rows, delimiter=delimiter)
        assert _read(path)[1].tolist() == [1.333, 1.421, 2]
    rows = [["t_s", "ICP"], [0, "1.333"], [1, "1.421"]]
    for delimiter in ",;":
        assert _read(_csv(tmp_path / "r1.csv", rows, delimiter=delimiter))[1][1] == 1.421


@pytest.mark.parametrize("missing", ["", "NA", "N/A", "#N/A", "NaN", "nan", "null", "NULL"])
@pytest.mark.parametrize("around", ["{}", " {}", " {} "])
def test_missing_values(tmp_path, missing, around):
    rows = [["t_s", "ICP"], [0, 10], [1, around.format(missing)], [2, 12]]
    np.testing.assert_array_equal(_read(_csv(tmp_path / "r1.csv", rows))[1], [10, np.nan, 12])


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan, None])
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_what_polars_writes_for_no_number(tmp_path, value, kind):
    frame = pl.DataFrame({"t_s": [0.0, 1.0, 2.0], "ICP": [10.0, value, 12.0]})
    path = tmp_path / f"r1.{kind}"
    frame.write_csv(path) if kind == "csv" else frame.write_parquet(path)
    np.testing.assert_array_equal(_read(path)[1], [10, np.nan, 12])


# --- times -----------------------------------------------------------------------------------


ELAPSED = (
    *("python timedelta", "pandas timedelta", "pandas isoformat", "polars duration"),
    *("hours", "hours, decimal comma"),
)


def _elapsed_texts(seconds):
    spans = [dt.timedelta(seconds=s) for s in seconds]
    hours = [f"{int(s // 3600):02d}:{int(s // 60 % 60):02d}:{s % 60:06.3f}" for s in seconds]
    return {
        "python timedelta": [str(span) for span in spans],  # 1 day, 0:00:00.500000
        "pandas timedelta": [str(pd.Timedelta(span)) for span in spans],  # 1 days 00:00:00.5
        "polars duration": pl.Series(spans).dt.to_string("iso").to_list(),  # P1DT0.5S
        "pandas isoformat": [pd.Timedelta(span).isoformat() for span in spans],
        "hours": hours,  # 24:00:00.500
        "hours, decimal comma": [text.replace(".", ",") for text in hours],
    }


@pytest.mark.parametrize("kind", ELAPSED)
@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_elapsed_text_counts_from_the_first_row(tmp_path, kind, suffix):
    start_s = 86_398.5  # passes a day
    texts = _elapsed_texts([start_s + i / 2 for i in range(6)])[kind]
    frame = pl.DataFrame({"t_s": texts, "ICP": VALUES})
    path = tmp_path / f"r1.{suffix}"
    frame.write_csv(path) if suffix == "csv" else frame.write_parquet(path)
    t_s, icp = _read(path)
    assert (t_s.tolist(), icp.tolist()) == ([0, 0.5, 1, 1.5, 2, 2.5], VALUES)


@pytest.mark.parametrize(
    "written",
    [
        lambda t: t.isoformat(),  # 2001-02-03T23:59:58+00:00
        lambda t: t.isoformat().replace("+00:00", "Z"),
        lambda t: t.isoformat(sep=" ", timespec="milliseconds"),
        lambda t: t.strftime("%Y-%m-%dT%H:%M:%S.%f%z"),  # +0000
        lambda t: t.strftime("%Y-%m-%dT%H:%M:%S,%f") + "+00",
        lambda t: t.astimezone(dt.timezone(dt.timedelta(hours=-3, minutes=-30))).isoformat(),
    ],
)
def test_clock_times_with_an_offset(tmp_path, written):
    times = [(DAY + dt.timedelta(seconds=i / 2)).replace(tzinfo=dt.UTC) for i in range(6)]
    rows = [["t_s", "ICP"], *([written(t), v] for t, v in zip(times, VALUES, strict=True))]
    t_s, icp = _read(_csv(tmp_path / "r1.csv", rows))
    assert (t_s.tolist(), icp.tolist()) == ([0, 0.5, 1, 1.5, 2, 2.5], VALUES)


def test_offsets_that_change_inside_a_file(tmp_path):
    zones = [dt.timezone(dt.timedelta(minutes=m)) for m in (60, -210, 0, 345, -60, 0)]
    times = [
        (DAY + dt.timedelta(seconds=i)).replace(tzinfo=dt.UTC).astimezone(zone).isoformat()
        for i, zone in enumerate(zones)
    ]
    rows = [["t_s", "ICP"], *zip(times, VALUES, strict=True)]
    t_s, icp = _read(_csv(tmp_path / "r1.csv", rows))
    assert (t_s.tolist(), icp.tolist()) == ([0, 1, 2, 3, 4, 5], VALUES)


def _shown(start, step_s, n, zone=LISBON):
    """Return what the clock on the wall shows, from Python's own zone rules."""
    utc = [start + dt.timedelta(seconds=step_s * i) for i in range(n)]
    return [t.replace(tzinfo=dt.UTC).astimezone(zone).replace(tzinfo=None) for t in utc]


AUTUMN = dt.datetime(2021, 10, 31, 0, 0)  # UTC; Lisbon shows 01:00 to 02:00 twice
SPRING = dt.datetime(2021, 3, 28, 0, 0)


@pytest.mark.parametrize("kind", ["text", "minutes", "parquet", "parquet ns"])
@pytest.mark.parametrize("start", [AUTUMN, SPRING, DAY])
@pytest.mark.parametrize("step_s", [60, 600, 1800, 3600])
def test_local_clock_times_run_through_a_change_of_the_clock(tmp_path, kind, start, step_s):
    n = 30 * 3600 // step_s
    times = _shown(start - dt.timedelta(hours=15), step_s, n)
    if kind == "text":
        path = _csv(tmp_path / "r1.csv", [["t_s", "ICP"], *zip(times, range(n), strict=True)])
    elif kind == "minutes":
        texts = [t.strftime("%Y-%m-%d %H:%M") for t in times]
        path = _csv(tmp_path / "r1.csv", [["t_s", "ICP"], *zip(texts, range(n), strict=True)])
    else:
        path = tmp_path / "r1.parquet"
        unit = "ns" if kind == "parquet ns" else "us"
        times = pl.Series(times, dtype=pl.Datetime(unit))
        pl.DataFrame({"t_s": times, "ICP": range(n)}).write_parquet(path)
    t_s, icp = _read(path, clock_zone="Europe/Lisbon")
    assert t_s == pytest.approx([step_s * i for i in range(n)], abs=1e-6)
    assert icp.tolist() == list(range(n))
    assert _about(path, clock_zone="Europe/Lisbon").n_unordered_times == 0


def test_the_second_pass_is_told_across_blocks_and_with_a_row_that_comes_late(tmp_path):
    n = 4 * 3600 * 10
    times = _shown(AUTUMN - dt.timedelta(hours=1), 0.1, n)
    order = np.arange(n)
    order[[60_000, 60_020]] = order[[60_020, 60_000]]  # inside the second pass
    rows = [["t_s", "ICP"], *([times[i], i] for i in order)]
    path = _csv(tmp_path / "r1.csv", rows)
    t_s, icp = _read(path, clock_zone="Europe/Lisbon")
    np.testing.assert_allclose(t_s, np.arange(n) / 10, atol=1e-6)
    np.testing.assert_array_equal(icp, np.arange(n))
    assert _about(path, clock_zone="Europe/Lisbon").n_unordered_times == 20


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe"])
def test_parquet_of_pandas_with_a_zone(tmp_path, zone):
    times = pd.date_range(DAY, periods=6, freq="500ms", tz=zone)
    pd.DataFrame({"t_s": times, "ICP": VALUES}).to_parquet(tmp_path / "r1.parquet")
    t_s, icp = _read(tmp_path / "r1.parquet")
    assert (t_s.tolist(), icp.tolist()) == ([0, 0.5, 1, 1.5, 2, 2.5], VALUES)


@pytest.mark.parametrize("dtype", [pl.Duration("ms"), pl.Duration("ns"), pl.Time])
def test_parquet_durations_and_times_of_day(tmp_path, dtype):
    spans = pl.Series([dt.timedelta(hours=3, seconds=i / 2) for i in range(6)])
    times = (
        spans.cast(pl.Duration("ns")).cast(pl.Int64).cast(pl.Time)
        if dtype == pl.Time
        else spans.cast(dtype)
    )
    pl.DataFrame({"t_s": times, "ICP": VALUES}).write_parquet(tmp_path / "r1.parquet")
    assert _read(tmp_path / "r1.parquet")[0].tolist() == [0, 0.5, 1, 1.5, 2, 2.5]


@pytest.mark.parametrize("dtype", [pl.Int32, pl.UInt8, pl.Float32, pl.Decimal(10, 2)])
def test_parquet_seconds_of_any_type_of_number(tmp_path, dtype):
    frame = pl.DataFrame({"t_s": pl.Series([3, 4, 5]).cast(dtype), "ICP": [1.0, 2.0, 3.0]})
    frame.write_parquet(tmp_path / "r1.parquet")
    assert _read(tmp_path / "r1.parquet")[0].tolist() == [3, 4, 5]


# --- irregular, repeated, unordered ----------------------------------------------------------


def _plain_loop(times, values):
    """Average, row by row, what lies on each interval; times in intervals, to be sorted.

    The grid lies where most of the rows are: at the circular mean of their phases.
    """
    rows = sorted(zip(times, values, strict=True))
    first = rows[0][0]
    cosine = sum(math.cos(2 * math.pi * (t - first)) for t, _ in rows)
    sine = sum(math.sin(2 * math.pi * (t - first)) for t, _ in rows)
    phase = math.atan2(sine, cosine) / (2 * math.pi)
    slots = {}
    for t, v in rows:
        slots.setdefault(round(t - first - phase), []).append(v)
    return [
        sum(slots[i]) / len(slots[i]) if i in slots else math.nan for i in range(max(slots) + 1)
    ]


@pytest.mark.parametrize("interval_s", [1.0, 60.0, 3600.0])
@pytest.mark.parametrize("seed", range(20))
def test_irregular_rows_are_averaged_as_in_a_plain_loop(tmp_path, interval_s, seed):
    draw = np.random.default_rng(seed)
    times = np.arange(400) + draw.uniform(-0.3, 0.3, 400)  # charted around the time
    times = times[draw.random(400) > 0.1]
    times = np.append(times, draw.choice(times, 60) + 0.01)  # a second look
    times = np.append(times, draw.choice(times, 20))  # repeated
    times = (np.append(times[200:], times[:200]) - times.min()) * interval_s  # and out of order
    times = times.round(3)
    values = draw.normal(12, 3, len(times)).round(2)
    n_same = len(times) - len(set(times.tolist()))
    _, values_of_time = np.unique(times, return_inverse=True)
    values = values[values_of_time]  # one time, one reading, so that nothing contradicts
    path = _csv(tmp_path / "r1.csv", [["t_s", "ICP"], *zip(times, values, strict=True)])
    about = _about(path)
    assert 1 / about.signals["icp"].fs_hz == pytest.approx(interval_s)
    assert about.n_duplicate_times == n_same >= 20
    latest = [max(times[:i], default=0) for i in range(len(times))]
    assert about.n_unordered_times == sum(t < top for t, top in zip(times, latest, strict=True))
    np.testing.assert_allclose(
        _read(path)[1], _plain_loop(times / interval_s, values), rtol=1e-12
    )


def test_roughly_hourly_charting_is_hourly(tmp_path):
    # by hand: minutes past each hour, an hour left out, one written twice, one reading between
    minutes = [3, 62, 118, 185, 241, 366, 418, 418, 481, 545, 571, 602]
    rows = [
        ["t_s", "ICP"],
        *([f"{m // 60:02d}:{m % 60:02d}:00", 10 + i] for i, m in enumerate(minutes)),
    ]
    path = _csv(tmp_path / "r1.csv", rows)
    about = _about(path)
    assert (about.tier, about.signals["icp"].fs_hz, about.n_duplicate_times) == (
        "hourly",
        1 / 3600,
        1,
    )
    expected = [10, 11, 12, 13, 14, math.nan, 15, 16.5, 18, 19.5, 21]
    np.testing.assert_array_equal(_read(path)[1], expected)
