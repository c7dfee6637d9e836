"""Printable text: a text from the data without the characters that a document cannot hold."""

import unicodedata

REPLACEMENT = "\ufffd"
NOT_CHARACTERS = ("\ufffe", "\uffff")


def text(words: str, *, keep: str = "") -> str:
    """Return `words` with what no document may hold replaced by the replacement character.

    Control characters but those of `keep`, halves of surrogate pairs, and U+FFFE and U+FFFF.

    Source: XML 1.0, section 2.2, whose characters Word needs; we also refuse U+007F to U+009F.
    """
    return "".join(
        sign
        if sign in keep
        else REPLACEMENT
        if unicodedata.category(sign) in ("Cc", "Cs") or sign in NOT_CHARACTERS
        else sign
        for sign in words
    )
