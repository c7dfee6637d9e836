"""If this changes, these rerun, and nothing else does."""

import os

import polars as pl
import pytest

pytestmark = [pytest.mark.workflow, pytest.mark.xdist_group("workflow")]

MODELS = {"model gose_by_dose", "model unfavourable_by_dose"}
COHORT = {"cohort", "table_one", "handover", "intensity_map", "report", "comparisons"} | MODELS
PICTURES = {"pictures_0000", "gallery"}
EXPOSURES = {"burden", "summary", "intensity", "optima"} | PICTURES | COHORT
ACCOUNTS = {"collect", "monitoring_end"}


def _patients(place):
    return sorted(pl.read_csv(place.study / "demo/patients.csv")["patient_id"].to_list())


def _each(rule, place):
    return {f"{rule} {patient}" for patient in _patients(place)}


def test_a_changed_recording_reruns_its_patient_and_what_follows(place):
    listed = pl.read_csv(place.study / "demo/recordings.csv")
    used = pl.read_parquet(place.study / "results/recordings.parquet").filter(
        (pl.col("status") == "used") & (pl.col("format") == "wfdb")
    )
    patient, path = used.row(0, named=True)["patient_id"], used["path"][0]
    assert path in listed["path"].to_list()
    data = (place.study / "demo" / path).with_suffix(".dat")
    data.write_bytes(data.read_bytes()[::-1])
    assert (
        place.would_run() == {f"ingest {patient}", f"indices {patient}"} | ACCOUNTS | EXPOSURES
    )


def test_a_recording_that_appears_reruns_its_patient(place):
    missing = pl.read_parquet(place.study / "results/recordings.parquet").filter(
        pl.col("reason") == "missing_file"
    )
    patient, path = missing["patient_id"][0], place.study / "demo" / missing["path"][0]
    path.write_text("t_s,ICP [mmHg]\n" + "".join(f"{60 * i},12\n" for i in range(300)))
    assert f"ingest {patient}" in place.would_run()
    assert len([job for job in place.would_run() if job.startswith("ingest")]) == 1


def test_a_changed_model_reruns_that_model_and_the_report(place):
    place.edit("study/config/models.yaml", "unit_of_effect: 1.0", "unit_of_effect: 2.0")
    text = (place.study / "config/models.yaml").read_text()
    first, second = text.split("  gose_by_dose:")
    (place.study / "config/models.yaml").write_text(
        first + "  gose_by_dose:" + second.replace("unit_of_effect: 2.0", "unit_of_effect: 1.0")
    )
    assert place.would_run() == {
        "model unfavourable_by_dose",
        "report",
        "comparisons",
    }


def test_an_event_of_one_patient_reruns_that_patient(place):
    patient = _patients(place)[0]
    with (place.study / "demo/events.csv").open("a") as file:
        file.write(f"{patient},transport,100,200,,,\n")
    jobs = place.would_run()
    assert {f"ingest {patient}", f"indices {patient}"} <= jobs
    assert {job for job in jobs if job.startswith("ingest")} == {f"ingest {patient}"}


@pytest.mark.parametrize(
    ("column", "cell", "reaches"),
    [("calibrated_h", "9.0", True), ("drift_at_removal_mmhg", "9.0", False)],
)
def test_of_the_log_of_monitors_what_limits_readings_reruns_the_patient(
    place, column, cell, reaches
):
    table = pl.read_csv(place.study / "demo/monitors.csv", infer_schema=False)
    patient = table["patient_id"][0]
    first = pl.int_range(pl.len()) == 0
    changed = table.with_columns(
        pl.when(first).then(pl.lit(cell)).otherwise(column).alias(column)
    )
    changed.write_csv(place.study / "demo/monitors.csv")
    jobs = place.would_run()
    assert {job for job in jobs if job.startswith("ingest")} == (
        {f"ingest {patient}"} if reaches else set()
    )
    assert "study" in jobs


def test_an_outcome_does_not_touch_the_recordings(place):
    place.edit("study/demo/patients.csv", ",male,", ",female,")
    assert place.would_run() == {"study", "outcomes", "monitoring_end"} | COHORT


@pytest.mark.parametrize(
    ("module", "old", "new", "rules"),
    [
        ("cleaning.py", "step = np.abs(", "step = -np.abs(", ["ingest"]),
        (
            "reactivity.py",
            "enough & changes & (spread > 0)",
            "enough & (spread > 0)",
            ["indices"],
        ),
        (
            "curves.py",
            "~(parabola.quadratic > 0)",
            "~(parabola.quadratic >= 0)",
            ["indices"],
        ),
        ("burden.py", "beyond.clip(0)", "beyond.clip(1)", ["burden"]),
        ("eligibility.py", '"death_h") < end_h', '"death_h") <= end_h', ["cohort"]),
        ("outcomes.py", "def derive(", "SOMETHING = 1\n\n\ndef derive(", []),
        ("tables.py", "def table_one(", "def table_one(", []),
        ("svg.py", "Pictures as SVG text", "Drawings as SVG text", []),
        ("pictures.py", "MAX_TICKS = 9", "MAX_TICKS = 8", ["pictures"]),
    ],
)
def test_an_edited_module_reruns_the_rules_that_reach_the_edit(place, module, old, new, rules):
    place.edit(f"project/src/icpcohort/{module}", old, new)
    jobs = place.would_run()
    started = {job.split()[0] for job in jobs}
    follow = {
        "ingest": {"ingest", "indices"} | ACCOUNTS | {job.split()[0] for job in EXPOSURES},
        "indices": {"indices"} | {job.split()[0] for job in EXPOSURES},
        "pictures": PICTURES,
        "burden": {"burden"} | {job.split()[0] for job in COHORT},
        "cohort": {job.split()[0] for job in COHORT},
    }
    assert started == set().union(*(follow[rule] for rule in rules))
    for rule in rules:
        if rule in ("ingest", "indices"):
            assert _each(rule, place) <= jobs


@pytest.mark.parametrize(
    ("old", "new", "first"),
    [
        ("n_blocks: 30", "n_blocks: 40", "indices"),
        ("episode_min: 5", "episode_min: 10", "burden"),
        ("min_years: 16.0", "min_years: 18.0", "cohort"),
        ("impact_form: continuous", "impact_form: chart", "outcomes"),
    ],
)
def test_a_changed_setting_reruns_what_reads_it(place, old, new, first):
    place.edit("study/config/config.yaml", old, new)
    started = {job.split()[0] for job in place.would_run()}
    order = ["ingest", "indices", "burden", "outcomes", "cohort"]
    assert first in started
    if first in ("indices", "burden", "cohort"):
        assert not started & set(order[: order.index(first)])
    assert "report" in started


def test_touching_nothing_reruns_nothing(place):
    os.utime(place.study / "config/config.yaml")
    assert place.would_run() == set()


def test_a_changed_title_reruns_the_report_alone(place):
    place.edit("study/config/config.yaml", "title: Demonstration", "title: Another")
    assert place.would_run() == {"report"}
