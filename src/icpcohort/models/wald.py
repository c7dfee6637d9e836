"""Wald tests of several coefficients at once: of a curve, and of an interaction."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.stats import chi2, f

from icpcohort.models import estimates
from icpcohort.models.design import Array, Term
from icpcohort.models.estimates import Coefficients, Diagnostic


class Joint(NamedTuple):
    """A test that several coefficients are all zero; without clusters `df_within` is None."""

    statistic: float  # chi-squared, or F where errors are between clusters
    df: int
    df_within: int | None
    p: float


def joint_test(estimate: Array, covariance: Array, *, n_clusters: int | None) -> Joint:
    """Return Wald's test that all coefficients are zero.

    Parameters
    ----------
    estimate, covariance : (q,), (q, q)
    n_clusters : int or None
        Number of clusters G between which the errors are; more than q.

    Returns
    -------
    Joint
        Without clusters Wald's W, a chi-squared with q degrees of freedom. A covariance
        between clusters has a rank of G - 1 at most and is itself uncertain, so that W is
        Hotelling's T squared: W (G - q) / (q (G - 1)) is F with q and G - q degrees of freedom.

    Source: common practice; the distribution of T squared: Hotelling 1931.
    """
    q = len(estimate)
    wald = float(estimate @ np.linalg.solve(covariance, estimate))
    if n_clusters is None:
        return Joint(wald, q, None, float(chi2.sf(wald, q)))
    within = n_clusters - q
    ratio = wald * within / (q * (n_clusters - 1))
    return Joint(ratio, q, within, float(f.sf(ratio, q, within)))


def curve_tests(
    made: Coefficients, *, parts: Sequence[Term], n_clusters: int | None
) -> list[Diagnostic]:
    """Test a curved exposure as a whole, and whether the curve is more than a straight line."""
    bent = "the association is not a straight line; read the curve"
    straight = "not shown that the line bends; a small study would not show it"
    return [
        *_of_terms("exposure", made, parts, n_clusters=n_clusters, verdicts=None),
        *_of_terms(
            "nonlinearity", made, parts[1:], n_clusters=n_clusters, verdicts=(bent, straight)
        ),
    ]


def interaction_test(
    made: Coefficients, *, products: Sequence[Term], n_clusters: int | None
) -> list[Diagnostic]:
    """Test whether the exposure's slope differs between the levels of the modifier."""
    if not products:
        return []
    differs = "the exposure's effect differs between subgroups; read it in each"
    same = "not shown that it differs between subgroups; a small study would not show it"
    verdicts = (differs, same)
    return _of_terms("interaction", made, products, n_clusters=n_clusters, verdicts=verdicts)


def _of_terms(
    quantity: str,
    made: Coefficients,
    terms: Sequence[Term],
    *,
    n_clusters: int | None,
    verdicts: tuple[str, str] | None,
) -> list[Diagnostic]:
    """Test the coefficients of some terms; the verdicts are for p below 0.05 and for others."""
    if n_clusters is not None and len(terms) >= n_clusters:
        why = (
            f"not computed: {n_clusters} clusters cannot test {len(terms)} coefficients at "
            "once; use a straight line, or errors without clusters"
        )
        return [Diagnostic(f"{quantity}_p", None, why, "p")]
    at = [made.terms.index(term.name) for term in terms]
    joint = joint_test(
        made.estimate[at], made.covariance[np.ix_(at, at)], n_clusters=n_clusters
    )
    verdict = verdicts and verdicts[0 if joint.p < 0.05 else 1]
    if joint.df_within is None:
        return estimates.chi_squared(
            quantity, joint.statistic, joint.df, joint.p, verdict=verdict
        )
    return [
        Diagnostic(f"{quantity}_f", joint.statistic),
        Diagnostic(f"{quantity}_df", float(joint.df), number="count"),
        Diagnostic(f"{quantity}_df_within", float(joint.df_within), number="count"),
        Diagnostic(f"{quantity}_p", joint.p, verdict, "p"),
    ]
