"""The plain way: the same outputs with wfdb, pandas and scipy, as many would write it.

Whatever these libraries do for a whole recording at once is left to them. None has CPPopt: that
is a loop over minutes and windows, with the bins of a window from a data frame, or, for whoever
has seen how slow that is, from arrays.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pandas as pd
import wfdb
from scipy import signal

LIMITS_MMHG = {"icp": (-10, 100), "abp": (20, 300)}
FLAT = {"icp": (30, 0.1), "abp": (10, 1.0)}  # seconds, mmHg
STEP_MMHG = {"icp": 15, "abp": 40}
BAND_HZ = (0.67, 3.0)
EDGES_MMHG = np.arange(40, 121, 5)
CENTRES_MMHG = EDGES_MMHG[:-1] + 2.5
WINDOWS_MIN = range(120, 480, 10)
ICP_ABOVE_MMHG = (18, 20, 22, 25)
CPP_BELOW_MMHG = (50, 60, 70)
Curve = tuple[np.ndarray, np.ndarray, np.ndarray]


class Outputs(NamedTuple):
    """10-s blocks, minutes, and a row of burden for each threshold."""

    blocks: pd.DataFrame
    minutes: pd.DataFrame
    burden: pd.DataFrame


def compute(record: str, *, careful: bool) -> Outputs:
    """Compute everything for a two-channel WFDB record, ICP first; `careful`: see above."""
    samples, fs_hz = read(record)
    blocks = blocks_of(valid_seconds(samples, fs_hz))
    blocks["amp"] = amplitudes(samples["icp"].to_numpy(), fs_hz).where(blocks.pop("whole"))
    del samples
    minutes = indices(blocks)
    curve = curve_by_numpy if careful else curve_by_pandas
    minutes["cppopt"] = cppopt(minutes, curve=curve)
    return Outputs(blocks, minutes, burden(minutes))


def read(record: str) -> tuple[pd.DataFrame, int]:
    """Return all samples [mmHg] and their rate."""
    signals = wfdb.rdrecord(record)
    return pd.DataFrame(signals.p_signal, columns=["icp", "abp"]), int(signals.fs)


def valid_seconds(samples: pd.DataFrame, fs_hz: int) -> pd.DataFrame:
    """Return the means of seconds, those out of range, flat or around a jump left out."""
    seconds = samples.groupby(np.arange(len(samples)) // fs_hz)
    low, high, means = seconds.min(), seconds.max(), seconds.mean()
    bad = pd.DataFrame(index=means.index)
    for name in means:
        least, most = LIMITS_MMHG[name]
        outside = (low[name] < least) | (high[name] > most)
        n, spread = FLAT[name]
        ends = high[name].rolling(n).max() - low[name].rolling(n).min() <= spread
        flat = ends[::-1].rolling(n, min_periods=1).max()[::-1] > 0
        steps = means[name].diff().abs() > STEP_MMHG[name]
        jumps = steps | steps.shift(-1, fill_value=False)
        bad[name] = flat | around(outside, 2) | around(jumps, 5)
    return means.mask(bad)


def around(flags: pd.Series, n: int) -> pd.Series:
    """Flag the `n` rows before and after each flag too."""
    return flags.rolling(2 * n + 1, center=True, min_periods=1).max() > 0


def blocks_of(seconds: pd.DataFrame) -> pd.DataFrame:
    """Return 10-s means of half the seconds or more, and whether ICP has all of them."""
    groups = seconds.groupby(seconds.index // 10)
    n_valid = groups.count()
    blocks = groups.mean().where(n_valid >= 5)
    blocks["cpp"] = blocks["abp"] - blocks["icp"]
    blocks["whole"] = n_valid["icp"] == 10
    return blocks


def amplitudes(icp_mmhg: np.ndarray, fs_hz: int) -> pd.Series:
    """Return the amplitude of the fundamental of each block, by Grandke's interpolation."""
    rows = icp_mmhg[: icp_mmhg.size // (10 * fs_hz) * 10 * fs_hz].reshape(-1, 10 * fs_hz)
    hz, power = signal.periodogram(
        rows, fs_hz, window="hann", detrend="linear", scaling="spectrum"
    )
    lines = np.sqrt(2 * power)
    band = np.flatnonzero((hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1]))
    top = band[0] + lines[:, band].argmax(axis=1)
    here = np.arange(len(rows))
    peak, left, right = lines[here, top], lines[here, top - 1], lines[here, top + 1]
    ratio = np.maximum(left, right) / peak
    shift = np.clip((2 * ratio - 1) / (ratio + 1), 0, 0.5)
    amplitude = peak * (1 - shift**2) / np.sinc(shift)
    return pd.Series(np.where((peak >= left) & (peak >= right), amplitude, np.nan))


def indices(blocks: pd.DataFrame) -> pd.DataFrame:
    """Return minute means, and PRx, PAx, RAC, RAP and L-PRx at each minute's end."""
    groups = blocks.groupby(blocks.index // 6)
    minutes = groups.mean().where(groups.count() >= 3)
    for name, first, second in (
        ("prx", "icp", "abp"),
        ("pax", "amp", "abp"),
        ("rac", "amp", "cpp"),
        ("rap", "amp", "icp"),
    ):
        r = blocks[first].rolling(30, min_periods=15).corr(blocks[second])
        minutes[name] = r.iloc[5::6].to_numpy()
    minutes["lprx"] = minutes["icp"].rolling(20, min_periods=10).corr(minutes["abp"])
    return minutes


def cppopt(minutes: pd.DataFrame, *, curve: Callable[..., Curve | None]) -> list[float]:
    """Return CPPopt of every minute, averaged over all windows by the R2 of their curves."""
    cpp = minutes["cpp"].rolling(5, min_periods=3).mean()
    bins = pd.cut(cpp, EDGES_MMHG, right=False, labels=CENTRES_MMHG).astype(float)
    z = np.arctanh(minutes["prx"].clip(-0.999, 0.999))
    rows = pd.DataFrame({"bin": bins, "z": z})
    values = rows if curve is curve_by_pandas else rows.to_numpy()
    optima = []
    for last in range(1, len(rows) + 1):
        mass = total = 0.0
        for n in WINDOWS_MIN:
            binned = curve(values[max(0, last - n) : last], n)
            optimum, weight = lowest_point(*binned) if binned else (0.0, 0.0)
            mass, total = mass + weight * optimum, total + weight
        optima.append(mass / total if total > 0 else np.nan)
    return optima


def curve_by_pandas(rows: pd.DataFrame, n: int) -> Curve | None:
    """Return centres, means and counts of the bins of a window, as a data frame gives them."""
    rows = rows.dropna()
    bins = rows.groupby("bin")["z"].agg(["mean", "count"])
    bins = bins[bins["count"] >= 0.02 * len(rows)]
    if len(rows) < 0.5 * n or len(bins) < 4:
        return None
    return bins.index.to_numpy(), bins["mean"].to_numpy(), bins["count"].to_numpy()


def curve_by_numpy(rows: np.ndarray, n: int) -> Curve | None:
    """Return the same from an array."""
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < 0.5 * n:
        return None
    place = ((rows[:, 0] - CENTRES_MMHG[0]) // 5).astype(int)
    counts, sums = np.bincount(place), np.bincount(place, rows[:, 1])
    used = counts >= max(1, 0.02 * len(rows))
    if used.sum() < 4:
        return None
    return CENTRES_MMHG[: used.size][used], sums[used] / counts[used], counts[used]


def lowest_point(x: np.ndarray, y: np.ndarray, n: np.ndarray) -> tuple[float, float]:
    """Return the lowest point of a curve, and its weight: 0 without one."""
    a, b, c = np.polyfit(x, y, 2, w=np.sqrt(n))
    if a <= 0:
        return 0.0, 0.0
    off = y - (n * y).sum() / n.sum()
    r_squared = 1 - (n * (y - (a * x + b) * x - c) ** 2).sum() / (n * off**2).sum()
    lowest = -b / (2 * a)
    if x[0] <= lowest <= x[-1]:
        return lowest, r_squared
    return min(max(lowest, x[0]), x[-1]), 0.5 * r_squared  # one-sided


def burden(minutes: pd.DataFrame) -> pd.DataFrame:
    """Return dose, percent time and episodes of 5 min beyond each threshold."""
    beyond = [("icp", t, minutes["icp"] - t) for t in ICP_ABOVE_MMHG]
    beyond += [("cpp", t, t - minutes["cpp"]) for t in CPP_BELOW_MMHG]
    rows = []
    for name, threshold, excess in beyond:
        at = excess.index[excess > 0].to_series()
        lengths = at.groupby((at.diff() > 2).cumsum()).count()  # one minute does not end it
        lengths = lengths[lengths >= 5]
        rows.append(
            {
                "signal": name,
                "threshold": float(threshold),
                "dose": excess.clip(lower=0).sum() / 60,
                "percent_time": 100 * at.size / excess.count(),
                "n_episodes": lengths.size,
                "longest_episode_min": lengths.max(),
            }
        )
    return pd.DataFrame(rows)
