"""Methods: the report's methods text, joined from the sentences of each stage."""

from collections.abc import Mapping
from typing import Any

from icpcohort.cohort import monitoring_end, outcomes, select
from icpcohort.exposures import burden, intensity_duration, summary
from icpcohort.indices import cppopt, reactivity, whole_recording
from icpcohort.models import wording
from icpcohort.report.tables import grid, numbers
from icpcohort.signals import (
    cleaning,
    intervals,
    pulse_amplitude,
    pulse_blocks,
    transducer_level,
    trends,
)
from icpcohort.study import plan

SIGNALS = "Signals and artefacts"  # the paragraph beside the table of cleaning rules


def paragraphs(settings: Mapping[str, Any], models: Mapping[str, Any]) -> dict[str, str]:
    """Return the paragraphs by their headings, in the order data flows, as it was run."""
    blocks, windows = settings["trends"], settings["windows"]
    signals = [
        cleaning.methods_sentence(rules=settings["cleaning"]["rules"]),
        intervals.methods_sentence(
            annotation_meanings=settings["recordings"]["annotation_meanings"]
        ),
        trends.methods_sentence(
            block_s=blocks["block_s"], min_valid_fraction=blocks["min_valid_fraction"]
        ),
        pulse_amplitude.methods_sentence(
            min_hz=blocks["pulse_min_hz"],
            max_hz=blocks["pulse_max_hz"],
            rate_from=blocks["pulse_rate_from"],
            tolerance_hz=blocks["pulse_tolerance_hz"],
            method=blocks["amplitude_method"],
        ),
        pulse_blocks.methods_sentence(
            shape_method=blocks["shape_method"],
            shape_min_hz=blocks["shape_min_hz"],
            shape_min_pulses=blocks["shape_min_pulses"],
            shape_smoothing_fraction=blocks["shape_smoothing_fraction"],
        ),
        transducer_level.methods_sentence(**settings["levels"]),
    ]
    index = reactivity.methods_sentence(
        minute_min_valid_fraction=settings["minutes"]["min_valid_fraction"],
        block_s=blocks["block_s"],
        **settings["reactivity"],
    )
    curve = [
        cppopt.methods_sentence(
            averaging=settings["reactivity"]["averaging"], **settings["optimal_cpp"]
        ),
        whole_recording.methods_sentence(**settings["uncertainty"]),
        summary.methods_sentence(**settings["summary"]),
    ]
    patients = select.methods_sentence(
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
            f"Model: {grid.words_of(name)}": wording.methods_sentence(
                plan.from_block(name, block=block)
            )
            for name, block in models.items()
        },
        "Presentation": numbers.methods_sentence(),
    }
