"""Verification: whether a study's files are still those that the last whole run used."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl
import yaml

from icpcohort import contracts, recordings
from icpcohort.contracts import atomic_write, store
from icpcohort.provenance import checksums, ro_crate
from icpcohort.recordings import places
from icpcohort.study import dictionary, settings, yaml_files
from icpcohort.study.schema import at

MEND = "run the study again, or restore it"


class Verified(NamedTuple):
    """What was compared, and every difference in words."""

    n_files: int
    n_inputs: int
    problems: list[str]


def verify(study: Path, *, schema_folder: Path) -> Verified:
    """Compare the results, the settings, the tables and the recordings with what was noted.

    Every file is read whole. What lies in the results and was not noted is named too.
    `schema_folder` holds the schemas of the settings; the dictionaries lie beside it.
    """
    results = study / "results"
    if not (results / checksums.NAME).is_file():
        return Verified(
            0, 0, [f"{results}: no {checksums.NAME}; no run has come to its end here"]
        )
    try:
        noted = checksums.read(results / checksums.NAME)
    except checksums.SumsError as error:
        return Verified(0, 0, [str(error)])
    differences = _files(results, noted)
    if differences:
        return Verified(len(noted), 0, differences)
    config = _yaml(results / ro_crate.SETTINGS)
    folder = study / config["study"]["folder"]
    differences += _settings(study, results, schema_folder=schema_folder)
    tables = ro_crate.tables_of((results / ro_crate.NAME).read_text(encoding="utf-8"))
    differences += _tables(folder, tables)
    listed = store.read(results / "recordings.parquet", contracts.recordings(config))
    listed = listed.filter(pl.col("reason").ne_missing("left_out"))  # these are not read
    where = places.Places(folder, _roots(study))
    differences += _recordings(where, listed, config["recordings"]["annotation_extensions"])
    return Verified(len(noted), len(tables) + listed.height, differences)


def _files(results: Path, noted: Mapping[str, str]) -> list[str]:
    """Name each file of the results that is missing, changed, or was not noted."""
    there = {
        path.relative_to(results).as_posix()
        for path in results.rglob("*")
        if path.is_symlink() or not path.is_dir()
    } - {checksums.NAME}
    differences = [f"{results / name}: missing; {MEND}" for name in sorted(set(noted) - there)]
    for name in sorted(set(noted) & there):
        path = results / name
        if path.is_symlink():
            differences.append(f"{path}: a link where a file was written; {MEND}")
        elif checksums.of_file(path) != noted[name]:
            differences.append(f"{path}: not the bytes that were written; {MEND}")
    for name in sorted(there - set(noted)):
        what = (
            "left by a writer that was killed"
            if name.endswith(atomic_write.PART)
            else "not of the run"
        )
        differences.append(f"{results / name}: {what}; remove it")
    return differences


def _settings(study: Path, results: Path, *, schema_folder: Path) -> list[str]:
    """Name the files of settings whose values differ from those of the run."""
    pairs = [("config.yaml", ro_crate.SETTINGS), ("models.yaml", ro_crate.PLAN)]
    changed = [
        name
        for name, as_run in pairs
        if _that_count(study / "config" / name) != _yaml(results / as_run)
    ]
    now = dictionary.read(
        study / "config" / dictionary.FILE,
        shipped=schema_folder.parent / "dictionaries",
        schema=yaml_files.read_schema(schema_folder / "variables.schema.json"),
    )
    then = _yaml(results / ro_crate.VARIABLES)
    if now.sections is None or {"dictionaries": []} | now.sections != then:
        changed.append(dictionary.FILE)
    return [
        f"{study / 'config' / name}: other values than those of the run; run the study again"
        for name in changed
    ]


def _that_count(path: Path) -> Any:
    """Return the values of a file without those of one machine, which no run notes."""
    values = _yaml(path)
    return settings.without_places(values) if isinstance(values, dict) else values


def _roots(study: Path) -> dict[str, Path]:
    """Return where the roots of recordings lie now; the run has not noted it."""
    roots = at(_yaml(study / "config" / "config.yaml"), "recordings", "roots")
    return {name: study / root for name, root in (roots or {}).items()}


def _yaml(path: Path) -> Any:
    """Return the values of a file, or None where it holds none that can be read."""
    try:
        return yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, yaml.YAMLError):
        return None


def _tables(folder: Path, noted: Mapping[str, str]) -> list[str]:
    now = checksums.of_files(noted, root=folder)
    return [
        f"{folder / name}: {'changed since it was read' if name in now else 'missing'}; {MEND}"
        for name, digest in noted.items()
        if now.get(name) != digest
    ]


def _recordings(where: places.Places, listed: pl.DataFrame, extensions: list[str]) -> list[str]:
    """Name the recordings that have changed since they were read, or are new, or gone."""
    differences = []
    digests: dict[tuple[Path, ...], str] = {}  # a file of several patients is read once
    for path, kind, digest in (
        listed.select("path", "format", "sha256").sort("path").iter_rows()
    ):
        files = recordings.files_of(
            where.path_of(path), format=kind, within=where, wfdb_extensions=extensions
        )
        if files and tuple(files) not in digests:
            digests[tuple(files)] = recordings.fingerprint(files)
        now = digests.get(tuple(files))
        if now != digest:
            what = "missing" if now is None else "changed since it was read"
            what = "there now, and was not" if digest is None else what
            name = path if where.root_of(path) else where.folder / path
            differences.append(f"{name}: {what}; {MEND}")
    return differences
