"""Choices: what could have been decided otherwise, and every combination of it."""

import copy
import hashlib
import itertools
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort.contracts import burden_columns
from icpcohort.study import (
    cohort_checks,
    dictionary,
    dictionary_checks,
    families,
    plan_checks,
    yaml_files,
)
from icpcohort.study import settings as settings_own
from icpcohort.study.schema import at, problems, suggestion

SIGNALS = (
    "levels",
    "minutes",
    "reactivity",
    "indices",
    "optimal_cpp",
)  # made again from the trends
EXPOSURES = ("burden", "summary", "windows")  # added up from the minutes
COHORT = (*EXPOSURES, "variables", "outcomes", "scores", "cohort")
# What signals there are: the trends have been made.
DECLARED = ("signals", "derived_signals")
# What gives tables columns: the same in every specification.
NAMES_COLUMNS = ("burden.thresholds", "optimal_cpp.by")
MOST = 5000
AS_RECORDED = {"icp_mmhg": 0.0, "abp_unless_tragus_mmhg": 0.0}


class Specification(NamedTuple):
    """One way to answer a question: an option of each choice, and what follows from them."""

    number: int  # from 1, the main one
    options: dict[str, str]  # choice -> label of its option
    plan: dict[str, Any]  # block of a model
    settings: dict[str, Any]  # as in config.yaml
    shift: dict[str, float]  # added to the pressure as recorded

    @property
    def is_main(self) -> bool:
        """Whether it is the analysis of the plan."""
        return self.number == 1

    @property
    def signals(self) -> str:
        """A name for what makes the minutes; the same for all that share them."""
        return _named({**{name: self.settings[name] for name in SIGNALS}, "shift": self.shift})

    @property
    def cohort(self) -> str:
        """A name for what makes the cohort from the minutes."""
        return _named(_of_cohort(self.settings))

    @property
    def exposures(self) -> str:
        """A name for what makes the exposures from the minutes."""
        return exposures_of(self.settings)


def exposures_of(settings: Mapping[str, Any]) -> str:
    """Return `Specification.exposures` of the settings of a cohort."""
    return _named({name: settings[name] for name in EXPOSURES})


def _of_cohort(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the blocks that make the cohort; of `cohort` itself who may enter it."""
    kept = {name: settings[name] for name in COHORT}
    if settings.get("repeated"):  # so that other studies keep the names of their cohorts
        kept["repeated"] = settings["repeated"]
    return kept | {"cohort": {"eligibility": settings["cohort"]["eligibility"]}}


def _named(value: object) -> str:
    text = json.dumps(value, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def load(
    path: Path,
    *,
    settings: Mapping[str, Any],
    models: Mapping[str, Any],
    schema_folder: Path,
) -> dict[str, dict[str, Any]]:
    """Return the checked questions by name; none where the file does not exist.

    Parameters
    ----------
    path : Path
        `specifications.yaml`, UTF-8.
    settings, models
        As `settings.load` gives them: what the main specification does.
    schema_folder : Path
        Holds the three schemas.

    Raises
    ------
    SettingsError
        With every problem: of the file, and of every combination that it asks for.
    """
    if not path.exists():
        return {}
    content, wrong = yaml_files.read(path)
    if content is not None:
        schema = yaml_files.read_schema(schema_folder / "specifications.schema.json")
        wrong += problems(content, schema, file=path.name)
    if not wrong and content is not None:
        for name, question in content["questions"].items():
            lines = _misfits(question, settings=settings, models=models)
            if not lines:
                lines = _broken(question, settings, models, schema_folder=schema_folder)
            wrong += [f"{path.name}, questions.{name}.{line}" for line in lines]
    if wrong or content is None:
        raise settings_own.SettingsError(wrong)
    questions: dict[str, dict[str, Any]] = content["questions"]
    return questions


def expand(
    question: Mapping[str, Any], *, settings: Mapping[str, Any], models: Mapping[str, Any]
) -> list[Specification]:
    """Return every combination of the options, the main specification first.

    Parameters
    ----------
    question : mapping
        A checked block of `specifications.yaml`.
    settings, models
        Of the main specification.

    Returns
    -------
    list of Specification
        In the order of the file, the last choice changing fastest.
    """
    choices = question["choices"]
    ways = [[choice["main"], *choice["options"]] for choice in choices.values()]
    made = []
    for number, chosen in enumerate(itertools.product(*ways), start=1):
        made.append(
            _combined(
                number,
                dict(zip(choices, chosen, strict=True)),
                block=models[question["model"]],
                settings=settings,
            )
        )
    return made


def _combined(
    number: int,
    chosen: Mapping[str, Mapping[str, Any]],
    *,
    block: Mapping[str, Any],
    settings: Mapping[str, Any],
) -> Specification:
    plan, made, shift = dict(block), copy.deepcopy(dict(settings)), dict(AS_RECORDED)
    for option in chosen.values():
        plan |= option.get("plan", {})
        shift |= option.get("shift", {})
        for name, value in option.get("settings", {}).items():
            *blocks, last = name.split(".")
            at(made, *blocks)[last] = value
        made["cohort"]["eligibility"] += option.get("eligibility", [])
    labels = {name: option["label"] for name, option in chosen.items()}
    return Specification(number, labels, plan, made, shift)


class Alternative(NamedTuple):
    """What shares its minutes: the shift, and the settings of what is made from them."""

    shift: dict[str, float]
    exposures: dict[str, dict[str, Any]]  # by `Specification.exposures`
    cohorts: dict[str, dict[str, Any]]  # by `Specification.cohort`


def needed(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the part of the settings that the specifications depend on."""
    return _of_minutes(settings) | _of_cohort(settings)


def _of_minutes(settings: Mapping[str, Any]) -> dict[str, Any]:
    kept = {name: settings[name] for name in (*SIGNALS, *DECLARED) if name in settings}
    return kept | {"trends": {"block_s": settings["trends"]["block_s"]}}


def alternatives(
    questions: Mapping[str, Mapping[str, Any]],
    *,
    settings: Mapping[str, Any],
    models: Mapping[str, Any],
) -> dict[str, Alternative]:
    """Return what has to be made for all questions, by `Specification.signals`."""
    made: dict[str, Alternative] = {}
    for question in questions.values():
        for one in expand(question, settings=settings, models=models):
            shared = made.setdefault(one.signals, Alternative(one.shift, {}, {}))
            of_exposures = {name: one.settings[name] for name in EXPOSURES}
            shared.exposures.setdefault(one.exposures, _of_minutes(one.settings) | of_exposures)
            shared.cohorts.setdefault(one.cohort, _of_cohort(one.settings))
    return made


# --- what no schema can say ---


def _misfits(
    question: Mapping[str, Any], *, settings: Mapping[str, Any], models: Mapping[str, Any]
) -> list[str]:
    """List where a question does not fit the plan and the settings, or itself."""
    model = question["model"]
    if model not in models:
        return [f"model: '{model}' is no model of models.yaml; {suggestion(model, models)}"]
    misfits = _unfit_model(models[model])
    n = 1
    touched: dict[str, str] = {}
    for name, choice in question["choices"].items():
        options = [choice["main"], *choice["options"]]
        n *= len(options)
        labels = [option["label"] for option in options]
        misfits += [
            f"choices.{name}: the label '{label}' stands twice; write another"
            for label in sorted({label for label in labels if labels.count(label) > 1})
        ]
        for option in choice["options"]:
            where = f"choices.{name}, option '{option['label']}'"
            misfits += [
                f"{where}, {line}" for line in _unfit_option(option, settings, models[model])
            ]
            for key in _keys(option):
                other = touched.setdefault(key, name)
                if other != name:
                    misfits.append(f"{where}: {key} is changed by {other} too; join the two")
    if n > MOST:
        misfits.append(f"choices: {n} combinations, more than {MOST}; take some options out")
    return misfits


def _unfit_model(block: Mapping[str, Any]) -> list[str]:
    family = families.named(block["family"])
    asked = {
        f"model: family {block['family']} has no joint test yet; name a logistic model": (
            family is None or not family.joint_test
        ),
        "model: a curve has no single estimate; name a model without curve_knots": (
            "curve_knots" in block
        ),
        "model: an interaction has no single estimate; name a model without": (
            "interaction" in block
        ),
        "model: the joint test needs complete_cases; name a model that has them": (
            block["missing_data"] != "complete_cases"
        ),
    }
    return [words for words, holds in asked.items() if holds]


def _keys(option: Mapping[str, Any]) -> list[str]:
    return [
        f"{kind}.{name}"
        for kind in ("plan", "settings", "shift")
        for name in option.get(kind, {})
    ]


def _unfit_option(
    option: Mapping[str, Any], settings: Mapping[str, Any], block: Mapping[str, Any]
) -> list[str]:
    misfits = []
    if not any(option.get(kind) for kind in ("plan", "settings", "shift", "eligibility")):
        misfits.append("changes nothing; write what it does otherwise")
    for name in option.get("settings", {}):
        *blocks, last = name.split(".")
        inside = at(settings, *blocks)
        if name == "indices" or f"{name}.".startswith(tuple(f"{n}." for n in NAMES_COLUMNS)):
            misfits.append(f"settings: {name} names columns; list all of them in config.yaml")
        elif blocks[:1] and blocks[0] not in (*SIGNALS, *COHORT):
            misfits.append(
                f"settings: {name} would read the waveforms again; only "
                f"{', '.join((*SIGNALS, *COHORT))} can differ"
            )
        elif not isinstance(inside, dict) or last not in inside:
            misfits.append(f"settings: {name} is no setting of config.yaml")
        elif inside[last] == option["settings"][name]:
            misfits.append(f"settings: {name} has this value already; the main option is that")
    for name, value in option.get("plan", {}).items():
        if block.get(name) == value:
            misfits.append(f"plan: {name} is this already; the main option is that")
    return misfits


def _broken(
    question: Mapping[str, Any],
    settings: Mapping[str, Any],
    models: Mapping[str, Any],
    *,
    schema_folder: Path,
) -> list[str]:
    """List the problems that the checks of config.yaml and models.yaml find in combinations."""
    config_schema = yaml_files.read_schema(schema_folder / "config.schema.json")
    variables_schema = yaml_files.read_schema(schema_folder / "variables.schema.json")
    plan_schema = yaml_files.read_schema(schema_folder / "models.schema.json")
    of_settings: dict[str, list[str]] = {}
    of_plans: dict[str, list[str]] = {}
    first_use: dict[str, str] = {}
    for one in expand(question, settings=settings, models=models):
        name = one.signals + one.cohort
        if name not in of_settings:
            of_settings[name] = _of_settings(one.settings, config_schema, variables_schema)
        plan = _named(one.plan)
        if plan not in of_plans:
            block = {"models": {"model": one.plan}}
            of_plans[plan] = problems(block, plan_schema, file="plan")
        for line in of_settings[name] or of_plans[plan] or _of_both(one):
            first_use.setdefault(line, ", ".join(f"{k}: {v}" for k, v in one.options.items()))
    return [f"choices ({where}): {line}" for line, where in first_use.items()]


def _of_settings(
    settings: Mapping[str, Any], config_schema: dict[str, Any], variables_schema: dict[str, Any]
) -> list[str]:
    """List what is wrong with settings that an option has changed."""
    declared = {name: settings[name] for name in dictionary.SECTIONS}
    stated = {name: value for name, value in settings.items() if name not in declared}
    lines = problems(stated, config_schema, file="settings")
    lines += problems({"dictionaries": [], **declared}, variables_schema, file="settings")
    if lines:
        return lines
    lines = [f"settings, {line}" for line in dictionary_checks.contradictions(declared)]
    return lines + settings_own.contradictions(dict(settings), file="settings")


def _of_both(one: Specification) -> list[str]:
    """List where a plan and settings that are each sound contradict each other."""
    plan = {"models": {"model": one.plan}}
    exposures = burden_columns.names(one.settings)
    return [
        *plan_checks.contradictions(
            plan,
            declared=one.settings,
            windows=one.settings["windows"],
            burden_columns=exposures,
            file="plan",
        ),
        *cohort_checks.immortal_time_of(
            plan, settings=one.settings, exposures=exposures, file="plan", plan_problems=[]
        ),
    ]
