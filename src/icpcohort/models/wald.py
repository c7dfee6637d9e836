"""Wald tests of several coefficients at once: of a curve, and of an interaction."""

from collections.abc import Sequence

import numpy as np
from scipy.stats import chi2

from icpcohort.models import estimates
from icpcohort.models.design import Array, Term
from icpcohort.models.estimates import Coefficients, Diagnostic


def joint_test(estimate: Array, covariance: Array) -> tuple[float, int, float]:
    """Return Wald's chi-squared that all are zero, its degrees of freedom and p.

    Source: common practice.
    """
    statistic = float(estimate @ np.linalg.solve(covariance, estimate))
    return statistic, len(estimate), float(chi2.sf(statistic, len(estimate)))


def curve_tests(made: Coefficients, *, parts: Sequence[Term]) -> list[Diagnostic]:
    """Test a curved exposure as a whole, and whether the curve is more than a straight line."""
    bent = "the association is not a straight line; read the curve"
    straight = "no sign that the line bends; a small study would not show it"
    statistic, df, p = _of_terms(made, parts)
    whole = estimates.chi_squared("exposure", statistic, df, p, verdict=None)
    statistic, df, p = _of_terms(made, parts[1:])
    verdict = bent if p < 0.05 else straight
    return [*whole, *estimates.chi_squared("nonlinearity", statistic, df, p, verdict=verdict)]


def interaction_test(made: Coefficients, *, products: Sequence[Term]) -> list[Diagnostic]:
    """Test whether the exposure's slope differs between the levels of the modifier."""
    if not products:
        return []
    statistic, df, p = _of_terms(made, products)
    verdict = (
        "the exposure's effect differs between subgroups; read it in each"
        if p < 0.05
        else "no sign that it differs between subgroups; a small study would not show it"
    )
    return estimates.chi_squared("interaction", statistic, df, p, verdict=verdict)


def _of_terms(made: Coefficients, terms: Sequence[Term]) -> tuple[float, int, float]:
    at = [made.terms.index(term.name) for term in terms]
    return joint_test(made.estimate[at], made.covariance[np.ix_(at, at)])
