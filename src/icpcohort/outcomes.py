"""Outcomes: endpoints with their direction stated, and the prognostic risk at admission."""

from collections.abc import Sequence

import polars as pl

from icpcohort import contracts, impact

_SCORES = tuple(range(1, 9))


def derive(
    patients: pl.DataFrame, *, favourable_gose: Sequence[int], impact_form: str
) -> pl.DataFrame:
    """Derive the endpoints and the prognostic risk of every patient.

    Parameters
    ----------
    patients : DataFrame of `contracts.PATIENTS`
        `gose_6m` runs from 1 (dead) to 8 (upper good recovery); null in it gives null
        endpoints. Null in age, motor score or pupils gives a null risk.
    favourable_gose : sequence of int
        The scores called favourable: the upper end of 1-8, usually 5-8. All lower scores,
        death among them, are unfavourable.
    impact_form : str
        "continuous" or "chart"; see `impact`.

    Returns
    -------
    DataFrame of `contracts.OUTCOMES`
        One row a patient, in the order of `patients`.

    Raises
    ------
    ValueError
        If `favourable_gose` is not the upper end of the scale, the form is unknown, or a
        value lies outside its scale.

    Source: GOSE as in Wilson et al. 2021, J Neurotrauma 38:2435 (the dichotomy is a setting;
    1-4 unfavourable is common practice); merging 2 and 3, which postal forms cannot tell
    apart: common practice.
    """
    best = _favourable(favourable_gose)
    outside = patients.filter(~pl.col("gose_6m").is_in(_SCORES))
    if outside.height:
        raise ValueError(
            f"outcomes.derive: gose_6m is {outside['gose_6m'][0]} for patient "
            f"{outside['patient_id'][0]} ({outside.height} row(s) outside 1-8); write the "
            "extended scale from 1 dead to 8 upper good recovery, or nothing if unknown"
        )
    gose = pl.col("gose_6m")
    derived = patients.with_columns(
        gose_6m_merged=pl.when(gose == 2).then(pl.lit(3, pl.Int64)).otherwise(gose),
        unfavourable=gose < best[0],
        dead=gose == 1,
        impact_core_mortality=_core(patients, "mortality", impact_form),
        impact_core_unfavourable=_core(patients, "unfavourable", impact_form),
        impact_core_logit=impact.log_odds(
            patients, model="core", outcome="unfavourable", form=impact_form
        ),
        gcs_pupils=impact.gcs_pupils(patients),
    )
    return derived.select(list(contracts.OUTCOMES.columns))


def methods_sentence(*, favourable_gose: Sequence[int], impact_form: str) -> str:
    """Return the report's sentences for `derive`, from the same settings."""
    best = _favourable(favourable_gose)
    impact.refuse_form(impact_form)
    forms = {
        "continuous": "the published regression coefficients with age in years",
        "chart": "the published score chart",
    }
    return (
        "Outcome was the extended Glasgow Outcome Scale (GOSE) at 6 months, from 1 (dead) to 8 "
        f"(upper good recovery). Scores {_span(range(1, best[0]))} were called unfavourable "
        f"and {_span(best)} favourable. For analyses of the whole scale, scores 2 and 3 were "
        "merged. Baseline risk was the IMPACT core model (age, motor score, pupils) in the "
        f"form of {forms[impact_form]}; the two published forms give different risks. IMPACT "
        "was developed in patients aged 14 years or older with a Glasgow Coma Scale of 12 or "
        "lower; it was computed for every patient in whom its values were known. An untestable "
        "motor score has its own coefficient; a missing one leaves the risk missing."
    )


def _core(patients: pl.DataFrame, outcome: str, form: str) -> pl.Series:
    return impact.probability(patients, model="core", outcome=outcome, form=form)


def _favourable(scores: Sequence[int]) -> list[int]:
    best = sorted(scores)
    if not best or best[0] < 2 or best != list(range(best[0], 9)):
        raise ValueError(
            f"outcomes.favourable_gose: {list(scores)} is not the upper end of the scale 1-8; "
            "write for example [5, 6, 7, 8]"
        )
    return best


def _span(scores: Sequence[int]) -> str:
    return str(scores[0]) if len(scores) == 1 else f"{scores[0]}-{scores[-1]}"
