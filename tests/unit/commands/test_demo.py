"""Settings of a demonstration study: the published ones, but for what it states."""

from pathlib import Path

import pytest
import yaml

from icpcohort import cli
from icpcohort.commands import demo, new

REPOSITORY = Path(__file__).resolve().parents[3]
STATED = REPOSITORY / "workflow" / "demos"
PUBLISHED = (REPOSITORY / "config" / "config.yaml").read_text(encoding="utf-8")

SMALL = """\
# Every setting of the study.

study:
  title: One                  # of the report
  columns:                    # our name: yours
    patients: {}

signals:
  icp: {unit: mmHg}
  # others

cohort:
  rules:
    - {rule: landmark}
    # others
  by: outcome                 # or exposure
"""


def test_a_setting_is_replaced_with_all_its_lines_and_the_others_keep_their_comments():
    changed = demo.changed(SMALL, by="cohort:\n  rules: []\nstudy:\n  title: Two  # mine\n")
    assert changed == SMALL.replace(
        "One                  # of the report", "Two  # mine"
    ).replace("rules:\n    - {rule: landmark}\n    # others\n", "rules: []\n")


def test_signals_are_replaced_whole_and_new_sections_and_settings_stand_at_the_end():
    by = "signals:\n  map: {unit: kPa}\nstudy:\n  folder: .\nindices:\n  lprx: {}\n"
    settings = yaml.safe_load(demo.changed(SMALL, by=by))
    assert settings["signals"] == {"map": {"unit": "kPa"}}
    assert settings["study"] == {"title": "One", "columns": {"patients": {}}, "folder": "."}
    assert list(settings) == ["study", "signals", "cohort", "indices"]


@pytest.mark.parametrize("like", sorted(path.name for path in STATED.iterdir()))
def test_the_settings_are_the_published_ones_but_for_what_the_study_states(like):
    texts = demo.texts(like, repository=REPOSITORY)
    stated = yaml.safe_load((STATED / like / "config.yaml").read_text(encoding="utf-8"))
    expected = yaml.safe_load(PUBLISHED)
    for name, settings in stated.items():
        is_whole = name in ("signals", "derived_signals", "indices")
        expected[name] = settings if is_whole else expected.get(name, {}) | settings
    assert yaml.safe_load(texts["config/config.yaml"]) == expected
    assert list(texts) == ["config/config.yaml", "config/variables.yaml", "config/models.yaml"]


def test_the_study_of_haemorrhage_names_no_other_disease():
    for path in (STATED / "sah").iterdir():
        text = path.read_text(encoding="utf-8").lower()
        assert not [word for word in ("tbi", "trauma", "injury", "gose") if word in text]


def test_a_checkout_without_the_files_is_told_in_words(tmp_path):
    with pytest.raises(new.NoCheckout, match="the project is used from its checkout"):
        demo.texts("sah", repository=tmp_path)


def test_every_simulated_study_can_be_asked_for_without_any_option():
    for like, offered in demo.OFFERED.items():
        nothing = dict.fromkeys(demo.OFFERED["tbi"])
        study = demo.asked(like, nothing, repository=REPOSITORY)
        assert study.options == offered
        assert bool(study.texts) == (STATED / like).is_dir()


def test_the_bytes_of_a_study_depend_on_its_settings_too():
    nothing = dict.fromkeys(demo.OFFERED["tbi"])
    study = demo.asked("sah", nothing, repository=REPOSITORY)
    other = demo.Asked("sah", study.options, {**study.texts, "config/models.yaml": ""})
    assert demo.made_by(study) != demo.made_by(other)


def test_the_study_has_no_problem_but_the_flaw_that_it_was_given(tmp_path, capsys):
    code = cli.main(["simulate", "--like", "sah", "--patients", "4", str(tmp_path / "study")])
    assert code == 0
    capsys.readouterr()
    assert cli.main(["check", str(tmp_path / "study")]) == 1
    assert capsys.readouterr().err.splitlines() == [
        "recordings.csv row 5 (S004_r1 of S004), S004_r1.csv: not there; restore it or correct "
        "recordings.csv [missing_file]",
        "1 problem(s): recordings 1 (left out of a run, with their reason)",
    ]
