"""Design: from analysis rows to model rows with an account, and a matrix of named terms."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from icpcohort import contracts
from icpcohort.cohort import attrition
from icpcohort.contracts import store
from icpcohort.models import curves
from icpcohort.study.plan import COX, Plan

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


class Factor(NamedTuple):
    """A column of the analysis table in a term: itself, a level, or a curve's part."""

    column: str
    level: str | int | bool | None = None
    part: int | None = None  # of a restricted cubic spline, from 0 for the straight part


class Term(NamedTuple):
    """One column of the matrix: a factor, or the product of two."""

    name: str
    factors: tuple[Factor, ...]


class Layout(NamedTuple):
    """Which terms a model has; the same for any rows, whatever levels are left in them."""

    terms: tuple[Term, ...]
    references: tuple[tuple[str, str], ...]
    knots: tuple[float, ...]  # of the exposure's curve; empty for a straight line


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
        The analysis rows of the plan's window, one a patient. Null means missing. For a Cox
        model it has the columns of `follow_up.times`.
    plan : Plan
        Names the outcome, the exposure, the adjustment columns and the clusters. Where missing
        values are imputed, nobody leaves for a missing adjustment value.

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
    # Where missing values are imputed, a column that nobody has cannot be
    nobody_has = [name for name in plan.adjust_for if rows[name].null_count() == rows.height]
    whole = plan.adjust_for if plan.missing_data == "complete_cases" else nobody_has
    for words, unknown, reason, detail, always in _questions(plan, whole=whole):
        drop = rows.select(unknown.alias("drop"))["drop"]
        if not always and not drop.any():
            continue
        split = attrition.split(rows, drop_when=unknown, reason=reason)
        number = len(flow) + 1
        flow.append(_step(number, words, rows.height, split.dropped.height, reason))
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


def _cure(name: str) -> str:
    """Say where a missing value could come from: a cell of the study, or what is made of it."""
    if name in contracts.PATIENTS.columns:
        return "complete it in the study's tables"
    if name == "follow_up_h":
        return "complete death_h, left_unit_h and gose_6m in the study's tables"
    return f"it is derived: `icpcohort why STUDY PATIENT {name}` says from what"


def _questions(
    plan: Plan, *, whole: Sequence[str]
) -> list[tuple[str, pl.Expr, str, str, bool]]:
    """Return what a row is asked: words, test, reason, detail, whether told anyhow."""

    def known(name: str, reason: str, *, always: bool) -> tuple[str, pl.Expr, str, str, bool]:
        detail = f"{name} is missing; {_cure(name)}, or accept the loss"
        return f"{name} is known", pl.col(name).is_null(), reason, detail, always

    asked = [known(plan.outcome, "outcome_unknown", always=True)]
    if plan.family in COX:
        asked = [
            known("follow_up_h", "outcome_unknown", always=True),
            (
                "Time at risk after the landmark",
                pl.col("follow_up_h") <= pl.col("landmark_h"),
                "no_time_at_risk",
                "died or was last seen at the landmark itself, so adds no time at risk",
                False,
            ),
        ]
    asked.append(known(plan.exposure, "exposure_missing", always=True))
    if plan.clusters:
        asked.append(known(plan.clusters, "cluster_unknown", always=False))
    return asked + [known(name, f"{name}_missing", always=False) for name in whole]


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
    """Build the matrix of the exposure and the adjustment columns: `lay_out`, then `fill`."""
    layout = lay_out(
        rows,
        exposure=exposure,
        adjust_for=adjust_for,
        as_categories=as_categories,
        knots=(),
        interaction=None,
        n_sets=1,
    )
    return fill(rows, layout)


def lay_out(
    rows: pl.DataFrame,
    *,
    exposure: str,
    adjust_for: tuple[str, ...],
    as_categories: tuple[str, ...],
    knots: tuple[float, ...],
    interaction: str | None,
    n_sets: int,
) -> Layout:
    """Decide on the terms of the exposure and the adjustment columns, without an intercept.

    Parameters
    ----------
    rows : DataFrame, one row a patient, or one a completed data set and patient
        Null in an adjustment column is no level. Flags count 0 and 1.
    exposure, adjust_for, as_categories : column names
        A text column is always entered as categories; so are those in `as_categories`.
    knots : numbers in the exposure's unit
        Where the exposure's curve bends; empty for a straight line.
    interaction : str, or None
        A category, flag or text whose every level but the reference has its own slope of the
        exposure; one of `adjust_for`, and entered in every model.
    n_sets : int
        How many completed data sets `rows` are.

    Returns
    -------
    Layout
        A category gives one indicator a level but its reference, which is the most frequent
        level (the first in order among equals). A level in which nobody is left is absent.

    Source: treatment contrasts, common practice.
    """
    terms = [Term(exposure, (Factor(exposure),))]
    if knots:
        parts = range(len(knots) - 1)
        terms = [
            Term(f"{exposure} (curve, part {i + 1})", (Factor(exposure, part=i),))
            for i in parts
        ]
    references: list[tuple[str, str]] = []
    for name in adjust_for:
        entered = [Term(name, (Factor(name),))]
        if rows.schema[name] == pl.String() or name in as_categories or name == interaction:
            entered, reference = _levels(rows[name].drop_nulls(), n_sets=n_sets)
            references += reference
        terms += entered
        if name == interaction:
            terms += [
                Term(f"{exposure} x {term.name}", (Factor(exposure), *term.factors))
                for term in entered
            ]
    return Layout(tuple(terms), tuple(references), knots)


def _levels(values: pl.Series, *, n_sets: int) -> tuple[list[Term], list[tuple[str, str]]]:
    """Return a term a level but the most frequent, and that one in words."""
    name = values.name
    counts = values.to_frame().group_by(name).len().sort(name)
    if not counts.height:
        return [], []
    reference, n = counts.sort("len", descending=True, maintain_order=True).row(0)
    only = "" if counts.height > 1 else "; the only level left, so no term"
    terms = [
        Term(f"{name}: {level} (reference {reference})", (Factor(name, level=level),))
        for level in counts[name]
        if level != reference
    ]
    return terms, [(name, f"{reference}, the most frequent (n = {n / n_sets:.0f}){only}")]


def fill(rows: pl.DataFrame, layout: Layout) -> Design:
    """Build the matrix of a layout's terms for any rows without nulls in its columns."""
    columns = []
    for term in layout.terms:
        column = np.ones(rows.height)
        for factor in term.factors:
            column = column * _values(rows, factor, layout.knots)
        columns.append(column)
    matrix = np.column_stack(columns) if columns else np.empty((rows.height, 0))
    return Design(tuple(term.name for term in layout.terms), matrix, layout.references)


def _values(rows: pl.DataFrame, factor: Factor, knots: tuple[float, ...]) -> Array:
    column = rows[factor.column]
    if factor.level is not None:
        return (column == factor.level).cast(pl.Float64).to_numpy()
    values = column.cast(pl.Float64).to_numpy()
    if factor.part is None:
        return values
    return curves.basis(values, knots=knots)[:, factor.part]


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
