"""Held extremes: those of a clipped waveform, not the rounded tops of a smooth one."""

from itertools import pairwise

import numpy as np
import pytest

from icpcohort.signals import cells, rules

FS_HZ = 125.0
N = 60 * 125


def _pulses(seed, *, fs_hz=FS_HZ, level=90.0, pulse=50.0):
    """Beats with a steep rise and a falling diastole, that breathing makes unequal."""
    draw = np.random.default_rng(seed)
    starts = np.cumsum(draw.normal(0.8, 0.02, 120))
    t_s = np.arange(round(60 * fs_hz)) / fs_hz
    since = t_s - np.concatenate([[0.0], starts])[np.searchsorted(starts, t_s)]
    rise = 1 / (1 + np.exp(-(since - 0.1) / 0.02))
    shape = rise * np.exp(-(np.maximum(since - 0.1, 0) ** 2) / 0.1) + 0.3 * np.exp(-since)
    return level - 20 + pulse * shape + 0.05 * pulse * np.sin(2 * np.pi * 0.25 * t_s)


def _masked(samples, fs_hz=FS_HZ):
    one = cells.reduce(samples, t_s=0.0, fs_hz=fs_hz)
    return rules.Saturation(signal="abp", margin_s=0.0).flags(one, [])


def _held(samples, fs_hz=FS_HZ):
    one = cells.reduce(samples, t_s=0.0, fs_hz=fs_hz)
    return one.held_low, one.held_high


def _held_by_loop(samples, fs_hz):
    """As the docstring says, a second at a time."""
    n, lows, highs = round(fs_hz), [], []
    for first in range(0, samples.size, n):
        own = samples[first : first + n].tolist()
        steps = [abs(b - a) for a, b in pairwise(own) if a != b]
        held = set()
        i = 1
        while i < len(own):
            k = i
            while k < len(own) and own[k] == own[i]:
                k += 1
            m = k - i
            b = max(1, m // 5) if own[i] == max(own) else 1
            most = 1 + 4 * b / m + 4 * b**2 / m**2
            if (
                m >= (3 if own[i] == max(own) else 5)
                and i >= b
                and abs(own[i] - own[i - b]) > most * min(steps)
            ):
                held.add(own[i])
            i = k
        lows.append(min(own) in held)
        highs.append(max(own) in held)
    return lows, highs


@pytest.mark.parametrize("step_mmhg", [0.1, 0.8, 1.0])
@pytest.mark.parametrize("clip", [None, (None, 105.0), (75.0, None)])
def test_held_extremes_agree_with_a_plain_loop(step_mmhg, clip):
    samples = np.round(_pulses(3) / step_mmhg) * step_mmhg
    if clip is not None:
        samples = np.clip(samples, *clip)
    low, high = _held(samples)
    expected = _held_by_loop(samples, FS_HZ)
    assert (low.tolist(), high.tolist()) == expected


@pytest.mark.parametrize("step_mmhg", [0.001, 0.1, 0.5])
def test_a_clipped_systole_is_masked(step_mmhg):
    samples = np.minimum(np.round(_pulses(1) / step_mmhg) * step_mmhg, 105.0)
    assert _masked(samples).mean() > 0.95


@pytest.mark.parametrize("step_mmhg", [0.001, 0.1])
def test_a_clipped_diastole_is_masked_where_steps_are_fine(step_mmhg):
    samples = np.maximum(np.round(_pulses(1) / step_mmhg) * step_mmhg, 85.0)
    assert _masked(samples).mean() > 0.95


@pytest.mark.parametrize("step_mmhg", [0.05, 0.1, 0.5, 0.8, 1.0, 2.0])
@pytest.mark.parametrize("fs_hz", [50.0, 125.0, 500.0])
def test_coarse_rounding_is_not_taken_for_clipping(fs_hz, step_mmhg):
    """Record 3234460 of MIMIC II has steps of 0.8 mmHg; ICP is often exported in steps of 1."""
    for level, pulse in ((90.0, 50.0), (12.0, 4.0)):
        samples = np.round(_pulses(2, fs_hz=fs_hz, level=level, pulse=pulse) / step_mmhg)
        assert not _masked(samples * step_mmhg, fs_hz).any()


def test_a_gap_in_the_readings_holds_nothing():
    samples = _pulses(4)
    samples[1000:2000] = np.nan
    low, high = _held(samples)
    assert not low.any()
    assert not high.any()
