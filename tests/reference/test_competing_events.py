"""Reference: one of several events and a covariate that changes, against R's survival."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED
from statsmodels.duration.survfunc import CumIncidenceRight

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import fit, incidence, wording
from icpcohort.report.formats import model_page
from icpcohort.study import plan

DATA = Path(__file__).parent / "data"


def table(name):
    return pl.read_csv(DATA / f"{name}.csv", comment_prefix="#", infer_schema_length=None)


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does it?",
        "family": "cause_specific_cox",
        "outcome": "course",
        "event": "pcm",
        "window": "w",
        "exposure": "mspike",
        "unit_of_effect": 1.0,
        "adjust_for": ("age", "male"),
        "as_categories": (),
        "reason": "Stated.",
        "missing_data": "complete_cases",
        "horizon_h": 1e4,
    }
    return plan.Plan(**(fields | changes))


def gammopathy():
    """Return mgus2 as an analysis table; its months stand where hours do."""
    event = pl.col("event")
    return table("mgus2").select(
        pl.lit("w").alias("window"),
        pl.format("p{}", pl.int_range(pl.len())).alias("patient_id"),
        pl.col("age").cast(pl.Float64),
        (pl.col("sex") == "M").alias("male"),
        pl.col("mspike").cast(pl.Float64),
        pl.col("etime").cast(pl.Float64).alias("course_h"),
        pl.when(event != "censor").then(event).alias("course_event"),
    )


def fitted(rows, asked, **more):
    return fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=None, **more)


# R 4.2.2, survival 3.5-3:
# etime <- with(mgus2, ifelse(pstat == 0, futime, ptime))
# code <- with(mgus2, ifelse(pstat == 0, 2 * death, 1))
# event <- factor(code, 0:2, c("censor", "pcm", "death"))
# f <- coxph(Surv(etime, event == "pcm") ~ age + sex + mspike, mgus2,
#            control = coxph.control(eps = 1e-12)); coef(f); sqrt(diag(vcov(f)))
CAUSE_SPECIFIC = {
    "pcm": {
        "age": (0.01635218760146233, 0.00837394766927891),
        "male": (-0.00503002408629212, 0.18844987783727954),
        "mspike": (0.88407807023399454, 0.16521091689457798),
    },
    "death": {
        "age": (0.0652003029375869, 0.00364873381243671),
        "male": (0.3888988789541767, 0.06992761045166296),
        "mspike": (-0.0592602722178314, 0.06386857004702758),
    },
}


@pytest.mark.parametrize(("event", "n_events"), [("pcm", 115), ("death", 854)])
def test_the_cause_specific_hazards_are_r_s(event, n_events):
    made = fitted(gammopathy(), planned(event=event))
    rows = made.estimates.filter(adjustment="adjusted", scale="log_cshr").to_dicts()
    assert {row["term"] for row in rows} == set(CAUSE_SPECIFIC[event])
    for row in rows:
        estimate, se = CAUSE_SPECIFIC[event][row["term"]]
        assert row["estimate"] == pytest.approx(estimate, abs=1e-6), row["term"]
        assert row["se"] == pytest.approx(se, abs=1e-6), row["term"]
        assert (row["n"], row["n_events"]) == (1373, n_events)
    assert made.dropped["reason"].to_list() == ["exposure_missing"] * 11


# s <- summary(survfit(Surv(etime, event) ~ 1, mgus2), times = c(12, 60, 120, 240, 360))
# s$pstate; s$std.err; s$n.risk
TIMES = (12.0, 60.0, 120.0, 240.0, 360.0)
PCM = (
    *(0.00940125934464974, 0.03410371297434902, 0.06372216801311292),
    *(0.09981371593546917, 0.13404164432608179),
)
PCM_SE = (
    *(0.00259515576301945, 0.00488925790766794, 0.00679684842396064),
    *(0.00978484679338960, 0.02012756251332253),
)
DEATH = (
    *(0.122185402813274, 0.320367010267878, 0.531817704080208),
    *(0.724027976142545, 0.784208246832411),
)
DEATH_SE = (
    *(0.00880608437085796, 0.01256737154755900, 0.01405964516203057),
    *(0.01560634506776160, 0.02093346953570806),
)
N_RISK = [1207, 874, 424, 57, 3]


def test_the_cumulative_incidence_of_all_is_r_s():
    asked = planned(exposure="age", adjust_for=(), incidence_at_h=TIMES)
    made = fitted(gammopathy(), asked).incidence
    store.check(made, contracts.CUMULATIVE_INCIDENCE, "incidence")
    rows = made.filter(group=incidence.ALL)
    assert rows.height == 10
    for event, share, se in (("pcm", PCM, PCM_SE), ("death", DEATH, DEATH_SE)):
        one = rows.filter(event=event)
        assert one["time_h"].to_list() == list(TIMES)
        assert one["incidence"].to_list() == pytest.approx(share, abs=1e-10)
        assert one["se"].to_list() == pytest.approx(se, abs=1e-10)
        assert one["n_risk"].to_list() == N_RISK
        assert one["n"].to_list() == [1384] * 5


def test_the_cumulative_incidence_of_groups_is_r_s():
    """R: survfit(Surv(etime, event) ~ sex, mgus2), at 60 and 120."""
    asked = planned(exposure="male", adjust_for=(), incidence_at_h=(60.0, 120.0))
    made = fitted(gammopathy(), asked).incidence
    expected = {
        ("male: no", "pcm"): ((0.0397896215044053, 0.0738856643759262), (431, 214)),
        ("male: yes", "pcm"): ((0.0293462844583663, 0.0553102406481571), (443, 210)),
        ("male: no", "death"): ((0.263965145457701, 0.480490045774695), (431, 214)),
        ("male: yes", "death"): ((0.367626985608863, 0.575178488879491), (443, 210)),
    }
    errors = {
        ("male: no", "pcm"): (0.00779833408808593, 0.01076979737648810),
        ("male: yes", "death"): (0.0176074421125398, 0.0189385922542251),
    }
    for (group, event), (share, n_risk) in expected.items():
        one = made.filter(group=group, event=event)
        assert one["incidence"].to_list() == pytest.approx(share, abs=1e-10)
        assert one["n_risk"].to_list() == list(n_risk)
        if (group, event) in errors:
            assert one["se"].to_list() == pytest.approx(errors[group, event], abs=1e-10)


def test_a_library_has_the_same_errors_until_nobody_is_left():
    """Why the estimate is our own: the library's errors end with the last event."""
    exit_h = np.array([1.0, 2.0, 2.0, 3.0, 5.0, 6.0, 8.0, 9.0])
    ended_by = np.array([1, 2, 0, 1, 2, 1, 0, 2])
    times_h = np.array([2.0, 6.0, 9.0])
    ours = incidence.aalen_johansen(np.zeros(8), exit_h, ended_by, n_events=2, times_h=times_h)
    with np.errstate(all="ignore"):
        theirs = CumIncidenceRight(exit_h, ended_by)
    at = np.searchsorted(theirs.times, times_h, "right") - 1
    for event in (0, 1):
        assert ours.share[:, event] == pytest.approx(theirs.cinc[event][at], abs=1e-12)
    assert ours.se[:2, 0] == pytest.approx(theirs.cinc_se[0][at[:2]], abs=1e-12)
    assert np.isnan(theirs.cinc_se[0][at[2]])
    # R: summary(survfit(Surv(exit_h, factor(ended_by, 0:2)) ~ 1), times = 9)$std.err
    assert ours.se[2] == pytest.approx((0.187208106127913, 0.187208106127913), abs=1e-10)


def test_without_censoring_the_incidence_is_a_share_and_its_error_a_share_s():
    exit_h = np.arange(1.0, 11.0)
    ended_by = np.array([1, 2] * 5)
    made = incidence.aalen_johansen(
        np.zeros(10), exit_h, ended_by, n_events=2, times_h=np.array([4.0, 10.0, 0.5])
    )
    assert made.share == pytest.approx(np.array([[0.2, 0.2], [0.5, 0.5], [0.0, 0.0]]))
    by_hand = [np.sqrt(0.2 * 0.8 / 10), np.sqrt(0.5 * 0.5 / 10), 0.0]
    assert made.se[:, 0] == pytest.approx(by_hand)
    assert made.n_risk.tolist() == [7, 1, 10]
    low, high = incidence.limits(made.share[:, 0], made.se[:, 0])
    assert np.isnan(low[2])
    assert (low[:2] > 0).all()
    assert (high[:2] < 1).all()


# --- a small cohort: what is said, and what is refused ---


def cohort(n=60, *, seed=5):
    rng = np.random.default_rng(seed)
    time_h = np.round(rng.exponential(400.0, n)) + 1
    event = rng.choice(["death", "discharge", None], n, p=[0.4, 0.4, 0.2])
    return pl.DataFrame(
        {
            "window": ["w"] * n,
            "patient_id": [f"p{i:02d}" for i in range(n)],
            "x": rng.normal(size=n),
            "course_h": time_h,
            "course_event": event.tolist(),
        },
        schema_overrides={"course_event": pl.String},
    )


def small(**changes):
    fields = {"exposure": "x", "adjust_for": (), "event": "death", "horizon_h": 2000.0}
    return planned(**(fields | changes))


def reason(rows, asked):
    made = fitted(rows, asked)
    assert made.estimates["estimate"].null_count() == made.estimates.height
    return made.diagnostics["reason"].drop_nulls().to_list()


def test_other_events_are_counted_as_censoring_in_words():
    rows = cohort()
    made = fitted(rows, small())
    n = rows.filter(course_event="discharge", course_h=pl.col("course_h")).height
    row = made.diagnostics.filter(quantity="n_course_discharge").row(0, named=True)
    assert row["value"] == n
    assert row["verdict"] == (
        "had this event first, so left the analysis of 'death' then (censored)"
    )
    direction = made.diagnostics.filter(quantity="direction")["verdict"][0]
    assert direction == "a hazard ratio above 1: a higher rate of death"
    assert made.incidence["group"].n_unique() == 3


def test_the_horizon_ends_follow_up_and_counts_from_the_landmark():
    rows = cohort().with_columns(course_h=pl.lit(100.0), course_event=pl.lit("death"))
    made = fit.fit_model(rows, plan=small(horizon_h=150.0), landmark_h=72.0, updates=None)
    assert made.estimates["n_events"].to_list() == [0, 0]
    assert "all are censored" in made.diagnostics["reason"].drop_nulls()[0]
    made = fit.fit_model(rows, plan=small(horizon_h=172.0), landmark_h=72.0, updates=None)
    assert made.estimates["n_events"].to_list() == [60, 60]
    # All at one hour: nobody outlived another
    assert made.diagnostics.filter(quantity="c_statistic")["value"].to_list() == [None]


def test_an_event_that_nobody_has_is_named_with_those_that_occur():
    rows = cohort()
    n = dict(rows["course_event"].drop_nulls().value_counts().iter_rows())
    [words] = reason(rows, small(event="deaht"))
    assert words.startswith(
        f"nobody had the event 'deaht', only death ({n['death']}), discharge "
        f"({n['discharge']}) by the horizon; did you mean 'death'?"
    )


def test_all_censored_is_said_in_words_and_gives_no_incidence():
    rows = cohort().with_columns(course_event=pl.lit(None, pl.String))
    assert reason(rows, small())[0].startswith(
        "nobody had the event 'death', nor any other by the horizon: all are censored"
    )
    assert fitted(rows, small()).incidence.is_empty()


def test_an_unknown_time_leaves_with_a_reason_and_a_reached_landmark_too():
    rows = cohort().with_columns(
        course_h=pl.when(pl.col("patient_id") == "p00")
        .then(None)
        .when(pl.col("patient_id") == "p01")
        .then(0.0)
        .otherwise("course_h")
    )
    dropped = fitted(rows, small()).dropped
    assert dropped["reason"].to_list() == ["outcome_unknown", "no_time_at_risk"]
    assert "complete what course_h is made from" in dropped["detail"][0]


@pytest.mark.parametrize(
    ("changed", "line"),
    [
        ({"course_h": pl.lit("soon")}, "course_h is String; it must hold hours from the land"),
        ({"course_event": pl.lit(1)}, "course_event is Int32; it must hold names of events"),
        ({"course_h": pl.lit(np.nan)}, "course_h holds NaN or infinite; write null"),
    ],
)
def test_columns_that_hold_no_events_are_refused(changed, line):
    with pytest.raises(ValueError, match=line):
        fitted(cohort().with_columns(**changed), small())


def test_an_outcome_without_its_two_columns_is_refused():
    with pytest.raises(ValueError, match="no column 'course_event' in the analysis table"):
        fitted(cohort().drop("course_event"), small())


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"event": None}, "event: missing; cause_specific_cox needs the event that counts"),
        ({"risks_at": (1.0,)}, "gives cause_specific_cox no absolute risk; read the cumulat"),
        ({"family": "cox_landmark"}, "event: cox_landmark has no events to choose from"),
        ({"incidence_at_h": (9000.0,)}, "incidence_at_h: 9000 h is after the horizon at 2000"),
        (
            {"family": "cox_landmark", "event": None, "incidence_split": 1.0},
            "only a model with an event has a cumulative incidence",
        ),
        ({"time_varying": ("sedation",)}, "cause_specific_cox takes each value once"),
    ],
)
def test_a_plan_of_events_that_contradicts_itself_is_refused(changes, line):
    with pytest.raises(ValueError, match=line):
        small(**changes)


def test_methods_and_page_name_the_event_and_show_the_incidence():
    asked = small(incidence_at_h=(500.0, 2000.0), incidence_split=0.5)
    methods = wording.methods_sentence(asked, columns={})
    for words in (
        "The event was 'death'. Follow-up ran from the landmark to 2000 h after time zero.",
        "exposure below and from 0.5 on, at 500, 2000 h after time zero",
        "where fewer than 5 patients had the event 'death'.",
        "its cause-specific hazard ratio is for 1 more of it",
    ):
        assert words in methods
    page = model_page.markdown(
        fitted(cohort(), asked), plan=asked, methods=methods, columns={}, declared=DECLARED
    )
    assert "## Cumulative incidence of each event" in page
    assert "| X < 0.5 | death | 500 |" in page
    assert "Aalen and Johansen 1978" in page
