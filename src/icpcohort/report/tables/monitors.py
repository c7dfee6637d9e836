"""Tables of the report about monitors: kinds, days in place, drift, complications."""

import polars as pl

from icpcohort import contracts
from icpcohort.report.tables import descriptive
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.numbers import (
    DECIMALS_FROM_N,
    MISSING,
    format_median,
    format_number,
    format_share,
)

COMPLICATIONS = ("haemorrhage", "infection", "malfunction", "replaced")


def monitor_kinds(monitors: pl.DataFrame) -> Grid:
    """Return kinds of monitor with days in place and drift at removal.

    An unknown kind has its own row. Days are known where insertion and removal are.
    """
    ordered = monitors.with_columns(
        days=(pl.col("removal_h") - pl.col("insertion_h")) / 24
    ).sort("kind", "monitor_id", nulls_last=True)
    rows = [
        _kind_row(words_of(kind), part)
        for (kind,), part in ordered.group_by("kind", maintain_order=True)
    ]
    if len(rows) > 1:
        rows.append(_kind_row("all", ordered))
    head = [
        *("Kind", "Monitors, n", "Patients, n", "In place, days", "Known, n", "Sum, days"),
        *("Drift at removal, mmHg", "Known, n", "Range, mmHg"),
    ]
    note = (
        "Median (IQR). Drift is the reading against atmosphere at removal; days are between "
        "insertion and removal."
    )
    return Grid("Monitors by kind: days in place, and drift at removal", head, rows, note)


def _kind_row(label: str, monitors: pl.DataFrame) -> list[str]:
    drift = monitors["drift_at_removal_mmhg"].drop_nulls()
    days = monitors["days"].drop_nulls()
    ends = [
        format_number(end, decimals=1) for end in (*drift.sort().head(1), *drift.sort().tail(1))
    ]
    return [
        label,
        str(monitors.height),
        str(monitors["patient_id"].n_unique()),
        format_median(days, decimals=1),
        str(days.len()),
        format_number(float(days.sum()), decimals=1) if days.len() else MISSING,
        format_median(drift, decimals=1),
        str(drift.len()),
        " to ".join(ends) or MISSING,
    ]


def complications(monitors: pl.DataFrame) -> Grid:
    """Return complications as n (%) of the monitors about which they are known, and limits."""
    known = (
        {name: monitors[name].drop_nulls() for name in COMPLICATIONS} if monitors.height else {}
    )
    rows = [
        [
            contracts.MONITORS.columns[name].label,
            format_share(int(values.sum()), values.len()),
            str(values.len()),
            *(limits(values, method=method) for method in descriptive.METHODS),
        ]
        for name, values in known.items()
    ]
    head = [
        *("Complication", "Monitors, n (%)", "Known, n"),
        *("95 % CI, Wilson (%)", "95 % CI, exact (%)"),
    ]
    note = (
        "A monitor counts where it is known whether it had the complication. Both intervals "
        "take monitors as independent, also those of one patient; the exact one (Clopper and "
        "Pearson) covers at least 95 % and is wider."
    )
    return Grid("Complications of the monitors", head, rows, note)


def limits(flags: pl.Series, *, method: str) -> str:
    """Return the limits of a share in percent, with the decimals of `format_percent`."""
    if flags.is_empty():
        return MISSING
    decimals = 0 if flags.len() < DECIMALS_FROM_N else 1
    low, high = (
        format_number(100 * limit, decimals=decimals)
        for limit in descriptive.interval(int(flags.sum()), flags.len(), method=method)
    )
    return f"{low} to {high}"


def complications_by_kind(monitors: pl.DataFrame) -> Grid:
    """Return each complication in each kind of monitor, with the exact interval."""
    rows = [
        _complication_row(words_of(kind), name, part[name].drop_nulls())
        for (kind,), part in monitors.sort("kind", nulls_last=True).group_by(
            "kind", maintain_order=True
        )
        for name in COMPLICATIONS
    ]
    head = ["Kind, complication", "Monitors, n (%)", "Known, n", "95 % CI, exact (%)"]
    note = "Kinds were not compared: which patient gets which monitor is no chance."
    return Grid("Complications by kind of monitor", head, rows, note)


def _complication_row(kind: str, name: str, flags: pl.Series) -> list[str]:
    label = contracts.MONITORS.columns[name].label
    return [
        f"{kind}, {label[:1].lower()}{label[1:]}",
        format_share(int(flags.sum()), flags.len()),
        str(flags.len()),
        limits(flags, method="exact"),
    ]
