"""Trends: means of a recording's valid samples in blocks, and the pulse amplitude of each."""

from array import array
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import contracts
from icpcohort.contracts import declared_signals, store
from icpcohort.recordings import Chunk
from icpcohort.recordings.chunks import tier_of
from icpcohort.signals import (
    beats,
    cells,
    compared_files,
    device_lag,
    differences,
    masking,
    nan_divide,
    pulse_blocks,
    raw_minutes,
)
from icpcohort.signals import time_accounting as accounts
from icpcohort.signals.pulse_blocks import PULSE_S
from icpcohort.signals.rules import Beats, Events, Rule
from icpcohort.signals.trend_settings import Settings

MIN_WAVEFORM_HZ = cells.MIN_WAVEFORM_HZ
# A mean is valid at exactly the least fraction, whatever the rounding of n / fs.
ROUNDING = 1e-9

NOT_COMPARED = compared_files.Compared()

Reals = NDArray[np.float64]


def recorded(declared: Mapping[str, Any]) -> contracts.Table:
    """Return the table of trends as recorded: what follows for a patient is yet to come.

    Differences and the level of ABP come from `differences.add` and `transducer_level.apply`.
    """
    table = contracts.trends(declared)
    series = declared_signals.series(declared)
    later = {series[name].column for name in declared_signals.derived(declared)}
    later |= {"abp_level_used", "abp_shift_mmhg"}
    kept = {name: column for name, column in table.columns.items() if name not in later}
    return replace(table, columns=kept)


class Summary(NamedTuple):
    """What one recording gives: `recorded`, contracts ARTEFACTS and, per signal, seconds."""

    trends: pl.DataFrame  # also {signal}_reading_s: seconds with a reading
    artefacts: pl.DataFrame
    findings: pl.DataFrame  # as artefacts: what rules found, masked or not
    seconds: pl.DataFrame  # signal, `time_accounting.SECONDS`, n_gaps, longest_gap_s
    masked: pl.DataFrame  # signal, reason, masked_s
    accounts: dict[str, accounts.Account]  # by signal
    lags: list[device_lag.Lag]  # of ICP behind ABP, where both have waveforms
    kept: compared_files.Kept  # to measure lags with numbers, and with other files
    shifts_s: Mapping[str, float]  # what was added to the times of a signal
    raw: pl.DataFrame  # `raw_minutes.SCHEMA`: level and pulse before anything is masked


def summarise(
    chunks: Iterable[Chunk],
    *,
    start_s: float,
    duration_s: float,
    rules: Sequence[Rule],
    events: Events,
    settings: Settings,
    declared: Mapping[str, Any],
    compared: compared_files.Compared = NOT_COMPARED,
    shifts_s: Mapping[str, float] = cells.IN_STEP,
) -> Summary:
    """Reduce one recording to blocks in one pass; memory does not grow with samples.

    Parameters
    ----------
    chunks : Chunk, in the order of time
        From `recordings.read_chunks`.
    start_s, duration_s : float, s
        When the recording starts on the patient's clock, and for how long it goes on.
    rules, events
        See `masking.Masker`. Each signal has the rules of the tier of its own rate.
    settings : Settings
        A whole number of blocks is a minute. A block with a smaller share of valid samples
        than `min_valid_fraction` has a null mean. AMP, of `PULSE_S` each, needs every sample;
        a shorter block has that of its time, a longer one their mean.
    declared : mapping
        Sections `signals` and `derived_signals` of the settings; a signal that the recording
        does not have is null.
    compared : Compared
        The signals that are compared with those of another file, or as numbers.
    shifts_s : mapping, s
        What is added to the times of a signal, by its name; then no lag is measured.

    Returns
    -------
    Summary
        Blocks begin at multiples of `block_s` of the patient's clock. A block takes a number
        slower than itself from the interval that holds the block's middle.

    Source: blocks of 5 and 10 s: see `correlation.moving_pearson`; completeness: no
    agreed rule.
    """
    tracks: dict[str, _Track] = {}
    pulses = array("d")
    follower = device_lag.Follower()
    keepers = compared_files.Keepers(compared)
    lags: list[device_lag.Lag] = []
    aligned = cells.align(chunks, start_s=start_s, block_s=PULSE_S, shifts_s=shifts_s)
    for stretch in aligned:
        for signal, samples in stretch.samples.items():
            fs_hz, t_s = stretch.fs_hz[signal], stretch.t_s[signal]
            if signal not in tracks:
                from_s = start_s + shifts_s.get(signal, 0.0)
                tracks[signal] = _Track(
                    signal, fs_hz, from_s, rules, events, block_s=settings.block_s
                )
            if samples.size:
                tracks[signal].add(samples, t_s=t_s)
        pulses.frombytes(
            pulse_blocks.of_stretch(stretch, block_s=PULSE_S, settings=settings).tobytes()
        )
        if not shifts_s:
            lags += follower.push(stretch)
        keepers.push(stretch)
    lags += follower.finish()
    # each track is let go before the next one is finished
    done = {
        name: tracks.pop(name).finish(start_s + duration_s + shifts_s.get(name, 0.0))
        for name in list(tracks)
    }
    kept = {signal: one.account for signal, one in done.items()}
    spans = [store.empty(contracts.ARTEFACTS), *(one.spans for one in done.values())]
    raw = pl.concat(
        [pl.DataFrame(schema=raw_minutes.SCHEMA), *(one.raw for one in done.values())]
    )
    found = [store.empty(contracts.ARTEFACTS), *(one.findings for one in done.values())]
    blocks = {signal: done.pop(signal).blocks for signal in list(done)}
    return Summary(
        _trends(
            blocks,
            np.frombuffer(pulses).reshape(-1, pulse_blocks.n_values(settings)),
            settings=settings,
            declared=declared,
        ),
        masking.merge_spans(pl.concat(spans)),
        masking.merge_spans(pl.concat(found)),
        *accounts.total(kept),
        kept,
        lags,
        keepers.finish(),
        shifts_s,
        raw,
    )


class _Blocks(NamedTuple):
    """One signal in blocks, in the order of time; NaN without a valid sample."""

    t_s: Reals
    valid_s: Reals
    reading_s: Reals
    mean: Reals
    interval_s: float


_NO_BLOCKS = _Blocks(np.empty(0), np.empty(0), np.empty(0), np.empty(0), np.nan)


class _Finished(NamedTuple):
    """What one signal gives; `spans` and `findings` under contracts ARTEFACTS."""

    account: accounts.Account
    blocks: _Blocks
    spans: pl.DataFrame
    raw: pl.DataFrame
    findings: pl.DataFrame


class _Track:
    """One signal on its way through masking: sums per block, masked spans, and samples."""

    def __init__(
        self,
        signal: str,
        fs_hz: float,
        start_s: float,
        rules: Sequence[Rule],
        events: Events,
        *,
        block_s: float,
    ) -> None:
        self.signal, self.fs_hz, self.block_s = signal, fs_hz, block_s
        of_signal = masking.rules_for(
            rules, signal=signal, tier=tier_of(fs_hz), cell_s=max(1.0, 1 / fs_hz)
        )
        self.rules = [rule for rule in of_signal if rule.masks]
        self._with_noise = any(rule.needs_noise for rule in of_signal)
        self._finding = [rule for rule in of_signal if rule.is_finding]
        self._masker = masking.Masker(rules=self.rules, events=events)
        self._finders = [masking.Masker(rules=[one], events=events) for one in self._finding]
        self._keeper = accounts.Keeper(
            fs_hz=fs_hz,
            start_s=start_s,
            block_s=block_s,
            reasons=[rule.reason for rule in self.rules],
        )
        of_beats = [rule for rule in self.rules if isinstance(rule, Beats)]
        self._finder = beats.Finder(of_beats[0], fs_hz=fs_hz) if of_beats else None
        # rows of `_block_sums` and of `_spans`: one array that grows leaves no holes behind
        self._sums, self._spans, self._found = array("d"), array("d"), array("d")
        self._raw = raw_minutes.Keeper()

    def add(self, samples: Reals, *, t_s: float) -> None:
        self._keeper.add_samples(t_s=t_s, n=samples.size)
        if self._finder is not None:
            self._mask(self._finder.push(samples, t_s=t_s))
        else:
            new = cells.reduce(samples, t_s=t_s, fs_hz=self.fs_hz, with_noise=self._with_noise)
            self._mask([new])

    def finish(self, end_s: float) -> _Finished:
        if self._finder is not None:
            self._mask(self._finder.finish())
        for masked in self._masker.finish():
            self._count(masked)
        for code, finder in enumerate(self._finders):
            self._note(finder.finish(), code)
        return _Finished(
            self._keeper.finish(end_s),
            self._blocks(),
            self._as_spans(np.frombuffer(self._spans), self.rules),
            self._raw.finish(self.signal),
            self._as_spans(np.frombuffer(self._found), self._finding),
        )

    def _mask(self, pieces: Sequence[cells.Cells]) -> None:
        for piece in pieces:
            for masked in self._masker.push(piece):
                self._count(masked)
            for code, finder in enumerate(self._finders):
                self._note(finder.push(piece), code)

    def _note(self, some: Sequence[masking.Masked], code: int) -> None:
        """Keep what the finding rule of this number flagged; each flags by itself."""
        for found in some:
            of_rule = np.where(found.code == masking.VALID, found.code, code)
            self._found.frombytes(_spans(masking.Masked(found.cells, of_rule)).tobytes())

    def _count(self, masked: masking.Masked) -> None:
        self._keeper.add(masked)
        self._raw.add(masked.cells)
        clean = masked.code == masking.VALID
        sums = _block_sums(masked.cells, clean, fs_hz=self.fs_hz, block_s=self.block_s)
        self._sums.frombytes(sums.tobytes())
        if not clean.all():
            self._spans.frombytes(_spans(masked).tobytes())

    def _blocks(self) -> _Blocks:
        """Return the blocks; a block with cells in two pieces is one block."""
        t_s, *sums = np.frombuffer(self._sums).reshape(-1, 4).T
        starts = _firsts(t_s)
        valid_s, total, reading_s = (np.add.reduceat(values, starts) for values in sums)
        mean = nan_divide.divide(total, valid_s, where=valid_s > 0)
        return _Blocks(t_s[starts], valid_s, reading_s, mean, 1 / self.fs_hz)

    def _as_spans(self, rows: Reals, rules: Sequence[Rule]) -> pl.DataFrame:
        """Return the stretches that rules flagged, under contracts ARTEFACTS."""
        start_s, end_s, code = rows.reshape(-1, 3).T
        reasons = pl.Series([rule.reason for rule in rules], dtype=pl.String)
        return pl.DataFrame(
            {
                "signal": pl.repeat(self.signal, code.size, eager=True),
                "start_s": start_s,
                "end_s": end_s,
                "reason": reasons.gather(code.astype(np.int64)),
            },
            schema={name: column.dtype for name, column in contracts.ARTEFACTS.columns.items()},
        )


def _block_sums(
    some: cells.Cells, clean: NDArray[np.bool_], *, fs_hz: float, block_s: float
) -> Reals:
    """Return t_s, valid_s, mean x valid_s and reading_s of the blocks cells touch.

    `reading_s` counts every second with a reading, masked or not.
    """
    reading_s = some.n_valid / fs_hz
    valid_s = np.where(clean, reading_s, 0.0)
    mean = np.where(valid_s > 0, some.mean, 0.0)
    if some.width_s < block_s:
        block = np.floor((some.t_s + some.width_s / 2) / block_s)
    else:
        first = np.ceil((some.t_s - block_s / 2) / block_s - ROUNDING)
        last = np.ceil((some.t_s + some.width_s - block_s / 2) / block_s - ROUNDING)
        n_blocks = (last - first).astype(np.int64)
        offset = np.arange(n_blocks.sum()) - np.repeat(np.cumsum(n_blocks) - n_blocks, n_blocks)
        block = np.repeat(first, n_blocks) + offset
        valid_s = np.repeat(np.where(valid_s > 0, block_s, 0.0), n_blocks)
        reading_s = np.repeat(np.where(reading_s > 0, block_s, 0.0), n_blocks)
        mean = np.repeat(mean, n_blocks)
    starts = _firsts(block)
    sums = (np.add.reduceat(v, starts) for v in (valid_s, mean * valid_s, reading_s))
    return np.column_stack([block[starts] * block_s, *sums])


def _firsts(values: Reals) -> NDArray[np.int64]:
    """Return where each run of equal values begins."""
    return np.flatnonzero(np.diff(values, prepend=np.nan) != 0)


def _spans(masked: masking.Masked) -> Reals:
    """Return start_s, end_s and code of the runs of cells that one rule masked."""
    code, t_s, width_s = masked.code, masked.cells.t_s, masked.cells.width_s
    changes = np.flatnonzero(np.diff(code) != 0) + 1
    starts = np.concatenate([[0], changes]).astype(np.int64)
    ends = np.concatenate([changes, [code.size]]).astype(np.int64) - 1
    hit = code[starts] != masking.VALID
    starts, ends = starts[hit], ends[hit]
    return np.column_stack([t_s[starts], t_s[ends] + width_s, code[starts]])


def _trends(
    blocks: dict[str, _Blocks],
    pulses: Reals,
    *,
    settings: Settings,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Put the signals side by side, null with too few valid samples; this empties `blocks`."""
    block_s = settings.block_s
    t_s = np.unique(
        np.concatenate([np.empty(0), *(of_signal.t_s for of_signal in blocks.values())])
    )
    columns = {"t_s": t_s}
    signals, series = declared_signals.recorded(declared), declared_signals.series(declared)
    for signal in signals:
        of_signal = blocks.pop(signal, _NO_BLOCKS)
        valid_fraction = np.clip(of_signal.valid_s * (1 / block_s), 0, 1)
        enough = valid_fraction >= settings.min_valid_fraction - ROUNDING
        for name, values in (
            (series[signal].column, np.where(enough, of_signal.mean, np.nan)),
            (f"{signal}_valid_fraction", valid_fraction),
            (f"{signal}_interval_s", np.full(of_signal.t_s.size, of_signal.interval_s)),
            (f"{signal}_reading_s", of_signal.reading_s),
        ):
            columns[name] = at_times(t_s, of_signal.t_s, values)
        for name in ("valid_fraction", "reading_s"):
            np.nan_to_num(columns[f"{signal}_{name}"], copy=False, nan=0.0)
    if declared_signals.ICP in signals:
        columns |= _pulse_columns(pulses, columns, settings=settings)
    readings = [f"{signal}_reading_s" for signal in signals]
    return as_table(columns, (*recorded(declared).columns, *readings))


def _pulse_columns(
    pulses: Reals, columns: Mapping[str, Reals], *, settings: Settings
) -> dict[str, Reals]:
    """Return what the pulses give for each block; those that were not sought are left out."""
    block_s, t_s = settings.block_s, columns["t_s"]
    icp_whole, abp_whole = (
        _whole_at(pulses[:, 0], t_s, columns=columns, signal=signal, block_s=block_s)
        for signal in (declared_signals.ICP, declared_signals.ABP)
    )
    of_pulses = pulse_blocks.choose(
        pulses,
        icp_whole=icp_whole,
        abp_whole=abp_whole,
        tolerance_hz=settings.pulse_tolerance_hz,
    )
    of_blocks = {}
    for name, sought in of_pulses:
        if sought is None:
            continue
        rows = _by_block(np.column_stack([pulses[:, 0], sought]), block_s=block_s)
        of_blocks[name] = at_times(t_s, rows[:, 0], rows[:, 1])
    return of_blocks


def as_table(columns: dict[str, Reals], names: Sequence[str]) -> pl.DataFrame:
    """Return the trends as a table, counts as whole numbers; `columns` is emptied.

    Each array is let go as soon as its column stands, so that memory does not double. A name
    without an array was not sought, and is null.
    """
    nothing = pl.repeat(None, columns["t_s"].size, dtype=pl.Float64(), eager=True)
    series = [
        pl.Series(name, columns.pop(name), nan_to_null=True)
        if name in columns
        else nothing.alias(name)
        for name in names
    ]
    counts = [pl.col(name).cast(contracts.COUNT) for name in names if name.startswith("n_")]
    return pl.DataFrame(series).with_columns(counts)


def _whole_at(
    pulse_t_s: Reals, t_s: Reals, *, columns: Mapping[str, Reals], signal: str, block_s: float
) -> NDArray[np.bool_]:
    """Return whether every sample of a signal is valid in the blocks that a pulse lies in."""
    if f"{signal}_interval_s" not in columns:
        return np.zeros(pulse_t_s.size, np.bool_)
    least = pulse_blocks.least_whole(columns[f"{signal}_interval_s"], block_s=block_s)
    whole_t_s = t_s[columns[f"{signal}_valid_fraction"] >= least]
    first_t_s = np.floor(pulse_t_s / block_s + ROUNDING) * block_s
    whole = np.ones(pulse_t_s.size, np.bool_)
    for place in range(blocks_of_a_pulse(block_s)):
        whole &= np.isin(first_t_s + place * block_s, whole_t_s)
    return whole


def blocks_of_a_pulse(block_s: float) -> int:
    """Return how many successive blocks have one AMP, that of `PULSE_S`."""
    return max(1, round(PULSE_S / block_s))


def _by_block(pulses: Reals, *, block_s: float) -> Reals:
    """Return what the pulses give for each block: a longer one has the mean of its pulses."""
    if block_s <= PULSE_S:
        n = blocks_of_a_pulse(block_s)
        rows = np.repeat(pulses, n, axis=0)
        rows[:, 0] += block_s * np.tile(np.arange(n), len(pulses))
        return rows
    block = np.floor(pulses[:, 0] / block_s)
    starts = _firsts(block)
    means = np.add.reduceat(pulses, starts) / np.diff(starts, append=len(pulses))[:, None]
    means[:, 0] = block[starts] * block_s
    return means


def at_times(t_s: Reals, own_t_s: Reals, values: Reals) -> Reals:
    """Return the values of a series at the times `t_s`, NaN where it has none; both increase.

    In place of a join of tables, which needs many times the memory of its result.
    """
    placed = np.full(t_s.size, np.nan)
    at = np.searchsorted(t_s, own_t_s)
    known = np.append(t_s, np.nan)[at] == own_t_s
    placed[at[known]] = values[known]
    return placed


def methods_sentence(settings: Settings, *, declared: Mapping[str, Any]) -> str:
    """Return the report's sentences for `summarise` and `differences.add`."""
    block_s = settings.block_s
    units = {signal["unit"] for signal in declared_signals.recorded(declared).values()}
    what = "Pressures" if units == {"mmHg"} else "Signals"
    return (
        f"{what} were averaged over blocks of {block_s:g} s; a block with fewer than"
        f" {100 * settings.min_valid_fraction:g} % valid samples was taken as missing. Numbers"
        f" recorded less often than every {block_s:g} s stand for their interval: they enter"
        f" means and burden, but no index that needs {block_s:g}-s means. Where recordings"
        " overlap, the one with the shorter sampling interval was used."
        f"{differences.methods_sentence(declared)}{_of_several(declared)}"
    )


def _of_several(declared: Mapping[str, Any]) -> str:
    """Return a sentence, after a blank, for each signal of which a file may have several."""
    return "".join(
        f" Of several channels of {signal['label']} in one recording the first of"
        f" {', '.join(signal['names'])} was used."
        for signal in declared_signals.recorded(declared).values()
        if signal.get("if_several") == "first_named"
    )
