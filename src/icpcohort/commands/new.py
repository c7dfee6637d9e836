"""Study folder: the files a new study begins with, and the page that explains its tables."""

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

from icpcohort.contracts import COUNT, FLAG, REAL, Column, Table
from icpcohort.study import dictionary, dictionary_checks, tables, values, yaml_files


class NoCheckout(Exception):  # noqa: N818 (what the user lacks)
    """The project's own config folder, from which a study is begun, is not there."""


def texts(*, title: str, like: str, repository: Path) -> dict[str, str]:
    """Return the text of each file of a new study by its path.

    Parameters
    ----------
    title : str
        Stands as the study's title in its settings.
    like : str
        A name in `workflow/dictionaries/studies.yaml`: which dictionaries the study has.
    repository : Path
        The project's checkout: `config/` is copied from it, with the study's own title and
        with the tables beside `config/`.

    Raises
    ------
    NoCheckout
        If the files of settings are not there, or not as they were published.
    """
    config = text_of_checkout(repository / "config" / "config.yaml")
    begin = begins(repository)[like]
    rows = {"rows": ", ".join(begin["rows"])} if "rows" in begin else {}
    for name, value in (
        ("title", json.dumps(title, ensure_ascii=False)),
        ("folder", "."),
        *((name, begin[name]) for name in ("main_outcome", "time_zero") if name in begin),
        *(("  rows", f"[{text}]") for text in rows.values()),
    ):
        config = _replaced(config, name, value, repository=repository)
    plan = text_of_checkout(repository / "config" / "models.yaml")
    variables = _variables(begin)
    files = {
        "config/config.yaml": config,
        "config/variables.yaml": VARIABLES_HEAD + yaml.safe_dump(variables, sort_keys=False),
        "config/models.yaml": plan if like == "tbi" else EMPTY_PLAN,
    }
    declared = _declared(variables, repository)
    contracts_of = tables.tables_of(declared)
    for name, table in contracts_of.items():
        files[f"{name}.csv"] = ",".join(table.columns) + "\n"
    main = begin.get("main_outcome", "unfavourable")
    return files | {
        "README.md": readme(contracts_of, title=title, declared=declared, main=main)
    }


EMPTY_PLAN = """\
# The analysis plan: one block per model. `make model STUDY=... MODEL=NAME` reruns one alone.
# What a block may ask for, with an example of each setting: config/README.md of the project.

models: {}
"""
VARIABLES_HEAD = """\
# The variables of the study: what was known of each patient, and what became of them. The
# dictionaries ship with the project; what is written here adds to them, or changes single keys
# of an entry of the same name, such as
#   age_years: {column: AGE}
#   sex: {codings: {"1": male, "2": female}}

"""


def begins(repository: Path) -> dict[str, Any]:
    """Return what a new study may begin with, by name."""
    path = repository / "workflow" / "dictionaries" / "studies.yaml"
    begins: dict[str, Any] = yaml_files.read(path)[0] or {}
    return begins


def _replaced(config: str, name: str, value: str, *, repository: Path) -> str:
    before, *after = re.split(rf"(?m)^  {name}: .*?(?= +#|$)", config)
    if len(after) != 1:
        raise NoCheckout(
            f"{repository / 'config' / 'config.yaml'}: {len(after)} lines `  {name}: ...` "
            "instead of one; restore the file from the project's checkout"
        )
    return f"{before}  {name}: {value}{after[0]}"


def _variables(begin: Mapping[str, Any]) -> dict[str, Any]:
    return {"dictionaries": begin["dictionaries"]} | {
        section: begin.get(section, {}) for section in dictionary.SECTIONS
    }


def _declared(variables: Mapping[str, Any], repository: Path) -> dict[str, Any]:
    """Return the sections that a variables.yaml declares."""
    workflow = repository / "workflow"
    declared = dictionary.resolved(
        variables,
        shipped=workflow / "dictionaries",
        schema=yaml_files.read_schema(workflow / "schemas" / "variables.schema.json"),
        file=dictionary.FILE,
    )
    if declared.sections is None or declared.problems:
        raise NoCheckout("\n".join(declared.problems))
    return declared.sections


def text_of_checkout(path: Path) -> str:
    """Return the text of a file of the checkout; `NoCheckout` where it is not there."""
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise NoCheckout(
            f"{path} is not there; the project is used from its checkout: "
            "install it with `pip install -e .` in that folder"
        ) from None


def readme(
    contracts_of: Mapping[str, Table], *, title: str, declared: Mapping[str, Any], main: str
) -> str:
    """Return the page on the four tables: each column's type, unit, values and meaning."""
    parts = [
        f"# {title}",
        "Fill in the four tables, one line per row, then run `make check STUDY=THIS_FOLDER`."
        "\n\nCSV in UTF-8 with commas, semicolons, tabs or bars between its cells, or Parquet "
        "(say so in `config/config.yaml`). Beside another separator than the comma, numbers "
        "may have decimal commas throughout. An empty cell is missing; missing is never "
        "zero. Times count from the patient's time zero, which `time_zero` in the settings "
        "names; no calendar date is needed anywhere. Columns marked needed must be there, "
        "the others may be left out. Where your own export has other names, write them "
        "under `study.columns` in the settings, those of variables as `column` in "
        "`config/variables.yaml`. Identifiers have up to 64 letters, digits, `-` and `_`, "
        "and name no person."
        "\n\nThe recordings themselves lie in this folder. One in CSV (also gzip) has a "
        "heading, commas, semicolons or tabs between its cells, and decimal points or decimal "
        "commas throughout. One in CSV or Parquet has a column of times: seconds since its "
        "start, elapsed time (`HH:MM:SS`, days before it where needed), or clock times with "
        "their offset from UTC. Clock times without an offset need the zone of that clock.",
    ]
    asked = {**declared, "cohort": {"main_outcome": main}}
    needed_of = tables.NEEDED | {
        "patients": (*tables.NEEDED["patients"], *dictionary_checks.main_column(asked))
    }
    for name, table in contracts_of.items():
        lines = [f"## {name}.csv", f"{table.about}.", ""]
        lines += [
            "| column | needed | type | unit | values | meaning |",
            "|---|---|---|---|---|---|",
        ]
        for column_name, column in table.columns.items():
            needed = "yes" if column_name in needed_of[name] else ""
            lines.append(
                f"| {column_name} | {needed} | {_type_words(column)} "
                f"| {column.plain_unit()} | {_values(column_name, column)} | {column.about} |"
            )
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"


def _type_words(column: Column) -> str:
    if column.dtype == FLAG:
        return "true or false"
    if column.dtype == REAL:
        return "number"
    return "whole number" if column.dtype == COUNT else "text"


def _values(name: str, column: Column) -> str:
    choices = values.CHOICES.get(name) or column.levels
    if choices:
        return ", ".join(choices)
    low, high = values.LIMITS.get(name, (column.low, column.high))
    return "" if low is None or high is None else f"{low:.10g} to {high:.10g}"
