"""Differences: the derived signals, each one recorded signal less another of the same block."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.contracts import declared_signals


def add(trends: pl.DataFrame, *, declared: Mapping[str, Any]) -> pl.DataFrame:
    """Return trends with a column for each derived signal, null where either signal is.

    Parameters
    ----------
    trends : DataFrame, one row per block
        The columns of the recorded signals, brought to their levels.
    declared : mapping
        Sections `signals` and `derived_signals` of the settings.

    Source: CPP = MAP - ICP, common practice.
    """
    column = {name: one.column for name, one in declared_signals.series(declared).items()}
    return trends.with_columns(
        (pl.col(column[of["minuend"]]) - pl.col(column[of["subtrahend"]])).alias(column[name])
        for name, of in declared_signals.derived(declared).items()
    )


def methods_sentence(declared: Mapping[str, Any]) -> str:
    """Return the report's sentence for `add`, after a blank; none without a difference."""
    label = {name: one.about.label for name, one in declared_signals.series(declared).items()}
    each = [
        f"{label[name]} was {label[of['minuend']]} - {label[of['subtrahend']]}"
        for name, of in declared_signals.derived(declared).items()
    ]
    return f" {', '.join(each)} of the same block." if each else ""
