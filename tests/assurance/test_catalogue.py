"""Promise: results/README.md describes every table and column of the contracts."""

import difflib
from pathlib import Path

import pytest
from catalogue_text import columns_of
from published_settings import PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import readme

COMMITTED = Path(__file__).parents[2] / "results" / "README.md"
COMMAND = "python -m icpcohort.commands.catalogue > results/README.md"
TEXT = readme.as_markdown(PUBLISHED)
# The study's own list, and the values that a fit takes and no rule writes.
NOT_WRITTEN = (contracts.recording_list({}), contracts.REPEATED_VALUES, contracts.LEFT_OUT)


def test_the_catalogue_is_current():
    difference = "\n".join(
        difflib.unified_diff(
            COMMITTED.read_text(encoding="utf-8").splitlines(),
            TEXT.splitlines(),
            "results/README.md",
            "as the contracts say now",
            lineterm="",
        )
    )
    assert not difference, (
        f"results/README.md is out of date; repair it with: {COMMAND}\n{difference}"
    )


def test_every_table_of_the_contracts_has_a_section_with_every_column():
    sections = TEXT.split("\n## ")[1:]
    tables = [t for t in vars(contracts).values() if isinstance(t, contracts.Table)]
    declared = {name: part for name, part in PUBLISHED.items() if name != "burden"}
    tables += [
        made(declared)
        for made in (
            *(contracts.patients, contracts.recordings, contracts.trends, contracts.minutes),
            *(contracts.summary, contracts.outcomes, contracts.analysis, contracts.analyses),
            *(contracts.updates, contracts.exposed_summary),
        )
    ]
    tables = [t for t in tables if t not in NOT_WRITTEN]
    assert sorted(s.split("`")[1] for s in sections) == sorted(t.path for t in tables)
    for table in tables:
        assert set(columns_of(TEXT, table.path)) == set(table.columns), table.path


def test_a_column_that_a_section_takes_from_another_table_is_the_same_column():
    tables = {t.path: t for t in readme.results_tables(PUBLISHED)}
    n_shared = 0
    for path, table in tables.items():
        section = TEXT.split(f"\n## `{path}`\n")[1].split("\n## ")[0]
        line = next((x for x in section.splitlines() if x.startswith("All columns of")), "")
        for other in line.split("`")[1::2]:
            n_shared += 1
            assert tables[other].columns.items() <= table.columns.items(), (path, other)
    assert n_shared > 5


@pytest.mark.parametrize("table", NOT_WRITTEN, ids=lambda table: table.path)
def test_a_table_that_no_rule_writes_is_left_out(table):
    assert table.path not in TEXT


def test_a_bar_in_a_meaning_does_not_break_the_row():
    rows = [line for line in TEXT.splitlines() if line.startswith("| `")]
    bars = {
        line.replace("\\|", "").count("|") for line in rows if "percent_time_within" in line
    }
    assert bars == {6}


def test_repeated_values_are_listed_for_a_study_that_declares_any():
    entry = {"label": "Therapy intensity", "kind": "count", "summaries": ["mean"]}
    paths = ["repeated_values.parquet", "repeated_summary.parquet"]
    tables = {
        t.path: t for t in readme.results_tables(PUBLISHED | {"repeated": {"til": entry}})
    }
    assert [path for path in tables if path in paths] == paths
    assert "til_mean" in tables["repeated_summary.parquet"].columns
    assert "til_mean" in tables["analysis.parquet"].columns
    assert not {t.path for t in readme.results_tables(PUBLISHED)} & set(paths)
