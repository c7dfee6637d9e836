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
    chunks = _chunks(path)
    return {role: FILES["joined"](chunks, role) for role in chunks[0].samples}


def test_first_sample_pair_of_format_212(tmp_path):
    # signal(5); the bytes and the values 995 and 1011 open record 100 of the MIT-BIH database
    (tmp_path / "a.dat").write_bytes(bytes([0xE3, 0x33, 0xF3]))
    (tmp_path / "a.hea").write_text(
        "a 2 360 1\na.dat 212 1(0)/mmHg 11 1024 995 0 0 ICP\n"
        "a.dat 212 1(0)/mmHg 11 1024 1011 0 0 ABP\n"
    )
    samples = _read(tmp_path / "a.hea")
    assert (samples["icp"][0], samples["abp"][0]) == (995, 1011)


def test_physical_values_of_the_first_sample_pair(tmp_path):
    # header(5): (995 - 1024) / 200 and (1011 - 1024) / 200, here called mmHg; the baseline of
    # the second signal is left to its ADC zero
    (tmp_path / "a.dat").write_bytes(bytes([0xE3, 0x33, 0xF3]))
    (tmp_path / "a.hea").write_text(
        "a 2 360 1\na.dat 212 200(1024)/mmHg 11 0 995 0 0 ICP\n"
        "a.dat 212 200/mmHg 11 1024 1011 0 0 ABP\n"
    )
    samples = _read(tmp_path / "a.hea")
    assert samples["icp"][0] == pytest.approx(-0.145, abs=1e-12)
    assert samples["abp"][0] == pytest.approx(-0.065, abs=1e-12)


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
    icp = _read(FILES["wfdb_of_one"](tmp_path, fmt, data, 3))["icp"]
    assert np.isnan(icp[0])
    assert icp[1:].tolist() == expected


def test_invalid_samples_are_not_scaled_to_a_pressure(tmp_path):
    path = FILES["wfdb_of_one"](
        tmp_path, "16", struct.pack("<2h", -32768, 800), 2, scale="80(0)/mmHg"
    )
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
    assert _read(FILES["wfdb_of_one"](tmp_path, "311", data, 3))["icp"].tolist() == [5, 6, -7]


@pytest.mark.parametrize("n_frames", [1, 2, 3, 50, 101])
@pytest.mark.parametrize("fmt", [fmt for fmt in FILES["BITS"] if not fmt.startswith("5")])
def test_packed_bytes_of_two_signals_and_of_unequal_samples_per_frame(tmp_path, fmt, n_frames):
    # bytes packed by the rules of signal(5): a frame is two samples of ICP, one of ECG, two of
    # ABP; the blocks of 7 frames begin anywhere in a group of samples
    values = FILES["drawn"](fmt, (n_frames, 5))
    (tmp_path / "a.dat").write_bytes(b"!" * 11 + FILES["packed"](values.ravel(), fmt))
    lines = [
        f"a.dat {fmt}x{n}+11 4(-3)/{unit} 0 0 0 0 0 {name}\n"
        for name, n, unit in (("ICP", 2, "mmHg"), ("ECG", 1, "mV"), ("ABP", 2, "mmHg"))
    ]
    (tmp_path / "a.hea").write_text(f"a 3 10 {n_frames}\n" + "".join(lines))
    for chunk_s in (600.0, 0.7):
        chunks = _chunks(tmp_path / "a.hea", chunk_s=chunk_s)
        for role, columns in (("icp", values[:, :2]), ("abp", values[:, 3:])):
            expected = FILES["expected"](columns, fmt, gain=4, baseline=-3).ravel()
            np.testing.assert_array_equal(FILES["joined"](chunks, role), expected)


LIBRARY_WRITES = ["16", "24", "32", "80", "212", "508", "516", "524"]


@pytest.mark.parametrize("per_frame", [[1, 1], [2, 2], [4, 1]])
@pytest.mark.parametrize("fmt", LIBRARY_WRITES)
def test_records_of_the_wfdb_library_with_invalid_samples(tmp_path, fmt, per_frame):
    # a FLAC file has one rate (signal(5))
    if fmt.startswith("5") and per_frame == [4, 1]:
        per_frame = [4, 4]
    icp, abp = (FILES["drawn"](fmt, (60 * n,)) for n in per_frame)
    path = FILES["write_by_library"](
        tmp_path, "a", {"ICP": icp, "ABP": abp}, fmt, per_frame=per_frame
    )
    for chunk_s in (600.0, 0.7):
        chunks = _chunks(path, chunk_s=chunk_s)
        np.testing.assert_array_equal(
            FILES["joined"](chunks, "icp"), FILES["expected"](icp, fmt, gain=2)
        )
        np.testing.assert_array_equal(
            FILES["joined"](chunks, "abp"), FILES["expected"](abp, fmt, gain=2)
        )
    theirs = wfdb.rdrecord(str(path.with_suffix("")), smooth_frames=False).e_p_signal[0]
    np.testing.assert_allclose(FILES["joined"](chunks, "icp"), theirs, rtol=1e-12)


def test_a_flac_file_of_fewer_bits_than_its_format(tmp_path):
    # signal(5): a 524 file may hold a stream of 16 bits
    path = FILES["write_by_library"](
        tmp_path, "a", {"ICP": FILES["drawn"]("516", (60,))}, "516"
    )
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
    assert chunk.samples["icp"].tolist() == values.tolist()


def test_skewed_signals_agree_with_the_library(tmp_path):
    values = FILES["drawn"]("16", (50, 2))
    (tmp_path / "a.dat").write_bytes(FILES["packed"](values.ravel(), "16"))
    lines = (
        f"a.dat 16:3 1(0)/mmHg 16 0 {values[0, 0]} 0 0 ICP\na.dat 16 1/mmHg 16 0 0 0 0 ABP\n"
    )
    (tmp_path / "a.hea").write_text(f"a 2 10 50\n{lines}")
    theirs = wfdb.rdrecord(str(tmp_path / "a")).p_signal
    chunks = _chunks(tmp_path / "a.hea", chunk_s=0.7)
    np.testing.assert_array_equal(FILES["joined"](chunks, "icp"), theirs[:, 0])
    np.testing.assert_array_equal(FILES["joined"](chunks, "abp"), theirs[:, 1])


def test_a_record_of_segments_agrees_with_the_library_in_values_and_gaps(tmp_path):
    # gains and order of channels change; the library puts NaN where a segment is null
    icp, abp = FILES["drawn"]("212", (300,)), FILES["drawn"]("212", (300,))
    FILES["write_by_library"](
        tmp_path, "s1", {"ICP": icp[:100], "ABP": abp[:100]}, "212", gain=4.0
    )
    FILES["write_by_library"](
        tmp_path, "s2", {"ABP": abp[100:], "ICP": icp[100:]}, "16", gain=8.0
    )
    (tmp_path / "lay.hea").write_text(
        "lay 2 10 0\n~ 0 4/mmHg 0 0 0 0 0 ICP\n~ 0 4/mmHg 0 0 0 0 0 ABP\n"
    )
    (tmp_path / "r.hea").write_text("r/4 2 10 357\nlay 0\ns1 100\n~ 57\ns2 200\n")
    theirs = wfdb.rdrecord(str(tmp_path / "r")).p_signal
    chunks = _chunks(tmp_path / "r.hea", chunk_s=1.1)
    ours = np.full_like(theirs, np.nan)
    for chunk in chunks:
        first = round(chunk.start_s * 10)
        for column, role in enumerate(("icp", "abp")):
            samples = chunk.samples[role]
            ours[first : first + len(samples), column] = samples
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)
    assert not any(10 <= chunk.start_s < 15.7 for chunk in chunks)
