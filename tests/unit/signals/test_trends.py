import itertools
from pathlib import Path

import numpy as np
import pytest
import yaml
from published_settings import PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.recordings import Chunk
from icpcohort.signals import differences, trend_settings, trends
from icpcohort.signals import rules as rules_of

RANGE = {
    "rule": "range",
    "signal": "icp",
    "min": -10.0,
    "max": 100.0,
    "margin_s": 0.0,
}


def _summarise(chunks, *, duration_s, start_s=0.0, rules=(), events=(), block_s=10.0):
    summary = trends.summarise(
        chunks,
        start_s=start_s,
        duration_s=duration_s,
        rules=rules_of.from_blocks(rules),
        events=events,
        settings=trend_settings.Settings(**(PUBLISHED["trends"] | {"block_s": block_s})),
        declared={},
    )
    kept = summary.trends.select(list(trends.recorded({}).columns))
    store.check(kept, trends.recorded({}), "trends")
    store.check(summary.artefacts, contracts.ARTEFACTS, "artefacts")
    return summary


def _icp(samples, fs_hz, start_s=0.0):
    return Chunk(start_s, {"icp": np.array(samples, float)}, {"icp": fs_hz})


def test_a_block_needs_half_of_its_samples():
    samples = [10.0] * 5 + [np.nan] * 5 + [10.0] * 4 + [np.nan] * 6
    table = _summarise([_icp(samples, 1.0)], duration_s=20.0).trends
    assert table["icp_mmhg"].to_list() == [10.0, None]
    assert table["icp_valid_fraction"].to_list() == pytest.approx([0.5, 0.4])


def test_a_masked_second_does_not_count_in_the_mean():
    samples = [10.0] * 9 + [500.0]
    summary = _summarise([_icp(samples, 1.0)], duration_s=10.0, rules=[RANGE])
    assert summary.trends["icp_mmhg"].to_list() == [10.0]
    assert summary.artefacts.to_dicts() == [
        {"signal": "icp", "start_s": 9.0, "end_s": 10.0, "reason": "range"}
    ]


def test_a_missing_pressure_stays_missing_and_never_becomes_zero():
    table = _summarise([_icp([np.nan] * 20, 1.0)], duration_s=20.0).trends
    assert table["icp_mmhg"].to_list() == [None, None]


def test_a_minute_is_held_over_the_blocks_of_its_minute():
    table = _summarise([_icp([10.0, 20.0], 1 / 60)], duration_s=120.0).trends
    assert table["icp_mmhg"].to_list() == [10.0] * 6 + [20.0] * 6
    assert table["icp_interval_s"].unique().to_list() == [pytest.approx(60.0)]


def test_ten_second_numbers_off_the_grid_are_not_mixed():
    table = _summarise([_icp([10.0, 20.0, 30.0], 0.1)], duration_s=30.0, start_s=3.0).trends
    assert table["t_s"].to_list() == [0.0, 10.0, 20.0]
    assert table["icp_mmhg"].to_list() == [10.0, 20.0, 30.0]


def test_a_gap_leaves_no_blocks():
    chunks = [_icp([10.0] * 20, 1.0), _icp([12.0] * 20, 1.0, start_s=60.0)]
    summary = _summarise(chunks, duration_s=80.0)
    assert summary.trends["t_s"].to_list() == [0.0, 10.0, 60.0, 70.0]
    assert summary.seconds.row(0, named=True) == {
        "signal": "icp",
        "recorded_s": 80.0,
        "valid_s": 40.0,
        "masked_s": 0.0,
        "missing_s": 40.0,
        "negative_s": 0.0,
        "n_gaps": 1,
        "longest_gap_s": 40.0,
    }


def test_amp_needs_every_sample_of_its_block():
    t_s = np.arange(3000) / 100
    wave = 12 + 2 * np.sin(2 * np.pi * 1.2 * t_s)
    abp = wave + 70
    wave[1500] = 500.0
    chunk = Chunk(0.0, {"icp": wave, "abp": abp}, {"icp": 100.0, "abp": 100.0})
    table = _summarise([chunk], duration_s=30.0, rules=[RANGE]).trends
    assert table["amp_mmhg"].to_list() == [
        pytest.approx(2.0, abs=1e-3),
        None,
        pytest.approx(2.0, abs=1e-3),
    ]
    assert table["pulse_rate_per_min"][0] == pytest.approx(72.0, abs=0.1)
    assert differences.add(table, declared={})["cpp_mmhg"].to_list() == pytest.approx(
        [70.0] * 3, abs=0.3
    )


@pytest.mark.parametrize("seed", range(12))
def test_recorded_time_is_valid_masked_or_missing(seed):
    draw = np.random.default_rng(seed)
    fs_hz = float(draw.choice([0.1, 1.0, 50.0, 62.4725]))
    chunks, t_s = [], 0.0
    for _ in range(4):
        n = int(draw.integers(1, 3000 if fs_hz > 1 else 80))
        samples = 10 + draw.normal(size=n)
        samples[draw.random(n) < 0.05] = np.nan
        samples[draw.random(n) < 0.01] = 400.0
        chunks.append(_icp(samples, fs_hz, start_s=t_s))
        t_s += n / fs_hz + float(draw.choice([0.0, 33.0]))
    row = _summarise(
        chunks, duration_s=t_s, start_s=float(draw.uniform(0, 50)), rules=[RANGE]
    ).seconds.row(0, named=True)
    assert row["valid_s"] + row["masked_s"] + row["missing_s"] == row["recorded_s"]
    assert row["recorded_s"] == pytest.approx(t_s, abs=1 / fs_hz)
    n_bad = sum(int((c.samples["icp"] == 400.0).sum()) for c in chunks)
    assert row["masked_s"] >= n_bad / fs_hz - 1e-9


@pytest.mark.parametrize("fs_hz", [25.0, 62.4725, 100.0])
def test_block_means_agree_with_a_plain_loop(fs_hz):
    draw = np.random.default_rng(4)
    wave = 12 + draw.normal(size=6000)
    start_s = 1234.56
    pieces = [wave[:2345], wave[2345:]]
    chunks = [_icp(pieces[0], fs_hz), _icp(pieces[1], fs_hz, start_s=2345 / fs_hz)]
    table = _summarise(chunks, duration_s=6000 / fs_hz, start_s=start_s).trends
    sums: dict[float, list[float]] = {}
    for i, value in enumerate(wave):
        block = (start_s + i / fs_hz + 1e-9) // 10 * 10
        sums.setdefault(block, []).append(value)
    for row in table.iter_rows(named=True):
        values = sums[row["t_s"]]
        if len(values) / (10 * fs_hz) >= 0.5:
            assert row["icp_mmhg"] == pytest.approx(np.mean(values), rel=1e-9)
    assert set(table["t_s"].to_list()) == set(sums)


CONFIG = Path(__file__).resolve().parents[3] / "config" / "config.yaml"
FS_HZ = 50.0


def _restless(seconds, seed):
    """Both waveforms with what every published rule asks for, and a gap in time."""
    draw = np.random.default_rng(seed)
    t_s = np.arange(round(seconds * FS_HZ)) / FS_HZ
    phase = 2 * np.pi * np.cumsum(1.2 + 0.1 * np.sin(t_s / 40)) / FS_HZ
    icp = 12 + 2 * np.sin(phase) + 0.1 * draw.normal(size=t_s.size)
    abp = 90 + 25 * np.sin(phase) + 0.4 * draw.normal(size=t_s.size)

    def at(start_s, end_s):
        return slice(round(start_s * FS_HZ), round(end_s * FS_HZ))

    icp[at(100, 130)], abp[at(105, 125)] = 0.0, 0.1  # zeroing
    abp[at(300, 306)], abp[at(400, 450)] = 298.0, 60.0  # flush, sampling
    icp[at(500, 530)] = -30 + 0.1 * draw.normal(size=1500)  # disconnection
    icp[at(700, 703)] += 40  # spike
    icp[at(800, 810.5)], abp[at(820, 822)] = np.nan, np.nan
    abp[at(2000, 2100)] = 90 + 0.3 * (abp[at(2000, 2100)] - 90)  # damping
    icp[at(900, 950)] = 12 + 0.02 * np.arange(2500) / FS_HZ  # no pulse
    abp[at(1100, 1130)] += 25 * draw.normal(size=1500)  # movement
    icp[at(1200, 1204)] = 150.0  # saturation
    abp[at(1300, 1400)] = np.minimum(abp[at(1300, 1400)], 105.0)
    return {"icp": icp, "abp": abp}


def _in_chunks(samples, n, gap):
    """Chunks of `n` samples; a gap of 37.3 s in time after the sample `gap`."""
    size = samples["icp"].size
    cuts = sorted({*range(0, size, n), gap, size})
    for low, high in itertools.pairwise(cuts):
        yield Chunk(
            low / FS_HZ + 37.3 * (low >= gap),
            {name: values[low:high] for name, values in samples.items()},
            dict.fromkeys(samples, FS_HZ),
        )


def test_the_size_of_the_chunks_changes_no_result():
    settings = yaml.safe_load(CONFIG.read_text(encoding="utf-8"))
    samples = _restless(2700, seed=3)
    once, *others = (
        trends.summarise(
            _in_chunks(samples, n, gap=12_345),
            start_s=1234.5,
            duration_s=2737.3,
            rules=rules_of.from_blocks(settings["cleaning"]["rules"]),
            events=[],
            settings=trend_settings.Settings(**settings["trends"]),
            declared={},
        )
        for n in (135_000, 60_000, 7_001, 1_500)
    )
    reasons = {"zeroing", "flush", "blood_sampling", "disconnection", "saturation", "jump"}
    assert {*reasons, "damping", "no_pulse", "beats"} <= set(once.artefacts["reason"])
    for other in others:
        assert other.artefacts.equals(once.artefacts)
        assert other.seconds.equals(once.seconds)
        assert other.masked.equals(once.masked)
        for signal, account in once.accounts.items():
            assert all(a.equals(b) for a, b in zip(other.accounts[signal], account))
        for name in once.trends.columns:
            expected = once.trends[name].to_numpy()
            values = other.trends[name].to_numpy()
            assert values == pytest.approx(expected, rel=1e-12, nan_ok=True), name


def test_numbers_beside_a_waveform_have_the_rules_of_numbers():
    settings = yaml.safe_load(CONFIG.read_text(encoding="utf-8"))
    icp = _restless(2200, seed=1)["icp"][:3000]
    abp = 90 + np.random.default_rng(2).normal(size=60)
    chunk = Chunk(0.0, {"icp": icp, "abp": abp}, {"icp": FS_HZ, "abp": 1.0})
    rules = settings["cleaning"]["rules"]
    summary = _summarise([chunk], duration_s=60.0, rules=rules)
    assert summary.masked.height == 0


def _waves(fs_hz=100.0, seconds=120):
    """ICP and ABP with a pulse and slow waves; in ICP a gap of 3 s and a spike."""
    t_s = np.arange(int(seconds * fs_hz)) / fs_hz
    icp = 12 + np.sin(2 * np.pi * t_s / 37) + 2 * np.sin(2 * np.pi * 1.23 * t_s)
    icp[int(62 * fs_hz) : int(65 * fs_hz)] = np.nan
    icp[int(33 * fs_hz)] = 400.0
    abp = 90 + 3 * np.sin(2 * np.pi * t_s / 41) + 20 * np.sin(2 * np.pi * 1.23 * t_s)
    return {"icp": icp, "abp": abp}


@pytest.mark.parametrize("start_s", [0.0, 7.3, 15.0])
@pytest.mark.parametrize("n_chunk", [333, 5000])
@pytest.mark.parametrize("block_s", [5.0, 10.0, 30.0])
def test_blocks_of_any_length_are_the_means_of_their_samples(block_s, start_s, n_chunk):
    """A plain loop over the samples; two blocks of 5 s have one AMP, a spike masks a second."""
    fs_hz, samples = 100.0, _waves()
    chunks = [
        Chunk(
            i / fs_hz,
            {s: v[i : i + n_chunk] for s, v in samples.items()},
            {"icp": fs_hz, "abp": fs_hz},
        )
        for i in range(0, 12_000, n_chunk)
    ]
    table = _summarise(
        chunks, duration_s=120.0, start_s=start_s, block_s=block_s, rules=[RANGE]
    ).trends
    t_s = start_s + np.arange(12_000) / fs_hz
    second = np.floor(t_s + 1e-6)
    masked = second == second[samples["icp"] == 400.0]
    samples["icp"] = np.where(masked, np.nan, samples["icp"])
    n_amplitudes = 0
    for row in table.iter_rows(named=True):
        inside = (t_s >= row["t_s"] - 1e-6) & (t_s < row["t_s"] + block_s - 1e-6)
        for signal, values in samples.items():
            of_block = values[inside][np.isfinite(values[inside])]
            share = of_block.size / (block_s * fs_hz)
            assert row[f"{signal}_valid_fraction"] == pytest.approx(share, abs=1e-9)
            expected = pytest.approx(of_block.mean(), rel=1e-9) if share >= 0.5 else None
            assert row[f"{signal}_mmhg"] == expected
        length_s = max(block_s, 10.0)
        first_s = row["t_s"] // length_s * length_s
        pulse = samples["icp"][(t_s >= first_s - 1e-6) & (t_s < first_s + length_s - 1e-6)]
        whole = pulse.size == length_s * fs_hz and np.isfinite(pulse).all()
        assert (row["amp_mmhg"] is not None) == whole
        if whole:
            n_amplitudes += 1
            assert row["amp_mmhg"] == pytest.approx(2.0, rel=0.01)
    assert table.height == len({np.floor((t + 1e-6) / block_s) for t in t_s})
    assert n_amplitudes >= {5.0: 16, 10.0: 8, 30.0: 1}[block_s]


def test_a_longer_block_has_the_mean_of_its_amplitudes_of_10_s():
    t_s = np.arange(9000) / 100
    icp = 12 + (1 + t_s / 30) * np.sin(2 * np.pi * 1.23 * t_s)
    short, long = (
        _summarise([_icp(icp, 100.0)], duration_s=90.0, block_s=block_s).trends
        for block_s in (10.0, 30.0)
    )
    assert short["amp_mmhg"].n_unique() == 9
    for name in ("amp_mmhg", "pulse_rate_per_min"):
        expected = short[name].to_numpy().reshape(3, 3).mean(axis=1)
        assert long[name].to_list() == pytest.approx(expected.tolist(), rel=1e-12)


def test_numbers_slower_than_their_blocks_are_held_in_them():
    """Numbers of 10 s in blocks of 5 s: each twice, and their interval says so."""
    table = _summarise([_icp([10.0, 20.0], 0.1)], duration_s=20.0, block_s=5.0).trends
    assert table["icp_mmhg"].to_list() == [10.0, 10.0, 20.0, 20.0]
    assert table["icp_interval_s"].to_list() == [10.0] * 4
