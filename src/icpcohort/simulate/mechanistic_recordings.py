"""Mechanistic recordings: ICP and ABP of the model of cerebral haemodynamics, with its truth.

Only ABP and volumes from outside are drawn by chance. How ICP answers is left to the model, so
nothing here knows a correlation, an optimal CPP or a limit of autoregulation.
"""

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.simulate import cerebral_haemodynamics as haemodynamics
from icpcohort.simulate import pulses
from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics
from icpcohort.simulate.physiology import SLOW_BAND_HZ, Floats, band_noise, draw_wander

STEP_HZ = 2.0
LEAST_GAIN_OF_A_TUBE = 1.0
_WANDER_SPANS_H = ((1.8, 3.0), (3.0, 6.0), (8.0, 16.0))
_BREATH_ML = 0.5
_HEART_VARIABILITY = 0.02


@dataclass(frozen=True)
class Drive:
    """What moves a patient from outside. All values are our own choice.

    Attributes
    ----------
    abp_level_mmhg : float or (n_patients,), mmHg
    abp_wander_mmhg : three amplitudes [mmHg]
        Sines with periods of about 2, 4 and 11 h.
    abp_slow_sd_mmhg : float, mmHg
        Slow waves of 0.005 to 0.05 Hz.
    other_volume_sd_ml : float, ml
        Slow waves of volume in the skull that is not arterial blood, in the same band and
        independent of ABP: without them every PRx would be near -1 or 1.
    """

    abp_level_mmhg: float | Floats = 95.0
    abp_wander_mmhg: tuple[float, float, float] = (6.0, 6.0, 4.0)
    abp_slow_sd_mmhg: float = 4.0
    other_volume_sd_ml: float = 0.2


@dataclass(frozen=True)
class Beat:
    """Heart and breath of a recording with pulse. All values are our own choice.

    `arterial_share` is the share of arterial compliance that a beat fills: the model's
    compliance is one of minutes, and all of it would make an ICP pulse of 7 mmHg at 10.
    """

    heart_rate_per_min: float = 78.0
    resp_rate_per_min: float = 15.0
    pulse_pressure_mmhg: float = 50.0
    arterial_share: float = 0.4


class Slow(NamedTuple):
    """Pressures without pulse at `STEP_HZ`, each (n_patients, n_samples)."""

    abp_mmhg: Floats
    course: haemodynamics.Course


class Driven(NamedTuple):
    """What a drive makes at `STEP_HZ`, each (n_patients, n_samples)."""

    abp_mmhg: Floats
    other_ml: Floats


def draw_driven(
    rng: np.random.Generator, *, n_patients: int, duration_s: float, drive: Drive
) -> Driven:
    """Draw ABP and other volume for `n_patients`, each by chance of its own."""
    n = round(duration_s * STEP_HZ)
    t_s = np.arange(n) / STEP_HZ
    abp = np.zeros((n_patients, n)) + np.atleast_1d(drive.abp_level_mmhg)[:, None]
    other_ml = np.zeros_like(abp)
    for row in range(n_patients):
        wander = draw_wander(
            rng, spans_h=_WANDER_SPANS_H, amplitudes_mmhg=drive.abp_wander_mmhg
        )
        abp[row] += wander.at(t_s)
        for track, sd in ((abp, drive.abp_slow_sd_mmhg), (other_ml, drive.other_volume_sd_ml)):
            track[row] += sd * band_noise(rng, n=n, fs_hz=STEP_HZ, band_hz=SLOW_BAND_HZ)
    return Driven(abp, other_ml)


def slow_pressures(
    rng: np.random.Generator,
    patients: Haemodynamics,
    *,
    n_patients: int,
    duration_s: float,
    drive: Drive,
) -> Slow:
    """Return ABP and the model's answer for `n_patients`, each with a drive of its own."""
    return answer(
        patients, draw_driven(rng, n_patients=n_patients, duration_s=duration_s, drive=drive)
    )


def answer(patients: Haemodynamics, driven: Driven) -> Slow:
    """Return how patients answer to what drives them, one row each."""
    course = haemodynamics.integrate(
        patients, driven.abp_mmhg, fs_hz=STEP_HZ, added_ml=driven.other_ml
    )
    return Slow(driven.abp_mmhg, course)


def means(slow: Slow, *, interval_s: float) -> dict[str, Floats]:
    """Return `{"icp", "abp"}` as means of `interval_s`, each (n_patients, n_means) mmHg."""
    n = round(interval_s * STEP_HZ)
    pressures = {"icp": slow.course.icp_mmhg, "abp": slow.abp_mmhg}
    return {
        signal: values[:, : values.shape[1] // n * n]
        .reshape(values.shape[0], -1, n)
        .mean(axis=2)
        for signal, values in pressures.items()
    }


def waveforms(
    rng: np.random.Generator,
    patient: Haemodynamics,
    *,
    duration_s: float,
    fs_hz: float,
    drive: Drive,
    beat: Beat,
) -> dict[str, NDArray[np.float32]]:
    """Return `{"icp", "abp"}` of one patient with beats and breaths, each (n_samples,) mmHg.

    The model's slow course is kept; a beat fills `beat.arterial_share` of the compliance of
    that moment at once, and a breath moves half a millilitre. So the height of the ICP pulse
    is the model's: it grows with ICP and with dilated arteries. Its shape is not: a model of
    two states has no wave of its own, its pulse is that of ABP, a little bent by the
    pressure-volume curve, and says nothing of P1, P2 and P3.
    """
    n_s = int(duration_s)
    slow = slow_pressures(rng, patient, n_patients=1, duration_s=n_s, drive=drive)
    beats = _beats(rng, beat, n_s=n_s)
    track = means(slow, interval_s=1.0)["abp"][0]
    wave = pulses.abp_waveform(track, beats, part=slice(0, n_s), fs_hz=fs_hz).astype(np.float64)
    t_s = np.arange(wave.size) / fs_hz
    step_s = np.arange(slow.abp_mmhg.shape[1]) / STEP_HZ
    abp, icp, compliance = (
        np.interp(t_s, step_s, values[0])
        for values in (
            slow.abp_mmhg,
            slow.course.icp_mmhg,
            slow.course.compliance_ml_per_mmhg,
        )
    )
    other_ml = np.log(icp) / patient.elastance_per_ml - compliance * (abp - icp)
    breaths = np.interp(t_s, np.arange(n_s + 1), beats.breath_phase)
    other_ml += _BREATH_ML * np.sin(2 * np.pi * breaths)
    filled = abp + beat.arterial_share * (wave - abp)
    pulsing = haemodynamics.icp_of_volume(patient, compliance, other_ml, filled)
    return {"icp": pulsing.astype(np.float32), "abp": wave.astype(np.float32)}


def _beats(rng: np.random.Generator, beat: Beat, *, n_s: int) -> pulses.Beats:
    """Return heart and breath; what the ICP pulse needs elsewhere is not used here."""
    vary = _HEART_VARIABILITY * band_noise(rng, n=n_s, fs_hz=1.0, band_hz=(0.004, 0.15))
    heart_hz = beat.heart_rate_per_min / 60 * (1 + vary)
    breath_hz = np.full(n_s, beat.resp_rate_per_min / 60)
    unused = np.zeros(n_s)
    return pulses.Beats(
        np.concatenate([[0.0], np.cumsum(heart_hz)]),
        np.concatenate([[0.0], np.cumsum(breath_hz)]),
        unused,
        unused,
        beat.pulse_pressure_mmhg,
    )


class Autoregulation(NamedTuple):
    """The truth of each patient, (n_patients,) mmHg of CPP; NaN without autoregulation."""

    lower_limit_mmhg: Floats
    middle_mmhg: Floats
    upper_limit_mmhg: Floats


def true_autoregulation(patients: Haemodynamics) -> Autoregulation:
    """Return where the model regulates: flow changes less than in a rigid tube.

    The middle is the CPP at which flow changes least (static gain at its lowest); the limits
    are where the static gain crosses 1 on either side of it.
    """
    abp = np.arange(25.0, 200.0, 0.5)
    cpp, gain = haemodynamics.static_gain(patients, abp)
    rows = np.arange(gain.shape[0])
    lowest = gain.argmin(axis=1)
    regulates = gain[rows, lowest] < LEAST_GAIN_OF_A_TUBE
    column = np.arange(gain.shape[1])
    outside = gain >= LEAST_GAIN_OF_A_TUBE
    below = np.where(outside & (column < lowest[:, None]), cpp, -np.inf).max(axis=1)
    above = np.where(outside & (column > lowest[:, None]), cpp, np.inf).min(axis=1)
    return Autoregulation(
        *(np.where(regulates, values, np.nan) for values in (below, cpp[rows, lowest], above))
    )


def patient_of(patients: Haemodynamics, row: int) -> Haemodynamics:
    """Return one of many patients, its parameters as plain numbers."""
    values = {f.name: np.atleast_1d(getattr(patients, f.name)) for f in fields(patients)}
    return Haemodynamics(**{k: float(v[min(row, v.size - 1)]) for k, v in values.items()})
