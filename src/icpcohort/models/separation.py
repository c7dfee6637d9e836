"""Separation: whether the likelihood keeps rising towards infinite coefficients."""

from collections.abc import Sequence

import numpy as np
from scipy.optimize import linprog

from icpcohort.models.design import Array


def separating_parameters(moves: Array) -> list[int]:
    """Find the parameters that can grow for ever without lowering the likelihood.

    Parameters
    ----------
    moves : array (n bounds, n parameters)
        Row i holds the derivatives of one bound of one patient's likelihood, signed so that the
        likelihood rises with `moves[i] @ parameters`. Columns of about unit size and full rank.

    Returns
    -------
    list of int
        Positions of the parameters along such a direction, as few as separate; empty when
        there is none, that is when the maximum-likelihood estimate exists.

    Raises
    ------
    RuntimeError
        If the linear programme cannot be solved.

    Source: complete and quasi-complete separation, Albert 1984; the linear programme, Konis
    2007. For ordered outcomes the same argument is applied to each patient's two bounds, as the
    likelihood is log-concave.
    """
    distinct = np.unique(moves, axis=0)
    everything = list(range(moves.shape[1]))
    if not _separate(distinct, everything):
        return []
    # the intercept last: it is no term, and without a term it separates nothing
    needed = everything
    for parameter in [*everything[1:], 0]:
        rest = [one for one in needed if one != parameter]
        if rest and _separate(distinct, rest):
            needed = rest
    return needed


def _separate(moves: Array, parameters: Sequence[int]) -> bool:
    """Return whether the likelihood keeps rising along these parameters alone."""
    bounds = [(-1.0, 1.0) if i in parameters else (0.0, 0.0) for i in range(moves.shape[1])]
    solved = linprog(-moves.sum(axis=0), A_ub=-moves, b_ub=np.zeros(len(moves)), bounds=bounds)
    if not solved.success:
        raise RuntimeError(f"models.separation: {solved.message}; report the data's shape")
    # Without separation only the zero direction is allowed; with it, the best reaches the box.
    return bool(np.abs(solved.x).max() >= 0.5)
