rule batch_burden:
    """Add up dose, time and episodes beyond each threshold, for a batch of patients."""
    input:
        minutes=lambda wildcards: expand(
            rules.indices.output.minutes, patient=BATCHES[wildcards.batch]
        ),
    output:
        burden="results/exposures/{batch}/burden.parquet",
        by_state="results/exposures/{batch}/burden_by_state.parquet",
    log:
        "logs/batch_burden/{batch}.log",
    group:
        "exposures"
    resources:
        mem_mb=BATCH_MB,
        runtime=10,
    params:
        settings=OF_MINUTES | only(SET, "windows", "burden"),
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
    log:
        "logs/burden.log",
    group:
        "cohort"
    resources:
        mem_mb=ALL_MB,
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
    log:
        "logs/batch_summary/{batch}.log",
    group:
        "exposures"
    resources:
        mem_mb=BATCH_MB,
        runtime=10,
    params:
        settings=OF_MINUTES
        | only(SET, "windows", "reactivity", "trends.block_s", "summary"),
        code=fingerprint.code_of(SCRIPTS / "batch_summary.py"),
    script:
        "../scripts/batch_summary.py"


rule summary:
    """Put the summaries of all patients into one table."""
    input:
        summary=expand(rules.batch_summary.output.summary, batch=BATCHES),
    output:
        summary="results/summary.parquet",
    log:
        "logs/summary.log",
    group:
        "cohort"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=only(SET, *COMPUTED),
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
    log:
        "logs/batch_intensity/{batch}.log",
    group:
        "exposures"
    resources:
        mem_mb=BATCH_MB,
        runtime=10,
    params:
        settings=OF_MINUTES
        | only(
            SET,
            "windows",
            "intensity_duration",
            without=["intensity_duration.min_patients"],
        ),
        code=fingerprint.code_of(SCRIPTS / "batch_intensity.py"),
    script:
        "../scripts/batch_intensity.py"


rule intensity:
    """Put the episodes of all patients into one table."""
    input:
        intensity=expand(rules.batch_intensity.output.intensity, batch=BATCHES),
    output:
        intensity="results/intensity.parquet",
    log:
        "logs/intensity.log",
    group:
        "cohort"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "intensity.py"),
    script:
        "../scripts/intensity.py"


rule repeated_summary:
    """Summarise the values that change with time in each window."""
    input:
        repeated=rules.repeated_values.output.repeated,
    output:
        summary="results/repeated_summary.parquet",
    log:
        "logs/repeated_summary.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(SET, "windows", "repeated"),
        code=fingerprint.code_of(SCRIPTS / "repeated_summary.py"),
    script:
        "../scripts/repeated_summary.py"
