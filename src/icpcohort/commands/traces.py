"""Traces: which files name a patient, in their path or inside.

A name counts as a whole word between what is no letter and no digit: `P1` is found in
`recordings/P1_day2.edf` and not in `P10`. Rather one file too many is found than one too few.
"""

import binascii
import gzip
import os
import re
import zipfile
from base64 import urlsafe_b64decode
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import NamedTuple, Protocol

import polars as pl

CHUNK_BYTES = 1_000_000
RECORDS = ("metadata", "incomplete")  # of Snakemake, each named by a file in base64
DRAWN = (".png", ".pdf")  # draw text, if any; the SVG beside them has it as text
ZIPPED = (".docx", ".xlsx", ".zip")


class Unreadable(Exception):  # noqa: N818 (what the file is)
    """A file cannot be looked into; the text says why."""


class Readable(Protocol):
    """A file that is open."""

    def read(self, size: int, /) -> bytes:
        """Return the next bytes, at most so many; none at the end."""
        ...


class Sought(NamedTuple):
    """Names that are looked for: as whole words, and anywhere in what is no text."""

    words: re.Pattern[bytes]
    anywhere: re.Pattern[bytes]
    longest: int

    def are_in(self, text: str) -> bool:
        """Return whether a text holds any of the names."""
        return self.words.search(text.encode(errors="surrogateescape")) is not None


def sought(names: Collection[str], *, of_words: str = "A-Za-z0-9") -> Sought:
    """Return what finds any of the names; `of_words` are the characters that make words."""
    either = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    words = re.compile(rf"(?<![{of_words}])(?:{either})(?![{of_words}])".encode())
    longest = max(len(name.encode()) for name in names)
    return Sought(words, re.compile(either.encode()), longest)


def files_below(folder: Path, *, without: Collection[str] = ()) -> Iterator[Path]:
    """Yield every file below a folder, sorted; links are yielded and not followed.

    Folders whose name is among `without` are passed over.
    """
    for place, folders, names in os.walk(folder):
        here = Path(place)
        links = [name for name in folders if (here / name).is_symlink()]
        folders[:] = sorted(set(folders) - set(links) - set(without))
        yield from (here / name for name in sorted([*names, *links]))


def target_of(record: Path, *, snakemake: Path) -> str | None:
    """Return the file that a record of Snakemake is of; None where it is no record.

    A long name is in pieces, all but the last of them folders that begin with `@`.
    """
    parts = record.relative_to(snakemake).parts
    if parts[0] not in RECORDS:
        return None
    text = "".join(part.removeprefix("@") for part in parts[1:])
    try:
        return urlsafe_b64decode(text).decode()
    except (binascii.Error, UnicodeDecodeError):
        return None


def is_named_in(path: Path, sought: Sought) -> bool:
    """Return whether a file holds a name.

    Of Parquet and Feather the texts count, of an archive its members. Drawn pictures are not
    looked into. In a file that is no text a name may have anything beside it.

    Raises
    ------
    Unreadable
    """
    kind = path.suffix.lower()
    try:
        if kind in DRAWN:
            return False
        if kind in (".parquet", ".feather"):
            return _in_table(path, sought)
        if kind in ZIPPED:
            return _in_archive(path, sought)
        with gzip.open(path) if kind == ".gz" else path.open("rb") as file:
            return _in_stream(file, sought)
    except (OSError, EOFError, zipfile.BadZipFile, pl.exceptions.PolarsError) as error:
        raise Unreadable(str(error).split("\n")[0]) from error


def _in_table(path: Path, sought: Sought) -> bool:
    scan = pl.scan_parquet if path.suffix.lower() == ".parquet" else pl.scan_ipc
    texts = scan(path).select(pl.col(pl.String, pl.Categorical, pl.List(pl.String))).collect()
    return any(
        sought.are_in(str(value)) for name in texts.columns for value in texts[name].unique()
    )


def _in_archive(path: Path, sought: Sought) -> bool:
    with zipfile.ZipFile(path) as archive:
        for member in archive.infolist():
            if sought.are_in(member.filename):
                return True
            with archive.open(member) as file:
                if _in_stream(file, sought):
                    return True
    return False


def _in_stream(file: Readable, sought: Sought) -> bool:
    """Search piece by piece; what two pieces share is longer than any name.

    A word at the end of a piece may go on in the next, where it is looked at again.
    """
    before = b""
    while chunk := file.read(CHUNK_BYTES):
        text = before + chunk
        if b"\0" in text and sought.anywhere.search(text):
            return True
        for found in sought.words.finditer(text):
            if found.end() < len(text) and (found.start() > 0 or not before):
                return True
        before = text[-sought.longest - 2 :]
    return any(found.end() == len(before) for found in sought.words.finditer(before))
