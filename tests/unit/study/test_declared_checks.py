"""What is declared and does not fit: one line each, before anything runs."""

import copy

import pytest
from published_settings import PUBLISHED, ROOT

from icpcohort import contracts
from icpcohort.contracts import burden_columns
from icpcohort.study import declared_checks, settings, yaml_files

SCHEMA = yaml_files.read_schema(ROOT / "workflow/schemas/config.schema.json")
PBTO2 = {"label": "PbtO2", "about": "Oxygen tension", "unit": "mmHg", "names": ["PBTO2"]}
ORX = {
    "label": "ORx",
    "about": "Oxygen reactivity index: moving correlation of PbtO2 and CPP",
    "of": ["pbto2", "cpp"],
    "per": "minutes",
    "window_min": 60,
    "source": "Jaeger 2006",
}


def _asked(*, indices=None, by=("prx",), thresholds=None, of_map=None, signals=None):
    """Return the published settings with more declared."""
    made = copy.deepcopy(PUBLISHED)
    made["signals"] |= signals or {}
    made["indices"] |= indices or {}
    made["optimal_cpp"]["by"] = list(by)
    made["burden"]["thresholds"] |= thresholds or {}
    made["intensity_duration"]["thresholds"] |= of_map or {}
    return made


def _lines(**changes):
    return declared_checks.contradictions(_asked(**changes))


def test_the_published_settings_and_an_index_of_another_signal_are_sound():
    assert _lines() == []
    assert (
        _lines(
            signals={"pbto2": PBTO2},
            indices={"orx": ORX},
            by=["prx", "orx"],
            thresholds={"pbto2": {"below": [20.0], "outside": [{"low": 15.0, "high": 50.0}]}},
            of_map={"pbto2": {"side": "below", "first": 5.0, "last": 30.0, "step": 1.0}},
        )
        == []
    )


AMP_INDEX = PUBLISHED["indices"]["pax"]


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        (
            {"indices": {"orx": ORX | {"of": ["pbto", "cpp"]}}, "signals": {"pbto2": PBTO2}},
            "indices.orx.of: 'pbto' is no declared signal; did you mean 'pbto2'?",
        ),
        (
            {"indices": {"orx": ORX | {"of": ["icp", "abp", "cpp"]}}},
            "indices.orx.of: 3 series; write two, such as [icp, abp]",
        ),
        (
            {"indices": {"icp": ORX | {"of": ["icp", "cpp"]}}},
            "indices.icp: 'icp' is the name of a signal; write another name",
        ),
        (
            {"indices": {"cppopt": ORX | {"of": ["icp", "cpp"]}}},
            "indices.cppopt: 'cppopt' is the name of a signal; write another name",
        ),
        (
            {"indices": {"orx": ORX | {"of": ["icp", "cpp"], "n_blocks": 30}}},
            "indices.orx.n_blocks: an index per minutes has none; leave it out",
        ),
        (
            {"indices": {"pax": AMP_INDEX | {"window_min": 20}}},
            "indices.pax.window_min: an index per blocks has none; leave it out",
        ),
        (
            {"indices": {"pax": AMP_INDEX | {"step_s": 5.0}}},
            "indices.pax.step_s: 5 s is not a multiple of trends.block_s 10; "
            "write for example 60",
        ),
        (
            {"by": ["prx", "rax"]},
            "optimal_cpp.by: 'rax' is no declared index; did you mean 'rap'?",
        ),
        (
            {"thresholds": {"pbto2": {"below": [20.0]}}},
            "burden.thresholds.pbto2: 'pbto2' is no declared signal; known here: abp, cpp, icp",
        ),
        (
            {"of_map": {"abq": {"side": "below", "first": 5.0, "last": 9.0, "step": 1.0}}},
            "intensity_duration.thresholds.abq: 'abq' is no declared signal; "
            "did you mean 'abp'?",
        ),
        (
            {"thresholds": {"abp": {}}},
            "burden.thresholds.abp: no threshold; write for example {above: [20.0]}",
        ),
        (
            {"thresholds": {"abp": {"outside": [{"low": 90.0, "high": 60.0}]}}},
            "burden.thresholds.abp.outside: high 60 is not above low 90; "
            "write a value above it",
        ),
        (
            {"thresholds": {"icp": {"above": [22.0, 22.0000001]}}},
            "burden: two thresholds give the same column icp_above_22_dose_mmhg_h; "
            "write them further apart",
        ),
    ],
)
def test_what_does_not_fit_is_one_line(changes, line):
    assert _lines(**changes) == [line]


def test_too_few_values_of_amp_for_a_correlation_are_named():
    """Blocks of 1 s: ten of them hold one AMP, and 30 hold three."""
    asked = _asked(indices={"pax": AMP_INDEX | {"n_blocks": 30}})
    asked["indices"] = {name: asked["indices"][name] for name in ("prx", "pax")}
    asked["trends"]["block_s"] = 1.0
    assert declared_checks.contradictions(asked) == [
        "indices.pax: 30 blocks hold fewer than 4 values of AMP, which comes every 10 s; "
        "write n_blocks: 31 or more"
    ]


def test_cppopt_needs_a_cpp():
    asked = _asked()
    asked["derived_signals"] = {}
    asked["indices"] = {"prx": asked["indices"]["prx"]}
    asked["burden"]["thresholds"] = {"icp": {"above": [20.0]}}
    asked["intensity_duration"]["thresholds"].pop("cpp")
    assert declared_checks.contradictions(asked) == [
        "optimal_cpp.by: CPPopt needs a signal cpp in mmHg; declare it in derived_signals"
    ]


def test_what_is_sound_names_the_columns_that_the_rest_would_have():
    asked = _asked(
        signals={"pbto2": PBTO2, "broken": {"label": "Broken"}},
        indices={"orx": ORX, "odd": ORX | {"of": ["nothing", "cpp"]}},
        by=["prx", "orx", "odd"],
        thresholds={"pbto2": {"below": [20.0, "x"]}, "nothing": {"above": [1.0]}},
    )
    sound = declared_checks.sound(asked)
    assert list(sound["signals"]) == ["icp", "abp", "pbto2"]
    assert sound["optimal_cpp"] == {"by": ["prx", "orx"]}
    columns = contracts.analysis(sound).columns
    assert {"pbto2_mean_mmhg", "orx_mean", "orx_mean_ci_low", "orx_h"} <= set(columns)
    assert {"cppopt_mean_by_orx_mmhg", "pbto2_below_20_dose_per_h_mmhg"} <= set(columns)
    assert not any("odd" in name or "nothing" in name for name in columns)
    assert len([n for n in burden_columns.names(sound) if n.startswith("pbto2_")]) == 5


def test_whatever_stands_there_gives_columns_and_no_error():
    for section in ("signals", "derived_signals", "indices", "optimal_cpp", "burden"):
        for value in (None, 1, [], {}, {"icp": 1}, {"icp": {"label": 2}}, {"by": 3}):
            asked = copy.deepcopy(PUBLISHED) | {section: value}
            declared_checks.contradictions(asked)
            assert contracts.analysis(declared_checks.sound(asked)).columns


def test_a_section_in_which_nothing_is_declared_is_handed_on_as_empty():
    """Left out, the shipped CPP would stand in its place."""
    asked = PUBLISHED | {"derived_signals": {}}
    handed = settings.only(asked, "signals", "derived_signals", "summary.n_cosines")
    assert handed["derived_signals"] == {}
    assert list(handed) == ["signals", "derived_signals", "summary"]
    assert "cpp_mmhg" not in contracts.trends(handed).columns


OLD_NAMES = [
    ("burden", "icp_above_mmhg", [18.0], "burden.thresholds.icp.above; write there [18.0]"),
    ("burden", "cpp_below_mmhg", [60.0], "burden.thresholds.cpp.below; write there [60.0]"),
    ("burden", "impaired_prx", 0.3, "burden.impaired_above; write there 0.3"),
    ("reactivity", "lprx_window_min", 20, "reactivity.window_min; write there 20"),
    ("recordings", "time_column", "Time", 'recordings.time_columns; write there ["Time"]'),
    ("optimal_cpp", "min_span_prx", 0.2, "optimal_cpp.min_span_index; write there 0.2"),
    (
        "optimal_cpp",
        "reactivity_limit_prx",
        0.4,
        "optimal_cpp.reactivity_limit; write there 0.4",
    ),
    ("summary", "min_prx_interval_h", 6.5, "summary.min_interval_h; write there 6.5"),
    (
        "intensity_duration",
        "icp_from_mmhg",
        11.0,
        "intensity_duration.thresholds.icp.first; write there 11.0",
    ),
    (
        "intensity_duration",
        "cpp_to_mmhg",
        81.0,
        "intensity_duration.thresholds.cpp.last; write there 81.0",
    ),
    (
        "intensity_duration",
        "step_mmhg",
        2.0,
        "intensity_duration.thresholds.icp.step; write there 2.0",
    ),
]


@pytest.mark.parametrize(("section", "old", "value", "words"), OLD_NAMES)
def test_an_old_name_is_answered_with_the_new_one_and_its_value(section, old, value, words):
    stated = {name: part for name, part in PUBLISHED.items() if name in SCHEMA["properties"]}
    stated[section] = stated[section] | {old: value}
    assert settings.problems(stated, SCHEMA, file="config.yaml") == [
        f"config.yaml, {section}.{old}: is now {words}"
    ]
