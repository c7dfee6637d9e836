"""Samples of WFDB signal files: any stretch of frames, as the digital numbers of the file.

A frame has one sample, or several, of each signal of the file. The FLAC formats come through
libsndfile; all others are taken apart in `packed`. The wfdb library is not used for samples: it
(4.3.1) gives format 61 only in physical values and takes an unused bit of format 311 for a part
of the sample.

Source: signal(5) of the WFDB Applications Guide; RFC 9639 for FLAC.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from icpcohort.recordings import packed
from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.packed import Integers

# The code of an invalid sample. Source: signal(5) and the table in the wfdb library 4.3.1.
INVALID_CODE: dict[str, int | None] = {
    "8": None,
    "16": -(2**15),
    "24": -(2**23),
    "32": -(2**31),
    "61": -(2**15),
    "80": -(2**7),
    "160": -(2**15),
    "212": -(2**11),
    "310": -(2**9),
    "311": -(2**9),
    "508": -(2**7),
    "516": -(2**15),
    "524": -(2**23),
}
_FLAC_BITS = {"508": 8, "516": 16, "524": 24}
_SUBTYPE_BITS = {"PCM_S8": 8, "PCM_16": 16, "PCM_24": 24}
_FLAC_STREAM_BYTES = 26  # signature, block header, and as much of STREAMINFO as counts samples


def check_length(
    path: Path, *, fmt: str, per_frame: Sequence[int], byte_offset: int, n_frames: int
) -> None:
    """Refuse a signal file that is shorter than its header promises.

    Parameters
    ----------
    per_frame : samples in a frame, for each signal of the file
    byte_offset : bytes before the first frame; of a FLAC file samples of each channel
    """
    if fmt in packed.GROUPS:
        needed = byte_offset + packed.n_bytes(fmt, n_frames * sum(per_frame))
        n_there, what = path.stat().st_size, "bytes"
    else:
        if len(set(per_frame)) > 1:
            raise RecordingError(
                "bad_header",
                f"{path.name}: a FLAC file has one sampling rate; correct the samples per "
                "frame in the header",
            )
        needed, n_there = byte_offset + n_frames * per_frame[0], _flac_samples(path)
        what = "samples in a channel"
    if n_there < needed:
        raise RecordingError(
            "truncated",
            f"{path.name}: {n_there} {what}, but the header promises {needed}; "
            "restore the file",
        )


def _flac_samples(path: Path) -> int:
    """Return the samples of one channel in a FLAC file (RFC 9639, section 8.2)."""
    with path.open("rb") as file:
        head = file.read(_FLAC_STREAM_BYTES)
    if len(head) < _FLAC_STREAM_BYTES or head[:4] != b"fLaC":
        raise RecordingError("unreadable", f"{path.name}: not a FLAC file; restore it")
    return int.from_bytes(head[18:26], "big") & (2**36 - 1)


def read_frames(
    path: Path, *, fmt: str, per_frame: Sequence[int], byte_offset: int, first: int, n: int
) -> Integers:
    """Return `n` frames from the frame `first` on: (n, sum of `per_frame`) digital numbers.

    Raises
    ------
    RecordingError
        `truncated` when the file ends before; `bad_header` when a FLAC file is not what the
        header says.
    """
    if fmt in _FLAC_BITS:
        return _flac_frames(path, fmt, per_frame, byte_offset, first, n)
    width = sum(per_frame)
    size, n_in_group = packed.GROUPS[fmt]
    group, lead = divmod(first * width, n_in_group)
    n_groups = -(-(lead + n * width) // n_in_group)
    needed = n_groups * size
    data = np.fromfile(path, np.uint8, count=needed, offset=byte_offset + group * size)
    if data.size < packed.n_bytes(fmt, lead + n * width):
        raise RecordingError("truncated", f"{path.name}: ends early; restore the file")
    if data.size < needed:  # the last group of a file may be shorter than a whole one
        data = np.append(data, np.zeros(needed - data.size, np.uint8))
    return packed.unpack(data, fmt)[lead : lead + n * width].reshape(n, width)


def _flac_frames(
    path: Path, fmt: str, per_frame: Sequence[int], offset: int, first: int, n: int
) -> NDArray[np.int32]:
    """Read a FLAC file, of which each channel is one signal (signal(5))."""
    import soundfile  # here, because only these formats need libsndfile

    try:
        with soundfile.SoundFile(path) as file:
            bits, n_channels = _SUBTYPE_BITS.get(file.subtype, 32), file.channels
            file.seek(offset + first * per_frame[0])
            samples = file.read(n * per_frame[0], dtype="int32", always_2d=True)
    except soundfile.SoundFileError as error:
        raise RecordingError(
            "unreadable", f"{path.name}: a damaged FLAC file; restore it"
        ) from error
    if n_channels != len(per_frame) or bits > _FLAC_BITS[fmt]:
        raise RecordingError(
            "bad_header",
            f"{path.name}: {n_channels} channels of {bits} bits, but the header says "
            f"{len(per_frame)} of {_FLAC_BITS[fmt]}; correct the header",
        )
    if len(samples) < n * per_frame[0]:
        raise RecordingError("truncated", f"{path.name}: ends early; restore the file")
    # libsndfile fills 32 bits from the top
    frames = (samples >> (32 - bits)).reshape(n, per_frame[0], len(per_frame))
    by_frame: NDArray[np.int32] = frames.transpose(0, 2, 1).reshape(n, -1)
    return by_frame
