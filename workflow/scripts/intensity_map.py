from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import intensity_duration

analysis = contracts.analysis(
    {
        "icp_above_mmhg": snakemake.params.icp_above_mmhg,
        "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
    }
)
table = intensity_duration.against_outcome(
    store.read(snakemake.input.intensity, contracts.INTENSITY),
    store.read(snakemake.input.analysis, analysis),
    min_patients=snakemake.params.min_patients,
)
store.write(table, contracts.INTENSITY_MAP, snakemake.output.table)
store.write(
    intensity_duration.transition(table), contracts.TRANSITION, snakemake.output.transition
)
