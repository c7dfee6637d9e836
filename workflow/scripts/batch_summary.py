from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import summary

summaries = summary.summarise(
    store.read_patients(snakemake.input.minutes, contracts.MINUTES),
    windows=snakemake.params.windows,
    averaging=snakemake.params.averaging,
    fisher_clip=snakemake.params.fisher_clip,
    min_cppopt_h=snakemake.params.min_cppopt_h,
    min_prx_interval_h=snakemake.params.min_prx_interval_h,
    n_cosines=snakemake.params.n_cosines,
)
store.write(summaries, contracts.SUMMARY, snakemake.output.summary)
