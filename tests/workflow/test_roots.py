"""A study whose recordings lie in a root runs, and moving the root reruns nothing."""

import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

pytestmark = pytest.mark.workflow

COMMAND = str(Path(sys.executable).with_name("icpcohort"))
MADE = ("results/recordings.parquet", "results/patients.parquet")


def _icpcohort(*arguments):
    done = subprocess.run([COMMAND, *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def _times(study):
    return {
        path: path.stat().st_mtime_ns for path in sorted(study.glob("results/**/*.parquet"))
    }


def test_moving_a_root_reruns_nothing_and_no_file_of_a_run_names_it(tmp_path):
    study, archive = tmp_path / "study", tmp_path / "an_archive"
    _icpcohort("new", str(study), "--like", "plain")
    header = (study / "patients.csv").read_text().splitlines()[0].split(",")
    cells = {"death_h": "", "left_unit_h": "50"}
    rows = [",".join({"patient_id": p, **cells}.get(c, "") for c in header) for p in "AB"]
    (study / "patients.csv").write_text("\n".join([",".join(header), *rows]) + "\n")
    archive.mkdir()
    minutes = "".join(f"{60 * i},{who},{12 + i % 3}\n" for i in range(120) for who in "AB")
    (archive / "all.csv").write_text("t_s,who,ICP [mmHg]\n" + minutes)
    config = study / "config/config.yaml"
    stated = (
        "\nrecordings:\n  roots: {archive: ../an_archive}\n"
        '  patterns: ["archive/{any}.csv"]\n  patient_column: who\n'
    )
    config.write_text(config.read_text().replace("\nrecordings:\n", stated))
    _icpcohort("list", str(study))
    table = (study / "recordings.csv").read_text()
    assert table.count(",csv,,") == 2
    (study / "recordings.csv").write_text(table.replace(",csv,,", ",csv,0,"))
    _icpcohort("run", str(study), *MADE, "--cores", "2")
    recordings = pl.read_parquet(study / "results/recordings.parquet")
    assert recordings["status"].to_list() == ["used", "used"]
    assert recordings["path"].to_list() == ["archive/all.csv"] * 2
    before = _times(study)
    assert len(before) > 10

    archive.rename(tmp_path / "z_moved")
    config.write_text(config.read_text().replace("../an_archive", "../z_moved"))
    _icpcohort("run", str(study), *MADE, "--cores", "2")
    assert _times(study) == before
    left = [path for folder in ("results", "logs") for path in (study / folder).rglob("*")]
    left += list((study / ".snakemake/log").glob("*"))
    texts = {path: path.read_bytes() for path in left if path.is_file()}
    assert len(texts) > 10
    for name in (b"an_archive", b"z_moved"):
        assert [path for path, text in texts.items() if name in text] == []
