"""Cautions that a model needs by what it is made of, before any number is known."""

import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.study import plan_cautions

COLUMNS = contracts.analysis(DECLARED).columns


def cautions(exposure, *adjust_for):
    plan = {"exposure": exposure, "adjust_for": list(adjust_for)}
    return plan_cautions.of_plan(plan, columns=COLUMNS, declared=DECLARED)


@pytest.mark.parametrize(
    ("exposure", "adjust_for", "words"),
    [
        ("prx_mean", ("age_years", "icp_mean_mmhg"), "may be a consequence of prx_mean"),
        ("icp_above_20_dose_mmhg_h", ("cpp_mean_mmhg",), "computed from one another's signals"),
        ("cpp_mean_mmhg", ("icp_mean_mmhg",), "computed from one another's signals"),
        ("monitored_h", ("age_years",), "how long or how well a patient was monitored"),
        ("cppopt_yield_percent", (), "how long or how well a patient was monitored"),
        (
            "prx_mean",
            ("impact_core_mortality", "age_years", "gcs_motor"),
            "adjusted for beside its own parts (age_years and gcs_motor)",
        ),
    ],
)
def test_an_attack_of_a_reviewer_has_its_caution(exposure, adjust_for, words):
    assert any(words in sentence for sentence in cautions(exposure, *adjust_for))


def test_a_model_adjusted_for_what_was_known_before_needs_none():
    assert cautions("icp_above_20_dose_mmhg_h", "age_years", "gcs_motor") == []


def test_several_models_without_comparisons_are_told_with_the_chance_of_one_by_luck():
    """1 - 0.95^15 = 0.537: independent tests at 5 %."""
    plan = {"exposure": "prx_mean", "adjust_for": []}
    grouped = plan | {"comparisons": {"group": "one"}}
    (words,) = plan_cautions.multiplicity({f"m{i}": plan for i in range(15)})
    assert words.startswith("15 models are tested each at 5 %")
    assert words.endswith("by luck alone is up to 54 %")
    assert plan_cautions.multiplicity({"m": plan, "n": grouped}) == []


def test_the_cautions_of_all_models_are_led_by_their_names():
    plan = {"exposure": "monitored_h", "adjust_for": []}
    lines = plan_cautions.of_all({"m": plan}, columns=COLUMNS, declared=DECLARED)
    assert [line.split(": ")[0] for line in lines] == ["models.m"]
