"""Names: how those of channels and columns are compared, and what stands in a bracket."""

import re
import unicodedata
from collections.abc import Callable

ANY = "*"
_BRACKETS = {"]": "[", ")": "(", "}": "{"}


def folded(name: str) -> str:
    """Return a name without what does not count: case, accents, the amount of white space.

    Source: Unicode Standard Annex 15 (NFKD), whose combining marks are left away.
    """
    apart = unicodedata.normalize("NFKD", name.casefold())
    bare = "".join(letter for letter in apart if not unicodedata.combining(letter))
    return " ".join(bare.casefold().split())


def fits(entry: str, name: str) -> bool:
    """Tell whether a name is the one of an entry, in which `*` stands for any letters."""
    parts = folded(entry).split(ANY)
    return re.fullmatch(".*".join(map(re.escape, parts)), folded(name)) is not None


def split_bracket(name: str, *, is_unit: Callable[[str], bool]) -> tuple[str, str | None]:
    """Return a name without the bracket that ends it, and the unit in that bracket.

    The bracket may be square, round or curly. One that holds no unit stays in the name.
    """
    whole = name.strip()
    opening = _BRACKETS.get(whole[-1:])
    start = whole.find(opening) if opening else -1
    while opening and start >= 0:
        inside = whole[start + 1 : -1].strip()
        if is_unit(inside):
            return whole[:start].strip(), inside
        start = whole.find(opening, start + 1)
    return whole, None
