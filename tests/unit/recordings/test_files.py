"""Files of a recording: inside the study folder, readable, not written while they are read."""

import os

import numpy as np
import polars as pl
import pytest
from published_settings import changed
from recording_files import pressures

from icpcohort import recordings
from icpcohort.recordings import file_checks
from icpcohort.signals import ingest

N = 30_000


def _csv(path, n=N):
    path.parent.mkdir(exist_ok=True, parents=True)
    pl.DataFrame({"t_s": np.arange(n) / 10, "ICP": np.full(n, 12.0)}).write_csv(path)
    return path


def _wfdb(folder, signal="s1.dat"):
    (folder / "s1.hea").write_text(f"s1 1 100 500\n{signal} 16 80(0)/mmHg 16 0 0 0 0 ICP\n")
    (folder / "r1.hea").write_text("r1/1 1 100 500\ns1 500\n")
    (folder / "s1.dat").write_bytes(np.full(500, 960, "<i2").tobytes())
    return folder / "r1.hea"


def _unchanged(path, *, format, folder):
    return recordings.unchanged(
        recordings.guard(
            path, format=format, within=recordings.Places(folder), wfdb_extensions=["atr"]
        )
    )


def _reason(path, folder, *, format="csv"):
    with (
        pytest.raises(recordings.RecordingError) as caught,
        _unchanged(path, format=format, folder=folder),
    ):
        _describe(path, format)
    assert "; " in caught.value.detail
    assert str(folder) not in caught.value.detail
    return caught.value.reason


def _describe(path, format="csv"):
    return recordings.describe(
        path,
        format=format,
        timing=recordings.Timing(["t_s"]),
        wanted=pressures(icp_unit="mmHg", abp_aliases=[]),
    )


# --- where they lie --------------------------------------------------------------------------


def test_a_file_or_a_link_to_one_inside_the_folder_is_taken(tmp_path):
    _csv(tmp_path / "study" / "data" / "r1.csv")
    (tmp_path / "study" / "r2.csv").symlink_to(tmp_path / "study" / "data" / "r1.csv")
    (tmp_path / "other").symlink_to(tmp_path / "study")
    folder = tmp_path / "other"  # the folder itself may be reached through a link
    for path in (folder / "data" / "r1.csv", folder / "r2.csv", folder / "data/../r2.csv"):
        with _unchanged(path, format="csv", folder=folder):
            assert recordings.files_of(
                path, format="csv", within=recordings.Places(folder)
            ) == [path]


@pytest.mark.parametrize(
    "way", ["..", "absolute", "link", "link of a folder", "link in a loop"]
)
def test_a_file_outside_the_folder_is_refused_unread(tmp_path, monkeypatch, way):
    outside, folder = _csv(tmp_path / "outside" / "r1.csv"), tmp_path / "study"
    folder.mkdir()
    path = folder / "r1.csv"
    if way == "..":
        path = folder / ".." / "outside" / "r1.csv"
    elif way == "absolute":
        path = folder / outside
    elif way == "link":
        path.symlink_to(outside)
    elif way == "link of a folder":
        (folder / "data").symlink_to(outside.parent)
        path = folder / "data" / "r1.csv"
    else:
        path.symlink_to(path)
    monkeypatch.setattr(recordings, "describe", None)
    assert _reason(path, folder) == "outside_study"
    assert recordings.files_of(path, format="csv", within=recordings.Places(folder)) == []


@pytest.mark.parametrize("part", ["s1.hea", "s1.dat"])
def test_a_part_of_a_wfdb_record_outside_the_folder_is_refused(tmp_path, part):
    folder, outside = tmp_path / "study", tmp_path / "outside"
    folder.mkdir(), outside.mkdir()
    path = _wfdb(folder)
    with _unchanged(path, format="wfdb", folder=folder):
        files = recordings.files_of(path, format="wfdb", within=recordings.Places(folder))
        assert [file.name for file in files] == ["r1.hea", "s1.dat", "s1.hea"]
    (folder / part).rename(outside / part)
    (folder / part).symlink_to(outside / part)
    assert _reason(path, folder, format="wfdb") == "outside_study"
    assert folder / part not in recordings.files_of(
        path, format="wfdb", within=recordings.Places(folder)
    )


# --- whether they can be read ----------------------------------------------------------------


def test_a_folder_or_a_pipe_in_place_of_a_file_is_refused(tmp_path):
    (tmp_path / "r1.csv").mkdir()
    os.mkfifo(tmp_path / "r2.csv")
    assert _reason(tmp_path / "r1.csv", tmp_path) == "not_a_file"
    assert _reason(tmp_path / "r2.csv", tmp_path) == "not_a_file"


def test_a_folder_in_place_of_a_signal_file_is_refused(tmp_path):
    path = _wfdb(tmp_path)
    (tmp_path / "s1.dat").unlink()
    (tmp_path / "s1.dat").mkdir()
    assert _reason(path, tmp_path, format="wfdb") == "not_a_file"


@pytest.mark.parametrize("victim", ["r1.hea", "s1.hea", "s1.dat"])
def test_a_file_that_this_user_may_not_read_is_refused(tmp_path, monkeypatch, victim):
    path = _wfdb(tmp_path)
    access = os.access
    monkeypatch.setattr(os, "access", lambda p, mode: p.name != victim and access(p, mode))
    assert _reason(path, tmp_path, format="wfdb") == "no_permission"


def test_a_folder_that_this_user_may_not_enter_is_refused(tmp_path, monkeypatch):
    def refuse(self, **_):
        raise PermissionError(13, "Permission denied")

    path = _csv(tmp_path / "r1.csv")
    monkeypatch.setattr(type(path), "stat", refuse)
    with pytest.raises(recordings.RecordingError) as caught:
        file_checks.check_readable(path)
    assert caught.value.reason == "no_permission"


def test_nothing_and_a_file_of_nothing_have_their_own_reasons(tmp_path):
    (tmp_path / "r2.csv").touch()
    assert _reason(tmp_path / "r1.csv", tmp_path) == "missing_file"
    assert _reason(tmp_path / "r2.csv", tmp_path) == "empty"
    assert _reason(tmp_path / "r\0.csv", tmp_path) in {"missing_file", "outside_study"}


# --- whether they change ---------------------------------------------------------------------


def _append(path):
    with path.open("a") as file:
        file.write("99999,12\n")


def _rewrite(path):
    data, old = path.read_bytes(), path.stat()
    path.write_bytes(data.replace(b"12", b"13"))
    os.utime(path, ns=(old.st_atime_ns, old.st_mtime_ns + 1))


def _replace(path):
    other, old = path.with_suffix(".new"), path.stat()
    other.write_bytes(path.read_bytes())
    os.utime(other, ns=(old.st_atime_ns, old.st_mtime_ns))
    other.replace(path)


def _cut(path):
    os.truncate(path, 20_000)


@pytest.mark.parametrize("change", [_append, _rewrite, _replace, _cut, os.remove])
def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, change):
    path = _csv(tmp_path / "r1.csv")
    with (
        pytest.raises(recordings.RecordingError, match=r"r1.csv: written while") as caught,
        _unchanged(path, format="csv", folder=tmp_path),
    ):
        chunks = recordings.read_chunks(
            path, _describe(path), timing=recordings.Timing(["t_s"]), chunk_s=1.0
        )
        next(chunks)
        change(path)
        list(chunks)
    assert caught.value.reason == "changed_while_read"


@pytest.mark.parametrize("part", ["r1.hea", "s1.hea", "s1.dat", "r1.atr"])
def test_a_part_that_changes_while_a_record_is_read_is_refused(tmp_path, part):
    path = _wfdb(tmp_path)
    path.with_suffix(".atr").touch()
    with (
        pytest.raises(recordings.RecordingError) as caught,
        _unchanged(path, format="wfdb", folder=tmp_path),
    ):
        os.utime(tmp_path / part, ns=(0, 0))
    assert (caught.value.reason, caught.value.detail[:6]) == ("changed_while_read", part)


def test_a_fault_that_a_change_has_caused_is_named_after_the_change(tmp_path):
    path = _csv(tmp_path / "r1.csv")
    with (
        pytest.raises(recordings.RecordingError) as caught,
        _unchanged(path, format="csv", folder=tmp_path),
    ):
        path.write_text("t_s,ICP\n0,1\n1")
        _describe(path)
    assert caught.value.reason == "changed_while_read"


def test_other_errors_pass_when_nothing_changed(tmp_path):
    with (
        pytest.raises(ZeroDivisionError),
        _unchanged(_csv(tmp_path / "r1.csv"), format="csv", folder=tmp_path),
    ):
        raise ZeroDivisionError


# --- in the study ----------------------------------------------------------------------------


def test_a_file_that_grows_or_lies_outside_is_excluded_and_the_others_are_used(
    tmp_path, monkeypatch
):
    folder = tmp_path / "study"
    for name in ("good", "grows"):
        _csv(folder / f"{name}.csv")
    _csv(tmp_path / "outside.csv")
    (folder / "link.csv").symlink_to(tmp_path / "outside.csv")
    fingerprint = recordings.fingerprint

    def grow(files):
        if files[0].name == "grows.csv":
            _append(files[0])
        return fingerprint(files)

    monkeypatch.setattr(recordings, "fingerprint", grow)
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(folder),
        rows=[_row(name, start_s=1e5 * i) for i, name in enumerate(["good", "grows", "link"])],
        events=[],
        monitors=[],
        level=dict.fromkeys(("abp_level", "bed_angle_deg", "heart_to_tragus_cm")),
        left_out={},
        sections=ingest.sections_of(changed(cleaning={"rules": []})),
    )
    reasons = dict(done.excluded.select("recording_id", "reason").iter_rows())
    assert reasons == {"grows": "changed_while_read", "link": "outside_study"}
    status = dict(done.recordings.select("recording_id", "status").iter_rows())
    assert status == {"good": "used", "grows": "excluded", "link": "excluded"}
    assert done.recordings.filter(recording_id="link")["sha256"].to_list() == [None]


def _row(name, *, start_s):
    return {
        "recording_id": name,
        "patient_id": "P1",
        "path": f"{name}.csv",
        "format": "csv",
        "start_s": start_s,
        "icp_channel": None,
        "abp_channel": None,
        "icp_unit": "mmHg",
        "abp_unit": None,
        "time_column": None,
        "clock_zone": None,
    }
