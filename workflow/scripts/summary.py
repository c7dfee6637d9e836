from icpcohort import contracts, store, summary

summaries = summary.summarise(
    store.read_patients(snakemake.input.minutes, contracts.MINUTES),
    windows=snakemake.params.windows,
    averaging=snakemake.params.averaging,
    fisher_clip=snakemake.params.fisher_clip,
    min_cppopt_h=snakemake.params.min_cppopt_h,
)
store.write(summaries, contracts.SUMMARY, snakemake.output.summary)
