"""Forgetting a patient: what is found, what is removed, and what is refused."""

import gzip
import subprocess
import sys
import zipfile
from base64 import urlsafe_b64encode

import polars as pl
import pytest
from published_settings import ROOT

from icpcohort.commands import forget, traces
from icpcohort.commands import new as study_folder
from icpcohort.commands import run as running


def _write(path, content=b"x"):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)


def _note(study, target, content="{}"):
    """Write what Snakemake 9 notes on a result: its name in base64, as `_record_path` does."""
    name = urlsafe_b64encode(target.encode()).decode()
    pieces = [name[i : i + 254] for i in range(0, len(name), 254)]
    path = study.joinpath(".snakemake", "metadata", *(f"@{p}" for p in pieces[:-1]), pieces[-1])
    _write(path, content)
    return path


@pytest.fixture
def study(tmp_path):
    """A study of K2 and K10, in whose results K1 still is."""
    study = tmp_path / "study"
    texts = study_folder.texts(title="t", like="tbi", repository=ROOT)
    for name, text in texts.items():
        _write(study / name, text)
    heads = {n: texts[f"{n}.csv"].strip().split(",") for n in ("patients", "recordings")}
    rows = {"patients": [("K2",), ("K10",)]}
    rows["recordings"] = [(f"R{p}", p, f"{p}.csv", "csv", "0") for p in ("K2", "K10")]
    for name, head in heads.items():
        lines = [",".join([*row, *[""] * (len(head) - len(row))]) for row in rows[name]]
        _write(study / f"{name}.csv", "\n".join([",".join(head), *lines]) + "\n")
    for patient in ("K1", "K2", "K10"):
        for folder in ("trends", "minutes"):
            _write_table(study / f"results/{folder}/{patient}.parquet", icp=[1.0])
        _write_table(study / f"results/recordings/{patient}.parquet", path=[f"d/{patient}.csv"])
        _write(study / f"logs/ingest/{patient}.log", "")
    return study


def _write_table(file, **columns):
    file.parent.mkdir(parents=True, exist_ok=True)
    pl.DataFrame(columns).write_parquet(file)


def _forget(study, patient="K1", *, is_dry=False):
    return forget.forget(study, patient, repository=ROOT, is_dry=is_dry, say=lambda line: None)


def _names(study, done):
    return {path.relative_to(study).as_posix() for path in done.removed}


# --- what names a patient -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "is_named"),
    [
        ("K1", True),
        ("results/trends/K1.parquet", True),
        ("K1_day2.edf", True),
        ('{"id": "K1"}', True),
        ("K10 XK1 K1a", False),
        ("k1", False),
    ],
)
def test_a_name_is_found_as_a_whole_word(tmp_path, text, is_named):
    _write(tmp_path / "f.txt", text)
    assert traces.is_named_in(tmp_path / "f.txt", traces.sought(["K1"])) == is_named


@pytest.mark.parametrize("at", range(-4, 5))
def test_a_name_is_found_where_two_pieces_of_a_file_meet(tmp_path, at, monkeypatch):
    monkeypatch.setattr(traces, "CHUNK_BYTES", 16)
    sought = traces.sought(["K1"])
    _write(tmp_path / "named", " " * (16 + at) + "K1" + " " * 40)
    _write(tmp_path / "longer", " " * (16 + at) + "K10" + " " * 40)
    _write(tmp_path / "inside", "x" * (16 + at) + "K1" + " " * 40)
    found = [traces.is_named_in(tmp_path / n, sought) for n in ("named", "longer", "inside")]
    assert found == [True, False, False]


def test_a_name_is_found_in_tables_archives_and_what_is_no_text(tmp_path):
    _write_table(tmp_path / "a.parquet", who=["K2", "K1"], icp=[1.0, 2.0])
    _write_table(tmp_path / "b.parquet", who=["K2", "K10"])
    _write(tmp_path / "c.csv.gz", gzip.compress(b"id\nK1\n"))
    with zipfile.ZipFile(tmp_path / "d.docx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("word/document.xml", "<w:t>K1</w:t>")
    _write(tmp_path / "e.dta", b"\0\0K1first_72_h")
    sought = traces.sought(["K1"])
    found = {p.name for p in tmp_path.iterdir() if traces.is_named_in(p, sought)}
    assert found == {"a.parquet", "c.csv.gz", "d.docx", "e.dta"}


# --- what is removed --------------------------------------------------------------------------


def test_what_names_the_patient_goes_and_the_others_stay(study):
    _write_table(study / "results/burden.parquet", patient_id=["K1", "K2"])
    _write_table(study / "results/bands.parquet", outcome=["gose"])
    _write(study / "results/analysis.csv", "K1,3\n")
    _write(study / "results/analysis.dta", b"\0K1")
    _write(study / ".snakemake/log/a.log", "input: d/K1.csv")
    done = _forget(study)
    assert _names(study, done) == {
        *(f"results/{name}/K1.parquet" for name in ("trends", "minutes", "recordings")),
        *("results/burden.parquet", "results/analysis.csv", "results/analysis.dta"),
        *("logs/ingest/K1.log", ".snakemake/log/a.log"),
    }
    assert done.left == []
    assert not [path for path in done.removed if path.exists()]
    assert (study / "results/trends/K10.parquet").exists()
    again = _forget(study)
    assert (again.removed, again.left) == ([], [])
    assert list(forget.lines(again, study=study, patient_id="K1", is_dry=False)) == [
        f"{again.n_searched} files searched, none names K1",
        "No run had this patient, or every trace was removed before",
    ]


def test_notes_of_snakemake_go_with_their_results_and_results_with_their_notes(study):
    _write_table(study / "results/updates.parquet", icp=[1.0])
    _write_table(study / "results/bands.parquet", outcome=["gose"])
    _write(study / "results/tables/csv/one.csv", "n\n3\n")
    _write(study / "results/tables/csv/left.csv", "who\nK1\n")
    own = _note(study, "results/trends/K1.parquet")
    made_from = _note(
        study, "results/updates.parquet", '{"input": ["results/minutes/K1.parquet"]}'
    )
    folder = _note(study, "results/tables/csv")
    other = _note(study, "results/bands.parquet", '{"input": ["results/patients.parquet"]}')
    long = _note(study, f"results/{'x/' * 150}K1.parquet")
    done = _forget(study)
    names = _names(study, done)
    assert {"results/updates.parquet", "results/tables/csv/one.csv"} <= names
    assert "results/bands.parquet" not in names
    assert [path.exists() for path in (own, made_from, folder, long)] == [False] * 4
    assert not long.parent.exists()
    assert other.exists()
    assert done.left == []


def test_a_dry_run_lists_and_changes_nothing(study):
    before = sorted(study.rglob("*"))
    dry = _forget(study, is_dry=True)
    assert sorted(study.rglob("*")) == before
    assert dry.removed == _forget(study).removed


def test_results_of_a_batch_that_is_no_more_go(study, monkeypatch):
    monkeypatch.setattr("icpcohort.jobs.TOGETHER", 2)
    monkeypatch.setattr("icpcohort.jobs.DRAWN_TOGETHER", 2)
    for number in ("0000", "0001"):
        _write(study / f"results/exposures/{number}/burden.parquet.txt", "nobody")
        _write(study / f"results/hours/{number}.parquet.txt", "nobody")
    done = _forget(study)
    assert "results/exposures/0001/burden.parquet.txt" in _names(study, done)
    assert "results/exposures/0000/burden.parquet.txt" not in _names(study, done)


# --- what is left, and named ------------------------------------------------------------------


def test_files_of_the_group_are_named_and_not_touched(study):
    lock = study / "config/plan.lock.json"
    _write(lock, '{"who": "K1"}')
    _write(study / "d/K1.csv", "t_s,ICP\n")
    done = _forget(study)
    assert [line.split(": ")[0] for line in done.left] == [str(lock), str(study / "d/K1.csv")]
    assert all(line.endswith("it is the group's own and not touched") for line in done.left)
    assert lock.exists() and (study / "d/K1.csv").exists()


def test_a_name_in_another_column_of_a_table_is_named(study):
    path = study / "events.csv"
    path.write_text("patient_id,event,start_s,note\nK2,rezero,5,twin of K1\n")
    (line,) = _forget(study).left
    assert line.startswith(f"{path}: names K1; if that is the patient, delete it there")


def test_nothing_is_removed_outside_of_the_areas(study, tmp_path):
    outside = tmp_path / "K1.txt"
    _write(outside, "K1")
    _note(study, "../K1.txt", "K1")
    (study / "results/K1_link.txt").symlink_to(outside)
    (study / "results/elsewhere").symlink_to(tmp_path)
    done = _forget(study)
    assert outside.read_text() == "K1"
    assert (study / "patients.csv").exists()
    assert not (study / "results/K1_link.txt").is_symlink()
    assert [line.split(": ")[1] for line in done.left] == [
        "was a link; what it led to is not touched"
    ]


def test_a_file_that_cannot_be_read_is_named(study):
    _write(study / "results/broken.parquet", b"PAR1 and no more")
    (line,) = _forget(study).left
    assert "broken.parquet: cannot be looked into" in line


# --- what is refused --------------------------------------------------------------------------


def _refusal(study, patient="K1"):
    before = {p: p.stat().st_mtime_ns for p in study.rglob("*")}
    with pytest.raises(forget.Refused) as error:
        _forget(study, patient)
    assert {p: p.stat().st_mtime_ns for p in study.rglob("*")} == before
    return str(error.value).splitlines()


def test_a_patient_of_the_tables_is_refused_with_the_rows(study):
    assert _refusal(study, "K10") == [
        "patients.csv: row 3: still of K10; delete them",
        "recordings.csv: row 3: still of K10; delete them",
        "recordings.csv: delete the recordings of these rows too; no command does it",
    ]


def test_a_file_of_the_patient_that_is_listed_for_another_is_refused(study):
    path = study / "recordings.csv"
    path.write_text(path.read_text().replace("K2.csv", "d/K1.csv"))
    assert _refusal(study) == ["recordings.csv: row 2: still a file of K1; delete them"]


def test_what_is_no_identifier_is_refused(study):
    (line,) = _refusal(study, "../K1")
    assert line.startswith("PATIENT: '../K1' cannot be the name of a file")


def test_a_study_in_which_a_run_is_under_way_is_refused(study):
    with running.alone(study, say=print), pytest.raises(running.NotAlone, match="another run"):
        _forget(study)
    (study / ".snakemake/locks").mkdir()
    _write(study / ".snakemake/locks/0.input.lock", "results/x")
    with pytest.raises(running.NotAlone, match="with snakemake itself"):
        _forget(study)
    assert (study / "results/trends/K1.parquet").exists()


def test_the_command_says_what_it_did(study):
    def command(*arguments):
        return subprocess.run(
            [sys.executable, "-m", "icpcohort.cli", "forget", str(study), *arguments],
            capture_output=True,
            text=True,
            check=False,
        )

    dry = command("K1", "--dry-run")
    assert (dry.returncode, dry.stderr) == (0, "")
    assert dry.stdout.splitlines()[-1] == "4 files would be removed; nothing was changed"
    done = command("K1")
    assert (done.returncode, done.stderr) == (0, "")
    assert "4 files removed from results/, logs/, .snakemake/" in done.stdout
    assert "files searched, none names K1" in done.stdout
    refused = command("K2")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "patients.csv: row 2: still of K2; delete them" in refused.stderr
