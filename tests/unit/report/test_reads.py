"""What the report reads: one list of names, whose files and contracts belong together."""

import re
import runpy
from pathlib import Path

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort.contracts import store
from icpcohort.report import reads

INVENTED = runpy.run_path(str(Path(__file__).with_name("report_arguments.py")))
THRESHOLDS = INVENTED["SETTINGS"]["burden"]
SELECTIONS = (reads.REPORT, reads.FIGURES, reads.PATIENT_PAGE, reads.SHARE)


@pytest.fixture
def results(tmp_path):
    """Write the tables of an invented cohort where their contracts say."""
    whole = INVENTED["whole_report"]()
    for name, contract in reads.TABLES.items():
        frame = whole["tables"][name]
        if name in reads.DECLARED:
            declared = reads.contract_of(name, DECLARED | {"burden": THRESHOLDS})
            store.write(frame, declared, tmp_path / contract.path)
        elif name == "curves":
            for (patient,), part in frame.group_by("patient_id"):
                path = tmp_path / contract.path.replace("<patient>", patient)
                store.write(part.drop("patient_id"), contract, path)
        else:
            store.write(frame, contract, tmp_path / contract.path)
    for name, contract in reads.OF_MODELS.items():
        for model in whole["models"]:
            frame = whole["fits"].get(name, {}).get(model, store.empty(contract))
            store.write(frame, contract, tmp_path / contract.path.replace("<model>", model))
    return tmp_path, whole


def _files(results, selection):
    folder, whole = results
    patients = whole["tables"]["curves"]["patient_id"].unique(maintain_order=True).to_list()
    return reads.files(
        selection, folder=str(folder), patients=patients, models=list(whole["models"])
    )


@pytest.mark.parametrize("selection", SELECTIONS)
def test_all_that_is_selected_is_read_from_a_folder_in_one_call(results, selection):
    _, whole = results
    read = reads.read(
        _files(results, selection), selection, declared=DECLARED | {"burden": THRESHOLDS}
    )
    assert tuple(read.tables) == selection.tables
    assert tuple(read.of_models) == selection.of_models
    for name, frame in read.tables.items():
        wanted = whole["tables"][name].select(frame.columns)
        key = [n for n in ("patient_id", *reads.TABLES[name].key) if n in frame.columns]
        assert frame.sort(key).equals(wanted.sort(key)), name
    for name, frames in read.of_models.items():
        assert list(frames) == list(whole["models"])
        for model, frame in whole["fits"].get(name, {}).items():
            assert frames[model].height == frame.height


def test_a_table_that_breaks_its_contract_is_refused_with_its_file(results):
    files = _files(results, reads.SHARE)
    pl.DataFrame({"patient_id": ["p1"]}).write_parquet(files["quality"])
    with pytest.raises(store.ContractError, match=r"quality\.parquet: \d+ problem"):
        reads.read(files, reads.SHARE, declared=DECLARED | {"burden": THRESHOLDS})


def test_a_table_of_each_patient_or_model_has_a_file_of_each():
    selection = reads.Selection(("curves", "flow"), ("flow",))
    assert reads.files(selection, folder="r", patients=["a", "b"], models=["m"]) == {
        "curves": ["r/curves/a.parquet", "r/curves/b.parquet"],
        "flow": "r/flow.parquet",
        "model_flow": ["r/models/m/flow.parquet"],
    }
    assert reads.files(selection, folder="r", patients=[], models=[])["model_flow"] == []


def test_no_two_names_read_the_same_file_and_no_name_is_of_an_unknown_table():
    listed = [*reads.TABLES.values(), *reads.OF_MODELS.values()]
    assert len({table.path for table in listed}) == len(listed)
    assert {part for t in listed for part in re.findall(r"<\w+>", t.path)} == {
        *("<patient>", "<model>"),
    }
    for selection in SELECTIONS:
        assert set(selection.tables) <= set(reads.TABLES)
        assert set(selection.of_models) <= set(reads.OF_MODELS)
        assert len(set(selection.tables)) == len(selection.tables)
