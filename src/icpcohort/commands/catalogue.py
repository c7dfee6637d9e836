"""Catalogue: the list of every table and column of the demo study, for the repository.

`python -m icpcohort.commands.catalogue > results/README.md` writes it, from the checkout.
"""

from pathlib import Path

from icpcohort.contracts import readme
from icpcohort.study import settings


def text(checkout: Path) -> str:
    """Return `results/README.md` as a run with the settings of the checkout writes it."""
    config = checkout / "config"
    asked, _ = settings.load(
        config / "config.yaml",
        config / "models.yaml",
        schema_folder=checkout / "workflow/schemas",
    )
    return readme.as_markdown(asked)


if __name__ == "__main__":
    print(text(Path()), end="")
