"""The columns that results/README.md gives to a table, in it or in a table that it names."""

import re


def columns_of(text: str, path: str) -> list[str]:
    """Return the columns that the section of a table has, those of the named tables first."""
    section = text.split(f"\n## `{path}`\n")[1].split("\n## ")[0]
    named = re.search(r"^All columns of (.*?)(, and:|\.)$", section, re.MULTILINE)
    others = re.findall(r"\[`([^`]+)`\]", named[1]) if named else []
    shared = [column for other in others for column in columns_of(text, other)]
    rows = [line.split("`")[1] for line in section.splitlines() if line.startswith("| `")]
    return shared + rows
