IS_BLINDED = SET["plan"]["blinded_until_locked"] and LOCKED is None


rule study:
    """Keep the study's own tables as they were read and checked."""
    input:
        patients=jobs.table(SET, "patients"),
        recordings=jobs.table(SET, "recordings"),
        monitors=jobs.table(SET, "monitors"),
        events=jobs.table(SET, "events"),
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
            *("study", "plan.seed", "variables", "outcomes", "cohort.main_outcome"),
            without=["study.title", "study.time_zero"],
        ),
        is_blinded=IS_BLINDED,
        code=fingerprint.code_of(SCRIPTS / "study.py"),
    script:
        "../scripts/study.py"
