IS_BLINDED = SET["plan"]["blinded_until_locked"] and LOCKED is None


rule study:
    """Keep the study's own tables as they were read and checked."""
    input:
        **{name: jobs.table(SET, name) for name in tables.listed(SET)},
    output:
        patients="results/patients.parquet",
        monitors="results/monitors.parquet",
        events="results/events.parquet",
        recodings="results/recodings.parquet",
    log:
        "logs/study.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            *("study", "plan.seed", "variables", "outcomes", "repeated"),
            "cohort.main_outcome",
            without=["study.title", "study.time_zero"],
        )
        | jobs.shared_files(SET),
        is_blinded=IS_BLINDED,
        code=fingerprint.code_of(SCRIPTS / "study.py"),
    script:
        "../scripts/study.py"


rule repeated_values:
    """Keep the values that change while a patient is followed, as they were read and checked."""
    input:
        **{name: jobs.table(SET, name) for name in tables.listed(SET)},
    output:
        repeated="results/repeated_values.parquet",
    log:
        "logs/repeated_values.log",
    group:
        "cohort"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            *("study", "variables", "outcomes", "repeated", "cohort.main_outcome"),
            without=["study.title", "study.time_zero"],
        )
        | jobs.shared_files(SET),
        code=fingerprint.code_of(SCRIPTS / "repeated_values.py"),
    script:
        "../scripts/repeated_values.py"
