"""From recordings to regression: settings are checked, then the stages in the order data flows."""

import os
import sys
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
except (settings.SettingsError, study.StudyError) as problems:
    sys.exit(f"Nothing was run; mend this first:\n{problems}")
PATIENTS = STUDY.patients["patient_id"].sort().to_list()
# Memory of a job with one patient or table, and with the minutes of all; more if it is retried.
ONE_MB, ALL_MB = 600, 500 + 5 * len(PATIENTS)
LITTLE = inputs.with_little(STUDY, SET, many=int(config.get("batch_from", inputs.MANY)))


wildcard_constraints:
    patient=inputs.one_of(set(PATIENTS) - set(LITTLE)) if LITTLE else "[A-Za-z0-9_-]+",
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


include: "workflow/rules/study.smk"
include: "workflow/rules/recordings.smk"
include: "workflow/rules/indices.smk"
include: "workflow/rules/numbers.smk"
include: "workflow/rules/pictures.smk"
include: "workflow/rules/exposures.smk"
include: "workflow/rules/cohort.smk"
include: "workflow/rules/models.smk"
include: "workflow/rules/report.smk"


onsuccess:
    for stray in inputs.strays(Path("results"), patients=PATIENTS, models=MODELS):
        print(stray)
