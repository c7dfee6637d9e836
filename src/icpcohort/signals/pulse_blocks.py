"""Block pulses: the pulse of ICP in each whole block, measured on its waveforms."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.signals import pulse_amplitude, pulse_shape
from icpcohort.signals.cells import MIN_WAVEFORM_HZ, TIME_TOLERANCE_S, Stretch
from icpcohort.signals.trend_settings import Settings

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]
PULSE_S = 10.0  # of one AMP: in less are too few heart beats, in more their rate wanders
ROUNDING = 1e-9
COLUMNS = (
    *("amp_mmhg", "pulse_rate_per_min", "icp_peak_rate_per_min", "abp_pulse_rate_per_min"),
    *("peak_to_trough_mmhg", "n_pulses_averaged", "p1_mmhg", "p2_mmhg", "p3_mmhg"),
    "p2_p1_ratio",
)
_CUT = COLUMNS[4:9]
# A row of a block: when, ICP's own peak, the peak at the heart rate of ABP, and its pulses.
_ROW = (
    *("t_s", "own_mmhg", "own_hz", "heart_hz", "near_mmhg", "near_hz"),
    *_CUT,
)
_OF_SHAPE = _CUT[1:]  # last in a row, and only where they are sought


def n_values(settings: Settings) -> int:
    """Return how many values `of_stretch` gives of a block."""
    return len(_ROW) if settings.seeks_shape else len(_ROW) - len(_OF_SHAPE)


def of_stretch(stretch: Stretch, *, block_s: float, settings: Settings) -> Reals:
    """Return a row for each whole block of an ICP waveform, (n_blocks, n_values).

    Which samples are masked is not known yet, so what ICP says alone and what it says with
    ABP stand side by side; the pulses are cut at the heart rate of ABP where it has one.
    """
    fs_hz = stretch.fs_hz.get("icp", 0.0)
    if fs_hz < MIN_WAVEFORM_HZ:
        return np.empty((0, n_values(settings)))
    t_s, blocks = _whole_blocks(stretch, "icp", block_s=block_s)
    own_spectrum = _spectrum(blocks, fs_hz=fs_hz, settings=settings)
    highest = pulse_amplitude.highest(
        own_spectrum, min_hz=settings.pulse_min_hz, max_hz=settings.pulse_max_hz
    )
    heart_hz = _heart_hz(stretch, t_s, block_s=block_s, settings=settings)
    beside = pulse_amplitude.near(
        own_spectrum, rate_hz=heart_hz, tolerance_hz=settings.pulse_tolerance_hz
    )
    rate_hz = np.where(np.isfinite(heart_hz), beside.rate_hz, highest.rate_hz)
    pulses = pulse_shape.find(blocks, rate_hz=rate_hz, fs_hz=fs_hz)
    shape = np.full((len(_OF_SHAPE) if settings.seeks_shape else 0, t_s.size), np.nan)
    if settings.seeks_shape and fs_hz >= settings.shape_min_hz - ROUNDING:
        shape[:] = pulse_shape.peaks(
            blocks,
            pulses,
            min_pulses=settings.shape_min_pulses,
            smoothing_fraction=settings.shape_smoothing_fraction,
        )
        shape[:, np.isnan(rate_hz)] = np.nan
    height = pulse_shape.peak_to_trough(blocks, pulses)
    return np.column_stack([t_s, *highest, heart_hz, *beside, height, *shape])


def _spectrum(blocks: Reals, *, fs_hz: float, settings: Settings) -> pulse_amplitude.Spectrum:
    up_to_hz = settings.pulse_max_hz + settings.pulse_tolerance_hz
    return pulse_amplitude.spectrum(
        blocks, fs_hz=fs_hz, up_to_hz=up_to_hz, method=settings.amplitude_method
    )


def _whole_blocks(stretch: Stretch, signal: str, *, block_s: float) -> tuple[Reals, Reals]:
    """Return the starts of the whole blocks of a signal, (n,), and their samples.

    A block's first sample may come by less than one after its start.
    """
    samples, t_s = stretch.samples[signal], stretch.t_s[signal]
    fs_hz = stretch.fs_hz[signal]
    n_block = int(block_s * fs_hz + ROUNDING)
    first_t_s = np.ceil((t_s - 1 / fs_hz + TIME_TOLERANCE_S) / block_s) * block_s
    t_blocks = np.arange(first_t_s, t_s + samples.size / fs_hz, block_s)
    starts = np.ceil((t_blocks - t_s - TIME_TOLERANCE_S) * fs_hz).astype(np.int64)
    whole = starts + n_block <= samples.size
    return t_blocks[whole], _cut_out(samples, starts[whole], n=n_block)


def _cut_out(samples: Reals, starts: NDArray[np.int64], *, n: int) -> Reals:
    """Return `n` samples from each start on; not copied where one stretch follows another."""
    if (np.diff(starts) == n).all():
        first = starts[0] if starts.size else 0
        return samples[first : first + n * starts.size].reshape(-1, n)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(samples, n)[starts])


def _heart_hz(stretch: Stretch, icp_t_s: Reals, *, block_s: float, settings: Settings) -> Reals:
    """Return the heart rate of ABP in the blocks at `icp_t_s`, NaN where it shows none."""
    nothing = np.full(icp_t_s.size, np.nan)
    fs_hz = stretch.fs_hz.get("abp", 0.0)
    if settings.pulse_rate_from == "icp" or fs_hz < MIN_WAVEFORM_HZ or not icp_t_s.size:
        return nothing
    t_s, blocks = _whole_blocks(stretch, "abp", block_s=block_s)
    spectrum = _spectrum(blocks, fs_hz=fs_hz, settings=settings)
    heart_hz = pulse_amplitude.heart_rate_hz(
        spectrum, min_hz=settings.pulse_min_hz, max_hz=settings.pulse_max_hz
    )
    at = np.searchsorted(icp_t_s, t_s)
    shared = np.append(icp_t_s, np.nan)[at] == t_s
    nothing[at[shared]] = heart_hz[shared]
    return nothing


def choose(
    rows: Reals, *, icp_whole: Flags, abp_whole: Flags, tolerance_hz: float
) -> Iterator[tuple[str, Reals | None]]:
    """Give the `COLUMNS` of the trends from rows of `of_stretch`, masks now being known.

    One at a time, so that they need not all be in memory twice; None was not sought.

    Parameters
    ----------
    rows : (n, n_values) from `of_stretch`, in the order of time
    icp_whole, abp_whole : (n,) bool
        Whether every sample of the block is valid. Without ICP there is no pulse; without
        ABP it is that of ICP alone, and no pulses are cut if the rate was another one.

    Source: AMP is what lies at the heart rate that ABP shows, or missing: reviews name
    the harmonics of the breath as the trap and the spectrum of ABP as the check (from
    memory); which to prefer where the two disagree is our own choice.
    """
    row = dict(zip(_ROW, rows.T, strict=False))
    heart_hz = np.where(abp_whole, row["heart_hz"], np.nan)
    with_abp = np.isfinite(heart_hz)
    rate_hz = np.where(with_abp, row["near_hz"], row["own_hz"])
    cut_hz = np.where(np.isfinite(row["heart_hz"]), row["near_hz"], row["own_hz"])
    as_cut = icp_whole & (np.abs(cut_hz - rate_hz) <= tolerance_hz)
    amplitude = np.where(with_abp, row["near_mmhg"], row["own_mmhg"])
    yield "amp_mmhg", np.where(icp_whole, amplitude, np.nan)
    yield "pulse_rate_per_min", np.where(icp_whole, 60 * rate_hz, np.nan)
    yield "icp_peak_rate_per_min", np.where(icp_whole, 60 * row["own_hz"], np.nan)
    yield "abp_pulse_rate_per_min", np.where(icp_whole, 60 * heart_hz, np.nan)
    for name in _CUT:
        yield name, np.where(as_cut, row[name], np.nan) if name in row else None
    if "p2_mmhg" not in row:
        yield "p2_p1_ratio", None
        return
    ratio = pulse_shape.ratio(row["p2_mmhg"], row["p1_mmhg"])
    yield "p2_p1_ratio", np.where(as_cut, ratio, np.nan)


def least_whole(interval_s: Any, *, block_s: float) -> Any:
    """Return the valid fraction from which a block has every sample; also of an expression.

    A block of a sampling rate that is no whole number may lack a part of a sample.
    """
    return 1 - interval_s / block_s + ROUNDING


def findings(
    trends: pl.DataFrame, *, patient_id: str, block_s: float, tolerance_hz: float
) -> pl.DataFrame:
    """Count where AMP comes from, or why there is none, each block of ICP waveform once.

    Blocks whose P1 and P2 are clear without P3 are counted besides.

    Parameters
    ----------
    trends : contracts.trends of one patient

    Returns
    -------
    DataFrame, contracts.PULSE_FINDINGS
        A row for each finding that occurs.
    """
    amp, heart = pl.col("amp_mmhg"), pl.col("abp_pulse_rate_per_min")
    off = (pl.col("icp_peak_rate_per_min") - pl.col("pulse_rate_per_min")).abs()
    n = max(1, round(PULSE_S / block_s))  # blocks that share one pulse
    least = least_whole(pl.col("icp_interval_s"), block_s=block_s)
    whole = pl.col("icp_valid_fraction") >= least
    if n > 1:
        whole = whole.sum().over((pl.col("t_s") / (n * block_s)).floor()) == n
    finding = (
        pl.when(~whole)
        .then(pl.lit("incomplete"))
        .when(heart.is_null())
        .then(pl.when(amp.is_null()).then(pl.lit("no_peak")).otherwise(pl.lit("icp_alone")))
        .when(amp.is_null())
        .then(pl.lit("no_peak_at_abp_rate"))
        .when((off <= 60 * tolerance_hz).fill_null(False))
        .then(pl.lit("at_abp_rate"))
        .otherwise(pl.lit("moved_to_abp_rate"))
    )
    is_waveform = pl.col("icp_interval_s") <= 1 / MIN_WAVEFORM_HZ + ROUNDING
    without_p3 = pl.col("p2_mmhg").is_not_null() & pl.col("p3_mmhg").is_null()
    of_shape = pl.when(without_p3).then(pl.lit("p1_p2_alone"))
    each = (pl.when(is_waveform).then(finding), of_shape)
    return (
        pl.concat(trends.select(finding=one) for one in each)  # no copy of the rest
        .drop_nulls()
        .group_by("finding")
        .agg(n_blocks=pl.len().cast(pl.Int64))
        .sort("finding")
        .select(pl.lit(patient_id).alias("patient_id"), "finding", "n_blocks")
    )


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for the pulses of a block."""
    height = (
        "The peak-to-trough amplitude of ICP, another quantity than AMP, was the median over a"
        " block's pulses of the highest sample less the lowest before it."
    )
    if not settings.seeks_shape:
        return f"{height} P1, P2 and P3 were not sought."
    return (
        f"{height} P1, P2 and P3 were sought in waveforms of {settings.shape_min_hz:g} Hz or"
        f" more, in the average of the pulses of a block ({settings.shape_min_pulses} or more),"
        f" where its curvature (smoothed over {100 * settings.shape_smoothing_fraction:g} % of"
        " a period) is strongest (Hu 2009); heights are those of the apex, or of the shoulder,"
        " above the foot of the pulse. Where two early peaks stood apart and the third had"
        " merged, they were taken for P1 and P2; where fewer stood apart, all three were taken"
        " as missing. The yield is the share of blocks with a pulse that have a P2/P1 ratio."
    )
