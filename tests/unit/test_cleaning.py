import numpy as np
import pytest

from icpcohort import cells, cleaning

RANGE = {
    "rule": "range",
    "signal": "icp",
    "min_mmhg": -10.0,
    "max_mmhg": 100.0,
    "margin_s": 2.0,
}
FLAT = {
    "rule": "flat_line",
    "signal": "icp",
    "tier": "waveform",
    "max_spread_mmhg": 0.1,
    "min_s": 5.0,
}
JUMP = {"rule": "jump", "signal": "icp", "max_step_mmhg": 15.0, "margin_s": 0.0}
DRAIN = {"rule": "event", "signal": "icp", "event": "drain_open", "settle_s": 3.0}
RULES = [RANGE, FLAT, JUMP, DRAIN]
EVENTS = [{"event": "drain_open", "start_s": 40.0, "end_s": 43.0}]


def _seconds(values, first_s=0.0):
    """One reading a second, as it were from a lively waveform unless it repeats."""
    array = np.array(values, float)
    return cells.reduce(array, t_s=first_s, fs_hz=1.0)


def _lively(n):
    return [10.0 + 0.5 * (i % 2) for i in range(n)]


def _codes(pieces, rules=RULES, events=EVENTS):
    masker = cleaning.Masker(rules=rules, events=events)
    masked = [m for piece in pieces for m in masker.push(piece)] + masker.finish()
    return (
        np.concatenate([m.cells.t_s for m in masked]),
        np.concatenate([m.code for m in masked]),
    )


def test_a_reading_outside_its_limits_is_masked_with_its_margin():
    values = _lively(20)
    values[10] = 101.0
    _, code = _codes([_seconds(values)], rules=[RANGE])
    assert np.flatnonzero(code == 0).tolist() == [8, 9, 10, 11, 12]


def test_a_reading_on_a_limit_is_kept():
    _, code = _codes([_seconds([-10.0, 100.0] * 5)], rules=[RANGE])
    assert (code == cleaning.VALID).all()


@pytest.mark.parametrize(("n_flat", "masked"), [(4, 0), (5, 5), (9, 9)])
def test_a_flat_line_is_masked_from_the_length_that_the_setting_says(n_flat, masked):
    values = _lively(10) + [20.0] * n_flat + _lively(10)
    _, code = _codes([_seconds(values)], rules=[FLAT])
    assert (code == 0).sum() == masked


def test_both_sides_of_a_jump_are_masked():
    _, code = _codes([_seconds([10.0] * 5 + [25.1] * 5)], rules=[JUMP])
    assert np.flatnonzero(code == 0).tolist() == [4, 5]


def test_an_open_drain_is_masked_until_the_reading_has_settled():
    _, code = _codes([_seconds(_lively(60))], rules=[DRAIN])
    assert np.flatnonzero(code == 0).tolist() == [40, 41, 42, 43, 44, 45]


def test_an_event_without_an_end_lasts():
    events = [{"event": "drain_open", "start_s": 40.0, "end_s": None}]
    _, code = _codes([_seconds(_lively(60))], rules=[DRAIN], events=events)
    assert np.flatnonzero(code == 0).tolist() == list(range(40, 60))


def test_the_first_rule_gives_the_reason():
    values = _lively(20)
    values[10] = 500.0
    _, code = _codes([_seconds(values)], rules=[JUMP, RANGE])
    assert code[10] == 0
    assert code[8] == 1


@pytest.mark.parametrize("size", [1, 3, 7, 50])
def test_the_size_of_the_pieces_changes_nothing(size):
    draw = np.random.default_rng(8)
    values = 10 + draw.normal(size=200)
    values[50:57] = 12.0
    values[[20, 99, 100, 150]] = [300.0, 40.0, 40.0, -20.0]
    values[120:125] = np.nan
    t_s, whole = _codes([_seconds(values)])
    pieces = [_seconds(values[i : i + size], first_s=float(i)) for i in range(0, 200, size)]
    t_s_pieces, code = _codes(pieces)
    assert t_s_pieces.tolist() == t_s.tolist()
    assert code.tolist() == whole.tolist()
    assert set(whole.tolist()) == {cleaning.VALID, 0, 1, 2, 3}


def test_no_rule_looks_across_a_gap():
    flat = _seconds([20.0] * 3), _seconds([20.0] * 3, first_s=100.0)
    _, code = _codes(flat, rules=[FLAT])
    assert (code == cleaning.VALID).all()


def test_a_jump_is_only_asked_of_successive_seconds():
    chosen = cleaning.rules_for(RULES, signal="icp", tier="minutes", cell_s=60.0)
    assert [rule["rule"] for rule in chosen] == ["range", "event"]


def test_the_sentence_names_every_rule_in_order():
    sentence = cleaning.methods_sentence(rules=RULES)
    assert (
        sentence.index("\N{MINUS SIGN}10 to 100")
        < sentence.index("5 s or longer")
        < sentence.index("'drain")
    )


def test_a_line_without_any_change_is_flat_at_a_spread_of_zero():
    values = [*_lively(10), *[20.0] * 5, *_lively(10)]
    _, code = _codes([_seconds(values)], rules=[FLAT | {"max_spread_mmhg": 0.0}])
    assert (code == 0).sum() == 5
