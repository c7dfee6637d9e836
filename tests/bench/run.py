"""Speed and memory of one patient's signals, against a plain peer and one bare pass.

Each way is a process of its own on the same recording (2 channels, 100 Hz, WFDB format 16) with
a warm page cache and one thread, as a job of the workflow has: CPU seconds without imports, and
peak memory of the whole process. All compute one set of outputs: masks for range, flat lines
and jumps, 10-s means, AMP, PRx, PAx, RAC, RAP, L-PRx, burden at all thresholds of the settings,
and CPPopt of every minute by 36 windows of 2 to 8 h. Ours gives the account of each second,
gaps, limits of reactivity and the file's fingerprint besides.
"""

import functools
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from icpcohort import jobs

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
FS_HZ = 100
UNITS_PER_MMHG = 80
NAMED_RULES = ("range", "flat_line", "jump")
PLAIN_PULSE = {"pulse_rate_from": "icp", "shape_method": "none"}  # AMP alone
WINDOWS = "multi_window_2017"  # of config/presets.yaml
LENGTHS_H = (24, 72, 240)
PATIENTS = (1, 4, 16)
OURS = "icpcohort.signals.ingest, icpcohort.indices.minutes, icpcohort.exposures.burden, yaml"
PEER = "pandas, scipy.signal, wfdb"
NEEDS = {
    "bare": "numpy",
    "ours": OURS,
    "all_rules": OURS,
    "beats_too": OURS,
    "shape_too": OURS,
    "patients": OURS,
    "ingest": OURS,
    "careful": PEER,
    "plain": PEER,
}
N_RUNS = {"plain": 1}  # of the others the faster of two


def simulate(folder: Path, hours: int, *, fs_hz: int) -> Path:
    """Write a recording of slow waves, pulse, noise and artefacts, a day at a time."""
    import numpy as np

    draw = np.random.default_rng(1)
    n = 24 * 3600 * fs_hz
    checksums = np.zeros(2, np.int64)
    with (folder / f"h{hours}.dat").open("wb") as file:
        for day in range(hours // 24):
            samples_mmhg = one_day(draw, np.arange(day * n, (day + 1) * n) / fs_hz, fs_hz=fs_hz)
            digital = np.round(UNITS_PER_MMHG * samples_mmhg).astype("<i2")
            checksums += digital.sum(axis=0, dtype=np.int64)
            digital.tofile(file)
    lines = [f"h{hours} 2 {fs_hz} {hours // 24 * n}"]
    for name, total in zip(("ICP", "ABP"), checksums, strict=True):
        checksum = (int(total) + 2**15) % 2**16 - 2**15
        lines.append(f"h{hours}.dat 16 {UNITS_PER_MMHG}(0)/mmHg 16 0 0 {checksum} 0 {name}")
    path = folder / f"h{hours}.hea"
    path.write_text("\n".join(lines) + "\n")
    return path


def one_day(draw, t_s, *, fs_hz):
    """Return ICP and ABP [mmHg]: a U of PRx on CPP, high ICP at times, artefacts every hour."""
    import numpy as np

    n = t_s.size
    slow = np.repeat(draw.normal(size=n // (10 * fs_hz)), 10 * fs_hz)
    size = np.repeat(draw.normal(2, 0.2, size=n // (10 * fs_hz)), 10 * fs_hz) + 0.1 * slow
    pulse = np.sin(2 * np.pi * 1.23 * t_s)
    cpp = 72 + 14 * np.sin(2 * np.pi * t_s / 9000)
    level = 16 + 8 * np.sin(2 * np.pi * t_s / 40_000)
    rho = np.clip(0.004 * (cpp - 75) ** 2 - 0.2, -0.9, 0.9)
    icp = level + size * pulse + 1.5 * rho * slow + 0.2 * draw.normal(size=n)
    abp = cpp + level + 20 * pulse + 4 * slow + 0.5 * draw.normal(size=n)
    samples = np.column_stack([icp, abp])
    for hour in range(n // (3600 * fs_hz)):
        kind, start_s = hour % 4, hour * 3600 + int(draw.integers(600, 3000))
        rows = slice(start_s * fs_hz, (start_s + int(draw.integers(35, 90))) * fs_hz)
        if kind < 2:  # flat
            samples[rows, kind] = samples[rows.start, kind]
        elif kind == 2:  # out of range
            samples[rows, hour // 4 % 2] = -40
        else:  # two jumps
            samples[rows, hour // 4 % 2] += 55
    return samples


def bare(path: Path) -> None:
    """Read every sample once in blocks and take its mean: the least anything can do."""
    import numpy as np

    total = 0.0
    with path.with_suffix(".dat").open("rb") as file:
        while (block := np.fromfile(file, "<i2", 2 * 60_000)).size:
            total += float(block.reshape(-1, 2).astype(np.float64).mean(axis=0).sum())


@functools.cache
def settings(name: str = "config") -> dict:
    """Return the published settings, or the presets; read before the clock starts."""
    import yaml

    return yaml.safe_load((ROOT / f"config/{name}.yaml").read_text(encoding="utf-8"))


def ingest(path: Path, *, rules=None, **changed: str):
    """From the file to 10-s means, as the workflow's first job of a patient does it."""
    from icpcohort import recordings
    from icpcohort.signals import ingest

    values = settings()
    row = dict.fromkeys(("icp_channel", "abp_channel", "icp_unit", "abp_unit"))
    row |= dict.fromkeys(("time_column", "clock_zone"))
    row |= {"recording_id": "r", "patient_id": "p", "path": path.name, "format": "wfdb"}
    return ingest.ingest_patient(
        "p",
        places=recordings.Places(path.parent),
        rows=[row | {"start_s": 0.0}],
        events=[],
        monitors=[],
        level=dict.fromkeys(("abp_level", "bed_angle_deg", "heart_to_tragus_cm")),
        left_out={},
        sections=ingest.sections_of(
            values
            | {"cleaning": {"rules": rules or values["cleaning"]["rules"]}}
            | {"trends": values["trends"] | changed}
        ),
    )


def minutes_of(trends):
    """From 10-s means to minutes, as the workflow's second job does it, by many windows."""
    from icpcohort.indices import minutes as indices
    from icpcohort.study import presets

    preset = presets.resolved(settings("presets")["optimal_cpp"])[WINDOWS]
    values = settings()
    values = values | {"optimal_cpp": values["optimal_cpp"] | preset["values"]}
    return indices.compute(
        trends,
        events=[],
        minute_min_valid_fraction=values["minutes"]["min_valid_fraction"],
        rules=indices.rules_of(values),
        subtracted={},
    )


def all_outputs(path: Path, *, rules=None, **changed: str):
    """Return blocks, minutes and burden of the whole recording."""
    import polars as pl

    from icpcohort.exposures import burden, burden_settings

    trends = ingest(path, rules=rules, **changed).trends
    minutes = minutes_of(trends)
    rules_of_burden = burden_settings.Settings(**settings()["burden"])
    end_h = float(path.stem.removeprefix("h"))
    whole = {"whole": {"start_h": 0.0, "end_h": end_h, "min_monitored_h": 0.0}}
    of_patient = minutes.with_columns(patient_id=pl.lit("p"))
    burdens = burden.add_up(
        of_patient, windows=whole, rules=rules_of_burden, declared=settings()
    )
    return trends, minutes, burdens


def rules_named(*names: str, but: str = "") -> list:
    """Return the rules of the settings with these names, or all but one."""
    rules = settings()["cleaning"]["rules"]
    return [r for r in rules if (r["rule"] in names if names else r["rule"] != but)]


def ours(path: Path):
    """Compute the outputs that are compared."""
    return all_outputs(path, rules=rules_named(*NAMED_RULES), **PLAIN_PULSE)


def all_rules(path: Path) -> None:
    """Compute them with every rule of the settings but that of beats."""
    all_outputs(path, rules=rules_named(but="beats"), **PLAIN_PULSE)


def beats_too(path: Path) -> None:
    """Compute them with every rule of the settings."""
    all_outputs(path, **PLAIN_PULSE)


def shape_too(path: Path) -> None:
    """Compute them with every setting: AMP at the heart rate of ABP, and P1, P2, P3."""
    all_outputs(path)


def patients(path: Path, n: str) -> None:
    """Compute the outputs of as many patients, one after the other."""
    for _ in range(int(n)):
        ours(path)


def plain(path: Path, *, careful: bool = False):
    """Compute the same outputs the plain way."""
    sys.path.insert(0, str(HERE))
    import peer

    return peer.compute(str(path.with_suffix("")), careful=careful)


def careful(path: Path) -> None:
    """Compute them the plain way, with arrays in the loop over windows."""
    plain(path, careful=True)


def agree(path: Path) -> None:
    """Stop unless both give the same numbers, nulls and episodes; print how near they are."""
    import numpy as np

    trends, minutes, burdens = ours(path)
    theirs = plain(path, careful=True)
    pairs = {}
    for name in ("icp", "abp", "cpp", "amp"):
        pairs[f"{name} of 10 s"] = trends[f"{name}_mmhg"], theirs.blocks[name]
    for name in ("prx", "pax", "rac", "rap", "lprx"):
        pairs[name] = minutes[name], theirs.minutes[name]
    pairs["cppopt"] = minutes["cppopt_mmhg"], theirs.minutes["cppopt"]
    burdens = burdens.sort("signal", "threshold", descending=[True, False])
    for name in ("dose", "percent_time", "n_episodes", "longest_episode_min"):
        pairs[name] = burdens[name], theirs.burden[name]
    for name, (mine, other) in pairs.items():
        x, y = mine.cast(float).fill_null(np.nan).to_numpy(), other.to_numpy(float)
        unlike = np.flatnonzero(~np.isclose(x, y, rtol=1e-6, atol=1e-6, equal_nan=True))
        if x.size != y.size or unlike.size or not np.isfinite(x).any():
            sys.exit(f"{name}: {unlike.size} of {x.size} differ, first {unlike[:5]}")
        print(f"{name}: {np.isfinite(x).sum()} values, largest difference", end=" ")
        print(f"{np.nanmax(np.abs(x - y)):.1g}")


# Linux: unlike `ru_maxrss`, VmHWM does not begin at the peak of the process that starts it.
CHILD = """
import re, sys, time
sys.path.insert(0, {here!r})
import run, pathlib
import {needs}
path = pathlib.Path({path!r})
if "yaml" in sys.modules:
    run.settings(), run.settings("presets")
start = time.process_time()
getattr(run, {way!r})(path, *{arguments!r})
seconds = time.process_time() - start
status = pathlib.Path("/proc/self/status").read_text()
print(seconds, int(re.search(r"VmHWM:\\s*(\\d+) kB", status)[1]) / 1024)
"""


def child(code: str) -> str:
    """Run code in a process of its own and return what it prints."""
    out = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env=os.environ | jobs.OF_A_JOB,
    )
    if out.returncode:
        sys.exit(out.stderr)
    return out.stdout


def measure(way: str, path: Path, *arguments: str) -> tuple[float, float]:
    """Return CPU seconds and peak MB of one way."""
    code = CHILD.format(
        here=str(HERE), way=way, needs=NEEDS[way], path=str(path), arguments=arguments
    )
    seconds, peak_mb = (float(value) for value in child(code).split())
    return seconds, peak_mb


def call(name: str, path: Path) -> str:
    """Return what a function of this file prints, or of `stages`, in a process of its own."""
    return child(
        f"import sys, pathlib; sys.path.insert(0, {str(HERE)!r}); import run, stages;"
        f" {name}(pathlib.Path({str(path)!r}))"
    )


def print_ways(paths: dict[int, Path]) -> dict[tuple[int, str], tuple[float, float]]:
    """Print a row for each length and way, and return CPU seconds and peak MB."""
    ways = ("bare", "ours", "all_rules", "beats_too", "shape_too", "careful", "plain")
    costs = {}
    print("hours  way        CPU seconds  peak MB  bare passes  times ours")
    for hours, path in paths.items():
        for way in ways[:2] if hours == 72 else ways:
            runs = [measure(way, path) for _ in range(N_RUNS.get(way, 2))]
            costs[hours, way] = min(runs)
            seconds, peak_mb = costs[hours, way]
            passes = seconds / costs[hours, "bare"][0]
            times = seconds / costs[hours, "ours"][0] if way != "bare" else float("nan")
            print(
                f"{hours:5d}  {way:9s} {seconds:12.2f} {peak_mb:8.0f} {passes:12.1f}"
                f" {times:11.1f}",
                flush=True,
            )
    return costs


def main() -> None:
    """Print what the outputs cost, by way, stage, length and number of patients."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for hours in LENGTHS_H:
            child(
                f"import sys, pathlib; sys.path.insert(0, {str(HERE)!r}); import run; "
                f"run.simulate(pathlib.Path({name!r}), {hours}, fs_hz={FS_HZ})"
            )
        paths = {hours: folder / f"h{hours}.hea" for hours in LENGTHS_H}
        print(call("run.agree", paths[24]))
        costs = print_ways(paths)
        for hours in (24, 240):
            print(f"\nshare of each stage at {hours} h:", call("stages.shares", paths[hours]))
        for hours in LENGTHS_H:
            print(f"ours at {hours} h: {1000 * costs[hours, 'ours'][0] / hours:.1f} ms an hour")
        for hours in (24, 240):
            named, whole, with_beats, with_shape = (
                costs[hours, way][0] for way in ("ours", "all_rules", "beats_too", "shape_too")
            )
            beats, shape = (with_beats - whole) / named, (with_shape - with_beats) / named
            print(
                f"at {hours} h the rule of beats costs {beats:.1f}, AMP at the rate of ABP and "
                f"P1, P2, P3 {shape:.1f} times the outputs compared"
            )
        for n in PATIENTS:
            seconds = min(measure("patients", paths[24], str(n))[0] for _ in range(2))
            print(f"{n} patients of 24 h: {seconds / n:.2f} s a patient")


if __name__ == "__main__":
    main()
