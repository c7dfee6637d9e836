from icpcohort import inputs


def test_results_of_nobody_are_named(tmp_path):
    for name in (
        "minutes/P1.parquet",
        "minutes/P2.parquet",
        "trends/P2.parquet",
        "pictures/P1.svg",
        "pictures/P2.svg",
    ):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    (tmp_path / "models/old").mkdir(parents=True)
    (tmp_path / "models/new").mkdir()
    found = inputs.strays(tmp_path, patients=["P1"], models=["new"])
    assert [line.split(": ")[0].removeprefix(f"{tmp_path}/") for line in found] == [
        "minutes/P2.parquet",
        "models/old",
        "pictures/P2.svg",
        "trends/P2.parquet",
    ]
