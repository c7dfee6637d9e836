from pathlib import Path

import pytest
import yaml

from icpcohort.study import plan

BLOCK = {
    "question": "Does dose go with outcome?",
    "family": "logistic",
    "outcome": "unfavourable",
    "window": "first_72_h",
    "exposure": "dose_per_h_mmhg",
    "unit_of_effect": 1,
    "adjust_for": ["age_years", "gcs_motor"],
    "as_categories": ["gcs_motor"],
    "reason": "Known before.",
    "missing_data": "complete_cases",
}


def refusal(block):
    with pytest.raises(ValueError, match=r"^models\.m: ") as error:
        plan.from_block("m", block=block)
    return str(error.value)


def test_a_block_becomes_a_plan():
    made = plan.from_block("m", block=BLOCK)
    assert made.name == "m"
    assert made.adjust_for == ("age_years", "gcs_motor")
    assert made.unit_of_effect == 1.0
    assert isinstance(made.unit_of_effect, float)


def test_all_problems_of_the_keys_are_told_together_with_the_nearest_name():
    block = {key: value for key, value in BLOCK.items() if key != "reason"}
    block |= {"exposre": "x", "unit_of_effect": "one", "adjust_for": "age_years"}
    text = refusal(block)
    assert "4 problem(s)" in text
    assert "exposre: unknown key; did you mean 'exposure'?" in text
    assert "reason: missing" in text
    assert "unit_of_effect: 'one' is not a number" in text
    assert "adjust_for: 'age_years' is not a list of columns" in text


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"unit_of_effect": 0}, "unit_of_effect: 0.0 is not above 0"),
        ({"unit_of_effect": -1.0}, "unit_of_effect: -1.0 is not above 0"),
        ({"unit_of_effect": float("nan")}, "unit_of_effect: nan is not above 0"),
        ({"unit_of_effect": True}, "unit_of_effect: True is not a number"),
        ({"missing_data": "impute"}, "missing_data: 'impute' is unknown"),
        ({"as_categories": ["gcs_moter"]}, "did you mean 'gcs_motor'"),
        ({"exposure": "age_years"}, "'age_years' stands twice"),
        ({"exposure": "unfavourable"}, "unfavourable: known only after the exposure window"),
        ({"outcome": "gcs_motor"}, "gcs_motor: known only after the exposure window"),
        ({"question": " "}, "question: ' ' is not a text"),
    ],
)
def test_a_plan_that_contradicts_itself_is_refused(change, expected):
    assert expected in refusal(BLOCK | change)


def test_a_family_that_is_not_known_forbids_nothing():
    """The message once said that cox_landmrk has no follow-up, and to take horizon_h out."""
    asked = {"horizon_h": 4383.0, "clusters": "centre", "risks_at": [1.0]}
    assert plan.from_block("m", block=BLOCK | asked | {"family": "cox_landmrk"}).clusters
    assert "horizon_h: logistic has no follow-up" in refusal(BLOCK | asked)


def test_a_family_with_clusters_and_predictions_is_named_where_another_has_none():
    text = refusal(BLOCK | {"family": "firth_logistic", "clusters": "centre"})
    assert text.endswith(
        "clusters: not offered for firth_logistic; take it out, or write one of logistic, "
        "modified_poisson, linear, negative_binomial, gee, cox_landmark, cox_time_dependent, "
        "cause_specific_cox"
    )
    text = refusal(BLOCK | {"family": "gee", "clusters": "centre", "purpose": "prediction"})
    assert "offered for logistic, firth_logistic, cox_landmark with complete_cases" in text


def test_every_model_of_the_shipped_plan_is_sound():
    path = Path(__file__).parents[3] / "config" / "models.yaml"
    blocks = yaml.safe_load(path.read_text(encoding="utf-8"))["models"]
    made = [plan.from_block(name, block=block) for name, block in blocks.items()]
    assert made
    assert [model.name for model in made] == list(blocks)
