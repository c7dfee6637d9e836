rule indices:
    """Compute one patient's minutes with their indices, and CPPopt of the whole recording."""
    input:
        trends=rules.ingest.output.trends,
        intervals=rules.ingest.output.intervals,
    output:
        minutes="results/minutes/{patient}.parquet",
        curve="results/curves/{patient}.parquet",
        optimum="results/optima/{patient}.parquet",
    group:
        "patients"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        minute_min_valid_fraction=SET["minutes"]["min_valid_fraction"],
        block_s=SET["trends"]["block_s"],
        n_blocks=SET["reactivity"]["n_blocks"],
        step_s=SET["reactivity"]["step_s"],
        min_valid_fraction=SET["reactivity"]["min_valid_fraction"],
        long_n_minutes=SET["reactivity"]["long_n_minutes"],
        not_during=SET["reactivity"]["not_during"],
        averaging=SET["reactivity"]["averaging"],
        fisher_clip=SET["reactivity"]["fisher_clip"],
        windows_min=SET["optimal_cpp"]["windows_min"],
        curve_min_valid_fraction=SET["optimal_cpp"]["min_valid_fraction"],
        cpp_average=SET["optimal_cpp"]["cpp_average"],
        cpp_average_min=SET["optimal_cpp"]["cpp_average_min"],
        bin_width_mmhg=SET["optimal_cpp"]["bin_width_mmhg"],
        bin_min_mmhg=SET["optimal_cpp"]["bin_min_mmhg"],
        bin_max_mmhg=SET["optimal_cpp"]["bin_max_mmhg"],
        weighting=SET["optimal_cpp"]["weighting"],
        min_bin_fraction=SET["optimal_cpp"]["min_bin_fraction"],
        min_bins=SET["optimal_cpp"]["min_bins"],
        min_span_mmhg=SET["optimal_cpp"]["min_span_mmhg"],
        min_span_prx=SET["optimal_cpp"]["min_span_prx"],
        min_r_squared=SET["optimal_cpp"]["min_r_squared"],
        min_curvature_z=SET["optimal_cpp"]["min_curvature_z"],
        min_arm_z=SET["optimal_cpp"]["min_arm_z"],
        one_sided=SET["optimal_cpp"]["one_sided"],
        edge_weight=SET["optimal_cpp"]["edge_weight"],
        window_weighting=SET["optimal_cpp"]["window_weighting"],
        reactivity_limit_prx=SET["optimal_cpp"]["reactivity_limit_prx"],
        seed=SET["uncertainty"]["seed"],
        n_resamples=SET["uncertainty"]["n_resamples"],
        block_min=SET["uncertainty"]["block_min"],
        min_upward_fraction=SET["uncertainty"]["min_upward_fraction"],
        surrogate=SET["uncertainty"]["surrogate"],
        n_surrogates=SET["uncertainty"]["n_surrogates"],
        n_yield_surrogates=SET["uncertainty"]["n_yield_surrogates"],
        code=fingerprint.code_of(SCRIPTS / "indices.py"),
    script:
        "../scripts/indices.py"


rule optima:
    """Put the CPPopt of each patient's whole recording into one table."""
    input:
        optima=expand(rules.indices.output.optimum, patient=PATIENTS),
    output:
        optima="results/optima.parquet",
    group:
        "report"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "optima.py"),
    script:
        "../scripts/optima.py"
