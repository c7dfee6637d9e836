"""Methods: the report's methods text, joined from the sentences of each stage."""

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
    tables,
    trends,
)
from icpcohort.models import plan, wording


def paragraphs(settings: Mapping[str, Any], models: Mapping[str, Any]) -> dict[str, str]:
    """Return the paragraphs by their headings, in the order data flows, as it was run."""
    blocks, windows = settings["trends"], settings["windows"]
    signals = [
        cleaning.methods_sentence(rules=settings["cleaning"]["rules"]),
        trends.methods_sentence(min_valid_fraction=blocks["min_valid_fraction"]),
        pulse.methods_sentence(
            min_hz=blocks["pulse_min_hz"],
            max_hz=blocks["pulse_max_hz"],
            method=blocks["amplitude_method"],
        ),
    ]
    index = reactivity.methods_sentence(
        minute_min_valid_fraction=settings["minutes"]["min_valid_fraction"],
        **settings["reactivity"],
    )
    curve = [
        optimal_cpp.methods_sentence(**settings["optimal_cpp"]),
        summary.methods_sentence(**settings["summary"]),
    ]
    patients = cohort.methods_sentence(
        windows=windows,
        min_age_years=settings["cohort"]["min_age_years"],
        time_zero=settings["study"]["time_zero"],
    )
    return {
        "Signals and artefacts": " ".join(signals),
        "Reactivity indices": index,
        "Optimal CPP": " ".join(curve),
        "Burden": burden.methods_sentence(**settings["burden"]),
        "Exposure windows and cohort": patients,
        "Outcomes and baseline risk": outcomes.methods_sentence(**settings["outcomes"]),
        **{
            f"Model: {name.replace('_', ' ')}": wording.methods_sentence(
                plan.from_block(name, block=block)
            )
            for name, block in models.items()
        },
        "Presentation": tables.methods_sentence(),
    }
