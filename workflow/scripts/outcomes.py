from icpcohort import contracts
from icpcohort.cohort import outcomes
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)
settings = snakemake.params.settings
endpoints = outcomes.derive(
    store.read(snakemake.input.patients, contracts.patients(settings)), declared=settings
)
store.write(endpoints.outcomes, contracts.outcomes(settings), snakemake.output.outcomes)
store.write(endpoints.bands, contracts.BANDS, snakemake.output.bands)
