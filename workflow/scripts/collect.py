from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

for table, paths, whole in (
    (
        contracts.recordings(snakemake.params.declared),
        snakemake.input.recordings,
        snakemake.output.recordings,
    ),
    (contracts.EXCLUDED, snakemake.input.excluded, snakemake.output.excluded),
    (
        contracts.PULSE_FINDINGS,
        snakemake.input.pulse_findings,
        snakemake.output.pulse_findings,
    ),
    (contracts.LAGS, snakemake.input.lags, snakemake.output.lags),
    (contracts.SUSPECTS, snakemake.input.suspects, snakemake.output.suspects),
    (contracts.QUALITY, snakemake.input.quality, snakemake.output.quality),
    (contracts.MASKED, snakemake.input.masked, snakemake.output.masked),
    (
        contracts.RECORDING_QUALITY,
        snakemake.input.recording_quality,
        snakemake.output.recording_quality,
    ),
    (
        contracts.RECORDING_MASKED,
        snakemake.input.recording_masked,
        snakemake.output.recording_masked,
    ),
):
    store.write(store.read_all(paths, table), table, whole)
