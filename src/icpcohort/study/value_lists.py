"""Value lists: codes of a variable as a data dictionary has them, `1, Male | 2, Female`."""

import json
import re
from collections.abc import Mapping
from typing import Any

_FLAGS = {"yes": "true", "no": "false", "true": "true", "false": "false"}
_CODE = re.compile(r"\s*([^,|]+?)\s*,\s*([^|]+?)\s*")


def expanded(entry: Any) -> tuple[Any, str | None]:
    """Return an entry with its value list as codings, and what of the list has no meaning.

    Each label is one of the entry's levels, whatever its capitals; of a flag it is yes or no.
    An entry without such a list, and a text that is none, stay as they are.

    Parameters
    ----------
    entry : mapping
        Of `variables.yaml`, with the keys that a shipped dictionary states.
    """
    text = entry.get("codings") if isinstance(entry, Mapping) else None
    if not isinstance(text, str):
        return entry, None
    codes = [_CODE.fullmatch(part) for part in text.split("|")]
    if not all(codes):
        return entry, None
    labels = {match[1]: match[2] for match in codes if match}
    levels = entry.get("levels")
    known = {str(level).casefold(): str(level) for level in levels or ()}
    known = known or (_FLAGS if entry.get("kind") == "flag" else {})
    coding = {code: known.get(label.casefold()) for code, label in labels.items()}
    without = [f"{code}, {labels[code]}" for code, level in coding.items() if level is None]
    if not without and len(labels) == len(codes):
        return {**entry, "codings": coding}, None
    left = [level for level in dict.fromkeys(known.values()) if level not in coding.values()]
    block = {code: level or "WHAT_IT_MEANS" for code, level in coding.items()}
    words = (
        f"{' | '.join(without) or 'a code that stands twice'} has no level of its own name; "
        f"levels without a code: {', '.join(left) or 'none'}. Write `codings: "
        f'{json.dumps(block, ensure_ascii=False)}` with a level after each code, "" for missing'
    )
    return {name: value for name, value in entry.items() if name != "codings"}, words
