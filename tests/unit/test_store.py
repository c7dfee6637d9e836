import polars as pl
import pyarrow.parquet as pq
import pytest

from icpcohort import contracts, store
from icpcohort.contracts import Column, Table

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
    assert field.metadata == {b"unit": b"mm[Hg]", b"about": b"ICP"}


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
