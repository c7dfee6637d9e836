"""Damaged files give a valid result or a RecordingError, never anything else."""

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import wfdb
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recording_files import pressures

from icpcohort import recordings

N = 400
VALUES = np.random.default_rng(8).integers(-500, 500, (N, 2))


def _wfdb_files(folder, fmt):
    for name, rows in (("s1", VALUES[:150]), ("s2", VALUES[150:])):
        wfdb.wrsamp(
            name,
            fs=50,
            units=["mmHg"] * 2,
            sig_name=["ICP", "ABP"],
            d_signal=rows.astype(np.int64),
            fmt=[fmt] * 2,
            adc_gain=[80.0] * 2,
            baseline=[0] * 2,
            write_dir=str(folder),
        )
    (folder / "r1.hea").write_text("r1/3 2 50 500\ns1 150\n~ 100\ns2 250\n")


def _edf_file(folder):
    n_records, n = 8, 50
    head = "0".ljust(168) + "01.01.0101.01.01" + "1024".ljust(8) + "EDF+D".ljust(44)
    head += f"{n_records}".ljust(8) + "1".ljust(8) + "3".ljust(4)
    fields = [("ICP", "ABP", "EDF Annotations", 16), ("", "", "", 80), ("mmHg", "kPa", "", 8)]
    fields += [("-100", "-100", "-1", 8), ("100", "100", "1", 8)]
    fields += [("-1000", "-1000", "-32768", 8), ("1000", "1000", "32767", 8), ("", "", "", 80)]
    fields += [(str(n), str(n), "8", 8), ("", "", "", 32)]
    head += "".join(text.ljust(width) for *texts, width in fields for text in texts)
    data = b""
    for i in range(n_records):
        rows = VALUES[i * n : (i + 1) * n].T.astype("<i2")
        data += rows.tobytes() + f"+{i + 3 * (i > 4)}\x14\x14\x00".encode().ljust(16, b"\x00")
    (folder / "r1.edf").write_bytes(head.encode() + data)


def _tables(folder):
    t_s = np.arange(N) * 0.02 + 5.0 * (np.arange(N) > 200)
    lines = [f"{t:.2f},{a},{b}" for t, (a, b) in zip(t_s, VALUES, strict=True)]
    (folder / "r1.csv").write_text("\n".join(["t_s,ICP [mmHg],ABP [kPa]", *lines]) + "\n")
    columns = {"t_s": t_s, "ICP [mmHg]": VALUES[:, 0], "ABP [kPa]": VALUES[:, 1]}
    pq.write_table(pa.table(columns), folder / "r1.parquet")


@pytest.fixture(scope="module")
def intact(tmp_path_factory):
    """Folders by format with one intact recording each, and its bytes by file."""
    folders = {}
    for kind in ("16", "212", "516", "edf", "csv"):
        folder = tmp_path_factory.mktemp(f"f{kind}")
        {"edf": _edf_file, "csv": _tables}.get(kind, lambda f, k=kind: _wfdb_files(f, k))(
            folder
        )
        folders[kind] = (folder, {p.name: p.read_bytes() for p in sorted(folder.iterdir())})
    return folders


def _result(path, format):
    """Return the samples of a recording, or its RecordingError."""
    recordings.fingerprint(
        recordings.files_of(path, format=format, within=recordings.Places(path.parent))
    )
    try:
        about = recordings.describe(
            path, format=format, timing=recordings.Timing(["t_s"]), wanted=pressures()
        )
        return list(
            recordings.read_chunks(path, about, timing=recordings.Timing(["t_s"]), chunk_s=1.0)
        )
    except recordings.RecordingError as error:
        return error


def _check(result):
    if isinstance(result, recordings.RecordingError):
        assert result.reason
        assert "Traceback" not in result.detail
        return
    for chunk in result:
        assert np.isfinite(chunk.start_s)
        assert "icp" in chunk.samples
        for role, samples in chunk.samples.items():
            assert samples.dtype == np.float64
            assert len(samples) / chunk.fs_hz[role] < 700
            assert not np.isinf(samples).any()


PLACES = [("16", "r1.hea", "wfdb"), ("212", "r1.hea", "wfdb"), ("516", "r1.hea", "wfdb")]
PLACES += [("edf", "r1.edf", "edf"), ("csv", "r1.csv", "csv"), ("csv", "r1.parquet", "parquet")]


@pytest.mark.parametrize(("kind", "name", "format"), PLACES)
def test_the_intact_recordings_are_valid(intact, kind, name, format):
    result = _result(intact[kind][0] / name, format)
    assert not isinstance(result, recordings.RecordingError)
    icp = np.concatenate([chunk.samples["icp"] for chunk in result])
    scale = {"wfdb": 80, "edf": 10}.get(format, 1)
    np.testing.assert_allclose(icp, VALUES[:, 0] / scale)


@pytest.mark.parametrize(("kind", "name", "format"), PLACES)
@settings(
    max_examples=80,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(draw=st.data())
def test_damaged_bytes_give_a_valid_result_or_a_reason(intact, kind, name, format, draw):
    folder, files = intact[kind]
    victims = [name] if format in {"csv", "parquet"} else sorted(files)
    victim = draw.draw(st.sampled_from(victims))
    data = io.BytesIO(files[victim])
    n_bytes = len(files[victim])
    for _ in range(draw.draw(st.integers(1, 4))):
        near_start = st.integers(0, min(n_bytes, 1100) - 1)
        data.seek(draw.draw(st.one_of(near_start, st.integers(0, n_bytes - 1))))
        text = st.sampled_from(
            [b" ", b"0", b"-1", b"9" * 9, b"nan", b"/", b"~", b"\n", b"[", b","]
        )
        data.write(draw.draw(st.one_of(st.binary(min_size=1, max_size=4), text)))
    cut = draw.draw(st.one_of(st.none(), st.integers(0, n_bytes)))
    try:
        (folder / victim).write_bytes(data.getvalue()[:cut])
        _check(_result(folder / name, format))
    finally:
        (folder / victim).write_bytes(files[victim])
