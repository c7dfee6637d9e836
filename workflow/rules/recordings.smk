rule ingest:
    """Read each recording of one patient once: mask artefacts, average over blocks."""
    input:
        files=lambda wildcards: jobs.recording_files(STUDY, SET, wildcards.patient),
    output:
        recordings="results/recordings/{patient}.parquet",
        excluded="results/excluded/{patient}.parquet",
        intervals="results/intervals/{patient}.parquet",
        trends="results/trends/{patient}.parquet",
        artefacts="results/artefacts/{patient}.parquet",
        pulse_findings="results/pulse_findings/{patient}.parquet",
        quality="results/quality/{patient}.parquet",
        masked="results/masked/{patient}.parquet",
        recording_quality="results/recording_quality/{patient}.parquet",
        recording_masked="results/recording_masked/{patient}.parquet",
    group:
        "patients"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        folder=SET["study"]["folder"],
        stamps=lambda wildcards: jobs.stamps(
            jobs.recording_files(STUDY, SET, wildcards.patient)
        ),
        rows=lambda wildcards: study.recordings_of(STUDY, wildcards.patient),
        events=lambda wildcards: study.events_of(STUDY, wildcards.patient),
        monitors=lambda wildcards: study.monitors_of(STUDY, wildcards.patient),
        level=lambda wildcards: study.level_of(STUDY, wildcards.patient),
        icp_channels=SET["recordings"]["icp_channels"],
        abp_channels=SET["recordings"]["abp_channels"],
        time_column=SET["recordings"]["time_column"],
        chunk_samples=SET["recordings"]["chunk_samples"],
        annotation_extensions=SET["recordings"]["annotation_extensions"],
        annotation_meanings=SET["recordings"]["annotation_meanings"],
        rules=SET["cleaning"]["rules"],
        block_s=SET["trends"]["block_s"],
        min_valid_fraction=SET["trends"]["min_valid_fraction"],
        pulse_min_hz=SET["trends"]["pulse_min_hz"],
        pulse_max_hz=SET["trends"]["pulse_max_hz"],
        pulse_rate_from=SET["trends"]["pulse_rate_from"],
        pulse_tolerance_hz=SET["trends"]["pulse_tolerance_hz"],
        amplitude_method=SET["trends"]["amplitude_method"],
        shape_method=SET["trends"]["shape_method"],
        shape_min_hz=SET["trends"]["shape_min_hz"],
        shape_min_pulses=SET["trends"]["shape_min_pulses"],
        shape_smoothing_fraction=SET["trends"]["shape_smoothing_fraction"],
        abp_correction=SET["levels"]["abp_correction"],
        fluid_density_kg_m3=SET["levels"]["fluid_density_kg_m3"],
        code=fingerprint.code_of(SCRIPTS / "ingest.py"),
    script:
        "../scripts/ingest.py"


rule collect:
    """Put the account of all patients' recordings into one table each."""
    input:
        recordings=expand(rules.ingest.output.recordings, patient=PATIENTS),
        excluded=expand(rules.ingest.output.excluded, patient=PATIENTS),
        pulse_findings=expand(rules.ingest.output.pulse_findings, patient=PATIENTS),
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
        quality="results/quality.parquet",
        masked="results/masked.parquet",
        recording_quality="results/recording_quality.parquet",
        recording_masked="results/recording_masked.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "collect.py"),
    script:
        "../scripts/collect.py"
