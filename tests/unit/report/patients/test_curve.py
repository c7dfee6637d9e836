"""The curve of a patient's picture: the fit that was made, and the words beside it."""

import numpy as np
import polars as pl
import pytest
from matplotlib.figure import Figure

from icpcohort import contracts
from icpcohort.report.patients import curve as patient_curve

CPP = np.arange(52.5, 90, 5)
OPTIMUM = dict.fromkeys(contracts.OPTIMA.columns) | {
    "patient_id": "P1",
    "cppopt_mmhg": 71.26,
    "cppopt_asymmetric_mmhg": 70.91,
    "cppopt_ci_low_mmhg": 70.5,
    "cppopt_ci_high_mmhg": 72.2,
    "llr_mmhg": 60.04,
    "ulr_mmhg": 81.96,
    "llr_bins_mmhg": 59.5,
    "p_chance": 0.01,
    "p_rolled": 0.02,
    "chance_percent": 4.04,
    "cppopt_yield_percent": 84.41,
    "chance_yield_percent": 2.03,
    "n_minutes": 4075,
}


def curve(fitted, prx=None):
    prx = fitted if prx is None else prx
    return pl.DataFrame(
        {
            "cpp_mmhg": CPP,
            "n_minutes": [50] * CPP.size,
            "index_mean": prx,
            "index_fitted": fitted,
        }
    )


@pytest.mark.parametrize("back", [np.tanh, np.asarray], ids=["fisher", "raw"])
def test_the_line_is_the_parabola_through_the_fitted_bins_in_its_own_scale(back):
    parabola = [0.0009, -0.0009 * 2 * 71, 0.0009 * 71**2 - 0.15]
    along, drawn = patient_curve.smooth_fit(curve(back(np.polyval(parabola, CPP))))
    assert along.size == patient_curve.N_POINTS
    assert drawn == pytest.approx(back(np.polyval(parabola, along)), abs=1e-9)


def test_bins_on_no_parabola_are_joined_by_lines_and_none_give_no_line():
    fitted = np.array([0.5, 0.1, 0.4, 0.0, 0.2, 0.6, 0.1, 0.3])
    along, drawn = patient_curve.smooth_fit(curve(fitted))
    assert along.tolist() == CPP.tolist()
    assert drawn.tolist() == fitted.tolist()
    nothing = curve(fitted).with_columns(index_fitted=pl.lit(None, pl.Float64))
    assert [part.size for part in patient_curve.smooth_fit(nothing)] == [0, 0]


def test_words_hold_the_optimum_its_interval_its_limits_and_chance():
    words = " ".join(patient_curve.in_words(OPTIMUM, label="PRx"))
    assert "CPPopt 71.3 mmHg, 4075 min." in words
    assert "lowest at 70.9 mmHg (95 % interval 70.5 to 72.2)." in words
    assert "LLR 60.0 / 59.5, ULR 82.0 / – (mmHg" in words
    assert "p = 0.010; chance alone gives a CPPopt in 4 % of surrogates." in words
    assert "Minutes with a CPPopt: 84.4 %, by chance alone 2.0 %." in words


def test_without_an_optimum_the_reason_is_told():
    none = OPTIMUM | {
        "cppopt_mmhg": None,
        "reason": "not_u_shaped",
        "p_chance": None,
        "p_rolled": None,
    }
    words = patient_curve.in_words(none, label="PRx")
    assert words[0] == "Whole recording: no CPPopt (not U shaped), 4075 min."
    assert not any("chance: p" in line for line in words)
    nothing = patient_curve.in_words({}, label="PRx")
    assert nothing == ["Whole recording: no minute with PRx and CPP."]


def test_every_bin_has_its_minutes_above_it_and_the_interval_is_shaded():
    axis = Figure().subplots()
    patient_curve.draw(axis, curve(np.linspace(-0.2, 0.5, CPP.size)), OPTIMUM, label="PRx")
    assert [text.get_text() for text in axis.texts].count("50") == CPP.size
    (band,) = axis.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((70.5, 72.2))
    named = {text.get_text().strip(): text.get_position()[0] for text in axis.texts}
    assert (named["LLR"], named["CPPopt"], named["ULR"]) == (60.04, 71.26, 81.96)


def test_the_mean_of_an_hour_goes_through_fisher_z_and_needs_minutes():
    """By hand: atanh 0.5 = 0.549306, atanh -0.2 = -0.202733; their mean's tanh is 0.171573."""
    t_s = 3600.0 + 60.0 * np.arange(1, 41)
    rows = pl.DataFrame({"t_s": t_s, "prx": [0.5, -0.2] * 20})
    few = pl.DataFrame({"t_s": 7200.0 + 60.0 * np.arange(1, 10), "prx": [0.9] * 9})
    hours = patient_curve.hourly(pl.concat([rows, few]), "prx")
    assert hours["prx"].to_list() == pytest.approx([0.171573], abs=1e-6)
    assert hours["t_s"].to_list() == [1.5 * 3600 + 30]
