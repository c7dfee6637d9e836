"""Settings files: YAML as people write it, read to a mapping or to problems in words."""

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import yaml


class SettingsError(Exception):
    """The settings cannot be used; the text has one problem per line."""

    def __init__(self, problems: Sequence[str]):
        self.problems = list(problems)
        super().__init__("\n".join(self.problems))


class _Loader(yaml.SafeLoader):
    """YAML with the scalars of JSON: `no`, `010`, `1:30` and `2024-01-31` stay texts.

    PyYAML's own reading makes of them false, 8, 90 and a date, and lets the last of two equal
    names win; the mapping below notes both lines instead.
    """

    def __init__(self, stream: str):
        super().__init__(stream)
        self.problems: list[str] = []

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event = self.peek_event()  # type: ignore[no-untyped-call]
        if isinstance(event, yaml.AliasEvent) or getattr(event, "tag", None):
            raise yaml.MarkedYAMLError(
                problem="aliases (*) and tags (!) are not used here; write the value out",
                problem_mark=event.start_mark,
            )
        return super().compose_node(parent, index)

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        values: dict[str, Any] = {}
        first_line: dict[str, int] = {}
        for name_node, value_node in node.value:
            line = name_node.start_mark.line + 1
            name = self.construct_object(name_node, deep=True)
            if not isinstance(name, str):
                self.problems.append(f"line {line}: the name {name} is not text; write a name")
                continue
            if name in values:
                self.problems.append(
                    f"line {line}: '{name}' stands already in line {first_line[name]}; keep one"
                )
            values[name] = self.construct_object(value_node, deep=deep)
            first_line.setdefault(name, line)
        return values


_WHOLE = r"[-+]?(?:0|[1-9][0-9]*)"
_Loader.yaml_implicit_resolvers = {}
for _tag, _pattern, _first in (
    ("null", r"~|null|", ["~", "n", ""]),
    ("bool", r"true|false", list("tf")),
    ("int", _WHOLE, list("-+0123456789")),
    ("float", rf"{_WHOLE}(?:\.[0-9]*)?(?:[eE][-+]?[0-9]+)?", list("-+0123456789")),
):
    _Loader.add_implicit_resolver(
        f"tag:yaml.org,2002:{_tag}", re.compile(rf"^(?:{_pattern})$"), _first
    )


def read(path: Path) -> tuple[dict[str, Any] | None, list[str]]:
    """Return the mapping in a YAML file, None where there is none, and its problems."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        return None, [f"{path.name}: not UTF-8; save the file as UTF-8"]
    except OSError as error:
        return None, [f"{path}: {error.strerror}; every study has its own {path.name}"]
    try:
        loader = _Loader(text)
        content = loader.get_single_data()
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        return None, [
            f"{path.name} line {line}: not YAML: {error.problem}; look at this line and "
            "the one before: spaces before a name, one `name: value` a line, brackets closed"
        ]
    except yaml.YAMLError as error:
        return None, [f"{path.name}: not YAML: {str(error).splitlines()[0]}; retype that place"]
    except RecursionError:
        return None, [f"{path.name}: blocks within blocks without end; flatten them"]
    problems = [f"{path.name} {line}" for line in loader.problems]
    if content is None:
        return None, [
            *problems,
            f"{path.name}: empty; write the settings, `icpcohort new` shows them",
        ]
    if not isinstance(content, dict):
        return None, [
            *problems,
            f"{path.name}: not a block of settings; write `name: value` lines",
        ]
    return content, problems


def read_schema(path: Path) -> dict[str, Any]:
    """Return a JSON schema of the project.

    Raises
    ------
    SettingsError
        If it cannot be read.
    """
    try:
        schema: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SettingsError(
            [f"{path}: cannot be read ({error}); restore it from the project's checkout"]
        ) from error
    return schema
