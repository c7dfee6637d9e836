from icpcohort import contracts
from icpcohort.cohort import outcomes
from icpcohort.contracts import job_log, store
from icpcohort.study import left_out

job_log.keep(snakemake.log)
settings = snakemake.params.settings
endpoints = outcomes.derive(
    left_out.without(
        store.read(snakemake.input.patients, contracts.patients(settings)),
        snakemake.params.left_out,
    ),
    declared=settings,
)
store.write(endpoints.outcomes, contracts.outcomes(settings), snakemake.output.outcomes)
store.write(endpoints.bands, contracts.BANDS, snakemake.output.bands)
