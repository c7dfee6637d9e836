"""Files that their writer scaled to their own readings, and files of a sensor's scale."""

import numpy as np
import pytest
import wfdb
from published_settings import changed

from icpcohort import contracts, recordings
from icpcohort.signals import file_scale, ingest


def _ingest(folder, icp, **how):
    wfdb.wrsamp(
        "r",
        fs=50,
        units=["mmHg"],
        sig_name=["ICP"],
        p_signal=icp[:, None],
        fmt=["16"],
        write_dir=str(folder),
        **how,
    )
    settings = changed(cleaning={"rules": []})
    row = dict.fromkeys(contracts.recording_list(settings).columns)
    row |= {"recording_id": "r", "patient_id": "P1", "path": "r.hea", "format": "wfdb"}
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(folder),
        rows=[row | {"start_s": 0.0}],
        events=[],
        monitors=[],
        level=dict.fromkeys(("abp_level", "bed_angle_deg", "heart_to_tragus_cm")),
        left_out={},
        sections=ingest.sections_of(settings),
    )
    return done.recordings["own_scale"].to_list()


def _icp():
    return 12 + 3 * np.sin(np.arange(6000) / 8) + np.random.default_rng(1).normal(0, 0.2, 6000)


def test_a_file_that_its_own_library_scaled_to_itself_is_told(tmp_path):
    """`wfdb.wrsamp` without a gain uses the whole range of the format for the data."""
    assert _ingest(tmp_path, _icp()) == ["icp"]


@pytest.mark.parametrize("clip_mmhg", [None, 13.0])
def test_a_file_with_a_scale_of_its_sensor_is_not(tmp_path, clip_mmhg):
    icp = _icp() if clip_mmhg is None else np.minimum(_icp(), clip_mmhg)
    assert _ingest(tmp_path, icp, adc_gain=[100.0], baseline=[0]) == [None]


def test_readings_that_stay_at_an_end_are_saturated():
    samples = np.array([1.0, 5, 5, 5, 5, 1, 3])
    ends = file_scale.Ends().with_more(samples, (samples == 5) | (samples == 1))
    assert ends == file_scale.Ends(1.0, 5.0, 6)
    assert not ends.are_the_datas_own
    apart = np.array([1.0, 3, 5, 3, 1, 3])
    assert file_scale.Ends().with_more(apart, (apart == 5) | (apart == 1)).are_the_datas_own
    assert not file_scale.Ends().with_more(apart, apart == 5).are_the_datas_own
