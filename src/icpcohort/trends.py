"""Trends: 10-s means of a recording's valid samples, and the pulse amplitude of each block."""

from array import array
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import accounts, beats, cells, cleaning, contracts, missing, pulse, store
from icpcohort.recordings import Chunk
from icpcohort.recordings.chunks import tier_of

BLOCK_S = accounts.BLOCK_S
MIN_WAVEFORM_HZ = cells.MIN_WAVEFORM_HZ
# A mean is valid at exactly the least fraction, whatever the rounding of n / fs.
ROUNDING = 1e-9
# Pressures as recorded: the other columns come from `levels.apply`.
RECORDED = replace(
    contracts.TRENDS,
    columns={
        name: column
        for name, column in contracts.TRENDS.columns.items()
        if name not in ("abp_level_used", "abp_shift_mmhg")
    },
)


Reals = NDArray[np.float64]


class Summary(NamedTuple):
    """What one recording gives: contracts TRENDS, ARTEFACTS and, per signal, seconds."""

    trends: pl.DataFrame  # also icp_reading_s, abp_reading_s: seconds with a reading
    artefacts: pl.DataFrame
    seconds: pl.DataFrame  # signal, `accounts.SECONDS`, n_gaps, longest_gap_s
    masked: pl.DataFrame  # signal, reason, masked_s
    accounts: dict[str, accounts.Account]  # by signal


def summarise(
    chunks: Iterable[Chunk],
    *,
    start_s: float,
    duration_s: float,
    rules: Sequence[Mapping[str, Any]],
    events: Sequence[Mapping[str, Any]],
    min_valid_fraction: float,
    pulse_min_hz: float,
    pulse_max_hz: float,
    amplitude_method: str,
) -> Summary:
    """Reduce one recording to 10-s blocks in one pass; memory does not grow with samples.

    Parameters
    ----------
    chunks : Chunk, in the order of time
        From `recordings.read_chunks`.
    start_s, duration_s : float, s
        When the recording starts on the patient's clock, and for how long it goes on.
    rules, events
        See `cleaning.Masker`. Each signal has the rules of the tier of its own rate.
    min_valid_fraction : float
        A block with a smaller share of valid samples has a null mean. AMP needs every
        sample of its block.

    Returns
    -------
    Summary
        Blocks begin at multiples of 10 s of the patient's clock. A block takes a number
        slower than 10 s from the interval that holds the block's middle.

    Source: blocks of 10 s: see `reactivity.moving_pearson`; completeness: no agreed rule.
    """
    tracks: dict[str, _Track] = {}
    pulses = array("d")
    for stretch in cells.align(chunks, start_s=start_s, block_s=BLOCK_S):
        for signal, samples_mmhg in stretch.samples_mmhg.items():
            fs_hz, t_s = stretch.fs_hz[signal], stretch.t_s[signal]
            if signal not in tracks:
                tracks[signal] = _Track(signal, fs_hz, start_s, rules, events)
            if samples_mmhg.size:
                tracks[signal].add(samples_mmhg, stretch.at_limit[signal], t_s=t_s)
            if signal == "icp" and fs_hz >= MIN_WAVEFORM_HZ:
                pulses.frombytes(
                    _pulse_of(
                        samples_mmhg,
                        t_s=t_s,
                        fs_hz=fs_hz,
                        min_hz=pulse_min_hz,
                        max_hz=pulse_max_hz,
                        method=amplitude_method,
                    ).tobytes()
                )
    # each track is let go before the next one is finished
    done = {name: tracks.pop(name).finish(start_s + duration_s) for name in list(tracks)}
    kept = {signal: one.account for signal, one in done.items()}
    return Summary(
        _trends(
            {signal: one.blocks for signal, one in done.items()},
            np.frombuffer(pulses).reshape(-1, 3),
            min_valid_fraction=min_valid_fraction,
        ),
        merge_spans(
            pl.concat([store.empty(contracts.ARTEFACTS), *(one.spans for one in done.values())])
        ),
        *accounts.total(kept),
        kept,
    )


class _Blocks(NamedTuple):
    """One signal in blocks of 10 s, in the order of time; NaN without a valid sample."""

    t_s: Reals
    valid_s: Reals
    reading_s: Reals
    mean_mmhg: Reals
    interval_s: float


_NO_BLOCKS = _Blocks(np.empty(0), np.empty(0), np.empty(0), np.empty(0), np.nan)


class _Finished(NamedTuple):
    """What one signal gives; `spans` under contracts ARTEFACTS."""

    account: accounts.Account
    blocks: _Blocks
    spans: pl.DataFrame


class _Track:
    """One signal on its way through masking: sums per block, masked spans, and samples."""

    def __init__(
        self,
        signal: str,
        fs_hz: float,
        start_s: float,
        rules: Sequence[Mapping[str, Any]],
        events: Sequence[Mapping[str, Any]],
    ) -> None:
        self.signal, self.fs_hz = signal, fs_hz
        self.rules = cleaning.rules_for(
            rules, signal=signal, tier=tier_of(fs_hz), cell_s=max(1.0, 1 / fs_hz)
        )
        self._masker = cleaning.Masker(rules=self.rules, events=events)
        self._keeper = accounts.Keeper(
            fs_hz=fs_hz, start_s=start_s, reasons=[cleaning.reason_of(r) for r in self.rules]
        )
        of_beats = [rule for rule in self.rules if rule["rule"] == "beats"]
        self._finder = beats.Finder(of_beats[0], fs_hz=fs_hz) if of_beats else None
        # rows of `_block_sums` and of `_spans`: one array that grows leaves no holes behind
        self._sums, self._spans = array("d"), array("d")

    def add(self, samples_mmhg: Reals, at_limit: NDArray[np.bool_], *, t_s: float) -> None:
        self._keeper.add_samples(t_s=t_s, n=samples_mmhg.size)
        if self._finder is not None:
            self._mask(self._finder.push(samples_mmhg, at_limit, t_s=t_s))
        else:
            new = cells.reduce(samples_mmhg, t_s=t_s, fs_hz=self.fs_hz, at_limit=at_limit)
            self._mask([new])

    def finish(self, end_s: float) -> _Finished:
        if self._finder is not None:
            self._mask(self._finder.finish())
        for masked in self._masker.finish():
            self._count(masked)
        return _Finished(self._keeper.finish(end_s), self._blocks(), self._masked_spans())

    def _mask(self, pieces: Sequence[cells.Cells]) -> None:
        for piece in pieces:
            for masked in self._masker.push(piece):
                self._count(masked)

    def _count(self, masked: cleaning.Masked) -> None:
        self._keeper.add(masked)
        clean = masked.code == cleaning.VALID
        self._sums.frombytes(_block_sums(masked.cells, clean, fs_hz=self.fs_hz).tobytes())
        if not clean.all():
            self._spans.frombytes(_spans(masked).tobytes())

    def _blocks(self) -> _Blocks:
        """Return the blocks; one of which two pieces have cells is one."""
        t_s, *sums = np.frombuffer(self._sums).reshape(-1, 4).T
        starts = _firsts(t_s)
        valid_s, mmhg_s, reading_s = (np.add.reduceat(values, starts) for values in sums)
        mean_mmhg = missing.divide(mmhg_s, valid_s, where=valid_s > 0)
        return _Blocks(t_s[starts], valid_s, reading_s, mean_mmhg, 1 / self.fs_hz)

    def _masked_spans(self) -> pl.DataFrame:
        """Return the masked stretches, under contracts ARTEFACTS."""
        start_s, end_s, code = np.frombuffer(self._spans).reshape(-1, 3).T
        reasons = pl.Series([cleaning.reason_of(rule) for rule in self.rules], dtype=pl.String)
        return pl.DataFrame(
            {
                "signal": pl.repeat(self.signal, code.size, eager=True),
                "start_s": start_s,
                "end_s": end_s,
                "reason": reasons.gather(code.astype(np.int64)),
            },
            schema={name: column.dtype for name, column in contracts.ARTEFACTS.columns.items()},
        )


def _block_sums(some: cells.Cells, clean: NDArray[np.bool_], *, fs_hz: float) -> Reals:
    """Return t_s, valid_s, mmhg_s (mean x valid_s) and reading_s of the blocks cells touch.

    `reading_s` counts every second with a reading, masked or not.
    """
    reading_s = some.n_valid / fs_hz
    valid_s = np.where(clean, reading_s, 0.0)
    mean_mmhg = np.where(valid_s > 0, some.mean_mmhg, 0.0)
    if some.width_s < BLOCK_S:
        block = np.floor((some.t_s + some.width_s / 2) / BLOCK_S)
    else:
        first = np.ceil((some.t_s - BLOCK_S / 2) / BLOCK_S - ROUNDING)
        last = np.ceil((some.t_s + some.width_s - BLOCK_S / 2) / BLOCK_S - ROUNDING)
        n_blocks = (last - first).astype(np.int64)
        offset = np.arange(n_blocks.sum()) - np.repeat(np.cumsum(n_blocks) - n_blocks, n_blocks)
        block = np.repeat(first, n_blocks) + offset
        valid_s = np.repeat(np.where(valid_s > 0, BLOCK_S, 0.0), n_blocks)
        reading_s = np.repeat(np.where(reading_s > 0, BLOCK_S, 0.0), n_blocks)
        mean_mmhg = np.repeat(mean_mmhg, n_blocks)
    starts = _firsts(block)
    sums = (np.add.reduceat(v, starts) for v in (valid_s, mean_mmhg * valid_s, reading_s))
    return np.column_stack([block[starts] * BLOCK_S, *sums])


def _firsts(values: Reals) -> NDArray[np.int64]:
    """Return where each run of equal values begins."""
    return np.flatnonzero(np.diff(values, prepend=np.nan) != 0)


def _spans(masked: cleaning.Masked) -> Reals:
    """Return start_s, end_s and code of the runs of cells that one rule masked."""
    code, t_s, width_s = masked.code, masked.cells.t_s, masked.cells.width_s
    changes = np.flatnonzero(np.diff(code) != 0) + 1
    starts = np.concatenate([[0], changes]).astype(np.int64)
    ends = np.concatenate([changes, [code.size]]).astype(np.int64) - 1
    hit = code[starts] != cleaning.VALID
    starts, ends = starts[hit], ends[hit]
    return np.column_stack([t_s[starts], t_s[ends] + width_s, code[starts]])


def _pulse_of(
    samples_mmhg: Reals,
    *,
    t_s: float,
    fs_hz: float,
    min_hz: float,
    max_hz: float,
    method: str,
) -> Reals:
    """Return t_s, amp_mmhg and pulse_rate_per_min of the whole blocks among the samples."""
    n_block = int(BLOCK_S * fs_hz + ROUNDING)
    first_t_s = np.ceil((t_s - cells.TIME_TOLERANCE_S) / BLOCK_S) * BLOCK_S
    t_blocks = np.arange(first_t_s, t_s + samples_mmhg.size / fs_hz, BLOCK_S)
    starts = np.ceil((t_blocks - t_s - cells.TIME_TOLERANCE_S) * fs_hz).astype(np.int64)
    whole = starts + n_block <= samples_mmhg.size
    blocks_mmhg = _cut_out(samples_mmhg, starts[whole], n=n_block)
    found = pulse.fundamental(
        blocks_mmhg, fs_hz=fs_hz, min_hz=min_hz, max_hz=max_hz, method=method
    )
    return np.column_stack([t_blocks[whole], found.amplitude_mmhg, found.rate_hz * 60])


def _cut_out(samples: Reals, starts: NDArray[np.int64], *, n: int) -> Reals:
    """Return `n` samples from each start on; not copied where one stretch follows another."""
    if (np.diff(starts) == n).all():
        first = starts[0] if starts.size else 0
        return samples[first : first + n * starts.size].reshape(-1, n)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(samples, n)[starts])


def _trends(
    blocks: Mapping[str, _Blocks], pulses: Reals, *, min_valid_fraction: float
) -> pl.DataFrame:
    """Put the signals side by side; null what has too few valid samples."""
    icp, abp = (blocks.get(signal, _NO_BLOCKS) for signal in ("icp", "abp"))
    t_s = np.union1d(icp.t_s, abp.t_s)
    columns = {"t_s": t_s}
    for signal, own in (("icp", icp), ("abp", abp)):
        valid_fraction = np.clip(own.valid_s * (1 / BLOCK_S), 0, 1)
        enough = valid_fraction >= min_valid_fraction - ROUNDING
        for name, values in (
            ("mmhg", np.where(enough, own.mean_mmhg, np.nan)),
            ("valid_fraction", valid_fraction),
            ("interval_s", np.full(own.t_s.size, own.interval_s)),
            ("reading_s", own.reading_s),
        ):
            columns[f"{signal}_{name}"] = at_times(t_s, own.t_s, values)
        for name in ("valid_fraction", "reading_s"):
            np.nan_to_num(columns[f"{signal}_{name}"], copy=False, nan=0.0)
    complete = columns["icp_valid_fraction"] >= 1 - 1 / (BLOCK_S * MIN_WAVEFORM_HZ)
    for name, values in zip(("amp_mmhg", "pulse_rate_per_min"), pulses.T[1:], strict=True):
        columns[name] = np.where(complete, at_times(t_s, pulses[:, 0], values), np.nan)
    columns["cpp_mmhg"] = columns["abp_mmhg"] - columns["icp_mmhg"]
    order = (*RECORDED.columns, "icp_reading_s", "abp_reading_s")
    # each array is let go once it is a column
    return pl.DataFrame([pl.Series(n, columns.pop(n), nan_to_null=True) for n in order])


def at_times(t_s: Reals, own_t_s: Reals, values: Reals) -> Reals:
    """Return the values of a series at the times `t_s`, NaN where it has none; both increase.

    In place of a join of tables, which needs many times the memory of its result.
    """
    found = np.full(t_s.size, np.nan)
    at = np.searchsorted(t_s, own_t_s)
    known = np.append(t_s, np.nan)[at] == own_t_s
    found[at[known]] = values[known]
    return found


def merge_spans(spans: pl.DataFrame) -> pl.DataFrame:
    """Merge spans of one signal and reason that touch or overlap, as do those of two pieces."""
    begins = pl.col("start_s") > (
        pl.col("end_s").cum_max().shift(1).over("signal", "reason") + cells.TIME_TOLERANCE_S
    ).fill_null(-np.inf)
    return (
        spans.sort("signal", "reason", "start_s")
        .with_columns(run=begins.cum_sum().over("signal", "reason"))
        .group_by("signal", "reason", "run", maintain_order=True)
        .agg(pl.col("start_s").min(), pl.col("end_s").max())
        .select(list(contracts.ARTEFACTS.columns))
    )


def methods_sentence(*, min_valid_fraction: float) -> str:
    """Return the report's sentence for `summarise`, from the same setting."""
    return (
        "Pressures were averaged over blocks of 10 s; a block with fewer than"
        f" {100 * min_valid_fraction:g} % valid samples was taken as missing. Numbers recorded"
        " less often than every 10 s stand for their interval: they enter means and burden, but"
        " no index that needs 10-s means. Where recordings overlap, the one with the shorter"
        " sampling interval was used. CPP was ABP - ICP of the same block."
    )
