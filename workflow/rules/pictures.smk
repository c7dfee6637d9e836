PICTURES_CODE = fingerprint.code_of(SCRIPTS / "pictures.py")

for batch, members in DRAWN_TOGETHER.items():

    rule:
        """Draw what was recorded, masked and missing, and count it by hour, for a batch."""
        name:
            f"pictures_{batch}"
        input:
            recordings=expand(rules.ingest.output.recordings, patient=members),
            quality=expand(rules.ingest.output.quality, patient=members),
            minutes=expand(rules.indices.output.minutes, patient=members),
            curves=expand(rules.indices.output.curve, patient=members),
            optima=expand(rules.indices.output.optimum, patient=members),
            artefacts=expand(rules.ingest.output.artefacts, patient=members),
            intervals=expand(rules.ingest.output.intervals, patient=members),
        output:
            patients=expand("results/pictures/{patient}.svg", patient=members),
            hours=f"results/hours/{batch}.parquet",
        log:
            f"logs/pictures/{batch}.log",
        # At once: whenever a job ends, the sizes of the inputs of all waiting jobs are looked up.
        priority: 1
        group:
            "pictures"
        resources:
            mem_mb=ONE_MB,
            runtime=10,
        params:
            settings=only(SET, *COMPUTED, "study.time_zero"),
            code=PICTURES_CODE,
        script:
            "../scripts/pictures.py"


rule cohort_picture:
    """Draw the hours of all patients together."""
    input:
        quality=rules.collect.output.quality,
        hours=expand("results/hours/{batch}.parquet", batch=DRAWN_TOGETHER),
    output:
        cohort="results/cohort.svg",
    log:
        "logs/cohort_picture.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        patients=PATIENTS,
        settings=only(SET, "study.time_zero"),
        code=fingerprint.code_of(SCRIPTS / "cohort_picture.py"),
    script:
        "../scripts/cohort_picture.py"
