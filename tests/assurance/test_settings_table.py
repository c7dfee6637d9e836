"""Promise: config/README.md describes every setting of the schemas and config.yaml."""

import difflib
import json
from pathlib import Path

import yaml

from icpcohort.study import readme

HOME = Path(__file__).parents[2]
COMMAND = "python -m icpcohort.study.readme > config/README.md"
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


def test_every_setting_has_a_row_with_its_value_range_meaning_and_source():
    text = readme.read(HOME)
    n_rows = 0
    for block in set(CONFIG) - {"windows", "cleaning", "study"}:
        section = text.split(f"\n## `{block}`\n")[1].split("\n## ")[0]
        rows = [
            [cell.strip() for cell in line.replace("\\|", "/").split("|")[1:-1]]
            for line in section.splitlines()
            if line.startswith("| `")
        ]
        values = dict(_named(CONFIG[block]))
        row_of = {row[0].strip("`"): row for row in rows}
        assert set(row_of) - {"preset"} == set(values)
        for name, value, _, allowed, meaning, source in (row_of[name] for name in values):
            n_rows += 1
            setting = values[name.strip("`")]
            if setting and isinstance(setting, list) and isinstance(setting[0], dict):
                assert value == f"{len(setting)} entries"
            else:
                assert value == f"`{json.dumps(setting, ensure_ascii=False)}`"
            assert all((allowed, meaning, source)), name
    assert n_rows > 50


def test_a_row_says_unit_and_range_in_words():
    rows = {
        line.split("|")[1].strip(): line
        for line in readme.read(HOME).splitlines()
        if line.startswith("| `")
    }
    assert "| 5 | min | 1 to 1440 |" in rows["`episode_min`"].replace("`5`", "5")
    assert "| above 0 to 1 |" in rows["`edge_weight`"]
    assert "`count`, `none`, `inverse_variance`" in rows["`weighting`"]
    assert "| mmHg | a list: 1 to 150 |" in rows["`icp_above_mmhg`"]
    assert "| above 0 to below 1 |" in rows["`fisher_clip`"]
