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
from icpcohort.study.families import FAMILIES, TIME_SUFFIX
from icpcohort.study.plan import Plan

Array = npt.NDArray[np.float64]
Level = str | int | bool


class ModelRows(NamedTuple):
    """The rows of a fit, and the account of those that are not in it."""

    rows: pl.DataFrame
    flow: pl.DataFrame  # contracts.MODEL_FLOW
    dropped: pl.DataFrame  # contracts.MODEL_DROPPED


class Question(NamedTuple):
    """What a row of the cohort must answer to be in a fit."""

    words: str
    is_lost: pl.Expr  # true for rows that leave
    reason: str
    detail: str
    always: bool  # a step of the account even when nobody leaves
    column: str | None = None  # whose missing values are asked for
    role: str | None = None  # of that column: outcome, exposure, clusters or adjustment


class Term(NamedTuple):
    """One coefficient of a model and what it is about; None where something does not apply."""

    name: str
    column: str | None = None  # of the analysis table; an intercept or threshold has none
    level: Level | None = None  # of the column, or of the modifier
    reference: Level | None = None  # the level that it stands against
    part: int | None = None  # of a restricted cubic spline, from 1 for the straight part
    modifier: str | None = None  # category by whose levels the slope of the column differs


INTERCEPT = Term("intercept")


class Reference(NamedTuple):
    """The level of a category that its other levels stand against."""

    column: str
    level: Level
    n: float  # patients who have it; of imputed values, the mean over the data sets
    is_alone: bool  # nobody has another level

    @property
    def words(self) -> str:
        """The level, why it is the reference, and how many have it."""
        only = "; the only level left, so no term" if self.is_alone else ""
        return f"{self.level}, the most frequent (n = {self.n:.0f}){only}"


class Design(NamedTuple):
    """Columns of a model without its intercept: one term and one matrix column each."""

    terms: tuple[Term, ...]
    matrix: Array  # (n rows, n terms)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the terms."""
        return tuple(term.name for term in self.terms)


class Layout(NamedTuple):
    """Which terms a model has; the same for any rows, whatever levels are left in them."""

    terms: tuple[Term, ...]
    references: tuple[Reference, ...]
    knots: tuple[float, ...]  # of the exposure's curve; empty for a straight line

    @property
    def parts(self) -> tuple[Term, ...]:
        """The terms of the exposure's curve, the straight one first."""
        return tuple(term for term in self.terms if term.part is not None)

    @property
    def products(self) -> tuple[Term, ...]:
        """The terms for how the exposure's slope differs from that in the reference level."""
        return tuple(term for term in self.terms if term.modifier is not None)


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
        The analysis rows of the plan's window, one per patient. Null means missing. For a
        model with follow-up it has the columns of `follow_up.times`.
    plan : Plan
        Names the outcome, the exposure, the adjustment columns and the clusters. Where missing
        values are imputed, nobody leaves for a missing adjustment value.

    Returns
    -------
    ModelRows
        Sorted by `patient_id`. The flow begins with the cohort, then asks for the outcome, the
        exposure, and each adjustment column that is null in a row still there.

    Source: complete-case analysis, common practice; the account as von Elm 2007, items
    13a, 13b.
    """
    rows = cohort.sort("patient_id")
    steps: list[dict[str, object]] = [
        {"name": "Cohort of the window", "n_in": rows.height, "n_dropped": 0}
    ]
    dropped = [store.empty(contracts.MODEL_DROPPED)]
    # Where missing values are imputed, a column that nobody has cannot be
    nobody_has = [name for name in plan.covariates if rows[name].null_count() == rows.height]
    whole = plan.covariates if plan.missing_data == "complete_cases" else nobody_has
    for question in _questions(plan, whole=whole):
        if not question.always and not rows.select(question.is_lost.any()).item():
            continue
        split = attrition.split(rows, drop_when=question.is_lost, reason=question.reason)
        steps.append(
            {
                "name": question.words,
                "n_in": rows.height,
                "n_dropped": split.dropped.height,
                "reason": question.reason,
                "variable": question.column,
                "role": question.role,
            }
        )
        dropped.append(
            split.dropped.select(
                "patient_id",
                pl.lit(len(steps), pl.Int64).alias("step"),
                "reason",
                pl.lit(question.detail).alias("detail"),
            )
        )
        rows = split.kept
    types = {name: column.dtype for name, column in contracts.MODEL_FLOW.columns.items()}
    flow = pl.DataFrame(steps, schema=types).with_columns(
        step=pl.int_range(1, pl.len() + 1), n_out=pl.col("n_in") - pl.col("n_dropped")
    )
    return ModelRows(rows, flow, pl.concat(dropped).sort("patient_id"))


def _cure(name: str, plan: Plan) -> str:
    """Say where to look for a missing value: a cell of the study, or what it is made from."""
    if name in plan.time_varying:
        return "no value had begun by the landmark; complete the study's repeated values"
    if name == "follow_up_h" and plan.event:
        return f"complete what {plan.outcome}{TIME_SUFFIX} is made from"
    if name == "follow_up_h":
        return "complete death_h, left_unit_h and the outcomes in the study's tables"
    return (
        "complete it in the study's tables, or what it is derived from "
        f"(`icpcohort why STUDY PATIENT {name}` says from what)"
    )


def _questions(plan: Plan, *, whole: Sequence[str]) -> list[Question]:
    """Return the questions to each row, in order; columns in `whole` must be complete."""

    def known(column: str, reason: str, *, role: str, always: bool = False) -> Question:
        detail = f"{column} is missing; {_cure(column, plan)}, or accept the loss"
        is_lost = pl.col(column).is_null()
        words = f"{column} is known"
        return Question(words, is_lost, reason, detail, always, column, role)

    questions = [known(plan.outcome, "outcome_unknown", role="outcome", always=True)]
    if FAMILIES[plan.family].timed:
        questions = [
            known("follow_up_h", "outcome_unknown", role="outcome", always=True),
            Question(
                "Time at risk after the landmark",
                pl.col("follow_up_h") <= pl.col("landmark_h"),
                "no_time_at_risk",
                "died or was last seen at the landmark itself, so adds no time at risk",
                always=False,
            ),
        ]
    questions.append(known(plan.exposure, "exposure_missing", role="exposure", always=True))
    if plan.clusters:
        questions.append(known(plan.clusters, "cluster_unknown", role="clusters"))
    return questions + [known(name, f"{name}_missing", role="adjustment") for name in whole]


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
    rows : DataFrame, one row per patient, or per completed data set and patient
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
        A category gives one indicator for each level but its reference, which is the most
        frequent level (the first in order among equals). A level in which nobody is left is
        absent.

    Source: treatment contrasts, common practice.
    """
    terms = [Term(exposure, exposure)]
    if knots:
        terms = [
            Term(f"{exposure} (curve, part {part})", exposure, part=part)
            for part in range(1, len(knots))
        ]
    references: list[Reference] = []
    for name in adjust_for:
        entered = [Term(name, name)]
        if rows.schema[name] == pl.String() or name in as_categories or name == interaction:
            entered, reference = _levels(rows[name].drop_nulls(), n_sets=n_sets)
            references += reference
        terms += entered
        if name == interaction:
            terms += [
                term._replace(
                    name=f"{exposure} x {term.name}", column=exposure, modifier=term.column
                )
                for term in entered
            ]
    return Layout(tuple(terms), tuple(references), knots)


def _levels(values: pl.Series, *, n_sets: int) -> tuple[list[Term], list[Reference]]:
    """Return a term for each level but the most frequent, and that one; none for no value."""
    name = values.name
    counts = values.to_frame().group_by(name).len().sort(name)
    if not counts.height:
        return [], []
    reference, n = counts.sort("len", descending=True, maintain_order=True).row(0)
    terms = [
        Term(f"{name}: {level} (reference {reference})", name, level, reference)
        for level in counts[name]
        if level != reference
    ]
    return terms, [Reference(name, reference, n / n_sets, is_alone=not terms)]


def fill(rows: pl.DataFrame, layout: Layout) -> Design:
    """Build the matrix of a layout's terms for any rows without nulls in its columns."""
    columns = [_values(rows, term, layout.knots) for term in layout.terms]
    matrix = np.column_stack(columns) if columns else np.empty((rows.height, 0))
    return Design(layout.terms, matrix)


def _values(rows: pl.DataFrame, term: Term, knots: tuple[float, ...]) -> Array:
    """Return a term's column: numbers, an indicator of a level, or the product of both."""
    assert term.column is not None
    if term.level is None:
        values = _numbers(rows[term.column])
        return (
            values if term.part is None else curves.basis(values, knots=knots)[:, term.part - 1]
        )
    has_level = _numbers(rows[term.modifier or term.column] == term.level)
    return has_level if term.modifier is None else _numbers(rows[term.column]) * has_level


def _numbers(column: pl.Series) -> Array:
    return column.cast(pl.Float64).to_numpy()


def problems(design: Design) -> list[str]:
    """List why no model of these columns can be estimated: nobody, constant, or collinear."""
    n = len(design.matrix)
    if n == 0:
        return ["no patient is left"]
    constant = [
        term
        for term, column in zip(design.names, design.matrix.T, strict=True)
        if column.min() == column.max()
    ]
    reasons = [f"{term} has one value in all {n} patients" for term in constant]
    scaled = standardise(design.matrix).matrix
    rank = 0
    for i, term in enumerate(design.names):
        grown = int(np.linalg.matrix_rank(scaled[:, : i + 1], tol=1e-8 * np.sqrt(n)))
        if grown == rank and term not in constant:
            reasons.append(f"{term} is given by the terms before it (collinear)")
        rank = grown
    return reasons


def max_variance_inflation(design: Design) -> float:
    """Return the largest variance inflation factor, 1 / (1 - R2) of a term on the others.

    Source: Belsley 1980.
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

    Intercepts or thresholds come first, any number of them; then one slope per column.
    """
    n_slopes = len(scaled.scale)
    n_first = len(estimate) - n_slopes
    back = np.eye(len(estimate))
    back[n_first:, n_first:] = np.diag(1 / scaled.scale)
    back[:n_first, n_first:] = -scaled.centre / scaled.scale
    return back @ estimate, back @ covariance @ back.T
