import numpy as np
import pytest
from published_settings import PUBLISHED

from icpcohort.report.tables import appendix
from icpcohort.signals import cells, masking
from icpcohort.signals import rules as rules_of

RANGE = {
    "rule": "range",
    "signal": "icp",
    "min": -10.0,
    "max": 100.0,
    "margin_s": 2.0,
}
FLAT = {
    "rule": "flat_line",
    "signal": "icp",
    "tier": "waveform",
    "max_spread": 0.1,
    "min_s": 5.0,
}
JUMP = {"rule": "jump", "signal": "icp", "max_step": 15.0, "margin_s": 0.0}
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
    masker = masking.Masker(rules=rules_of.from_blocks(rules), events=events)
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


@pytest.mark.parametrize(
    ("margin_s", "masked"), [(0.0, [5]), (2.0, [4, 5, 6]), (61.0, [3, 4, 5, 6, 7])]
)
def test_the_averages_beside_a_wrong_one_may_hold_a_part_of_it(margin_s, masked):
    """A sensor off for 90 s: one minute is out of range, the next a mean of both."""
    minutes = np.full(12, 12.0)
    minutes[5:7] = 130.0, 71.0
    piece = cells.reduce(minutes, t_s=0.0, fs_hz=1 / 60)
    _, code = _codes([piece], rules=[RANGE | {"margin_s": margin_s}])
    assert np.flatnonzero(code == 0).tolist() == masked


def test_a_reading_on_a_limit_is_kept():
    _, code = _codes([_seconds([-10.0, 100.0] * 5)], rules=[RANGE])
    assert (code == masking.VALID).all()


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
    assert set(whole.tolist()) == {masking.VALID, 0, 1, 2, 3}


def test_no_rule_looks_across_a_gap():
    flat = _seconds([20.0] * 3), _seconds([20.0] * 3, first_s=100.0)
    _, code = _codes(flat, rules=[FLAT])
    assert (code == masking.VALID).all()


def test_a_jump_is_only_asked_of_successive_seconds():
    rules = rules_of.from_blocks(RULES)
    chosen = masking.rules_for(rules, signal="icp", tier="minutes", cell_s=60.0)
    assert [rule.kind for rule in chosen] == ["range", "event"]


def test_a_rule_is_told_by_name_signal_recordings_and_what_it_masks():
    rules = rules_of.from_blocks(RULES)
    rows = appendix.cleaning_rules(rules, declared={}).rows
    assert rows[0][-1] == "outside \N{MINUS SIGN}10 to 100 mmHg with 2 s around"
    assert any("5 s or longer" in row[-1] for row in rows)
    assert rows[-1][1:4] == ["event: drain open", "ICP", "all"]
    assert f"by {len(RULES)} rules" in rules_of.methods_sentence(rules, declared={})


def test_a_line_without_any_change_is_flat_at_a_spread_of_zero():
    values = [*_lively(10), *[20.0] * 5, *_lively(10)]
    _, code = _codes([_seconds(values)], rules=[FLAT | {"max_spread": 0.0}])
    assert (code == 0).sum() == 5


# --- rules of the pulse and of named artefacts, on cells written out by hand ---

ZEROING = {
    "rule": "zeroing",
    "signal": "icp",
    "tier": "waveform",
    "max_offset_mmhg": 2.0,
    "max_movement_mmhg": 0.5,
    "min_step_mmhg": 4.0,
    "min_s": 3.0,
    "max_s": 6.0,
    "margin_s": 0.0,
}
SAMPLING = {
    "rule": "blood_sampling",
    "signal": "abp",
    "tier": "waveform",
    "max_movement_mmhg": 4.0,
    "min_step_mmhg": 0.0,
    "min_s": 3.0,
    "max_s": 6.0,
    "margin_s": 1.0,
}
DISCONNECTION = {
    "rule": "disconnection",
    "signal": "icp",
    "tier": "waveform",
    "min_mmhg": -10.0,
    "max_mmhg": 100.0,
    "max_movement_mmhg": 2.0,
    "min_s": 3.0,
}
FLUSH = {
    "rule": "flush",
    "signal": "abp",
    "tier": "waveform",
    "min_mmhg": 250.0,
    "settle_s": 3.0,
}
NO_PULSE = {"rule": "no_pulse", "signal": "abp", "max_movement_mmhg": 4.0, "min_s": 5.0}
SATURATION = {
    "rule": "saturation",
    "signal": "abp",
    "margin_s": 1.0,
    "sensor_max": 270.0,
    "sensor_min": None,
}
DAMPING = {
    "rule": "damping",
    "signal": "abp",
    "look_back_s": 60.0,
    "max_pulse_fraction": 0.5,
    "max_mean_change_mmhg": 15.0,
    "min_s": 10.0,
}
PUBLISHED_BEATS = next(
    rule for rule in PUBLISHED["cleaning"]["rules"] if rule["rule"] == "beats"
)
BEATS = PUBLISHED_BEATS | {"window_s": 4.0, "min_abnormal_fraction": 0.5}


def _wave(means, pulses, *, first_s=0.0, **others):
    """A second of a waveform for each mean and pulse; a null pulse has no reading."""
    n = len(means)
    mean = np.array([np.nan if p is None else m for m, p in zip(means, pulses)], float)
    pulse = np.array([np.nan if p is None else p for p in pulses], float)
    zeros = np.zeros(n, np.int64)
    return cells.Cells(
        width_s=1.0,
        t_s=first_s + np.arange(n),
        n=np.full(n, 100),
        n_valid=np.where(np.isnan(pulse), 0, 100),
        mean=mean,
        low=mean - pulse / 2,
        high=mean + pulse / 2,
        pulse=pulse,
        tenths=np.full((n, 10), np.nan),
        noise=np.full(n, np.nan),
        **(
            {"held_low": zeros > 0, "held_high": zeros > 0}
            | {"n_beats": zeros, "n_abnormal": zeros}
            | others
        ),
    )


def _masked(piece, rule):
    t_s, code = _codes([piece], rules=[rule], events=[])
    return t_s[code == 0].tolist()


@pytest.mark.parametrize(("n_held", "masked"), [(4, 9), (3, 0)])
def test_an_extreme_that_is_held_in_several_seconds_is_masked_with_its_margin(n_held, masked):
    """A clipped systole: the same value, again and again, and none above it."""
    n = 40
    held = np.zeros(n, bool)
    held[15 : 15 + 2 * n_held : 2] = True
    pulse = np.where(held, 50.0, 44.0)
    piece = _wave([90] * n, pulse, held_high=held)
    assert len(_masked(piece, SATURATION)) == masked
    low = _wave([90] * n, pulse, held_low=held)
    assert len(_masked(low, SATURATION)) == masked


def test_a_held_extreme_below_a_higher_reading_is_the_patients():
    held = np.arange(40) % 2 == 0
    piece = _wave([90] * 40, np.where(held, 50.0, 52.0), held_high=held)
    assert _masked(piece, SATURATION) == []


def test_a_stretch_at_one_value_beyond_the_readings_beside_is_masked_with_its_margin():
    pulses = [50.0] * 10 + [0.0] * 5 + [50.0] * 10
    beyond = _wave([90] * 10 + [210] * 5 + [90] * 10, pulses)
    assert _masked(beyond, SATURATION) == list(range(9, 16))
    among = _wave([90] * 10 + [100] * 5 + [90] * 10, pulses)
    assert _masked(among, SATURATION) == []


def test_of_a_long_stretch_at_one_value_a_minute_at_each_end_is_masked():
    piece = _wave([90] * 10 + [210] * 200 + [90] * 10, [50.0] * 10 + [0.0] * 200 + [50.0] * 10)
    assert _masked(piece, SATURATION) == [*range(9, 71), *range(149, 211)]


def test_a_reading_at_the_limit_of_the_sensor_is_masked_in_waveforms_and_numbers():
    piece = _wave([90] * 6, [50.0, 50.0, 50.0, 360.0, 50.0, 50.0])
    assert _masked(piece, SATURATION) == [2, 3, 4]
    assert _masked(piece, SATURATION | {"sensor_max": None}) == []
    low = SATURATION | {"sensor_max": None, "sensor_min": -90.0}
    assert _masked(piece, low) == [2, 3, 4]
    numbers = cells.reduce(np.array([90.0, 91, 270, 270, 92, 93]), t_s=0.0, fs_hz=1.0)
    assert _masked(numbers, SATURATION) == [1, 2, 3, 4]
    assert _masked(numbers, SATURATION | {"sensor_max": None}) == []


@pytest.mark.parametrize(("n", "masked"), [(2, 0), (3, 3), (6, 6), (7, 0)])
def test_zeroing_is_as_long_as_the_settings_say(n, masked):
    piece = _wave([12] * 5 + [0.4] * n + [12] * 5, [3] * 5 + [0.1] * n + [3] * 5)
    assert len(_masked(piece, ZEROING)) == masked


@pytest.mark.parametrize(
    ("before", "at", "pulse", "masked"),
    [
        (12, 2.0, 0.1, 4),  # at the largest offset
        (12, 2.1, 0.1, 0),
        (12, 0.0, 0.6, 0),  # a pulse is a patient's
        (4.0, 0.0, 0.1, 4),  # the smallest step
        (3.9, 0.0, 0.1, 0),
    ],
)
def test_zeroing_is_at_zero_without_a_pulse_after_a_step(before, at, pulse, masked):
    piece = _wave([before] * 5 + [at] * 4 + [before] * 5, [3] * 5 + [pulse] * 4 + [3] * 5)
    assert len(_masked(piece, ZEROING)) == masked


def test_a_low_icp_with_a_pulse_is_not_zeroing():
    assert (
        _masked(_wave([12] * 5 + [0.5] * 5 + [12] * 5, [3] * 5 + [1] * 5 + [3] * 5), ZEROING)
        == []
    )


def test_blood_sampling_is_a_stretch_without_a_pulse_that_comes_back():
    still = _wave([90] * 5 + [91] * 4 + [90] * 5, [50] * 5 + [1] * 4 + [50] * 5)
    assert _masked(still, SAMPLING) == [4, 5, 6, 7, 8, 9]
    ramp = _wave([90] * 5 + [92, 94, 96, 98] + [90] * 5, [50] * 5 + [2] * 4 + [50] * 5)
    assert _masked(ramp, SAMPLING) == [4, 5, 6, 7, 8, 9]
    for_long = _wave([90] * 19, [50] * 5 + [1] * 7 + [50] * 7)
    assert _masked(for_long, SAMPLING) == []


def test_numbers_that_hold_still_are_sampling_only_away_from_their_level():
    numbers = SAMPLING | {"tier": "seconds", "max_movement_mmhg": 1.0, "min_step_mmhg": 20.0}
    still = _seconds([*[90, 91] * 4, *[60, 60, 60], *[90, 91] * 4])
    assert _masked(still, numbers) == [7, 8, 9, 10, 11]
    assert _masked(_seconds([*[90, 91] * 4, *[71, 71, 71], *[90, 91] * 4]), numbers) == []


def test_a_disconnected_sensor_stands_where_no_patient_does():
    piece = _wave([12] * 4 + [-30] * 3 + [12] * 4, [3] * 4 + [1, 0, 1] + [3] * 4)
    assert _masked(piece, DISCONNECTION) == [4, 5, 6]
    on_the_limit = _wave([-10.0] * 5, [0.1] * 5)
    assert _masked(on_the_limit, DISCONNECTION) == []


def test_a_flush_is_masked_with_its_ringing():
    piece = _wave([90, 90, 90, 280, 280, 90, 90, 90, 90], [50] * 3 + [1, 1] + [50] * 4)
    assert _masked(piece, FLUSH) == [2, 3, 4, 5, 6, 7]
    below = _wave([90, 224.9, 90], [50, 50, 50])
    assert _masked(below, FLUSH) == []


@pytest.mark.parametrize(("n", "masked"), [(4, 0), (5, 5)])
def test_a_pulse_is_lost_from_the_length_that_the_setting_says(n, masked):
    piece = _wave([90] * (n + 10), [50] * 5 + [4.0] * n + [50] * 5)
    assert len(_masked(piece, NO_PULSE)) == masked


def test_a_slow_drift_does_not_hide_the_loss_of_a_pulse():
    # 6 mmHg a second and no pulse: the tenths span 5.4 mmHg
    means = [90 + 6 * i for i in range(12)]
    assert len(_masked(_wave(means, [5.4] * 12), NO_PULSE)) >= 10


def test_a_second_without_a_reading_ends_a_stretch_without_a_pulse():
    assert _masked(_wave([90] * 9, [1] * 4 + [None] + [1] * 4), NO_PULSE) == []


@pytest.mark.parametrize(
    ("pulse", "mean", "n", "masked"),
    [
        (24.9, 90, 10, 10),
        (25.0, 90, 10, 0),
        (24.9, 90, 9, 0),
        (10, 105, 10, 10),
        (10, 106, 10, 0),
    ],
)
def test_damping_is_a_small_pulse_with_the_mean_of_before(pulse, mean, n, masked):
    # the pulse is the largest of three seconds: two seconds more are damped than found
    piece = _wave(
        [90] * 60 + [mean] * (n + 2) + [90] * 20, [50] * 60 + [pulse] * (n + 2) + [50] * 20
    )
    assert len(_masked(piece, DAMPING)) == masked


def test_without_half_of_its_look_back_nothing_is_called_damped():
    pulses = [50] * 18 + [10] * 12
    assert _masked(_wave([90] * 30, pulses), DAMPING) == []
    assert _masked(_wave([90] * 48, [50] * 15 + pulses + [10] * 3), DAMPING) != []


def test_many_abnormal_beats_are_masked_and_a_single_ectopic_one_is_not():
    n_abnormal = np.zeros(20, np.int64)
    n_abnormal[5] = 1
    n_abnormal[12:15] = 2
    piece = _wave([90] * 20, [50] * 20, n_beats=np.full(20, 2), n_abnormal=n_abnormal)
    assert _masked(piece, BEATS) == [12, 13, 14]  # of 10 beats in 5 s: 6, 6, 6; and 1


def test_beats_are_abnormal_from_the_share_that_the_setting_says():
    def one(n_abnormal):
        counts = np.zeros(5, np.int64)
        counts[2] = n_abnormal
        return _wave([90] * 5, [50] * 5, n_beats=np.full(5, 2), n_abnormal=counts)

    assert _masked(one(1), BEATS | {"min_abnormal_fraction": 0.1}) == [2]
    assert _masked(one(1), BEATS | {"min_abnormal_fraction": 0.11}) == []


def test_rules_of_the_pulse_are_asked_of_waveforms_only():
    rules = rules_of.from_blocks([NO_PULSE, DAMPING, BEATS, SAMPLING])
    for tier, chosen in (("waveform", rules), ("seconds", []), ("minutes", [])):
        assert masking.rules_for(rules, signal="abp", tier=tier, cell_s=1.0) == chosen


# --- the rules again as plain loops ---


def _movement_by_loop(piece):
    moved = []
    for i in range(piece.t_s.size):
        around = [piece.mean[k] if 0 <= k < piece.t_s.size else np.nan for k in (i - 1, i + 1)]
        drift = abs(around[1] - around[0]) / 2
        moved.append(max(piece.pulse[i] - (0.0 if np.isnan(drift) else drift), 0.0))
    return moved


def _stretches_by_loop(flags, least, most=10**9):
    covered, i = [False] * len(flags), 0
    while i < len(flags):
        k = i
        while k < len(flags) and flags[k]:
            k += 1
        if least <= k - i <= most:
            covered[i:k] = [True] * (k - i)
        i = max(k, i + 1)
    return covered


def _near_by_loop(flags, before, after):
    return [any(flags[max(0, i - before) : i + after + 1]) for i in range(len(flags))]


def _rule_by_loop(piece, rule):
    moved, n = _movement_by_loop(piece), piece.t_s.size
    mean = piece.mean
    if rule is SATURATION:
        return _saturation_by_loop(piece)
    if rule is FLUSH:
        return _near_by_loop([h >= 250 for h in piece.high], 3, 1)
    if rule is NO_PULSE:
        return _stretches_by_loop([m <= 4 for m in moved], 5)
    if rule is SAMPLING:
        return _near_by_loop(_stretches_by_loop([m <= 4 for m in moved], 3, 6), 1, 1)
    if rule is DISCONNECTION:
        flags = [m <= 2 and not -10 <= x <= 100 for m, x in zip(moved, mean)]
        return _stretches_by_loop(flags, 3)
    if rule is ZEROING:
        flags = _stretches_by_loop(
            [m <= 0.5 and abs(x) <= 2 for m, x in zip(moved, mean)], 3, 6
        )
        flagged, i = [False] * n, 0
        while i < n:
            k = i
            while k < n and flags[k]:
                k += 1
            sides = [(j, i) for j in (i - 1, i - 2)] + [(j, k - 1) for j in (k, k + 1)]
            if k > i and any(
                0 <= j < n and abs(mean[j] - mean[inside]) >= 4 for j, inside in sides
            ):
                flagged[i:k] = [True] * (k - i)
            i = max(k, i + 1)
        return flagged
    if rule is BEATS:
        around = [slice(max(0, i - 2), i + 3) for i in range(n)]
        return [
            a > 0 and piece.n_abnormal[s].sum() / piece.n_beats[s].sum() >= 0.5
            for a, s in zip(piece.n_abnormal, around)
        ]
    return _damping_by_loop(piece, moved)


def _saturation_by_loop(piece):
    n, flags = piece.t_s.size, [high >= 270 for high in piece.high]
    for values, held in ((piece.high, piece.held_high), (-piece.low, piece.held_low)):
        for i in range(n):
            around = range(max(0, i - 5), min(n, i + 6))
            top = _known([values[k] for k in around], max)
            if sum(held[k] and values[k] == top for k in around) >= 4:
                for k in around:
                    flags[k] |= values[k] == top
    i = 0
    while i < n:
        k = i
        while k < n and piece.low[k] == piece.high[k] == piece.low[i]:
            k += 1
        for beside in (i - 1, k):
            if k - i >= 3 and 0 <= beside < n:
                low, high = piece.low[beside], piece.high[beside]
                away = max(piece.low[i] - high, low - piece.high[i])
                if 0 < high - low < away:
                    flags[i:k] = [True] * (k - i)
        i = max(k, i + 1)
    return _near_by_loop(flags, 1, 1)


def _damping_by_loop(piece, moved):
    n, mean, flags = piece.t_s.size, piece.mean, []
    pulse = [_known(moved[max(0, i - 1) : i + 2], max) for i in range(n)]
    for i in range(n):
        back_pulse = [p for p in pulse[max(0, i - 60) : i] if not np.isnan(p)]
        back_mean = [m for m in mean[max(0, i - 60) : i] if not np.isnan(m)]
        now = _known(mean[max(0, i - 5) : i + 5], np.median)
        flags.append(
            len(back_pulse) >= 30
            and len(back_mean) >= 30
            and piece.n_valid[i] > 0
            and pulse[i] < 0.5 * np.median(back_pulse)
            and abs(now - np.median(back_mean)) <= 15
        )
    return _stretches_by_loop(flags, 10)


def _known(values, of):
    known = [v for v in values if not np.isnan(v)]
    return of(known) if known else np.nan


def _random_wave(seed, n=600):
    """Seconds of every kind that a rule asks for, in stretches of random length."""
    draw = np.random.default_rng(seed)
    means, pulses = [], []
    while len(means) < n:
        kind = draw.integers(0, 9)
        k = int(draw.integers(1, draw.choice([8, 40])))
        level, pulse = [
            (90, 50),
            (90, 50),
            (90, 50),
            (90, 12),
            (91, 1),
            (0.5, 0.2),
            (-30, 0.5),
            (280, 1),
            (90, None),
        ][kind]
        means += list(level + (0.3 if level > 1 else 0.05) * draw.normal(size=k))
        pulses += [None] * k if pulse is None else list(pulse * draw.uniform(0.9, 1.1, size=k))
    n_beats = draw.integers(1, 4, size=n)
    return _wave(
        means[:n],
        pulses[:n],
        held_low=draw.random(n) < 0.4,
        held_high=draw.random(n) < 0.4,
        n_beats=n_beats,
        n_abnormal=(n_beats * (draw.random(n) < 0.4)),
    )


RULES_OF_WAVES = [SATURATION, ZEROING, FLUSH, SAMPLING, DISCONNECTION, NO_PULSE, DAMPING, BEATS]


@pytest.mark.parametrize("rule", RULES_OF_WAVES, ids=lambda rule: rule["rule"])
def test_each_rule_agrees_with_a_plain_loop(rule):
    n_masked = 0
    for seed in range(12):
        piece = _random_wave(seed)
        expected = np.array(_rule_by_loop(piece, rule), bool)
        _, code = _codes([piece], rules=[rule], events=[])
        assert (code == 0).tolist() == expected.tolist(), seed
        n_masked += expected.sum()
    assert n_masked > 40


def test_saturation_agrees_with_a_plain_loop_where_few_values_come_again_and_again():
    n_masked = 0
    for seed in range(12):
        draw = np.random.default_rng(seed)
        means, pulses = (
            np.repeat(draw.choice(v, 150), draw.integers(1, 6, 150))
            for v in (
                [90.0, 90, 91, 260],
                [50.0, 50, 52, 0],
            )
        )
        n = min(means.size, pulses.size)
        held = {f"held_{end}": draw.random(n) < 0.5 for end in ("low", "high")}
        piece = _wave(means[:n], pulses[:n], **held)
        _, code = _codes([piece], rules=[SATURATION], events=[])
        expected = _saturation_by_loop(piece)
        assert (code == 0).tolist() == expected, seed
        n_masked += sum(expected)
        assert not all(expected)
    assert n_masked > 40


def test_sampling_of_numbers_agrees_with_a_plain_loop():
    rule = SAMPLING | {"max_movement_mmhg": 1.0, "min_step_mmhg": 20.0, "max_s": 10.0}
    n_masked = 0
    for seed in range(12):
        draw = np.random.default_rng(seed)
        levels = np.repeat(
            draw.choice([90.0, 90.0, 60.0, 71.0], size=60), draw.integers(1, 14, 60)
        )
        values = levels + draw.choice([0.0, 0.4, 1.5], size=levels.size)
        values[draw.random(values.size) < 0.02] = np.nan
        flags = []
        for i, value in enumerate(values):
            sides = [abs(values[k] - value) for k in (i - 1, i + 1) if 0 <= k < values.size]
            usual = _known(values[max(0, i - 10) : i + 11], np.median)
            flags.append(_known(sides, min) <= 1 and abs(value - usual) >= 20)
        expected = _near_by_loop(_stretches_by_loop(flags, 3, 10), 1, 1)
        _, code = _codes([_seconds(values)], rules=[rule], events=[])
        assert (code == 0).tolist() == expected, seed
        n_masked += sum(expected)
    assert n_masked > 40


@pytest.mark.parametrize(("size", "gathered"), [(7, 1), (60, 1), (333, 1), (60, 250)])
def test_the_size_of_the_pieces_changes_nothing_for_any_rule(size, gathered, monkeypatch):
    monkeypatch.setattr(masking, "_GATHERED_CELLS", gathered)
    whole = _random_wave(99, n=3000)
    for rules in ([rule] for rule in RULES_OF_WAVES):
        _, once = _codes([whole], rules=rules, events=[])
        pieces = [whole.part(slice(i, i + size)) for i in range(0, 3000, size)]
        t_s, code = _codes(pieces, rules=rules, events=[])
        assert t_s.tolist() == whole.t_s.tolist()
        assert code.tolist() == once.tolist(), rules[0]["rule"]
        assert (once == 0).any()


def test_what_is_held_back_does_not_grow(monkeypatch):
    monkeypatch.setattr(masking, "_GATHERED_CELLS", 600)
    rules = [*RULES_OF_WAVES, RANGE]
    masker = masking.Masker(rules=rules_of.from_blocks(rules), events=[])
    held = []
    for i in range(20):
        piece = _random_wave(i, n=300)
        masker.push(_wave(piece.mean, piece.pulse, first_s=300.0 * i))
        held.append(cells.join(masker._held).t_s.size)
    assert max(held[10:]) <= max(held[:10])


def test_the_words_of_a_rule_say_every_number_of_the_published_rules():
    for rule in PUBLISHED["cleaning"]["rules"]:
        words = rules_of.from_blocks([rule])[0].with_margin("mmHg")
        for name, value in rule.items():
            silent = name in ("max_pressure_change_mmhg", "max_period_change_s")
            if isinstance(value, float) and value and not silent:
                percent = name.endswith("_fraction")
                minutes = name == "look_back_s"
                shown = 100 * value if percent else value / 60 if minutes else abs(value)
                assert f"{shown:g}" in words, (rule["rule"], name)
    counted = rules_of.from_blocks([PUBLISHED_BEATS | {"changes": "counted"}])
    assert "0.5 s" in counted[0].words("mmHg")
