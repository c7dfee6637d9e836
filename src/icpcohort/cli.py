"""Command line: simulate a cohort, begin a study, check one. `main` is the entry point."""

import argparse
import json
import re
import sys
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import icpcohort

REPOSITORY = Path(__file__).resolve().parents[2]
MARKER = "SIMULATED"


class UsageError(Exception):
    """What was asked for cannot be done; the text says why, and what to do."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 a study's problems, 2 bad usage."""
    options = _parser().parse_args(arguments)
    try:
        code: int = options.run(options)
    except UsageError as error:
        print(f"icpcohort {options.command}: {error}", file=sys.stderr)
        return 2
    except OSError as error:
        print(
            f"icpcohort {options.command}: {error.filename or 'a file'}: "
            f"{error.strerror or error}; look at the path, its permissions and the free space",
            file=sys.stderr,
        )
        return 2
    except KeyboardInterrupt:
        print(f"icpcohort {options.command}: interrupted", file=sys.stderr)
        return 130
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="icpcohort",
        description="Retrospective cohort studies of intracranial pressure. Research use on "
        "recorded data only. The workflow itself is run with snakemake.",
    )
    parser.add_argument("--version", action="version", version=icpcohort.__version__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    simulate = commands.add_parser("simulate", help="write a simulated cohort to try things on")
    simulate.add_argument("folder", type=Path, help="new or empty, or simulated earlier")
    simulate.add_argument("--patients", type=_count, default=120, metavar="N")
    simulate.add_argument("--waveforms", type=_count, default=14, metavar="N")
    for name, hours in (("--waveform-hours", (12.0, 24.0)), ("--numeric-hours", (36.0, 96.0))):
        simulate.add_argument(
            name, type=_hours, nargs=2, default=hours, metavar=("SHORTEST", "LONGEST")
        )
    simulate.add_argument("--seed", type=_count, default=20, metavar="N")
    simulate.add_argument("--processes", type=_count, default=2, metavar="N")
    simulate.set_defaults(run=_simulate)

    new = commands.add_parser("new", help="write a study folder to fill in")
    new.add_argument("study", type=Path, help="folder of the study")
    new.set_defaults(run=_new)

    check = commands.add_parser("check", help="list all problems of a study before it is run")
    check.add_argument("study", type=Path, help="folder that holds config/")
    check.set_defaults(run=_check)
    return parser


def _count(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from 0")
    return int(text)


def _hours(text: str) -> float:
    if not re.fullmatch(r"[0-9]{1,5}(\.[0-9]+)?", text) or float(text) == 0:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of hours above 0")
    return float(text)


# --- simulate ----------------------------------------------------------------------------


def _simulate(options: argparse.Namespace) -> int:
    """Write a simulated cohort, unless the same one is there already."""
    folder: Path = options.folder
    wanted = _simulation(options)
    marker = folder / MARKER
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder")
    if folder.is_dir() and any(folder.iterdir()):
        written = _written_earlier(folder)
        stray = sorted(_files_in(folder) - set(written["files"]))
        if written["made_by"] == wanted and not set(written["files"]) - _files_in(folder):
            print(f"{folder}: the same cohort is there already; nothing to do")
            return 0
        if stray:
            raise UsageError(
                f"{folder} holds {len(stray)} file(s) that no complete simulation wrote, such "
                f"as {stray[0]} (an interrupted one leaves some); remove them, or "
                "name another folder"
            )
        for name in _files_in(folder):
            (folder / name).unlink()
    from icpcohort import simulate  # loads the signal libraries

    folder.mkdir(parents=True, exist_ok=True)
    marker.write_text(json.dumps({"made_by": None, "files": []}) + "\n", encoding="utf-8")
    simulate.write_cohort(
        folder,
        n_patients=options.patients,
        n_waveforms=options.waveforms,
        waveform_h=tuple(options.waveform_hours),
        numeric_h=tuple(options.numeric_hours),
        seed=options.seed,
        n_processes=options.processes,
        progress=print,
    )
    account = {"made_by": wanted, "files": sorted(_files_in(folder))}
    marker.write_text(json.dumps(account, indent=1) + "\n", encoding="utf-8")
    return 0


def _simulation(options: argparse.Namespace) -> dict[str, Any]:
    """Return what decides every byte of the cohort; the number of processes does not."""
    for name in ("waveform_hours", "numeric_hours"):
        shortest, longest = getattr(options, name)
        if shortest > longest:
            raise UsageError(
                f"--{name.replace('_', '-')}: {shortest:g} is longer than {longest:g}; "
                "write the shortest first"
            )
    if options.patients < 1 or options.processes < 1:
        raise UsageError("--patients and --processes: write at least 1")
    if options.waveforms > options.patients:
        raise UsageError(
            f"--waveforms: {options.waveforms} of {options.patients} patients; write at most "
            f"{options.patients}"
        )
    return {
        "version": icpcohort.__version__,
        "patients": options.patients,
        "waveforms": options.waveforms,
        "waveform_hours": list(options.waveform_hours),
        "numeric_hours": list(options.numeric_hours),
        "seed": options.seed,
    }


def _written_earlier(folder: Path) -> dict[str, Any]:
    try:
        written: dict[str, Any] = json.loads((folder / MARKER).read_text(encoding="utf-8"))
        return {
            "made_by": written["made_by"],
            "files": [str(name) for name in written["files"]],
        }
    except FileNotFoundError:
        raise UsageError(
            f"{folder} is not empty and was not written by this command; name another folder"
        ) from None
    except (ValueError, TypeError, KeyError):
        raise UsageError(
            f"{folder / MARKER} cannot be read; remove the folder, or name another"
        ) from None


def _files_in(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.name != MARKER and not path.is_dir()
    }


# --- new ---------------------------------------------------------------------------------


def _new(options: argparse.Namespace) -> int:
    """Write a study folder to fill in; nothing is overwritten."""
    from icpcohort import study_folder

    study: Path = options.study
    try:
        texts = study_folder.texts(title=study.resolve().name, repository=REPOSITORY)
    except study_folder.NoCheckout as error:
        raise UsageError(str(error)) from error
    present = [name for name in texts if (study / name).exists()]
    if present:
        raise UsageError(
            f"{study} holds {', '.join(present)} already and nothing is overwritten; "
            "name another folder"
        )
    for name, text in texts.items():
        path = study / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    print(f"{study}: fill in the four tables as README.md says, then: make check STUDY={study}")
    return 0


# --- check -------------------------------------------------------------------------------


def _check(options: argparse.Namespace) -> int:
    """Print every problem of a study in one list, or what was found in it."""
    from icpcohort import settings as settings_files
    from icpcohort import study as study_tables

    folder: Path = options.study
    config = folder / "config"
    if not config.is_dir():
        raise UsageError(
            f"{folder} has no folder config; name the folder that holds it, or begin one: "
            f"icpcohort new {folder}"
        )
    try:
        settings, _ = settings_files.load(
            config / "config.yaml",
            config / "models.yaml",
            schema_folder=REPOSITORY / "workflow" / "schemas",
        )
        own = settings["study"] | {"folder": str(folder / settings["study"]["folder"])}
        settings = settings | {"study": own}
        study = study_tables.read_study(settings)
    except settings_files.SettingsError as error:
        return _listed(
            error.problems, then="the tables are looked at once the settings are right"
        )
    except study_tables.StudyError as error:
        return _listed(
            str(error).splitlines(),
            n=len(error.problems),
            then="the recordings are looked at once the tables are right",
        )
    for line in [*study_tables.unread(settings), *_idle_events(study, settings)]:
        print(f"note: {line}")
    return _check_recordings(study, settings)


def _idle_events(study: Any, settings: dict[str, Any]) -> list[str]:
    """Name the kinds of event that change nothing under these settings."""
    from icpcohort import cleaning

    kinds = study.events["event"].to_list()
    idle = cleaning.without_effect(
        kinds,
        rules=settings["cleaning"]["rules"],
        not_during=settings["reactivity"]["not_during"],
    )
    return [
        f"{settings['study']['events']}: '{kind}' ({kinds.count(kind)} rows) changes nothing; "
        "add a rule under cleaning.rules, or leave it so"
        for kind in idle
    ]


def _check_recordings(study: Any, settings: dict[str, Any]) -> int:
    from icpcohort import recordings

    found: list[str] = []
    n_of_tier: dict[str, int] = defaultdict(int)
    hours_of_tier: dict[str, float] = defaultdict(float)
    names = settings["recordings"]
    folder = Path(settings["study"]["folder"])
    for row in study.recordings.iter_rows(named=True):
        path = folder / row["path"]
        try:
            with recordings.unchanged(path, format=row["format"], folder=folder):
                about = recordings.describe(
                    path,
                    format=row["format"],
                    icp_channel=row["icp_channel"],
                    abp_channel=row["abp_channel"],
                    icp_unit=row["icp_unit"],
                    abp_unit=row["abp_unit"],
                    icp_aliases=names["icp_channels"],
                    abp_aliases=names["abp_channels"],
                    time_column=names["time_column"],
                    clock_zone=row.get("clock_zone"),
                )
        except recordings.RecordingError as error:
            found.append(
                f"{row['recording_id']} ({row['path']}), {error.reason}: {error.detail}"
            )
            continue
        n_of_tier[about.tier] += 1
        hours_of_tier[about.tier] += about.duration_s / 3600
    if found:
        return _listed(
            found, then="such recordings are left out with their reason when it is run"
        )
    tiers = ", ".join(
        f"{n} {tier} ({hours_of_tier[tier]:.1f} h)" for tier, n in sorted(n_of_tier.items())
    )
    print(f"{study.patients.height} patients, {study.events.height} events")
    print(f"{study.recordings.height} recordings: {tiers}")
    return 0


def _listed(problems: Sequence[str], *, then: str, n: int | None = None) -> int:
    print("\n".join(problems), file=sys.stderr)
    print(f"{n or len(problems)} problem(s); {then}", file=sys.stderr)
    return 1
