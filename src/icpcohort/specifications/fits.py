"""Fits: the same model in every specification, and all of them together."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import contracts
from icpcohort.models import design, fit
from icpcohort.specifications import choices, joint_test, shares
from icpcohort.specifications.choices import Specification
from icpcohort.study import plan as plans


class Curve(NamedTuple):
    """All answers to one question, each table of the contract of its name."""

    specifications: pl.DataFrame
    options: pl.DataFrame
    choices: pl.DataFrame
    summary: pl.DataFrame


def answer_question(
    name: str,
    question: Mapping[str, Any],
    *,
    settings: Mapping[str, Any],
    model: Mapping[str, Any],
    analyses: pl.DataFrame,
    patients: Sequence[str],
) -> Curve:
    """Expand a question and answer it; `analyses` is a table of contracts.analyses.

    The other parameters are those of `choices.expand` and `answer`.
    """
    nobody = analyses.drop("signals", "cohort").clear()
    cohorts = defaultdict(
        lambda: nobody,  # a cohort that nobody entered has no rows
        {
            (str(signals), str(name)): rows.drop("signals", "cohort")
            for (signals, name), rows in analyses.group_by("signals", "cohort")
        },
    )
    specifications = choices.expand(
        question, settings=settings, models={question["model"]: model}
    )
    return answer(name, question, specifications, cohorts, patients=patients)


def answer(
    name: str,
    question: Mapping[str, Any],
    specifications: Sequence[Specification],
    analyses: Mapping[tuple[str, str], pl.DataFrame],
    *,
    patients: Sequence[str],
) -> Curve:
    """Fit the model of every specification, and say what they show together.

    Parameters
    ----------
    name, question
        A checked block of `specifications.yaml`.
    specifications
        As `choices.expand` gives them.
    analyses
        The cohort of each by its `signals` and `cohort`; contracts.analyses of the study.
    patients
        All patients of the study.

    Returns
    -------
    Curve
        Effects are odds ratios for one standard deviation of the exposure among the patients
        of the specification, so that dose and percent time can stand side by side. A
        specification without an estimate has a row with the reason, and is in no share.
    """
    place = {patient: number for number, patient in enumerate(patients)}
    rows: list[dict[str, Any]] = []
    tested: dict[int, joint_test.Fitted] = {}
    for one in specifications:
        row, fitted = _fit(one, analyses[one.signals, one.cohort], place)
        rows.append({"question": name, **row})
        if fitted is not None:
            tested[one.number] = fitted
    joint = joint_test.test(
        list(tested.values()),
        n_patients=len(patients),
        n_permutations=question["n_permutations"],
        seed=question["seed"],
        clusters=_clusters(specifications, analyses, patients),
    )
    if joint:
        for number, z in zip(tested, joint.z, strict=True):
            rows[number - 1]["z"] = float(z) if np.isfinite(z) else None
    table = pl.DataFrame(rows, schema=_types(contracts.SPECIFICATIONS))
    options = _options(name, specifications)
    return Curve(
        table,
        options,
        shares.of_choices(name, question, table, options),
        shares.together(name, question, table, options, joint=joint),
    )


def _clusters(
    specifications: Sequence[Specification],
    analyses: Mapping[tuple[str, str], pl.DataFrame],
    patients: Sequence[str],
) -> NDArray[np.int64] | None:
    """Return the number of each patient's cluster, where the model has clusters."""
    column = specifications[0].plan.get("clusters") if specifications else None
    if column is None:
        return None
    value: dict[str, str] = {}
    for one in specifications:
        rows = analyses[one.signals, one.cohort].select("patient_id", column)
        value |= {patient: str(of) for patient, of in rows.iter_rows()}
    return np.unique([value.get(patient, "") for patient in patients], return_inverse=True)[1]


def _types(table: contracts.Table) -> dict[str, pl.DataType]:
    return {name: column.dtype for name, column in table.columns.items()}


def _options(name: str, specifications: Sequence[Specification]) -> pl.DataFrame:
    rows = [
        {"question": name, "specification": one.number, "choice": choice, "option": option}
        for one in specifications
        for choice, option in one.options.items()
    ]
    return pl.DataFrame(rows, schema=_types(contracts.SPECIFICATION_OPTIONS))


def _fit(
    one: Specification, analysis: pl.DataFrame, place: Mapping[str, int]
) -> tuple[dict[str, Any], joint_test.Fitted | None]:
    plan = plans.from_block(
        f"specification {one.number}", block=one.plan, outcomes=one.settings["outcomes"]
    )
    prepared = fit.prepare(
        analysis,
        plan=plan,
        landmark_h=one.settings["windows"][plan.window]["end_h"],
        updates=None,
    )
    main = list(fit.adjustments(plan))[-1]
    model = fit.fit_once(prepared, plan=plan, adjustment=main, updates=None)
    exposed = fit.rows_of(model, plan=plan).filter(term=plan.exposure).row(0, named=True)
    row = {
        "specification": one.number,
        "is_main": one.is_main,
        "exposure": plan.exposure,
        "outcome": plan.outcome,
        "window": plan.window,
        **{name: exposed[name] for name in ("estimate", "se", "p", "n", "n_events")},
    }
    if exposed["estimate"] is None:
        reasons = [one.verdict for one in model.fitted.diagnostics if one.reason is not None]
        return row | {"reason": reasons[0]}, None
    frame = model.frames[0]
    matrix = design.fill(frame, model.layout).matrix
    fitted = joint_test.Fitted(
        np.array([place[patient] for patient in frame["patient_id"]]),
        frame[plan.outcome].to_numpy(),
        matrix[:, 0],
        matrix[:, 1:],
    )
    return row | _standardised(exposed, float(fitted.exposure.std(ddof=1))), fitted


def _standardised(exposed: Mapping[str, Any], sd: float) -> dict[str, float]:
    """Return the effect of one standard deviation, by the model's own limits."""
    return {
        "exposure_sd": sd,
        "effect": float(np.exp(exposed["estimate"] * sd)),
        "effect_ci_low": float(np.exp(exposed["ci_low"] * sd)),
        "effect_ci_high": float(np.exp(exposed["ci_high"] * sd)),
    }
