"""Sliding dichotomy: bands of prognosis, each divided near its median (Murray et al. 2005,
J Neurotrauma 22:511-517, from memory), against the rule as a plain loop."""

import itertools

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.cohort import sliding_dichotomy
from icpcohort.contracts import store

# The extended Glasgow Outcome Scale with 2 and 3 taken together: cuts at 2, 4, 5, 6, 7, 8
LEVELS = (1, 2, 4, 5, 6, 7, 8)


def _outcomes(risks, scores):
    table = pl.DataFrame(
        {
            "risk": pl.Series(risks, dtype=pl.Float64()),
            "score": pl.Series(scores, dtype=pl.Int64()),
        }
    )
    return table.with_columns(sliding_dichotomy.bands(table["risk"], n_bands=3))


def _cuts(table):
    return sliding_dichotomy.cuts(table, levels=LEVELS, better="higher")


def _unfavourable(table, chosen):
    return sliding_dichotomy.unfavourable(table, chosen, better="higher")


def test_bands_hold_equal_numbers_and_agree_with_numpy():
    risks = np.random.default_rng(5).random(300)
    band = sliding_dichotomy.bands(pl.Series("risk", risks), n_bands=3)
    low, high = np.quantile(risks, [1 / 3, 2 / 3])
    assert band.to_list() == [1 + int(r > low) + int(r > high) for r in risks]
    assert band.value_counts().sort("band")["count"].to_list() == [100, 100, 100]


def test_a_risk_at_the_limit_belongs_to_the_lower_band():
    """Type 7 limits of 0.1, 0.2, 0.3, 0.4 at one and two thirds are 0.2 and 0.3 themselves."""
    band = sliding_dichotomy.bands(pl.Series("risk", [0.1, 0.2, 0.3, 0.4]), n_bands=3)
    assert band.to_list() == [1, 1, 2, 3]


def test_an_unknown_risk_has_no_band_and_no_sliding_outcome():
    table = _outcomes([0.1, None, 0.9], [8, 5, 1])
    assert table["band"].to_list() == [1, None, 3]
    below = _unfavourable(table, _cuts(table))
    assert below[1] is None


def test_a_band_is_divided_nearest_to_half_and_its_patients_by_that_cut():
    """By hand: the best third mostly recovers well, the worst third mostly dies."""
    risks = [0.1] * 4 + [0.5] * 4 + [0.9] * 4
    scores = [5, 7, 8, 8, 3, 4, 5, 7, 1, 1, 3, 5]
    table = _outcomes(risks, scores)
    chosen = _cuts(table)
    named = chosen.select(pl.lit("sliding").alias("outcome"), pl.all())
    store.check(named, contracts.BANDS, "bands")
    assert chosen["cut"].to_list() == [8, 5, 2]
    assert chosen["n_unfavourable"].to_list() == [2, 2, 2]
    below = _unfavourable(table, chosen)
    assert below.to_list() == [
        score < cut for score, cut in zip(scores, [8] * 4 + [5] * 4 + [2] * 4)
    ]


def test_the_same_score_may_be_good_in_one_band_and_bad_in_another():
    table = _outcomes([0.1] * 4 + [0.5] * 4 + [0.9] * 4, [5, 7, 8, 8, 3, 4, 5, 7, 1, 1, 3, 5])
    below = _unfavourable(table, _cuts(table))
    of_five = [b for b, score in zip(below, table["score"]) if score == 5]
    assert of_five == [True, False, False]


@pytest.mark.parametrize("seed", range(20))
def test_the_cuts_are_those_of_a_plain_loop(seed):
    draw = np.random.default_rng(seed)
    n = int(draw.integers(3, 60))
    scores = [None if draw.random() < 0.2 else int(s) for s in draw.integers(1, 9, n)]
    table = _outcomes(draw.random(n).round(2), scores)
    bands = [
        table.filter(band=band)["score"].drop_nulls().to_list()
        for band in sorted(table["band"].unique())
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
    chosen = _cuts(table)
    assert chosen["n"].to_list() == [len(band) for band in bands]
    assert chosen["cut"].to_list() == [cut if band else None for cut, band in zip(best, bands)]


def test_a_worse_prognosis_is_never_held_to_a_better_outcome():
    table = _outcomes([0.1] * 4 + [0.5] * 4 + [0.9] * 4, [4, 4, 8, 8, 1, 1, 8, 8, 1, 5, 6, 8])
    cuts = _cuts(table)["cut"].to_list()
    assert cuts == sorted(cuts, reverse=True)


def test_nobody_gives_no_bands():
    table = _outcomes([], [])
    assert _cuts(table).height == 0
    assert _unfavourable(table, _cuts(table)).len() == 0


def test_a_scale_that_runs_towards_death_is_the_same_scale_turned_round():
    draw = np.random.default_rng(3)
    table = _outcomes(draw.random(60), draw.choice(LEVELS, 60).tolist())
    turned = table.with_columns(score=9 - pl.col("score"))
    levels = sorted(9 - level for level in LEVELS)
    chosen = sliding_dichotomy.cuts(turned, levels=levels, better="lower")
    away = [
        int((2 * one["n_unfavourable"] - one["n"]).abs().sum())
        for one in (chosen, _cuts(table))
    ]
    assert away[0] == away[1]  # of divisions equally near to half another may be chosen
    below = sliding_dichotomy.unfavourable(turned, chosen, better="lower")
    cut_of = dict(chosen.select("band", "cut").iter_rows())
    assert below.to_list() == [
        score > cut_of[band] for score, band in turned.select("score", "band").iter_rows()
    ]
