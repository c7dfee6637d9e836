"""Indices: one patient's trends to minutes with PRx and its relatives, CPPopt and limits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.contracts.setting import Setting
from icpcohort.indices import cppopt, reactivity
from icpcohort.indices.curve_settings import Rules
from icpcohort.signals import transducer_level


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Minute means."""

    min_valid_fraction: Annotated[
        float,
        Setting(
            "Share of a minute's blocks that must be valid",
            "common practice, no source: no agreed rule, half or more of the readings is usual"
            " (from memory, medium)",
            0.5,
            above=0,
            at_most=1,
        ),
    ]


def compute(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    rules: Rules,
) -> pl.DataFrame:
    """Compute the minutes of one patient.

    Parameters
    ----------
    trends : contracts.trends; may be empty
    events : rows of contracts.INTERVALS of the patient
    minute_min_valid_fraction : float
        `min_valid_fraction` of the section `minutes`.
    rules : curve_settings.Rules
        What follows from PRx is null in the same minutes as PRx, those that touch an event of
        `rules.prx.not_during`.

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
            rules=rules.prx,
        ),
        rules=rules,
    )
    closed = reactivity.touched(
        minutes["t_s"].to_numpy(), events=events, kinds=rules.prx.not_during
    )
    return transducer_level.of_minutes(trends, minutes).with_columns(
        pl.when(~pl.Series(closed)).then(name).alias(name) for name in cppopt.MINUTE_COLUMNS
    )
