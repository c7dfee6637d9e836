"""Correlation: the moving Pearson correlation, and the scale on which such are averaged."""

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.signals import nan_divide
from icpcohort.signals.trends import ROUNDING

Reals = NDArray[np.float64]
_WINDOWS_AT_ONCE = 2000  # of correlations: ten days of them are some arrays of 3 MB


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The scale on which correlations are averaged."""

    averaging: Annotated[
        Literal["fisher", "arithmetic"],
        Setting(
            "How correlations are averaged, in windows and in bins of CPP: through Fisher z or"
            " arithmetically",
            "common practice, no source: both are usual; 0.2 and 0.8 give 0.572 through Fisher"
            " z and 0.5 without (computed)",
            "fisher",
        ),
    ]
    fisher_clip: Annotated[
        float,
        Setting(
            "Correlations are clipped to this size before Fisher z, which is infinite at 1",
            COMMON_PRACTICE,
            0.999,
            above=0,
            below=1,
        ),
    ]


def moving_pearson(
    first: Reals, second: Reals, *, n_values: int, step: int, min_valid_fraction: float
) -> Reals:
    """Correlate two series over the last `n_values` values, at the end of every `step` values.

    Parameters
    ----------
    first, second : (n,)
        Successive means; NaN where missing. Only pairs with both are used.
    n_values, step : int
        Length of a window and distance between two windows. A window reaches back before
        the start of the series, where values are missing.
    min_valid_fraction : float
        Least share of the `n_values` pairs.

    Returns
    -------
    (n // step,)
        Pearson's r; NaN where too few pairs are valid, fewer than three are, or either
        series is constant in the window to 1e-9 of its level (of 1, if that is more), as
        means of a constant are. Means are taken off within each window, so that
        nothing cancels however long the series and however high its level.

    Source: PRx as moving correlation of 40 successive 5-s means: Czosnyka 1997; 30 means of
    10 s is later practice. Completeness and the treatment of constant input: no agreed rule, a
    setting.
    """
    x, y = (_windows(series, n_values=n_values, step=step) for series in (first, second))
    least = max(min_valid_fraction * n_values - ROUNDING, 3.0)
    parts = (slice(i, i + _WINDOWS_AT_ONCE) for i in range(0, len(x), _WINDOWS_AT_ONCE))
    return np.concatenate([np.empty(0), *(_pearson(x[p], y[p], least=least) for p in parts)])


def _windows(series: Reals, *, n_values: int, step: int) -> Reals:
    """Return (series.size // step, n_values), not copied."""
    padded = np.concatenate([np.full(n_values, np.nan), series])
    views = np.lib.stride_tricks.sliding_window_view(padded, n_values)
    return np.asarray(views[step::step])


def _pearson(x: Reals, y: Reals, *, least: float) -> Reals:
    """Correlate two series in each of some windows, of which `least` pairs must be valid."""
    both = np.isfinite(x) & np.isfinite(y)
    n = both.sum(axis=1)
    enough = n >= least
    r = np.full(n.size, np.nan)
    if enough.any():
        r[enough] = _pearson_of_pairs(x[enough], y[enough], both[enough], n[enough])
    return r


def _pearson_of_pairs(
    x: Reals, y: Reals, both: NDArray[np.bool_], n: NDArray[np.int64]
) -> Reals:
    changes = _changes(x, both) & _changes(y, both)
    dx, dy = _centred(x, both, n), _centred(y, both, n)
    spread = np.sqrt((dx * dx).sum(axis=1) * (dy * dy).sum(axis=1))
    ok = changes & (spread > 0)
    return nan_divide.divide((dx * dy).sum(axis=1), spread, where=ok).clip(-1.0, 1.0)


def _changes(windows: Reals, both: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which windows change by more than the rounding of their means."""
    high = np.where(both, windows, -np.inf).max(axis=1, initial=-np.inf)
    low = np.where(both, windows, np.inf).min(axis=1, initial=np.inf)
    level = np.maximum(1.0, np.maximum(np.abs(high), np.abs(low)))
    return np.asarray((high > low) & (high - low > ROUNDING * level))


def _centred(windows: Reals, both: NDArray[np.bool_], n: NDArray[np.int64]) -> Reals:
    total = np.where(both, windows, 0.0).sum(axis=1)
    mean = np.divide(total, n, out=np.zeros(n.size), where=n > 0)
    return np.where(both, windows - mean[:, None], 0.0)


def to_scale(r: Reals, scale: Scale) -> Reals:
    """Return correlations on the scale on which they are averaged: Fisher's z, or as they are.

    |r| is clipped before z, so that +-1 stays finite.
    """
    clip = scale.fisher_clip
    return np.asarray(np.arctanh(np.clip(r, -clip, clip)) if scale.averaging == "fisher" else r)


def from_scale(values: Reals, scale: Scale) -> Reals:
    """Return correlations from the scale of `to_scale`."""
    return np.asarray(np.tanh(values) if scale.averaging == "fisher" else values)


def mean_correlation(r: pl.Expr, scale: Scale) -> pl.Expr:
    """Return the mean of correlations on their scale; null when there is none.

    Source: mean of z, transformed back: Fisher 1921; arithmetic means are as common in papers.
    """
    clip = scale.fisher_clip
    z = r.clip(-clip, clip).arctanh()
    return z.mean().tanh() if scale.averaging == "fisher" else r.mean()


def fisher_interval(r: float, n_values: int) -> tuple[float, float]:
    """Return the 95 % interval of one correlation of `n_values` independent pairs.

    Successive windows overlap: this is not the interval of their mean.
    Source: Fisher 1921, tanh(z -+ 1.96 / sqrt(n - 3)) with the normal quantile.
    """
    half = 1.959963984540054 / np.sqrt(n_values - 3)
    return float(np.tanh(np.arctanh(r) - half)), float(np.tanh(np.arctanh(r) + half))
