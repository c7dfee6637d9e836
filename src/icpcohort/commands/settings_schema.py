"""Settings schema: the JSON schemas of config.yaml and models.yaml, from what rooms declare.

`python -m icpcohort.commands.settings_schema` writes both from the checkout's folder.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints, is_typeddict

import yaml

from icpcohort.cohort import blinding, select
from icpcohort.contracts import atomic_write, signal_settings
from icpcohort.contracts.setting import NO_KEY, OF_THE_STUDY, Kinds, OfColumns, Setting
from icpcohort.exposures import burden_settings, intensity_duration, summary
from icpcohort.exposures.window import Window
from icpcohort.indices import curve_settings, index_settings, minutes, whole_recording
from icpcohort.recordings import examine
from icpcohort.report.sharing import folder
from icpcohort.signals import plausibility_settings, rules, transducer_level, trend_settings
from icpcohort.study import dictionary, plan, presets, settings, tables

# In the order of config.yaml.
SECTIONS: dict[str, Any] = {
    "study": tables.Settings,
    "plan": blinding.Settings,
    "signals": signal_settings.Signals,
    "derived_signals": signal_settings.DerivedSignals,
    "recordings": examine.Settings,
    "cleaning": rules.Settings,
    "trends": trend_settings.Settings,
    "levels": transducer_level.Settings,
    "plausibility": plausibility_settings.Settings,
    "minutes": minutes.Settings,
    "reactivity": index_settings.Settings,
    "indices": Annotated[
        Mapping[str, index_settings.Index],
        Setting(
            "Indices by name: moving correlations of two series",
            OF_THE_STUDY,
            {
                "orx": {
                    "label": "ORx",
                    "about": "Oxygen reactivity index: moving correlation of PbtO2 and CPP",
                    "of": ["pbto2", "cpp"],
                    "per": "minutes",
                    "source": "common practice, no source",
                }
            },
            least_items=1,
        ),
    ],
    "optimal_cpp": curve_settings.Settings,
    "uncertainty": whole_recording.Settings,
    "burden": burden_settings.Settings,
    "intensity_duration": intensity_duration.Settings,
    "windows": Annotated[
        Mapping[str, Window],
        Setting(
            "Exposure windows by name: fixed horizons since time zero; burden is measured in"
            " each",
            OF_THE_STUDY,
            {"first_24_h": {"start_h": 0.0, "end_h": 24.0, "min_monitored_h": 6.0}},
            least_items=1,
        ),
    ],
    "summary": summary.Settings,
    "cohort": select.Settings,
    "share": folder.Settings,
}
# Sections that a study may leave out, as all of their settings.
OPTIONAL_SECTIONS = (settings.PLAUSIBILITY,)
# A setting that had another name: its section and old name, and what it is now.
RENAMED = {
    ("recordings", "icp_channels"): "signals.icp.names",
    ("recordings", "abp_channels"): "signals.abp.names",
    ("recordings", "time_column"): "recordings.time_columns",
    ("reactivity", "block_s"): "trends.block_s",
    ("reactivity", "long_n_minutes"): "reactivity.window_min",
    ("reactivity", "lprx_window_min"): "reactivity.window_min",
    ("optimal_cpp", "min_span_prx"): "optimal_cpp.min_span_index",
    ("optimal_cpp", "reactivity_limit_prx"): "optimal_cpp.reactivity_limit",
    ("burden", "impaired_prx"): "burden.impaired_above",
    ("burden", "icp_above_mmhg"): "burden.thresholds.icp.above",
    ("burden", "cpp_below_mmhg"): "burden.thresholds.cpp.below",
    ("summary", "min_prx_interval_h"): "summary.min_interval_h",
    **{
        (
            "intensity_duration",
            f"{signal}_{old}_mmhg",
        ): f"intensity_duration.thresholds.{signal}.{new}"
        for signal in ("icp", "cpp")
        for old, new in (("from", "first"), ("to", "last"))
    },
    ("intensity_duration", "step_mmhg"): "intensity_duration.thresholds.icp.step",
}
# Sections that went to variables.yaml, and settings of a section that did.
MOVED = {"outcomes": "the section outcomes of variables.yaml"}
RENAMED[("study", "gose_coding")] = "outcomes.gose_6m.coding in variables.yaml"
# A kind of rule that had another name, and what it is now.
RENAMED_KINDS = {"sampling": "blood_sampling", "age": "variable", "gcs_total": "variable"}
# A setting of a kind of rule that had another name, and what it is now.
RENAMED_OF_KINDS = {
    "range": {
        "min_mmhg": "min (in the unit of the signal)",
        "max_mmhg": "max (in the unit of the signal)",
    },
    "flat_line": {"max_spread_mmhg": "max_spread (in the unit of the signal)"},
    "jump": {"max_step_mmhg": "max_step (in the unit of the signal)"},
}
NAME = {
    "pattern": "^[a-z][a-z0-9_]*$",
    "x-words": "a name of small letters, digits and _ that begins with a letter",
}
_TYPES = {float: "number", int: "integer", str: "string", bool: "boolean"}
_LIMITS = {
    "at_least": "minimum",
    "above": "exclusiveMinimum",
    "at_most": "maximum",
    "below": "exclusiveMaximum",
    "most_letters": "maxLength",
    "pattern": "pattern",
    "pattern_in_words": "x-words",
}


def config_schema(
    of_presets: Mapping[str, Any], dictionaries: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """Return the closed schema of config.yaml; a section is a block, in the file's order.

    Parameters
    ----------
    of_presets : mapping of a section to its presets, as in `config/presets.yaml`
    dictionaries : sequence of mappings
        Those that ship and whose entries once stood in this file.
    """
    kinds: dict[str, Any] = {}
    sections = {name: _of_type(hint, None, kinds) for name, hint in SECTIONS.items()}
    for (section, old), new in RENAMED.items():
        sections[section].setdefault("x-moved", {})[old] = new
    for key in ("column", "codings"):
        block = sections["study"]["properties"][{"column": "columns"}.get(key, key)]
        block["properties"]["patients"]["x-moved"] = {
            name: f"{section}.{name}.{key} in variables.yaml"
            for dictionary in dictionaries
            for section in ("variables", "outcomes")
            for name in dictionary.get(section, {})
        }
    for section, stated in of_presets.items():
        sections[section]["properties"] |= {"preset": _preset(stated)}
        sections[section]["x-presets"] = presets.resolved(stated)
    title, about = "config.yaml: the settings of a study", "Every setting of the study"
    return _whole(title, about, sections) | {"x-moved": MOVED, "$defs": kinds}


def variables_schema() -> dict[str, Any]:
    """Return the closed schema of variables.yaml, of entries with all that they have."""
    hints = get_type_hints(dictionary.Settings, include_extras=True)
    title, about = "variables.yaml: the variables of a study", "What a study declares"
    return _whole(title, about, {name: _of_type(hints[name], None, {}) for name in hints})


def models_schema() -> dict[str, Any]:
    """Return the closed schema of models.yaml; a model is the fields of `Plan` but its name."""
    models = Setting("The models by name; may be empty: {}", OF_THE_STUDY, {})
    title, about = "models.yaml: the analysis plan", "The analysis plan"
    return _whole(title, about, {"models": _of_names(plan.Plan, models, {})})


def _whole(title: str, about: str, properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "type": "object",
        "description": about,
        "additionalProperties": False,
        "required": [name for name in properties if name not in OPTIONAL_SECTIONS],
        "properties": properties,
    }


def _of_type(hint: Any, setting: Setting | None, kinds: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a type; blocks of several kinds are added to `kinds`."""
    if get_origin(hint) is Annotated:
        inner, *notes = get_args(hint)
        by_type = {type(note): note for note in notes}
        if OfColumns in by_type:
            return _of_columns(by_type[OfColumns])
        if Kinds in by_type:
            return _list(by_type[Setting], _of_kinds(by_type[Kinds], kinds))
        return _of_type(inner, by_type[Setting], kinds)
    if NoneType in get_args(hint):
        return _of_type(get_args(hint)[0], setting, kinds)
    if is_dataclass(hint) or is_typeddict(hint):
        return _block(hint, kinds)
    if setting is None:
        raise TypeError(f"{hint} is neither a section nor annotated with a Setting")
    if get_origin(hint) is Mapping:
        return _of_names(get_args(hint)[1], setting, kinds)
    if get_origin(hint) in (Sequence, tuple):
        inner = get_args(hint)[0]
        is_block = is_dataclass(inner) or is_typeddict(inner)
        return _list(setting, _block(inner, kinds) if is_block else _entry(inner, setting))
    return _scalar(hint, setting)


def _block(section: Any, kinds: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a dataclass or a typed dictionary; its first line describes it."""
    hints = get_type_hints(section, include_extras=True)
    names = [field.name for field in fields(section)] if is_dataclass(section) else list(hints)
    names = [name for name in names if NO_KEY not in get_args(hints[name])]
    optional = (
        {field.name for field in fields(section) if field.default is not MISSING}
        if is_dataclass(section)
        else set()
    )
    return {
        "type": "object",
        "description": str(section.__doc__).strip().splitlines()[0].rstrip("."),
        "additionalProperties": False,
        "required": [name for name in names if name not in optional],
        "properties": {name: _of_type(hints[name], None, kinds) for name in names},
    }


def _scalar(hint: Any, setting: Setting) -> dict[str, Any]:
    is_choice = get_origin(hint) is Literal
    choices = get_args(hint) if is_choice else setting.one_of
    kind = str if is_choice else hint
    limits = {
        keyword: getattr(setting, name)
        for name, keyword in _LIMITS.items()
        if getattr(setting, name) is not None
    }
    return {
        "type": _TYPES[kind],
        "description": setting.about,
        "x-source": setting.source,
        **({"enum": list(choices)} if choices else {}),
        **({"minLength": 1} if kind is str and not choices else {}),
        **limits,
        "examples": [setting.example],
    }


def _entry(hint: Any, setting: Setting) -> dict[str, Any]:
    """Return the schema of one entry of a list, whose limits stand with the list."""
    part = _scalar(hint, setting)
    return part | {"description": setting.each, "examples": [setting.example[0]]}


def _list(setting: Setting, items: dict[str, Any]) -> dict[str, Any]:
    least = {"minItems": setting.least_items} if setting.least_items else {}
    unique = {} if items["type"] == "object" else {"uniqueItems": True}
    return {
        "type": "array",
        "description": setting.about,
        "x-source": setting.source,
        **least,
        **unique,
        "items": items,
        "examples": [setting.example],
    }


def _of_names(inner: Any, setting: Setting, kinds: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a block whose names are free."""
    is_text = inner is str
    of_each = _of_inner(inner, setting, kinds)
    return {
        "type": "object",
        "description": setting.about,
        "x-source": setting.source,
        **({"minProperties": setting.least_items} if setting.least_items else {}),
        **({} if is_text else {"propertyNames": NAME}),
        "additionalProperties": of_each,
        "examples": [setting.example],
    }


def _of_inner(inner: Any, setting: Setting, kinds: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of what stands under a free name: a text, a block, or texts."""
    one = next(iter(setting.example.values()), "")
    if inner is str:
        part = _scalar(str, Setting(setting.about, setting.source, one))
        del part["minLength"]
        return part
    if get_origin(inner) is Mapping:
        return _of_names(str, Setting(setting.about, setting.source, one), kinds)
    return _of_type(inner, None, kinds)


def _of_kinds(choice: Kinds, kinds: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a block whose `rule` says which other settings it has."""
    for name, section in choice.of.items():
        block = _block(section, kinds)
        kinds[f"{choice.prefix}{name}"] = block | {
            "required": ["rule", *block["required"]],
            "properties": {"rule": _kind_of_rule([name], name), **block["properties"]},
            **({"x-moved": RENAMED_OF_KINDS[name]} if name in RENAMED_OF_KINDS else {}),
        }
    asked = {"required": ["rule"]}
    moved = {old: new for old, new in RENAMED_KINDS.items() if new in choice.of}
    rule = _kind_of_rule(list(choice.of), choice.example)
    return {
        "type": "object",
        "description": choice.entry,
        **asked,
        "properties": {"rule": rule | ({"x-moved": moved} if moved else {})},
        "allOf": [
            {
                "if": asked | {"properties": {"rule": {"const": name}}},
                "then": {"$ref": f"#/$defs/{choice.prefix}{name}"},
            }
            for name in choice.of
        ],
    }


def _kind_of_rule(names: list[str], example: str) -> dict[str, Any]:
    setting = Setting("Kind of the rule", OF_THE_STUDY, example, one_of=tuple(names))
    return _scalar(str, setting)


def _preset(stated: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    sources = "; ".join(f"{name}: {preset['source']}" for name, preset in stated.items())
    about = (
        "Named set of values for this section; the values that it states are then left out here"
    )
    return _scalar(str, Setting(about, sources, next(iter(stated)), one_of=tuple(stated)))


def _of_columns(note: OfColumns) -> dict[str, Any]:
    return _optional_block(
        note.about,
        {
            name: _optional_block(
                note.of_table.format(table=name),
                {
                    column: _of_column(note, column, about=contract.about)
                    for column, contract in table.columns.items()
                },
            )
            | _declared_columns(note, name)
            for name, table in note.tables.items()
        },
    ) | {"required": [name for name in note.tables if name not in note.optional]}


def _declared_columns(note: OfColumns, table: str) -> dict[str, Any]:
    """Return what allows the columns that a study itself declares, if there can be any."""
    if table not in note.further:
        return {}
    about = "one of a signal that the study declares"
    return {"patternProperties": {note.further[table]: _of_column(note, "x", about=about)}}


def _optional_block(about: str, properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "description": about,
        "additionalProperties": False,
        "required": [],
        "properties": properties,
    }


def _of_column(note: OfColumns, column: str, *, about: str) -> dict[str, Any]:
    words = note.of_column.format(column=column, about=about)
    if not note.has_values:
        return _scalar(str, Setting(words, OF_THE_STUDY, f"your name of {column}"))
    ours = _scalar(str, Setting("Our value; empty for missing", OF_THE_STUDY, "our value"))
    del ours["minLength"]
    return {
        "type": "object",
        "description": words,
        "additionalProperties": ours,
        "examples": [{"their value": "our value"}],
    }


def as_text(schema: dict[str, Any]) -> str:
    """Return a schema as the text of its file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def read(checkout: Path) -> dict[str, str]:
    """Return the text of each schema by its file's name; presets are the checkout's own."""
    stated = yaml.safe_load((checkout / "config/presets.yaml").read_text(encoding="utf-8"))
    once = [
        yaml.safe_load((checkout / f"workflow/dictionaries/{name}.yaml").read_text("utf-8"))
        for name in ("patient", "tbi")
    ]
    schemas = {
        "config": config_schema(stated, once),
        "models": models_schema(),
        "variables": variables_schema(),
    }
    return {f"{name}.schema.json": as_text(schema) for name, schema in schemas.items()}


if __name__ == "__main__":
    for name, text in read(Path()).items():
        atomic_write.write(f"workflow/schemas/{name}", text)
