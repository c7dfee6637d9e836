import runpy
from pathlib import Path
from types import SimpleNamespace

for patient, of_patient in snakemake.params.of_patients.items():
    tables = {
        name: pattern.format(patient=patient)
        for name, pattern in snakemake.params.tables.items()
    }
    for script, params in (
        ("ingest", snakemake.params.ingest | of_patient["ingest"]),
        ("indices", snakemake.params.indices | of_patient["indices"]),
    ):
        one = SimpleNamespace(
            wildcards=SimpleNamespace(patient=patient),
            input=SimpleNamespace(**tables),  # the indices read what ingest wrote
            output=SimpleNamespace(**tables),
            params=SimpleNamespace(**params),
            log=snakemake.log,
        )
        path = Path(__file__).with_name(f"{script}.py")
        runpy.run_path(str(path), init_globals={"snakemake": one})
