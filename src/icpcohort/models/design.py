"""Design: from analysis rows to model rows with an account, and a matrix of named terms."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from icpcohort import attrition, contracts, store
from icpcohort.models.plan import Plan

Array = npt.NDArray[np.float64]


class ModelRows(NamedTuple):
    """The rows of a fit, and the account of those that are not in it."""

    rows: pl.DataFrame
    flow: pl.DataFrame  # contracts.MODEL_FLOW
    dropped: pl.DataFrame  # contracts.MODEL_DROPPED


class Design(NamedTuple):
    """Columns of a model without its intercept: one name and one matrix column a term."""

    terms: tuple[str, ...]
    matrix: Array  # (n rows, n terms)
    references: tuple[tuple[str, str], ...]  # category, its reference level in words


class Scaled(NamedTuple):
    """A matrix with columns of mean 0 and standard deviation 1, and the way back."""

    matrix: Array
    centre: Array
    scale: Array


def choose_rows(cohort: pl.DataFrame, *, plan: Plan) -> ModelRows:
    """Keep the patients whose outcome, exposure and adjustment columns are all known.

    Parameters
    ----------
    cohort : DataFrame
        The analysis rows of the plan's window, one a patient. Null means missing.
    plan : Plan
        Names the outcome, the exposure and the adjustment columns.

    Returns
    -------
    ModelRows
        Sorted by `patient_id`. The flow begins with the cohort, then asks for the outcome, the
        exposure, and each adjustment column that is null in a row still there.

    Source: complete-case analysis, common practice; the account as STROBE 2007 items 13a, 13b.
    """
    rows = cohort.sort("patient_id")
    flow: list[dict[str, object]] = [_step(1, "Cohort of the window", rows.height, 0, None)]
    dropped = [store.empty(contracts.MODEL_DROPPED)]
    asked = [(plan.outcome, "outcome_unknown"), (plan.exposure, "exposure_missing")]
    asked += [(name, f"{name}_missing") for name in plan.adjust_for]
    for name, reason in asked:
        if name in plan.adjust_for and not rows[name].null_count():
            continue
        split = attrition.split(rows, drop_when=pl.col(name).is_null(), reason=reason)
        number = len(flow) + 1
        flow.append(
            _step(number, f"{name} is known", rows.height, split.dropped.height, reason)
        )
        detail = f"{name} is missing; complete it in the study's tables, or accept the loss"
        dropped.append(
            split.dropped.select(
                "patient_id",
                pl.lit(number, pl.Int64).alias("step"),
                "reason",
                pl.lit(detail).alias("detail"),
            )
        )
        rows = split.kept
    types = {name: column.dtype for name, column in contracts.MODEL_FLOW.columns.items()}
    return ModelRows(
        rows, pl.DataFrame(flow, schema=types), pl.concat(dropped).sort("patient_id")
    )


def _step(
    number: int, name: str, n_in: int, n_dropped: int, reason: str | None
) -> dict[str, object]:
    return {
        "step": number,
        "name": name,
        "n_in": n_in,
        "n_out": n_in - n_dropped,
        "n_dropped": n_dropped,
        "reason": reason,
    }


def build(
    rows: pl.DataFrame,
    *,
    exposure: str,
    adjust_for: tuple[str, ...],
    as_categories: tuple[str, ...],
) -> Design:
    """Build the matrix of the exposure and the adjustment columns, without an intercept.

    Parameters
    ----------
    rows : DataFrame, one row a patient
        No nulls in the columns named. Flags count 0 and 1.
    exposure, adjust_for, as_categories : column names
        A text column is always entered as categories; so are those in `as_categories`.

    Returns
    -------
    Design
        A category gives one indicator a level but its reference, which is the most frequent
        level (the first in order among equals). A level in which nobody is left is absent.

    Source: treatment contrasts, common practice.
    """
    terms: list[str] = []
    columns: list[Array] = []
    references: list[tuple[str, str]] = []
    for name in (exposure, *adjust_for):
        if rows.schema[name] == pl.String() or name in as_categories:
            counts = rows.group_by(name).len().sort(name)
            if not counts.height:
                continue
            reference, n = counts.sort("len", descending=True, maintain_order=True).row(0)
            only = "" if counts.height > 1 else "; the only level left, so no term"
            references.append((name, f"{reference}, the most frequent (n = {n}){only}"))
            for level in counts[name]:
                if level != reference:
                    terms.append(f"{name}: {level} (reference {reference})")
                    columns.append((rows[name] == level).cast(pl.Float64).to_numpy())
        else:
            terms.append(name)
            columns.append(rows[name].cast(pl.Float64).to_numpy())
    matrix = np.column_stack(columns) if columns else np.empty((rows.height, 0))
    return Design(tuple(terms), matrix, tuple(references))


def problems(design: Design) -> list[str]:
    """List why no model of these columns can be estimated: nobody, constant, or collinear."""
    n = len(design.matrix)
    if n == 0:
        return ["no patient is left"]
    constant = [
        term
        for term, column in zip(design.terms, design.matrix.T, strict=True)
        if column.min() == column.max()
    ]
    found = [f"{term} has one value in all {n} patients" for term in constant]
    scaled = standardise(design.matrix).matrix
    rank = 0
    for i, term in enumerate(design.terms):
        grown = int(np.linalg.matrix_rank(scaled[:, : i + 1], tol=1e-8 * np.sqrt(n)))
        if grown == rank and term not in constant:
            found.append(f"{term} is given by the terms before it (collinear)")
        rank = grown
    return found


def max_variance_inflation(design: Design) -> float:
    """Return the largest variance inflation factor, 1 / (1 - R2) of a term on the others.

    Source: Belsley, Kuh and Welsch 1980, Regression Diagnostics (from memory).
    """
    correlation = np.atleast_2d(np.corrcoef(design.matrix, rowvar=False))
    return float(np.diag(np.linalg.inv(correlation)).max())


def standardise(matrix: Array) -> Scaled:
    """Centre and scale each column; a constant one becomes zeros."""
    centre = matrix.mean(axis=0)
    spread = matrix.std(axis=0)
    scale = np.where((spread > 0) & (matrix.max(axis=0) > matrix.min(axis=0)), spread, 1.0)
    centred = np.where(matrix.max(axis=0) > matrix.min(axis=0), matrix - centre, 0.0)
    return Scaled(centred / scale, centre, scale)


def unscale(estimate: Array, covariance: Array, *, scaled: Scaled) -> tuple[Array, Array]:
    """Carry coefficients of a scaled matrix back to its own units.

    Intercepts or thresholds come first, any number of them; then one slope a column.
    """
    n_slopes = len(scaled.scale)
    n_first = len(estimate) - n_slopes
    back = np.eye(len(estimate))
    back[n_first:, n_first:] = np.diag(1 / scaled.scale)
    back[:n_first, n_first:] = -scaled.centre / scaled.scale
    return back @ estimate, back @ covariance @ back.T
