"""Fitting: one layout of terms in one table of rows, or in several imputed ones."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from icpcohort.models import design as designs
from icpcohort.models import follow_up, pooling, robust
from icpcohort.models.design import Layout
from icpcohort.models.estimates import FamilyFit, Response
from icpcohort.models.registry import COMPUTING
from icpcohort.study.families import FAMILIES
from icpcohort.study.plan import Plan


class Model(NamedTuple):
    """One fit with the rows it was made of: one table, or one for each imputation."""

    adjustment: str
    layout: Layout
    frames: tuple[pl.DataFrame, ...]
    fitted: FamilyFit


def as_rows(
    frame: pl.DataFrame,
    *,
    plan: Plan,
    updates: pl.DataFrame | None,
    repeated: pl.DataFrame | None,
) -> pl.DataFrame:
    """Return the rows that a family takes: one per patient, or per patient and day at risk."""
    family = FAMILIES[plan.family]
    if not family.timed:
        return frame
    if family.time_dependent and updates is not None:
        later = [
            updates.rename({"until_h": "entry_h"}).select(
                "patient_id", "entry_h", plan.exposure
            )
        ]
        if repeated is not None:
            later += [follow_up.begun(repeated, name) for name in plan.time_varying]
        return follow_up.start_stop(frame, later=later)
    return frame.with_columns(entry_h=pl.col("landmark_h"), exit_h=pl.col("follow_up_h"))


def fit_frames(
    frames: Sequence[pl.DataFrame], layout: Layout, *, plan: Plan, problems: list[str]
) -> FamilyFit:
    """Fit a layout in each completed data set, and pool the fits if there are several.

    With any problem nothing is estimated. The diagnostics are those of the first data set. A
    fit that fails in one data set is not reported.
    """
    fit = COMPUTING[plan.family].fit
    fits = []
    for frame in frames:
        design = designs.fill(frame, layout)
        response = response_of(frame, plan=plan)
        fitted = fit(response, design, problems=problems or designs.problems(design))
        fitted = robust.between_clusters(_without_effects_of_parts(fitted), response)
        fits.append(fitted)
        if fitted.coefficients is None:
            return fitted
    if len(fits) == 1:
        return fits[0]
    pooled = pooling.pool([f.coefficients for f in fits if f.coefficients], n=fits[0].n)
    return fits[0]._replace(coefficients=pooled)


def _without_effects_of_parts(fitted: FamilyFit) -> FamilyFit:
    """Mark the coefficients of a curve's parts: each alone has no effect to show."""
    scales = tuple(
        scale if term.part is None else "spline"
        for term, scale in zip(fitted.terms, fitted.scales, strict=True)
    )
    return fitted._replace(scales=scales)


def response_of(frame: pl.DataFrame, *, plan: Plan) -> Response:
    """Return what is explained, from the rows of a fit."""
    timed = FAMILIES[plan.family].timed
    return Response(
        frame["died"].alias(plan.outcome) if timed else frame[plan.outcome],
        frame["entry_h"].to_numpy().astype(np.float64) if timed else None,
        frame["exit_h"].to_numpy().astype(np.float64) if timed else None,
        follow_up.numbers(frame["patient_id"]),
        follow_up.numbers(frame[plan.clusters]) if plan.clusters else None,
        plan.horizon_h,
        plan.event,
    )
