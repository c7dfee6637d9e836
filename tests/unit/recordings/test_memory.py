"""Memory does not grow with the length of a recording."""

import tracemalloc

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import soundfile
from recording_files import pressures

from icpcohort import recordings

HOUR_S = 3600


def _wfdb(folder, n_hours):
    n = n_hours * HOUR_S * 100
    with (folder / "r1.dat").open("wb") as file:
        file.truncate(2 * n)
    path = folder / "r1.hea"
    path.write_text(f"r1 1 100 {n}\nr1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n")
    return path


def _flac(folder, n_hours):
    samples = (np.arange(n_hours * HOUR_S * 100) % 1000).astype(np.int16)
    soundfile.write(folder / "r1.dat", samples, 100, subtype="PCM_16", format="FLAC")
    path = folder / "r1.hea"
    path.write_text(f"r1 1 100 {len(samples)}\nr1.dat 516 80(0)/mmHg 16 0 0 0 0 ICP\n")
    return path


def _edf(folder, n_hours, *, format="edf", magic=b"0       ", width=2):
    n_records = n_hours * HOUR_S
    head = " " * 160 + "01.01.0101.01.01" + "512".ljust(8) + " " * 44
    head += f"{n_records}".ljust(8) + "1".ljust(8) + "1".ljust(4) + "ICP".ljust(96)
    head += "".join(text.ljust(8) for text in ("mmHg", "-100", "100", "-1000", "1000"))
    path = folder / f"r1.{format}"
    path.write_bytes(magic + (head + " " * 80 + "100".ljust(40)).encode())
    with path.open("r+b") as file:
        file.truncate(512 + width * 100 * n_records)
    return path


def _bdf(folder, n_hours):
    return _edf(folder, n_hours, format="bdf", magic=b"\xffBIOSEMI", width=3)


def _parquet(folder, n_hours):
    path = folder / "r1.parquet"
    schema = pa.schema([("t_s", pa.float64()), ("ICP [mmHg]", pa.float64())])
    with pq.ParquetWriter(path, schema, compression="none", use_dictionary=False) as writer:
        for i in range(n_hours):
            t_s = np.arange(i * HOUR_S, (i + 1) * HOUR_S, 0.04)
            writer.write_table(pa.table([t_s, np.full(len(t_s), 12.0)], schema=schema))
    return path


def _parquet_of_one_group(folder, n_hours):
    t_s = np.arange(0, n_hours * HOUR_S, 0.04)
    path = folder / "r1.parquet"
    pl.DataFrame({"t_s": t_s, "ICP [mmHg]": np.sin(t_s)}).write_parquet(
        path, row_group_size=len(t_s)
    )
    return path


def _csv(folder, n_hours):
    path = folder / "r1.csv"
    with path.open("w") as file:
        file.write("t_s,ICP [mmHg]\n")
        file.writelines(
            f"{t_s / 10},12.00000000000000000000\n" for t_s in range(n_hours * HOUR_S * 10)
        )
    return path


def _peak_bytes(path, format):
    tracemalloc.start()
    arrow, n_samples = 0, 0
    try:
        about = recordings.describe(
            path, format=format, timing=recordings.Timing(["t_s"]), wanted=pressures()
        )
        for chunk in recordings.read_chunks(
            path, about, timing=recordings.Timing(["t_s"]), chunk_s=600.0
        ):
            arrow = max(arrow, pa.total_allocated_bytes())
            n_samples += len(chunk.samples["icp"])
        assert n_samples == round(about.duration_s * about.signals["icp"].fs_hz)
        return arrow + tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("format", "write", "short_h", "long_h"),
    [
        ("wfdb", _wfdb, 2, 20),
        ("wfdb", _flac, 2, 20),
        ("edf", _edf, 2, 20),
        ("bdf", _bdf, 2, 20),
        ("parquet", _parquet, 8, 40),
        ("parquet", _parquet_of_one_group, 8, 40),
        ("csv", _csv, 10, 25),
    ],
)
def test_a_longer_recording_takes_no_more_memory(tmp_path, format, write, short_h, long_h):
    peaks = []
    for n_hours in (short_h, short_h, long_h):  # the first only loads what is loaded once
        path = write(tmp_path, n_hours)
        peaks.append(_peak_bytes(path, format))
        path.unlink()
    assert peaks[2] < 1.3 * peaks[1] + 500_000


def test_many_channels_at_a_high_rate_come_in_shorter_chunks(tmp_path):
    # 100 channels at 1 kHz: 10 min of all would be 120 MB on disk, and much more in memory
    n = 700_000
    with (tmp_path / "r1.dat").open("wb") as file:
        file.truncate(2 * n * 100)
    lines = "".join(f"r1.dat 16 80(0)/mmHg 16 0 0 0 0 {i or 'ICP'}\n" for i in range(100))
    (tmp_path / "r1.hea").write_text(f"r1 100 1000 {n}\n{lines}")
    assert _peak_bytes(tmp_path / "r1.hea", "wfdb") < 40_000_000
