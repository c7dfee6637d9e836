from icpcohort import contracts
from icpcohort.cohort import outcomes
from icpcohort.contracts import store

endpoints = outcomes.derive(
    store.read(snakemake.input.patients, contracts.PATIENTS),
    favourable_gose=snakemake.params.favourable_gose,
    impact_form=snakemake.params.impact_form,
    mortality_horizon_h=snakemake.params.mortality_horizon_h,
    n_bands=snakemake.params.n_bands,
)
store.write(endpoints.outcomes, contracts.OUTCOMES, snakemake.output.outcomes)
store.write(endpoints.bands, contracts.BANDS, snakemake.output.bands)
