"""Advice that can be obeyed: thirty faults of all layers, one by one and together.

Whoever does what a line says ends at the sound study, or at a question that only the group can
answer; a question offers no value.
"""

from pathlib import Path
from typing import NamedTuple

import pytest

from icpcohort.commands import check
from icpcohort.commands import new as study_folder
from icpcohort.study import settings, tables

REPOSITORY = Path(__file__).resolve().parents[3]
SCHEMAS = REPOSITORY / "workflow" / "schemas"
HEAD = "patient_id,age_years,sex,gcs_total,gose_6m,death_h,left_unit_h,glucose_mmol_l,remarks"
PATIENTS = """\
P1,31,male,7,8,,201,6.1,ok
P2,42,female,8,4,,202,6.2,ok
P3,53,male,9,1,103,103,6.3,ok
P4,64,female,6,5,,204,6.4,ok
P5,35,male,5,6,,205,6.5,ok
P6,46,female,4,3,,206,6.6,ok
P7,57,male,3,7,,207,6.7,ok
P8,68,female,8,2,,208,6.8,ok
"""
MONITORS = "monitor_id,patient_id,kind\nM1,P1,fibre_optic\nM2,P2,strain_gauge\n"
EVENTS = """\
patient_id,event,start_s,end_s
P1,drain_open,4000,4600
P2,rezero,5000,5060
P3,drain_open,4000,4600
P4,drain_open,4000,4600
P5,drain_open,4000,4600
P6,drain_open,4000,4600
"""
NUMBERS = "t_s,ICP [mmHg],ABP [mmHg]\n"


class Fault(NamedTuple):
    """What is broken, what a line must say, and what is done then; nothing: a question."""

    name: str
    broken: list[tuple[str, str, str]]
    says: str
    cure: list[tuple[str, str, str]] = []  # noqa: RUF012 (never changed)
    same_study: bool = True  # the tables are those of the sound study again


def write(folder):
    """Write a sound study of eight patients with a recording of two hours each."""
    texts = study_folder.texts(title="t", like="tbi", repository=REPOSITORY)
    head = texts["recordings.csv"].strip().split(",")
    rows = [
        ",".join([f"R{i}", f"P{i}", f"r{i}.csv", "csv", "3600", *[""] * (len(head) - 5)])
        for i in range(1, 9)
    ]
    texts |= {
        "patients.csv": f"{HEAD}\n{PATIENTS}",
        "monitors.csv": MONITORS,
        "events.csv": EVENTS,
        "recordings.csv": "\n".join([",".join(head), *rows]) + "\n",
    }
    for i in range(1, 9):
        numbers = "".join(
            f"{60 * k},{10 + (k + i) % 5},{80 + (k * i) % 7}\n" for k in range(120)
        )
        texts[f"r{i}.csv"] = NUMBERS + numbers
    for name, text in texts.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def edit(folder, edits):
    """Replace texts of files; a name with @ gives the encoding."""
    for name, old, new in edits:
        path, _, encoding = name.partition("@")
        text = (folder / path).read_text(encoding="utf-8")
        assert old in text, (name, old)
        (folder / path).write_text(text.replace(old, new), encoding=encoding or "utf-8")


def lines(folder):
    checked = check.check(folder, schema_folder=SCHEMAS, progress=lambda *_: None)
    return checked.problem_lines()


P, R, E, M = "patients.csv", "recordings.csv", "events.csv", "monitors.csv"
CONFIG, MODELS, VARIABLES = "config/config.yaml", "config/models.yaml", "config/variables.yaml"
FIRST = "R1,P1,r1.csv,csv,3600,,,,,,"
FAULTS = [
    Fault(
        "a unit in a cell",
        [(P, ",6.1,ok\n", ",6.1 mmol/L,ok\n")],
        "; write 6.1",
        [(P, "6.1 mmol/L", "6.1")],
    ),
    Fault(
        "a decimal comma",
        [(P, ",6.1,ok\n", ',"6,1",ok\n')],
        "; write 6.1",
        [(P, '"6,1"', "6.1")],
    ),
    Fault(
        "a date",
        [(P, ",,201,", ",,2023-06-02 20:35:09,")],
        "calendar: {time_zero: YOUR_COLUMN_OF_TIME_ZERO, zone: YOUR_TIME_ZONE}",
    ),
    Fault(
        "two scores",
        [(P, "male,7,8,", "male,7,2/3,")],
        "'2/3' is not a whole number; write one, or leave the cell empty",
    ),
    Fault(
        "codes",
        [(P, ",male,", ",1,"), (P, ",female,", ",2,")],
        'sex: {codings: {"1": "WHAT_IT_MEANS", "2": "WHAT_IT_MEANS"}}',
        [
            (
                VARIABLES,
                "variables: {}",
                'variables:\n  sex: {codings: {"1": male, "2": female}}',
            )
        ],
    ),
    Fault("an age", [(P, "P1,31,", "P1,301,")], "write a value from 0 to 120 years"),
    Fault(
        "an encoding",
        [(P + "@cp1252", "6.1,ok", "6.1,größer")],
        "`encoding: cp1252`",
        [(CONFIG, "  time_zero: injury", "  encoding: cp1252\n  time_zero: injury")],
    ),
    Fault(
        "a renamed column",
        [(P, "death_h", "died_h")],
        "`death_h: died_h`",
        [(CONFIG, "differ\n    patients: {}", "differ\n    patients: {death_h: died_h}")],
    ),
    Fault("an unmapped column", [(E, "start_s", "begin")], "`start_s: NAME_OF_YOUR_COLUMN`"),
    Fault(
        "a patient twice",
        [(P, "P2,42", "P1,31,male,7,8,,201,6.1,ok\nP2,42")],
        "'P1' stands in row 2 too; keep one",
        [(P, "P1,31,male,7,8,,201,6.1,ok\nP1", "P1")],
    ),
    Fault(
        "a lost file",
        [(R, "r1.csv", "gone.csv")],
        "not there; restore it or correct recordings.csv",
    ),
    Fault(
        "a backslash",
        [(R, ",r1.csv", ",.\\r1.csv")],
        "is written with \\; write /",
        [(R, ".\\r1.csv", "./r1.csv")],
    ),
    Fault("a stranger", [(M, "M1,P1", "M1,p1")], "did you mean 'P1'?", [(M, "M1,p1", "M1,P1")]),
    Fault(
        "a kind",
        [(M, "fibre_optic", "fiber_optic")],
        "did you mean 'fibre_optic'?",
        [(M, "fiber_optic", "fibre_optic")],
    ),
    Fault(
        "an event",
        [(E, "drain_open", "drain open")],
        "did you mean 'drain_open'?",
        [(E, "drain open", "drain_open")],
    ),
    Fault("an end before", [(E, "5000,5060", "5000,4060")], "correct one of them"),
    Fault("a score of the dead", [(P, "male,9,1,103", "male,9,5,103")], "correct one of them"),
    Fault(
        "no unit",
        [("r1.csv", "ICP [mmHg]", "ICP")],
        "write it (such as mmHg) in column icp_unit",
        [(R, FIRST, "R1,P1,r1.csv,csv,3600,,,mmHg,,,")],
    ),
    Fault(
        "no units",
        [("r1.csv", "ICP [mmHg],ABP [mmHg]", "ICP,ABP")],
        "in column icp_unit of recordings.csv. The file states no unit for 'ABP'",
        [(R, FIRST, "R1,P1,r1.csv,csv,3600,,,mmHg,mmHg,,")],
    ),
    Fault(
        "a strange unit",
        [("r1.csv", "ICP [mmHg]", "ICP [furlong]")],
        "is not a known unit of pressure",
    ),
    Fault(
        "two sensors",
        [("r1.csv", "ABP [mmHg]", "ICP1 [mmHg]")],
        "write ICP [mmHg] (or another of them) in column icp_channel",
        [(R, FIRST, "R1,P1,r1.csv,csv,3600,ICP [mmHg],,,,,")],
    ),
    Fault(
        "strange names",
        [("r1.csv", "ICP [mmHg],ABP [mmHg]", "Sonde [mmHg],Druck [mmHg]")],
        "add its name to signals.icp.names",
        [
            (CONFIG, "names: [ICP,", "names: [Sonde, ICP,"),
            (CONFIG, "names: [ABP,", "names: [Druck, ABP,"),
        ],
    ),
    Fault(
        "a column of times",
        [("r1.csv", "t_s", "Uhr")],
        "in recordings.time_columns",
        [(CONFIG, "time_columns: [t_s,", "time_columns: [Uhr, t_s,")],
    ),
    Fault(
        "a setting",
        [(CONFIG, "  window_min: 20", "  window_mi: 20")],
        "did you mean 'window_min'?",
        [(CONFIG, "  window_mi: 20", "  window_min: 20")],
    ),
    Fault(
        "a word for a number",
        [(CONFIG, "fisher_clip: 0.999", "fisher_clip: high")],
        "write for example 0.999",
    ),
    Fault(
        "a setting that is gone",
        [(CONFIG, "  step_s: 60.0  ", "  # step_s: 60.0  ")],
        "`step_s: 60.0`",
        [(CONFIG, "  # step_s: 60.0  ", "  step_s: 60.0  ")],
    ),
    Fault(
        "a covariate",
        [
            (
                MODELS,
                "adjust_for: [impact_core_logit]\n    as_categories: []         #",
                "adjust_for: [impact_core_logits]\n    as_categories: []         #",
            )
        ],
        "did you mean 'impact_core_logit'?",
        [(MODELS, "impact_core_logits", "impact_core_logit")],
    ),
    Fault(
        "a format",
        [(R, "r1.csv,csv", "r1.csv,CSV")],
        "did you mean 'csv'?",
        [(R, "r1.csv,CSV", "r1.csv,csv")],
    ),
    Fault("no identifier", [(P, "P8,68", ",68")], "empty; every row needs one"),
    Fault(
        "a clock",
        [
            ("r1.csv", f"\n{60 * k},", f"\n2024-03-01 {10 + k // 60}:{k % 60:02},")
            for k in range(120)
        ],
        "write the zone of that clock",
    ),
    Fault(
        "days and months",
        [
            ("r1.csv", f"\n{60 * k},", f"\n3/4/2024 {10 + k // 60}:{k % 60:02},")
            for k in range(120)
        ],
        "write the line `day_order: day_first` or `day_order: month_first`",
    ),
]


def _tables(folder):
    """Return the tables as they are read, or None where something is wrong."""
    asked, _, wrong, _ = settings.read(
        folder / "config/config.yaml", folder / "config/models.yaml", schema_folder=SCHEMAS
    )
    asked["study"]["folder"] = str(folder)
    read, problems = tables.read_rows(asked)
    return (
        None if wrong or problems else {n: [r.values for r in t.rows] for n, t in read.items()}
    )


def test_there_are_thirty_faults_of_all_layers():
    assert len(FAULTS) >= 30
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    places = {name.partition("@")[0] for fault in FAULTS for name, _, _ in fault.broken}
    assert places == {P, R, E, M, CONFIG, MODELS, "r1.csv"}


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.name for fault in FAULTS])
def test_whoever_obeys_ends_at_the_sound_study_or_at_a_question(tmp_path, fault):
    write(tmp_path)
    assert lines(tmp_path) == []
    sound = _tables(tmp_path)
    edit(tmp_path, fault.broken)
    said = lines(tmp_path)
    assert fault.says in said[0]
    assert len(said) <= 3
    if fault.cure:
        edit(tmp_path, fault.cure)
        assert lines(tmp_path) == []
        for name, rows in _tables(tmp_path).items():
            assert [_shown(row) for row in rows] == [_shown(row) for row in sound[name]]


def test_all_of_them_at_once_fit_one_screen(tmp_path):
    """A screen: 50 lines. Faults of one recording are put into a recording each."""
    write(tmp_path)
    n_broken, of_recordings = 0, 0
    for fault in FAULTS:
        if fault.name in ("an encoding", "an unmapped column", "a renamed column"):
            continue  # with these a table is not read as it is, and hides the others
        of_recordings += fault.broken[0][0] == "r1.csv"
        own = f"r{of_recordings}.csv"
        edits = [(own if n == "r1.csv" else n, old, new) for n, old, new in fault.broken]
        if all(old in (tmp_path / n).read_text("utf-8") for n, old, _ in edits):
            edit(tmp_path, edits)
            n_broken += 1
    assert n_broken >= 24
    said = lines(tmp_path)
    assert len(said) <= 50
    assert not [line for line in said if len(line) > 600]


def _shown(row):
    """Return a row without what a cure of a recording writes beside it."""
    return {
        name: str(value).removeprefix("./")
        for name, value in row.items()
        if not name.endswith(("_channel", "_unit"))
    }
