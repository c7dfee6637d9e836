"""Speed and memory of one patient's signals, against a plain peer and one bare pass.

Each is a process of its own on the same recording (2 channels, 100 Hz, WFDB format 16) with a
warm page cache; wall seconds without imports, peak memory of the whole process.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
FS_HZ = 100
WAYS = ("bare", "ingest", "no_beats", "ours", "peer")


def simulate(folder: Path, hours: int) -> None:
    """Write a recording of slow waves, pulse and noise."""
    import numpy as np
    import wfdb

    draw = np.random.default_rng(1)
    n = hours * 3600 * FS_HZ
    t_s = np.arange(n) / FS_HZ
    slow = np.repeat(draw.normal(size=hours * 360), 10 * FS_HZ)
    pulse = np.sin(2 * np.pi * 1.23 * t_s)
    cpp = 75 + 12 * np.sin(2 * np.pi * t_s / 9000)
    rho = np.clip(0.004 * (cpp - 75) ** 2 - 0.2, -0.9, 0.9)
    icp = 12 + 2 * pulse + 1.5 * rho * slow + 0.2 * draw.normal(size=n)
    abp = cpp + 12 + 20 * pulse + 4 * slow + 0.5 * draw.normal(size=n)
    wfdb.wrsamp(
        f"h{hours}",
        fs=FS_HZ,
        units=["mmHg", "mmHg"],
        sig_name=["ICP", "ABP"],
        p_signal=np.column_stack([icp, abp]),
        fmt=["16", "16"],
        adc_gain=[80.0, 80.0],
        baseline=[0, 0],
        write_dir=str(folder),
    )


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


def ingest(path: Path, *, leave_out: str = "") -> object:
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
        summarise={"rules": rules, **given["trends"]},
        levelling=given["levels"],
        **given["recordings"],
    )


def no_beats(path: Path) -> None:
    """The same without the rule of beats, so that its cost is seen apart."""
    ingest(path, leave_out="beats")


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


CHILD = """
import resource, sys, time
sys.path.insert(0, {here!r})
import run, pathlib
import numpy, polars, wfdb
if {way!r} == "peer": import pandas, scipy.signal
path = pathlib.Path({path!r})
start = time.perf_counter()
getattr(run, {way!r})(path)
seconds = time.perf_counter() - start
print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def measure(way: str, path: Path) -> tuple[float, float]:
    """Return wall seconds and peak MB of one way, the better of two."""
    code = CHILD.format(here=str(HERE), way=way, path=str(path))
    runs = []
    for _ in range(2):
        out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        if out.returncode:
            sys.exit(out.stderr)
        seconds, peak_mb = (float(value) for value in out.stdout.split())
        runs.append((seconds, peak_mb))
    return min(runs)


def main() -> None:
    """Print a row for each length and way."""
    print("hours  way       seconds  peak MB  times a bare pass  times faster than the peer")
    with tempfile.TemporaryDirectory() as name:
        for hours in (24, 72):
            path = Path(name) / f"h{hours}.hea"
            # in a process of its own: a child's peak memory begins at its parent's
            call = f"import sys, pathlib; sys.path.insert(0, {str(HERE)!r}); import run; "
            call += f"run.simulate(pathlib.Path({name!r}), {hours})"
            subprocess.run([sys.executable, "-c", call], check=True)
            found = {way: measure(way, path) for way in WAYS}
            for way, (seconds, peak_mb) in found.items():
                print(
                    f"{hours:5d}  {way:8s} {seconds:8.2f} {peak_mb:8.0f}"
                    f" {seconds / found['bare'][0]:17.1f} {found['peer'][0] / seconds:17.1f}"
                )


if __name__ == "__main__":
    main()
