"""The catalogue of results: every table and column of the contracts, as Markdown.

`python -m icpcohort.commands.catalogue > results/README.md` writes that of the demo study.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from icpcohort import contracts
from icpcohort.contracts import (
    Column,
    Table,
    cohort,
    indices,
    models,
    plan,
    signals,
    specifications,
    study,
)

TYPE_WORDS = {
    contracts.TEXT: "text",
    contracts.REAL: "real",
    contracts.COUNT: "whole number",
    contracts.FLAG: "true or false",
}

BURDEN_COLUMNS = """\
### Burden as columns

In tables with one row per patient or day the burden stands in columns, one per signal, side,
threshold and measure: `<signal>_<side>_<threshold>_<measure>`, for example
`icp_above_20_dose_per_h_mmhg`; a decimal point in the threshold becomes `_`. The measures, with
unit and meaning, are the columns from `dose` to `longest_episode_min` of this table,
without `monitored_h`, the dose with the unit of its signal (`dose_mmhg_h`, `dose_per_h_mmhg`);
the thresholds are those of `burden` in `config/config.yaml`.
"""
HAS_BURDEN = "Further columns hold the burden: [their names](#burden-as-columns).\n"

HEAD = """\
# Results: every file, every column

Generated from `src/icpcohort/contracts/`; to renew it:
`python -m icpcohort.commands.catalogue > results/README.md`. Columns of patients, outcomes and
the analysis follow from `config/variables.yaml`.

Null means missing; missing is never zero, and no table holds NaN or infinity. Units are UCUM
codes (`mm[Hg]` is mmHg, `a` is years, `1` a bare ratio). Times count from each patient's time
zero; no calendar date enters a result. In Parquet files the unit, the meaning and what the
report calls a column are also in the metadata of each field. `<patient>`, `<model>`, `<batch>`
and `<signals>` stand for one file per patient, model, batch of patients, or way to make the
minutes.

Research use on recorded data; not a medical device, and not for decisions at the bedside.

| file | what it is |
|---|---|
| [`report.html`](report.html) | The report, in one page that needs no network |
| [`report.docx`](report.docx) | The same as a Word document; without rows of single patients |
| [`report.json`](report.json) | The report's content: document and tables are made from it |
| `share/` | What may leave the group: aggregates with small counts withheld |
| [`patients.html`](patients.html) | Patients, one by one: facts and pictures; not for sharing |
| `pictures/<patient>.svg` | One patient over time: pressures, PRx, what was lost; PRx by CPP |
| [`cohort.svg`](cohort.svg) | All patients by hours: valid, masked, missing; not for sharing |
| `figures/<figure>.svg`, `.pdf`, `.png` | The report's figures for a journal |
| `tables/csv/`, `tables/latex/` | Every table of the report; `index.csv` has captions |
| `models/<model>/summary.md` | One model in one page, to read first; `plan.yaml` is its block |
| `models/<model>/data.csv`, `replicate.R` | The rows of the fit, and the same fit in R |
| `exposures/<batch>/` | The parts of `burden`, `burden_by_state`, `summary` and `intensity` |
| `specifications/questions/<question>/` | The parts of the four tables of `specifications/` |
| `README.md` | This page |
| `analysis.csv`, `analysis.dta`, `analysis.feather` | `analysis.parquet` for other programs |
| [`provenance.html`](provenance.html), `provenance/` | What made the results |
| [`ro-crate-metadata.json`](ro-crate-metadata.json) | The same for programs (RO-Crate) |
| [`SHA256SUMS`](SHA256SUMS) | Fingerprints of all files; see `icpcohort verify` |
"""


MIN_SHARED = 8  # columns from which on a table names another that has them all

OF_SIGNALS = (contracts.recordings, contracts.trends)
HAS_SIGNALS = (
    "Here with ICP and ABP; every signal that the settings declare under `signals` has the same"
    " columns under its own name and unit.\n"
)

OF_THRESHOLDS = (contracts.analysis, contracts.analyses, contracts.updates)
Declared = Mapping[str, Any]


def results_tables(declared: Declared) -> list[Table]:
    """Return the tables that a run writes under `results/`, in the order of the contracts.

    The list of recordings and that of what the group leaves out are the study's own files.
    Repeated values are there for a study that declares any. Tables whose columns depend on
    what the study declares stand where they are made.

    Parameters
    ----------
    declared : mapping
        Sections of the settings that declare columns; see `contracts.analysis`. Burden columns
        are told in words of their own.
    """
    asked = {name: section for name, section in declared.items() if name != "burden"}
    by_path = {
        entry.path: entry
        for part in (study, signals, indices, cohort, models, specifications, plan)
        for entry in vars(part).values()
        if isinstance(entry, Table) and entry is not study.LEFT_OUT
    } | {table.path: table for table in (contracts.recordings(asked), contracts.trends(asked))}
    tables = list(by_path.values())
    tables.insert(tables.index(contracts.CURVES), contracts.minutes(asked))
    tables.insert(tables.index(contracts.INTENSITY) + 1, contracts.summary(asked))
    of_cohort = [contracts.updates(asked), contracts.outcomes(asked)]
    place = tables.index(contracts.BANDS)
    tables[place:place] = of_cohort
    tables.insert(0, contracts.patients(asked))
    if asked.get("repeated"):
        place = tables.index(contracts.BANDS)
        tables[place:place] = [contracts.REPEATED_VALUES, contracts.repeated_summary(asked)]
    tables.insert(tables.index(contracts.ESTIMATES), contracts.analysis(asked))
    tables.insert(tables.index(contracts.SPECIFICATIONS), contracts.analyses(asked))
    tables.insert(tables.index(contracts.EXPOSED_BURDEN), contracts.exposed_summary(asked))
    return tables


def as_markdown(declared: Declared) -> str:
    """Return `results/README.md` as text that ends with one line feed; see `results_tables`."""
    tables = results_tables(declared)
    index = "".join(
        f"| [`{table.path}`](#{_anchor(table.path)}) | {_cell(table.about)} |\n"
        for table in tables
    )
    sections = [_section(table, tables[:i]) for i, table in enumerate(tables)]
    return HEAD + index + "".join(sections)


def _section(table: Table, earlier: Sequence[Table]) -> str:
    key = ", ".join(f"`{name}`" for name in table.key)
    lines = [f"\n## `{table.path}`\n", f"{table.about}.\n", f"Key: {key}.\n"]
    if table.path in {made({}).path for made in OF_THRESHOLDS}:
        lines.append(HAS_BURDEN)
    if table.path in {made({}).path for made in OF_SIGNALS}:
        lines.append(HAS_SIGNALS)
    others, columns = _shared(table, earlier)
    if others:
        links = ", ".join(f"[`{other.path}`](#{_anchor(other.path)})" for other in others)
        lines.append(f"All columns of {links}{', and:' if columns else '.'}\n")
    if columns:
        lines += _rows(columns)
    if table is contracts.BURDEN:
        lines += ["", BURDEN_COLUMNS]
    return "\n".join(lines).rstrip("\n") + "\n"


def _shared(table: Table, earlier: Sequence[Table]) -> tuple[list[Table], dict[str, Column]]:
    """Return the tables before that this one has all columns of, and its other columns."""
    others, left = [], dict(table.columns)
    alike = [o for o in earlier if all(table.columns.get(n) == c for n, c in o.columns.items())]
    for other in sorted(alike, key=lambda other: -len(other.columns)):
        if len(left.keys() & other.columns.keys()) >= MIN_SHARED:
            others.append(other)
            left = {name: c for name, c in left.items() if name not in other.columns}
    return others, left


def _rows(columns: Mapping[str, Column]) -> list[str]:
    has_labels = any(map(_label, columns.values()))
    lines = [
        f"| column | type | unit | {'in the report | ' if has_labels else ''}meaning |",
        f"|---|---|---|{'---|' if has_labels else ''}---|",
    ]
    for name, column in columns.items():
        unit = f"`{column.unit}`" if column.unit else ""
        label = f"{_cell(_label(column))} | " if has_labels else ""
        lines.append(
            f"| `{name}` | {TYPE_WORDS[column.dtype]} | {unit} | {label}{_cell(column.about)} |"
        )
    return lines


def _label(column: Column) -> str:
    """Return what the report calls a column where that is not its meaning."""
    return "" if column.label == column.about.split(";")[0] else column.label


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("<", "&lt;")


def _anchor(path: str) -> str:
    """Return the anchor that a Markdown reader gives to the heading of `path`."""
    kept = "".join(sign for sign in path.lower() if sign.isalnum() or sign in "-_ ")
    return kept.replace(" ", "-")
