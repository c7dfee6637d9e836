"""The page of the bibliography: every source, how far it was checked and where it is cited.

`python -m icpcohort.contracts.bibliography_page > docs/bibliography.md` writes it from the
checkout's folder.
"""

from collections.abc import Mapping
from pathlib import Path

from icpcohort.contracts.bibliography import SOURCES, cited_in

HEAD = """\
# Bibliography: every source, by its key

Generated from `src/icpcohort/contracts/bibliography.py`; to renew it:
`python -m icpcohort.contracts.bibliography_page > docs/bibliography.md`.

Code, settings and the methods text of a report name a source by its key. What is `read` was
checked against the original or a second publication; what is `from memory` was not. Where a
single value was checked otherwise than its source, the setting says so. Of some sources only
the first author is named. Published standards (RFC, ISO, the WFDB Applications Guide) are cited
in the code by their own numbers.

| key | citation | status | cited in |
|---|---|---|---|
"""


def as_markdown(files: Mapping[str, str]) -> str:
    """Return `docs/bibliography.md` as text that ends with one line feed.

    Parameters
    ----------
    files : mapping of the name of a file that may cite to its text
    """
    places: dict[str, list[str]] = {key: [] for key in SOURCES}
    for name, text in sorted(files.items()):
        for source in cited_in([text]):
            places[source.key].append(f"`{name}`")
    return HEAD + "".join(
        f"| {key} | {source.citation} | {source.status} | {', '.join(places[key])} |\n"
        for key, source in SOURCES.items()
    )


def files_of(checkout: Path) -> dict[str, str]:
    """Return the text of each file that may cite: code, tests, settings, dictionaries."""
    library = checkout / "src/icpcohort"
    modules = {
        path.relative_to(library).as_posix(): path
        for path in library.rglob("*.py")
        if path.name != "bibliography.py"
    }
    others = {
        path.relative_to(checkout).as_posix(): path
        for pattern in ("tests/reference/*.py", "config/*.yaml", "workflow/dictionaries/*.yaml")
        for path in checkout.glob(pattern)
    }
    return {name: path.read_text("utf-8") for name, path in (modules | others).items()}


if __name__ == "__main__":
    print(as_markdown(files_of(Path(__file__).resolve().parents[3])), end="")
