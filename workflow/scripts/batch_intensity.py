from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import intensity_duration

job_log.keep(snakemake.log)
settings = snakemake.params.settings
intensity = intensity_duration.count_episodes(
    store.read_patients(
        snakemake.input.minutes, contracts.MINUTES, columns=("icp_mmhg", "cpp_mmhg")
    ),
    windows=settings["windows"],
    rules=intensity_duration.Rules(**settings["intensity_duration"]),
)
store.write(intensity, contracts.INTENSITY, snakemake.output.intensity)
