"""Memory of a patient's first job does not grow with the length of the recording.

Its tables do: the 10-s blocks of ten days are some 20 MB, the process without them 150 MB. So
the whole may grow by a fifth in ten days at 100 Hz, which `make bench` prints.
"""

import importlib.util
from pathlib import Path

import pytest

PATH = Path(__file__).parents[1] / "bench" / "run.py"
SPEC = importlib.util.spec_from_file_location("run", PATH)
run = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(run)


# in processes of their own: a process keeps its peak, and what libraries allocate counts too
@pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="peak memory as Linux tells it"
)
def test_five_days_take_little_more_memory_than_one(tmp_path):
    paths = [run.simulate(tmp_path, hours, fs_hz=25) for hours in (24, 120)]
    day_mb, days_mb = (run.measure("ingest", path)[1] for path in paths)
    assert days_mb < 1.15 * day_mb  # measured 1.05 to 1.07
    assert days_mb < 400
