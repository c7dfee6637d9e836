"""Rule: what every cleaning rule says of itself, and runs of flagged cells."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.signals.cells import Cells

Flags = NDArray[np.bool_]
Events = Sequence[Mapping[str, Any]]  # with `event`, `start_s`, `end_s`; a null end is for ever
ROUNDING_S = 1e-6

_SIGNAL = Setting("Signal that the rule masks", OF_THE_STUDY, "icp")
AnySignal = Annotated[str, _SIGNAL]
Pressure = Annotated[Literal["icp", "abp"], _SIGNAL]
Arterial = Annotated[Literal["abp"], Setting("Signal that the rule masks", OF_THE_STUDY, "abp")]
Tier = Annotated[
    Literal["waveform", "seconds", "ten_seconds", "minutes"],
    Setting(
        "Recordings to which the rule applies, by how finely they were sampled",
        OF_THE_STUDY,
        "waveform",
    ),
]
Margin = Annotated[
    float,
    Setting(
        "Also masked before and after, in seconds",
        COMMON_PRACTICE,
        1.0,
        at_least=0,
        at_most=3600,
    ),
]
Shortest = Annotated[
    float,
    Setting(
        "Shortest stretch that is masked, in seconds",
        COMMON_PRACTICE,
        5.0,
        above=0,
        at_most=86400,
    ),
]
Longest = Annotated[
    float,
    Setting(
        "Longest stretch that is masked for this reason, in seconds",
        COMMON_PRACTICE,
        300.0,
        above=0,
        at_most=3600,
    ),
]
Movement = Annotated[
    float,
    Setting(
        "Largest movement that still counts as none: the span of a second of a waveform "
        "without noise and drift, or the change from one number to the next",
        COMMON_PRACTICE,
        2.0,
        at_least=0,
        at_most=50,
    ),
]


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One cleaning rule: its settings, what it flags, how far it looks, and its words."""

    kind: ClassVar[str]  # as `rule` in the settings
    waveforms_only: ClassVar[bool] = False
    needs_noise: ClassVar[bool] = False  # whether it reads `noise` of the cells; not of ABP
    is_finding: ClassVar[bool] = False  # what it flags is an interval that the signal shows
    up_to_cell_s: ClassVar[float] = np.inf  # coarser numbers show nothing of what it looks for

    signal: AnySignal

    @property
    def reason(self) -> str:
        """Return the reason that the rule gives to what it masks."""
        return self.kind

    @property
    def name(self) -> str:
        """Return what the rule is called among others of its kind."""
        return self.kind

    @property
    def tiers(self) -> str:
        """Return the tier that the rule is for, or "all"."""
        return "waveform" if self.waveforms_only else getattr(self, "tier", "all")

    @property
    def masks(self) -> bool:
        """Return whether what the rule flags is masked; what a finding flags need not be."""
        return True

    def flags(self, cells: Cells, events: Events) -> Flags:
        """Return which cells the rule masks, (n,)."""
        raise NotImplementedError

    def looks_s(self) -> tuple[float, float]:
        """Return how many seconds before and after a cell the rule must see to decide on it."""
        raise NotImplementedError

    def words(self, unit: str) -> str:
        """Return what the rule masks of a signal in `unit`, in words; the margin apart."""
        raise NotImplementedError

    def with_margin(self, unit: str) -> str:
        """Return what the rule masks, with its margin if it has one."""
        margin_s = getattr(self, "margin_s", 0.0)
        words = self.words(unit)
        return f"{words} with {margin_s:g} s around" if margin_s else words


class Runs(NamedTuple):
    """Runs of flagged cells: the first of each, and the one after its last."""

    starts: NDArray[np.int64]
    ends: NDArray[np.int64]


def runs(flags: Flags, *, width_s: float, min_s: float, max_s: float = np.inf) -> Runs:
    """Return the runs that last from `min_s` to `max_s`."""
    edges = np.diff(flags.astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long_s = (ends - starts) * width_s
    kept = (long_s >= min_s - ROUNDING_S) & (long_s <= max_s + ROUNDING_S)
    return Runs(starts[kept], ends[kept])


def stepped(some: Runs, mean: NDArray[np.float64], *, min_step: float) -> Runs:
    """Return the runs that a step within two cells enters or leaves; all with a step of 0."""
    around = np.concatenate([[np.nan] * 2, mean, [np.nan] * 2])
    first, last = around[some.starts + 2], around[some.ends + 1]
    kept = np.zeros(first.size, np.bool_) | (min_step == 0)
    for k in (1, 2):
        kept |= np.abs(around[some.starts + 2 - k] - first) >= min_step
        kept |= np.abs(around[some.ends + 1 + k] - last) >= min_step
    return Runs(some.starts[kept], some.ends[kept])


def stretches(n: int, runs: Runs) -> Flags:
    """Return the flags of `n` cells that the runs cover."""
    covered = np.zeros(n + 1, np.int64)
    covered[runs.starts] = 1
    covered[runs.ends] -= 1
    return np.cumsum(covered)[:-1] > 0


def spread(flags: Flags, width_s: float, margin_s: float) -> Flags:
    """Flag cells that a margin touches: of numbers slower than it, still the one beside.

    A number averages its interval, so the ones beside may hold a part of what is wrong.
    """
    n = int(np.ceil(margin_s / width_s - ROUNDING_S))
    return nearby(flags, n_before=n, n_after=n)


def nearby(flags: Flags, *, n_before: int, n_after: int) -> Flags:
    """Flag cells with a flag among themselves, the `n_before` before, the `n_after` after."""
    return count(flags, n_before, n_after) > 0


def count(counts: NDArray[Any], n_before: int, n_after: int) -> NDArray[np.int64]:
    """Add up the counts of each cell, the `n_before` before and the `n_after` after."""
    total = np.concatenate([[0], np.cumsum(counts, dtype=np.int64)])
    here = np.arange(counts.size)
    last = np.minimum(here + n_after + 1, counts.size)
    return np.asarray(total[last] - total[np.maximum(here - n_before, 0)])
