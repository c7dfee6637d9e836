"""Analyses: the cohort of each specification, made again from the trends."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import (
    burden,
    cohort,
    contracts,
    curves,
    eligibility,
    indices,
    levels,
    outcomes,
    reactivity,
    summary,
)

OF_CORRELATIONS = ("block_s", "n_blocks", "averaging", "fisher_clip")


class Patient(NamedTuple):
    """What of one patient's recordings the minutes are made of."""

    patient_id: str
    trends: pl.DataFrame  # contracts.TRENDS
    intervals: Sequence[Mapping[str, Any]]  # rows of contracts.INTERVALS


class Tables(NamedTuple):
    """The study's tables, each of its contract, and the recordings as used."""

    patients: pl.DataFrame
    monitors: pl.DataFrame
    events: pl.DataFrame
    recordings: pl.DataFrame


def minutes(
    patients: Iterable[Patient],
    tables: Tables,
    *,
    settings: Mapping[str, Any],
    levels_of_trends: Mapping[str, Any],
    shift: Mapping[str, float],
) -> pl.DataFrame:
    """Make the minutes of all patients by other settings than the main ones.

    Parameters
    ----------
    patients, tables
        Trends carry the level correction of `levels_of_trends`.
    settings : mapping
        Blocks `levels`, `minutes`, `reactivity` and `optimal_cpp` are used, and the length of
        a block of the trends.
    levels_of_trends : mapping
        The block `levels` with which the trends were made.
    shift : icp_mmhg, abp_unless_tragus_mmhg [mmHg]
        Added to ICP, and to ABP where it is not known to be of the tragus; CPP follows.

    Returns
    -------
    DataFrame, contracts.MINUTES with `patient_id`
    """
    rules = _rules(settings)
    made = [pl.DataFrame(schema={"patient_id": pl.String(), **_types(contracts.MINUTES)})]
    held = {row["patient_id"]: row for row in tables.patients.iter_rows(named=True)}
    noted = tables.events.partition_by("patient_id", as_dict=True)
    for patient_id, trends, intervals in patients:
        if settings["levels"] != levels_of_trends:
            events = noted.get((patient_id,), tables.events.clear())
            trends = levels.apply(
                _as_recorded(trends),
                patient=held[patient_id],
                events=events.to_dicts(),
                **settings["levels"],
            )
        found = indices.compute(_shifted(trends, shift), events=intervals, **rules)
        made.append(
            found.select(pl.lit(patient_id).alias("patient_id"), *contracts.MINUTES.columns)
        )
    return pl.concat(made)


def _types(table: contracts.Table) -> dict[str, pl.DataType]:
    return {name: column.dtype for name, column in table.columns.items()}


def _as_recorded(trends: pl.DataFrame) -> pl.DataFrame:
    return trends.with_columns(abp_mmhg=pl.col("abp_mmhg") - pl.col("abp_shift_mmhg"))


def _shifted(trends: pl.DataFrame, shift: Mapping[str, float]) -> pl.DataFrame:
    icp_mmhg, abp_mmhg = shift["icp_mmhg"], shift["abp_unless_tragus_mmhg"]
    if not (icp_mmhg or abp_mmhg):
        return trends
    elsewhere = pl.when(pl.col("abp_level_used").ne_missing("tragus")).then(abp_mmhg)
    added = elsewhere.otherwise(0.0)
    return trends.with_columns(
        icp_mmhg=pl.col("icp_mmhg") + icp_mmhg,
        abp_mmhg=pl.col("abp_mmhg") + added,
        cpp_mmhg=pl.col("cpp_mmhg") + added - icp_mmhg,
    )


def _rules(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parameters of `indices.compute` from the blocks of the settings."""
    index = {**settings["reactivity"], "block_s": settings["trends"]["block_s"]}
    curve = dict(settings["optimal_cpp"])
    not_during = index.pop("not_during")
    windows_min, min_valid = curve.pop("windows_min"), curve.pop("min_valid_fraction")
    shared = {name: index[name] for name in OF_CORRELATIONS}
    return {
        "minute_min_valid_fraction": settings["minutes"]["min_valid_fraction"],
        "correlations": reactivity.CorrelationRules(**index),
        "not_during": not_during,
        "curve": curves.CurveRules(**curve, **shared),
        "windows_min": windows_min,
        "min_valid_fraction": min_valid,
    }


def form_all(
    patients: Iterable[Patient],
    tables: Tables,
    *,
    settings: Mapping[str, Mapping[str, Any]],
    levels_of_trends: Mapping[str, Any],
    shift: Mapping[str, float],
) -> pl.DataFrame:
    """Make the minutes once, and the analysis table of each settings from them.

    Parameters are those of `minutes`, the settings by the name of what makes the cohort.

    Returns
    -------
    DataFrame, contracts.analyses of the thresholds
    """
    made = minutes(
        patients,
        tables,
        settings=next(iter(settings.values())),
        levels_of_trends=levels_of_trends,
        shift=shift,
    )
    return pl.concat(
        form(made, tables, settings=one).select(pl.lit(name).alias("cohort"), pl.all())
        for name, one in settings.items()
    )


def form(minutes: pl.DataFrame, tables: Tables, *, settings: Mapping[str, Any]) -> pl.DataFrame:
    """Form the analysis table of all windows from minutes and the study's tables.

    Parameters
    ----------
    minutes : contracts.MINUTES with `patient_id`
    settings : mapping
        Blocks `burden`, `summary`, `outcomes`, `cohort`, `windows`; the averaging of
        `reactivity`.

    Returns
    -------
    DataFrame, contracts.analysis of the settings' thresholds
        As the rules `burden`, `summary`, `outcomes` and `cohort` make it from the same minutes.
    """
    asked, windows = settings["burden"], settings["windows"]
    thresholds = {name: asked[name] for name in ("icp_above_mmhg", "cpp_below_mmhg")}
    how = ("inequality", "integration", "episode_min", "merge_gap_min")
    return cohort.select(
        tables.patients,
        outcomes.derive(tables.patients, **settings["outcomes"]).outcomes,
        summary.summarise(
            minutes,
            windows=windows,
            averaging=settings["reactivity"]["averaging"],
            fisher_clip=settings["reactivity"]["fisher_clip"],
            **settings["summary"],
        ),
        burden.add_up(
            minutes, windows=windows, **thresholds, **{name: asked[name] for name in how}
        ),
        eligibility.facts(tables.recordings, tables.monitors, tables.events),
        windows=windows,
        rules=settings["cohort"]["eligibility"],
        **thresholds,
    ).analysis
