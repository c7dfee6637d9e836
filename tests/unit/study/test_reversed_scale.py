import pytest
from published_settings import DECLARED

from icpcohort.study import reversed_scale

GOSE = DECLARED["outcomes"]["gose_6m"]
MRS = {"kind": "ordered", "better": "lower", "dead": "6", "deaths_before_h": 3600.0}


def test_both_directions_and_both_scales_put_the_dead_at_one():
    """GOSE 1 dead to 8 upper good recovery: Wilson et al. 2021, J Neurotrauma 38:2435."""
    dead = {"gose_1_dead": "1", "gose_1_good": "8", "gos_1_dead": "1", "gos_1_good": "5"}
    best = {"gose_1_dead": "8", "gose_1_good": "1", "gos_1_dead": "5", "gos_1_good": "1"}
    for name, coding in GOSE["scales"].items():
        assert coding[dead[name]] == "1"
        assert int(coding[best[name]]) == max(int(score) for score in coding.values())
        assert len(set(coding.values())) == len(coding)


def test_the_scale_of_five_keeps_its_usual_division():
    """Favourable is moderate disability or good recovery: common practice."""
    for name, favourable in (("gos_1_dead", {"4", "5"}), ("gos_1_good", {"1", "2"})):
        ours = {theirs for theirs, score in GOSE["scales"][name].items() if int(score) >= 5}
        assert ours == favourable


@pytest.mark.parametrize(
    ("deaths_h", "scores", "reversed_"),
    [
        ([10.0, 20.0, None], [8, 8, 1], True),
        ([10.0, 20.0, None], [1, 1, 8], False),
        ([10.0, 20.0, None], [8, 1, 8], False),  # half of them: single errors, told by row
        ([10.0, None, None], [8, 8, 1], False),  # one death shows no direction
        ([10.0, 20.0, None], [None, None, 8], False),
        ([4000.0, 5000.0, None], [8, 8, 1], False),  # died after the score
        ([10.0, 20.0], [1, 1], False),  # all dead
        ([], [], False),
    ],
)
def test_a_scale_is_reversed_when_most_of_the_dead_have_the_best_score(
    deaths_h, scores, reversed_
):
    words = reversed_scale.words("gose_6m", GOSE, deaths_h=deaths_h, scores=scores)
    assert (words is not None) == reversed_


def test_a_scale_that_runs_towards_death_is_reversed_when_the_dead_have_its_lowest_score():
    """Modified Rankin Scale, 0 no symptoms to 6 dead: van Swieten 1988."""
    for scores, reversed_ in (([0, 0, 6], True), ([6, 6, 0], False)):
        words = reversed_scale.words("mrs_3m", MRS, deaths_h=[10.0, 20.0, None], scores=scores)
        assert (words is not None) == reversed_
