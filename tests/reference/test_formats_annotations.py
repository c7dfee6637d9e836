"""Reference: annotations inside recordings against annot(5), EDF+ and independent writers.

Sources: annot(5) of the WFDB Applications Guide; Kemp 2003, section 2.2. Writers: the wfdb
library, edfio, pyedflib and bytes built by hand; the wfdb library reads along.
"""

import datetime
import runpy
import struct
from pathlib import Path

import edfio
import numpy as np
import pyedflib
import pytest
import wfdb
from wfdb.io import annotation as library

from icpcohort import recordings
from icpcohort.recordings import wfdb_annotations

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))


def _read(path, format="wfdb", *, extensions=("atr",)):
    annotations = recordings.read_annotations(
        path, format=format, wfdb_extensions=list(extensions)
    )
    return [(a.start_s, a.end_s, a.text) for a in annotations]


def _reason(path, format="wfdb"):
    with pytest.raises(recordings.RecordingError) as caught:
        _read(path, format)
    assert "; " in caught.value.detail
    return caught.value.reason


def _record(folder, *, fs_hz=100):
    (folder / "r1.dat").write_bytes(bytes(2000))
    path = folder / "r1.hea"
    path.write_text(f"r1 1 {fs_hz} 1000\nr1.dat 16 80(0)/mmHg 16 0 0 0 0 ICP\n")
    return path


def _marked(folder, *marks, extension="atr"):
    path = _record(folder)
    path.with_suffix(f".{extension}").write_bytes(FILES["annotation_words"](*marks))
    return path


# --- WFDB ------------------------------------------------------------------------------------


def test_the_symbols_are_those_of_the_library():
    theirs = {label.label_store: label.symbol for label in library.ann_labels}
    ours = {i: s for i, s in enumerate(wfdb_annotations.SYMBOLS) if i == 0 or s != " "}
    assert ours == theirs


def test_files_of_the_library_are_read_as_the_library_reads_them(tmp_path):
    path = _record(tmp_path, fs_hz=250)
    draw = np.random.default_rng(6)
    samples = np.cumsum(draw.integers(1, 3000, 200))
    symbols = draw.choice(["N", "V", "~", "+", '"', "(", ")"], 200).tolist()
    notes = draw.choice(["", "a", "flush", "Größe"], 200).tolist()
    wfdb.wrann(
        "r1", "atr", samples, symbols, aux_note=notes, chan=draw.integers(0, 3, 200),
        num=draw.integers(0, 9, 200), subtype=draw.integers(0, 9, 200), write_dir=str(tmp_path),
    )  # fmt: skip
    theirs = wfdb.rdann(str(tmp_path / "r1"), "atr")
    expected = [
        (t / 250, t / 250, note or symbol)
        for t, symbol, note in zip(theirs.sample, theirs.symbol, theirs.aux_note)
    ]
    assert _read(path) == expected
    assert ("Größe" in {text for *_, text in expected}) is True


def test_a_stated_time_resolution_counts_more_than_the_record(tmp_path):
    path = _record(tmp_path, fs_hz=100)
    wfdb.wrann("r1", "atr", np.array([0, 5000]), ["~", "~"], fs=1000.0, write_dir=str(tmp_path))
    assert wfdb.rdann(str(tmp_path / "r1"), "atr").fs == 1000
    assert _read(path) == [(0.0, 0.0, "~"), (5.0, 5.0, "~")]


def test_types_of_the_file_itself_have_its_symbols(tmp_path):
    path = _record(tmp_path)
    wfdb.wrann(
        "r1", "atr", np.array([100, 200]), ["k", "N"],
        custom_labels=[(42, "k", "coupling checked")], write_dir=str(tmp_path),
    )  # fmt: skip
    assert _read(path) == [(1.0, 1.0, "k"), (2.0, 2.0, "N")]


def test_a_note_at_the_first_sample_is_kept(tmp_path):
    assert _read(_marked(tmp_path, (0, 22, "artefact"))) == [(0.0, 0.0, "artefact")]


def test_notes_in_brackets_are_intervals(tmp_path):
    marks = [(100, 22, "(flush"), (50, 22, "(drain"), (50, 22, "flush)"), (100, 22, "zeroed")]
    assert _read(_marked(tmp_path, *marks)) == [
        (1.0, 2.0, "flush"),
        (1.5, None, "drain"),
        (3.0, 3.0, "zeroed"),
    ]


def test_brackets_that_pair_with_nothing_are_part_of_the_text(tmp_path):
    marks = [(100, 22, "drain (open)"), (100, 22, "flush)"), (100, 22, "(by nurse)")]
    marks += [(100, 39, ""), (100, 40, "")]
    texts = [(a, b, text) for a, b, text in _read(_marked(tmp_path, *marks))]
    assert texts == [
        (1.0, 1.0, "drain (open)"),
        (2.0, 2.0, "flush)"),
        (3.0, 3.0, "(by nurse)"),
        (4.0, 4.0, "("),
        (5.0, 5.0, ")"),
    ]


def test_an_interval_opened_twice_is_closed_from_the_inside(tmp_path):
    marks = [(100, 22, "(a"), (100, 22, "(a"), (100, 22, "a)"), (100, 22, "a)")]
    assert _read(_marked(tmp_path, *marks)) == [(1.0, 4.0, "a"), (2.0, 3.0, "a")]


def test_long_pauses_and_odd_notes(tmp_path):
    # annot(5): more than 1023 samples take a SKIP, high word first; odd notes are filled up
    annotations = _read(
        _marked(tmp_path, (1023, 14, "odd"), (1024, 14, "even"), (2**24, 14, ""))
    )
    assert [(round(100 * a), text) for a, _, text in annotations] == [
        (1023, "odd"),
        (2047, "even"),
        (2047 + 2**24, "~"),
    ]


def test_several_files_are_joined_in_time_and_absent_ones_have_none(tmp_path):
    _marked(tmp_path, (100, 14, ""), (200, 14, ""))
    path = _marked(tmp_path, (200, 22, "b"), extension="man")
    annotations = _read(path, extensions=["atr", "man", "xyz"])
    assert [(t, text) for t, _, text in annotations] == [(1, "~"), (2, "b"), (3, "~")]
    assert _read(path, extensions=[]) == []
    files = recordings.files_of(
        path,
        format="wfdb",
        within=recordings.Places(tmp_path),
        wfdb_extensions=["man", "xyz", "atr"],
    )
    assert [f.name for f in files if f.suffix in (".atr", ".man")] == ["r1.atr", "r1.man"]


@pytest.mark.parametrize("n_kept", range(26))
def test_a_truncated_annotation_file_is_refused(tmp_path, n_kept):
    path = _marked(tmp_path, (2000, 22, "flush"), (100, 22, "a"), (1, 14, ""))
    atr = path.with_suffix(".atr")
    data = atr.read_bytes()
    assert len(data) == 26
    atr.write_bytes(data[:n_kept])
    assert _reason(path) == "truncated"


@pytest.mark.parametrize(
    "data",
    [
        b"\x01\x04\0\0" + b"more",  # goes on after its end
        struct.pack("<HHHHH", 59 << 10, 0xFFFF, 0xFFFF, 22 << 10, 0),  # before the first sample
        struct.pack("<HHHHH", 59 << 10, 0x7FFF, 0xFFFF, 22 << 10, 0) * 4,  # after years
        FILES["annotation_words"]((0, 22, "## time resolution: 0"), (5, 14, "")),
    ],
)
def test_a_damaged_annotation_file_is_refused(tmp_path, data):
    path = _record(tmp_path, fs_hz=1)
    path.with_suffix(".atr").write_bytes(data)
    assert _reason(path) == "bad_annotations"


@pytest.mark.parametrize("note", ["## time resolution: 10", "## anything else"])
def test_notes_on_which_the_library_would_never_return(tmp_path, note):
    # wfdb 4.3.1 loops forever on a second note about the file that it does not expect
    marks = [(0, 22, "## time resolution: 50"), (0, 22, note), (100, 14, "")]
    assert len(_read(_marked(tmp_path, *marks))) == 1


# --- EDF+ and BDF+ ---------------------------------------------------------------------------


def test_annotations_of_edfio_count_from_the_first_sample(tmp_path):
    marks = [(0.5, None, "début"), (2.25, 1.5, "fast flush"), (2.25, None, "zeroed")]
    for kind, signal, file in (
        (edfio.Edf, edfio.EdfSignal, "a.edf"),
        (edfio.Bdf, edfio.BdfSignal, "a.bdf"),
    ):
        theirs = kind(
            [signal(np.arange(100.0), 10.0, label="ICP", physical_dimension="mmHg")],
            annotations=[edfio.EdfAnnotation(*mark) for mark in marks],
            starttime=datetime.time(1, 2, 3, 400_000),
        )
        theirs.write(tmp_path / file)
        assert b"+0.4\x14\x14" in (tmp_path / file).read_bytes()
        assert _read(tmp_path / file, file[2:]) == [
            (0.5, 0.5, "début"),
            (2.25, 2.25, "zeroed"),
            (2.25, 3.75, "fast flush"),
        ]


def test_annotations_of_pyedflib(tmp_path):
    writer = pyedflib.EdfWriter(str(tmp_path / "a.edf"), 1, pyedflib.FILETYPE_EDFPLUS)
    writer.setSignalHeader(
        0, pyedflib.highlevel.make_signal_header("ICP", "mmHg", 10, -100, 100)
    )
    writer.writeSamples([np.arange(100.0)])
    writer.writeAnnotation(1.5, -1, "zeroed")
    writer.writeAnnotation(3.0, 2.5, "drain open")
    writer.close()
    assert _read(tmp_path / "a.edf", "edf") == [(1.5, 1.5, "zeroed"), (3.0, 5.5, "drain open")]


def _listed(path, *records, kind="EDF+D"):
    signals = [FILES["edf_signal"]("ICP", "mmHg", 2)]
    signals += [FILES["notes_signal"](60), FILES["notes_signal"](60)]
    parts = [[[1, 2], one, FILES["lists"]("+1\x14other\x14", n_bytes=60)] for one in records]
    path.write_bytes(FILES["edf"](signals, parts, kind=kind))
    return path


def test_every_list_of_every_annotation_signal_is_read(tmp_path):
    # Kemp 2003, 2.2.2: several texts in a list; the list that keeps time may go on with texts
    first = FILES["lists"](
        "+10\x14\x14", "+10.5\x152\x14a\x14b\x14", "-3\x14before\x14", n_bytes=60
    )
    second = FILES["lists"]("+70\x14\x14Größe\x14", n_bytes=60)
    annotations = _read(_listed(tmp_path / "a.edf", first, second), "edf")
    assert annotations == [
        (-13.0, -13.0, "before"),
        (-9.0, -9.0, "other"),
        (-9.0, -9.0, "other"),
        (0.5, 2.5, "a"),
        (0.5, 2.5, "b"),
        (60.0, 60.0, "Größe"),
    ]


@pytest.mark.parametrize(
    "damaged",
    [b"+1\x14a", b"1\x14a\x14", b"+x\x14a\x14", b"+1\x15-2\x14a\x14", b"+" + b"9" * 40],
)
def test_bytes_that_are_no_list_are_refused(tmp_path, damaged):
    record = (b"+0\x14\x14\0" + damaged).ljust(60, b"\0")
    assert _reason(_listed(tmp_path / "a.edf", record), "edf") == "bad_annotations"


def test_a_time_that_no_recording_has_is_refused(tmp_path):
    record = FILES["lists"]("+0\x14\x14", f"+{'9' * 30}\x14a\x14", n_bytes=60)
    assert _reason(_listed(tmp_path / "a.edf", record), "edf") == "bad_annotations"


def test_files_without_annotations_have_none(tmp_path):
    (tmp_path / "a.edf").write_bytes(
        FILES["edf"]([FILES["edf_signal"]("ICP", "mmHg", 2)], [[[1, 2]]])
    )
    assert _read(tmp_path / "a.edf", "edf") == []
    (tmp_path / "a.csv").write_text("t_s,ICP [mmHg]\n0,10\n")
    assert _read(tmp_path / "a.csv", "csv") == []
