rule pictures:
    """Draw what was recorded, masked and missing, of each patient and of all together."""
    input:
        recordings=rules.collect.output.recordings,
        quality=rules.collect.output.quality,
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
        curves=expand(rules.indices.output.curve, patient=PATIENTS),
        optima=expand(rules.indices.output.optimum, patient=PATIENTS),
        artefacts=expand(rules.ingest.output.artefacts, patient=PATIENTS),
        intervals=expand(rules.ingest.output.intervals, patient=PATIENTS),
    output:
        patients=expand("results/pictures/{patient}.svg", patient=PATIENTS),
        cohort="results/cohort.svg",
    params:
        time_zero=SET["study"]["time_zero"],
        code=provenance.code_of(SCRIPTS / "pictures.py"),
    script:
        "../scripts/pictures.py"
