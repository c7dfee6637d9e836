"""Comparisons: p values adjusted for a group of models that are tested together."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.models.design import Array


def holm(p: Array) -> Array:
    """Return Holm's step-down adjusted p values, each 0 to 1.

    Source: Holm 1979; R's `p.adjust`.
    """
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    return _put_back(np.minimum(stepped, 1.0), order)


def hochberg(p: Array) -> Array:
    """Return Hochberg's step-up adjusted p values, for tests that are not negatively dependent.

    Source: Hochberg 1988; R's `p.adjust`.
    """
    order = np.argsort(p, kind="stable")
    stepped = p[order] * np.arange(len(p), 0, -1)
    return _put_back(np.minimum(np.minimum.accumulate(stepped[::-1])[::-1], 1.0), order)


def _put_back(values: Array, order: "np.ndarray[Any, np.dtype[np.intp]]") -> Array:
    in_place = np.empty_like(values)
    in_place[order] = values
    return in_place


def hold(
    estimates: Mapping[str, pl.DataFrame], *, models: Mapping[str, Mapping[str, Any]]
) -> pl.DataFrame:
    """Return rows of `contracts.COMPARISONS` for the models that belong to a group.

    Parameters
    ----------
    estimates : model name -> contracts.ESTIMATES
    models : model name -> its block of the plan
        Of each model the exposure in its adjusted fit counts, or in the unadjusted one where
        nothing is adjusted for. One without a p value counts as a test with p = 1, so that a
        model that could not be fitted does not make the others look stronger.
    """
    rows = [
        _row(name, block, estimates[name])
        for name, block in models.items()
        if "comparisons" in block
    ]
    schema = {name: column.dtype for name, column in contracts.COMPARISONS.columns.items()}
    table = pl.DataFrame(rows, schema=schema)
    return pl.concat([table.clear(), *(_held(part) for part in table.partition_by("group"))])


def _row(name: str, block: Mapping[str, Any], table: pl.DataFrame) -> dict[str, Any]:
    fit = "adjusted" if block["adjust_for"] or block.get("time_varying") else "unadjusted"
    rows = table.filter(term=block["exposure"], adjustment=fit).to_dicts()
    row = rows[0] if rows else {}
    return {
        "group": block["comparisons"]["group"],
        "model": name,
        "term": block["exposure"],
        "adjustment": fit,
        **{key: row.get(key) for key in ("effect", "effect_ci_low", "effect_ci_high", "p")},
        "p_adjusted": None,
        "n": row.get("n"),
        "n_events": row.get("n_events"),
        "method": block["comparisons"]["method"],
        "n_tests": None,
    }


def _held(part: pl.DataFrame) -> pl.DataFrame:
    p = part["p"].fill_null(1.0).to_numpy()
    adjusted = (holm if part["method"][0] == "holm" else hochberg)(p)
    return part.with_columns(
        p_adjusted=pl.when(pl.col("p").is_not_null()).then(pl.Series(adjusted)),
        n_tests=pl.lit(part.height, pl.Int64),
    )
