from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import intensity_duration

intensity = intensity_duration.count_episodes(
    store.read_patients(
        snakemake.input.minutes, contracts.MINUTES, columns=("icp_mmhg", "cpp_mmhg")
    ),
    windows=snakemake.params.windows,
    thresholds={
        "icp": intensity_duration.thresholds_mmhg(
            from_mmhg=snakemake.params.icp_from_mmhg,
            to_mmhg=snakemake.params.icp_to_mmhg,
            step_mmhg=snakemake.params.step_mmhg,
        ),
        "cpp": intensity_duration.thresholds_mmhg(
            from_mmhg=snakemake.params.cpp_from_mmhg,
            to_mmhg=snakemake.params.cpp_to_mmhg,
            step_mmhg=snakemake.params.step_mmhg,
        ),
    },
    durations_min=snakemake.params.durations_min,
    inequality=snakemake.params.inequality,
    merge_gap_min=snakemake.params.merge_gap_min,
)
store.write(intensity, contracts.INTENSITY, snakemake.output.intensity)
