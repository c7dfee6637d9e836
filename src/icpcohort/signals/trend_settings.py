"""Trend settings: the section `trends`: blocks, and the pulse of each block."""

from dataclasses import dataclass
from typing import Annotated, Literal

from icpcohort.contracts.setting import Setting


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Means in blocks."""

    block_s: Annotated[
        float,
        Setting(
            "Length of a block of the trends, and of the means that PRx correlates. AMP "
            "always uses 10 s",
            "the original had 40 means of 5 s, renewed every 5 s: Czosnyka 1997 [confirmed]; "
            "30 means of 10 s are later practice [confirmed]",
            10.0,
            at_least=5,
            at_most=60,
            one_of=(5.0, 10.0, 20.0, 30.0, 60.0),
        ),
    ]
    min_valid_fraction: Annotated[
        float,
        Setting(
            "Share of a block's nominal samples that must be valid",
            "common practice, no source: no agreed rule, half or more of the readings is usual"
            " (from memory, medium)",
            0.5,
            above=0,
            at_most=1,
        ),
    ]
    pulse_min_hz: Annotated[
        float,
        Setting(
            "Lowest rate taken for the heart",
            "search band 0.67 to 3.0 Hz, 40 to 180 beats a minute (from memory, medium)",
            0.67,
            above=0,
            at_most=10,
        ),
    ]
    pulse_max_hz: Annotated[
        float,
        Setting(
            "Highest rate taken for the heart",
            "search band 0.67 to 3.0 Hz in adults; up to 4 Hz in children (from memory, "
            "medium)",
            4.0,
            above=0,
            at_most=10,
        ),
    ]
    pulse_rate_from: Annotated[
        Literal["abp", "icp"],
        Setting(
            "Whether AMP is the peak of ICP at the heart rate of ABP, where that is clear in "
            "the same block, or the highest of ICP alone",
            "harmonics of the breath are mistaken for the heart, ABP tells them apart (from "
            "memory, medium); own choice where the two disagree",
            "abp",
        ),
    ]
    pulse_tolerance_hz: Annotated[
        float,
        Setting(
            "How far from the heart rate of ABP the peak of ICP may lie",
            "own choice: a line and a half of a 10-s spectrum",
            0.15,
            above=0,
            at_most=1,
        ),
    ]
    amplitude_method: Annotated[
        Literal["interpolated", "hann", "rectangular"],
        Setting(
            "Spectrum from which the amplitude of the ICP pulse is read",
            "leakage of a plain 10-s spectrum: 35 % too low off-bin, Hann 15 % (computed); the"
            " methods are common practice, no source",
            "interpolated",
        ),
    ]
    shape_method: Annotated[
        Literal["curvature", "none"],
        Setting(
            "How P1, P2 and P3 of the average pulse of a block are found, or none",
            "curvature of an average pulse: Hu 2009 (from memory); limits are own choices",
            "curvature",
        ),
    ]
    shape_min_hz: Annotated[
        float,
        Setting(
            "Least sampling rate of ICP for P1, P2 and P3",
            "own choice; a bandwidth of 25 Hz is marginal for P1 and P2 (from memory)",
            100.0,
            at_least=25,
            at_most=10000,
        ),
    ]
    shape_min_pulses: Annotated[
        int,
        Setting(
            "Least pulses in the average of a block", "own choice", 3, at_least=2, at_most=100
        ),
    ]
    shape_smoothing_fraction: Annotated[
        float,
        Setting(
            "Standard deviation of the smoothing under the curvature, as a share of a period",
            "own choice: more merges peaks, less lets noise in",
            0.025,
            above=0,
            at_most=0.2,
        ),
    ]

    max_lag_s: Annotated[
        float | None,
        Setting(
            "A part of 10 min in which ICP and ABP have a clear lag of more than this, either "
            "way, is the event out_of_step. Left out: none is",
            "own choice: means of 10 s that are 2 s apart share four fifths of their time",
            2.0,
            at_least=0.5,
            at_most=90,
        ),
    ] = None
    correct_lag: Annotated[
        Literal["none", "measured"],
        Setting(
            "Whether a constant lag of ICP behind ABP is taken from the times of ICP, whose "
            "recording is then read again: none, or the median of the clear parts of a "
            "recording, or of a pair of them. With measured, max_lag_s must be there: a lag "
            "that changes by more is not corrected. Left out: none",
            "own choice: two clocks of which neither is known to be right",
            "measured",
        ),
    ] = "none"

    @property
    def seeks_shape(self) -> bool:
        """Whether P1, P2 and P3 are sought."""
        return self.shape_method != "none"
