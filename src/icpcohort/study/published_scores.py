"""Published scores: what each is computed from. `cohort` computes them under the same names."""

from typing import NamedTuple


class Score(NamedTuple):
    """A published score: the covariates that are its parts, and its forms if it has several."""

    parts: tuple[str, ...]
    family: str = ""  # under which `scores` of the settings states the form
    forms: tuple[str, ...] = ()


_CORE = ("age_years", "gcs_motor", "pupils_reactive")
_EXTENDED = (
    *_CORE,
    *("hypoxia", "hypotension", "marshall_class", "traumatic_sah", "epidural_mass"),
)
IMPACT = {
    "core": _CORE,
    "extended": _EXTENDED,
    "lab": (*_EXTENDED, "glucose_mmol_l", "haemoglobin_g_dl"),
}
IMPACT_FORMS = ("chart", "continuous")

SCORES = {
    **{
        f"impact_{model}_{what}": Score(parts, "impact", IMPACT_FORMS)
        for model, parts in IMPACT.items()
        for what in ("mortality", "unfavourable", "logit")
    },
    "rotterdam": Score(
        (
            *("cisterns", "midline_shift_mm", "epidural_mass"),
            *("ventricular_blood", "traumatic_sah"),
        )
    ),
    "gcs_pupils": Score(("gcs_total", "pupils_reactive")),
    "ich_score": Score(
        (
            *("gcs_total", "ich_volume_ml", "intraventricular_blood"),
            *("infratentorial", "age_years"),
        )
    ),
}
