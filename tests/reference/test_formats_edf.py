"""Reference: samples of EDF and BDF files against their standards and independent writers.

Sources: Kemp 1992 and 2003 for EDF and EDF+; the published BDF layout. Writers: pyedflib, edfio
and bytes built by hand; readers to compare with: pyedflib and edfio.
"""

import datetime
import runpy
from pathlib import Path

import edfio
import numpy as np
import pyedflib
import pytest

from icpcohort import recordings

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))


def _describe(path, format="edf"):
    return FILES["describe"](path, format)


def _read(path, format="edf"):
    chunks = FILES["chunks"](path, format)
    return {role: FILES["joined"](chunks, role) for role in chunks[0].samples}


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
    assert _read(tmp_path / "a.edf")["icp"] == pytest.approx(125.00267032883193, abs=1e-9)


def test_the_header_of_three_signals_has_1024_bytes(tmp_path):
    # Kemp 1992: 256 bytes and 256 per signal
    path = tmp_path / "a.edf"
    _write_with_pyedflib(
        path, {"ICP": range(10), "ABP": range(10, 20), "ECG": [0] * 10}, pmin=-32768, pmax=32767
    )
    data = bytearray(path.read_bytes())
    assert data[184:192].strip() == b"1024"
    assert len(data) == 1024 + 2 * 30
    samples = _read(path)
    assert samples["icp"] == pytest.approx(np.arange(10), abs=1e-6)
    assert samples["abp"] == pytest.approx(np.arange(10, 20), abs=1e-6)
    data[184:192] = b"1023    "
    path.write_bytes(data)
    with pytest.raises(recordings.RecordingError, match="header of 1023 bytes with 3 signals"):
        _describe(path)


@pytest.mark.parametrize("range_mmhg", [(-50.0, 300.0), (300.0, -50.0)])
def test_edf_agrees_with_two_other_readers(tmp_path, range_mmhg):
    # pyedflib and edfio read the same file; the second range is inverted, which is legal
    digital = np.random.default_rng(3).integers(-32768, 32768, 50)
    path = tmp_path / "a.edf"
    _write_with_pyedflib(path, {"ICP": digital}, pmin=range_mmhg[0], pmax=range_mmhg[1])
    ours = _read(path)["icp"]
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
    about = _describe(tmp_path / "a.edf")
    assert (about.signals["icp"].fs_hz, about.duration_s) == (12.0, 10.0)
    theirs = edfio.read_edf(tmp_path / "a.edf").get_signal("ICP").data
    assert _read(tmp_path / "a.edf")["icp"] == pytest.approx(theirs, abs=1e-9)


def test_a_start_between_two_seconds_is_no_gap_and_no_shift(tmp_path):
    # Kemp 2003, 2.2.4: the first record of EDF+C may start after the file's start
    icp = np.arange(120) / 2
    edf = edfio.Edf(
        [edfio.EdfSignal(icp, 12.0, label="ICP", physical_dimension="mmHg")],
        annotations=[edfio.EdfAnnotation(3.0, 2.0, "zeroed")],
        starttime=datetime.time(1, 2, 3, 250_000),
    )
    edf.write(tmp_path / "a.edf")
    assert b"+0.25\x14\x14\x00" in (tmp_path / "a.edf").read_bytes()
    (chunk,) = FILES["chunks"](tmp_path / "a.edf", "edf")
    assert (chunk.start_s, len(chunk.samples["icp"])) == (0.0, 120)


def _timed(onsets_s, *, format="edf", kind="+D", digital=(1, 2, 3, 4), record_s="1"):
    signals = [
        FILES["edf_signal"]("ICP", "mmHg", 4),
        FILES["notes_signal"](24, format=format),
        FILES["notes_signal"](24, format=format),
    ]
    # the second annotation signal keeps no time, whatever its lists say (Kemp 2003, 2.2)
    records = [
        [
            digital,
            FILES["lists"](f"+{onset:g}\x14\x14", n_bytes=24),
            FILES["lists"](f"+{onset + 999:g}\x14note\x14", n_bytes=24),
        ]
        for onset in onsets_s
    ]
    kind = f"{format.upper()}{kind}"
    return FILES["edf"](signals, records, format=format, kind=kind, record_s=record_s)


@pytest.mark.parametrize("format", ["edf", "bdf"])
def test_gaps_come_from_the_first_of_several_annotation_signals(tmp_path, format):
    path = tmp_path / f"a.{format}"
    path.write_bytes(_timed([0.5, 1.5, 7.25, 8.25, 9.25], format=format))
    for chunk_s in (600.0, 1.0):
        chunks = FILES["chunks"](path, format, chunk_s=chunk_s)
        t_s = [c.start_s + i / 4 for c in chunks for i in range(len(c.samples["icp"]))]
        starts_s = [0, 1, 6.75, 7.75, 8.75]
        assert t_s == [s + i / 4 for s in starts_s for i in range(4)]
    assert _describe(path, format).duration_s == 9.75
    np.testing.assert_allclose(_read(path, format)["icp"], [0.1, 0.2, 0.3, 0.4] * 5)


def test_a_file_that_calls_itself_continuous_but_has_a_gap_is_refused(tmp_path):
    path = tmp_path / "a.edf"
    path.write_bytes(_timed([0, 1, 2, 60], kind="+C"))
    reason, words = FILES["refusal"](path, "edf")
    assert reason == "bad_times"
    assert "starts 57 s off" in words
    assert "write EDF+D in its header" in words


def test_a_record_a_year_away_is_refused(tmp_path):
    path = tmp_path / "a.edf"
    path.write_bytes(_timed([0, 1, 4e7]))
    assert FILES["refusal"](path, "edf")[0] == "bad_times"


def test_an_unfinished_file_is_refused_with_the_number_to_write(tmp_path):
    # Kemp 1992: -1 data records while the recorder runs
    signal = FILES["edf_signal"]("ICP", "mmHg", 4)
    path = tmp_path / "a.edf"
    path.write_bytes(FILES["edf"]([signal], [[[1, 2, 3, 4]]] * 3, n_records=-1))
    reason, words = FILES["refusal"](path, "edf")
    assert reason == "truncated"
    assert "write 3 in its header" in words


@pytest.mark.parametrize("physical", [(-50, 150), (150, -50)])
def test_a_tight_digital_range_ends_at_the_physical_limits(tmp_path, physical):
    # Kemp 1992: the digital extremes are the physical ones; 5 and 9 are all there is here
    signal = FILES["edf_signal"]("ICP", "mmHg", 3, physical=physical, digital=(5, 9))
    path = tmp_path / "a.edf"
    path.write_bytes(FILES["edf"]([signal], [[[5, 7, 9]]]))
    (chunk,) = FILES["chunks"](path, "edf")
    assert chunk.samples["icp"].tolist() == [physical[0], 50, physical[1]]


def test_fields_that_end_in_zeros_are_read(tmp_path):
    signal = FILES["edf_signal"]("ICP", "mmHg", 3)
    data = FILES["edf"]([signal], [[[5, 7, 9]]])
    (tmp_path / "a.edf").write_bytes(
        data[:256] + data[256:512].replace(b" ", b"\0") + data[512:]
    )
    assert _read(tmp_path / "a.edf")["icp"] == pytest.approx([0.5, 0.7, 0.9])


# --- BDF -------------------------------------------------------------------------------------


def test_extreme_numbers_of_24_bits(tmp_path):
    # the published layout: two's complement, low byte first
    bits = (-(2**23), 2**23 - 1)
    signal = FILES["edf_signal"]("ICP", "mmHg", 5, physical=bits, digital=bits)
    data = FILES["edf"]([signal], [[b""]], format="bdf", kind="24BIT")
    data += b"\x00\x00\x80" + b"\xff\xff\x7f" + b"\xf9\xff\xff" + b"\x00\x01\x00" + b"\x01\0\0"
    (tmp_path / "a.bdf").write_bytes(data)
    expected = [-(2**23), 2**23 - 1, -7, 256, 1]
    assert _read(tmp_path / "a.bdf", "bdf")["icp"].tolist() == expected


def test_bdf_plus_of_two_writers_agrees_with_two_readers(tmp_path):
    icp = np.random.default_rng(4).uniform(-20, 120, 300)
    theirs = edfio.Bdf(
        [
            edfio.BdfSignal(icp, 30.0, label="ICP", physical_dimension="mmHg"),
            edfio.BdfSignal(icp[:100] * 2, 10.0, label="ABP", physical_dimension="mmHg"),
        ],
        annotations=[edfio.EdfAnnotation(1.0, None, "zeroed")],
    )
    theirs.write(tmp_path / "a.bdf")
    writer = pyedflib.EdfWriter(str(tmp_path / "b.bdf"), 2, pyedflib.FILETYPE_BDFPLUS)
    for i, (label, fs_hz) in enumerate((("ICP", 30), ("ABP", 10))):
        head = pyedflib.highlevel.make_signal_header(
            label, "mmHg", fs_hz, -300, 300, -8388608, 8388607
        )
        writer.setSignalHeader(i, head)
    writer.writeSamples([icp, icp[:100] * 2])
    writer.close()
    for name in ("a.bdf", "b.bdf"):
        ours = _read(tmp_path / name, "bdf")
        with pyedflib.EdfReader(str(tmp_path / name)) as reader:
            assert ours["icp"] == pytest.approx(reader.readSignal(0), abs=1e-9)
            assert ours["abp"] == pytest.approx(reader.readSignal(1), abs=1e-9)
        other = edfio.read_bdf(tmp_path / name)
        assert ours["icp"] == pytest.approx(other.get_signal("ICP").data, abs=1e-9)
        assert ours["icp"] == pytest.approx(icp, abs=1e-4)


@pytest.mark.parametrize(("format", "other"), [("edf", "bdf"), ("bdf", "edf")])
def test_the_other_kind_of_file_is_refused_with_the_word_to_write(tmp_path, format, other):
    signal = FILES["edf_signal"]("ICP", "mmHg", 3)
    path = tmp_path / "a.rec"
    path.write_bytes(FILES["edf"]([signal], [[[5, 7, 9]]], format=other))
    reason, words = FILES["refusal"](path, format)
    assert reason == "unreadable"
    assert f"write {other} in column format of recordings.csv" in words
    assert FILES["chunks"](path, other)[0].samples["icp"] == pytest.approx([0.5, 0.7, 0.9])
