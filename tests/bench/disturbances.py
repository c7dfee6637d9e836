"""Disturbances: what recordings of life hold beside the artefacts of the simulated cohort.

All values are invented, after what monitors show.
"""

import numpy as np
from scipy.ndimage import uniform_filter1d

_KPA_PER_MMHG = 0.133322


def disturb(draw, samples_mmhg, signal, kind, rows, *, fs_hz):
    """Write one disturbance into the samples of "icp" and "abp" [mmHg], in place."""
    clean = samples_mmhg[signal][rows].copy()
    n, t_s = clean.size, np.arange(clean.size) / fs_hz
    noise = draw.normal(size=n)
    if kind == "cough":
        bouts = _coughs(draw, t_s)
        samples_mmhg["icp"][rows] += draw.uniform(15, 40) * bouts
        samples_mmhg["abp"][rows] += 15 * bouts
        return
    samples_mmhg[signal][rows] = {
        "loose_cable": _loose_cable,
        "short_hold": _hold,
        "hold": _hold,
        "repeat": _repeat,
        "short_spike": _spike,
        "long_spike": _spike,
        "movement": _movement,
        "noise": _noise,
        "noisy_zeroing": _noisy_zeroing,
        "zero_line": _zero_line,
        "height": _height,
        "other_unit": _other_unit,
        "drain": _drain,
        "drift": _drift,
    }[kind](draw, clean, noise, t_s)
    if kind == "repeat":  # the buffer just before, written once more; whole tenths of a second
        n = int(n / fs_hz * 10) * round(fs_hz / 10)
        start = rows.start
        samples_mmhg[signal][rows] = clean
        samples_mmhg[signal][start : start + n] = samples_mmhg[signal][start - n : start]


def _coughs(draw, t_s):
    """Return single coughs of 0.3 to 0.5 s, about one a second, of height 1."""
    pressure, at_s = np.zeros(t_s.size), 0.0
    while at_s < t_s[-1]:
        length_s = draw.uniform(0.3, 0.5)
        inside = (t_s >= at_s) & (t_s < at_s + length_s)
        pressure[inside] = np.sin(np.pi * (t_s[inside] - at_s) / length_s)
        at_s += length_s + draw.uniform(0.2, 1.0)
    return pressure


def _loose_cable(draw, clean, noise, t_s):
    """Off and on again, each for 0.2 to 2 s; off: at one level far away, with noise."""
    values, at_s, is_off = clean.copy(), 0.0, True
    level = draw.choice([-8.0, 45.0, 80.0])
    while at_s < t_s[-1]:
        length_s = draw.uniform(0.2, 2.0)
        inside = (t_s >= at_s) & (t_s < at_s + length_s)
        if is_off:
            values[inside] = level + noise[inside]
        at_s, is_off = at_s + length_s, not is_off
    return values


def _hold(_draw, clean, _noise, _t_s):
    return np.full(clean.size, clean[0])


def _repeat(_draw, clean, _noise, _t_s):
    return clean


def _spike(draw, clean, _noise, _t_s):
    return clean + draw.choice([-1.0, 1.0]) * draw.uniform(15, 60)


def _movement(_draw, clean, noise, t_s):
    """Irregular, mostly below 3 Hz, with a standard deviation of 4 mmHg."""
    wide = max(1, round(0.15 / (t_s[1] - t_s[0])))
    irregular = uniform_filter1d(noise, wide)
    return clean + 4 * irregular / irregular.std()


def _noise(draw, clean, noise, _t_s):
    return clean.mean() + draw.uniform(0.8, 3.0) * noise


def _noisy_zeroing(draw, _clean, noise, _t_s):
    return draw.uniform(0.8, 3.0) * noise


def _zero_line(_draw, clean, _noise, _t_s):
    return np.zeros(clean.size)


def _height(draw, clean, _noise, _t_s):
    """The transducer hangs 10 cm higher or lower."""
    return clean + draw.choice([-7.4, 7.4])


def _other_unit(_draw, clean, _noise, _t_s):
    return clean * _KPA_PER_MMHG


def _drain(draw, clean, noise, _t_s):
    """An open drain: near the height of its chamber, with a part of the pulse."""
    pulse = clean - clean.mean()
    return draw.uniform(5, 11) + draw.uniform(0.15, 0.4) * pulse + 0.1 * noise


def _drift(draw, clean, _noise, t_s):
    """6 mmHg away and back, slowly."""
    return clean + draw.choice([-6.0, 6.0]) * (1 - np.abs(2 * t_s / t_s[-1] - 1))
