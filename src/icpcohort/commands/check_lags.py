"""Check of lags: ICP and ABP that are out of step, from the beginning of each waveform.

A check may only read a sample: the first 20 min of a recording, or of two that begin together.
A lag that comes later, or that only numbers have, is left to the run.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from icpcohort import recordings
from icpcohort.commands.check_tables import Opened, named, placed
from icpcohort.contracts.declared_signals import ABP, ICP
from icpcohort.recordings import examine
from icpcohort.signals import cells, compared_files, device_lag

SAMPLE_S = 1200.0
CHUNK_S = 60.0
MAX_NAMED = 10


def notes(
    opened: Sequence[Opened], *, places: recordings.Places, opening: examine.Opening
) -> list[str]:
    """Return a line for each lag over 1 s, rounded to a second, with its recordings.

    Only recordings whose patient and start are known are read, and only those with waveforms
    of both signals, or of one while another recording of the patient begins with the other.
    """
    of_lag: dict[int, list[str]] = defaultdict(list)
    unread = []
    for all_of in placed(opened).values():
        names = [str(one.row.values.get("recording_id")) for one in all_of]
        spans = [_span(one) for one in all_of]
        kept: dict[int, compared_files.Kept] = {}
        lags: dict[str, list[device_lag.Lag]] = defaultdict(list)
        for number, asked in enumerate(compared_files.compared(spans)):
            one, span = all_of[number], spans[number]
            if asked.pulses or all(span.has_waveform(name) for name in (ICP, ABP)):
                try:
                    lags[names[number]], kept[number] = _sampled(
                        one, asked._replace(numbers=()), places=places, opening=opening
                    )
                except recordings.RecordingError as error:
                    unread.append(f"{named(one.row)}, {error.detail} [{error.reason}]")
        numbers = list(kept)
        for icp, abp, lag in compared_files.between([kept[number] for number in numbers]):
            lags[f"{names[numbers[icp]]} (ABP of {names[numbers[abp]]})"].append(lag)
        for name, of_name in lags.items():
            clear_s = [lag.lag_s for lag in of_name if lag.is_clear]
            if clear_s and abs(np.median(clear_s)) > device_lag.IN_STEP_S:
                of_lag[round(float(np.median(clear_s)))].append(name)
    return [_line(lag_s, names) for lag_s, names in sorted(of_lag.items())] + unread


def _span(one: Opened) -> compared_files.Span:
    """Return the part of a recording that is read."""
    end_s = min(one.end_s, one.start_s + SAMPLE_S)
    return compared_files.Span(one.about, one.start_s, end_s)


def _sampled(
    one: Opened,
    asked: compared_files.Compared,
    *,
    places: recordings.Places,
    opening: examine.Opening,
) -> tuple[list[device_lag.Lag], compared_files.Kept]:
    """Return the lags within the beginning of a recording, and what others need of it."""
    chunks = recordings.read_chunks(
        places.path_of(one.row.values["path"]),
        one.about,
        timing=examine.timing(one.row.values, opening),
        whose=examine.whose(one.row.values, opening),
        chunk_s=CHUNK_S,
    )
    follower = device_lag.Follower()
    lags: list[device_lag.Lag] = []
    keepers = compared_files.Keepers(asked)
    for stretch in cells.align(_beginning(chunks), start_s=one.start_s, block_s=10.0):
        lags += follower.push(stretch)
        keepers.push(stretch)
    return [*lags, *follower.finish()], keepers.finish()


def _beginning(chunks: Iterable[recordings.Chunk]) -> Iterator[recordings.Chunk]:
    for chunk in chunks:
        if chunk.start_s >= SAMPLE_S:
            return
        yield chunk


def _line(lag_s: int, names: Sequence[str]) -> str:
    more = f" and {len(names) - MAX_NAMED} more" if len(names) > MAX_NAMED else ""
    return (
        f"ICP and ABP are out of step by about {abs(lag_s)} s "
        f"({'ICP' if lag_s > 0 else 'ABP'} comes later) at the beginning of "
        f"{', '.join(names[:MAX_NAMED])}{more}; look at the devices' clocks, or write "
        "correct_lag: measured under trends"
    )
