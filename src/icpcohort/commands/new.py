"""Study folder: the files a new study begins with, and the page that explains its tables."""

import json
import re
from pathlib import Path

from icpcohort.contracts import COUNT, FLAG, REAL, Column
from icpcohort.study import tables, values


class NoCheckout(Exception):  # noqa: N818 (what the user lacks)
    """The project's own config folder, from which a study is begun, is not there."""


def texts(*, title: str, repository: Path) -> dict[str, str]:
    """Return the text of each file of a new study by its path.

    Parameters
    ----------
    title : str
        Stands as the study's title in its settings.
    repository : Path
        The project's checkout: `config/` is copied from it, with the study's own title and
        with the tables beside `config/`.

    Raises
    ------
    NoCheckout
        If the two files of settings are not there, or not as they were published.
    """
    files = {
        f"config/{name}.yaml": _settings_text(repository / "config" / f"{name}.yaml")
        for name in ("config", "models")
    }
    config = files["config/config.yaml"]
    for name, value in (("title", title), ("folder", ".")):
        before, *after = re.split(rf"(?m)^  {name}: .*?(?= +#|$)", config)
        if len(after) != 1:
            raise NoCheckout(
                f"{repository / 'config' / 'config.yaml'}: {len(after)} lines `  {name}: ...` "
                "instead of one; restore the file from the project's checkout"
            )
        config = f"{before}  {name}: {json.dumps(value, ensure_ascii=False)}{after[0]}"
    files["config/config.yaml"] = config
    for name, table in tables.TABLES.items():
        files[f"{name}.csv"] = ",".join(table.columns) + "\n"
    return files | {"README.md": readme(title=title)}


def _settings_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise NoCheckout(
            f"{path} is not there; the project is used from its checkout: "
            "install it with `pip install -e .` in that folder"
        ) from None


def readme(*, title: str) -> str:
    """Return the page on the four tables: each column's type, unit, values and meaning."""
    parts = [
        f"# {title}",
        "Fill in the four tables, one line per row, then run `make check STUDY=THIS_FOLDER`."
        "\n\nCSV with commas and decimal points in UTF-8, or Parquet (say so in "
        "`config/config.yaml`). An empty cell is missing; missing is never zero. Times count "
        "from the patient's time zero, which `time_zero` in the settings names; no calendar "
        "date is needed anywhere. Columns marked needed must be there, the others may be left "
        "out. Where your own export has other names, write them under `study.columns` in the "
        "settings. Identifiers have up to 64 letters, digits, `-` and `_`, and name no person."
        "\n\nThe recordings themselves lie in this folder. One in CSV (also gzip) has a "
        "heading, commas, semicolons or tabs between its cells, and decimal points or decimal "
        "commas throughout. One in CSV or Parquet has a column of times: seconds since its "
        "start, elapsed time (`HH:MM:SS`, days before it where needed), or clock times with "
        "their offset from UTC. Clock times without an offset need the zone of that clock.",
    ]
    for name, table in tables.TABLES.items():
        lines = [f"## {name}.csv", f"{table.about}.", ""]
        lines += [
            "| column | needed | type | unit | values | meaning |",
            "|---|---|---|---|---|---|",
        ]
        for column_name, column in table.columns.items():
            needed = "yes" if column_name in tables.NEEDED[name] else ""
            lines.append(
                f"| {column_name} | {needed} | {_type_words(column)} "
                f"| {column.plain_unit()} | {_values(column_name)} | {column.about} |"
            )
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"


def _type_words(column: Column) -> str:
    if column.dtype == FLAG:
        return "true or false"
    if column.dtype == REAL:
        return "number"
    return "whole number" if column.dtype == COUNT else "text"


def _values(name: str) -> str:
    if name in values.CHOICES:
        return ", ".join(values.CHOICES[name])
    if name in values.LIMITS:
        return "{:.10g} to {:.10g}".format(*values.LIMITS[name])
    return ""
