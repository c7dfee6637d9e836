"""Methods: the report's methods text, joined from the sentences of each stage."""

from collections.abc import Mapping
from typing import Any

from icpcohort import contracts
from icpcohort.cohort import monitoring_end, outcomes, select
from icpcohort.contracts import repeated
from icpcohort.exposures import burden, burden_settings, intensity_duration, summary
from icpcohort.indices import cppopt, minutes, reactivity, whole_recording
from icpcohort.models import wording
from icpcohort.report.tables import grid, numbers, score_words
from icpcohort.signals import (
    device_lag,
    ingest,
    intervals,
    plausibility,
    pulse_amplitude,
    pulse_blocks,
    rules,
    transducer_level,
    trends,
)
from icpcohort.study import plan

SIGNALS = "Signals and artefacts"  # the paragraph beside the table of cleaning rules


def paragraphs(settings: Mapping[str, Any], models: Mapping[str, Any]) -> dict[str, str]:
    """Return the paragraphs by their headings, in the order data flows, as it was run."""
    columns = contracts.analysis(settings).columns | repeated.columns_of_values(settings)
    of_signals = ingest.sections_of(settings)
    made = minutes.rules_of(settings)
    index = made.main.index
    signals = [
        rules.methods_sentence(of_signals.rules, declared=settings),
        intervals.methods_sentence(
            annotation_meanings=of_signals.recordings.annotation_meanings
        ),
        trends.methods_sentence(of_signals.trends, declared=settings),
        pulse_amplitude.methods_sentence(of_signals.trends),
        pulse_blocks.methods_sentence(of_signals.trends),
        transducer_level.methods_sentence(of_signals.levels),
        device_lag.methods_sentence(declared=settings),
        plausibility.methods_sentence(of_signals.plausibility),
    ]
    indices = reactivity.methods_sentence(
        made.indices,
        minute_min_valid_fraction=settings["minutes"]["min_valid_fraction"],
        block_s=made.block_s,
    )
    curve = [
        cppopt.methods_sentence(list(made.curves.values())),
        whole_recording.methods_sentence(
            whole_recording.Settings(**settings["uncertainty"]), decoupled=index.labels
        ),
        summary.methods_sentence(summary.Settings(**settings["summary"]), index=index.label),
    ]
    of_burden = burden_settings.Settings(**settings["burden"])
    score = score_words.of_main_outcome(settings, columns).correlated
    of_map = intensity_duration.settings_of(settings["intensity_duration"])
    patients = select.methods_sentence(
        windows=settings["windows"],
        rules=settings["cohort"]["eligibility"],
        time_zero=settings["study"]["time_zero"],
        columns=columns,
    )
    ends = monitoring_end.methods_sentence(
        tolerance_h=settings["cohort"]["monitoring_end_tolerance_h"]
    )
    return {
        SIGNALS: " ".join(signals),
        "Reactivity indices": indices,
        "Optimal CPP": " ".join(curve),
        "Burden": (
            f"{burden.methods_sentence(of_burden, declared=settings)}"
            f" {intensity_duration.methods_sentence(of_map, score=score, declared=settings)}"
        ),
        "Exposure windows and cohort": f"{patients} {ends}",
        "Outcomes and baseline risk": outcomes.methods_sentence(settings),
        **{
            f"Model: {grid.words_of(name, columns)}": wording.methods_sentence(
                plan.from_block(name, block=block, outcomes=settings["outcomes"]),
                columns=columns,
            )
            for name, block in models.items()
        },
        "Presentation": numbers.methods_sentence(),
    }
