"""Simulated demo cohort: a study folder whose truth is known."""

from icpcohort.simulate.cohort import write_cohort
from icpcohort.simulate.covariates import (
    OutcomeModel,
    draw_covariates,
    draw_doses,
    draw_outcomes,
)

__all__ = ["OutcomeModel", "draw_covariates", "draw_doses", "draw_outcomes", "write_cohort"]
