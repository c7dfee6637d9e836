import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from icpcohort import burden, cohort, contracts, outcomes, store, summary

WINDOWS = {"first_24_h": {"start_h": 0.0, "end_h": 24.0, "min_monitored_h": 6.0}}
THRESHOLDS = {"icp_above_mmhg": [20.0], "cpp_below_mmhg": [60.0]}


def _patients(rows):
    schema = {name: column.dtype for name, column in contracts.PATIENTS.columns.items()}
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in rows], schema=schema
    )


def _minutes(hours):
    """Minutes of ICP 25 and ABP 85 from time zero on, a number of hours for each patient."""
    parts = [
        pl.DataFrame({"t_s": [60.0 * (i + 1) for i in range(round(60 * h))]})
        .with_columns(patient_id=pl.lit(name), icp_mmhg=pl.lit(25.0), abp_mmhg=pl.lit(85.0))
        .with_columns(cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"))
        for name, h in hours.items()
    ]
    schema = {"patient_id": pl.String()} | {
        name: column.dtype for name, column in contracts.MINUTES.columns.items()
    }
    table = pl.concat([pl.DataFrame(schema=schema), *parts], how="diagonal_relaxed")
    return table.select(list(schema)).cast(schema)


def _select(patients, hours):
    minutes = _minutes(hours)
    table = cohort.select(
        patients,
        outcomes.derive(patients, favourable_gose=[5, 6, 7, 8], impact_form="continuous"),
        summary.summarise(
            minutes,
            windows=WINDOWS,
            averaging="fisher",
            fisher_clip=0.999,
            min_cppopt_h=1.0,
        ),
        burden.add_up(
            minutes,
            windows=WINDOWS,
            inequality="strict",
            integration="rectangle",
            episode_min=5,
            merge_gap_min=1,
            **THRESHOLDS,
        ),
        windows=WINDOWS,
        min_age_years=16.0,
        **THRESHOLDS,
    )
    store.check(
        table.analysis, contracts.analysis(burden.wide_columns(**THRESHOLDS)), "analysis"
    )
    store.check(table.flow, contracts.FLOW, "flow")
    store.check(table.dropped, contracts.DROPPED, "dropped")
    return table


def test_each_patient_leaves_at_the_first_step_that_says_no():
    patients = _patients(
        [
            {"patient_id": "stays", "age_years": 40.0, "gose_6m": 5},
            {"patient_id": "silent", "age_years": 40.0},
            {"patient_id": "ageless", "gose_6m": 8},
            {"patient_id": "child", "age_years": 15.9},
            {"patient_id": "undated", "age_years": 40.0, "gose_6m": 1},
            {"patient_id": "dies", "age_years": 40.0, "death_h": 23.9, "gose_6m": 1},
            {"patient_id": "leaves", "age_years": 40.0, "left_unit_h": 20.0},
            {"patient_id": "short", "age_years": 40.0},
            {"patient_id": "both", "age_years": 12.0, "death_h": 2.0},
        ]
    )
    hours = {
        "stays": 24,
        "child": 24,
        "ageless": 24,
        "undated": 24,
        "dies": 23,
        "leaves": 20,
        "short": 5.9,
        "both": 2,
    }
    table = _select(patients, hours)
    assert table.analysis["patient_id"].to_list() == ["stays"]
    assert dict(table.dropped.select("patient_id", "reason").iter_rows()) == {
        "silent": "no_usable_recording",
        "ageless": "age_unknown",
        "child": "under_age",
        "both": "under_age",
        "undated": "death_time_unknown",
        "dies": "died_before_landmark",
        "leaves": "left_before_landmark",
        "short": "monitored_too_short",
    }
    assert table.flow["n_out"].to_list() == [9, 8, 7, 5, 4, 3, 2, 1]


def test_death_at_the_landmark_itself_is_alive_until_it():
    patients = _patients([{"patient_id": "a", "age_years": 16.0, "death_h": 24.0}])
    assert _select(patients, {"a": 24}).analysis.height == 1


def test_discharge_at_the_landmark_itself_is_in_the_unit_until_it():
    patients = _patients([{"patient_id": "a", "age_years": 16.0, "left_unit_h": 24.0}])
    assert _select(patients, {"a": 24}).analysis.height == 1


def test_exposures_stand_beside_the_patient():
    patients = _patients([{"patient_id": "a", "age_years": 30.0, "gose_6m": 3}])
    row = _select(patients, {"a": 12}).analysis.row(0, named=True)
    assert row["icp_above_20_dose_mmhg_h"] == pytest.approx(60.0)
    assert row["icp_above_20_dose_per_h_mmhg"] == pytest.approx(5.0)
    assert row["icp_above_20_longest_episode_min"] == 720
    assert row["cpp_below_60_percent_time"] == 0.0
    assert row["unfavourable"] is True
    assert row["prx_mean"] is None


_ages = st.none() | st.floats(0, 100)
_hours = st.none() | st.floats(0, 200)


@given(
    st.lists(
        st.tuples(
            _ages, _hours, _hours, st.none() | st.integers(0, 30), st.none() | st.integers(1, 8)
        ),
        max_size=12,
    )
)
def test_the_flow_adds_up_and_nobody_is_counted_twice(people):
    patients = _patients(
        [
            {
                "patient_id": f"p{i}",
                "age_years": age,
                "death_h": death_h,
                "left_unit_h": left_h,
                "gose_6m": gose,
            }
            for i, (age, death_h, left_h, _, gose) in enumerate(people)
        ]
    )
    hours = {f"p{i}": h for i, (_, _, _, h, _) in enumerate(people) if h is not None}
    table = _select(patients, hours)
    assert (table.flow["n_in"] - table.flow["n_dropped"] == table.flow["n_out"]).all()
    assert table.flow["n_in"].to_list()[1:] == table.flow["n_out"].to_list()[:-1]
    everyone = table.analysis["patient_id"].to_list() + table.dropped["patient_id"].to_list()
    assert sorted(everyone) == sorted(patients["patient_id"].to_list())
    counted = dict(table.dropped.group_by("step").len().iter_rows())
    assert counted == {
        step: n for step, n in table.flow.select("step", "n_dropped").iter_rows() if n
    }


def test_exactly_the_least_monitored_time_is_enough():
    patients = _patients([{"patient_id": "a", "age_years": 16.0}])
    assert _select(patients, {"a": 6}).analysis.height == 1
