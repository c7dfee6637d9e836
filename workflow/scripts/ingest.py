from pathlib import Path

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.signals import ingest

done = ingest.ingest_patient(
    snakemake.wildcards.patient,
    folder=Path(snakemake.params.folder),
    rows=snakemake.params.rows,
    events=snakemake.params.events,
    monitors=snakemake.params.monitors,
    level=snakemake.params.level,
    icp_channels=snakemake.params.icp_channels,
    abp_channels=snakemake.params.abp_channels,
    time_column=snakemake.params.time_column,
    chunk_samples=snakemake.params.chunk_samples,
    annotation_extensions=snakemake.params.annotation_extensions,
    annotation_meanings=snakemake.params.annotation_meanings,
    summarise={
        "rules": snakemake.params.rules,
        "block_s": snakemake.params.block_s,
        "min_valid_fraction": snakemake.params.min_valid_fraction,
        "pulse_min_hz": snakemake.params.pulse_min_hz,
        "pulse_max_hz": snakemake.params.pulse_max_hz,
        "pulse_rate_from": snakemake.params.pulse_rate_from,
        "pulse_tolerance_hz": snakemake.params.pulse_tolerance_hz,
        "amplitude_method": snakemake.params.amplitude_method,
        "shape_method": snakemake.params.shape_method,
        "shape_min_hz": snakemake.params.shape_min_hz,
        "shape_min_pulses": snakemake.params.shape_min_pulses,
        "shape_smoothing_fraction": snakemake.params.shape_smoothing_fraction,
    },
    levelling={
        "abp_correction": snakemake.params.abp_correction,
        "fluid_density_kg_m3": snakemake.params.fluid_density_kg_m3,
    },
)
store.write(done.recordings, contracts.RECORDINGS, snakemake.output.recordings)
store.write(done.excluded, contracts.EXCLUDED, snakemake.output.excluded)
store.write(done.intervals, contracts.INTERVALS, snakemake.output.intervals)
store.write(done.trends, contracts.TRENDS, snakemake.output.trends)
store.write(done.artefacts, contracts.ARTEFACTS, snakemake.output.artefacts)
store.write(done.pulse_findings, contracts.PULSE_FINDINGS, snakemake.output.pulse_findings)
kept = done.accounts
store.write(kept.quality, contracts.QUALITY, snakemake.output.quality)
store.write(kept.masked, contracts.MASKED, snakemake.output.masked)
store.write(
    kept.recording_quality, contracts.RECORDING_QUALITY, snakemake.output.recording_quality
)
store.write(
    kept.recording_masked, contracts.RECORDING_MASKED, snakemake.output.recording_masked
)
