from icpcohort import inputs


def test_results_of_nobody_are_named(tmp_path):
    for name in ("minutes/P1", "minutes/P2", "trends/P2"):
        path = tmp_path / f"{name}.parquet"
        path.parent.mkdir(exist_ok=True)
        path.touch()
    (tmp_path / "models/old").mkdir(parents=True)
    (tmp_path / "models/new").mkdir()
    found = inputs.strays(tmp_path, patients=["P1"], models=["new"])
    assert [line.split(": ")[0].removeprefix(f"{tmp_path}/") for line in found] == [
        "minutes/P2.parquet",
        "models/old",
        "trends/P2.parquet",
    ]
