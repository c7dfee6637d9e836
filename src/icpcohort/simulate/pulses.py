"""Pulses: heart beats and breaths on top of the slow pressures, at the waveform's rate."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icpcohort.simulate.physiology import Floats, Physiology, Tracks, band_noise

_N_PHASES = 4096
_HEART_VARIABILITY = 0.02
_BREATH_ICP_MMHG, _BREATH_ABP_MMHG = 0.8, 2.5
_AMPLITUDE_AT_ZERO_MMHG, _AMPLITUDE_PER_MMHG = 0.5, 0.09
_DRAINED_PULSE_FRACTION = 0.4


def _bump(centre: float, width: float) -> Floats:
    """A smooth bump of height 1 on the phase circle, its mean taken off."""
    phase = np.arange(_N_PHASES) / _N_PHASES
    distance = (phase - centre + 0.5) % 1.0 - 0.5
    bump = np.exp(-0.5 * (distance / width) ** 2)
    return np.asarray(bump - bump.mean())


def _fundamental(shape: Floats) -> complex:
    """Complex amplitude (zero to peak) of the first harmonic of one beat."""
    return complex(2 * np.fft.rfft(shape)[1] / shape.size)


_CENTRES = (0.16, 0.34, 0.56)
_P1, _P2, _P3 = (
    _bump(_CENTRES[0], 0.045),
    _bump(_CENTRES[1], 0.065),
    0.45 * _bump(_CENTRES[2], 0.08),
)
_ABP_RAW = _bump(0.20, 0.075) + 0.55 * _bump(0.38, 0.11) + 0.22 * _bump(0.60, 0.05)
_ABP = _ABP_RAW / np.ptp(_ABP_RAW)
_ECG = 1.0 * _bump(0.05, 0.008) + 0.25 * _bump(0.30, 0.04)


@dataclass(frozen=True)
class Beats:
    """What the pulses need, once a second over the tracks' time; knots at each second."""

    heart_phase: Floats  # beats since the start, n + 1 knots at whole seconds
    breath_phase: Floats
    amplitude_mmhg: Floats  # fundamental of the ICP pulse, zero to peak, n seconds
    p2_over_p1: Floats
    pulse_pressure_mmhg: float


def simulate_beats(rng: np.random.Generator, physiology: Physiology, tracks: Tracks) -> Beats:
    """Return heart and breath phases and the pulse's shape; both grow with the clean ICP."""
    n_s = tracks.icp_mmhg.size
    vary = _HEART_VARIABILITY * band_noise(rng, n=n_s, fs_hz=1.0, band_hz=(0.004, 0.15))
    heart_hz = physiology.heart_rate_per_min / 60 * (1 + vary)
    breath_hz = np.full(n_s, physiology.resp_rate_per_min / 60)
    return Beats(
        heart_phase=np.concatenate([[0.0], np.cumsum(heart_hz)]),
        breath_phase=np.concatenate([[0.0], np.cumsum(breath_hz)]),
        amplitude_mmhg=pulse_amplitude_mmhg(tracks.icp_mmhg),
        p2_over_p1=bump_ratio(tracks.icp_mmhg),
        pulse_pressure_mmhg=physiology.pulse_pressure_mmhg,
    )


def bump_ratio(icp_mmhg: Floats) -> Floats:
    """Return the size of the second bump over that of the first; it grows with ICP.

    Source: invented; P2 above P1 is a sign of reduced compliance (common practice).
    """
    return np.clip(0.55 + 0.03 * (icp_mmhg - 8), 0.5, 1.7)


def peak_heights(ratio: Floats) -> Floats:
    """Return the true heights of P1, P2 and P3 for bumps of a `ratio`, (3, n) bump sizes.

    The clean pulse at the centre of each bump above the pulse at its lowest, since the
    flanks of the neighbours add to a bump.
    """
    shape = (_P1 + _P3) + ratio[:, None] * _P2
    at = [round(centre * _N_PHASES) for centre in _CENTRES]
    return np.asarray((shape[:, at] - shape.min(axis=1, keepdims=True)).T)


def pulse_amplitude_mmhg(icp_mmhg: Floats) -> Floats:
    """Return the true amplitude (zero to peak) of the ICP pulse's fundamental.

    0.5 + 0.09 * ICP. Source: invented; linear as in the exponential part of the
    pressure-volume curve (common practice).
    """
    return _AMPLITUDE_AT_ZERO_MMHG + _AMPLITUDE_PER_MMHG * np.clip(icp_mmhg, 0, None)


def icp_waveform(
    icp_mmhg: Floats, beats: Beats, *, drained: Floats, part: slice, fs_hz: float
) -> NDArray[np.float32]:
    """Return the ICP with pulse and breath over the seconds `part`, at `fs_hz`.

    `icp_mmhg` and `drained` are tracks, one entry per second. P2 / P1 of the pulse follows
    `beats.p2_over_p1`, and its three bumps are scaled so that the fundamental has the
    amplitude of `beats.amplitude_mmhg`, less while the drain is open.
    """
    c1, c2, c3 = _fundamental(_P1), _fundamental(_P2), _fundamental(_P3)
    size = beats.amplitude_mmhg / np.abs(c1 + beats.p2_over_p1 * c2 + c3)
    size = size * (1 - (1 - _DRAINED_PULSE_FRACTION) * drained)
    t_s = _times(part, fs_hz)
    phase = _phase_index(t_s, beats.heart_phase)
    samples = _middle(t_s, icp_mmhg)
    samples += _middle(t_s, size) * (_P1 + _P3)[phase]
    samples += _middle(t_s, size * beats.p2_over_p1) * _P2[phase]
    samples += _BREATH_ICP_MMHG * _breath(t_s, beats)
    return samples.astype(np.float32)


def abp_waveform(
    abp_mmhg: Floats, beats: Beats, *, part: slice, fs_hz: float
) -> NDArray[np.float32]:
    """Return the ABP with pulse, dicrotic notch and breath over the seconds `part`."""
    t_s = _times(part, fs_hz)
    samples = _middle(t_s, abp_mmhg)
    samples += beats.pulse_pressure_mmhg * _ABP[_phase_index(t_s, beats.heart_phase)]
    samples += _BREATH_ABP_MMHG * _breath(t_s, beats)
    return samples.astype(np.float32)


def ecg_waveform(beats: Beats, *, part: slice, fs_hz: float) -> NDArray[np.float32]:
    """Return something like an electrocardiogram [mV]: an extra channel to be passed over."""
    phase = _phase_index(_times(part, fs_hz), beats.heart_phase)
    return np.asarray(_ECG[phase], dtype=np.float32)


def _times(part: slice, fs_hz: float) -> Floats:
    """Sample times in seconds since the tracks' start."""
    n = round((part.stop - part.start) * fs_hz)
    return np.asarray(np.arange(n) / fs_hz + part.start)


def _middle(t_s: Floats, track: Floats) -> Floats:
    """A track's value at each time; entry i of the track belongs to the middle of second i."""
    first = max(0, int(t_s[0]) - 2)
    last = min(track.size, int(t_s[-1]) + 3)
    return np.asarray(np.interp(t_s, np.arange(first, last) + 0.5, track[first:last]))


def _phase_index(t_s: Floats, knots: Floats) -> NDArray[np.int64]:
    first, last = int(t_s[0]), min(knots.size, int(t_s[-1]) + 2)
    phase = np.interp(t_s, np.arange(first, last), knots[first:last])
    return (phase * _N_PHASES).astype(np.int64) % _N_PHASES


def _breath(t_s: Floats, beats: Beats) -> Floats:
    first, last = int(t_s[0]), min(beats.breath_phase.size, int(t_s[-1]) + 2)
    phase = np.interp(t_s, np.arange(first, last), beats.breath_phase[first:last])
    return np.asarray(np.sin(2 * np.pi * phase))
