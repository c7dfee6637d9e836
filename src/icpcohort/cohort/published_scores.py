"""Published scores: the columns of those that a study declares, from their parts."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.cohort import ich_score, prognosis
from icpcohort.study.published_scores import SCORES


def add(patients: pl.DataFrame, *, declared: Mapping[str, Any]) -> pl.DataFrame:
    """Return the patients with a column for each declared score.

    Parameters
    ----------
    patients : DataFrame of `contracts.patients(declared)`
        Null in a part gives a null score.
    declared : mapping
        Sections `variables` and `scores` of the settings.
    """
    forms = {name: stated["form"] for name, stated in declared["scores"].items()}
    return patients.with_columns(
        _compute(patients, entry["score"], forms=forms).alias(name)
        for name, entry in declared["variables"].items()
        if entry.get("score")
    )


def _compute(patients: pl.DataFrame, score: str, *, forms: Mapping[str, str]) -> pl.Series:
    if score == "gcs_pupils":
        return prognosis.gcs_pupils(patients)
    if score == "rotterdam":
        return prognosis.rotterdam_of(patients)
    if score == "ich_score":
        return ich_score.ich_score(patients)
    _, model, what = score.split("_")
    form = forms[SCORES[score].family]
    if what == "logit":
        return prognosis.log_odds(patients, model=model, outcome="unfavourable", form=form)
    return prognosis.probability(patients, model=model, outcome=what, form=form)


def methods_sentence(declared: Mapping[str, Any]) -> str:
    """Return the report's sentences on the declared scores; empty without one that has any."""
    scores = [entry.get("score") for entry in declared["variables"].values()]
    if not any(name and SCORES[name].family == "impact" for name in scores):
        return ""
    return prognosis.methods_sentence(form=declared["scores"]["impact"]["form"])
