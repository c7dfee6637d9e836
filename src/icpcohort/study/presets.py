"""Presets: named sets of values for a section of the settings, which config.yaml may name."""

import json
from collections.abc import Mapping
from typing import Any

from icpcohort.study.schema import at, suggestion


def resolved(presets: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return the presets of one section, each with the values of the one that it is like.

    Parameters
    ----------
    presets : mapping of a name to `source`, `values` and, if need be, `like` and `needs`
        As in `config/presets.yaml`. What a preset is like stands before it.

    Returns
    -------
    dict of a name to `values` and `needs`
    """
    presets_of: dict[str, dict[str, Any]] = {}
    for name, preset in presets.items():
        like = presets_of[preset["like"]]["values"] if "like" in preset else {}
        presets_of[name] = {
            "values": like | preset["values"],
            "needs": preset.get("needs", {}),
        }
    return presets_of


def applied(
    settings: dict[str, Any], schema: dict[str, Any], *, file: str
) -> tuple[dict[str, Any], list[str]]:
    """Return the settings with the values of the presets that they name, and every problem.

    Parameters
    ----------
    settings : dict
        As read from `config.yaml`.
    schema : dict
        Its schema, whose sections carry their presets.

    A setting that a preset states may be left out, or say the same; what it needs of other
    sections must stand there.
    """
    done, problems = dict(settings), []
    for section, part in schema["properties"].items():
        if "x-presets" not in part or "preset" not in (at(settings, section) or {}):
            continue
        written = dict(settings[section])
        name = written.pop("preset")
        done[section] = written
        if name not in part["x-presets"]:
            near = suggestion(str(name), part["x-presets"])
            problems.append(f"{section}.preset: '{name}' is no preset; {near}")
            continue
        preset = part["x-presets"][name]
        problems += [
            f"{section}.{key}: {json.dumps(written[key])}, but preset {name} has "
            f"{json.dumps(value)}; take `{key}` or `preset` out"
            for key, value in preset["values"].items()
            if key in written and written[key] != value
        ]
        problems += [
            f"{other}.{key}: {json.dumps(at(settings, other, key))}, but preset {name} of "
            f"{section} needs it to be {json.dumps(value)}; write that"
            for other, needed in preset["needs"].items()
            for key, value in needed.items()
            if at(settings, other, key) != value
        ]
        done[section] = written | preset["values"]
    return done, [f"{file}, {line}" for line in problems]
