"""The table of settings: each setting's default, unit, range, meaning and source, as Markdown.

`python -m icpcohort.study.readme > config/README.md` writes it from the checkout's folder.
"""

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from icpcohort.contracts.variables import MOST
from icpcohort.study.table_columns import OPTIONAL, TABLES

UNITS = {
    "_mmhg": "mmHg",
    "_s": "s",
    "_min": "min",
    "_minutes": "min",
    "_h": "h",
    "_hz": "Hz",
    "_years": "years",
    "_fraction": "share",
    "_prx": "PRx",
}

HEAD = """\
# Settings: every value, its unit, range, meaning and source

Generated from `workflow/schemas/` and `config/config.yaml`; to renew it:
`python -m icpcohort.study.readme > config/README.md`.

The value is that of `config/config.yaml` as published; the code has no defaults of its own.
A publication is named by its key in [`docs/bibliography.md`](../docs/bibliography.md).
[confirmed] in a source means that the value was checked against the source or a second
publication; "from memory" means that it was not. Sets of values that belong together, with
their sources, are in [`presets.yaml`](presets.yaml).
"""
TABLE_HEAD = (
    "| setting | value | unit | range | meaning | source |\n|---|---|---|---|---|---|\n"
)
MIN_SHARED = 3  # kinds of rules from which on a setting that they have alike stands apart
SHARED = "Settings that several rules have"
ENTRY = "An entry of a list of rules begins with `rule: ` and its kind, the heading below.\n"
# Blocks of `study` with a setting per column of its tables, and how such a setting is named.
OF_COLUMNS = {"columns": "<table>.<column>", "codings": "<table>.<column>.<your value>"}
COLUMNS = """\

### Columns of the study's tables

`study.columns` has your name of a column of ours where the two differ, and `study.codings` our
value for a value of your table. Both may name any of these columns:

| table | column | meaning |
|---|---|---|
"""


def as_markdown(schemas: dict[str, dict[str, Any]], config: dict[str, Any]) -> str:
    """Return `config/README.md` as text that ends with one line feed.

    Parameters
    ----------
    schemas : the schemas of the files in config/, by the names of these files
    config : the published settings; a setting that they do not hold has no value
    """
    text = HEAD
    for file, schema in schemas.items():
        text += f"\n# `{file}`\n"
        for block, part in schema["properties"].items():
            values = config.get(block) if file == "config.yaml" else None
            text += f"\n## `{block}`\n\n{part['description']}.\n\n{TABLE_HEAD}"
            text += _rows(part, values, block=block)
            if block == "study":
                text += COLUMNS + _columns()
        text += _of_kinds(schema.get("$defs", {}))
    return text


def _rows(part: dict[str, Any], values: Any, *, block: str) -> str:
    """Return the rows of a block; what there is per column of the study's tables is one row."""
    if not OF_COLUMNS.keys() <= part.get("properties", {}).keys():
        found = _leaves(part, values, "")
        return "".join(_row(name or block, leaf, value) for name, leaf, value in found)
    rows = ""
    for key, inner in part["properties"].items():
        leaves = list(_leaves(inner, values.get(key), key))
        if key in OF_COLUMNS:
            about = {"description": inner["description"]}
            leaves = [(f"{key}.{OF_COLUMNS[key]}", leaves[0][1] | about, None)]
        rows += "".join(_row(*leaf) for leaf in leaves)
    return rows


def _columns() -> str:
    return "".join(
        f"| `{name}` | `{column}` | {found.about} |\n"
        for name, table in (TABLES | OPTIONAL).items()
        for column, found in table.columns.items()
    )


def _of_kinds(kinds: dict[str, dict[str, Any]]) -> str:
    """Return a section per kind of entry, after one for the settings that several have."""
    counts = Counter(
        (name, _text(leaf)) for part in kinds.values() for name, leaf in _own(part)
    )
    often = [alike for alike, n in reversed(counts.most_common()) if n >= MIN_SHARED]
    shared = dict(often)  # of two that have one name the commoner
    text = ""
    if shared:
        rows = "".join(_row(name, json.loads(leaf), None) for name, leaf in shared.items())
        text += f"\n## {SHARED}\n\n{ENTRY}\n{TABLE_HEAD}{rows}"
    for kind, part in kinds.items():
        apart = [name for name, leaf in _own(part) if shared.get(name) == _text(leaf)]
        rows = "".join(_row(n, leaf, None) for n, leaf in _own(part) if n not in apart)
        rule = part["properties"].get("rule", {}).get("enum", [""])[0]
        title = f"`rule: {rule}`" if rule else f"An entry of kind `{kind}`"
        text += f"\n## {title}\n\n{part['description']}.\n"
        if apart:
            names = ", ".join(f"`{name}`" for name in apart)
            text += f"\nAs [several rules](#{SHARED.lower().replace(' ', '-')}): {names}.\n"
        text += f"\n{TABLE_HEAD}{rows}" if rows else ""
    return text


def _own(part: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Return the settings of a kind of entry but the name of its kind."""
    return [(name, leaf) for name, leaf, _ in _leaves(part, None, "") if name != "rule"]


def _text(leaf: dict[str, Any]) -> str:
    """Return what is said of a setting, by which two are the same; examples may differ."""
    return json.dumps({key: value for key, value in leaf.items() if key != "examples"})


def _leaves(
    part: dict[str, Any], value: Any, name: str
) -> Iterator[tuple[str, dict[str, Any], Any]]:
    """Yield the name, the schema and the value of each setting below a part of a schema."""
    if "properties" in part:
        for key, inner in part["properties"].items():
            held = value.get(key) if isinstance(value, dict) else None
            yield from _leaves(inner, held, f"{name}.{key}" if name else key)
    elif isinstance(part.get("additionalProperties"), dict):
        yield from _leaves(part["additionalProperties"], None, f"{name}.<name>".lstrip("."))
    else:
        yield name, part, value


def _row(name: str, part: dict[str, Any], value: Any) -> str:
    cells = [
        f"`{name}`" if name else "",
        _value(value),
        _unit(name, part),
        _range(part),
        part.get("description", ""),
        part.get("x-source", ""),
    ]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n"


def _value(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return f"{len(value)} entries"
    return f"`{json.dumps(value, ensure_ascii=False)}`"


def _unit(name: str, part: dict[str, Any]) -> str:
    """Return the unit that the name wears; a text or a bare number has none."""
    numbers = part.get("items", part).get("type") in ("integer", "number")
    units = [unit for suffix, unit in UNITS.items() if name.endswith(suffix)] if numbers else []
    return units[0] if units else ""


def _range(part: dict[str, Any]) -> str:
    """Return what values are allowed, in words; those of a list's entries for a list."""
    if part.get("type") == "array":
        inner = _range(part["items"])  # empty where entries have a table of their own
        return f"a list: {inner}" if inner else "a list"
    if "enum" in part:
        return ", ".join(f"`{choice}`" for choice in part["enum"])
    if part.get("type") == "boolean":
        return "`true`, `false`"
    if "const" in part:
        return f"`{part['const']}`"
    if "minLength" in part or part.get("type") == "string":
        return str(part.get("x-words", "text"))
    if part.get("maximum") == MOST:
        return "a number"
    low = f"{part['minimum']} to" if "minimum" in part else None
    low = low or (f"above {part['exclusiveMinimum']} to" if "exclusiveMinimum" in part else "")
    high = f"below {part['exclusiveMaximum']}" if "exclusiveMaximum" in part else ""
    return f"{low} {part.get('maximum', high)}".strip()


def read(repository: Path) -> str:
    """Return the page of a checkout's own schemas and settings."""
    schemas = {
        f"{name}.yaml": json.loads(
            (repository / "workflow/schemas" / f"{name}.schema.json").read_text("utf-8")
        )
        for name in ("config", "variables", "models", "specifications")
    }
    text = (repository / "config/config.yaml").read_text("utf-8")
    return as_markdown(schemas, yaml.safe_load(text))


if __name__ == "__main__":
    print(read(Path(__file__).resolve().parents[3]), end="")
