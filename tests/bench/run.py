"""Speed and memory of one patient's signals, against a plain peer and one bare pass.

Each is a process of its own on the same recording (2 channels, 100 Hz, WFDB format 16) with a
warm page cache and one thread, as a job of the workflow has; CPU seconds without imports, peak
memory of the whole process.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
FS_HZ = 100
UNITS_PER_MMHG = 80
# The peer holds all samples: ten days of them would not fit into a small machine.
WAYS = {
    24: ("bare", "no_beats", "no_shape", "ingest", "ours", "peer"),
    240: ("bare", "no_beats", "no_shape", "ingest"),
}
NEEDS = {
    "bare": "numpy",
    "no_beats": "icpcohort.ingest, yaml",
    "no_shape": "icpcohort.ingest, yaml",
    "ingest": "icpcohort.ingest, yaml",
    "ours": "icpcohort.ingest, icpcohort.indices, yaml",
    "peer": "pandas, scipy.signal, wfdb",
}


def simulate(folder: Path, hours: int, *, fs_hz: int) -> Path:
    """Write a recording of slow waves, pulse and noise, a day at a time."""
    import numpy as np

    draw = np.random.default_rng(1)
    n = 24 * 3600 * fs_hz
    checksums = np.zeros(2, np.int64)
    with (folder / f"h{hours}.dat").open("wb") as file:
        for day in range(hours // 24):
            t_s = np.arange(day * n, (day + 1) * n) / fs_hz
            slow = np.repeat(draw.normal(size=n // (10 * fs_hz)), 10 * fs_hz)
            pulse = np.sin(2 * np.pi * 1.23 * t_s)
            cpp = 75 + 12 * np.sin(2 * np.pi * t_s / 9000)
            rho = np.clip(0.004 * (cpp - 75) ** 2 - 0.2, -0.9, 0.9)
            icp = 12 + 2 * pulse + 1.5 * rho * slow + 0.2 * draw.normal(size=n)
            abp = cpp + 12 + 20 * pulse + 4 * slow + 0.5 * draw.normal(size=n)
            digital = np.round(UNITS_PER_MMHG * np.column_stack([icp, abp])).astype("<i2")
            checksums += digital.sum(axis=0, dtype=np.int64)
            digital.tofile(file)
    lines = [f"h{hours} 2 {fs_hz} {hours // 24 * n}"]
    for name, total in zip(("ICP", "ABP"), checksums, strict=True):
        checksum = (int(total) + 2**15) % 2**16 - 2**15
        lines.append(f"h{hours}.dat 16 {UNITS_PER_MMHG}(0)/mmHg 16 0 0 {checksum} 0 {name}")
    path = folder / f"h{hours}.hea"
    path.write_text("\n".join(lines) + "\n")
    return path


def bare(path: Path) -> None:
    """Read every sample once in blocks and take its mean: the least anything can do."""
    import numpy as np

    total = 0.0
    with path.with_suffix(".dat").open("rb") as file:
        while (block := np.fromfile(file, "<i2", 2 * 60_000)).size:
            total += float(block.reshape(-1, 2).astype(np.float64).mean(axis=0).sum())


def settings():
    """Return the published settings."""
    import yaml

    return yaml.safe_load((HERE.parents[1] / "config/config.yaml").read_text())


def ingest(path: Path, *, leave_out: str = "", **changed: str) -> object:
    """From the file to 10-s means, as the workflow's first job of a patient does it."""
    from icpcohort import ingest

    given = settings()
    rules = [rule for rule in given["cleaning"]["rules"] if rule["rule"] != leave_out]
    row = dict.fromkeys(("icp_channel", "abp_channel", "icp_unit", "abp_unit", "clock_zone"))
    row |= {"recording_id": "r", "patient_id": "p", "path": path.name, "format": "wfdb"}
    return ingest.ingest_patient(
        "p",
        folder=path.parent,
        rows=[row | {"start_s": 0.0}],
        events=[],
        monitors=[],
        level=dict.fromkeys(("abp_level", "bed_angle_deg", "heart_to_tragus_cm")),
        summarise={"rules": rules, **given["trends"], **changed},
        levelling=given["levels"],
        **given["recordings"],
    )


def no_beats(path: Path) -> None:
    """The same without the rule of beats, so that its cost is seen apart."""
    ingest(path, leave_out="beats")


def no_shape(path: Path) -> None:
    """The same without P1, P2 and P3."""
    ingest(path, shape_method="none")


def ours(path: Path) -> None:
    """From the file to minutes, as the workflow's two jobs of a patient do it."""
    from icpcohort import curves, indices, reactivity

    done, given = ingest(path), settings()
    curve = dict(given["optimal_cpp"])
    windows_min, min_valid_fraction = curve.pop("windows_min"), curve.pop("min_valid_fraction")
    index = dict(given["reactivity"])
    not_during = index.pop("not_during")
    made = indices.compute(
        done.trends,
        events=[],
        minute_min_valid_fraction=given["minutes"]["min_valid_fraction"],
        correlations=reactivity.CorrelationRules(**index),
        not_during=not_during,
        curve=curves.CurveRules(
            **curve,
            **{
                name: index[name]
                for name in ("block_s", "n_blocks", "averaging", "fisher_clip")
            },
        ),
        windows_min=windows_min,
        min_valid_fraction=min_valid_fraction,
    )
    assert made["cppopt_mmhg"].count() > 0


def peer(path: Path) -> None:
    """Compute the same outputs the plain way."""
    sys.path.insert(0, str(HERE))
    import peer as plain

    assert plain.compute(str(path.with_suffix("")))["cppopt"].notna().any()


# Linux: unlike `ru_maxrss`, VmHWM does not begin at the peak of the process that starts it.
CHILD = """
import re, sys, time
sys.path.insert(0, {here!r})
import run, pathlib
import {needs}
path = pathlib.Path({path!r})
start = time.process_time()
getattr(run, {way!r})(path)
seconds = time.process_time() - start
status = pathlib.Path("/proc/self/status").read_text()
print(seconds, int(re.search(r"VmHWM:\\s*(\\d+) kB", status)[1]) / 1024)
"""
ONE_THREAD = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1"}


def child(code: str) -> str:
    """Run code in a process of its own and return what it prints."""
    out = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env=os.environ | ONE_THREAD,
    )
    if out.returncode:
        sys.exit(out.stderr)
    return out.stdout


def measure(way: str, path: Path) -> tuple[float, float]:
    """Return CPU seconds and peak MB of one way."""
    code = CHILD.format(here=str(HERE), way=way, needs=NEEDS[way], path=str(path))
    seconds, peak_mb = (float(value) for value in child(code).split())
    return seconds, peak_mb


def main() -> None:
    """Print a row for each length and way, and what these say of the first job of a patient."""
    print("hours  way       CPU seconds  peak MB  times a bare pass")
    found = {}
    with tempfile.TemporaryDirectory() as name:
        for hours, ways in WAYS.items():
            child(
                f"import sys, pathlib; sys.path.insert(0, {str(HERE)!r}); import run; "
                f"run.simulate(pathlib.Path({name!r}), {hours}, fs_hz={FS_HZ})"
            )
            for way in ways:
                path = Path(name) / f"h{hours}.hea"
                found[hours, way] = min(measure(way, path) for _ in range(2))
                seconds, peak_mb = found[hours, way]
                passes = seconds / found[hours, "bare"][0]
                print(f"{hours:5d}  {way:8s} {seconds:12.2f} {peak_mb:8.0f} {passes:18.1f}")
    short, long = WAYS
    peaks_mb = [found[hours, "ingest"][1] for hours in WAYS]
    print(
        f"ingest, memory at {long} h: {peaks_mb[1] / peaks_mb[0]:.2f} times that at {short} h"
    )
    for hours in WAYS:
        for part in ("beats", "shape"):
            whole, without = (found[hours, way][0] for way in ("ingest", f"no_{part}"))
            passes = (whole - without) / found[hours, "bare"][0]
            share = 1 - without / whole
            print(f"{part} at {hours} h: {passes:.1f} bare passes, {share:.0%} of ingest")
    times = found[short, "peer"][0] / found[short, "ours"][0]
    print(f"ours at {short} h: {times:.1f} times faster than the peer")


if __name__ == "__main__":
    main()
