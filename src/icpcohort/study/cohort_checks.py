"""Cohort checks: faults in the settings of cohort, outcomes and codings that no schema sees."""

from collections.abc import Sequence

from icpcohort import contracts
from icpcohort.contracts import burden_columns
from icpcohort.study import cohort_rules, declared_checks, gose, immortal_time, tables
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
    problems += _cut_that_the_scale_cannot_tell(settings)
    problems += _codings_without_meaning(settings)
    return problems + _rules_that_make_no_cohort(settings)


def immortal_time_of(
    models: object,
    *,
    settings: object,
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
        burden_columns=(
            *exposures,
            *contracts.summary(declared_checks.sound(settings)).columns,
        ),
        horizon_h=at(settings, "outcomes", "mortality_horizon_h"),
    )
    lines = [f"{file}, models.{name}.{line}" for name in refused for line in refused[name]]
    named = tuple(line.split("' ")[0] for line in plan_problems if ".outcome: " not in line)
    return [line for line in lines if line.split("' ")[0] not in named]


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


def _cut_that_the_scale_cannot_tell(settings: object) -> list[str]:
    coding, scores = (
        at(settings, "study", "gose_coding"),
        at(settings, "outcomes", "favourable_gose"),
    )
    if coding not in gose.CODINGS or not isinstance(scores, list):
        return []
    numbers, cuts = [score for score in scores if type(score) is int], gose.visible_cuts(coding)
    if not numbers or min(numbers) in cuts or min(numbers) < 2:
        return []
    return [
        f"outcomes.favourable_gose: a table in {coding} cannot tell {min(numbers)} from "
        f"{min(numbers) - 1}; begin at {', '.join(str(score) for score in cuts)}"
    ]


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
                    words = entries.understood(ours, name=column, column=contract)[1]
                    problems += [f"{where}.{theirs}: {words}"] if words else []
    return problems


def _rules_that_make_no_cohort(settings: object) -> list[str]:
    rules = at(settings, "cohort", "eligibility")
    if not isinstance(rules, list) or not all(isinstance(at(r, "rule"), str) for r in rules):
        return []
    problems = [f"cohort.eligibility: {line}" for line in cohort_rules.problems(rules)]
    for i, rule in enumerate(rules, start=1):
        where = f"cohort.eligibility, entry {i} ({rule['rule']}), "
        problems += _beyond(rule, "min_years", "max_years", where=where)
        problems += _beyond(rule, "min_score", "max_score", where=where)
    return problems


def _beyond(rule: object, low: str, high: str, *, where: str) -> list[str]:
    least, most = at(rule, low), at(rule, high)
    if not (is_number(least) and is_number(most)) or least <= most:
        return []
    return [f"{where}{high}: {most} is below {low} {least}; write a value from {least} on"]
