"""Indices: one patient's trends to minutes with PRx and its relatives, CPPopt and limits."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.indices import cpp_curve, cppopt, reactivity
from icpcohort.signals import transducer_level


def compute(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    correlations: reactivity.CorrelationRules,
    not_during: Sequence[str],
    curve: cpp_curve.CurveRules,
    windows_min: Sequence[int],
    min_valid_fraction: float,
) -> pl.DataFrame:
    """Compute the minutes of one patient.

    Parameters
    ----------
    trends : contracts.TRENDS; may be empty
    events : rows of contracts.INTERVALS of the patient
    minute_min_valid_fraction, correlations, not_during
        Of `reactivity.to_minutes`.
    windows_min, min_valid_fraction, curve
        Of `cppopt.for_minutes`. What follows from PRx is null in the same minutes as
        PRx, those that touch an event of `not_during`.

    Returns
    -------
    DataFrame, contracts.MINUTES
    """
    if trends.is_empty():
        return store.empty(contracts.MINUTES)
    minutes = cppopt.for_minutes(
        reactivity.to_minutes(
            trends,
            events=events,
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=correlations,
            not_during=not_during,
        ),
        windows_min=windows_min,
        min_valid_fraction=min_valid_fraction,
        rules=curve,
    )
    closed = reactivity.touched(minutes["t_s"].to_numpy(), events=events, kinds=not_during)
    return transducer_level.of_minutes(trends, minutes).with_columns(
        pl.when(~pl.Series(closed)).then(name).alias(name) for name in cppopt.MINUTE_COLUMNS
    )
