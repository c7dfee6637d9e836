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
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        folder=SET["study"]["folder"],
        names={name: SET["study"][name] for name in study.TABLES},
        columns=SET["study"]["columns"],
        codings=SET["study"]["codings"],
        gose_coding=SET["study"]["gose_coding"],
        is_blinded=IS_BLINDED,
        seed=SET["plan"]["seed"],
        code=fingerprint.code_of(SCRIPTS / "study.py"),
    script:
        "../scripts/study.py"
