from icpcohort import contracts
from icpcohort.contracts import declared_signals, job_log, store
from icpcohort.exposures import intensity_duration

job_log.keep(snakemake.log)
settings = snakemake.params.settings
intensity = intensity_duration.count_episodes(
    store.read_patients(
        snakemake.input.minutes,
        contracts.minutes(settings),
        columns=declared_signals.columns(settings),
    ),
    windows=settings["windows"],
    declared=settings,
    rules=intensity_duration.rules_of(settings["intensity_duration"]),
)
store.write(intensity, contracts.INTENSITY, snakemake.output.intensity)
