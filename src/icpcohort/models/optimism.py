"""Optimism: how much better a prediction looks in the patients it was fitted to."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import cox, logistic
from icpcohort.models import design as designs
from icpcohort.models.design import Array, Design
from icpcohort.models.estimates import Response
from icpcohort.models.fitting import Model, response_of
from icpcohort.models.registry import COMPUTING
from icpcohort.study.families import FAMILIES
from icpcohort.study.plan import Plan


class Performance(NamedTuple):
    """Measures of one prediction in one set of patients; NaN where there is none."""

    c_statistic: float
    brier: float
    calibration_intercept: float
    calibration_slope: float


CALIBRATION = [
    Performance._fields.index(name) for name in ("calibration_intercept", "calibration_slope")
]


def performance(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return rows of `contracts.PERFORMANCE`; none if the plan means no prediction.

    Optimism is the mean, over bootstrap samples of patients, of the performance of the model
    refitted in the sample less that of the same model in all patients. Limits of the c
    statistic and the Brier score are the percentiles of the refitted models' own performance,
    less the optimism. Own calibration is perfect in every sample, so the limits of intercept
    and slope are the percentiles of the refitted models in all patients.

    Source: Harrell 1996; limits: Noma 2021; those of calibration: our own choice.
    """
    made, how = model.fitted.coefficients, plan.bootstrap
    if made is None or how is None:
        return store.empty(contracts.PERFORMANCE)
    frame = model.frames[0]
    response, design = response_of(frame, plan=plan), designs.fill(frame, model.layout)
    apparent = np.array(_measure(made.estimate, response, design, plan))
    rng = np.random.default_rng(how.seed)
    inside, outside = [], []
    for _ in range(how.repeats):
        drawn = rng.integers(0, frame.height, frame.height)
        sample = frame[drawn]
        again = designs.fill(sample, model.layout)
        if designs.problems(again):
            continue
        there = response_of(sample, plan=plan)
        refit = COMPUTING[plan.family].fit(there, again, problems=[]).coefficients
        if refit is not None:
            inside.append(_measure(refit.estimate, there, again, plan))
            outside.append(_measure(refit.estimate, response, design, plan))
    return _rows(apparent, np.array(inside), np.array(outside), model.adjustment)


def _rows(apparent: Array, inside: Array, outside: Array, adjustment: str) -> pl.DataFrame:
    n = len(inside)
    missing = np.full(len(apparent), np.nan)
    optimism = (inside - outside).mean(axis=0) if n else missing
    limits = np.array([missing, missing])
    if n:
        limits = np.quantile(inside, (0.025, 0.975), axis=0) - optimism
        limits[:, CALIBRATION] = np.quantile(outside, (0.025, 0.975), axis=0)[:, CALIBRATION]
    corrected = apparent - optimism
    # Percentiles of few, overfitted samples may miss the estimate; they are then no interval
    limits = np.where((limits[0] <= corrected) & (corrected <= limits[1]), limits, np.nan)
    columns = {
        "adjustment": [adjustment] * len(apparent),
        "measure": list(Performance._fields),
        "apparent": apparent,
        "optimism": optimism,
        "corrected": corrected,
        "ci_low": limits[0],
        "ci_high": limits[1],
        "n_refits": [n] * len(apparent),
    }
    schema = {name: column.dtype for name, column in contracts.PERFORMANCE.columns.items()}
    rows = pl.DataFrame(columns, schema=schema).with_columns(pl.col(pl.Float64).fill_nan(None))
    return rows.drop_nulls("apparent")


def _measure(estimate: Array, response: Response, design: Design, plan: Plan) -> Performance:
    score = design.matrix @ estimate[1:]
    if FAMILIES[plan.family].timed:
        assert response.entry_h is not None and response.exit_h is not None
        died = response.outcome.to_numpy().astype(bool)
        rows = cox.AtRisk(response.entry_h, response.exit_h, died)
        slope = cox.fit_hazard(rows, score[:, None], horizon_h=np.inf, terms=("score",))
        c = cox.concordance(rows, score)
        return Performance(c, np.nan, np.nan, float(slope.estimate[1]))
    y = response.outcome.to_numpy().astype(bool)
    risk = COMPUTING[plan.family].risk
    assert risk is not None
    p = risk(estimate, design.matrix)
    return Performance(
        logistic.c_statistic(y, score), float(((p - y) ** 2).mean()), *calibration(y, p)
    )


def calibration(y: npt.NDArray[np.bool_], p: Array) -> tuple[float, float]:
    """Return the calibration intercept, at a slope of 1, and the calibration slope.

    Source: Cox 1958; Steyerberg 2019, chapter 15.
    """
    eta = np.log(p) - np.log1p(-p)
    slope = logistic.fit_logit(y, eta[:, None], terms=("score",)).estimate[1]
    shift = 0.0
    for _ in range(50):
        risk = 1 / (1 + np.exp(-(eta + shift)))
        step = float((y - risk).sum() / (risk * (1 - risk)).sum())
        shift += step
        if abs(step) < 1e-12:
            break
    return shift, float(slope)
