# In a large study it takes longer to start a job than to read such a patient. The tables
# of each patient are those of `ingest` and `indices`, written by the same scripts.
NUMBERS_CODE = fingerprint.code_of(SCRIPTS / "numbers.py")

for batch, members in jobs.batches(LITTLE, n_each=8).items():
    to_ingest, of_ingest = jobs.for_patients(rules.ingest.params, members)
    to_indices, of_indices = jobs.for_patients(rules.indices.params, members)

    rule:
        """Ingest a batch of patients with little to read, and compute their indices."""
        name:
            f"numbers_{batch}"
        input:
            files=[
                file
                for patient in members
                for file in jobs.watched_files(STUDY, SET, patient)
            ],
        output:
            files=expand([*rules.ingest.output, *rules.indices.output], patient=members),
        log:
            f"logs/numbers/{batch}.log",
        group:
            "patients"
        resources:
            mem_mb=ONE_MB,
            runtime=10,
        params:
            tables={
                name: str(pattern)
                for made in (rules.ingest.output, rules.indices.output)
                for name, pattern in made.items()
            },
            ingest=to_ingest,
            indices=to_indices,
            of_patients={
                patient: {
                    "ingest": of_ingest[patient],
                    "indices": of_indices[patient],
                }
                for patient in members
            },
            code=NUMBERS_CODE,
        script:
            "../scripts/numbers.py"
