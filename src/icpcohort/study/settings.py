"""Settings: the study's values and the analysis plan, read and checked before anything runs."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort.contracts import burden_columns
from icpcohort.study import cohort_checks, declared_checks, plan_checks, presets, yaml_files
from icpcohort.study.schema import at, is_number, problems, suggestion
from icpcohort.study.yaml_files import SettingsError

__all__ = [
    "Files",
    "SettingsError",
    "contradictions",
    "in_order",
    "is_sound",
    "load",
    "only",
    "problems",
    "read",
]


class Files(NamedTuple):
    """What stands in the two files (None: no block of settings), and the problems of each."""

    settings: dict[str, Any] | None
    models: dict[str, Any] | None
    settings_problems: list[str]
    plan_problems: list[str]


def load(
    config_path: Path, models_path: Path, *, schema_folder: Path
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the checked settings, and the models of the plan by their names.

    Parameters
    ----------
    config_path, models_path : Path
        `config.yaml` and `models.yaml`, UTF-8.
    schema_folder : Path
        Holds `config.schema.json` and `models.schema.json`.

    Returns
    -------
    tuple of dict
        The first as written in `config.yaml`, with the values of the presets that it names;
        the second is what stands under `models:`, one block per model in the order of the
        file. Nothing else is filled in.

    Raises
    ------
    SettingsError
        With every problem of both files.
    """
    settings, models, settings_problems, plan_problems = read(
        config_path, models_path, schema_folder=schema_folder
    )
    if settings_problems or plan_problems or settings is None or models is None:
        raise SettingsError(settings_problems + plan_problems)
    schema = yaml_files.read_schema(schema_folder / "config.schema.json")
    return in_order(settings, schema), models["models"]


def in_order(settings: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    """Return checked settings with their names in the order of the schema, at every level.

    So a study whose file has another order gives rules the same values. Names that are free,
    and entries of lists, keep their order.
    """
    return {
        name: _in_order(settings[name], part, schema["$defs"])
        for name, part in schema["properties"].items()
        if name in settings
    }


def _in_order(value: Any, schema: dict[str, Any], kinds: dict[str, Any]) -> Any:
    if isinstance(value, list) and "items" in schema:
        return [_in_order(entry, schema["items"], kinds) for entry in value]
    if not isinstance(value, dict):
        return value
    for choice in schema.get("allOf", ()):
        if value.get("rule") == choice["if"]["properties"]["rule"]["const"]:
            return _in_order(value, kinds[choice["then"]["$ref"].rpartition("/")[2]], kinds)
    free = schema.get("additionalProperties")
    names = list(value) if free else [n for n in schema.get("properties", ()) if n in value]
    return {
        name: _in_order(value[name], schema.get("properties", {}).get(name, free or {}), kinds)
        for name in names
    }


def only(
    settings: Mapping[str, Mapping[str, Any]], *names: str, without: Sequence[str] = ()
) -> dict[str, dict[str, Any]]:
    """Return some of the settings as plain nested dictionaries, in their order.

    A rule of the workflow hands them to its script, and is run again when one of them changes.

    Parameters
    ----------
    settings : mapping
        As `load` gives them.
    names : str
        Of sections, such as "burden", or of single values, such as "trends.block_s".
    without : sequence of str
        Single values of the named sections that are left out.

    Raises
    ------
    KeyError
        For a name that is no setting.
    """
    known = {*settings, *(f"{s}.{name}" for s, values in settings.items() for name in values)}
    if unknown := {*names, *without} - known:
        raise KeyError(f"no such settings: {', '.join(sorted(unknown))}")
    chosen = {
        section: {
            name: value
            for name, value in values.items()
            if (section in names or f"{section}.{name}" in names)
            and f"{section}.{name}" not in without
        }
        for section, values in settings.items()
    }
    return {section: values for section, values in chosen.items() if values}


def read(config_path: Path, models_path: Path, *, schema_folder: Path) -> Files:
    """Return what `load` returns, as far as it can be read, and every problem."""
    settings, settings_problems = yaml_files.read(config_path)
    models, plan_problems = yaml_files.read(models_path)
    if settings is not None:
        schema = yaml_files.read_schema(schema_folder / "config.schema.json")
        settings, of_presets = presets.applied(settings, schema, file=config_path.name)
        settings_problems += of_presets + problems(settings, schema, file=config_path.name)
        settings_problems += contradictions(settings, file=config_path.name)
    if models is not None:
        schema = yaml_files.read_schema(schema_folder / "models.schema.json")
        plan_problems += problems(models, schema, file=models_path.name)
        if settings is not None:
            declared = declared_checks.sound(settings)
            exposures = burden_columns.names(declared)
            of_burden = f"{config_path.name}, burden"
            burden_is_sound = not any(line.startswith(of_burden) for line in settings_problems)
            plan_problems += plan_checks.contradictions(
                models,
                windows=at(settings, "windows"),
                burden_columns=exposures if burden_is_sound else None,
                declared=declared,
                file=models_path.name,
            )
            plan_problems += cohort_checks.immortal_time_of(
                models,
                settings=settings,
                exposures=exposures,
                file=models_path.name,
                plan_problems=plan_problems,
            )
    return Files(settings, models, settings_problems, plan_problems)


def is_sound(files: Files, name: str) -> bool:
    """Return whether a setting is there and no problem lies at it or within it.

    Parameters
    ----------
    name : str
        With the blocks that it is in, such as `study.columns.patients`.
    """
    if at(files.settings, *name.split(".")) is None:
        return False
    for line in files.settings_problems:
        where = line.partition(", ")[2].partition(": ")[0]
        if where == name or where.startswith((f"{name}.", f"{name},")):
            return False
    return True


# --- what no schema can say: values that must fit each other ---
#
# A value that the schema has already refused is passed over: each fault is reported once.


def contradictions(settings: object, *, file: str) -> list[str]:
    """List the settings that do not fit each other, one line each, in words."""
    lines = _limits_out_of_order(settings)
    lines += _blocks_that_do_not_fit(settings)
    lines += _bins_that_do_not_fit(settings)
    lines += _windows_that_do_not_fit(settings)
    lines += _names_used_twice(settings)
    lines += declared_checks.contradictions(settings)
    lines += _outcome_without_direction(settings)
    lines += cohort_checks.contradictions(
        settings, exposures=burden_columns.names(declared_checks.sound(settings))
    )
    return [f"{file}, {line}" for line in lines]


def _out_of_order(block: object, low: str, high: str, *, where: str) -> list[str]:
    least, most = at(block, low), at(block, high)
    if not (is_number(least) and is_number(most)) or least < most:
        return []
    return [f"{where}{high}: {most} is not above {low} {least}; write a value above {least}"]


def _limits_out_of_order(settings: object) -> list[str]:
    lines = _out_of_order(
        at(settings, "trends"), "pulse_min_hz", "pulse_max_hz", where="trends."
    )
    of_map = at(settings, "intensity_duration", "thresholds")
    for signal, limits in of_map.items() if isinstance(of_map, dict) else ():
        where = f"intensity_duration.thresholds.{signal}."
        lines += _out_of_order(limits, "first", "last", where=where)
    rules = at(settings, "cleaning", "rules")
    for i, rule in enumerate(rules if isinstance(rules, list) else [], start=1):
        where = f"cleaning.rules, entry {i} ({at(rule, 'rule')}), "
        pairs = [(name, name.replace("min", "max", 1)) for name in ("min_mmhg", "min_s")]
        pairs += [("min_mean_mmhg", "max_mean_mmhg"), ("min_rate_per_min", "max_rate_per_min")]
        for low, high in pairs:
            lines += _out_of_order(rule, low, high, where=where)
    kinds = [at(rule, "rule") for rule in rules] if isinstance(rules, list) else []
    if kinds.count("beats") > 1:
        lines.append("cleaning.rules: 'beats' stands more than once; keep one")
    return lines


def _blocks_that_do_not_fit(settings: object) -> list[str]:
    block_s, step_s = at(settings, "trends", "block_s"), at(settings, "reactivity", "step_s")
    if not (is_number(block_s) and is_number(step_s)) or block_s <= 0 or step_s % block_s == 0:
        return []
    return [
        f"reactivity.step_s: {step_s:g} s is not a multiple of trends.block_s {block_s:g}; "
        "write for example 60"
    ]


def _bins_that_do_not_fit(settings: object) -> list[str]:
    block = at(settings, "optimal_cpp")
    lines = _out_of_order(block, "bin_min_mmhg", "bin_max_mmhg", where="optimal_cpp.")
    names = ("bin_min_mmhg", "bin_max_mmhg", "bin_width_mmhg", "min_bins")
    low, high, width, min_bins = (at(block, name) for name in names)
    if lines or not all(is_number(value) for value in (low, high, width, min_bins)):
        return lines
    if width <= 0:
        return lines
    n_bins = (high - low) / width
    if abs(n_bins - round(n_bins)) > 1e-9:
        lines.append(
            f"optimal_cpp.bin_width_mmhg: {low} to {high} mmHg is not a whole number of bins "
            f"of {width}; change one of the three"
        )
    if n_bins + 1e-9 < min_bins:
        lines.append(
            f"optimal_cpp.min_bins: {min_bins} of {n_bins:g} bins can never be filled; "
            "write fewer, or narrower bins"
        )
    return lines


def _windows_that_do_not_fit(settings: object) -> list[str]:
    windows, lines = at(settings, "windows"), []
    if not isinstance(windows, dict):
        return []
    for name, window in windows.items():
        where = f"windows.{name}."
        wrong = _out_of_order(window, "start_h", "end_h", where=where)
        hours = [at(window, key) for key in ("start_h", "end_h", "min_monitored_h")]
        if not wrong and all(is_number(value) for value in hours):
            length_h = hours[1] - hours[0]
            if hours[2] > length_h:
                wrong.append(
                    f"{where}min_monitored_h: {hours[2]} h do not fit into a window of "
                    f"{length_h:g} h; write at most {length_h:g}"
                )
        lines += wrong
    main = at(settings, "cohort", "main_window")
    if isinstance(main, str) and main and main not in windows:
        lines.append(
            f"cohort.main_window: '{main}' is none of the windows; {suggestion(main, windows)}"
        )
    return lines


def _names_used_twice(settings: object) -> list[str]:
    lines = []
    for table, columns in (at(settings, "study", "columns") or {}).items():
        ours_of: dict[str, str] = {}
        for ours, theirs in columns.items() if isinstance(columns, dict) else ():
            if isinstance(theirs, str) and theirs in ours_of:
                lines.append(
                    f"study.columns.{table}.{ours}: '{theirs}' is already the column of "
                    f"{ours_of[theirs]}; name another column"
                )
            ours_of.setdefault(str(theirs), ours)
    channels = [at(settings, "recordings", f"{signal}_channels") for signal in ("icp", "abp")]
    if all(isinstance(names, list) for names in channels):
        icp, abp = ({str(name).lower() for name in names} for names in channels)
        lines += [
            f"recordings.abp_channels: '{name}' stands in icp_channels too; keep one"
            for name in sorted(icp & abp)
        ]
    return lines


def _outcome_without_direction(settings: object) -> list[str]:
    scores = at(settings, "outcomes", "favourable_gose")
    if not isinstance(scores, list) or not all(type(s) is int and 1 <= s <= 8 for s in scores):
        return []
    if not scores or sorted(scores) == list(range(max(min(scores), 2), 9)):
        return []
    return [
        f"outcomes.favourable_gose: {scores} is not a run of scores up to 8 (upper good "
        "recovery) that leaves some unfavourable; write for example [5, 6, 7, 8]"
    ]
