"""From recordings to regression: settings are checked, then the stages in the order data flows."""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

from icpcohort import jobs
from icpcohort.provenance import fingerprint, plan_lock
from icpcohort.report.figures import names as figure_names
from icpcohort.report.sharing import names as share_names
from icpcohort.specifications import choices
from icpcohort.study import settings
from icpcohort.study import tables as study

HOME = Path(os.path.relpath(workflow.basedir))  # so that moving both reruns nothing
SCRIPTS = HOME / "workflow/scripts"
os.environ |= jobs.OF_A_JOB

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
    jobs.hold_to_the_start(SET, os.environ)
    os.environ.setdefault(
        "ICPCOHORT_STARTED", datetime.now(UTC).isoformat(timespec="seconds")
    )
    os.environ.setdefault("ICPCOHORT_COMMAND", "snakemake")
except (
    settings.SettingsError,
    study.StudyError,
    plan_lock.LockError,
    jobs.ChangedError,
) as problems:
    sys.exit(f"Nothing was run; mend this first:\n{problems}")
ALTERNATIVES = choices.alternatives(QUESTIONS, settings=SET, models=MODELS)
PATIENTS = STUDY.patients["patient_id"].sort().to_list()
# Short work is done for a batch of patients at once, so that one more patient costs one batch.
BATCHES = jobs.batches(PATIENTS, n_each=64)
# Memory of a job with one patient, with a batch, and with the tables of all; more if retried.
ONE_MB, ALL_MB = 600, 600 + len(PATIENTS)
BATCH_MB = 500 + 8 * max(map(len, BATCHES.values()), default=0)
LITTLE = jobs.with_little(STUDY, SET, many=int(config.get("batch_from", jobs.MANY)))


wildcard_constraints:
    patient=jobs.one_of(set(PATIENTS) - set(LITTLE)) if LITTLE else "[A-Za-z0-9_-]+",
    model="|".join(MODELS) or "none",
    batch="[0-9]+",
    signals="[0-9a-f]+",
    question=jobs.one_of(QUESTIONS),


rule all:
    """Everything that a reader opens."""
    default_target: True
    input:
        report="results/report.html",
        document="results/report.docx",
        figures=expand(
            "results/figures/{figure}.{kind}",
            figure=figure_names.names_of(MODELS, QUESTIONS),
            kind=figure_names.FILE_KINDS,
        ),
        patients="results/patients.html",
        pictures=["results/cohort.svg"]
        + expand("results/pictures/{patient}.svg", patient=PATIENTS),
        intensity_map="results/intensity_map.parquet",
        catalogue="results/README.md",
        monitoring_end="results/monitoring_end_by_outcome.parquet",
        handover=[f"results/analysis.{ending}" for ending in ("csv", "dta", "feather")],
        comparisons="results/tables/comparisons.parquet",
        tables=[f"results/tables/{kind}" for kind in ("csv", "latex")],
        share=[f"results/share/{file}" for file in share_names.FILES],
        account="results/SHA256SUMS",
        specifications="results/specifications/summary.parquet",
        plan="results/plan_status.parquet",


include: "workflow/rules/study.smk"
include: "workflow/rules/recordings.smk"
include: "workflow/rules/indices.smk"
include: "workflow/rules/numbers.smk"
include: "workflow/rules/pictures.smk"
include: "workflow/rules/exposures.smk"
include: "workflow/rules/cohort.smk"
include: "workflow/rules/models.smk"
include: "workflow/rules/plan.smk"
include: "workflow/rules/specifications.smk"
include: "workflow/rules/figures.smk"
include: "workflow/rules/patients.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/documents.smk"
include: "workflow/rules/share.smk"
include: "workflow/rules/account.smk"


# Two settings of a rule that change places are seen by their names alone.
for each in workflow.rules:
    if each.params.keys():
        each.set_params(named=fingerprint.named(dict(each.params.items())))


onsuccess:
    for stray in jobs.strays(
        Path("results"),
        patients=PATIENTS,
        models=MODELS,
        batches=BATCHES,
        alternatives=ALTERNATIVES,
        questions=QUESTIONS,
        drawn_together=DRAWN_TOGETHER,
    ):
        print(stray)
