from icpcohort import contracts
from icpcohort.cohort import export
from icpcohort.contracts import atomic_write, store

table = contracts.analysis(
    {
        "icp_above_mmhg": snakemake.params.icp_above_mmhg,
        "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
    }
)
analysis = store.read(snakemake.input.analysis, table)
atomic_write.write(snakemake.output.csv, export.as_csv(analysis, table))
atomic_write.write(snakemake.output.stata, export.as_stata(analysis, table))
atomic_write.write(snakemake.output.feather, export.as_feather(analysis, table))
