from pathlib import Path

from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.specifications import exposures

job_log.keep(snakemake.log)
files = zip(snakemake.input.trends, snakemake.input.intervals, strict=True)
patients = (
    exposures.Patient(
        Path(trends).stem,
        store.read(trends, contracts.trends(snakemake.params.made_with)),
        store.read(intervals, contracts.INTERVALS).to_dicts(),
        **snakemake.params.of_patients[Path(trends).stem],
    )
    for trends, intervals in files
)
made = exposures.add_up_all(
    patients,
    signals=snakemake.wildcards.signals,
    settings=snakemake.params.settings,
    levels_of_trends=snakemake.params.made_with["levels"],
    declared=snakemake.params.made_with,
    shift=snakemake.params.shift,
)
store.write(
    made.summary,
    contracts.exposed_summary(snakemake.params.made_with),
    snakemake.output.summary,
)
store.write(made.burden, contracts.EXPOSED_BURDEN, snakemake.output.burden)
