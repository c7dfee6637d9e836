"""Figures: what they say, what they leave out, and that they are the same each time."""

import math
import runpy
from pathlib import Path
from xml.etree import ElementTree

import matplotlib
import numpy as np
import polars as pl
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PathCollection
from matplotlib.colors import to_hex
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts import declared_indices, store
from icpcohort.report.figures import (
    canvas,
    exposure_curve,
    forest,
    intensity,
    reactivity,
    recordings,
)
from icpcohort.report.figures import draw_all as figures
from icpcohort.report.figures import flow as flow_figure
from icpcohort.report.figures import names as figure_names
from icpcohort.report.tables import model_words, score_words

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
TABLES = INVENTED["make_tables"](104, lost=4, seed=20) | {"curve": INVENTED["make_curve"]()}
ESTIMATES = INVENTED["make_estimates"]()
SCORE = score_words.of_main_outcome(INVENTED["SETTINGS"], contracts.analysis(DECLARED).columns)
WINDOW = INVENTED["MAIN_WINDOW"]
SVG = "{http://www.w3.org/2000/svg}"


FITS = INVENTED["make_fits"](92)


def draw_curve(curve, **changes):
    fit = {name: FITS[name]["curved_dose"] for name in ("estimates", "diagnostics")}
    asked = {"model": "curved_dose", "plan": INVENTED["CURVED"], **fit} | changes
    return canvas.inline(
        exposure_curve.exposure_curve(
            curve, columns=contracts.analysis(DECLARED).columns, **asked
        )
    )


def pictures_of(tables, estimates):
    fits = {
        "estimates": estimates | {"curved_dose": FITS["estimates"]["curved_dose"]},
        "diagnostics": FITS["diagnostics"],
        "curve": {"curved_dose": tables["curve"]},
    }
    plans = {"curved_dose": INVENTED["CURVED"]}
    return figures.all_pictures(
        tables,
        fits,
        models=plans,
        settings=INVENTED["SETTINGS"],
        columns=contracts.analysis(DECLARED).columns,
    )


def draw_all(tables, estimates):
    made = pictures_of(tables, estimates)
    return {name: canvas.inline(picture) for name, picture in made.items()}


def draw_forest(estimates):
    return canvas.inline(
        forest.forest_plot(
            estimates, models=INVENTED["MODELS"], columns=contracts.analysis(DECLARED).columns
        )
    )


def draw_flow(steps):
    return canvas.inline(flow_figure.flow_diagram(steps, window=WINDOW))


PICTURES = pictures_of(TABLES, ESTIMATES)
DRAWN = draw_all(TABLES, ESTIMATES)


def texts(drawn):
    """Return the words drawn in a figure."""
    return [element.text for element in ElementTree.fromstring(drawn).iter(f"{SVG}text")]


def described(drawn):
    return ElementTree.fromstring(drawn).find(f"{SVG}desc").text


@pytest.mark.parametrize("name", DRAWN)
def test_a_figure_is_an_image_with_title_and_description(name):
    root = ElementTree.fromstring(DRAWN[name])
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{name}-title {name}-desc"
    assert len(root.find(f"{SVG}title").text) > 10
    assert len(root.find(f"{SVG}desc").text) > 50


def _most_marks(picture):
    """Return the dots, or the lines, of the panel of a figure that has most of them."""
    counts = [0]
    for axis in picture.figure.axes:
        dots = [one for one in axis.collections if isinstance(one, PathCollection)]
        counts += [len(axis.lines), sum(len(one.get_offsets()) for one in dots)]
    return max(counts)


@pytest.mark.parametrize("name", PICTURES)
def test_a_figure_with_a_dot_or_a_line_for_each_patient_says_so(name):
    """Of 104 patients at least half have what is drawn; other figures have few marks."""
    picture = PICTURES[name]
    each_patient = _most_marks(picture) > 104 / 2
    assert each_patient == (name in figure_names.DRAW_EACH_PATIENT)
    assert picture.patient_level == each_patient
    assert picture.description.endswith(figure_names.NOT_FOR_SHARING) == each_patient
    assert described(DRAWN[name]) == picture.description


def test_a_figure_in_which_nothing_is_drawn_shows_no_patient():
    empty = {name: frame.clear() for name, frame in TABLES.items()}
    made = pictures_of(empty, {})
    assert set(figure_names.DRAW_EACH_PATIENT) <= set(made)
    assert not any(picture.patient_level for picture in made.values())
    assert not any("sharing" in picture.description for picture in made.values())


def test_the_same_tables_give_the_same_text():
    again = draw_all(TABLES, ESTIMATES)
    assert again == DRAWN


def test_rows_in_another_order_give_the_same_text():
    shuffled = {
        name: frame
        if name == "specification_choices"  # stand as they were declared
        else frame.sample(fraction=1.0, shuffle=True, seed=3)
        for name, frame in TABLES.items()
    }
    assert draw_all(shuffled, ESTIMATES) == DRAWN


def test_no_two_figures_share_an_id_and_every_reference_is_kept():
    seen = set()
    for drawn in DRAWN.values():
        elements = list(ElementTree.fromstring(drawn).iter())
        ids = [e.get("id") for e in elements if e.get("id")]
        assert len(ids) == len(set(ids))
        assert not seen & set(ids)
        seen |= set(ids)
        used = [e.get("{http://www.w3.org/1999/xlink}href") for e in elements]
        assert {href[1:] for href in used if href} <= set(ids)
        clips = [e.get("clip-path") for e in elements]
        assert {clip[5:-1] for clip in clips if clip} <= set(ids)


@pytest.mark.parametrize("name", DRAWN)
def test_colours_follow_the_page(name):
    assert "currentColor" in DRAWN[name]
    assert not any(f": {colour}" in DRAWN[name] for colour in ("#010203", "#000000", "#ffffff"))


@pytest.mark.parametrize("name", DRAWN)
def test_a_figure_carries_no_date_and_no_address_but_name_spaces(name):
    addresses = {part.split('"')[0] for part in DRAWN[name].split("http")[1:]}
    assert addresses == {"://www.w3.org/2000/svg", "://www.w3.org/1999/xlink"}
    assert "<metadata" not in DRAWN[name]


def test_the_flow_shows_who_is_left_and_who_left():
    shown = texts(DRAWN["flow"])
    assert [word for word in shown if word.startswith("n = ")] == [
        "n = 104",
        "n = 100",
        "n = 96",
        "n = 92",
    ]
    assert shown.count("Left, n = 4") == 3
    assert "under age" in shown


def test_a_first_step_that_drops_patients_has_all_of_them_above_it():
    steps = TABLES["flow"].filter(pl.col("step") > 1)
    shown = texts(draw_flow(steps))
    assert shown[:2] == ["All patients", "n = 104"]


def test_the_names_known_beforehand_are_those_that_are_drawn():
    plans = {"curved_dose": INVENTED["CURVED"], "other": INVENTED["MODELS"]["gose_by_dose"]}
    assert list(DRAWN) == figure_names.names_of(plans, ["dose"])


def test_names_from_data_are_escaped_and_not_read_as_formulas():
    flow = TABLES["flow"].with_columns(name=pl.lit("<b>$x^2$ & more</b>"))
    drawn = draw_flow(flow)
    assert "<b>" not in drawn
    assert "<b>$x^2$ & more</b>" in texts(drawn)


def test_the_burden_figure_counts_patients_at_every_threshold():
    of_the_cohort = figures.of_the_cohort(TABLES)["burden"]
    burden = of_the_cohort.filter(window=WINDOW, signal="icp", threshold=20.0)
    n = burden["dose_per_h"].count()
    assert 0 < n < burden.height
    assert sum(word.startswith(f"n = {n}") for word in texts(DRAWN["burden"])) == 7
    low, middle, high = np.quantile(burden["dose_per_h"].drop_nulls(), [0.25, 0.5, 0.75])
    spread = f"{middle:.2f} ({low:.2f} to {high:.2f})"
    assert f"ICP above 20 mmHg: median {spread}, n = {n}" in described(DRAWN["burden"])
    assert "18 mmHg" in texts(DRAWN["burden"])


def test_axes_name_their_units():
    assert "Dose per monitored hour (mmHg·h/h), square-root scale" in texts(DRAWN["burden"])
    assert "CPPopt yield (% of the minutes with CPP)" in texts(DRAWN["reactivity"])
    assert "CPP in bins, and CPPopt (mmHg), whole recording" in texts(DRAWN["curves"])


def _curves(*rows):
    """Return curves from patient, CPP, minutes, mean of PRx and its fit."""
    names = ["patient_id", *(name for name in contracts.CURVES.columns if name != "index")]
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(index=pl.lit("prx"))


def test_pooled_prx_counts_every_minute_once():
    """By hand: z = (100 atanh 0.5 + 300 atanh -0.2) / 400 = -0.014723; tanh z = -0.014722."""
    pooled = reactivity.pool_curves(
        _curves(
            ("a", 72.5, 100, 0.5, None), ("b", 72.5, 300, -0.2, None), ("c", 72.5, 0, 0.9, None)
        )
    )
    z = (100 * math.atanh(0.5) - 300 * math.atanh(0.2)) / 400
    assert pooled["index_mean"].to_list() == pytest.approx([math.tanh(z)], abs=1e-12)
    assert pooled["index_mean"].to_list() == pytest.approx([-0.014722], abs=1e-6)
    assert pooled["n_patients"].to_list() == [2]


def test_a_bin_without_prx_is_not_pooled():
    pooled = reactivity.pool_curves(
        _curves(("a", 72.5, 100, None, None), ("a", 77.5, 5, 0.1, None))
    )
    assert pooled["cpp_mmhg"].to_list() == [77.5]


def test_a_prx_of_one_cannot_be_pooled():
    with pytest.raises(ValueError, match="1 bin"):
        reactivity.pool_curves(_curves(("a", 72.5, 100, 1.0, None)))


def test_bins_with_few_patients_are_counted_but_not_pooled():
    counts = reactivity.pool_curves(TABLES["curves"])
    few = counts.filter(pl.col("n_patients") < reactivity.MIN_PATIENTS_POOLED)
    assert few.height
    assert f"{few['cpp_mmhg'][0]:g}: " not in described(DRAWN["curves"])
    assert [str(n) for n in counts["n_patients"]] == [
        word for word in texts(DRAWN["curves"]) if word.isdigit()
    ][: counts.height]


def test_patients_without_cppopt_stay_in_the_denominator():
    n = TABLES["optima"]["cppopt_mmhg"].count()
    assert 0 < n < 104
    assert any(word.endswith(f"n = {n} of 104") for word in texts(DRAWN["curves"]))


def test_the_forest_shows_the_exposure_of_both_fits_and_no_other_term():
    shown = texts(DRAWN["forest"])
    assert shown.count("unadjusted") == 3
    assert shown.count("adjusted") == 3
    assert "1.42 (1.10 to 1.83)" in shown  # exp(0.35 -+ 1.96 x 0.13)
    assert "n = 78, 41 with the outcome" in shown
    assert "not estimable" in shown
    assert not any("impact" in word for word in shown)


def test_a_limit_off_the_axis_ends_in_an_arrow_and_keeps_its_number():
    name = "unfavourable_by_dose"
    huge = ESTIMATES[name].with_columns(
        effect_ci_high=pl.when(pl.col("effect").is_not_null()).then(400.0)
    )
    drawn = draw_forest({name: huge})
    assert "1.42 (1.10 to 400.00)" in texts(drawn)
    assert drawn.count("<use") > draw_forest({name: ESTIMATES[name]}).count("<use")


def test_differences_are_drawn_against_zero_in_a_panel_of_their_own():
    name = "gose_by_dose"
    difference = ESTIMATES[name].with_columns(
        scale=pl.col("scale").replace("log_or", "difference")
    )
    store.check(difference, contracts.ESTIMATES, "the test's own table")
    shown = texts(draw_forest(ESTIMATES | {"difference": difference}))
    assert "Difference" in shown
    assert "Ratio, logarithmic scale" in shown


@pytest.mark.parametrize("name", DRAWN)
def test_a_study_without_data_is_told_in_words(name):
    asked = {"specification_summary": TABLES["specification_summary"]}
    empty = draw_all({name: frame.clear() for name, frame in TABLES.items()} | asked, {})
    (words,) = texts(empty[name])
    assert words.startswith("No ")
    assert described(empty[name]) == words


def test_three_patients_can_be_drawn():
    tables = INVENTED["make_tables"](3, lost=0, seed=5) | {"curve": TABLES["curve"]}
    shown = texts(draw_all(tables, ESTIMATES)["curves"])
    n = tables["optima"]["cppopt_mmhg"].count()
    assert any(word.endswith(f"n = {n} of 3") for word in shown)
    assert "PRx, n = 3 patients" in shown
    assert "pooled" not in shown


def test_ratio_ticks_are_labelled_to_two_decimals():
    estimate = ESTIMATES["unfavourable_by_dose"].filter(adjustment="unadjusted")
    shown = texts(draw_forest({"narrow": estimate}))
    assert {"0.8", "1", "1.25"} <= set(shown)
    assert "1.2" not in shown


def test_a_curve_tells_its_tests_its_points_and_what_they_are_against():
    words, drawn = described(DRAWN["curve-curved_dose"]), texts(DRAWN["curve-curved_dose"])
    assert words.startswith(
        "Odds ratio of an unfavourable GOSE at 6 months along ICP dose above 20 mmHg"
    )
    assert (
        "n = 78 (41 with the outcome), whole: p = 0.030, departure from a line: p = 0.550"
        in words
    )
    assert "against the median 1.00: at 0.00: 0.80 (0.69 to 0.93);" in words
    assert "at 6.00: 2.23 (1.05 to 4.71)" in words
    for label in ("reference 1.00", "Odds ratio, logarithmic scale", "Adjusted", "Unadjusted"):
        assert label in drawn
    assert "ICP dose above 20 mmHg per monitored hour (mmHg\u00b7h/h)" in drawn


def test_the_height_of_a_curve_is_that_of_the_band_where_patients_are():
    curve = TABLES["curve"]
    wide = pl.col("exposure_value") > 5  # nobody is there
    wild = curve.with_columns(
        effect_ci_high=pl.when(wide).then(1e9).otherwise("effect_ci_high"),
    )
    assert texts(draw_curve(wild)) == texts(DRAWN["curve-curved_dose"])
    crowded = wild.with_columns(n_nearest=pl.lit(12, pl.Int64))
    assert "50" in texts(draw_curve(crowded))


def test_a_curve_of_differences_has_zero_for_none():
    curve = TABLES["curve"].with_columns(
        pl.lit("difference").alias("scale"), pl.col("^effect.*$").log()
    )
    drawn = draw_curve(
        curve, plan=INVENTED["CURVED"] | {"family": "linear", "outcome": "gose_6m"}
    )
    assert "Difference in GOSE" in texts(drawn)
    assert (
        "against the median 1.00: at 0.00: \u22120.22 (\u22120.37 to \u22120.07)"
        in described(drawn)
    )


def test_a_curve_that_was_withheld_says_why():
    withheld = FITS["diagnostics"]["death_by_yield"].with_columns(
        adjustment=pl.lit("unadjusted")
    )
    rows = withheld.unique("quantity", maintain_order=True)
    nothing = TABLES["curve"].with_columns(
        pl.lit(None, pl.Float64).alias(name)
        for name in ("effect", "effect_ci_low", "effect_ci_high")
    )
    expected = "No curve is reported: fewer than 5 events."
    rows = rows.with_columns(reason=pl.lit("fewer than 5 events"))
    assert described(draw_curve(nothing, diagnostics=rows)) == expected
    assert described(draw_curve(nothing.clear(), diagnostics=rows.clear())) == (
        "No curve is reported: it was not fitted."
    )


def test_the_forest_says_for_how_much_more_of_what_an_effect_is():
    plan = INVENTED["MODELS"]["gose_by_dose"]
    shown = " ".join(texts(draw_forest({"gose_by_dose": ESTIMATES["gose_by_dose"]})))
    words = model_words.exposure_words(plan["exposure"], contracts.analysis(DECLARED).columns)
    assert f"Odds ratio for {plan['unit_of_effect']:g} more of {words}" in shown


def test_a_model_whose_slope_differs_by_level_has_no_place_in_the_forest():
    rows = ESTIMATES["unfavourable_by_dose"]
    product = rows.filter(scale="log_or", adjustment="unadjusted").with_columns(
        term=pl.lit("icp_above_20_dose_per_h_mmhg x sex: female (reference male)"),
        modifier=pl.lit("sex"),
    )
    several = pl.concat([rows, product])
    assert draw_forest({"by_sex": several} | ESTIMATES) == draw_forest(ESTIMATES)


# --- numbers, and what a figure withstands ----------------------------------------------------

COHORT = figures.of_the_cohort(TABLES)


@pytest.mark.parametrize("name", figures.PER_WINDOW)
def test_exposures_are_those_of_the_cohort_of_their_window(name):
    cohort = set(TABLES["analysis"].select("window", "patient_id").iter_rows())
    kept = set(COHORT[name].select("window", "patient_id").iter_rows())
    assert kept == cohort
    assert len(cohort) < TABLES[name].select("window", "patient_id").n_unique()


def _spread(values, decimals):
    low, middle, high = np.quantile(values.drop_nulls().to_numpy(), [0.25, 0.5, 0.75])
    words = f"{middle:.{decimals}f} ({low:.{decimals}f} to {high:.{decimals}f})"
    return words.replace("-", "−")


def test_the_map_counts_episodes_over_days_as_a_plain_loop_does():
    rows = [row for row in COHORT["intensity"].to_dicts() if row["window"] == WINDOW]
    rates = intensity.frequencies(COHORT["intensity"].filter(window=WINDOW))
    assert rates.height == 18
    for rate in rates.to_dicts():
        key = ("signal", "threshold", "duration_min")
        cell = [r for r in rows if all(r[k] == rate[k] for k in key) and r["monitored_h"] > 0]
        n, hours = sum(r["n_episodes"] for r in cell), sum(r["monitored_h"] for r in cell)
        assert rate["per_day"] == pytest.approx(24 * n / hours, rel=1e-12)
        assert rate["n_patients"] == len(cell) < len(rows) / 18
        assert rate["n_with_episodes"] == sum(r["n_episodes"] > 0 for r in cell)


def test_the_map_tells_rates_and_n_and_leaves_cells_without_episodes_blank():
    rates = intensity.frequencies(COHORT["intensity"].filter(window=WINDOW))
    row = rates.filter(signal="icp", threshold=20.0, duration_min=5).row(0, named=True)
    description = described(DRAWN["intensity"])
    cell = f"20 mmHg for 5 min: {row['per_day']:.2f} ({row['n_with_episodes']} patients)"
    assert cell in description
    assert f"ICP above the threshold, n = {row['n_patients']}" in texts(DRAWN["intensity"])
    panel = pl.DataFrame(
        {"threshold": [1.0, 2.0], "duration_min": [5, 5], "per_day": [0.0, 2.0]}
    )
    _, _, values = intensity._matrix(panel, "per_day")
    assert np.isnan(values[0, 0]) and values[0, 1] == 2.0


def test_the_map_of_outcome_tells_its_ends_its_line_and_its_n():
    table = TABLES["intensity_map"].filter(window=WINDOW, signal="icp")
    enough = table.filter(pl.col("n_with_episodes") >= intensity.MIN_WITH_EPISODES)
    lowest = enough.sort("correlation").row(0, named=True)
    line = TABLES["transition"].with_columns(
        duration_min=pl.when(pl.col("threshold") > 20).then(12.4)
    )
    made = intensity.outcome_map(
        TABLES["intensity_map"], line, window=WINDOW, score=SCORE, declared={}
    )
    description = made.description
    words = ", ".join(f"{lowest[name]:.2f}" for name in ("correlation",)).replace("-", "−")
    limits = f"({lowest['ci_low']:.2f} to {lowest['ci_high']:.2f})".replace("-", "−")
    assert f"lowest {words} {limits} at {lowest['threshold']:g} mmHg" in description
    assert "It first falls below zero with duration at: 24 mmHg: 12 min." in description
    assert "at: 50 mmHg: 12 min; 60 mmHg: 12 min; 70 mmHg: 12 min." in description
    assert description.count("falls below zero") == 2
    without = intensity.outcome_map(
        TABLES["intensity_map"],
        TABLES["transition"].clear(),
        window=WINDOW,
        score=SCORE,
        declared={},
    )
    assert without.description.count("with duration at: nowhere.") == 2
    n = table["n_patients"].max()
    assert f"ICP above the threshold, n = {n}" in texts(DRAWN["intensity-outcome"])


def test_no_colour_that_a_page_replaces_is_one_of_a_map():
    shades = matplotlib.colormaps[intensity.PALETTE]
    of_maps = {to_hex(shades(i)) for i in range(shades.N)}
    assert not of_maps & set(canvas.PAGE_COLOURS)


def test_colours_of_the_maps_are_boxes_and_no_image():
    for name in ("intensity", "intensity-outcome"):
        assert "<image" not in DRAWN[name]
        assert "data:" not in DRAWN[name]


def test_recorded_time_tells_shares_of_patients_and_hours_of_reasons():
    rows = TABLES["quality"].filter(signal="icp")
    description = described(DRAWN["recorded"])
    share = _spread(rows["valid_s"] / rows["recorded_s"] * 100, 1)
    assert (
        f"ICP valid (%): median {share} percent of the recorded time, n = 100." in description
    )
    masked = TABLES["masked"].filter(signal="icp", reason="drain_open")
    hours = f"{sum(masked['masked_s']) / 3600:.1f} h"
    assert f"ICP masked for drain open: {hours} in {masked.height} patients." in description
    assert f"{hours}, n = {masked.height}" in texts(DRAWN["recorded"])


def test_many_reasons_are_added_up_and_none_is_lost():
    rows = [("p1", "icp", f"reason_{i:02d}", 3600.0 * (i + 1)) for i in range(30)]
    rows.append(("p2", "icp", "reason_00", 1800.0))
    schema = ["patient_id", "signal", "reason", "masked_s"]
    bars = recordings.masked_hours(pl.DataFrame(rows, schema=schema, orient="row"))
    assert bars["hours_h"].sum() == pytest.approx(sum(row[3] for row in rows) / 3600)
    assert bars.height == recordings.MOST_REASONS + 1
    assert bars.row(0)[:3] == ("icp", "reason_29", 30.0)
    assert bars.row(-1) == ("icp", "other reasons", sum(range(1, 21)) + 0.5, 2)


def test_drift_is_told_for_each_kind_with_how_many_lie_beyond_2_mmhg():
    description = described(DRAWN["drift"])
    for (kind,), part in TABLES["monitors"].group_by("kind"):
        known = part["drift_at_removal_mmhg"].drop_nulls()
        words = f"{kind.replace('_', ' ')}: median {_spread(known, 1)} mmHg"
        assert f"{words}, n = {known.len()} of {part.height}." in description
    every = TABLES["monitors"]["drift_at_removal_mmhg"].drop_nulls()
    assert (
        f"Beyond 2 mmHg either way: {(every.abs() > 2).sum()} of {every.len()}." in description
    )


def test_burden_by_state_stands_state_by_state_with_its_limit():
    rows = COHORT["burden_by_state"].filter(
        window=WINDOW, signal="icp", threshold=20.0, state="prx_above"
    )["dose_per_h"]
    description = described(DRAWN["burden-by-state"])
    n_zero = (rows == 0).sum()
    assert n_zero
    assert (
        f"ICP above 20 mmHg, PRx > 0.25: median {_spread(rows, 2)}, "
        f"n = {rows.count()}, {n_zero} at 0." in description
    )
    assert texts(DRAWN["burden-by-state"]).count("20 mmHg, PRx ≤ 0.25") == 1


def test_the_yield_stands_beside_that_of_chance():
    known = pl.Series([5.0, 7.0, 9.0])
    optima = TABLES["optima"].with_columns(
        cppopt_yield_percent=pl.lit(80.0), chance_yield_percent=pl.lit(None, pl.Float64)
    )
    tested = optima.head(3).with_columns(chance_yield_percent=known)
    optima = pl.concat([tested, optima.tail(-3)])
    made = reactivity.reactivity_distribution(
        COHORT["summary"], optima, window=WINDOW, index=declared_indices.named("prx", {})
    )
    assert "chance alone: median 7.0 (6.0 to 8.0) percent, n = 3." in made.description
    assert "whole recording: median 80.0 (80.0 to 80.0) percent, n = 3." in made.description


def _lies_on_its_paper(picture):
    with canvas.style(picture.name):
        renderer = FigureCanvasAgg(picture.figure).get_renderer()
        box = picture.figure.get_tightbbox(renderer)  # in inches
    width, height = picture.figure.get_size_inches()
    return min(box.x0, box.y0, width - box.x1, height - box.y1) > -0.03


@pytest.mark.parametrize(
    "words", ["<script>alert(1)</script>", "😀 שלום مرحبا $x^2$ \\frac", "long " * 40]
)
def test_hostile_words_neither_break_nor_leave_a_figure(words, tmp_path, recwarn):
    made = [
        flow_figure.flow_diagram(
            TABLES["flow"].with_columns(
                name=pl.lit(words), reason=pl.lit(words.replace(" ", "_"))
            ),
            window=WINDOW,
        ),
        forest.forest_plot(
            {words: ESTIMATES["gose_by_dose"]},
            models={words: INVENTED["MODELS"]["gose_by_dose"] | {"exposure": words}},
            columns=contracts.analysis(DECLARED).columns,
        ),
        recordings.drift(TABLES["monitors"].with_columns(kind=pl.lit(words))),
        recordings.recorded_time(
            TABLES["quality"],
            TABLES["masked"].with_columns(reason=pl.lit(words)),
            labels={"icp": "ICP", "abp": "ABP"},
        ),
    ]
    for picture in made:
        assert "<script" not in canvas.inline(picture)
        assert _lies_on_its_paper(picture), picture.name
    canvas.save(made[1], tmp_path)
    assert not list(recwarn)


def test_no_figure_leaves_its_paper():
    fits = {name: FITS[name] for name in ("estimates", "diagnostics", "curve")}
    plans = INVENTED["MODELS"] | {"curved_dose": INVENTED["CURVED"]}
    made = figures.all_pictures(
        TABLES,
        fits,
        models=plans,
        settings=INVENTED["SETTINGS"],
        columns=contracts.analysis(DECLARED).columns,
    )
    for name, picture in made.items():
        assert _lies_on_its_paper(picture), name
        assert picture.figure.get_size_inches()[0] * 25.4 == pytest.approx(
            canvas.COLUMNS_MM[picture.column]
        )
        assert "n = " in picture.description or "of" in picture.description
