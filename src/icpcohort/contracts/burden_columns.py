"""Burden columns: the names of the burden measures in the analysis table, and their words."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from icpcohort.contracts.columns import Column
from icpcohort.contracts.indices import BURDEN

SIDES = (("icp", "above"), ("cpp", "below"))
MEASURES = (
    *("dose_mmhg_h", "dose_per_h_mmhg", "percent_time"),
    *("n_episodes", "longest_episode_min"),
)

NAME = re.compile(r"(icp|cpp)_(above|below)_([0-9]+(?:_[0-9]+)?)_([a-z].*)")
_WORDS = {
    "dose_mmhg_h": "the {signal} dose {beyond} (mmHg·h)",
    "dose_per_h_mmhg": "the {signal} dose {beyond} per monitored hour (mmHg·h/h)",
    "percent_time": "the time with {signal} {beyond} (% of the valid minutes)",
    "n_episodes": "the number of episodes with {signal} {beyond}",
    "longest_episode_min": "the longest episode with {signal} {beyond} (min)",
}


def name(*, signal: str, side: str, threshold_mmhg: float, measure: str) -> str:
    """Return the analysis table's name of one burden measure."""
    threshold = f"{threshold_mmhg:g}".replace(".", "_")
    return f"{signal}_{side}_{threshold}_{measure}"


def words(column: str) -> str | None:
    """Return a burden column in words with its unit; None for any other column."""
    parts = NAME.fullmatch(column)
    if not parts or parts[4] not in _WORDS:
        return None
    beyond = f"{parts[2]} {parts[3].replace('_', '.')} mmHg"
    return _WORDS[parts[4]].format(signal=parts[1].upper(), beyond=beyond)


def thresholds(burden: Mapping[str, Any]) -> Iterator[tuple[str, str, float]]:
    """Yield signal, side and threshold [mmHg] of every burden that is added up, in order.

    Parameters
    ----------
    burden : mapping
        The section `burden` of the settings, or its lists `icp_above_mmhg` and
        `cpp_below_mmhg` alone; a list that is absent has no thresholds.
    """
    for signal, side in SIDES:
        for threshold_mmhg in burden.get(f"{signal}_{side}_mmhg", ()):
            yield signal, side, threshold_mmhg


def names(burden: Mapping[str, Any]) -> list[str]:
    """Return the names of the burden columns of the analysis table; see `thresholds`."""
    return [
        name(signal=signal, side=side, threshold_mmhg=threshold_mmhg, measure=measure)
        for signal, side, threshold_mmhg in thresholds(burden)
        for measure in MEASURES
    ]


def wide(burden: Mapping[str, Any]) -> dict[str, Column]:
    """Return the burden columns of the analysis table, in order; see `thresholds`."""
    columns = {}
    for signal, side, threshold_mmhg in thresholds(burden):
        beyond = f"{signal.upper()} {side} {threshold_mmhg:g} mmHg"
        for measure in MEASURES:
            column = name(
                signal=signal, side=side, threshold_mmhg=threshold_mmhg, measure=measure
            )
            columns[column] = _of_threshold(BURDEN.columns[measure], beyond)
    return columns


def _of_threshold(measure: Column, beyond: str) -> Column:
    about = f"{measure.label} of {beyond}"
    return Column(
        measure.dtype, measure.unit, about, decimals=measure.decimals, role=measure.role
    )
