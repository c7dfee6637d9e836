"""Outcomes: endpoints with their direction stated, and the prognostic risk at admission."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.cohort import prognosis, sliding_dichotomy
from icpcohort.contracts.setting import Setting
from icpcohort.study import gose

_SCORES = tuple(range(1, 9))


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Endpoints and prognostic risk."""

    favourable_gose: Annotated[
        Sequence[int],
        Setting(
            "Scores of the extended Glasgow Outcome Scale that are favourable: all from the "
            "lowest of them up to 8",
            "5 to 8 is usual; 6 to 8 in a paper of 2024 [confirmed]",
            [5, 6, 7, 8],
            each="A score",
            at_least=1,
            at_most=8,
            least_items=1,
        ),
    ]
    impact_form: Annotated[
        Literal["continuous", "chart"],
        Setting(
            "Published form of the IMPACT model; the two disagree",
            "Steyerberg 2008 [confirmed]",
            "continuous",
        ),
    ]
    mortality_horizon_h: Annotated[
        float,
        Setting(
            "Hours since time zero by which a death counts in dead_by_horizon",
            "30 days: common practice, no source",
            720.0,
            above=0,
            at_most=8760,
        ),
    ]
    n_bands: Annotated[
        int,
        Setting(
            "Prognostic bands of the sliding dichotomy",
            "usually 3: Murray 2005 (from memory, high)",
            3,
            at_least=2,
            at_most=10,
        ),
    ]


class Endpoints(NamedTuple):
    """Contracts OUTCOMES and BANDS."""

    outcomes: pl.DataFrame
    bands: pl.DataFrame


def derive(patients: pl.DataFrame, *, settings: Settings) -> Endpoints:
    """Derive the endpoints and the prognostic risks of every patient.

    Parameters
    ----------
    patients : DataFrame of `contracts.PATIENTS`
        `gose_6m` runs from 1 (dead) to 8 (upper good recovery); null in it gives null
        endpoints. Null in a value that a risk or score needs gives a null risk or score.
    settings : Settings
        All scores below the favourable ones, death among them, are unfavourable.
        `dead_by_horizon` is death at or before the horizon.

    Returns
    -------
    Endpoints
        The first has one row per patient, in the order of `patients`.

    Raises
    ------
    ValueError
        If `favourable_gose` is not the upper end of the scale, the form is unknown, a value
        lies outside its scale, or the scale seems to be reversed.

    Source: GOSE as in Wilson 2021 (the dichotomy is a setting; 1-4 unfavourable is common
    practice); merging 2 and 3, which postal forms cannot tell apart: common practice.
    """
    best = _favourable(settings.favourable_gose)
    outside = patients.filter(~pl.col("gose_6m").is_in(_SCORES))
    if outside.height:
        raise ValueError(
            f"outcomes.derive: gose_6m is {outside['gose_6m'][0]} for patient "
            f"{outside['patient_id'][0]} ({outside.height} row(s) outside 1-8); write the "
            "extended scale from 1 dead to 8 upper good recovery, or nothing if unknown"
        )
    score = pl.col("gose_6m")
    words = gose.reversed_words(patients["death_h"].to_list(), patients["gose_6m"].to_list())
    if words:
        raise ValueError(f"outcomes.derive: {words}")
    derived = patients.with_columns(
        gose_6m_merged=pl.when(score == 2).then(pl.lit(3, pl.Int64)).otherwise(score),
        unfavourable=score < best[0],
        dead=score == 1,
        dead_by_horizon=_dead_by(settings.mortality_horizon_h),
        gcs_pupils=prognosis.gcs_pupils(patients),
        rotterdam=_rotterdam(patients),
        **_risks(patients, form=settings.impact_form),
    )
    band = sliding_dichotomy.bands(
        derived["impact_core_unfavourable"], n_bands=settings.n_bands
    )
    derived = derived.with_columns(band)
    chosen = sliding_dichotomy.cuts(derived)
    derived = derived.with_columns(sliding_dichotomy.unfavourable(derived, chosen))
    return Endpoints(derived.select(list(contracts.OUTCOMES.columns)), chosen)


def _risks(patients: pl.DataFrame, *, form: str) -> dict[str, pl.Series]:
    risks = {
        f"impact_{model}_{outcome}": prognosis.probability(
            patients, model=model, outcome=outcome, form=form
        )
        for model in prognosis.MODELS
        for outcome in prognosis.OUTCOMES
    }
    return risks | {
        f"impact_{model}_logit": prognosis.log_odds(
            patients, model=model, outcome="unfavourable", form=form
        )
        for model in prognosis.MODELS
    }


def _rotterdam(patients: pl.DataFrame) -> pl.Series:
    """Return the Rotterdam score; blood is known when either place has it or neither."""
    scans = patients.with_columns(
        cisterns=pl.col("cisterns").replace_strict(
            {"normal": 0, "compressed": 1, "absent": 2}, return_dtype=pl.Int64()
        ),
        ventricular_or_subarachnoid_blood=pl.col("ventricular_blood") | pl.col("traumatic_sah"),
    )
    return prognosis.rotterdam(scans)


def last_alive_h() -> pl.Expr:
    """Return when a patient was last known to be alive [h]; null if never.

    The latest of `last_known_h`, discharge alive, and, with a GOSE above 1, the moment before
    which a death counts as one before the score (`gose.DEAD_BY_SCORE_H`).

    Source: our own choice; without it, who was scored at 6 months would be censored at
    discharge.
    """
    scored = pl.when(pl.col("gose_6m") > 1).then(pl.lit(gose.DEAD_BY_SCORE_H))
    return pl.max_horizontal("last_known_h", "left_unit_h", scored)


def _dead_by(horizon_h: float) -> pl.Expr:
    dead = pl.col("death_h") <= horizon_h
    alive = pl.when(last_alive_h() >= horizon_h).then(pl.lit(False))
    return pl.coalesce(dead, alive)


def survival_columns(*, landmark_h: float) -> dict[str, pl.Expr]:
    """Return `survival_h` and `died`, counted from the landmark.

    Who died ends at death, who did not at the moment last known alive (`last_alive_h`). Both
    are null where neither is known, where a GOSE of 1 has no time of death (a censoring there
    would be informative), and where that moment lies before the landmark.

    Source: landmark analysis: Anderson 1983.
    """
    death_h, undated = pl.col("death_h"), pl.col("gose_6m").eq_missing(1)
    end_h = pl.coalesce(death_h, pl.when(~undated).then(last_alive_h())) - landmark_h
    known = end_h >= 0
    return {
        "survival_h": pl.when(known).then(end_h),
        "died": pl.when(known).then(death_h.is_not_null()),
    }


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `derive`."""
    best = _favourable(settings.favourable_gose)
    prognosis.refuse_form(settings.impact_form)
    forms = {
        "continuous": "the published regression coefficients with age in years",
        "chart": "the published score chart",
    }
    return (
        "Outcome was the extended Glasgow Outcome Scale (GOSE; Wilson 2021) at 6 months, from 1"
        f" (dead) to 8 (upper good recovery). Scores {_span(range(1, best[0]))} were called"
        f" unfavourable and {_span(best)} favourable. For analyses of the whole scale, scores 2"
        " and 3 were merged. For the sliding dichotomy (Murray 2005), patients were divided"
        f" into {settings.n_bands} bands of equal size by their IMPACT core risk, and each band"
        " at the score that divides it nearest to half. Mortality was death by"
        f" {settings.mortality_horizon_h:g} h. Survival was counted from the landmark (Anderson"
        " 1983); survivors were censored when last known to be alive. Baseline risk was the"
        " IMPACT core, extended and laboratory model (Steyerberg 2008) in the form of"
        f" {forms[settings.impact_form]}; the two published forms give different risks. IMPACT"
        " was developed in patients aged 14 years or older with a Glasgow Coma Scale of 12 or"
        " lower; it was computed for every patient in whom its values were known. An untestable"
        " motor score has its own coefficient; a missing one leaves the risk missing."
    )


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
