"""Minute means of one patient: ICP, MAP, PbtO2 and end-tidal CO2, with a known optimum.

The slow CPP wanders around the patient's optimum, at a distance d. MAP has waves a(t) with
periods of minutes; those of ICP and of PbtO2 follow them as far as autoregulation fails:

    ICP wave   = sd_icp (rho a + sqrt(1 - rho^2) e1),    rho = rho_min + k d^2, within +-0.9
    PbtO2 wave = sd_o2 (p c + sqrt(1 - p^2) e2),         p = 0.08 max(|d| - 6, 0), up to 0.85

c is the CPP wave divided by its SD. Beyond 8 mmHg from the optimum the level of PbtO2 follows
CPP too. So moving correlations of minute means tell of the truth: that of ICP and MAP is a U
with its lowest point at the optimum, that of PbtO2 and CPP is near zero there and rises to
both sides.

Source: invented; the plateau of autoregulation and its two limits as in Lassen 1959 (from
memory).
"""

from dataclasses import dataclass

import numpy as np

from icpcohort.simulate.physiology import RHO_LIMIT, Floats, Wander, band_noise, draw_wander
from icpcohort.simulate.sah.covariates import PBTO2_THRESHOLD_MMHG

MINUTE_S = 60.0
HORIZON_S = 72 * 3600.0
_WAVE_BAND_HZ = (1 / 900, 1 / 150)  # periods of 2.5 to 15 min
_AUTOREGULATED_MMHG, _O2_COUPLED_FROM_MMHG = 8.0, 6.0
_O2_COUPLING_PER_MMHG, _O2_COUPLING_MOST = 0.08, 0.85
_O2_LEVEL_PER_MMHG = 0.30
_O2_LOWEST_MMHG, _O2_LEVELS_MMHG = 0.5, (-20.0, 90.0)


@dataclass(frozen=True)
class Brain:
    """What is true of one patient."""

    icp_level_mmhg: float
    cppopt_mmhg: float
    cpp_off_mmhg: float  # level of CPP above the optimum
    rho_min: float
    k_per_mmhg2: float
    cpp_wander: Wander
    icp_wander: Wander
    o2_wander: Wander
    co2_wander: Wander
    icp_wave_sd_mmhg: float
    map_wave_sd_mmhg: float
    o2_wave_sd_mmhg: float
    co2_level_mmhg: float


@dataclass(frozen=True)
class Tracks:
    """Clean minute means [mmHg]; entry i is of the minute from 60 i s after the start on."""

    icp: Floats
    map: Floats
    pbto2: Floats
    etco2: Floats
    rho: Floats  # true correlation of the waves of ICP and MAP
    o2_coupling: Floats  # true correlation of the waves of PbtO2 and CPP


def draw_brain(rng: np.random.Generator) -> Brain:
    """Draw one patient."""
    rho_min = float(rng.uniform(-0.25, 0.05))
    return Brain(
        icp_level_mmhg=float(rng.uniform(8, 18)),
        cppopt_mmhg=float(rng.uniform(68, 88)),
        cpp_off_mmhg=float(rng.uniform(-3, 3)),
        rho_min=rho_min,
        k_per_mmhg2=float((rng.uniform(0.60, 0.85) - rho_min) / 12**2),
        cpp_wander=draw_wander(
            rng, spans_h=((2.5, 4), (4.5, 8), (10, 18)), amplitudes_mmhg=(6.0, 6.0, 3.5)
        ),
        icp_wander=draw_wander(rng, spans_h=((3, 6), (8, 16)), amplitudes_mmhg=(0.8, 1.5)),
        o2_wander=draw_wander(rng, spans_h=((3, 7), (9, 20)), amplitudes_mmhg=(1.5, 2.5)),
        co2_wander=draw_wander(rng, spans_h=((2, 5), (6, 14)), amplitudes_mmhg=(1.0, 1.5)),
        icp_wave_sd_mmhg=float(rng.uniform(1.4, 2.0)),
        map_wave_sd_mmhg=float(rng.uniform(4.2, 5.2)),
        o2_wave_sd_mmhg=float(rng.uniform(1.2, 1.8)),
        co2_level_mmhg=float(rng.uniform(33, 39)),
    )


def simulate_tracks(
    rng: np.random.Generator,
    brain: Brain,
    *,
    start_s: float,
    n_minutes: int,
    dose_mmhg: float,
) -> Tracks:
    """Return the clean minutes from `start_s` since time zero.

    The level of PbtO2 is such that its dose below 20 mmHg over the minutes before 72 h is
    `dose_mmhg`, above zero [mmHg h per h]; there must be such minutes.
    """
    t_s = start_s + MINUTE_S * (np.arange(n_minutes, dtype=np.float64) + 0.5)
    off_mmhg = brain.cpp_off_mmhg + brain.cpp_wander.at(t_s)
    rho = np.clip(brain.rho_min + brain.k_per_mmhg2 * off_mmhg**2, -RHO_LIMIT, RHO_LIMIT)
    a, e1, e2 = (
        band_noise(rng, n=n_minutes, fs_hz=1 / MINUTE_S, band_hz=_WAVE_BAND_HZ)
        for _ in range(3)
    )
    icp_wave = brain.icp_wave_sd_mmhg * (rho * a + np.sqrt(1 - rho**2) * e1)
    map_wave = brain.map_wave_sd_mmhg * a
    icp_slow = brain.icp_level_mmhg + brain.icp_wander.at(t_s)
    pbto2, coupling = _oxygen(
        brain, t_s, off_mmhg, cpp_wave=map_wave - icp_wave, rho=rho, noise=e2
    )
    level = _level_for_dose(pbto2[t_s < HORIZON_S], dose_mmhg=dose_mmhg)
    return Tracks(
        icp=icp_slow + icp_wave,
        map=brain.cppopt_mmhg + off_mmhg + icp_slow + map_wave,
        pbto2=_floored(pbto2 + level),
        etco2=brain.co2_level_mmhg
        + brain.co2_wander.at(t_s)
        + 0.4 * rng.standard_normal(n_minutes),
        rho=rho,
        o2_coupling=coupling,
    )


def _oxygen(
    brain: Brain,
    t_s: Floats,
    off_mmhg: Floats,
    *,
    cpp_wave: Floats,
    rho: Floats,
    noise: Floats,
) -> tuple[Floats, Floats]:
    """Return PbtO2 without its level, and the true correlation of its waves with CPP's."""
    distance = np.abs(off_mmhg)
    coupling = np.clip(
        _O2_COUPLING_PER_MMHG * (distance - _O2_COUPLED_FROM_MMHG), 0, _O2_COUPLING_MOST
    )
    of_map, of_icp = brain.map_wave_sd_mmhg, brain.icp_wave_sd_mmhg
    cpp_wave_sd = np.sqrt(of_map**2 + of_icp**2 - 2 * rho * of_map * of_icp)
    wave = coupling * cpp_wave / cpp_wave_sd + np.sqrt(1 - coupling**2) * noise
    outside = np.sign(off_mmhg) * np.clip(distance - _AUTOREGULATED_MMHG, 0, None)
    slow = _O2_LEVEL_PER_MMHG * outside + brain.o2_wander.at(t_s)
    return slow + brain.o2_wave_sd_mmhg * wave, np.asarray(coupling)


def _floored(pbto2_mmhg: Floats) -> Floats:
    return np.maximum(pbto2_mmhg, _O2_LOWEST_MMHG)


def dose_below(pbto2_mmhg: Floats) -> float:
    """Return the mean excess of 20 mmHg over PbtO2 [mmHg h per h]."""
    return float(np.clip(PBTO2_THRESHOLD_MMHG - pbto2_mmhg, 0, None).mean())


def _level_for_dose(pbto2_mmhg: Floats, *, dose_mmhg: float) -> float:
    """Return the level at which these minutes have the dose, by bisection."""
    low, high = _O2_LEVELS_MMHG
    for _ in range(60):
        middle = (low + high) / 2
        if dose_below(_floored(pbto2_mmhg + middle)) > dose_mmhg:
            low = middle
        else:
            high = middle
    return (low + high) / 2
