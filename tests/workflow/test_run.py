import getpass
import re
import runpy
import shutil
import socket
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest
from catalogue_text import columns_of
from published_settings import DECLARED, PUBLISHED

from icpcohort import cli, contracts
from icpcohort.commands import verify
from icpcohort.contracts import burden_columns, readme, store
from icpcohort.provenance import checksums
from icpcohort.report.figures.names import NAMES
from icpcohort.report.formats import content_json, table_files
from icpcohort.report.sharing import names as share_names
from icpcohort.specifications import choices
from icpcohort.study import settings

HOME = Path(__file__).parents[2]
ASSURANCE = HOME / "tests/assurance"

pytestmark = pytest.mark.workflow

PER_PATIENT = (
    "recordings",
    "excluded",
    "intervals",
    "trends",
    "artefacts",
    "pulse_findings",
    "lags",
    "suspects",
    "quality",
    "masked",
    "recording_quality",
    "recording_masked",
    "minutes",
    "curves",
    "optima",
)
DRAWN = ("report.html", "report.json", "report.docx", "patients.html", "cohort.svg")
TIMED = {"provenance.html", "ro-crate-metadata.json", "SHA256SUMS"}  # they say when it was
TOGETHER = (
    *("analysis", "burden", "burden_by_state", "dropped", "events", "excluded", "flow"),
    *("bands", "recodings", "monitoring_end", "monitoring_end_by_outcome", "monitors"),
    *("intensity", "intensity_map", "intensity_transition", "lags", "suspects"),
    *("masked", "optima", "outcomes", "patients", "pulse_findings", "quality", "recordings"),
    *("plan_changes", "plan_status", "recording_masked", "recording_quality", "summary"),
)
EXPOSURES = ("burden", "burden_by_state", "summary", "intensity")
MODELS = ("gose_by_dose", "unfavourable_by_dose")
OF_MODEL = (
    *("estimates", "diagnostics", "flow", "dropped"),
    *("alternatives", "risks", "curve", "performance", "incidence"),
)
THRESHOLDS = {
    "thresholds": {
        "icp": {"above": [18.0, 20.0, 22.0, 25.0]},
        "cpp": {"below": [50.0, 60.0, 70.0]},
    }
}

OF_THRESHOLDS = {made({}).path: made for made in (contracts.analysis, contracts.analyses)}


def _results(place):
    folder = place.study / "results"
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


OF_SPECIFICATIONS = ("specifications", "options", "choices", "summary")


def _alternatives(place):
    """Return the two sets of minutes that specifications need: as recorded, and shifted."""
    folder = place.study / "config"
    loaded = settings.load(
        folder / "config.yaml",
        folder / "models.yaml",
        schema_folder=place.project / "workflow/schemas",
    )
    questions = choices.load(
        folder / "specifications.yaml",
        settings=loaded[0],
        models=loaded[1],
        schema_folder=place.project / "workflow/schemas",
    )
    alternatives = choices.alternatives(questions, settings=loaded[0], models=loaded[1])
    assert len(alternatives) == 2
    return alternatives


def _patients(place):
    return pl.read_csv(place.study / "demo/patients.csv")["patient_id"].to_list()


def test_a_run_leaves_exactly_these_files(finished):
    expected = {*DRAWN, "README.md"}
    expected |= {f"tables/{table}.parquet" for table in ("table1", "comparisons", "planning")}
    report = content_json.from_json((finished.study / "results/report.json").read_text("utf-8"))
    expected |= {f"tables/csv/{name}" for name in table_files.as_csv(report)}
    expected |= {f"tables/latex/{name}" for name in table_files.as_latex(report)}
    expected |= {f"tables/{kind}/.snakemake_timestamp" for kind in ("csv", "latex")}
    expected |= {f"share/{name}" for name in share_names.FILES}
    expected |= {f"specifications/{name}.parquet" for name in OF_SPECIFICATIONS}
    expected |= {f"specifications/questions/dose/{name}.parquet" for name in OF_SPECIFICATIONS}
    expected |= {"specifications/analyses.parquet"}
    expected |= {
        f"specifications/exposures/{name}/0000/{table}.parquet"
        for name in _alternatives(finished)
        for table in ("summary", "burden")
    }
    expected |= {f"exposures/0000/{name}.parquet" for name in EXPOSURES}
    expected |= {f"{name}.parquet" for name in TOGETHER}
    expected |= {f"analysis.{ending}" for ending in ("csv", "dta", "feather")}
    expected |= {f"{name}/{p}.parquet" for name in PER_PATIENT for p in _patients(finished)}
    expected |= {"hours/0000.parquet"}
    expected |= {f"pictures/{p}.svg" for p in _patients(finished)}
    drawn = (*NAMES, "specifications-dose")
    expected |= {f"figures/{name}.{kind}" for name in drawn for kind in ("svg", "pdf", "png")}
    expected |= {
        f"models/{model}/{file}"
        for model in MODELS
        for file in (
            *(f"{table}.parquet" for table in OF_MODEL),
            *("plan.yaml", "summary.md", "replicate.R", "data.csv"),
        )
    }
    expected |= {
        f"provenance/{name}"
        for name in ("Snakefile", "config.yaml", "variables.yaml", "models.yaml")
    }
    assert _results(finished) == expected | TIMED


def _files_of(table, place):
    pattern = re.sub(r"<\w+>", "*", table.path)
    return sorted((place.study / "results").glob(pattern))


def test_every_table_keeps_its_contract_with_units_in_the_file(finished):
    tables = [
        OF_THRESHOLDS[t.path](PUBLISHED) if t.path in OF_THRESHOLDS else t
        for t in readme.results_tables(PUBLISHED)
    ]
    for table in tables:
        files = _files_of(table, finished)
        if table.path == contracts.updates(DECLARED).path:  # only where a model asks for it
            assert not files
        else:
            assert files, table.path
        for file in files:
            store.check(pl.read_parquet(file), table, str(file))
            schema = pq.read_schema(file)
            for name, column in table.columns.items():
                assert schema.field(name).metadata[b"unit"].decode() == column.unit


def test_the_catalogue_describes_every_table_and_column(finished):
    text = (finished.study / "results/README.md").read_text(encoding="utf-8")
    for table in readme.results_tables(PUBLISHED):
        for file in _files_of(table, finished):
            columns = pl.read_parquet_schema(file)
            burdens = (
                set(burden_columns.wide({"burden": THRESHOLDS}))
                if table.path in OF_THRESHOLDS
                else set()
            )
            assert set(columns) - burdens <= set(columns_of(text, table.path)), table.path


def test_a_second_run_has_nothing_to_do(finished):
    run = finished.snakemake()
    assert run.code == 0
    assert "Nothing to be done" in run.text


def test_flawed_recordings_are_named_with_a_reason(finished):
    flaws = pl.read_csv(finished.study / "demo/truth/recordings.csv").filter(
        pl.col("flaw").is_not_null()
    )
    reasons = dict(
        pl.read_parquet(finished.study / "results/recordings.parquet")
        .select("recording_id", "reason")
        .iter_rows()
    )
    expected = {
        "missing_file": "missing_file",
        "truncated": "truncated",
        "no_signal": "no_signal",
        "few_hours": None,
    }
    assert flaws.height == len(expected)
    for recording_id, flaw in flaws.select("recording_id", "flaw").iter_rows():
        assert reasons[recording_id] == expected[flaw]
    used = {name for name, reason in reasons.items() if reason is None}
    assert len(used) == len(reasons) - 3


def test_recorded_time_adds_up_for_every_patient_and_signal(finished):
    quality = pl.read_parquet(finished.study / "results/quality.parquet")
    parts = quality["valid_s"] + quality["masked_s"] + quality["missing_s"]
    assert quality.height > 10
    assert (parts - quality["recorded_s"]).abs().max() < 1e-6


def test_a_run_says_what_made_it_and_names_no_user_and_no_machine(finished):
    results = finished.study / "results"
    listed = set(checksums.read(results / "SHA256SUMS"))
    assert listed == _results(finished) - {"SHA256SUMS"}
    verified = verify.verify(finished.study, schema_folder=HOME / "workflow/schemas")
    assert verified.problems == []
    n_recordings = pl.read_csv(finished.study / "demo/recordings.csv").height
    assert (verified.n_files, verified.n_inputs) == (len(listed), 4 + n_recordings)
    names = {getpass.getuser(), socket.gethostname(), str(finished.root), str(Path.home())}
    for name in TIMED | {
        f"provenance/{name}.yaml" for name in ("config", "variables", "models")
    }:
        text = (results / name).read_text(encoding="utf-8")
        assert not [
            word for word in names if re.search(rf"(?<![\w:]){re.escape(word)}\b", text)
        ], name
        assert not re.search(r"(?<![\w:/.<])/(home|root|tmp|Users|work)/", text), name


def test_no_log_has_a_reading_or_a_covariate_of_a_patient(finished):
    cells = set()
    for name in ("patients", "monitors", "events"):
        rows = pl.read_csv(finished.study / f"demo/{name}.csv", infer_schema=False)
        cells |= {cell for row in rows.iter_rows() for cell in row if cell}
    cells = {cell for cell in cells if re.fullmatch(r"\d+\.\d+|[a-z]+(_[a-z]+)+", cell)}
    assert len(cells) > 50
    logs = list((finished.study / ".snakemake/log").glob("*"))
    assert logs
    for log in logs:
        text = log.read_text(encoding="utf-8")
        assert [
            cell for cell in cells if re.search(rf"(?<![\w.]){re.escape(cell)}\b", text)
        ] == []


def test_the_crate_of_a_run_keeps_its_profile(finished):
    pytest.importorskip("rocrate_validator", reason="roc-validator is not installed")
    validate = runpy.run_path(str(ASSURANCE / "validate_crate.py"))
    assert validate["issues"](finished.study / "results", severity="REQUIRED") == []


@pytest.mark.parametrize(
    "name", ["report.html", "flow.parquet", "SHA256SUMS", "ro-crate-metadata.json"]
)
def test_a_flipped_byte_is_found(finished, tmp_path, name):
    study = tmp_path / "study"
    shutil.copytree(finished.study, study)
    [path] = (study / "results").glob(name)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert verify.verify(study, schema_folder=HOME / "workflow/schemas").problems
    assert cli.main(["verify", str(study)]) == 1


@pytest.mark.parametrize(
    ("whole", "parts", "key"),
    [
        ("quality", "masked", ["patient_id", "signal"]),
        ("recording_quality", "recording_masked", ["recording_id", "signal"]),
    ],
)
def test_every_recorded_second_is_valid_masked_for_a_reason_or_missing(
    finished, whole, parts, key
):
    results = finished.study / "results"
    seconds = pl.read_parquet(results / f"{whole}.parquet")
    by_reason = pl.read_parquet(results / f"{parts}.parquet")
    joined = seconds.join(
        by_reason.group_by(key).agg(pl.col("masked_s").sum().alias("by_reason_s")),
        on=key,
        how="left",
    ).with_columns(pl.col("by_reason_s").fill_null(0.0))
    assert joined.height > 20 and joined["by_reason_s"].sum() > 0
    assert joined.filter(pl.col("masked_s") != pl.col("by_reason_s")).is_empty()
    added = pl.col("valid_s") + pl.col("masked_s") + pl.col("missing_s")
    assert joined.filter(pl.col("recorded_s") != added).is_empty()  # exactly


def test_the_seconds_of_a_recording_are_those_between_its_start_and_its_end(finished):
    results = finished.study / "results"
    used = pl.read_parquet(results / "recordings.parquet").filter(status="used")
    seconds = pl.read_parquet(results / "recording_quality.parquet")
    joined = seconds.join(used, on="recording_id", validate="m:1")
    assert joined.height == seconds.height > 20
    off_s = pl.col("recorded_s") - (pl.col("end_s") - pl.col("start_s"))
    assert joined.select(off_s.abs().max()).item() < 1e-6


def test_the_main_specification_is_the_model_itself_and_no_other_row_is_lost(finished):
    results = finished.study / "results"
    model = results / "models/unfavourable_by_dose/estimates.parquet"
    estimates = pl.read_parquet(model).filter(
        adjustment="adjusted", term="icp_above_20_dose_per_h_mmhg"
    )
    specifications = pl.read_parquet(results / "specifications/specifications.parquet")
    main = specifications.filter("is_main")
    columns = ["estimate", "se", "p", "n", "n_events"]
    assert main.select(columns).equals(estimates.select(columns))
    assert specifications.height == 8
    assert (
        specifications["estimate"].is_null() == specifications["reason"].is_not_null()
    ).all()
    together = pl.read_parquet(results / "specifications/summary.parquet").row(0, named=True)
    assert together["n_specifications"] == 8
    assert together["n_estimated"] == specifications["estimate"].count()


def test_the_cohort_of_the_main_specification_is_that_of_the_study(finished):
    results = finished.study / "results"
    study = pl.read_parquet(results / "analysis.parquet")
    cohorts = [
        cohort.drop("signals", "cohort")
        for cohort in pl.read_parquet(results / "specifications/analyses.parquet").partition_by(
            "signals", "cohort"
        )
    ]
    assert [cohort.equals(study) for cohort in cohorts].count(True) == 1
