"""Checking: every problem of a study that settings, tables and headers can show, at once."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import Any

from icpcohort import contracts, recordings
from icpcohort.commands import check_lags, check_samples, check_tables, inventory, left_out
from icpcohort.commands.check_tables import Opened, named
from icpcohort.contracts import declared_signals
from icpcohort.provenance import plan_lock
from icpcohort.recordings import examine, places
from icpcohort.signals import intervals, rules
from icpcohort.specifications import choices
from icpcohort.study import by_patient, dictionary, plan_cautions, settings
from icpcohort.study import tables as study
from icpcohort.study.schema import at
from icpcohort.study.tables import Row, Rows

MAX_NOTES = 5  # of one kind; problems are all shown
MAX_SHOWN = 20  # numbers of rows in one line
MAX_ALIKE = 3  # recordings with one fault that have a line each


@dataclass(frozen=True)
class Checked:
    """What a check found, each line as *where: what; what to do*.

    The first three kinds stop a run. A recording that cannot be used is left out of it, and
    `contradictions` run as they stand. `not_checked` lists the checks that were skipped;
    `inventory` is empty where a problem stops a run.
    """

    settings: list[str]
    plan: list[str]
    tables: list[str]
    recordings: list[str]
    contradictions: list[str]
    not_checked: list[str]
    notes: list[list[str]]
    inventory: list[str]

    @property
    def problems(self) -> list[str]:
        """All problems in the order of the kinds."""
        stop_run = self.settings + self.plan + self.tables
        return stop_run + self.recordings + self.contradictions

    def problem_lines(self) -> list[str]:
        """Return the problems, the checks that were skipped because of them, and the count."""
        if not self.problems:
            return []
        stop_run = {"settings": self.settings, "plan": self.plan, "tables": self.tables}
        counted = [
            (stop_run, "a run stops at these"),
            ({"recordings": self.recordings}, "left out of a run, with their reason"),
            ({"contradictions": self.contradictions}, "a run uses what stands there"),
        ]
        counts = []
        for kinds, then in counted:
            if words := [f"{kind} {len(lines)}" for kind, lines in kinds.items() if lines]:
                counts.append(f"{', '.join(words)} ({then})")
        return [
            *self.problems,
            *(f"not checked: {line}" for line in self.not_checked),
            f"{len(self.problems)} problem(s): {'; '.join(counts)}",
        ]

    def note_lines(self) -> list[str]:
        """Return the notes: at most MAX_NOTES of each kind, and the count of the rest."""
        lines_shown = []
        for lines in self.notes:
            lines_shown += [f"note: {line}" for line in lines[:MAX_NOTES]]
            if len(lines) > MAX_NOTES:
                lines_shown.append(f"note: ... and {len(lines) - MAX_NOTES} more like the last")
        return lines_shown


def check(
    folder: Path, *, schema_folder: Path, progress: Callable[[int, int], None]
) -> Checked:
    """Check a study: its settings, plan and tables, and the header of every recording.

    A fault in one layer skips only the checks that depend on it; `not_checked` lists them. A
    table whose name is sound is read, and so is each recording whose row is sound.

    Parameters
    ----------
    folder : Path
        Holds `config/`.
    schema_folder : Path
        Holds the two schemas of the settings.
    progress : function
        Called with the number of headers read and that of all.

    Source: common practice, no source; the tolerances stand in `cross_checks`.
    """
    files = settings.read(
        folder / "config" / "config.yaml",
        folder / "config" / "models.yaml",
        schema_folder=schema_folder,
    )
    plan_problems = files.plan_problems + _beside_the_plan(
        files, folder=folder, schema_folder=schema_folder
    )
    sound, not_checked = _sound_study(files, folder=folder)
    tables, in_tables = study.read_rows(sound)
    where = places.of(sound)
    kept = left_out.kept(tables)
    opened, unusable, unopened = _open(kept, files, where=where, progress=progress)
    time_zero = at(files.settings, "study", "time_zero")
    stops_run = files.settings_problems or plan_problems or in_tables
    return Checked(
        settings=files.settings_problems,
        plan=plan_problems,
        tables=in_tables,
        recordings=unusable,
        contradictions=check_tables.contradictions(kept, places=where, time_zero=time_zero),
        not_checked=not_checked + unopened,
        notes=[
            study.unread(_of_known_columns(tables, files), sound),
            _idle_events(kept, files),
            _unused_annotations(opened, files),
            [f"{named(one.row)}, {note}" for one in opened for note in one.about.notes],
            _unrecorded(opened, sound),
            _without_value(kept, files),
            _never_together(opened, files),
            _out_of_step(opened, files, where=where),
            [] if stops_run else _of_the_plan(files, sound),
            *check_tables.suspicions(kept, opened, time_zero=time_zero),
            *check_samples.suspicions(kept, opened, files, where=where),
        ],
        inventory=[] if stops_run else inventory.lines(tables, opened, declared=sound),
    )


def _of_the_plan(files: settings.Files, sound: Mapping[str, Any]) -> list[str]:
    """Return what a reviewer will ask of the models of the plan."""
    return plan_cautions.of_all(
        at(files.models, "models"), columns=contracts.analysis(sound).columns, declared=sound
    )


def _beside_the_plan(files: settings.Files, *, folder: Path, schema_folder: Path) -> list[str]:
    """List the problems of the lock, of the log of changes, and of other decisions."""
    problems = []
    try:
        plan_lock.read(folder / plan_lock.FILE)
    except plan_lock.LockError as error:
        problems.append(str(error))
    try:
        plan_lock.read_reasons(folder / plan_lock.CHANGES_FILE, schema_folder=schema_folder)
        if (
            files.settings
            and files.models
            and not files.settings_problems + files.plan_problems
        ):
            choices.load(
                folder / "config" / "specifications.yaml",
                settings=files.settings,
                models=files.models["models"],
                schema_folder=schema_folder,
            )
    except settings.SettingsError as error:
        problems += error.problems
    return problems


def _sound_study(files: settings.Files, *, folder: Path) -> tuple[dict[str, Any], list[str]]:
    """Return the sound part of what `study.read_rows` needs, and what is passed over."""
    if not settings.is_sound(files, "study.folder"):
        why = "config.yaml does not say where they are (study.folder)"
        nothing: dict[str, Any] = {**_nothing_declared(), "signals": {}}
        return nothing | {"study": {"folder": str(folder)}}, [
            f"the tables and the recordings, since {why}"
        ]
    written = at(files.settings, "study")
    sound: dict[str, Any] = {"folder": str(folder / written["folder"])}
    sound |= {"columns": {}, "codings": {}}
    declared, passed_over = _sound_variables(files)
    sound |= {
        part: written[part]
        for part in ("sheets", "encoding")
        if settings.is_sound(files, f"study.{part}")
    }
    if at(written, "calendar") is not None:
        is_sound = settings.is_sound(files, "study.calendar")
        sound["calendar"] = written["calendar"] if is_sound else {}
        passed_over += [] if is_sound else ["dates, since study.calendar is not right"]
    for name in study.TABLES | study.OPTIONAL:
        if name in study.OPTIONAL and at(written, name) is None:
            continue
        if not settings.is_sound(files, f"study.{name}"):
            passed_over.append(f"the table of {name}, since study.{name} is not right")
            continue
        sound[name] = written[name]
        for part in ("columns", "codings"):
            stated = at(written, part, name)
            sound[part][name] = {
                ours: theirs
                for ours, theirs in (stated.items() if isinstance(stated, dict) else ())
                if settings.is_sound(files, f"study.{part}.{name}.{ours}")
            }
    recorded = {"recordings": _sound_recordings(files)}
    return {"study": sound, **declared, **_sound_signals(files), **recorded}, passed_over


def _sound_variables(files: settings.Files) -> tuple[dict[str, Any], list[str]]:
    """Return the declared variables, none of which can be read where one is not right."""
    main = at(files.settings, "cohort", "main_outcome")
    declared: dict[str, Any] = {"cohort": {"main_outcome": main}, **_nothing_declared()}
    if not _variables_are_right(files):
        what = "columns of declared variables and outcomes"
        return declared, [f"{what}, since {dictionary.FILE} is not right"]
    return declared | {n: at(files.settings, n) or {} for n in _nothing_declared()}, []


def _variables_are_right(files: settings.Files) -> bool:
    return not any(line.startswith(dictionary.FILE) for line in files.settings_problems)


def _of_known_columns(tables: dict[str, Rows], files: settings.Files) -> dict[str, Rows]:
    """Return the tables of which it is known which columns a study with these settings uses."""
    declared_by = () if _variables_are_right(files) else ("patients", "repeated")
    return {name: table for name, table in tables.items() if name not in declared_by}


def _nothing_declared() -> dict[str, Any]:
    return {"variables": {}, "outcomes": {}, "repeated": {}}


def _sound_recordings(files: settings.Files) -> dict[str, Any]:
    """Return what says where recordings lie, as far as it is right."""
    names = [
        name
        for name in ("roots", "patient_column")
        if settings.is_sound(files, f"recordings.{name}")
    ]
    return {name: at(files.settings, "recordings", name) for name in names}


def _sound_signals(files: settings.Files) -> dict[str, Any]:
    """Return the section `signals` where it is right; else without any signal."""
    sound = settings.is_sound(files, "signals")
    return {"signals": at(files.settings, "signals") if sound else {}}


def _open(
    tables: Mapping[str, Rows],
    files: settings.Files,
    *,
    where: places.Places,
    progress: Callable[[int, int], None],
) -> tuple[list[Opened], list[str], list[str]]:
    """Return the recordings that can be used, why others cannot, and what was passed over."""
    rows = tables["recordings"].rows if "recordings" in tables else []
    names, asked = _opening(files)
    for name in ("signals", *(f"recordings.{name}" for name in names)):
        if rows and not settings.is_sound(files, name):
            why = f"{name} in config.yaml is not right"
            return [], [], [f"the files of {len(rows)} recordings, since {why}"]
    signals = at(files.settings, "signals") or {}
    rows, passed_over = _within_reach(rows, where)
    clear = [row for row in rows if _can_be_opened(row, signals)]
    opened: list[Opened] = []
    unusable: list[tuple[Row, recordings.RecordingError]] = []
    for i, row in enumerate(clear, start=1):
        try:
            listed = examine.examine(
                row.values, places=where, signals=signals, opening=examine.Opening(**asked)
            )
        except recordings.RecordingError as error:
            unusable.append((row, error))
        else:
            opened.append(Opened(row, listed.about, listed.annotations))
        progress(i, len(clear))
    unclear = [row for row in rows if not _can_be_opened(row, signals)]
    if not unclear:
        return opened, unusable_lines(unusable), passed_over
    shown = ", ".join(str(row.number) for row in unclear[:MAX_SHOWN])
    more = f" and {len(unclear) - MAX_SHOWN} more" if len(unclear) > MAX_SHOWN else ""
    why = "path, format, a channel or a unit is not right there"
    passed_over.append(f"the files of {unclear[0].file} row {shown}{more}, since {why}")
    return opened, unusable_lines(unusable), passed_over


def _opening(files: settings.Files) -> tuple[list[str], dict[str, Any]]:
    """Return the settings by which recordings are opened: their names, and those stated."""
    stated = at(files.settings, "recordings")
    stated = stated if isinstance(stated, dict) else {}
    optional = {f.name for f in fields(examine.Opening) if f.default is not MISSING}
    names = [
        field.name
        for field in fields(examine.Opening)
        if field.name not in optional or field.name in stated
    ]
    return names, {name: stated[name] for name in names if name in stated}


def _within_reach(rows: Sequence[Row], where: places.Places) -> tuple[list[Row], list[str]]:
    """Return the rows whose root is there, and of each root that is not, how many are not."""
    root_of = [where.root_of(row.values.get("path") or "") for row in rows]
    away = {name for name, root in where.roots.items() if not root.is_dir()}
    passed_over = [
        f"the files of {root_of.count(name)} recordings in {name}, since it is not there"
        for name in sorted(away & set(root_of))
    ]
    kept = [row for row, root in zip(rows, root_of, strict=True) if root not in away]
    return kept, passed_over


def unusable_lines(unusable: Sequence[tuple[Row, recordings.RecordingError]]) -> list[str]:
    """Return a line for each recording that cannot be used, and one for many of one cause.

    Parameters
    ----------
    unusable : sequence of Row and RecordingError
        Causes are the same where the words are, but for the name of the file.
    """
    causes: dict[tuple[str, str], list[tuple[Row, recordings.RecordingError]]] = {}
    for row, error in unusable:
        name = Path(row.values["path"]).name
        causes.setdefault((error.reason, error.detail.replace(name, "")), []).append(
            (row, error)
        )
    lines = []
    for (reason, _), of_cause in causes.items():
        if len(of_cause) <= MAX_ALIKE:
            lines += [f"{named(row)}, {error.detail} [{reason}]" for row, error in of_cause]
            continue
        (first, error), others = of_cause[0], of_cause[1:]
        numbers = ", ".join(str(row.number) for row, _ in others[:2])
        lines.append(
            f"{named(first)}, {error.detail} [{reason}]; the same of {len(others)} more "
            f"recordings, such as rows {numbers}"
        )
    return lines


def _can_be_opened(row: Row, signals: Mapping[str, Any]) -> bool:
    understood = all(column in row.values for column in examine.columns(signals))
    return understood and None not in (row.values["path"], row.values["format"])


def _unused_annotations(opened: Sequence[Opened], files: settings.Files) -> list[str]:
    """Count the annotations without a meaning; their texts may name a person."""
    if not settings.is_sound(files, "recordings.annotation_meanings"):
        return []
    meanings = at(files.settings, "recordings", "annotation_meanings")
    counts = [
        (
            len(one.annotations),
            intervals.count_meant(one.annotations, annotation_meanings=meanings),
        )
        for one in opened
    ]
    n, n_meant = (sum(column) for column in zip(*counts, strict=True)) if counts else (0, 0)
    if n == n_meant:
        return []
    return [
        f"{n - n_meant} of {n} annotations in the recordings have a text without a meaning; "
        "list it under recordings.annotation_meanings, or leave it so"
    ]


def _out_of_step(
    opened: Sequence[Opened], files: settings.Files, *, where: places.Places
) -> list[str]:
    """Name the recordings whose beginnings have a clear lag between ICP and ABP."""
    if not opened:
        return []
    opening = examine.Opening(**_opening(files)[1])
    return check_lags.notes(opened, places=where, opening=opening)


def _never_together(opened: Sequence[Opened], files: settings.Files) -> list[str]:
    """Name the patients whose files have both signals of a difference, never at one time."""
    if not settings.is_sound(files, "derived_signals"):
        return []
    lines = []
    for patient_id, all_of in check_tables.placed(opened).items():
        for name, of in declared_signals.derived(files.settings or {}).items():
            first, second = (
                [one for one in all_of if of[which] in one.about.signals]
                for which in ("subtrahend", "minuend")
            )
            met = any(
                a.start_s < b.end_s and b.start_s < a.end_s for a in first for b in second
            )
            if first and second and not met:
                lines.append(
                    f"{first[0].row.file}: {of['subtrahend'].upper()} and "
                    f"{of['minuend'].upper()} of {patient_id} are in files that never overlap, "
                    f"so there is no {name.upper()}; compare start_s, clock_zone and the dates "
                    f"of rows {first[0].row.number} and {second[0].row.number}, or leave it so"
                )
    return lines


def _unrecorded(opened: Sequence[Opened], declared: Mapping[str, Any]) -> list[str]:
    """Name the signals that no recording has."""
    there = {name for one in opened for name in one.about.signals}
    return [
        f"signals.{name}: none of {len(opened)} recordings has a channel of {signal['label']}; "
        f"add its name to signals.{name}.names, or remove the signal"
        for name, signal in declared["signals"].items()
        if opened and name not in there
    ]


def _without_value(tables: Mapping[str, Rows], files: settings.Files) -> list[str]:
    """Name the derived signals that are null for patients without the value to subtract."""
    if "patients" not in tables or not settings.is_sound(files, "derived_signals"):
        return []
    rows, lines = tables["patients"].rows, []
    for name, signal in declared_signals.of_patients(files.settings or {}).items():
        column, steps = signal["of_patient"], signal.get("steps", ())
        without = [
            str(row.values.get("patient_id"))
            for row in rows
            if column in row.values and by_patient.at_step(row.values[column], steps) is None
        ]
        if without:
            more = f" and {len(without) - MAX_SHOWN} more" if len(without) > MAX_SHOWN else ""
            lines.append(
                f"derived_signals.{name}: null for {len(without)} of {len(rows)} patients, "
                f"whose {column} is missing{' or below the first step' if steps else ''}: "
                f"{', '.join(without[:MAX_SHOWN])}{more}"
            )
    return lines


def _idle_events(tables: Mapping[str, Rows], files: settings.Files) -> list[str]:
    """Name the kinds of event that change nothing under these settings."""
    read = ("cleaning.rules", "reactivity.not_during")
    if "events" not in tables or not all(settings.is_sound(files, name) for name in read):
        return []
    rows = tables["events"].rows
    kinds = [row.values["event"] for row in rows if row.values.get("event")]
    idle = rules.without_effect(
        kinds,
        rules=rules.from_blocks(at(files.settings, "cleaning", "rules")),
        not_during=at(files.settings, "reactivity", "not_during"),
    )
    return [
        f"{rows[0].file}: '{kind}' ({kinds.count(kind)} rows) changes nothing; "
        "add a rule under cleaning.rules, or leave it so"
        for kind in idle
    ]
