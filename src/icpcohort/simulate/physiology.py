"""Physiology: slow pressures of one patient once a second, with a known reactivity.

The ABP has slow waves a(t). The ICP's slow waves follow them as
    s(t) = sd_icp * (rho(t) * a(t) / sd_abp + sqrt(1 - rho(t)^2) * e(t)),
with e(t) independent of a(t) in the same band and of unit variance. So the correlation of
the two at any moment is rho(t), a known function of the slowly wandering CPP:
    rho = clip(rho_min + k * (cpp_slow - cppopt)^2, -0.9, 0.9).
Where it is steeper below, k is larger there by the root of `steeper_below`, and smaller above
by as much; where its floor is flat, the distance counts from the ends of the floor.
"""

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SLOW_BAND_HZ = (0.005, 0.05)
RHO_LIMIT = 0.9
_PRESSOR_FRACTION = 0.2
_CRANIECTOMY_FALL_S = 1800.0
_DRAIN_SETTLING_S = 120.0


@dataclass(frozen=True)
class Wander:
    """A sum of sines: a level that moves over hours and never leaves its bounds."""

    amplitudes_mmhg: tuple[float, ...]
    periods_s: tuple[float, ...]
    phases_rad: tuple[float, ...]

    def at(self, t_s: Floats) -> Floats:
        """Return the deviation from the level [mmHg] at the times `t_s`."""
        total = np.zeros_like(t_s)
        for amplitude, period_s, phase in zip(
            self.amplitudes_mmhg, self.periods_s, self.phases_rad, strict=True
        ):
            total += amplitude * np.sin(2 * np.pi * t_s / period_s + phase)
        return total


@dataclass(frozen=True)
class Plateau:
    """One plateau wave of the ICP. Times since time zero."""

    start_s: float
    rise_s: float
    top_s: float
    fall_s: float
    height_mmhg: float


@dataclass(frozen=True)
class Physiology:
    """What is true of one patient. Times since time zero."""

    icp_level_mmhg: float
    cpp_level_mmhg: float
    icp_wander: Wander
    cpp_wander: Wander
    icp_slow_sd_mmhg: float
    abp_slow_sd_mmhg: float
    cppopt_mmhg: float | None  # null: no optimum, rho is `rho_min` throughout
    rho_min: float
    k_per_mmhg2: float
    plateaus: tuple[Plateau, ...]
    craniectomy_s: float | None
    craniectomy_fall_mmhg: float
    heart_rate_per_min: float
    resp_rate_per_min: float
    pulse_pressure_mmhg: float
    steeper_below: float = 1.0  # k below the optimum / k above
    flat_mmhg: float = 0.0  # width of a flat floor, in its middle the optimum


@dataclass(frozen=True)
class Tracks:
    """Clean pressures without pulse and breath: entry i is the mean of second i."""

    start_s: float  # since time zero
    icp_mmhg: Floats
    abp_mmhg: Floats
    cpp_slow_mmhg: Floats
    rho: Floats

    def part(self, *, start_s: float, duration_s: float) -> slice:
        """Return the entries of the stretch that begins at `start_s` since time zero."""
        first = round(start_s - self.start_s)
        return slice(first, first + round(duration_s))


def draw_physiology(
    rng: np.random.Generator,
    *,
    start_s: float,
    end_s: float,
    n_unreactive_pupils: int,
    has_optimum: bool,
    has_plateaus: bool,
    craniectomy_s: float | None,
) -> Physiology:
    """Draw one patient. Levels are those of the time between `start_s` and `end_s`.

    More unreactive pupils shift the ICP level up (a confounder of dose and outcome).
    """
    share = rng.beta(1.3, 1.6)
    icp_mmhg = min(26.0, 8 + 18 * share + 1.0 * n_unreactive_pupils)
    cpp_mmhg = rng.uniform(66, 82)
    cppopt_mmhg, k_per_mmhg2 = None, 0.0
    rho_min = rng.uniform(-0.30, 0.05) if has_optimum else rng.uniform(0.0, 0.5)
    if has_optimum:
        cppopt_mmhg = float(cpp_mmhg + rng.uniform(-3, 3))
        k_per_mmhg2 = float((rng.uniform(0.55, 0.80) - rho_min) / 12**2)
    return Physiology(
        icp_level_mmhg=float(icp_mmhg),
        cpp_level_mmhg=float(cpp_mmhg),
        icp_wander=draw_wander(rng, spans_h=((2, 5), (6, 14)), amplitudes_mmhg=(1.0, 1.5)),
        cpp_wander=draw_wander(
            rng, spans_h=((1.8, 3), (3, 6), (8, 16)), amplitudes_mmhg=(5.5, 5.5, 3.0)
        ),
        icp_slow_sd_mmhg=float(rng.uniform(1.5, 2.2)),
        abp_slow_sd_mmhg=float(rng.uniform(3.6, 4.4)),
        cppopt_mmhg=cppopt_mmhg,
        rho_min=float(rho_min),
        k_per_mmhg2=k_per_mmhg2,
        plateaus=_draw_plateaus(rng, start_s, end_s, icp_mmhg) if has_plateaus else (),
        craniectomy_s=craniectomy_s,
        craniectomy_fall_mmhg=float(min(8.0, icp_mmhg - 4)),
        heart_rate_per_min=float(rng.uniform(62, 108)),
        resp_rate_per_min=float(rng.uniform(12, 20)),
        pulse_pressure_mmhg=float(rng.uniform(42, 66)),
    )


def draw_wander(
    rng: np.random.Generator,
    *,
    spans_h: tuple[tuple[float, float], ...],
    amplitudes_mmhg: tuple[float, ...],
) -> Wander:
    """Draw a wander: one sine per span of periods, amplitudes within 10 % of those stated."""
    return Wander(
        tuple(float(a * rng.uniform(0.9, 1.1)) for a in amplitudes_mmhg),
        tuple(float(3600 * np.exp(rng.uniform(*np.log(span)))) for span in spans_h),
        tuple(float(rng.uniform(0, 2 * np.pi)) for _ in spans_h),
    )


def _draw_plateaus(
    rng: np.random.Generator, start_s: float, end_s: float, icp_mmhg: float
) -> tuple[Plateau, ...]:
    plateaus = []
    t_s = start_s + rng.uniform(0.5, 4) * 3600
    while t_s < end_s - 2400:
        top_mmhg = rng.uniform(35, 60)
        plateau = Plateau(
            float(t_s),
            rise_s=float(rng.uniform(120, 240)),
            top_s=float(rng.uniform(300, 1200)),
            fall_s=float(rng.uniform(90, 180)),
            height_mmhg=float(top_mmhg - icp_mmhg),
        )
        plateaus.append(plateau)
        t_s += rng.uniform(4, 12) * 3600
    return tuple(plateaus)


def band_noise(
    rng: np.random.Generator, *, n: int, fs_hz: float, band_hz: tuple[float, float]
) -> Floats:
    """Return `n` samples of Gaussian noise with a flat spectrum in the band, mean 0, SD 1.

    The SD is that of the process: a sample's own SD differs by chance.
    """
    n_fft = scipy.fft.next_fast_len(n, real=True)
    frequency_hz = scipy.fft.rfftfreq(n_fft, 1 / fs_hz)
    inside = np.flatnonzero((frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1]))
    spectrum = np.zeros(frequency_hz.size, dtype=np.complex128)
    if inside.size:
        draw = rng.standard_normal((2, inside.size))
        spectrum[inside] = (draw[0] + 1j * draw[1]) * n_fft / (2 * np.sqrt(inside.size))
    return np.asarray(scipy.fft.irfft(spectrum, n_fft)[:n], dtype=np.float64)


def rho_of_cpp(cpp_slow_mmhg: Floats, physiology: Physiology) -> Floats:
    """Return the correlation of the slow waves at each slow CPP."""
    if physiology.cppopt_mmhg is None:
        return np.full_like(cpp_slow_mmhg, physiology.rho_min)
    from_optimum_mmhg = cpp_slow_mmhg - physiology.cppopt_mmhg
    distance_mmhg = np.clip(np.abs(from_optimum_mmhg) - physiology.flat_mmhg / 2, 0, None)
    root = physiology.steeper_below**0.5
    k_per_mmhg2 = physiology.k_per_mmhg2 * np.where(from_optimum_mmhg < 0, root, 1 / root)
    rho = physiology.rho_min + k_per_mmhg2 * distance_mmhg**2
    return np.asarray(np.clip(rho, -RHO_LIMIT, RHO_LIMIT))


def simulate_tracks(
    rng: np.random.Generator, physiology: Physiology, *, start_s: float, n_s: int
) -> Tracks:
    """Return the clean pressures of `n_s` seconds from `start_s` since time zero.

    A plateau wave raises the ABP by a fifth of its height (a pressor response), which keeps
    the two pressures moving together while the CPP is low.
    """
    t_s = np.arange(n_s, dtype=np.float64) + (start_s + 0.5)
    plateau_mmhg = _plateaus_at(t_s, physiology.plateaus)
    icp_slow_mmhg = physiology.icp_level_mmhg + physiology.icp_wander.at(t_s)
    cpp_base_mmhg = physiology.cpp_level_mmhg + physiology.cpp_wander.at(t_s)
    abp_slow_mmhg = cpp_base_mmhg + icp_slow_mmhg + _PRESSOR_FRACTION * plateau_mmhg
    icp_slow_mmhg = icp_slow_mmhg + plateau_mmhg
    if physiology.craniectomy_s is not None:
        done = np.clip((t_s - physiology.craniectomy_s) / _CRANIECTOMY_FALL_S, 0, 1)
        icp_slow_mmhg = icp_slow_mmhg - physiology.craniectomy_fall_mmhg * done
    cpp_slow_mmhg = abp_slow_mmhg - icp_slow_mmhg
    rho = rho_of_cpp(cpp_slow_mmhg, physiology)
    abp_wave = band_noise(rng, n=n_s, fs_hz=1.0, band_hz=SLOW_BAND_HZ)
    own_wave = band_noise(rng, n=n_s, fs_hz=1.0, band_hz=SLOW_BAND_HZ)
    icp_wave = rho * abp_wave + np.sqrt(1 - rho**2) * own_wave
    return Tracks(
        start_s=start_s,
        icp_mmhg=icp_slow_mmhg + physiology.icp_slow_sd_mmhg * icp_wave,
        abp_mmhg=abp_slow_mmhg + physiology.abp_slow_sd_mmhg * abp_wave,
        cpp_slow_mmhg=cpp_slow_mmhg,
        rho=rho,
    )


def _plateaus_at(t_s: Floats, plateaus: tuple[Plateau, ...]) -> Floats:
    total_mmhg = np.zeros_like(t_s)
    for wave in plateaus:
        up = _smooth_step((t_s - wave.start_s) / wave.rise_s)
        down = _smooth_step((t_s - wave.start_s - wave.rise_s - wave.top_s) / wave.fall_s)
        total_mmhg += wave.height_mmhg * (up - down)
    return total_mmhg


def _smooth_step(x: Floats) -> Floats:
    x = np.clip(x, 0, 1)
    return np.asarray(x * x * (3 - 2 * x))


def drain_weight(
    *, start_s: float, n_s: int, drains_s: tuple[tuple[float, float], ...]
) -> Floats:
    """Return how far the sensor reads the open drain instead of the brain, 0 to 1.

    One while the drain is open; afterwards it decays with a time constant of 2 min.
    """
    t_s = start_s + np.arange(n_s) + 0.5
    weight = np.zeros(n_s)
    for open_s, closed_s in drains_s:
        weight[(t_s >= open_s) & (t_s < closed_s)] = 1.0
        after = (t_s >= closed_s) & (t_s < closed_s + 10 * _DRAIN_SETTLING_S)
        decay = np.exp(-(t_s[after] - closed_s) / _DRAIN_SETTLING_S)
        weight[after] = np.maximum(weight[after], decay)
    return weight
