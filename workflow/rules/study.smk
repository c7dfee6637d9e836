rule study:
    """Keep the study's own tables as they were read and checked."""
    input:
        patients=inputs.table(SET, "patients"),
        recordings=inputs.table(SET, "recordings"),
        monitors=inputs.table(SET, "monitors"),
        events=inputs.table(SET, "events"),
    output:
        patients="results/patients.parquet",
        monitors="results/monitors.parquet",
        events="results/events.parquet",
    params:
        study=SET["study"],
        code=provenance.code_of(SCRIPTS / "study.py"),
    script:
        "../scripts/study.py"
