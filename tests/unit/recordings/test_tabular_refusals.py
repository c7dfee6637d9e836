"""Every CSV or Parquet file that is refused, with its reason and what a person is to do."""

import datetime as dt
import gzip

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from recording_files import pressures

from icpcohort import recordings
from icpcohort.recordings import parquet_files


def _refusal(path, *, clock_zone=None):
    options = {"timing": recordings.Timing(["t_s"], clock_zone=clock_zone)}
    with pytest.raises(recordings.RecordingError) as caught:
        about = recordings.describe(
            path,
            format="parquet" if path.suffix == ".parquet" else "csv",
            **options,
            wanted=pressures(icp_unit="mmHg", abp_unit="mmHg"),
        )
        list(recordings.read_chunks(path, about, chunk_s=600.0, **options))
    return caught.value


HEAD = "t_s,ICP\n"
NOW = "2021-06-01 "
CORPUS = [  # text or bytes, reason, words with the place and the cure
    ("", "empty", "a file of 0 bytes; restore it"),
    ("\n \n", "empty", "no text in it"),
    (HEAD, "empty", "no rows; remove it"),
    (HEAD + "0,1\n", "bad_times", "1 row(s) do not show a sampling interval; leave it out"),
    (HEAD + "0,1\n1,high\n2,3\n", "unreadable", "row 2, column 'ICP': neither a number nor"),
    (HEAD + "0,1\n\n1,1_000\n", "unreadable", "row 2, column 'ICP'"),
    (HEAD + "0,1\n1,0x10\n", "unreadable", "row 2, column 'ICP'"),
    (HEAD + "0,1\n1,2,3\n", "unreadable", "row 2: 3 cells under a heading of 2"),
    (HEAD + "0,1\n1\n", "unreadable", "row 2: 1 cells under a heading of 2"),
    (HEAD + "0,12,5\n1,13,5\n", "unreadable", "decimal commas, separate by semicolons"),
    (HEAD + '0,12.5\n1,"12,5"\n', "mixed_decimals", "export it with one decimal mark"),
    (HEAD + '0,12.5\n1,"1,234.5"\n', "mixed_decimals", "without marks of thousands"),
    (HEAD + '0,1\n1,"1,234,567"\n', "mixed_decimals", "without marks of thousands"),
    (HEAD + '0,"1,333"\n1,"1,421"\n', "mixed_decimals", "may be those of thousands"),
    ("t_s;ICP\n998;12\n999;12\n1.000;13\n1.001;13\n", "mixed_decimals", "of thousands"),
    ("t_s;ICP\n998;12\n999;12\n1,000;13\n1,001;13\n", "mixed_decimals", "of thousands"),
    ("t_s;ICP\n0;1.234,5\n1;2,5\n", "mixed_decimals", "with one decimal mark"),
    ("t_s;ICP\n0.5;12,5\n1.0;2,5\n", "mixed_decimals", "with one decimal mark"),
    ("t_s;ICP\n0;1.234.567\n1;2\n", "mixed_decimals", "marks of thousands"),
    ("time,ICP\n0,1\n", "bad_times", "no column 't_s' among 'time', 'ICP'; name"),
    ("t_s,t_s,ICP\n0,0,1\n1,1,1\n", "bad_times", "2 column 't_s'"),
    ("0,1\n1,2\n", "bad_times", "no column 't_s' among '0', '1'"),
    ("sep=;\nt_s;ICP\n0;1\n", "bad_times", "no column 't_s'"),
    (("t_s;Größe;ICP\n0;1;1\n1;1;1\n").encode("latin-1"), "wrong_encoding", "save it as UTF-8"),
    ((HEAD + "0,1\n1,2\n").encode("utf-16"), "wrong_encoding", "save it as UTF-8"),
    ((HEAD + "0,1\n1,2\n").encode("utf-16-le"), "wrong_encoding", "save it as UTF-8"),
    (HEAD.encode() + b"12:00:00,1\n\xff\xfe,1\n", "wrong_encoding", "save it as UTF-8"),
    (bytes(range(256)) * 40, "wrong_encoding", "save it as UTF-8"),
    ("x" * 300_000, "unreadable", "no line ends in 250000 bytes"),
    (HEAD + '0,"1\n' + "1,2\n" * 100_000, "unreadable", "row 1: a line ends inside a cell"),
    ('note,t_s,ICP\na,0,1\n"b,1,2\na,2,3\n",3,4\n', "unreadable", "row 2: a line ends ins"),
    ('t_s,ICP,note\n0,1,a\n1,2,"\n2,3,a\n3,4,a\n', "unreadable", "row 2: a line ends inside"),
    (HEAD + "0,1\n1," + "2" * 900_000 + "\n", "unreadable", "a row of more than 250000 bytes"),
    (HEAD + "noon,1\n1,2\n", "bad_times", "row 1: text that is no time; write seconds"),
    (HEAD + "12:30,1\n12:31,2\n", "bad_times", "row 1: text that is no time"),
    (HEAD + "00:00:00,1\n00:00:61,2\n", "bad_times", "row 2: no time like the ones above"),
    (HEAD + "00:00:00,1\n,2\n", "bad_times", "row 2: no time; every row needs one"),
    (HEAD + "PT1S,1\nP,2\n", "bad_times", "row 2: a duration of nothing"),
    (HEAD + "23:59:59,1\n00:00:00,2\n", "bad_times", "row 2: back by more than half a day"),
    (HEAD + f"{NOW}10:00:00,1\n{NOW}10:00:01,2\n", "no_zone", "in column clock_zone of rec"),
    (HEAD + f"{NOW}10:00:00Z,1\n{NOW}10:00:01,2\n", "bad_times", "row 2: no offset from UTC"),
    (HEAD + f"{NOW}10:00:00Z,1\n{NOW}25:00:01Z,2\n", "bad_times", "row 2: no such time"),
    (HEAD + "2021-02-30 10:00:00Z,1\n", "bad_times", "row 1: no such time"),
    (HEAD + "01/06/2021 10:00,1\n", "unclear_dates", "the line `day_order: day_first` or"),
    (HEAD + "13/06/2021 10:00Z,1\n06/13/2021 10:01Z,1\n", "bad_times", "row 2: no such"),
    (HEAD + "1.6.2021 10:00Z,1\n1.6.2021 24:00Z,1\n", "bad_times", "row 2: no such time"),
    (HEAD + "1.6.2021 1:00 PMZ,1\n1.6.2021 0:00 PMZ,1\n", "bad_times", "row 2: no such"),
    (HEAD + "1.6.2021 1:00 PMZ,1\n1.6.2021 2:00Z,1\n", "bad_times", "row 2: AM or PM in"),
    (HEAD + "1.6.2021 1:00Z,1\n2021-06-01 02:00Z,1\n", "bad_times", "row 2: no time like"),
    (
        HEAD + "1700000000,1\n1700000001,2\n",
        "bad_times",
        "subtract the time of the recording's",
    ),
    (HEAD + "5,1\n-1,1\n0,2\n", "bad_times", "row 2: a time before the recording's start"),
    (HEAD + "0,1\ninf,2\n", "bad_times", "row 2: no time"),
    (HEAD + "0,1\n1,2\n" + "1,2\n" * 9, "bad_times", "9 of 11 rows have the time of another"),
]


@pytest.mark.parametrize(("content", "reason", "words"), CORPUS)
@pytest.mark.parametrize("suffix", ["csv", "csv.gz"])
def test_a_bad_csv_has_its_reason_and_says_what_to_do(tmp_path, suffix, content, reason, words):
    data = content if isinstance(content, bytes) else content.encode()
    path = tmp_path / f"r1.{suffix}"
    path.write_bytes(gzip.compress(data) if suffix == "csv.gz" and data else data)
    error = _refusal(path)
    assert (error.reason, error.detail[: len(path.name)]) == (reason, path.name)
    assert words in error.detail
    assert "2021" not in error.detail
    assert "high" not in error.detail


def test_a_heading_that_is_data_shows_no_date(tmp_path):
    (tmp_path / "r1.csv").write_text("2021-06-01 10:00:00,12\n2021-06-01 10:00:01,13\n")
    assert "among '(a date) 10:00:00', '12'" in _refusal(tmp_path / "r1.csv").detail


def test_a_comma_after_points_alone_is_no_number(tmp_path):
    rows = "".join(f"{i}.5,12.5\n" for i in range(40_000))
    (tmp_path / "r1.csv").write_text(f'{HEAD}{rows}40000.5,"12,5"\n')
    error = _refusal(tmp_path / "r1.csv")
    assert (error.reason, error.detail[:32]) == (
        "unreadable",
        "r1.csv, row 40001, column 'ICP':",
    )
    assert "this file has decimal points" in error.detail


def test_a_truncated_gzip_is_refused(tmp_path):
    data = gzip.compress((HEAD + "".join(f"{i},{i * 7 % 31}\n" for i in range(5000))).encode())
    (tmp_path / "r1.csv.gz").write_bytes(data[:-2000])
    assert _refusal(tmp_path / "r1.csv.gz").reason == "unreadable"


@pytest.mark.parametrize("content", [b"0" * 10**8, b"\n" * 10**8, b"0,1\n" * 25 * 10**6])
def test_a_small_file_that_swells_is_refused_in_bounded_memory(tmp_path, content):
    (tmp_path / "r1.csv.gz").write_bytes(gzip.compress(HEAD.encode() + content))
    before = pa.total_allocated_bytes()
    error = _refusal(tmp_path / "r1.csv.gz")
    assert error.reason in {"unreadable", "empty", "bad_times"}
    assert pa.default_memory_pool().max_memory() - before < 60e6
    if error.reason == "bad_times":  # long before the end
        assert int(error.detail.split(" of ")[1].split()[0]) < 2_000_000


# --- clocks ----------------------------------------------------------------------------------


def _clock_file(folder, *shown):
    rows = "".join(f"{text},{i}\n" for i, text in enumerate(shown))
    (folder / "r1.csv").write_text(HEAD + rows)
    return folder / "r1.csv"


def test_an_unknown_zone_is_refused(tmp_path):
    path = _clock_file(tmp_path, f"{NOW}10:00:00", f"{NOW}10:00:01")
    error = _refusal(path, clock_zone="Europe/Lisboa")
    assert error.reason == "no_zone"
    assert "no time zone 'Europe/Lisboa'; write an IANA name" in error.detail


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Europe/Viena", "Europe/Vienna"),
        ("europe/vienna ", "Europe/Vienna"),
        ("Vienna", "Europe/Vienna"),
        ("new york", "America/New_York"),
        ("BST", "Europe/London"),
        ("WESZ", "Europe/Lisbon"),
        ("+1", "Europe/Lisbon"),
        ("xyzzy", "Europe/Lisbon"),
    ],
)
def test_an_unknown_zone_is_refused_with_the_nearest(tmp_path, text, name):
    path = _clock_file(tmp_path, f"{NOW}10:00:00", f"{NOW}10:00:01")
    error = _refusal(path, clock_zone=text)
    assert error.reason == "no_zone"
    assert f"no time zone {text!r}; write an IANA name such as {name} in col" in error.detail


def test_without_a_zone_a_clock_may_not_go_back(tmp_path):
    path = _clock_file(tmp_path, f"{NOW}10:00:00", f"{NOW}10:01:00", f"{NOW}10:00:29")
    error = _refusal(path, clock_zone="none")
    assert error.reason == "bad_times"
    assert "row 3: back by more than half a minute, and no zone is known" in error.detail


def test_a_time_that_the_zone_skips_is_refused(tmp_path):
    path = _clock_file(tmp_path, "2021-03-28 00:59:00", "2021-03-28 01:00:00")
    error = _refusal(path, clock_zone="Europe/Lisbon")
    assert error.reason == "bad_times"
    assert "row 2: a time that clocks in Europe/Lisbon skip" in error.detail


def test_a_file_that_begins_in_the_hour_shown_twice_is_refused(tmp_path):
    path = _clock_file(tmp_path, "2021-10-31 01:30:00", "2021-10-31 01:31:00")
    error = _refusal(path, clock_zone="Europe/Lisbon")
    assert "row 1: begins in the hour that the clock shows twice" in error.detail


def test_a_third_pass_of_the_hour_shown_twice_is_refused(tmp_path):
    hour = [f"2021-10-31 01:{m:02d}:00" for m in range(0, 60, 10)]
    error = _refusal(
        _clock_file(tmp_path, "2021-10-31 00:50:00", *hour * 3), clock_zone="Europe/Lisbon"
    )
    assert "row 14: back a second time" in error.detail


# --- order -----------------------------------------------------------------------------------


def _table(folder, t_s, icp):
    pl.DataFrame({"t_s": t_s, "ICP": icp}).write_parquet(folder / "r1.parquet")
    return folder / "r1.parquet"


def test_a_clock_set_back_within_the_look_back_is_refused(tmp_path):
    t_s = np.append(np.arange(2000), np.arange(1500, 3000))
    error = _refusal(_table(tmp_path, t_s.astype(float), np.arange(3500.0)))
    assert error.reason == "bad_times"
    assert (
        "near row 2001: more than 60 rows differ from rows of the same moment" in error.detail
    )


def test_an_overlap_that_repeats_the_same_rows_is_read(tmp_path):
    t_s = np.append(np.arange(2000.0), np.arange(1500.0, 3000.0))
    path = _table(tmp_path, t_s, t_s / 10)
    about = _describe(path)
    assert (about.n_duplicate_times, about.n_unordered_times) == (500, 499)
    chunks = list(
        recordings.read_chunks(path, about, timing=recordings.Timing(["t_s"]), chunk_s=9999.0)
    )
    np.testing.assert_allclose(chunks[0].samples["icp"], np.arange(3000) / 10)


def _describe(path):
    return recordings.describe(
        path,
        format="parquet",
        timing=recordings.Timing(["t_s"]),
        wanted=pressures(icp_unit="mmHg", abp_aliases=[]),
    )


def test_a_clock_set_back_farther_than_the_look_back_is_refused_with_its_row(tmp_path):
    t_s = np.append(np.arange(200_000), np.arange(100_000, 200_000)) / 100
    error = _refusal(_table(tmp_path, t_s, t_s))
    assert "row 200001: " in error.detail
    assert "if the clock was set back there, split the file" in error.detail


def test_a_file_whose_interval_becomes_shorter_is_refused(tmp_path):
    t_s = np.append(np.arange(1000) * 60.0, 60_000.0 + np.arange(5000))
    error = _refusal(_table(tmp_path, t_s, t_s))
    assert error.reason == "bad_times"
    assert "split the file where the interval changes" in error.detail


# --- Parquet ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "reason"),
    [
        ([True, False], "bad_times"),
        ([[0], [1]], "bad_times"),
        ([dt.date(2021, 6, 1), dt.date(2021, 6, 2)], "bad_times"),
        ([dt.datetime(2021, 6, 1), dt.datetime(2021, 6, 2)], "no_zone"),
        ([0.0, None], "bad_times"),
        ([0.0, float("nan")], "bad_times"),
        (["0", "1"], "bad_times"),
    ],
)
def test_times_of_parquet_that_are_none(tmp_path, times, reason):
    pq.write_table(pa.table({"t_s": times, "ICP": [1.0, 2.0]}), tmp_path / "r1.parquet")
    error = _refusal(tmp_path / "r1.parquet")
    assert error.reason == reason
    assert "; " in error.detail
    assert "2021" not in error.detail


@pytest.mark.parametrize("unit", ["s", "ms", "us"])
@pytest.mark.parametrize("zone", [None, "UTC"])
def test_timestamps_far_outside_any_calendar_are_refused(tmp_path, unit, zone):
    times = pa.array([2**62, 2**62 + 1]).cast(pa.timestamp(unit, zone))
    if unit == "s":  # stored as ms
        times = pa.array([2**52, 2**52 + 1]).cast(pa.timestamp(unit, zone))
    pq.write_table(pa.table({"t_s": times, "ICP": [1.0, 2.0]}), tmp_path / "r1.parquet")
    error = _refusal(tmp_path / "r1.parquet", clock_zone="Europe/Lisbon")
    assert (error.reason, "row 1: no such time" in error.detail) == ("bad_times", True)


def test_text_in_place_of_readings_is_refused(tmp_path):
    error = _refusal(_table(tmp_path, [0.0, 1.0], ["12", "13"]))
    assert error.reason == "unreadable"
    assert "column 'ICP' is of type" in error.detail


@pytest.mark.parametrize("writer", ["pyarrow", "polars"])
def test_pages_too_large_for_bounded_memory_are_refused(tmp_path, monkeypatch, writer):
    n = 200_000
    frame = pl.DataFrame({"t_s": np.arange(n) / 10, "ICP": np.arange(n) / 3})
    path = tmp_path / "r1.parquet"
    if writer == "polars":
        frame.write_parquet(path, data_page_size=10**9, row_group_size=n)
    else:
        pq.write_table(
            frame.to_arrow(),
            path,
            data_page_size=10**9,
            max_rows_per_page=n,
            use_dictionary=False,
        )
    assert _describe(path).duration_s == n / 10
    monkeypatch.setattr(parquet_files, "MAX_PAGE_BYTES", 8 * n - 1)
    error = _refusal(path)
    assert error.reason == "large_pages"
    assert "write the file again with pages of 1 MB" in error.detail


def test_more_rows_than_any_recording_has_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(parquet_files, "MAX_ROWS", 9)
    error = _refusal(_table(tmp_path, np.arange(10.0), np.arange(10.0)))
    assert (error.reason, "split the file" in error.detail) == ("bad_header", True)
