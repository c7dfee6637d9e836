"""Reference: samples of WFDB and EDF against their standards and independent writers.

Sources: header(5) and signal(5) of the WFDB Applications Guide; the table of invalid samples of
the wfdb library 4.3.1; Kemp 1992 and 2003 for EDF and EDF+.
"""

import datetime
import struct

import edfio
import numpy as np
import pyedflib
import pytest

from icpcohort import recordings
from icpcohort.recordings import wfdb_samples


def _describe(path, format, *, icp_channel=None):
    return recordings.describe(
        path,
        format=format,
        icp_channel=icp_channel,
        abp_channel=None,
        icp_unit=None,
        abp_unit=None,
        icp_aliases=["ICP"],
        abp_aliases=["ABP"],
        time_column="t_s",
    )


def _read(path, format):
    about = _describe(path, format)
    chunks = list(recordings.read_chunks(path, about, time_column="t_s", chunk_s=600.0))
    return {
        r: np.concatenate([c.samples_mmhg[r] for c in chunks]) for r in chunks[0].samples_mmhg
    }


def _wfdb_of_one(folder, fmt, data, n, *, scale="1(0)/mmHg", spf=""):
    (folder / "one.dat").write_bytes(data)
    path = folder / "one.hea"
    path.write_text(f"one 1 1 {n}\none.dat {fmt}{spf} {scale} 12 0 0 0 0 ICP\n")
    return path


# --- WFDB ------------------------------------------------------------------------------------


def test_first_sample_pair_of_format_212(tmp_path):
    # signal(5); the bytes and the values 995 and 1011 open record 100 of the MIT-BIH database
    (tmp_path / "a.dat").write_bytes(bytes([0xE3, 0x33, 0xF3]))
    (tmp_path / "a.hea").write_text(
        "a 2 360 1\na.dat 212 1(0)/mmHg 11 1024 995 0 0 ICP\n"
        "a.dat 212 1(0)/mmHg 11 1024 1011 0 0 ABP\n"
    )
    found = _read(tmp_path / "a.hea", "wfdb")
    assert (found["icp"][0], found["abp"][0]) == (995, 1011)


def test_physical_values_of_the_first_sample_pair(tmp_path):
    # header(5): (995 - 1024) / 200 and (1011 - 1024) / 200, here called mmHg; the baseline of
    # the second signal is left to its ADC zero
    (tmp_path / "a.dat").write_bytes(bytes([0xE3, 0x33, 0xF3]))
    (tmp_path / "a.hea").write_text(
        "a 2 360 1\na.dat 212 200(1024)/mmHg 11 0 995 0 0 ICP\n"
        "a.dat 212 200/mmHg 11 1024 1011 0 0 ABP\n"
    )
    found = _read(tmp_path / "a.hea", "wfdb")
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


def _packed_212(a, b):
    a, b = a & 0xFFF, b & 0xFFF
    return bytes([a & 0xFF, (a >> 8) | ((b >> 8) << 4), b & 0xFF])


def _packed_310(a, b, c):
    a, b, c = a & 0x3FF, b & 0x3FF, c & 0x3FF
    return struct.pack("<HH", (a << 1) | ((c & 0x1F) << 11), (b << 1) | ((c >> 5) << 11))


def _packed_311(a, b, c):
    return struct.pack("<I", (a & 0x3FF) | (b & 0x3FF) << 10 | (c & 0x3FF) << 20)


PACKED = {  # signal(5), each rule written out: smallest (invalid), largest, an ordinary value
    "16": (struct.pack("<3h", -32768, 32767, -7), [32767, -7]),
    "61": (struct.pack(">3h", -32768, 32767, -7), [32767, -7]),
    "160": (struct.pack("<3H", 0, 65535, 32761), [32767, -7]),
    "80": (bytes([0, 255, 121]), [127, -7]),
    "32": (struct.pack("<3i", -(2**31), 2**31 - 1, -7), [2**31 - 1, -7]),
    "24": (b"\x00\x00\x80" + b"\xff\xff\x7f" + b"\xf9\xff\xff", [2**23 - 1, -7]),
    "212": (_packed_212(-2048, 2047) + _packed_212(-7, 0), [2047, -7]),
    "310": (_packed_310(-512, 511, -7), [511, -7]),
    "311": (_packed_311(-512, 511, -7), [511, -7]),
}


@pytest.mark.parametrize("fmt", PACKED)
def test_extreme_values_of_each_format_and_its_invalid_sample(tmp_path, fmt):
    data, expected = PACKED[fmt]
    icp = _read(_wfdb_of_one(tmp_path, fmt, data, 3), "wfdb")["icp"]
    assert np.isnan(icp[0])
    assert icp[1:].tolist() == expected


def test_invalid_samples_are_not_scaled_to_a_pressure(tmp_path):
    path = _wfdb_of_one(tmp_path, "16", struct.pack("<2h", -32768, 800), 2, scale="80(0)/mmHg")
    icp = _read(path, "wfdb")["icp"]
    assert np.isnan(icp[0])
    assert icp[1] == 10


def test_length_of_the_charis_recordings(tmp_path):
    # CHARIS 1.0.0: 293 817 494 samples at 50 Hz in all, 1632.3194 h; the file is a hole
    n = 293_817_494
    with (tmp_path / "one.dat").open("wb") as file:
        file.truncate(2 * n)
    (tmp_path / "one.hea").write_text(f"one 1 50 {n}\none.dat 16 90(0)/mmHg 16 0 0 0 0 ICP\n")
    duration_h = _describe(tmp_path / "one.hea", "wfdb").duration_s / 3600
    assert duration_h == pytest.approx(1632.319411111111, abs=1e-6)


# --- EDF -------------------------------------------------------------------------------------


def _write_with_pyedflib(path, digital, *, pmin, pmax, fs_hz=10):
    writer = pyedflib.EdfWriter(str(path), len(digital), file_type=pyedflib.FILETYPE_EDF)
    for i, label in enumerate(digital):
        writer.setSignalHeader(
            i,
            {
                "label": label,
                "dimension": "mmHg",
                "sample_frequency": fs_hz,
                "physical_min": pmin,
                "physical_max": pmax,
                "digital_min": -32768,
                "digital_max": 32767,
                "transducer": "",
                "prefilter": "",
            },
        )
    writer.writeSamples([np.asarray(v, dtype=np.int32) for v in digital.values()], digital=True)
    writer.close()


def test_digital_zero_of_a_range_from_minus_50_to_300(tmp_path):
    # Kemp 1992: (0 + 32768) * 350 / 65535 - 50
    _write_with_pyedflib(tmp_path / "a.edf", {"ICP": [0] * 10}, pmin=-50, pmax=300)
    assert _read(tmp_path / "a.edf", "edf")["icp"] == pytest.approx(
        125.00267032883193, abs=1e-9
    )


def test_the_header_of_three_signals_has_1024_bytes(tmp_path):
    # Kemp 1992: 256 bytes and 256 a signal
    path = tmp_path / "a.edf"
    _write_with_pyedflib(
        path, {"ICP": range(10), "ABP": range(10, 20), "ECG": [0] * 10}, pmin=-32768, pmax=32767
    )
    data = bytearray(path.read_bytes())
    assert data[184:192].strip() == b"1024"
    assert len(data) == 1024 + 2 * 30
    found = _read(path, "edf")
    assert found["icp"] == pytest.approx(np.arange(10), abs=1e-6)
    assert found["abp"] == pytest.approx(np.arange(10, 20), abs=1e-6)
    data[184:192] = b"1023    "
    path.write_bytes(data)
    with pytest.raises(recordings.RecordingError, match="header of 1023 bytes with 3 signals"):
        _describe(path, "edf")


@pytest.mark.parametrize("range_mmhg", [(-50.0, 300.0), (300.0, -50.0)])
def test_edf_agrees_with_two_other_readers(tmp_path, range_mmhg):
    # pyedflib and edfio read the same file; the second range is inverted, which is legal
    digital = np.random.default_rng(3).integers(-32768, 32768, 50)
    path = tmp_path / "a.edf"
    _write_with_pyedflib(path, {"ICP": digital}, pmin=range_mmhg[0], pmax=range_mmhg[1])
    ours = _read(path, "edf")["icp"]
    with pyedflib.EdfReader(str(path)) as reader:
        theirs = reader.readSignal(0)
    assert ours == pytest.approx(theirs, abs=1e-9)
    assert ours == pytest.approx(edfio.read_edf(path).get_signal("ICP").data, abs=1e-9)


def test_edf_plus_of_another_writer_is_read(tmp_path):
    icp = np.round(np.linspace(-10, 90, 120), 2)
    edf = edfio.Edf(
        [edfio.EdfSignal(icp, 12.0, label="ICP", physical_dimension="mmHg")],
        annotations=[edfio.EdfAnnotation(3.0, None, "zeroed")],
        starttime=datetime.time(1, 2, 3, 500_000),
    )
    edf.write(tmp_path / "a.edf")
    about = _describe(tmp_path / "a.edf", "edf")
    assert (about.fs_icp_hz, about.duration_s) == (12.0, 10.0)
    theirs = edfio.read_edf(tmp_path / "a.edf").get_signal("ICP").data
    assert _read(tmp_path / "a.edf", "edf")["icp"] == pytest.approx(theirs, abs=1e-9)
