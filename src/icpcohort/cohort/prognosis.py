"""Prognosis at admission: IMPACT in both published forms, GCS-Pupils, Rotterdam CT score.

IMPACT was published twice: as a score chart with rounded points, and as regression
coefficients with age in years. The two disagree (core risk of death 7.2 % against 11.0 % for
a patient of 30 with a localising motor response and two reactive pupils), so the form is
always asked for.

IMPACT was developed in patients of 14 years or older with a GCS of 12 or lower. The functions
do not withhold a risk outside that population; `methods_sentence` says so.

Null means missing: a risk is null where any value it needs is null.

Source: Steyerberg 2008 (chart: its Figure 1; coefficients: the authors' fit behind their public
calculator).
"""

from typing import NamedTuple

import polars as pl

from icpcohort.study import published_scores

FORMS = published_scores.IMPACT_FORMS
MODELS = ("core", "extended", "lab")
OUTCOMES = ("mortality", "unfavourable")

MOTOR = ("1", "2", "3", "4", "5", "6", "untestable")


class _Range(NamedTuple):
    """What a value can be at all; beyond it lies a typing error or another unit."""

    low: float
    high: float
    unit: str


_RANGES = {
    "age_years": _Range(0.0, 120.0, "years"),
    "gcs_total": _Range(3.0, 15.0, "points"),
    "pupils_reactive": _Range(0.0, 2.0, "pupils"),
    "marshall_class": _Range(1.0, 6.0, "(Marshall class)"),
    "glucose_mmol_l": _Range(1.0, 60.0, "mmol/L"),
    "haemoglobin_g_dl": _Range(2.0, 25.0, "g/dL"),
    "cisterns": _Range(0.0, 2.0, "(0 normal, 1 compressed, 2 absent)"),
    "midline_shift_mm": _Range(0.0, 50.0, "mm"),
}

NEEDS = published_scores.IMPACT

# Score chart: log odds = intercept + slope * points. Age 30 stands in two rows; 0 is used.
_CHART = {
    ("core", "mortality"): (-2.55, 0.275),
    ("core", "unfavourable"): (-1.62, 0.299),
    ("extended", "mortality"): (-2.98, 0.256),
    ("extended", "unfavourable"): (-2.10, 0.276),
    ("lab", "mortality"): (-3.42, 0.216),
    ("lab", "unfavourable"): (-2.82, 0.257),
}
_CHART_MOTOR = dict(zip(MOTOR, (6.0, 6.0, 4.0, 2.0, 0.0, 0.0, 3.0), strict=True))
_CHART_PUPILS = {2: 0.0, 1: 2.0, 0: 4.0}
_CHART_CT = {1: -2.0, 2: 0.0, 3: 2.0, 4: 2.0, 5: 2.0, 6: 2.0}


class _Coefficients(NamedTuple):
    """One column of the published table; motor as in MOTOR; pupils none, one, two."""

    intercept: float
    age_per_year: float
    motor: tuple[float | None, ...]
    pupils: tuple[float, float, float]
    ct: tuple[float, ...] = ()  # classes 1, 2, 3-4, 5-6
    flags: tuple[float, ...] = ()  # traumatic SAH, epidural mass, hypoxia, hypotension
    lab: tuple[float, ...] = ()  # glucose per mmol/L, haemoglobin per g/dL


# The one printed value for an untestable motor score in the laboratory model of an unfavourable
# outcome (.059) is an order of magnitude below its five siblings and could not be confirmed:
# that risk is null until the original has been read.
_CONTINUOUS = {
    ("core", "mortality"): _Coefficients(
        -3.109, 0.034, (1.447, 1.397, 0.797, 0.390, 0.0, 0.0, 0.522), (1.239, 0.514, 0.0)
    ),
    ("core", "unfavourable"): _Coefficients(
        -2.644, 0.038, (1.393, 2.078, 1.266, 0.632, 0.0, 0.0, 0.885), (1.216, 0.592, 0.0)
    ),
    ("extended", "mortality"): _Coefficients(
        -3.787,
        0.032,
        (1.205, 1.207, 0.746, 0.313, 0.0, 0.0, 0.425),
        (0.970, 0.334, 0.0),
        (-0.298, 0.0, 0.774, 0.651),
        (0.606, -0.379, 0.237, 0.667),
    ),
    ("extended", "unfavourable"): _Coefficients(
        -3.023,
        0.033,
        (1.218, 1.852, 1.185, 0.575, 0.0, 0.0, 0.837),
        (1.003, 0.442, 0.0),
        (-0.530, 0.0, 0.543, 0.497),
        (0.567, -0.572, 0.316, 0.614),
    ),
    ("lab", "mortality"): _Coefficients(
        -3.184,
        0.020,
        (0.965, 1.109, 0.778, 0.310, 0.0, 0.0, 0.462),
        (0.533, 0.090, 0.0),
        (-0.150, 0.0, 0.715, 0.807),
        (0.740, -0.510, 0.360, 0.366),
        (0.097, -0.086),
    ),
    ("lab", "unfavourable"): _Coefficients(
        -2.470,
        0.029,
        (1.105, 1.801, 1.186, 0.548, 0.0, 0.0, None),
        (0.712, 0.201, 0.0),
        (-0.567, 0.0, 0.508, 0.571),
        (0.666, -0.687, 0.396, 0.440),
        (0.085, -0.092),
    ),
}


def log_odds(patients: pl.DataFrame, *, model: str, outcome: str, form: str) -> pl.Series:
    """Return the IMPACT log odds of each patient at 6 months.

    Parameters
    ----------
    patients : DataFrame, one row per patient
        Needs the columns `NEEDS[model]`, as the shipped dictionary declares them.
    model : str
        "core", "extended" or "lab".
    outcome : str
        "mortality" or "unfavourable" (GOSE 1-4 in the source's dichotomy).
    form : str
        "chart" or "continuous".

    Returns
    -------
    Series of Float64, one value per row
        Null where any value needed is null. An untestable motor score has its own coefficient;
        a null motor score gives null (the chart's "untestable or missing" is not used for it).
        Also null for an untestable motor score in the continuous "lab" model of "unfavourable",
        whose printed coefficient could not be confirmed.

    Raises
    ------
    ValueError
        If a name is unknown, or a value lies outside what it can be; all problems together.

    Source: Steyerberg 2008 (see the module).
    """
    _refuse_names(model=model, outcome=outcome, form=form)
    refuse_out_of_range(patients, columns=NEEDS[model], where="prognosis.log_odds")
    if form == "chart":
        intercept, slope = _CHART[model, outcome]
        expression = intercept + slope * _points(model)
    else:
        expression = _linear_predictor(_CONTINUOUS[model, outcome])
    name = f"impact_{model}_{outcome}_log_odds"
    return patients.select(expression.alias(name))[name]


def probability(patients: pl.DataFrame, *, model: str, outcome: str, form: str) -> pl.Series:
    """Return the IMPACT probability of each patient, from its `log_odds` (same arguments)."""
    x = log_odds(patients, model=model, outcome=outcome, form=form)
    name = f"impact_{model}_{outcome}"
    return x.to_frame().select((1 / (1 + (-pl.col(x.name)).exp())).alias(name))[name]


def gcs_pupils(patients: pl.DataFrame) -> pl.Series:
    """Return GCS-Pupils: GCS total less the number of unreactive pupils, 1-15.

    Needs `gcs_total` and `pupils_reactive`; null where either is null. Raises ValueError for a
    value out of range.

    Source: Brennan 2018.
    """
    columns = ("gcs_total", "pupils_reactive")
    refuse_out_of_range(patients, columns=columns, where="prognosis.gcs_pupils")
    score = pl.col("gcs_total") - (2 - pl.col("pupils_reactive"))
    return patients.select(score.alias("gcs_pupils"))["gcs_pupils"]


def rotterdam(scans: pl.DataFrame) -> pl.Series:
    """Return the Rotterdam computed-tomography score of each scan, 1-6.

    Parameters
    ----------
    scans : DataFrame, one row per scan
        Needs `cisterns` (0 normal, 1 compressed, 2 absent), `midline_shift_mm` [mm],
        `epidural_mass` and `ventricular_or_subarachnoid_blood` (flags). Null in any gives null.

    Raises
    ------
    ValueError
        If a value lies outside what it can be.

    Source: Maas 2005 (sum of the parts, plus 1).
    """
    columns = ("cisterns", "midline_shift_mm")
    refuse_out_of_range(scans, columns=columns, where="prognosis.rotterdam")
    score = (
        1
        + pl.col("cisterns")
        + _one_if(pl.col("midline_shift_mm") > 5)
        + _one_if(~pl.col("epidural_mass"))
        + _one_if(pl.col("ventricular_or_subarachnoid_blood"))
    )
    return scans.select(score.cast(pl.Int64).alias("rotterdam"))["rotterdam"]


def rotterdam_of(patients: pl.DataFrame) -> pl.Series:
    """Return the Rotterdam score of each patient.

    Needs `cisterns` (normal, compressed, absent), `ventricular_blood` and `traumatic_sah`
    beside what `rotterdam` needs. Blood is known when it is in either place or in neither.
    """
    scans = patients.with_columns(
        cisterns=pl.col("cisterns").replace_strict(
            {"normal": 0, "compressed": 1, "absent": 2}, return_dtype=pl.Int64()
        ),
        ventricular_or_subarachnoid_blood=pl.col("ventricular_blood") | pl.col("traumatic_sah"),
    )
    return rotterdam(scans)


def methods_sentence(*, form: str) -> str:
    """Return the report's sentences on the IMPACT models in one form."""
    refuse_form(form)
    forms = {
        "continuous": "the published regression coefficients with age in years",
        "chart": "the published score chart",
    }
    return (
        "Baseline risk was the IMPACT core, extended and laboratory model (Steyerberg 2008) in "
        f"the form of {forms[form]}; the two published forms give different risks. IMPACT"
        " was developed in patients aged 14 years or older with a Glasgow Coma Scale of 12 or"
        " lower; it was computed for every patient in whom its values were known. An untestable"
        " motor score has its own coefficient; a missing one leaves the risk missing."
    )


def refuse_out_of_range(
    patients: pl.DataFrame, *, columns: tuple[str, ...], where: str
) -> None:
    """Raise ValueError naming every value of `columns` that cannot be, or do nothing."""
    problems = []
    for name in columns:
        if name == "gcs_motor":
            problems += _values(patients, ~pl.col(name).is_in(MOTOR), name, "1-6 or untestable")
        elif name in _RANGES:
            low, high, unit = _RANGES[name]
            outside = ~pl.col(name).is_between(low, high)
            problems += _values(patients, outside, name, f"{low:g}-{high:g} {unit}")
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"{where}: {len(problems)} problem(s)\n{lines}")


def _values(patients: pl.DataFrame, wrong: pl.Expr, name: str, allowed: str) -> list[str]:
    rows = patients.filter(wrong)
    if not rows.height:
        return []
    shown = ", ".join(str(value) for value in rows[name].unique().sort()[:5])
    ids = f" (first: {rows['patient_id'][0]})" if "patient_id" in rows.columns else ""
    return [
        f"{name}: {shown} in {rows.height} row(s){ids}; write {allowed}, or nothing if unknown"
    ]


def refuse_form(form: str) -> None:
    """Raise ValueError if `form` is not one of FORMS, or do nothing."""
    _refuse_names(model=MODELS[0], outcome=OUTCOMES[0], form=form)


def _refuse_names(*, model: str, outcome: str, form: str) -> None:
    asked = (("model", model, MODELS), ("outcome", outcome, OUTCOMES), ("form", form, FORMS))
    problems = [
        f"{what} {value!r} is unknown; write {' or '.join(known)}"
        for what, value, known in asked
        if value not in known
    ]
    if problems:
        raise ValueError("impact: " + "; ".join(problems))


def _one_if(test: pl.Expr) -> pl.Expr:
    """1.0 where true, 0.0 where false, null where null."""
    return test.cast(pl.Float64)


def _steps(name: str, *limits: float) -> pl.Expr:
    """How many of the limits the value has reached."""
    reached = [_one_if(pl.col(name) >= limit) for limit in limits]
    return pl.sum_horizontal(reached, ignore_nulls=False)


def _map(
    name: str, values: dict[str, float] | dict[str, float | None] | dict[int, float]
) -> pl.Expr:
    return pl.col(name).replace_strict(values, return_dtype=pl.Float64())


def _points(model: str) -> pl.Expr:
    age = _one_if(pl.col("age_years") > 30) + _steps("age_years", 40, 50, 60, 70)
    points = age + _map("gcs_motor", _CHART_MOTOR) + _map("pupils_reactive", _CHART_PUPILS)
    if model in ("extended", "lab"):
        points += _one_if(pl.col("hypoxia")) + 2 * _one_if(pl.col("hypotension"))
        points += _map("marshall_class", _CHART_CT)
        points += 2 * _one_if(pl.col("traumatic_sah")) - 2 * _one_if(pl.col("epidural_mass"))
    if model == "lab":
        points += _steps("glucose_mmol_l", 6, 9, 12, 15)
        points += 3 - _steps("haemoglobin_g_dl", 9, 12, 15)
    return points


def _linear_predictor(b: _Coefficients) -> pl.Expr:
    x = b.intercept + b.age_per_year * pl.col("age_years")
    x += _map("gcs_motor", dict(zip(MOTOR, b.motor, strict=True)))
    x += _map("pupils_reactive", dict(enumerate(b.pupils)))
    if b.ct:
        one, two, three_four, five_six = b.ct
        by_class = (one, two, three_four, three_four, five_six, five_six)
        x += _map("marshall_class", dict(enumerate(by_class, start=1)))
        names = ("traumatic_sah", "epidural_mass", "hypoxia", "hypotension")
        for name, coefficient in zip(names, b.flags, strict=True):
            x += coefficient * _one_if(pl.col(name))
    if b.lab:
        glucose, haemoglobin = b.lab
        x += glucose * pl.col("glucose_mmol_l") + haemoglobin * pl.col("haemoglobin_g_dl")
    return x
