"""Blocks: a block of a YAML file as a frozen dataclass, and what is wrong with its keys."""

import difflib
from collections.abc import Collection, Mapping
from dataclasses import MISSING, fields, is_dataclass
from types import NoneType
from typing import Any, get_args, get_type_hints


def did_you_mean(name: str, known: Collection[str]) -> str:
    """Return "; did you mean '...'?" for the nearest known name, or an empty text."""
    near = difflib.get_close_matches(name, sorted(known), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def refuse(where: str, problems: Collection[str]) -> None:
    """Raise ValueError naming every problem, or do nothing."""
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"{where}: {len(problems)} problem(s)\n{lines}")


def faults(kind: Any, block: Mapping[str, object], *, fixed: tuple[str, ...]) -> list[str]:
    """List the unknown, missing and mistyped keys of a block and of the blocks in it.

    Parameters
    ----------
    kind : dataclass
        Its fields are the keys; those with a default may be left out.
    block : mapping
    fixed : tuple of str
        Fields that are no keys.
    """
    types = _types(kind, without=fixed)
    needed = {field.name for field in fields(kind) if field.default is MISSING}
    problems = [
        f"{key}: unknown key{did_you_mean(key, types)}" for key in block if key not in types
    ]
    problems += [
        f"{key}: missing; write it" for key in types if key in needed and key not in block
    ]
    for key, type_ in types.items():
        if key in block:
            wrong = _mistyped(key, block[key], type_)
            problems += wrong
            if not wrong and is_dataclass(type_):
                inner: Any = block[key]
                problems += [f"{key}.{line}" for line in faults(type_, inner, fixed=())]
    return problems


def build(kind: Any, block: Mapping[str, object], **fixed: str) -> Any:
    """Build a dataclass from a block without faults."""
    types = _types(kind)
    return kind(**fixed, **{key: _value(value, types[key]) for key, value in block.items()})


def _types(kind: Any, *, without: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the type of each field; that of an optional one without None."""
    return {
        name: next((part for part in get_args(hint) if NoneType in get_args(hint)), hint)
        for name, hint in get_type_hints(kind).items()
        if name not in without
    }


def _value(value: object, kind: Any) -> object:
    """Return a checked value in the type of its field."""
    if isinstance(value, Mapping):
        return build(kind, value)
    if isinstance(value, list | tuple):
        return (
            tuple(float(str(v)) for v in value) if kind == tuple[float, ...] else tuple(value)
        )
    return float(str(value)) if kind is float else value


def _mistyped(key: str, value: object, kind: Any) -> list[str]:
    if is_dataclass(kind):
        right, words = isinstance(value, Mapping), "a block of keys; write its keys below it"
    elif kind is str:
        right, words = isinstance(value, str) and bool(value.strip()), "a text; write one"
    elif kind is float:
        right, words = _is_number(value), "a number; write for example 1.0"
    elif kind is int:
        right, words = type(value) is int, "a whole number; write for example 4"
    else:
        numbers = kind == tuple[float, ...]
        right = isinstance(value, list | tuple) and all(
            _is_number(v) if numbers else isinstance(v, str) for v in value
        )
        words = f"a list of {'numbers' if numbers else 'columns'}; write [] for none"
    return [] if right else [f"{key}: {value!r} is not {words}"]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
