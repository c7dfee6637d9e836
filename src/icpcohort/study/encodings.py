"""Encodings: how the bytes of a CSV table become text."""

import codecs
import unicodedata
from itertools import pairwise
from typing import Literal

Encoding = Literal["cp1252", "cp1250", "cp850", "mac-roman", "iso8859-15"]
_USUAL = "°µ²³€±½¼‰–’§×·"  # signs beside letters that people write in tables
_GUESSES = ("cp1252", "cp850", "mac-roman")  # of two that fit, the first
_MOST_SHOWN = 8
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


class EncodingError(Exception):
    """The encoding is not known; the text says which may fit."""


def decoded(content: bytes, *, encoding: str) -> str:
    """Return the text of a table.

    Parameters
    ----------
    content : bytes
        UTF-8, or UTF-16 with its mark at the start, is known by itself.
    encoding : str
        Of a table that is neither; empty if the settings do not state one.

    Raises
    ------
    EncodingError
        If the bytes are no text in the encoding, or none is stated.
    """
    try:
        if content.startswith(_UTF_16):
            return content.decode("utf-16")
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if not encoding or content.startswith(_UTF_16):
            raise EncodingError(_advice(content)) from error
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as error:
        raise EncodingError(f"neither UTF-8 nor {encoding}; {_cure(content)}") from error


def _advice(content: bytes) -> str:
    return f"not UTF-8; {_cure(content)}"


def _cure(content: bytes) -> str:
    fitting = [name for name in _GUESSES if _fits(content, name)]
    again = "save the table again as CSV in UTF-8"
    if content.startswith(_UTF_16) or not fitting:
        return again
    others = _others(content.decode(fitting[0]))
    more = " and others" if len(others) > _MOST_SHOWN else ""
    return (
        f"{fitting[0]} fits, with {' '.join(others[:_MOST_SHOWN])}{more} in it: if that is "
        f"right, write in config.yaml under study the line `encoding: {fitting[0]}`; else "
        f"{again}"
    )


def _fits(content: bytes, encoding: str) -> bool:
    """Return whether all signs beyond ASCII are letters, or signs that people write.

    A capital letter within a word is a sign of another encoding.
    """
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        return False
    if any(a.islower() and b.isupper() and not b.isascii() for a, b in pairwise(text)):
        return False
    signs = _others(text)
    return all(unicodedata.category(sign)[0] == "L" or sign in _USUAL for sign in signs)


def _others(text: str) -> list[str]:
    return sorted({sign for sign in text if not sign.isascii()})
