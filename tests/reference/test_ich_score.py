"""ICH score against its published table, on both sides of each boundary.

Source: Hemphill 2001, table 2 (from memory).
"""

import polars as pl
import pytest

from icpcohort.cohort.ich_score import ich_score

# The published table: points of each part, with values on both sides of each boundary.
GLASGOW_COMA_SCALE = {3: 2, 4: 2, 5: 1, 12: 1, 13: 0, 15: 0}
VOLUME_ML = {0.0: 0, 29.9: 0, 30.0: 1, 30.1: 1, 300.0: 1}
FLAG = {False: 0, True: 1}
AGE_YEARS = {18.0: 0, 79.0: 0, 79.9: 0, 80.0: 1, 81.0: 1}
TABLE = {
    "gcs_total": GLASGOW_COMA_SCALE,
    "ich_volume_ml": VOLUME_ML,
    "intraventricular_blood": FLAG,
    "infratentorial": FLAG,
    "age_years": AGE_YEARS,
}
BEST = {
    "gcs_total": 15,
    "ich_volume_ml": 10.0,
    "intraventricular_blood": False,
    "infratentorial": False,
    "age_years": 50.0,
}
WORST = {
    "gcs_total": 3,
    "ich_volume_ml": 60.0,
    "intraventricular_blood": True,
    "infratentorial": True,
    "age_years": 90.0,
}
SCHEMA = {
    "gcs_total": pl.Int64,
    "ich_volume_ml": pl.Float64,
    "intraventricular_blood": pl.Boolean,
    "infratentorial": pl.Boolean,
    "age_years": pl.Float64,
}


def _score(*patients):
    return ich_score(pl.DataFrame(list(patients), schema=SCHEMA, orient="row"))


def test_the_score_runs_from_0_to_6():
    assert _score(BEST, WORST).to_list() == [0, 6]


@pytest.mark.parametrize(
    ("part", "value", "points"),
    [(part, value, n) for part, values in TABLE.items() for value, n in values.items()],
)
def test_each_part_adds_the_points_of_the_published_table(part, value, points):
    most = max(TABLE[part].values())
    assert _score(BEST | {part: value}).to_list() == [points]
    assert _score(WORST | {part: value}).to_list() == [6 - most + points]


def test_the_parts_add_up_in_every_combination():
    rows, sums = [{}], [0]
    for part, values in TABLE.items():
        sums = [n + points for n in sums for points in values.values()]
        rows = [row | {part: value} for row in rows for value in values]
    assert _score(*rows).to_list() == sums
    assert set(sums) == set(range(7))


@pytest.mark.parametrize("part", TABLE)
def test_a_part_that_is_null_gives_no_score(part):
    assert _score(BEST | {part: None}, WORST | {part: None}).to_list() == [None, None]


def test_no_patient_gives_no_row():
    score = _score()
    assert (score.name, score.dtype, len(score)) == ("ich_score", pl.Int64, 0)
