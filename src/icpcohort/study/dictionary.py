"""Dictionary: the variables of a study, from its own file and the dictionaries that ship.

An entry of the study with the name of a shipped entry changes the keys that it states.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from icpcohort.contracts.setting import OF_THE_STUDY, Setting
from icpcohort.contracts.variables import Covariate, Outcome, Repeated, is_recorded
from icpcohort.study import dictionary_checks, value_lists, yaml_files
from icpcohort.study.schema import at, problems

SECTIONS = ("variables", "outcomes", "repeated", "scores")
OF_PATIENTS = ("variables", "outcomes")  # with a column each in the table of patients
FILE = "variables.yaml"


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The variables of a study."""

    dictionaries: Annotated[
        Sequence[str],
        Setting(
            "Dictionaries that ship with the project and whose entries the study has",
            OF_THE_STUDY,
            ["patient", "tbi"],
            each="A dictionary",
            one_of=("patient", "tbi", "sah", "ich", "children"),
        ),
    ]
    variables: Annotated[
        Mapping[str, Covariate],
        Setting(
            "Covariates by name; that of a shipped entry changes the keys that are stated",
            OF_THE_STUDY,
            {"wfns": {"label": "WFNS grade", "kind": "ordered", "known": "at_admission"}},
        ),
    ]
    outcomes: Annotated[
        Mapping[str, Outcome],
        Setting(
            "Outcomes by name; that of a shipped entry changes the keys that are stated",
            OF_THE_STUDY,
            {"mrs_3m": {"label": "mRS", "kind": "ordered", "better": "lower"}},
        ),
    ]
    repeated: Annotated[
        Mapping[str, Repeated],
        Setting(
            "Variables with several values of a patient, by name; that of a shipped entry "
            "changes the keys that are stated",
            OF_THE_STUDY,
            {"therapy_intensity": {"label": "Therapy intensity", "kind": "count"}},
        ),
    ]
    scores: Annotated[
        Mapping[str, Mapping[str, str]],
        Setting(
            "Forms of published scores that have several, by the score's name",
            "Steyerberg 2008 published two that disagree [confirmed]",
            {"impact": {"form": "continuous"}},
        ),
    ]


class Declared(NamedTuple):
    """The sections that the files give (None: they cannot be read), and every problem."""

    sections: dict[str, dict[str, Any]] | None
    problems: list[str]


def read(path: Path, *, shipped: Path, schema: Mapping[str, Any]) -> Declared:
    """Return the variables that a study declares, those of the shipped dictionaries included.

    Parameters
    ----------
    path : Path
        `variables.yaml` of the study.
    shipped : Path
        Folder of the dictionaries that ship.
    schema : mapping
        Closed schema of `variables.yaml`.

    Returns
    -------
    Declared
        Sections `variables`, `outcomes`, `repeated` and `scores` with whole entries. Nothing
        is filled in beside what the dictionaries state, and the column of what the study
        itself records.
    """
    written, lines = yaml_files.read(path)
    if written is None:
        return Declared(None, lines)
    whole = resolved(written, shipped=shipped, schema=schema, file=path.name)
    return whole._replace(problems=lines + whole.problems)


def resolved(
    written: Mapping[str, Any], *, shipped: Path, schema: Mapping[str, Any], file: str
) -> Declared:
    """Return what `read` returns, of the content of a file of that name."""
    lines: list[str] = []
    named = written.get("dictionaries")
    asked = [n for n in named if isinstance(n, str)] if isinstance(named, list) else []
    parts = [
        (name, yaml_files.read(shipped / f"{name}.yaml")[0])
        for name in asked
        if (shipped / f"{name}.yaml").exists()
    ]
    merged: dict[str, Any] = {**written}
    ships: set[str] = set()
    for section in SECTIONS:
        entries, twice = _together(section, parts)
        lines += twice
        ships |= entries.keys()
        of_study = _changed(entries, written.get(section, {}))
        if isinstance(of_study, dict):
            expanded = {name: value_lists.expanded(e) for name, e in of_study.items()}
            lines += [
                f"{file}, {section}.{name}.codings: {words}"
                for name, (_, words) in expanded.items()
                if words
            ]
            of_study = {name: _in_texts(entry) for name, (entry, _) in expanded.items()}
        merged[section] = of_study
    lines += problems(merged, dict(schema), file=file)
    if not lines:
        for section in OF_PATIENTS:
            merged[section] = _with_their_columns(merged[section], ships=ships)
        lines = [f"{file}, {line}" for line in dictionary_checks.contradictions(merged)]
    return Declared({section: merged[section] for section in SECTIONS}, lines)


def as_run(settings: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what stands in `config.yaml`, and a `variables.yaml` that needs no dictionary."""
    config = {name: value for name, value in settings.items() if name not in SECTIONS}
    return config, {"dictionaries": []} | {name: settings[name] for name in SECTIONS}


def _together(
    section: str, parts: Sequence[tuple[str, Any]]
) -> tuple[dict[str, Any], list[str]]:
    """Return the entries of all dictionaries, and a line for each that two differ in."""
    entries: dict[str, Any] = {}
    first: dict[str, str] = {}
    lines = []
    for dictionary, content in parts:
        for name, entry in (at(content, section) or {}).items():
            if name in entries and entries[name] != entry:
                lines.append(
                    f"{FILE}, dictionaries: '{dictionary}' and '{first[name]}' declare "
                    f"'{name}' differently; use one of them, and declare what you need of the "
                    "other yourself"
                )
            entries.setdefault(name, entry)
            first.setdefault(name, dictionary)
    return entries, lines


def _changed(entries: Mapping[str, Any], written: Any) -> Any:
    """Return the entries with what the study states; what is no block stays for the schema."""
    if not isinstance(written, dict):
        return written
    changed = dict(entries)
    for name, entry in written.items():
        shipped = entries.get(name)
        if isinstance(entry, dict):
            changed[name] = {**(shipped or {}), **entry}
        else:
            changed[name] = entry
    return changed


def _with_their_columns(
    entries: Mapping[str, dict[str, Any]], *, ships: Collection[str]
) -> dict[str, Any]:
    """Return the entries, each recorded one of the study's own with a column that must be."""
    return {
        name: {**entry, "column": entry.get("column", name)}
        if name not in ships and is_recorded(entry)
        else entry
        for name, entry in entries.items()
    }


_TEXTS = ("levels", "dead", "favourable_from", "equals", "merge", "codings", "scales")


def _in_texts(entry: Any) -> Any:
    """Return an entry with the levels of its scale as texts, which people write as numbers."""
    if not isinstance(entry, dict):
        return entry
    return {key: _as_text(value) if key in _TEXTS else value for key, value in entry.items()}


def _as_text(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _as_text(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_as_text(inner) for inner in value]
    return re.sub(r"\.0$", "", str(value)) if type(value) in (int, float) else value
