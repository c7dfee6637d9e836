"""What lies in a study is held against what its last run noted; every difference has words."""

import hashlib
import json
import runpy
import shutil
from pathlib import Path

import polars as pl
import pytest
import yaml

from icpcohort import cli, contracts
from icpcohort.commands import verify
from icpcohort.contracts import atomic_write, store
from icpcohort.provenance import account as run_account
from icpcohort.provenance import checksums, ro_crate

HOME = Path(__file__).parents[3]
ASSURANCE = HOME / "tests/assurance"
CONFIG = {
    "study": {"folder": "data", "title": "A study"},
    "recordings": {"annotation_extensions": []},
}
VARIABLES = {
    **{"dictionaries": [], "variables": {}, "outcomes": {}},
    **{"repeated": {}, "scores": {}},
}
SCHEMAS = HOME / "workflow/schemas"
VERSIONS = {"icpcohort": "1", "python": "3", "polars": "2", "snakemake": "9"}


def _recordings(**digests):
    rows = [
        {"recording_id": name, "patient_id": "P1", "path": f"{name}.csv", "format": "csv"}
        | {"sha256": digest, "status": "used"}
        for name, digest in digests.items()
    ]
    table = contracts.recordings({})
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema)


@pytest.fixture
def study(tmp_path):
    """A study of one table and two recordings, one of them absent, with its account.

    A third recording is left out by the group, and not read, although its file is there.
    """
    root = tmp_path / "study"
    results = root / "results"
    atomic_write.write(root / "data/patients.csv", "patient_id\nP1\n")
    atomic_write.write(root / "data/r1.csv", "t_s,icp\n0,12\n")
    contents = {"config": CONFIG, "variables": VARIABLES, "models": {"models": {}}}
    for name, content in contents.items():
        text = yaml.safe_dump(content)
        atomic_write.write(root / f"config/{name}.yaml", text)
        atomic_write.write(results / f"provenance/{name}.yaml", text)
    atomic_write.write(results / "provenance/Snakefile", "rule all: pass\n")
    atomic_write.write(results / "README.md", "Tables\n")
    read = hashlib.sha256(b"t_s,icp\n0,12\n").hexdigest()
    table = _recordings(r1=read, r2=None, r3=None)
    left_out = pl.when(pl.col("recording_id") == "r3").then(pl.lit("left_out"))
    table = table.with_columns(reason=left_out)
    atomic_write.write(root / "data/r3.csv", "never read\n")
    store.write(table, contracts.recordings({}), results / "recordings.parquet")
    names = [str(p.relative_to(results)) for p in results.rglob("*") if p.is_file()]
    account = run_account.Account(
        title="A study",
        settings=CONFIG,
        models={},
        versions=VERSIONS,
        code="abc",
        command="icpcohort run STUDY",
        started="2026-01-01T00:00:00+00:00",
        ended="2026-01-01T00:10:00+00:00",
        tables=run_account.of_tables(["patients.csv"], folder=str(root / "data")),
        recordings=run_account.recordings_of(table),
        files=checksums.of_files(names, root=results),
    )
    template = (HOME / "workflow/report/provenance.html.j2").read_text(encoding="utf-8")
    atomic_write.write(results / ro_crate.NAME, ro_crate.as_json(account))
    atomic_write.write(
        results / "provenance.html", run_account.page(account, template=template)
    )
    digests = checksums.of_files([*names, ro_crate.NAME, "provenance.html"], root=results)
    atomic_write.write(results / checksums.NAME, checksums.as_text(digests))
    return root


def test_an_untouched_study_is_what_was_written(study, capsys):
    assert verify.verify(study, schema_folder=SCHEMAS) == (8, 3, [])
    assert cli.main(["verify", str(study)]) == 0
    assert "8 results, the settings and 3 tables and recordings" in capsys.readouterr().out


def _flip(path):
    content = path.read_bytes()
    path.write_bytes(bytes([content[0] ^ 64]) + content[1:])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            lambda s: _flip(s / "results/README.md"),
            "README.md: not the bytes that were written",
        ),
        (
            lambda s: _flip(s / "results/recordings.parquet"),
            "recordings.parquet: not the bytes",
        ),
        (lambda s: _flip(s / "results" / ro_crate.NAME), "metadata.json: not the bytes"),
        (
            lambda s: _flip(s / "results" / checksums.NAME),
            "SHA256SUMS line 1: no sum of a file",
        ),
        (lambda s: (s / "results/README.md").unlink(), "README.md: missing"),
        (lambda s: (s / "results/more.csv").touch(), "more.csv: not of the run; remove it"),
        (lambda s: (s / "results/.a.x.part").touch(), "left by a writer that was killed"),
        (
            lambda s: (s / "results" / checksums.NAME).unlink(),
            "no run has come to its end here",
        ),
        (lambda s: _flip(s / "data/patients.csv"), "patients.csv: changed since it was read"),
        (lambda s: (s / "data/patients.csv").unlink(), "patients.csv: missing"),
        (lambda s: _flip(s / "data/r1.csv"), "r1.csv: changed since it was read"),
        (lambda s: (s / "data/r1.csv").unlink(), "r1.csv: missing"),
        (lambda s: (s / "data/r2.csv").write_text("t_s\n"), "r2.csv: there now, and was not"),
        (
            lambda s: (s / "config/models.yaml").write_text("models: {a: {}}"),
            "config/models.yaml: other values than those of the run",
        ),
        (lambda s: (s / "config/config.yaml").unlink(), "config/config.yaml: other values"),
    ],
)
def test_a_change_is_named(study, capsys, change, says):
    change(study)
    [problem] = verify.verify(study, schema_folder=SCHEMAS).problems
    assert says in problem
    assert cli.main(["verify", str(study)]) == 1
    assert says in capsys.readouterr().err


def test_a_comment_in_the_settings_is_no_change(study):
    with (study / "config/config.yaml").open("a") as file:
        file.write("# why\n")
    assert verify.verify(study, schema_folder=SCHEMAS).problems == []


def test_a_result_replaced_by_a_link_is_named(study, tmp_path):
    shutil.move(study / "results/README.md", tmp_path / "README.md")
    (study / "results/README.md").symlink_to(tmp_path / "README.md")
    [problem] = verify.verify(study, schema_folder=SCHEMAS).problems
    assert "a link where a file was written" in problem


@pytest.mark.parametrize("name", ["../data/patients.csv", "/etc/hostname", "README.md"])
def test_sums_name_files_of_the_folder_once(study, name):
    path = study / "results" / checksums.NAME
    path.write_text(path.read_text() + f"{'0' * 64}  {name}\n")
    [problem] = verify.verify(study, schema_folder=SCHEMAS).problems
    assert "no sum of a file in this folder" in problem


@pytest.mark.parametrize(
    ("lacks", "says"),
    [
        (None, None),
        (("./", "mainEntity"), "main"),
        (("./", "datePublished"), "datePublished"),
        (("#run", "instrument"), "instrument"),
        (("#parameter/patients.csv", "additionalType"), "additionalType"),
    ],
)
def test_the_crate_keeps_the_profile_by_an_independent_validator(study, lacks, says):
    """Source: Workflow Run Crate 0.5 and RO-Crate 1.1 as roc-validator checks them."""
    pytest.importorskip("rocrate_validator", reason="roc-validator is not installed")
    path = study / "results" / ro_crate.NAME
    if lacks:
        metadata = json.loads(path.read_text())
        for entity in metadata["@graph"]:
            if entity["@id"] == lacks[0]:
                del entity[lacks[1]]
        path.write_text(json.dumps(metadata))
    validate = runpy.run_path(str(ASSURANCE / "validate_crate.py"))
    issue_lines = validate["issues"](study / "results", severity="REQUIRED")
    assert bool(issue_lines) == (lacks is not None)
    assert not issue_lines or says in " ".join(issue_lines)
