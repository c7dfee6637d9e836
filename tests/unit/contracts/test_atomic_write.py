"""A file has its name only when all of it is there, whatever happens to its writer."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from icpcohort.contracts import Column, Table, atomic_write, store

HOME = Path(__file__).parents[3]
TABLE = Table("t.parquet", "A table", ("n",), {"n": Column(pl.Int64(), "1", "Number")})
SLOW_WRITER = """
import sys, time
from icpcohort.contracts import atomic_write

with atomic_write.writing(sys.argv[1]) as part, part.open("wb") as file:
    file.write(b"half of the new")
    file.flush()
    print("half", flush=True)
    time.sleep(60)
"""


def _kill_half_way(path):
    """Kill a writer that has written half of its file."""
    writer = subprocess.Popen(
        [sys.executable, "-c", SLOW_WRITER, str(path)],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(HOME / "src")},
    )
    assert writer.stdout.readline() == b"half\n"
    writer.kill()
    writer.wait()
    writer.stdout.close()


@pytest.mark.parametrize("before", [None, b"the old, whole"])
def test_a_killed_writer_leaves_the_old_file_or_none(tmp_path, before):
    path = tmp_path / "t.csv"
    if before:
        path.write_bytes(before)
    _kill_half_way(path)
    assert (path.read_bytes() if path.exists() else None) == before
    [part] = atomic_write.leftovers(tmp_path)
    assert part.read_bytes() == b"half of the new"
    atomic_write.write(path, "the new")
    assert path.read_bytes() == b"the new"
    atomic_write.sweep(tmp_path)
    assert list(tmp_path.iterdir()) == [path]


def test_a_part_is_private_and_the_whole_is_as_the_mask_says(tmp_path):
    old = os.umask(0o027)
    try:
        with atomic_write.writing(tmp_path / "t.csv") as part:
            assert stat.S_IMODE(part.stat().st_mode) == 0o600
            part.write_text("x")
        assert stat.S_IMODE((tmp_path / "t.csv").stat().st_mode) == 0o640
    finally:
        os.umask(old)


def test_a_writer_that_fails_leaves_no_part(tmp_path):
    path = tmp_path / "t.csv"
    atomic_write.write(path, "old")
    with pytest.raises(ZeroDivisionError), atomic_write.writing(path) as part:
        part.write_text("new")
        _ = 1 / 0
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_two_writers_of_one_file_do_not_mix(tmp_path):
    path = tmp_path / "t.csv"
    with atomic_write.writing(path) as first, atomic_write.writing(path) as second:
        assert first != second
        first.write_text("first")
        second.write_text("second")
    assert path.read_text() == "first"  # it ended last
    assert not atomic_write.leftovers(tmp_path)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="limits of a process need POSIX")
def test_a_full_disk_leaves_the_old_table_and_is_told(tmp_path):
    import resource

    path = tmp_path / "t.parquet"
    store.write(pl.DataFrame({"n": [1]}), TABLE, path)
    old, limits = path.read_bytes(), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limits[1]))
    try:
        with pytest.raises(OSError, match=r"too large|No space"):
            store.write(pl.DataFrame({"n": range(100_000)}), TABLE, path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_bytes() == old
    assert list(tmp_path.iterdir()) == [path]


def test_no_code_writes_a_result_in_another_way():
    """The simulated cohort is signed when it is whole (`commands.simulate`)."""
    writes = (
        "write_text(",
        "write_bytes(",
        ".write_csv(p",
        ".write_csv(s",
        '.open("w',
        ".save",
    )
    free = {"atomic_write.py", "job_log.py", "writers.py", "patient.py", "cohort.py"}
    texts = [*HOME.glob("src/**/*.py"), *HOME.glob("workflow/scripts/*.py")]
    assert len(texts) > 50
    for path in texts:
        if path.name in free and "workflow" not in path.parts:
            continue
        text = path.read_text(encoding="utf-8")
        for elsewhere in ("picture.figure.savefig", "canvas.save", "document.save(made)"):
            text = text.replace(elsewhere, "")  # into memory, or into a part
        assert not [write for write in writes if write in text], path
