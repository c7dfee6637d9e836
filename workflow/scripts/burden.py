from icpcohort import burden, contracts, store

burdens = burden.add_up(
    store.read_patients(snakemake.input.minutes, contracts.MINUTES),
    windows=snakemake.params.windows,
    icp_above_mmhg=snakemake.params.icp_above_mmhg,
    cpp_below_mmhg=snakemake.params.cpp_below_mmhg,
    integration=snakemake.params.integration,
    episode_min=snakemake.params.episode_min,
    merge_gap_min=snakemake.params.merge_gap_min,
)
store.write(burdens, contracts.BURDEN, snakemake.output.burden)
