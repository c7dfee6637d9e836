"""Robust: standard errors that survive a wrong model or clusters."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from icpcohort.models import estimates
from icpcohort.models.design import Array
from icpcohort.models.estimates import Diagnostic, FamilyFit, Response

MIN_CLUSTERS = 3  # below, errors between clusters are not computed: the project's own rule
FEW_CLUSTERS = 30  # below, they are too small: common practice

Groups = npt.NDArray[np.int64]


def sandwich(scores: Array, *, bread: Array) -> Array:
    """Return the covariance bread x (sum of squared scores) x bread'.

    Source: Huber 1967; White 1982; no small-sample factor.
    """
    parts = scores @ bread.T
    return np.asarray(parts.T @ parts, dtype=np.float64)


def summed(values: Array, *, groups: Groups) -> Array:
    """Return the sums of rows over groups numbered from 0."""
    sums = np.zeros((int(groups.max()) + 1, values.shape[1]))
    np.add.at(sums, groups, values)
    return sums


def cluster_problems(clusters: Groups) -> list[str]:
    """Say when there are too few clusters for errors between them."""
    n = len(np.unique(clusters))
    if n < MIN_CLUSTERS:
        return [f"{n} clusters; at least {MIN_CLUSTERS} are needed for errors between them"]
    return []


def between_clusters(fitted: FamilyFit, response: Response) -> FamilyFit:
    """Give a fit standard errors between the clusters of its response.

    Scores are added up within a cluster before they are squared; the covariance has the
    factor G / (G - 1) for G clusters, and intervals are from Student's t with G - 1 degrees
    of freedom. A fit without scores stays as it is: it has such errors by itself, or none.

    Source: Liang 1986; factor and t: common practice.
    """
    made, clusters = fitted.coefficients, response.clusters
    if made is None or clusters is None or made.scores is None or made.bread is None:
        return fitted
    if problems := cluster_problems(clusters):
        withheld = estimates.not_reported(problems)
        rest = [one for one in fitted.diagnostics if one.quantity != "reported"]
        return fitted._replace(coefficients=None, diagnostics=[withheld, *rest])
    sums = summed(made.scores, groups=clusters)
    n = len(sums)
    covariance = sandwich(sums, bread=made.bread) * n / (n - 1)
    wide = replace(made, covariance=covariance, df=np.full(len(made.estimate), n - 1.0))
    return fitted._replace(
        coefficients=wide, diagnostics=[*fitted.diagnostics, count_of_clusters(n)]
    )


def count_of_clusters(n: int) -> Diagnostic:
    """Judge the number of clusters."""
    few = f"below {FEW_CLUSTERS}: errors between so few clusters are unsure; look at both"
    return Diagnostic("n_clusters", float(n), few if n < FEW_CLUSTERS else None, "count")
