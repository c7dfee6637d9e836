"""The picture of the cohort: every hour of every patient."""

import re
from xml.etree import ElementTree

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.patients import cohort_picture

SVG = "{http://www.w3.org/2000/svg}"


def hours(*rows):
    schema = {"patient_id": pl.String(), "signal": pl.String(), "hour": pl.Int64()}
    schema |= {"valid": pl.Int64(), "masked": pl.Int64(), "missing": pl.Int64()}
    return pl.DataFrame(rows, schema=schema, orient="row")


def quality(**valid_h):
    rows = [
        {
            "patient_id": patient,
            "signal": signal,
            "recorded_s": 3600.0 * (valid + 1),
            "valid_s": 3600.0 * valid,
            "masked_s": 3600.0,
            "missing_s": 0.0,
        }
        for patient, valid in valid_h.items()
        for signal in ("icp", "abp")
    ]
    schema = {name: column.dtype for name, column in contracts.QUALITY.columns.items()}
    return pl.DataFrame(rows, schema=schema)


HOURS = hours(
    *(("P1", signal, hour, 60, 0, 0) for signal in ("icp", "abp") for hour in range(10, 20)),
    ("P1", "icp", 20, 30, 20, 10),
    *(("P2", "icp", hour, 60, 0, 0) for hour in range(48)),
)
QUALITY = quality(P1=10.5, P2=48.0)
EVERYONE = ["P1", "P2", "P3"]


def draw(table=HOURS, *, patients=EVERYONE, seconds=QUALITY, time_zero="monitoring_start"):
    return cohort_picture.cohort_picture(
        table, patients=patients, quality=seconds, time_zero=time_zero
    )


def texts(text):
    return [element.text for element in ElementTree.fromstring(text).iter(f"{SVG}text")]


def area(text, colour, *, panel):
    """Return the minutes that a colour covers in a panel, from the area of its boxes."""
    root = ElementTree.fromstring(text)
    panels = [
        e for e in root.iter(f"{SVG}g") if re.fullmatch(r"cohort-axes_\d", e.get("id", ""))
    ]
    n_rows = sum(t.startswith("P") and t[1:].isdigit() for t in texts(text) if t)
    total = 0.0
    for path in panels[panel].findall(f".//{SVG}path"):
        if f"fill: {colour}" in (path.get("style") or "") and "V" in path.get("d"):
            for part in re.findall(r"M(\S+) (\S+)V(\S+)H(\S+)V", path.get("d")):
                left, bottom, top, right = map(float, part)
                total += abs(right - left) * abs(bottom - top)
    hour_pt = 72 * cohort_picture.PANEL_IN / 48
    box_pt = 72 * 0.17 * 0.84
    assert n_rows
    return total / hour_pt / box_pt * 60


def test_the_picture_is_an_image_that_tells_totals():
    root = ElementTree.fromstring(draw())
    assert root.get("role") == "img"
    description = root.find(f"{SVG}desc").text
    assert "2 of 3 patients have a recording that was used" in description
    assert (
        "ICP of 2 patients: 61 h recorded, 59 h of them valid, 2 h masked, 0 h missing"
        in description
    )
    assert "Hours since time zero (monitoring start)" in texts(draw())


def test_every_patient_has_a_row_most_valid_hours_first():
    shown = texts(draw())
    assert [text for text in shown if text in EVERYONE] == ["P2", "P1", "P3"]
    assert shown.count("10.5 of 11.5") == 2
    assert shown.count("none used") == 2
    assert any("not for sharing" in text for text in shown)


def test_equal_hours_are_in_the_order_of_identifiers():
    assert cohort_picture.in_order(["b", "c", "a"], quality(a=1.0, b=1.0)) == ["a", "b", "c"]


def test_a_signal_that_was_not_recorded_is_told_from_a_patient_of_whom_nothing_was_used():
    seconds = QUALITY.filter((pl.col("patient_id") != "P1") | (pl.col("signal") == "icp"))
    shown = texts(draw(seconds=seconds))
    assert shown.count("not recorded") == 1
    assert shown.count("none used") == 2


def test_boxes_cover_as_much_as_there_are_minutes():
    text = draw()
    minutes = HOURS.group_by("signal").agg(pl.col("valid", "masked", "missing").sum())
    for panel, signal in enumerate(("icp", "abp")):
        row = minutes.row(by_predicate=pl.col("signal") == signal, named=True)
        masked = area(text, cohort_picture.FILLS["masked"], panel=panel)
        missing = area(text, cohort_picture.FILLS["missing"], panel=panel)
        recorded = area(text, cohort_picture.FILLS["valid"], panel=panel)
        assert masked == pytest.approx(row["masked"], abs=0.5)
        assert missing == pytest.approx(row["missing"], abs=0.5)
        assert recorded == pytest.approx(sum(row[s] for s in cohort_picture.FILLS), rel=0.01)


def test_runs_end_where_the_hours_or_the_boxes_do():
    cells = pl.DataFrame(
        {
            "y": [0.0, 0.0, 0.0, 0.0, 1.0, 1.0],
            "hour": [3, 4, 5, 7, 8, 9],
            "low": [0, 0, 0, 0, 0, 60],
            "high": [60, 60, 30, 60, 60, 60],
        }
    )
    runs = cohort_picture.runs(cells)
    spans = sorted(tuple(row[:2]) for row in runs.tolist())
    assert spans == [(3.0, 5.0), (5.0, 6.0), (7.0, 8.0), (8.0, 9.0)]
    half = runs[runs[:, 0] == 5.0][0]
    assert half[2] - half[3] == pytest.approx(0.42)


def test_patient_hours_are_counted_for_each_signal():
    frame = pl.DataFrame(
        {"t_s": [60.0, 120.0], "icp_mmhg": [10.0, None], "abp_mmhg": [None, None]},
        schema={"t_s": pl.Float64(), "icp_mmhg": pl.Float64(), "abp_mmhg": pl.Float64()},
    )
    one = {"patient_id": "P1", "recording_id": "r", "status": "used", "start_s": 0.0}
    one |= {"end_s": 120.0, "icp_channel": "ICP", "abp_channel": "ABP"}
    recordings = pl.concat(
        [
            store.empty(contracts.recordings({})),
            pl.DataFrame([one, one | {"patient_id": "P2"}]),
        ],
        how="diagonal_relaxed",
    )
    spans = pl.DataFrame(
        {"signal": ["abp"], "reason": ["jump"], "start_s": [70.0], "end_s": [71.0]}
    )
    counted = cohort_picture.patient_hours(
        "P1", minutes=frame, artefacts=spans, recordings=recordings
    )
    assert counted.rows() == [("P1", "icp", 0, 1, 0, 1), ("P1", "abp", 0, 0, 1, 1)]
    assert hours().schema == counted.schema


def test_the_order_of_rows_changes_nothing_and_nothing_recorded_is_a_picture():
    shuffled = HOURS.sample(fraction=1.0, shuffle=True, seed=2)
    assert draw(shuffled, seconds=QUALITY[::-1], patients=EVERYONE[::-1]) == draw()
    assert texts(draw(hours(), seconds=quality())).count("none used") == 6


def test_a_hostile_or_long_identifier_is_text():
    names = ["<b>$x$</b>", "a-very-long-identifier-0001"]
    shown = texts(draw(hours(), seconds=quality(), patients=names))
    assert "<b>$x$</b>" in shown
    assert "…identifier-0001" in shown
    assert "<b>" not in draw(hours(), seconds=quality(), patients=names)


@pytest.mark.parametrize("n", [10, 300])
def test_rows_stay_high_enough_to_read_and_the_file_small(n):
    draws = np.random.default_rng(3)
    names = [f"P{i}" for i in range(n)]
    rows = [
        (name, signal, int(hour), int(60 - lost), int(lost), 0)
        for name in names
        for signal in ("icp", "abp")
        for hour in range(72)
        for lost in [draws.integers(0, 30) * (draws.random() < 0.2)]
    ]
    text = draw(hours(*rows), seconds=quality(**dict.fromkeys(names, 60.0)), patients=names)
    root = ElementTree.fromstring(text)
    sizes = [
        float(re.search(r"font-size: ([\d.]+)px", e.get("style"))[1])
        for e in root.iter(f"{SVG}text")
        if e.text in names
    ]
    assert len(sizes) == n
    ys = sorted(float(e.get("y")) for e in root.iter(f"{SVG}text") if e.text in names)
    assert min(sizes) >= 6.5
    assert min(np.diff(ys)) > min(sizes)
    assert len(text) < 4000 * n + 60_000
