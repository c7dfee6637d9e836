import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.cohort import eligibility, outcomes, select
from icpcohort.contracts import store
from icpcohort.exposures import burden, burden_settings, summary
from icpcohort.indices import index_settings

WINDOWS = {"first_24_h": {"start_h": 0.0, "end_h": 24.0, "min_monitored_h": 6.0}}
RULES = [
    {"rule": "usable_recording"},
    {"rule": "variable", "name": "age_years", "min": 16.0, "max": 120.0, "if_missing": "drop"},
    {"rule": "landmark"},
    {"rule": "monitored_hours"},
]
EVERY_RULE = [
    {"rule": "usable_recording"},
    {"rule": "craniectomy", "none_before": "monitoring"},
    {"rule": "variable", "name": "age_years", "min": 16.0, "max": 80.0, "if_missing": "keep"},
    {"rule": "variable", "name": "gcs_total", "min": 3, "max": 12, "if_missing": "drop"},
    {"rule": "monitoring_start", "within_h": 12.0},
    {"rule": "monitor_kind", "kinds": ["strain_gauge"], "if_missing": "drop"},
    {"rule": "craniectomy", "none_before": "landmark"},
    {"rule": "landmark"},
    {"rule": "monitored_hours"},
    {"rule": "covered_share", "min_fraction": 0.5},
]
NO_FACTS = {
    "patient_id": pl.String(),
    "monitoring_start_h": pl.Float64(),
    "monitoring_end_h": pl.Float64(),
    "monitor_kinds": pl.List(pl.String()),
    "monitor_removed_h": pl.Float64(),
    "craniectomy_h": pl.Float64(),
}
THRESHOLDS = {"thresholds": {"icp": {"above": [20.0]}, "cpp": {"below": [60.0]}}}
ASKED = DECLARED | {"burden": THRESHOLDS}
COLUMNS = contracts.analysis(DECLARED).columns


def _patients(rows):
    schema = {
        name: column.dtype for name, column in contracts.patients(DECLARED).columns.items()
    }
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
        name: column.dtype for name, column in contracts.minutes(ASKED).columns.items()
    }
    table = pl.concat([pl.DataFrame(schema=schema), *parts], how="diagonal_relaxed")
    return table.select(list(schema)).cast(schema)


def _rows(table, rows):
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in rows], schema=schema
    )


def _select(
    patients, hours, *, facts=(), rules=RULES, repeated=None, declared=DECLARED, left_out=None
):
    minutes = _minutes(hours)
    table = select.select(
        patients,
        outcomes.derive(patients, declared=DECLARED).outcomes,
        summary.summarise(
            minutes,
            windows=WINDOWS,
            indices=index_settings.rules_of(PUBLISHED),
            settings=summary.Settings(**PUBLISHED["summary"]),
            declared=ASKED,
        ),
        burden.add_up(
            minutes,
            windows=WINDOWS,
            rules=burden_settings.Settings(**(PUBLISHED["burden"] | THRESHOLDS)),
            declared=ASKED,
        ),
        pl.DataFrame(list(facts), schema=NO_FACTS),
        repeated=store.empty(contracts.repeated_summary({})) if repeated is None else repeated,
        left_out=left_out or {},
        windows=WINDOWS,
        rules=rules,
        declared=declared | {"burden": THRESHOLDS},
    )
    of_table = contracts.analysis(declared | {"burden": THRESHOLDS})
    store.check(table.analysis, of_table, "analysis")
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
        "ageless": "age_years_unknown",
        "child": "age_years_outside",
        "both": "age_years_outside",
        "undated": "death_time_unknown",
        "dies": "died_before_landmark",
        "leaves": "left_before_landmark",
        "short": "monitored_too_short",
    }
    assert table.flow["n_out"].to_list() == [9, 8, 7, 5, 4, 3, 2, 1]


def test_who_is_left_out_by_the_group_leaves_first_with_its_reason():
    patients = _patients(
        [
            {"patient_id": "stays", "age_years": 40.0, "gose_6m": 5},
            {"patient_id": "moved", "age_years": 12.0},
            {"patient_id": "refused", "age_years": 40.0},
        ]
    )
    hours = {"stays": 24, "moved": 24}
    table = _select(patients, hours, left_out={"moved": "other unit", "refused": "no consent"})
    assert table.flow.sort("step").select("name", "n_in", "n_out").rows()[:3] == [
        ("Patients listed", 3, 3),
        ("Not left out by the group", 3, 1),
        ("Usable ICP recording", 1, 1),
    ]
    assert table.flow["reason"].to_list()[1] == "left_out"
    assert sorted(table.dropped.select("patient_id", "step", "reason", "detail").rows()) == [
        ("moved", 2, "left_out", "other unit"),
        ("refused", 2, "left_out", "no consent"),
    ]
    assert table.analysis["patient_id"].to_list() == ["stays"]


def test_every_kind_of_rule_has_its_own_reason():
    fits = {"age_years": 40.0, "gcs_total": 8}
    people = {
        "stays": fits,
        "operated": fits,
        "old": fits | {"age_years": 80.1},
        "ageless": fits | {"age_years": None},
        "awake": fits | {"gcs_total": 13},
        "unscored": fits | {"gcs_total": None},
        "late": fits,
        "drained": fits,
        "unlisted": fits,
        "operated_later": fits,
        "sparse": fits,
    }
    patients = _patients([{"patient_id": name} | row for name, row in people.items()])
    usual = {"monitoring_start_h": 2.0, "monitor_kinds": ["strain_gauge"]}
    changes = {
        "operated": {"craniectomy_h": 1.9},
        "late": {"monitoring_start_h": 12.1},
        "drained": {"monitor_kinds": ["strain_gauge", "ventricular_drain"]},
        "unlisted": {"monitor_kinds": None},
        "operated_later": {"craniectomy_h": 23.9},
        "stays": {"craniectomy_h": 24.0, "monitoring_start_h": 12.0},
    }
    facts = [
        dict.fromkeys(NO_FACTS) | {"patient_id": n} | usual | changes.get(n, {}) for n in people
    ]
    hours = dict.fromkeys(people, 12) | {"sparse": 11.9}
    table = _select(patients, hours, facts=facts, rules=EVERY_RULE)
    assert dict(table.dropped.select("patient_id", "reason").iter_rows()) == {
        "operated": "craniectomy",
        "old": "age_years_outside",
        "awake": "gcs_total_outside",
        "unscored": "gcs_total_unknown",
        "late": "monitored_too_late",
        "drained": "other_monitor",
        "unlisted": "monitor_kind_unknown",
        "operated_later": "craniectomy",
        "sparse": "covered_too_little",
    }
    assert table.analysis["patient_id"].to_list() == ["stays", "ageless"]
    assert table.dropped.filter(patient_id="late")["detail"].to_list() == [
        "first recording begins at 12.1 h"
    ]


def test_facts_are_the_first_and_last_moment_every_kind_and_the_first_craniectomy():
    recordings = [
        ("a", 7200.0, 9000.0, "used"),
        ("a", 3600.0, 3700.0, "used"),
        ("a", 0.0, 99999.0, "excluded"),
    ]
    columns = ("patient_id", "start_s", "end_s", "status")
    facts = eligibility.facts(
        _rows(
            contracts.recordings({}),
            [
                dict(zip(columns, r)) | {"recording_id": str(i)}
                for i, r in enumerate(recordings)
            ],
        ),
        _rows(
            contracts.MONITORS,
            [
                {"monitor_id": "1", "patient_id": "a", "kind": "pneumatic", "removal_h": 5.0},
                {"monitor_id": "2", "patient_id": "a", "kind": "fibre_optic", "removal_h": 9.0},
                {"monitor_id": "3", "patient_id": "b", "kind": "pneumatic", "removal_h": 9.0},
                {"monitor_id": "4", "patient_id": "b", "kind": "pneumatic"},
            ],
        ),
        _rows(
            contracts.EVENTS,
            [
                {"patient_id": "a", "event": "craniectomy", "start_s": 7200.0},
                {"patient_id": "a", "event": "craniectomy", "start_s": 3600.0},
                {"patient_id": "a", "event": "rezero", "start_s": 0.0},
            ],
        ),
    )
    assert facts.to_dicts() == [
        {
            "patient_id": "a",
            "monitoring_start_h": 1.0,
            "monitoring_end_h": 2.5,
            "monitor_kinds": ["fibre_optic", "pneumatic"],
            "monitor_removed_h": 9.0,
            "craniectomy_h": 1.0,
        },
        {
            "patient_id": "b",
            "monitoring_start_h": None,
            "monitoring_end_h": None,
            "monitor_kinds": ["pneumatic"],
            "monitor_removed_h": None,
            "craniectomy_h": None,
        },
    ]


def test_the_methods_name_every_rule_with_its_parameters():
    sentences = select.methods_sentence(
        windows=WINDOWS, rules=EVERY_RULE, time_zero="injury", columns=COLUMNS
    )
    for words in (
        "Age 16 to 80 years (patients without the value stay)",
        "Glasgow Coma Scale 3 to 12 (patients without the value leave)",
        "within 12 h of time zero",
        "monitors only of kind strain gauge",
        "no craniectomy before monitoring",
        "no craniectomy before the landmark",
        "valid ICP in 50 % of the window or more",
    ):
        assert words in sentences, words
    assert "with:" not in select.methods_sentence(
        windows=WINDOWS, rules=[RULES[0], *RULES[2:]], time_zero="injury", columns=COLUMNS
    )


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


_hours = st.none() | st.floats(0, 60)
_kinds = st.none() | st.lists(st.sampled_from(["strain_gauge", "pneumatic"]), min_size=1)
_person = st.fixed_dictionaries(
    {
        "age_years": st.none() | st.floats(0, 100),
        "gcs_total": st.none() | st.integers(3, 15),
        "death_h": _hours,
        "left_unit_h": _hours,
        "gose_6m": st.none() | st.integers(1, 8),
        "monitoring_start_h": _hours,
        "craniectomy_h": _hours,
        "monitor_kinds": _kinds,
        "hours": st.none() | st.integers(0, 30),
    }
)
_missing = st.sampled_from(["keep", "drop"])
_optional = st.lists(
    st.one_of(
        st.builds(
            lambda a, b, m: {
                "rule": "variable",
                "name": "age_years",
                "min": a,
                "max": a + b,
                "if_missing": m,
            },
            st.floats(0, 50),
            st.floats(1, 50),
            _missing,
        ),
        st.builds(
            lambda a, m: {
                "rule": "variable",
                "name": "gcs_total",
                "min": 3,
                "max": a,
                "if_missing": m,
            },
            st.integers(3, 15),
            _missing,
        ),
        st.builds(lambda h: {"rule": "monitoring_start", "within_h": h}, st.floats(0, 60)),
        st.builds(
            lambda m: {"rule": "monitor_kind", "kinds": ["pneumatic"], "if_missing": m},
            _missing,
        ),
        st.sampled_from(
            [
                {"rule": "craniectomy", "none_before": "monitoring"},
                {"rule": "craniectomy", "none_before": "landmark"},
            ]
        ),
    ),
    max_size=5,
)


@given(st.lists(_person, max_size=12), _optional, st.floats(0, 1))
def test_the_flow_adds_up_by_reason_and_nobody_is_counted_twice(people, optional, share):
    people = [
        {"patient_id": f"p{i}"}
        | person
        | ({"gose_6m": 1} if person["death_h"] is not None and person["gose_6m"] else {})
        for i, person in enumerate(people)
    ]
    patients = _patients(people)
    hours = {row["patient_id"]: row["hours"] for row in people if row["hours"] is not None}
    facts = [{name: row.get(name) for name in NO_FACTS} for row in people]
    rules = [RULES[0], *optional, *RULES[2:], {"rule": "covered_share", "min_fraction": share}]
    table = _select(patients, hours, facts=facts, rules=rules)
    assert (table.flow["n_in"] - table.flow["n_dropped"] == table.flow["n_out"]).all()
    assert table.flow["n_in"].to_list() == [len(people), *table.flow["n_out"].to_list()[:-1]]
    assert table.flow["n_out"].to_list()[-1] == table.analysis.height
    everyone = table.analysis["patient_id"].to_list() + table.dropped["patient_id"].to_list()
    assert sorted(everyone) == sorted(patients["patient_id"].to_list())
    counted = {
        (step, why): n
        for step, why, n in table.dropped.group_by("step", "reason").len().iter_rows()
    }
    assert counted == {
        (step, why): n
        for step, why, n in table.flow.select("step", "reason", "n_dropped").iter_rows()
        if n
    }


@pytest.mark.parametrize(
    ("patient", "survival_h", "died"),
    [
        ({"death_h": 100.0, "gose_6m": 1}, 76.0, True),
        ({"death_h": 24.0, "gose_6m": 1}, 0.0, True),
        ({"death_h": 100.0, "left_unit_h": 90.0}, 76.0, True),
        ({"last_known_h": 4500.0, "left_unit_h": 90.0, "gose_6m": 5}, 4476.0, False),
        ({"left_unit_h": 90.0}, 66.0, False),
        ({"left_unit_h": 90.0, "gose_6m": 5}, 3576.0, False),  # alive when scored: 150 days
        ({"gose_6m": 1, "left_unit_h": 90.0}, None, None),  # died, nobody knows when
        ({"last_known_h": 20.0}, None, None),  # not known to be alive at the landmark
        ({}, None, None),
    ],
)
def test_survival_counts_from_the_landmark_to_death_or_last_known_alive(
    patient, survival_h, died
):
    patients = _patients([{"patient_id": "a", "age_years": 30.0} | patient])
    row = _select(patients, {"a": 12}).analysis.row(0, named=True)
    assert (row["survival_h"], row["died"]) == (survival_h, died)


def test_exactly_the_least_monitored_time_is_enough():
    patients = _patients([{"patient_id": "a", "age_years": 16.0}])
    assert _select(patients, {"a": 6}).analysis.height == 1


def test_summaries_of_repeated_values_join_the_patients_of_their_window():
    entry = {"label": "Therapy intensity", "kind": "count", "summaries": ["mean"]}
    declared = DECLARED | {"repeated": {"til": entry}}
    contract = contracts.repeated_summary(declared)
    repeated = _rows(
        contract,
        [
            {"window": "first_24_h", "patient_id": "p1", "til_mean": 3.0},
            {"window": "another", "patient_id": "p1", "til_mean": 4.0},
            {"window": "first_24_h", "patient_id": "gone", "til_mean": 9.0},
        ],
    )
    patients = _patients([{"patient_id": p, "age_years": 40.0} for p in ("p1", "p2", "gone")])
    table = _select(patients, {"p1": 24, "p2": 24}, repeated=repeated, declared=declared)
    made = table.analysis.select("patient_id", "til_mean")
    assert set(made.rows()) == {("p1", 3.0), ("p2", None)}
