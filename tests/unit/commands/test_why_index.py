"""What `why` says an index rests on: the settings of its entry, and a signal behind it."""

from icpcohort.commands.why import number

SHARED = {"window_min": 20, "averaging": "fisher"}
SETTINGS = {
    "signals": {
        name: {"label": name.upper(), "about": name, "unit": "mmHg"}
        for name in ("icp", "abp", "pbto2")
    },
    "derived_signals": {},
    "minutes": {"min_valid_fraction": 0.5},
    "reactivity": SHARED,
    "indices": {
        "lprx": {"label": "L-PRx", "of": ["icp", "abp"], "per": "minutes"},
        "omap": {"label": "OMx", "of": ["pbto2", "abp"], "per": "minutes", "window_min": 30},
    },
}


def test_a_setting_that_an_index_states_itself_is_told_instead_of_the_shared_one():
    blocks = number._blocks_of("omap", SETTINGS)
    assert blocks["indices.omap"] == {"window_min": 30}
    assert blocks["reactivity"] == {"averaging": "fisher"}
    blocks = number._blocks_of("lprx", SETTINGS)
    assert (blocks["indices.lprx"], blocks["reactivity"]) == ({}, SHARED)


def test_masked_time_is_told_of_a_signal_behind_the_index():
    assert number._recorded_of("lprx", SETTINGS) == "icp"
    assert number._recorded_of("omap", SETTINGS) == "abp"
