from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import power as planning

exposures, units = planning.names(snakemake.params.models)
table = planning.expected(
    store.read_named(snakemake.input.estimates, contracts.ESTIMATES),
    exposures=exposures,
    units=units,
)
store.write(table, contracts.PLANNING, snakemake.output.planning)
