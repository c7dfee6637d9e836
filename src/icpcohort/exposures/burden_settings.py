"""Burden settings: the section `burden`, with thresholds and how minutes are added up."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from icpcohort.contracts.setting import OF_THE_STUDY, Setting


@dataclass(frozen=True, kw_only=True)
class Range:
    """Two thresholds, outside of which burden is added up."""

    low: Annotated[
        float,
        Setting(
            "Burden is what lies below this",
            OF_THE_STUDY,
            30.0,
            at_least=-1000,
            at_most=10000,
        ),
    ]
    high: Annotated[
        float,
        Setting("and above this", OF_THE_STUDY, 45.0, at_least=-1000, at_most=10000),
    ]


@dataclass(frozen=True, kw_only=True)
class Sides:
    """Thresholds of one signal, in its unit."""

    above: Annotated[
        Sequence[float],
        Setting(
            "Burden is what lies above",
            "ICP: 18 and 22 mmHg: Sorrentino 2012 [confirmed]; above 22: Carney 2017 "
            "[confirmed]",
            [18.0, 20.0, 22.0, 25.0],
            each="A threshold",
            at_least=-1000,
            at_most=10000,
        ),
    ] = ()
    below: Annotated[
        Sequence[float],
        Setting(
            "Burden is what lies below",
            "CPP: target 60 to 70 mmHg: Carney 2017 [confirmed]",
            [50.0, 60.0, 70.0],
            each="A threshold",
            at_least=-1000,
            at_most=10000,
        ),
    ] = ()
    outside: Annotated[
        Sequence[Range],
        Setting(
            "Burden is what lies outside of a range",
            OF_THE_STUDY,
            [{"low": 30.0, "high": 45.0}],
        ),
    ] = ()


@dataclass(frozen=True, kw_only=True)
class Rules:
    """How the minutes beyond a threshold are added up."""

    thresholds: Annotated[
        Mapping[str, Sides],
        Setting(
            "Thresholds of burden by signal: above, below, or outside of a range",
            OF_THE_STUDY,
            {"icp": {"above": [20.0]}},
            least_items=1,
        ),
    ]
    inequality: Annotated[
        Literal["strict", "or_equal"],
        Setting(
            "Whether a pressure on the threshold is beyond it: strict (no) or or_equal (yes)",
            "above 22: Carney 2017 [confirmed]; the two differ with readings in whole mmHg",
            "strict",
        ),
    ]
    integration: Annotated[
        Literal["rectangle", "trapezoid", "crossing"],
        Setting(
            "Rule by which minute means are added up to a dose",
            "common practice, no source: rectangles on minute means are simple and additive "
            "over gaps; a ramp from 18 to 24 mmHg in 10 min has 0.222 mmHg h above 20 exactly,"
            " 0.333 by trapezoids (computed)",
            "rectangle",
        ),
    ]
    episode_min: Annotated[
        int,
        Setting(
            "Shortest stretch beyond the threshold that is an episode, in minutes",
            "5 min (from memory, high); 15 min above 20 mmHg is another definition [confirmed]",
            5,
            at_least=1,
            at_most=1440,
        ),
    ]
    merge_gap_min: Annotated[
        int,
        Setting(
            "Gaps of up to this many minutes do not end an episode",
            "0 to 5 min (from memory, high)",
            1,
            at_least=0,
            at_most=60,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Settings(Rules):
    """Dose, time and episodes beyond a threshold."""

    impaired_above: Annotated[
        float,
        Setting(
            "Burden is also added up separately for the minutes with the main index of "
            "optimal_cpp.by above this",
            "PRx 0.25 for survival: Sorrentino 2012 [confirmed], for a patient's mean; a "
            "single minute exceeds it by chance in 9 % (computed)",
            0.25,
            above=-1,
            below=1,
        ),
    ]
