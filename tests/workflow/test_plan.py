"""A locked plan keeps what it was, and a blinded run does not know who had which outcome."""

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort.cohort import blinding
from icpcohort.commands import lock as locking
from icpcohort.provenance import plan_lock

pytestmark = pytest.mark.workflow

CHANGES = "results/plan_changes.parquet"


def changes(place):
    run = place.snakemake(CHANGES)
    assert run.code == 0, run.text
    return pl.read_parquet(place.study / CHANGES)


def test_what_changes_after_the_lock_is_told_with_the_authors_reason(place):
    lock = locking.lock(place.study, repository=place.project, today="2026-01-02")
    assert lock["was_blinded"] is False  # the finished study had shown outcomes
    with pytest.raises(plan_lock.LockError, match="locked on 2026-01-02 already"):
        locking.lock(place.study, repository=place.project, today="2026-01-03")
    assert changes(place).is_empty()

    place.edit("study/config/config.yaml", "inequality: strict", "inequality: or_equal")
    place.edit("study/config/models.yaml", "go with a worse GOSE", "go with worse GOSE")
    place.edit(
        "project/src/icpcohort/exposures/burden.py",
        "return beyond.threshold - value",
        "return +beyond.threshold - value",
    )
    monitors = place.study / "demo/monitors.csv"
    table = pl.read_csv(monitors, infer_schema=False)
    table.with_columns(depth_mm=pl.lit("15")).write_csv(monitors)
    log = "changes:\n  - {what: 'settings: burden.inequality', when: 2026-02-01, why: Asked.}\n"
    (place.study / plan_lock.CHANGES_FILE).write_text(log)

    listed = changes(place)
    what = set(listed["what"])
    assert {
        "settings: burden.inequality",
        "models: gose_by_dose.question",
        "code: batch_burden",
        "inputs: monitors",
    } <= what
    assert not what & {"code: ingest", "inputs: events", "inputs: patients without outcomes"}
    row = listed.filter(what="settings: burden.inequality").row(0, named=True)
    assert (row["locked"], row["now"], row["why"]) == ("strict", "or_equal", "Asked.")


def test_a_blinded_run_does_not_know_who_had_which_outcome(place, tmp_path):
    place.edit(
        "study/config/config.yaml", "blinded_until_locked: false", "blinded_until_locked: true"
    )
    listed = place.study / "demo/patients.csv"
    truth = pl.read_csv(listed, infer_schema=False)
    outcomes = [name for name in blinding.outcomes_of(DECLARED) if name in truth.columns]
    turned = [pl.concat([truth[name].tail(1), truth[name].head(-1)]) for name in outcomes]
    made = []
    for table in (truth, truth.with_columns(turned)):
        table.write_csv(listed)
        run = place.snakemake("results/outcomes.parquet")
        assert run.code == 0, run.text
        made.append((place.study / "results/patients.parquet").read_bytes())
    assert made[0] == made[1]
    blinded = pl.read_parquet(place.study / "results/patients.parquet")
    scores = [str(score) for score in blinded["gose_6m"]]
    assert scores != truth.sort("patient_id")["gose_6m"].to_list()
    locking.lock(place.study, repository=place.project, today="2026-01-02")
    assert plan_lock.read(place.study / plan_lock.FILE)["was_blinded"] is True
    run = place.snakemake("results/outcomes.parquet")
    assert run.code == 0, run.text
    unblinded = pl.read_parquet(place.study / "results/patients.parquet")
    last = pl.read_csv(listed, infer_schema=False).sort("patient_id")
    assert [str(s) for s in unblinded["gose_6m"]] == [s or "None" for s in last["gose_6m"]]


def test_no_rule_but_study_reads_the_table_with_outcomes(place):
    run = place.snakemake("--forceall", "--dry-run")
    reading = {rule for rule, block in run.job_blocks() if "demo/patients.csv" in block}
    assert reading == {"study", "report"}  # the report states the file's fingerprint
