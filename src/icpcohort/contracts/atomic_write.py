"""Whole files: a file has its name only when all of it is written and on the disk."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

PART = ".part"  # how the name of a file ends that is being written; the name begins with a dot


@contextmanager
def writing(path: str | Path) -> Iterator[Path]:
    """Give the name of an empty file beside `path`; it becomes `path` when the block ends well.

    Until then only its owner can read it, and `path` stays what it was. A block that fails
    leaves nothing; a process that is killed leaves a file that ends in `.part`, which nobody
    reads (`sweep` removes it). Two writers of one file have a part each; the last wins.

    Source: write, flush to the disk, rename: POSIX.1-2017, rename() is atomic and fsync()
    brings data to the device.
    """
    whole = Path(path)
    whole.parent.mkdir(parents=True, exist_ok=True)
    descriptor, name = tempfile.mkstemp(prefix=f".{whole.name}.", suffix=PART, dir=whole.parent)
    part = Path(name)
    try:
        os.close(descriptor)
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.chmod(0o666 & ~_umask())
        part.replace(whole)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write(path: str | Path, content: str | bytes) -> None:
    """Write a text (UTF-8) or bytes as a file that is whole or absent."""
    with writing(path) as part:
        part.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def leftovers(folder: Path) -> list[Path]:
    """Return the parts that killed writers left in a folder and the folders in it."""
    return sorted(folder.rglob(f".*{PART}"))


def sweep(folder: Path) -> None:
    """Remove what killed writers left, when nobody writes there any more."""
    for part in leftovers(folder):
        part.unlink(missing_ok=True)


def _umask() -> int:
    """Return the mask of the process, which can only be read by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
