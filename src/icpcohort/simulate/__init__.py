"""Simulated demo cohorts: study folders whose truth is known."""

from icpcohort.simulate import sah
from icpcohort.simulate.cohort import write_cohort
from icpcohort.simulate.covariates import (
    OutcomeModel,
    draw_covariates,
    draw_doses,
    draw_outcomes,
)

__all__ = [
    "OutcomeModel",
    "draw_covariates",
    "draw_doses",
    "draw_outcomes",
    "sah",
    "write_cohort",
]
