rule outcomes:
    """Derive endpoints, with their direction stated, and prognostic risk."""
    input:
        patients=rules.study.output.patients,
    output:
        outcomes="results/outcomes.parquet",
        bands="results/bands.parquet",
    log:
        "logs/outcomes.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(SET, "variables", "outcomes", "scores"),
        left_out=list(LEFT_OUT),
        code=fingerprint.code_of(SCRIPTS / "outcomes.py"),
    script:
        "../scripts/outcomes.py"


rule cohort:
    """Form each window's cohort, with an account of who left at which step."""
    input:
        patients=rules.study.output.patients,
        outcomes=rules.outcomes.output.outcomes,
        summary=rules.summary.output.summary,
        burden=rules.burden.output.burden,
        recordings=rules.collect.output.recordings,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        repeated=jobs.if_repeated(SET, rules.repeated_summary.output.summary),
    output:
        analysis="results/analysis.parquet",
        flow="results/flow.parquet",
        dropped="results/dropped.parquet",
    log:
        "logs/cohort.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(SET, "windows", "cohort.eligibility", *DECLARED),
        left_out=LEFT_OUT,
        code=fingerprint.code_of(SCRIPTS / "cohort.py"),
    script:
        "../scripts/cohort.py"


rule monitoring_end:
    """Say when and why each patient's monitoring ended in each window, and count by outcome."""
    input:
        patients=rules.study.output.patients,
        outcomes=rules.outcomes.output.outcomes,
        recordings=rules.collect.output.recordings,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
    output:
        ends="results/monitoring_end.parquet",
        by_outcome="results/monitoring_end_by_outcome.parquet",
    log:
        "logs/monitoring_end.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            *("windows", "cohort.main_outcome", "cohort.monitoring_end_tolerance_h"),
            *("variables", "outcomes"),
        )
        | MEASURED,
        left_out=list(LEFT_OUT),
        code=fingerprint.code_of(SCRIPTS / "monitoring_end.py"),
    script:
        "../scripts/monitoring_end.py"


rule table_one:
    """Describe the cohort of the main window by outcome or by exposure."""
    input:
        analysis=rules.cohort.output.analysis,
    output:
        table="results/tables/table1.parquet",
    log:
        "logs/table_one.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            *("cohort.main_window", "cohort.main_outcome", "cohort.table_one"),
            *DECLARED,
        ),
        code=fingerprint.code_of(SCRIPTS / "table_one.py"),
    script:
        "../scripts/table_one.py"


rule handover:
    """Write the analysis table for programs that read no Parquet."""
    input:
        analysis=rules.cohort.output.analysis,
    output:
        csv="results/analysis.csv",
        stata="results/analysis.dta",
        feather="results/analysis.feather",
    log:
        "logs/handover.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(SET, *DECLARED),
        code=fingerprint.code_of(SCRIPTS / "handover.py"),
    script:
        "../scripts/handover.py"


rule intensity_map:
    """Relate episodes by threshold and duration to outcome in each window's cohort."""
    input:
        intensity=rules.intensity.output.intensity,
        analysis=rules.cohort.output.analysis,
    output:
        table="results/intensity_map.parquet",
        transition="results/intensity_transition.parquet",
    log:
        "logs/intensity_map.log",
    group:
        "cohort"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            *("intensity_duration.min_patients", "cohort.main_outcome"),
            *DECLARED,
        ),
        code=fingerprint.code_of(SCRIPTS / "intensity_map.py"),
    script:
        "../scripts/intensity_map.py"
