"""Promise: config/README.md describes every setting of the schemas and config.yaml."""

import difflib
import json
from pathlib import Path

import pytest
import yaml

from icpcohort.commands.settings_schema import SECTIONS
from icpcohort.contracts.setting import OfColumns
from icpcohort.study import readme

HOME = Path(__file__).parents[2]
DECLARED_BY_NAME = ("signals", "derived_signals")
COMMAND = "python -m icpcohort.study.readme > config/README.md"
NAMED_BY_A_STUDY = ("signals", "derived_signals", "indices")
CONFIG = yaml.safe_load((HOME / "config/config.yaml").read_text(encoding="utf-8"))


def test_the_table_of_settings_is_current():
    difference = "\n".join(
        difflib.unified_diff(
            (HOME / "config/README.md").read_text(encoding="utf-8").splitlines(),
            readme.read(HOME).splitlines(),
            "config/README.md",
            "as the schemas and config.yaml say now",
            lineterm="",
        )
    )
    assert not difference, (
        f"config/README.md is out of date; repair it with: {COMMAND}\n{difference}"
    )


def _named(block):
    """Yield every setting of a block by its name, those of inner blocks with a dot."""
    for name, value in block.items():
        if isinstance(value, dict):
            yield from ((f"{name}.{inner}", leaf) for inner, leaf in _named(value))
        else:
            yield name, value


def _general(block, name):
    """Return a setting's name with `<name>` in place of what a study calls an entry."""
    parts = name.split(".")
    if block in NAMED_BY_A_STUDY:
        return ".".join(["<name>", *parts[1:]])
    if parts[0] == "thresholds":
        return ".".join(["thresholds", "<name>", *parts[2:]])
    return name


def test_every_setting_has_a_row_with_its_value_range_meaning_and_source():
    text = readme.read(HOME)
    n_rows = 0
    for block in set(CONFIG) - {"windows", "cleaning", "study", *DECLARED_BY_NAME}:
        section = text.split(f"\n## `{block}`\n")[1].split("\n## ")[0]
        rows = [
            [cell.strip() for cell in line.replace("\\|", "/").split("|")[1:-1]]
            for line in section.splitlines()
            if line.startswith("| `")
        ]
        values = dict(_named(CONFIG[block]))
        row_of = {row[0].strip("`"): row for row in rows}
        optional = {n for n in set(row_of) - set(values) if "Left out: " in row_of[n][4]}
        assert all(row_of[name][5] for name in optional)
        row_of = {name: row for name, row in row_of.items() if name not in optional}
        rows_of_entries = {name for name in row_of if "<name>" in name}
        general = {name: _general(block, name) for name in values}
        assert set(row_of) - {"preset"} - rows_of_entries == set(values) & set(general.values())
        assert set(general.values()) - set(values) <= rows_of_entries
        has_entries = block in NAMED_BY_A_STUDY or "thresholds" in CONFIG[block]
        assert bool(rows_of_entries) == has_entries
        for name in rows_of_entries:
            assert all(row_of[name][3:]) and not row_of[name][1], name
        for name, value, _, allowed, meaning, source in (
            row_of[name] for name in values if name in row_of
        ):
            n_rows += 1
            setting = values[name.strip("`")]
            if setting and isinstance(setting, list) and isinstance(setting[0], dict):
                assert value == f"{len(setting)} entries"
            else:
                assert value == f"`{json.dumps(setting, ensure_ascii=False)}`"
            assert all((allowed, meaning, source)), name
    assert n_rows > 50


@pytest.mark.parametrize("block", DECLARED_BY_NAME)
def test_what_a_study_declares_by_name_has_a_row_for_each_setting_of_an_entry(block):
    section = readme.read(HOME).split(f"\n## `{block}`\n")[1].split("\n## ")[0]
    rows = {line.split("`")[1] for line in section.splitlines() if line.startswith("| `")}
    stated = {f"<name>.{key}" for entry in CONFIG[block].values() for key in entry}
    assert stated <= rows


def test_a_row_says_unit_and_range_in_words():
    rows = {
        line.split("|")[1].strip(): line
        for line in readme.read(HOME).splitlines()
        if line.startswith("| `")
    }
    assert "| 5 | min | 1 to 1440 |" in rows["`episode_min`"].replace("`5`", "5")
    assert "| above 0 to 1 |" in rows["`edge_weight`"]
    assert "`count`, `none`, `inverse_variance`" in rows["`weighting`"]
    assert "| mmHg | 0 to 200 |" in rows["`min_span_mmhg`"]
    assert "| above 0 to below 1 |" in rows["`fisher_clip`"]


def _rows_below(heading):
    section = readme.read(HOME).split(f"\n{heading}\n")[1].split("\n## ")[0].split("\n### ")[0]
    names = [line.split("`")[1] for line in section.splitlines() if line.startswith("| `")]
    alike = [line for line in section.splitlines() if line.startswith("As [several rules]")]
    return names, alike[0].split("`")[1::2] if alike else []


def test_every_setting_of_a_rule_stands_in_its_section_or_among_those_of_several_rules():
    schema = json.loads((HOME / "workflow/schemas/config.schema.json").read_text("utf-8"))
    of_several, _ = _rows_below(f"## {readme.SHARED}")
    assert len(of_several) == len(set(of_several)) > 3
    for kind in schema["$defs"].values():
        rule = kind["properties"]["rule"]["enum"][0]
        names, alike = _rows_below(f"## `rule: {rule}`")
        assert set(alike) <= set(of_several), rule
        assert sorted(names + alike) == sorted(set(kind["properties"]) - {"rule"}), rule


def test_a_setting_that_differs_between_rules_is_not_among_those_of_several():
    assert "signal" in _rows_below("## `rule: range`")[1]  # icp or abp
    assert "signal" in _rows_below("## `rule: flush`")[0]  # abp alone


def test_every_column_of_the_tables_of_a_study_is_listed_with_its_meaning():
    text = readme.read(HOME).split("\n### Columns of the study's tables\n")[1].split("\n## ")[0]
    listed = [line for line in text.splitlines() if line.startswith("| `")]
    notes = SECTIONS["study"].__annotations__["columns"].__metadata__
    tables = next(note for note in notes if isinstance(note, OfColumns)).tables
    assert listed == [
        f"| `{name}` | `{column}` | {one.about} |"
        for name, table in tables.items()
        for column, one in table.columns.items()
    ]
