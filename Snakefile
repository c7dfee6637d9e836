"""From recordings to regression: settings are checked, then the stages in the order data flows."""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

from icpcohort import inputs, provenance, settings, study

HOME = Path(os.path.relpath(workflow.basedir))  # so that moving both reruns nothing
SCRIPTS = HOME / "workflow/scripts"
os.environ["POLARS_MAX_THREADS"] = os.environ["OMP_NUM_THREADS"] = (
    "1"  # a job has one core
)

try:
    SET, MODELS = settings.load(
        Path("config/config.yaml"),
        Path("config/models.yaml"),
        schema_folder=HOME / "workflow/schemas",
    )
    STUDY = study.read_study(SET)
    inputs.hold_to_the_start(SET, os.environ)
    os.environ.setdefault(
        "ICPCOHORT_STARTED", datetime.now(UTC).isoformat(timespec="seconds")
    )
    os.environ.setdefault("ICPCOHORT_COMMAND", "snakemake")
except (settings.SettingsError, study.StudyError, inputs.ChangedError) as problems:
    sys.exit(f"Nothing was run; mend this first:\n{problems}")
PATIENTS = STUDY.patients["patient_id"].sort().to_list()


wildcard_constraints:
    patient="[A-Za-z0-9_-]+",
    model="|".join(MODELS) or "none",


rule all:
    """Everything that a reader opens."""
    default_target: True
    input:
        report="results/report.html",
        pictures="results/pictures.html",
        intensity_map="results/intensity_map.parquet",
        catalogue="results/README.md",
        monitoring_end="results/monitoring_end_by_outcome.parquet",
        handover=[f"results/analysis.{ending}" for ending in ("csv", "dta", "feather")],
        comparisons="results/tables/comparisons.parquet",
        account="results/SHA256SUMS",


include: "workflow/rules/study.smk"
include: "workflow/rules/recordings.smk"
include: "workflow/rules/indices.smk"
include: "workflow/rules/pictures.smk"
include: "workflow/rules/exposures.smk"
include: "workflow/rules/cohort.smk"
include: "workflow/rules/models.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/account.smk"


onsuccess:
    for stray in inputs.strays(Path("results"), patients=PATIENTS, models=MODELS):
        print(stray)
