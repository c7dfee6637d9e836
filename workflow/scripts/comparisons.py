from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import comparisons

held = comparisons.hold(
    store.read_named(snakemake.input.estimates, contracts.ESTIMATES),
    models=snakemake.params.models,
)
store.write(held, contracts.COMPARISONS, snakemake.output.comparisons)
