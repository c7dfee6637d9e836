"""Noted rules: time that somebody noted: an event, an annotation, the log of monitors."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np

from icpcohort.contracts import EVENT_KINDS
from icpcohort.contracts.setting import OF_THE_STUDY, Setting
from icpcohort.signals.cells import Cells
from icpcohort.signals.intervals import MONITOR_KINDS
from icpcohort.signals.rules.rule import Events, Flags, Rule


@dataclass(frozen=True, kw_only=True)
class Event(Rule):
    """Masks the time of an interval that was noted: event, annotation, log of monitors."""

    kind: ClassVar[str] = "event"

    event: Annotated[
        str,
        Setting(
            "Kind of interval that the rule masks; the last three come from the log of "
            "monitors",
            OF_THE_STUDY,
            "drain_open",
            one_of=(*EVENT_KINDS, *MONITOR_KINDS),
        ),
    ]
    settle_s: Annotated[
        float,
        Setting(
            "Also masked after the event's end, in seconds",
            "common practice, no source: 5 to 30 min after drainage is usual (from memory, "
            "medium)",
            600.0,
            at_least=0,
            at_most=86400,
        ),
    ]

    @property
    def name(self) -> str:
        """Return the kind of the rule and of the event."""
        return f"{self.kind}: {self.event}"

    @property
    def reason(self) -> str:
        """Return the kind of the event."""
        return self.event

    def flags(self, cells: Cells, events: Events) -> Flags:
        """Flag cells that overlap an event of the rule's kind, or the `settle_s` after it."""
        flags = np.zeros(cells.t_s.size, np.bool_)
        for event in events:
            if event["event"] == self.event:
                end_s = np.inf if event["end_s"] is None else event["end_s"] + self.settle_s
                flags |= (cells.t_s < end_s) & (cells.t_s + cells.width_s > event["start_s"])
        return flags

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return 0.0, 0.0

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        after = f" and the {self.settle_s:g} s after" if self.settle_s else ""
        return f"during '{self.event.replace('_', ' ')}'{after}"
