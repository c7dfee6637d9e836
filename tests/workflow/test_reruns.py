"""If this changes, these rerun, and nothing else does."""

import os

import polars as pl
import pytest
import yaml

pytestmark = pytest.mark.workflow

MODELS = {"model gose_by_dose", "model unfavourable_by_dose"}
LAST = {"account"}  # it says what made the results, whatever ran
SAID = {"report", "document", "table_files", "share"}  # what tells of settings and results
READ = {"figures", "patients"} | SAID | LAST
OF_MODELS = {"comparisons", "planning"}
COHORT = {"cohort", "table_one", "handover", "intensity_map"} | OF_MODELS | MODELS | READ
ANSWERED = {"question", "specifications"}
FORMED = {"analyses"} | ANSWERED  # of other decisions
OTHERWISE = {"alternative"} | FORMED  # from the trends on
PICTURES = {"pictures_0000", "cohort_picture"}
BURDEN, SUMMARY, INTENSITY = (
    {f"batch_{table}", table} for table in ("burden", "summary", "intensity")
)
EXPOSURES = BURDEN | SUMMARY | INTENSITY | {"optima"} | PICTURES | COHORT
ACCOUNTS = {"collect", "monitoring_end"}


def _patients(place):
    return sorted(pl.read_csv(place.study / "demo/patients.csv")["patient_id"].to_list())


def _each(rule, place):
    return {f"{rule} {patient}" for patient in _patients(place)}


@pytest.mark.parametrize("dated_before", [False, True])
def test_a_changed_recording_reruns_its_patient_and_what_follows(place, dated_before):
    listed = pl.read_csv(place.study / "demo/recordings.csv")
    used = pl.read_parquet(place.study / "results/recordings.parquet").filter(
        (pl.col("status") == "used") & (pl.col("format") == "wfdb")
    )
    patient, path = used.row(0, named=True)["patient_id"], used["path"][0]
    assert path in listed["path"].to_list()
    data = (place.study / "demo" / path).with_suffix(".dat")
    dated = data.stat()
    data.write_bytes(data.read_bytes()[::-1])
    if dated_before:  # as a copy from an archive brings it back
        os.utime(data, (dated.st_atime - 3600, dated.st_mtime - 3600))
    assert (
        place.would_run()
        == {f"ingest {patient}", f"indices {patient}", "plan"}
        | ACCOUNTS
        | EXPOSURES
        | OTHERWISE
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
    assert place.would_run() == {"model unfavourable_by_dose"} | ANSWERED | OF_MODELS | READ


def test_an_event_of_one_patient_reruns_that_patient(place):
    patient = _patients(place)[0]
    with (place.study / "demo/events.csv").open("a") as file:
        file.write(f"{patient},transport,100,200,,,\n")
    jobs = place.would_run()
    assert {f"ingest {patient}", f"indices {patient}"} <= jobs
    assert {job for job in jobs if job.startswith("ingest")} == {f"ingest {patient}"}


@pytest.mark.parametrize(
    ("column", "cell", "reaches"),
    [
        ("calibrated_h", "9.0", True),
        ("drift_at_removal_mmhg", "9.0", True),
        ("haemorrhage", "yes", False),
    ],
)
def test_of_the_log_of_monitors_what_limits_readings_reruns_the_patient(
    place, column, cell, reaches
):
    patient = pl.read_csv(place.study / "demo/monitors.csv")["patient_id"][0]
    _set_cell(place, "monitors.csv", column, cell)
    jobs = place.would_run()
    assert {job for job in jobs if job.startswith("ingest")} == (
        {f"ingest {patient}"} if reaches else set()
    )
    assert "study" in jobs


def _set_cell(place, table, column, cell):
    """Change one cell of the first row."""
    path = place.study / "demo" / table
    rows = pl.read_csv(path, infer_schema=False)
    assert rows[column][0] != cell
    first = pl.int_range(pl.len()) == 0
    rows.with_columns(
        pl.when(first).then(pl.lit(cell)).otherwise(column).alias(column)
    ).write_csv(path)


@pytest.mark.parametrize(("column", "cell"), [("age_years", "61"), ("gose_6m", "6")])
def test_a_covariate_or_an_outcome_of_one_patient_does_not_touch_the_recordings(
    place, column, cell
):
    _set_cell(place, "patients.csv", column, cell)
    started = {"study", "outcomes", "monitoring_end", "plan"}
    assert place.would_run() == started | COHORT | FORMED


RULES = {job.split()[0] for job in EXPOSURES | ACCOUNTS | OTHERWISE} | {"plan"}
OF_COHORT = {job.split()[0] for job in COHORT}
FOLLOW = {  # what starts when the numbers of a rule change, by the names of the rules
    "ingest": {"ingest", "indices"} | RULES,
    "indices": {"indices"} | RULES - ACCOUNTS - {"plan"},
    "pictures": PICTURES | LAST,
    "time_zero": PICTURES | LAST,
    "burden": BURDEN | OF_COHORT | OTHERWISE,
    "summary": SUMMARY | OF_COHORT | OTHERWISE,
    "intensity": INTENSITY | {"intensity_map", "figures"} | SAID | LAST,
    "outcomes": {"outcomes", "monitoring_end"} | OF_COHORT | FORMED,
    "cohort": OF_COHORT | FORMED,
    "monitoring_end": {"monitoring_end"} | SAID - {"share"} | LAST,
    "table_one": {"table_one"} | SAID | LAST,
    "intensity_map": {"intensity_map", "figures"} | SAID | LAST,
    "handover": {"handover"} | LAST,
    "model": {"model", "question", "specifications"} | OF_MODELS | READ,
    "report": SAID - {"share"} | LAST,
    "nothing": set(),
}


def _follow(rules):
    return set().union(*(FOLLOW[rule] for rule in rules))


@pytest.mark.parametrize(
    ("edits", "rules"),
    [
        ({"signals/rules/levels.py": ("step = np.abs(", "step = -np.abs(")}, ["ingest"]),
        (
            {"indices/correlation.py": ("changes & (spread", "(spread")},
            ["indices"],
        ),
        (
            {
                "indices/cpp_curve.py": (
                    "~(parabola.quadratic > 0)",
                    "~(parabola.quadratic >= 0)",
                )
            },
            ["indices"],
        ),
        ({"exposures/burden.py": ("beyond).clip(0)", "beyond).clip(1)")}, ["burden"]),
        (
            {
                "exposures/summary.py": ("delta.count() >= 60", "delta.count() > 60"),
                "exposures/intensity_duration.py": (
                    "falls = (last_r >= 0)",
                    "falls = (last_r > 0)",
                ),
            },
            ["summary", "intensity_map"],
        ),
        ({"cohort/rules.py": ('"death_h") < end_h', '"death_h") <= end_h')}, ["cohort"]),
        (
            {"cohort/outcomes.py": ("def derive(", "SOMETHING = 1\n\n\ndef derive(")},
            ["nothing"],
        ),
        ({"models/logistic.py": ("MIN_EVENTS = 5", "MIN_EVENTS = 6")}, ["model"]),
        (
            {
                "cohort/export.py": (
                    "STATA_LABEL_LENGTH = 32, 80",
                    "STATA_LABEL_LENGTH = 32, 79",
                ),
                "cohort/monitoring_end.py": ("def describe(", "def describe_ends("),
                "report/patients/timeline.py": ("MAX_TICKS = 9", "MAX_TICKS = 8"),
            },
            ["handover", "monitoring_end", "pictures"],
        ),
        (
            {"report/figures/canvas.py": ("Pictures: what one is", "Drawings: what one is")},
            ["nothing"],
        ),
    ],
)
def test_an_edited_module_reruns_the_rules_that_reach_the_edit(place, edits, rules):
    for module, (old, new) in edits.items():
        place.edit(f"project/src/icpcohort/{module}", old, new)
    jobs = place.would_run()
    assert {job.split()[0] for job in jobs} == _follow(rules)
    for rule in rules:
        if rule in ("ingest", "indices"):
            assert _each(rule, place) <= jobs


@pytest.mark.parametrize(
    ("edits", "rules"),
    [
        ({("trends", "pulse_max_hz"): 3.5}, ["ingest"]),
        ({("reactivity", "n_blocks"): 40}, ["indices", "report"]),
        ({("burden", "episode_min"): 10}, ["burden"]),
        ({("burden", "episode_min"): 1, ("burden", "merge_gap_min"): 5}, ["burden"]),
        ({("intensity_duration", "thresholds", "cpp", "first"): 10.0}, ["intensity"]),
        (
            {("summary", "min_cppopt_h"): 2.0, ("intensity_duration", "merge_gap_min"): 1},
            ["summary", "intensity"],
        ),
        (
            {
                ("study", "time_zero"): "admission",
                ("cohort", "monitoring_end_tolerance_h"): 5.0,
                ("cohort", "table_one", "exposed_above"): 16.0,
                ("intensity_duration", "min_patients"): 9,
            },
            ["time_zero", "monitoring_end", "table_one", "intensity_map"],
        ),
    ],
)
def test_a_changed_setting_reruns_what_reads_it(place, edits, rules):
    path = place.study / "config/config.yaml"
    settings = yaml.safe_load(path.read_text())
    for (*groups, name), value in edits.items():
        group = settings
        for step in groups:
            group = group[step]
        assert group[name] != value
        group[name] = value
    path.write_text(yaml.safe_dump(settings, sort_keys=False))
    assert {job.split()[0] for job in place.would_run()} == _follow(rules)


def test_a_changed_eligibility_rule_reruns_the_cohort(place):
    place.edit("study/config/config.yaml", "min: 16.0", "min: 18.0")
    assert place.would_run() == COHORT | FORMED


@pytest.mark.parametrize(
    ("library", "rules"),
    [
        ("soundfile", ["ingest"]),
        ("statsmodels", ["model"]),
        ("wfdb", ["report"]),  # it writes the demo cohort, and the report states its version
        ("hypothesis", ["nothing"]),
    ],
)
def test_another_version_of_a_library_reruns_what_reaches_it(place, library, rules):
    metadata = place.project / "src" / f"{library}-99.dist-info/METADATA"
    metadata.parent.mkdir()
    metadata.write_text(f"Metadata-Version: 2.1\nName: {library}\nVersion: 99\n")
    assert {job.split()[0] for job in place.would_run()} == _follow(rules)


def test_touching_nothing_reruns_nothing(place):
    os.utime(place.study / "config/config.yaml")
    assert place.would_run() == set()


def test_a_changed_title_reruns_only_what_is_made_of_the_report(place):
    place.edit("study/config/config.yaml", "title: Demonstration", "title: Another")
    assert place.would_run() == SAID | LAST
