from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.models import comparisons

job_log.keep(snakemake.log)

held = comparisons.hold(
    store.read_named(snakemake.input.estimates, contracts.ESTIMATES),
    models=snakemake.params.models,
)
store.write(held, contracts.COMPARISONS, snakemake.output.comparisons)
