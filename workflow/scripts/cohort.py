from icpcohort import burden, cohort, contracts, store

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
formed = cohort.select(
    store.read(snakemake.input.patients, contracts.PATIENTS),
    store.read(snakemake.input.outcomes, contracts.OUTCOMES),
    store.read(snakemake.input.summary, contracts.SUMMARY),
    store.read(snakemake.input.burden, contracts.BURDEN),
    windows=snakemake.params.windows,
    min_age_years=snakemake.params.min_age_years,
    **thresholds,
)
analysis = contracts.analysis(burden.wide_columns(**thresholds))
store.write(formed.analysis, analysis, snakemake.output.analysis)
store.write(formed.flow, contracts.FLOW, snakemake.output.flow)
store.write(formed.dropped, contracts.DROPPED, snakemake.output.dropped)
