"""Influence: how far one patient moves the exposure's coefficient, by fitting without them."""

import numpy as np
import numpy.typing as npt

from icpcohort.models import follow_up, robust
from icpcohort.models.design import Array
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, interval
from icpcohort.models.fitting import Model, fit_frames
from icpcohort.study.families import RATIOS
from icpcohort.study.plan import Plan

QUANTITY = "max_influence_se"
LIMIT_SE = 1.0  # our own choice; more in 1 of 60 simulated cohorts of 85 without an odd patient
N_TRIED = 5  # patients of each kind that are left out


def diagnostic(model: Model, *, plan: Plan) -> Diagnostic:
    """Return how far a single patient moves the exposure's coefficient, and the fit without.

    Parameters
    ----------
    model : Model
        Fitted; of several completed data sets the first is taken.
    plan : Plan

    Returns
    -------
    Diagnostic
        The largest change of the coefficient on leaving out a patient, in its standard errors,
        signed as (with - without). Left out, one after the other, are the patients whom one
        Newton step calls the most influential, and those at both ends of the exposure, whose
        influence that step can miss. Null where the model cannot be fitted without one of
        them, which is told.

    Source: deletion and the one-step approximation of it: Belsley 1980; Cain 1984. A patient
    who moves the coefficient by more than one standard error is told apart: our own limit.
    """
    frame = model.frames[0]
    whole = fit_frames([frame], model.layout, plan=plan, problems=[]).coefficients
    if whole is None or plan.exposure not in whole.terms:
        return Diagnostic(QUANTITY, None, "not computed for this fit")
    names = frame["patient_id"].unique().sort().to_list()
    at = whole.terms.index(plan.exposure)
    se = float(np.sqrt(whole.covariance[at, at]))
    largest, worst, without = 0.0, names[0], None
    for number in _candidates(model, whole, plan=plan):
        rest = frame.filter(frame["patient_id"] != names[number])
        fitted = fit_frames([rest], model.layout, plan=plan, problems=[])
        if fitted.coefficients is None:
            why = f"without patient {names[number]} there is no estimate: {fitted.reason}"
            return Diagnostic(QUANTITY, None, why)
        # a score that one patient alone has takes its threshold along
        there = fitted.coefficients.terms.index(plan.exposure)
        move = (whole.estimate[at] - fitted.coefficients.estimate[there]) / se
        if abs(move) > abs(largest):
            largest, worst, without = float(move), names[number], fitted
    return Diagnostic(QUANTITY, largest, _verdict(worst, largest, without, plan=plan))


def _candidates(model: Model, whole: Coefficients, *, plan: Plan) -> list[int]:
    """Return the numbers of the patients to leave out, in the order of their names."""
    frame = model.frames[0]
    patients = follow_up.numbers(frame["patient_id"])
    exposure = frame[plan.exposure].cast(float).to_numpy()
    order = patients[np.argsort(exposure, kind="stable")]
    chosen = {*order[:N_TRIED].tolist(), *order[-N_TRIED:].tolist()}
    if whole.scores is not None and whole.bread is not None:
        moves = _one_step(whole.scores, whole.bread, patients)
        at = whole.terms.index(plan.exposure)
        chosen |= set(np.argsort(-np.abs(moves[:, at]), kind="stable")[:N_TRIED].tolist())
    return sorted(chosen)


def _one_step(scores: Array, bread: Array, patients: npt.NDArray[np.int64]) -> Array:
    """Return by how much each patient moves each coefficient, about; (n patients, n terms)."""
    return robust.summed(scores @ bread.T, groups=patients)


def _verdict(name: str, move: float, without: FamilyFit | None, *, plan: Plan) -> str:
    words = f"patient {name} moves the exposure's coefficient most"
    if without is None or without.coefficients is None:
        return words
    at = without.coefficients.terms.index(plan.exposure)
    low, high, _ = interval(without.coefficients)
    values = np.array([without.coefficients.estimate[at], low[at], high[at]])
    values = values * plan.unit_of_effect
    if without.scales[at] in RATIOS:
        values = np.exp(values)
    words += "; without: {:.2f} ({:.2f} to {:.2f})".format(*values)
    if abs(move) > LIMIT_SE:
        words += "; look at this patient's data first"
    return words
