from icpcohort import contracts
from icpcohort.cohort import outcomes
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)
endpoints = outcomes.derive(
    store.read(snakemake.input.patients, contracts.PATIENTS),
    settings=outcomes.Settings(**snakemake.params.settings["outcomes"]),
)
store.write(endpoints.outcomes, contracts.OUTCOMES, snakemake.output.outcomes)
store.write(endpoints.bands, contracts.BANDS, snakemake.output.bands)
