import pytest

from icpcohort.study import gose


def test_both_directions_and_both_scales_put_the_dead_at_one():
    """GOSE 1 dead to 8 upper good recovery: Wilson et al. 2021, J Neurotrauma 38:2435."""
    dead = {"gose_1_dead": "1", "gose_1_good": "8", "gos_1_dead": "1", "gos_1_good": "5"}
    best = {"gose_1_dead": "8", "gose_1_good": "1", "gos_1_dead": "5", "gos_1_good": "1"}
    for name, coding in gose.CODINGS.items():
        assert coding[dead[name]] == "1"
        assert int(coding[best[name]]) == max(int(score) for score in coding.values())
        assert len(set(coding.values())) == len(coding)


def test_the_scale_of_five_keeps_its_usual_division():
    """Favourable is moderate disability or good recovery: common practice."""
    for name, favourable in (("gos_1_dead", {"4", "5"}), ("gos_1_good", {"1", "2"})):
        ours = {theirs for theirs, score in gose.CODINGS[name].items() if int(score) >= 5}
        assert ours == favourable
        assert gose.visible_cuts(name) == [2, 3, 5, 7]


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
    assert (gose.reversed_words(deaths_h, scores) is not None) == reversed_
