"""Analyses: the cohort of each specification, formed from exposures and the study's tables."""

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.cohort import eligibility, outcomes, select
from icpcohort.contracts import store
from icpcohort.exposures import repeated_summary
from icpcohort.specifications import choices
from icpcohort.specifications.exposures import Exposures

OF_OUTCOMES = ("variables", "outcomes", "scores")  # what outcomes are derived by


class Tables(NamedTuple):
    """The study's tables, each of its contract, and the recordings as used."""

    patients: pl.DataFrame
    monitors: pl.DataFrame
    events: pl.DataFrame
    recordings: pl.DataFrame
    repeated: pl.DataFrame


def form_all(
    exposures: Exposures,
    tables: Tables,
    *,
    cohorts: Mapping[str, Mapping[str, Mapping[str, Any]]],
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Form the analysis table of every cohort.

    Parameters
    ----------
    exposures : as `exposures.add_up_all` gives them, of all patients and signals
    cohorts : by `signals`, settings of each cohort by its name
    declared : what they all declare; see `contracts.analysis`

    Returns
    -------
    DataFrame, contracts.analyses of what is declared
    """
    facts = eligibility.facts(tables.recordings, tables.monitors, tables.events)
    ended: dict[str, pl.DataFrame] = {}
    analyses = [store.empty(contracts.analyses(declared))]
    for signals, of_signals in cohorts.items():
        for name, settings in of_signals.items():
            of_patients = {section: settings[section] for section in OF_OUTCOMES}
            by_scores = json.dumps(of_patients, sort_keys=True)
            if by_scores not in ended:
                ended[by_scores] = outcomes.derive(
                    tables.patients, declared=of_patients
                ).outcomes
            formed = form(
                _of_settings(exposures, signals, settings),
                tables.patients,
                ended[by_scores],
                facts,
                repeated=tables.repeated,
                settings=settings,
                declared=declared,
            )
            analyses.append(
                formed.select(
                    pl.lit(signals).alias("signals"), pl.lit(name).alias("cohort"), pl.all()
                )
            )
    return pl.concat(analyses)


def _of_settings(exposures: Exposures, signals: str, settings: Mapping[str, Any]) -> Exposures:
    names = {"signals": signals, "exposures": choices.exposures_of(settings)}
    chosen = Exposures(*(table.filter(**names).drop(list(names)) for table in exposures))
    if chosen.summary.is_empty() and not exposures.summary.is_empty():
        raise ValueError(f"no exposures of {names}, where others have some: make them again")
    return chosen


def form(
    exposures: Exposures,
    patients: pl.DataFrame,
    ended: pl.DataFrame,
    facts: pl.DataFrame,
    *,
    repeated: pl.DataFrame,
    settings: Mapping[str, Any],
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Form the analysis table of all windows, as the rule `cohort` does.

    Parameters
    ----------
    exposures : Exposures
    patients, ended : contracts.patients, contracts.outcomes
        Without those whom the group leaves out.
    facts
        As `eligibility.facts` gives them.
    repeated : contracts.REPEATED_VALUES
    settings : mapping
        Blocks `cohort` and `windows`, and `repeated` where the study declares any.
    declared : see `contracts.analysis`

    Returns
    -------
    DataFrame, contracts.analysis of what is declared
    """
    return select.select(
        patients,
        ended,
        exposures.summary,
        exposures.burden,
        facts,
        repeated=repeated_summary.summarise(
            repeated, windows=settings["windows"], declared=settings
        ),
        left_out={},  # the patients here are those who are not
        windows=settings["windows"],
        rules=settings["cohort"]["eligibility"],
        declared=declared,
    ).analysis
