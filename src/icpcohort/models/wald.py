"""Wald tests of several coefficients at once: of a curve, and of an interaction."""

import numpy as np
from scipy.stats import chi2

from icpcohort.models.design import Array
from icpcohort.models.estimates import Coefficients, Diagnostic


def joint_test(estimate: Array, covariance: Array) -> tuple[float, int, float]:
    """Return Wald's chi-squared that all are zero, its degrees of freedom and p.

    Source: common practice.
    """
    statistic = float(estimate @ np.linalg.solve(covariance, estimate))
    return statistic, len(estimate), float(chi2.sf(statistic, len(estimate)))


def curve_tests(made: Coefficients, *, exposure: str) -> list[Diagnostic]:
    """Test a curved exposure as a whole, and whether the curve is more than a straight line."""
    parts = _named(made, f"{exposure} (curve")
    bent = "the association is not a straight line; read the curve"
    straight = "no sign that the line bends; a small study would not show it"
    told = []
    for name, at in (("exposure", parts), ("nonlinearity", parts[1:])):
        statistic, df, p = joint_test(made.estimate[at], made.covariance[np.ix_(at, at)])
        verdict = None
        if name == "nonlinearity":
            verdict = bent if p < 0.05 else straight
        told += _rows(name, statistic, df, p, verdict)
    return told


def interaction_test(made: Coefficients, *, exposure: str) -> list[Diagnostic]:
    """Test whether the exposure's slope differs between the levels of the modifier."""
    at = _named(made, f"{exposure} x ")
    if not at:
        return []
    statistic, df, p = joint_test(made.estimate[at], made.covariance[np.ix_(at, at)])
    verdict = (
        "the exposure's effect differs between subgroups; read it in each"
        if p < 0.05
        else "no sign that it differs between subgroups; a small study would not show it"
    )
    return _rows("interaction", statistic, df, p, verdict)


def _named(made: Coefficients, start: str) -> list[int]:
    return [i for i, term in enumerate(made.terms) if term.startswith(start)]


def _rows(
    name: str, statistic: float, df: int, p: float, verdict: str | None
) -> list[Diagnostic]:
    return [
        Diagnostic(f"{name}_chi2", statistic, None),
        Diagnostic(f"{name}_df", float(df), None),
        Diagnostic(f"{name}_p", p, verdict),
    ]
