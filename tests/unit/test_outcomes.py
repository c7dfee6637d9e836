import polars as pl
import pytest

from icpcohort import contracts, impact, outcomes, store

USUAL = {"favourable_gose": [5, 6, 7, 8], "impact_form": "continuous"}


def patients(*rows):
    schema = {name: column.dtype for name, column in contracts.PATIENTS.columns.items()}
    given = [{"patient_id": f"p{i}"} | row for i, row in enumerate(rows)]
    return pl.DataFrame(given, schema=schema)


def every_gose():
    return patients(*({"gose_6m": score} for score in (1, 2, 3, 4, 5, 6, 7, 8, None)))


def test_one_to_four_is_unfavourable_and_an_unknown_outcome_stays_unknown():
    derived = outcomes.derive(every_gose(), **USUAL)
    assert derived["unfavourable"].to_list() == [True] * 4 + [False] * 4 + [None]
    assert derived["dead"].to_list() == [True] + [False] * 7 + [None]


def test_vegetative_state_and_lower_severe_disability_are_merged():
    merged = outcomes.derive(every_gose(), **USUAL)["gose_6m_merged"]
    assert merged.to_list() == [1, 3, 3, 4, 5, 6, 7, 8, None]


def test_a_narrower_favourable_outcome_moves_the_cut():
    derived = outcomes.derive(every_gose(), favourable_gose=[6, 7, 8], impact_form="continuous")
    assert derived["unfavourable"].to_list() == [True] * 5 + [False] * 3 + [None]


@pytest.mark.parametrize(
    "scores", [[], [1, 2, 3, 4], [5, 6, 8], [4, 5], list(range(1, 9)), [9]]
)
def test_favourable_scores_that_are_not_the_upper_end_are_refused(scores):
    with pytest.raises(ValueError, match=r"outcomes\.favourable_gose: .* not the upper end"):
        outcomes.derive(every_gose(), favourable_gose=scores, impact_form="chart")


def test_a_score_outside_the_scale_is_refused_with_the_patient():
    with pytest.raises(ValueError, match="gose_6m is 0 for patient p1"):
        outcomes.derive(patients({"gose_6m": 5}, {"gose_6m": 0}), **USUAL)


def test_a_missing_motor_score_has_no_risk_and_an_untestable_one_has():
    known = {"age_years": 40.0, "pupils_reactive": 2}
    table = patients(known | {"gcs_motor": None}, known | {"gcs_motor": "untestable"})
    derived = outcomes.derive(table, **USUAL)
    assert derived["impact_core_logit"].to_list() == [None, pytest.approx(-0.239)]
    assert derived["impact_core_mortality"][0] is None


def test_the_forms_give_different_risks_and_the_log_odds_belong_to_the_unfavourable_one():
    table = patients({"age_years": 45.0, "gcs_motor": "3", "pupils_reactive": 1})
    chart = outcomes.derive(table, favourable_gose=[5, 6, 7, 8], impact_form="chart")
    continuous = outcomes.derive(table, **USUAL)
    assert chart["impact_core_unfavourable"][0] == pytest.approx(0.684, abs=5e-4)
    assert continuous["impact_core_unfavourable"][0] == pytest.approx(0.716, abs=5e-4)
    assert chart["impact_core_mortality"][0] == pytest.approx(0.413, abs=5e-4)
    assert chart["impact_core_logit"][0] == pytest.approx(-1.62 + 0.299 * 8)


def test_the_table_keeps_its_contract_and_the_order_of_the_patients():
    table = every_gose().reverse()
    derived = outcomes.derive(table, **USUAL)
    store.check(derived, contracts.OUTCOMES, "outcomes")
    assert derived["patient_id"].to_list() == table["patient_id"].to_list()


def test_no_patients_give_an_empty_table():
    derived = outcomes.derive(patients(), **USUAL)
    store.check(derived, contracts.OUTCOMES, "outcomes")
    assert derived.height == 0


def test_all_values_out_of_range_are_told_together():
    table = patients(
        {"age_years": 450.0, "gcs_motor": "7", "pupils_reactive": 3},
        {"age_years": 45.0, "gcs_motor": "5", "pupils_reactive": 2},
    )
    with pytest.raises(ValueError, match="3 problem") as told:
        impact.probability(table, model="core", outcome="mortality", form="chart")
    assert "age_years: 450.0 in 1 row(s) (first: p0); write 0-120 years" in str(told.value)
    assert "gcs_motor: 7" in str(told.value)
    assert "pupils_reactive: 3" in str(told.value)


@pytest.mark.parametrize(
    "column", [{"glucose_mmol_l": 140.0}, {"haemoglobin_g_dl": 135.0}, {"marshall_class": 0}]
)
def test_laboratory_values_in_another_unit_are_refused(column):
    with pytest.raises(ValueError, match=next(iter(column))):
        impact.log_odds(patients(column), model="lab", outcome="mortality", form="chart")


@pytest.mark.parametrize("form", impact.FORMS)
@pytest.mark.parametrize("name", impact.NEEDS["lab"])
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
    risk = impact.probability(table, model="lab", outcome="mortality", form=form)
    assert risk[0] is not None
    assert risk[1] is None


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="form 'web' is unknown; write chart or continuous"):
        outcomes.derive(every_gose(), favourable_gose=[5, 6, 7, 8], impact_form="web")


def test_the_methods_sentence_follows_the_settings():
    usual = outcomes.methods_sentence(**USUAL)
    assert "Scores 1-4 were called unfavourable and 5-8 favourable" in usual
    assert "regression coefficients" in usual
    other = outcomes.methods_sentence(favourable_gose=[6, 7, 8], impact_form="chart")
    assert "Scores 1-5 were called unfavourable and 6-8 favourable" in other
    assert "score chart" in other
