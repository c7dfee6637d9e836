"""From recordings to regression: settings are checked, then the stages in the order data flows."""

import os
import sys
from pathlib import Path

from icpcohort import jobs
from icpcohort.contracts import declared_signals
from icpcohort.provenance import fingerprint, plan_lock
from icpcohort.report import reads
from icpcohort.report.figures import names as figure_names
from icpcohort.report.sharing import names as share_names
from icpcohort.specifications import choices
from icpcohort.study import by_patient, left_out, tables
from icpcohort.study.settings import only

HOME = Path(os.path.relpath(workflow.basedir))  # so that moving both reruns nothing
SCRIPTS = HOME / "workflow/scripts"
os.environ |= jobs.OF_A_JOB

try:
    SET, MODELS, QUESTIONS, STUDY, LOCKED, REASONS = jobs.read(HOME, os.environ)
except jobs.NotReady as problems:
    sys.exit(f"Nothing was run; mend this first:\n{problems}")
ALTERNATIVES = choices.alternatives(QUESTIONS, settings=SET, models=MODELS)
PATIENTS = STUDY.patients["patient_id"].sort().to_list()
LEFT_OUT = left_out.of_patients(STUDY)
# Short work is done for a batch of patients at once, so that one more patient costs one batch.
BATCHES = jobs.batches(PATIENTS, n_each=jobs.TOGETHER)
DRAWN_TOGETHER = jobs.batches(PATIENTS, n_each=jobs.DRAWN_TOGETHER)
LITTLE = jobs.with_little(STUDY, SET, many=int(config.get("batch_from", jobs.MANY)))
# Memory of a job with one patient, with a batch, and with the tables of all.
ONE_MB = jobs.more_if_retried(600)
ALL_MB = jobs.more_if_retried(600 + len(PATIENTS))
BATCH_MB = jobs.more_if_retried(500 + 8 * max(map(len, BATCHES.values()), default=0))
# What in the settings gives tables columns of its own.
COMPUTED = ("signals", "derived_signals", "indices", "optimal_cpp.by")  # of the minutes
DECLARED = ("variables", "outcomes", "repeated", *COMPUTED, "burden.thresholds")
# Signals as jobs of one patient need them: a label changes none of their results.
MEASURED = declared_signals.as_measured(SET)
OF_MINUTES = only(SET, "indices", "optimal_cpp.by") | declared_signals.without_labels(
    SET
)


wildcard_constraints:
    patient=jobs.one_of(set(PATIENTS) - set(LITTLE)) if LITTLE else "[A-Za-z0-9_-]+",
    model="|".join(MODELS) or "none",
    batch="[0-9]+",
    signals="[0-9a-f]+",
    question=jobs.one_of(QUESTIONS),


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


rule all:
    """Everything that a reader opens, and the account of the run, which comes last."""
    default_target: True
    input:
        rules.account.input.finished,
        "results/SHA256SUMS",


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
