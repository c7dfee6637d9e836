"""WFDB records: segments, gaps, gains, several rates and files, and every refusal."""

import re

import numpy as np
import pytest
import wfdb
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
        format="wfdb",
        timing=recordings.Timing(["t_s"]),
        wanted=pressures(
            icp_aliases=["ICP", "Intracranial pressure"], abp_aliases=["ABP", "ART"], **values
        ),
    )


def _chunks(path, *, chunk_s=600.0, **options):
    about = _describe(path, **options)
    return list(
        recordings.read_chunks(path, about, timing=recordings.Timing(["t_s"]), chunk_s=chunk_s)
    )


def _joined(chunks, role):
    return np.concatenate([chunk.samples[role] for chunk in chunks])


def _reason(path, **options):
    with pytest.raises(recordings.RecordingError) as caught:
        _chunks(path, **options)
    assert re.match(r"\w+\.\w+[:,] .*; ", caught.value.detail)
    return caught.value.reason


def _write(folder, name, digital, *, fs_hz=100, fmt="16", gain=80.0, baseline=0, unit="mmHg"):
    """Write columns by name through the wfdb library and return the header's path."""
    n_sig = len(digital)
    wfdb.wrsamp(
        name,
        fs=fs_hz,
        units=[unit] * n_sig,
        sig_name=list(digital),
        d_signal=np.column_stack(list(digital.values())).astype(np.int64),
        fmt=[fmt] * n_sig,
        adc_gain=[gain] * n_sig,
        baseline=[baseline] * n_sig,
        write_dir=str(folder),
    )
    return folder / f"{name}.hea"


def _header(folder, text, n_bytes=2000):
    (folder / "r1.dat").write_bytes(bytes(range(1, 251)) * (n_bytes // 250))
    path = folder / "r1.hea"
    path.write_text(text)
    return path


COUNT = np.arange(1000)


@pytest.mark.parametrize("fmt", ["16", "24", "32", "80", "212", "508", "516", "524"])
def test_formats_are_scaled_by_gain_and_baseline(tmp_path, fmt):
    digital = COUNT % 100
    path = _write(tmp_path, "r1", {"ICP": digital, "ABP": digital + 20}, fmt=fmt, baseline=40)
    (chunk,) = _chunks(path)
    np.testing.assert_allclose(chunk.samples["icp"], (digital - 40) / 80, atol=1e-12)
    np.testing.assert_allclose(chunk.samples["abp"], (digital - 20) / 80, atol=1e-12)
    assert chunk.fs_hz == {"icp": 100, "abp": 100}


def test_the_description_tells_what_the_record_is(tmp_path):
    about = _describe(_write(tmp_path, "r1", {"ECG": COUNT, "Art": COUNT, "icp": COUNT}))
    assert about == recordings.Description(
        format="wfdb",
        tier="waveform",
        duration_s=10.0,
        signals={
            "icp": recordings.Source("icp", "mmHg", 100.0, "mmHg"),
            "abp": recordings.Source("Art", "mmHg", 100.0, "mmHg"),
        },
    )


def test_a_record_without_abp_has_only_icp(tmp_path):
    path = _write(tmp_path, "r1", {"ICP": COUNT})
    assert list(_describe(path).signals) == ["icp"]
    assert set(_chunks(path)[0].samples) == {"icp"}


@pytest.mark.parametrize("fmt", ["16", "24", "212", "516"])
def test_short_chunks_give_the_same_samples_as_long_ones(tmp_path, fmt):
    digital = np.random.default_rng(1).integers(-2000, 2000, 10_000)
    path = _write(tmp_path, "r1", {"ICP": digital, "ABP": -digital, "ECG": digital}, fmt=fmt)
    long, short = _chunks(path, chunk_s=600.0), _chunks(path, chunk_s=7.0)
    assert (len(long), len(short)) == (1, 15)
    assert [c.start_s for c in short] == [7.0 * i for i in range(15)]
    for role in ("icp", "abp"):
        np.testing.assert_array_equal(_joined(long, role), _joined(short, role))
    np.testing.assert_array_equal(_joined(short, "abp"), -digital / 80)


@pytest.mark.parametrize(("unit", "factor"), [("kPa", 7.500615758456563), ("mm[Hg]", 1.0)])
def test_units_are_converted_to_mmhg(tmp_path, unit, factor):
    path = _header(tmp_path, f"r1 1 10 3\nr1.dat 16 100(0)/{unit} 16 0 0 0 0 ICP\n")
    (tmp_path / "r1.dat").write_bytes(np.array([100, 250, -50], "<i2").tobytes())
    assert _describe(path).signals["icp"].unit == unit
    np.testing.assert_allclose(_joined(_chunks(path), "icp"), factor * np.array([1, 2.5, -0.5]))


def test_signals_in_several_files_and_of_several_rates(tmp_path):
    (tmp_path / "a.dat").write_bytes(np.arange(40, dtype="<i2").tobytes())
    abp, ecg = np.arange(100, 110), np.arange(200, 240)
    frames = np.hstack([ecg.reshape(10, 4), abp.reshape(10, 1)]).astype(">i2")
    (tmp_path / "b.dat").write_bytes(b"head" + frames.tobytes())
    path = tmp_path / "r1.hea"
    path.write_text(
        "r1 3 12.5 10\n"
        "a.dat 16x4 1(0)/mmHg 16 0 0 0 0 ICP\n"
        "b.dat 61x4+4 1(0)/mV 16 0 0 0 0 ECG\n"
        "b.dat 61+4 1(0)/mmHg 16 0 0 0 0 ABP\n"
    )
    about = _describe(path)
    assert (about.signals["icp"].fs_hz, about.signals["abp"].fs_hz, about.duration_s) == (
        50.0,
        12.5,
        0.8,
    )
    for chunk_s in (600.0, 0.25):
        chunks = _chunks(path, chunk_s=chunk_s)
        assert _joined(chunks, "icp").tolist() == list(range(40))
        assert _joined(chunks, "abp").tolist() == abp.tolist()


@pytest.mark.parametrize("chunk_s", [600.0, 0.3])
def test_a_skewed_signal_is_aligned_and_ends_as_missing(tmp_path, chunk_s):
    data = np.column_stack([np.arange(10), np.arange(10)]).astype("<i2")
    (tmp_path / "r1.dat").write_bytes(data.tobytes())
    path = tmp_path / "r1.hea"
    path.write_text(
        "r1 2 10 10\nr1.dat 16:2 1(0)/mmHg 16 0 0 0 0 ICP\n"
        "r1.dat 16:1 1(0)/mmHg 16 0 0 0 0 ABP\n"
    )
    chunks = _chunks(path, chunk_s=chunk_s)
    np.testing.assert_array_equal(_joined(chunks, "icp"), [*range(2, 10), np.nan, np.nan])
    np.testing.assert_array_equal(_joined(chunks, "abp"), [*range(1, 10), np.nan])


@pytest.mark.parametrize("chunk_s", [600.0, 0.3])
def test_differences_of_format_8_go_on_across_chunks(tmp_path, chunk_s):
    icp = np.array([[5, 7], [9, 8], [3, 4], [4, 100], [90, 91], [92, 93]])
    abp = np.array([100, 90, 80, 70, 75, 80])
    icp_steps = np.diff(icp.ravel(), prepend=5).reshape(icp.shape)
    steps = np.column_stack([icp_steps, np.diff(abp, prepend=110)])
    (tmp_path / "r1.dat").write_bytes(steps.astype("i1").tobytes())
    path = tmp_path / "r1.hea"
    path.write_text(
        "r1 2 10 6\nr1.dat 8x2 1(0)/mmHg 12 0 5 0 0 ICP\nr1.dat 8 1(0)/mmHg 12 0 110 0 0 ABP\n"
    )
    chunks = _chunks(path, chunk_s=chunk_s)
    assert _joined(chunks, "icp").tolist() == icp.ravel().tolist()
    assert _joined(chunks, "abp").tolist() == abp.tolist()


def _variable_record(folder):
    """Layout, 1 s of both, 2 s of nothing, 1 s of ABP alone in another order, 1 s with ECG."""
    ones = np.full(100, 800)
    _write(folder, "s1", {"ICP": ones, "ABP": 10 * ones}, gain=80.0)
    _write(folder, "s2", {"ECG": ones, "ABP": 10 * ones}, gain=100.0)
    _write(folder, "s3", {"ABP": 10 * ones, "ICP": ones}, gain=40.0, baseline=400)
    _write(folder, "s4", {"ECG": ones})
    (folder / "lay.hea").write_text(
        "lay 3 100 0\n"
        + "".join(f"~ 0 200/mmHg 0 0 0 0 0 {s}\n" for s in ("ICP", "ABP", "ECG"))
    )
    path = folder / "r1.hea"
    path.write_text("r1/6 3 100 600\nlay 0\ns1 100\n~ 200\ns2 100\ns4 100\ns3 100\n")
    return path


def test_segments_of_a_variable_layout_keep_gains_gaps_and_places(tmp_path):
    chunks = _chunks(_variable_record(tmp_path))
    assert [c.start_s for c in chunks] == [0.0, 3.0, 5.0]
    assert [c.samples["icp"][0] for c in chunks] == pytest.approx([10, np.nan, 10], nan_ok=True)
    assert [c.samples["abp"][0] for c in chunks] == pytest.approx([100, 80, 190])
    assert np.isnan(chunks[1].samples["icp"]).all()
    assert {len(c.samples[role]) for c in chunks for role in ("icp", "abp")} == {100}


def test_the_duration_counts_the_gaps(tmp_path):
    assert _describe(_variable_record(tmp_path)).duration_s == 6.0


def test_segments_of_a_fixed_layout_follow_each_other(tmp_path):
    _write(tmp_path, "s1", {"ICP": np.full(50, 80)})
    _write(tmp_path, "s2", {"ICP": np.full(100, 160)}, gain=40.0)
    path = tmp_path / "r1.hea"
    path.write_text("r1/3 1 100 250\ns1 50\n~ 100\ns2 100\n")
    chunks = _chunks(path, chunk_s=0.4)
    assert [c.start_s for c in chunks] == [0.0, 0.4, 1.5, 1.9, 2.3]
    assert _joined(chunks, "icp").tolist() == [1.0] * 50 + [4.0] * 100


# --- refusals --------------------------------------------------------------------------------


@pytest.mark.parametrize("scale", ["0/mmHg", "0(0)/mmHg", "/mmHg", "(10)/mmHg"])
def test_a_missing_gain_is_not_taken_for_200(tmp_path, scale):
    path = _header(tmp_path, f"r1 1 100 900\nr1.dat 16 {scale} 16 0 0 0 0 ICP\n")
    assert _reason(path) == "no_gain"


def test_a_line_that_ends_before_the_gain_has_no_name(tmp_path):
    assert _reason(_header(tmp_path, "r1 1 100 900\nr1.dat 16\n")) == "no_signal"


def test_a_missing_unit_is_not_taken_for_millivolt(tmp_path):
    path = _header(tmp_path, "r1 1 100 900\nr1.dat 16 80 16 0 0 0 0 ICP\n")
    assert _reason(path) == "no_unit"
    assert _describe(path, icp_unit="mmHg").signals["icp"].unit == "mmHg"
    with pytest.raises(recordings.RecordingError, match="in column icp_unit of recordings"):
        _describe(path)


def test_a_given_unit_converts_the_samples(tmp_path):
    (tmp_path / "r1.dat").write_bytes(np.array([100], "<i2").tobytes())
    path = tmp_path / "r1.hea"
    path.write_text("r1 1 100 1\nr1.dat 16 100 16 0 0 0 0 ICP\n")
    assert _joined(_chunks(path, icp_unit="kPa"), "icp")[0] == pytest.approx(7.500615758)


@pytest.mark.parametrize("rate", ["360", "360.", "360.0", "3.6e2", "360/1000(0)"])
def test_every_legal_way_to_write_a_rate(tmp_path, rate):
    # header(5): 360, 360., 360.0 and 3.6e2 are equivalent; a counter frequency may follow
    path = _header(tmp_path, f"r1 1 {rate} 900\nr1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n")
    assert _describe(path).signals["icp"].fs_hz == 360


def test_a_missing_sampling_rate_is_not_taken_for_250_hz(tmp_path):
    assert (
        _reason(_header(tmp_path, "r1 1\nr1.dat 16 80/mmHg 16 0 0 0 0 ICP\n")) == "bad_header"
    )


@pytest.mark.parametrize("n_kept", [0, 1, 1998])
def test_a_file_shorter_than_the_header_promises_is_truncated(tmp_path, n_kept):
    path = _write(tmp_path, "r1", {"ICP": COUNT})
    data = (tmp_path / "r1.dat").read_bytes()
    (tmp_path / "r1.dat").write_bytes(data[:n_kept])
    assert _reason(path) == "truncated"


def test_a_compressed_file_shorter_than_the_header_promises_is_truncated(tmp_path):
    path = _write(tmp_path, "r1", {"ICP": COUNT}, fmt="516")
    path.write_text(path.read_text().replace("r1 1 100 1000", "r1 1 100 1001"))
    assert _reason(path) == "truncated"


def test_a_compressed_file_cut_in_its_middle_is_refused(tmp_path):
    noise = np.random.default_rng(2).integers(-30000, 30000, 20_000)
    path = _write(tmp_path, "r1", {"ICP": noise}, fmt="516")
    data = (tmp_path / "r1.dat").read_bytes()
    (tmp_path / "r1.dat").write_bytes(data[: len(data) // 2])
    assert _reason(path) in {"unreadable", "truncated"}


def test_missing_signal_files_and_segments_are_named(tmp_path):
    path = _variable_record(tmp_path)
    (tmp_path / "s3.dat").unlink()
    with pytest.raises(
        recordings.RecordingError, match=r"s3.hea: s3.dat is not there"
    ) as caught:
        _describe(path)
    assert caught.value.reason == "missing_file"
    (tmp_path / "s3.hea").unlink()
    assert _reason(path) == "missing_file"


def test_a_segment_shorter_than_its_record_says_is_truncated(tmp_path):
    _write(tmp_path, "s1", {"ICP": COUNT})
    path = tmp_path / "r1.hea"
    path.write_text("r1/1 1 100 1001\ns1 1001\n")
    assert _reason(path) == "truncated"


def test_a_gain_missing_in_one_segment_is_found_before_reading(tmp_path):
    path = _variable_record(tmp_path)
    text = (tmp_path / "s3.hea").read_text()
    (tmp_path / "s3.hea").write_text(text.replace("40.0(400)", "0(400)"))
    with pytest.raises(recordings.RecordingError, match=r"s3.hea: no gain for 'ICP'"):
        _describe(path)


def test_units_that_differ_from_the_given_one_conflict(tmp_path):
    path = _write(tmp_path, "r1", {"ICP": COUNT})
    assert _reason(path, icp_unit="kPa") == "unit_conflict"
    assert _describe(path, icp_unit="mm[Hg]").signals["icp"].unit == "mmHg"


def test_signals_of_one_file_must_stand_together(tmp_path):
    # the library would take the third line's signal for the second of its file
    line = " 16 80(0)/mmHg 16 0 0 0 0 "
    text = f"r1 4 100 10\nr1.dat{line}X\nb.dat{line}Y\nr1.dat{line}ICP\nr1.dat{line}Z\n"
    assert _reason(_header(tmp_path, text)) == "bad_header"


@pytest.mark.parametrize(
    "record_line",
    [
        "r1 1 0 900",
        "r1 1 200000 900",
        "r1 1 nan 900",
        "r1 1 100 1000000000000",
        "r1 4000 100 900",
        "r1 1 -5 900",
        "r1 1 100",
        "r1",
        "r1/2 1 100 900",
    ],
)
def test_absurd_record_lines_are_refused(tmp_path, record_line):
    path = _header(tmp_path, f"{record_line}\nr1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n")
    assert _reason(path) == "bad_header"


def test_a_record_without_samples_is_empty(tmp_path):
    path = _header(tmp_path, "r1 1 100 0\nr1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n")
    assert _reason(path) == "empty"


def test_two_signals_of_one_name_are_ambiguous(tmp_path):
    line = "r1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n"
    assert _reason(_header(tmp_path, "r1 2 100 400\n" + line + line)) == "ambiguous_channel"


def test_the_signal_file_in_place_of_the_header_is_refused_with_the_line_to_write(tmp_path):
    path = _write(tmp_path, "r1", {"ICP": COUNT})
    with pytest.raises(recordings.RecordingError, match=r"write r1\.hea in column path"):
        _describe(path.with_suffix(".dat"))


# --- files -----------------------------------------------------------------------------------


def test_all_files_of_a_record_are_named_once_in_order(tmp_path):
    path = _variable_record(tmp_path)
    (tmp_path / "s2.dat").unlink()
    names = [
        p.name
        for p in recordings.files_of(path, format="wfdb", within=recordings.Places(path.parent))
    ]
    assert names == ["lay.hea", "r1.hea", "s1.dat", "s1.hea", "s2.hea"] + [
        f"s{i}.{kind}" for i in (3, 4) for kind in ("dat", "hea")
    ]


@pytest.mark.parametrize(
    "text", ["", "\n\n", "/", "r1/x\n~ ~\n", "\x00\xff", "r1/3\n../../x 4\n"]
)
def test_rubbish_names_only_itself(tmp_path, text):
    path = tmp_path / "r1.hea"
    path.write_text(text)
    assert recordings.files_of(path, format="wfdb", within=recordings.Places(path.parent)) == [
        path
    ]


def test_a_missing_record_has_no_files(tmp_path):
    assert (
        recordings.files_of(
            tmp_path / "r1.hea", format="wfdb", within=recordings.Places(tmp_path)
        )
        == []
    )
