from icpcohort import contracts, indices, optimal_cpp, reactivity, store

done = indices.compute(
    snakemake.wildcards.patient,
    store.read(snakemake.input.trends, contracts.TRENDS),
    events=snakemake.params.events,
    minute_min_valid_fraction=snakemake.params.minute_min_valid_fraction,
    correlations=reactivity.CorrelationRules(
        block_s=snakemake.params.block_s,
        n_blocks=snakemake.params.n_blocks,
        step_s=snakemake.params.step_s,
        min_valid_fraction=snakemake.params.min_valid_fraction,
        long_n_minutes=snakemake.params.long_n_minutes,
        averaging=snakemake.params.averaging,
        fisher_clip=snakemake.params.fisher_clip,
    ),
    not_during=snakemake.params.not_during,
    curve=optimal_cpp.CurveRules(
        fisher_clip=snakemake.params.fisher_clip,
        cpp_average_min=snakemake.params.cpp_average_min,
        bin_width_mmhg=snakemake.params.bin_width_mmhg,
        bin_min_mmhg=snakemake.params.bin_min_mmhg,
        bin_max_mmhg=snakemake.params.bin_max_mmhg,
        min_bin_fraction=snakemake.params.min_bin_fraction,
        min_bins=snakemake.params.min_bins,
        min_curvature_z=snakemake.params.min_curvature_z,
        n_blocks=snakemake.params.n_blocks,
        reactivity_limit_prx=snakemake.params.reactivity_limit_prx,
    ),
    windows_h=snakemake.params.windows_h,
    min_valid_fraction=snakemake.params.curve_min_valid_fraction,
)
store.write(done.minutes, contracts.MINUTES, snakemake.output.minutes)
store.write(done.curve, contracts.CURVES, snakemake.output.curve)
store.write(done.optimum, contracts.OPTIMA, snakemake.output.optimum)
