from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.models import power

job_log.keep(snakemake.log)

exposures, units = power.names(snakemake.params.models)
table = power.expected(
    store.read_named(snakemake.input.estimates, contracts.ESTIMATES),
    exposures=exposures,
    units=units,
)
store.write(table, contracts.PLANNING, snakemake.output.planning)
