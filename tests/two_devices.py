"""Two pressures of one patient as two devices write them, drawn with a lag between clocks.

Hearts whose rate varies at 0.1 and 0.25 Hz (after McSharry 2003, from memory) and slow waves
that ICP follows at once, so that PRx is known to be high.
"""

import numpy as np
import wfdb

FS_HZ = 50.0
N_S = 2400


def _slow(t_s, draw):
    """Return waves of 20 to 60 s with irregular phases."""
    periods_s = draw.uniform(20, 60, 12)
    phases = draw.uniform(0, 2 * np.pi, 12)
    return np.sin(2 * np.pi * t_s[:, None] / periods_s + phases).sum(axis=1) / np.sqrt(6)


def pressures(lag_s=0.0, *, drift=0.0, seed=1):
    """Return ICP and ABP of one heart; ICP is written `lag_s` late, and later by the drift."""
    draw = np.random.default_rng(seed)
    t_s = np.arange(-100, N_S + 100, 1 / FS_HZ)
    hz = np.fft.rfftfreq(t_s.size, 1 / FS_HZ)
    power = np.exp(-0.5 * ((hz - 0.1) / 0.02) ** 2) + np.exp(-0.5 * ((hz - 0.25) / 0.02) ** 2)
    phases = np.exp(1j * draw.uniform(0, 2 * np.pi, hz.size))
    wander = np.fft.irfft(np.sqrt(power) * phases, t_s.size)
    phase = 2 * np.pi * np.cumsum(1.2 + 0.03 * wander / wander.std()) / FS_HZ
    slow = _slow(t_s, draw)
    pulse = np.sin(phase) + 0.4 * np.sin(2 * phase)
    abp = 85 + 15 * pulse + 5 * slow + draw.normal(0, 0.5, t_s.size)
    icp = 14 + 1.5 * pulse + 2 * slow + draw.normal(0, 0.1, t_s.size)
    at_s = np.arange(0, N_S, 1 / FS_HZ)
    later_s = lag_s + drift * at_s
    return np.interp(at_s - later_s, t_s, icp), np.interp(at_s, t_s, abp)


def write(folder, name, **signals):
    wfdb.wrsamp(
        name,
        fs=FS_HZ,
        units=["mmHg"] * len(signals),
        sig_name=[signal.upper() for signal in signals],
        p_signal=np.column_stack(list(signals.values())),
        fmt=["16"] * len(signals),
        write_dir=str(folder),
    )
