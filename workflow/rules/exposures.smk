rule batch_burden:
    """Add up dose, time and episodes beyond each threshold, for a batch of patients."""
    input:
        minutes=lambda wildcards: expand(
            rules.indices.output.minutes, patient=BATCHES[wildcards.batch]
        ),
    output:
        burden="results/exposures/{batch}/burden.parquet",
        by_state="results/exposures/{batch}/burden_by_state.parquet",
    group:
        "exposures"
    resources:
        mem_mb=lambda wildcards, attempt: BATCH_MB * attempt,
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
        code=fingerprint.code_of(SCRIPTS / "batch_burden.py"),
    script:
        "../scripts/batch_burden.py"


rule burden:
    """Put the burden of all patients into one table."""
    input:
        burden=expand(rules.batch_burden.output.burden, batch=BATCHES),
        by_state=expand(rules.batch_burden.output.by_state, batch=BATCHES),
    output:
        burden="results/burden.parquet",
        by_state="results/burden_by_state.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "burden.py"),
    script:
        "../scripts/burden.py"


rule batch_summary:
    """Summarise pressures and indices in each window, for a batch of patients."""
    input:
        minutes=lambda wildcards: expand(
            rules.indices.output.minutes, patient=BATCHES[wildcards.batch]
        ),
    output:
        summary="results/exposures/{batch}/summary.parquet",
    group:
        "exposures"
    resources:
        mem_mb=lambda wildcards, attempt: BATCH_MB * attempt,
        runtime=10,
    params:
        windows=SET["windows"],
        averaging=SET["reactivity"]["averaging"],
        fisher_clip=SET["reactivity"]["fisher_clip"],
        min_cppopt_h=SET["summary"]["min_cppopt_h"],
        min_prx_interval_h=SET["summary"]["min_prx_interval_h"],
        n_cosines=SET["summary"]["n_cosines"],
        code=fingerprint.code_of(SCRIPTS / "batch_summary.py"),
    script:
        "../scripts/batch_summary.py"


rule summary:
    """Put the summaries of all patients into one table."""
    input:
        summary=expand(rules.batch_summary.output.summary, batch=BATCHES),
    output:
        summary="results/summary.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "summary.py"),
    script:
        "../scripts/summary.py"


rule batch_intensity:
    """Count episodes by threshold and duration, for a batch of patients."""
    input:
        minutes=lambda wildcards: expand(
            rules.indices.output.minutes, patient=BATCHES[wildcards.batch]
        ),
    output:
        intensity="results/exposures/{batch}/intensity.parquet",
    group:
        "exposures"
    resources:
        mem_mb=lambda wildcards, attempt: BATCH_MB * attempt,
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
        code=fingerprint.code_of(SCRIPTS / "batch_intensity.py"),
    script:
        "../scripts/batch_intensity.py"


rule intensity:
    """Put the episodes of all patients into one table."""
    input:
        intensity=expand(rules.batch_intensity.output.intensity, batch=BATCHES),
    output:
        intensity="results/intensity.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "intensity.py"),
    script:
        "../scripts/intensity.py"
