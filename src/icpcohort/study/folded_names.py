"""Folded names: names of columns that differ from ours in their writing alone."""

import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from icpcohort.contracts import Column

_BRACKET = re.compile(r"[(\[{][^()\[\]{}]*[)\]}]\s*$")


class Folded(NamedTuple):
    """Columns that were found by a name that is written in another way."""

    names: dict[str, str]  # ours -> theirs; the first where two fit
    problems: list[tuple[str, str]]  # place and words, where two columns fit


def folded(name: str) -> str:
    """Return a name without capitals, accents and blanks; `Patient-ID` is `patient_id`."""
    letters = unicodedata.normalize("NFKD", name.casefold())
    plain = "".join(sign for sign in letters if not unicodedata.combining(sign))
    return re.sub(r"[\W_]+", "_", plain).strip("_")


def same(name: str, header: Collection[str]) -> str:
    """Return how a name stands in a header: as it is, or else as the only one folded alike."""
    alike = [other for other in header if folded(other) == folded(name)]
    return alike[0] if name not in header and len(alike) == 1 else name


def _writings(theirs: str, column: Column) -> set[str]:
    """Return what a name may be folded to.

    What stands in a bracket at its end is left away where the column has no unit: elsewhere
    it is the unit, and must be ours.
    """
    whole = folded(theirs)
    return {whole} if column.unit else {whole, folded(_BRACKET.sub("", theirs))}


def found(
    header: Sequence[str],
    columns: Mapping[str, Column],
    *,
    names: Mapping[str, str],
    taken: Collection[str],
) -> Folded:
    """Return the columns of a file that are ours once both names are folded.

    Parameters
    ----------
    header : sequence of str
        Names in the file.
    columns : mapping
        Our columns by name. One that is in the file exactly as it should be is passed over.
    names : mapping
        Names that the study states: ours -> theirs.
    taken : collection of str
        Names in the file that are something else.
    """
    exact = {names.get(ours, ours) for ours in columns}
    free = [name for name in dict.fromkeys(header) if name and name not in {*exact, *taken}]
    result = Folded({}, [])
    for ours, column in columns.items():
        asked = names.get(ours, ours)
        if asked in header:
            continue
        fitting = [name for name in free if folded(asked) in _writings(name, column)]
        if fitting:
            result.names[ours] = fitting[0]
        free = [name for name in free if name not in fitting]
        if len(fitting) > 1:
            shown = " and ".join(f"'{name}'" for name in fitting)
            words = f"{shown} are both written like it; rename all but one"
            result.problems.append((f"column {ours}", words))
    return result
