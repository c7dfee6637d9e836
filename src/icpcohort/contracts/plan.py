"""What has become of the analysis plan since it was locked."""

from icpcohort.contracts.columns import COUNT, TEXT, Column, Table

PLAN_CHANGES = Table(
    "plan_changes.parquet",
    "One row per difference between the locked plan and the run; none without a lock",
    ("what",),
    {
        "what": Column(TEXT, "", "Setting, model, specification, code or input, with its name"),
        "locked": Column(TEXT, "", "As it was locked; null where it is new"),
        "now": Column(TEXT, "", "As it is now; null where it is gone"),
        "when": Column(TEXT, "", "When it was changed, as the author says"),
        "why": Column(TEXT, "", "Why, as the author says"),
    },
)

PLAN_STATUS = Table(
    "plan_status.parquet",
    "One row per model: whether it is as planned; none without a lock",
    ("model",),
    {
        "model": Column(TEXT, "", "Model of the analysis plan"),
        "status": Column(
            TEXT, "", "as planned, changed after the lock, or added after the lock"
        ),
        "n_changes": Column(COUNT, "", "Changes that concern it"),
        "n_unexplained": Column(COUNT, "", "Those of them for which the author gave no reason"),
    },
)
