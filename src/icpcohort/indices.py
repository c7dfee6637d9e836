"""Indices: one patient's trends to minutes, CPPopt and the curve of the whole recording."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts, curves, optimal_cpp, reactivity, store
from icpcohort.trends import BLOCK_S


class Indices(NamedTuple):
    """Contracts MINUTES, CURVES and OPTIMA (one row)."""

    minutes: pl.DataFrame
    curve: pl.DataFrame
    optimum: pl.DataFrame


def compute(
    patient_id: str,
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    correlations: reactivity.CorrelationRules,
    not_during: Sequence[str],
    curve: curves.CurveRules,
    windows_min: Sequence[int],
    min_valid_fraction: float,
) -> Indices:
    """Compute all indices of one patient.

    Parameters
    ----------
    trends : contracts.TRENDS; may be empty
    events : rows of contracts.EVENTS of the patient
    minute_min_valid_fraction, correlations, not_during
        Of `reactivity.to_minutes`.
    curve : what `optimal_cpp.for_minutes` and `for_recording` share
    windows_min, min_valid_fraction
        Of `optimal_cpp.for_minutes`. What follows from PRx is null in the same minutes as
        PRx, those that touch an event of `not_during`. The whole recording's curve asks for
        as many minutes as the shortest of these windows.
    """
    if trends.is_empty():
        none = {"patient_id": patient_id, "n_minutes": 0, "reason": "no_data"}
        schema = {name: column.dtype for name, column in contracts.OPTIMA.columns.items()}
        optimum = pl.DataFrame([{name: none.get(name) for name in schema}], schema=schema)
        return Indices(store.empty(contracts.MINUTES), store.empty(contracts.CURVES), optimum)
    by_minute = optimal_cpp.for_minutes(
        reactivity.to_minutes(
            trends,
            trends_block_s=BLOCK_S,
            events=events,
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=correlations,
            not_during=not_during,
        ),
        windows_min=windows_min,
        min_valid_fraction=min_valid_fraction,
        rules=curve,
    )
    closed = reactivity.touched(by_minute["t_s"].to_numpy(), events=events, kinds=not_during)
    by_minute = by_minute.with_columns(
        pl.when(~pl.Series(closed)).then(name).alias(name)
        for name in optimal_cpp.MINUTE_COLUMNS
    )
    whole = optimal_cpp.for_recording(
        by_minute,
        min_minutes=min_valid_fraction * min(windows_min),
        rules=curve,
    )
    optimum = pl.DataFrame(
        [{"patient_id": patient_id} | whole.optimum],
        schema={name: column.dtype for name, column in contracts.OPTIMA.columns.items()},
    )
    return Indices(by_minute, whole.curve, optimum)
