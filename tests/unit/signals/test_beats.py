"""Beats found in waveforms made beat by beat, and the published limits one at a time."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, signal

from icpcohort.signals import beats, cells, rules

LIMITS = rules.Beats(
    signal="abp",
    max_systolic_mmhg=300.0,
    min_diastolic_mmhg=20.0,
    min_mean_mmhg=30.0,
    max_mean_mmhg=200.0,
    min_rate_per_min=20.0,
    max_rate_per_min=200.0,
    min_pulse_mmhg=20.0,
    max_fall_mmhg_per_s=375.0,
    min_resemblance=0.85,
    changes="ignored",
    max_pressure_change_mmhg=20.0,
    max_period_change_s=0.5,
    window_s=10.0,
    min_abnormal_fraction=0.5,
)


def _wave(periods_s, *, fs_hz=125.0, low=70.0, pulses=50.0):
    """Beats of an upstroke of 0.1 s and a straight fall, each from `low` to `low` + pulse."""
    starts = np.concatenate([[0.0], np.cumsum(periods_s)])
    t_s = np.arange(int(starts[-1] * fs_hz)) / fs_hz
    beat = np.searchsorted(starts, t_s, side="right") - 1
    since, long = t_s - starts[beat], np.asarray(periods_s)[beat]
    rise = np.where(since < 0.1, since / 0.1, (long - since) / (long - 0.1))
    return low + np.broadcast_to(pulses, len(periods_s))[beat] * rise


def _features(**changes):
    usual = {
        "start_s": 0.0,
        "end_s": 0.8,
        "systolic_mmhg": 120.0,
        "diastolic_mmhg": 70.0,
        "mean_mmhg": 90.0,
        "onset_mmhg": 70.0,
        "fall_mmhg_per_s": -80.0,
        "resemblance": 0.98,
    }
    return beats.Features(*(np.array([value]) for value in (usual | changes).values()))


@pytest.mark.parametrize("fs_hz", [50.0, 62.4725, 125.0, 250.0, 500.0])
@pytest.mark.parametrize("period_s", [60 / 45, 0.8, 60 / 180])
def test_every_beat_is_found_with_its_pressures(fs_hz, period_s):
    n = round(30 / period_s)
    features = beats.find(_wave([period_s] * n, fs_hz=fs_hz), t_s=100.0, fs_hz=fs_hz)
    assert n - 2 <= features.start_s.size <= n - 1  # the last has no end
    assert features.end_s[1:-1] - features.start_s[1:-1] == pytest.approx(
        period_s, abs=2.5 / min(fs_hz, 125)
    )
    assert features.start_s[5] == pytest.approx(100 + 5 * period_s, abs=period_s + 3 / fs_hz)
    assert features.systolic_mmhg[2:-2] == pytest.approx(120.0, abs=6.5 if fs_hz < 100 else 3.5)
    assert features.diastolic_mmhg[2:-2] == pytest.approx(70.0, abs=4.0)
    assert features.mean_mmhg[2:-2] == pytest.approx(95.0, abs=2.0)


def test_a_dicrotic_wave_is_no_beat_of_its_own():
    wave = _wave([0.9] * 30)
    t_s = np.arange(wave.size) / 125
    wave = wave + 6 * np.exp(-0.5 * ((t_s % 0.9 - 0.45) / 0.03) ** 2)
    features = beats.find(wave, t_s=0.0, fs_hz=125.0)
    assert features.end_s - features.start_s == pytest.approx(0.9, abs=0.05)


def test_a_line_without_a_pulse_has_no_beats():
    noise = np.random.default_rng(3).normal(size=5000)
    assert beats.find(90 + 0.4 * noise, t_s=0.0, fs_hz=100.0).start_s.size == 0


def test_a_beat_with_a_missing_sample_is_left_out():
    wave = _wave([0.8] * 20)
    whole = beats.find(wave, t_s=0.0, fs_hz=125.0)
    wave[1030] = np.nan
    features = beats.find(wave, t_s=0.0, fs_hz=125.0)
    assert features.start_s.size == whole.start_s.size - 1
    assert not ((features.start_s <= 1030 / 125) & (features.end_s > 1030 / 125)).any()


# Source of the limits: Sun, Reisner and Mark 2006, Computers in Cardiology 33:13-16, and the
# file published with it. A value on a limit is normal.
@pytest.mark.parametrize(
    ("changes", "odd"),
    [
        ({}, False),
        ({"systolic_mmhg": 300.0}, False),
        ({"systolic_mmhg": 300.1}, True),
        ({"diastolic_mmhg": 20.0}, False),
        ({"diastolic_mmhg": 19.9}, True),
        ({"mean_mmhg": 30.0}, False),
        ({"mean_mmhg": 29.9}, True),
        ({"mean_mmhg": 200.0}, False),
        ({"mean_mmhg": 200.1}, True),
        ({"end_s": 3.0}, False),  # 20 per min
        ({"end_s": 3.01}, True),
        ({"end_s": 0.3}, False),  # 200 per min
        ({"end_s": 0.29}, True),
        ({"systolic_mmhg": 90.0}, False),  # a pulse pressure of 20
        ({"systolic_mmhg": 89.9}, True),
        ({"fall_mmhg_per_s": -375.0}, False),  # -3 mmHg a sample of 125 Hz
        ({"fall_mmhg_per_s": -375.1}, True),
        ({"resemblance": 0.85}, False),  # the last two: our own
        ({"resemblance": 0.84}, True),
        ({"resemblance": np.nan}, False),
    ],
)
def test_each_limit(changes, odd):
    assert beats.abnormal(_features(**changes), LIMITS).tolist() == [odd]


def test_a_limit_that_is_left_out_makes_no_beat_abnormal():
    beat = _features(fall_mmhg_per_s=-5000.0, resemblance=-0.5)
    assert beats.abnormal(beat, LIMITS).tolist() == [True]
    without = replace(LIMITS, max_fall_mmhg_per_s=None, min_resemblance=None)
    assert beats.abnormal(beat, without).tolist() == [False]


@pytest.mark.parametrize(
    ("pulse_mmhg", "by_code", "by_header"), [(25.0, False, True), (19.0, True, True)]
)
def test_the_published_file_contradicts_itself_on_the_pulse_pressure(
    pulse_mmhg, by_code, by_header
):
    beat = _features(systolic_mmhg=70 + pulse_mmhg)
    assert beats.abnormal(beat, LIMITS).tolist() == [by_code]
    assert beats.abnormal(beat, replace(LIMITS, min_pulse_mmhg=30.0)).tolist() == [by_header]


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("systolic_mmhg", [120.0, 140.0, 160.1]),
        ("diastolic_mmhg", [60.0, 80.0, 59.9]),
        ("onset_mmhg", [60.0, 80.0, 59.9]),
        ("period_s", [0.7, 1.2, 1.71]),
    ],
)
def test_changes_from_beat_to_beat_count_only_if_asked_for(name, values):
    row = {n: np.repeat(v, 3) for n, v in _features()._asdict().items()}
    period_s = np.array(values) if name == "period_s" else np.full(3, 0.8)
    row["end_s"] = np.cumsum(period_s)
    row["start_s"] = row["end_s"] - period_s
    if name != "period_s":
        row[name] = np.array(values)
    features = beats.Features(**row)
    assert not beats.abnormal(features, LIMITS).any()
    counted = beats.abnormal(features, replace(LIMITS, changes="counted"))
    assert counted.tolist() == [False, False, True]
    late_s = np.array([0, 0, 5])
    apart = features._replace(start_s=features.start_s + late_s, end_s=features.end_s + late_s)
    assert not beats.abnormal(apart, replace(LIMITS, changes="counted")).any()


def _whole(pieces):
    finder = beats.Finder(LIMITS, fs_hz=50.0)
    parts = [
        c for samples, t_s in pieces for c in finder.push(samples, t_s=t_s)
    ] + finder.finish()
    joined = parts[0]
    for more in parts[1:]:
        joined = cells.join([joined, more])
    return joined


@pytest.mark.parametrize("n", [5000, 7777, 20_000])
def test_the_size_of_the_chunks_changes_no_beat(n):
    draw = np.random.default_rng(2)
    wave = _wave(
        draw.uniform(0.5, 1.2, size=1800), fs_hz=50.0, pulses=draw.uniform(10, 60, 1800)
    )
    wave[30_000:30_100] = np.nan
    start_s = 123.4
    once = _whole([(wave, start_s)])
    cut = range(0, wave.size, n)
    parts = _whole([(wave[i : i + n], start_s + i / 50.0) for i in cut])
    # a piece may cut a second of the patient's clock only where samples came so
    assert (
        np.add.reduceat(parts.n, np.flatnonzero(np.diff(parts.t_s, prepend=-1))).sum()
        == wave.size
    )
    for name in ("t_s", "n", "n_valid", "n_beats", "n_abnormal"):
        assert getattr(parts, name).tolist() == getattr(once, name).tolist()
    assert 0 < (once.n_abnormal > 0).mean() < 1
    assert once.n_beats.sum() > 1500


def test_cells_count_the_beats_that_touch_them():
    counted = _whole([(_wave([0.8] * 100, fs_hz=50.0), 0.0)])
    assert set(counted.n_beats[5:70].tolist()) <= {2, 3}
    # 62.5 beats begin in 50 s, and each second's first sample belongs to one begun before
    assert counted.n_beats[10:60].sum() == pytest.approx(62.5 + 50 * 0.8, abs=14)
    assert counted.n_abnormal.sum() == 0


def test_beats_across_the_end_of_a_piece_are_counted():
    """Pieces end at 600 s; a beat that lies across belongs to the seconds on both sides."""
    counted = _whole([(_wave([0.8] * 800, fs_hz=50.0), 0.0)])
    around = (counted.t_s >= 590) & (counted.t_s < 610)
    assert set(counted.n_beats[around].tolist()) <= {2, 3}


def test_a_gap_ends_what_is_looked_at():
    wave = _wave([0.8] * 100, fs_hz=50.0)
    counted = _whole([(wave[:2000], 0.0), (wave[2000:], 100.0)])
    assert counted.n.sum() == wave.size
    assert counted.t_s.tolist() == [*range(40), *range(100, 140)]


# --- at any rate, and relative to the patient's own beats ------------------------------------

RATES_HZ = [50.0, 100.0, 125.0, 128.0, 200.0, 249.0, 250.0, 256.0, 360.0, 500.0]
RELATIVE = replace(
    LIMITS, max_fall_mmhg_per_s=None, max_rate_per_min=240.0, min_pulse_mmhg=10.0
)


def _pressure(fs_hz, *, rate=75.0, pulse=50.0, seconds=120, seed=7):
    """Beats of a smooth shape with a dicrotic wave, a little irregular, at any rate."""
    draw = np.random.default_rng(seed)
    starts = np.cumsum(60 / rate * (1 + 0.03 * draw.normal(size=round(seconds * rate / 40))))
    t_s = np.arange(round(seconds * fs_hz)) / fs_hz
    beat = np.searchsorted(starts, t_s, side="right")
    edges = np.concatenate([[0.0], starts])
    phase = (t_s - edges[beat]) / np.diff(edges)[beat]
    shape = 0.02 * np.ones(t_s.size)
    for height, centre, width in ((1.0, 0.2, 0.075), (0.55, 0.38, 0.11), (0.25, 0.6, 0.05)):
        away = (phase - centre + 0.5) % 1 - 0.5
        shape += height * np.exp(-0.5 * (away / width) ** 2)
    return 70 + pulse * shape + 2.5 * np.sin(2 * np.pi * 0.25 * t_s)


def _ringing(samples, fs_hz, *, natural_hz, damping):
    """What an underdamped line, a system of second order, makes of a pressure."""
    w = 2 * np.pi * natural_hz
    (b,), a, _ = signal.cont2discrete(([w * w], [1, 2 * damping * w, w * w]), 1 / fs_hz)
    return signal.lfilter(b, a, samples, zi=signal.lfilter_zi(b, a) * samples[0])[0]


def _share(samples, fs_hz, limits=RELATIVE):
    return beats.abnormal(beats.find(samples, t_s=3.3, fs_hz=fs_hz), limits).mean()


@pytest.mark.parametrize("noise_mmhg", [0.0, 1.0])
@pytest.mark.parametrize(("rate", "pulse"), [(60.0, 60.0), (139.0, 60.0), (110.0, 30.0)])
def test_the_sampling_rate_changes_neither_the_beats_nor_which_are_abnormal(
    rate, pulse, noise_mmhg
):
    """With 1 mmHg of noise 77 % of beats were abnormal at 249 Hz and none at 250 Hz."""
    n_beats, shares = [], []
    for fs_hz in RATES_HZ:
        samples = _pressure(fs_hz, rate=rate, pulse=pulse)
        noise = noise_mmhg * np.random.default_rng(1).normal(size=samples.size)
        n_beats.append(beats.find(samples + noise, t_s=0.0, fs_hz=fs_hz).start_s.size)
        shares.append(_share(samples + noise, fs_hz))
    assert max(n_beats) - min(n_beats) <= 1
    assert max(shares) - min(shares) <= 0.01
    assert max(shares) <= 0.01


def test_a_grid_of_time_does_not_depend_on_where_a_piece_begins():
    samples = _pressure(360.0)
    whole = beats.find(samples, t_s=100.0, fs_hz=360.0)
    n = 12_345
    part = beats.find(samples[n:], t_s=100.0 + n / 360.0, fs_hz=360.0)
    same = whole.start_s > part.start_s[5]
    assert part.start_s[6:] == pytest.approx(whole.start_s[same], abs=1e-9)
    assert part.systolic_mmhg[6:] == pytest.approx(whole.systolic_mmhg[same], abs=1e-6)


@pytest.mark.parametrize("rate", [40.0, 80.0, 139.0, 180.0, 220.0])
def test_fast_hearts_and_lines_that_ring_are_the_patients(rate):
    """Falls of 309 mmHg/s at 139 a minute are flawless, and a ringing line keeps its mean."""
    samples = _pressure(500.0, rate=rate, pulse=60.0)
    assert _share(samples, 500.0) <= 0.02
    for natural_hz, damping in ((8.0, 0.1), (12.0, 0.15), (18.0, 0.1)):
        rings = _ringing(samples, 500.0, natural_hz=natural_hz, damping=damping)
        # at 220 a minute some waves of the ring count as beats; a mask asks for half of them
        assert _share(rings, 500.0) <= (0.02 if rate < 200 else 0.25)
    published = replace(RELATIVE, max_fall_mmhg_per_s=375.0, min_resemblance=None)
    rings = _ringing(samples, 500.0, natural_hz=8.0, damping=0.1)
    assert _share(rings, 500.0, published) > 0.9 or rate < 139


@pytest.mark.parametrize("rate", [60.0, 110.0])
@pytest.mark.parametrize("fs_hz", [50.0, 125.0, 500.0])
def test_movement_and_electrocautery_resemble_no_neighbour(fs_hz, rate):
    draw = np.random.default_rng(4)
    samples = _pressure(fs_hz, rate=rate)
    slow = ndimage.uniform_filter1d(draw.normal(size=samples.size), round(0.15 * fs_hz))
    assert _share(samples + 30 * slow / slow.std(), fs_hz) > 0.8
    broad = draw.normal(size=samples.size) * 40 * np.sqrt(fs_hz / 50)
    assert _share(samples + broad, fs_hz) > 0.8


def test_a_single_odd_beat_leaves_the_ones_around_it_normal():
    samples = _pressure(100.0, rate=60.0)
    t_s = np.arange(samples.size) / 100.0
    samples = samples + 60 * np.exp(-0.5 * ((t_s - 50.4) / 0.05) ** 2)
    odd = beats.abnormal(beats.find(samples, t_s=0.0, fs_hz=100.0), RELATIVE)
    assert 1 <= odd.sum() <= 3
