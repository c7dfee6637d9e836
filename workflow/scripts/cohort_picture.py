from icpcohort import contracts, coverage, store, whole

cohort = coverage.cohort_picture(
    store.read_all(snakemake.input.hours, contracts.HOURS),
    patients=snakemake.params.patients,
    quality=store.read(snakemake.input.quality, contracts.QUALITY),
    time_zero=snakemake.params.time_zero,
)
whole.write(snakemake.output.cohort, cohort)
