"""Sliding dichotomy: bands of prognosis, each divided near its median (Murray et al. 2005,
J Neurotrauma 22:511-517, from memory), against the rule as a plain loop."""

import itertools

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.cohort import sliding_dichotomy
from icpcohort.contracts import store


def _outcomes(risks, scores):
    table = pl.DataFrame(
        {
            "impact_core_unfavourable": pl.Series(risks, dtype=pl.Float64()),
            "gose_6m": pl.Series(scores, dtype=pl.Int64()),
        }
    )
    band = sliding_dichotomy.bands(table["impact_core_unfavourable"], n_bands=3)
    return table.with_columns(band)


def test_bands_hold_equal_numbers_and_agree_with_numpy():
    risks = np.random.default_rng(5).random(300)
    band = sliding_dichotomy.bands(pl.Series("risk", risks), n_bands=3)
    low, high = np.quantile(risks, [1 / 3, 2 / 3])
    assert band.to_list() == [1 + int(r > low) + int(r > high) for r in risks]
    assert band.value_counts().sort("prognostic_band")["count"].to_list() == [100, 100, 100]


def test_a_risk_at_the_limit_belongs_to_the_lower_band():
    """Type 7 limits of 0.1, 0.2, 0.3, 0.4 at one and two thirds are 0.2 and 0.3 themselves."""
    band = sliding_dichotomy.bands(pl.Series("risk", [0.1, 0.2, 0.3, 0.4]), n_bands=3)
    assert band.to_list() == [1, 1, 2, 3]


def test_an_unknown_risk_has_no_band_and_no_sliding_outcome():
    table = _outcomes([0.1, None, 0.9], [8, 5, 1])
    assert table["prognostic_band"].to_list() == [1, None, 3]
    below = sliding_dichotomy.unfavourable(table, sliding_dichotomy.cuts(table))
    assert below[1] is None


def test_a_band_is_divided_nearest_to_half_and_its_patients_by_that_cut():
    """By hand: the best third mostly recovers well, the worst third mostly dies."""
    risks = [0.1] * 4 + [0.5] * 4 + [0.9] * 4
    scores = [5, 7, 8, 8, 3, 4, 5, 7, 1, 1, 3, 5]
    table = _outcomes(risks, scores)
    chosen = sliding_dichotomy.cuts(table)
    store.check(chosen, contracts.BANDS, "bands")
    assert chosen["cut_gose"].to_list() == [8, 5, 2]
    assert chosen["n_unfavourable"].to_list() == [2, 2, 2]
    below = sliding_dichotomy.unfavourable(table, chosen)
    assert below.to_list() == [
        score < cut for score, cut in zip(scores, [8] * 4 + [5] * 4 + [2] * 4)
    ]


def test_the_same_score_may_be_good_in_one_band_and_bad_in_another():
    table = _outcomes([0.1] * 4 + [0.5] * 4 + [0.9] * 4, [5, 7, 8, 8, 3, 4, 5, 7, 1, 1, 3, 5])
    below = sliding_dichotomy.unfavourable(table, sliding_dichotomy.cuts(table))
    of_five = [b for b, score in zip(below, table["gose_6m"]) if score == 5]
    assert of_five == [True, False, False]


@pytest.mark.parametrize("seed", range(20))
def test_the_cuts_are_those_of_a_plain_loop(seed):
    draw = np.random.default_rng(seed)
    n = int(draw.integers(3, 60))
    scores = [None if draw.random() < 0.2 else int(s) for s in draw.integers(1, 9, n)]
    table = _outcomes(draw.random(n).round(2), scores)
    bands = [
        table.filter(prognostic_band=band)["gose_6m"].drop_nulls().to_list()
        for band in sorted(table["prognostic_band"].unique())
    ]
    best, least = None, None
    for asked in itertools.product((2, 4, 5, 6, 7, 8), repeat=len(bands)):
        if any(worse > better for better, worse in itertools.pairwise(asked)):
            continue
        away = sum(
            abs(sum(score < cut for score in band) - len(band) / 2)
            for cut, band in zip(asked, bands)
        )
        if least is None or away < least:  # in order, so the lower of equals comes first
            best, least = asked, away
    chosen = sliding_dichotomy.cuts(table)
    assert chosen["n"].to_list() == [len(band) for band in bands]
    assert chosen["cut_gose"].to_list() == [
        cut if band else None for cut, band in zip(best, bands)
    ]


def test_a_worse_prognosis_is_never_held_to_a_better_outcome():
    table = _outcomes([0.1] * 4 + [0.5] * 4 + [0.9] * 4, [4, 4, 8, 8, 1, 1, 8, 8, 1, 5, 6, 8])
    cuts = sliding_dichotomy.cuts(table)["cut_gose"].to_list()
    assert cuts == sorted(cuts, reverse=True)


def test_nobody_gives_no_bands():
    table = _outcomes([], [])
    assert sliding_dichotomy.cuts(table).height == 0
    assert sliding_dichotomy.unfavourable(table, sliding_dichotomy.cuts(table)).len() == 0
