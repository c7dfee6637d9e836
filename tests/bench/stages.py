"""Stages: which share of our computing time goes into which step."""

import importlib
import inspect
import time
from collections import defaultdict
from pathlib import Path

import run

# A function's time is its own: what another stage takes inside it counts there.
STAGES = {
    "read": ("recordings.examine:examine", "recordings:read_chunks", "recordings:fingerprint"),
    "cells, masks, accounts": (
        "signals.cells:align",
        "signals.trends:_Track.add",
        "signals.trends:_Track.finish",
    ),
    "AMP": ("signals.pulse_blocks:of_stretch",),
    "block means": (
        "signals.trends:_block_sums",
        "signals.trends:_Track._blocks",
        "signals.trends:_trends",
    ),
    "indices": ("indices.reactivity:to_minutes",),
    "burden": ("exposures.burden:add_up",),
    "CPPopt": ("indices.cppopt:for_minutes",),
}


class Stopwatch:
    """Adds up CPU seconds by stage."""

    def __init__(self) -> None:
        self.seconds: defaultdict[str, float] = defaultdict(float)
        self._running, self._since_s = ["outside"], time.process_time()

    def enter(self, stage: str) -> None:
        """Begin a stage inside the one that runs."""
        self._count()
        self._running.append(stage)

    def leave(self) -> None:
        """End the innermost stage."""
        self._count()
        self._running.pop()

    def _count(self) -> None:
        now_s = time.process_time()
        self.seconds[self._running[-1]] += now_s - self._since_s
        self._since_s = now_s

    def around(self, function, stage: str):
        """Return a function, or a generator, whose time counts for a stage."""

        def called(*arguments, **named):
            self.enter(stage)
            try:
                return function(*arguments, **named)
            finally:
                self.leave()

        def generated(*arguments, **named):
            left = function(*arguments, **named)
            step = self.around(next, stage)
            while (item := step(left, self)) is not self:
                yield item

        return generated if inspect.isgeneratorfunction(function) else called


def shares(path: Path) -> None:
    """Print the share of each stage in the outputs that are compared."""
    watch = Stopwatch()
    for stage, names in STAGES.items():
        for name in names:
            module, _, inside = name.partition(":")
            *owners, last = inside.split(".")
            owner = importlib.import_module(f"icpcohort.{module}")
            for part in owners:
                owner = getattr(owner, part)
            setattr(owner, last, watch.around(getattr(owner, last), stage))
    run.settings(), run.settings("presets")
    watch.around(run.ours, "other")(path)
    spent_s = [watch.seconds[stage] for stage in (*STAGES, "other")]
    words = (f"{s} {t / sum(spent_s):.0%}" for s, t in zip(STAGES, spent_s, strict=False))
    print(", ".join(words), f"and {spent_s[-1] / sum(spent_s):.0%} other")
