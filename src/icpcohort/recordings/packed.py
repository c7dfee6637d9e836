"""Packed integers: the bytes of a signal file to the numbers that they hold.

Sources: signal(5) of the WFDB Applications Guide for the formats named by numbers; Kemp 1992
for the 16 bits of EDF and the published BDF layout for its 24 bits, low byte first in both.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Integers = NDArray[np.signedinteger[Any]]

# bytes, samples in them; a sample begins a new group at every such number of bytes
GROUPS = {
    "8": (1, 1),
    "16": (2, 1),
    "24": (3, 1),
    "32": (4, 1),
    "61": (2, 1),
    "80": (1, 1),
    "160": (2, 1),
    "212": (3, 2),
    "310": (4, 3),
    "311": (4, 3),
}
# bytes that hold a last group of one, and of two samples
_PART_OF_GROUP = {"212": (0, 2), "310": (0, 2, 4), "311": (0, 2, 3)}


def n_bytes(fmt: str, n_samples: int) -> int:
    """Return how many bytes hold a number of samples."""
    size, n_in_group = GROUPS[fmt]
    groups, rest = divmod(n_samples, n_in_group)
    return groups * size + (_PART_OF_GROUP[fmt][rest] if rest else 0)


def unpack(data: Bytes, fmt: str) -> Integers:
    """Return the samples of whole groups of bytes; format 8 gives its differences.

    Source: signal(5). The two highest bits of a group of format 311 mean nothing.
    """
    return _UNPACKERS[fmt](data)


def signed_24(data: Bytes) -> Integers:
    """Return 24-bit numbers, least significant byte first, in two's complement."""
    wide = np.zeros((data.size // 3, 4), np.uint8)
    wide[:, 1:] = data.reshape(-1, 3)
    shifted: NDArray[np.int32] = wide.reshape(-1).view("<i4") >> 8
    return shifted


def _offset_80(data: Bytes) -> Integers:
    return data.astype(np.int16) - 128


def _offset_160(data: Bytes) -> Integers:
    return data.view("<u2").astype(np.int32) - 2**15


def _pairs_212(data: Bytes) -> Integers:
    triples = data.reshape(-1, 3).astype(np.int16)
    values = np.empty((len(triples), 2), np.int16)
    values[:, 0] = triples[:, 0] | (triples[:, 1] & 0x0F) << 8
    values[:, 1] = triples[:, 2] | (triples[:, 1] & 0xF0) << 4
    return _signed(values, 12)


def _triples_310(data: Bytes) -> Integers:
    words = data.view("<u2").reshape(-1, 2).astype(np.int16)
    values = np.empty((len(words), 3), np.int16)
    values[:, :2] = (words >> 1) & 0x3FF
    values[:, 2] = (words[:, 0] >> 11) & 0x1F | ((words[:, 1] >> 11) & 0x1F) << 5
    return _signed(values, 10)


def _triples_311(data: Bytes) -> Integers:
    words = data.view("<u4")
    values = np.empty((len(words), 3), np.int16)
    for i in range(3):
        values[:, i] = (words >> (10 * i)) & 0x3FF
    return _signed(values, 10)


def _signed(values: NDArray[np.int16], bits: int) -> Integers:
    sign = np.int16(1 << (bits - 1))
    signed: NDArray[np.int16] = ((values ^ sign) - sign).reshape(-1)
    return signed


_UNPACKERS: dict[str, Callable[[Bytes], Integers]] = {
    "8": lambda data: data.view("i1"),
    "16": lambda data: data.view("<i2"),
    "24": signed_24,
    "32": lambda data: data.view("<i4"),
    "61": lambda data: data.view(">i2"),
    "80": _offset_80,
    "160": _offset_160,
    "212": _pairs_212,
    "310": _triples_310,
    "311": _triples_311,
}
