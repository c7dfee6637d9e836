"""A preset that config.yaml names: its values are those of the section."""

import pytest

from icpcohort.study import presets

SCHEMA = {
    "properties": {
        "reactivity": {
            "x-presets": {
                "original": {
                    "values": {"n_blocks": 40, "step_s": 5.0},
                    "needs": {"trends": {"block_s": 5.0}},
                },
                "later": {"values": {"n_blocks": 30}, "needs": {}},
            }
        },
        "trends": {},
    }
}


def _applied(reactivity, block_s=5.0):
    settings = {"reactivity": reactivity, "trends": {"block_s": block_s}}
    return presets.applied(settings, SCHEMA, file="config.yaml")


def test_a_preset_fills_in_what_it_states_and_leaves_the_rest():
    done, problems = _applied({"preset": "original", "averaging": "fisher"})
    assert done["reactivity"] == {"averaging": "fisher", "n_blocks": 40, "step_s": 5.0}
    assert problems == []


def test_settings_without_a_preset_are_as_they_were():
    values = {"n_blocks": 30, "averaging": "fisher"}
    assert _applied(values) == ({"reactivity": values, "trends": {"block_s": 5.0}}, [])


@pytest.mark.parametrize(
    ("reactivity", "block_s", "problem"),
    [
        ({"preset": "orginal"}, 5.0, "'orginal' is no preset; did you mean 'original'?"),
        (
            {"preset": "original", "n_blocks": 30},
            5.0,
            "reactivity.n_blocks: 30, but preset original has 40; take `n_blocks` or `preset` "
            "out",
        ),
        (
            {"preset": "original"},
            10.0,
            "trends.block_s: 10.0, but preset original of reactivity needs it to be 5.0",
        ),
    ],
)
def test_what_contradicts_a_preset_is_named(reactivity, block_s, problem):
    _, problems = _applied(reactivity, block_s)
    assert len(problems) == 1
    assert problem in problems[0] and problems[0].startswith("config.yaml, ")


def test_a_value_that_says_the_same_may_stand_there_too():
    done, problems = _applied({"preset": "original", "n_blocks": 40})
    assert (done["reactivity"], problems) == ({"n_blocks": 40, "step_s": 5.0}, [])


def test_a_preset_that_is_like_another_has_its_values_unless_it_states_them():
    resolved = presets.resolved(
        {
            "plain": {"values": {"min_arm_z": 0.0, "min_bins": 4}},
            "strict": {"like": "plain", "values": {"min_bins": 6}, "needs": {"a": {"b": 1}}},
        }
    )
    assert resolved["strict"] == {
        "values": {"min_arm_z": 0.0, "min_bins": 6},
        "needs": {"a": {"b": 1}},
    }
