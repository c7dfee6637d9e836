"""Settings: the study's values and the analysis plan, read and checked before anything runs."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort.contracts import burden_columns
from icpcohort.recordings import patterns, places
from icpcohort.study import (
    calendar_times,
    cohort_checks,
    declared_checks,
    dictionary,
    plan_checks,
    presets,
    signal_checks,
    yaml_files,
)
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
    "without_places",
]

# Where files lie on one machine, and how they are listed: no result depends on it.
PLACES = ("roots", "patterns")
PLAUSIBILITY = "plausibility"  # a section that may be left out whole


class Files(NamedTuple):
    """What stands in the files (None: no block of settings), and the problems of each.

    The variables stand in the settings as sections of their own; their problems are among those
    of the settings.
    """

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
        `config.yaml` and `models.yaml`, UTF-8; `variables.yaml` lies beside the first.
    schema_folder : Path
        Holds a closed schema for each; the dictionaries that ship lie beside it.

    Returns
    -------
    tuple of dict
        The first as written in `config.yaml`, with the values of the presets that it names,
        and the sections of `variables.yaml`; the second is what stands under `models:`, one
        block per model in the order of the file. Nothing else is filled in, but a section that
        may be left out whole is empty; a relative folder of `recordings.roots` is one from the
        working directory.

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
    of_variables = yaml_files.read_schema(schema_folder / "variables.schema.json")
    settings = {PLAUSIBILITY: {}} | settings
    ordered = in_order(settings, schema) | in_order(settings, of_variables | {"$defs": {}})
    return ordered, models["models"]


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
    known = [] if free else [name for name in schema.get("properties", ()) if name in value]
    names = [*known, *(name for name in value if name not in known)]
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

    A named section that is empty stays empty: nothing is declared there.

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
    # a section that is asked for whole may be empty, as that of scores in a study without any
    return {section: values for section, values in chosen.items() if values or section in names}


def without_places(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings without what is of one machine alone, as a run hands them on."""
    of_recordings = settings.get("recordings")
    if not isinstance(of_recordings, dict):
        return dict(settings)
    kept = {name: value for name, value in of_recordings.items() if name not in PLACES}
    return {**settings, "recordings": kept}


def _with_folders(settings: dict[str, Any], home: Path) -> dict[str, Any]:
    """Let relative folders of roots count from the working directory, not from `home`."""
    roots = at(settings, "recordings", "roots")
    if not isinstance(roots, dict):
        return settings
    folders = {n: str(home / f) if isinstance(f, str) else f for n, f in roots.items()}
    return settings | {"recordings": settings["recordings"] | {"roots": folders}}


def read(config_path: Path, models_path: Path, *, schema_folder: Path) -> Files:
    """Return what `load` returns, as far as it can be read, and every problem."""
    settings, settings_problems = yaml_files.read(config_path)
    models, plan_problems = yaml_files.read(models_path)
    if settings is not None:
        schema = yaml_files.read_schema(schema_folder / "config.schema.json")
        settings, of_presets = presets.applied(settings, schema, file=config_path.name)
        settings_problems += of_presets + problems(settings, schema, file=config_path.name)
        settings_problems += contradictions(settings, file=config_path.name)
        settings = _with_folders(settings, config_path.parent.parent)
        declared = _declared(config_path, schema_folder)
        settings |= declared.sections or {}
        settings_problems += declared.problems
        if declared.sections is not None:
            settings_problems += [
                f"{config_path.name}, {line}"
                for line in (
                    *signal_checks.variables_that_do_not_fit(settings),
                    *cohort_checks.variables_that_do_not_fit(settings),
                )
            ]
    if models is not None:
        schema = yaml_files.read_schema(schema_folder / "models.schema.json")
        plan_problems += problems(models, schema, file=models_path.name)
        # Without its variables nothing is known of the columns that a plan asks for.
        if settings is not None and dictionary.SECTIONS[0] in settings:
            plan_problems += _plan_beside(
                models, settings, settings_problems, plan_problems, models_path.name
            )
    return Files(settings, models, settings_problems, plan_problems)


def _declared(config_path: Path, schema_folder: Path) -> dictionary.Declared:
    """Return the declared variables; no sections where one is not right."""
    declared = dictionary.read(
        config_path.with_name(dictionary.FILE),
        shipped=schema_folder.parent / "dictionaries",
        schema=yaml_files.read_schema(schema_folder / "variables.schema.json"),
    )
    return declared._replace(sections=None) if declared.problems else declared


def _plan_beside(
    models: object,
    settings: dict[str, Any],
    settings_problems: Sequence[str],
    plan_problems: Sequence[str],
    file: str,
) -> list[str]:
    """List what the plan asks for and the settings do not give, and immortal time."""
    declared = declared_checks.sound(settings)
    exposures = burden_columns.names(declared)
    wrong = [line.partition(", ")[2] for line in settings_problems]
    is_burden_sound = not any(where.startswith("burden") for where in wrong)
    lines = plan_checks.contradictions(
        models,
        declared=declared,
        windows=at(settings, "windows"),
        burden_columns=exposures if is_burden_sound else None,
        file=file,
    )
    return lines + cohort_checks.immortal_time_of(
        models,
        settings=settings,
        exposures=exposures,
        file=file,
        plan_problems=[*plan_problems, *lines],
    )


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
    lines += _dates_and_sheets_that_do_not_fit(at(settings, "study"))
    lines += _blocks_that_do_not_fit(settings)
    lines += _bins_that_do_not_fit(settings)
    lines += _windows_that_do_not_fit(settings)
    lines += _names_used_twice(settings)
    lines += places.wrong_roots(at(settings, "recordings", "roots"))
    lines += patterns.wrong_patterns(
        at(settings, "recordings", "patterns"),
        has_patient_column=bool(at(settings, "recordings", "patient_column")),
    )
    lines += signal_checks.contradictions(settings)
    lines += declared_checks.contradictions(settings)
    lines += cohort_checks.contradictions(
        settings, exposures=burden_columns.names(declared_checks.sound(settings))
    )
    return [f"{file}, {line}" for line in lines]


def _dates_and_sheets_that_do_not_fit(study: object) -> list[str]:
    lines = []
    words = calendar_times.zone_problem(at(study, "calendar", "zone"))
    if words is not None:
        lines.append(f"study.calendar.zone: {words}")
    sheets = at(study, "sheets")
    for name in sheets if isinstance(sheets, dict) else ():
        file = at(study, name)
        if isinstance(file, str) and not file.endswith(".xlsx"):
            lines.append(
                f"study.sheets.{name}: {file} has no sheets; name an .xlsx file under "
                f"study.{name}, or leave this out"
            )
    return lines


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
        pairs = [(name, name.replace("min", "max", 1)) for name in ("min", "min_mmhg", "min_s")]
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
    return lines
