"""AMP against sinusoids of known amplitude (A01-A05)."""

import numpy as np
import pytest

from icpcohort import pulse

T_S = np.arange(1000) / 100  # 10 s at 100 Hz


def _wave(*parts):
    return np.full(T_S.size, 12.0) + sum(
        size * np.sin(2 * np.pi * hz * T_S + phase) for size, hz, phase in parts
    )


def _amplitude(wave, method):
    lines = pulse.spectrum(wave[None, :], fs_hz=100.0, method=method)
    found = pulse.highest(lines, min_hz=0.667, max_hz=3.0)
    return float(found.amplitude_mmhg[0]), float(found.rate_hz[0])


@pytest.mark.parametrize("overtone", [0.0, 0.8])
def test_the_fundamental_is_read_whatever_its_overtone(overtone):
    """A01, A02: true amplitude 2.0, analytic."""
    wave = _wave((2, 1.2, 0), (overtone, 2.4, 0.5))
    assert _amplitude(wave, "rectangular")[0] == pytest.approx(2.0, abs=1e-9)
    assert _amplitude(wave, "hann")[0] == pytest.approx(2.0, abs=1e-9)
    # Taking off the straight line costs 4e-5 of a wave that has none.
    assert _amplitude(wave, "interpolated")[0] == pytest.approx(2.0, abs=2e-4)


def test_peak_to_trough_is_another_quantity():
    """A03: 4.79 for the wave whose fundamental is 2.0."""
    wave = _wave((2, 1.2, 0), (0.8, 2.4, 0.5))
    assert np.ptp(wave) == pytest.approx(4.792304022872965, abs=1e-6)
    assert _amplitude(wave, "hann")[0] < np.ptp(wave) / 2


def test_plain_spectra_read_low_between_two_lines_and_the_default_does_not():
    """A04, A05: 12.5 cycles in the block, true amplitude 2.0; losses computed with numpy."""
    wave = _wave((2, 1.25, 0))
    assert _amplitude(wave, "rectangular")[0] == pytest.approx(1.2991716450849153, abs=1e-6)
    assert _amplitude(wave, "hann")[0] == pytest.approx(1.697691179011319, abs=1e-6)
    assert _amplitude(wave, "interpolated") == pytest.approx((2.0, 1.25), abs=1e-4)


@pytest.mark.parametrize("rate_hz", np.linspace(0.75, 2.9, 30))
def test_any_heart_rate_is_read_within_a_percent_on_a_slow_wave(rate_hz):
    wave = _wave((2, rate_hz, 1.0), (0.9, 2 * rate_hz, 0.3), (3.0, 0.02, 0.4))
    amplitude, rate = _amplitude(wave, "interpolated")
    assert amplitude == pytest.approx(2.0, rel=0.01)
    assert rate == pytest.approx(rate_hz, abs=0.005)


def test_a_strong_breath_below_the_band_is_not_taken_for_the_heart():
    amplitude, rate = _amplitude(_wave((4, 0.3, 0), (1, 1.4, 0)), "interpolated")
    assert (amplitude, rate) == pytest.approx((1.0, 1.4), rel=0.02)


def test_no_pulse_gives_no_amplitude():
    assert np.isnan(_amplitude(_wave((4, 0.3, 0)), "interpolated")[0])
    assert np.isnan(_amplitude(_wave(), "interpolated")[0])
