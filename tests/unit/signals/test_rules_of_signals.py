"""Rules for holds, repeats, zero lines, noise, bursts, level steps and open drains."""

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.recordings import Chunk
from icpcohort.signals import cells, intervals, masking, trend_settings, trends
from icpcohort.signals import rules as rules_of

FS_HZ = 100.0
HOLD = {
    "rule": "hold",
    "signal": "icp",
    "tier": "waveform",
    "max_spread": 0.0,
    "min_s": 1.0,
    "min_usual_movement": 1.0,
    "around_s": 20.0,
}
REPEAT = {"rule": "repeat", "signal": "icp", "min_s": 1.0, "max_s": 20.0}
ZERO_LINE = {
    "rule": "zero_line",
    "signal": "icp",
    "tier": "minutes",
    "min_s": 180.0,
    "min_step": 4.0,
    "always_s": 600.0,
}
NOISY_LINE = {
    "rule": "noisy_line",
    "signal": "icp",
    "max_times_noise": 5.0,
    "max_correlation": 0.5,
    "min_s": 15.0,
}
NOISY_ZEROING = {
    "rule": "noisy_zeroing",
    "signal": "icp",
    "max_offset_mmhg": 2.0,
    "max_times_noise": 8.0,
    "min_step_mmhg": 4.0,
    "min_s": 3.0,
    "max_s": 60.0,
    "margin_s": 0.0,
}
BURST = {
    "rule": "burst",
    "signal": "icp",
    "tier": "waveform",
    "min_excess_mmhg": 6.0,
    "min_pulses": 1.0,
    "min_step_mmhg": 5.0,
    "around_s": 30.0,
    "max_s": 20.0,
    "margin_s": 0.0,
}
STEP = {
    "rule": "level_step",
    "signal": "icp",
    "tier": "waveform",
    "min_step": 5.0,
    "within_s": 5.0,
    "side_s": 30.0,
    "max_spread": 4.0,
    "mask_after_s": 0.0,
}
DRAIN = {
    "rule": "drain_by_signal",
    "signal": "icp",
    "look_around_s": 200.0,
    "max_pulse_fraction": 0.5,
    "max_spread_mmhg": 2.0,
    "min_s": 30.0,
    "then": "noted",
}
EVERY = [HOLD, REPEAT, NOISY_LINE, NOISY_ZEROING, BURST, STEP, DRAIN]


def _icp(seconds, *, pulse=4.0, level=12.0, noise=0.15, seed=1):
    """ICP of a heart of 70 a minute at 100 Hz, with a breath and noise."""
    draw = np.random.default_rng(seed)
    t_s = np.arange(round(seconds * FS_HZ)) / FS_HZ
    beat = np.sin(2 * np.pi * 70 / 60 * t_s) / 2 + 0.15 * np.sin(4 * np.pi * 70 / 60 * t_s)
    breath = 0.5 * np.sin(2 * np.pi * 0.25 * t_s)
    return level + pulse * beat + breath + noise * draw.normal(size=t_s.size)


def _rows(start_s, end_s):
    return slice(round(start_s * FS_HZ), round(end_s * FS_HZ))


def _cells(samples, first_s=0.0):
    return cells.reduce(samples, t_s=first_s, fs_hz=FS_HZ, with_noise=True)


def _flagged(piece, rule):
    """Return the seconds, or numbers, that a rule flags."""
    return np.flatnonzero(rules_of.from_blocks([rule])[0].flags(piece, [])).tolist()


@pytest.mark.parametrize("rule", EVERY, ids=lambda rule: rule["rule"])
@pytest.mark.parametrize("step", [0.0, 1.0])
def test_a_clean_icp_loses_nothing(rule, step):
    icp = _icp(600)
    icp = np.round(icp / step) * step if step else icp
    assert _flagged(_cells(icp), rule) == []


# --- holds ---


@pytest.mark.parametrize(
    ("seconds", "held"), [(0.9, []), (1.2, [50, 51]), (4.0, [50, 51, 52, 53, 54])]
)
def test_a_hold_is_masked_from_the_length_that_the_setting_says(seconds, held):
    icp = _icp(100)
    icp[_rows(50.3, 50.3 + seconds)] = icp[5030]
    assert _flagged(_cells(icp), HOLD) == held


def test_a_small_pulse_in_coarse_steps_is_not_held():
    icp = np.round(_icp(300, pulse=0.6, level=12.5, noise=0.05))
    assert cells.movement(_cells(icp)).max() > 0
    assert _flagged(_cells(icp), HOLD) == []


def test_numbers_are_held_only_where_they_usually_change():
    draw = np.random.default_rng(2)
    numbers = HOLD | {
        "tier": "seconds",
        "min_s": 30.0,
        "min_usual_movement": 0.05,
        "around_s": 300.0,
    }
    fine = np.round(12 + draw.normal(size=900), 1)
    fine[400:440] = fine[400]
    fine[399], fine[440] = fine[400] + 1, fine[400] + 1
    piece = cells.reduce(fine, t_s=0.0, fs_hz=1.0)
    assert _flagged(piece, numbers) == list(range(400, 440))
    steady = np.repeat(12 + np.arange(15) % 2, 60).astype(float)
    assert _flagged(cells.reduce(steady, t_s=0.0, fs_hz=1.0), numbers) == []


def test_a_steady_patient_in_coarse_numbers_is_not_flat():
    rule = {"rule": "flat_line", "signal": "icp", "tier": "seconds", "max_spread": 0.0}
    rule |= {"min_s": 60.0, "max_step": 0.25}
    coarse = np.repeat([12.0, 13.0, 12.0], 100)
    assert _flagged(cells.reduce(coarse, t_s=0.0, fs_hz=1.0), rule) == []
    fine = np.concatenate([12 + np.arange(100) % 2 * 0.1, np.full(100, 13.0)])
    flat = _flagged(cells.reduce(fine, t_s=0.0, fs_hz=1.0), rule)
    assert flat == list(range(100, 200))


# --- repeats ---


@pytest.mark.parametrize("seconds", [1.0, 2.4, 12.0])
def test_a_buffer_written_again_is_masked(seconds):
    icp = _icp(120)
    n = round(seconds * FS_HZ)
    icp[6000 : 6000 + n] = icp[6000 - n : 6000]
    flagged = _flagged(_cells(icp), REPEAT)
    assert flagged == list(range(60, int(np.ceil(60 + seconds))))


def test_a_part_that_only_looks_the_same_is_not_a_repeat():
    icp = _icp(120)
    icp[6000:6500] = icp[5500:6000] + 0.01
    icp[8000:8500] = icp[7000:7500]  # equal, but not to what stands just before
    assert _flagged(_cells(icp), REPEAT) == []


def test_a_constant_is_no_repeat():
    assert _flagged(_cells(np.full(6000, 12.0)), REPEAT) == []


# --- zeros ---


@pytest.mark.parametrize(
    ("before", "n", "masked"),
    [(12.0, 3, 3), (12.0, 2, 0), (3.9, 3, 0), (4.0, 3, 3), (1.0, 9, 0), (1.0, 10, 10)],
)
def test_successive_numbers_of_zero_are_masked(before, n, masked):
    numbers = np.array([before] * 8 + [0.0] * n + [1.0] * 8)
    piece = cells.reduce(numbers, t_s=0.0, fs_hz=1 / 60)
    assert _flagged(piece, ZERO_LINE) == list(range(8, 8 + masked))


# --- noise ---


@pytest.mark.parametrize("sd_mmhg", [0.5, 1.0, 3.0])
def test_an_icp_without_a_pulse_under_noise_is_masked(sd_mmhg):
    draw = np.random.default_rng(3)
    icp = _icp(300)
    icp[_rows(100, 200)] = 12 + sd_mmhg * draw.normal(size=10_000)
    flagged = _flagged(_cells(icp), NOISY_LINE)
    assert set(range(101, 199)) <= set(flagged)  # a window at an edge holds some of the pulse
    assert len(flagged) <= 110


def test_an_irregular_pulse_is_no_noise():
    draw = np.random.default_rng(4)
    ends_s = np.cumsum(np.clip(0.55 * (1 + 0.3 * draw.normal(size=600)), 0.3, 1.3))
    t_s = np.arange(round(200 * FS_HZ)) / FS_HZ
    beat = np.searchsorted(ends_s, t_s)
    phase = (ends_s[beat] - t_s) / np.diff(ends_s, prepend=0.0)[beat]
    icp = 12 + 2 * np.sin(np.pi * phase) + 0.15 * draw.normal(size=t_s.size)
    assert _flagged(_cells(icp), NOISY_LINE) == []


def test_a_zeroing_with_noise_is_masked_and_a_pulse_at_zero_is_not():
    draw = np.random.default_rng(5)
    icp = _icp(100)
    icp[_rows(50, 70)] = draw.normal(size=2000)
    assert _flagged(_cells(icp), NOISY_ZEROING) == list(range(50, 70))
    icp[_rows(50, 70)] = _icp(20, pulse=1.0, level=0.0)
    assert _flagged(_cells(icp), NOISY_ZEROING) == []


# --- bursts ---


@pytest.mark.parametrize("seconds", [0.3, 1.0, 6.0])
@pytest.mark.parametrize("height", [15.0, -15.0])
def test_a_short_excursion_is_masked_whole(seconds, height):
    icp = _icp(200)
    icp[_rows(100.2, 100.2 + seconds)] += height
    flagged = _flagged(_cells(icp), BURST)
    assert flagged == list(range(100, int(np.ceil(100.2 + seconds))))


def test_a_slow_wave_and_a_level_that_stays_are_no_bursts():
    icp = _icp(400)
    wave = 12 * np.sin(np.pi * np.clip((np.arange(icp.size) / FS_HZ - 100) / 60, 0, 1))
    assert _flagged(_cells(icp + wave), BURST) == []
    icp[_rows(200, 400)] += 12.0
    assert _flagged(_cells(icp), BURST) == []


# --- findings ---


def test_a_step_that_stays_is_found_where_it_lies():
    icp = _icp(300)
    icp[_rows(150, 300)] += 7.4
    flagged = _flagged(_cells(icp), STEP)
    assert flagged == list(range(145, 155))
    assert _flagged(_cells(_icp(300, level=12.0)), STEP) == []


def test_a_slow_rise_and_a_spike_are_no_steps():
    rise = 20 * np.clip((np.arange(30_000) / FS_HZ - 100) / 60, 0, 1)
    assert _flagged(_cells(_icp(300) + rise), STEP) == []
    spike = _icp(300)
    spike[_rows(150, 160)] += 20.0
    assert _flagged(_cells(spike), STEP) == []


def test_what_follows_a_step_is_masked_only_where_asked():
    icp = _icp(300)
    icp[_rows(150, 300)] += 7.4
    noted, masking_too = rules_of.from_blocks([STEP, STEP | {"mask_after_s": 60.0}])
    assert (noted.masks, masking_too.masks) == (False, True)
    assert np.flatnonzero(masking_too.flags(_cells(icp), [])).tolist() == list(range(145, 215))


def test_an_open_drain_is_found_by_its_signal():
    icp = _icp(600)
    icp[_rows(250, 350)] = _icp(100, pulse=1.0, level=8.0)
    flagged = _flagged(_cells(icp), DRAIN)
    assert min(flagged) in range(248, 256)
    assert max(flagged) in range(344, 352)


def test_a_pulse_that_fades_slowly_is_no_open_drain():
    icp = _icp(600)
    weight = np.interp(np.arange(icp.size) / FS_HZ, [150, 300, 350, 500], [1, 0.3, 0.3, 1])
    assert _flagged(_cells(12 + (icp - 12) * weight), DRAIN) == []


def _summary(icp, rules, *, chunk_s=60.0):
    n = round(chunk_s * FS_HZ)
    chunks = [
        Chunk(start / FS_HZ, {"icp": icp[start : start + n]}, {"icp": FS_HZ})
        for start in range(0, icp.size, n)
    ]
    return trends.summarise(
        iter(chunks),
        start_s=0.0,
        duration_s=icp.size / FS_HZ,
        rules=rules_of.from_blocks(rules),
        events=[],
        settings=trend_settings.Settings(
            block_s=10.0,
            min_valid_fraction=0.5,
            pulse_min_hz=0.67,
            pulse_max_hz=4.0,
            pulse_rate_from="icp",
            pulse_tolerance_hz=0.15,
            amplitude_method="interpolated",
            shape_method="none",
            shape_min_hz=100.0,
            shape_min_pulses=3,
            shape_smoothing_fraction=0.025,
            max_lag_s=2.0,
        ),
        declared={},
    )


def test_a_finding_is_an_event_and_masks_nothing():
    icp = _icp(300)
    icp[_rows(150, 300)] += 7.4
    summary = _summary(icp, [STEP])
    assert summary.artefacts.is_empty()
    assert summary.findings.rows() == [("icp", 145.0, 155.0, "level_step")]
    noted = pl.DataFrame(schema={n: c.dtype for n, c in contracts.INTERVALS.columns.items()})
    events = intervals.with_findings(noted, summary.findings)
    assert events.rows() == [("level_step", 145.0, 155.0, "signals")]


def test_a_finding_that_is_masked_is_an_event_too():
    icp = _icp(300)
    icp[_rows(150, 300)] += 7.4
    summary = _summary(icp, [STEP | {"mask_after_s": 60.0}])
    assert summary.artefacts.rows() == [("icp", 145.0, 215.0, "level_step")]
    assert summary.findings.rows() == summary.artefacts.rows()


# --- the size of the pieces ---


def _of_every_kind():
    """ICP with something for each rule, more than once in the hours of a gathered piece."""
    draw = np.random.default_rng(6)
    parts = []
    for k in range(6):
        icp = _icp(600, seed=10 + k)
        icp[_rows(30.3, 33)] = icp[3030]
        icp[_rows(60, 64)] = icp[_rows(56, 60)]
        icp[_rows(100, 140)] = 12 + draw.normal(size=4000)
        icp[_rows(170, 180)] = draw.normal(size=1000)
        icp[_rows(210, 213)] += 20.0
        icp[_rows(330, 430)] = _icp(100, pulse=1.0, level=8.0, seed=k)
        icp[_rows(520, 600)] += 7.4
        parts.append(icp)
    parts[2][_rows(250, 251)] = np.nan
    return np.concatenate(parts)


@pytest.mark.parametrize("gathered", [1, 500])
@pytest.mark.parametrize("rule", EVERY, ids=lambda rule: rule["rule"])
def test_the_size_of_the_pieces_changes_nothing(rule, gathered, monkeypatch):
    monkeypatch.setattr(masking, "_GATHERED_CELLS", gathered)
    icp = _of_every_kind()
    whole = _cells(icp)
    once = rules_of.from_blocks([rule])[0].flags(whole, [])
    masker = masking.Masker(rules=rules_of.from_blocks([rule]), events=[])
    masked = []
    for start_s in range(0, 3600, 50):
        masked += masker.push(_cells(icp[_rows(start_s, start_s + 50)], first_s=float(start_s)))
    masked += masker.finish()
    code = np.concatenate([m.code for m in masked])
    assert (code == 0).tolist() == once.tolist()
    assert once.sum() >= 12
