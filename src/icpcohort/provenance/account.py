"""Run account: what made the results of a study, in one place, and as a page to read."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import jinja2
import polars as pl

from icpcohort.provenance import checksums


class Recording(NamedTuple):
    """A listed recording: path below the study's folder, and its fingerprint when read."""

    path: str
    format: str
    sha256: str | None  # of its files, joined in the order of their names; None: not readable


@dataclass(frozen=True)
class Account:
    """What made the results; paths are relative, and name neither a user nor a machine."""

    title: str
    settings: Mapping[str, Any]
    models: Mapping[str, Any]
    versions: Mapping[str, str]
    code: str  # fingerprint of the code of all rules
    command: str
    started: str  # of the last call that had something to do, UTC
    ended: str
    tables: Mapping[str, str]  # SHA-256 by path
    recordings: Sequence[Recording]
    files: dict[str, str]  # SHA-256 by name below results/


def recordings_of(table: pl.DataFrame) -> list[Recording]:
    """Return the fingerprints of recordings as they were read. `table` is RECORDINGS.

    Those that the group leaves out are not read, and none of what a run rests on.
    """
    read = table.filter(pl.col("reason").ne_missing("left_out"))
    columns = read.sort("path", "recording_id").select("path", "format", "sha256")
    return [Recording(*row) for row in columns.iter_rows()]


def of_tables(names: Sequence[str], *, folder: str) -> dict[str, str]:
    """Return the SHA-256 of the study's own tables, by name below its folder."""
    return checksums.of_files(names, root=Path(folder))


def page(account: Account, *, template: str) -> str:
    """Return the account as the text of an HTML page, which lies beside the results."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    text = environment.from_string(template).render(
        account=account,
        n_unread=sum(recording.sha256 is None for recording in account.recordings),
    )
    return text.rstrip("\n") + "\n"
