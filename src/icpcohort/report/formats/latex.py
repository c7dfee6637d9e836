"""LaTeX: tables for a manuscript, with the three rules of `booktabs`, over pages if need be."""

import re
from collections.abc import Sequence

from icpcohort.report.formats import printable
from icpcohort.report.sections.blocks import GridBlock

SIGNS = str.maketrans(
    {sign: f"\\{sign}" for sign in "&%$#_{}"}
    | {"\\": r"\textbackslash{}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}"}
    | {"`": r"\textasciigrave{}", "<": "$<$", ">": "$>$", "|": "$|$", "−": "$-$"}
    | {"≤": r"$\leq$", "≥": r"$\geq$", "·": r"$\cdot$", "×": r"$\times$", "±": r"$\pm$"}
    | {"[": "{[}", "]": "{]}"}  # after \\ a bracket would be a distance
)
JOINED = re.compile(r"(?<=-)-|(?<=')'|(?<=,),")  # which LaTeX would set as one sign
LONGEST_CELL = 40  # signs after which a column is set as a paragraph


def as_latex(block: GridBlock) -> str:
    r"""Return a table as a `longtable` with caption, label (the table's id) and note.

    The preamble needs `\usepackage{booktabs,longtable,array}`. Where names hold signs beyond
    Latin and the mathematical ones of our own tables, compile with LuaLaTeX or XeLaTeX.

    pandas writes the table; cells reach it escaped, as its own `escape` knows no signs of
    mathematics and no captions.
    """
    import pandas  # slow to import, and only needed here

    head = [_text(text) for text in block.grid.head]
    rows = [[_text(text) for text in row] for row in block.rows()]
    numbered = pandas.DataFrame(rows, columns=range(len(head)))  # two headings may be the same
    style = numbered.style.hide(axis="index")
    style = style.format_index(head.__getitem__, axis="columns")
    text = style.to_latex(
        environment="longtable",
        hrules=True,
        column_format=_columns(block.grid.head, block.rows()),
        caption=_text(block.grid.caption),  # LaTeX counts by itself
        label=block.id,
    )
    note = _text(block.grid.note)
    return f"{text.rstrip()}\n{{\\footnotesize {note}\\par}}\n" if note else str(text)


def _text(words: str) -> str:
    """Return a text that LaTeX sets as it stands, on one line."""
    line = " ".join(printable.text(words, keep="\t\n\r").split()).translate(SIGNS)
    return JOINED.sub(lambda sign: f"{{}}{sign[0]}", line)


def _columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return the columns: as wide as their text, or a paragraph where it would be too wide."""
    longest = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    width = f"p{{{0.9 / len(head):.2f}\\textwidth}}"
    return "".join("l" if n <= LONGEST_CELL else width for n in longest)
