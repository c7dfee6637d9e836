"""Columns: what follows where nothing is stated, and what people read of them."""

import pytest
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import COUNT, FLAG, REAL, TEXT, Column, Table
from icpcohort.report.tables.grid import reactivity_columns

ANALYSIS = contracts.analysis(
    DECLARED | {"burden": {"thresholds": {"icp": {"above": [22.5]}}}}
).columns


def test_what_is_not_stated_follows_from_the_rest():
    column = Column(REAL, "h", "Death since time zero; null if alive")
    assert column.label == "Death since time zero"
    assert column.in_full == "Death since time zero; null if alive"
    assert column.decimals == 1
    assert (column.role, column.known) == (None, None)
    assert {Column(dtype, "", "A").decimals for dtype in (TEXT, COUNT, FLAG)} == {None}


@pytest.mark.parametrize(
    ("column", "heading"),
    [
        (Column(REAL, "mm[Hg]", "Mean ICP"), "Mean ICP (mmHg)"),
        (Column(REAL, "a", "Age at injury", "Age"), "Age (years)"),
        (Column(REAL, "1", "Mean PRx"), "Mean PRx"),
        (Column(TEXT, "", "female or male", "Sex"), "Sex"),
        (Column(COUNT, "{score}", "Scale, 3-15", "Scale"), "Scale"),
        (Column(REAL, "%", "Share", "Yield (% of minutes)"), "Yield (% of minutes)"),
        (Column(REAL, "g/dL", "Haemoglobin"), "Haemoglobin (g/dL)"),
    ],
)
def test_a_heading_names_the_unit_once_and_none_of_a_score(column, heading):
    assert column.heading() == heading


def test_a_column_has_the_role_of_its_table_unless_it_states_one():
    table = Table(
        "t.parquet",
        "A table",
        ("id",),
        {
            "id": Column(TEXT, "", "Identifier"),
            "age": Column(REAL, "a", "Age"),
            "dead": Column(FLAG, "", "Dead", role="outcome"),
            "tier": Column(TEXT, "", "Tier", known="in the window"),
        },
        role="covariate",
    )
    assert {name: (c.role, c.known) for name, c in table.columns.items()} == {
        "id": ("key", "at admission"),
        "age": ("covariate", "at admission"),
        "dead": ("outcome", "afterwards"),
        "tier": ("covariate", "in the window"),
    }
    plain = Table("t.parquet", "A table", (), {"n": Column(COUNT, "", "Number")})
    assert (plain.columns["n"].role, plain.columns["n"].known) == ("neither", None)


def test_every_column_of_the_analysis_table_says_when_it_is_known():
    assert {n for n, column in ANALYSIS.items() if column.known is None} == set()
    assert {n for n, column in ANALYSIS.items() if column.role == "key"} == {
        *("window", "patient_id"),
    }


def test_what_is_known_afterwards_is_what_a_patients_end_tells():
    late = {name for name, column in ANALYSIS.items() if column.known == "afterwards"}
    assert late == {
        *("death_h", "left_unit_h", "last_known_h", "gose_6m", "gose_6m_merged"),
        *("unfavourable", "unfavourable_sliding", "dead", "dead_by_horizon"),
        *("survival_h", "died"),
    }


def test_a_burden_column_is_an_exposure_with_the_measure_in_its_meaning():
    column = ANALYSIS["icp_above_22_5_dose_per_h_mmhg"]
    assert column.about == "Dose per monitored hour of ICP above 22.5 mmHg"
    assert (column.label, column.unit) == (column.about, "mm[Hg]")
    assert (column.role, column.known, column.decimals) == ("exposure", "in the window", 2)


@pytest.mark.parametrize(
    ("name", "heading", "decimals"),
    [
        ("centre", "Centre", None),
        ("age_years", "Age (years)", 1),
        ("sex", "Sex", None),
        ("gcs_total", "Glasgow Coma Scale", 1),
        ("gcs_motor", "Glasgow motor score", None),
        ("pupils_reactive", "Reactive pupils", None),
        ("hypoxia", "Hypoxia", None),
        ("hypotension", "Hypotension", None),
        ("marshall_class", "Marshall class", None),
        ("traumatic_sah", "Traumatic subarachnoid haemorrhage", None),
        ("epidural_mass", "Epidural mass lesion", None),
        ("rotterdam", "Rotterdam score", None),
        ("glucose_mmol_l", "Glucose (mmol/L)", 1),
        ("haemoglobin_g_dl", "Haemoglobin (g/dL)", 1),
        ("impact_core_unfavourable", "IMPACT core risk of an unfavourable outcome", 2),
        ("tier", "Sampling of the recordings", None),
        ("monitored_h", "ICP monitored in the window (h)", 1),
        ("icp_mean_mmhg", "Mean ICP (mmHg)", 1),
        ("cpp_mean_mmhg", "Mean CPP (mmHg)", 1),
        ("prx_mean", "Mean PRx", 2),
        ("pax_mean", "Mean PAx", 2),
        ("rac_mean", "Mean RAC", 2),
        ("rap_mean", "Mean RAP", 2),
        ("lprx_mean", "Mean L-PRx", 2),
        ("cppopt_yield_percent", "CPPopt yield (% of minutes with CPP)", 1),
        ("cppopt_mean_mmhg", "Mean CPPopt (mmHg)", 1),
        ("delta_cpp_mean_mmhg", "Mean of CPP − CPPopt (mmHg)", 1),
        ("percent_time_within_5_of_cppopt", "Time with CPP within 5 mmHg of CPPopt (%)", 1),
        ("percent_time_over_5_below_cppopt", "Time with CPP over 5 mmHg below CPPopt (%)", 1),
        ("percent_time_over_5_above_cppopt", "Time with CPP over 5 mmHg above CPPopt (%)", 1),
        ("percent_time_below_llr", "Time with CPP below LLR (%)", 1),
    ],
)
def test_the_tables_of_the_report_call_a_column_so(name, heading, decimals):
    assert (ANALYSIS[name].heading(), ANALYSIS[name].decimals) == (heading, decimals)
    assert name in (*PUBLISHED["cohort"]["table_one"]["rows"], *reactivity_columns(DECLARED))
