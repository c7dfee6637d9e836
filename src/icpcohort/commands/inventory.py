"""Inventory: the headers of a study's recordings summed up, as plain text."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from icpcohort.commands import left_out
from icpcohort.commands.check_tables import Opened, overlaps, placed
from icpcohort.contracts import declared_signals
from icpcohort.recordings import FORMATS
from icpcohort.recordings.channels import split_label
from icpcohort.study.tables import Rows

TIERS = ("waveform", "seconds", "ten_seconds", "minutes", "hourly")
N_NAMED = 10


def lines(
    tables: Mapping[str, Rows], opened: Sequence[Opened], *, declared: Mapping[str, Any]
) -> list[str]:
    """Return counts of the tables, recordings and hours by tier and format, and what is rare.

    Parameters
    ----------
    tables : as `study.read_rows` gives them, without problems
    opened : the recordings whose headers could be read
    declared : the section `signals` of the settings
    """
    n_rows = {
        name: f"{len(table.rows)} {name}"
        for name, table in tables.items()
        if name != "left_out"
    }
    n_left_out = left_out.counts(tables)
    n_read = len(tables["recordings"].rows) - n_left_out.get("recordings", 0)
    if n_unused := n_read - len(opened):
        n_rows["recordings"] += f" ({n_unused} cannot be used)"
    for name, n in n_left_out.items():
        n_rows[name] += f" ({n} left out by the group)"
    counts = [", ".join(n_rows.values())]
    if not opened:
        return counts
    label = declared_signals.labels(declared)
    overlapping = overlaps(placed(opened))
    pairs = [pair for pair in overlapping if _share_a_signal(pair[0], pair[1])]
    shared_h = sum(shared_s for *_, shared_s in pairs) / 3600
    return [
        *counts,
        "",
        *_by_tier_and_format(opened),
        "",
        *(f"sampling of {label[name]}: {_rates(_of_signal(opened, name))}" for name in label),
        *(
            f"channels read as {label[name]}: {_channels(opened, name)}"
            for name, signal in declared["signals"].items()
            if signal.get("if_several") == "first_named"
        ),
        *(
            f"patients without {label[name]}: {_named(_without(opened, name))}"
            for name in label
            if name != next(iter(label)) or _without(opened, name)
        ),
        f"recordings of one patient that overlap: {_overlap(len(pairs), shared_h)}",
        *_joined([p for p in overlapping if not _share_a_signal(p[0], p[1])]),
    ]


def _share_a_signal(one: Opened, other: Opened) -> bool:
    return bool(one.about.signals.keys() & other.about.signals.keys())


def _joined(pairs: Sequence[tuple[Opened, Opened, float]]) -> list[str]:
    """Return how many recordings are joined, since each has signals that the other lacks."""
    if not pairs:
        return []
    shared_h = sum(shared_s for *_, shared_s in pairs) / 3600
    return [f"recordings of different signals joined: {_overlap(len(pairs), shared_h)}"]


def _by_tier_and_format(opened: Sequence[Opened]) -> list[str]:
    """Return a table of recordings and their hours, with sums, aligned by spaces."""
    tiers = [t for t in TIERS if any(one.about.tier == t for one in opened)]
    formats = [f for f in FORMATS if any(one.about.format == f for one in opened)]
    table = [["recordings (hours)", *formats, "all"]]
    for tier in [*tiers, "all"]:
        of_tier = [one for one in opened if tier in (one.about.tier, "all")]
        table.append(
            [tier, *(_cell([o for o in of_tier if o.about.format == f]) for f in formats)]
        )
        table[-1].append(_cell(of_tier))
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    return [
        "  ".join(
            text.rjust(width) if i else text.ljust(width)
            for i, (text, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in table
    ]


def _cell(some: Sequence[Opened]) -> str:
    hours = sum(one.about.duration_s for one in some) / 3600
    return f"{len(some)} ({hours:.1f})" if some else "-"


def _rates(rates_hz: Sequence[float | None]) -> str:
    """Return how often each rate occurs, the fastest first; below 1 Hz as an interval."""
    counts = Counter(round(rate_hz, 9) for rate_hz in rates_hz if rate_hz is not None)
    counted = []
    for rate_hz in sorted(counts, reverse=True):
        rate = f"{rate_hz:.5g} Hz" if rate_hz >= 1 else f"every {1 / rate_hz:.5g} s"
        counted.append(f"{rate} ({counts[rate_hz]})")
    if None in rates_hz:
        counted.append(f"none ({rates_hz.count(None)})")
    return ", ".join(counted)


def _channels(opened: Sequence[Opened], signal: str) -> str:
    """Return how often each channel was chosen for a signal, the most frequent first."""
    sources = [one.about.signals[signal] for one in opened if signal in one.about.signals]
    counts = Counter(split_label(source.channel).label for source in sources)
    return ", ".join(f"{name} ({n})" for name, n in counts.most_common()) or "none"


def _of_signal(opened: Sequence[Opened], signal: str) -> list[float | None]:
    sources = [one.about.signals.get(signal) for one in opened]
    return [source.fs_hz if source else None for source in sources]


def _without(opened: Sequence[Opened], signal: str) -> list[str]:
    having = {one.row.values["patient_id"] for one in opened if signal in one.about.signals}
    return sorted({one.row.values["patient_id"] for one in opened} - having)


def _named(patients: Sequence[str]) -> str:
    if not patients:
        return "none"
    more = f", ... and {len(patients) - N_NAMED} more" if len(patients) > N_NAMED else ""
    return f"{len(patients)} ({', '.join(patients[:N_NAMED])}{more})"


def _overlap(n_pairs: int, shared_h: float) -> str:
    return f"{n_pairs} pair(s), {shared_h:.1f} h" if n_pairs else "none"
