rule ingest:
    """Read each recording of one patient once: mask artefacts, average over blocks."""
    input:
        files=lambda wildcards: jobs.watched_files(STUDY, SET, wildcards.patient),
    output:
        recordings="results/recordings/{patient}.parquet",
        excluded="results/excluded/{patient}.parquet",
        intervals="results/intervals/{patient}.parquet",
        trends="results/trends/{patient}.parquet",
        artefacts="results/artefacts/{patient}.parquet",
        pulse_findings="results/pulse_findings/{patient}.parquet",
        lags="results/lags/{patient}.parquet",
        suspects="results/suspects/{patient}.parquet",
        quality="results/quality/{patient}.parquet",
        masked="results/masked/{patient}.parquet",
        recording_quality="results/recording_quality/{patient}.parquet",
        recording_masked="results/recording_masked/{patient}.parquet",
    log:
        "logs/ingest/{patient}.log",
    group:
        "patients"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        settings=only(
            SET,
            *("study.folder", "recordings", "cleaning", "trends", "levels"),
            "plausibility",
        )
        | MEASURED,
        of_patient=lambda wildcards: jobs.of_patient(STUDY, SET, wildcards.patient),
        code=fingerprint.code_of(SCRIPTS / "ingest.py"),
    script:
        "../scripts/ingest.py"


rule collect:
    """Put the account of all patients' recordings into one table each."""
    input:
        recordings=expand(rules.ingest.output.recordings, patient=PATIENTS),
        excluded=expand(rules.ingest.output.excluded, patient=PATIENTS),
        pulse_findings=expand(rules.ingest.output.pulse_findings, patient=PATIENTS),
        lags=expand(rules.ingest.output.lags, patient=PATIENTS),
        suspects=expand(rules.ingest.output.suspects, patient=PATIENTS),
        quality=expand(rules.ingest.output.quality, patient=PATIENTS),
        masked=expand(rules.ingest.output.masked, patient=PATIENTS),
        recording_quality=expand(
            rules.ingest.output.recording_quality, patient=PATIENTS
        ),
        recording_masked=expand(rules.ingest.output.recording_masked, patient=PATIENTS),
    output:
        recordings="results/recordings.parquet",
        excluded="results/excluded.parquet",
        pulse_findings="results/pulse_findings.parquet",
        lags="results/lags.parquet",
        suspects="results/suspects.parquet",
        quality="results/quality.parquet",
        masked="results/masked.parquet",
        recording_quality="results/recording_quality.parquet",
        recording_masked="results/recording_masked.parquet",
    log:
        "logs/collect.log",
    group:
        "cohort"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        declared=MEASURED,
        code=fingerprint.code_of(SCRIPTS / "collect.py"),
    script:
        "../scripts/collect.py"
