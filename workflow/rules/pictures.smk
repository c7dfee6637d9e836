for batch, members in inputs.batches(PATIENTS, n_each=32).items():

    rule:
        """Draw what was recorded, masked and missing, for each patient of a batch."""
        name:
            f"pictures_{batch}"
        input:
            recordings=expand(rules.ingest.output.recordings, patient=members),
            quality=expand(rules.ingest.output.quality, patient=members),
            minutes=expand(rules.indices.output.minutes, patient=members),
            artefacts=expand(rules.ingest.output.artefacts, patient=members),
            intervals=expand(rules.ingest.output.intervals, patient=members),
        output:
            patients=expand("results/pictures/{patient}.svg", patient=members),
        # At once: with every job that ends the sizes of all that waits are looked up again.
        priority: 1
        group:
            "pictures"
        resources:
            mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
            runtime=10,
        params:
            time_zero=SET["study"]["time_zero"],
            code=provenance.code_of(SCRIPTS / "pictures.py"),
        script:
            "../scripts/pictures.py"


rule gallery:
    """Draw the hours of all patients together, on the page that leads to their pictures."""
    input:
        template=HOME / "workflow/report/pictures.html.j2",
        recordings=rules.collect.output.recordings,
        quality=rules.collect.output.quality,
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
        artefacts=expand(rules.ingest.output.artefacts, patient=PATIENTS),
        pictures=expand("results/pictures/{patient}.svg", patient=PATIENTS),
    output:
        cohort="results/cohort.svg",
        page="results/pictures.html",
    group:
        "report"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        time_zero=SET["study"]["time_zero"],
        code=provenance.code_of(SCRIPTS / "gallery.py"),
    script:
        "../scripts/gallery.py"
