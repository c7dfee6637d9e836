"""Which column has the times, in which unit, and the lines around a heading."""

import gzip

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from published_settings import PUBLISHED
from recording_files import pressures

from icpcohort import recordings

SHIPPED = PUBLISHED["recordings"]["time_columns"]


def _read(path, *, columns=SHIPPED, units=("mmHg", "mmHg"), **timing):
    """Return the times [s] and the values of ICP."""
    options = {"timing": recordings.Timing(columns, **timing)}
    about = recordings.describe(
        path,
        format="parquet" if path.suffix == ".parquet" else "csv",
        wanted=pressures(icp_unit=units[0], abp_unit=units[1]),
        **options,
    )
    chunks = list(recordings.read_chunks(path, about, chunk_s=9e9, **options))
    t_s = [c.start_s + np.arange(len(c.samples["icp"])) / c.fs_hz["icp"] for c in chunks]
    return np.concatenate(t_s).tolist(), [v for c in chunks for v in c.samples["icp"].tolist()]


def _file(folder, text):
    (folder / "r1.csv").write_text(text)
    return folder / "r1.csv"


def _refusal(path, **options):
    with pytest.raises(recordings.RecordingError) as caught:
        _read(path, **options)
    return caught.value.reason, caught.value.detail


@pytest.mark.parametrize(
    "name",
    ["t_s", "TIME", "time ", "Time [s]", "Time (sec)", "Timestamp", "zeit", "Elapsed", "Tíme"],
)
def test_a_column_of_seconds_is_found_by_a_shipped_name(tmp_path, name):
    assert _read(_file(tmp_path, f"{name},ICP\n2,5\n3,6\n")) == ([2, 3], [5, 6])


@pytest.mark.parametrize(
    ("unit", "times"),
    [("ms", (2000, 3000)), ("min", (1 / 30, 0.05)), ("h", (2 / 3600, 3 / 3600))],
)
def test_numbers_count_in_the_unit_of_their_heading(tmp_path, unit, times):
    text = f"Time [{unit}],ICP\n{times[0]!r},5\n{times[1]!r},6\n"
    assert _read(_file(tmp_path, text))[0] == pytest.approx([2, 3])
    table = pa.table({"Time": pa.array(times, pa.float64()), "ICP": [5.0, 6.0]})
    field = table.schema.field("Time").with_metadata({"unit": unit})
    pq.write_table(table.cast(table.schema.set(0, field)), tmp_path / "r1.parquet")
    assert _read(tmp_path / "r1.parquet")[0] == pytest.approx([2, 3])


def test_numbers_under_a_layout_of_text_are_refused(tmp_path):
    reason, detail = _refusal(_file(tmp_path, "Time [hh:mm:ss],ICP\n2,5\n3,6\n"))
    assert reason == "bad_times"
    assert detail.startswith("r1.csv, Time [hh:mm:ss]: numbers under a heading in 'hh:mm:ss'")
    text = "Time [hh:mm:ss],ICP\n00:00:02,5\n00:00:03,6\n"
    assert _read(_file(tmp_path, text))[0] == [0, 1]


def test_the_first_name_of_the_list_counts(tmp_path):
    path = _file(tmp_path, "Time,t_s,ICP\n50,2,5\n60,3,6\n")
    assert _read(path, columns=["t_s", "Time"])[0] == [2, 3]
    assert _read(path, columns=["Time", "t_s"])[0] == [50, 60]


def test_two_columns_of_one_name_are_refused_with_the_line_to_write(tmp_path):
    path = _file(tmp_path, "TIME,Time (s),ICP\n50,2,5\n60,3,6\n")
    assert _refusal(path, columns=["time"]) == (
        "ambiguous_times",
        "r1.csv: 'TIME', 'Time (s)' all fit the column of times 'time'; write TIME (or another "
        "of them) in column time_column of recordings.csv",
    )
    assert _read(path, columns=["time"], column="TIME")[0] == [50, 60]
    assert _read(path, columns=["time"], column="Time (s)")[0] == [2, 3]


def test_the_recording_s_own_column_counts_alone(tmp_path):
    path = _file(tmp_path, "t_s,Clock,ICP\n50,2,5\n60,3,6\n")
    assert _read(path, column="clock")[0] == [2, 3]
    assert _refusal(path, column="Clocks") == (
        "bad_times",
        "r1.csv: no column 'Clocks' among 't_s', 'Clock', 'ICP'; did you mean 'Clock'? name "
        "the one with the times in column time_column of recordings.csv",
    )


def test_all_names_that_were_looked_for_are_named(tmp_path):
    _, detail = _refusal(_file(tmp_path, "when,ICP\n2,5\n3,6\n"), columns=["t_s", "a + b"])
    assert detail == (
        "r1.csv: no column 't_s' or 'a + b' among 'when', 'ICP'; name the one column with the "
        "times in recordings.time_columns of the settings"
    )


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_date_beside_a_time_of_day(tmp_path, separator):
    rows = [
        ("Date", "Time", "ICP"),
        ("2024-02-29", " 23:59:58", "5"),
        ("2024-02-29", "23:59:59 ", "6"),
        ("2024-03-01", "00:00:00", "7"),
    ]
    path = _file(tmp_path, "\n".join(separator.join(row) for row in rows))
    assert _read(path, clock_zone="Europe/Vienna") == ([0, 1, 2], [5, 6, 7])
    table = pl.read_csv(path, separator=separator).with_columns(
        pl.col("Date").str.to_date(), pl.col("Time").str.strip_chars().str.to_time()
    )
    table.write_parquet(tmp_path / "r1.parquet")
    assert _read(tmp_path / "r1.parquet", clock_zone="Europe/Vienna")[0] == [0, 1, 2]


def test_a_date_without_a_time_of_day_is_refused_with_its_row(tmp_path):
    path = _file(tmp_path, "Date,Time,ICP\n2024-02-29,23:59:58,5\n2024-02-29,,6\n")
    reason, detail = _refusal(path, clock_zone="Europe/Vienna")
    assert (reason, detail[:33]) == ("bad_times", "r1.csv, Date + Time, row 2: no ti")


# --- around the heading ----------------------------------------------------------------------


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
@pytest.mark.parametrize("above", ["", "# one; two\n", "# one\n\n# 3,4\n"])
@pytest.mark.parametrize("below", ["", "s;mmHg\n", "\ns;mmHg\n", " [s] ;(mmHg)\n"])
@pytest.mark.parametrize("packed", [False, True])
def test_comments_above_and_units_below_the_heading(tmp_path, end, start, above, below, packed):
    text = f"{start}{above}t_s;ICP\n{below}2;1,5\n3;2,5\n".replace("\n", end).encode()
    path = tmp_path / "r1.csv"
    path.write_bytes(gzip.compress(text) if packed else text)
    units = (None if below else "mmHg", None)
    assert _read(path, units=units) == ([2, 3], [1.5, 2.5])


def test_a_unit_below_converts_what_the_heading_does_not_state(tmp_path):
    path = _file(tmp_path, "Time,ICP\nms,kPa\n2000,1\n3000,2\n")
    t_s, icp = _read(path, units=(None, None))
    assert t_s == [2, 3]
    assert icp == pytest.approx([1000 / 133.322387415, 2000 / 133.322387415])
    reason, _ = _refusal(path, units=("mmHg", None))
    assert reason == "unit_conflict"


@pytest.mark.parametrize(
    ("row", "reason"),
    [("0,high", "unreadable"), ("s,high", None), ("noon,high", "bad_t"), ("s,1", "bad_t")],
)
def test_a_row_with_a_number_or_without_a_unit_is_no_row_of_units(tmp_path, row, reason):
    path = _file(tmp_path, f"t_s,ICP\n{row}\n2,1\n3,2\n")
    if reason is None:
        assert _read(path)[0] == [2, 3]
    else:
        assert _refusal(path)[0].startswith(reason)


def test_rows_are_counted_from_below_the_units(tmp_path):
    path = _file(tmp_path, "# a\n\n# b\nt_s,ICP\n\ns,mmHg\n2,5\n3,high\n")
    assert "r1.csv, row 2, column 'ICP'" in _refusal(path)[1]
    path = _file(tmp_path, "# a\nt_s,ICP\ns,mmHg\n2,5\n3,4,5\n")
    assert "r1.csv, row 2: 3 cells" in _refusal(path)[1]


def test_comments_alone_are_no_recording(tmp_path):
    assert _refusal(_file(tmp_path, "# a\n# b"))[0] == "empty"
