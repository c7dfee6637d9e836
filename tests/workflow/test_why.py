"""Every number is made again from the minutes, and everybody who is left out has a reason."""

import re

import numpy as np
import polars as pl
import pytest

from icpcohort import cli, contracts
from icpcohort.commands.why import answers, model, number, patient, results
from icpcohort.contracts import burden_columns
from icpcohort.study import settings

pytestmark = pytest.mark.workflow


@pytest.fixture(scope="module")
def held(finished):
    config = finished.study / "config"
    asked, models = settings.load(
        config / "config.yaml",
        config / "models.yaml",
        schema_folder=finished.project / "workflow/schemas",
    )
    scripts = finished.project / "workflow/scripts"
    return results.read(finished.study, settings=asked, models=models, scripts=scripts)


def _numbers(held):
    wide = burden_columns.wide(held.settings)
    summary_columns = [
        name
        for name in contracts.summary(held.settings).columns
        if name not in ("patient_id", "window")
    ]
    return [*wide, *summary_columns]


def test_every_number_made_again_is_that_of_the_tables(held):
    draw = np.random.default_rng(7)
    summary = held.tables["summary"]
    columns, n_missing = _numbers(held), 0
    for patient_id in held.tables["patients"]["patient_id"]:
        if summary.filter(patient_id=patient_id).is_empty():
            continue
        for window in held.settings["windows"]:
            for column in draw.choice(columns, 5, replace=False):
                lines = list(number.lines(number.Asked(patient_id, column, window), held))
                assert "the same in the tables" in "\n".join(lines)
                n_missing += any("missing:" in line for line in lines)
    assert n_missing > 5


def test_another_number_in_the_table_is_told(held):
    asked = number.Asked("P001", "icp_mean_mmhg", "first_72_h")
    other = held.tables["summary"].with_columns(pl.col("icp_mean_mmhg") + 1e-6)
    with pytest.raises(results.NotOfOneRun, match="not of one run"):
        list(number.lines(asked, held._replace(tables={**held.tables, "summary": other})))


def test_a_dose_is_the_sum_of_minutes_that_a_plain_loop_finds(held, finished):
    worst = held.tables["burden"].filter(signal="icp", threshold=20.0, window="first_72_h")
    worst = worst.sort("dose", descending=True, nulls_last=True).row(0, named=True)
    asked = number.Asked(worst["patient_id"], "icp_above_20_dose_mmhg_h", "first_72_h")
    text = "\n".join(number.lines(asked, held))
    path = finished.study / f"results/minutes/{worst['patient_id']}.parquet"
    beyond, valid, dose = 0, 0, 0.0
    for t_s, icp in pl.read_parquet(path).select("t_s", "icp_mmhg").iter_rows():
        if icp is not None and 60 <= t_s <= 72 * 3600:
            valid += 1
            beyond += icp > 20
            dose += max(0.0, icp - 20) / 60
    assert f"{beyond} of {valid} valid minutes above 20 mmHg" in text
    assert dose == pytest.approx(worst["dose"], rel=1e-9)
    assert f"Code: ingest {held.codes['ingest']}, indices" in text
    assert len(re.findall(r"highest \d+\.\d mmHg \(\S+ from second \d+ to \d+", text)) > 0


def test_everybody_outside_an_analysis_has_a_reason(held):
    dropped = held.tables["dropped"]
    assert dropped.height > 5
    for row in dropped.iter_rows(named=True):
        text = "\n".join(patient.lines(row["patient_id"], held))
        assert "In which analyses" in text
        assert row["detail"] in text
    for name in held.models:
        text = list(model.lines(name, held))
        for row in held.model_dropped[name].iter_rows(named=True):
            assert any(f"- {row['patient_id']}:" in line for line in text)


def test_covariates_and_outcomes_say_where_they_come_from(held):
    patients = held.tables["patients"]
    empty = patients.filter(pl.col("glucose_mmol_l").is_null())["patient_id"][0]
    lines = list(answers.lines(empty, held, column="glucose_mmol_l", window=None))
    assert any("the cell is empty in column glucose_mmol_l of patients.csv" in t for t in lines)
    lines = list(answers.lines("P001", held, column="unfavourable", window=None))
    assert any("derived from gose_6m" in line for line in lines)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["P0O1"], "did you mean"),
        (["unfavorable_by_dose"], "did you mean 'unfavourable_by_dose'"),
        (["P001", "icp_above_20_dose"], "did you mean 'icp_above_20_dose"),
        (["P001", "prx_mean", "first_73_h"], "did you mean 'first_72_h'"),
        (["P001", "shape_yield_percent"], "is now 'p2p1_yield_percent'; ask for that"),
    ],
)
def test_an_unknown_name_gets_the_nearest(finished, capsys, arguments, words):
    assert cli.main(["why", str(finished.study), *arguments]) == 2
    assert words in capsys.readouterr().err


def test_the_command_answers(finished, capsys):
    assert cli.main(["why", str(finished.study), "P001"]) == 0
    assert "In which analyses" in capsys.readouterr().out


def test_a_study_that_was_not_run_is_refused(place, capsys):
    (place.study / "results/analysis.parquet").unlink()
    assert cli.main(["why", str(place.study), "P001"]) == 2
    assert "run the study first" in capsys.readouterr().err
