"""Reference: covariates that change while patients are followed, against R and a plain loop."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import fit, follow_up, replication, wording
from icpcohort.study import plan, plan_parts

DATA = Path(__file__).parent / "data"
DAY_H = 24.0


def table(name):
    return pl.read_csv(DATA / f"{name}.csv", comment_prefix="#", infer_schema_length=None)


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does it?",
        "family": "cox_time_dependent",
        "outcome": "course",
        "event": "death",
        "window": "w",
        "exposure": "protime",
        "unit_of_effect": 1.0,
        "adjust_for": ("age",),
        "time_varying": ("log_bili",),
        "as_categories": (),
        "reason": "Stated.",
        "missing_data": "complete_cases",
        "horizon_h": 1e6,
    }
    return plan.Plan(**(fields | changes))


def long_table(rows):
    """Return `contracts.REPEATED_VALUES` of rows (patient, variable, from_h, value)."""
    schema = {name: c.dtype for name, c in contracts.REPEATED_VALUES.columns.items()}
    made = pl.DataFrame(
        [(patient, variable, from_h, None, value) for patient, variable, from_h, value in rows],
        schema=schema,
        orient="row",
    )
    store.check(made, contracts.REPEATED_VALUES, "repeated")
    return made


def cirrhosis():
    """Return patients, the exposure from visit to visit, and bilirubin as repeated values."""
    visits = table("pbcseq").with_columns(
        pl.format("p{}", "id").alias("patient_id"),
        pl.col("protime").cast(pl.Float64),
        (pl.col("day") * DAY_H).alias("hour"),
    )
    first = visits.filter(pl.col("day") == 0).select("patient_id", "protime")
    rows = table("pbc").select(
        pl.lit("w").alias("window"),
        pl.format("p{}", "id").alias("patient_id"),
        "age",
        (pl.col("time") * DAY_H).alias("course_h"),
        pl.when(pl.col("status") == 2)
        .then(pl.lit("death"))
        .when(pl.col("status") == 1)
        .then(pl.lit("transplant"))
        .alias("course_event"),
    )
    updates = visits.select("patient_id", pl.col("hour").alias("until_h"), "protime")
    repeated = long_table(
        visits.select(
            "patient_id", pl.lit("log_bili"), "hour", pl.col("bili").cast(pl.Float64).log()
        ).rows()
    )
    return rows.join(first, on="patient_id"), updates, repeated


# R 4.2.2, survival 3.5-3:
# first <- subset(pbc, id <= 312, select = c(id, time, status, age))
# d <- tmerge(first, first, id = id, death = event(time, as.numeric(status == 2)))
# d <- tmerge(d, pbcseq, id = id, bili = tdc(day, bili), protime = tdc(day, protime))
# f <- coxph(Surv(tstart, tstop, death) ~ protime + log(bili) + age, d,
#            control = coxph.control(eps = 1e-12, toler.chol = 1e-14))
# coef(f); sqrt(diag(vcov(f))); dim(d); coef(coxph(Surv(tstart, tstop, death) ~ protime, d))
CIRRHOSIS = {
    "protime": (0.23140341181722, 0.028920887071495),
    "log_bili": (1.44257619215966, 0.105889649944363),
    "age": (0.06355086923099, 0.009037892484863),
}
UNADJUSTED = 0.2392106276892


def test_repeated_values_give_the_coefficients_of_r_s_tmerge():
    rows, updates, repeated = cirrhosis()
    asked = planned()
    made = fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=updates, repeated=repeated)
    by_term = {row["term"]: row for row in made.estimates.to_dicts() if row["se"]}
    for term, (estimate, se) in CIRRHOSIS.items():
        assert by_term[term]["estimate"] == pytest.approx(estimate, abs=1e-6), term
        assert by_term[term]["se"] == pytest.approx(se, abs=1e-6), term
    assert (by_term["age"]["n"], by_term["age"]["n_events"]) == (312, 125)
    alone = made.estimates.filter(adjustment="unadjusted", term="protime")
    assert alone["estimate"][0] == pytest.approx(UNADJUSTED, abs=1e-6)
    assert made.models[-1].frames[0].height == 1807  # R: dim(d)
    assert "log_bili" in replication.data(made, plan=asked).columns


def value_by_loop(values, hour):
    """Return the last value that began by an hour; None before the first."""
    known = [
        (from_h, value) for from_h, value in values if from_h <= hour and value is not None
    ]
    return max(known)[1] if known else None


def test_the_value_in_force_is_the_last_that_began_by_a_plain_loop():
    rng = np.random.default_rng(8)
    patients = [f"p{i}" for i in range(40)]
    values = {
        p: [
            (float(h), None if rng.random() < 0.2 else float(rng.integers(0, 9)))
            for h in sorted(rng.choice(20, size=6, replace=False))
        ]
        for p in patients
    }
    doses = {
        p: [(float(h), float(rng.integers(0, 9))) for h in rng.choice(20, 4, replace=False)]
        for p in patients
    }
    landmark_h = 5.0
    ends = {p: float(rng.integers(6, 25)) for p in patients}
    rows = pl.DataFrame(
        {
            "patient_id": patients,
            "landmark_h": [landmark_h] * 40,
            "follow_up_h": [ends[p] for p in patients],
            "died": [True] * 40,
            "dose": [1.5] * 40,
        }
    )
    repeated = long_table([(p, "level", h, v) for p in patients for h, v in values[p]])
    rows = follow_up.at_landmark(
        rows, repeated=repeated, names=("level",), landmark_h=landmark_h
    )
    by_hour = {p: value_by_loop(values[p], landmark_h) for p in patients}
    assert rows["level"].to_list() == [by_hour[p] for p in rows["patient_id"]]
    assert 0 < rows["level"].null_count() < 40
    rows = rows.drop_nulls("level")
    updates = pl.DataFrame(
        [(p, h, d) for p in patients for h, d in doses[p]],
        schema=["patient_id", "entry_h", "dose"],
        orient="row",
    )
    made = follow_up.start_stop(rows, later=[updates, follow_up.begun(repeated, "level")])
    n = 0
    for row in made.iter_rows(named=True):
        p, hour = row["patient_id"], row["entry_h"]
        assert row["level"] == value_by_loop(values[p], hour)
        later = [(h, d) for h, d in doses[p] if landmark_h < h <= hour]
        assert row["dose"] == (max(later)[1] if later else 1.5)
        assert landmark_h <= hour < row["exit_h"] <= ends[p]
        n += 1
    assert n > 100
    covered = made.with_columns(h=pl.col("exit_h") - pl.col("entry_h")).group_by("patient_id")
    for p, hours in covered.agg(pl.col("h").sum()).iter_rows():
        assert hours == pytest.approx(ends[p] - landmark_h)
    assert made.filter("died").height == rows.height


def simulated(n, *, seed, slope=0.5, of_confounder=0.8):
    """Draw patients whose severity changes daily, drives the dose, and the hazard of death.

    The dose has the log hazard ratio `slope`, severity `of_confounder`; both change each day.
    """
    rng = np.random.default_rng(seed)
    rows, updates, repeated = [], [], []
    for i in range(n):
        patient, severity = f"p{i:04d}", rng.normal()
        for day in range(12):
            severity = 0.8 * severity + 0.6 * rng.normal()
            dose = 0.7 * severity + rng.normal()
            hour = DAY_H * (day + 1)
            updates.append((patient, hour, dose))
            repeated.append((patient, "severity", hour, severity))
            rate = 0.04 * np.exp(slope * dose + of_confounder * severity)  # a day
            wait = rng.exponential(1 / rate)
            if day == 0:
                rows.append([patient, dose, None, None])
            if wait < 1 or day == 11:
                rows[-1][2] = hour + DAY_H * min(wait, 1.0) - DAY_H
                rows[-1][3] = "death" if wait < 1 else None
                break
    analysis = pl.DataFrame(
        rows, schema=["patient_id", "dose", "course_h", "course_event"], orient="row"
    ).with_columns(pl.lit("w").alias("window"))
    days = pl.DataFrame(updates, schema=["patient_id", "until_h", "dose"], orient="row")
    return analysis, days, long_table(repeated)


SIMULATED = {
    "exposure": "dose",
    "adjust_for": (),
    "time_varying": ("severity",),
    "horizon_h": DAY_H * 13,
}


def recovered(n_cohorts, *, n, first_seed):
    """Return slopes adjusted for the confounder and not, and how often the truth is covered."""
    adjusted, alone, inside = [], [], 0
    for seed in range(first_seed, first_seed + n_cohorts):
        rows, updates, repeated = simulated(n, seed=seed)
        made = fit.fit_model(
            rows,
            plan=planned(**SIMULATED),
            landmark_h=DAY_H,
            updates=updates,
            repeated=repeated,
        ).estimates.filter(term="dose")
        row = made.filter(adjustment="adjusted").row(0, named=True)
        adjusted.append(row["estimate"])
        alone.append(made.filter(adjustment="unadjusted")["estimate"][0])
        inside += row["ci_low"] <= 0.5 <= row["ci_high"]
    return np.array(adjusted), np.array(alone), inside / n_cohorts


def test_a_confounder_that_changes_with_time_is_taken_away():
    adjusted, alone, covered = recovered(40, n=150, first_seed=100)
    spread = adjusted.std(ddof=1) / np.sqrt(len(adjusted))
    assert abs(adjusted.mean() - 0.5) < 3 * spread
    assert alone.mean() > 0.5 + 5 * spread
    assert covered >= 0.85


# --- bad input ---


def fitted(rows, updates, repeated, asked):
    return fit.fit_model(rows, plan=asked, landmark_h=DAY_H, updates=updates, repeated=repeated)


def test_who_has_no_value_by_the_landmark_leaves_with_a_reason():
    rows, updates, repeated = simulated(80, seed=1)
    late = repeated.filter(~((pl.col("patient_id") == "p0003") & (pl.col("from_h") <= DAY_H)))
    dropped = fitted(rows, updates, late, planned(**SIMULATED)).dropped
    assert dropped["patient_id"].to_list() == ["p0003"]
    assert dropped["reason"].to_list() == ["severity_missing"]
    assert dropped["detail"][0] == (
        "severity is missing; no value had begun by the landmark; complete the study's "
        "repeated values, or accept the loss"
    )


def test_a_missing_value_at_the_landmark_is_imputed_where_the_plan_says_so():
    rows, updates, repeated = simulated(80, seed=1)
    late = repeated.filter(~((pl.col("patient_id") < "p0010") & (pl.col("from_h") <= DAY_H)))
    how = plan_parts.Imputation(3, 2, 1, (), ())
    asked = planned(**SIMULATED, missing_data="multiple_imputation", imputation=how)
    made = fitted(rows, updates, late, asked)
    assert made.dropped.is_empty()
    assert made.estimates.filter(term="severity")["fmi"].to_list()[0] > 0
    whole = made.alternatives.filter(analysis="complete cases", term="severity")
    assert whole["n"].to_list() == [70]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda t: None, "the study has no repeated values; declare them, or take it out"),
        (
            lambda t: t.with_columns(variable=pl.lit("severty")),
            "no variable 'severity' in the repeated values; did you mean 'severty'",
        ),
        (
            lambda t: pl.concat([t, t.head(1)]),
            "severity has two values from 24 h of patient p0000; keep one",
        ),
    ],
)
def test_repeated_values_that_do_not_fit_are_refused(change, line):
    rows, updates, repeated = simulated(30, seed=1)
    with pytest.raises(ValueError, match=line):
        fitted(rows, updates, change(repeated), planned(**SIMULATED))


def test_a_name_of_a_column_and_of_a_repeated_value_is_refused():
    rows, updates, repeated = simulated(30, seed=1)
    clash = rows.with_columns(severity=pl.lit(1.0))
    with pytest.raises(ValueError, match="'severity' is a column of the analysis table too"):
        fitted(clash, updates, repeated, planned(**SIMULATED))


def test_a_covariate_that_changes_stands_once_and_is_no_exposure():
    with pytest.raises(ValueError, match="'dose' stands twice, counting the exposure"):
        planned(**(SIMULATED | {"time_varying": ("dose",)}))


def test_the_methods_say_which_value_entered_and_which_event_counts():
    text = wording.methods_sentence(planned(), columns={})
    assert "Of log_bili the value in force entered: the last that had begun" in text
    assert "Cox regression of the time to 'death' with an exposure that changes" in text
    other = wording.methods_sentence(planned(event="discharge"), columns={})
    assert "A hazard ratio above 1 means a higher rate of 'discharge'." in other
