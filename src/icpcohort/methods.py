"""Methods: the report's methods text, joined from the sentence of each stage."""

from collections.abc import Mapping
from typing import Any

from icpcohort import (
    burden,
    cleaning,
    cohort,
    optimal_cpp,
    outcomes,
    pulse,
    reactivity,
    summary,
    trends,
)
from icpcohort.models import fit, plan


def sentences(settings: Mapping[str, Any], models: Mapping[str, Any]) -> list[str]:
    """Return one paragraph a stage, in the order data flows, from the settings that ran."""
    blocks, curve, index = settings["trends"], settings["optimal_cpp"], settings["reactivity"]
    return [
        cleaning.methods_sentence(rules=settings["cleaning"]["rules"]),
        trends.methods_sentence(
            min_valid_fraction=blocks["min_valid_fraction"],
        ),
        pulse.methods_sentence(
            min_hz=blocks["pulse_min_hz"],
            max_hz=blocks["pulse_max_hz"],
            method=blocks["amplitude_method"],
        ),
        reactivity.methods_sentence(
            minute_min_valid_fraction=settings["minutes"]["min_valid_fraction"], **index
        ),
        optimal_cpp.methods_sentence(**curve),
        burden.methods_sentence(**settings["burden"]),
        summary.methods_sentence(**settings["summary"]),
        cohort.methods_sentence(
            windows=settings["windows"],
            min_age_years=settings["cohort"]["min_age_years"],
            time_zero=settings["study"]["time_zero"],
        ),
        outcomes.methods_sentence(**settings["outcomes"]),
        *(
            fit.methods_sentence(plan.from_block(name, block=block))
            for name, block in models.items()
        ),
    ]
