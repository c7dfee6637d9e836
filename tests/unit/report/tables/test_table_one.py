"""Table 1 and the rounding rule, on numbers that can be checked by eye."""

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.tables import cohort, numbers, table_one


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (2.675, 2, "2.68"),  # 2.67499999... in binary; a reader rounds the text 2.675
        (0.125, 2, "0.13"),  # half to even would give 0.12
        (0.135, 2, "0.14"),
        (-0.125, 2, "−0.13"),
        (2.5, 0, "3"),
        (1.004, 2, "1.00"),
        (0.0, 2, "0.00"),
        (-0.0, 2, "0.00"),
        (0.004, 2, "<0.01"),
        (-0.004, 2, ">−0.01"),
        (0.005, 2, "0.01"),
        (0.3, 0, "<1"),
        (999999.4, 1, "999999.4"),
        (12345678.0, 2, "1.2e+07"),
        (-1e-300, 2, ">−0.01"),
        (None, 2, "–"),
    ],
)
def test_halves_go_away_from_zero_and_a_small_number_is_not_zero(value, decimals, text):
    assert numbers.format_number(value, decimals=decimals) == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_a_number_that_is_none_is_refused(value):
    with pytest.raises(ValueError, match="write null for missing"):
        numbers.format_number(value, decimals=1)


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (0.0, "<0.001"),
        (0.000999, "<0.001"),
        (0.001, "0.001"),
        (0.0495, "0.050"),
        (0.0494999, "0.049"),
        (1.0, "1.000"),
        (None, "–"),
    ],
)
def test_a_p_value_has_three_decimals_or_is_below_0_001(p, text):
    assert numbers.format_p(p) == text


def test_a_p_value_above_one_is_refused():
    with pytest.raises(ValueError, match="not between 0 and 1"):
        numbers.format_p(1.01)


@pytest.mark.parametrize(
    ("n", "total", "text"),
    [
        (1, 3, "33 %"),
        (1, 8, "13 %"),  # 12.5, away from zero
        (50, 99, "51 %"),
        (50, 100, "50.0 %"),
        (1, 300, "0.3 %"),
        (1, 3000, "<0.1 %"),
        (0, 5, "0 %"),
        (5, 5, "100 %"),
        (0, 0, "–"),
        (None, 5, "–"),
    ],
)
def test_percentages_have_decimals_from_a_hundred_patients_on(n, total, text):
    assert numbers.format_percent(n, total) == text


def test_a_share_above_the_whole_is_refused():
    with pytest.raises(ValueError, match="6 of 5"):
        numbers.format_percent(6, 5)


def test_the_count_stands_beside_its_percentage():
    assert numbers.format_share(45, 120) == "45 (37.5 %)"
    assert numbers.format_share(0, 0) == "–"


def test_an_estimate_carries_its_interval():
    assert numbers.format_estimate(1.2345, 1.005, 1.5) == "1.23 (1.01 to 1.50)"
    assert numbers.format_estimate(-0.5, -1.0, -0.001) == "−0.50 (−1.00 to >−0.01)"


def test_a_null_estimate_is_said_to_be_not_estimable():
    assert numbers.format_estimate(None, None, None) == "not estimable"
    assert numbers.format_estimate(2.0, None, None) == "2.00 (interval not estimable)"


def test_limits_in_the_wrong_order_are_refused():
    with pytest.raises(ValueError, match="outside its interval"):
        numbers.format_estimate(1.2, 1.5, 1.0)


def test_quartiles_are_those_of_r_type_7():
    """R 4.2.2, quantile(c(1, 2, 3, 4, 7, 9, 10), type = 7): 2.5 and 8.0."""
    assert numbers.format_median(pl.Series([1, 2, 3, 4, 7, 9, 10]), decimals=1) == (
        "4.0 (2.5 to 8.0)"
    )


def test_quartiles_agree_with_numpy():
    """numpy.quantile, method "linear" (its default), as the reference library."""
    draw = np.random.default_rng(11)
    for n in (1, 2, 5, 6, 97):
        values = draw.gamma(2.0, 3.0, n)
        low, median, high = (
            numbers.format_number(float(q), decimals=3)
            for q in np.quantile(values, [0.25, 0.5, 0.75])
        )
        assert (
            numbers.format_median(pl.Series(values), decimals=3)
            == f"{median} ({low} to {high})"
        )


def test_a_median_leaves_nulls_out_and_of_nothing_is_a_dash():
    assert numbers.format_median(pl.Series([None, 3.0, None]), decimals=1) == "3.0 (3.0 to 3.0)"
    assert numbers.format_median(pl.Series([None], dtype=pl.Float64()), decimals=1) == "–"
    assert numbers.format_median(pl.Series([], dtype=pl.Float64()), decimals=1) == "–"


def _analysis(**columns):
    """Return an analysis table in which only the given columns have values."""
    contract = contracts.analysis(DECLARED)
    n = len(columns["patient_id"])
    frame = pl.DataFrame(
        {name: columns.get(name, [None] * n) for name in contract.columns},
        schema={name: column.dtype for name, column in contract.columns.items()},
    )
    store.check(frame, contract, "the test's own table")
    return frame


FIVE = _analysis(
    window=["w72"] * 5 + ["w24"],
    patient_id=["a", "b", "c", "d", "e", "a"],
    unfavourable=[True, True, False, None, True, True],
    age_years=[20.0, 40.0, 30.0, None, 61.0, 99.0],
    sex=["male", "female", "male", "male", None, "female"],
    hypoxia=[True, False, False, None, False, True],
)


ROWS = PUBLISHED["cohort"]["table_one"]["rows"]
BY_OUTCOME = {"by": "outcome", "exposure": "prx_mean", "exposed_above": 0.0}
BY_OUTCOME |= {"main_outcome": "unfavourable", "columns": contracts.analysis({}).columns}


def _table_one(analysis, **changed):
    groups = table_one.groups_of(**(BY_OUTCOME | changed))
    return table_one.table_one(
        analysis,
        main_window="w72",
        variables=ROWS,
        groups=groups,
        columns=contracts.analysis(DECLARED).columns,
    )


def _row(table, variable, level):
    return table.filter(variable=variable, level=level).to_dicts()[0]


def test_table_one_counts_the_patients_of_the_main_window_by_outcome():
    row = _row(_table_one(FIVE), "Patients", "n")
    assert [row[c] for c in ("overall", "group_1", "group_2", "unknown")] == [
        "5",
        "1",
        "3",
        "1",
    ]
    assert (row["group_1_is"], row["group_2_is"]) == ("Favourable", "Unfavourable")
    assert row["smd"] is None


def test_table_one_gives_medians_of_the_patients_with_a_value():
    row = _row(_table_one(FIVE), "Age (years)", "median (IQR)")
    assert row["overall"] == "35.0 (27.5 to 45.3)"  # 20, 30, 40, 61: quartiles 27.5, 45.25
    assert row["group_2"] == "40.0 (30.0 to 50.5)"
    assert row["group_1"] == "30.0 (30.0 to 30.0)"
    assert row["unknown"] == "–"
    assert row["n_missing"] == 1


def test_table_one_gives_percentages_of_the_patients_with_a_value():
    row = _row(_table_one(FIVE), "Sex", "male")
    assert row["overall"] == "3/4 (75 %)"
    assert row["group_2"] == "1/2 (50 %)"
    assert row["n_missing"] is None  # told in the first row of the variable


def test_of_a_yes_no_variable_table_one_shows_yes():
    table = _table_one(FIVE).filter(variable="Hypoxia")
    assert table["level"].to_list() == ["yes"]
    assert table["overall"].to_list() == ["1/4 (25 %)"]
    assert table["group_1"].to_list() == ["0/1 (0 %)"]
    assert table["unknown"].to_list() == ["–"]


def test_missing_values_are_counted_in_all_and_in_each_group():
    row = _row(_table_one(FIVE), "Hypoxia", "yes")
    assert (row["n_missing"], row["n_missing_1"], row["n_missing_2"]) == (1, 0, 0)
    row = _row(_table_one(FIVE), "Sex", "female")
    assert (row["n_missing"], row["n_missing_1"], row["n_missing_2"]) == (1, 0, 1)
    row = _row(_table_one(FIVE), "Sex", "male")  # told in the variable's first row only
    assert (row["n_missing"], row["smd"]) == (None, None)


def test_groups_may_be_by_an_exposure_and_its_nulls_are_unknown():
    doses = FIVE.with_columns(icp_mean_mmhg=pl.Series([20.0, 20.1, 5.0, None, 30.0, 1.0]))
    by = {"by": "exposure", "exposure": "icp_mean_mmhg", "exposed_above": 20.0}
    table = _table_one(doses, **by)
    row = _row(table, "Patients", "n")
    assert [row[c] for c in ("group_1", "group_2", "unknown")] == ["2", "2", "1"]
    assert row["group_1_is"] == "Mean ICP (mmHg) up to 20"
    assert row["group_2_is"] == "Mean ICP (mmHg) above 20"
    age = _row(table, "Age (years)", "median (IQR)")
    # 20, 30 against 40, 61: 25.5 / sqrt((50 + 220.5) / 2)
    assert age["smd"] == pytest.approx(25.5 / np.sqrt(135.25))


def test_groups_that_nobody_knows_are_refused():
    with pytest.raises(ValueError, match="'sex' is unknown; write outcome or exposure"):
        table_one.groups_of(
            "sex",
            exposure="prx_mean",
            exposed_above=0.0,
            main_outcome="unfavourable",
            columns=contracts.analysis({}).columns,
        )


def test_a_variable_that_nobody_has_is_not_listed():
    listed = set(_table_one(FIVE)["variable"])
    assert "Sex" in listed
    assert not listed & {"Marshall class", "Glucose (mmol/L)"}


def test_table_one_of_nobody_says_zero_patients():
    table = _table_one(FIVE.clear())
    assert table["variable"].to_list() == ["Patients"]
    assert table["overall"].to_list() == ["0"]


def test_the_variables_of_table_one_are_columns_of_the_analysis():
    assert set(ROWS) <= set(contracts.analysis(DECLARED).columns)


def test_the_report_shows_the_difference_and_what_is_missing_once_a_variable():
    grid = cohort.table_one(_table_one(FIVE), columns=contracts.analysis(DECLARED).columns)
    assert grid.head == [
        *("Variable", "All", "Favourable", "Unfavourable", "Unknown"),
        *("SMD", "Missing, n"),
    ]
    rows = {row[0]: row[-2:] for row in grid.rows}
    assert rows["Patients, n"] == ["", "0"]
    assert rows["Sex, female"] == ["1.41", "1 (0, 1)"]  # 0 of 1 against 1 of 2
    assert rows["… male"] == ["", ""]
    assert rows["Age (years), median (IQR)"] == ["–", "1 (0, 0)"]


def test_a_step_at_which_nobody_left_names_no_reason():
    step = {"window": "w", "step": 1, "name": "Age known", "n_in": 9, "n_out": 9}
    rows = [step | {"n_dropped": 0, "reason": "age_missing"}]
    rows.append(step | {"step": 2, "n_dropped": 1, "n_out": 8, "reason": "too_young"})
    assert [row[-1] for row in cohort.flow(pl.DataFrame(rows)).rows] == ["–", "too young"]
