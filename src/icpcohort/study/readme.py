"""The table of settings: each setting's default, unit, range, meaning and source, as Markdown.

`python -m icpcohort.study.readme > config/README.md` writes it from the checkout's folder.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

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
            rows = "".join(
                _row(name, leaf, value) for name, leaf, value in _leaves(part, values, "")
            )
            text += f"\n## `{block}`\n\n{part['description']}.\n\n{TABLE_HEAD}{rows}"
        for kind, part in schema.get("$defs", {}).items():
            rows = "".join(_row(name, leaf, None) for name, leaf, _ in _leaves(part, None, ""))
            text += f"\n## An entry of kind `{kind}`\n\n{part['description']}.\n\n"
            text += TABLE_HEAD + rows
    return text


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
        for name in ("config", "models", "specifications")
    }
    text = (repository / "config/config.yaml").read_text("utf-8")
    return as_markdown(schemas, yaml.safe_load(text))


if __name__ == "__main__":
    print(read(Path(__file__).resolve().parents[3]), end="")
