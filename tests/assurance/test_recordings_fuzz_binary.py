"""Mutations of small valid WFDB, EDF, BDF and annotation files: a result, or a reason.

Whatever the bytes are, only RecordingError comes out, in bounded time, and no more samples than
were described. Runs repeat: the cases are drawn from a fixed seed.
"""

import re
import runpy
import time
from pathlib import Path

import numpy as np
import pytest
import wfdb
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recording_files import pressures

from icpcohort import recordings

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))
N = 120
VALUES = np.random.default_rng(8).integers(-100, 100, (N, 2))
MARKS = [(0, 22, "## time resolution: 50"), (40, 22, "(artefact"), (30, 14, "")]
MARKS += [(2000, 22, "artefact)"), (5, 28, "(open")]
MAX_CASE_S = 5.0  # a case takes about 3 ms; a slow machine is not a fault


def _header(name, fmt, n, *, first=("", 0), second=("", 0)):
    lines = [
        f"{name}.dat {fmt} 10(0)/mmHg 0 0 {initial} {checksum} 0 {label}\n"
        for label, (initial, checksum) in (("ICP", first), ("ABP", second))
    ]
    return f"{name} 2 50 {n}\n" + "".join(lines)


def _write_packed(folder, fmt):
    (folder / "r1.dat").write_bytes(FILES["packed"](VALUES.ravel(), fmt))
    sums = [int(s) for s in VALUES.sum(axis=0)]
    (folder / "r1.hea").write_text(_header("r1", fmt, N, first=(0, sums[0]), second=(0, 0)))
    (folder / "r1.atr").write_bytes(FILES["annotation_words"](*MARKS))


def _write_differences(folder):
    steps = np.diff(VALUES, axis=0, prepend=VALUES[:1]) // 2
    (folder / "r1.dat").write_bytes(steps.astype("i1").tobytes())
    (folder / "r1.hea").write_text(_header("r1", "8", N, first=(7, 0), second=(-7, 0)))


def _write_by_library(folder, name, fmt, rows):
    wfdb.wrsamp(
        name,
        fs=50,
        units=["mmHg"] * 2,
        sig_name=["ICP", "ABP"],
        d_signal=rows.astype(np.int64),
        fmt=[fmt] * 2,
        adc_gain=[10.0] * 2,
        baseline=[0] * 2,
        write_dir=str(folder),
    )


def _write_segments(folder):
    _write_by_library(folder, "s1", "16", VALUES[:50])
    _write_by_library(folder, "s2", "212", VALUES[50:])
    (folder / "r1.hea").write_text("r1/3 2 50 220\ns1 50\n~ 100\ns2 70\n")
    (folder / "r1.atr").write_bytes(FILES["annotation_words"](*MARKS))


def _write_variable(folder):
    _write_by_library(folder, "s1", "16", VALUES[:50])
    (folder / "s2.hea").write_text("s2 1 50 70\ns2.dat 16x2:3+4 10(5)/kPa 12 0 0 0 0 ABP\n")
    (folder / "s2.dat").write_bytes(b"head" + FILES["packed"](VALUES[50:].ravel(), "16"))
    (folder / "s1.hea").write_text(
        (folder / "s1.hea").read_text().replace("s1.dat 16", "s1.dat 16x1")
    )
    lines = "".join(f"~ 0 200/mmHg 0 0 0 0 0 {label}\n" for label in ("ICP", "ECG"))
    (folder / "lay.hea").write_text("lay 2 50 0\n" + lines)
    (folder / "r1.hea").write_text("r1/4 2 50 220\nlay 0\ns1 50\n~ 100\ns2 70\n")


def _write_edf(folder, format, kind):
    n_records, n = 8, 15
    signals = [FILES["edf_signal"](label, "mmHg", n) for label in ("ICP", "ABP")]
    records = [list(VALUES[i * n : (i + 1) * n].T) for i in range(n_records)]
    if kind:
        signals += [FILES["notes_signal"](60, format=format)]
        for i, record in enumerate(records):
            start = i + 0.25 + 3 * (i > 4) * (kind == "+D")
            note = f"+{start + 0.1:g}\x152\x14artefact\x14again\x14"
            record.append(FILES["lists"](f"+{start:g}\x14\x14", note, n_bytes=60))
    data = FILES["edf"](signals, records, format=format, kind=f"{format.upper()}{kind}")
    (folder / f"r1.{format}").write_bytes(data)


KINDS = {
    **{f"wfdb_{fmt}": lambda f, fmt=fmt: _write_packed(f, fmt) for fmt in ("16", "212", "310")},
    "wfdb_24": lambda f: _write_by_library(f, "r1", "24", VALUES),
    "wfdb_516": lambda f: _write_by_library(f, "r1", "516", VALUES),
    "wfdb_8": _write_differences,
    "wfdb_segments": _write_segments,
    "wfdb_variable": _write_variable,
    "edf": lambda f: _write_edf(f, "edf", ""),
    "edf_c": lambda f: _write_edf(f, "edf", "+C"),
    "edf_d": lambda f: _write_edf(f, "edf", "+D"),
    "bdf": lambda f: _write_edf(f, "bdf", ""),
    "bdf_d": lambda f: _write_edf(f, "bdf", "+D"),
}


@pytest.fixture(scope="module")
def intact(tmp_path_factory):
    """Folders by kind with one intact recording each, and its bytes by file."""
    folders = {}
    for kind, write in KINDS.items():
        folder = tmp_path_factory.mktemp(kind)
        write(folder)
        folders[kind] = (folder, {p.name: p.read_bytes() for p in sorted(folder.iterdir())})
    return folders


WORDS = [
    b" ",
    b"0",
    b"-1",
    b"9" * 9,
    b"nan",
    b"1e300",
    b"/",
    b"~",
    b"\n",
    b"(",
    b")",
    b":9",
    b"x9",
]
WORDS += [
    b"\x00",
    b"\xff" * 2,
    b"\x14",
    b"\x15",
    b"+",
    b"212",
    b"8",
    b"524",
    b"EDF+D",
    b"-32768",
]


@st.composite
def _mutations(draw, sizes):
    """Return a file's name, and changes as (kind, place, bytes)."""
    victim = draw(st.sampled_from(sorted(sizes)))
    near_start = st.integers(0, min(sizes[victim], 1100))
    place = st.one_of(near_start, st.integers(0, sizes[victim]))
    data = st.one_of(st.binary(min_size=1, max_size=4), st.sampled_from(WORDS))
    kind = st.sampled_from(
        ["write", "write", "insert", "delete", "flip", "cut", "field", "double"]
    )
    return victim, draw(st.lists(st.tuples(kind, place, data), min_size=1, max_size=4))


def _changed(data, changes):
    for kind, place, new in changes:
        before, after = data[:place], data[place:]
        if kind == "write":
            data = before + new + after[len(new) :]
        elif kind == "insert":
            data = before + new + after
        elif kind == "delete":
            data = before + after[len(new) :]
        elif kind == "flip" and after:
            data = before + bytes([after[0] ^ (1 << new[0] % 8)]) + after[1:]
        elif kind == "cut":
            data = before
        elif kind == "double":
            data = before + after + after
        elif kind == "field":  # one word of a text header, or one 8-byte field of EDF
            words = [m.span() for m in re.finditer(rb"\S+", data[:1100])] or [(0, 0)]
            first, last = words[place % len(words)]
            data = data[:first] + new.ljust(last - first) + data[last:]
    return data


def _outcome(path, format):
    """Return what a recording yields, or its RecordingErrors; anything else is a failure."""
    recordings.files_of(path, format=format, within=recordings.Places(path.parent))
    errors = []
    try:
        about = recordings.describe(
            path, format=format, timing=recordings.Timing(["t_s"]), wanted=pressures()
        )
        n_samples, end_s = 0, 0.0
        for chunk in recordings.read_chunks(
            path, about, timing=recordings.Timing(["t_s"]), chunk_s=1.0
        ):
            n_samples += _check_chunk(chunk, after_s=end_s)
            name, samples = next(iter(chunk.samples.items()))
            end_s = chunk.start_s + len(samples) / about.signals[name].fs_hz
        fs_hz = next(iter(about.signals.values())).fs_hz
        assert n_samples <= about.duration_s * fs_hz + 1
        assert end_s <= about.duration_s + 1 / fs_hz
    except recordings.RecordingError as error:
        errors.append(error)
    try:
        marks = recordings.read_annotations(path, format=format, wfdb_extensions=["atr"])
        assert [a.start_s for a in marks] == sorted(a.start_s for a in marks)
        assert all(np.isfinite(a.start_s) and a.text for a in marks)
    except recordings.RecordingError as error:
        errors.append(error)
    return errors


def _check_chunk(chunk, *, after_s):
    first = next(iter(chunk.samples))
    assert chunk.start_s >= after_s - 1 / chunk.fs_hz[first]
    for samples in chunk.samples.values():
        assert samples.dtype == np.float64
        assert not np.isinf(samples).any()
    return len(chunk.samples[first])


def _format_of(kind):
    return kind.split("_")[0]


def _name_of(kind):
    return "r1.hea" if _format_of(kind) == "wfdb" else f"r1.{_format_of(kind)}"


@pytest.mark.parametrize("kind", KINDS)
def test_the_intact_recordings_are_read(intact, kind):
    assert _outcome(intact[kind][0] / _name_of(kind), _format_of(kind)) == []


@pytest.mark.parametrize("kind", KINDS)
@settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(draw=st.data())
def test_a_mutated_recording_gives_a_result_or_a_reason(intact, kind, draw):
    folder, files = intact[kind]
    victim, changes = draw.draw(_mutations({name: len(data) for name, data in files.items()}))
    try:
        (folder / victim).write_bytes(_changed(files[victim], changes))
        start_s = time.process_time()
        errors = _outcome(folder / _name_of(kind), _format_of(kind))
        assert time.process_time() - start_s < MAX_CASE_S
    finally:
        (folder / victim).write_bytes(files[victim])
    for error in errors:
        assert re.fullmatch(r"[a-z_]+", error.reason)
        assert re.match(r"[\w .]+[:,] .+; .+", error.detail)
