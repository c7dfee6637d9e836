"""Reference: samples of WFDB records against the standard, its library and packed bytes.

Sources: header(5) and signal(5) of the WFDB Applications Guide; the table of invalid samples of
the wfdb library 4.3.1. Writers: the wfdb library, and bytes packed by hand; readers to compare
with: the wfdb library.
"""

import runpy
import struct
from pathlib import Path

import numpy as np
import pytest
import wfdb

from icpcohort.recordings import wfdb_files, wfdb_samples

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))


def _chunks(path, *, chunk_s=600.0):
    return FILES["chunks"](path, "wfdb", chunk_s=chunk_s)


def _read(path):
    found = _chunks(path)
    return {role: FILES["joined"](found, role) for role in found[0].samples_mmhg}


def _wfdb_of_one(folder, fmt, data, n, *, scale="1(0)/mmHg", spf=""):
    (folder / "one.dat").write_bytes(data)
    path = folder / "one.hea"
    path.write_text(f"one 1 1 {n}\none.dat {fmt}{spf} {scale} 12 0 0 0 0 ICP\n")
    return path


def test_first_sample_pair_of_format_212(tmp_path):
    # signal(5); the bytes and the values 995 and 1011 open record 100 of the MIT-BIH database
    (tmp_path / "a.dat").write_bytes(bytes([0xE3, 0x33, 0xF3]))
    (tmp_path / "a.hea").write_text(
        "a 2 360 1\na.dat 212 1(0)/mmHg 11 1024 995 0 0 ICP\n"
        "a.dat 212 1(0)/mmHg 11 1024 1011 0 0 ABP\n"
    )
    found = _read(tmp_path / "a.hea")
    assert (found["icp"][0], found["abp"][0]) == (995, 1011)


def test_physical_values_of_the_first_sample_pair(tmp_path):
    # header(5): (995 - 1024) / 200 and (1011 - 1024) / 200, here called mmHg; the baseline of
    # the second signal is left to its ADC zero
    (tmp_path / "a.dat").write_bytes(bytes([0xE3, 0x33, 0xF3]))
    (tmp_path / "a.hea").write_text(
        "a 2 360 1\na.dat 212 200(1024)/mmHg 11 0 995 0 0 ICP\n"
        "a.dat 212 200/mmHg 11 1024 1011 0 0 ABP\n"
    )
    found = _read(tmp_path / "a.hea")
    assert found["icp"][0] == pytest.approx(-0.145, abs=1e-12)
    assert found["abp"][0] == pytest.approx(-0.065, abs=1e-12)


PUBLISHED_INVALID = [  # wfdb library 4.3.1, wfdb/io/_signal.py INVALID_SAMPLE_VALUE
    (["16", "61", "160", "516"], -32768),
    (["212"], -2048),
    (["310", "311"], -512),
    (["80", "508"], -128),
    (["24", "524"], -8388608),
    (["32"], -2147483648),
]


@pytest.mark.parametrize(
    ("fmt", "code"), [(fmt, code) for fmts, code in PUBLISHED_INVALID for fmt in fmts]
)
def test_the_published_invalid_code_of_each_format(fmt, code):
    assert wfdb_samples.INVALID_CODE[fmt] == code


def test_differences_have_no_invalid_code():
    assert wfdb_samples.INVALID_CODE["8"] is None


PACKED = {  # signal(5), each rule written out: smallest (invalid), largest, an ordinary value
    "16": (struct.pack("<3h", -32768, 32767, -7), [32767, -7]),
    "61": (struct.pack(">3h", -32768, 32767, -7), [32767, -7]),
    "160": (struct.pack("<3H", 0, 65535, 32761), [32767, -7]),
    "80": (bytes([0, 255, 121]), [127, -7]),
    "32": (struct.pack("<3i", -(2**31), 2**31 - 1, -7), [2**31 - 1, -7]),
    "24": (b"\x00\x00\x80" + b"\xff\xff\x7f" + b"\xf9\xff\xff", [2**23 - 1, -7]),
    "212": (FILES["packed_212"](-2048, 2047) + FILES["packed_212"](-7, 0), [2047, -7]),
    "310": (FILES["packed_310"](-512, 511, -7), [511, -7]),
    "311": (FILES["packed_311"](-512, 511, -7), [511, -7]),
}


@pytest.mark.parametrize("fmt", PACKED)
def test_extreme_values_of_each_format_and_its_invalid_sample(tmp_path, fmt):
    data, expected = PACKED[fmt]
    icp = _read(_wfdb_of_one(tmp_path, fmt, data, 3))["icp"]
    assert np.isnan(icp[0])
    assert icp[1:].tolist() == expected


def test_invalid_samples_are_not_scaled_to_a_pressure(tmp_path):
    path = _wfdb_of_one(tmp_path, "16", struct.pack("<2h", -32768, 800), 2, scale="80(0)/mmHg")
    icp = _read(path)["icp"]
    assert np.isnan(icp[0])
    assert icp[1] == 10


def test_length_of_the_charis_recordings(tmp_path):
    # CHARIS 1.0.0: 293 817 494 samples at 50 Hz in all, 1632.3194 h; the file is a hole
    n = 293_817_494
    with (tmp_path / "one.dat").open("wb") as file:
        file.truncate(2 * n)
    (tmp_path / "one.hea").write_text(f"one 1 50 {n}\none.dat 16 90(0)/mmHg 16 0 0 0 0 ICP\n")
    duration_h = FILES["describe"](tmp_path / "one.hea", "wfdb").duration_s / 3600
    assert duration_h == pytest.approx(1632.319411111111, abs=1e-6)


def test_the_unused_bits_of_format_311_mean_nothing(tmp_path):
    # signal(5): 3 x 10 bits of 32; the wfdb library 4.3.1 reads 1017 where bit 30 is set
    (word,) = struct.unpack("<I", FILES["packed_311"](5, 6, -7))
    data = struct.pack("<I", word | 3 << 30)
    assert _read(_wfdb_of_one(tmp_path, "311", data, 3))["icp"].tolist() == [5, 6, -7]


BITS = {"16": 16, "24": 24, "32": 32, "61": 16, "80": 8, "160": 16, "212": 12, "310": 10}
BITS |= {"311": 10, "508": 8, "516": 16, "524": 24}


def _drawn(fmt, shape):
    """Return numbers over the whole range of a format, invalid codes among them."""
    half = 2 ** (BITS[fmt] - 1)
    values = np.random.default_rng(int(fmt)).integers(-half, half, shape)
    values[:: max(1, shape[0] // 7)] = -half
    return values


def _expected(values, fmt, *, gain=1.0, baseline=0):
    invalid = values == -(2 ** (BITS[fmt] - 1))
    return np.where(invalid, np.nan, (values - baseline) / gain)


@pytest.mark.parametrize("n_frames", [1, 2, 3, 50, 101])
@pytest.mark.parametrize("fmt", [fmt for fmt in BITS if not fmt.startswith("5")])
def test_packed_bytes_of_two_signals_and_of_unequal_samples_per_frame(tmp_path, fmt, n_frames):
    # bytes packed by the rules of signal(5): a frame is two samples of ICP, one of ECG, two of
    # ABP; the blocks of 7 frames begin anywhere in a group of samples
    values = _drawn(fmt, (n_frames, 5))
    (tmp_path / "a.dat").write_bytes(b"!" * 11 + FILES["packed"](values.ravel(), fmt))
    lines = [
        f"a.dat {fmt}x{n}+11 4(-3)/{unit} 0 0 0 0 0 {name}\n"
        for name, n, unit in (("ICP", 2, "mmHg"), ("ECG", 1, "mV"), ("ABP", 2, "mmHg"))
    ]
    (tmp_path / "a.hea").write_text(f"a 3 10 {n_frames}\n" + "".join(lines))
    for chunk_s in (600.0, 0.7):
        found = _chunks(tmp_path / "a.hea", chunk_s=chunk_s)
        for role, columns in (("icp", values[:, :2]), ("abp", values[:, 3:])):
            expected = _expected(columns, fmt, gain=4, baseline=-3).ravel()
            np.testing.assert_array_equal(FILES["joined"](found, role), expected)


def _write(folder, name, columns, fmt, *, per_frame=None, gain=2.0, fs_hz=10):
    """Write columns by name with the wfdb library: {name: samples}."""
    n = len(columns)
    record = wfdb.Record(
        record_name=name,
        n_sig=n,
        fs=fs_hz,
        sig_len=len(next(iter(columns.values()))) // (per_frame or [1])[0],
        file_name=[f"{name}.dat"] * n,
        fmt=[fmt] * n,
        samps_per_frame=per_frame or [1] * n,
        adc_gain=[gain] * n,
        baseline=[0] * n,
        units=["mmHg"] * n,
        sig_name=list(columns),
        adc_zero=[0] * n,
        adc_res=[BITS[fmt]] * n,
        init_value=[int(v[0]) for v in columns.values()],
        block_size=[0] * n,
        e_d_signal=[np.asarray(v, np.int64) for v in columns.values()],
    )
    record.checksum = record.calc_checksum(expanded=True)
    record.wrsamp(expanded=True, write_dir=str(folder))
    return folder / f"{name}.hea"


LIBRARY_WRITES = ["16", "24", "32", "80", "212", "508", "516", "524"]


@pytest.mark.parametrize("per_frame", [[1, 1], [2, 2], [4, 1]])
@pytest.mark.parametrize("fmt", LIBRARY_WRITES)
def test_records_of_the_wfdb_library_with_invalid_samples(tmp_path, fmt, per_frame):
    # a FLAC file has one rate (signal(5))
    if fmt.startswith("5") and per_frame == [4, 1]:
        per_frame = [4, 4]
    icp, abp = (_drawn(fmt, (60 * n,)) for n in per_frame)
    path = _write(tmp_path, "a", {"ICP": icp, "ABP": abp}, fmt, per_frame=per_frame)
    for chunk_s in (600.0, 0.7):
        found = _chunks(path, chunk_s=chunk_s)
        np.testing.assert_array_equal(
            FILES["joined"](found, "icp"), _expected(icp, fmt, gain=2)
        )
        np.testing.assert_array_equal(
            FILES["joined"](found, "abp"), _expected(abp, fmt, gain=2)
        )
    theirs = wfdb.rdrecord(str(path.with_suffix("")), smooth_frames=False).e_p_signal[0]
    np.testing.assert_allclose(FILES["joined"](found, "icp"), theirs, rtol=1e-12)


def test_a_flac_file_of_fewer_bits_than_its_format(tmp_path):
    # signal(5): a 524 file may hold a stream of 16 bits
    path = _write(tmp_path, "a", {"ICP": _drawn("516", (60,))}, "516")
    path.write_text(path.read_text().replace("516", "524"))
    assert np.nanmin(_read(path)["icp"]) == -(2**15) / 2


@pytest.mark.parametrize(("fields", "start"), [("12 0 30 0", 30), ("12 25", 25), ("12 0", 0)])
def test_differences_start_at_the_initial_value_or_the_adc_zero(tmp_path, fields, start):
    # header(5): without an initial value, the ADC zero
    values = start + np.array([0, 100, 90, -30, -30])
    name = " 0 ICP" if fields.count(" ") == 3 else ""
    (tmp_path / "a.dat").write_bytes(FILES["differences"](values, initial=start))
    line = f"a.dat 8 1(0)/mmHg {fields}{name}\n"
    (tmp_path / "a.hea").write_text(f"a 1 10 5\n{line}")
    about = FILES["describe"](tmp_path / "a.hea", "wfdb", icp_channel="ICP" if name else "")
    (chunk,) = wfdb_files.read(tmp_path / "a.hea", about, chunk_s=600.0)
    assert chunk.samples_mmhg["icp"].tolist() == values.tolist()


def test_skewed_signals_agree_with_the_library(tmp_path):
    values = _drawn("16", (50, 2))
    (tmp_path / "a.dat").write_bytes(FILES["packed"](values.ravel(), "16"))
    lines = (
        f"a.dat 16:3 1(0)/mmHg 16 0 {values[0, 0]} 0 0 ICP\na.dat 16 1/mmHg 16 0 0 0 0 ABP\n"
    )
    (tmp_path / "a.hea").write_text(f"a 2 10 50\n{lines}")
    theirs = wfdb.rdrecord(str(tmp_path / "a")).p_signal
    found = _chunks(tmp_path / "a.hea", chunk_s=0.7)
    np.testing.assert_array_equal(FILES["joined"](found, "icp"), theirs[:, 0])
    np.testing.assert_array_equal(FILES["joined"](found, "abp"), theirs[:, 1])


def test_a_record_of_segments_agrees_with_the_library_in_values_and_gaps(tmp_path):
    # gains and order of channels change; the library puts NaN where a segment is null
    icp, abp = _drawn("212", (300,)), _drawn("212", (300,))
    _write(tmp_path, "s1", {"ICP": icp[:100], "ABP": abp[:100]}, "212", gain=4.0)
    _write(tmp_path, "s2", {"ABP": abp[100:], "ICP": icp[100:]}, "16", gain=8.0)
    (tmp_path / "lay.hea").write_text(
        "lay 2 10 0\n~ 0 4/mmHg 0 0 0 0 0 ICP\n~ 0 4/mmHg 0 0 0 0 0 ABP\n"
    )
    (tmp_path / "r.hea").write_text("r/4 2 10 357\nlay 0\ns1 100\n~ 57\ns2 200\n")
    theirs = wfdb.rdrecord(str(tmp_path / "r")).p_signal
    found = _chunks(tmp_path / "r.hea", chunk_s=1.1)
    ours = np.full_like(theirs, np.nan)
    for chunk in found:
        first = round(chunk.start_s * 10)
        for column, role in enumerate(("icp", "abp")):
            samples = chunk.samples_mmhg[role]
            ours[first : first + len(samples), column] = samples
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)
    assert not any(10 <= chunk.start_s < 15.7 for chunk in found)


# --- checksums and limits --------------------------------------------------------------------


def _one_of_sum(folder, checksum, *, fmt="16", values=(-32768, 40000 - 32768, 7)):
    data = FILES["packed"](values, fmt)
    path = _wfdb_of_one(folder, fmt, data, len(values))
    path.write_text(path.read_text().replace("0 0 0 0 ICP", f"0 0 {checksum} 0 ICP"))
    return path


# -32768 + 7232 + 7 = -25529, as 16 bits without a sign 40007; all samples count, with invalid
# codes, as they are stored: header(5), checksum
@pytest.mark.parametrize("checksum", ["-25529", "40007", "0"])
def test_a_checksum_that_agrees_or_is_not_stated(tmp_path, checksum):
    assert len(_read(_one_of_sum(tmp_path, checksum))["icp"]) == 3


@pytest.mark.parametrize("checksum", ["-25528", "25529", "7239"])
def test_a_checksum_that_disagrees_excludes_the_recording(tmp_path, checksum):
    reason, words = FILES["refusal"](_one_of_sum(tmp_path, checksum), "wfdb")
    assert reason == "checksum"
    assert words.startswith("one.hea: the samples of 'ICP' in one.dat add up to -25529, but")


@pytest.mark.parametrize("fmt", LIBRARY_WRITES)
def test_the_checksum_of_the_library_agrees_and_one_beside_it_does_not(tmp_path, fmt):
    values = _drawn(fmt, (5000,))
    path = _write(tmp_path, "a", {"ICP": values}, fmt)
    _chunks(path, chunk_s=0.7)
    line = path.read_text().splitlines()[1].split()
    assert (int(line[6]) - values.sum()) % 2**16 == 0
    line[6] = str(int(line[6]) + 1)
    path.write_text("a 1 10 5000\n" + " ".join(line) + "\n")
    assert FILES["refusal"](path, "wfdb")[0] == "checksum"


def test_the_checksum_is_of_the_samples_before_skew_and_of_sums_of_differences(tmp_path):
    values = np.array([5, 60, 30, 20, 9])
    (tmp_path / "a.dat").write_bytes(FILES["differences"](values, initial=5))
    path = tmp_path / "a.hea"
    path.write_text(f"a 1 10 5\na.dat 8:2 1(0)/mmHg 12 0 5 {values.sum()} 0 ICP\n")
    icp = FILES["joined"](_chunks(path, chunk_s=0.2))
    np.testing.assert_array_equal(icp, [30, 20, 9, np.nan, np.nan])
    path.write_text(f"a 1 10 5\na.dat 8:2 1(0)/mmHg 12 0 5 {values[2:].sum()} 0 ICP\n")
    assert FILES["refusal"](path, "wfdb")[0] == "checksum"


def test_each_segment_has_its_own_checksum(tmp_path):
    _write(tmp_path, "s1", {"ICP": [1, 2, 3]}, "16")
    _write(tmp_path, "s2", {"ICP": [4, 5, 6]}, "16")
    path = tmp_path / "r.hea"
    path.write_text("r/2 1 10 6\ns1 3\ns2 3\n")
    assert _read(path)["icp"].tolist() == [0.5, 1, 1.5, 2, 2.5, 3]
    second = tmp_path / "s2.dat"
    second.write_bytes(second.read_bytes().replace(b"\x05", b"\x07"))
    reason, words = FILES["refusal"](path, "wfdb")
    assert (reason, words.split(":")[0]) == ("checksum", "s2.hea")


@pytest.mark.parametrize(
    ("fmt", "scale", "expected"),
    [
        ("16 ", "100(0)/mmHg 0 0", (-327.67, 327.67)),  # header(5): 0 bits are not stated
        ("16 ", "100(0)/mmHg 12 0", (-20.48, 20.47)),
        ("16 ", "100(0)/mmHg 12 2048", (0.0, 40.95)),
        ("212 ", "100(0)/mmHg 12 0", (-20.47, 20.47)),  # -2048 is invalid
        ("16 ", "-100(0)/mmHg 12 0", (-20.47, 20.48)),
        ("16 ", "100(50)/kPa 12 0", (-20.98 * 7.500615758456563, 19.97 * 7.500615758456563)),
        ("8 ", "100(0)/mmHg 12 0", (-20.48, 20.47)),
        ("8 ", "100(0)/mmHg 0 0", None),  # differences reach everywhere
    ],
)
def test_the_pressures_that_a_file_can_express(tmp_path, fmt, scale, expected):
    (tmp_path / "a.dat").write_bytes(bytes(12))
    path = tmp_path / "a.hea"
    path.write_text(f"a 1 10 4\na.dat {fmt}{scale} 0 0 0 ICP\n")
    limits = _chunks(path)[0].limits_mmhg
    assert limits.keys() == (set() if expected is None else {"icp"})
    if expected is not None:
        assert limits["icp"] == pytest.approx(expected, rel=1e-12)


def test_a_resolution_that_samples_lie_beyond_is_not_believed(tmp_path):
    data = struct.pack("<4h", 100, 2047, 3000, 100)
    path = _wfdb_of_one(tmp_path, "16", data, 4)
    found = _chunks(path, chunk_s=2.0)
    assert [c.limits_mmhg["icp"] for c in found] == [(-2048, 2047), (-32767, 32767)]
