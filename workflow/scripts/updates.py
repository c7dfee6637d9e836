from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import daily_burden

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
days = daily_burden.day_by_day(
    store.read_patients(
        snakemake.input.minutes, contracts.MINUTES, columns=("icp_mmhg", "cpp_mmhg")
    ),
    integration=snakemake.params.integration,
    inequality=snakemake.params.inequality,
    episode_min=snakemake.params.episode_min,
    merge_gap_min=snakemake.params.merge_gap_min,
    **thresholds,
)
store.write(days, contracts.updates(thresholds), snakemake.output.updates)
