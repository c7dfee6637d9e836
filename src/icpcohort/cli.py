"""Command line: simulate a cohort; begin, check, run a study. `main` is the entry point."""

import argparse
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path

import icpcohort

REPOSITORY = Path(__file__).resolve().parents[2]
SEEN = "Outcomes had been seen already: the results hold them, and the report will say so."
MIN_SHOWN = 50  # recordings from which on their check is worth a line of progress


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
    except BrokenPipeError:  # who reads has seen enough, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
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
        "recorded data only.",
    )
    parser.add_argument("--version", action="version", version=icpcohort.__version__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    simulate = commands.add_parser(
        "simulate",
        help="write a simulated cohort to try things on",
        description="Write an invented cohort with its truth: patients, events, monitors and "
        "recordings, with waveforms for some and numbers for all. The same seed gives the same "
        "files.",
    )
    simulate.add_argument("folder", type=Path, help="new or empty, or simulated earlier")
    simulate.add_argument(
        "--like",
        choices=("tbi", "sah"),
        default="tbi",
        help="tbi: the tables and recordings of the study that config/ describes. sah: another "
        "study, whole with its settings, numbers once a minute (default: tbi)",
    )
    simulate.add_argument("--patients", type=_count, metavar="N")
    simulate.add_argument("--waveforms", type=_count, metavar="N")
    for name in ("--waveform-hours", "--numeric-hours"):
        simulate.add_argument(name, type=_hours, nargs=2, metavar=("SHORTEST", "LONGEST"))
    simulate.add_argument(
        "--numeric-tier",
        choices=("mixed", "seconds", "ten_seconds", "minutes"),
        help="how often numbers come, for all who have numbers",
    )
    simulate.add_argument("--seed", type=_count, metavar="N")
    simulate.add_argument("--processes", type=_count, metavar="N")
    simulate.set_defaults(run=_simulate)

    new = commands.add_parser(
        "new",
        help="write a study folder to fill in",
        description="Write config/ with every setting explained, and the study's tables with "
        "heads alone.",
    )
    new.add_argument("study", type=Path, help="folder of the study")
    new.add_argument(
        "--like",
        default="tbi",
        help="what the study is about: tbi, sah, ich or plain (default: tbi)",
    )
    new.set_defaults(run=_new)

    check = commands.add_parser(
        "check",
        help="list all problems of a study before it is run",
        description="Read settings, plan, tables and the head of every recording, and list "
        "every problem of all of them with its cure. Nothing is computed or written.",
    )
    check.add_argument("study", type=Path, help="folder that holds config/")
    check.set_defaults(run=_check)

    run = commands.add_parser(
        "run",
        help="run a study, or go on after a run that was stopped",
        description="Make what is missing or out of date in results/, and nothing else. One "
        "run at a time; Ctrl-C stops it cleanly, and the same line goes on.",
    )
    run.add_argument("study", type=Path, help="folder that holds config/")
    run.add_argument(
        "snakemake",
        nargs=argparse.REMAINDER,
        help="given on to snakemake: targets, --cores 4, --workflow-profile, --dry-run, ...",
    )
    run.set_defaults(run=_run)

    listing = commands.add_parser(
        "list",
        help="write the table of recordings from the names of their files",
        description="Add a line to the table of recordings for each file that fits one of "
        "recordings.patterns, with its start where the file states a date. Lines that are "
        "there stay as they are.",
    )
    listing.add_argument("study", type=Path, help="folder that holds config/")
    listing.add_argument(
        "--dry-run", action="store_true", help="show the lines, and write nothing"
    )
    listing.set_defaults(run=_list)

    verify = commands.add_parser(
        "verify",
        help="say whether results and inputs are unchanged",
        description="Hold every file of results/ to the fingerprint that the last run left, "
        "and the study's tables and recordings to those that it read.",
    )
    verify.add_argument("study", type=Path, help="folder that holds config/ and results/")
    verify.set_defaults(run=_verify)
    why = commands.add_parser(
        "why",
        help="explain a patient, a number or a model",
        description="Say where something comes from: a patient's way into or out of each "
        "analysis, one number made again from the stored minutes, or what is behind a model.",
    )
    why.add_argument("study", type=Path, help="folder that holds config/ and results/")
    why.add_argument("name", help="a patient or a model")
    why.add_argument("column", nargs="?", help="of the analysis table: one number of a patient")
    why.add_argument("window", nargs="?", help="of the number; the main one if left out")
    why.set_defaults(run=_why)

    forget = commands.add_parser(
        "forget",
        help="remove every trace of a patient who takes consent back",
        description="Remove whatever below results/, logs/ and .snakemake/ names a patient who "
        "is in the study's tables no longer, and search all that remains. The next run makes "
        "the rest anew.",
    )
    forget.add_argument("study", type=Path, help="folder that holds config/ and results/")
    forget.add_argument("patient", help="identifier of the patient")
    forget.add_argument(
        "--dry-run", action="store_true", help="list what would be removed, and change nothing"
    )
    forget.set_defaults(run=_forget)

    plan = commands.add_parser(
        "plan",
        help="lock the analysis plan before outcomes are seen",
        description="Write plan.lock.json: the settings, the plan, the code and the inputs as "
        "they are now. From then on outcomes are shown, and every report lists what has "
        "changed since. A lock is never written over.",
    )
    plan.add_argument("action", choices=["lock"], help="the one thing to do with it")
    plan.add_argument("study", type=Path, help="folder that holds config/ and results/")
    plan.set_defaults(run=_plan)
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
    from icpcohort.commands import demo, new
    from icpcohort.commands import simulate as simulated_folder

    folder: Path = options.folder
    try:
        asked = demo.asked(options.like, vars(options), repository=REPOSITORY)
        made_by = demo.made_by(asked)
        is_needed = simulated_folder.clear(folder, made_by=made_by)
    except (demo.NotOffered, simulated_folder.NotOurs, new.NoCheckout) as error:
        raise UsageError(str(error)) from error
    if not is_needed:
        print(f"{folder}: the same cohort is there already; nothing to do")
        return 0
    demo.write(asked, folder, progress=print)
    simulated_folder.sign(folder, made_by=made_by)
    return 0


# --- new ---------------------------------------------------------------------------------


def _new(options: argparse.Namespace) -> int:
    """Write a study folder to fill in; nothing is overwritten."""
    from icpcohort.commands import new as study_folder
    from icpcohort.contracts import atomic_write
    from icpcohort.study.schema import suggestion

    study: Path = options.study
    try:
        known = study_folder.begins(REPOSITORY)
        if known and options.like not in known:
            raise UsageError(f"--like {options.like}: {suggestion(options.like, known)}")
        texts = study_folder.texts(
            title=study.resolve().name, like=options.like, repository=REPOSITORY
        )
    except study_folder.NoCheckout as error:
        raise UsageError(str(error)) from error
    present = [name for name in texts if (study / name).exists()]
    if present:
        raise UsageError(
            f"{study} holds {', '.join(present)} already and nothing is overwritten; "
            "name another folder"
        )
    for name, text in texts.items():
        atomic_write.write(study / name, text)
    print(f"{study}: fill in the four tables as README.md says, then: make check STUDY={study}")
    return 0


# --- check -------------------------------------------------------------------------------


def _check(options: argparse.Namespace) -> int:
    """Print every problem of a study in one list, or what was found in it."""
    from icpcohort.commands import check as checking

    folder: Path = options.study
    if not (folder / "config").is_dir():
        raise UsageError(
            f"{folder} has no folder config; name the folder that holds it, or begin one: "
            f"icpcohort new {folder}"
        )
    checked = checking.check(
        folder, schema_folder=REPOSITORY / "workflow" / "schemas", progress=_show_progress
    )
    for line in checked.note_lines() + checked.inventory:
        print(line)
    sys.stdout.flush()  # before the problems, where both go to one place
    for line in checked.problem_lines():
        print(line, file=sys.stderr)
    return 1 if checked.problems else 0


# --- list --------------------------------------------------------------------------------


def _list(options: argparse.Namespace) -> int:
    """Add the files that fit a pattern to the table of recordings, and print the counts."""
    from icpcohort.commands import list_recordings
    from icpcohort.contracts import atomic_write

    try:
        listing = list_recordings.list_recordings(
            options.study,
            schema_folder=REPOSITORY / "workflow" / "schemas",
            progress=_show_progress,
        )
    except list_recordings.NotListed as error:
        raise UsageError(str(error)) from error
    if options.dry_run:
        print(listing.added, end="")
    elif listing.n_added or listing.n_filled:
        atomic_write.write(listing.table, listing.content)
    for line in listing.counts:
        print(line)
    return 0


# --- run ---------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    """Run the workflow on a study, alone in its folder."""
    from icpcohort.commands import run as running

    study: Path = options.study
    if not (study / "config" / "config.yaml").is_file():
        raise UsageError(
            f"{study / 'config' / 'config.yaml'} is not there; say which study, or begin one: "
            f"icpcohort new {study}"
        )
    try:
        return running.run(
            study,
            options.snakemake,
            repository=REPOSITORY,
            say=lambda line: print(line, flush=True),
        )
    except running.NotAlone as error:
        raise UsageError(str(error)) from error


# --- verify ------------------------------------------------------------------------------


def _verify(options: argparse.Namespace) -> int:
    """Print every difference between a study and what its last whole run wrote and read."""
    from icpcohort.commands import verify as verification

    verified = verification.verify(
        options.study, schema_folder=REPOSITORY / "workflow" / "schemas"
    )
    for line in verified.problems:
        print(line, file=sys.stderr)
    if verified.problems:
        return 1
    print(
        f"{options.study}: {verified.n_files} results, the settings and {verified.n_inputs} "
        "tables and recordings are what the last run wrote and read"
    )
    return 0


# --- forget ------------------------------------------------------------------------------


def _forget(options: argparse.Namespace) -> int:
    """Remove the traces of a patient, and say what still names the patient."""
    from icpcohort.commands import forget as forgetting
    from icpcohort.commands.run import NotAlone
    from icpcohort.study import settings

    study, patient_id, is_dry = options.study, options.patient, options.dry_run
    try:
        done = forgetting.forget(
            study, patient_id, repository=REPOSITORY, is_dry=is_dry, say=print
        )
    except (forgetting.Refused, NotAlone, settings.SettingsError) as error:
        raise UsageError(str(error)) from error
    for line in forgetting.lines(done, study=study, patient_id=patient_id, is_dry=is_dry):
        print(line)
    sys.stdout.flush()  # before what is left, where both go to one place
    for line in done.left:
        print(line, file=sys.stderr)
    return 1 if done.left else 0


# --- plan --------------------------------------------------------------------------------


def _plan(options: argparse.Namespace) -> int:
    """Lock the plan of a study that has been run."""
    import datetime

    from icpcohort.commands import lock as locking
    from icpcohort.provenance import plan_lock
    from icpcohort.study import settings
    from icpcohort.study import tables as study

    try:
        lock = locking.lock(
            options.study,
            repository=REPOSITORY,
            today=datetime.date.today().isoformat(),
        )
    except (settings.SettingsError, study.StudyError, plan_lock.LockError) as error:
        raise UsageError(str(error)) from error
    print(
        f"{options.study / plan_lock.FILE}: locked, fingerprint {lock['fingerprint']}\n"
        f"{'No run had shown outcomes.' if lock['was_blinded'] else SEEN}\n"
        "Send the fingerprint to somebody outside the study, and run the study again."
    )
    return 0


# --- why ---------------------------------------------------------------------------------


def _why(options: argparse.Namespace) -> int:
    """Print what the results know of a name, recomputed from the stored tables."""
    from icpcohort.commands.why import answers, results
    from icpcohort.study import settings

    config = options.study / "config"
    try:
        asked, models = settings.load(
            config / "config.yaml",
            config / "models.yaml",
            schema_folder=REPOSITORY / "workflow" / "schemas",
        )
        held = results.read(
            options.study,
            settings=settings.without_places(asked),
            models=models,
            scripts=REPOSITORY / "workflow" / "scripts",
        )
        for line in answers.lines(
            options.name, held, column=options.column, window=options.window
        ):
            print(line)
    except (settings.SettingsError, results.Unknown, results.NotOfOneRun) as error:
        raise UsageError(str(error)) from error
    return 0


def _show_progress(n_done: int, n_all: int) -> None:
    """Show how far a long list is, where somebody watches."""
    if n_all >= MIN_SHOWN and sys.stderr.isatty():
        text = f"{n_done} of {n_all} recordings" if n_done < n_all else ""
        print(f"\r{text:<40}\r", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
