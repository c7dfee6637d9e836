"""The plain way: the same outputs with wfdb, pandas and scipy, as many would write it."""

import numpy as np
import pandas as pd
import wfdb
from scipy import signal


def compute(record: str) -> pd.DataFrame:
    """Return minute rows with icp, abp, cpp, amp, prx, cppopt of a two-channel WFDB record."""
    read = wfdb.rdrecord(record)
    fs = read.fs
    samples = pd.DataFrame(read.p_signal, columns=["icp", "abp"])
    seconds = samples.groupby(np.arange(len(samples)) // int(fs))
    spread = seconds.max() - seconds.min()
    step = seconds.mean().diff().abs()
    bad = pd.DataFrame(
        {
            "icp": (seconds["icp"].min() < -10) | (seconds["icp"].max() > 100),
            "abp": (seconds["abp"].min() < 20) | (seconds["abp"].max() > 300),
        }
    )
    bad["icp"] |= (spread["icp"].rolling(30).max() < 0.1) | (step["icp"] > 15)
    bad["abp"] |= (spread["abp"].rolling(10).max() < 1.0) | (step["abp"] > 40)
    means = seconds.mean().mask(bad)
    blocks = means.groupby(means.index // 10).mean()
    blocks["cpp"] = blocks["abp"] - blocks["icp"]
    blocks["amp"] = [
        _amplitude(samples["icp"].to_numpy()[i : i + int(10 * fs)], fs)
        for i in range(0, len(blocks) * int(10 * fs), int(10 * fs))
    ]
    blocks["prx"] = blocks["icp"].rolling(30, min_periods=15).corr(blocks["abp"])
    minutes = blocks.groupby(blocks.index // 6).mean()
    minutes["prx"] = blocks["prx"].iloc[5::6].to_numpy()
    minutes["cpp5"] = minutes["cpp"].rolling(5, min_periods=3).mean()
    minutes["cppopt"] = [
        _cppopt(minutes.iloc[max(0, i - 239) : i + 1]) for i in range(len(minutes))
    ]
    return minutes


def _amplitude(block: np.ndarray, fs: float) -> float:
    hz, power = signal.periodogram(
        block, fs, window="flattop", detrend="linear", scaling="spectrum"
    )
    band = (hz >= 0.67) & (hz <= 3.0)
    return float(np.sqrt(2 * power[band].max()))


def _cppopt(window: pd.DataFrame) -> float:
    rows = window.dropna(subset=["cpp5", "prx"])
    rows = rows[(rows["cpp5"] >= 40) & (rows["cpp5"] < 120)]
    if len(rows) < 120:
        return np.nan
    z = np.arctanh(rows["prx"].clip(-0.999, 0.999))
    bins = z.groupby((rows["cpp5"] // 5) * 5 + 2.5).agg(["mean", "count"])
    bins = bins[bins["count"] >= 0.02 * len(rows)]
    if len(bins) < 4:
        return np.nan
    a, b, _ = np.polyfit(bins.index, bins["mean"], 2, w=np.sqrt(bins["count"]))
    lowest = -b / (2 * a) if a > 0 else np.nan
    return lowest if bins.index[0] <= lowest <= bins.index[-1] else np.nan
