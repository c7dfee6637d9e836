"""Plan lock: what was decided before outcomes were seen, and what has changed since.

The lock is a file of the study, `config/plan.lock.json`. Whoever holds the file could write it
anew; its fingerprint, sent to somebody else when the plan is locked, shows that nobody did.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.provenance import fingerprint as provenance
from icpcohort.study import yaml_files
from icpcohort.study.schema import problems

FILE, CHANGES_FILE = "config/plan.lock.json", "config/plan.changes.yaml"
NO_EFFECT = ("study.title", "study.folder", "plan.blinded_until_locked")
AS_PLANNED, CHANGED, ADDED = "as planned", "changed after the lock", "added after the lock"


class LockError(Exception):
    """The plan cannot be locked, or its lock cannot be read; the text says what to do."""


# The scripts whose numbers an estimate rests on; pictures and pages are free to change.
SCRIPTS = (
    *("study", "ingest", "collect", "indices", "batch_burden", "burden", "batch_summary"),
    *("summary", "updates", "outcomes", "cohort", "model"),
    *("alternative", "analyses", "question", "specifications"),
)


class Now(NamedTuple):
    """The settings, plan and codes of a run; each a flat mapping of names to values."""

    settings: Mapping[str, Any]
    models: Mapping[str, Any]
    specifications: Mapping[str, Any]
    code: Mapping[str, str]  # script -> fingerprint
    inputs: Mapping[str, str]  # table -> fingerprint


class Reason(NamedTuple):
    """What the author says to one change."""

    when: str
    why: str


def codes(scripts: Path) -> dict[str, str]:
    """Return the fingerprint of the code of every script that an estimate rests on."""
    return {name: provenance.code_of(scripts / f"{name}.py") for name in SCRIPTS}


def fingerprint(table: pl.DataFrame) -> str:
    """Return a fingerprint of a table's rows and columns, whatever their order."""
    columns = sorted(table.columns)
    text = table.select(columns).sort(columns).write_csv()
    return hashlib.sha256(text.encode()).hexdigest()


def inputs(
    patients: pl.DataFrame,
    monitors: pl.DataFrame,
    events: pl.DataFrame,
    recordings: pl.DataFrame,
) -> dict[str, str]:
    """Return the fingerprints of what was known before outcomes.

    Parameters
    ----------
    patients : DataFrame of `contracts.patients`
        Without outcomes and the times that belong to them; see `blinding.outcomes_of`.
    monitors, events, recordings
        The contracts of their names; of recordings counts what the files hold.
    """
    files = recordings.select("recording_id", "patient_id", "sha256", "start_s")
    return {
        "patients without outcomes": fingerprint(patients),
        "monitors": fingerprint(monitors),
        "events": fingerprint(events),
        "recordings": fingerprint(files),
    }


def lock(now: Now, *, locked_on: str, was_blinded: bool) -> str:
    """Return the text of the lock of a plan.

    Parameters
    ----------
    now : Now
    locked_on : str
        Today's date, as YYYY-MM-DD.
    was_blinded : bool
        Whether no run had shown outcomes.
    """
    content = {"locked_on": locked_on, "was_blinded": was_blinded, **now._asdict()}
    content["fingerprint"] = _seal(content)
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _seal(content: Mapping[str, Any]) -> str:
    rest = {name: value for name, value in content.items() if name != "fingerprint"}
    text = json.dumps(rest, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def read(path: Path) -> dict[str, Any] | None:
    """Return the content of a lock, None where there is none.

    Raises
    ------
    LockError
        If it is not a lock, or not as it was written.
    """
    if not path.exists():
        return None
    try:
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        is_whole = _seal(content) == content["fingerprint"]
    except (ValueError, KeyError, TypeError, AttributeError):
        is_whole = False
    if not is_whole:
        raise LockError(
            f"{path}: not as it was written when the plan was locked; restore it from a copy"
        )
    return content


def read_reasons(path: Path, *, schema_folder: Path) -> dict[str, Reason]:
    """Return what the author says to each change, by what changed; none without a file.

    Raises
    ------
    SettingsError
        With every problem of the file.
    """
    if not path.exists():
        return {}
    content, wrong = yaml_files.read(path)
    if content is not None:
        schema = yaml_files.read_schema(schema_folder / "changes.schema.json")
        wrong += problems(content, schema, file=path.name)
    if wrong or content is None:
        raise yaml_files.SettingsError(wrong)
    return {row["what"]: Reason(row["when"], row["why"]) for row in content["changes"]}


def changes(
    locked: Mapping[str, Any] | None, now: Now | None, *, reasons: Mapping[str, Reason]
) -> pl.DataFrame:
    """List all that differs from the lock.

    Returns
    -------
    DataFrame, contracts.PLAN_CHANGES
        None without a lock. `when` and `why` are null where the author has said nothing.
    """
    rows = []
    for kind, part in now._asdict().items() if locked and now else ():
        before, after = _flat(locked[kind]), _flat(part)  # type: ignore[index]
        for name in dict.fromkeys([*before, *after]):
            if before.get(name) != after.get(name) and name not in NO_EFFECT:
                what = f"{kind}: {name}"
                when, why = reasons.get(what, (None, None))
                rows.append(
                    {
                        "what": what,
                        "locked": before.get(name),
                        "now": after.get(name),
                        "when": when,
                        "why": why,
                    }
                )
    types = {name: column.dtype for name, column in contracts.PLAN_CHANGES.columns.items()}
    return pl.DataFrame(rows, schema=types).sort("what")


def _flat(value: Any, name: str = "") -> dict[str, str]:
    """Return every value by the names that lead to it, as text."""
    if isinstance(value, Mapping):
        leaves: dict[str, str] = {}
        for key, inner in value.items():
            leaves |= _flat(inner, f"{name}.{key}" if name else str(key))
        return leaves
    if isinstance(value, list) and any(isinstance(entry, Mapping) for entry in value):
        return {
            key: inner
            for i, entry in enumerate(value, start=1)
            for key, inner in _flat(entry, f"{name}, entry {i}").items()
        }
    return {name: value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)}


def status(
    changed: pl.DataFrame, locked: Mapping[str, Any] | None, *, models: Sequence[str]
) -> pl.DataFrame:
    """Say of each model whether it is as planned.

    Returns
    -------
    DataFrame, contracts.PLAN_STATUS
        A changed setting, code or input concerns every model, a changed block its own.
        Without a lock there is no row.
    """
    rows = []
    for model in models if locked else ():
        of_model = changed["what"].str.starts_with(f"models: {model}.")
        others = changed["what"].str.contains("^(?:models|specifications): ")
        concerns = changed.filter(of_model | ~others)["what"].to_list()
        change = ADDED if model not in locked["models"] else CHANGED  # type: ignore[index]
        rows.append(
            {
                "model": model,
                "status": change if concerns else AS_PLANNED,
                "n_changes": len(concerns),
                "n_unexplained": changed.filter(
                    pl.col("what").is_in(concerns) & pl.col("why").is_null()
                ).height,
            }
        )
    types = {name: column.dtype for name, column in contracts.PLAN_STATUS.columns.items()}
    return pl.DataFrame(rows, schema=types)


def in_words(locked: Mapping[str, Any] | None, changed: pl.DataFrame) -> str:
    """Return the sentences of the report on the plan."""
    if locked is None:
        return "The plan was not locked before outcomes were seen."
    when = f"The plan was locked on {locked['locked_on']}"
    how = (
        "before any run had shown outcomes"
        if locked["was_blinded"]
        else "when outcomes could be seen already"
    )
    unexplained = changed["why"].null_count()
    since = "Nothing has changed since."
    if changed.height:
        since = (
            f"{changed.height} change(s) since, {unexplained} of them without a reason in "
            f"{CHANGES_FILE}."
        )
    return f"{when}, {how} (fingerprint {locked['fingerprint'][:16]}). {since}"
