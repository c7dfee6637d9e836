"""The original PRx, 40 means of 5 s, from the recordings to the minutes."""

import numpy as np
import polars as pl
import pytest
import yaml

pytestmark = pytest.mark.workflow


def test_a_study_set_to_the_original_preset_gives_its_prx(place):
    path = place.study / "config/config.yaml"
    settings = yaml.safe_load(path.read_text(encoding="utf-8"))
    for name in ("n_blocks", "step_s", "averaging"):
        del settings["reactivity"][name]
    settings["reactivity"]["preset"] = "original_1997"
    settings["trends"]["block_s"] = 5.0  # which it needs
    path.write_text(yaml.safe_dump(settings, sort_keys=False), encoding="utf-8")
    folder = place.study / "results"
    used = pl.read_parquet(folder / "recordings.parquet").filter(status="used", tier="waveform")
    patient = used["patient_id"][0]
    before = pl.read_parquet(folder / f"minutes/{patient}.parquet")
    run = place.snakemake(f"results/minutes/{patient}.parquet")
    assert run.code == 0, run.text
    trends = pl.read_parquet(folder / f"trends/{patient}.parquet")
    minutes = pl.read_parquet(folder / f"minutes/{patient}.parquet")
    assert set(trends["t_s"].diff().drop_nulls()) == {5.0}
    assert minutes["t_s"].equals(before["t_s"])
    assert minutes["prx"].count() > 60
    last = minutes.filter(pl.col("prx").is_not_null())["t_s"][-1]
    r = []
    for end_s in np.arange(last - 55, last + 1, 5.0):
        window = trends.filter(pl.col("t_s") >= end_s - 200, pl.col("t_s") < end_s)
        both = window.select("icp_mmhg", "abp_mmhg").drop_nulls().to_numpy()
        if len(both) >= 20:
            r.append(np.corrcoef(both.T)[0, 1])
    assert minutes.filter(t_s=last)["prx"].item() == pytest.approx(np.mean(r), abs=1e-9)
    for name in ("pax", "rac", "rap", "lprx"):
        assert minutes[name].count() > 60
