"""Curve settings: the section `optimal_cpp`, and the rules of the index it is sought by."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from icpcohort.contracts.setting import Setting
from icpcohort.indices import correlation, index_settings

_ARIES = "40 to 120 mmHg: Aries 2012a (from memory, medium)"
_LEAST = "0.2 (from memory, low; not to be attributed to a paper)"


@dataclass(frozen=True, kw_only=True)
class Settings:
    """CPPopt and the limits of reactivity."""

    by: Annotated[
        Sequence[str],
        Setting(
            "Indices against CPP whose lowest point is CPPopt; the first is the main one, and "
            "the others stand beside it",
            "PRx: Steiner 2002; Aries 2012a [confirmed]; others are used too, no source",
            ["prx"],
            each="An index",
            least_items=1,
        ),
    ]
    windows_min: Annotated[
        Sequence[int],
        Setting(
            "How far a minute's curve looks back, in minutes; several windows are averaged",
            "one window of 4 h: Aries 2012a [confirmed]; 36 windows of 2 to 8 h: Liu 2017 "
            "(from memory, high)",
            [240],
            each="A window's length, in minutes",
            at_least=30,
            at_most=2880,
            least_items=1,
        ),
    ]
    min_valid_fraction: Annotated[
        float,
        Setting(
            "Share of the window's minutes that need CPP and the index",
            "half of the window: Aries 2012a (from memory, medium)",
            0.5,
            above=0,
            at_most=1,
        ),
    ]
    cpp_average: Annotated[
        Literal["mean", "median"],
        Setting(
            "How CPP is averaged over cpp_average_min",
            "5-min median of CPP: Aries 2012a (from memory, medium); a mean is as usual, no "
            "source",
            "mean",
        ),
    ]
    cpp_average_min: Annotated[
        int,
        Setting(
            "Minutes over which CPP is averaged before it is paired with the index",
            "5-min values of CPP: Aries 2012a (from memory, medium)",
            5,
            at_least=1,
            at_most=60,
        ),
    ]
    bin_width_mmhg: Annotated[
        float,
        Setting(
            "Width of a CPP bin",
            "5 mmHg: Steiner 2002 (from memory, high)",
            5.0,
            above=0,
            at_most=50,
        ),
    ]
    bin_min_mmhg: Annotated[
        float, Setting("Lower edge of the lowest bin", _ARIES, 40.0, at_least=0, at_most=250)
    ]
    bin_max_mmhg: Annotated[
        float, Setting("Upper edge of the highest bin", _ARIES, 120.0, at_least=0, at_most=250)
    ]
    weighting: Annotated[
        Literal["count", "none", "inverse_variance"],
        Setting(
            "Weight of a bin in the parabola: its minutes, none, or 1/SE2 of its mean",
            "common practice, no source: the lowest point of one published-style curve moves "
            "from 75.77 to 75.97 mmHg with counts (computed)",
            "count",
        ),
    ]
    min_bin_fraction: Annotated[
        float,
        Setting(
            "Bins with a smaller share of the window's minutes are not used",
            "2 % (from memory, low; not to be attributed to a paper)",
            0.02,
            above=0,
            at_most=1,
        ),
    ]
    min_bins: Annotated[
        int,
        Setting(
            "Bins that a curve needs",
            "4 bins (from memory, low; not to be attributed to a paper)",
            4,
            at_least=3,
            at_most=100,
        ),
    ]
    min_span_mmhg: Annotated[
        float,
        Setting(
            "Range of CPP that the bins in use must span, from outer edge to outer edge; 0 "
            "asks for none",
            "20 mmHg (from memory, low; not to be attributed to a paper)",
            0.0,
            at_least=0,
            at_most=200,
        ),
    ]
    min_span_index: Annotated[
        float,
        Setting(
            "Least difference between the highest and lowest index of the bins in use; 0 asks "
            "for none",
            _LEAST,
            0.0,
            at_least=0,
            below=2,
        ),
    ]
    min_r_squared: Annotated[
        float,
        Setting(
            "Weighted R2 that the parabola needs; 0 asks for none",
            _LEAST,
            0.0,
            at_least=0,
            below=1,
        ),
    ]
    min_curvature_z: Annotated[
        float,
        Setting(
            "A curve must open upward by this many standard errors of its curvature; 0 asks "
            "only that it opens upward",
            "our own choice: one-sided 5 % limit of the normal distribution against a U shape "
            "out of noise",
            1.645,
            at_least=0,
            at_most=10,
        ),
    ]
    min_arm_z: Annotated[
        float,
        Setting(
            "Each side of the U fitted to a whole recording must rise by this many standard "
            "errors; 0 asks for none. Above 0 one-sided curves are refused",
            "a U needs two arms: Lind 2010 (from memory); 1: own choice, by simulation",
            1.0,
            at_least=0,
            at_most=10,
        ),
    ]
    one_sided: Annotated[
        Literal["reject", "edge"],
        Setting(
            "What a curve gives whose lowest point lies beyond its bins: nothing, or the "
            "centre of its last bin",
            "weighted average, less for incomplete curves: Liu 2017 (from memory, high; its "
            "formula could not be confirmed)",
            "reject",
        ),
    ]
    edge_weight: Annotated[
        float,
        Setting(
            "Share of its weight that a one-sided curve keeps where windows are averaged",
            "weighted average, less for incomplete curves: Liu 2017 (from memory, high; its "
            "formula could not be confirmed); 0.5 is our own choice",
            0.5,
            above=0,
            at_most=1,
        ),
    ]
    window_weighting: Annotated[
        Literal["r_squared", "equal"],
        Setting(
            "Weight of a window's curve where several are averaged: the parabola's R2, or the "
            "same for all",
            "weighted average, less for incomplete curves: Liu 2017 (from memory, high; its "
            "formula could not be confirmed); R2 is our own choice",
            "r_squared",
        ),
    ]
    reactivity_limit: Annotated[
        float,
        Setting(
            "The index at which the curve gives the lower and upper limit of reactivity",
            "0.30: Donnelly 2017 (threshold from memory, medium)",
            0.3,
            above=-1,
            below=1,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Rules(Settings):
    """The section `optimal_cpp`, and the rules of one index."""

    index: index_settings.Rules

    def edges_mmhg(self) -> NDArray[np.float64]:
        """Return the edges of the CPP bins."""
        n_bins = round((self.bin_max_mmhg - self.bin_min_mmhg) / self.bin_width_mmhg)
        return np.asarray(self.bin_min_mmhg + self.bin_width_mmhg * np.arange(n_bins + 1))

    def centres_mmhg(self) -> NDArray[np.float64]:
        """Return the centres of the CPP bins."""
        edges_mmhg = self.edges_mmhg()
        return np.asarray((edges_mmhg[:-1] + edges_mmhg[1:]) / 2)

    def limit(self) -> float:
        """Return the limit of reactivity on the scale of the curve."""
        return float(correlation.to_scale(np.array(self.reactivity_limit), self.index))

    def min_minutes(self) -> float:
        """Return the least number of minutes behind the curve of a whole recording.

        As many as the shortest window asks for.
        """
        return self.min_valid_fraction * min(self.windows_min)


def rules_of(settings: Mapping[str, Any]) -> dict[str, Rules]:
    """Return the rules of the curve by each index of `optimal_cpp.by`, the main one first.

    Parameters
    ----------
    settings : mapping
        Section `optimal_cpp`, and those of `index_settings.rules_of`.
    """
    indices = index_settings.rules_of(settings)
    stated = settings["optimal_cpp"]
    return {name: Rules(**stated, index=indices[name]) for name in stated["by"]}
