"""Every number of the report of the finished study, found again in the tables of results.

Written a second time, with numpy and plain loops, from the Parquet files alone: whatever the
report rounds, sums or takes a median of is rounded, summed and taken here by other means.
"""

import hashlib
import math
import re
from collections import defaultdict
from decimal import ROUND_HALF_UP, Decimal
from html.parser import HTMLParser

import numpy as np
import polars as pl
import pytest
import yaml
from scipy.stats import beta

pytestmark = pytest.mark.workflow

NUMBER = re.compile(r"[<>]?\u2212?\d+(?:\.\d+)?(?:e[+\u2212-]?\d+)?")
WINDOW = "first_72_h"
DASH = "\u2013"
MODELS = ("unfavourable_by_dose", "gose_by_dose")
DOSE = "icp_above_20_dose_per_h_mmhg"


class Parts(HTMLParser):
    """The rows of each table by its id, the text of each point with an id, texts of figures."""

    def __init__(self, text):
        super().__init__()
        self.rows, self.points, self.drawn = (
            defaultdict(list),
            defaultdict(str),
            defaultdict(list),
        )
        self.table = self.point = self.figure = None
        self.inside, self.silent = [], 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        if attrs.get("id", "").startswith("table-"):
            self.table = attrs["id"][6:]
        if tag == "figure":
            self.figure = attrs["id"][7:]
        if tag == "li":
            self.point = attrs.get("id")
        if attrs.get("class") == "ways":
            self.silent = 1
        if tag == "tr":
            self.rows[self.table].append([])
        if tag in ("td", "th"):
            self.rows[self.table][-1].append("")
        if tag == "text" and self.figure:
            self.drawn[self.figure].append("")
        self.inside.append(tag)

    def handle_endtag(self, tag):
        while self.inside and self.inside.pop() != tag:
            pass
        if tag == "span":
            self.silent = 0
        if tag == "li":
            self.point = None
        if tag == "figure":
            self.figure = None

    def handle_data(self, data):
        data = data.replace("\u00a0", " ")
        if {"td", "th"} & set(self.inside):
            self.rows[self.table][-1][-1] += data
        if self.point and not self.silent:
            self.points[self.point] += data
        if "text" in self.inside and self.figure:
            self.drawn[self.figure][-1] += data


class Study:
    """The finished study's report beside its tables."""

    def __init__(self, folder):
        self.folder = folder
        self.page = Parts((folder / "results/report.html").read_text(encoding="utf-8"))
        self.cohort = self.read("analysis").filter(window=WINDOW)["patient_id"].to_list()

    def read(self, name):
        return pl.read_parquet(self.folder / f"results/{name}.parquet")

    def of_cohort(self, name, window=WINDOW):
        kept = self.read("analysis").filter(window=window)["patient_id"].to_list()
        return self.read(name).filter(
            pl.col("window") == window, pl.col("patient_id").is_in(kept)
        )

    def of_model(self, model, name):
        return self.read(f"models/{model}/{name}").to_dicts()


@pytest.fixture(scope="module")
def study(finished):
    return Study(finished.study)


# --- the one rounding rule, again ---


def near(x, decimals):
    if x is None:
        return DASH
    step = Decimal(10) ** -decimals
    rounded = Decimal(repr(float(x))).quantize(step, ROUND_HALF_UP)
    if rounded == 0 and x != 0:
        return f"<{step}" if x > 0 else f">\u2212{step}"
    return str(rounded).replace("-", "\u2212") if rounded else str(abs(rounded))


def iqr(values, decimals):
    known = np.array([v for v in values if v is not None], float)
    if not known.size:
        return DASH
    q1, q2, q3 = np.percentile(known, [25, 50, 75])
    return f"{near(q2, decimals)} ({near(q1, decimals)} to {near(q3, decimals)})"


def percent(n, total):
    return f"{near(100 * n / total, 0 if total < 100 else 1)} %" if total else DASH


def share(n, total):
    return f"{n} ({percent(n, total)})" if total else DASH


def ci(value, low, high):
    if value is None:
        return "not estimable"
    if low is None or high is None:
        return f"{near(value, 2)} (interval not estimable)"
    return f"{near(value, 2)} ({near(low, 2)} to {near(high, 2)})"


def p_value(p):
    return DASH if p is None else "<0.001" if p < 0.001 else near(p, 3)


def hours(part_s, of_s):
    text = near(part_s / 3600, 1)
    return text if part_s == of_s or not of_s else f"{text} ({near(100 * part_s / of_s, 1)} %)"


def exact(n, total):
    """Clopper and Pearson 1934, Biometrika 26:404, by quantiles of the beta distribution."""
    low = beta.ppf(0.025, n, total - n + 1) if n else 0.0
    high = beta.ppf(0.975, n + 1, total - n) if n < total else 1.0
    decimals = 0 if total < 100 else 1
    return f"{near(100 * low, decimals)} to {near(100 * high, decimals)}"


def wilson(n, total):
    """Wilson 1927, J Am Stat Assoc 22:209."""
    z, p = 1.959963984540054, n / total
    middle = (p + z * z / (2 * total)) / (1 + z * z / total)
    half = z / (1 + z * z / total) * math.sqrt(p * (1 - p) / total + z * z / (4 * total**2))
    decimals = 0 if total < 100 else 1
    low = 0.0 if n == 0 else middle - half
    return f"{near(100 * low, decimals)} to {near(100 * (middle + half), decimals)}"


def groups(rows, *keys):
    rows_by = defaultdict(list)
    for row in rows:
        rows_by[tuple(row[key] for key in keys)].append(row)
    return rows_by


def known(rows, name):
    return [row[name] for row in rows if row[name] is not None]


# --- what each table should have: one list of texts per row, in any order ---


def table_one(s):
    text = ("overall", "group_1", "group_2", "unknown")
    rows = []
    for row in s.read("tables/table1").to_dicts():
        first = row["n_missing"] is not None
        smd = near(row["smd"], 2) if first and row["variable"] != "Patients" else ""
        lost = [row[name] for name in ("n_missing", "n_missing_1", "n_missing_2")]
        lost = lost if row["n_missing"] else lost[:1]
        label = f"{row['variable'] if first else ''} {row['level']}"
        rows.append(
            [label, *(row[t] for t in text), smd, *(str(n) for n in lost if n is not None)]
        )
    return rows


def ends(s):
    return [
        [
            row["window"],
            share(row["n"], row["n_group"]),
            str(row["n_group"]),
            *(near(row[f"until_{q}_h"], 1) for q in ("median", "q1", "q3")),
        ]
        for row in s.read("monitoring_end_by_outcome").to_dicts()
    ]


def flow(s):
    return [
        [row["window"], row["name"], *(str(row[n]) for n in ("n_in", "n_dropped", "n_out"))]
        for row in s.read("flow").to_dicts()
    ]


def dropped(s):
    names = ("patient_id", "window", "detail")
    return [[row[name] or "" for name in names] for row in s.read("dropped").to_dicts()]


SECONDS = ("recorded_s", "valid_s", "masked_s", "missing_s")


def _seconds(rows):
    sums = [math.fsum(row[name] for row in rows) for name in SECONDS]
    return [hours(part, sums[0]) for part in sums]


def recorded(s):
    used = s.read("recordings").filter(status="used")["patient_id"].to_list()
    return [
        [str(len(rows)), str(sum(used.count(r["patient_id"]) for r in rows)), *_seconds(rows)]
        for rows in groups(s.read("quality").to_dicts(), "tier", "signal").values()
    ]


def recorded_by_monitor(s):
    kinds = defaultdict(set)
    for row in s.read("monitors").to_dicts():
        kinds[row["patient_id"]].add(row["kind"])
    icp = s.read("quality").filter(signal="icp").to_dicts()
    by_kind = groups(
        [row | {"kind": frozenset(kinds[row["patient_id"]])} for row in icp], "kind"
    )
    return [[str(len(rows)), *_seconds(rows)] for rows in by_kind.values()]


def masked(s):
    total = {
        signal: math.fsum(r["recorded_s"] for r in rows)
        for (signal,), rows in groups(s.read("quality").to_dicts(), "signal").items()
    }
    return [
        [str(len(rows)), hours(math.fsum(row["masked_s"] for row in rows), total[signal])]
        for (signal, _), rows in groups(s.read("masked").to_dicts(), "signal", "reason").items()
    ]


def abp_levels(s):
    levels = known(s.of_cohort("summary").to_dicts(), "abp_level_used")
    return [[share(levels.count(level), len(levels))] for level in set(levels)]


def left_out(s):
    return [
        [str(len(rows)), str(len({row["patient_id"] for row in rows}))]
        for rows in groups(s.read("excluded").to_dicts(), "stage", "reason").values()
    ]


def left_out_each(s):
    names = ("recording_id", "patient_id", "detail")
    return [[row[name] or "" for name in names] for row in s.read("excluded").to_dicts()]


def events(s):
    rows = []
    for part in groups(s.read("events").to_dicts(), "event").values():
        ended = [row for row in part if row["end_s"] is not None]
        lasted = math.fsum(row["end_s"] - row["start_s"] for row in ended) / 3600
        patients = len({row["patient_id"] for row in part})
        counts = [len(part), patients, len(part) - len(ended)]
        rows.append([*map(str, counts), near(lasted, 1) if ended else ""])
    return rows


def monitors(s):
    every = s.read("monitors").to_dicts()
    rows = []
    for part in [*groups(every, "kind").values(), every]:
        days = [(row["removal_h"] - row["insertion_h"]) / 24 for row in part]
        drift = known(part, "drift_at_removal_mmhg")
        counts = [len(part), len({row["patient_id"] for row in part}), len(days), len(drift)]
        ends = [near(min(drift), 1), near(max(drift), 1)] if drift else []
        spread = [iqr(days, 1), near(math.fsum(days), 1), iqr(drift, 1), *ends]
        rows.append([*map(str, counts), *spread])
    return rows


COMPLICATIONS = ("haemorrhage", "infection", "malfunction", "replaced")


def complications(s):
    rows = []
    for name in COMPLICATIONS:
        flags = known(s.read("monitors").to_dicts(), name)
        n, total = sum(flags), len(flags)
        rows.append([share(n, total), str(total), wilson(n, total), exact(n, total)])
    return rows


def complications_by_kind(s):
    rows = []
    for part in groups(s.read("monitors").to_dicts(), "kind").values():
        for name in COMPLICATIONS:
            n, total = sum(known(part, name)), len(known(part, name))
            rows.append([share(n, total), str(total), exact(n, total)])
    return rows


def _burden(s, window):
    keys = ("signal", "threshold")
    rows = []
    for (_, level), part in groups(s.of_cohort("burden", window).to_dicts(), *keys).items():
        part = [row for row in part if row["dose_per_h"] is not None]
        measures = {"monitored_h": 1, "dose_per_h": 2, "percent_time": 1, "n_episodes": 1}
        spread = [iqr(known(part, name), d) for name, d in measures.items()]
        rows.append([f"{level:g}", window, str(len(part)), *spread])
    return rows


def _by_state(states):
    def expected(s):
        rows = []
        kept = s.of_cohort("burden_by_state").to_dicts()
        for (_, level), part in groups(kept, "signal", "threshold").items():
            for state, words in states.items():
                of_state = [r for r in part if r["state"] == state]
                of_state = [r for r in of_state if r["dose_per_h"] is not None]
                measures = {"monitored_h": 1, "dose_per_h": 2, "percent_time": 1}
                spread = [iqr(known(of_state, name), d) for name, d in measures.items()]
                rows.append([f"{level:g}", words, str(len(of_state)), *spread])
        return rows

    return expected


def transition(s):
    return [
        [f"{row['threshold']:g}", near(row["duration_min"], 1)]
        for row in s.read("intensity_transition").filter(window=WINDOW).to_dicts()
    ]


INDICES = {
    **dict.fromkeys(("prx_mean", "pax_mean", "rac_mean", "rap_mean", "lprx_mean"), ("", 2)),
    **dict.fromkeys(
        ("cppopt_yield_percent", "cppopt_mean_mmhg", "delta_cpp_mean_mmhg"), ("", 1)
    ),
    **{
        f"percent_time_{k}_cppopt": ("5", 1)
        for k in ("within_5_of", "over_5_below", "over_5_above")
    },
    "percent_time_below_llr": ("", 1),
}


def _reactivity(s, window):
    rows = s.of_cohort("summary", window).to_dicts()
    return [
        [label, window, str(len(known(rows, name))), str(len(rows)), iqr(known(rows, name), d)]
        for name, (label, d) in INDICES.items()
    ]


def optima(s):
    every = s.read("optima").to_dicts()
    return [[share(len(part), len(every))] for part in groups(every, "reason").values()]


def chance(s):
    tried = s.read("optima").filter(pl.col("p_chance").is_not_null()).to_dicts()
    yields = ("cppopt_yield_percent", "chance_yield_percent")
    timed = [row for row in tried if None not in [row[name] for name in yields]]
    ends = ("cppopt_ci_low_mmhg", "cppopt_ci_high_mmhg")
    widths = [r[ends[1]] - r[ends[0]] for r in tried if None not in [r[end] for end in ends]]
    optima, by_chance = known(tried, "cppopt_mmhg"), np.mean(known(tried, "chance_percent"))
    beyond = sum(row["p_chance"] <= 0.05 for row in tried)
    rolled = [row for row in tried if row["p_rolled"] is not None]
    related = sum(row["p_rolled"] <= 0.05 for row in rolled)
    n = str(len(tried))
    return [
        [n, share(len(optima), len(tried)), near(by_chance, 1)],
        [str(len(timed)), *(iqr(known(timed, name), 1) for name in yields)],
        ["95", str(len(widths)), iqr(widths, 1)],
        *(
            [str(len(known(tried, name))), iqr(known(tried, name), 1)]
            for name in ("cppopt_asymmetric_mmhg", "parabola_bias_mmhg")
        ),
        ["0.05", n, share(beyond, len(tried)), "5"],
        ["0.05", str(len(rolled)), share(related, len(rolled)), "5"],
        [str(len(rolled)), iqr(known(rolled, "rolled_yield_percent"), 1)],
    ]


def lags(s):
    """Recordings by their median lag: not clear, to 1 s, to 10 s, beyond."""
    parts, rows = groups(s.read("lags").to_dicts(), "recording_id", "abp_recording_id"), []
    medians = {
        recording: [abs(np.median(clear))] if (clear := _clear(of_one)) else []
        for recording, of_one in parts.items()
    }
    for low, high in ((None, None), (-1, 1), (1, 10), (10, np.inf)):
        inside = [
            recording
            for recording, lag_s in medians.items()
            if (not lag_s if low is None else lag_s and low < lag_s[0] <= high)
        ]
        patients = {parts[recording][0]["patient_id"] for recording in inside}
        n_parts = sum(len(parts[recording]) for recording in inside)
        limits = [] if low is None else [str(x) for x in (low, high) if 1 <= x < np.inf]
        rows.append([*limits, str(len(inside)), str(len(patients)), str(n_parts)])
    return rows


def suspects(s):
    """Kinds of suspicion: recordings, and patients, that have one."""
    kinds = groups(s.read("suspects").to_dicts(), "kind").values()
    names = [({r["recording_id"] for r in of_one} - {""}, of_one) for of_one in kinds]
    return [
        [str(len(named)), str(len({r["patient_id"] for r in of_one}))]
        for named, of_one in names
    ]


def suspects_each(s):
    return [
        [
            row["recording_id"] or "",
            row["patient_id"],
            *(near(row[edge] / 3600, 1) for edge in ("from_s", "to_s")),
            row["seen"],
            row["look_at"],
        ]
        for row in s.read("suspects").to_dicts()
    ]


def _clear(parts):
    return [part["lag_s"] for part in parts if part["is_clear"]]


def _counted(row):
    return [str(row["n"])] + ([] if row["n_events"] is None else [str(row["n_events"])])


def _effect(row):
    return ci(row["effect"], row["effect_ci_low"], row["effect_ci_high"])


# Numbers in what the outcome of a model is called.
OF_OUTCOMES = {"gose_by_dose": "2 3", "unfavourable_by_dose": "6"}


def overview(s):
    rows = []
    for model in MODELS:
        fits = {r["adjustment"]: r for r in s.of_model(model, "estimates") if r["term"] == DOSE}
        cells = [x for fit in ("unadjusted", "adjusted") for x in _cells_of(fits[fit])]
        outcome = OF_OUTCOMES[model]
        rows.append(["20", "1", outcome, *cells, *_counted(fits["adjusted"])])
    return rows


def _cells_of(row):
    return [_effect(row), p_value(row["p"])] if row["effect"] is not None else []


def _estimates(model):
    def expected(s):
        shown = [
            r for r in s.of_model(model, "estimates") if r["scale"] in ("log_or", "difference")
        ]
        rows = []
        for (term,), fits in groups(shown, "term").items():
            label = {DOSE: "20 1", "age_years": "1", "impact_core_logit": "1"}.get(term, term)
            fits = sorted(fits, key=lambda row: row["adjustment"], reverse=True)
            cells = [
                x for row in fits for x in (_effect(row), p_value(row["p"]), *_counted(row))
            ]
            rows.append([label, *cells])
        return rows

    return expected


def _risks(model):
    def expected(s):
        rows = []
        for row in s.of_model(model, "risks"):
            limits = (row["difference"], row["difference_ci_low"], row["difference_ci_high"])
            first = row["difference"] == 0
            outcome = row["outcome"].replace("gose_6m_merged", "2 3")
            outcome = outcome.replace("unfavourable", "6")
            cells = [
                outcome,
                f"{row['exposure_value']:g}",
                ci(row["risk"], row["ci_low"], row["ci_high"]),
            ]
            rows.append([*cells, "" if first else ci(*limits), str(row["n"])])
        return rows

    return expected


def _alternatives(model):
    def expected(s):
        rows = []
        for row in s.of_model(model, "alternatives"):
            if row["term"] == DOSE:
                cell = (row["reason"] or _effect(row)).replace("gose_6m_merged", "2 3")
                label = row["analysis"].replace("gose_6m_merged", "2 3")
                rows.append([label, cell, p_value(row["p"]), *_counted(row)])
        return rows

    return expected


def _model_flow(model):
    return lambda s: [
        [
            row["name"]
            .replace("gose_6m_merged", "2 3")
            .replace("unfavourable", "6")
            .replace(DOSE, "20"),
            *map(str, row_counts(row)),
        ]
        for row in s.of_model(model, "flow")
    ]


def row_counts(row):
    return [row["n_in"], row["n_dropped"], row["n_out"]]


def comparisons(s):
    assert s.read("tables/comparisons").is_empty()
    return []


def planned(s):
    rows = []
    for model in MODELS:
        matching = sorted(
            (row for row in s.read("tables/planning").to_dicts() if row["model"] == model),
            key=lambda row: row["n"],
        )
        if matching:
            cells = [
                f"{near(r['smallest_ratio'], 2)}; {near(r['ci_factor'], 2)}" for r in matching
            ]
            rows.append([str(matching[0]["n"]), *cells])
    return rows


def choices(s):
    rows = []
    for row in s.read("specifications/choices").to_dicts():
        effects = [near(row[f"effect_{name}"], 2) for name in ("median", "low", "high")]
        spread = f"{effects[0]} ({effects[1]} to {effects[2]})"
        spread = DASH if row["effect_median"] is None else spread
        share_of = near(row["choice_variance_percent"], 0)
        rows.append([row["option"], str(row["n_specifications"]), spread, share_of])
    return rows


def reasons(s):
    names = ("option", "choice_words", "reason", "source")
    rows = s.read("specifications/choices").to_dicts()
    return [[row[name] for name in names] for row in rows]


EXPECTED = {
    "planning": planned,
    "choices-dose": choices,
    "reasons-dose": reasons,
    "one": table_one,
    "ends": ends,
    "flow": flow,
    "dropped": dropped,
    "recorded": recorded,
    "recorded-by-monitor": recorded_by_monitor,
    "masked": masked,
    "lags": lags,
    "suspects": suspects,
    "suspects-each": suspects_each,
    "abp-levels": abp_levels,
    "left-out": left_out,
    "left-out-each": left_out_each,
    "events": events,
    "monitors": monitors,
    "complications": complications,
    "complications-by-kind": complications_by_kind,
    "burden": lambda s: _burden(s, WINDOW),
    "burden-other-windows": lambda s: _burden(s, "first_24_h"),
    "burden-by-prx": _by_state(
        {"prx_above": "0.25", "prx_not_above": "0.25", "prx_unknown": ""}
    ),
    "burden-by-llr": _by_state(
        dict.fromkeys(("cpp_below_llr", "cpp_not_below_llr", "llr_unknown"), "")
    ),
    "transition": transition,
    "reactivity": lambda s: _reactivity(s, WINDOW),
    "reactivity-other-windows": lambda s: _reactivity(s, "first_24_h"),
    "optima": optima,
    "chance": chance,
    "models": overview,
    **{f"{model}-estimates": _estimates(model) for model in MODELS},
    **{f"{model}-risks": _risks(model) for model in MODELS},
    **{f"{model}-alternatives": _alternatives(model) for model in MODELS},
    **{f"{model}-flow": _model_flow(model) for model in MODELS},
}
# a number of these stands in its settings, or is that of an item, a file or a library
BY_OTHER_TESTS = {
    *("rules", "definitions", "settings", "plan", "data", "versions", "strobe", "record"),
}
BY_OTHER_TESTS |= {f"{model}-diagnostics" for model in MODELS}


def _tokens(cells):
    return sorted(NUMBER.findall(" ; ".join(str(cell) for cell in cells).replace("_", " ")))


def test_no_table_of_the_report_is_unseen(study):
    assert set(study.page.rows) <= set(EXPECTED) | BY_OTHER_TESTS
    assert len(study.page.rows) > 25


@pytest.mark.parametrize("name", EXPECTED)
def test_every_number_of_a_table_is_in_the_results(study, name):
    shown = sorted(_tokens(row) for row in study.page.rows.get(name, [[]])[1:])
    assert shown == sorted(_tokens(row) for row in EXPECTED[name](study))


def _fit_numbers(s, model):
    """Numbers of a finding: the adjusted fit, then the unadjusted one."""
    fits = {r["adjustment"]: r for r in s.of_model(model, "estimates") if r["term"] == DOSE}
    # of the question, of the exposure's name, and of the outcome's
    numbers = ["20 72 20", OF_OUTCOMES[model]]
    for fit in ("adjusted", "unadjusted"):
        row = fits[fit]
        if row["effect"] is None:
            return None
        inside = row["effect_ci_low"] <= 1 <= row["effect_ci_high"]
        numbers += ["1" if fit == "adjusted" and inside else "", "95", _effect(row), "1"]
        numbers += [p_value(row["p"]), *_counted(row)]
    return numbers


def finding_cohort(s):
    steps = s.read("flow").filter(window=WINDOW).sort("step").to_dicts()
    n_in, n_out = steps[0]["n_in"], steps[-1]["n_out"]
    bad = known(s.read("analysis").filter(window=WINDOW).to_dicts(), "unfavourable")
    return [n_out, n_in, percent(n_out, n_in), "72", len(bad), share(sum(bad), len(bad))]


def finding_recordings(s):
    icp = s.read("quality").filter(signal="icp").to_dicts()
    valid, total = (
        near(math.fsum(r[n] for r in icp) / 3600, 0) for n in ("valid_s", "recorded_s")
    )
    listed = s.read("recordings")["status"].to_list()
    return [valid, total, len(icp), listed.count("excluded"), len(listed)]


def finding_monitors(s):
    rows = s.read("monitors").to_dicts()
    numbers = [len(rows)]
    for name in ("haemorrhage", "infection", "malfunction"):
        n, total = sum(known(rows, name)), len(known(rows, name))
        numbers += [n, total, percent(n, total), "95", exact(n, total)]
    drift = known(rows, "drift_at_removal_mmhg")
    return [*numbers, iqr(drift, 1), len(drift), len(rows)]


def finding_burden(s):
    rows = s.of_cohort("burden").filter(signal="icp").to_dicts()
    numbers = []
    for (level,), part in groups(rows, "threshold").items():
        shares = known(part, "percent_time")
        numbers += [f"{level:g}", iqr(shares, 1), len(shares)]
    return numbers


def finding_reactivity(s):
    rows = s.of_cohort("summary").to_dicts()
    prx, yields = known(rows, "prx_mean"), known(rows, "cppopt_yield_percent")
    numbers = [iqr(prx, 2), len(prx), iqr(yields, 1), len(yields)]
    without = [row for row in rows if row["prx_mean"] is None]
    if without:
        assert {row["tier"] for row in without} == {"minutes"}
        numbers += [len(without), len(rows), "10"]
    return numbers


def finding_chance(s):
    tried = s.read("optima").filter(pl.col("p_chance").is_not_null()).to_dicts()
    n, by_chance = len(tried), np.mean(known(tried, "chance_percent"))
    beyond = sum(row["p_chance"] <= 0.05 for row in tried)
    n_optima = len(known(tried, "cppopt_mmhg"))
    rolled = known(tried, "p_rolled")
    related = share(sum(p <= 0.05 for p in rolled), len(rolled))
    found = [share(n_optima, n), n, near(by_chance, 1)]
    return [*found, "95", share(beyond, n), "95", related, len(rolled)]


def finding_model(s, model):
    """Return the numbers of the standards that the adjusted fit fails, and of its estimates."""
    estimates = _fit_numbers(s, model)
    if estimates is None:
        return None
    rows = s.of_model(model, "diagnostics")
    value = {r["quantity"]: r["value"] for r in rows if r["adjustment"] == "adjusted"}
    failing = []
    for name in ("events", "patients", "effective_n"):
        ratio = value.get(f"{name}_per_parameter")
        failing += [near(ratio, 1), "10"] if ratio is not None and ratio < 10 else []
    for name, most in (("max_variance_inflation", 10), ("max_influence_se", 1)):
        size = abs(value.get(name) or 0.0)
        failing += [near(size, 1)] if size > most else []
    for name in ("proportional_hazards_p", "proportional_odds_p"):
        p = value.get(name)
        failing += [p_value(p)] if p is not None and p < 0.05 else []
    return [*failing, *estimates]


FINDINGS = {
    "cohort": finding_cohort,
    "recordings": finding_recordings,
    "monitors": finding_monitors,
    "burden": finding_burden,
    "reactivity": finding_reactivity,
    "chance": finding_chance,
    **{f"model-{model}": lambda s, m=model: finding_model(s, m) for model in MODELS},
}


def test_every_number_of_a_key_finding_is_in_the_results(study):
    assert set(study.page.points) == {f"finding-{name}" for name in FINDINGS}
    for name, expected in FINDINGS.items():
        numbers = expected(study)
        sentence = study.page.points[f"finding-{name}"]
        if numbers is None:
            assert "is not reported" in sentence
        else:
            assert _tokens([sentence]) == _tokens(numbers), name


def test_every_estimate_of_the_forest_is_in_the_results(study):
    rows = [row for m in MODELS for row in s_rows(study, m) if row["term"] == DOSE]
    drawn = [text for text in study.page.drawn["forest"] if " to " in text or "not est" in text]
    assert sorted(drawn) == sorted(map(_effect, rows))
    counts = [text for text in study.page.drawn["forest"] if text.startswith("n = ")]
    assert sorted(map(str, map(_tokens, [[c] for c in counts]))) == sorted(
        str(_tokens(_counted(row))) for row in rows
    )


def s_rows(study, model):
    return study.of_model(model, "estimates")


@pytest.mark.parametrize("model", MODELS)
def test_every_diagnostic_is_in_the_results(study, model):
    values = [row["value"] for row in study.of_model(model, "diagnostics")]
    forms = {f(v) for v in values if v is not None for f in _FORMS}
    shown = [row[2] for row in study.page.rows[f"{model}-diagnostics"][1:]]
    assert len(shown) == len(values)
    assert shown.count(DASH) == values.count(None)
    assert [text for text in shown if text not in forms | {DASH, "yes", "no"}] == []


_FORMS = (
    lambda v: near(v, 0),
    lambda v: near(v, 1),
    lambda v: near(v, 2),
    lambda v: p_value(v) if 0 <= v <= 1 else "",
    lambda v: f"{v:.1e}",  # from a million on
)


def _leaves(value):
    if isinstance(value, dict):
        return [leaf for part in value.values() for leaf in _leaves(part)]
    if isinstance(value, list):
        return [leaf for part in value for leaf in _leaves(part)]
    return [value]


@pytest.mark.parametrize(
    ("name", "file"), [("settings", "config.yaml"), ("plan", "models.yaml")]
)
def test_every_setting_stands_as_it_was_run(study, name, file):
    values = yaml.safe_load((study.folder / "config" / file).read_text(encoding="utf-8"))
    if name == "settings":  # and what the dictionaries declare
        as_run = study.folder / "results/provenance/variables.yaml"
        declared = yaml.safe_load(as_run.read_text(encoding="utf-8"))
        values |= {n: part for n, part in declared.items() if n != "dictionaries"}
    leaves = _leaves(values["models"] if name == "plan" else values)
    shown = [row[1] for row in study.page.rows[name][1:]]
    assert _tokens(shown) == _tokens(leaves)


def test_every_fingerprint_is_that_of_its_file(study):
    for name, n_files, shown in study.page.rows["data"][1:5]:
        data = (study.folder / "demo" / name).read_bytes()
        assert (n_files, shown) == ("1", hashlib.sha256(data).hexdigest())
    used = sorted(study.read("recordings").filter(status="used")["sha256"])
    over_all = hashlib.sha256("\n".join(used).encode()).hexdigest()
    assert study.page.rows["data"][5] == ["recordings used", str(len(used)), over_all]
