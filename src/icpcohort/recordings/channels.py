"""Choice of the channels of the declared signals in a file, and of their units."""

import contextlib
import difflib
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from icpcohort.recordings import units
from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.names import ANY, fits, folded, split_bracket


class Channel(NamedTuple):
    """One channel as its file states it.

    `name` finds it in the file again, `label` is the part that aliases are compared with.
    """

    name: str
    label: str
    unit: str | None


class Wanted(NamedTuple):
    """What the study says of one signal: in its list of recordings, and in its settings."""

    signal: str
    channel: str | None
    unit: str | None
    aliases: Sequence[str]
    to_unit: str
    takes_first: bool = False  # of several channels, the one whose alias comes first


class Problems:
    """Collects all that one file lacks, so that it is asked for at once."""

    def __init__(self, where: str) -> None:
        self.where = where
        self._errors: list[RecordingError] = []

    @contextlib.contextmanager
    def collected(self) -> Iterator[None]:
        """Keep an error of what follows for later."""
        try:
            yield
        except RecordingError as error:
            self._errors.append(error)

    def raise_any(self) -> None:
        """Raise what was collected, a sentence each; the first is the reason.

        Raises
        ------
        RecordingError
            With the reason of the first.
        """
        if not self._errors:
            return
        first, *others = self._errors
        details = [error.detail.removeprefix(f"{self.where}: ") for error in others]
        further = "".join(f". {text[:1].upper()}{text[1:]}" for text in details)
        raise RecordingError(first.reason, first.detail + further)


def split_label(name: str) -> Channel:
    """Return the channel of a column whose heading may end in its unit: `ICP [kPa]`.

    What stands in square brackets is a unit. Round and curly brackets have other uses too
    (`ICP (2)`): without a known unit they are part of the name.
    """
    label, bracket, rest = name.partition("[")
    if bracket and rest.rstrip().endswith("]"):
        return Channel(name, label.strip(), rest.rstrip()[:-1].strip() or None)
    return Channel(name, *split_bracket(name, is_unit=units.is_known))


def choose(channels: Sequence[Channel], wanted: Wanted, *, where: str) -> Channel | None:
    """Return the channel that the study means, or None when there is none.

    The study's own name counts first and must be exact (whole, or without the unit's bracket);
    else any alias, without regard to case, accents and the amount of white space; the first
    that is there where the study takes the first. Aliases with a `*` count where none of the
    plain ones is there.

    Raises
    ------
    RecordingError
        `ambiguous_channel` when several fit, `no_` and the signal's name when the study names
        a channel that is not there.
    """
    key = f"{wanted.signal}_channel"
    if wanted.channel is not None:
        fitting = [c for c in channels if c.name == wanted.channel]
        fitting = fitting or [c for c in channels if c.label == wanted.channel]
        if not fitting:
            raise RecordingError(
                f"no_{wanted.signal}",
                f"{where}: no channel {wanted.channel!r}; {_nearest(wanted.channel, channels)} "
                f"in column {key} of recordings.csv",
            )
    else:
        of_each = _by_alias(channels, wanted.aliases)
        fitting = [c for c in channels if any(c in found for found in of_each)]
        if wanted.takes_first:
            fitting = next(filter(None, of_each), [])
    if len(fitting) < 2:
        return fitting[0] if fitting else None
    names = ", ".join(repr(c.name) for c in fitting)
    if len({c.name for c in fitting}) < len(fitting):
        cure = "rename all but one of them in the file"
    else:
        cure = (
            f"write {fitting[0].name} (or another of them) in column {key} of recordings.csv, "
            f"or let the order of signals.{wanted.signal}.names decide, by if_several: "
            "first_named"
        )
    raise RecordingError("ambiguous_channel", f"{where}: {names} all fit {key}; {cure}")


def _by_alias(channels: Sequence[Channel], aliases: Sequence[str]) -> list[list[Channel]]:
    """Return the channels that fit each plain alias, or where none does, each pattern."""
    for is_pattern in (False, True):
        of_each = [_called(a, channels) for a in aliases if (ANY in a) == is_pattern]
        if any(of_each):
            return of_each
    return []


def _called(alias: str, channels: Sequence[Channel]) -> list[Channel]:
    return [c for c in channels if fits(alias, c.label) or fits(alias, c.name)]


def choose_all(
    channels: Sequence[Channel], wanted: Sequence[Wanted], problems: Problems
) -> dict[str, Channel]:
    """Return the channel of each wanted signal that the file has, by the signal's name.

    Two devices may record one signal each. A recording without any is refused, as `no_signal`.
    """
    chosen: dict[str, Channel] = {}
    absent: list[Wanted] = []
    for one in wanted:
        with problems.collected():
            channel = choose(channels, one, where=problems.where)
            if channel is None:
                absent.append(one)
                continue
            for other in (name for name, taken in chosen.items() if taken == channel):
                raise RecordingError(
                    "ambiguous_channel",
                    f"{problems.where}: {channel.name!r} fits both {other}_channel and "
                    f"{one.signal}_channel; write two different channels in recordings.csv",
                )
            chosen[one.signal] = channel
    if len(absent) == len(wanted):
        with problems.collected():
            raise RecordingError("no_signal", f"{problems.where}: {_none_of(channels, wanted)}")
    return chosen


def _none_of(channels: Sequence[Channel], wanted: Sequence[Wanted]) -> str:
    names = ", ".join(repr(c.name) for c in channels) or "none"
    signals = " or ".join(one.signal.upper() for one in wanted)
    signal = wanted[0].signal
    of_others = ", and likewise of the other signals" if wanted[1:] else ""
    return (
        f"no {signals} channel among {names}; write the right one in column "
        f"{signal}_channel of recordings.csv, or add its name to signals.{signal}.names in the "
        f"settings{of_others}"
    )


def passed_over(
    channels: Sequence[Channel], wanted: Sequence[Wanted], chosen: Mapping[str, Channel]
) -> tuple[str, ...]:
    """Return a note where a file lacks the first signal, but has channels that are not read.

    One of them may be that signal under a name that the study does not know.
    """
    unread = [c.name for c in channels if c not in chosen.values()]
    if not wanted or wanted[0].signal in chosen or not unread:
        return ()
    signal = wanted[0].signal
    others = ", ".join(name.upper() for name in chosen)
    return (
        f"{signal}_channel: {others} is read, and no {signal.upper()} is among "
        f"{', '.join(map(repr, unread))}; add its name to signals.{signal}.names, or leave it "
        "so",
    )


def unit_of(channel: Channel, wanted: Wanted, *, where: str) -> str:
    """Return the unit of a channel: the file's own, else the one that the study gives.

    Raises
    ------
    RecordingError
        `no_unit`, `unknown_unit`, or `unit_conflict` when file and study disagree.
    """
    key = f"{wanted.signal}_unit"
    if channel.unit is None and wanted.unit is None:
        raise RecordingError(
            "no_unit",
            f"{where}: the file states no unit for {channel.name!r}; write it (such as mmHg) "
            f"in column {key} of recordings.csv",
        )
    stated = [unit for unit in (channel.unit, wanted.unit) if unit is not None]
    if len(stated) == 2 and not _same(*stated, to=wanted.to_unit):
        raise RecordingError(
            "unit_conflict",
            f"{where}: {channel.name!r} is in {channel.unit!r} in the file and in "
            f"{wanted.unit!r} in column {key} of recordings.csv; correct the one that is wrong",
        )
    conversion(stated[0], to=wanted.to_unit, where=f"{where}, {channel.name}")
    return stated[0]


def conversion(unit: str, *, to: str, where: str) -> units.Conversion:
    """Return the conversion to a declared unit, with an unknown unit as a RecordingError."""
    try:
        return units.conversion(unit, to=to)
    except units.UnknownUnit as error:
        raise RecordingError("unknown_unit", f"{where}: {error}") from error


def _same(one: str, other: str, *, to: str) -> bool:
    try:
        return units.conversion(one, to=to) == units.conversion(other, to=to)
    except units.UnknownUnit:
        return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def _nearest(name: str, channels: Sequence[Channel]) -> str:
    names = [c.name for c in channels]
    by_label = {folded(c.label): c.name for c in channels}
    near = difflib.get_close_matches(folded(name), list(by_label), n=1)
    if near:
        return f"did you mean {by_label[near[0]]!r}? Write it"
    return f"write one of {', '.join(map(repr, names)) or '(the file has none)'}"
