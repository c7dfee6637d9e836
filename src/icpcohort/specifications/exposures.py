"""Exposures: what the patients were exposed to by other settings, made again from trends."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_signals
from icpcohort.exposures import burden, burden_settings, summary
from icpcohort.indices import index_settings
from icpcohort.indices import minutes as indices
from icpcohort.signals import differences, transducer_level


class Patient(NamedTuple):
    """What one patient's minutes are made of."""

    patient_id: str
    trends: pl.DataFrame  # contracts.trends
    intervals: Sequence[Mapping[str, Any]]  # rows of contracts.INTERVALS
    level: Mapping[str, Any]  # as `tables.level_of` gives it
    events: Sequence[Mapping[str, Any]]  # rows of contracts.EVENTS
    subtracted: Mapping[str, float | None]  # as `by_patient.subtracted` gives it


class Exposures(NamedTuple):
    """Contracts summary and BURDEN; of several settings exposed_summary and EXPOSED_BURDEN."""

    summary: pl.DataFrame
    burden: pl.DataFrame


def add_up_all(
    patients: Iterable[Patient],
    *,
    signals: str,
    settings: Mapping[str, Mapping[str, Any]],
    levels_of_trends: Mapping[str, Any],
    declared: Mapping[str, Any],
    shift: Mapping[str, float],
) -> Exposures:
    """Make the minutes once, and the exposures of each settings from them.

    Parameters
    ----------
    patients, levels_of_trends, declared, shift
        Of `minutes`.
    signals
        Name of what makes the minutes, for the tables.
    settings : the settings, by the name of what makes the exposures

    Returns
    -------
    Exposures
        Contracts exposed_summary and EXPOSED_BURDEN.
    """
    made = minutes(
        patients,
        settings=next(iter(settings.values())),
        levels_of_trends=levels_of_trends,
        declared=declared,
        shift=shift,
    )
    parts = [
        Exposures(*(table.select(*_names(signals, name), pl.all()) for table in exposures))
        for name, exposures in (
            (name, add_up(made, settings=one)) for name, one in settings.items()
        )
    ]
    return Exposures(*(pl.concat(tables) for tables in zip(*parts, strict=True)))


def _names(signals: str, exposures: str) -> tuple[pl.Expr, pl.Expr]:
    return pl.lit(signals).alias("signals"), pl.lit(exposures).alias("exposures")


def minutes(
    patients: Iterable[Patient],
    *,
    settings: Mapping[str, Any],
    levels_of_trends: Mapping[str, Any],
    declared: Mapping[str, Any],
    shift: Mapping[str, float],
) -> pl.DataFrame:
    """Make the minutes of patients by other settings than the main ones.

    Parameters
    ----------
    patients
        Their trends carry the level correction of `levels_of_trends`.
    settings : mapping
        Blocks `levels`, `minutes`, `reactivity` and `optimal_cpp` are used, and the length of
        a block of the trends.
    levels_of_trends : mapping
        The block `levels` with which the trends were made.
    declared : mapping
        Sections `signals` and `derived_signals` of the settings.
    shift : icp_mmhg, abp_unless_tragus_mmhg [mmHg]
        Added to ICP, and to ABP where it is not known to be of the tragus; CPP follows.

    Returns
    -------
    DataFrame, contracts.minutes with `patient_id`
    """
    rules, table = indices.rules_of(settings), contracts.minutes(settings)
    level = transducer_level.Settings(**settings["levels"])
    made = [pl.DataFrame(schema={"patient_id": pl.String(), **_types(table)})]
    for one in patients:
        trends = one.trends
        if settings["levels"] != levels_of_trends:
            levelled = transducer_level.apply(
                _as_recorded(trends),
                patient=one.level,
                events=one.events,
                settings=level,
            )
            trends = differences.add(levelled, declared=declared)
        computed = indices.compute(
            _shifted(trends, shift, declared=declared),
            events=one.intervals,
            minute_min_valid_fraction=settings["minutes"]["min_valid_fraction"],
            rules=rules,
            subtracted=one.subtracted,
        )
        whose = pl.lit(one.patient_id).alias("patient_id")
        made.append(computed.select(whose, *table.columns))
    return pl.concat(made)


def _types(table: contracts.Table) -> dict[str, pl.DataType]:
    return {name: column.dtype for name, column in table.columns.items()}


def _as_recorded(trends: pl.DataFrame) -> pl.DataFrame:
    return trends.with_columns(abp_mmhg=pl.col("abp_mmhg") - pl.col("abp_shift_mmhg"))


def _shifted(
    trends: pl.DataFrame, shift: Mapping[str, float], *, declared: Mapping[str, Any]
) -> pl.DataFrame:
    icp_mmhg, abp_mmhg = shift["icp_mmhg"], shift["abp_unless_tragus_mmhg"]
    if not (icp_mmhg or abp_mmhg):
        return trends
    elsewhere = pl.when(pl.col("abp_level_used").ne_missing("tragus")).then(abp_mmhg)
    added = {"icp": pl.lit(icp_mmhg), "abp": elsewhere.otherwise(0.0)}
    series, none = declared_signals.series(declared), pl.lit(0.0)
    shifted = [pl.col(series[name].column) + by for name, by in added.items()]
    for name, of in declared_signals.derived(declared).items():
        minuend, subtrahend = (added.get(of[end], none) for end in ("minuend", "subtrahend"))
        shifted.append(pl.col(series[name].column) + minuend - subtrahend)
    return trends.with_columns(shifted)


def add_up(minutes: pl.DataFrame, *, settings: Mapping[str, Any]) -> Exposures:
    """Summarise minutes and add up their burden, as the rules `summary` and `burden` do.

    Parameters
    ----------
    minutes : contracts.minutes with `patient_id`
    settings : mapping
        Blocks `burden`, `summary`, `windows`; the averaging of `reactivity`.
    """
    windows = settings["windows"]
    names = [field.name for field in fields(burden_settings.Rules)]
    rules = burden_settings.Rules(**{name: settings["burden"][name] for name in names})
    return Exposures(
        summary.summarise(
            minutes,
            windows=windows,
            indices=index_settings.rules_of(settings),
            settings=summary.Settings(**settings["summary"]),
            declared=settings,
        ),
        burden.add_up(minutes, windows=windows, rules=rules, declared=settings),
    )
