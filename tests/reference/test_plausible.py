"""Which whole recordings are named as suspect: a few of `tests/bench/plausible.py`."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

PATH = Path(__file__).parents[1] / "bench" / "plausible.py"
SPEC = importlib.util.spec_from_file_location("plausible", PATH)
plausible = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(plausible)

NUMBERS = [
    pytest.param(make, tier, right, id=f"{name}, {tier}")
    for name, make, tiers, right in plausible.PLANTED
    for tier in tiers
    if tier != "100 Hz"
]
WAVES = [
    pytest.param(make, "100 Hz", right, id=name)
    for name, make, _, right in plausible.PLANTED
    if name in ("both in kPa", "ICP damped")
]


@pytest.mark.parametrize(("make", "tier", "right"), NUMBERS + WAVES)
def test_a_patient_whose_recording_cannot_be_right_is_named(make, tier, right):
    kinds = set(plausible.named(make(np.random.default_rng(3), tier))["kind"])
    assert kinds & right


@pytest.mark.parametrize("tier", ["1 Hz", "1/min"])
@pytest.mark.parametrize("name", [name for name, _ in plausible.PLAUSIBLE])
def test_an_ill_patient_who_is_recorded_rightly_is_not_named(name, tier):
    rows = plausible.named(plausible.plausible_patient(name, tier, seed=1))
    assert rows["seen"].to_list() == []


@pytest.mark.parametrize("name", ["child", "craniectomy, ICP of 3, low pulse"])
def test_a_waveform_of_an_ill_patient_is_not_named(name):
    rows = plausible.named(plausible.plausible_patient(name, "100 Hz", seed=2))
    assert rows["seen"].to_list() == []


def test_suspicions_do_not_depend_on_where_the_file_was_cut():
    patient = plausible.PLANTED[1][1](np.random.default_rng(3), "1 Hz")
    whole = plausible.named(patient)
    assert whole.height > 0
    for chunk_s in (37.0, 5000.0):
        assert plausible.named(patient, chunk_s=chunk_s).equals(whole)
