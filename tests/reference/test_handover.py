"""The analysis table in other formats, read back by readers that are not the writer's own.

CSV is written by polars and read by the standard library; Stata is written by pandas and read
by pyreadstat (the ReadStat library in C); Feather is written by pyarrow and read by polars.
"""

import csv
import datetime
import io
import math

import polars as pl
import pyarrow as pa
import pyreadstat
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.cohort import export

TABLE = contracts.analysis(
    DECLARED
    | {"burden": {"thresholds": {"icp": {"above": [20.0, 22.5]}, "cpp": {"below": [60.0]}}}}
)
LONG = "icp_above_22_5_longest_episode_min"


def _analysis(**columns):
    n = len(columns["patient_id"])
    return pl.DataFrame(
        {name: columns.get(name, [None] * n) for name in TABLE.columns},
        schema={name: column.dtype for name, column in TABLE.columns.items()},
    )


ROWS = _analysis(
    window=["w", "w", "w"],
    patient_id=["p1", "p2", "p3"],
    centre=["=cmd()", None, 'Zürich, "A"'],
    age_years=[1 / 3, None, -1e-7],
    gcs_total=[3, None, 15],
    unfavourable=[True, None, False],
    icp_above_22_5_longest_episode_min=[12.0, None, 0.0],
)


def test_csv_read_by_the_standard_library_has_the_same_values_and_empty_cells_for_missing():
    text = export.as_csv(ROWS, TABLE).decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == list(TABLE.columns)
    assert [float(r["age_years"]) for r in rows if r["age_years"]] == [1 / 3, -1e-7]
    assert [r["gcs_total"] for r in rows] == ["3", "", "15"]
    assert [r["unfavourable"] for r in rows] == ["true", "", "false"]
    assert rows[2]["centre"] == 'Zürich, "A"'
    assert {r["glucose_mmol_l"] for r in rows} == {""}


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r"])
def test_a_text_like_a_formula_is_neutralised_in_every_text_column(sign):
    table = _analysis(window=["w"], patient_id=["p1"], centre=[f"{sign}1+2"], sex=[f"{sign}a"])
    row = next(csv.DictReader(io.StringIO(export.as_csv(table, TABLE).decode(), newline="")))
    assert row["centre"] == f"'{sign}1+2"
    assert row["sex"] == f"'{sign}a"
    assert row["window"] == "w"


def test_a_negative_number_is_not_taken_for_a_formula():
    text = export.as_csv(ROWS, TABLE).decode("utf-8")
    assert "'-" not in text


@pytest.fixture
def stata(tmp_path):
    path = tmp_path / "analysis.dta"
    path.write_bytes(export.as_stata(ROWS, TABLE))
    return pyreadstat.read_dta(str(path))


def test_stata_read_by_another_library_has_the_same_values_and_missing_stays_missing(stata):
    frame, _ = stata
    assert frame["age_years"].tolist()[::2] == [1 / 3, -1e-7]
    assert math.isnan(frame["age_years"][1])
    assert frame["gcs_total"].tolist()[::2] == [3, 15]
    assert math.isnan(frame["gcs_total"][1])
    assert frame["unfavourable"].tolist()[::2] == [1, 0]
    assert math.isnan(frame["unfavourable"][1])
    assert frame["centre"].tolist() == ["=cmd()", "", 'Zürich, "A"']
    assert frame["glucose_mmol_l"].isna().all()


def test_stata_has_labels_with_units_and_names_within_its_limits(stata):
    frame, meta = stata
    assert len(frame.columns) == len(TABLE.columns)
    assert meta.column_names_to_labels["age_years"] == "Age at time zero (years)"
    assert meta.column_names_to_labels["icp_mean_mmhg"] == "Mean ICP (mmHg)"
    assert meta.variable_value_labels["unfavourable"] == {0: "no", 1: "yes"}
    assert all(0 < len(label) <= 80 for label in meta.column_labels)
    long = [name for name in frame.columns if name not in TABLE.columns]
    tail = f"_{1 + list(TABLE.columns).index(LONG)}"
    assert long == [LONG[: 32 - len(tail)] + tail]
    assert frame[long[0]].tolist()[::2] == [12.0, 0.0]


def test_a_label_that_is_too_long_is_cut_and_keeps_its_unit():
    label = export.stata_label(contracts.Column(contracts.REAL, "mm[Hg]", "a" * 90))
    assert label == "a" * 70 + "... (mmHg)"
    assert len(label) == 80
    exact = export.stata_label(contracts.Column(contracts.REAL, "1", "a" * 80))
    assert exact == "a" * 80


def test_stata_says_nothing_of_the_day_it_was_written(stata):
    assert stata[1].creation_time == datetime.datetime(1960, 1, 1)


def test_names_that_begin_alike_stay_apart():
    names = export.stata_names(["a" * 40, "a" * 41, "b"])
    assert len(set(names.values())) == 3
    assert names["b"] == "b"
    assert max(len(name) for name in names.values()) == 32


def test_feather_read_by_another_library_has_the_same_table():
    data = export.as_feather(ROWS, TABLE)
    assert pl.read_ipc(io.BytesIO(data), use_pyarrow=False).equals(ROWS)


def test_feather_fields_have_their_unit_and_meaning():
    schema = pa.ipc.open_file(pa.BufferReader(export.as_feather(ROWS, TABLE))).schema
    for name, column in TABLE.columns.items():
        assert schema.field(name).metadata[b"unit"].decode() == column.unit
        assert schema.field(name).metadata[b"about"].decode() == column.about


def test_nobody_is_written_and_read_too(tmp_path):
    path = tmp_path / "none.dta"
    path.write_bytes(export.as_stata(ROWS.clear(), TABLE))
    assert pyreadstat.read_dta(str(path))[0].shape == (0, len(TABLE.columns))
    assert export.as_csv(ROWS.clear(), TABLE).decode().count("\n") == 1
    assert pl.read_ipc(io.BytesIO(export.as_feather(ROWS.clear(), TABLE))).height == 0


def test_the_same_table_gives_the_same_bytes():
    for write in (export.as_csv, export.as_stata, export.as_feather):
        assert write(ROWS, TABLE) == write(ROWS.reverse(), TABLE)
