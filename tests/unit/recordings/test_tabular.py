"""CSV and Parquet: rows on a regular grid, gaps, units in headings, and every refusal."""

import gzip

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from recording_files import pressures

from icpcohort import recordings


def _describe(path, **options):
    values = {
        "icp_channel": None,
        "abp_channel": None,
        "icp_unit": None,
        "abp_unit": None,
    } | options
    return recordings.describe(
        path,
        format=path.name.split(".")[1],
        timing=recordings.Timing(["t_s"]),
        wanted=pressures(**values),
    )


def _chunks(path, *, chunk_s=600.0, **options):
    about = _describe(path, **options)
    return list(
        recordings.read_chunks(path, about, timing=recordings.Timing(["t_s"]), chunk_s=chunk_s)
    )


def _samples(chunks, role="icp"):
    """Return times and values of all samples."""
    t_s = [c.start_s + np.arange(len(c.samples[role])) / c.fs_hz[role] for c in chunks]
    return np.concatenate(t_s), np.concatenate([c.samples[role] for c in chunks])


def _csv(folder, *lines):
    path = folder / "r1.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def _table(folder, t_s, icp, *, kind="csv"):
    path = folder / f"r1.{kind}"
    if kind == "parquet":
        metadata = {"unit": "mm[Hg]"}
        schema = pa.schema(
            [("t_s", pa.float64()), pa.field("ICP", pa.float64(), metadata=metadata)]
        )
        pq.write_table(pa.table([pa.array(t_s), pa.array(icp)], schema=schema), path)
    else:
        rows = "".join(f"{t:.15g},{v:.15g}\n" for t, v in zip(t_s, icp, strict=True))
        path.write_text("t_s,ICP [mmHg]\n" + rows)
    return path


def _reason(path, **options):
    with pytest.raises(recordings.RecordingError) as caught:
        _chunks(path, **options)
    assert caught.value.detail.startswith("r1.")
    return caught.value.reason


def test_a_csv_with_units_in_its_headings(tmp_path):
    path = _csv(tmp_path, "t_s,ICP [kPa],ABP [mm[Hg]]", "0,1,80", "1,2,81", "2,3,82")
    about = _describe(path)
    assert about == recordings.Description(
        format="csv",
        tier="seconds",
        duration_s=3.0,
        signals={
            "icp": recordings.Source("ICP [kPa]", "kPa", 1.0, "mmHg"),
            "abp": recordings.Source("ABP [mm[Hg]]", "mm[Hg]", 1.0, "mmHg"),
        },
    )
    (chunk,) = _chunks(path)
    np.testing.assert_allclose(chunk.samples["icp"], 7.500615758456563 * np.arange(1, 4))
    assert chunk.samples["abp"].tolist() == [80, 81, 82]


def test_a_compressed_csv_is_read_alike(tmp_path):
    path = tmp_path / "r1.csv.gz"
    path.write_bytes(gzip.compress(b"t_s,ICP [mmHg]\n0,10\n0.5,11\n1,12\n"))
    assert _describe(path).signals["icp"].fs_hz == 2.0
    assert _chunks(path)[0].samples["icp"].tolist() == [10, 11, 12]


@pytest.mark.parametrize("unit_in", ["metadata", "heading"])
def test_a_parquet_file_with_its_unit(tmp_path, unit_in):
    name = "ICP [kPa]" if unit_in == "heading" else "ICP"
    metadata = {"unit": "kPa"} if unit_in == "metadata" else None
    schema = pa.schema([("t_s", pa.int64()), pa.field(name, pa.float32(), metadata=metadata)])
    table = pa.table(
        [pa.array([0, 60, 120]), pa.array([1, None, 3], pa.float32())], schema=schema
    )
    pq.write_table(table, tmp_path / "r1.parquet")
    assert _describe(tmp_path / "r1.parquet").signals["icp"].unit == "kPa"
    (chunk,) = _chunks(tmp_path / "r1.parquet")
    np.testing.assert_allclose(chunk.samples["icp"], 7.50061576 * np.array([1, np.nan, 3]))


def test_heading_and_metadata_that_disagree_conflict(tmp_path):
    field = pa.field("ICP [kPa]", pa.float64(), metadata={"unit": "mmHg"})
    schema = pa.schema([("t_s", pa.float64()), field])
    pq.write_table(pa.table([pa.array([0.0, 1.0])] * 2, schema=schema), tmp_path / "r1.parquet")
    assert _reason(tmp_path / "r1.parquet") == "unit_conflict"


@pytest.mark.parametrize("missing", ["", "NaN", "inf", "-inf", "NA"])
def test_missing_and_infinite_readings_are_missing(tmp_path, missing):
    path = _csv(tmp_path, "t_s,ICP [mmHg]", "0,10", f"1,{missing}", "2,12")
    np.testing.assert_array_equal(_chunks(path)[0].samples["icp"], [10, np.nan, 12])


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_short_chunks_give_the_same_samples_as_long_ones(tmp_path, kind):
    t_s = np.delete(np.arange(10_000) / 100, [3, 700, 701, 702, 5000])
    icp = np.random.default_rng(4).normal(12, 3, len(t_s))
    path = _table(tmp_path, t_s, icp, kind=kind)
    long, short = _chunks(path), _chunks(path, chunk_s=7.0)
    assert (len(long), [c.start_s for c in short]) == (1, [7.0 * i for i in range(15)])
    np.testing.assert_array_equal(_samples(long)[1], _samples(short)[1])
    grid_s, values = _samples(short)
    np.testing.assert_allclose(grid_s[~np.isnan(values)], t_s, atol=1e-9)
    np.testing.assert_allclose(values[~np.isnan(values)], icp, rtol=1e-14)
    assert np.isnan(values).sum() == 5


@pytest.mark.parametrize("chunk_s", [600.0, 3.0, 0.1])
def test_a_gap_of_ten_intervals_is_missing_and_a_longer_one_cuts(tmp_path, chunk_s):
    path = _table(tmp_path, [0, 1, 2, 3, 13, 14, 25.25, 26.25, 27.25], np.arange(9))
    t_s, icp = _samples(_chunks(path, chunk_s=chunk_s))
    assert t_s.tolist() == [*range(15), 25.25, 26.25, 27.25]
    np.testing.assert_array_equal(icp, [0, 1, 2, 3, *[np.nan] * 9, 4, 5, 6, 7, 8])


def test_long_files_are_the_same_across_batches(tmp_path):
    t_s = np.arange(200_000) * 0.02
    path = _table(tmp_path, t_s, np.arange(200_000), kind="parquet")
    grid_s, icp = _samples(_chunks(path, chunk_s=1000.0))
    np.testing.assert_allclose(grid_s, t_s, atol=1e-6)
    np.testing.assert_array_equal(icp, np.arange(200_000))


@pytest.mark.parametrize("fs_hz", [60.0, 100.0, 125.0, 240.0, 300.0, 512.0])
def test_times_in_whole_milliseconds_show_the_true_rate(tmp_path, fs_hz):
    t_s = np.arange(20_000) / fs_hz
    path = _table(tmp_path, np.round(t_s, 3), np.arange(20_000))
    assert _describe(path).signals["icp"].fs_hz == fs_hz
    (chunk,) = _chunks(path)
    np.testing.assert_array_equal(chunk.samples["icp"], np.arange(20_000))


@pytest.mark.parametrize(
    ("interval_s", "tier"),
    [
        (0.04, "waveform"),
        (0.05, "seconds"),
        (9.0, "seconds"),
        (10.0, "ten_seconds"),
        (59.0, "ten_seconds"),
        (60.0, "minutes"),
        (3599.0, "minutes"),
        (3600.0, "hourly"),
    ],
)
def test_the_tier_follows_the_interval(tmp_path, interval_s, tier):
    about = _describe(_table(tmp_path, interval_s * np.arange(6), np.arange(6)))
    assert about.tier == tier
    assert about.signals["icp"].fs_hz == pytest.approx(1 / interval_s, rel=1e-12)


def test_jitter_of_a_third_of_an_interval_is_tolerated(tmp_path):
    jitter_s = np.random.default_rng(6).uniform(-0.38, 0.38, 500)
    jitter_s[0] = 0.38  # the first row is as uneven as any
    t_s = 60 * np.sort(np.arange(1, 501) + jitter_s)
    grid_s, icp = _samples(_chunks(_table(tmp_path, t_s, np.arange(500))))
    np.testing.assert_array_equal(icp, np.arange(500))
    assert np.abs(grid_s - t_s).max() < 60
    assert grid_s[-1] - grid_s[0] == pytest.approx(499 * 60, abs=10)


def test_readings_that_share_an_interval_are_averaged(tmp_path):
    path = _table(tmp_path, [0, 1, 2, 3, 4, 4.2, 4.4, 5, 6, 7, 8], np.arange(11))
    assert _samples(_chunks(path))[1].tolist() == [0, 1, 2, 3, 5, 7, 8, 9, 10]


def test_a_missing_reading_does_not_spoil_the_mean_of_its_interval(tmp_path):
    path = _csv(tmp_path, "t_s,ICP [mmHg]", "0,10", "1,", "1.1,12", "2,13", "3,", "3,", "4,15")
    np.testing.assert_array_equal(_samples(_chunks(path))[1], [10, 12, 13, np.nan, 15])


def test_a_waveform_with_rows_written_twice_is_read(tmp_path):
    t_s = np.sort(np.append(np.arange(1000), np.arange(0, 1000, 5))) / 100
    path = _table(tmp_path, t_s, t_s)
    assert (_describe(path).signals["icp"].fs_hz, _describe(path).n_duplicate_times) == (
        100,
        200,
    )
    np.testing.assert_allclose(_samples(_chunks(path))[1], np.arange(1000) / 100)


@pytest.mark.parametrize("n_extra", [52, 54])
def test_a_waveform_with_many_rows_in_one_interval_is_refused(tmp_path, n_extra):
    t_s = np.arange(1000) / 100
    t_s = np.sort(np.append(t_s, t_s[2 : 3 * n_extra : 3] + 0.002))
    path = _table(tmp_path, t_s, np.arange(len(t_s)))
    if n_extra > 0.05 * len(t_s):
        with pytest.raises(recordings.RecordingError, match=r"54 of 1054 rows lie in a samp"):
            _chunks(path)
    else:
        assert _describe(path).signals["icp"].fs_hz == 100
        assert len(_samples(_chunks(path))[1]) == 1000


def test_time_counts_from_the_recording_s_start_also_when_the_first_row_is_later(tmp_path):
    path = _table(tmp_path, [30, 31, 32], [1, 2, 3])
    assert _chunks(path)[0].start_s == 30
    assert _describe(path).duration_s == 33


@pytest.mark.parametrize(
    ("times", "message"),
    [
        (["0", "1", "1", "1", "1", "1"], r"4 of 6 rows have the time of another row"),
        (["0", "", "1"], r"row 2: no time"),
        (["0", "inf", "inf"], r"row 2: no time"),
        (["-1", "0", "1"], r"row 1: a time before the recording's start"),
        (["1700000000", "1700000001"], r"no time since the start of a recording"),
        (["5"], r"do not show a sampling interval"),
        (["0", "noon"], r"row 2, column 't_s': neither a number nor missing"),
    ],
)
def test_bad_times_are_refused_with_their_row(tmp_path, times, message):
    path = _csv(tmp_path, "t_s,ICP [mmHg]", *[f"{t},10" for t in times])
    with pytest.raises(recordings.RecordingError, match=message) as caught:
        _describe(path)
    assert caught.value.reason in {"bad_times", "unreadable"}


def test_the_row_of_a_bad_time_is_counted_through_the_whole_file(tmp_path):
    t_s = np.arange(200_000.0)
    t_s[190_000] = 5.0
    message = (
        r"row 190001: .* before rows that stand more than 65536 rows above it; sort the rows"
    )
    with pytest.raises(recordings.RecordingError, match=message):
        _describe(_table(tmp_path, t_s, t_s))


def test_a_time_column_that_is_not_there_is_named(tmp_path):
    path = _csv(tmp_path, "time,ICP [mmHg]", "0,1", "1,2")
    assert _reason(path) == "bad_times"


def test_local_times_without_a_zone_are_refused(tmp_path):
    t = pa.array([0, 1], pa.timestamp("s"))
    pq.write_table(pa.table({"t_s": t, "ICP [mmHg]": [1.0, 2.0]}), tmp_path / "r1.parquet")
    assert _reason(tmp_path / "r1.parquet") == "no_zone"


def test_text_among_the_readings_is_refused(tmp_path):
    path = _csv(tmp_path, "t_s,ICP [mmHg]", "0,1", "1,high")
    with pytest.raises(
        recordings.RecordingError, match=r"row 2, column 'ICP \[mmHg\]': neither a number"
    ) as caught:
        _chunks(path)
    assert caught.value.reason == "unreadable"


def test_a_text_column_of_parquet_is_refused(tmp_path):
    pq.write_table(pa.table({"t_s": [0, 1], "ICP [mmHg]": ["1", "2"]}), tmp_path / "r1.parquet")
    assert _reason(tmp_path / "r1.parquet") == "unreadable"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "empty"),
        ("t_s,ICP [mmHg]\n", "empty"),
        ("t_s,ICP\n0,1\n1,2\n", "no_unit"),
        ("t_s,ICP [furlong]\n0,1\n1,2\n", "unknown_unit"),
        ("t_s,ICP [mmHg],ICP [kPa]\n0,1,2\n1,2,3\n", "ambiguous_channel"),
        ("t_s,pressure\n0,1\n1,2\n", "no_signal"),
        ("t_s,ICP [mmHg]\n0,1\n1\n", "unreadable"),
    ],
)
def test_files_that_cannot_be_used_have_their_reason(tmp_path, text, reason):
    path = tmp_path / "r1.csv"
    path.write_text(text)
    assert _reason(path) == reason


def test_units_of_columns_that_are_no_pressure_do_not_matter(tmp_path):
    fields = [
        pa.field("t_s", pa.float64(), metadata={"unit": "s"}),
        pa.field("ICP", pa.float64(), metadata={"unit": "mmHg"}),
        pa.field("temperature", pa.float64(), metadata={"unit": "Cel"}),
    ]
    columns = [[0.0, 1.0, 2.0], [10.0, 11.0, 12.0], [37.0, 37.0, 37.1]]
    pq.write_table(pa.table(columns, schema=pa.schema(fields)), tmp_path / "r.parquet")
    about = _describe(tmp_path / "r.parquet")
    assert (about.signals["icp"].unit, about.tier) == ("mmHg", "seconds")
