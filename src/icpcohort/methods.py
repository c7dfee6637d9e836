"""Methods: the report's methods text, joined from the sentences of each stage."""

from collections.abc import Mapping
from typing import Any

from icpcohort import (
    burden,
    cleaning,
    cohort,
    grids,
    intensity_duration,
    intervals,
    levels,
    monitoring_end,
    optima,
    optimal_cpp,
    outcomes,
    pulse,
    reactivity,
    summary,
    tables,
    trends,
)
from icpcohort.models import plan, wording

SIGNALS = "Signals and artefacts"  # the paragraph beside the table of cleaning rules


def paragraphs(settings: Mapping[str, Any], models: Mapping[str, Any]) -> dict[str, str]:
    """Return the paragraphs by their headings, in the order data flows, as it was run."""
    blocks, windows = settings["trends"], settings["windows"]
    signals = [
        cleaning.methods_sentence(rules=settings["cleaning"]["rules"]),
        intervals.methods_sentence(
            annotation_meanings=settings["recordings"]["annotation_meanings"]
        ),
        trends.methods_sentence(min_valid_fraction=blocks["min_valid_fraction"]),
        pulse.methods_sentence(
            min_hz=blocks["pulse_min_hz"],
            max_hz=blocks["pulse_max_hz"],
            method=blocks["amplitude_method"],
        ),
        levels.methods_sentence(**settings["levels"]),
    ]
    index = reactivity.methods_sentence(
        minute_min_valid_fraction=settings["minutes"]["min_valid_fraction"],
        trends_block_s=trends.BLOCK_S,
        **settings["reactivity"],
    )
    curve = [
        optimal_cpp.methods_sentence(
            averaging=settings["reactivity"]["averaging"], **settings["optimal_cpp"]
        ),
        optima.methods_sentence(**settings["uncertainty"]),
        summary.methods_sentence(**settings["summary"]),
    ]
    patients = cohort.methods_sentence(
        windows=windows,
        rules=settings["cohort"]["eligibility"],
        time_zero=settings["study"]["time_zero"],
    )
    ends = monitoring_end.methods_sentence(
        tolerance_h=settings["cohort"]["monitoring_end_tolerance_h"]
    )
    return {
        SIGNALS: " ".join(signals),
        "Reactivity indices": index,
        "Optimal CPP": " ".join(curve),
        "Burden": " ".join(
            (
                burden.methods_sentence(**settings["burden"]),
                intensity_duration.methods_sentence(**settings["intensity_duration"]),
            )
        ),
        "Exposure windows and cohort": f"{patients} {ends}",
        "Outcomes and baseline risk": outcomes.methods_sentence(**settings["outcomes"]),
        **{
            f"Model: {grids.words_of(name)}": wording.methods_sentence(
                plan.from_block(name, block=block)
            )
            for name, block in models.items()
        },
        "Presentation": tables.methods_sentence(),
    }
