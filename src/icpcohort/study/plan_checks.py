"""Plan checks: whether the analysis table will have what `models.yaml` asks of it."""

from collections.abc import Mapping
from typing import Any

from icpcohort import contracts
from icpcohort.contracts import burden_columns as names_of_burden
from icpcohort.contracts.columns import Column
from icpcohort.study import families
from icpcohort.study import plan as plan_blocks
from icpcohort.study.families import Family
from icpcohort.study.schema import at, is_number, suggestion


def contradictions(
    models: object,
    *,
    declared: Mapping[str, Any],
    windows: object,
    burden_columns: list[str] | None,
    file: str,
) -> list[str]:
    """List the entries of the plan that fit neither the analysis table nor each other.

    Parameters
    ----------
    models : object
        The content of `models.yaml`.
    declared : mapping
        Sections of the settings that declare columns; see `contracts.analysis`.
    windows : object
        The block of that name in the settings; if it is no block, no window is looked up.
    burden_columns : list of str, or None
        Columns that the settings add to `contracts.analysis`; None if these settings have
        problems of their own, and then no column of that kind is looked up.
    file : str
        Name of the plan's file, for the messages.

    Entries of a wrong type are passed over: the schema has named them.
    """
    table = contracts.analysis({**declared, "burden": {}})
    columns = table.columns
    kinds = {
        name: {contracts.TEXT: "text", contracts.REAL: "real"}.get(column.dtype, "steps")
        for name, column in columns.items()
        if column.role != "key" and column.known != "afterwards"
    } | dict.fromkeys(burden_columns or [], "real")
    kinds |= {n: "afterwards" for n, column in columns.items() if column.known == "afterwards"}
    kinds |= {old: f"now {new}" for old, new in table.renamed().items()}
    problems = []
    plans = at(models, "models")
    for name, plan in plans.items() if isinstance(plans, dict) else ():
        lines = _window_and_outcome(plan, windows=windows, columns=columns)
        adjust_for = at(plan, "adjust_for")
        asked = [at(plan, "exposure"), *(adjust_for if isinstance(adjust_for, list) else [])]
        passed_over = [
            column
            for column in asked
            if burden_columns is None and names_of_burden.words(str(column))
        ]
        known = kinds | dict.fromkeys(passed_over, "real")
        lines += _exposure(plan, kinds=known) + _adjustment(plan, kinds=known)
        lines += _follow_up(plan, windows=windows) + _others(plan, kinds=known)
        lines += _time_varying(plan, repeated=declared["repeated"])
        lines += _event(plan, columns=columns)
        if not lines and isinstance(plan, dict):
            lines = plan_blocks.contradictions(name, block=plan)
        problems += [f"{file}, models.{name}.{line}" for line in lines]
    return problems + [f"{file}, {line}" for line in _groups(plans)]


def _usable(kinds: Mapping[str, str]) -> list[str]:
    return [name for name, kind in kinds.items() if kind in ("text", "real", "steps")]


def _groups(plans: object) -> list[str]:
    """Hold the models of a group of comparisons to one method."""
    first: dict[str, tuple[str, str]] = {}
    problems = []
    for name, plan in plans.items() if isinstance(plans, dict) else ():
        group, method = (at(plan, "comparisons", key) for key in ("group", "method"))
        if not isinstance(group, str) or not isinstance(method, str):
            continue
        other, its_method = first.setdefault(group, (name, method))
        if method != its_method:
            problems.append(
                f"models.{name}.comparisons.method: '{method}', but {other} of the same group "
                f"'{group}' has {its_method}; write one method for the group"
            )
    return problems


def _window_and_outcome(
    plan: object, *, windows: object, columns: Mapping[str, Column]
) -> list[str]:
    problems = []
    window, outcome = at(plan, "window"), at(plan, "outcome")
    if isinstance(windows, dict) and isinstance(window, str) and window not in windows:
        problems.append(
            f"window: '{window}' is no window of config.yaml; {suggestion(window, windows)}"
        )
    family = families.named(at(plan, "family"))
    known = families.outcomes_of(family, columns) if family else ()
    if family and isinstance(outcome, str) and outcome not in known:
        cure = f"write {' or '.join(known)}" if known else _lacking_kind(family)
        problems.append(f"outcome: '{outcome}' is no outcome of family {family.name}; {cure}")
    return problems


def _lacking_kind(family: Family) -> str:
    """Say what a study must declare before a family can have an outcome."""
    kinds = " or ".join(family.outcome.takes)
    return (
        f"the study has none of kind {kinds}; declare one in variables.yaml, or name another "
        "family"
    )


def _exposure(plan: object, *, kinds: dict[str, str]) -> list[str]:
    exposure = at(plan, "exposure")
    if not isinstance(exposure, str):
        return []
    numbers = [name for name, kind in kinds.items() if kind in ("real", "steps")]
    return _unknown_column(exposure, kinds=kinds, fitting=numbers, where="exposure")


def _unknown_column(
    name: str, *, kinds: dict[str, str], fitting: list[str], where: str
) -> list[str]:
    if name in fitting:
        return []
    kind = kinds.get(name, "")
    if kind == "afterwards":
        why = (
            "is known only after the window, so it explains nothing in it; name another column"
        )
    elif kind.startswith("now "):
        why = f"is now '{kind.removeprefix('now ')}'; write that"
    elif kind:
        why = "is a text, and an exposure is a number; name another column"
    else:
        why = f"is no column that a model may use; {suggestion(name, fitting)}"
    return [f"{where}: '{name}' {why}"]


def _adjustment(plan: object, *, kinds: dict[str, str]) -> list[str]:
    adjust_for, as_categories = at(plan, "adjust_for"), at(plan, "as_categories")
    if not isinstance(adjust_for, list) or not isinstance(as_categories, list):
        return []
    problems = []
    for name in (name for name in adjust_for if isinstance(name, str)):
        problems += _unknown_column(
            name, kinds=kinds, fitting=_usable(kinds), where="adjust_for"
        )
        if name == at(plan, "exposure"):
            problems.append(f"adjust_for: '{name}' is the exposure; leave it out here")
        if kinds.get(name) == "text" and name not in as_categories:
            problems.append(f"as_categories: '{name}' is a text; add it here, it has no slope")
    for name in (name for name in as_categories if isinstance(name, str)):
        if name not in adjust_for:
            problems.append(
                f"as_categories: '{name}' is not in adjust_for; "
                f"{suggestion(name, [str(known) for known in adjust_for])}"
            )
        elif kinds.get(name) == "real":
            problems.append(
                f"as_categories: '{name}' is a measured number, nearly every patient would be "
                "a level; leave it out here"
            )
    return problems


def _others(plan: object, *, kinds: dict[str, str]) -> list[str]:
    """Look up the columns of clusters and of auxiliary variables."""
    auxiliary = at(plan, "imputation", "auxiliary")
    asked = (
        [("imputation.auxiliary", n) for n in auxiliary] if isinstance(auxiliary, list) else []
    )
    asked += [("clusters", at(plan, "clusters"))]
    return [
        line
        for where, name in asked
        if isinstance(name, str)
        for line in _unknown_column(name, kinds=kinds, fitting=_usable(kinds), where=where)
    ]


def _time_varying(plan: object, *, repeated: Mapping[str, Any]) -> list[str]:
    """Hold the names of changing covariates to the declared repeated values."""
    names = at(plan, "time_varying")
    lines = []
    for name in (n for n in names if isinstance(n, str)) if isinstance(names, list) else ():
        if name not in repeated:
            near = (
                suggestion(name, repeated)
                if repeated
                else "the study declares none; add them, or take it out"
            )
            lines.append(
                f"time_varying: '{name}' is not declared under repeated in variables.yaml; "
                f"{near}"
            )
    return lines


def _event(plan: object, *, columns: Mapping[str, Column]) -> list[str]:
    """Hold the event of a model to the events of its outcome."""
    event, outcome = at(plan, "event"), at(plan, "outcome")
    column = columns.get(f"{outcome}{families.EVENT_SUFFIX}")
    if not isinstance(event, str) or column is None or event in column.levels:
        return []
    return [f"event: '{event}' is no event of {outcome}; {suggestion(event, column.levels)}"]


def _follow_up(plan: object, *, windows: object) -> list[str]:
    """Hold the window of a model with follow-up to its start and its end."""
    family, window = families.named(at(plan, "family")), at(plan, "window")
    if not isinstance(windows, dict) or family is None or not family.timed:
        return []
    problems = []
    start_h, end_h = at(windows, str(window), "start_h"), at(windows, str(window), "end_h")
    horizon_h, exposure = at(plan, "horizon_h"), at(plan, "exposure")
    if is_number(end_h) and is_number(horizon_h) and horizon_h <= end_h:
        problems.append(
            f"horizon_h: {horizon_h} h is not after the window's end at {end_h} h; follow-up "
            "starts there, write for example 2160.0 (90 days)"
        )
    if family.time_dependent:
        if is_number(start_h) and start_h != 0:
            problems.append(
                f"window: '{window}' starts at {start_h} h, and the exposure of {family.name} "
                "is counted from time zero; name a window that starts at 0.0"
            )
        if isinstance(exposure, str) and not names_of_burden.words(exposure):
            problems.append(
                f"exposure: '{exposure}' is not followed day by day; name a burden such as "
                "icp_above_20_dose_per_h_mmhg"
            )
    return problems
