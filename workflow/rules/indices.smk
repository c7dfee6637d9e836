rule indices:
    """Compute one patient's minutes with their indices, and CPPopt of the whole recording."""
    input:
        trends=rules.ingest.output.trends,
        intervals=rules.ingest.output.intervals,
    output:
        minutes="results/minutes/{patient}.parquet",
        curve="results/curves/{patient}.parquet",
        optimum="results/optima/{patient}.parquet",
    log:
        "logs/indices/{patient}.log",
    group:
        "patients"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            "trends.block_s",
            "minutes",
            "reactivity",
            "indices",
            "optimal_cpp",
            "uncertainty",
        )
        | declared_signals.without_labels(SET),
        subtracted=lambda wildcards: by_patient.subtracted(
            STUDY, SET, wildcards.patient
        ),
        code=fingerprint.code_of(SCRIPTS / "indices.py"),
    script:
        "../scripts/indices.py"


rule optima:
    """Put the CPPopt of each patient's whole recording into one table."""
    input:
        optima=expand(rules.indices.output.optimum, patient=PATIENTS),
    output:
        optima="results/optima.parquet",
    log:
        "logs/optima.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "optima.py"),
    script:
        "../scripts/optima.py"
