import os

from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.recordings import places
from icpcohort.signals import ingest

job_log.keep(snakemake.log)
settings, of_patient = snakemake.params.settings, snakemake.params.of_patient
done = ingest.ingest_patient(
    snakemake.wildcards.patient,
    places=places.from_environment(os.environ, folder=settings["study"]["folder"]),
    rows=of_patient["rows"],
    events=of_patient["events"],
    monitors=of_patient["monitors"],
    level=of_patient["level"],
    left_out=of_patient["left_out"],
    sections=ingest.sections_of(settings),
)
made, accounts = snakemake.output, done.accounts
store.write(done.recordings, contracts.recordings(settings), made.recordings)
store.write(done.excluded, contracts.EXCLUDED, made.excluded)
store.write(done.intervals, contracts.INTERVALS, made.intervals)
store.write(done.trends, contracts.trends(settings), made.trends)
store.write(done.artefacts, contracts.ARTEFACTS, made.artefacts)
store.write(done.pulse_findings, contracts.PULSE_FINDINGS, made.pulse_findings)
store.write(done.lags, contracts.LAGS, made.lags)
store.write(done.suspects, contracts.SUSPECTS, made.suspects)
store.write(accounts.quality, contracts.QUALITY, made.quality)
store.write(accounts.masked, contracts.MASKED, made.masked)
store.write(accounts.recording_quality, contracts.RECORDING_QUALITY, made.recording_quality)
store.write(accounts.recording_masked, contracts.RECORDING_MASKED, made.recording_masked)
