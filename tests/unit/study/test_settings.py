"""Settings: each message a user can meet, word for word where the words are the promise."""

import copy
import json
from pathlib import Path

import pytest
import yaml

from icpcohort.study import settings

REPOSITORY = Path(__file__).resolve().parents[3]
SCHEMAS = REPOSITORY / "workflow" / "schemas"
CONFIG = yaml.safe_load((REPOSITORY / "config" / "config.yaml").read_text(encoding="utf-8"))
MODELS = yaml.safe_load((REPOSITORY / "config" / "models.yaml").read_text(encoding="utf-8"))
VARIABLES = (REPOSITORY / "config" / "variables.yaml").read_text(encoding="utf-8")
MODEL = {
    "question": "Does it?",
    "family": "logistic",
    "outcome": "unfavourable",
    "window": "first_72_h",
    "exposure": "icp_above_20_dose_per_h_mmhg",
    "unit_of_effect": 1.0,
    "adjust_for": ["age_years"],
    "as_categories": [],
    "reason": "Because.",
    "missing_data": "complete_cases",
}


OF_DEMO = CONFIG["burden"]["thresholds"]
DOWNWARD = {"side": "above", "first": 40.0, "last": 10.0, "step": 1.0}
ICP, ABP = (CONFIG["signals"][name] for name in ("icp", "abp"))


def _load_texts(folder, config, models):
    (folder / "config.yaml").write_text(config, encoding="utf-8")
    (folder / "models.yaml").write_text(models, encoding="utf-8")
    if not (folder / "variables.yaml").exists():
        (folder / "variables.yaml").write_text(VARIABLES, encoding="utf-8")
    return settings.load(folder / "config.yaml", folder / "models.yaml", schema_folder=SCHEMAS)


def _problems(folder, config=CONFIG, models=MODELS, **variables):
    """Return the problems of the files, given as texts or as what stands in them.

    Sections of `variables` are added to those of the project.
    """
    written = yaml.safe_load(VARIABLES) | variables
    (folder / "variables.yaml").write_text(yaml.safe_dump(written), encoding="utf-8")
    texts = [
        content if isinstance(content, str) else yaml.safe_dump(content, sort_keys=False)
        for content in (config, models)
    ]
    try:
        _load_texts(folder, *texts)
    except settings.SettingsError as error:
        assert str(error).splitlines() == error.problems
        return error.problems
    return []


def _config(**blocks):
    """Return the project's settings with some values replaced, block by block."""
    config = copy.deepcopy(CONFIG)
    for block, values in blocks.items():
        config[block] = config[block] | values if isinstance(values, dict) else values
    return config


def _thresholds(**signals):
    """Return the project's settings with the thresholds of some signals replaced."""
    return _config(burden={"thresholds": OF_DEMO | signals})


def _plan(**values):
    return {"models": {"first": MODEL | values}}


def test_the_projects_own_settings_are_returned_as_they_are_written(tmp_path):
    config, models = _load_texts(tmp_path, yaml.safe_dump(CONFIG), yaml.safe_dump(MODELS))
    assert {name: config[name] for name in CONFIG} == CONFIG
    assert list(config) == [*CONFIG, "variables", "outcomes", "repeated", "scores"]
    assert models == MODELS["models"]


def test_a_misspelt_setting_names_the_nearest(tmp_path):
    config = _config()
    config["reactivity"]["n_blocs"] = config["reactivity"].pop("n_blocks")
    assert _problems(tmp_path, config) == [
        "config.yaml, reactivity.n_blocs: unknown setting; did you mean 'n_blocks'?",
        "config.yaml, reactivity.n_blocks: missing; write for example the line `n_blocks: 30`",
    ]


def test_a_setting_that_has_moved_says_where(tmp_path):
    config = _config()
    config["reactivity"]["block_s"] = config["trends"].pop("block_s")
    assert set(_problems(tmp_path, config)) == {
        "config.yaml, trends.block_s: missing; write for example the line `block_s: 10.0`",
        "config.yaml, reactivity.block_s: is now trends.block_s; write there 10.0",
    }


@pytest.mark.parametrize(
    ("block", "name", "value", "words"),
    [
        (
            "reactivity",
            "n_blocks",
            "thirty",
            "'thirty' is not a whole number; write for example 30",
        ),
        ("reactivity", "n_blocks", 30.0, "30.0 is not a whole number; write for example 30"),
        ("reactivity", "n_blocks", True, "true is not a whole number; write for example 30"),
        ("reactivity", "n_blocks", None, "nothing is written; write for example 30"),
        ("reactivity", "n_blocks", [30], "a list is not a whole number; write for example 30"),
        ("reactivity", "n_blocks", 2, "2 is out of range; write a value from 4 to 360"),
        (
            "reactivity",
            "fisher_clip",
            1,
            "1 is out of range; write a value above 0 and below 1",
        ),
        (
            "reactivity",
            "fisher_clip",
            0,
            "0 is out of range; write a value above 0 and below 1",
        ),
        (
            "trends",
            "min_valid_fraction",
            0.0,
            "0.0 is out of range; write a value above 0 and up to 1",
        ),
        (
            "trends",
            "min_valid_fraction",
            1.01,
            "1.01 is out of range; write a value above 0 and up to 1",
        ),
        (
            "study",
            "time_zero",
            "injuri",
            "'injuri' is not one of injury, onset, admission, monitoring_start; "
            "did you mean 'injury'?",
        ),
        (
            "study",
            "patients",
            "patients.xls",
            "'patients.xls' is not a file name that ends in .csv, .parquet or .xlsx; "
            'write for example "patients.csv"',
        ),
        ("study", "title", "", 'empty; write for example "Title of the study"'),
        ("study", "title", 2024, '2024 is not text; write it in quotes: "2024"'),
        ("study", "title", "x" * 201, "longer than 200 characters; shorten it"),
        ("optimal_cpp", "windows_min", [], "empty; write for example [240]"),
        ("optimal_cpp", "windows_min", [240, 240], "the same value stands twice; keep one"),
        ("optimal_cpp", "windows_min", 20, "20 is not a list; write for example [240]"),
    ],
)
def test_a_wrong_value_is_shown_with_what_to_write(tmp_path, block, name, value, words):
    assert _problems(tmp_path, _config(**{block: {name: value}})) == [
        f"config.yaml, {block}.{name}: {words}"
    ]


@pytest.mark.parametrize("fraction", [1, 1.0, 0.001])
def test_the_limits_of_a_fraction_can_be_written(tmp_path, fraction):
    assert _problems(tmp_path, _config(trends={"min_valid_fraction": fraction})) == []


def test_a_number_in_a_list_is_named_by_its_place(tmp_path):
    assert _problems(tmp_path, _thresholds(icp={"above": [18.0, "twenty"]})) == [
        "config.yaml, burden.thresholds.icp.above, entry 2: 'twenty' is not a number; "
        "write for example 18.0"
    ]


def test_thresholds_that_are_no_list_or_stand_twice_are_named(tmp_path):
    for value, words in (
        (20, "20 is not a list; write for example [18.0, 20.0, 22.0, 25.0]"),
        ([20, 20.0], "the same value stands twice; keep one"),
    ):
        assert _problems(tmp_path, _thresholds(icp={"above": value})) == [
            f"config.yaml, burden.thresholds.icp.above: {words}"
        ]


def test_a_missing_block_says_what_stands_in_it(tmp_path):
    config = _config()
    del config["cohort"]
    assert _problems(tmp_path, config) == [
        "config.yaml, cohort: missing; write a block `cohort:` with main_window, main_outcome, "
        "eligibility, table_one, monitoring_end_tolerance_h"
    ]


def test_an_empty_block_says_what_to_write(tmp_path):
    config = _config()
    config["cohort"] = None
    assert _problems(tmp_path, config) == [
        "config.yaml, cohort: nothing is written; "
        "write `main_window: ...`, `main_outcome: ...`, `eligibility: ...`, `table_one: ...`, "
        "`monitoring_end_tolerance_h: ...` below it"
    ]


def test_a_wrong_key_of_a_cleaning_rule_names_the_rules_place_and_kind(tmp_path):
    rules = [
        {"rule": "event", "signal": "icp", "event": "rezero", "settle_s": 60.0},
        {"rule": "jump", "signal": "icp", "max_step": 15.0, "margin": 5.0},
    ]
    assert sorted(_problems(tmp_path, _config(cleaning={"rules": rules}))) == [
        "config.yaml, cleaning.rules, entry 2 (jump), margin: unknown setting; "
        "did you mean 'margin_s'?",
        "config.yaml, cleaning.rules, entry 2 (jump), margin_s: missing; "
        "write for example the line `margin_s: 1.0`",
    ]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (
            {"rule": "jumps", "signal": "icp"},
            "entry 1 (jumps), rule: 'jumps' is not one of range, saturation, flat_line, "
            "no_pulse, jump, zeroing, disconnection, flush, blood_sampling, damping, beats, "
            "event, hold, repeat, zero_line, noisy_line, noisy_zeroing, burst, level_step, "
            "drain_by_signal; did you mean 'jump'?",
        ),
        (
            {"signal": "icp"},
            'entry 1, rule: missing; write for example the line `rule: "range"`',
        ),
        (
            {"rule": "event", "signal": "cpp", "event": "rezero", "settle_s": 60.0},
            "entry 1 (event), signal: 'cpp' is none of the signals; did you mean 'icp'?",
        ),
        (
            {"rule": "event", "signal": "icp", "event": "drain", "settle_s": 60.0},
            "entry 1 (event), event: 'drain' is not one of drain_open, craniectomy, rezero, "
            "level_change, transport, disconnected, artefact, no_monitor, before_calibration, "
            "monitor_malfunction; did you mean 'drain_open'?",
        ),
        (
            {
                "rule": "flat_line",
                "signal": "icp",
                "tier": "hourly",
                "max_spread": 0.0,
                "min_s": 600,
            },
            "entry 1 (flat_line), tier: 'hourly' is not one of waveform, seconds, ten_seconds, "
            "minutes",
        ),
        (
            {"rule": "range", "signal": "icp", "min": 9.0, "max": 9.0, "margin_s": 0},
            "entry 1 (range), max: 9.0 is not above min 9.0; write a value above 9.0",
        ),
        (
            {
                "rule": "blood_sampling",
                "signal": "abp",
                "tier": "seconds",
                "max_movement_mmhg": 1.0,
                "min_step_mmhg": 20.0,
                "min_s": 60.0,
                "max_s": 30.0,
                "margin_s": 1.0,
            },
            "entry 1 (blood_sampling), max_s: 30.0 is not above min_s 60.0; "
            "write a value above 60.0",
        ),
    ],
)
def test_a_wrong_cleaning_rule_is_named(tmp_path, rule, words):
    assert _problems(tmp_path, _config(cleaning={"rules": [rule]})) == [
        f"config.yaml, cleaning.rules, {words}"
    ]


def test_the_rule_of_beats_stands_once_and_its_limits_in_order(tmp_path):
    rules = _config()["cleaning"]["rules"]
    beats = next(rule for rule in rules if rule["rule"] == "beats")
    wrong = beats | {"min_rate_per_min": 90.0, "max_rate_per_min": 80.0}
    assert _problems(tmp_path, _config(cleaning={"rules": [beats, wrong]})) == [
        "config.yaml, cleaning.rules, entry 2 (beats), max_rate_per_min: 80.0 is not above "
        "min_rate_per_min 90.0; write a value above 90.0",
        "config.yaml, cleaning.rules: 'beats' stands more than once; keep one",
    ]


@pytest.mark.parametrize(
    ("blocks", "line"),
    [
        (
            {"trends": {"pulse_min_hz": 3.0, "pulse_max_hz": 3.0}},
            "trends.pulse_max_hz: 3.0 is not above pulse_min_hz 3.0; write a value above 3.0",
        ),
        (
            {"trends": {"block_s": 20.0}, "reactivity": {"step_s": 30.0}},
            "reactivity.step_s: 30 s is not a multiple of trends.block_s 20; "
            "write for example 60",
        ),
        (
            {"intensity_duration": {"thresholds": {"icp": DOWNWARD}}},
            "intensity_duration.thresholds.icp.last: 10.0 is not above first 40.0; "
            "write a value above 40.0",
        ),
        (
            {"optimal_cpp": {"bin_min_mmhg": 120.0, "bin_max_mmhg": 40.0}},
            "optimal_cpp.bin_max_mmhg: 40.0 is not above bin_min_mmhg 120.0; "
            "write a value above 120.0",
        ),
        (
            {"optimal_cpp": {"bin_width_mmhg": 7.0}},
            "optimal_cpp.bin_width_mmhg: 40.0 to 120.0 mmHg is not a whole number of bins of "
            "7.0; change one of the three",
        ),
        (
            {"optimal_cpp": {"bin_width_mmhg": 40.0}},
            "optimal_cpp.min_bins: 4 of 2 bins can never be filled; "
            "write fewer, or narrower bins",
        ),
        (
            {"cohort": {"main_window": "first_73_h"}},
            "cohort.main_window: 'first_73_h' is none of the windows; "
            "did you mean 'first_72_h'?",
        ),
        (
            {"windows": {"late": {"start_h": 24.0, "end_h": 24.0, "min_monitored_h": 1.0}}},
            "windows.late.end_h: 24.0 is not above start_h 24.0; write a value above 24.0",
        ),
        (
            {"windows": {"late": {"start_h": 24.0, "end_h": 48.0, "min_monitored_h": 24.5}}},
            "windows.late.min_monitored_h: 24.5 h do not fit into a window of 24 h; "
            "write at most 24",
        ),
        (
            {"windows": {"First": {"start_h": 0.0, "end_h": 48.0, "min_monitored_h": 24.0}}},
            "windows.First: the name is not a name of small letters, digits and _ that begins "
            "with a letter; write for example first_24_h",
        ),
        (
            {"signals": {"icp": ICP | {"names": ["P 1"]}, "abp": ABP | {"names": ["p  1"]}}},
            "signals.abp.names: 'p  1' stands in signals.icp.names too; keep one",
        ),
        (
            {
                "burden": {
                    "thresholds": OF_DEMO | {"icp": {"above": [18.0, 20.0, 22.0, 22.0000001]}}
                }
            },
            "burden: two thresholds give the same column icp_above_22_dose_mmhg_h; "
            "write them further apart",
        ),
    ],
)
def test_settings_that_do_not_fit_each_other_are_named(tmp_path, blocks, line):
    assert _problems(tmp_path, _config(**blocks)) == [f"config.yaml, {line}"]


def test_a_column_of_the_export_cannot_be_two_of_ours(tmp_path):
    columns = CONFIG["study"]["columns"] | {
        "patients": {"death_h": "died", "last_known_h": "died"}
    }
    assert _problems(tmp_path, _config(study={"columns": columns})) == [
        "config.yaml, study.columns.patients.last_known_h: 'died' is already the column of "
        "death_h; name another column"
    ]
    same = {"gcs_total": {"column": "GCS"}, "gcs_motor": {"column": "GCS"}}
    assert _problems(tmp_path, variables=same) == [
        "variables.yaml, variables.gcs_motor.column: 'GCS' is already the column of gcs_total; "
        "name another column"
    ]


@pytest.mark.parametrize(
    ("key", "entry", "section"),
    [
        ("columns", {"patients": {"age_years": "AGE"}}, "age_years.column"),
        ("codings", {"patients": {"sex": {"1": "male"}}}, "sex.codings"),
    ],
)
def test_a_setting_that_went_to_the_variables_says_where(tmp_path, key, entry, section):
    stated = CONFIG["study"][key] | entry
    (line,) = _problems(tmp_path, _config(study={key: stated}))
    assert line.endswith(f"is now variables.{section} in variables.yaml; write it there")


def test_settings_of_outcomes_say_where_they_are_now(tmp_path):
    lines = _problems(tmp_path, CONFIG | {"outcomes": {"favourable_gose": [5, 6, 7, 8]}})
    assert lines == [
        "config.yaml, outcomes: is now the section outcomes of variables.yaml; write it there"
    ]


@pytest.mark.parametrize(
    ("cut", "words"),
    [
        ("1", "1 is the worst level, so none is worse; name another"),
        ("9", "'9' is no level of gose_6m; known here: 1, 2, 3, 4, 5, 6, 7, 8"),
    ],
)
def test_a_cut_leaves_some_unfavourable(tmp_path, cut, words):
    lines = _problems(tmp_path, outcomes={"unfavourable": {"favourable_from": cut}})
    assert lines == [f"variables.yaml, outcomes.unfavourable.favourable_from: {words}"]


@pytest.mark.parametrize("cut", [2, 5, "8"])
def test_any_level_but_the_worst_may_be_the_cut(tmp_path, cut):
    assert _problems(tmp_path, outcomes={"unfavourable": {"favourable_from": cut}}) == []


@pytest.mark.parametrize(
    ("values", "line"),
    [
        (
            {"window": "first_27_h"},
            "window: 'first_27_h' is no window of config.yaml; did you mean 'first_72_h'?",
        ),
        (
            {"outcome": "gose_6m"},
            "outcome: 'gose_6m' is no outcome of family logistic; write unfavourable or "
            "unfavourable_sliding or dead or dead_by_horizon",
        ),
        (
            {"family": "proportional_odds"},
            "outcome: 'unfavourable' is no outcome of family proportional_odds; "
            "write gose_6m or gose_6m_merged",
        ),
        (
            {"exposure": "icp_above_20_dose_per_hour_mmhg"},
            "exposure: 'icp_above_20_dose_per_hour_mmhg' is no column that a model may use; "
            "did you mean 'icp_above_20_dose_per_h_mmhg'?",
        ),
        (
            {"exposure": "sex"},
            "exposure: 'sex' is a text, and an exposure is a number; name another column",
        ),
        (
            {"exposure": "death_h"},
            "exposure: 'death_h' is known only after the window, so it explains nothing in it; "
            "name another column",
        ),
        (
            {"exposure": "shape_yield_percent"},
            "exposure: 'shape_yield_percent' is now 'p2p1_yield_percent'; write that",
        ),
        (
            {"adjust_for": ["age_year"]},
            "adjust_for: 'age_year' is no column that a model may use; "
            "did you mean 'age_years'?",
        ),
        (
            {"adjust_for": ["icp_above_20_dose_per_h_mmhg"]},
            "adjust_for: 'icp_above_20_dose_per_h_mmhg' is the exposure; leave it out here",
        ),
        (
            {"adjust_for": ["gose_6m"]},
            "adjust_for: 'gose_6m' is known only after the window, so it explains nothing in "
            "it; name another column",
        ),
        (
            {"adjust_for": ["gcs_motor"]},
            "as_categories: 'gcs_motor' is a text; add it here, it has no slope",
        ),
        (
            {"as_categories": ["gcs_motor"]},
            "as_categories: 'gcs_motor' is not in adjust_for; known here: age_years",
        ),
        (
            {"as_categories": ["age_years"]},
            "as_categories: 'age_years' is a measured number, nearly every patient would be a "
            "level; leave it out here",
        ),
        (
            {"family": "logistics"},
            "family: 'logistics' is not one of logistic, firth_logistic, proportional_odds, "
            "modified_poisson, linear, negative_binomial, gee, cox_landmark, "
            "cox_time_dependent, cause_specific_cox; "
            "did you mean 'logistic'?",
        ),
    ],
)
def test_a_model_that_cannot_be_fitted_is_named(tmp_path, values, line):
    assert _problems(tmp_path, models=_plan(**values)) == [f"models.yaml, models.first.{line}"]


COX = {"family": "cox_landmark", "outcome": "dead", "horizon_h": 4383.0}
DOSE = "icp_above_20_dose_per_h_mmhg"


@pytest.mark.parametrize(
    ("values", "start"),
    [
        (
            COX | {"horizon_h": 24.0},
            "horizon_h: 24.0 h is not after the window's end at 72.0 h",
        ),
        ({"family": "cox_landmark", "outcome": "dead"}, "horizon_h: missing; cox_landmark"),
        (
            COX | {"outcome": "gose_6m"},
            "outcome: 'gose_6m' is no outcome of family cox_landmark",
        ),
        (
            COX | {"family": "cox_time_dependent", "exposure": "prx_mean"},
            "exposure: 'prx_mean' is not followed day by day",
        ),
        ({"family": "gee"}, "clusters: missing; gee needs them"),
        ({"clusters": "center"}, "clusters: 'center' is no column that a model may use; did"),
        ({"interaction": "sex"}, "interaction: 'sex' is not in adjust_for"),
        ({"missing_data": "multiple_imputation"}, "imputation: missing"),
        ({"purpose": "prediction"}, "bootstrap: missing"),
    ],
)
def test_an_option_that_does_not_fit_is_found_before_anything_runs(tmp_path, values, start):
    problems = _problems(tmp_path, models=_plan(**values))
    assert len(problems) == 1
    assert problems[0].startswith(f"models.yaml, models.first.{start}")


@pytest.mark.parametrize(
    "values", [COX, COX | {"family": "cox_time_dependent", "exposure": DOSE}]
)
def test_a_cox_model_that_fits_is_accepted(tmp_path, values):
    assert _problems(tmp_path, models=_plan(**values)) == []


def test_a_changing_exposure_is_counted_from_time_zero(tmp_path):
    values = COX | {"family": "cox_time_dependent", "exposure": DOSE, "window": "late"}
    windows = CONFIG["windows"] | {
        "late": {"start_h": 24.0, "end_h": 72.0, "min_monitored_h": 12.0}
    }
    problems = _problems(tmp_path, CONFIG | {"windows": windows}, _plan(**values))
    assert len(problems) == 1
    assert "window: 'late' starts at 24.0 h" in problems[0]


def test_a_group_of_comparisons_has_one_method(tmp_path):
    models = {
        name: copy.deepcopy(MODEL) | {"comparisons": {"group": "g", "method": method}}
        for name, method in (("first", "holm"), ("second", "hochberg"))
    }
    (line,) = _problems(tmp_path, models={"models": models})
    assert line == (
        "models.yaml, models.second.comparisons.method: 'hochberg', but first of the same "
        "group 'g' has holm; write one method for the group"
    )


def test_a_model_may_use_a_threshold_only_if_the_settings_have_it(tmp_path):
    plan = _plan(exposure="cpp_below_62_5_percent_time")
    assert len(_problems(tmp_path, models=plan)) == 1
    config = _thresholds(cpp={"below": [62.5]})
    assert _problems(tmp_path, config, plan) == []


def test_a_study_without_models_is_accepted(tmp_path):
    assert _load_texts(tmp_path, yaml.safe_dump(CONFIG), "models: {}\n")[1] == {}


def test_all_problems_of_both_files_come_at_once(tmp_path):
    config = _config(reactivity={"n_blocks": 0}, cohort={"main_window": "none"})
    plan = _plan(window="w", family=None)
    assert [
        line.split(":")[0] for line in _problems(tmp_path, config | {"minute": 1}, plan)
    ] == [
        "config.yaml, minute",
        "config.yaml, reactivity.n_blocks",
        "config.yaml, cohort.main_window",
        "models.yaml, models.first.family",
        "models.yaml, models.first.window",
    ]


def test_a_fault_of_a_threshold_is_not_told_again_for_the_models_that_use_it(tmp_path):
    config = _thresholds(icp={"above": ["20"]})
    plan = _plan(adjust_for=["cpp_below_60_percent_time"])
    assert [line.split(":")[0] for line in _problems(tmp_path, config, plan)] == [
        "config.yaml, burden.thresholds.icp.above, entry 1"
    ]


# --- YAML ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "config.yaml: empty; write the settings"),
        ("# only a comment\n", "config.yaml: empty; write the settings"),
        ("- a\n- b\n", "config.yaml: not a block of settings; write `name: value` lines"),
        ("study\n", "config.yaml: not a block of settings"),
        ("a: 1\nb: [1, 2\nc: 3\n", "config.yaml line 3: not YAML: "),
        ("a:\n\tb: 1\n", "config.yaml line 2: not YAML: found character '\\t'"),
        ("a: &x 1\nb: *x\n", "config.yaml line 2: not YAML: aliases (*) and tags (!)"),
        ("a: !!python/name:os.system\n", "config.yaml line 1: not YAML: aliases (*) and tags"),
        ("a: 1\x00\n", "config.yaml: not YAML: "),
        ("a: 1\n---\nb: 2\n", "config.yaml line 2: not YAML: "),
        ("[" * 3000, "config.yaml: blocks within blocks without end; flatten them"),
    ],
)
def test_a_file_that_is_no_yaml_mapping_is_told_in_words_with_its_line(tmp_path, text, words):
    problems = _problems(tmp_path, text)
    assert len(problems) == 1
    assert problems[0].startswith(words)


def test_a_name_that_stands_twice_is_refused_with_both_lines(tmp_path):
    text = "reactivity:\n  n_blocks: 30\n  fisher_clip: 0.9\n  n_blocks: 40\n"
    line = "config.yaml line 4: 'n_blocks' stands already in line 2; keep one"
    assert line in _problems(tmp_path, text)


def test_a_name_that_is_a_number_is_refused_with_its_line(tmp_path):
    line = "config.yaml line 2: the name 24 is not text; write a name"
    assert line in _problems(tmp_path, "windows:\n  24: {}\n")


@pytest.mark.parametrize(
    "text", ["no", "010", "1:30", "2024-01-31", ".nan", ".inf", "1_000", "1e999"]
)
def test_only_what_looks_like_a_number_is_one(tmp_path, text):
    config = yaml.safe_dump(CONFIG, sort_keys=False).replace(
        "min_cppopt_h: 1.0", f"min_cppopt_h: {text}"
    )
    problems = _problems(tmp_path, config)
    assert len(problems) == 1
    assert problems[0].startswith("config.yaml, summary.min_cppopt_h: ")
    assert "is not a number; write for example 1.0" in problems[0]


@pytest.mark.parametrize(("text", "value"), [("18", 18), ("+1.8e1", 18.0), ("18.", 18.0)])
def test_a_number_may_be_written_in_the_usual_ways(tmp_path, text, value):
    config = yaml.safe_dump(CONFIG, sort_keys=False).replace(
        "min_cppopt_h: 1.0", f"min_cppopt_h: {text}"
    )
    loaded, _ = _load_texts(tmp_path, config, yaml.safe_dump(MODELS))
    assert loaded["summary"]["min_cppopt_h"] == value


AGE = {"rule": "variable", "name": "age_years", "min": 16.0, "max": 99.0, "if_missing": "drop"}
LAST = [{"rule": "landmark"}, {"rule": "monitored_hours"}]


@pytest.mark.parametrize(
    ("rules", "line"),
    [
        (
            [AGE, *LAST],
            "cohort.eligibility: rule 'usable_recording' stands 0 times; "
            "write `- {rule: usable_recording}` once",
        ),
        (
            [AGE, {"rule": "usable_recording"}, *LAST],
            "cohort.eligibility: rule 'usable_recording' is not the first; move it up",
        ),
        (
            [{"rule": "usable_recording"}, *reversed(LAST)],
            "cohort.eligibility: rule 'monitored_hours' asks about the window before rule "
            "'landmark': who died in it would count as badly monitored; move it below",
        ),
        (
            [{"rule": "usable_recording"}, AGE | {"max": 15.0}, *LAST],
            "cohort.eligibility, entry 2 (variable), max: 15.0 is below min 16.0; "
            "write a value from 16.0 on",
        ),
        (
            [{"rule": "usable_recording"}, AGE | {"min_score": 3}, *LAST],
            "cohort.eligibility, entry 2 (variable), min_score: unknown setting; "
            "known here: one_of",
        ),
    ],
)
def test_eligibility_rules_that_make_no_cohort_are_refused(tmp_path, rules, line):
    cohort = CONFIG["cohort"] | {"eligibility": rules}
    assert _problems(tmp_path, _config(cohort=cohort)) == [f"config.yaml, {line}"]


def test_limits_of_eligibility_may_be_equal(tmp_path):
    score = {"rule": "variable", "name": "gcs_total", "min": 3.0, "max": 3.0}
    score |= {"if_missing": "keep"}
    cohort = CONFIG["cohort"] | {"eligibility": [{"rule": "usable_recording"}, score, *LAST]}
    assert _problems(tmp_path, _config(cohort=cohort)) == []


def test_a_scale_of_five_cannot_be_cut_inside_a_category(tmp_path):
    coded = {"gose_6m": {"coding": "gos_1_good"}}
    cut = {"unfavourable": {"favourable_from": 6}}
    assert _problems(tmp_path, outcomes=coded | cut) == [
        "variables.yaml, outcomes.unfavourable.favourable_from: a table in gos_1_good cannot "
        "tell 6 from the next; begin at 2, 3, 5, 7"
    ]
    assert _problems(tmp_path, outcomes=coded) == []


def test_a_translation_into_no_value_of_ours_is_refused(tmp_path):
    sex = {"codings": {"M": "man", "F": "female", "?": ""}}
    lines = _problems(
        tmp_path, variables={"sex": sex}, outcomes={"gose_6m": {"codings": {"D": "0"}}}
    )
    assert lines == [
        "variables.yaml, variables.sex.codings.M: 'man' is no level; known here: female, male",
        "variables.yaml, outcomes.gose_6m.codings.D: '0' is no level; known here: 1, 2, 3, 4, "
        "5, 6, 7, 8",
    ]


def test_a_model_with_immortal_time_stops_before_anything_runs(tmp_path):
    problems = _problems(tmp_path, models=_plan(outcome="death_h"))
    assert (
        "models.yaml, models.first.outcome: 'death_h' is counted from 0 h, but "
        "'icp_above_20_dose_per_h_mmhg' is measured until 72 h; nobody can die in between "
        "(immortal time); count from the landmark at 72 h"
    ) in problems


def test_an_outcome_that_is_settled_before_the_exposure_ends_is_refused(tmp_path):
    early = {"dead_by_horizon": {"death_by_h": 48.0}}
    problems = _problems(tmp_path, models=_plan(outcome="dead_by_horizon"), outcomes=early)
    assert any("'dead_by_horizon' is settled at 48 h" in line for line in problems)


@pytest.mark.parametrize("name", ["death_h", "last_known_h", "died", "unfavourable_sliding"])
def test_a_column_known_afterwards_is_told_once(tmp_path, name):
    for entry in ({"exposure": name}, {"adjust_for": [name]}):
        problems = _problems(tmp_path, models=_plan(**entry))
        assert len(problems) == 1
        assert f"'{name}' is known only after the window" in problems[0]


def test_groups_of_table_one_by_a_column_that_is_no_exposure_are_refused(tmp_path):
    groups = {"by": "exposure", "exposure": "age_years", "exposed_above": 40.0}
    groups |= {"rows": ["sex"]}
    problems = _problems(tmp_path, _config(cohort={"table_one": groups}))
    assert len(problems) == 1
    assert "table_one.exposure: 'age_years' is no exposure of the analysis table" in problems[0]
    groups["exposure"] = "prx_mean"
    assert _problems(tmp_path, _config(cohort={"table_one": groups})) == []


def test_another_encoding_is_told_in_words(tmp_path):
    (tmp_path / "config.yaml").write_bytes("study: {title: Gröbner}\n".encode("latin-1"))
    (tmp_path / "models.yaml").write_text("models: {}\n", encoding="utf-8")
    with pytest.raises(settings.SettingsError, match=r"^config\.yaml: not UTF-8; save"):
        settings.load(tmp_path / "config.yaml", tmp_path / "models.yaml", schema_folder=SCHEMAS)


def test_a_byte_order_mark_does_no_harm(tmp_path):
    text = "\ufeff" + yaml.safe_dump(CONFIG)
    loaded = _load_texts(tmp_path, text, yaml.safe_dump(MODELS))[0]
    assert {name: loaded[name] for name in CONFIG} == CONFIG


def test_files_that_are_missing_are_told_together(tmp_path):
    with pytest.raises(settings.SettingsError) as caught:
        settings.load(tmp_path / "config.yaml", tmp_path / "models.yaml", schema_folder=SCHEMAS)
    assert len(caught.value.problems) == 2
    assert caught.value.problems[0].endswith(
        "config.yaml: No such file or directory; every study has its own config.yaml"
    )


def test_a_schema_that_is_missing_is_told_in_words(tmp_path):
    (tmp_path / "config.yaml").write_text(json.dumps(CONFIG), encoding="utf-8")
    (tmp_path / "models.yaml").write_text(json.dumps(MODELS), encoding="utf-8")
    with pytest.raises(settings.SettingsError, match=r"config\.schema\.json: cannot be read"):
        settings.load(
            tmp_path / "config.yaml", tmp_path / "models.yaml", schema_folder=tmp_path
        )


def test_an_empty_section_is_handed_to_a_rule_that_asks_for_it_and_to_no_other():
    written = {"scores": {}, "windows": {"first_24_h": 1}}
    assert settings.only(written, "scores") == {"scores": {}}
    assert settings.only(written, "windows") == {"windows": {"first_24_h": 1}}
