from icpcohort import contracts, outcomes, store

endpoints = outcomes.derive(
    store.read(snakemake.input.patients, contracts.PATIENTS),
    favourable_gose=snakemake.params.favourable_gose,
    impact_form=snakemake.params.impact_form,
)
store.write(endpoints, contracts.OUTCOMES, snakemake.output.outcomes)
