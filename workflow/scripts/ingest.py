from pathlib import Path

from icpcohort import contracts, ingest, store

done = ingest.ingest_patient(
    snakemake.wildcards.patient,
    folder=Path(snakemake.params.folder),
    rows=snakemake.params.rows,
    events=snakemake.params.events,
    icp_channels=snakemake.params.icp_channels,
    abp_channels=snakemake.params.abp_channels,
    time_column=snakemake.params.time_column,
    chunk_samples=snakemake.params.chunk_samples,
    summarise={
        "rules": snakemake.params.rules,
        "min_valid_fraction": snakemake.params.min_valid_fraction,
        "pulse_min_hz": snakemake.params.pulse_min_hz,
        "pulse_max_hz": snakemake.params.pulse_max_hz,
        "amplitude_method": snakemake.params.amplitude_method,
    },
)
store.write(done.recordings, contracts.RECORDINGS, snakemake.output.recordings)
store.write(done.excluded, contracts.EXCLUDED, snakemake.output.excluded)
store.write(done.trends, contracts.TRENDS, snakemake.output.trends)
store.write(done.artefacts, contracts.ARTEFACTS, snakemake.output.artefacts)
store.write(done.quality, contracts.QUALITY, snakemake.output.quality)
