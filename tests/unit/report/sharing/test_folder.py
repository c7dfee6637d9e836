"""Share: a reader of the folder cannot work out what it does not say."""

import csv
import io
import runpy
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED, PUBLISHED
from scipy.optimize import linprog

from icpcohort import contracts
from icpcohort.contracts import store, variables
from icpcohort.report import reads
from icpcohort.report.sharing import folder as share
from icpcohort.report.sharing import names as share_names
from icpcohort.report.sharing.disclosure import HIDDEN
from icpcohort.report.tables import table_one

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
MAIN = INVENTED["MAIN_WINDOW"]
MODELS = {"dose": INVENTED["MODELS"]["unfavourable_by_dose"]}
MADE = INVENTED["make_tables"](104, lost=4, seed=20)
GROUPS = table_one.groups_of(
    "outcome",
    exposure="prx_mean",
    exposed_above=0.0,
    main_outcome="unfavourable",
    columns=contracts.analysis(DECLARED).columns,
)
MIN_CELL = 5
METHODS = {"Signals": "Artefacts were masked."}


def _estimates(analysis, *, lost=()):
    """Return an estimate of the patients of the main window less `lost`, and who was lost."""
    kept = analysis.filter(pl.col("window") == MAIN, ~pl.col("patient_id").is_in(lost))
    row = INVENTED["make_estimates"]()["unfavourable_by_dose"].with_columns(
        n=pl.lit(kept.height, pl.Int64()), n_events=pl.lit(int(kept["unfavourable"].sum()))
    )
    dropped = pl.DataFrame(
        {"patient_id": sorted(lost), "step": 2, "reason": "", "detail": ""},
        schema={name: c.dtype for name, c in contracts.MODEL_DROPPED.columns.items()},
    )
    return {"dose": row.with_columns(pl.col("n_events").cast(pl.Int64()))}, {"dose": dropped}


COLUMNS = contracts.analysis(DECLARED).columns
ROWS = PUBLISHED["cohort"]["table_one"]["rows"]


def _files(analysis=None, *, lost=(), methods=METHODS, columns=COLUMNS, rows=ROWS, **changed):
    tables = MADE | changed
    tables["analysis"] = tables["analysis"] if analysis is None else analysis
    estimates, dropped = _estimates(tables["analysis"], lost=lost)
    return share.files(
        tables=tables,
        models=MODELS,
        estimates=estimates,
        dropped=dropped,
        methods=methods,
        main_window=MAIN,
        variables=rows,
        columns=columns,
        groups=GROUPS,
        min_cell=MIN_CELL,
        declared=PUBLISHED,
    )


FILES = _files()


def _rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def _with(analysis, column, value, *, of):
    """Return the analysis with a value for the first `of` patients of the main window."""
    chosen = analysis.filter(pl.col("window") == MAIN)["patient_id"].sort().head(of).to_list()
    here = pl.col("patient_id").is_in(chosen)
    return analysis.with_columns(
        pl.when(here).then(pl.lit(value)).otherwise(column).alias(column)
    )


def _equations(rows):
    """Return the sums of Table 1 that any reader knows, between (variable, level, group)."""
    names = {(row["variable"], row["level"], row["group"]): row["n"] for row in rows}
    groups = list(dict.fromkeys(row["group"] for row in rows))
    variables = {}
    for variable, level, _ in names:
        variables.setdefault(variable, {})[level] = None
    sums = []
    for variable, levels in variables.items():
        if len(groups) > 1:
            sums += [[(variable, level, group) for group in groups] for level in levels]
        if variable != "Patients":
            sums += [
                [("Patients", "n", group), *((variable, level, group) for level in levels)]
                for group in groups
            ]
    return names, sums


def _range(sought, names, sums):
    """Return what a hidden count can be, by linear programming over all of Table 1."""
    order = list(names)
    matrix = np.zeros((len(sums), len(order)))
    for row, (total, *parts) in enumerate(sums):
        matrix[row, order.index(total)] = 1
        for part in parts:
            matrix[row, order.index(part)] -= 1
    bounds = [(0, None) if n == HIDDEN else (int(n), int(n)) for n in names.values()]
    aim = np.array([float(name == sought) for name in order])
    low, high = (
        linprog(sign * aim, A_eq=matrix, b_eq=np.zeros(len(sums)), bounds=bounds)
        for sign in (1, -1)
    )
    assert low.success
    return low.fun, -high.fun if high.success else np.inf


def test_the_folder_has_these_files_and_the_same_bytes_twice():
    assert set(FILES) == set(share_names.FILES)
    assert _files() == FILES


@pytest.mark.parametrize(
    ("column", "value", "variable", "level"),
    [
        ("sex", "other", "Sex", "other"),
        ("traumatic_sah", None, "Traumatic subarachnoid haemorrhage", "not known"),
        ("age_years", None, "Age (years)", "not known"),
    ],
)
def test_a_level_of_two_cannot_be_worked_out(column, value, variable, level):
    text = _files(_with(MADE["analysis"], column, value, of=2))["table1.csv"]
    names, sums = _equations(_rows(text))
    cells = [name for name in names if name[:2] == (variable, level)]
    assert any(names[cell] == HIDDEN for cell in cells)
    for cell in cells:
        if names[cell] == HIDDEN:
            low, high = _range(cell, names, sums)
            assert high - low >= MIN_CELL
        else:
            assert int(names[cell]) == 0 or int(names[cell]) >= MIN_CELL


def test_a_group_of_two_leaves_no_group_in_any_file():
    known = MADE["analysis"].with_columns(unfavourable=pl.lit(False))
    texts = _files(_with(known, "unfavourable", True, of=2))
    assert {row["group"] for row in _rows(texts["table1.csv"])} == {"all"}
    (first, second) = _rows(texts["estimates.csv"])
    for row in (first, second):
        assert row["n_events"] == row["effect"] == row["p"] == HIDDEN
        assert int(row["n"]) == 92


def test_a_centre_of_two_is_hidden_and_no_centre_has_its_name():
    analysis = _with(MADE["analysis"], "centre", "Harbour", of=2)
    text = _files(analysis)["table1.csv"]
    assert not any(name in text for name in ("north", "south", "Harbour"))
    rows = [row for row in _rows(text) if row["level"] == "centre 3"]
    assert len(rows) == 3
    names, sums = _equations(_rows(text))
    for row in rows:
        low, high = _range((row["variable"], row["level"], row["group"]), names, sums)
        assert row["n"] == HIDDEN
        assert high - low >= MIN_CELL


def test_a_category_of_the_study_s_own_without_levels_is_numbered_too():
    own = {"kind": "category", "label": "Way of transfer", "known": "at_admission"}
    columns = COLUMNS | {"transfer": variables.column_of(own, role="covariate")}
    words = pl.Series(["by Harbour boat", "by road"] * MADE["analysis"].height)
    analysis = MADE["analysis"].with_columns(
        words.head(MADE["analysis"].height).alias("transfer")
    )
    text = _files(analysis, columns=columns, rows=["transfer"])["table1.csv"]
    assert "Harbour" not in text
    assert {row["level"] for row in _rows(text)} >= {"transfer 1", "transfer 2"}


def test_two_patients_lost_between_table_and_model_cannot_be_counted():
    known = MADE["analysis"].with_columns(unfavourable=pl.col("unfavourable").fill_null(True))
    lost = known.filter(pl.col("window") == MAIN, pl.col("unfavourable"))["patient_id"]
    texts = _files(known, lost=lost.sort().head(2).to_list())
    in_table = {row["group"]: row["n"] for row in _rows(texts["table1.csv"])[:3]}
    for row in _rows(texts["estimates.csv"]):
        for whole, part in (("both groups", "n"), ("Unfavourable", "n_events")):
            assert HIDDEN in (in_table[whole], row[part])


def test_an_exposure_of_few_values_needs_enough_people_at_each():
    exposure = MODELS["dose"]["exposure"]
    analysis = MADE["analysis"].with_columns(pl.lit(0.0).alias(exposure))
    for of, hidden in ((3, True), (60, False)):
        row = _rows(_files(_with(analysis, exposure, 1.0, of=of))["estimates.csv"])[0]
        assert (row["effect"] == HIDDEN) is hidden


def test_steps_at_which_few_left_are_told_together():
    rows = [row for row in _rows(FILES["flow.csv"]) if row["window"] == MAIN]
    assert [(row["n_left"], row["n"]) for row in rows] == [("", "104"), ("12", "92")]
    assert rows[1]["steps"].count(";") == 2


def test_medians_of_fewer_than_four_times_the_minimum_are_hidden():
    summary = MADE["summary"].with_columns(
        prx_mean=pl.when(pl.col("patient_id") > "p086").then("prx_mean")
    )
    rows = _rows(_files(summary=summary)["reactivity.csv"])
    shown = {row["quantity"]: row for row in rows if row["window"] == MAIN}
    known = summary.filter(pl.col("window") == MAIN)["prx_mean"].count()
    assert MIN_CELL <= known < 4 * MIN_CELL
    assert shown["Mean PRx"]["median"] == shown["Mean PRx"]["q1"] == HIDDEN
    assert shown["CPPopt yield (% of minutes with CPP)"]["median"] != HIDDEN


def test_a_complication_of_one_patient_has_no_percentage_and_no_limits():
    monitors = MADE["monitors"].with_columns(
        infection=pl.col("monitor_id") == "m001", malfunction=pl.col("monitor_id") < "m011"
    )
    rows = {row["level"]: row for row in _rows(_files(monitors=monitors)["monitors.csv"])}
    infected, failed = rows["Infection attributed to the monitor"], rows["Malfunction"]
    hidden = ("n", "percent", "exact_low", "exact_high")
    assert [infected[name] for name in hidden] == [HIDDEN] * 4
    assert [failed[name] for name in ("n", "n_of", "percent")] == ["10", "104", "9.6"]


def test_no_file_has_a_small_count_an_identifier_or_a_column_of_people():
    texts = FILES
    names = share.identifiers(MADE, columns=COLUMNS)
    assert {"p001", "north", "r001", "m001", "recordings/r001.csv"} <= names
    for name, text in texts.items():
        if name.endswith(".csv"):
            for row in _rows(text):
                counts = [row[one] for one in row if one == "n" or one.startswith("n_")]
                assert not any(n.isdigit() and 0 < int(n) < MIN_CELL for n in counts)


def _write(folder, texts):
    names = share.identifiers(MADE, columns=COLUMNS)
    paths = [folder / name for name in texts]
    share.write(texts, paths, identifiers=names, min_cell=MIN_CELL)
    return paths


def test_a_safe_folder_is_written_as_it_is(tmp_path):
    for path in _write(tmp_path, FILES):
        assert path.read_text(encoding="utf-8") == FILES[path.name]


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("of p001 alone", "methods.md: the identifier 'p001'; remove it"),
        ("on 2024-03-01", "methods.md: the date '2024-03-01'; remove it"),
    ],
)
def test_nothing_is_shared_where_one_file_is_not_safe(tmp_path, text, problem):
    with pytest.raises(share.NotSafeError, match="nothing is shared") as error:
        _write(tmp_path, FILES | {"methods.md": text})
    assert problem in str(error.value)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_study_gives_a_folder_without_counts():
    nothing = {name: MADE[name].clear() for name in reads.SHARE.tables}
    assert "Patients,n,all" in _files(**nothing)["table1.csv"]


def test_a_site_that_is_a_formula_a_label_of_markup_and_emoji_change_only_their_cell():
    plain = _rows(_files(_with(MADE["analysis"], "sex", "other", of=30))["table1.csv"])
    for label in (
        "=cmd()",
        "<b>x</b>",
        "\u202eabc",
        "\U0001f9e0",
        "a" * 200,
        "\x00\x1b",
        "1,2",
    ):
        rows = _rows(_files(_with(MADE["analysis"], "sex", label, of=30))["table1.csv"])
        assert len(rows) == len(plain)
        changed = [row for row in rows if row not in plain]
        assert {row["variable"] for row in changed} == {"Sex"}
        shown = {row["level"] for row in changed}
        assert not any(one.startswith("=") for one in shown)


def test_the_empty_contract_of_lost_patients_is_the_one_of_models():
    assert _estimates(MADE["analysis"])[1]["dose"].equals(store.empty(contracts.MODEL_DROPPED))


def test_the_methods_that_are_shared_end_with_their_sources():
    cited = _files(methods={"Signals": "Peaks by curvature (Hu 2009)."})["methods.md"]
    assert cited.endswith("* Hu 2009, IEEE Trans Biomed Eng 56:696-705 [from memory]\n")
    assert "not checked against the original" in cited
    assert "## Sources" not in FILES["methods.md"]
