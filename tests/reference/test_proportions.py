"""Reference: intervals of a proportion, and quartiles, against published examples and R.

Intervals: the examples of Newcombe 1998, Stat Med 17:857-872, table I, to seven digits by R
4.2.2: `prop.test(x, n, correct = FALSE)` (Wilson) and `binom.test(x, n)` (Clopper-Pearson).
Quartiles: R 4.2.2, `quantile(c(1, 2, 3, 4, 7, 9, 10), c(0.25, 0.75), type = )`.
"""

import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from icpcohort.report.tables import descriptive, numbers

PUBLISHED = [
    (81, 263, "wilson", 0.25528852, 0.36620958),
    (81, 263, "exact", 0.25273675, 0.36762192),
    (15, 148, "wilson", 0.0623864, 0.16048724),
    (15, 148, "exact", 0.05784401, 0.16165049),
    (0, 20, "wilson", 0.0, 0.16112516),
    (0, 20, "exact", 0.0, 0.16843347),
    (1, 29, "wilson", 0.0061132143, 0.1717552188),
    (1, 29, "exact", 0.00087264688, 0.17764429549),
]
QUARTILES = {7: (2.5, 8.0), 6: (2.0, 9.0), 2: (2.0, 9.0), 8: (2.166666667, 8.666666667)}


@pytest.mark.parametrize(("n", "total", "method", "low", "high"), PUBLISHED)
def test_an_interval_is_the_published_one(n, total, method, low, high):
    assert descriptive.interval(n, total, method=method) == pytest.approx((low, high), abs=1e-7)


@pytest.mark.parametrize("total", [1, 7, 40, 333])
def test_every_share_agrees_with_another_library(total):
    other = {"wilson": "wilson", "exact": "beta"}
    for n in range(total + 1):
        for method, theirs in other.items():
            limits = descriptive.interval(n, total, method=method)
            assert limits == pytest.approx(
                proportion_confint(n, total, method=theirs), abs=1e-9
            )
            assert limits[0] <= n / total <= limits[1]


@pytest.mark.parametrize(("n", "total"), [(-1, 3), (4, 3), (0, 0)])
def test_what_is_no_share_is_refused(n, total):
    with pytest.raises(ValueError, match="is no share"):
        descriptive.interval(n, total, method="wilson")


def test_an_unknown_method_is_refused():
    with pytest.raises(ValueError, match="'wald' is unknown; write wilson or exact"):
        descriptive.interval(1, 3, method="wald")


def test_quartiles_are_of_type_seven_and_of_no_other():
    shown = numbers.format_median(pl.Series([1, 2, 3, 4, 7, 9, 10]), decimals=8)
    words_of = {
        kind: f"4.00000000 ({low:.8f} to {high:.8f})" for kind, (low, high) in QUARTILES.items()
    }
    assert [kind for kind, words in words_of.items() if words == shown] == [7]
