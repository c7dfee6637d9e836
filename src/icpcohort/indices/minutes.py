"""Minutes: one patient's trends to minutes with the declared indices, CPPopt and limits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_signals, store
from icpcohort.contracts.declared_indices import by_index
from icpcohort.contracts.setting import Setting
from icpcohort.indices import cppopt, curve_settings, index_settings, reactivity
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


class Rules(NamedTuple):
    """What the minutes of a patient are made by; the first of the curves is the main one."""

    block_s: float
    indices: Mapping[str, index_settings.Rules]
    curves: Mapping[str, curve_settings.Rules]
    declared: Mapping[str, Any]  # the sections that give the minutes columns

    @property
    def main(self) -> curve_settings.Rules:
        """The rules of the curve whose columns have their plain names."""
        return next(iter(self.curves.values()))

    def column(self, column: str, index: str) -> str:
        """Return the name of a column of CPPopt by an index."""
        return column if index == self.main.index.name else by_index(column, index)


def rules_of(settings: Mapping[str, Any]) -> Rules:
    """Return the rules from the sections that make minutes of trends, and `trends.block_s`."""
    return Rules(
        settings["trends"]["block_s"],
        index_settings.rules_of(settings),
        curve_settings.rules_of(settings),
        settings,
    )


def compute(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    rules: Rules,
    subtracted: Mapping[str, float | None],
) -> pl.DataFrame:
    """Compute the minutes of one patient.

    Parameters
    ----------
    trends : contracts.trends; may be empty
    events : rows of contracts.INTERVALS of the patient
    minute_min_valid_fraction : float
        `min_valid_fraction` of the section `minutes`.
    rules : Rules
        What follows from an index is null in the same minutes as the index, those that touch
        an event of its `not_during`.
    subtracted : mapping
        As `by_patient.subtracted` gives it: of each signal that is another less a value of the
        patient that value; the signal is null without it.

    Returns
    -------
    DataFrame, contracts.minutes of what is declared
    """
    table = contracts.minutes(rules.declared)
    if trends.is_empty():
        return store.empty(table)
    minutes = reactivity.to_minutes(
        trends,
        events=events,
        minute_min_valid_fraction=minute_min_valid_fraction,
        block_s=rules.block_s,
        indices=rules.indices,
        declared=rules.declared,
    )
    t_end_s = minutes["t_s"].to_numpy()
    for name, of_curve in rules.curves.items():
        found = cppopt.for_minutes(minutes.select("cpp_mmhg", name), rules=of_curve)
        closed = pl.Series(
            reactivity.touched(t_end_s, events=events, kinds=of_curve.index.not_during)
        )
        minutes = minutes.with_columns(
            found.select(
                pl.when(~closed).then(column).alias(rules.column(column, name))
            ).to_series()
            for column in cppopt.MINUTE_COLUMNS
        )
    minutes = minutes.with_columns(_less(subtracted, declared=rules.declared))
    if "abp" in declared_signals.recorded(rules.declared):
        minutes = transducer_level.of_minutes(trends, minutes)
    return minutes.select(list(table.columns))


def _less(
    subtracted: Mapping[str, float | None], *, declared: Mapping[str, Any]
) -> list[pl.Expr]:
    """Return the signals that are another signal less a value of the patient."""
    series = declared_signals.series(declared)
    return [
        (
            pl.col(series[signal["minuend"]].column) - pl.lit(subtracted[name], pl.Float64())
        ).alias(series[name].column)
        for name, signal in declared_signals.of_patients(declared).items()
    ]
