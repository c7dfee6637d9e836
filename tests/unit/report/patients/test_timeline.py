"""The picture of a patient: what is drawn, where it lies in time, and what it says."""

import re
from xml.etree import ElementTree

import numpy as np
import polars as pl
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.figures import canvas
from icpcohort.report.patients import lanes, timeline

SVG = "{http://www.w3.org/2000/svg}"
HOUR_S = 3600.0
START_S, END_S = 10 * HOUR_S, 34 * HOUR_S
COLUMN_S = (END_S - START_S) / lanes.N_COLUMNS


def minutes(*, start_s=START_S, end_s=END_S, without=()):
    """Return a patient's minutes, ICP 12 and ABP 90 mmHg, with none in the spans `without`."""
    t_s = np.arange(start_s, end_s, 60.0) + 60.0
    gone = np.zeros(t_s.size, bool)
    for low_s, high_s in without:
        gone |= (t_s > low_s) & (t_s - 60.0 < high_s)
    frame = store.empty(contracts.minutes({}))
    values = pl.DataFrame(
        {"t_s": t_s, "icp_mmhg": 12.0, "abp_mmhg": 90.0, "cpp_mmhg": 78.0, "gone": gone}
    )
    values = values.with_columns(
        pl.when(~pl.col("gone")).then(pl.col(name)).alias(name)
        for name in ("icp_mmhg", "abp_mmhg", "cpp_mmhg")
    )
    return pl.concat([frame, values.drop("gone")], how="diagonal_relaxed")


def recordings(*rows, patient_id="P1"):
    first = {"patient_id": patient_id, "status": "used", "tier": "waveform"}
    first |= {"icp_channel": "ICP", "abp_channel": "ABP"}
    rows = [first | {"recording_id": f"r{i}"} | row for i, row in enumerate(rows)]
    return pl.concat(
        [store.empty(contracts.recordings({})), pl.DataFrame(rows)], how="diagonal_relaxed"
    )


def quality(patient_id="P1", **seconds):
    row = {"recorded_s": END_S - START_S, "valid_s": 20 * HOUR_S, "masked_s": 3 * HOUR_S}
    row |= {"missing_s": HOUR_S} | seconds
    return pl.DataFrame([{"patient_id": patient_id, "signal": s} | row for s in ("icp", "abp")])


def artefacts(*rows):
    schema = ["signal", "reason", "start_s", "end_s"]
    types = {"signal": pl.String(), "reason": pl.String()}
    frame = pl.DataFrame(rows, schema=schema, orient="row", schema_overrides=types)
    return frame.cast({"start_s": pl.Float64(), "end_s": pl.Float64()})


def intervals(*rows):
    frame = pl.DataFrame(
        rows,
        schema=["event", "start_s", "end_s"],
        orient="row",
        schema_overrides={"event": pl.String(), "end_s": pl.Float64()},
    )
    return frame.cast({"start_s": pl.Float64()})


def draw(patient_id="P1", declared=None, **tables):
    usual = {
        "minutes": minutes(),
        "artefacts": artefacts(),
        "recordings": recordings({"start_s": START_S, "end_s": END_S}, patient_id=patient_id),
        "quality": quality(patient_id),
        "intervals": intervals(),
        "curve": store.empty(contracts.CURVES),
        "optimum": store.empty(contracts.OPTIMA),
        "time_zero": "injury",
    }
    return timeline.patient_picture(patient_id, declared=declared or {}, **(usual | tables))


def texts(text):
    return [element.text for element in ElementTree.fromstring(text).iter(f"{SVG}text")]


def described(text):
    return ElementTree.fromstring(text).find(f"{SVG}desc").text


def fills(text):
    """Return every filled shape but paper: its colour, and its boxes in seconds and points.

    A hatched shape is found by the colour inside its pattern.
    """
    root = ElementTree.fromstring(text)
    hatches = {
        pattern.get("id"): pattern[0].get("fill") for pattern in root.iter(f"{SVG}pattern")
    }
    shapes = []
    for path in root.iter(f"{SVG}path"):
        style, d = path.get("style") or "", path.get("d")
        fill = re.search(r"fill: (?:url\(#([\w-]+)\)|(#\w+))", style)
        if fill and d.endswith("z") and "V" in d:
            colour = hatches[fill[1]] if fill[1] else fill[2]
            if colour != "#ffffff":
                shapes.append((colour, [_box(part) for part in d.split("z") if part.strip()]))
    return shapes


def _box(part):
    numbers = re.fullmatch(r"\s*M(\S+) (\S+)V(\S+)H(\S+)V\S+", part).groups()
    left, bottom, top, right = map(float, numbers)
    return _seconds(left), _seconds(right), min(bottom, top), max(bottom, top)


def _seconds(x_pt):
    width_in = timeline.WIDTH_IN - timeline.LEFT_IN - timeline.RIGHT_IN
    share = (x_pt / 72 - timeline.LEFT_IN) / width_in
    return START_S + share * (END_S - START_S)


def lines(text):
    """Return the data lines of the panels, each as pieces of points in points."""
    root = ElementTree.fromstring(text)
    paths = []
    for path in root.iter(f"{SVG}path"):
        style = path.get("style") or ""
        if f"stroke: {canvas.INK}" in style and "stroke-width: 0.6" in style:
            pieces = re.findall(r"M([^M]+)", path.get("d"))
            if "stroke-linecap: round" in style:
                paths.append([np.array(p.split(), float).reshape(-1, 2) for p in pieces])
    return paths


def lane_of(text, name):
    """Return spans in seconds and colour of the lane that bears a name."""
    root = ElementTree.fromstring(text)
    (label,) = [e for e in root.iter(f"{SVG}text") if e.text == name]
    y = float(label.get("y")) - 2.5  # a letter's baseline lies below its middle
    for colour, boxes in fills(text):
        if (
            all(bottom < y < top for _, _, bottom, top in boxes)
            and boxes[0][3] - boxes[0][2] < 10
        ):
            return colour, [(low, high) for low, high, _, _ in boxes]
    return None, []


def test_a_picture_is_an_image_with_title_description_and_size():
    root = ElementTree.fromstring(draw())
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "Patient P1"
    assert root.get("width").endswith("mm") and root.get("viewBox").startswith("0 0 ")
    assert "currentColor" not in draw() and "var(" not in draw()


def test_the_caption_counts_recordings_and_hours():
    rows = recordings(
        {"start_s": START_S, "end_s": END_S},
        {"start_s": 0.0, "status": "excluded", "reason": "missing_file", "tier": None},
    )
    shown = texts(draw(recordings=rows))
    assert "1 of 2 recordings used. Tier: waveform. Not used: missing file." in shown
    hours = "24.0 h recorded, 20.0 h of them valid, 3.0 h masked, 1.0 h missing."
    assert f"ICP: {hours}" in shown and f"ABP: {hours}" in shown
    assert f"ICP: {hours}" in described(draw(recordings=rows))
    assert any("not for sharing" in text for text in shown)
    assert any("not for decisions at the bedside" in text for text in shown)


def test_units_and_time_zero_are_on_the_axes():
    shown = texts(draw())
    for label in ("ICP (mmHg)", "ABP (mmHg)", "CPP (mmHg)"):
        assert label in shown
    assert "Hours since time zero (injury)" in shown
    assert {"12", "16", "20", "24", "28", "32"} <= set(shown)


REASONS = {
    "range": lanes.BY_RULE,
    "flush": lanes.BEDSIDE,
    "no_monitor": lanes.SENSOR,
    "never_heard_of": lanes.BY_RULE,
}


@pytest.mark.parametrize("signal", ["icp", "abp"])
def test_each_reason_has_a_lane_at_its_times_and_shades_its_panel(signal):
    spans = {
        reason: (START_S + i * HOUR_S, START_S + i * HOUR_S + 1800)
        for i, reason in enumerate(REASONS)
    }
    text = draw(artefacts=artefacts(*((signal, r, *span) for r, span in spans.items())))
    shades = [(colour, box) for colour, boxes in fills(text) for box in boxes]
    for reason, filling in REASONS.items():
        colour, drawn = lane_of(text, reason.replace("_", " "))
        assert colour == filling.colour
        assert drawn == [pytest.approx(spans[reason], abs=10)]
        high = [
            box
            for seen, box in shades
            if seen == colour
            and box[3] - box[2] > 60
            and box[0] == pytest.approx(spans[reason][0], abs=10)
        ]
        assert len(high) == 2  # the panel of the signal, and CPP
        assert f"{signal.upper()} {reason.replace('_', ' ')}: 0.5 h masked." in described(text)


def test_fillings_differ_in_hatching_and_not_only_in_colour():
    kinds = [lanes.SENSOR, lanes.BEDSIDE, lanes.BY_RULE, lanes.PLAIN]
    assert len({kind.hatch for kind in kinds}) == len({kind.colour for kind in kinds}) == 4
    text = draw(artefacts=artefacts(("icp", "flush", START_S, END_S)))
    assert "<pattern" in text


def test_one_masked_second_is_as_wide_as_can_be_seen():
    at_s = START_S + 7 * HOUR_S
    _, drawn = lane_of(draw(artefacts=artefacts(("icp", "jump", at_s, at_s + 1))), "jump")
    ((low, high),) = drawn
    assert low < at_s < high
    assert 1.5 * COLUMN_S < high - low < 3 * COLUMN_S


def test_an_open_drain_a_craniectomy_and_a_time_without_monitor_are_seen():
    rows = intervals(
        ("drain_open", START_S + HOUR_S, START_S + 2 * HOUR_S),
        ("drain_open", START_S + 5 * HOUR_S, START_S + 6 * HOUR_S),
        ("craniectomy", START_S + 12 * HOUR_S, None),
        ("no_monitor", 0.0, START_S + 3 * HOUR_S),
    )
    text = draw(intervals=rows)
    open_s = [(START_S + a * HOUR_S, START_S + b * HOUR_S) for a, b in ((1, 2), (5, 6))]
    assert lane_of(text, "drain open")[1] == [pytest.approx(span, abs=10) for span in open_s]
    assert lane_of(text, "craniectomy")[1] == [
        pytest.approx((START_S + 12 * HOUR_S, END_S), abs=10)
    ]
    assert lane_of(text, "no monitor")[1] == [
        pytest.approx((START_S, START_S + 3 * HOUR_S), abs=10)
    ]
    assert "drain open: 2.0 h. craniectomy: 12.0 h. no monitor: 3.0 h." in described(text)


def test_an_event_after_the_recordings_is_said_to_lie_outside():
    text = draw(intervals=intervals(("drain_open", END_S + 10, END_S + 20)))
    assert "outside this time" in texts(text)
    assert lane_of(text, "drain open")[1] == []


def test_recordings_that_overlap_lie_in_two_lanes_and_a_gap_between_them_is_empty():
    rows = recordings(
        {"start_s": START_S, "end_s": START_S + 10 * HOUR_S},
        {"start_s": START_S + 8 * HOUR_S, "end_s": START_S + 12 * HOUR_S},
        {"start_s": START_S + 14 * HOUR_S, "end_s": END_S},
    )
    text = draw(recordings=rows)
    first = lane_of(text, "recordings")[1]
    assert [round((low - START_S) / HOUR_S) for low, _ in first] == [0, 14]
    assert [round((high - START_S) / HOUR_S) for _, high in first] == [10, 24]
    assert len(lane_of(text, "overlapping")[1]) == 1


def test_a_gap_breaks_the_lines_and_is_a_lane_of_no_reading():
    gap = (START_S + 6 * HOUR_S, START_S + 7 * HOUR_S)
    text = draw(minutes=minutes(without=[gap]))
    for line in lines(text):
        first, second = line
        assert _seconds(first[-1, 0]) == pytest.approx(gap[0], abs=COLUMN_S)
        assert _seconds(second[0, 0]) == pytest.approx(gap[1], abs=COLUMN_S)
    assert len(lines(text)) == 3
    shown = texts(text)
    assert shown.count("no reading") == shown.count("1.0 h missing") == 2


def test_masked_minutes_are_not_called_missing():
    gap = (START_S + 6 * HOUR_S, START_S + 7 * HOUR_S)
    text = draw(
        minutes=minutes(without=[gap]),
        artefacts=artefacts(("icp", "jump", *gap), ("abp", "jump", *gap)),
        quality=quality(missing_s=0.0),
    )
    assert "no reading" not in texts(text)


def test_a_lone_minute_and_a_short_spike_are_in_the_line():
    t_s = np.array([60.0, 6060.0, *(60.0 * np.arange(2001, 2101))])
    values = np.full(t_s.size, 10.0)
    values[50] = 44.0
    x, y = timeline.envelope(t_s, values, column_s=300.0)
    assert np.nanmax(y) == 44.0
    assert x[np.nanargmax(y)] == t_s[50] - 30.0
    breaks = np.flatnonzero(np.isnan(y))
    assert breaks.size == 3
    assert x[: breaks[0]].tolist() == [0.0, 30.0, 60.0]


def test_an_envelope_keeps_every_columns_extremes_and_is_small():
    draws = np.random.default_rng(5)
    values = draws.normal(size=14_400)
    t_s = 60.0 * np.arange(1, values.size + 1)
    x, y = timeline.envelope(t_s, values, column_s=1200.0)
    assert np.all(np.diff(x) > 0)
    column = np.floor(t_s / 1200.0)
    for c in np.unique(column)[::100]:
        inside = np.floor((x + 30.0) / 1200.0) == c
        assert np.nanmin(y[inside]) == values[column == c].min()
        assert np.nanmax(y[inside]) == values[column == c].max()
    assert x.size < 2 * np.unique(column).size + 5


def test_a_gap_narrower_than_a_column_is_not_a_break_but_a_minute_is_where_it_can_be_seen():
    t_s = np.array([60.0, 120.0, 240.0, 300.0])
    for column_s, n_breaks in ((50.0, 2), (60.0, 2), (61.0, 1)):
        _, y = timeline.envelope(t_s, np.ones(4), column_s=column_s)
        assert np.isnan(y).sum() == n_breaks


def test_a_patient_without_a_used_recording_gets_a_picture_that_says_so():
    rows = recordings({"start_s": 0.0, "status": "excluded", "reason": "no_icp", "tier": None})
    text = draw(
        minutes=store.empty(contracts.minutes({})),
        recordings=rows,
        quality=store.empty(contracts.QUALITY),
    )
    sentence = "There is nothing to draw: no recording of this patient was used."
    assert sentence in texts(text) and sentence in described(text)
    assert "0 of 1 recordings used. Not used: no icp." in texts(text)
    assert "ICP: not recorded." in texts(text)


def test_a_patient_without_abp_still_has_icp():
    table = minutes().with_columns(
        abp_mmhg=pl.lit(None, pl.Float64()), cpp_mmhg=pl.lit(None, pl.Float64())
    )
    rows = recordings({"start_s": START_S, "end_s": END_S, "abp_channel": None})
    text = draw(
        minutes=table, recordings=rows, quality=quality().filter(pl.col("signal") == "icp")
    )
    assert len(lines(text)) == 1
    assert texts(text).count("no valid minute") == 2
    assert "ABP: not recorded." in texts(text)


def test_a_signal_in_another_unit_than_mmhg_has_its_panel():
    pressure = {"about": "Pressure", "unit": "mmHg"}
    signals = {name: {"label": name.upper()} | pressure for name in ("icp", "abp")}
    signals["temperature"] = {"label": "Heat", "about": "Brain temperature", "unit": "degC"}
    table = minutes().with_columns(temperature_celsius=pl.lit(37.5))
    rows = recordings({"start_s": START_S, "end_s": END_S, "temperature_channel": "BTemp"})
    text = draw(declared={"signals": signals}, minutes=table, recordings=rows)
    assert "Heat (°C)" in texts(text)
    assert len(lines(text)) == 4  # ICP, ABP, temperature and CPP


@pytest.mark.parametrize("patient_id", ["<script>alert(1)</script>", "$x^2$ & 'y'", "ü" * 80])
def test_a_hostile_identifier_is_text_and_nothing_else(patient_id):
    text = draw(patient_id)
    assert f"Patient {patient_id}" in texts(text)
    assert "<script" not in text


def test_rows_of_others_and_the_order_of_rows_change_nothing():
    rows = recordings(
        {"start_s": START_S, "end_s": END_S}, {"start_s": END_S - 60, "end_s": END_S}
    )
    spans = artefacts(
        *(
            ("icp", reason, START_S + 500 * i, START_S + 500 * i + 7 * (i + 1))
            for i, reason in enumerate(["jump", "range", "flush", "jump", "range"])
        )
    )
    text = draw(recordings=rows, artefacts=spans)
    others = recordings({"start_s": 0.0, "end_s": 9e6}, patient_id="P2")
    assert text == draw(
        recordings=pl.concat([others, rows[::-1]]),
        artefacts=spans.sample(fraction=1.0, shuffle=True, seed=3),
        quality=pl.concat([quality("P2", missing_s=9.0), quality()]),
    )


@pytest.mark.parametrize(("n_spans", "most_bytes"), [(1000, 150_000), (20_000, 250_000)])
def test_ten_days_stay_small_however_many_spans_are_masked(n_spans, most_bytes):
    draws = np.random.default_rng(7)
    start_s, end_s = 36000.0, 36000.0 + 240 * HOUR_S
    table = minutes(start_s=start_s, end_s=end_s).with_columns(
        pl.Series(name, level + draws.normal(size=14_400))
        for name, level in (("icp_mmhg", 12), ("abp_mmhg", 90), ("cpp_mmhg", 78))
    )
    starts = draws.uniform(start_s, end_s, n_spans)
    reasons = ("range", "jump", "flush", "drain_open")
    rows = [
        (("icp", "abp")[i % 2], reasons[i % 4], s, s + draws.uniform(1, 600))
        for i, s in enumerate(starts)
    ]
    text = draw(
        minutes=table,
        recordings=recordings({"start_s": start_s, "end_s": end_s}),
        artefacts=artefacts(*rows),
    )
    assert len(text.encode()) < most_bytes


@pytest.mark.parametrize(
    ("start_h", "end_h"), [(0.0, 0.2), (5.5, 12.0), (-3.0, 240.0), (0.0, 9000.0)]
)
def test_ticks_are_round_inside_and_not_too_many(start_h, end_h):
    ticks = timeline.ticks_h(start_h, end_h, most=9)
    assert 1 <= ticks.size <= 10
    assert start_h <= ticks.min() and ticks.max() <= end_h


def test_recordings_that_touch_are_seen_as_two():
    middle_s = START_S + 12 * HOUR_S
    rows = recordings(
        {"start_s": START_S, "end_s": middle_s}, {"start_s": middle_s, "end_s": END_S}
    )
    assert len(lane_of(draw(recordings=rows), "recordings")[1]) == 2


def test_seconds_missing_within_minutes_have_hours_and_missing_minutes_their_place():
    text = draw(quality=quality(missing_s=0.3 * HOUR_S))
    assert texts(text).count("0.3 h missing") == 2
    assert lane_of_first(text, "no reading") == []
    gap = (START_S + 6 * HOUR_S, START_S + 7 * HOUR_S)
    drawn = lane_of_first(draw(minutes=minutes(without=[gap])), "no reading")
    assert drawn == [pytest.approx(gap, abs=10)]


def lane_of_first(text, name):
    """Return the spans of the lane that bears a name, of the first signal that has it."""
    (first, *_) = (e for e in ElementTree.fromstring(text).iter(f"{SVG}text") if e.text == name)
    y = float(first.get("y")) - 2.5
    plain = [boxes for colour, boxes in fills(text) if colour == canvas.MUTED]
    return [box[:2] for boxes in plain for box in boxes if box[2] < y < box[3]]


def test_missing_minutes_shade_no_panel_for_their_lines_are_broken():
    gap = (START_S + 6 * HOUR_S, START_S + 7 * HOUR_S)
    text = draw(minutes=minutes(without=[gap]))
    heights = [
        box[3] - box[2]
        for colour, boxes in fills(text)
        for box in boxes
        if colour == canvas.MUTED
    ]
    assert heights and max(heights) < 10


def test_a_file_has_white_paper_and_keeps_its_curves():
    with canvas.style("curve"):
        figure = Figure(figsize=(1, 1))
        curve = Path([(0, 0), (0.2, 1), (0.5, 1), (0.7, 0.123456), (1, 1)], [1, 4, 4, 4, 2])
        figure.add_artist(PathPatch(curve, fill=False))
    text = canvas.as_file(canvas.Picture("curve", "t", "d", "", figure, "single"))
    assert "fill: #ffffff" in text
    assert re.search(r"C 14.4 0 36 0 50.4 63.11 \nL 72 0", text)


def _with_indices(frame):
    """Give minutes a PRx, and from the 5th hour on CPPopt 70 with limits 62 and 80 mmHg."""
    late = pl.col("t_s") > START_S + 5 * HOUR_S
    return frame.with_columns(
        prx=pl.when(pl.col("cpp_mmhg").is_not_null()).then(pl.col("t_s") / 60 % 2 - 0.5),
        cppopt_mmhg=pl.when(late).then(70.0),
        llr_mmhg=pl.when(late).then(62.0),
        ulr_mmhg=pl.when(late).then(80.0),
    )


def _lines(text, colour):
    """Return the drawn lines of a colour: their times in seconds and heights in points."""
    curves = []
    for path in ElementTree.fromstring(text).iter(f"{SVG}path"):
        if f"stroke: {colour}" in (path.get("style") or "") and "fill: none" in path.get(
            "style"
        ):
            points = [
                tuple(map(float, p.split()))
                for p in re.findall(r"[\d.]+ [\d.]+", path.get("d"))
            ]
            curves.append([(_seconds(x), y) for x, y in points])
    return curves


def test_cpp_stands_against_cppopt_and_its_limits_from_when_they_are_known():
    text = draw(minutes=_with_indices(minutes()))
    assert {"ULR 80", "CPPopt 70", "LLR 62"} <= set(texts(text))
    begins = [line[0][0] for line in _lines(text, canvas.ACCENT) if len(line) < 500 and line]
    known = [t_s for t_s in begins if t_s == pytest.approx(START_S + 5 * HOUR_S, abs=COLUMN_S)]
    assert len(known) == 3
    heights = sorted(line[0][1] for line in _lines(text, canvas.ACCENT) if line[0][0] in known)
    ulr, cppopt, llr = heights  # downwards on the page
    assert (llr - cppopt) / (cppopt - ulr) == pytest.approx(0.8, abs=0.02)


def test_prx_is_drawn_and_its_gaps_stay_gaps():
    gap = (START_S + 8 * HOUR_S, START_S + 10 * HOUR_S)
    text = draw(minutes=_with_indices(minutes(without=[gap])))
    (line,) = (part for part in _lines(text, canvas.MUTED) if len(part) > 500)
    times = np.array([t_s for t_s, _ in line])
    assert not ((times > gap[0] + COLUMN_S) & (times < gap[1] - COLUMN_S)).any()
    assert {"PRx", "minutes", "hourly mean"} <= set(texts(text))
    n = (24 - 2) * 60
    assert f"Minutes with CPP: {n}, PRx: {n}, CPPopt: {19 * 60}." in described(text)


def test_without_indices_the_picture_says_so():
    shown = texts(draw())
    assert {"no minute with PRx", "no curve of PRx by CPP"} <= set(shown)
    assert "Whole recording: no minute with PRx and CPP." in " ".join(map(str, shown))
