from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.indices import cpp_curve, reactivity, whole_recording
from icpcohort.indices import minutes as indices

trends = store.read(snakemake.input.trends, contracts.TRENDS)
shared = {
    "events": store.read(snakemake.input.intervals, contracts.INTERVALS).to_dicts(),
    "not_during": snakemake.params.not_during,
    "minute_min_valid_fraction": snakemake.params.minute_min_valid_fraction,
    "correlations": reactivity.CorrelationRules(
        block_s=snakemake.params.block_s,
        n_blocks=snakemake.params.n_blocks,
        step_s=snakemake.params.step_s,
        min_valid_fraction=snakemake.params.min_valid_fraction,
        long_n_minutes=snakemake.params.long_n_minutes,
        averaging=snakemake.params.averaging,
        fisher_clip=snakemake.params.fisher_clip,
    ),
    "curve": cpp_curve.CurveRules(
        block_s=snakemake.params.block_s,
        n_blocks=snakemake.params.n_blocks,
        averaging=snakemake.params.averaging,
        fisher_clip=snakemake.params.fisher_clip,
        cpp_average=snakemake.params.cpp_average,
        cpp_average_min=snakemake.params.cpp_average_min,
        bin_width_mmhg=snakemake.params.bin_width_mmhg,
        bin_min_mmhg=snakemake.params.bin_min_mmhg,
        bin_max_mmhg=snakemake.params.bin_max_mmhg,
        weighting=snakemake.params.weighting,
        min_bin_fraction=snakemake.params.min_bin_fraction,
        min_bins=snakemake.params.min_bins,
        min_span_mmhg=snakemake.params.min_span_mmhg,
        min_span_prx=snakemake.params.min_span_prx,
        min_r_squared=snakemake.params.min_r_squared,
        min_curvature_z=snakemake.params.min_curvature_z,
        min_arm_z=snakemake.params.min_arm_z,
        one_sided=snakemake.params.one_sided,
        edge_weight=snakemake.params.edge_weight,
        window_weighting=snakemake.params.window_weighting,
        reactivity_limit_prx=snakemake.params.reactivity_limit_prx,
    ),
    "windows_min": snakemake.params.windows_min,
    "min_valid_fraction": snakemake.params.curve_min_valid_fraction,
}
minutes = indices.compute(trends, **shared)
whole = whole_recording.of_recording(
    snakemake.wildcards.patient,
    trends,
    minutes,
    uncertainty=whole_recording.UncertaintyRules(
        seed=snakemake.params.seed,
        n_resamples=snakemake.params.n_resamples,
        block_min=snakemake.params.block_min,
        min_upward_fraction=snakemake.params.min_upward_fraction,
        surrogate=snakemake.params.surrogate,
        n_surrogates=snakemake.params.n_surrogates,
        n_yield_surrogates=snakemake.params.n_yield_surrogates,
    ),
    **shared,
)
store.write(minutes, contracts.MINUTES, snakemake.output.minutes)
store.write(whole.curve, contracts.CURVES, snakemake.output.curve)
store.write(whole.row, contracts.OPTIMA, snakemake.output.optimum)
