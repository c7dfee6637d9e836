"""Bad WFDB, EDF and BDF files: each has its own reason, at once and without memory."""

import re
import runpy
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import wfdb

from icpcohort import recordings

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))
MAX_BYTES = 6_000_000  # of Python objects while a bad file is refused
RUBBISH = np.random.default_rng(1).bytes(5000)
LINE = "r1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n"
GOOD = f"r1 1 100 1000\n{LINE}"


def _wfdb(folder, header=None, data=bytes(2000), **more):
    header = GOOD if header is None else header
    (folder / "r1.hea").write_bytes(header if isinstance(header, bytes) else header.encode())
    if data is not None:
        (folder / "r1.dat").write_bytes(data)
    for name, text in more.items():
        (folder / name.replace("_", ".")).write_text(text)


def _flac(folder, change):
    values = np.random.default_rng(2).integers(-30000, 30000, (20_000, 1))
    wfdb.wrsamp(
        "r1", fs=100, units=["mmHg"], sig_name=["ICP"], d_signal=values, fmt=["516"],
        adc_gain=[80.0], baseline=[0], write_dir=str(folder),
    )  # fmt: skip
    file = folder / "r1.dat"
    file.write_bytes(change(file.read_bytes()))


def _with(old, new):
    """Return a signal line of which some words are others."""
    return LINE.replace(old, new)


HEADERS = {  # reason, record line and segments, signal lines
    "only_comments": ("empty", "# nothing", ""),
    "promises_more": ("truncated", "r1 1 100 1001", LINE),
    "checksum": ("checksum", "r1 1 100 1000", _with("0 0 ICP", "9 0 ICP")),
    "rate_0": ("bad_header", "r1 1 0 1000", LINE),
    "rate_infinite": ("bad_header", "r1 1 1e999 1000", LINE),
    "samples_10_12": ("bad_header", "r1 1 100 1000000000000", LINE),
    "samples_5000_digits": ("bad_header", f"r1 1 100 {'9' * 5000}", LINE),
    "no_samples": ("empty", "r1 1 100 0", LINE),
    "channels_4000": ("bad_header", "r1 4000 100 1000", 4000 * LINE),
    "per_frame": ("truncated", "r1 1 0.01 1000", _with("16 8", "16x999999 8")),
    "skew": ("bad_header", "r1 1 100 1000", _with("16 8", "16:6001 8")),
    "offset": ("truncated", "r1 1 100 1000", _with("16 8", "16+99999999999 8")),
    "no_format": ("bad_header", "r1 1 100 1000", "r1.dat\n"),
    "unknown_format": ("bad_header", "r1 1 100 1000", _with("16 8", "17 8")),
    "gain_infinite": ("bad_header", "r1 1 100 1000", _with("80", "1e999")),
    "gain_tiny": ("bad_header", "r1 1 100 1000", _with("80", "1e-300")),
    "checksum_text": ("bad_header", "r1 1 100 1000", _with("0 0 ICP", "x 0 ICP")),
    "file_elsewhere": ("bad_header", "r1 1 100 1000", f"../{LINE}"),
    "segment_missing": ("missing_file", "r1/1 1 100 10\ns9 10", ""),
    "segment_elsewhere": ("bad_header", "r1/1 1 100 10\n../s1 10", ""),
    "segment_of_itself": ("bad_header", "r1/1 1 100 10\nr1 10", ""),
    "segment_twice": ("bad_header", "r1/2 1 100 20\ns1 10\ns1 10", ""),
    "segments_null": ("empty", "r1/2 1 100 20\n~ 10\n~ 10", ""),
    "segments_miscounted": ("bad_header", "r1/3 1 100 20\n~ 10\n~ 10", ""),
    "segments_too_long": ("bad_header", "r1/2 1 100\n~ 1000000000000\n~ 10", ""),
    "segment_rate": ("bad_header", "r1/1 1 50\ns1 10", ""),
    "segment_length": ("truncated", "r1/1 1 100\ns1 11", ""),
}
FILE_CONTENTS = {  # reason, and what is written in place of a good record
    "zero_length_header": ("empty", lambda f: _wfdb(f, "")),
    "zero_length_signals": ("truncated", lambda f: _wfdb(f, data=b"")),
    "no_signal_file": ("missing_file", lambda f: _wfdb(f, data=None)),
    "truncated": ("truncated", lambda f: _wfdb(f, data=bytes(1999))),
    "rubbish_header": ("unreadable", lambda f: _wfdb(f, RUBBISH)),
    "rubbish_text": ("bad_header", lambda f: _wfdb(f, RUBBISH.replace(b"\0", b"\1"))),
    "utf_16": ("unreadable", lambda f: _wfdb(f, GOOD.encode("utf-16"))),
    "signals_as_header": ("unreadable", lambda f: _wfdb(f, bytes(2000))),
    "huge_header": ("bad_header", lambda f: _wfdb(f, b"a" * 10_000_001)),
    "flac_magic": ("unreadable", lambda f: _wfdb(f, GOOD.replace("dat 16", "dat 516"))),
    "flac_truncated": ("unreadable", lambda f: _flac(f, lambda d: d[: len(d) // 2])),
    "flac_rubbish": ("unreadable", lambda f: _flac(f, lambda d: d[:60] + RUBBISH)),
    "flac_short": ("truncated", lambda f: _flac(f, lambda d: _of_nine_samples(d))),
}


def _of_nine_samples(data):
    """Return a FLAC file that states 9 samples (RFC 9639, 8.2: the last 36 bits of 8 bytes)."""
    return data[:21] + bytes([data[21] & 0xF0, 0, 0, 0, 9]) + data[26:]


def _edf(folder, format, change):
    signals = [FILES["edf_signal"]("ICP", "mmHg", 4), FILES["notes_signal"](24, format=format)]
    records = [[[1, 2, 3, 4], FILES["lists"](f"+{i}\x14\x14", n_bytes=24)] for i in range(3)]
    data = FILES["edf"](signals, records, format=format, kind=f"{format.upper()}+D")
    (folder / f"r1.{format}").write_bytes(change(data))


def _put(place, text, width=8):
    return lambda data: data[:place] + text.ljust(width).encode() + data[place + width :]


# places of the header of two signals: 256 + labels 2 x 16, transducers 2 x 80, units 2 x 8
PHYSICAL_MIN, DIGITAL_MIN, N_SAMPLES = 464, 496, 688
SOON, LATE = b"+2\x14\x14" + bytes(8), b"+299999999\x14\x14"
EDF = {
    "zero_length": ("empty", lambda data: b""),
    "wrong_magic": ("unreadable", lambda data: b"1" + data[1:]),
    "rubbish": ("unreadable", lambda data: RUBBISH),
    "text": ("unreadable", lambda data: b"t_s,ICP\n" * 200),
    "ends_in_main_header": ("truncated", lambda data: data[:200]),
    "ends_in_header": ("truncated", lambda data: data[:700]),
    "ends_after_header": ("empty", lambda data: data[:768]),
    "ends_in_last_record": ("truncated", lambda data: data[:-1]),
    "goes_on": ("bad_header", lambda data: data + b"\0"),
    "utf_16": ("unreadable", lambda data: data.decode("latin-1").encode("utf-16")),
    "promises_more": ("truncated", _put(236, "99999999")),
    "unfinished": ("truncated", _put(236, "-1")),
    "no_records": ("empty", _put(236, "0")),
    "records_text": ("bad_header", _put(236, "many")),
    "duration_0": ("bad_header", _put(244, "0")),
    "duration_tiny": ("bad_header", _put(244, "1e-300")),
    "duration_huge": ("bad_header", _put(244, "1e300")),
    "channels_4000": ("bad_header", _put(252, "4000", 4)),
    "channels_0": ("bad_header", _put(252, "0", 4)),
    "channels_text": ("bad_header", _put(252, "two", 4)),
    "samples_many": ("bad_header", _put(N_SAMPLES, "99999999")),
    "samples_negative": ("bad_header", _put(N_SAMPLES, "-4")),
    "physical_nan": ("bad_header", _put(PHYSICAL_MIN, "nan")),
    "physical_huge": ("bad_header", _put(PHYSICAL_MIN, "-1e300")),
    "physical_equal": ("no_gain", _put(PHYSICAL_MIN, "100")),
    "decimal_comma": ("bad_header", _put(PHYSICAL_MIN, "-99,5")),
    "digital_huge": ("bad_header", _put(DIGITAL_MIN, "-9999999")),
    "digital_equal": ("bad_header", _put(DIGITAL_MIN, "1000")),
    "backwards": ("bad_times", lambda data: data.replace(b"+2\x14", b"+1\x14")),
    "untimed": ("bad_times", lambda data: data.replace(b"+1\x14", b"xx\x14")),
    "years_later": ("bad_times", lambda data: data.replace(SOON, LATE)),
}


def _refused(path, format):
    """Return the reason, and check that the words are for people, and come at once."""
    tracemalloc.start()
    start_s = time.process_time()
    try:
        reason, words = FILES["refusal"](path, format)
        assert tracemalloc.get_traced_memory()[1] < MAX_BYTES
    finally:
        tracemalloc.stop()
    assert time.process_time() - start_s < 2.0
    assert re.match(r"[\w.]+[:,] .+; .+", words)
    assert len(words) < 500
    assert all(c.isprintable() for c in words)
    assert str(path.parent) not in words
    return reason


def test_the_corpus_starts_from_files_that_can_be_read(tmp_path):
    _wfdb(tmp_path)
    assert len(FILES["joined"](FILES["chunks"](tmp_path / "r1.hea", "wfdb"))) == 1000
    _flac(tmp_path, lambda data: data)
    assert len(FILES["joined"](FILES["chunks"](tmp_path / "r1.hea", "wfdb"))) == 20_000
    for format in ("edf", "bdf"):
        _edf(tmp_path, format, lambda data: data)
        chunks = FILES["chunks"](tmp_path / f"r1.{format}", format)
        assert len(FILES["joined"](chunks)) == 12


@pytest.mark.parametrize("case", HEADERS)
def test_each_bad_wfdb_header_has_its_reason(tmp_path, case):
    reason, first, lines = HEADERS[case]
    _wfdb(tmp_path, f"{first}\n{lines}", s1_hea=f"s1 1 100 10\n{LINE}")
    assert _refused(tmp_path / "r1.hea", "wfdb") == reason


@pytest.mark.parametrize("case", FILE_CONTENTS)
def test_each_bad_wfdb_file_has_its_reason(tmp_path, case):
    reason, write = FILE_CONTENTS[case]
    write(tmp_path)
    assert _refused(tmp_path / "r1.hea", "wfdb") == reason


@pytest.mark.parametrize("format", ["edf", "bdf"])
@pytest.mark.parametrize("case", EDF)
def test_each_bad_edf_or_bdf_file_has_its_reason(tmp_path, case, format):
    reason, change = EDF[case]
    _edf(tmp_path, format, change)
    assert _refused(tmp_path / f"r1.{format}", format) == reason


@pytest.mark.parametrize("content", [b"", RUBBISH, b"\x00" * 3, "(flush".encode("utf-16")])
def test_each_bad_annotation_file_is_refused_and_its_recording_is_not(tmp_path, content):
    _wfdb(tmp_path)
    (tmp_path / "r1.atr").write_bytes(content)
    path = tmp_path / "r1.hea"
    if content == b"\x00" * 3:  # the end mark, and a zero that fills up
        assert recordings.read_annotations(path, format="wfdb", wfdb_extensions=["atr"]) == []
    else:
        with pytest.raises(recordings.RecordingError, match=r"r1\.atr: .*; ") as caught:
            recordings.read_annotations(path, format="wfdb", wfdb_extensions=["atr"])
        assert caught.value.reason in {"truncated", "bad_annotations"}
    assert len(FILES["chunks"](path, "wfdb")) == 1


def test_ten_thousand_null_segments_take_no_time(tmp_path):
    lines = "".join("~ 1\n" for _ in range(9_999))
    _wfdb(tmp_path, f"r1/10000 1 100\n{lines}s1 1000\n", s1_hea=f"s1 1 100 1000\n{LINE}")
    start_s = time.process_time()
    (chunk,) = FILES["chunks"](tmp_path / "r1.hea", "wfdb")
    assert chunk.start_s == 99.99
    assert time.process_time() - start_s < 2.0


def test_a_segment_listed_a_hundred_thousand_times_is_looked_at_once(tmp_path):
    _wfdb(tmp_path, "r1/100000 1 100\n" + 100_000 * "s1 10\n", s1_hea=f"s1 1 100 10\n{LINE}")
    start_s = time.process_time()
    assert (
        len(
            recordings.files_of(
                tmp_path / "r1.hea", format="wfdb", within=recordings.Places(tmp_path)
            )
        )
        == 3
    )
    assert FILES["refusal"](tmp_path / "r1.hea", "wfdb")[0] == "bad_header"
    assert time.process_time() - start_s < 2.0
