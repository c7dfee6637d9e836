from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import burden

minutes = store.read_patients(
    snakemake.input.minutes,
    contracts.MINUTES,
    columns=("icp_mmhg", "cpp_mmhg", "prx", "llr_mmhg"),
)
settings = {
    "windows": snakemake.params.windows,
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
    "inequality": snakemake.params.inequality,
    "integration": snakemake.params.integration,
    "episode_min": snakemake.params.episode_min,
    "merge_gap_min": snakemake.params.merge_gap_min,
}
store.write(burden.add_up(minutes, **settings), contracts.BURDEN, snakemake.output.burden)
by_state = burden.add_up_by_state(
    minutes, impaired_prx=snakemake.params.impaired_prx, **settings
)
store.write(by_state, contracts.BURDEN_BY_STATE, snakemake.output.by_state)
