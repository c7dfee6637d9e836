"""Annotations: what somebody marked in a recording, and when. What a text means is not said."""

from collections.abc import Sequence
from dataclasses import dataclass

from icpcohort.recordings.chunks import MAX_DURATION_S, RecordingError


@dataclass(frozen=True, slots=True)
class Annotation:
    """One annotation; times count from the recording's first sample.

    `end_s` equals `start_s` for a moment, and is None for an interval that was opened and not
    closed.
    """

    start_s: float
    end_s: float | None
    text: str


def in_order(annotations: Sequence[Annotation], *, where: str) -> list[Annotation]:
    """Return annotations in the order of time.

    Raises
    ------
    RecordingError
        `bad_annotations` for a time that no recording has.
    """
    for one in annotations:
        for t_s in (one.start_s, one.start_s if one.end_s is None else one.end_s):
            if not abs(t_s) <= MAX_DURATION_S:
                raise RecordingError(
                    "bad_annotations",
                    f"{where}: an annotation at {t_s:g} s; restore the file or correct it",
                )
    return sorted(annotations, key=lambda one: one.start_s)


def decoded(text: bytes) -> str:
    """Return the words of an annotation: UTF-8, or Latin-1 where it is not."""
    try:
        words = text.decode("utf-8")
    except UnicodeDecodeError:
        words = text.decode("latin-1")
    return words.strip("\0 \t\r\n")
