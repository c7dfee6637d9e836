rule burden:
    """Add up dose, time and episodes beyond each threshold in each window."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        burden="results/burden.parquet",
        by_state="results/burden_by_state.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        windows=SET["windows"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        inequality=SET["burden"]["inequality"],
        integration=SET["burden"]["integration"],
        episode_min=SET["burden"]["episode_min"],
        merge_gap_min=SET["burden"]["merge_gap_min"],
        impaired_prx=SET["burden"]["impaired_prx"],
        code=provenance.code_of(SCRIPTS / "burden.py"),
    script:
        "../scripts/burden.py"


rule summary:
    """Summarise pressures and indices of each patient in each window."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        summary="results/summary.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        windows=SET["windows"],
        averaging=SET["reactivity"]["averaging"],
        fisher_clip=SET["reactivity"]["fisher_clip"],
        min_cppopt_h=SET["summary"]["min_cppopt_h"],
        min_prx_interval_h=SET["summary"]["min_prx_interval_h"],
        n_cosines=SET["summary"]["n_cosines"],
        code=provenance.code_of(SCRIPTS / "summary.py"),
    script:
        "../scripts/summary.py"


rule intensity:
    """Count each patient's episodes by threshold and duration."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        intensity="results/intensity.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        windows=SET["windows"],
        icp_from_mmhg=SET["intensity_duration"]["icp_from_mmhg"],
        icp_to_mmhg=SET["intensity_duration"]["icp_to_mmhg"],
        cpp_from_mmhg=SET["intensity_duration"]["cpp_from_mmhg"],
        cpp_to_mmhg=SET["intensity_duration"]["cpp_to_mmhg"],
        step_mmhg=SET["intensity_duration"]["step_mmhg"],
        durations_min=SET["intensity_duration"]["durations_min"],
        inequality=SET["intensity_duration"]["inequality"],
        merge_gap_min=SET["intensity_duration"]["merge_gap_min"],
        code=provenance.code_of(SCRIPTS / "intensity.py"),
    script:
        "../scripts/intensity.py"
