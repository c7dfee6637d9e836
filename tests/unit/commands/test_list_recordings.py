"""The table of recordings from names of files: nothing that is listed changes."""

import csv
import datetime
import io

import edfio
import numpy as np
import pytest

from icpcohort import cli
from icpcohort.commands import list_recordings
from icpcohort.commands import new as study_folder

SCHEMAS = cli.REPOSITORY / "workflow/schemas"


@pytest.fixture
def study(tmp_path):
    """Write a new study of three patients, and an empty archive beside it."""
    folder = tmp_path / "study"
    texts = study_folder.texts(title="x", like="plain", repository=cli.REPOSITORY)
    for name, text in texts.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    header = (folder / "patients.csv").read_text().splitlines()[0]
    rows = [name + "," * header.count(",") for name in ("P1", "P1_2", "P3")]
    (folder / "patients.csv").write_text("\n".join([header, *rows]) + "\n")
    (tmp_path / "archive").mkdir()
    _state(folder, 'patterns: ["archive/{patient}/{date}.csv", "{patient}_{any}.edf"]')
    _state(folder, "roots: {archive: ../archive}")
    return folder


def _state(folder, line):
    path = folder / "config/config.yaml"
    text = path.read_text(encoding="utf-8")
    assert text.count("\nrecordings:\n") == 1
    path.write_text(text.replace("\nrecordings:\n", f"\nrecordings:\n  {line}\n"))


def _csv(path, first="2024-03-01 10:00:00", heading="t_s,ICP"):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"{heading}\n{first},10\n")


def _edf(path, start):
    signal = edfio.EdfSignal(np.arange(60.0), 1, label="ICP", physical_dimension="mmHg")
    recording = edfio.Recording(startdate=start.date())
    edfio.Edf([signal], recording=recording, starttime=start.time()).write(path)


def _list(folder):
    return list_recordings.list_recordings(
        folder, schema_folder=SCHEMAS, progress=lambda *_: None
    )


def _rows(content):
    return list(csv.DictReader(io.StringIO(content.decode())))


def test_each_file_that_fits_has_a_row_in_the_order_of_starts(study, tmp_path):
    _csv(tmp_path / "archive/P1/b.csv", "2024-03-01 10:00:00")
    _csv(tmp_path / "archive/P1/a.csv", "2024-03-02 10:00:00+01:00")
    _csv(tmp_path / "archive/P3/a.csv", "0")
    _edf(study / "P1_2_x.edf", datetime.datetime(2024, 2, 29, 23, 59, 58))
    listing = _list(study)
    columns = ("recording_id", "patient_id", "path", "format", "start_s", "clock_zone")
    assert [tuple(row[name] for name in columns) for row in _rows(listing.content)] == [
        ("P1_r1", "P1", "archive/P1/b.csv", "csv", "2024-03-01T10:00:00", ""),
        ("P1_r2", "P1", "archive/P1/a.csv", "csv", "2024-03-02T09:00:00+00:00", ""),
        ("P1_2_r1", "P1_2", "P1_2_x.edf", "edf", "2024-02-29T23:59:58", ""),
        ("P3_r1", "P3", "archive/P3/a.csv", "csv", "", ""),
    ]
    assert listing.n_added == 4
    assert (
        listing.counts[0] == "files that fit a pattern: 4; new recordings: 4; listed already: 0"
    )
    assert "files that state no date: 1 (archive/P3/a.csv); write start_s of each" in (
        listing.counts
    )
    assert not any(str(tmp_path) in line for line in listing.counts)


def test_rows_that_are_there_stay_byte_for_byte(study, tmp_path):
    for name in ("a", "b"):
        _csv(tmp_path / f"archive/P1/{name}.csv")
    before = (
        "\ufeffnote;recording_id;patient_id;path;format;start_s\r\n"
        '"by; hand";p1_R7;P1;archive/P1/a.csv;csv;12,5\r\n'
        "gone;P3_r1;P3;elsewhere.csv;csv;1"
    ).encode()
    (study / "recordings.csv").write_bytes(before)
    listing = _list(study)
    assert listing.content == before + (
        b"\r\n;P1_r8;P1;archive/P1/b.csv;csv;2024-03-01T10:00:00\r\n"
    )
    (study / "recordings.csv").write_bytes(listing.content)
    again = _list(study)
    assert (again.n_added, again.added) == (0, "")
    assert (
        again.counts[0] == "files that fit a pattern: 2; new recordings: 0; listed already: 2"
    )


def test_a_table_that_is_no_utf8_is_not_added_to(study, tmp_path, capsys):
    _csv(tmp_path / "archive/P1/a.csv")
    before = (study / "recordings.csv").read_bytes() + "r1,P1,Fu\u00dfball.csv".encode("cp1252")
    (study / "recordings.csv").write_bytes(before)
    assert cli.main(["list", str(study)]) == 2
    assert "recordings.csv: not UTF-8;" in capsys.readouterr().err
    assert (study / "recordings.csv").read_bytes() == before


def test_what_is_not_listed_is_counted_and_named(study, tmp_path):
    _csv(tmp_path / "archive/P1/a.csv")
    _csv(tmp_path / "archive/P1/same.csv")
    _csv(tmp_path / "archive/P9/a.csv")
    _csv(tmp_path / "archive/P9/b.csv")
    _csv(tmp_path / "archive/loose.csv")
    _csv(tmp_path / "outside/a.csv")
    (tmp_path / "archive/P3").mkdir()
    (tmp_path / "archive/P3/link.csv").symlink_to(tmp_path / "outside/a.csv")
    (tmp_path / "archive/P1_2").symlink_to(tmp_path / "outside")
    (tmp_path / "archive/P1/bad.csv").write_text("nothing\n1\n")
    listing = _list(study)
    assert [row["path"] for row in _rows(listing.content)] == [
        "archive/P1/a.csv",
        "archive/P1/same.csv",
        "archive/P1/bad.csv",
    ]
    assert listing.counts == [
        "files that fit a pattern: 5; new recordings: 3; listed already: 0",
        "files whose head cannot be read: 1 (archive/P1/bad.csv); icpcohort check says why",
        "files with the time of a clock and no offset from UTC: 2 (archive/P1/a.csv, "
        "archive/P1/same.csv); of CSV and Parquet write clock_zone",
        "patients with recordings that begin at the same moment: 1 (P1)",
        "patients of files who are not in the table of patients: 1 (P9)",
        "patients without a recording: 2 (P1_2, P3)",
        "files that fit no pattern: 1 (archive/loose.csv)",
        "links that lead out of the study folder and its roots: 1 (archive/P3/link.csv)",
    ]


def test_a_segment_of_a_record_is_no_recording_of_its_own(study, tmp_path):
    _state(study, "x: 1")
    config = study / "config/config.yaml"
    text = config.read_text().replace("  x: 1\n", "")
    config.write_text(text.replace("{date}.csv", "{any}.hea"))
    folder = tmp_path / "archive/P1"
    folder.mkdir()
    (folder / "m.hea").write_text("m/1 1 1 60 10:00:00 01/03/2024\ns1 60\n")
    (folder / "s1.hea").write_text("s1 1 1 60\ns1.dat 16 80/mmHg 16 0 0 0 0 ICP\n")
    rows = _rows(_list(study).content)
    assert [(row["path"], row["format"]) for row in rows] == [("archive/P1/m.hea", "wfdb")]
    assert rows[0]["start_s"] == "2024-03-01T10:00:00"


def test_a_file_for_all_has_a_row_for_each_patient(study, tmp_path):
    _state(study, "patient_column: who")
    config = study / "config/config.yaml"
    config.write_text(config.read_text().replace("archive/{patient}/{date}", "archive/{any}"))
    (tmp_path / "archive/all.csv").write_text(
        "who,t_s,ICP\nP3,2024-03-01 10:00,1\nP1,2024-03-01 09:00,1\nP8,2024-03-01 09:00,1\n"
    )
    listing = _list(study)
    assert [
        (row["recording_id"], row["path"], row["start_s"]) for row in _rows(listing.content)
    ] == [
        ("P1_r1", "archive/all.csv", "2024-03-01T09:00:00"),
        ("P3_r1", "archive/all.csv", "2024-03-01T10:00:00"),
    ]
    assert "patients of files who are not in the table of patients: 1 (P8)" in listing.counts
    (study / "recordings.csv").write_bytes(listing.content)
    assert _list(study).n_added == 0


def test_a_dry_run_shows_the_rows_and_writes_nothing(study, tmp_path, capsys):
    _csv(tmp_path / "archive/P1/a.csv")
    before = (study / "recordings.csv").read_bytes()
    assert cli.main(["list", str(study), "--dry-run"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("P1_r1,P1,archive/P1/a.csv,csv,2024-03-01T10:00:00")
    assert (study / "recordings.csv").read_bytes() == before
    assert cli.main(["list", str(study)]) == 0
    assert capsys.readouterr().out.startswith("files that fit a pattern: 1; new recordings: 1")
    assert (study / "recordings.csv").read_bytes() == before + shown.splitlines(True)[
        0
    ].encode()
    assert not list(study.glob(".*.part"))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("patterns:", "#", "recordings.patterns: not in config.yaml"),
        ("../archive", "../nowhere", "recordings.roots.archive: no such folder"),
        ("{patient}/{date}", "{any}/{date}", "has {patient} 0 times"),
        ("{patient}/{date}", "{patient}/{patient}", "has {patient} 2 times"),
        ('"archive/', '"../archive/', "recordings.patterns, entry 1"),
    ],
)
def test_what_cannot_be_listed_is_said_in_words(study, capsys, old, new, words):
    config = study / "config/config.yaml"
    text = config.read_text(encoding="utf-8")
    assert text.count(old) == 1
    config.write_text(text.replace(old, new))
    assert cli.main(["list", str(study)]) == 2
    assert words in capsys.readouterr().err


def test_an_empty_start_is_filled_in_and_nothing_else_of_the_line(study, tmp_path):
    _csv(tmp_path / "archive/P1/a.csv", "1/2/2024 10:00:00")  # day or month first?
    _csv(tmp_path / "archive/P3/a.csv", "2024-03-02 10:00:00")
    table = study / "recordings.csv"
    header = table.read_text("utf-8").splitlines()[0]
    assert header.startswith("recording_id,patient_id,path,format,start_s")
    rest = "," * (header.count(",") - 5)
    noted = [f"first,P1,archive/P1/a.csv,csv,,{rest}", f"x,P3,archive/P3/a.csv,csv,7,{rest}"]
    table.write_bytes("\r\n".join([header, *noted, ""]).encode())
    before = _list(study)
    assert (before.n_added, before.n_filled) == (0, 0)
    assert before.content == table.read_bytes()
    _state(study, "day_order: day_first")
    after = _list(study)
    assert (after.n_added, after.n_filled) == (0, 1)
    start = "2024-02-01T10:00:00"
    noted[0] = f"first,P1,archive/P1/a.csv,csv,{start},{rest}"
    assert after.content == "\r\n".join([header, *noted, ""]).encode()


def test_the_patients_of_an_older_encoding_are_known_as_the_study_states(study, tmp_path):
    _csv(tmp_path / "archive/P1/a.csv")
    patients = study / "patients.csv"
    header, *rows = patients.read_text("utf-8").splitlines()
    rows = [f"{row},ä" for row in rows]
    patients.write_bytes("\n".join([f"{header},remarks", *rows]).encode("cp1252"))
    with pytest.raises(list_recordings.NotListed, match="encoding: cp1252"):
        _list(study)
    path = study / "config/config.yaml"
    text = path.read_text("utf-8")
    path.write_text(
        text.replace("\n  time_zero:", "\n  encoding: cp1252\n  time_zero:"), "utf-8"
    )
    assert _list(study).n_added == 1
