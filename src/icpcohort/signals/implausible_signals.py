"""Implausible signals: what level and pulse of one recording's signals say of each other.

Every suspicion is of ICP and ABP in mmHg, but for two signals with the same numbers.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from icpcohort.signals.plausibility_settings import Settings
from icpcohort.signals.suspicion import LEAVE_OUT, S_PER_H, Course, Suspicion

# Ratio of what is read to what it may be, and the slip behind it.
SLIPS = {
    7.5: "kPa taken as mmHg",
    10.0: "a tenth of the value",
    1 / 7.5: "mmHg taken as kPa",
    0.1: "ten times the value",
}
# Levels and pulses [mmHg] that most patients have, wide: which slip explains a reading.
_USUAL = {"abp": ((45.0, 140.0), (18.0, 130.0)), "icp": ((2.0, 40.0), (1.0, 15.0))}
_LOW_ICP_MMHG = (0.4, 5.4)  # 3 to 40 mmHg in kPa, or a tenth of 4 to 54
_LOW_ICP_PULSE_MMHG = 1.6
_LOW_ICP_SPREAD_MMHG = 1.2  # of the middle 80 % of the minutes, in mmHg it would be 9
_SAME = 0.01  # means of a minute of two signals are nearer than this only in a copy
_SAME_SHARE = 0.95
_MUCH_H = 6.0  # without a pulse, where the whole recording is longer


def same_numbers(signals: Sequence[Course]) -> Iterator[Suspicion]:
    """Yield each pair of signals that have the same numbers; levels that stand still do not."""
    for one, other in combinations(signals, 2):
        _, at, beside = np.intersect1d(one.t_s, other.t_s, return_indices=True)
        if at.size < 5 or np.ptp(one.level[at]) <= _SAME:
            continue
        share = float((np.abs(one.level[at] - other.level[beside]) <= _SAME).mean())
        if share >= _SAME_SHARE:
            yield one.suspect(
                "same_numbers",
                f"{one.label} and {other.label} have the same numbers in {100 * share:.0f} % of"
                f" {at.size} minutes",
                f"which channels are mapped: write the right ones into {one.signal}_channel and"
                f" {other.signal}_channel of recordings.csv, {LEAVE_OUT}",
            )


def constant(signals: Sequence[Course], *, min_h: float) -> Iterator[Suspicion]:
    """Yield the signals that do not move in all of a recording."""
    for one in signals:
        if one.hours >= min_h and one.t_s.size >= 5 and np.ptp(one.level) <= _SAME:
            yield one.suspect(
                "constant",
                f"{one.label} is {one.median:g} in all of {one.hours:.1f} h",
                "whether a sensor was connected, and whether the channel is the right one"
                f" ({one.signal}_channel of recordings.csv), {LEAVE_OUT}",
            )


def exchanged(icp: Course, abp: Course) -> Iterator[Suspicion]:
    """Yield that ICP has the level and the pulse of ABP, and ABP those of ICP."""
    as_levels = icp.median > 45 and abp.median < 45 and icp.median > abp.median + 15
    both_pulse = icp.has_pulse and abp.has_pulse
    as_pulses = icp.median_pulse > 2 * abp.median_pulse if both_pulse else abp.median < 40
    if as_levels and as_pulses:
        yield icp.suspect(
            "exchanged",
            f"ICP is {icp.medians()}, ABP {abp.medians()} (medians)",
            "whether the two channels are exchanged: write the right ones into icp_channel and"
            f" abp_channel of recordings.csv, {LEAVE_OUT}",
        )


def of_icp(icp: Course, settings: Settings, *, by_abp: bool) -> Iterator[Suspicion]:
    """Yield what level and pulse of ICP show.

    Parameters
    ----------
    by_abp : bool
        ABP of the recording is in a wrong unit, so that a low ICP is too.
    """
    if icp.median > settings.icp_high_mmhg:
        yield _unit(icp) or _icp_level(icp, settings)
    elif icp.median < settings.icp_low_mmhg:
        yield _icp_level(icp, settings)
    elif (_is_low(icp) or (by_abp and icp.median < _LOW_ICP_MMHG[1])) and (slip := _unit(icp)):
        yield slip
    elif icp.median_pulse > max(settings.icp_max_pulse_mmhg, icp.median):
        yield icp.suspect(
            "large_pulse",
            f"ICP is {icp.medians()} (medians): the pulse is larger than the level",
            f"scale and zero of ICP in the export, and which channel it is, {LEAVE_OUT}",
        )
    else:
        yield from _no_pulse(icp, settings.icp_min_pulse_mmhg, settings.min_h)


def of_abp(abp: Course, settings: Settings) -> Iterator[Suspicion]:
    """Yield what level and pulse of ABP show."""
    if settings.abp_low_mmhg <= abp.median <= settings.abp_high_mmhg:
        yield from _no_pulse(abp, settings.abp_min_pulse_mmhg, settings.min_h)
    elif slip := _unit(abp):
        yield slip
    elif abp.median < settings.abp_low_mmhg:
        yield abp.suspect(
            "not_arterial",
            f"ABP is {abp.medians()} (medians)",
            "whether the channel is arterial (a venous or an intracranial pressure has such"
            " levels): write the right one into abp_channel of recordings.csv, or look whether"
            f" the line was connected, {LEAVE_OUT}",
        )
    else:
        yield abp.suspect(
            "abp_level",
            f"ABP is {abp.medians()} (medians), above {settings.abp_high_mmhg:g} mmHg",
            f"unit, scale and zero of ABP in the export, {LEAVE_OUT}",
        )


def _is_low(icp: Course) -> bool:
    """Tell whether ICP is low in level, in pulse and in what it varies, and never below 0.

    A patient with an ICP near 0 has minutes below 0, and varies more.
    """
    is_number = not icp.has_pulse
    return (
        _LOW_ICP_MMHG[0] <= icp.median <= _LOW_ICP_MMHG[1]
        and (is_number or icp.median_pulse < _LOW_ICP_PULSE_MMHG)
        and icp.spread() < _LOW_ICP_SPREAD_MMHG
        and float(np.percentile(icp.level, 1)) > 0
        and not (is_number and np.all(icp.level == np.round(icp.level)))
    )


def _unit(one: Course) -> Suspicion | None:
    """Return that a slip of unit or scale would explain level and pulse; else None."""
    levels, pulses = _USUAL[one.signal]
    fitting = {
        factor: slip
        for factor, slip in SLIPS.items()
        if levels[0] <= factor * one.median <= levels[1]
        and (not one.has_pulse or pulses[0] <= factor * one.median_pulse <= pulses[1])
    }
    if not fitting:
        return None
    words = [
        f"times {factor:.3g} ({slip}) it would be {one.medians(factor)}"
        for factor, slip in fitting.items()
    ]
    aside = ""
    if one.signal == "abp":
        aside = ", whether it is arterial at all,"
    elif min(fitting) < 1:
        aside = ", whether the patient was so ill,"
    return one.suspect(
        "unit",
        f"{one.label} is {one.medians()} (medians); {'; '.join(words)}",
        f"unit and scale of {one.label} in the export{aside} and"
        f" {one.signal}_unit of recordings.csv, where the file states none: correct it there,"
        f" or export again, {LEAVE_OUT}",
    )


def _icp_level(icp: Course, settings: Settings) -> Suspicion:
    limits = f"outside {settings.icp_low_mmhg:g} to {settings.icp_high_mmhg:g} mmHg"
    return icp.suspect(
        "icp_level",
        f"ICP is {icp.medians()} (medians), {limits}",
        f"zero, scale and channel of ICP, and whether the patient was so ill, {LEAVE_OUT}",
    )


def _no_pulse(one: Course, min_mmhg: float, min_h: float) -> Iterator[Suspicion]:
    """Yield that a waveform has no pulse for half of its minutes, or for many hours."""
    lost = one.pulse < min_mmhg
    hours = float(one.width_s[lost].sum()) / S_PER_H
    if hours >= min_h and (lost.mean() >= 0.5 or hours >= _MUCH_H):
        yield without_pulse(one, f"below {min_mmhg:g} mmHg in {hours:.1f} of {one.hours:.1f} h")


def without_pulse(one: Course, where: str) -> Suspicion:
    """Return that a level without a pulse is no waveform of a pressure."""
    return one.suspect(
        "no_pulse",
        f"{one.label} is {one.median:.1f} mmHg (median), its pulse is {where}",
        f"whether the channel is a waveform or a number held, and whether the sensor or line"
        f" was open to the pressure, {LEAVE_OUT}",
    )


def of_recording(
    signals: Mapping[str, Course], settings: Settings, *, pressures: frozenset[str]
) -> list[Suspicion]:
    """Return every suspicion of one recording, the first explanation of each signal alone.

    Parameters
    ----------
    signals : mapping of name to Course
        ICP or ABP may be of another recording of the same time.
    pressures : names among icp and abp that are in mmHg
    """
    known = list(signals.values())
    rows = [*same_numbers(known), *constant(known, min_h=settings.min_h)]
    explained = {row.signal for row in rows}
    explained |= {name for row in rows if row.kind == "same_numbers" for name in signals}
    icp, abp = (
        signals.get(name) if name in pressures - explained else None for name in ("icp", "abp")
    )
    if icp and abp and (found := list(exchanged(icp, abp))):
        return rows + found
    of_artery = list(of_abp(abp, settings)) if abp else []
    by_abp = any(row.kind == "unit" for row in of_artery)
    of_brain = list(of_icp(icp, settings, by_abp=by_abp)) if icp else []
    return rows + of_brain + of_artery
