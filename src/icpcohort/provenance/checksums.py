"""Checksums: SHA256SUMS, a fingerprint of every file of the results, for `sha256sum -c`.

Source: FIPS 180-4 for SHA-256; the text as GNU coreutils writes it.
"""

import hashlib
import re
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

NAME = "SHA256SUMS"


class SumsError(ValueError):
    """The file of checksums cannot be used; the text says where it is wrong and what to do."""


def of_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def of_files(names: Iterable[str], *, root: Path) -> dict[str, str]:
    """Return the SHA-256 of each file that exists, by its name below `root`, sorted.

    A folder stands for the files in it.
    """
    files = {
        file
        for name in names
        for file in ([root / name] if (root / name).is_file() else (root / name).rglob("*"))
        if file.is_file()
    }
    return {file.relative_to(root).as_posix(): of_file(file) for file in sorted(files)}


def as_text(digests: Mapping[str, str]) -> str:
    """Return the text of the file, one line per name."""
    return "".join(f"{digests[name]}  {name}\n" for name in sorted(digests))


def read(path: Path) -> dict[str, str]:
    """Return the SHA-256 by name.

    Raises
    ------
    SumsError
        At a line that is none, names a file twice, or one outside the folder.
    """
    checksums: dict[str, str] = {}
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):
        match = re.fullmatch(r"([0-9a-f]{64})  (\S.*)", line.decode("utf-8", "replace"))
        name = match[2] if match else ""
        parts = PurePosixPath(name)
        if not match or parts.is_absolute() or ".." in parts.parts or name in checksums:
            raise SumsError(
                f"{path} line {number}: no sum of a file in this folder; remove the file and "
                "run the study again"
            )
        checksums[name] = match[1]
    return checksums
