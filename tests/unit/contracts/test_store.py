import polars as pl
import pyarrow.parquet as pq
import pytest

from icpcohort import contracts
from icpcohort.contracts import Column, Table, store

TABLE = Table(
    "t.parquet",
    "A table",
    ("name",),
    {
        "name": Column(pl.String(), "", "Name"),
        "icp_mmhg": Column(pl.Float64(), "mm[Hg]", "ICP"),
    },
)
GOOD = pl.DataFrame({"icp_mmhg": [12.0, None], "name": ["b", "a"]})


def test_a_table_comes_back_as_it_was_sorted_by_its_key(tmp_path):
    store.write(GOOD, TABLE, tmp_path / "deep/t.parquet")
    assert store.read(tmp_path / "deep/t.parquet", TABLE).rows() == [("a", None), ("b", 12.0)]


def test_unit_and_meaning_lie_in_the_file(tmp_path):
    store.write(GOOD, TABLE, tmp_path / "t.parquet")
    field = pq.read_schema(tmp_path / "t.parquet").field("icp_mmhg")
    assert field.metadata == {b"unit": b"mm[Hg]", b"about": b"ICP", b"label": b"ICP"}


def test_nothing_is_left_beside_the_table(tmp_path):
    store.write(GOOD, TABLE, tmp_path / "t.parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["t.parquet"]


@pytest.mark.parametrize(
    ("frame", "says"),
    [
        (GOOD.drop("icp_mmhg"), "icp_mmhg: missing"),
        (GOOD.with_columns(x=pl.lit(1)), "x: not in the contract"),
        (GOOD.with_columns(icp_mmhg=pl.lit(1)), "icp_mmhg: Int32 instead of Float64"),
        (GOOD.with_columns(icp_mmhg=pl.lit(float("nan"))), "icp_mmhg: 2 NaN or infinite"),
        (GOOD.with_columns(icp_mmhg=pl.lit(float("inf"))), "icp_mmhg: 2 NaN or infinite"),
        (GOOD.with_columns(name=pl.lit("a")), "name: 1 rows repeat a key"),
        (GOOD.with_columns(name=pl.lit(None, pl.String())), "name: 2 null in the key"),
    ],
)
def test_a_broken_contract_is_refused_in_words(frame, says, tmp_path):
    with pytest.raises(store.ContractError, match=says):
        store.write(frame, TABLE, tmp_path / "t.parquet")
    assert not list(tmp_path.iterdir())


def test_all_problems_are_told_together(tmp_path):
    frame = pl.DataFrame({"icp": [1.0], "icp_mmhg": [float("nan")]})
    with pytest.raises(store.ContractError) as caught:
        store.write(frame, TABLE, tmp_path / "t.parquet")
    assert str(caught.value).splitlines()[0].endswith("3 problem(s)")


def test_patients_are_read_with_their_names(tmp_path):
    for name in ("P1", "P2"):
        store.write(GOOD, TABLE, tmp_path / f"{name}.parquet")
    paths = [tmp_path / "P1.parquet", tmp_path / "P2.parquet"]
    assert store.read_patients(paths, TABLE)["patient_id"].to_list() == ["P1", "P1", "P2", "P2"]
    assert store.read_patients([], TABLE).columns == ["patient_id", "name", "icp_mmhg"]


def test_every_number_in_the_contracts_wears_its_unit():
    suffixes = {"mm[Hg]": "_mmhg", "s": "_s", "h": "_h", "Hz": "_hz", "%": "percent"}
    for table in vars(contracts).values():
        if isinstance(table, Table):
            for name, column in table.columns.items():
                assert suffixes.get(column.unit, "") in name, (table.path, name)


def other(**changes):
    return GOOD.with_columns(name=pl.Series(["c", "d"])).with_columns(**changes)


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (other(extra=pl.lit(1.0)), "extra: not in the contract"),
        (other().drop("icp_mmhg"), "icp_mmhg: missing"),
        (other(icp_mmhg=pl.lit(1)), "icp_mmhg: Int32 instead of Float64"),
        (other(icp_mmhg=pl.lit(float("nan"))), "NaN or infinite"),
        (other(icp_mmhg=pl.lit(None)), "icp_mmhg: Null instead of Float64"),
        (other().drop("icp_mmhg").clear(), "icp_mmhg: missing"),
        (other(icp_mmhg=pl.lit(1)).clear(), "icp_mmhg: Int32 instead of Float64"),
    ],
)
@pytest.mark.parametrize("read", [store.read_all, store.read_patients])
def test_of_many_files_read_at_once_the_wrong_one_is_named(tmp_path, frame, words, read):
    store.write(GOOD, TABLE, tmp_path / "1.parquet")
    frame.write_parquet(tmp_path / "2.parquet")
    with pytest.raises(store.ContractError, match=r"2\.parquet: ") as caught:
        read([tmp_path / "1.parquet", tmp_path / "2.parquet"], TABLE)
    assert words in str(caught.value)


def test_many_files_are_one_table_and_a_row_that_two_of_them_have_is_refused(tmp_path):
    store.write(GOOD, TABLE, tmp_path / "1.parquet")
    store.write(other(), TABLE, tmp_path / "2.parquet")
    paths = [tmp_path / "1.parquet", tmp_path / "2.parquet"]
    rows = [("a", None), ("b", 12.0), ("c", 12.0), ("d", None)]
    assert store.read_all(paths, TABLE).rows() == rows
    assert store.read_all([], TABLE).equals(store.empty(TABLE))
    with pytest.raises(store.ContractError, match="rows repeat a key"):
        store.read_all([paths[0], paths[0]], TABLE)


def test_of_patients_only_the_columns_asked_for_are_read_and_checked(tmp_path):
    store.write(GOOD, TABLE, tmp_path / "P1.parquet")
    rows = store.read_patients([tmp_path / "P1.parquet"], TABLE, columns=["icp_mmhg"])
    assert rows.columns == ["patient_id", "name", "icp_mmhg"]
    GOOD.drop("icp_mmhg").write_parquet(tmp_path / "P2.parquet")
    with pytest.raises(store.ContractError, match=r"P2\.parquet: 1 problem\(s\)\n  icp_mmhg"):
        store.read_patients([tmp_path / "P2.parquet"], TABLE, columns=["icp_mmhg"])
