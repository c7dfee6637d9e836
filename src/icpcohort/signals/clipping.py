"""Clipping: whether a waveform's extremes are held, as a sensor or a file holds its limit.

It asks the samples alone, never the scale of their file: a writer may scale a file to the
data's own extremes, and a sensor may have a limit far from that of the file.
"""

import numpy as np
from numpy.typing import NDArray

MIN_AT_TOP, MIN_AT_BOTTOM = 3, 5  # successive equal samples: a diastole is flatter
APPROACH = 5  # for as many equal samples at the top, one before them is looked at

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


def held_extremes(
    samples: Reals, begins: NDArray[np.int64], *, low: Reals, high: Reals
) -> tuple[Flags, Flags]:
    """Return for each second whether its lowest, and its highest, reading is held.

    Parameters
    ----------
    samples : (n,) in the unit of the signal
    begins : (seconds,)
        First sample of each second.
    low, high : (seconds,)
        The lowest and highest reading of each.

    Held: `MIN_AT_TOP` or more successive samples have it, or `MIN_AT_BOTTOM` if it is the
    lowest, after a faster approach than the rounded top of a smooth wave has. The approach to
    a highest value is seen from a fifth of their number before them; that to a lowest one from
    the sample before, since a pulse falls steeply into a level diastole. Rounding is the
    smallest change in that second. How a value is left does not count: the rise of a pulse
    ends its diastole.

    Source: no source. A parabola that rounding holds for n samples moves by less than
    4 (m / n) (1 + m / n) roundings over the m samples before, and rounding adds less than one.
    """
    change = np.diff(samples)
    change[begins[1:] - 1] = np.nan  # each second is judged by its own samples
    same = change == 0
    none = np.zeros(begins.size, np.bool_)
    if not (same[1:] & same[:-1]).any():
        return none, none
    edges = np.diff(same.astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long = last - first + 1 >= MIN_AT_TOP
    first, last = first[long], last[long]
    second = np.searchsorted(begins, first, side="right") - 1
    at_low, at_high = samples[first] == low[second], samples[first] == high[second]
    at_low &= last - first + 1 >= MIN_AT_BOTTOM
    extreme = at_low | at_high
    first, last, second = first[extreme], last[extreme], second[extreme]
    steps = np.abs(np.append(change, np.nan))
    rounding = np.minimum.reduceat(np.where(steps > 0, steps, np.inf), begins)
    n = last - first + 1
    m = np.where(at_high[extreme], np.maximum(n // APPROACH, 1), 1)
    before = first - m
    moved = np.abs(samples[first] - samples[np.maximum(before, 0)])
    held = moved > (1 + 4 * m / n * (1 + m / n)) * rounding[second]
    held &= before >= begins[second]
    flags = []
    for at in (at_low[extreme], at_high[extreme]):
        flag = none.copy()
        flag[second[held & at]] = True
        flags.append(flag)
    return flags[0], flags[1]
