"""Number: one value of one patient made again, and what it rests on, in lines of text."""

import math
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.commands.why import declared
from icpcohort.commands.why.results import NotOfOneRun, Results, Unknown
from icpcohort.contracts import burden_columns, repeated, store
from icpcohort.exposures import burden, repeated_summary, summary, window
from icpcohort.exposures.window import Window
from icpcohort.indices import reactivity
from icpcohort.indices.reactivity import INDICES

H_S, MINUTE_S = 3600.0, 60.0
MOST_EPISODES = 20
# What a column of the summary is made of: a column of the minutes.
OF_MINUTES = {
    "icp": "icp_mmhg",
    "abp": "abp_mmhg",
    "cpp": "cpp_mmhg",
    "amp": "amp_mmhg",
    **{index: index for index in INDICES},
    "cppopt": "cppopt_mmhg",
    "delta": "cppopt_mmhg",
    "monitored": "icp_mmhg",
}


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
    burdens = burden_columns.wide(results.settings["burden"])
    if asked.column in burdens:
        yield from _of_burden(asked, results, about=burdens[asked.column].about)
    elif asked.column in contracts.SUMMARY.columns:
        yield from _of_summary(asked, results)
    elif asked.column in repeated.columns_of_summaries(results.settings):
        yield from _of_repeated(asked, results)
    elif asked.column in contracts.analysis(results.settings).columns:
        yield from _of_declared(asked, results)
    else:
        raise Unknown(f"{asked.column}: no column of the analysis table")


def _minutes(asked: Asked, results: Results) -> pl.DataFrame:
    path = results.folder / "minutes" / f"{asked.patient_id}.parquet"
    return store.read_patients([path], contracts.MINUTES)


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
    signal, side, threshold = _parts(asked.column)
    block = results.settings["burden"]
    how = {n: block[n] for n in ("inequality", "integration", "episode_min", "merge_gap_min")}
    of_one: dict[str, Any] = {"icp_above_mmhg": [], "cpp_below_mmhg": []}
    of_one[f"{signal}_{side}_mmhg"] = [threshold]
    minutes = _minutes(asked, results)
    rules = burden.Rules(**of_one, **how)
    made = burden.add_up(minutes, windows=_span(asked, results), rules=rules)
    wide = burden.widen(made, of_one)
    value = wide[asked.column][0]
    held = _held(results.tables["burden"], asked, signal, side, threshold)
    yield _head(asked, value, about)
    yield f"  {agreement(value, held)}"
    yield from _in_the_analysis(asked, value, results)
    inside = window.inside(minutes, results.settings["windows"][asked.window])
    pressure = inside.select("patient_id", "t_s", mmhg=pl.col(f"{signal}_mmhg")).drop_nulls()
    if pressure.is_empty():
        yield f"  missing: no valid minute of {signal.upper()} in the window"
    else:
        yield from _episodes(pressure, results, side=side, threshold_mmhg=threshold)
    yield from _rests_on(asked, results, signal=signal)
    yield f"Settings: {_settings({'burden': {**how, f'{signal}_{side}_mmhg': threshold}})}"
    yield _code("burden", results)


def _parts(column: str) -> tuple[str, str, float]:
    match = burden_columns.NAME.fullmatch(column)
    assert match is not None
    return match[1], match[2], float(match[3].replace("_", "."))


def _held(
    burdens: pl.DataFrame, asked: Asked, signal: str, side: str, threshold_mmhg: float
) -> object:
    row = burdens.filter(
        patient_id=asked.patient_id,
        window=asked.window,
        signal=signal,
        side=side,
        threshold_mmhg=threshold_mmhg,
    ).row(0, named=True)
    match = burden_columns.NAME.fullmatch(asked.column)
    assert match is not None
    return row[match[4]]


def _limits(asked: Asked, results: Results) -> dict[str, float]:
    span = results.settings["windows"][asked.window]
    return {"start_h": span["start_h"], "end_h": span["end_h"]}


def _episodes(
    pressure: pl.DataFrame, results: Results, *, side: str, threshold_mmhg: float
) -> Iterator[str]:
    """Yield the minutes beyond the threshold, and each episode with the file's own seconds."""
    settings = results.settings["burden"]
    beyond = pressure.filter(
        burden.is_beyond(
            pl.col("mmhg"),
            threshold_mmhg=threshold_mmhg,
            side=side,
            inequality=settings["inequality"],
        )
    )
    apart = pl.col("t_s").diff() > (settings["merge_gap_min"] + 1.5) * MINUTE_S
    stretches = (
        beyond.sort("t_s")
        .group_by(apart.fill_null(True).cum_sum().alias("n"), maintain_order=True)
        .agg(
            start_s=pl.col("t_s").min() - MINUTE_S,
            end_s=pl.col("t_s").max(),
            minutes=pl.len(),
            most=pl.col("mmhg").max() if side == "above" else pl.col("mmhg").min(),
        )
    )
    episodes = stretches.filter(pl.col("minutes") >= settings["episode_min"])
    yield (
        f"  {beyond.height} of {pressure.height} valid minutes {side} {threshold_mmhg:g} mmHg, "
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
            f"min, {'highest' if side == 'above' else 'lowest'} {row['most']:.1f} mmHg"
            f"{_place(recordings, row['start_s'], row['end_s'])}"
        )
    if episodes.height > MOST_EPISODES:
        yield f"    and {episodes.height - MOST_EPISODES} more"


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
        scale=reactivity.rules_of(settings),
        settings=summary.Settings(**settings["summary"]),
    )
    value = made[asked.column][0]
    row = results.tables["summary"].filter(patient_id=asked.patient_id, window=asked.window)
    yield _head(asked, value, contracts.SUMMARY.columns[asked.column].about)
    yield f"  {agreement(value, row[asked.column][0])}"
    yield from _in_the_analysis(asked, value, results)
    inside = window.inside(minutes, results.settings["windows"][asked.window])
    base = _base(asked.column)
    n = inside[base].count()
    yield f"  {n} of {inside.height} minutes of the window have {base}"
    if value is None:
        yield f"  missing: {_why_missing(base, inside, results)}"
    yield from _rests_on(asked, results, signal="abp" if base == "abp_mmhg" else "icp")
    yield f"Settings: {_settings({name: settings[name] for name in _blocks_of(base)})}"
    yield _code("summary", results)


CURVE = ("cppopt_mmhg", "llr_mmhg", "ulr_mmhg", "llr_bins_mmhg")
_PRESSURES = ("icp_mmhg", "abp_mmhg", "cpp_mmhg", "amp_mmhg")


def _blocks_of(base: str) -> tuple[str, ...]:
    """Return the blocks of the settings that a column of the minutes depends on."""
    if base in _PRESSURES:
        return ("minutes",)
    if base in INDICES:
        return ("minutes", "reactivity")
    return ("minutes", "reactivity", "optimal_cpp", "summary")


def _base(column: str) -> str:
    if "cppopt" in column:
        return "cppopt_mmhg"
    if "llr_bins" in column:
        return "llr_bins_mmhg"
    for limit in ("llr", "ulr"):
        if limit in column:
            return f"{limit}_mmhg"
    return OF_MINUTES.get(column.split("_")[0], "icp_mmhg")


def _why_missing(base: str, inside: pl.DataFrame, results: Results) -> str:
    if inside.is_empty():
        return "no minute of the patient lies in the window"
    if inside[base].count():
        least = results.settings["summary"]["min_cppopt_h"]
        return f"fewer minutes than the settings ask for (summary.min_cppopt_h: {least:g} h)"
    if inside["icp_mmhg"].count() == 0:
        return "no valid minute of ICP"
    if base in CURVE and inside["prx"].count():
        return "no minute has a curve that the settings accept (optimal_cpp)"
    if base != "icp_mmhg" and base != "amp_mmhg" and inside["abp_mmhg"].count() == 0:
        return "no valid minute of ABP"
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
    yield f"Masked of {signal.upper()} in the window: {masked_words or 'nothing'}"
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
