"""Cohort checks: faults in the settings of cohort, outcomes and codings that no schema sees."""

from collections.abc import Mapping, Sequence
from typing import Any

from icpcohort import contracts
from icpcohort.contracts import burden_columns, repeated
from icpcohort.study import (
    cohort_rules,
    declared_checks,
    dictionary_checks,
    immortal_time,
    tables,
)
from icpcohort.study import values as entries
from icpcohort.study.schema import at, is_number, suggestion


def contradictions(settings: object, *, exposures: Sequence[str]) -> list[str]:
    """List the settings that do not fit each other or the study's tables, in words.

    Parameters
    ----------
    settings : object
        What stands in `config.yaml`; entries of a wrong type are passed over, since the schema
        has named them.
    exposures : sequence of str
        Columns of burden that the settings give the analysis table.
    """
    problems = _group_without_an_exposure(settings, exposures)
    problems += _codings_without_meaning(settings)
    return problems + _rules_that_make_no_cohort(settings)


def immortal_time_of(
    models: object,
    *,
    settings: Mapping[str, Any],
    exposures: Sequence[str],
    file: str,
    plan_problems: Sequence[str],
) -> list[str]:
    """List what the immortal-time check refuses, except for columns that were named already.

    Parameters
    ----------
    models, settings : object
        What stands in `models.yaml` and `config.yaml`.
    exposures
        As in `contradictions`.
    file : str
        Name of the plan's file, for the messages.
    plan_problems : sequence of str
        Problems of the plan that were found before.
    """
    refused = immortal_time.plan_refusals(
        models,
        windows=at(settings, "windows"),
        burden_columns=exposures,
        declared=declared_checks.sound(settings),
    )
    lines = [f"{file}, models.{name}.{line}" for name in refused for line in refused[name]]
    named = tuple(line.split("' ")[0] for line in plan_problems if ".outcome: " not in line)
    return [line for line in lines if line.split("' ")[0] not in named]


def variables_that_do_not_fit(settings: Mapping[str, Any]) -> list[str]:
    """List what the settings ask of declared variables and cannot have, in words.

    Parameters
    ----------
    settings : mapping
        With sound sections `variables`, `outcomes` and `repeated`.
    """
    outcomes = settings["outcomes"]
    flags = [name for name, entry in outcomes.items() if entry["kind"] == "flag"]
    main, lines = at(settings, "cohort", "main_outcome"), []
    if isinstance(main, str) and main not in flags:
        lines.append(
            f"cohort.main_outcome: '{main}' is no outcome of kind flag in variables.yaml; "
            f"{suggestion(main, flags)}"
        )
    lines += _rows_of_nothing(settings)
    windows = at(settings, "windows") or {}
    for name, entry in settings["variables"].items():
        window = entry.get("known_window")
        if window and window not in windows:
            lines.append(
                f"windows: '{window}' of the variable {name} is none of the windows; "
                f"{suggestion(window, windows)}"
            )
    lines += _repeated_without_a_table(settings)
    return lines + _rules_of_variables(settings) + _codings_of_variables(settings)


def _rows_of_nothing(settings: Mapping[str, Any]) -> list[str]:
    """List the rows of Table 1 that are no column of the analysis table."""
    rows = at(settings, "cohort", "table_one", "rows")
    columns = contracts.analysis(declared_checks.sound(settings)).columns.items()
    known = [name for name, column in columns if column.role != "key"]
    return [
        f"cohort.table_one.rows: '{name}' is no column of the analysis table; "
        f"{suggestion(name, known)}"
        for name in (rows if isinstance(rows, list) else [])
        if isinstance(name, str) and name not in known
    ]


def _repeated_without_a_table(settings: Mapping[str, Any]) -> list[str]:
    """Say where repeated values are declared without a table of them, or the reverse."""
    declared, file = settings["repeated"], at(settings, "study", "repeated")
    if declared and file is None:
        return [
            f"study.repeated: missing, and variables.yaml declares {', '.join(declared)} under "
            "repeated; write `repeated: repeated.csv`, or take them out there"
        ]
    if file is not None and not declared:
        return [
            f"study.repeated: '{file}', and variables.yaml declares nothing under repeated; "
            "declare what it holds, or leave this setting out"
        ]
    return []


def _rules_of_variables(settings: Mapping[str, Any]) -> list[str]:
    """List the eligibility rules that ask for what is not declared, or is known too late."""
    rules, lines = at(settings, "cohort", "eligibility"), []
    for i, rule in enumerate(rules if isinstance(rules, list) else [], start=1):
        name = at(rule, "name")
        if at(rule, "rule") != "variable" or not isinstance(name, str):
            continue
        where, entry = (
            f"cohort.eligibility, entry {i} (variable), ",
            settings["variables"].get(name),
        )
        if entry is None:
            near = suggestion(name, settings["variables"])
            lines.append(f"{where}name: '{name}' is no variable of variables.yaml; {near}")
            continue
        if entry["known"] == "afterwards":
            lines.append(
                f"{where}name: '{name}' is known only afterwards, so what became of patients "
                "would choose them; name a variable known before"
            )
        levels = entry.get("levels", ())
        if entry["kind"] in ("category", "flag") and (at(rule, "min") or at(rule, "max")):
            lines.append(f"{where}min: '{name}' is a {entry['kind']}; write one_of")
        for level in at(rule, "one_of") or ():
            if levels and level not in levels:
                lines.append(f"{where}one_of: {suggestion(str(level), levels)}")
    return lines


def _codings_of_variables(settings: Mapping[str, Any]) -> list[str]:
    columns, lines = contracts.patients(settings).columns, []
    for name, entry in dictionary_checks.recorded(settings).items():
        for theirs, ours in ({} if entry.get("scales") else entry.get("codings") or {}).items():
            fault = entries.understood(
                ours, name=name, column=columns[name], choices=entries.CHOICES
            )[1]
            lines += (
                [f"{name}.codings.{theirs} of variables.yaml: {fault.words}"] if fault else []
            )
    return lines + _codings_of_repeated(settings)


def _codings_of_repeated(settings: Mapping[str, Any]) -> list[str]:
    columns, lines = repeated.columns_of_values(settings), []
    for name, entry in settings["repeated"].items():
        for theirs, ours in (entry.get("codings") or {}).items():
            fault = entries.understood(
                ours, name="value", column=columns[name], choices=entries.CHOICES
            )[1]
            lines += (
                [f"{name}.codings.{theirs} of variables.yaml: {fault.words}"] if fault else []
            )
    return lines


def _group_without_an_exposure(settings: object, exposures: Sequence[str]) -> list[str]:
    name = at(settings, "cohort", "table_one", "exposure")
    summed = contracts.summary(declared_checks.sound(settings)).columns.items()
    known = [column for column, about in summed if about.dtype == contracts.REAL]
    known += exposures
    if not isinstance(name, str) or not name or name in known:
        return []
    if burden_columns.words(name) and not declared_checks.has_sound_thresholds(settings):
        return []
    near = suggestion(name, known)
    return [f"cohort.table_one.exposure: '{name}' is no exposure of the analysis table; {near}"]


def _codings_without_meaning(settings: object) -> list[str]:
    problems = []
    for table, columns in (at(settings, "study", "codings") or {}).items():
        for column, values in columns.items() if isinstance(columns, dict) else ():
            contract = (
                tables.TABLES[table].columns.get(column) if table in tables.TABLES else None
            )
            if contract is None or not isinstance(values, dict):
                continue
            where = f"study.codings.{table}.{column}"
            for theirs, ours in values.items():
                if isinstance(ours, str):
                    fault = entries.understood(
                        ours, name=column, column=contract, choices=entries.CHOICES
                    )[1]
                    problems += [f"{where}.{theirs}: {fault.words}"] if fault else []
    return problems


def _rules_that_make_no_cohort(settings: object) -> list[str]:
    rules = at(settings, "cohort", "eligibility")
    if not isinstance(rules, list) or not all(isinstance(at(r, "rule"), str) for r in rules):
        return []
    problems = [f"cohort.eligibility: {line}" for line in cohort_rules.problems(rules)]
    for i, rule in enumerate(rules, start=1):
        where = f"cohort.eligibility, entry {i} ({rule['rule']}), "
        if rule["rule"] == "variable":
            problems += _beyond(rule, "min", "max", where=where)
            if not any(at(rule, name) not in (None, []) for name in ("min", "max", "one_of")):
                problems.append(f"{where}asks nothing; write min, max or one_of")
    return problems


def _beyond(rule: object, low: str, high: str, *, where: str) -> list[str]:
    least, most = at(rule, low), at(rule, high)
    if not (is_number(least) and is_number(most)) or least <= most:
        return []
    return [f"{where}{high}: {most} is below {low} {least}; write a value from {least} on"]
