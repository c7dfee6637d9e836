"""Number: one value of one patient made again, and what it rests on, in lines of text."""

import math
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.commands.why import declared
from icpcohort.commands.why.results import NotOfOneRun, Results, Unknown
from icpcohort.contracts import (
    burden_columns,
    declared_indices,
    declared_signals,
    repeated,
    store,
)
from icpcohort.contracts.burden_columns import Threshold
from icpcohort.contracts.columns import unit_words
from icpcohort.exposures import burden, burden_settings, repeated_summary, summary, window
from icpcohort.exposures.window import Window
from icpcohort.indices import index_settings

H_S, MINUTE_S = 3600.0, 60.0
MOST_EPISODES = 20


class Asked(NamedTuple):
    """Whose number is asked for."""

    patient_id: str
    column: str
    window: str


def lines(asked: Asked, results: Results) -> Iterator[str]:
    """Yield a number, how it is made of minutes, and whether the tables say the same.

    Raises
    ------
    Unknown
        If the analysis table has no such column.
    """
    burdens = burden_columns.wide(results.settings)
    if asked.column in burdens:
        yield from _of_burden(asked, results, about=burdens[asked.column].about)
    elif asked.column in contracts.summary(results.settings).columns:
        yield from _of_summary(asked, results)
    elif asked.column in repeated.columns_of_summaries(results.settings):
        yield from _of_repeated(asked, results)
    elif asked.column in contracts.analysis(results.settings).columns:
        yield from _of_declared(asked, results)
    else:
        raise Unknown(f"{asked.column}: no column of the analysis table")


def _minutes(asked: Asked, results: Results) -> pl.DataFrame:
    path = results.folder / "minutes" / f"{asked.patient_id}.parquet"
    return store.read_patients([path], contracts.minutes(results.settings))


def _span(asked: Asked, results: Results) -> dict[str, Window]:
    return {asked.window: results.settings["windows"][asked.window]}


def agreement(made: object, held: object, *, of: str = "the minutes") -> str:
    """Say whether a number made again of something is that of the tables.

    Raises
    ------
    NotOfOneRun
        If it is another one.
    """
    same = made == held
    if isinstance(made, float) and isinstance(held, float):
        same = math.isclose(made, held, rel_tol=1e-12, abs_tol=1e-12)
    if not same:
        raise NotOfOneRun(
            f"made again it is {made}, and the table has {held}: the results are not of one "
            "run; run the study again"
        )
    return f"made again from {of}, and the same in the tables"


def _in_the_analysis(asked: Asked, made: object, results: Results) -> Iterator[str]:
    """Hold the number to the analysis table too, or say that the patient is not in it."""
    row = results.tables["analysis"].filter(patient_id=asked.patient_id, window=asked.window)
    if row.is_empty():
        yield f"  the patient is not in the cohort of {asked.window}"
    else:
        agreement(made, row[asked.column][0])


# --- burden ------------------------------------------------------------------------------


def _of_burden(asked: Asked, results: Results, *, about: str) -> Iterator[str]:
    settings = results.settings
    threshold, measure = burden_columns.taken_apart(settings)[asked.column]
    column, of_signal = declared_signals.series(settings)[threshold.signal]
    block = settings["burden"]
    how = {n: block[n] for n in ("inequality", "integration", "episode_min", "merge_gap_min")}
    minutes = _minutes(asked, results)
    rules = burden_settings.Rules(thresholds=block["thresholds"], **how)
    made = burden.add_up(minutes, windows=_span(asked, results), rules=rules, declared=settings)
    value = _held(made, asked, threshold, measure)
    held = _held(results.tables["burden"], asked, threshold, measure)
    yield _head(asked, value, about)
    yield f"  {agreement(value, held)}"
    yield from _in_the_analysis(asked, value, results)
    inside = window.inside(minutes, results.settings["windows"][asked.window])
    pressure = inside.select("patient_id", "t_s", value=pl.col(column)).drop_nulls()
    if pressure.is_empty():
        yield f"  missing: no valid minute of {of_signal.label} in the window"
    else:
        yield from _episodes(
            pressure, results, threshold=threshold, unit=unit_words(of_signal.unit)
        )
    yield from _rests_on(asked, results, signal=_recorded(threshold.signal, settings))
    name = f"thresholds.{threshold.signal}.{threshold.side}"
    yield f"Settings: {_settings({'burden': {**how, name: threshold.values()}})}"
    yield _code("burden", results)


def _recorded(signal: str, settings: Mapping[str, Any]) -> str:
    """Return the recorded signal whose masked time is told; of a difference, the subtrahend."""
    return declared_signals.made_of(signal, settings)[0]


def _held(burdens: pl.DataFrame, asked: Asked, threshold: Threshold, measure: str) -> object:
    row = burdens.filter(
        patient_id=asked.patient_id,
        window=asked.window,
        **threshold._asdict(),
    ).row(0, named=True)
    return row[measure]


def _limits(asked: Asked, results: Results) -> dict[str, float]:
    span = results.settings["windows"][asked.window]
    return {"start_h": span["start_h"], "end_h": span["end_h"]}


def _episodes(
    pressure: pl.DataFrame, results: Results, *, threshold: Threshold, unit: str
) -> Iterator[str]:
    """Yield the minutes beyond the threshold, and each episode with the file's own seconds."""
    settings = results.settings["burden"]
    beyond = pressure.filter(
        burden.is_beyond(pl.col("value"), threshold, inequality=settings["inequality"])
    )
    apart = pl.col("t_s").diff() > (settings["merge_gap_min"] + 1.5) * MINUTE_S
    stretches = (
        beyond.sort("t_s")
        .group_by(apart.fill_null(True).cum_sum().alias("n"), maintain_order=True)
        .agg(
            start_s=pl.col("t_s").min() - MINUTE_S,
            end_s=pl.col("t_s").max(),
            minutes=pl.len(),
            lowest=pl.col("value").min(),
            highest=pl.col("value").max(),
        )
    )
    episodes = stretches.filter(pl.col("minutes") >= settings["episode_min"])
    yield (
        f"  {beyond.height} of {pressure.height} valid minutes {threshold.side} "
        f"{threshold.values()} {unit}, "
        f"{episodes['minutes'].sum()} of them in {_counted(episodes.height)} of "
        f"{settings['episode_min']} min or more"
    )
    yield (
        f"  (up to {settings['merge_gap_min']} min in between do not end one, "
        "nor do they count)"
    )
    recordings = results.tables["recordings"].filter(patient_id=pressure["patient_id"][0])
    for row in episodes.head(MOST_EPISODES).iter_rows(named=True):
        yield (
            f"    {row['start_s'] / H_S:.2f} to {row['end_s'] / H_S:.2f} h: {row['minutes']} "
            f"min, {_extremes(row, threshold.side)} {unit}"
            f"{_place(recordings, row['start_s'], row['end_s'])}"
        )
    if episodes.height > MOST_EPISODES:
        yield f"    and {episodes.height - MOST_EPISODES} more"


def _extremes(row: Mapping[str, Any], side: str) -> str:
    """Return the value furthest beyond a threshold, or both where it is outside of two."""
    ends = {"above": ("highest",), "below": ("lowest",)}.get(side, ("lowest", "highest"))
    return ", ".join(f"{end} {row[end]:.1f}" for end in ends)


def _counted(n: int) -> str:
    return "1 episode" if n == 1 else f"{n} episodes"


def _place(recordings: pl.DataFrame, start_s: float, end_s: float) -> str:
    """Say in which files a stretch lies, and at which of their own seconds."""
    inside = recordings.filter(
        pl.col("status") == "used", pl.col("start_s") < end_s, pl.col("end_s") > start_s
    )
    places = [
        f"{row['path']} from second {max(0.0, start_s - row['start_s']):.0f} to "
        f"{min(end_s, row['end_s']) - row['start_s']:.0f}"
        for row in inside.sort("start_s").iter_rows(named=True)
    ]
    return f" ({'; '.join(places)})" if places else ""


# --- summary -----------------------------------------------------------------------------


def _of_summary(asked: Asked, results: Results) -> Iterator[str]:
    settings = results.settings
    minutes = _minutes(asked, results)
    made = summary.summarise(
        minutes,
        windows=_span(asked, results),
        indices=index_settings.rules_of(settings),
        settings=summary.Settings(**settings["summary"]),
        declared=settings,
    )
    value = made[asked.column][0]
    row = results.tables["summary"].filter(patient_id=asked.patient_id, window=asked.window)
    yield _head(asked, value, contracts.summary(settings).columns[asked.column].about)
    yield f"  {agreement(value, row[asked.column][0])}"
    yield from _in_the_analysis(asked, value, results)
    inside = window.inside(minutes, results.settings["windows"][asked.window])
    base = _base(asked.column, settings)
    n = inside[base].count()
    yield f"  {n} of {inside.height} minutes of the window have {base}"
    if value is None:
        yield f"  missing: {_why_missing(base, inside, results)}"
    yield from _rests_on(asked, results, signal=_recorded_of(base, settings))
    yield f"Settings: {_settings(_blocks_of(base, settings))}"
    yield _code("summary", results)


CURVE = ("cppopt", "llr", "ulr")


def _blocks_of(base: str, settings: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Return the blocks of the settings that a column of the minutes depends on."""
    series = declared_signals.series(settings) | declared_indices.series(settings)
    if base in {one.column for one in series.values()}:
        return {"minutes": settings["minutes"]}
    if base in settings["indices"]:
        shared, entry = settings["reactivity"], settings["indices"][base]
        stated = {name: value for name, value in entry.items() if name in shared}
        rest = {name: value for name, value in shared.items() if name not in stated}
        return {"minutes": settings["minutes"], "reactivity": rest, f"indices.{base}": stated}
    return {n: settings[n] for n in ("minutes", "reactivity", "optimal_cpp", "summary")}


def _base(column: str, settings: Mapping[str, Any]) -> str:
    """Return the column of the minutes that a column of the summary is made of."""
    minutes = contracts.minutes(settings).columns
    by = next(
        (name for name in declared_indices.by(settings)[1:] if f"_by_{name}" in column), None
    )
    plain = column.replace(f"_by_{by}", "") if by else column
    of_cppopt = "cppopt" in plain or plain.startswith("delta_")
    limits = [name for name in ("llr_bins", "llr", "ulr") if name in plain]
    name = "cppopt" if of_cppopt else next(iter(limits), None)
    if name:
        return declared_indices.by_index(f"{name}_mmhg", by) if by else f"{name}_mmhg"
    stem = plain.removesuffix("_h").partition("_mean")[0]
    if stem in minutes:
        return stem
    series = declared_signals.series(settings) | declared_indices.series(settings)
    first = next(iter(declared_signals.recorded(settings)))
    return series[stem if stem in series else first].column


def _recorded_of(base: str, settings: Mapping[str, Any]) -> str:
    """Return the recorded signal whose masked time is told of a column of the minutes."""
    recorded = declared_signals.recorded(settings)
    first = next(iter(recorded))
    if base in settings["indices"]:
        behind = _signals_behind(base, settings)
        return first if first in behind else behind[0]
    columns = {one.column: name for name, one in declared_signals.series(settings).items()}
    signal = columns.get(base, first)
    return signal if signal in recorded else first


def _signals_behind(name: str, settings: Mapping[str, Any]) -> list[str]:
    """Return the recorded signals behind an index or a column of the minutes."""
    all_series = declared_signals.series(settings) | declared_indices.series(settings)
    columns = {one.column: n for n, one in all_series.items()}
    index = settings["indices"].get(name)
    of_pulse = [declared_signals.ICP]  # P1, P2, amplitudes
    series = [columns[name]] if name in columns else of_pulse
    if index:
        series = sorted(index["of"], key=list(columns.values()).index)
    behind = [s for one in series for s in declared_indices.rests_on(one, settings)]
    return [s for s in declared_signals.recorded(settings) if s in behind]


def _why_missing(base: str, inside: pl.DataFrame, results: Results) -> str:
    if inside.is_empty():
        return "no minute of the patient lies in the window"
    if inside[base].count():
        least = results.settings["summary"]["min_cppopt_h"]
        return f"fewer minutes than the settings ask for (summary.min_cppopt_h: {least:g} h)"
    settings = results.settings
    sought = next(
        (n for n in declared_indices.by(settings)[1:] if f"_by_{n}_" in base),
        declared_indices.main(settings),
    )
    is_of_curve = base.split("_")[0] in CURVE
    if is_of_curve and inside[sought].count():
        return "no minute has a curve that the settings accept (optimal_cpp)"
    for signal in _signals_behind(sought if is_of_curve else base, settings):
        one = declared_signals.series(settings)[signal]
        if inside[one.column].count() == 0:
            return f"no valid minute of {one.about.label}"
    tiers = ", ".join(inside["tier"].drop_nulls().unique().sort()).replace("_", " ")
    block = results.settings["trends"]["block_s"]
    not_during = " and ".join(results.settings["reactivity"]["not_during"]).replace("_", " ")
    return (
        f"no minute has it; the recordings are sampled as {tiers} (AMP needs a waveform, PRx "
        f"numbers every {block:g} s or faster); there is none during {not_during}"
    )


# --- repeated values ---------------------------------------------------------------------


def _of_repeated(asked: Asked, results: Results) -> Iterator[str]:
    """Yield a summary of repeated values, and the values that it is made of."""
    settings, variable = results.settings, asked.column.rpartition("_")[0]
    contract, made_of = contracts.repeated_summary(settings), contracts.REPEATED_VALUES
    values = store.read(results.folder / made_of.path, made_of)
    of_patient = values.filter(patient_id=asked.patient_id)
    made = repeated_summary.summarise(
        of_patient, windows=_span(asked, results), declared=settings
    )
    held = store.read(results.folder / contract.path, contract).filter(
        patient_id=asked.patient_id, window=asked.window
    )
    value = made[asked.column][0] if made.height else None
    yield _head(asked, value, contract.columns[asked.column].about)
    in_table = held[asked.column][0] if held.height else None
    yield f"  {agreement(value, in_table, of='the repeated values')}"
    yield from _in_the_analysis(asked, value, results)
    begun = of_patient.filter(
        pl.col("variable") == variable, pl.col("from_h") < _limits(asked, results)["end_h"]
    )
    file = settings["study"]["repeated"]
    yield f"Values of {variable} in {file} from before the window's end: {begun.height}"
    for row in begun.iter_rows(named=True):
        until = "the next" if row["to_h"] is None else f"{row['to_h']:g} h"
        what = "not recorded" if row["value"] is None else f"{row['value']:g}"
        yield f"  from {row['from_h']:g} h to {until}: {what}"
    share_from = settings["repeated"][variable].get("share_from", "not stated")
    yield f"Settings: repeated.{variable}.share_from {share_from}"
    codes = (f"{n} {results.codes[n]}" for n in ("repeated_values", "repeated_summary"))
    yield f"Code: {', '.join(codes)}"


# --- declared variables and outcomes -----------------------------------------------------


def _of_declared(asked: Asked, results: Results) -> Iterator[str]:
    """Yield a covariate or an outcome: as the study recorded it, or what it is derived from."""
    of_patient: dict[str, Any] = {}
    for table in ("patients", "outcomes"):
        rows = results.tables[table].filter(patient_id=asked.patient_id)
        of_patient |= rows.row(0, named=True)
    is_of_window = asked.column not in of_patient  # counted from its landmark
    here = results.tables["analysis"].filter(patient_id=asked.patient_id, window=asked.window)
    if is_of_window and here.height:
        of_patient |= here.row(0, named=True)
    value = of_patient.get(asked.column)
    about = contracts.analysis(results.settings).columns[asked.column].about
    yield _head(asked, value, about)
    if is_of_window and here.is_empty():
        yield f"  the patient is not in the cohort of {asked.window}"
    if asked.column in contracts.patients(results.settings).columns:
        yield from declared.as_exported(asked.column, value, results)
    else:
        yield from declared.derived_from(asked.column, of_patient, results)


# --- what stands below every number ------------------------------------------------------


def _head(asked: Asked, value: object, about: str) -> str:
    text = "missing" if value is None else f"{value}"
    return f"{asked.column} of {asked.patient_id} in {asked.window}: {text}\n  {about}"


def _rests_on(asked: Asked, results: Results, *, signal: str) -> Iterator[str]:
    """Yield the recordings of the window, and what of them was masked."""
    limits = _limits(asked, results)
    start_s, end_s = limits["start_h"] * H_S, limits["end_h"] * H_S
    yield "Recordings in the window"
    mine = results.tables["recordings"].filter(patient_id=asked.patient_id).sort("start_s")
    used = mine.filter(
        pl.col("status") == "used", pl.col("start_s") < end_s, pl.col("end_s") > start_s
    )
    for row in used.iter_rows(named=True):
        yield (
            f"  {row['recording_id']}: {row['path']}, {row['start_s'] / H_S:.2f} to "
            f"{row['end_s'] / H_S:.2f} h, SHA-256 {row['sha256'][:12]}..."
        )
    if used.is_empty():
        yield "  none"
    path = results.folder / "artefacts" / f"{asked.patient_id}.parquet"
    masked = store.read(path, contracts.ARTEFACTS).filter(signal=signal)
    hours = (
        masked.with_columns(
            h=(pl.col("end_s").clip(upper_bound=end_s) - pl.col("start_s").clip(start_s)) / H_S
        )
        .filter(pl.col("h") > 0)
        .group_by("reason")
        .agg(pl.col("h").sum())
        .sort("h", "reason", descending=[True, False])
    )
    masked_words = ", ".join(
        f"{r['reason'].replace('_', ' ')} {r['h']:.2f} h" for r in hours.to_dicts()
    )
    label = declared_signals.labels(results.settings)[signal]
    yield f"Masked of {label} in the window: {masked_words or 'nothing'}"
    yield f"Picture: {results.folder / 'pictures' / asked.patient_id}.svg"


def _code(script: str, results: Results) -> str:
    codes = ", ".join(f"{name} {results.codes[name]}" for name in ("ingest", "indices", script))
    return f"Code: {codes}"


def _settings(blocks: Mapping[str, Mapping[str, Any]]) -> str:
    return ", ".join(
        f"{block}.{name} {value}"
        for block, rows in blocks.items()
        for name, value in rows.items()
    )
