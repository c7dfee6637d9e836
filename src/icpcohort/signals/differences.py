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
    column = {name: one.column for name, one in declared_signals.of_blocks(declared).items()}
    return trends.with_columns(
        (pl.col(column[of["minuend"]]) - pl.col(column[of["subtrahend"]])).alias(column[name])
        for name, of in declared_signals.derived(declared).items()
    )


def methods_sentence(declared: Mapping[str, Any]) -> str:
    """Return the report's sentences for `add`, after a blank; none without a difference."""
    label = {name: one.about.label for name, one in declared_signals.series(declared).items()}
    each = [
        f"{label[name]} was {label[of['minuend']]} - {label[of['subtrahend']]}"
        for name, of in declared_signals.derived(declared).items()
    ]
    sentence = f" {', '.join(each)} of the same block." if each else ""
    return sentence + "".join(
        f" {label[name]} was {label[of['minuend']]} less {_of_patient(of)}, minute by minute."
        for name, of in declared_signals.of_patients(declared).items()
    )


def _of_patient(signal: Mapping[str, Any]) -> str:
    """Return what is taken from a signal: 40 from age_years 0 and 50 from 6."""
    column, steps = signal["of_patient"], signal.get("steps", ())
    if not steps:
        return f"the patient's {column}"
    values = [f"{step['subtract']:g} from {step['from_value']:g}" for step in steps]
    return f"a value by {column} ({', '.join(values)})"
