"""Compared files: what is kept of recordings while they are read, to measure their lags."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from icpcohort.contracts.declared_signals import ABP, ICP
from icpcohort.recordings import Description
from icpcohort.signals import device_lag, lag_of_numbers
from icpcohort.signals.cells import MIN_WAVEFORM_HZ, Stretch
from icpcohort.signals.device_lag import Lag


class Span(NamedTuple):
    """What is known of a recording before it is read."""

    about: Description
    start_s: float
    end_s: float

    def has_waveform(self, signal: str) -> bool:
        """Whether it has the signal as a waveform."""
        source = self.about.signals.get(signal)
        return source is not None and source.fs_hz >= MIN_WAVEFORM_HZ

    def has_numbers(self, signal: str) -> bool:
        """Whether it has the signal once a second or more often."""
        source = self.about.signals.get(signal)
        return source is not None and source.fs_hz >= lag_of_numbers.MIN_HZ

    def shared_s(self, other: "Span") -> float:
        """Return for how long both go on at one time."""
        return min(self.end_s, other.end_s) - max(self.start_s, other.start_s)


class Measured(NamedTuple):
    """A lag of ICP of one recording behind ABP of another, or of the same, by their numbers."""

    icp: int
    abp: int
    lag: Lag


class Compared(NamedTuple):
    """The signals of a recording of which something is kept, to be compared with another."""

    pulses: tuple[str, ...] = ()  # with a waveform in another file
    numbers: tuple[str, ...] = ()  # where one of the two is no waveform
    within: bool = False  # the numbers of this recording with each other, too


def compared(spans: Sequence[Span]) -> list[Compared]:
    """Return for each recording the signals that are compared, of two files or as numbers."""
    pulses: list[set[str]] = [set() for _ in spans]
    numbers: list[set[str]] = [set() for _ in spans]
    for i, one in enumerate(spans):
        for k, other in enumerate(spans):
            waveforms = one.has_waveform(ICP) and other.has_waveform(ABP)
            if one.shared_s(other) < device_lag.PART_S or (i == k and waveforms):
                continue
            if waveforms or (one.has_numbers(ICP) and other.has_numbers(ABP)):
                chosen = pulses if waveforms else numbers
                chosen[i].add(ICP)
                chosen[k].add(ABP)
    return [
        Compared(
            tuple(sorted(waves)),
            tuple(sorted(others)),
            not (one.has_waveform(ICP) and one.has_waveform(ABP)),
        )
        for waves, others, one in zip(pulses, numbers, spans, strict=True)
    ]


class Kept(NamedTuple):
    """What was kept of each signal of a recording, by part of 10 min."""

    pulses: Mapping[str, Mapping[int, device_lag.Rates]]
    numbers: Mapping[str, Mapping[int, lag_of_numbers.Fast]]
    within: bool


class Keepers:
    """Keeps of one recording what `Compared` asks for."""

    def __init__(self, asked: Compared) -> None:
        self._within = asked.within
        self._pulses = {name: device_lag.Keeper(name) for name in asked.pulses}
        self._numbers = {name: lag_of_numbers.Keeper(name) for name in asked.numbers}

    def push(self, stretch: Stretch) -> None:
        """Take a stretch."""
        for of_pulse in self._pulses.values():
            of_pulse.push(stretch)
        for of_numbers in self._numbers.values():
            of_numbers.push(stretch)

    def finish(self) -> Kept:
        """Return what was kept."""
        return Kept(
            {name: keeper.finish() for name, keeper in self._pulses.items()},
            {name: keeper.finish() for name, keeper in self._numbers.items()},
            self._within,
        )


def between(kept: Sequence[Kept]) -> Iterator[Measured]:
    """Yield the lags of each two recordings, by their pulses or by their numbers.

    Of two waveforms the pulses count.
    """
    for i, one in enumerate(kept):
        for k, other in enumerate(kept):
            if i != k and ICP in one.pulses and ABP in other.pulses:
                for lag in device_lag.between(one.pulses[ICP], other.pulses[ABP]):
                    yield Measured(i, k, lag)
            elif (i != k or one.within) and ICP in one.numbers and ABP in other.numbers:
                for lag in lag_of_numbers.between(one.numbers[ICP], other.numbers[ABP]):
                    yield Measured(i, k, lag)
