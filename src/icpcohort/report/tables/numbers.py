"""Numbers: the one rounding rule of every table, sentence and figure that people read."""

import math
from decimal import ROUND_HALF_UP, Context, Decimal

import polars as pl

MISSING = "–"


NOT_ESTIMABLE = "not estimable"


MINUS = "−"


SCIENTIFIC_FROM = 1e6  # a longer number is no longer read digit by digit


DECIMALS_FROM_N = 100  # a percentage of fewer patients than this has no decimals


def format_number(value: float | None, *, decimals: int) -> str:
    """Return `value` with `decimals` decimals; null becomes an en dash.

    Halves go away from zero, on the shortest decimal text of the number: 2.675 becomes 2.68
    and -0.125 becomes −0.13, as a reader with pencil and paper would do. A number that is
    not zero is never shown as zero: 0.004 becomes <0.01, -0.004 becomes >−0.01. From a
    million on, two digits and a power of ten.

    Raises
    ------
    ValueError
        If `value` is NaN or infinite.

    Source: common practice (round half up); the bounds for small numbers are our own.
    """
    if value is None:
        return MISSING
    if not math.isfinite(value):
        raise ValueError(
            f"numbers.format_number: {value} cannot be shown; write null for missing"
        )
    if abs(value) >= SCIENTIFIC_FROM:
        return f"{value:.1e}".replace("-", MINUS, 1 if value < 0 else 0)
    step = Decimal(1).scaleb(-decimals)
    exact = Decimal(repr(float(value)))
    rounded = exact.quantize(step, rounding=ROUND_HALF_UP, context=Context(prec=400))
    if rounded == 0 and value != 0:
        return f"<{step}" if value > 0 else f">{MINUS}{step}"
    return f"{abs(rounded)}" if rounded >= 0 else f"{MINUS}{abs(rounded)}"


def format_estimate(value: float | None, low: float | None, high: float | None) -> str:
    """Return an estimate and its limits with two decimals: "1.23 (1.01 to 1.50)".

    A null estimate is "not estimable"; an estimate without both limits says so.

    Raises
    ------
    ValueError
        If the estimate does not lie between its limits.
    """
    if value is None:
        return NOT_ESTIMABLE
    text = format_number(value, decimals=2)
    if low is None or high is None:
        return f"{text} (interval {NOT_ESTIMABLE})"
    if not low <= value <= high:
        raise ValueError(
            f"numbers.format_estimate: {value} is outside its interval {low} to {high}; "
            "hand over value, lower limit, upper limit in this order"
        )
    return f"{text} ({format_number(low, decimals=2)} to {format_number(high, decimals=2)})"


def format_p(p: float | None) -> str:
    """Return a p value with three decimals, or "<0.001"; null becomes an en dash.

    Raises
    ------
    ValueError
        If `p` is not between 0 and 1.
    """
    if p is None:
        return MISSING
    if not 0 <= p <= 1:
        raise ValueError(f"numbers.format_p: {p} is not between 0 and 1; hand over a p value")
    return "<0.001" if p < 0.001 else format_number(p, decimals=3)


def format_percent(n: int | None, total: int) -> str:
    """Return n / total in percent: no decimals below a total of 100, else one.

    An en dash when `n` is null or there is nobody to count.

    Raises
    ------
    ValueError
        If `n` is negative or above `total`.
    """
    if n is None or total == 0:
        return MISSING
    if not 0 <= n <= total:
        raise ValueError(
            f"numbers.format_percent: {n} of {total} is no share; check the counts"
        )
    return f"{format_number(100 * n / total, decimals=0 if total < DECIMALS_FROM_N else 1)} %"


def format_share(n: int | None, total: int) -> str:
    """Return a count with its percentage: "45 (38 %)"; an en dash where there is no share."""
    percent = format_percent(n, total)
    return percent if percent == MISSING else f"{n} ({percent})"


def format_median(values: pl.Series, *, decimals: int) -> str:
    """Return median and quartiles, "12.0 (10.0 to 15.5)"; nulls are left out.

    An en dash when no value is left.

    Source: quartiles by linear interpolation, type 7 of Hyndman 1996; the default of R's
    `quantile` and of numpy.
    """
    quartiles = [values.quantile(q, interpolation="linear") for q in (0.5, 0.25, 0.75)]
    if quartiles[0] is None:
        return MISSING
    median, low, high = (format_number(q, decimals=decimals) for q in quartiles)
    return f"{median} ({low} to {high})"


def methods_sentence() -> str:
    """Return the report's sentence on how its numbers are summarised and rounded."""
    return (
        "Continuous variables are given as median and quartiles (linear interpolation, type 7 "
        "of Hyndman 1996), categories as number, denominator (the patients with a value) "
        "and percentage. Groups are compared by absolute standardised differences: the "
        "difference of means over the root of the mean variance (Austin 2011), and for "
        "categories the Mahalanobis distance of their proportions (Yang 2012). Estimates are "
        "rounded to two decimals, p values to three, percentages to whole numbers below "
        f"{DECIMALS_FROM_N} patients and to one decimal otherwise; halves are rounded away "
        "from zero."
    )
