"""Artefacts of named kinds: where they lie, and what they do to the samples."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from icpcohort.simulate.physiology import Floats

Samples = NDArray[np.floating[Any]]

_FLUSH_MMHG = 298.0
_RINGING_S = 2.0
_DAMPED_FRACTION = 0.2
_OFF_SCALE_MMHG = 1000.0  # what holds the file clips it
_DRIFT_OFF_MMHG = 45.0
_RARE = ("saturation", "pulse_loss", "drift_off", "ramp", "movement")
_MARGIN_S = 90.0  # between two artefacts of a recording


@dataclass(frozen=True)
class Kind:
    """How often a kind happens and how long it lasts."""

    name: str
    signal: str
    per_h: float
    min_s: int
    max_s: int


@dataclass(frozen=True)
class Artefact:
    """One artefact or missing stretch. Whole seconds since the recording's start."""

    signal: str
    kind: str
    start_s: float
    end_s: float


_WAVEFORM = (
    Kind("flush", "abp", 0.20, 5, 10),
    Kind("sampling", "abp", 0.20, 40, 100),
    Kind("damping", "abp", 0.03, 240, 600),
    Kind("disconnection", "icp", 0.05, 40, 240),
    Kind("spike", "icp", 0.80, 1, 3),
    Kind("zeroing", "icp", 0.05, 20, 60),
    Kind("zeroing", "abp", 0.08, 20, 60),
    Kind("flat", "icp", 0.03, 120, 360),
    Kind("missing", "icp", 0.04, 30, 300),
    Kind("missing", "abp", 0.04, 30, 300),
)
_SECONDS = (
    Kind("flush", "abp", 0.15, 4, 8),
    Kind("sampling", "abp", 0.15, 40, 100),
    Kind("disconnection", "icp", 0.05, 60, 300),
    Kind("spike", "icp", 0.30, 1, 3),
    Kind("zeroing", "icp", 0.03, 20, 60),
    Kind("zeroing", "abp", 0.06, 20, 60),
    Kind("flat", "icp", 0.012, 780, 1500),
    Kind("missing", "icp", 0.03, 60, 600),
    Kind("missing", "abp", 0.03, 60, 600),
)
_TEN_SECONDS = (
    Kind("sampling", "abp", 0.12, 60, 120),
    Kind("disconnection", "icp", 0.04, 120, 480),
    Kind("zeroing", "abp", 0.04, 30, 60),
    Kind("flat", "icp", 0.010, 780, 1500),
    Kind("missing", "icp", 0.03, 120, 900),
    Kind("missing", "abp", 0.03, 120, 900),
)
_MINUTES = (
    Kind("disconnection", "icp", 0.03, 300, 900),
    Kind("missing", "icp", 0.03, 300, 1200),
    Kind("missing", "abp", 0.03, 300, 1200),
)
KINDS = {
    "waveform": _WAVEFORM,
    "seconds": _SECONDS,
    "ten_seconds": _TEN_SECONDS,
    "minutes": _MINUTES,
}


def draw_artefacts(
    rng: np.random.Generator,
    *,
    tier: str,
    duration_s: float,
    avoid_s: tuple[tuple[float, float], ...],
) -> list[Artefact]:
    """Draw the artefacts of one recording, in the order of their start.

    None lies within 90 s of another, of the recording's ends or of an interval of `avoid_s`
    (since the recording's start); one that would is left out.
    """
    drawn: list[Artefact] = []
    taken = [(-np.inf, 0.0), (duration_s, np.inf), *avoid_s]
    for kind in KINDS[tier]:
        for _ in range(rng.poisson(kind.per_h * duration_s / 3600)):
            length_s = int(rng.integers(kind.min_s, kind.max_s + 1))
            start_s = int(rng.integers(0, max(1, int(duration_s) - length_s)))
            end_s = start_s + length_s
            if all(
                end_s + _MARGIN_S <= low or start_s - _MARGIN_S >= high for low, high in taken
            ):
                drawn.append(Artefact(kind.signal, kind.name, float(start_s), float(end_s)))
                taken.append((start_s, end_s))
    return sorted(drawn, key=lambda artefact: artefact.start_s)


def apply_artefacts(
    rng: np.random.Generator,
    samples_mmhg: dict[str, Samples],
    artefacts: list[Artefact],
    *,
    fs_hz: dict[str, float],
) -> None:
    """Write the artefacts into the samples of "icp" and "abp" [mmHg], in place.

    Missing samples become NaN, which the writers turn into what their format has for it.
    """
    for artefact in artefacts:
        rate_hz = fs_hz[artefact.signal]
        span = slice(round(artefact.start_s * rate_hz), round(artefact.end_s * rate_hz))
        samples = samples_mmhg[artefact.signal]
        samples[span] = _distorted(rng, samples[span], artefact.kind, fs_hz=rate_hz)


def _distorted(
    rng: np.random.Generator, clean_mmhg: Samples, kind: str, *, fs_hz: float
) -> Floats:
    n = clean_mmhg.size
    noise = rng.standard_normal(n)
    if kind == "flush":
        return _flush(clean_mmhg, noise, fs_hz=fs_hz)
    if kind == "sampling":
        closed_mmhg = (
            10.0 if rng.random() < 0.5 else float(np.mean(clean_mmhg[: max(1, n // 20)]))
        )
        return closed_mmhg + 0.1 * noise
    if kind == "damping":
        mean_mmhg = uniform_filter1d(np.asarray(clean_mmhg, dtype=np.float64), round(3 * fs_hz))
        return np.asarray(mean_mmhg + _DAMPED_FRACTION * (clean_mmhg - mean_mmhg))
    if kind == "disconnection":
        return np.full(n, float(rng.choice((-45.0, -30.0, 130.0)))) + 0.3 * noise
    if kind == "spike":
        return np.asarray(clean_mmhg + rng.choice((-1.0, 1.0)) * rng.uniform(30, 60))
    if kind == "zeroing":
        return 0.05 * noise
    if kind == "flat":
        return np.full(n, float(clean_mmhg[0]))
    if kind == "missing":
        return np.full(n, np.nan)
    if kind in _RARE:
        return _rare(clean_mmhg, noise, kind, fs_hz=fs_hz)
    raise ValueError(f"artefact kind {kind!r}: not known; known are those in KINDS")


def _rare(clean_mmhg: Samples, noise: Floats, kind: str, *, fs_hz: float) -> Floats:
    """Kinds that the demo cohort does not have; detection is measured on them too."""
    n, t_s = clean_mmhg.size, np.arange(clean_mmhg.size) / fs_hz
    first_mmhg = float(np.mean(clean_mmhg[: max(1, round(fs_hz))]))
    if kind == "saturation":
        return np.full(n, _OFF_SCALE_MMHG)
    if kind == "pulse_loss":  # breath and slow drift stay
        breath = 0.8 * np.sin(2 * np.pi * 0.25 * t_s)
        return np.asarray(first_mmhg + breath + 0.02 * t_s + 0.1 * noise)
    if kind == "drift_off":
        return np.asarray(first_mmhg - _DRIFT_OFF_MMHG * t_s * fs_hz / n + 0.1 * noise)
    if kind == "ramp":  # a closed line, filled by its flush
        return np.asarray(first_mmhg + 0.5 * t_s + 0.1 * noise)
    movement = uniform_filter1d(noise, max(1, round(0.15 * fs_hz)))
    return np.asarray(clean_mmhg + 20 * movement / movement.std())


def _flush(clean_mmhg: Samples, noise: Floats, *, fs_hz: float) -> Floats:
    """Bag pressure, then a ringing return to the pulse."""
    flushed = _FLUSH_MMHG + 0.3 * noise
    n_ring = min(clean_mmhg.size // 2, round(_RINGING_S * fs_hz))
    if n_ring:
        t_s = np.arange(n_ring) / fs_hz
        ring = 60 * np.exp(-t_s / 0.25) * np.cos(2 * np.pi * 9 * t_s)
        flushed[-n_ring:] = clean_mmhg[-n_ring:] + ring
    return np.asarray(flushed)
