"""From an archive and spreadsheets as a unit has them to results, by the steps of a page.

`docs/from-archive.md` shows the steps; each text that is pasted here stands on that page.
"""

import subprocess
import sys
from pathlib import Path

import as_exported
import polars as pl
import pytest

pytestmark = pytest.mark.workflow

COMMAND = str(Path(sys.executable).with_name("icpcohort"))
PAGE = Path(__file__).parents[2] / "docs/from-archive.md"
STUDY = """\
  encoding: cp1252
  calendar: {time_zero: Unfall, zone: Europe/Vienna}
"""
OF_PATIENTS = "{patient_id: Patienten-ID, death_h: verstorben, left_unit_h: verlegt}"
OF_EVENTS = "{patient_id: Patient, event: Maßnahme, start_s: von, end_s: bis}"
CODINGS = "{event: {Drainage offen: drain_open}}"
RECORDINGS = """\
  roots: {archive: ../unit_disk}
  patterns: ["archive/{patient}/{any}.csv", "{patient}.csv"]
  clock_zone: Europe/Vienna
  day_order: month_first
"""
SENSORS = """\
    if_several: first_named
    names: [ICP, ICP bolt, ICP drain, Hirndruck]
"""
VARIABLES = """\
variables:
  age_years: {column: Alter (Jahre)}
  sex: {column: Geschlecht, codings: {"1": female, "2": male}}
  gcs_total: {column: GCS}
  gcs_motor: {column: GCS Motorik}
  pupils_reactive: {column: Pupillen}
  marshall_class: {column: Marshall}
outcomes:
  gose_6m: {column: GOSE 6 Monate}
"""


def _icpcohort(*arguments):
    done = subprocess.run([COMMAND, *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def _edit(path, *pairs):
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def _set_up(study):
    """Paste what the page shows into the settings that `new` wrote."""
    config = study / "config/config.yaml"
    names = next(
        line for line in config.read_text("utf-8").splitlines() if "[ICP, ICP1" in line
    )
    _edit(
        config,
        ("patients: patients.csv", "patients: Klinik.xlsx"),
        ("events: events.csv", "events: Ereignisse.csv"),
        ("  columns:     ", STUDY + "  columns:     "),
        ("differ\n    patients: {}", f"differ\n    patients: {OF_PATIENTS}"),
        ("    events: {}\n  codings", f"    events: {OF_EVENTS}\n  codings"),
        ("    events: {}\n\nplan", f"    events: {CODINGS}\n\nplan"),
        ("\nrecordings:\n", "\nrecordings:\n" + RECORDINGS),
        (names + "\n", SENSORS),
    )
    _edit(study / "config/variables.yaml", ("variables: {}\noutcomes: {}\n", VARIABLES))


def test_the_page_shows_what_is_pasted():
    page = PAGE.read_text(encoding="utf-8")
    for text in (STUDY, OF_PATIENTS, OF_EVENTS, CODINGS, RECORDINGS, SENSORS, VARIABLES):
        assert text in page


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    home = tmp_path_factory.mktemp("unit")
    folder, patients = home / "unit", as_exported.patients()
    _icpcohort("new", str(folder))
    as_exported.write(folder, home / "unit_disk", patients)
    _set_up(folder)
    said = _icpcohort("list", str(folder))
    assert "new recordings: 30; listed already: 0" in said
    table = folder / "recordings.csv"
    listed = [line for line in table.read_text("utf-8").splitlines() if ",U12," in line]
    assert len(listed) == 1
    _edit(table, (listed[0], "U12_r1,U12,U12.csv,csv,2024-03-03 16:25,,,,,,none"))
    checked = _icpcohort("check", str(folder))
    assert "channels read as ICP: Hirndruck (15), ICP (14), ICP bolt (1)" in checked
    targets = (
        "results/summary.parquet",
        "results/patients.parquet",
        "results/recordings.parquet",
    )
    _icpcohort("run", str(folder), "--cores", "2", *targets)
    return folder


def test_all_of_the_archive_is_read_and_gives_the_true_means_and_times(study):
    summary = pl.read_parquet(study / "results/summary.parquet").filter(window="first_72_h")
    recordings = pl.read_parquet(study / "results/recordings.parquet")
    assert recordings["status"].to_list() == ["used"] * 30
    for number, one in enumerate(as_exported.patients()):
        row = summary.row(by_predicate=pl.col("patient_id") == one.name, named=True)
        of_one = recordings.filter(patient_id=one.name)
        assert of_one["start_s"].min() / 3600 == pytest.approx(one.start_h, abs=1e-9)
        hours = (of_one["end_s"] - of_one["start_s"]).sum() / 3600
        assert hours == pytest.approx(len(one.icp_mmhg) / 60)
        masked_h = 0.5 if number % 3 == 0 else 0.0  # an open drain of 20 min, and 10 after it
        assert row["monitored_h"] == pytest.approx(hours - masked_h, abs=0.02)
        assert row["icp_mean_mmhg"] == pytest.approx(one.icp_mmhg.mean(), abs=0.05)
        cpp = one.abp_mmhg.mean() - one.icp_mmhg.mean()
        assert row["cpp_mean_mmhg"] == pytest.approx(cpp, abs=0.1)


def test_the_spreadsheet_s_dates_and_codes_are_hours_and_words(study):
    patients = pl.read_parquet(study / "results/patients.parquet")
    for number, one in enumerate(as_exported.patients(), start=1):
        row = patients.row(by_predicate=pl.col("patient_id") == one.name, named=True)
        assert row["death_h"] == one.death_h
        assert row["left_unit_h"] == pytest.approx(one.left_h)
        assert (row["gose_6m"], row["age_years"]) == (one.gose, 20 + 4 * number)
        assert row["sex"] == ("male" if number % 2 else "female")


def test_no_date_of_a_patient_and_no_folder_of_the_archive_is_in_the_results(study):
    dates = [
        f"{one.zero.astimezone(as_exported.ZONE):%Y-%m-%d %H:%M}"
        for one in as_exported.patients()
    ]
    dates += [date.replace(" ", "T") for date in dates]
    sought = [text.encode() for text in (*dates, "unit_disk")]
    files = [path for name in ("results", "logs") for path in (study / name).rglob("*")]
    files = [path for path in files if path.is_file()]
    assert len(files) > 50
    for path in files:
        content = path.read_bytes()
        assert not [text for text in sought if text in content], path
