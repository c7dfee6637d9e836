import copy
import math

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.cohort import outcomes, prognosis
from icpcohort.contracts import store


def declared(*, cut=None, form=None, horizon_h=None):
    """What the demo study declares, with another cut, form of the risk, or horizon."""
    changed = copy.deepcopy(DECLARED)
    if cut is not None:
        changed["outcomes"]["unfavourable"]["favourable_from"] = cut
    if form is not None:
        changed["scores"]["impact"]["form"] = form
    if horizon_h is not None:
        changed["outcomes"]["dead_by_horizon"]["death_by_h"] = horizon_h
    return changed


def derive(table, **changed):
    return outcomes.derive(table, declared=declared(**changed)).outcomes


def patients(*rows):
    schema = {
        name: column.dtype for name, column in contracts.patients(DECLARED).columns.items()
    }
    numbered = [{"patient_id": f"p{i}"} | row for i, row in enumerate(rows)]
    return pl.DataFrame(numbered, schema=schema)


def every_gose():
    return patients(*({"gose_6m": score} for score in (1, 2, 3, 4, 5, 6, 7, 8, None)))


def test_one_to_four_is_unfavourable_and_an_unknown_outcome_stays_unknown():
    derived = derive(every_gose())
    assert derived["unfavourable"].to_list() == [True] * 4 + [False] * 4 + [None]
    assert derived["dead"].to_list() == [True] + [False] * 7 + [None]


def test_vegetative_state_and_lower_severe_disability_are_merged():
    merged = derive(every_gose())["gose_6m_merged"]
    assert merged.to_list() == [1, 3, 3, 4, 5, 6, 7, 8, None]


def test_a_narrower_favourable_outcome_moves_the_cut():
    derived = derive(every_gose(), cut="6")
    assert derived["unfavourable"].to_list() == [True] * 5 + [False] * 3 + [None]


def test_a_score_outside_the_scale_is_refused_with_the_patient():
    with pytest.raises(ValueError, match="gose_6m is 0 for patient p1"):
        derive(patients({"gose_6m": 5}, {"gose_6m": 0}))


def test_a_missing_motor_score_has_no_risk_and_an_untestable_one_has():
    known = {"age_years": 40.0, "pupils_reactive": 2}
    table = patients(known | {"gcs_motor": None}, known | {"gcs_motor": "untestable"})
    derived = derive(table)
    assert derived["impact_core_logit"].to_list() == [None, pytest.approx(-0.239)]
    assert derived["impact_core_mortality"][0] is None


def test_the_forms_give_different_risks_and_the_log_odds_belong_to_the_unfavourable_one():
    table = patients({"age_years": 45.0, "gcs_motor": "3", "pupils_reactive": 1})
    chart = derive(table, form="chart")
    continuous = derive(table)
    assert chart["impact_core_unfavourable"][0] == pytest.approx(0.684, abs=5e-4)
    assert continuous["impact_core_unfavourable"][0] == pytest.approx(0.716, abs=5e-4)
    assert chart["impact_core_mortality"][0] == pytest.approx(0.413, abs=5e-4)
    assert chart["impact_core_logit"][0] == pytest.approx(-1.62 + 0.299 * 8)


def test_the_table_keeps_its_contract_and_the_order_of_the_patients():
    table = every_gose().reverse()
    derived = derive(table)
    store.check(derived, contracts.outcomes(DECLARED), "outcomes")
    assert derived["patient_id"].to_list() == table["patient_id"].to_list()


def test_no_patients_give_an_empty_table():
    derived = derive(patients())
    store.check(derived, contracts.outcomes(DECLARED), "outcomes")
    assert derived.height == 0


def test_all_values_out_of_range_are_told_together():
    table = patients(
        {"age_years": 450.0, "gcs_motor": "7", "pupils_reactive": 3},
        {"age_years": 45.0, "gcs_motor": "5", "pupils_reactive": 2},
    )
    with pytest.raises(ValueError, match="3 problem") as caught:
        prognosis.probability(table, model="core", outcome="mortality", form="chart")
    assert "age_years: 450.0 in 1 row(s) (first: p0); write 0-120 years" in str(caught.value)
    assert "gcs_motor: 7" in str(caught.value)
    assert "pupils_reactive: 3" in str(caught.value)


@pytest.mark.parametrize(
    "column", [{"glucose_mmol_l": 140.0}, {"haemoglobin_g_dl": 135.0}, {"marshall_class": 0}]
)
def test_laboratory_values_in_another_unit_are_refused(column):
    with pytest.raises(ValueError, match=next(iter(column))):
        prognosis.log_odds(patients(column), model="lab", outcome="mortality", form="chart")


@pytest.mark.parametrize("form", prognosis.FORMS)
@pytest.mark.parametrize("name", prognosis.NEEDS["lab"])
def test_any_missing_value_leaves_the_laboratory_risk_missing(form, name):
    whole = {
        "age_years": 45.0,
        "gcs_motor": "3",
        "pupils_reactive": 1,
        "hypoxia": False,
        "hypotension": True,
        "marshall_class": 3,
        "traumatic_sah": True,
        "epidural_mass": False,
        "glucose_mmol_l": 8.0,
        "haemoglobin_g_dl": 13.0,
    }
    table = patients(whole, whole | {name: None})
    risk = prognosis.probability(table, model="lab", outcome="mortality", form=form)
    assert risk[0] is not None
    assert risk[1] is None


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="form 'web' is unknown; write chart or continuous"):
        derive(every_gose(), form="web")


def test_the_methods_sentence_follows_the_settings():
    usual = outcomes.methods_sentence(DECLARED)
    assert "Scores 1-4 of GOSE were called unfavourable and 5-8 favourable" in usual
    assert "regression coefficients" in usual
    other = outcomes.methods_sentence(declared(cut="6", form="chart"))
    assert "Scores 1-5 of GOSE were called unfavourable and 6-8 favourable" in other
    assert "score chart" in other


# --- mortality by a horizon ---


@pytest.mark.parametrize(
    ("patient", "dead"),
    [
        ({"death_h": 720.0, "gose_6m": 1}, True),
        ({"death_h": 720.1, "gose_6m": 1}, False),
        ({"last_known_h": 720.0}, False),
        ({"last_known_h": 719.9}, None),
        ({"left_unit_h": 800.0}, False),
        ({"gose_6m": 2}, False),  # alive when scored
        ({"gose_6m": 1}, None),  # died, nobody knows when
        ({"gose_6m": 1, "left_unit_h": 800.0}, False),
        ({}, None),
    ],
)
def test_death_by_the_horizon_is_known_true_known_false_or_missing(patient, dead):
    assert derive(patients(patient))["dead_by_horizon"].to_list() == [dead]


def test_who_was_scored_is_not_known_alive_at_a_horizon_after_the_score():
    late = derive(patients({"gose_6m": 5}), horizon_h=3600.1)
    assert late["dead_by_horizon"].to_list() == [None]


# --- scores ---

SCAN = {
    "cisterns": "compressed",
    "midline_shift_mm": 7.0,
    "epidural_mass": False,
    "traumatic_sah": True,
    "ventricular_blood": False,
}


@pytest.mark.parametrize(
    ("changed", "score"),
    [
        ({}, 5),
        (
            {
                "cisterns": "normal",
                "midline_shift_mm": 0.0,
                "epidural_mass": True,
                "traumatic_sah": False,
            },
            1,
        ),
        ({"cisterns": "absent"}, 6),
        ({"midline_shift_mm": 5.0}, 4),
        ({"traumatic_sah": False, "ventricular_blood": True}, 5),
        ({"ventricular_blood": None}, 5),  # blood is known from the other place
        ({"traumatic_sah": False, "ventricular_blood": None}, None),
        ({"cisterns": None}, None),
    ],
)
def test_the_rotterdam_score_of_the_patients_columns(changed, score):
    """Maas et al. 2005, Neurosurgery 57:1173: sum of the parts plus 1; cases of 5, 1 and 6."""
    assert derive(patients(SCAN | changed))["rotterdam"].to_list() == [score]


WHOLE = {
    "age_years": 45.0,
    "gcs_motor": "3",
    "pupils_reactive": 1,
    "hypoxia": False,
    "hypotension": True,
    "marshall_class": 3,
    "traumatic_sah": True,
    "epidural_mass": False,
    "glucose_mmol_l": 8.0,
    "haemoglobin_g_dl": 13.0,
}


@pytest.mark.parametrize(
    ("form", "tolerance", "risks"),
    [
        ("chart", 5e-4, (0.4134, 0.6840, 0.6466, 0.8537, 0.5090, 0.7845)),
        ("continuous", 5e-4, (0.4334, 0.7159, 0.6857, 0.8597, 0.5157, 0.7892)),
    ],
)
def test_all_three_impact_models_stand_in_the_table_in_the_form_that_is_asked(
    form, tolerance, risks
):
    """Steyerberg 2008, PLoS Med 5:e165: one patient through its Figure 1 and coefficients."""
    row = derive(patients(WHOLE), form=form).row(0, named=True)
    names = [f"impact_{m}_{o}" for m in prognosis.MODELS for o in ("mortality", "unfavourable")]
    assert [row[name] for name in names] == pytest.approx(risks, abs=tolerance)
    for model in prognosis.MODELS:
        risk = row[f"impact_{model}_unfavourable"]
        assert row[f"impact_{model}_logit"] == pytest.approx(math.log(risk / (1 - risk)))


def test_a_reversed_scale_stops_the_outcomes():
    table = patients(
        {"gose_6m": 8, "death_h": 40.0}, {"gose_6m": 8, "death_h": 50.0}, {"gose_6m": 1}
    )
    with pytest.raises(ValueError, match="the scale runs the other way"):
        derive(table)
