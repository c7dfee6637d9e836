"""Validation: what a closed JSON schema finds wrong with a value, in words."""

import difflib
import functools
import json
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jsonschema.exceptions import ValidationError

_TYPE_WORDS = {
    "integer": "a whole number",
    "number": "a number",
    "string": "text",
    "boolean": "true or false",
    "array": "a list",
    "object": "a block of settings",
}


def suggestion(word: str, known: Iterable[str]) -> str:
    """Return the words that name the nearest of the `known` names, or all of them."""
    by_small = {name.lower(): name for name in sorted(known, reverse=True)}
    small = word.lower()
    close = difflib.get_close_matches(small, by_small, n=1, cutoff=0.6)
    close += sorted(n for n in by_small if n.startswith(small) or small.startswith(n))
    if close and small:
        return f"did you mean '{by_small[close[0]]}'?"
    if len(by_small) <= 12:
        return f"known here: {', '.join(sorted(by_small.values())) or 'none'}"
    return "no known name is near it; correct or remove it"


def problems(settings: object, schema: dict[str, Any], *, file: str) -> list[str]:
    """List every way in which `settings` break the schema, one line each, in words.

    Stricter than JSON Schema in two points: 30.0 is not a whole number, and a number is finite.
    """
    words_of: dict[str, str] = {}
    for error in _validator()(schema).iter_errors(settings):
        for name, words in _in_words(error):
            path = [*error.absolute_path, *([] if name is None else [name])]
            words_of.setdefault(_where(settings, path), words)  # the first says the most
    return [
        f"{file}, {where}: {words}" if where else f"{file}: {words}"
        for where, words in words_of.items()
    ]


@functools.cache
def _validator() -> Any:
    import jsonschema  # slow to import, and only needed here

    usual = jsonschema.Draft202012Validator
    stricter = usual.TYPE_CHECKER.redefine_many(
        {
            "integer": lambda _, value: type(value) is int,
            "number": lambda _, value: is_number(value),
        }
    )
    extend = jsonschema.validators.extend
    return extend(usual, type_checker=stricter)  # type: ignore[no-untyped-call]


def at(settings: object, *names: str) -> Any:
    """Return what stands at the end of the names, None where there is nothing."""
    for name in names:
        settings = settings.get(name) if isinstance(settings, dict) else None
    return settings


def is_number(value: object) -> bool:
    """Return whether `value` is a finite number; true and false are none."""
    return type(value) is int or (isinstance(value, float) and math.isfinite(value))


def _where(settings: object, path: Sequence[str | int]) -> str:
    """Return `cleaning.rules, entry 4 (jump), margin_s` for the steps that lead there."""
    text, joint = "", ""
    value: Any = settings
    for step in path:
        if isinstance(step, int):
            value = value[step]
            kind = value.get("rule") if isinstance(value, dict) else None
            text += f", entry {step + 1}" + (f" ({kind})" if isinstance(kind, str) else "")
            joint = ", "
        else:
            value = value.get(step)
            text += joint + step
            joint = "."
    return text


def _in_words(error: "ValidationError") -> Iterator[tuple[str | None, str]]:
    """Yield, for one broken keyword, the name it concerns (None: the value) and words."""
    schema: dict[str, Any] = error.schema  # type: ignore[assignment]
    value: Any = error.instance
    if "propertyNames" in error.absolute_schema_path:
        yield value, f"the name is not {schema['x-words']}; write for example first_24_h"
        return
    match error.validator:
        case "additionalProperties":
            known = [name for name in schema["properties"] if name not in value]
            free = schema.get("patternProperties", {})
            for name in value:
                if any(re.search(pattern, name) for pattern in free):
                    continue
                if name in schema.get("x-moved", {}):
                    yield name, _moved(schema["x-moved"][name], value[name], schema)
                elif name not in schema["properties"]:
                    near = suggestion(name, known or schema["properties"])
                    yield name, f"unknown setting; {near}"
        case "required":
            for name in schema["required"]:
                if name not in value:
                    yield name, f"missing; {_line_to_write(name, schema['properties'][name])}"
        case "type":
            yield None, _wrong_type(value, schema)
        case "enum" if isinstance(value, str) and value in schema.get("x-moved", {}):
            yield None, f"'{value}' is now '{schema['x-moved'][value]}'; write that"
        case "enum":
            choices = ", ".join(str(choice) for choice in schema["enum"])
            near = suggestion(str(value), [str(choice) for choice in schema["enum"]])
            hint = f"; {near}" if near.startswith("did") else ""
            yield None, f"{_shown(value)} is not one of {choices}{hint}"
        case "minimum" | "maximum" | "exclusiveMinimum" | "exclusiveMaximum":
            yield None, f"{value} is out of range; write a value {_range_words(schema)}"
        case "uniqueItems":
            yield None, "the same value stands twice; keep one"
        case "pattern":
            yield None, f"{_shown(value)} is not {schema['x-words']}; {_example(schema)}"
        case "maxLength":
            yield None, f"longer than {schema['maxLength']} characters; shorten it"
        case _:  # minLength, minItems, minProperties
            yield None, f"empty; {_example(schema)}"


def _moved(place: str, value: object, schema: dict[str, Any]) -> str:
    beside = schema["properties"].get(place.rpartition(".")[2], {})
    if beside.get("type") == "array" and isinstance(value, str):
        value = [value]
    if not isinstance(value, (list, int, float)):
        return f"is now {place}; write it there"
    return f"is now {place}; write there {json.dumps(value, ensure_ascii=False)}"


def _line_to_write(name: str, schema: dict[str, Any]) -> str:
    if schema["type"] == "object" and "properties" in schema:
        return f"write a block `{name}:` with {', '.join(schema['properties']) or 'nothing'}"
    return f"write for example the line `{name}: {json.dumps(schema['examples'][0])}`"


def _wrong_type(value: object, schema: dict[str, Any]) -> str:
    wanted = _TYPE_WORDS[schema["type"]]
    if value is None:
        return f"nothing is written; {_example(schema)}"
    if schema["type"] == "string" and (is_number(value) or isinstance(value, bool)):
        return f"{_shown(value)} is not text; write it in quotes: {json.dumps(_shown(value))}"
    return f"{_shown(value)} is not {wanted}; {_example(schema)}"


def _example(schema: dict[str, Any]) -> str:
    if "examples" in schema:
        return f"write for example {json.dumps(schema['examples'][0])}"
    return f"write {', '.join(f'`{name}: ...`' for name in schema['properties'])} below it"


def _shown(value: object) -> str:
    if isinstance(value, (dict, list)):
        return "a block of settings" if isinstance(value, dict) else "a list"
    return str(value).lower() if isinstance(value, bool) else repr(value)


def _range_words(schema: dict[str, Any]) -> str:
    low = (
        f"from {schema['minimum']}"
        if "minimum" in schema
        else f"above {schema.get('exclusiveMinimum')}"
    )
    if "maximum" in schema:
        return f"{low} {'to' if 'minimum' in schema else 'and up to'} {schema['maximum']}"
    return f"{low} and below {schema['exclusiveMaximum']}"
