"""Table 1, and the one rounding rule of every table, sentence and figure that people read."""

import math
from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Context, Decimal
from typing import NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.tables import balance

MISSING = "–"
NOT_ESTIMABLE = "not estimable"
MINUS = "−"
SCIENTIFIC_FROM = 1e6  # a longer number is no longer read digit by digit
DECIMALS_FROM_N = 100  # a percentage of fewer patients than this has no decimals


class Variable(NamedTuple):
    """One variable of Table 1; `decimals` is None for a category."""

    column: str
    words: str
    decimals: int | None


VARIABLES = (
    Variable("centre", "Centre", None),
    Variable("age_years", "Age (years)", 1),
    Variable("sex", "Sex", None),
    Variable("gcs_total", "Glasgow Coma Scale", 1),
    Variable("gcs_motor", "Glasgow motor score", None),
    Variable("pupils_reactive", "Reactive pupils", None),
    Variable("hypoxia", "Hypoxia", None),
    Variable("hypotension", "Hypotension", None),
    Variable("marshall_class", "Marshall class", None),
    Variable("traumatic_sah", "Traumatic subarachnoid haemorrhage", None),
    Variable("epidural_mass", "Epidural mass lesion", None),
    Variable("rotterdam", "Rotterdam score", None),
    Variable("glucose_mmol_l", "Glucose (mmol/L)", 1),
    Variable("haemoglobin_g_dl", "Haemoglobin (g/dL)", 1),
    Variable("impact_core_unfavourable", "IMPACT core risk of an unfavourable outcome", 2),
    Variable("tier", "Sampling of the recordings", None),
    Variable("monitored_h", "ICP monitored in the window (h)", 1),
    Variable("icp_mean_mmhg", "Mean ICP (mmHg)", 1),
    Variable("cpp_mean_mmhg", "Mean CPP (mmHg)", 1),
    Variable("prx_mean", "Mean PRx", 2),
    Variable("cppopt_yield_percent", "CPPopt yield (% of minutes with CPP)", 1),
)


class Groups(NamedTuple):
    """The two groups of Table 1: their names, and which patients belong to the second."""

    first: str
    second: str
    in_second: pl.Expr  # null where the group is unknown


def groups_of(by: str, *, exposure: str, exposed_above: float) -> Groups:
    """Return the groups by outcome, or by an exposure above a value in the exposure's unit.

    Raises
    ------
    ValueError
        If `by` is neither "outcome" nor "exposure".
    """
    if by == "outcome":
        return Groups("Favourable", "Unfavourable", pl.col("unfavourable"))
    if by == "exposure":
        limit = f"{exposed_above:g}"
        return Groups(
            f"{exposure} up to {limit}",
            f"{exposure} above {limit}",
            pl.col(exposure) > exposed_above,
        )
    raise ValueError(f"cohort.table_one.by: {by!r} is unknown; write outcome or exposure")


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
            f"tables.format_number: {value} cannot be shown; write null for missing"
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
            f"tables.format_estimate: {value} is outside its interval {low} to {high}; "
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
        raise ValueError(f"tables.format_p: {p} is not between 0 and 1; hand over a p value")
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
        raise ValueError(f"tables.format_percent: {n} of {total} is no share; check the counts")
    return f"{format_number(100 * n / total, decimals=0 if total < DECIMALS_FROM_N else 1)} %"


def format_share(n: int | None, total: int) -> str:
    """Return a count with its percentage: "45 (38 %)"; an en dash where there is no share."""
    percent = format_percent(n, total)
    return percent if percent == MISSING else f"{n} ({percent})"


def format_median(values: pl.Series, *, decimals: int) -> str:
    """Return median and quartiles, "12.0 (10.0 to 15.5)"; nulls are left out.

    An en dash when no value is left.

    Source: quartiles by linear interpolation, type 7 of Hyndman and Fan (1996), Am Stat
    50:361-365 (from memory); the default of R's `quantile` and of numpy.
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
        "of Hyndman and Fan), categories as number, denominator (the patients with a value) "
        "and percentage. Groups are compared by absolute standardised differences: the "
        "difference of means over the root of the mean variance, and for categories the "
        "Mahalanobis distance of their proportions. Estimates are "
        "rounded to two decimals, p values to three, percentages to whole numbers below "
        f"{DECIMALS_FROM_N} patients and to one decimal otherwise; halves are rounded away "
        "from zero."
    )


def table_one(analysis: pl.DataFrame, *, main_window: str, groups: Groups) -> pl.DataFrame:
    """Return Table 1 of the patients in `main_window`, by two groups.

    Parameters
    ----------
    analysis : DataFrame, one row a window and patient
        `contracts.analysis`. Null covariates are counted as missing, in all and in each group,
        and are in no percentage, median or difference.
    main_window : str
        Only the rows of this window are described.
    groups : Groups
        A patient whose group is unknown is described under `unknown`, and in no difference.

    Returns
    -------
    DataFrame
        `contracts.TABLE_ONE`. Continuous variables: median (quartiles). Categories: one row
        a level, count/denominator (percentage), the denominator being the group's patients
        with a value; of a yes/no variable only "yes". A variable without any value keeps one
        row of dashes. Without patients there is only the row of counts. The first row of a
        variable has its standardised difference and what is missing.

    Source: STROBE items 14a and 14b; quartiles as in `format_median`, differences as in
    `balance`.
    """
    cohort = analysis.filter(pl.col("window") == main_window)
    second = groups.in_second
    parts = {
        "overall": cohort,
        "group_1": cohort.filter(second.eq_missing(False)),
        "group_2": cohort.filter(second.eq_missing(True)),
        "unknown": cohort.filter(second.is_null()),
    }
    counts = {name: str(part.height) for name, part in parts.items()}
    rows: list[dict[str, object]] = [
        {"variable": "Patients", "level": "n"} | counts | dict.fromkeys(_N_MISSING, 0)
    ]
    if cohort.height:
        for variable in VARIABLES:
            rows += _rows_of(variable, parts)
    names = {"group_1_is": groups.first, "group_2_is": groups.second}
    frame = pl.DataFrame(
        [{"row": number} | names | row for number, row in enumerate(rows, start=1)],
        schema={name: column.dtype for name, column in contracts.TABLE_ONE.columns.items()},
    )
    store.check(frame, contracts.TABLE_ONE, "tables.table_one")
    return frame


_N_MISSING = {"n_missing": "overall", "n_missing_1": "group_1", "n_missing_2": "group_2"}


def _rows_of(variable: Variable, parts: dict[str, pl.DataFrame]) -> list[dict[str, object]]:
    values = {name: part[variable.column] for name, part in parts.items()}
    about: dict[str, object] = {"variable": variable.words}
    compare = balance.of_levels if variable.decimals is None else balance.of_numbers
    first: dict[str, object] = {"smd": compare(values["group_1"], values["group_2"])}
    first |= {name: values[part].null_count() for name, part in _N_MISSING.items()}
    levels = _levels(values["overall"])
    if variable.decimals is not None:
        medians = {
            name: format_median(part, decimals=variable.decimals)
            for name, part in values.items()
        }
        rows = [about | {"level": "median (IQR)"} | medians]
    elif not levels:
        rows = [about | {"level": "not recorded"} | dict.fromkeys(parts, MISSING)]
    else:
        rows = [
            about
            | {"level": "yes" if level is True else str(level)}
            | {name: _share(part, level) for name, part in values.items()}
            for level in levels
        ]
    return [rows[0] | first, *rows[1:]]


def _levels(values: pl.Series) -> Sequence[object]:
    present: list[object] = values.drop_nulls().unique().sort().to_list()
    if values.dtype == pl.Boolean() and present:
        return [True]
    return present


def _share(values: pl.Series, level: object) -> str:
    known = values.drop_nulls()
    n = int((known == level).sum())
    percent = format_percent(n, known.len())
    return percent if percent == MISSING else f"{n}/{known.len()} ({percent})"
