"""Damaged CSV and Parquet files give a valid result or a reason, in time and memory that fit.

1,600 cases a run, the same each time: mutations of valid files of every dialect and kind of
time.
"""

import datetime as dt
import gzip
import io
import time
import tracemalloc

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recording_files import pressures

from icpcohort import recordings

N = 60
ZONE = "Europe/Lisbon"
AUTUMN = dt.datetime(2021, 10, 30, 23, 45)  # runs into the hour that is shown twice
TIMES = {
    "seconds": [str(i / 4) for i in range(N)],
    "charted": [str(60 * i + i * i % 17) for i in range(N)],
    "elapsed": [str(dt.timedelta(hours=23, seconds=i / 2)) for i in range(N)],
    "duration": [f"PT{i // 60}M{i % 60}S" for i in range(N)],
    "local": [str(AUTUMN + dt.timedelta(minutes=i - 60 * (i > 50))) for i in range(N)],
    "offset": [f"{AUTUMN + dt.timedelta(seconds=i)}+01:00" for i in range(N)],
}
DIALECTS = ((",", "."), (";", ","), ("\t", ","), (";", "."), (",", ","))


def _csv(times, separator, mark):
    def cell(text, quote):
        text = text.replace(".", mark)
        return f'"{text}"' if quote and separator in text else text

    lines = [separator.join(("t_s", "ICP [mmHg]", "ABP [kPa]", "note"))]
    lines += [
        separator.join((cell(t, True), cell(f"{10 + i % 7}.5", True), cell("9.25", True), "a"))
        for i, t in enumerate(TIMES[times])
    ]
    return ("\n".join(lines) + "\n").encode()


def _parquet(kind, compression):
    t_s = np.arange(N) / 4
    times = {
        "seconds": pl.Series(t_s),
        "text": pl.Series(TIMES["elapsed"]),
        "utc": pl.Series((t_s * 1e6).astype("i8")).cast(pl.Datetime("us", "UTC")),
        "local": pl.Series((t_s * 1e6).astype("i8")).cast(pl.Datetime("us")),
    }[kind]
    file = io.BytesIO()
    frame = pl.DataFrame({"t_s": times, "ICP [mmHg]": t_s, "ABP [kPa]": t_s.astype("f4")})
    frame.write_parquet(file, compression=compression, row_group_size=25)
    return file.getvalue()


CSV = [_csv(times, *dialect) for times in TIMES for dialect in DIALECTS]
INTACT = {
    "r1.csv": CSV,
    "r1.csv.gz": [gzip.compress(data, mtime=0) for data in CSV[::3]],
    "r1.parquet": [
        _parquet(kind, compression)
        for kind in ("seconds", "text", "utc", "local")
        for compression in ("uncompressed", "zstd", "snappy", "gzip")
    ],
}
TEXTS = [b",", b";", b"\t", b"\n", b"\r", b'"', b".", b"-", b":", b" ", b"\x00", b"\xff\xfe"]
TEXTS += [b"9" * 9, b"1e308", b"-1e400", b"nan", b"inf", b"NA", b"P", b"T", b"Z", b"+14:00"]
TEXTS += [b"99999-12-31", b"0000-00-00", b"24:00:00", b"1,234.5", b"\xef\xbb\xbf", b"t_s"]


@st.composite
def _damaged(draw, files):
    data = draw(st.sampled_from(files))
    for _ in range(draw(st.integers(1, 3))):
        place = draw(st.one_of(st.integers(0, min(len(data), 120)), st.integers(0, len(data))))
        kind = draw(st.sampled_from(["write", "insert", "drop", "repeat", "cut"]))
        piece = draw(st.one_of(st.sampled_from(TEXTS), st.binary(min_size=1, max_size=4)))
        n = draw(st.integers(1, 300))
        if kind == "write":
            data = data[:place] + piece + data[place + len(piece) :]
        elif kind == "insert":
            data = data[:place] + piece + data[place:]
        elif kind == "drop":
            data = data[:place] + data[place + n :]
        elif kind == "repeat":
            data = data[: place + n] + data[place:]
        elif draw(st.integers(0, 3)) == 0:
            data = data[:place]
    return data


@st.composite
def _rearranged(draw, files):
    """Draw a CSV whose rows are still rows, but not where, when or as many as they were."""
    head, *rows = draw(st.sampled_from(files)).splitlines(keepends=True)
    for _ in range(draw(st.integers(1, 6))):
        i, j = sorted(draw(st.tuples(*[st.integers(0, len(rows) - 1)] * 2)))
        kind = draw(st.sampled_from(["swap", "drop", "repeat", "move", "times", "cell"]))
        if kind == "swap":
            rows[i], rows[j] = rows[j], rows[i]
        elif kind == "drop" and j - i < len(rows) - 3:
            del rows[i:j]
        elif kind == "repeat":
            rows[j:j] = rows[i:j]
        elif kind == "move":
            rows = rows[i:j] + rows[:i] + rows[j:]
        elif kind == "times":  # of other rows
            rows[i] = (
                draw(st.sampled_from(rows))[: len(rows[i]) // 2] + rows[i][len(rows[i]) // 2 :]
            )
        else:
            piece = draw(st.sampled_from(TEXTS))
            rows[i] = rows[i].replace(b"5", piece, draw(st.integers(1, 3)))
    return head + b"".join(rows)


def _result(path, format):
    options = {"timing": recordings.Timing(["t_s"], clock_zone=ZONE)}
    try:
        before = recordings.guard(
            path, format=format, within=recordings.Places(path.parent), wfdb_extensions=[]
        )
        with recordings.unchanged(before):
            about = recordings.describe(path, format=format, **options, wanted=pressures())
            return list(recordings.read_chunks(path, about, chunk_s=100.0, **options))
    except recordings.RecordingError as error:
        return error


def _check(result, n_bytes):
    if isinstance(result, recordings.RecordingError):
        assert result.reason
        assert ": " in result.detail
        assert not any(date in result.detail for date in ("2021-10", "1970-01"))
        return
    n_valid, end_s = 0, -np.inf
    for chunk in result:
        assert chunk.start_s >= end_s - 1e-3
        for role, samples in chunk.samples.items():
            assert not np.isinf(samples).any()
            n_valid += int(np.isfinite(samples).sum())
            end_s = chunk.start_s + len(samples) / chunk.fs_hz[role]
    assert n_valid <= 1000 * n_bytes  # none of them is packed more densely


@pytest.mark.parametrize("name", INTACT)
def test_the_intact_files_are_valid(tmp_path, name):
    for data in INTACT[name]:
        (tmp_path / name).write_bytes(data)
        result = _result(tmp_path / name, "parquet" if "parquet" in name else "csv")
        assert not isinstance(result, recordings.RecordingError), result.detail
        icp = np.concatenate([chunk.samples["icp"] for chunk in result])
        assert np.isfinite(icp).sum() == N


CASES = {name: _damaged(files) for name, files in INTACT.items()} | {"r2.csv": _rearranged(CSV)}


@pytest.mark.parametrize("name", CASES)
def test_damaged_files_give_a_valid_result_or_a_reason(tmp_path_factory, name):
    path = tmp_path_factory.mktemp("damaged") / name

    @settings(max_examples=200, deadline=None, derandomize=True, database=None)
    @given(data=CASES[name])
    def run(data):
        path.write_bytes(data)
        begin_s = time.process_time()
        _check(_result(path, "parquet" if "parquet" in name else "csv"), len(data))
        assert time.process_time() - begin_s < 5

    tracemalloc.start()
    try:
        run()
        assert tracemalloc.get_traced_memory()[1] < 100e6
    finally:
        tracemalloc.stop()
