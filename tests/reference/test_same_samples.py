"""The same samples in any format give the same masks and the same index.

Writers: the wfdb library, polars, and EDF byte by byte (tests/recording_files.py). All samples
are whole steps of 1/128 mmHg, which a double, a decimal, and the scales of these files hold
exactly. In the record of its own scale the lowest and the highest sample are the ends of format
16, as the library's writer makes them if it is not told a gain.
"""

import runpy
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import wfdb
from published_settings import PUBLISHED

from icpcohort import contracts, recordings
from icpcohort.indices import correlation
from icpcohort.signals import ingest

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))
FS_HZ, MINUTES = 50, 15
STEP_MMHG = 1 / 128
LOWEST, HIGHEST = -56.0, -56.0 + 32767 / 128


def _samples():
    """ICP and ABP, of which a sensor clips two minutes, stands, and loses its pulse."""
    draw = np.random.default_rng(11)
    t_s = np.arange(MINUTES * 60 * FS_HZ) / FS_HZ
    slow = np.repeat(draw.normal(size=(2, MINUTES * 6)), 10 * FS_HZ, axis=1)
    beat = np.cumsum(1 / FS_HZ / (0.8 + 0.01 * slow[0]))
    pulse = np.exp(3 * (np.cos(2 * np.pi * beat) - 1))
    breath = np.sin(2 * np.pi * 0.25 * t_s)
    abp = 75 + 50 * pulse + 3 * slow[0] + 2 * breath + 0.2 * draw.normal(size=t_s.size)
    icp = 10 + 5 * pulse + 0.5 * breath + 0.8 * slow[0] + slow[1]
    abp[6000:12000] = np.minimum(abp[6000:12000], 110.0)
    abp[20000:20300] = HIGHEST
    abp[25000:27000] = 40.0
    icp[30000:30100] = LOWEST
    samples = {"ICP": icp, "ABP": abp}
    for values in samples.values():
        values[0], values[1] = LOWEST, HIGHEST
    return {
        name: np.clip(np.round(values / STEP_MMHG) * STEP_MMHG, LOWEST, HIGHEST)
        for name, values in samples.items()
    }


def _wfdb(folder, samples, **scale):
    values = np.column_stack(list(samples.values()))
    wfdb.wrsamp(
        "r",
        fs=FS_HZ,
        units=["mmHg"] * 2,
        sig_name=list(samples),
        p_signal=values,
        fmt=["16"] * 2,
        write_dir=str(folder),
        **scale,
    )
    return folder / "r.hea"


def _edf(folder, samples):
    digital = [np.round(values / STEP_MMHG).astype(int) for values in samples.values()]
    signals = [
        FILES["edf_signal"](name, "mmHg", FS_HZ, physical=(-250, 250), digital=(-32000, 32000))
        for name in samples
    ]
    seconds = [[d[i : i + FS_HZ] for d in digital] for i in range(0, digital[0].size, FS_HZ)]
    path = folder / "r.edf"
    path.write_bytes(FILES["edf"](signals, seconds))
    return path


def _table(folder, samples, ending):
    n = next(iter(samples.values())).size
    frame = pl.DataFrame({"t_s": np.arange(n) / FS_HZ} | samples)
    frame = frame.rename({name: f"{name} [mmHg]" for name in samples})
    path = folder / f"r.{ending}"
    frame.write_csv(path) if ending == "csv" else frame.write_parquet(path)
    return path


def _ingested(path):
    row = dict.fromkeys(contracts.recording_list(PUBLISHED).columns)
    kind = {".hea": "wfdb"}.get(path.suffix, path.suffix[1:])
    row |= {"recording_id": "r", "patient_id": "P1", "path": path.name, "format": kind}
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(path.parent),
        rows=[row | {"start_s": 0.0}],
        events=[],
        monitors=[],
        level=dict.fromkeys(("abp_level", "bed_angle_deg", "heart_to_tragus_cm")),
        left_out={},
        sections=ingest.sections_of(PUBLISHED),
    )
    assert done.excluded.is_empty(), done.excluded.to_dicts()
    prx = correlation.moving_pearson(
        done.trends["icp_mmhg"].to_numpy(),
        done.trends["abp_mmhg"].to_numpy(),
        n_values=30,
        step=6,
        min_valid_fraction=0.5,
    )
    return done.artefacts, prx


@pytest.fixture(scope="module")
def by_format(tmp_path_factory):
    samples = _samples()
    paths = {}
    for name in ("own scale", "full scale", "edf", "csv", "parquet"):
        folder = tmp_path_factory.mktemp(name.replace(" ", "_"))
        if name == "own scale":
            paths[name] = _wfdb(folder, samples)
        elif name == "full scale":
            paths[name] = _wfdb(folder, samples, adc_gain=[128.0] * 2, baseline=[0] * 2)
        else:
            paths[name] = (
                _edf(folder, samples) if name == "edf" else _table(folder, samples, name)
            )
    return {name: _ingested(path) for name, path in paths.items()}


@pytest.mark.parametrize("other", ["own scale", "full scale", "edf", "csv"])
def test_the_same_samples_have_the_same_masks_and_prx_in_any_format(by_format, other):
    """A file scaled to its own data once had its highest beats masked, and another PRx."""
    artefacts, prx = by_format["parquet"]
    assert {"saturation", "blood_sampling", "range"} <= set(artefacts["reason"])
    held = artefacts.filter(pl.col("reason") == "saturation")
    assert (held["end_s"] - held["start_s"]).sum() > 110
    assert by_format[other][0].equals(artefacts)
    assert np.isfinite(prx).sum() >= 5
    assert by_format[other][1] == pytest.approx(prx, abs=1e-6, nan_ok=True)


def test_coarser_steps_of_a_file_change_prx_by_little(tmp_path, by_format):
    """Steps of 0.8 mmHg, as some archives have: a mean of 10 s hardly feels them."""
    samples = {name: np.round(v / 0.8) * 0.8 for name, v in _samples().items()}
    artefacts, prx = _ingested(_table(tmp_path, samples, "parquet"))
    fine, fine_prx = by_format["parquet"]
    masked_s = [(t["end_s"] - t["start_s"]).sum() for t in (artefacts, fine)]
    assert masked_s[0] == pytest.approx(masked_s[1], abs=30)
    both = np.isfinite(prx) & np.isfinite(fine_prx)
    assert np.abs(prx - fine_prx)[both].max() < 0.02
