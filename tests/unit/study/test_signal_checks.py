"""Declared signals that do not fit each other: each line that a user can meet."""

import copy

import pytest
from published_settings import PUBLISHED

from icpcohort.study import signal_checks

PBTO2 = {"label": "PbtO2", "about": "Oxygen tension", "unit": "mmHg", "names": ["PbtO2"]}
SPO2 = {"label": "SpO2", "about": "Oxygen saturation", "unit": "%", "names": ["SpO2"]}
GAP = {"label": "Gap", "about": "Gap", "minuend": "abp", "subtrahend": "spo2"}
RANGE = {"rule": "range", "min": 0.0, "max": 150.0, "margin_s": 0.0}


def _lines(**changed):
    settings = copy.deepcopy(dict(PUBLISHED))
    for section, values in changed.items():
        settings[section] |= values
    return signal_checks.contradictions(settings)


def test_the_published_signals_and_two_more_fit_each_other():
    rules = {"rules": [RANGE | {"signal": "pbto2"}]}
    assert _lines(signals={"pbto2": PBTO2, "spo2": SPO2}, cleaning=rules) == []


@pytest.mark.parametrize(
    ("changed", "line"),
    [
        (
            {"signals": {"pbto2": PBTO2 | {"names": ["PbtO2", " icp1"]}}},
            "signals.pbto2.names: ' icp1' stands in signals.icp.names too; keep one",
        ),
        (
            {"signals": {"amp": PBTO2}},
            "signals.amp: the column amp_mmhg is already one of the trends; give the signal "
            "another name",
        ),
        (
            {
                "signals": {"icp": PUBLISHED["signals"]["icp"] | {"unit": "kPa"}},
                "derived_signals": {"cpp": GAP | {"subtrahend": "abp"}},
            },
            "signals.icp.unit: 'kPa', but the pulse of icp is measured in mmHg; write mmHg "
            "(files may have any unit of pressure)",
        ),
        (
            {"derived_signals": {"gap": GAP}},
            "derived_signals.gap.subtrahend: 'spo2' is none of the signals; known here: abp, "
            "icp",
        ),
        (
            {"signals": {"spo2": SPO2}, "derived_signals": {"gap": GAP}},
            "derived_signals.gap: abp is in mmHg and spo2 in %; declare both in one unit, or "
            "remove gap",
        ),
        (
            {"derived_signals": {"abp": GAP | {"subtrahend": "icp"}}},
            "derived_signals.abp: stands under signals too; give one another name",
        ),
        (
            {"cleaning": {"rules": [RANGE | {"signal": "pbto2"}]}},
            "cleaning.rules, entry 1 (range), signal: 'pbto2' is none of the signals; known "
            "here: abp, icp",
        ),
        (
            {"study": {"columns": {"recordings": {"pbto2_channel": "Oxygen"}}}},
            "study.columns.recordings.pbto2_channel: no signal of this name is declared; did "
            "you mean 'icp_channel'?",
        ),
    ],
)
def test_what_does_not_fit_is_one_line_that_says_what_to_do(changed, line):
    assert _lines(**changed) == [line]
