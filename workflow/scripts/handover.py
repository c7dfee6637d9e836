from icpcohort import contracts
from icpcohort.cohort import export as handover
from icpcohort.contracts import atomic_write as whole
from icpcohort.contracts import store
from icpcohort.exposures import burden

table = contracts.analysis(
    burden.wide_columns(
        icp_above_mmhg=snakemake.params.icp_above_mmhg,
        cpp_below_mmhg=snakemake.params.cpp_below_mmhg,
    )
)
analysis = store.read(snakemake.input.analysis, table)
whole.write(snakemake.output.csv, handover.as_csv(analysis, table))
whole.write(snakemake.output.stata, handover.as_stata(analysis, table))
whole.write(snakemake.output.feather, handover.as_feather(analysis, table))
