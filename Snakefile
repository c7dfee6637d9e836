"""From recordings to regression: settings are checked, then the stages in the order data flows."""

import os
import sys
from pathlib import Path

from icpcohort import figure_names, inputs, plan_lock, provenance, settings, study
from icpcohort.specifications import choices

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
    QUESTIONS = choices.load(
        Path("config/specifications.yaml"),
        settings=SET,
        models=MODELS,
        schema_folder=HOME / "workflow/schemas",
    )
    STUDY = study.read_study(SET)
    LOCKED = plan_lock.read(Path(plan_lock.FILE))
    REASONS = plan_lock.read_reasons(
        Path(plan_lock.CHANGES_FILE), schema_folder=HOME / "workflow/schemas"
    )
except (settings.SettingsError, study.StudyError, plan_lock.LockError) as problems:
    sys.exit(f"Nothing was run; mend this first:\n{problems}")
ALTERNATIVES = choices.alternatives(QUESTIONS, settings=SET, models=MODELS)
IS_BLINDED = SET["plan"]["blinded_until_locked"] and LOCKED is None
PATIENTS = STUDY.patients["patient_id"].sort().to_list()


wildcard_constraints:
    patient="[A-Za-z0-9_-]+",
    model="|".join(MODELS) or "none",


rule all:
    """Everything that a reader opens."""
    default_target: True
    input:
        report="results/report.html",
        figures=expand(
            "results/figures/{figure}.{kind}",
            figure=figure_names.names_of(MODELS),
            kind=figure_names.FILE_KINDS,
        ),
        pictures="results/pictures.html",
        intensity_map="results/intensity_map.parquet",
        catalogue="results/README.md",
        monitoring_end="results/monitoring_end_by_outcome.parquet",
        handover=[f"results/analysis.{ending}" for ending in ("csv", "dta", "feather")],
        comparisons="results/tables/comparisons.parquet",
        specifications="results/specifications/summary.parquet",
        plan="results/plan_status.parquet",


include: "workflow/rules/study.smk"
include: "workflow/rules/recordings.smk"
include: "workflow/rules/indices.smk"
include: "workflow/rules/pictures.smk"
include: "workflow/rules/exposures.smk"
include: "workflow/rules/cohort.smk"
include: "workflow/rules/models.smk"
include: "workflow/rules/plan.smk"
include: "workflow/rules/specifications.smk"
include: "workflow/rules/figures.smk"
include: "workflow/rules/report.smk"


onsuccess:
    for stray in inputs.strays(Path("results"), patients=PATIENTS, models=MODELS):
        print(stray)
