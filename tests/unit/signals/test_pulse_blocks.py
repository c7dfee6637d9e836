from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import yaml
from published_settings import PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.recordings import Chunk
from icpcohort.signals import pulse_blocks, trend_settings, trends
from icpcohort.signals import rules as rules_of

FS_HZ = 100.0
T_S = np.arange(6000) / FS_HZ
HEART_HZ, BREATH_HZ = 1.3, 1 / 3
CONFIG = Path(__file__).resolve().parents[3] / "config" / "config.yaml"


def _pulse(hz, t_s=T_S):
    """Three peaks in a cycle."""
    phase = hz * t_s % 1
    bumps = ((2.0, 0.15, 0.045), (1.6, 0.34, 0.06), (0.9, 0.57, 0.07))
    return sum(h * np.exp(-0.5 * ((phase - c) / w) ** 2) for h, c, w in bumps)


def _sine(size, hz):
    return size * np.sin(2 * np.pi * hz * T_S + 0.3)


def _trends(icp, abp=None, *, fs_hz=FS_HZ, **settings):
    waves = {"icp": icp} if abp is None else {"icp": icp, "abp": abp}
    n = int(FS_HZ / fs_hz)
    waves = {name: wave[::n] for name, wave in waves.items()}
    rules = [
        {"rule": "range", "signal": s, "min": -50.0, "max": 400.0, "margin_s": 0.0}
        for s in ("icp", "abp")
    ]
    summary = trends.summarise(
        [Chunk(0.0, waves, dict.fromkeys(waves, fs_hz))],
        start_s=0.0,
        duration_s=60.0,
        rules=rules_of.from_blocks(rules),
        events=[],
        settings=trend_settings.Settings(**(PUBLISHED["trends"] | settings)),
        declared={},
    )
    kept = summary.trends.select(list(trends.recorded({}).columns))
    store.check(kept, trends.recorded({}), "trends")
    return kept


def _counts(table):
    findings = pulse_blocks.findings(table, patient_id="P1", block_s=10.0, tolerance_hz=0.15)
    store.check(findings, contracts.PULSE_FINDINGS, "findings")
    return dict(findings.select("finding", "n_blocks").iter_rows())


ABP = 90 + _sine(20, HEART_HZ)
HARMONIC = _sine(4, BREATH_HZ) + _sine(3, 3 * BREATH_HZ)


def test_every_block_of_a_waveform_has_one_finding():
    """Seconds 0-10 agree, 10-20 are moved, 20-30 have no peak at the heart rate, and so on."""
    icp, abp = 12 + _sine(1.5, HEART_HZ), ABP.copy()
    block = [slice(1000 * k, 1000 * (k + 1)) for k in range(6)]
    icp[block[1]] += HARMONIC[block[1]]
    icp[block[2]] = 12 + _sine(3, 2.4)[block[2]]
    abp[block[3]] = 90.0
    icp[block[4]], abp[block[4]] = 12.0, 90.0
    icp[5500] = np.nan
    table = _trends(icp, abp)
    names = ("at_abp_rate", "moved_to_abp_rate", "no_peak_at_abp_rate", "icp_alone")
    assert _counts(table) == dict.fromkeys((*names, "no_peak", "incomplete"), 1)
    assert table["amp_mmhg"].is_not_null().to_list() == [True, True, False, True, False, False]
    assert table["amp_mmhg"].drop_nulls().to_list() == pytest.approx([1.5] * 3, rel=0.05)
    assert table["icp_peak_rate_per_min"][1] == pytest.approx(60, abs=1)
    assert table["abp_pulse_rate_per_min"].null_count() == 3


def test_numbers_have_no_pulse_and_no_finding():
    table = _trends(12 + _sine(1.5, 0.1), fs_hz=1.0)
    assert _counts(table) == {}
    for name in pulse_blocks.COLUMNS:
        assert table[name].null_count() == table.height


def test_masked_abp_does_not_decide_where_the_heart_is():
    icp, abp = 12 + _sine(1.5, HEART_HZ) + HARMONIC, ABP.copy()
    abp[500:510] = 420.0
    table = _trends(icp, abp)
    assert table["pulse_rate_per_min"][0] == pytest.approx(60, abs=1)
    assert table["abp_pulse_rate_per_min"][0] is None
    assert table["pulse_rate_per_min"][1:].to_list() == pytest.approx([78] * 5, abs=1)
    assert _counts(table) == {"icp_alone": 1, "moved_to_abp_rate": 5}


def test_pulses_cut_at_the_rate_of_masked_abp_are_not_given():
    icp, abp = 12 + _sine(1.5, HEART_HZ) + HARMONIC, ABP.copy()
    abp[500] = 420.0  # one sample: the heart rate is still clear
    of_abp = _trends(icp, abp)
    assert of_abp["amp_mmhg"].null_count() == 0
    assert of_abp["peak_to_trough_mmhg"].is_null().to_list() == [True] + [False] * 5
    assert of_abp["n_pulses_averaged"].is_null().to_list() == [True] + [False] * 5


def test_without_abp_the_highest_peak_of_icp_is_taken():
    table = _trends(12 + _sine(1.5, HEART_HZ))
    assert table["amp_mmhg"].to_list() == pytest.approx([1.5] * 6, rel=1e-3)
    assert _counts(table) == {"icp_alone": 6}


def test_the_setting_turns_the_comparison_with_abp_off():
    table = _trends(12 + _sine(1.5, HEART_HZ) + HARMONIC, ABP, pulse_rate_from="icp")
    assert table["pulse_rate_per_min"].to_list() == pytest.approx([60] * 6, abs=1)
    assert _counts(table) == {"icp_alone": 6}


def test_the_three_peaks_and_the_height_stand_beside_amp():
    table = _trends(12 + _pulse(HEART_HZ), ABP)
    assert table["p2_p1_ratio"].to_list() == pytest.approx([0.8] * 6, rel=0.03)
    assert table["p1_mmhg"].to_list() == pytest.approx([2.0] * 6, rel=0.03)
    assert table["p3_mmhg"].to_list() == pytest.approx([0.9] * 6, rel=0.05)
    assert set(table["n_pulses_averaged"]) <= {10, 11}
    assert table["peak_to_trough_mmhg"].to_list() == pytest.approx([2.0] * 6, rel=0.03)
    assert table["amp_mmhg"].max() < 1.0


@pytest.mark.parametrize(("fs_hz", "settings"), [(50.0, {}), (FS_HZ, {"shape_method": "none"})])
def test_where_the_shape_is_not_sought_it_is_missing_and_the_height_is_there(fs_hz, settings):
    table = _trends(12 + _pulse(HEART_HZ), ABP, fs_hz=fs_hz, **settings)
    for name in ("n_pulses_averaged", "p1_mmhg", "p2_mmhg", "p3_mmhg", "p2_p1_ratio"):
        assert table[name].null_count() == 6
    assert table["peak_to_trough_mmhg"].null_count() == 0


def test_merged_peaks_were_sought_and_are_missing():
    """So the yield counts them: the pulses were averaged, and the ratio is null."""
    phase = HEART_HZ * T_S % 1
    table = _trends(12 + 3 * np.exp(-0.5 * ((phase - 0.3) / 0.11) ** 2), ABP)
    assert table["n_pulses_averaged"].null_count() == 0
    assert table["p2_p1_ratio"].null_count() == 6


def test_blocks_of_p1_and_p2_alone_are_counted_beside_where_amp_comes_from():
    """A third peak of a twentieth of the height is no peak."""
    phase = HEART_HZ * T_S % 1
    bumps = ((2.0, 0.15, 0.045), (1.6, 0.34, 0.06), (0.1, 0.57, 0.07))
    pulse = sum(h * np.exp(-0.5 * ((phase - c) / w) ** 2) for h, c, w in bumps)
    table = _trends(12 + pulse, ABP)
    assert table["p2_p1_ratio"].to_list() == pytest.approx([0.8] * 6, rel=0.03)
    assert table["p3_mmhg"].null_count() == 6
    assert _counts(table) == {"at_abp_rate": 6, "p1_p2_alone": 6}


def test_the_sentences_say_what_was_set():
    published = trend_settings.Settings(**PUBLISHED["trends"])
    on, off = (
        pulse_blocks.methods_sentence(replace(published, shape_method=method))
        for method in ("curvature", "none")
    )
    assert "100 Hz" in on and "2.5 % of a period" in on
    assert off.endswith("P1, P2 and P3 were not sought.")


def test_the_findings_are_those_of_the_contract():
    about = contracts.PULSE_FINDINGS.columns["finding"].about
    names = ("at_abp_rate", "moved_to_abp_rate", "icp_alone", "no_peak", "incomplete")
    assert all(name in about for name in (*names, "no_peak_at_abp_rate", "p1_p2_alone"))


@pytest.mark.parametrize("start_s", [0.0, 1234.504])
def test_the_size_of_the_chunks_changes_no_pulse(start_s):
    """At 62.5 and 125 Hz, with samples on the starts of blocks and between them."""
    settings = yaml.safe_load(CONFIG.read_text(encoding="utf-8"))["trends"]
    draw = np.random.default_rng(4)
    t_s = np.arange(125 * 120) / 125
    icp = 12 + _pulse(HEART_HZ, t_s) + 0.1 * draw.normal(size=t_s.size)
    abp = (90 + 20 * np.sin(2 * np.pi * HEART_HZ * t_s))[::2]
    fs_hz = {"icp": 125.0, "abp": 62.5}
    tables = []
    for seconds in (120, 48, 8):
        chunks = [
            Chunk(low, {"icp": icp[125 * low :][: 125 * seconds]}, {"icp": 125.0})
            for low in range(0, 120, seconds)
        ]
        for chunk in chunks:
            first = int(62.5 * chunk.start_s)
            chunk.samples["abp"] = abp[first : first + int(62.5 * seconds)]
            chunk.fs_hz["abp"] = fs_hz["abp"]
        made = trends.summarise(
            chunks,
            start_s=start_s,
            duration_s=120.0,
            rules=[],
            events=[],
            settings=trend_settings.Settings(**settings),
            declared={},
        )
        tables.append(made.trends.filter(pl.col("icp_valid_fraction") == 1.0))
    once, *others = tables
    assert once.height >= 11
    for name in pulse_blocks.COLUMNS:
        assert once[name].null_count() == 0, name
        for other in others:
            assert other[name].to_list() == pytest.approx(once[name].to_list(), rel=1e-12)
